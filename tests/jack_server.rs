//! JACK, on a real server with its dummy back end (no sound card needed).
//!
//! Each test starts a server of its own name and runs its body in a child process, because libjack reads
//! the server's name from the environment and one process reaches one server. Nothing is asserted about
//! the wall clock but that nothing hangs: frames, counts and order are.
#![cfg(all(feature = "jack", target_os = "linux"))]

#[path = "common/jack.rs"]
mod jack;

use fogbell::device::jack_host::JackHost;
use fogbell::device::{Health, HealthState, Interface, OpenSetup, Running, watch};
use fogbell::realtime::io::{Io, Process};
use fogbell::units::SampleRate;
use jack::Server;
use rustix::process::{Pid, Signal, kill_process};
use std::process::Command;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

const CHILD: &str = "FOGBELL_TEST_CHILD";
const SERVER_PID: &str = "FOGBELL_TEST_SERVER_PID";

/// A machine may sleep for a while; a hang is longer.
const PATIENCE: Duration = Duration::from_secs(20);

/// Runs `body` in a child process of the same test, with a server of its own; one at a time.
fn on_a_server(test: &str, body: impl FnOnce()) {
    static ONE_AT_A_TIME: Mutex<()> = Mutex::new(());
    if std::env::var(CHILD).as_deref() == Ok(test) {
        return body();
    }
    let _turn = ONE_AT_A_TIME.lock().unwrap_or_else(PoisonError::into_inner);
    let server = Server::start();
    let mut child = Command::new(std::env::current_exe().unwrap())
        .args(["--exact", test, "--nocapture", "--test-threads=1"])
        .env(CHILD, test)
        .env(SERVER_PID, server.process.id().to_string())
        .env("JACK_DEFAULT_SERVER", &server.name)
        .env("JACK_NO_AUDIO_RESERVATION", "1")
        .spawn()
        .unwrap();
    let begun = Instant::now();
    let status = loop {
        if let Some(status) = child.try_wait().unwrap() {
            break status;
        }
        if begun.elapsed() > 3 * PATIENCE {
            let _ = child.kill();
            panic!("{test} hangs");
        }
        std::thread::sleep(Duration::from_millis(20));
    };
    let said = server.words();
    assert!(status.success(), "{test} failed in its child process, see above: {status}\njackd said:\n{said}");
}

fn signal_server(signal: Signal) {
    let pid: i32 = std::env::var(SERVER_PID).unwrap().parse().unwrap();
    kill_process(Pid::from_raw(pid).unwrap(), signal).unwrap();
}

/// Waits for the server, as a person would by asking again.
fn host() -> JackHost {
    let begun = Instant::now();
    while let Err(error) = JackHost.list() {
        assert!(begun.elapsed() < PATIENCE, "{error}");
        std::thread::sleep(Duration::from_millis(50));
    }
    JackHost
}

fn tool(program: &str, arguments: &[&str]) -> String {
    let output = Command::new(program).args(arguments).output().unwrap_or_else(|fault| {
        panic!("{program} cannot be run ({fault}): apt-get install --no-install-recommends jackd2")
    });
    assert!(output.status.success(), "{program} {arguments:?}: {output:?}");
    String::from_utf8_lossy(&output.stdout).into_owned()
}

fn setup(device: &str, inputs: u16, outputs: u16) -> OpenSetup {
    let device = device.to_owned();
    OpenSetup { device, ..OpenSetup::new(SampleRate::standard(), 128, inputs, outputs) }
}

fn wait_until(running: &mut dyn Running, ready: impl Fn(&Health) -> bool) -> Health {
    let begun = Instant::now();
    loop {
        let health = running.health();
        if ready(&health) {
            return health;
        }
        assert!(begun.elapsed() < PATIENCE, "{health:?}");
        std::thread::sleep(Duration::from_millis(20));
    }
}

/// What a [`Probe`] saw, a callback a line.
#[derive(Clone, Default)]
struct Seen {
    /// First frame, frames lost before it, frames.
    blocks: Vec<(i64, i64, usize)>,
    heard: Vec<f32>,
}

/// Plays the frame's number on output 1 and takes down input 1.
struct Probe(Arc<Mutex<Seen>>);

/// Whole numbers that an f32 carries exactly and that no two frames of a second share.
fn numbered(frame: i64) -> f32 {
    (frame.rem_euclid(60_000) + 1) as f32 / 65_536.0
}

