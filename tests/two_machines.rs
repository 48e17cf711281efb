//! Promise: the click survives the main's process. Two real processes of the program, a main and a backup; the main is
//! killed without a word, and the backup's recording holds what the band heard.
//!
//! Nothing is asserted about the wall clock: frames, counts and order are.

#[allow(dead_code, reason = "the demo uses the rest")]
#[path = "common/two.rs"]
mod two;

#[cfg(all(feature = "jack", target_os = "linux"))]
#[path = "common/jack.rs"]
mod jack;

use fogbell::listener::{Finding, Outcome};
use std::net::{Ipv4Addr, UdpSocket};
use std::path::{Path, PathBuf};
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::Duration;
use two::*;

const PATIENCE: Duration = Duration::from_secs(60);

/// The main's frames when its song begins, as a headless run has it; the backup hears timecode before that.
fn program() -> &'static Path {
    Path::new(env!("CARGO_BIN_EXE_fogbell"))
}

fn show() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("demo/saltmarsh.toml")
}

/// Two pairs of processes would fight for the computer's time.
fn turn() -> MutexGuard<'static, ()> {
    static TURN: Mutex<()> = Mutex::new(());
    TURN.lock().unwrap_or_else(PoisonError::into_inner)
}

#[derive(Clone, Copy, Debug, PartialEq)]
enum Wiring {
    Own,
    Through,
}

/// Files of one pair in a folder: rigs, and worlds where there is no server.
struct Pair {
    folder: tempfile::TempDir,
    wiring: Wiring,
    /// Of JACK; without one the two are patched by lines.
    server: Option<String>,
}

impl Pair {
    fn new(server: Option<&str>, wiring: Wiring) -> Pair {
        let pair = Pair { folder: tempfile::tempdir().unwrap(), wiring, server: server.map(str::to_owned) };
        let host = if server.is_some() { "jack" } else { "virtual" };
        let device = |world: &str| if server.is_some() { "none".into() } else { world.to_owned() };
        let head = |machine: &str, world: &str| {
            format!(
                "machine = \"{machine}\"\n[interface]\nhost = \"{host}\"\ndevice = \"{}\"\nrate = 48000\nblock = 128\n\
                 [outputs]\ndrums = 1\nband = 2\n[timecode]\noutput = 3\n",
                device(world)
            )
        };
        pair.write("main.toml", &head("main", "main-world.toml"));
        let through = if wiring == Wiring::Through { "wiring = \"pass through\"\n" } else { "" };
        let main = format!("[main]\ntimecode = 1\nclick = 2\nclick_is = \"drums\"\n{through}");
        pair.write("backup.toml", &(head("backup", "backup-world.toml") + &main));
        pair
    }

    /// Lines between the two; the timecode lead is pulled at a frame of the main.
    fn lines(self, pulled: Option<i64>, drift_ppm: f64) -> Pair {
        let port = UdpSocket::bind((Ipv4Addr::LOCALHOST, 0)).unwrap().local_addr().unwrap();
        let until = pulled.map_or(String::new(), |frame| format!(", until = {frame}"));
        self.write(
            "main-world.toml",
            &format!(
                "drift-ppm = {drift_ppm}\nsends = [{{ output = 3, to = \"{port}\", channel = 1{until} }}, \
                 {{ output = 1, to = \"{port}\", channel = 2 }}]\n"
            ),
        );
        // A busy computer may be late by a tenth of a second.
        self.write(
            "backup-world.toml",
            &format!(
                "receives = [{{ input = 1, from = \"{port}\", channel = 1, delay-frames = 6000 }}, \
                 {{ input = 2, from = \"{port}\", channel = 2, delay-frames = 6000 }}]\n"
            ),
        );
        self
    }

    fn write(&self, name: &str, text: &str) {
        std::fs::write(self.folder.path().join(name), text).unwrap();
    }

    fn start(&self, name: &str, more: &[&str]) -> Machine {
        let rig = self.folder.path().join(format!("{name}.toml"));
        let folder = self.folder.path().join(name);
        Machine::start(program(), &show(), &rig, &folder, self.server.as_deref(), more)
    }

    /// The backup waits; nothing is pressed on it.
    fn backup(&self, seconds: f64) -> Machine {
        self.start("backup", &["--press", "3000 one-is-now", "--for", &seconds.to_string()])
    }

