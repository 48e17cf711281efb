//! `fogbell run` on the virtual interface, in real time.

use fogbell::log::read::is_log;
use serde_json::Value;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::time::{Duration, Instant};

pub const FOGBELL: &str = env!("CARGO_BIN_EXE_fogbell");

/// A folder with the demo show in it.
pub fn demo() -> tempfile::TempDir {
    let folder = tempfile::tempdir().expect("a folder for the test");
    copy(&Path::new(env!("CARGO_MANIFEST_DIR")).join("demo"), folder.path());
    // The demo starts its first song after 2.5 s, with its drum mic in time; here a song starts after half a second.
    let world = std::fs::read_to_string(folder.path().join("world.toml")).expect("the demo's world");
    let (late, early) = ("at = 295505", "at = 199505");
    assert!(world.contains(late), "the drum mic's start: two seconds later than here");
    std::fs::write(folder.path().join("world.toml"), world.replace(late, early)).expect("written");
    folder
}

fn copy(from: &Path, to: &Path) {
    std::fs::create_dir_all(to).expect("a folder");
    for entry in std::fs::read_dir(from).expect("the demo folder").flatten() {
        let (path, target) = (entry.path(), to.join(entry.file_name()));
        if path.is_dir() {
            if entry.file_name() != "out" {
                copy(&path, &target);
            }
        } else {
            std::fs::copy(&path, &target).expect("a copy");
        }
    }
}

pub fn fogbell(folder: &Path, words: &[&str]) -> Command {
    let mut command = Command::new(FOGBELL);
    command.args(words).current_dir(folder).stdin(Stdio::null());
    command
}

/// Runs to the end and reads the one object that must be on standard output.
pub fn report(command: &mut Command) -> (Value, i32) {
    let Output { status, stdout, stderr } = command.output().expect("fogbell starts");
    let text = String::from_utf8(stdout).expect("text");
    let value = serde_json::from_str(&text)
        .unwrap_or_else(|why| panic!("{why}\n{text}\n{}", String::from_utf8_lossy(&stderr)));
    (value, status.code().expect("an exit code"))
}

pub fn count(report: &Value, what: &str) -> u64 {
    report[what].as_u64().unwrap_or_else(|| panic!("no {what} in {report}"))
}

/// Everything that was due sounded, and nothing else.
pub fn assert_clean(report: &Value) {
    for none in ["missed", "late", "doubled", "off_level", "clipped", "unheard", "lost_with_device"] {
        assert_eq!(count(report, none), 0, "{none}: {report:#}");
    }
    assert!(count(report, "due") > 0, "{report:#}");
    assert_eq!(count(report, "due"), count(report, "sounded"), "{report:#}");
    assert!(report["largest_error_frames"].as_f64().is_some_and(|error| error < 0.5), "{report:#}");
}

fn wait(child: &mut Child, limit: Duration) -> i32 {
    let end = Instant::now() + limit;
    loop {
        if let Some(status) = child.try_wait().expect("the child can be waited for") {
            return status.code().unwrap_or(-1);
        }
        assert!(Instant::now() < end, "fogbell hangs");
        std::thread::sleep(Duration::from_millis(20));
    }
}

pub fn only_log(folder: &Path) -> PathBuf {
    let logs: Vec<PathBuf> = std::fs::read_dir(folder.join("logs"))
        .expect("a log folder")
        .flatten()
        .map(|entry| entry.path())
        .filter(|path| is_log(path))
        .collect();
    assert_eq!(logs.len(), 1, "{logs:?}");
    logs[0].clone()
}

fn log_events(folder: &Path) -> Vec<Value> {
    let text = std::fs::read_to_string(only_log(folder)).expect("a log");
    text.lines().filter_map(|line| serde_json::from_str(line).ok()).collect()
}

#[test]
fn the_demo_plays_to_its_end_and_every_hit_is_heard() {
    let folder = demo();
    let words = [
        "run",
        "saltmarsh.toml",
        "--rig",
        "rig.toml",
        "--headless",
        "--start",
        "Low Tide",
        "--record",
        "r.wav",
        "--json",
    ];
    let (report, code) = report(&mut fogbell(folder.path(), &words));
    assert_clean(&report);
    assert_eq!((code, count(&report, "switches")), (0, 0));
    let wav = hound::WavReader::open(folder.path().join("r.wav")).expect("the recording is a WAV");
    let seconds = f64::from(wav.duration()) / 48_000.0;
    assert!((seconds - report["seconds"].as_f64().unwrap()).abs() < 0.1, "{seconds}");
    assert_eq!(wav.spec().channels, 6, "two outputs, four inputs");
    let events = log_events(folder.path());
    let named = |name: &str| events.iter().filter(|event| event["event"] == name).count();
    assert_eq!((named("start"), named("verdict"), named("end")), (1, 1, 1));
    assert!(named("section") >= 3 && named("levels") >= 10 && named("load") >= 1);
    assert_eq!(events[0]["text"], std::fs::read_to_string(folder.path().join("saltmarsh.toml")).unwrap());
}

