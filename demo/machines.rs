//! Two machines, for the demo: a main and a backup, each a process of the program. First take: the main's process is
//! killed. Second take: the timecode lead is pulled with the main alive. A listener judges both, and one picture shows
//! them against the grid.
//!
//!   cargo run --release -p fogbell-demo -- SEED FOLDER

#[path = "picture.rs"]
mod picture;
#[allow(dead_code, reason = "the tests use the rest")]
#[path = "../tests/common/two.rs"]
mod two;

use picture::Panel;
use std::net::{Ipv4Addr, UdpSocket};
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::time::Duration;
use two::{Channels, Judged, Machine, Take, Written, told};

/// The song begins half a second after the main; its count-in lasts 3.6 s, the song 9.1 s with it.
const SECONDS: f64 = 11.0;

/// Of the backup's recording: three outputs, then two inputs.
const CHANNELS: Channels = Channels { click: 0, main_timecode: 3, main_click: 4, passed: true };

#[derive(Clone, Copy, PartialEq)]
enum Mishap {
    MainKilled,
    LeadPulled,
}

fn main() -> ExitCode {
    let mut arguments = std::env::args().skip(1);
    let (Some(seed), Some(folder)) = (arguments.next().and_then(|seed| seed.parse().ok()), arguments.next())
    else {
        eprintln!("error: two things are needed\n  to mend it: give a seed and a folder");
        return ExitCode::from(2);
    };
    let folder = PathBuf::from(folder);
    let mut random = fastrand::Rng::with_seed(seed);
    let (killed, pulled) = (5.0 + 3.0 * random.f64(), 5.0 + 3.0 * random.f64());
    println!("Two machines, a main and a backup, each a process of its own (seed {seed}).");
    println!("Take one: the main's process is killed {killed:.3} s after its start, without a word.");
    println!(
        "Take two, side by side with it: the timecode lead is pulled after {pulled:.3} s, and the main plays on."
    );
    let written = Written::of(Path::new("demo/saltmarsh.toml"), "drums");
    let takes = [(Mishap::MainKilled, killed), (Mishap::LeadPulled, pulled)];
    let done: Vec<Done> = std::thread::scope(|scope| {
        let started = takes.map(|(mishap, at)| {
            let (folder, written) = (&folder, &written);
            scope.spawn(move || take(mishap, at, folder, written))
        });
        started.into_iter().map(|take| take.join().expect("a take that ends")).collect()
    });
    let panels: Vec<Panel<'_>> = done.iter().map(|done| done.panel(&written)).collect();
    let path = folder.join("two-machines.svg");
    if let Err(fault) = std::fs::write(&path, picture::draw(&panels)) {
        eprintln!("error: {}: {fault}\n  to mend it: give another folder", path.display());
        return ExitCode::from(1);
    }
    done.iter().for_each(Done::tell);
    println!("The picture: {}", path.display());
    if done.iter().all(|done| done.verdict.clean()) { ExitCode::SUCCESS } else { ExitCode::from(1) }
}

struct Done {
    mishap: Mishap,
    take: Take,
    verdict: Judged,
}

/// Plays one take and judges what the drummer heard.
fn take(mishap: Mishap, at: f64, folder: &Path, written: &Written) -> Done {
    let folder = folder.join(match mishap {
        Mishap::MainKilled => "main-killed",
        Mishap::LeadPulled => "lead-pulled",
    });
    let until = (mishap == Mishap::LeadPulled).then_some((at * 48_000.0) as i64);
    patch(&folder, until);
    let program = std::env::current_exe().expect("this program's place");
    let program =
        program.parent().expect("a build folder").join(if cfg!(windows) { "fogbell.exe" } else { "fogbell" });
    let show = Path::new("demo/saltmarsh.toml");
    let start = |name: &str, more: &[&str]| {
        let rig = folder.join(format!("{name}.toml"));
        Machine::start(&program, show, &rig, &folder.join(name), None, more)
    };
    let length = SECONDS.to_string();
    let mut backup = start("backup", &["--press", "3000 one-is-now", "--for", &length]);
    std::thread::sleep(Duration::from_millis(300));
    let mut main = start("main", &["--start", "1"]);
    if mishap == Mishap::MainKilled {
        std::thread::sleep(Duration::from_secs_f64(at));
        main.kill();
    }
    backup.end(Duration::from_secs(60));
    main.kill();
    let take = Take::read(&folder.join("backup/take.wav"), &CHANNELS, written);
    Done { mishap, verdict: take.judge(written, &backup.gaps()), take }
}

/// Rigs and worlds of the demo, with a port that is free; the lead is pulled at a frame of the main.
fn patch(folder: &Path, until: Option<i64>) {
    std::fs::create_dir_all(folder).expect("a folder");
    let free = UdpSocket::bind((Ipv4Addr::LOCALHOST, 0)).and_then(|socket| socket.local_addr());
    let port = free.expect("a free port").to_string();
    let pulled = until.map_or("channel = 1".into(), |frame| format!("channel = 1\nuntil = {frame}"));
    for name in ["main.toml", "main-world.toml", "backup.toml", "backup-world.toml"] {
        let text = std::fs::read_to_string(Path::new("demo").join(name)).expect("a file of the demo");
        let text = text.replace("127.0.0.1:47001", &port);
        let text = if name == "main-world.toml" { text.replacen("channel = 1", &pulled, 1) } else { text };
        std::fs::write(folder.join(name), text).expect("a copy of it");
    }
}

impl Done {
    fn panel<'t>(&'t self, written: &'t Written) -> Panel<'t> {
        let title = match self.mishap {
            Mishap::MainKilled => "The main's process is killed",
            Mishap::LeadPulled => "The timecode lead is pulled, the main plays on",
        };
        Panel { title, take: &self.take, written }
    }

    fn tell(&self) {
        let all = &self.verdict;
        let what = match self.mishap {
            Mishap::MainKilled => "main killed  ",
            Mishap::LeadPulled => "lead pulled  ",
        };
        println!(
            "{what} {} of the drummer's hits due, {} heard in their place, {} missed, {} doubled; worst {:.3} ms off",
            all.due, all.heard, all.missed, all.doubled, all.worst_ms
        );
        if !all.findings.is_empty() {
            println!("             {}", told(&all.findings));
        }
    }
}