    fn main(&self) -> Machine {
        self.start("main", &["--start", "1"])
    }

    fn take(&self, written: &Written) -> Take {
        let passed = self.wiring == Wiring::Through;
        let channels = Channels { click: 0, main_timecode: 3, main_click: 4, passed };
        Take::read(&self.folder.path().join("backup/take.wav"), &channels, written)
    }
}

/// What one kill came to.
struct Kill {
    after: f64,
    take: Take,
    verdict: Judged,
    gaps: Vec<Gap>,
}

impl Kill {
    fn line(&self, written: &Written) -> String {
        let all = &self.verdict;
        let next = self.take.next_due(written, self.take.silent_from);
        let (bar, beat, away) = next.map_or((0, 0, 0), |due| {
            (due.bar, due.beat, due.frame.0 + self.take.start - self.take.silent_from)
        });
        format!(
            "{:8.3} {:>5}:{beat} {:8.1} {:5} {:7} {:5} {:7} {:5} {:7} {:8.3} {:6} {:6}",
            self.after,
            bar,
            away as f64 / 48.0,
            all.due,
            all.heard,
            all.moved,
            all.missed,
            all.cut,
            all.doubled,
            all.worst_ms,
            self.lost(true),
            self.lost(false),
        )
    }

    /// Frames lost by the kill, or at other times.
    fn lost(&self, by_kill: bool) -> i64 {
        let near = |gap: &&Gap| ((gap.from - self.take.silent_from).abs() < 4800) == by_kill;
        self.gaps.iter().filter(near).map(|gap| gap.frames).sum()
    }

    /// Why this take says nothing of the two machines: the patch came late, or the server did not carry the main's own
    /// click in time.
    fn void(&self, written: &Written) -> Option<&'static str> {
        let main = self.take.judge_main(written, &self.gaps);
        if self.take.silent_from - self.take.patched_from < 2 * 48_000 {
            Some("not patched for two seconds")
        } else if main.moved + main.missed + main.doubled > 0 {
            Some("the server was late with the main's own click")
        } else {
            None
        }
    }

    /// A sound that a gap goes through.
    fn in_a_gap(&self, finding: &Finding) -> bool {
        let reaches =
            |gap: &Gap| gap.from + gap.frames + 240 > finding.frame && gap.from < finding.frame + 12_000;
        self.gaps.iter().any(reaches)
    }

    const HEAD: &str =
        "killed s    next after ms   due   heard moved  missed   cut doubled worst ms   lost  other";

    /// The promise of a machine with a second witness: only a hit that was due in the blind window, or the first one
    /// after it where that one decides, may be late, cut or missed.
    fn check(&self, written: &Written, wiring: Wiring) {
        let told = told(&self.verdict.findings);
        let start = self.take.start;
        let dead = self.take.silent_from;
        assert!(self.verdict.due > 8, "too little was due: {told}");
        let level = self.verdict.findings.iter().any(|finding| finding.outcome == Outcome::OffLevel);
        assert!(!level, "a hit at another level: {told}");
        let twice = |f: &&Finding| f.outcome == Outcome::Doubled && !self.in_a_gap(f);
        assert_eq!(self.verdict.findings.iter().find(twice), None, "killed at frame {dead}: {told}");
        // The first one that the backup was asked for.
        let asked = |frame: &i64| {
            self.gaps.iter().all(|gap| !(gap.from - 240..gap.from + gap.frames + 240).contains(frame))
        };
        let after = written.dues.iter().map(|due| due.frame.0 + start).filter(|frame| *frame >= dead);
        let first = after.filter(asked).min();
        let before = written.dues.iter().rev().map(|due| due.frame.0 + start).find(|frame| *frame < dead);
        for finding in &self.verdict.findings {
            let fine = Some(finding.frame) == first
                || (Some(finding.frame) == before && finding.outcome == Outcome::Clipped)
                || self.in_a_gap(finding);
            assert!(fine, "{wiring:?}, killed at frame {dead}, next hit at {first:?}: {told}");
        }
        assert!(self.verdict.missed + self.verdict.moved <= 1 || !self.gaps.is_empty(), "{told}");
        if wiring == Wiring::Through {
            // The safety delay: only frames that nobody asked for take a hit.
            let missed = |f: &&Finding| f.outcome == Outcome::Missed && !self.in_a_gap(f);
            assert_eq!(self.verdict.findings.iter().find(missed), None, "killed at frame {dead}: {told}");
        } else {
            let early = self.take.backup.iter().take(dead as usize).position(|sample| *sample != 0.0);
            assert_eq!(early, None, "the backup sounded while the main was alive until frame {dead}");
        }
    }
}

