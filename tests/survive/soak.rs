//! A whole set in real time, with everything that a night can do to it. `tests/soak/run` is the command; `MINUTES=90`.

use super::band::{Ear, Judged, MS, Night, SECOND};
use super::loss::{self, RIG};
use super::server::Server;
use super::two::Written;
use fogbell::device::boot;
use fogbell::log::{Entry, Reading};
use fogbell::telemetry::load::EDGES_PPM;
use portable_pty::{Child, CommandBuilder, MasterPty, PtySize, native_pty_system};
use rustix::process::{Pid, Signal, kill_process};
use std::io::Read;
use std::ops::Range;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

/// What goes wrong, in this order, evenly over the night. What comes after the terminal is closed nobody sees.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Mishap {
    ServerKilled,
    Suspended,
    AnotherRate,
    TheRateAgain,
    DiskFull,
    ServerHangs,
    ProgramKilled,
    TerminalClosed,
    ServerKilledUnseen,
    AnotherRateUnseen,
    TheRateAgainUnseen,
    ProgramKilledUnseen,
}

use Mishap::*;

const MISHAPS: [Mishap; 12] = [
    ServerKilled,
    Suspended,
    AnotherRate,
    TheRateAgain,
    DiskFull,
    ServerHangs,
    ProgramKilled,
    TerminalClosed,
    ServerKilledUnseen,
    AnotherRateUnseen,
    TheRateAgainUnseen,
    ProgramKilledUnseen,
];

/// All of them, or those that `MISHAPS` names: `MISHAPS="ServerKilled ProgramKilled ServerKilled"`.
fn mishaps() -> Vec<Mishap> {
    let Ok(named) = std::env::var("MISHAPS") else { return MISHAPS.to_vec() };
    let by_name = |name: &str| MISHAPS.into_iter().find(|what| format!("{what:?}") == name);
    let known = |name| by_name(name).unwrap_or_else(|| panic!("no mishap {name}; there are {MISHAPS:?}"));
    named.split_whitespace().map(known).collect()
}

/// One that happened.
struct Happened {
    what: Mishap,
    from: i64,
    /// What it needs is there again.
    until: i64,
    /// Nothing is promised until so much later; `None`: nothing may be missed at all.
    grace: Option<i64>,
}

/// Enough songs for so many minutes, each a segue to the next.
fn show(minutes: f64) -> String {
    let head = "show = \"Saltmarsh Five, the whole night\"\n[click.drums]\nplayer = \"Wren\"\nevery = \"eighths\"\n\
                [feed.drums]\nhears = { drums = 0 }\n";
    let kinds = [("132", "4/4", 120), ("126", "7/8", 150), ("88", "6/8", 110), ("174", "4/4", 170)];
    let songs = (minutes / 2.5) as usize + 3;
    let song = |number: usize| {
        let (tempo, metre, bars) = kinds[number % kinds.len()];
        format!(
            "[[song]]\ntitle = \"Tide {}\"\ntempo = {tempo}\nmetre = \"{metre}\"\nsegue = true\n\
             [[song.section]]\nname = \"through\"\nbars = {bars}\n",
            number + 1
        )
    };
    let last = "[[song]]\ntitle = \"Home\"\ntempo = 120\nbars = 8\n";
    head.to_string() + &(0..songs).map(song).collect::<String>() + last
}

/// One look at the program.
#[derive(Clone, Debug)]
struct Look {
    pid: i32,
    at: Duration,
    resident_kib: u64,
    /// Minor and major page faults: of the process, and of the thread that wakes up most often.
    faults: (u64, u64),
    audio_faults: (u64, u64),
    policy: String,
}

/// Source: proc_pid_stat(5), fields 10 and 12, counted behind the name; 40 and 41 are priority and policy.
fn faults(stat: &Path) -> Option<((u64, u64), String)> {
    let text = std::fs::read_to_string(stat).ok()?;
    let fields: Vec<&str> = text.rsplit_once(')')?.1.split_whitespace().collect();
    let number = |field: usize| fields.get(field - 3)?.parse::<u64>().ok();
    let policy = match number(41)? {
        1 => "SCHED_FIFO",
        2 => "SCHED_RR",
        _ => "SCHED_OTHER",
    };
    Some(((number(10)?, number(12)?), format!("{policy} {}", number(40)?)))
}

