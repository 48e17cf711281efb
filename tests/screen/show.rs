//! `fogbell run` itself in a terminal, on the virtual interface.

use super::terminal::{InTerminal, in_a_terminal};
use portable_pty::CommandBuilder;
use serde_json::Value;
use std::time::{Duration, Instant};

const SHOW: &str = r#"
show = "Saltmarsh Five"
[[song]]
title = "Low Tide"
tempo = 132
bars = 4
note = "Wren counts"
[[song]]
title = "Eel Net"
tempo = 126
bars = 2
"#;

struct Night {
    folder: tempfile::TempDir,
    terminal: InTerminal,
}

impl Night {
    fn new() -> Night {
        Night::with(&[], &[])
    }

    /// More files beside the show, more words behind it.
    fn with(files: &[(&str, &str)], words: &[&str]) -> Night {
        let folder = tempfile::tempdir().expect("a folder");
        for (name, text) in [("show.toml", SHOW)].iter().chain(files) {
            std::fs::write(folder.path().join(name), text).expect("a file");
        }
        let mut command = CommandBuilder::new(env!("CARGO_BIN_EXE_fogbell"));
        command.args(["run", "show.toml", "--no-ready"]);
        command.args(words);
        command.cwd(folder.path());
        command.env("TERM", "xterm-256color");
        Night { terminal: in_a_terminal(command, 80, 24, true), folder }
    }

    /// Lines of the night's log of one kind.
    fn log(&self, event: &str) -> Vec<Value> {
        let Ok(folder) = std::fs::read_dir(self.folder.path().join("logs")) else { return Vec::new() };
        let text: String =
            folder.flatten().filter_map(|log| std::fs::read_to_string(log.path()).ok()).collect();
        let lines = text.lines().filter_map(|line| serde_json::from_str::<Value>(line).ok());
        lines.filter(|line| line["event"] == event).collect()
    }

    fn wait_for_log(&self, event: &str) -> Value {
        let since = Instant::now();
        loop {
            if let Some(line) = self.log(event).pop() {
                return line;
            }
            assert!(since.elapsed() < Duration::from_secs(30), "no `{event}` in the log");
            std::thread::sleep(Duration::from_millis(50));
        }
    }
}

#[test]
fn a_song_is_started_read_again_stopped_and_the_run_is_quit_by_keys() {
    let mut night = Night::new();
    night.terminal.wait_for("SPACE starts 1 Low Tide");
    let faster = SHOW.replace("tempo = 132", "tempo = 150");
    std::fs::write(night.folder.path().join("show.toml"), faster).expect("the show");
    night.terminal.press("\x1b[15~"); // F5
    night.terminal.wait_for("SHOW READ AGAIN: 2 songs");
    night.terminal.wait_for("150");
    night.terminal.press(" ");
    night.terminal.wait_for("SPACE does nothing while 1 Low Tide plays.");
    night.terminal.press("s");
    night.terminal.wait_for("ENTER stops 1 Low Tide now");
    std::thread::sleep(Duration::from_millis(300));
    night.terminal.press("\r");
    night.terminal.wait_for("SPACE starts 1 Low Tide");
    night.terminal.press("q");
    night.terminal.wait_for("ENTER quits");
    std::thread::sleep(Duration::from_millis(300));
    night.terminal.press("\r");
    assert_eq!(night.terminal.ended(), 0, "{}", night.terminal.screen());
    assert!(night.terminal.restored());
    assert!(night.terminal.screen().contains("missed  0"), "{}", night.terminal.screen());
    assert_eq!(night.log("end").len(), 1);
}

#[test]
fn closing_the_terminal_does_not_stop_the_sound() {
    let mut night = Night::new();
    night.terminal.wait_for("SPACE starts 1 Low Tide");
    night.terminal.press(" ");
    night.terminal.wait_for("SPACE does nothing while 1 Low Tide plays.");
    night.terminal.close();
    let verdict = night.wait_for_log("verdict");
    // Two bars of count-in (1 - 2 - / 1 2 3 4) and four bars of eighths for the drums, beats for the band.
    let due = 6 + 4 * 8 + 6 + 4 * 4;
    assert_eq!(verdict["verdict"]["due"], due, "{verdict:#}");
    assert_eq!(verdict["verdict"]["sounded"], due, "{verdict:#}");
    night.wait_for_log("end");
    night.terminal.ended();
}

/// A device that vanishes and is not there again: all of what to do stands on 80 columns.
#[test]
fn without_a_device_the_whole_sentence_is_on_the_screen() {
    let rig = "[interface]\nhost = \"virtual\"\ndevice = \"world.toml\"\nrate = 48000\nblock = 128\n[outputs]\ndrums = 1\nband = 2\n";
    let world = "faults = [{ at = 96000, kind = \"vanish\" }]\n";
    let mut night = Night::with(&[("rig.toml", rig), ("world.toml", world)], &["--rig", "rig.toml"]);
    night.terminal.wait_for("SPACE starts 1 Low Tide");
    std::fs::remove_file(night.folder.path().join("world.toml")).expect("the world");
    night.terminal.wait_for("Plug it in,");
    let words: Vec<String> = night.terminal.screen().split_whitespace().map(str::to_owned).collect();
    let screen = words.join(" ");
    for words in ["start its server:", "it comes back by", "itself, in time."] {
        assert!(screen.contains(words), "no `{words}` on\n{}", night.terminal.screen());
    }
    night.terminal.press("q");
    night.terminal.wait_for("ENTER quits");
    std::thread::sleep(Duration::from_millis(300));
    night.terminal.press("\r");
    night.terminal.ended();
}