/// Starts a machine, as a person would again when a busy server does not answer at once.
fn there(start: impl Fn() -> Machine, patch: impl Fn(&mut Machine) -> bool) -> Machine {
    for _ in 0..5 {
        let mut machine = start();
        if patch(&mut machine) {
            return machine;
        }
        println!("not started: {} {}", machine.said(), machine.words());
        std::thread::sleep(Duration::from_millis(500));
    }
    panic!("a machine does not start");
}

/// Kills the main `after` so many seconds and lets the backup go on for `on`.
fn kill(pair: &Pair, written: &Written, after: f64, on: f64, patch: impl Fn(&mut Machine) -> bool) -> Kill {
    let mut backup = there(|| pair.backup(after + on), &patch);
    std::thread::sleep(Duration::from_millis(400));
    let mut main = there(|| pair.main(), &patch);
    let rest = Duration::from_secs_f64(after).saturating_sub(main.began.elapsed());
    std::thread::sleep(rest);
    main.kill();
    backup.end(PATIENCE);
    let take = pair.take(written);
    let gaps = backup.gaps();
    let verdict = take.judge(written, &gaps);
    Kill { after, verdict, take, gaps }
}

#[test]
fn over_lines_a_killed_main_leaves_its_click_to_the_backup() {
    let _turn = turn();
    let written = Written::of(&show(), "drums");
    println!("{}", Kill::HEAD);
    for (wiring, after) in [(Wiring::Own, 6.3), (Wiring::Through, 7.1)] {
        let pair = Pair::new(None, wiring).lines(None, 0.0);
        let kill = kill(&pair, &written, after, 6.0, |_| true);
        println!("{}", kill.line(&written));
        kill.check(&written, wiring);
    }
}

#[test]
fn over_lines_a_pulled_timecode_lead_doubles_nothing() {
    let _turn = turn();
    let written = Written::of(&show(), "drums");
    for wiring in [Wiring::Own, Wiring::Through] {
        let pair = Pair::new(None, wiring).lines(Some(6 * 48_000), 0.0);
        let mut backup = pair.backup(11.0);
        std::thread::sleep(Duration::from_millis(400));
        let mut main = pair.main();
        backup.end(PATIENCE);
        main.kill();
        let take = pair.take(&written);
        let verdict = take.judge(&written, &backup.gaps());
        assert!(take.silent_from + 2 * 48_000 < take.heard.len() as i64, "the lead was not pulled");
        assert!(verdict.clean() && verdict.due > 30, "{wiring:?}: {}", told(&verdict.findings));
        if wiring == Wiring::Own {
            assert!(take.backup.iter().all(|sample| *sample == 0.0), "the backup sounded beside its main");
        }
    }
}

#[cfg(all(feature = "jack", target_os = "linux"))]
mod on_one_server {
    use super::*;
    use std::process::Command;
    use std::time::Instant;

    fn tool(server: &str, program: &str, arguments: &[&str]) -> Option<String> {
        let output = Command::new(program)
            .args(arguments)
            .env("JACK_DEFAULT_SERVER", server)
            .output()
            .unwrap_or_else(|fault| {
                panic!("{program} cannot be run ({fault}): apt-get install --no-install-recommends jackd2")
            });
        output.status.success().then(|| String::from_utf8_lossy(&output.stdout).into_owned())
    }

    /// Waits for a port to be there, and gives its whole name; `None` when the machine has ended before.
    fn port(server: &str, machine: Option<&mut Machine>, wanted: impl Fn(&str) -> bool) -> Option<String> {
        let begun = Instant::now();
        let mut machine = machine;
        loop {
            let ports = tool(server, "jack_lsp", &[]).unwrap_or_default();
            if let Some(port) = ports.lines().find(|line| wanted(line)) {
                return Some(port.to_owned());
            }
            if let Some(machine) = &mut machine
                && machine.process.try_wait().unwrap().is_some()
            {
                return None;
            }
            assert!(begun.elapsed() < PATIENCE, "no such port among {ports}");
            std::thread::sleep(Duration::from_millis(20));
        }
    }