/// Kill, freeze, repeat, corrupt or slow the renderer: no hit is missed, none sounds twice, none moves.
#[test]
fn whatever_happens_to_the_renderer_no_hit_is_missed_doubled_or_moved() {
    let failures = ["dies", "freezes", "repeats", "corrupt", "slow"];
    let runs = failures.map(|failure| {
        let folder = demo();
        let what = format!("renderer-{failure}@1.2");
        let words = [
            "run",
            "saltmarsh.toml",
            "--rig",
            "rig.toml",
            "--headless",
            "--start",
            "2",
            "--json",
            "--no-ready",
            "--rehearse",
            &what,
        ];
        let child = fogbell(folder.path(), &words).stdout(Stdio::piped()).spawn().expect("fogbell starts");
        (failure, child, folder)
    });
    for (failure, child, _folder) in runs {
        let output = child.wait_with_output().expect("fogbell ends");
        let report: Value = serde_json::from_slice(&output.stdout).expect("one object");
        assert_clean(&report);
        assert_eq!(output.status.code(), Some(0), "{failure}");
        assert!(count(&report, "switches") >= 1, "{failure}: the fault is told: {report:#}");
    }
}

#[test]
fn every_key_that_moves_the_music_leaves_a_clean_night() {
    let folder = demo();
    std::fs::write(
        folder.path().join("moves.toml"),
        "show = \"moves\"\n[[song]]\ntitle = \"Low Tide\"\ntempo = 132\n[[song.section]]\nname = \"a\"\nbars = 2\n\
         vamp = true\n[[song.section]]\nname = \"b\"\nbars = 4\nhold = true\n[[song.section]]\nname = \"c\"\nbars = 1\n",
    )
    .unwrap();
    let presses = [
        "0.2 start",
        "4.5 beat-plus",
        "5.3 beat-minus",
        "6.1 later",
        "6.9 earlier",
        "7.5 undo",
        "8.2 slower",
        "9.0 written-tempo",
        "9.9 one-is-now",
        "11 click-out",
        "12 click-in",
        "13 all-out",
        "13.5 all-back",
        "15 release",
        "24.5 start",
    ];
    let known: Vec<&str> =
        fogbell::view::keys::Action::all().map(fogbell::view::keys::Action::name).collect();
    let mut words = vec!["run", "moves.toml", "--headless", "--json", "--no-ready", "--for", "31"];
    for press in presses {
        let action = press.split_once(' ').map_or("", |(_, action)| action);
        assert!(known.contains(&action), "{action} is not in {known:?}");
        words.extend(["--press", press]);
    }
    let (report, _) = report(&mut fogbell(folder.path(), &words));
    for none in ["missed", "late", "doubled", "lost_with_device", "unheard"] {
        assert_eq!(count(&report, none), 0, "{none}: {report:#}");
    }
    assert!(count(&report, "sounded") > 60, "{report:#}");
}

#[test]
fn a_faulty_song_is_left_out_and_the_others_play() {
    let folder = demo();
    let text = std::fs::read_to_string(folder.path().join("saltmarsh.toml")).unwrap();
    let text = text
        .replace("metre = \"7/8 as 2+2+3\"", "metre = \"7/8 as 2+2\"")
        .replace("segue = true", "segue = false");
    std::fs::write(folder.path().join("saltmarsh.toml"), text).unwrap();
    let words =
        ["run", "saltmarsh.toml", "--rig", "rig.toml", "--headless", "--start", "1", "--json", "--no-ready"];
    let (report, code) = report(&mut fogbell(folder.path(), &words));
    assert_clean(&report);
    assert_eq!(report["refused_songs"], serde_json::json!(["Eel Net"]));
    assert_eq!(code, 1, "it ran and fell short");
}