fn lock(seen: &Mutex<Seen>) -> MutexGuard<'_, Seen> {
    seen.lock().unwrap_or_else(PoisonError::into_inner)
}

impl Process for Probe {
    fn process(&mut self, io: &mut Io) {
        let mut seen = lock(&self.0);
        seen.blocks.push((io.at.0, io.lost.0, io.frames));
        seen.heard.extend_from_slice(io.input.channel(0, io.frames));
        io.output.clear();
        let at = io.at.0;
        for (sample, frame) in io.output.channel_mut(0, io.frames).iter_mut().zip(at..) {
            *sample = numbered(frame);
        }
    }
}

fn start(setup: &OpenSetup) -> (Box<dyn Running>, Arc<Mutex<Seen>>) {
    let seen = Arc::new(Mutex::new(Seen::default()));
    let opened = host().open(setup).unwrap();
    let running = opened.start(Box::new(Probe(Arc::clone(&seen)))).unwrap();
    (running, seen)
}

/// Frames follow each other, lost ones counted.
fn assert_no_gap(blocks: &[(i64, i64, usize)]) {
    for pair in blocks.windows(2) {
        let ((at, _, frames), (next, lost, _)) = (pair[0], pair[1]);
        assert_eq!(next, at + frames as i64 + lost);
    }
}

#[test]
fn our_own_output_patched_to_our_own_input_is_back_after_the_same_frames_always() {
    on_a_server("our_own_output_patched_to_our_own_input_is_back_after_the_same_frames_always", || {
        let (mut running, seen) = start(&setup("none", 1, 1));
        tool("jack_connect", &["fogbell:out_1", "fogbell:in_1"]);
        wait_until(&mut *running, |health| health.frames > 48_000);
        // Before the end: closing takes the cable out first.
        let seen = lock(&seen).clone();
        running.stop();
        assert_no_gap(&seen.blocks);
        let mut heard = seen.heard.iter();
        let mut back = 0;
        let mut before = 0;
        for (at, _, frames) in &seen.blocks {
            for (sample, frame) in heard.by_ref().take(*frames).zip(before..) {
                // Silence until the two are patched.
                assert!(*sample == numbered(frame) || (back == 0 && *sample == 0.0), "{frame}: {sample}");
                back += usize::from(*sample != 0.0);
            }
            before = *at;
        }
        // The buffers of a callback are read before they are written: what is heard left in the one before.
        println!("{back} samples came back, each one block after it left");
        assert!(back > 24_000);
    });
}

#[test]
fn ports_carry_the_names_they_are_given() {
    on_a_server("ports_carry_the_names_they_are_given", || {
        let mut setup = setup("none", 2, 2);
        setup.output_names = vec!["drums left".into(), "band".into()];
        setup.input_names = vec!["room".into()];
        let (running, _) = start(&setup);
        let ports = tool("jack_lsp", &[]);
        let ours: Vec<&str> = ports.lines().filter_map(|line| line.strip_prefix("fogbell:")).collect();
        assert_eq!(ours, ["room", "in_2", "drums left", "band"]);
        running.stop();
        assert!(!tool("jack_lsp", &[]).contains("fogbell:"));
    });
}

#[test]
fn system_connects_to_the_physical_ports_and_none_connects_nothing() {
    on_a_server("system_connects_to_the_physical_ports_and_none_connects_nothing", || {
        let devices = host().list().unwrap();
        assert_eq!(devices[0].name, "system");
        assert_eq!((devices[0].inputs, devices[0].outputs), (8, 8));
        assert_eq!((&devices[0].rates[..], devices[0].blocks), (&[48_000][..], Some((128, 128))));
        let (running, _) = start(&setup("system", 1, 2));
        let patched = tool("jack_lsp", &["-c", "fogbell:"]);
        let lines: Vec<&str> = patched.lines().map(str::trim).collect();
        let expected = [
            "fogbell:in_1",
            "system:capture_1",
            "fogbell:out_1",
            "system:playback_1",
            "fogbell:out_2",
            "system:playback_2",
        ];
        assert_eq!(lines, expected);
        running.stop();
        let (running, _) = start(&setup("none", 1, 2));
        assert_eq!(tool("jack_lsp", &["-c", "fogbell:"]).lines().count(), 3);
        running.stop();
        let error = host().open(&setup("yonder", 1, 2)).err().unwrap();
        assert!(error.to_string().contains("choose one of system"), "{error}");
    });
}

