//! `fogbell run` on a real JACK server with its dummy back end, patched into its own inputs.

#[path = "../common/jack.rs"]
mod server;

use super::run::{FOGBELL, assert_clean, count, only_log};
use rustix::process::{Pid, Signal, kill_process};
use serde_json::Value;
use server::Server;
use std::path::Path;
use std::process::{Child, Command, Output, Stdio};
use std::time::{Duration, Instant};

const PATIENCE: Duration = Duration::from_secs(20);

/// One song whose hits are easy to find, and two inputs that no feed hears.
const SHOW: &str = r#"
show = "patched into itself"
[click.drums]
every = "eighths"
[click.band]
every = "beats"
[input.left]
kind = "ambient"
[input.right]
kind = "ambient"
[feed.drums]
hears = { drums = 0 }
[feed.band]
hears = { band = 0 }
[[song]]
title = "Low Tide"
tempo = 132
bars = 2
"#;

const RIG: &str = r#"
rig = "a server without a sound card"
[interface]
host = "jack"
device = "none"
rate = 48000
block = 128
[outputs]
drums = 1
band = 2
[inputs]
left = 1
right = 2
"#;

struct Stage {
    server: Server,
    folder: tempfile::TempDir,
}

impl Stage {
    fn new() -> Stage {
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join("show.toml"), SHOW).unwrap();
        std::fs::write(folder.path().join("rig.toml"), RIG).unwrap();
        let stage = Stage { server: Server::start(), folder };
        stage.until("the server is there", || stage.tool("jack_lsp", &[]).is_some());
        stage
    }

    fn command(&self, program: &str) -> Command {
        let mut command = Command::new(program);
        command.env("JACK_DEFAULT_SERVER", &self.server.name).env("JACK_NO_AUDIO_RESERVATION", "1");
        command.current_dir(self.folder.path()).stdin(Stdio::null());
        command
    }

    fn tool(&self, program: &str, words: &[&str]) -> Option<String> {
        let output =
            self.command(program).args(words).stderr(Stdio::null()).output().expect("JACK's tools are there");
        output.status.success().then(|| String::from_utf8_lossy(&output.stdout).into_owned())
    }

    fn until(&self, what: &str, done: impl Fn() -> bool) {
        let begun = Instant::now();
        while !done() {
            assert!(
                begun.elapsed() < PATIENCE,
                "{what}: not within {PATIENCE:?}\njackd said:\n{}",
                self.server.words()
            );
            std::thread::sleep(Duration::from_millis(50));
        }
    }

    fn run(&self, words: &[&str]) -> Child {
        let mut command = self.command(FOGBELL);
        command
            .args(["run", "show.toml", "--rig", "rig.toml", "--headless", "--no-ready", "--json"])
            .args(words);
        command.stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().expect("fogbell starts")
    }

    fn patch(&self) {
        self.until("fogbell's ports", || {
            self.tool("jack_lsp", &[]).is_some_and(|ports| ports.contains("fogbell:band"))
        });
        for (from, to) in [("fogbell:drums", "fogbell:left"), ("fogbell:band", "fogbell:right")] {
            // The ports are there a moment before their client is ready to be connected.
            self.until(from, || self.tool("jack_connect", &[from, to]).is_some());
        }
    }

    fn signal(&self, signal: Signal) {
        kill_process(Pid::from_child(&self.server.process), signal).unwrap();
    }
}

fn finish(mut child: Child) -> (Value, i32, String) {
    let begun = Instant::now();
    while child.try_wait().unwrap().is_none() {
        if begun.elapsed() > 3 * PATIENCE {
            child.kill().unwrap();
            panic!("fogbell hangs");
        }
        std::thread::sleep(Duration::from_millis(20));
    }
    let Output { status, stdout, stderr } = child.wait_with_output().unwrap();
    let told = String::from_utf8_lossy(&stderr).into_owned();
    let report = serde_json::from_slice(&stdout).unwrap_or_else(|why| panic!("{why}: {told}"));
    (report, status.code().unwrap_or(-1), told)
}