/// Three feeds on an interface with two outputs: the rig's fold is used, and said.
#[test]
fn an_interface_with_fewer_outputs_gets_the_fold() {
    let folder = tempfile::tempdir().expect("a folder");
    let write = |name: &str, text: &str| std::fs::write(folder.path().join(name), text).expect("written");
    let feed = |name: &str| format!("[click.{name}]\n[feed.{name}]\nhears = {{ {name} = 0 }}\n");
    let band: String = ["drums", "band", "keys"].map(feed).concat();
    write("show.toml", &format!("show = \"T\"\n{band}[[song]]\ntitle = \"Ebb\"\ntempo = 240\nbars = 1\n"));
    write("world.toml", "inputs = 0\noutputs = 2\n");
    let rig = "[interface]\nhost = \"virtual\"\ndevice = \"world.toml\"\n[outputs]\ndrums = 1\nband = 2\nkeys = 3\n";
    write("bare.toml", rig);
    let fold = "[[fold]]\noutputs = 2\nchannels = { 1 = [\"drums\"], 2 = [\"band\", \"keys\"] }\n";
    write("rig.toml", &format!("{rig}{fold}"));
    // Without --start and --press the first song plays.
    let words =
        ["run", "show.toml", "--rig", "rig.toml", "--headless", "--json", "--no-ready", "--record", "r.wav"];
    let output = fogbell(folder.path(), &words).output().expect("fogbell ends");
    let report: Value = serde_json::from_slice(&output.stdout).expect("one object");
    assert_clean(&report);
    assert_eq!(output.status.code(), Some(0));
    assert!(count(&report, "due") >= 20, "{report}");
    assert!(String::from_utf8_lossy(&output.stderr).contains("folded: 1 drums, 2 band + keys"));
    let wav = hound::WavReader::open(folder.path().join("r.wav")).expect("a WAV");
    assert_eq!(wav.spec().channels, 2);
    let words = ["run", "show.toml", "--rig", "bare.toml", "--headless", "--json", "--no-ready"];
    let output = fogbell(folder.path(), &words).output().expect("fogbell ends");
    assert_ne!(output.status.code(), Some(0), "without a fold it is refused");
}

#[test]
fn killed_in_the_middle_it_leaves_a_log_and_a_recording_that_open() {
    let folder = demo();
    let words = [
        "run",
        "saltmarsh.toml",
        "--rig",
        "rig.toml",
        "--headless",
        "--start",
        "1",
        "--record",
        "r.wav",
        "--no-ready",
    ];
    let mut child =
        fogbell(folder.path(), &words).stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap();
    std::thread::sleep(Duration::from_secs(4));
    child.kill().unwrap();
    child.wait().unwrap();
    let events = log_events(folder.path());
    assert!(events.iter().any(|event| event["event"] == "section"), "{events:?}");
    assert!(!folder.path().join("r.wav").exists(), "no half file under the final name");
    let part = hound::WavReader::open(folder.path().join("r.part.wav")).expect("what was recorded opens");
    assert!(part.duration() > 48_000, "{} frames", part.duration());
}

#[test]
fn a_signal_ends_it_in_good_order() {
    let folder = demo();
    let words =
        ["run", "saltmarsh.toml", "--rig", "rig.toml", "--headless", "--start", "1", "--no-ready", "--json"];
    let mut child = fogbell(folder.path(), &words).stdout(Stdio::piped()).spawn().unwrap();
    std::thread::sleep(Duration::from_secs(2));
    let pid = rustix::process::Pid::from_child(&child);
    rustix::process::kill_process(pid, rustix::process::Signal::TERM).unwrap();
    assert_eq!(wait(&mut child, Duration::from_secs(20)), 0);
    let events = log_events(folder.path());
    assert_eq!(events.last().map(|event| event["event"].clone()), Some("end".into()));
}

#[test]
fn bad_options_are_told_with_their_mend_and_end_with_2() {
    let folder = demo();
    std::fs::write(folder.path().join("there.wav"), "mine").unwrap();
    for (words, says) in [
        (vec!["run", "none.toml", "--headless"], "none.toml"),
        (vec!["run", "saltmarsh.toml", "--headless", "--press", "3 sing"], "all-out"),
        (vec!["run", "saltmarsh.toml", "--headless", "--record", "there.wav"], "another name"),
        (vec!["run", "saltmarsh.toml", "--headless", "--rehearse", "renderer-sings@3"], "renderer-dies"),
        (vec!["run", "saltmarsh.toml", "--headless", "--start", "Ebb", "--for", "1"], "Low Tide"),
    ] {
        let output = fogbell(folder.path(), &words).output().unwrap();
        let told = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(output.status.code(), Some(2), "{words:?}: {told}");
        assert!(told.contains(says), "{words:?}: {told}");
    }
    assert_eq!(std::fs::read_to_string(folder.path().join("there.wav")).unwrap(), "mine");
}

#[test]
fn a_song_keeps_its_number_when_another_is_left_out() {
    let folder = demo();
    let text = std::fs::read_to_string(folder.path().join("saltmarsh.toml")).unwrap();
    std::fs::write(folder.path().join("saltmarsh.toml"), text.replace("tempo = 132", "tempo = -132"))
        .unwrap();
    let words =
        ["run", "saltmarsh.toml", "--rig", "rig.toml", "--headless", "--start", "2", "--json", "--no-ready"];
    let (report, code) = report(&mut fogbell(folder.path(), &words));
    assert_clean(&report);
    assert_eq!((report["refused_songs"].clone(), code), (serde_json::json!(["Low Tide"]), 1));
}

#[test]
fn a_run_in_which_nothing_was_due_fell_short() {
    let folder = demo();
    let words =
        ["run", "saltmarsh.toml", "--rig", "rig.toml", "--headless", "--for", "0", "--json", "--no-ready"];
    let (report, code) = report(&mut fogbell(folder.path(), &words));
    assert_eq!((count(&report, "due"), code), (0, 1));
}
