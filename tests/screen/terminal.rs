//! The view on a real terminal: a pseudo-terminal whose other end is a terminal emulator in memory.

use fogbell::click::set::LegKind;
use fogbell::realtime::command::Command;
use fogbell::realtime::event::RunState;
use fogbell::view::conductor::{Conductor, EngineView, Out};
use fogbell::view::keys::Keymap;
use fogbell::view::model::ScreenModel;
use fogbell::view::programme::{Entry, LegEntry, Programme};
use fogbell::view::terminal::Session;
use portable_pty::{Child, CommandBuilder, MasterPty, PtySize, native_pty_system};
use std::io::{Read, Write};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

const PATIENCE: Duration = Duration::from_secs(20);

/// A program in a terminal.
pub struct InTerminal {
    parser: Arc<Mutex<vt100::Parser>>,
    /// Ends the reader after its next read, so that nothing holds the terminal's other end.
    closing: Arc<AtomicBool>,
    keys: Option<Box<dyn Write + Send>>,
    master: Option<Box<dyn MasterPty + Send>>,
    pub child: Box<dyn Child + Send + Sync>,
}

/// Runs a command in a terminal of `width` × `height`; `reads` false never reads what it draws.
pub fn in_a_terminal(command: CommandBuilder, width: u16, height: u16, reads: bool) -> InTerminal {
    let size = PtySize { rows: height, cols: width, pixel_width: 0, pixel_height: 0 };
    let pair = native_pty_system().openpty(size).expect("a pseudo-terminal");
    let child = pair.slave.spawn_command(command).expect("the program starts");
    let parser = Arc::new(Mutex::new(vt100::Parser::new(height, width, 0)));
    let closing = Arc::new(AtomicBool::new(false));
    if reads {
        let mut output = pair.master.try_clone_reader().expect("the terminal's output");
        let (parser, closing) = (Arc::clone(&parser), Arc::clone(&closing));
        std::thread::spawn(move || {
            let mut bytes = [0; 4096];
            while let Ok(count @ 1..) = output.read(&mut bytes)
                && !closing.load(Ordering::SeqCst)
            {
                parser.lock().expect("no reader panicked").process(&bytes[..count]);
            }
        });
    }
    let keys = pair.master.take_writer().expect("the terminal's input");
    InTerminal { parser, closing, keys: Some(keys), master: Some(pair.master), child }
}

impl InTerminal {
    pub fn screen(&self) -> String {
        self.parser.lock().expect("no reader panicked").screen().contents()
    }

    /// Waits until the screen holds a text. Panics: with the screen, when it never does.
    pub fn wait_for(&self, text: &str) {
        let since = Instant::now();
        while !self.screen().contains(text) {
            assert!(since.elapsed() < PATIENCE, "no \"{text}\" on\n{}", self.screen());
            std::thread::sleep(Duration::from_millis(20));
        }
    }

    pub fn press(&mut self, keys: &str) {
        let writer = self.keys.as_mut().expect("the terminal is open");
        writer.write_all(keys.as_bytes()).expect("keys are taken");
        writer.flush().expect("keys are taken");
    }

    /// Closes the window; at the latest when the program draws again.
    pub fn close(&mut self) {
        self.closing.store(true, Ordering::SeqCst);
        self.keys = None;
        self.master = None;
    }

    /// The terminal is as it was: the main screen, the cursor shown, no focus reports.
    pub fn restored(&self) -> bool {
        let parser = self.parser.lock().expect("no reader panicked");
        !parser.screen().alternate_screen() && !parser.screen().hide_cursor()
    }

    /// Waits for the program's end. Panics: when it does not end.
    pub fn ended(&mut self) -> u32 {
        let since = Instant::now();
        loop {
            if let Some(status) = self.child.try_wait().expect("a child") {
                return status.exit_code();
            }
            assert!(since.elapsed() < PATIENCE, "it does not end:\n{}", self.screen());
            std::thread::sleep(Duration::from_millis(20));
        }
    }
}

/// This test program again, as the harness below.
fn harness_command(task: &str, report: &Path) -> CommandBuilder {
    let mut command = CommandBuilder::new(std::env::current_exe().expect("this program"));
    command.args(["--ignored", "--exact", "terminal::harness", "--nocapture", "--test-threads=1"]);
    command.env("SCREEN_TASK", task);
    command.env("SCREEN_REPORT", report);
    command.env("TERM", "xterm-256color");
    command.env("RUST_BACKTRACE", "0");
    command
}