fn status(path: &Path, name: &str) -> Option<u64> {
    let text = std::fs::read_to_string(path).ok()?;
    let line = text.lines().find_map(|line| line.strip_prefix(name)?.strip_prefix(':'))?;
    line.split_whitespace().next()?.parse().ok()
}

fn look(pid: i32, at: Duration) -> Option<Look> {
    let own = PathBuf::from(format!("/proc/{pid}"));
    let threads = std::fs::read_dir(own.join("task")).ok()?.flatten().map(|entry| entry.path());
    // The one with real-time priority; without that right, the one that wakes up most often.
    let wakes = |thread: &PathBuf| {
        let first =
            faults(&thread.join("stat")).is_some_and(|(_, policy)| !policy.starts_with("SCHED_OTHER"));
        (first, status(&thread.join("status"), "voluntary_ctxt_switches"))
    };
    let audio = threads.max_by_key(wakes)?;
    let (audio_faults, policy) = faults(&audio.join("stat"))?;
    let resident_kib = status(&own.join("status"), "VmRSS")?;
    Some(Look { pid, at, resident_kib, faults: faults(&own.join("stat"))?.0, audio_faults, policy })
}

/// The run that a guard watches.
fn guarded(guard: i32) -> Option<i32> {
    let children = std::fs::read_to_string(format!("/proc/{guard}/task/{guard}/children")).ok()?;
    children.split_whitespace().next()?.parse().ok()
}

fn signal(pid: i32, signal: Signal) {
    let _gone = Pid::from_raw(pid).map(|pid| kill_process(pid, signal));
}

struct Soak {
    folder: tempfile::TempDir,
    server: Server,
    guard: Box<dyn Child + Send + Sync>,
    terminal: Option<Box<dyn MasterPty + Send>>,
    looks: Arc<Mutex<Vec<Look>>>,
    began: Instant,
    small_disk: bool,
}

impl Soak {
    fn begin(minutes: f64) -> (Soak, Ear) {
        let folder = tempfile::tempdir().unwrap();
        let path = |name: &str| folder.path().join(name);
        std::fs::write(path("show.toml"), show(minutes)).unwrap();
        std::fs::write(path("rig.toml"), RIG).unwrap();
        std::fs::create_dir(path("logs")).unwrap();
        let small_disk = tool("mount", &["-t", "tmpfs", "-o", "size=64m", "tmpfs"], &path("logs"));
        if !small_disk {
            println!("not done: a full disk (only the system's administrator can mount a small one)");
        }
        let server = Server::start();
        let ear = Ear::on(&server.name, folder.path());
        std::thread::sleep(Duration::from_secs(1));
        let size = PtySize { rows: 24, cols: 80, pixel_width: 0, pixel_height: 0 };
        let pair = native_pty_system().openpty(size).unwrap();
        let program =
            std::env::var("FOGBELL_UNDER_TEST").unwrap_or_else(|_| env!("CARGO_BIN_EXE_fogbell").into());
        let mut command = CommandBuilder::new(program);
        command.args(["run", "show.toml", "--rig", "rig.toml", "--no-ready", "--start", "1"]);
        command.cwd(folder.path());
        command.env("JACK_DEFAULT_SERVER", &server.name);
        command.env("JACK_NO_AUDIO_RESERVATION", "1");
        command.env("TERM", "xterm-256color");
        let guard = pair.slave.spawn_command(command).unwrap();
        let mut drawn = pair.master.try_clone_reader().unwrap();
        std::thread::spawn(move || {
            let mut bytes = [0; 4096];
            while let Ok(1..) = drawn.read(&mut bytes) {}
        });
        let looks = Arc::default();
        let terminal = Some(pair.master);
        (Soak { folder, server, guard, terminal, looks, began: Instant::now(), small_disk }, ear)
    }

