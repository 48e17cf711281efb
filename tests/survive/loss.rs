//! The server is killed and started again, at random moments.

use super::band::{Ear, Judged, MS, Night, SECOND};
use super::server::Server;
use super::two::Written;
use fogbell::device::boot;
use fogbell::log::read::is_log;
use fogbell::log::{Entry, Reading};
use std::ops::Range;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

const SHOW: &str = r#"
show = "Saltmarsh Five, without a device"
[click.drums]
player = "Wren"
every = "eighths"
[feed.drums]
hears = { drums = 0 }
[[song]]
title = "Low Tide"
tempo = 132
bars = 400
"#;

pub const RIG: &str = r#"
rig = "a server without a sound card"
[interface]
host = "jack"
device = "none"
rate = 48000
block = 128
[outputs]
drums = 1
"#;

/// The promise: after the device's return.
const BACK_WITHIN: i64 = 500 * MS;

/// One loss: moments by the boot-time clock.
struct Loss {
    lost: i64,
    /// The server was started again.
    started: i64,
    /// It was known to be running: its first callback to the ear.
    runs: i64,
    first: i64,
}

fn run(folder: &Path, server: &str) -> Child {
    let said = std::fs::File::create(folder.join("said.txt")).unwrap();
    Command::new(env!("CARGO_BIN_EXE_fogbell"))
        .args(["run", "show.toml", "--rig", "rig.toml", "--headless", "--no-ready", "--start", "1"])
        .args(["--for", "900"])
        .current_dir(folder)
        .env("JACK_DEFAULT_SERVER", server)
        .env("JACK_NO_AUDIO_RESERVATION", "1")
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(said)
        .spawn()
        .unwrap()
}

/// The logs of a folder, in the order in which they were begun.
pub fn logs(folder: &Path) -> Vec<Reading> {
    let mut paths: Vec<PathBuf> =
        std::fs::read_dir(folder).into_iter().flatten().flatten().map(|entry| entry.path()).collect();
    paths.retain(|path| is_log(path));
    paths.sort();
    paths.iter().map(|path| fogbell::log::read::read(path).unwrap()).collect()
}

/// Stretches of the boot-time clock beside frames that this computer lost, by the program's own account.
pub fn lost(logs: &[Reading]) -> Vec<Range<i64>> {
    let now = jiff::Timestamp::now().as_nanosecond() as i64;
    let off = boot::now() - now;
    let lines = logs.iter().flat_map(|log| &log.lines);
    let xruns = lines.filter(|(_, line)| matches!(line.entry, Entry::Xrun { .. }));
    let at = |time: &str| time.parse::<jiff::Timestamp>().ok().map(|time| time.as_nanosecond() as i64 + off);
    xruns.filter_map(|(_, line)| at(&line.time)).map(|at| at - SECOND..at + SECOND).collect()
}

/// `times` losses; what the band heard, and its judgement.
fn lose(times: usize) -> (Vec<Loss>, Judged, Vec<Reading>) {
    let folder = tempfile::tempdir().unwrap();
    let write = |name: &str, text: &str| std::fs::write(folder.path().join(name), text).unwrap();
    write("show.toml", SHOW);
    write("rig.toml", RIG);
    let mut random = fastrand::Rng::with_seed(7);
    let mut server = Server::start();
    let ear = Ear::on(&server.name, folder.path());
    std::thread::sleep(Duration::from_millis(700));
    let mut program = run(folder.path(), &server.name);
    let mut losses = Vec::new();
    std::thread::sleep(Duration::from_millis(2500));
    for _ in 0..times {
        std::thread::sleep(Duration::from_millis(random.u64(0..400)));
        let lost = boot::now();
        server.process.kill().unwrap();
        server.process.wait().unwrap();
        std::thread::sleep(Duration::from_millis(random.u64(300..1800)));
        let started = boot::now();
        server.again();
        losses.push(Loss { lost, started, runs: 0, first: 0 });
        std::thread::sleep(Duration::from_millis(2600));
    }
    let pid = rustix::process::Pid::from_child(&program);
    rustix::process::kill_process(pid, rustix::process::Signal::TERM).unwrap();
    let begun = Instant::now();
    while program.try_wait().unwrap().is_none() && begun.elapsed() < Duration::from_secs(20) {
        std::thread::sleep(Duration::from_millis(20));
    }
    let ended = program.try_wait().unwrap().is_some();
    let _gone = program.kill();
    let said = std::fs::read_to_string(folder.path().join("said.txt")).unwrap();
    assert!(ended, "fogbell hangs: {said}");
    let night: Night = ear.end();
    for loss in &mut losses {
        loss.runs = night.first_heard(loss.started).expect("the server came back");
        loss.first =
            night.first_onset(loss.started).unwrap_or_else(|| panic!("nothing sounds again: {said}"));
    }
    let logs = logs(&folder.path().join("logs"));
    let silent: Vec<_> = losses.iter().map(|loss| loss.lost - 250 * MS..loss.runs + BACK_WITHIN).collect();
    let written = Written::of(&folder.path().join("show.toml"), "drums");
    let judged = night.judge(&written, &silent, &lost(&logs));
    (losses, judged, logs)
}

fn check(times: usize) {
    let (losses, judged, logs) = lose(times);
    let ms = |ns: i64| ns as f64 / 1e6;
    println!("loss  away ms  runs ms  first hit ms after the server was started");
    for (number, loss) in losses.iter().enumerate() {
        let since = |at: i64| ms(at - loss.started);
        println!(
            "{:4}  {:7.0}  {:7.0}  {:9.0}",
            number + 1,
            ms(loss.started - loss.lost),
            since(loss.runs),
            since(loss.first)
        );
    }
    println!(
        "{} hits promised: {} off the grid, {} missed, {} doubled, worst {:.3} ms; {} beside frames that this computer \
         lost; {} not promised",
        judged.due,
        judged.off.len(),
        judged.missed.len(),
        judged.doubled.len(),
        judged.worst_ms,
        judged.excused,
        judged.not_judged
    );
    assert_eq!(logs.len(), 1, "one run, one log");
    assert!(logs[0].faults.is_empty() && logs[0].torn.is_none(), "{:?}", logs[0].faults);
    let told = |words: &str| {
        let says = |line: &fogbell::log::Line| matches!(&line.entry, Entry::Device(told) if told.text.contains(words));
        logs[0].lines.iter().filter(|(_, line)| says(line)).count()
    };
    // Once more at the most, where it is first silent and then known to be gone.
    assert!((times..=2 * times).contains(&told("DEVICE LOST")), "{}", told("DEVICE LOST"));
    assert_eq!(told("DEVICE BACK"), times, "each comeback is said once");
    for (what, faults) in [("off", &judged.off), ("missed", &judged.missed), ("doubled", &judged.doubled)] {
        assert!(faults.is_empty(), "{what}: {faults:?}");
    }
    assert!(judged.due > 6 * times, "too little was promised: {judged:?}");
}

#[test]
fn a_server_that_is_killed_and_started_again_is_played_on_in_the_bands_time() {
    check(2);
}

#[test]
#[ignore = "slow: a minute of real time, for tests/extended"]
fn ten_servers_are_killed_and_started_again() {
    check(10);
}