fn report_in(folder: &tempfile::TempDir) -> PathBuf {
    folder.path().join("report.txt")
}

/// "name value" lines of the harness.
fn figure(report: &Path, name: &str) -> u64 {
    let text = std::fs::read_to_string(report).unwrap_or_default();
    let line = text.lines().find_map(|line| line.strip_prefix(name)?.strip_prefix(' '));
    line.and_then(|value| value.parse().ok()).unwrap_or_else(|| panic!("no {name} in {text:?}"))
}

#[test]
fn keys_typed_in_a_real_terminal_start_ask_and_quit_and_the_terminal_is_restored() {
    let folder = tempfile::tempdir().expect("a folder");
    let mut seen = in_a_terminal(harness_command("keys", &report_in(&folder)), 80, 24, true);
    seen.wait_for("SPACE starts 1 Low Tide: two bars of count-in, Wren counts.");
    seen.press(" ");
    seen.wait_for("SPACE does nothing while 1 Low Tide plays.");
    seen.press("\x1b[O");
    seen.wait_for("Keys go to another window");
    seen.press("\x1b[I");
    seen.wait_for("Next song");
    seen.press("h");
    seen.wait_for("Keys, page 1 of 4");
    seen.press("s");
    seen.wait_for("S again or ENTER stops 1 Low Tide now");
    seen.press("\r");
    seen.wait_for("Nothing plays.");
    seen.press("q");
    seen.wait_for("ENTER quits");
    std::thread::sleep(Duration::from_millis(200));
    seen.press("\r");
    assert_eq!(seen.ended(), 0);
    let since = Instant::now();
    while !seen.restored() && since.elapsed() < PATIENCE {
        std::thread::sleep(Duration::from_millis(20));
    }
    assert!(seen.restored());
}

#[test]
fn what_a_library_prints_over_the_screen_is_painted_over() {
    let folder = tempfile::tempdir().expect("a folder");
    let mut seen = in_a_terminal(harness_command("keys", &report_in(&folder)), 80, 24, true);
    seen.wait_for("SPACE starts 1 Low Tide");
    let before = seen.screen();
    seen.parser.lock().expect("no reader panicked").process(b"\x1b[3;5Han error of the sound server\r\n");
    assert_ne!(seen.screen(), before);
    let since = Instant::now();
    while seen.screen() != before {
        assert!(since.elapsed() < PATIENCE, "{}", seen.screen());
        std::thread::sleep(Duration::from_millis(50));
    }
    seen.press("q");
    seen.wait_for("ENTER quits");
    seen.press("\r");
    assert_eq!(seen.ended(), 0);
}

#[test]
fn a_panic_gives_the_terminal_back_with_its_message_readable() {
    let folder = tempfile::tempdir().expect("a folder");
    let mut seen = in_a_terminal(harness_command("panic", &report_in(&folder)), 80, 24, true);
    assert_ne!(seen.ended(), 0);
    seen.wait_for("a bug for the test");
    assert!(seen.restored());
}

#[test]
fn a_closed_window_ends_the_view_and_not_the_run() {
    let folder = tempfile::tempdir().expect("a folder");
    let report = report_in(&folder);
    let mut seen = in_a_terminal(harness_command("hang-up", &report), 80, 24, true);
    seen.wait_for("SPACE does nothing while 1 Low Tide plays.");
    seen.close();
    seen.ended();
    assert_eq!(figure(&report, "closed"), 1);
    assert!(figure(&report, "rounds_after") >= 20, "the run went on");
    assert!(figure(&report, "processor_ms_after") <= 200, "nothing spins on a dead terminal");
}

#[test]
fn a_stalled_terminal_holds_up_nobody() {
    let folder = tempfile::tempdir().expect("a folder");
    let report = report_in(&folder);
    let mut seen = in_a_terminal(harness_command("stall", &report), 200, 60, false);
    let since = Instant::now();
    while !report.exists() {
        assert!(since.elapsed() < PATIENCE, "the run never ended");
        std::thread::sleep(Duration::from_millis(20));
    }
    assert!(figure(&report, "longest_show_ms") < 100);
    let drop = figure(&report, "drop_ms");
    assert!(drop >= 400, "the terminal was not stalled: dropped in {drop} ms");
    assert!(drop < 1500, "{drop} ms");
    seen.close();
    seen.ended();
}