    fn guard_pid(&self) -> i32 {
        self.guard.process_id().unwrap() as i32
    }

    fn watch(&self) {
        let (looks, guard, began) = (Arc::downgrade(&self.looks), self.guard_pid(), self.began);
        std::thread::spawn(move || {
            while let Some(looks) = looks.upgrade() {
                let seen = guarded(guard).and_then(|pid| look(pid, began.elapsed()));
                looks.lock().unwrap().extend(seen);
                drop(looks);
                std::thread::sleep(Duration::from_secs(2));
            }
        });
    }

    fn server_at(&mut self, rate: u32, away: Duration) -> i64 {
        self.server.process.kill().unwrap();
        self.server.process.wait().unwrap();
        std::thread::sleep(away);
        let started = boot::now();
        self.server.again_at(rate);
        started
    }

    fn stop_for(&self, pids: &[i32], time: Duration) -> i64 {
        pids.iter().for_each(|pid| signal(*pid, Signal::STOP));
        std::thread::sleep(time);
        pids.iter().for_each(|pid| signal(*pid, Signal::CONT));
        boot::now()
    }

    fn happens(&mut self, what: Mishap) -> Option<Happened> {
        let from = boot::now();
        let server = self.server.process.id() as i32;
        let away = Duration::from_secs(2);
        // After the device's return; where the program is another one, that needs a start as well.
        let (until, grace) = match what {
            ServerKilled | ServerKilledUnseen => (self.server_at(48_000, away), Some(500 * MS)),
            AnotherRate | AnotherRateUnseen => (self.server_at(44_100, away), Some(900 * MS)),
            TheRateAgain | TheRateAgainUnseen => (self.server_at(48_000, away), Some(900 * MS)),
            ServerHangs => (self.stop_for(&[server], Duration::from_secs(3)), Some(500 * MS)),
            Suspended => {
                let all = [guarded(self.guard_pid())?, self.guard_pid(), server];
                (self.stop_for(&all, Duration::from_secs(5)), Some(500 * MS))
            }
            ProgramKilled | ProgramKilledUnseen => {
                signal(guarded(self.guard_pid())?, Signal::KILL);
                (from, Some(600 * MS))
            }
            DiskFull => {
                if !self.small_disk {
                    return None;
                }
                let filler = self.folder.path().join("logs/filler");
                // Until there is no room.
                let mut file = std::fs::File::create(&filler).unwrap();
                let _full = std::io::copy(&mut std::io::repeat(7), &mut file);
                std::thread::sleep(Duration::from_secs(10));
                std::fs::remove_file(&filler).unwrap();
                (boot::now(), None)
            }
            TerminalClosed => {
                self.terminal = None;
                (boot::now(), None)
            }
        };
        Some(Happened { what, from, until, grace })
    }

    fn end(&mut self) {
        signal(self.guard_pid(), Signal::TERM);
        let begun = Instant::now();
        while self.guard.try_wait().unwrap().is_none() {
            assert!(begun.elapsed() < Duration::from_secs(90), "it does not end");
            std::thread::sleep(Duration::from_millis(50));
        }
    }
}

impl Drop for Soak {
    fn drop(&mut self) {
        if let Some(run) = guarded(self.guard_pid()) {
            signal(run, Signal::KILL);
        }
        let _gone = self.guard.kill();
        if self.small_disk {
            tool("umount", &["-l"], &self.folder.path().join("logs"));
        }
    }
}

fn tool(program: &str, words: &[&str], path: &Path) -> bool {
    let done = std::process::Command::new(program).args(words).arg(path).output();
    done.is_ok_and(|done| done.status.success())
}

/// Figures out of the logs: every program's last account of its callbacks, added up.
struct Logged {
    counts: Vec<u64>,
    largest_percent: f64,
    xruns: usize,
    lost_frames: i64,
    lines_lost: u64,
    events_lost: u64,
    heard_by_itself: [u64; 4],
}