    /// The main's two outputs to the backup's two inputs, once both are there. The backup is first, and has the plain
    /// name.
    fn patch(server: &str, started: &mut Machine) -> bool {
        if started.folder.ends_with("backup") {
            return port(server, Some(started), |port| port == "fogbell:main_timecode").is_some();
        }
        // Timecode comes last: once it is heard, the click is patched as well.
        for (from, to) in [(":drums", "fogbell:main_click"), (":timecode", "fogbell:main_timecode")] {
            let of_the_main = |port: &str| port.starts_with("fogbell-") && port.ends_with(from);
            let Some(from) = port(server, Some(started), of_the_main) else { return false };
            // A server that is busy with another client's end says no at first.
            let begun = Instant::now();
            while tool(server, "jack_connect", &[&from, to]).is_none() {
                if started.process.try_wait().unwrap().is_some() {
                    return false;
                }
                assert!(begun.elapsed() < PATIENCE, "{from} cannot be patched to {to}");
                std::thread::sleep(Duration::from_millis(50));
            }
        }
        true
    }

    fn kills(moments: &[f64], wiring: Wiring, written: &Written) -> Vec<Kill> {
        let server = jack::Server::start();
        let _there = port(&server.name, None, |port| port == "system:playback_1");
        let one = |after: &f64| {
            let once = || {
                let pair = Pair::new(Some(&server.name), wiring);
                kill(&pair, written, *after, 2.5, |started| patch(&server.name, started))
            };
            let first = once();
            // A busy computer: once more, and no more than that.
            if first.void(written).is_some() { once() } else { first }
        };
        moments.iter().map(one).collect()
    }

    /// The backup's timecode to the main, once both are there.
    fn patch_back(server: &str, main: &mut Machine) -> bool {
        let back = |port: &str| port.starts_with("fogbell-") && port.ends_with(":backup_timecode");
        let Some(to) = port(server, Some(main), back) else { return false };
        let begun = Instant::now();
        while tool(server, "jack_connect", &["fogbell:timecode", &to]).is_none() {
            assert!(begun.elapsed() < PATIENCE, "the backup's timecode cannot be patched to {to}");
            std::thread::sleep(Duration::from_millis(50));
        }
        patch(server, main)
    }

    const LONG: &str = "show = \"Saltmarsh Five, handed back\"\n[click.drums]\nevery = \"eighths\"\n\
        [click.band]\nevery = \"beats\"\n[feed.drums]\nhears = { drums = 0 }\n[feed.band]\nhears = { band = 0 }\n\
        [[song]]\ntitle = \"Low Tide\"\ntempo = 132\nbars = 200\n";

    /// Sounds of a channel in a stretch.
    fn sounds(samples: &[f32], stretch: std::ops::Range<usize>) -> bool {
        samples[stretch.start.min(samples.len())..stretch.end.min(samples.len())]
            .iter()
            .any(|sample| sample.abs() > 0.01)
    }