/// First frames of sounds in a channel: silence for 20 ms before.
fn onsets(samples: &[f32]) -> Vec<i64> {
    let mut quiet_since = 0;
    let mut found = Vec::new();
    for (frame, sample) in samples.iter().enumerate() {
        if sample.abs() > 1e-6 {
            if frame - quiet_since >= 960 {
                found.push(frame as i64);
            }
            quiet_since = frame + 1;
        }
    }
    found
}

fn channels(path: &Path) -> Vec<Vec<f32>> {
    let mut wav = hound::WavReader::open(path).expect("the recording opens");
    let count = wav.spec().channels as usize;
    let samples: Vec<f32> = wav.samples::<i32>().map(|s| s.unwrap() as f32 / (1 << 23) as f32).collect();
    (0..count).map(|channel| samples.iter().skip(channel).step_by(count).copied().collect()).collect()
}

/// The hits that came back through the server lie where exact arithmetic has them: beats of 60 / 132 s.
#[test]
fn the_recorded_hits_lie_on_the_grid_to_the_frame() {
    let stage = Stage::new();
    let child = stage.run(&["--press", "3 start", "--record", "r.wav", "--for", "12"]);
    stage.patch();
    let (report, code, told) = finish(child);
    assert_eq!(code, 0, "{told} {report:#}");
    assert_clean(&report);
    let heard = channels(&stage.folder.path().join("r.wav"));
    let [drums, band, left, right] = [0, 1, 2, 3].map(|channel| onsets(&heard[channel]));
    // Inputs are read before outputs are written: what is patched back comes one period later, always.
    let later = |onsets: &[i64]| onsets.iter().map(|onset| onset + 128).collect::<Vec<i64>>();
    assert_eq!((later(&drums), later(&band)), (left, right), "port to port: one period");
    assert_eq!(band.len(), 6 + 8, "two bars of count-in as 1 - 2 - / 1 2 3 4, then two bars");
    let counts: Vec<i64> = [0, 2, 4, 5, 6, 7].into_iter().chain(8..16).collect();
    for (onset, beat) in band.iter().zip(counts) {
        let exact = band[0] as f64 + beat as f64 * 60.0 * 48_000.0 / 132.0;
        assert!((*onset as f64 - exact).abs() <= 1.0, "beat {beat}: {onset} against {exact}");
    }
    assert!(report["priority"].is_string(), "{report:#}");
}

#[test]
fn a_killed_server_ends_in_a_clear_message_a_clean_log_and_exit_1() {
    let stage = Stage::new();
    let child = stage.run(&["--start", "1", "--give-up-after", "0"]);
    stage.patch();
    stage.signal(Signal::KILL);
    let (report, code, _) = finish(child);
    assert_eq!((code, report["end"].as_str()), (1, Some("device-lost")), "{report:#}");
    assert!(report["why"].as_str().is_some_and(|why| why.len() > 10), "{report:#}");
    assert_eq!(count(&report, "missed"), 0, "{report:#}");
    let log = only_log(stage.folder.path());
    let (lines, last) = (std::fs::read_to_string(log).unwrap(), "\"event\":\"end\"");
    assert!(lines.lines().last().is_some_and(|line| line.contains(last)), "{lines}");
}

#[test]
fn a_server_that_hangs_is_noticed_and_the_run_ends() {
    let stage = Stage::new();
    let child = stage.run(&["--start", "1", "--give-up-after", "0"]);
    stage.patch();
    stage.signal(Signal::STOP);
    let (report, code, _) = finish(child);
    stage.signal(Signal::CONT);
    assert_eq!((code, report["end"].as_str()), (1, Some("device-lost")), "{report:#}");
}

#[test]
fn without_a_server_it_says_what_it_found_and_how_to_choose() {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("show.toml"), SHOW).unwrap();
    std::fs::write(folder.path().join("rig.toml"), RIG).unwrap();
    let output = Command::new(FOGBELL)
        .args(["run", "show.toml", "--rig", "rig.toml", "--headless", "--no-ready", "--start", "1"])
        .env("JACK_DEFAULT_SERVER", "fogbell-no-such-server")
        .env("JACK_NO_START_SERVER", "1")
        .current_dir(folder.path())
        .output()
        .unwrap();
    let told = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(output.status.code(), Some(1), "{told}");
    assert!(told.contains("to mend it"), "{told}");
}