fn logged(logs: &[Reading]) -> Logged {
    let mut all = Logged {
        counts: vec![0; EDGES_PPM.len() + 1],
        largest_percent: 0.0,
        xruns: 0,
        lost_frames: 0,
        lines_lost: 0,
        events_lost: 0,
        heard_by_itself: [0; 4],
    };
    for log in logs {
        let mut last = None;
        for (_, line) in &log.lines {
            match &line.entry {
                Entry::Load(load) => last = Some(load),
                Entry::Xrun { lost_frames } => {
                    all.xruns += 1;
                    all.lost_frames += lost_frames;
                }
                Entry::LinesLost { count } => all.lines_lost += count,
                Entry::EventsLost { count } => all.events_lost += count,
                Entry::Verdict { verdict } => {
                    let heard = &verdict.all;
                    let these = [heard.due, heard.sounded, heard.missed, heard.doubled];
                    all.heard_by_itself.iter_mut().zip(these).for_each(|(sum, one)| *sum += one);
                }
                _ => {}
            }
        }
        if let Some(last) = last {
            all.counts.iter_mut().zip(&last.counts).for_each(|(sum, count)| *sum += count);
            all.largest_percent = all.largest_percent.max(last.largest_percent);
        }
    }
    all
}

fn print_logged(all: &Logged) {
    println!("\ncallbacks, in percent of the time that they had:");
    let edges = EDGES_PPM.iter().map(|edge| format!("up to {:6.2} %", *edge as f64 / 1e4));
    for (edge, count) in edges.chain(["above      ".into()]).zip(&all.counts).filter(|(_, count)| **count > 0)
    {
        println!("  {edge}  {count}");
    }
    println!("  the longest {:.1} %", all.largest_percent);
    println!("xruns: {}, {} frames lost in them", all.xruns, all.lost_frames);
    println!("lines of the log lost: {}; events lost: {}", all.lines_lost, all.events_lost);
    let [due, sounded, missed, doubled] = all.heard_by_itself;
    println!(
        "the program's own listener, in the runs that could say so at their end: {due} due, {sounded} on their frame, \
         {missed} missed, {doubled} doubled"
    );
}

/// Growth between a program's first minute and its end, in KiB, of the one that lived longest.
fn print_looks(looks: &[Look]) -> i64 {
    println!(
        "\nprogram     lived s  resident KiB: first  settled  last  growth KiB/h  page faults of the process, of its audio thread since"
    );
    let mut most = 0;
    for lived in looks.chunk_by(|one, next| one.pid == next.pid) {
        let (first, last) = (&lived[0], &lived[lived.len() - 1]);
        let settled = lived.iter().find(|look| look.at >= first.at + Duration::from_secs(60)).unwrap_or(last);
        let hours = (last.at - settled.at).as_secs_f64() / 3600.0;
        let grown = last.resident_kib as i64 - settled.resident_kib as i64;
        let since = |of: fn(&Look) -> (u64, u64)| {
            // A device that comes back calls on a new thread, which begins to count anew.
            let (from, to) = (of(settled), of(last));
            (to.0.saturating_sub(from.0), to.1.saturating_sub(from.1))
        };
        println!(
            "{:7}  {:10.0}  {:19}  {:7}  {:4}  {:12.0}  {:?} {:?} ({})",
            first.pid,
            (last.at - first.at).as_secs_f64(),
            first.resident_kib,
            settled.resident_kib,
            last.resident_kib,
            if hours > 0.01 { grown as f64 / hours } else { 0.0 },
            since(|look| look.faults),
            since(|look| look.audio_faults),
            last.policy
        );
        most = most.max(grown);
    }
    most
}