    /// A main is killed, comes back muted by its record while the backup sounds, and gets the click back by T.
    #[test]
    #[ignore = "slow: fifteen seconds of real time on a quiet machine, for tests/extended"]
    fn a_main_that_was_killed_rejoins_muted_and_gets_the_click_back_by_a_key() {
        let _turn = turn();
        let server = jack::Server::start();
        let _there = port(&server.name, None, |port| port == "system:playback_1");
        let pair = Pair::new(Some(&server.name), Wiring::Own);
        let rig = std::fs::read_to_string(pair.folder.path().join("main.toml")).unwrap();
        pair.write("main.toml", &(rig + "[return]\ntimecode = 1\n"));
        pair.write("show.toml", LONG);
        let show = pair.folder.path().join("show.toml");
        let run = |name: &str, more: &[&str]| {
            let (rig, folder) =
                (pair.folder.path().join(format!("{name}.toml")), pair.folder.path().join(name));
            Machine::start(program(), &show, &rig, &folder, pair.server.as_deref(), more)
        };
        let name = &server.name;
        let backup = || run("backup", &["--press", "3000 one-is-now", "--for", "14"]);
        let mut backup = there(backup, |started| patch(name, started));
        let first = || run("main", &["--press", "2.5 start"]);
        let mut main = there(first, |started| patch_back(name, started));
        std::thread::sleep(Duration::from_millis(5700).saturating_sub(main.began.elapsed()));
        main.kill();
        std::thread::sleep(Duration::from_millis(300));
        let again = || run("main", &["--rejoin", "--press", "3 take-over", "--for", "20"]);
        let mut again = there(again, |started| patch_back(name, started));
        let rejoined = again.began.elapsed();
        backup.end(PATIENCE);
        again.kill();
        let written = Written::of(&show, "drums");
        let take = pair.take(&written);
        let gaps = backup.gaps();
        let judged = take.judge_all(&written, &gaps);
        println!(
            "patched {:.2} s after its second start; {} due, {} heard in their place, {} moved, {} missed, {} cut, {} \
             doubled, worst {:.3} ms",
            rejoined.as_secs_f64(),
            judged.due,
            judged.heard,
            judged.moved,
            judged.missed,
            judged.cut,
            judged.doubled,
            judged.worst_ms
        );
        let end = take.heard.len();
        let told = told(&judged.findings);
        // The main, the backup alone, the main alone: in this order, and never both.
        let second = 48_000;
        let backup_from =
            take.backup.iter().position(|sample| sample.abs() > 0.01).expect("the backup sounded");
        let backup_until = take.backup.iter().rposition(|sample| sample.abs() > 0.01).unwrap();
        assert!(backup_until - backup_from > 2 * second, "the backup sounded for too short a time: {told}");
        assert!(backup_until + second < end, "the backup never let go: {told}");
        assert!(sounds(&take.main, 0..backup_from), "the main sounded first");
        assert!(
            !sounds(&take.main, backup_from..backup_until.saturating_sub(second / 2)),
            "it came back muted"
        );
        assert!(sounds(&take.main, backup_until..end), "the main never got its click back: {told}");
        let beside = |f: &&Finding| {
            gaps.iter().any(|gap| gap.from + gap.frames + 240 > f.frame && gap.from < f.frame + 12_000)
        };
        let doubled: Vec<_> =
            judged.findings.iter().filter(|f| f.outcome == Outcome::Doubled && !beside(f)).collect();
        assert!(doubled.is_empty(), "gaps {gaps:?}, backup from {backup_from} to {backup_until}: {told}");
        let missed = judged.findings.iter().filter(|f| f.outcome == Outcome::Missed && !beside(f)).count();
        assert!(missed <= 1 && judged.due > 30, "{told}");
    }

    /// `KILLS=200 SEED=3 cargo test --release --test two_machines -- --nocapture` kills more often.
    #[test]
    #[ignore = "three minutes of real time on a quiet machine: tests/extended"]
    fn the_main_is_killed_at_random_moments_and_every_hit_after_that_is_heard() {
        let number = |key: &str, usual: u64| {
            std::env::var(key).ok().and_then(|value| value.parse().ok()).unwrap_or(usual)
        };
        let _turn = turn();
        let mut random = fastrand::Rng::with_seed(number("SEED", 1));
        // The song is two bars of count-in and three of music, from 0.5 s to 9.6 s; then comes the next one.
        let moments: Vec<f64> = (0..number("KILLS", 20)).map(|_| 3.2 + 7.0 * random.f64()).collect();
        let written = Written::of(&show(), "drums");
        let half = moments.len() / 2;
        let batches = [(Wiring::Own, &moments[..half]), (Wiring::Through, &moments[half..])];
        // A server of its own for each wiring, side by side: no kill takes frames from another pair.
        let results = std::thread::scope(|scope| {
            let written = &written;
            batches
                .map(|(wiring, moments)| (wiring, scope.spawn(move || kills(moments, wiring, written))))
                .map(|(wiring, batch)| (wiring, batch.join().expect("a batch that ends")))
        });
        for (wiring, kills) in &results {
            println!("{wiring:?}\n{}", Kill::HEAD);
            for kill in kills {
                println!("{} {}", kill.line(&written), kill.void(&written).unwrap_or_default());
                let findings = &kill.verdict.findings;
                (!findings.is_empty()).then(|| println!("          {}", told(findings)));
            }
        }
        let mut judged = 0;
        for (wiring, kills) in &results {
            for kill in kills.iter().filter(|kill| kill.void(&written).is_none()) {
                kill.check(&written, *wiring);
                judged += 1;
            }
        }
        println!("{judged} of {} kills judged", moments.len());
        assert!(2 * judged >= moments.len(), "the computer was too busy for a JACK server to keep its time");
    }
}