#[test]
fn another_rate_than_the_servers_is_refused_with_the_mend() {
    on_a_server("another_rate_than_the_servers_is_refused_with_the_mend", || {
        let rate = SampleRate::new(44_100).unwrap();
        let error = host().open(&OpenSetup::new(rate, 128, 1, 1)).err().unwrap();
        assert!(error.mend.contains("rate = 48000"), "{error}");
    });
}

#[test]
fn a_killed_server_is_known_and_stop_returns() {
    on_a_server("a_killed_server_is_known_and_stop_returns", || {
        let (mut running, _) = start(&setup("system", 2, 2));
        wait_until(&mut *running, |health| health.callbacks > 10);
        signal_server(Signal::KILL);
        let lost = wait_until(&mut *running, |health| matches!(health.state, HealthState::Lost(_)));
        assert_eq!(lost.state, HealthState::Lost("the JACK server is gone".into()));
        println!("known {:?} after the last callback", lost.silent_for);
        running.stop();
        let error = JackHost.open(&setup("system", 2, 2)).err().unwrap();
        assert!(error.what.contains("no JACK server"), "{error}");
    });
}

#[test]
fn a_server_that_hangs_is_noticed_by_the_watchdog_and_stop_returns() {
    on_a_server("a_server_that_hangs_is_noticed_by_the_watchdog_and_stop_returns", || {
        let (mut running, _) = start(&setup("system", 2, 2));
        wait_until(&mut *running, |health| health.callbacks > 10);
        signal_server(Signal::STOP);
        let begun = Instant::now();
        let stalled = loop {
            let health = running.health();
            // By the watchdog's own clock: nothing silent for longer passes as running.
            assert!(health.state != HealthState::Running || health.silent_for <= watch::STALL_AFTER);
            if health.state == HealthState::Stalled {
                break health;
            }
            assert!(begun.elapsed() < PATIENCE, "{health:?}");
            std::thread::sleep(Duration::from_millis(20));
        };
        println!("noticed {:?} after the last callback", stalled.silent_for);
        let begun = Instant::now();
        running.stop();
        println!("stop returned after {:?}", begun.elapsed());
        assert!(begun.elapsed() < Duration::from_secs(5), "stop must give up after about a second");
        let error = JackHost.list().unwrap_err();
        assert!(error.what.contains("does not answer"), "{error}");
    });
}

#[test]
fn a_server_that_pauses_is_told_as_lost_frames() {
    on_a_server("a_server_that_pauses_is_told_as_lost_frames", || {
        let (mut running, seen) = start(&setup("system", 1, 1));
        wait_until(&mut *running, |health| health.callbacks > 10);
        signal_server(Signal::STOP);
        wait_until(&mut *running, |health| health.state == HealthState::Stalled);
        signal_server(Signal::CONT);
        let paused = running.health().callbacks;
        let health = wait_until(&mut *running, |health| {
            health.state == HealthState::Running && health.callbacks > paused + 100
        });
        running.stop();
        println!("{} frames lost, {} xruns", health.lost, health.xruns);
        // At least the watchdog's 0.4 s, less the block that was under way.
        assert!(health.lost > 18_000, "{health:?}");
        let seen = lock(&seen);
        assert_no_gap(&seen.blocks);
        assert!(seen.blocks.iter().any(|(_, lost, _)| *lost > 0));
    });
}

#[test]
fn the_block_may_change_while_it_sounds() {
    on_a_server("the_block_may_change_while_it_sounds", || {
        let (mut running, seen) = start(&setup("system", 1, 1));
        for block in [128usize, 1024, 64] {
            tool("jack_bufsize", &[&block.to_string()]);
            let begun = Instant::now();
            while lock(&seen).blocks.last().is_none_or(|last| last.2 != block) {
                assert!(begun.elapsed() < PATIENCE);
                std::thread::sleep(Duration::from_millis(10));
            }
        }
        let health = wait_until(&mut *running, |health| health.state == HealthState::Running);
        running.stop();
        let seen = lock(&seen);
        assert_no_gap(&seen.blocks);
        let mut sizes: Vec<usize> = seen.blocks.iter().map(|block| block.2).collect();
        sizes.dedup();
        assert_eq!(sizes, [128, 1024, 64]);
        println!("{} frames lost at the changes; {:?}", health.lost, health.priority);
    });
}