fn print_mishaps(happened: &[Happened], night: &Night, judged: &Judged, began: i64) {
    println!(
        "\nmishap                at s   there again after s  first hit after that, ms  from then on off by, ms"
    );
    let ends = happened.iter().skip(1).map(|one| one.from).chain([i64::MAX]);
    for (one, end) in happened.iter().zip(ends) {
        let off = judged.middle_ms(&(one.until..end)).unwrap_or(f64::NAN);
        let first = night.first_onset(one.until).map_or(f64::NAN, |at| (at - one.until) as f64 / 1e6);
        println!(
            "{:20} {:6.1}  {:20.2}  {first:24.0}  {off:22.3}",
            format!("{:?}", one.what),
            (one.from - began) as f64 / 1e9,
            (one.until - one.from) as f64 / 1e9
        );
    }
}

#[test]
#[ignore = "slow: MINUTES of real time (4 unless said), for tests/extended and tests/soak/run"]
fn a_set_in_real_time_with_all_mishaps() {
    let minutes: f64 = std::env::var("MINUTES").ok().and_then(|text| text.parse().ok()).unwrap_or(4.0);
    let (mut soak, ear) = Soak::begin(minutes);
    soak.watch();
    let began = boot::now();
    let whole = Duration::from_secs_f64(minutes * 60.0);
    let (mut happened, mishaps) = (Vec::new(), mishaps());
    let count = mishaps.len() as f64;
    for (number, what) in mishaps.into_iter().enumerate() {
        let at = whole.mul_f64((number as f64 + 0.6) / (count + 0.6));
        std::thread::sleep(at.saturating_sub(soak.began.elapsed()));
        println!("{:6.1} s: {what:?}", soak.began.elapsed().as_secs_f64());
        happened.extend(soak.happens(what));
        assert!(soak.guard.try_wait().unwrap().is_none(), "the run has ended after {what:?}");
    }
    std::thread::sleep(whole.saturating_sub(soak.began.elapsed()));
    let over = boot::now();
    soak.end();
    let night = ear.end();
    let logs = loss::logs(&soak.folder.path().join("logs"));
    let mut silent: Vec<Range<i64>> = happened
        .iter()
        .filter_map(|one| {
            let there = night.first_heard(one.until).filter(|_| one.from < one.until).unwrap_or(one.until);
            Some(one.from - 250 * MS..there.min(one.until + SECOND) + one.grace?)
        })
        .collect();
    // Q is no mishap, and nothing is promised after it.
    silent.push(over - 10 * MS..i64::MAX);
    let written = Written::of(&soak.folder.path().join("show.toml"), "drums");
    let judged = night.judge(&written, &silent, &loss::lost(&logs));
    print_mishaps(&happened, &night, &judged, began);
    let all = logged(&logs);
    print_logged(&all);
    let looks = soak.looks.lock().unwrap().clone();
    let grown = print_looks(&looks);
    println!(
        "\n{minutes} minutes, {} sounds heard; {} hits promised: {} off the grid, {} missed, {} doubled, worst {:.3} ms; {} \
         beside frames that this computer lost; {} not promised",
        night.onsets.len(),
        judged.due,
        judged.off.len(),
        judged.missed.len(),
        judged.doubled.len(),
        judged.worst_ms,
        judged.excused,
        judged.not_judged
    );
    // A disk that is full tears a line; the next one begins anew.
    let torn: Vec<_> = logs.iter().flat_map(|log| &log.faults).collect();
    let full = happened.iter().filter(|one| one.what == DiskFull).count();
    assert!(torn.len() <= full, "{torn:?}");
    let at = |fault: &super::band::Fault| {
        let off = fault.off.map(|off| off as f64 / 1e6);
        format!("{:.3} s ({off:?} ms)", (fault.ns - began) as f64 / 1e9)
    };
    let kinds = [("off", &judged.off), ("missed", &judged.missed), ("doubled", &judged.doubled)];
    for (what, faults) in kinds.iter().filter(|(_, faults)| !faults.is_empty()) {
        let told: Vec<String> = faults.iter().take(40).map(at).collect();
        println!("{what}, since the start: {}", told.join(", "));
    }
    assert!(kinds.iter().all(|(_, faults)| faults.is_empty()), "not every hit in its place");
    assert!(judged.due as f64 > minutes * 60.0, "too little was promised");
    assert!(grown < 4096, "a program grew by {grown} KiB");
}