fn programme() -> Programme {
    let leg = LegEntry {
        name: "Verse".into(),
        kind: LegKind::Section,
        section: 0,
        pass: 0,
        first_bar: 1,
        vamp: false,
        hold: false,
        tempo: None,
    };
    let song = Entry {
        title: "Low Tide".into(),
        note: "Wren counts".into(),
        count_in: "two bars of count-in".into(),
        legs: vec![leg],
        ..Entry::default()
    };
    Programme { rate_hertz: 48_000, songs: vec![song], ..Programme::default() }
}

/// Session and conductor with a stand-in for the engine; quits by key.
struct Harness {
    session: Option<Session>,
    conductor: Conductor,
    engine: EngineView,
    origin: Instant,
    quit: bool,
    rounds: u64,
    longest_show: Duration,
}

impl Harness {
    fn open() -> Harness {
        Harness {
            session: Some(Session::open(Keymap::default()).expect("a terminal")),
            conductor: Conductor::new(programme(), Keymap::default()),
            engine: EngineView::default(),
            origin: Instant::now(),
            quit: false,
            rounds: 0,
            longest_show: Duration::ZERO,
        }
    }

    fn round(&mut self) {
        let session = self.session.as_ref().expect("open");
        let mut out = self.conductor.tick(self.origin.elapsed(), &self.engine);
        for pressed in session.presses().try_iter() {
            out.extend(self.conductor.on_key(
                pressed.at.duration_since(self.origin),
                pressed.press,
                &self.engine,
            ));
        }
        let mut model = ScreenModel { focus_lost: session.focus_lost(), ..ScreenModel::default() };
        self.conductor.fill(&self.engine, &mut model);
        model.bar = self.rounds as i32;
        let since = Instant::now();
        session.show(model);
        self.longest_show = self.longest_show.max(since.elapsed());
        for out in out {
            match out {
                Out::Send(_, Command::Start) => self.engine.status.run = RunState::Playing,
                Out::Send(_, Command::Stop) => self.engine.status.run = RunState::Stopped,
                Out::Quit => self.quit = true,
                _ => {}
            }
        }
        self.rounds += 1;
        std::thread::sleep(Duration::from_millis(20));
    }

    fn closed(&self) -> bool {
        self.session.as_ref().is_some_and(Session::closed)
    }
}

/// User and system time of this process in ms, as Linux tells (ticks of 10 ms); 0 elsewhere.
fn processor_ms() -> u64 {
    let text = std::fs::read_to_string("/proc/self/stat").unwrap_or_default();
    let fields = text.rsplit(')').next().unwrap_or_default().split_whitespace().skip(11).take(2);
    fields.filter_map(|field| field.parse::<u64>().ok()).sum::<u64>() * 10
}

/// Not a test: what the tests above run in a terminal.
#[test]
#[ignore = "runs inside a terminal, started by the tests above"]
fn harness() {
    let Ok(task) = std::env::var("SCREEN_TASK") else { return };
    let report = PathBuf::from(std::env::var("SCREEN_REPORT").expect("where to report"));
    let mut harness = Harness::open();
    match task.as_str() {
        "keys" => {
            while !harness.quit {
                harness.round();
            }
        }
        "panic" => {
            harness.round();
            std::thread::sleep(Duration::from_millis(300));
            panic!("a bug for the test");
        }
        "hang-up" => hang_up(harness, &report),
        _ => stall(harness, &report),
    }
}

fn hang_up(mut harness: Harness, report: &Path) {
    harness.engine.status.run = RunState::Playing;
    while !harness.closed() && harness.origin.elapsed() < PATIENCE {
        harness.round();
    }
    let (closed, before, rounds) = (harness.closed(), processor_ms(), harness.rounds);
    let since = Instant::now();
    while since.elapsed() < Duration::from_secs(1) {
        harness.round();
    }
    let (rounds, spent) = (harness.rounds - rounds, processor_ms() - before);
    let text = format!("closed {}\nrounds_after {rounds}\nprocessor_ms_after {spent}\n", u8::from(closed));
    std::fs::write(report, text).expect("a report");
}

fn stall(mut harness: Harness, report: &Path) {
    harness.engine.status.run = RunState::Playing;
    while harness.origin.elapsed() < Duration::from_secs(3) {
        harness.round();
    }
    let since = Instant::now();
    harness.session = None;
    let (show, drop) = (harness.longest_show.as_millis(), since.elapsed().as_millis());
    std::fs::write(report, format!("longest_show_ms {show}\ndrop_ms {drop}\n")).expect("a report");
}
