//! The guard: a small process that does nothing but start the run, and start it again when it dies.
//!
//! In: the command line. Out: the run's own exit code. Thread: main. Always: a run that ends by itself or is asked to
//! end is over; one that dies (a signal, a panic) is started again with `--rejoin`, at once the first time and never
//! more often than [`Pace`] allows. The guard dying ends nothing.

use super::Args;
use crate::cli::Outcome;
use std::ffi::OsString;
use std::process::{Child, Command, ExitStatus};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering::Relaxed};
use std::time::{Duration, Instant};

/// Set for the run that is guarded: why it was started, in words.
pub const WHY: &str = "FOGBELL_GUARD_WHY";

const LOOK: Duration = Duration::from_millis(10);

/// How soon a run that died is started again.
#[derive(Clone, Copy, Debug, Default)]
pub struct Pace {
    in_row: u32,
}

/// A run that lived this long died of something new.
const LIVED: Duration = Duration::from_secs(10);

impl Pace {
    /// The wait before the next start: none after a run that lived, then half a second, doubled up to five seconds.
    pub fn after(&mut self, lived: Duration) -> Duration {
        self.in_row = if lived >= LIVED { 0 } else { self.in_row.saturating_add(1) };
        match self.in_row {
            0 | 1 => Duration::ZERO,
            row => Duration::from_millis(500 << (row - 2).min(4)).min(Duration::from_secs(5)),
        }
    }
}

/// Guarded when a person runs it on a screen, or when asked; the guarded run itself is not.
pub fn wanted(args: &Args) -> bool {
    std::env::var_os(WHY).is_none() && !args.no_guard && (args.guard || !args.headless)
}

/// Starts the run until it has ended. `None`: it cannot be started from here, so run it in this process.
pub fn run(args: &Args) -> Option<Outcome> {
    let program = std::env::current_exe().ok()?;
    let asked = asked_to_end();
    let terminal = terminal::Settings::read();
    let mut why: String = "started by its guard".into();
    let mut pace = Pace::default();
    let mut words: Vec<OsString> = std::env::args_os().skip(1).collect();
    loop {
        let mut child = Command::new(&program).args(&words).env(WHY, &why).spawn().ok()?;
        let began = Instant::now();
        let status = wait(&mut child, &asked);
        let Some(death) = status.as_ref().and_then(died).filter(|_| !asked.load(Relaxed)) else {
            return Some(outcome(status));
        };
        terminal.restore();
        why = format!(
            "the run {death} after {:.1} s; its guard started it again",
            began.elapsed().as_secs_f64()
        );
        // Its terminal may be gone: printing there must not end the guard.
        super::complain(&why);
        if words.iter().all(|word| word != "--rejoin") {
            words = again(&words, args);
        }
        std::thread::sleep(pace.after(began.elapsed()));
    }
}

/// The same run, going on: what was to be done once at its beginning is left out.
pub fn again(words: &[OsString], args: &Args) -> Vec<OsString> {
    let mut kept = Vec::new();
    let mut rest = words.iter();
    while let Some(word) = rest.next() {
        let text = word.to_string_lossy();
        let once = ["--start", "--press", "--rehearse"].iter().any(|name| text == *name);
        if once {
            rest.next();
        } else if !["--start=", "--press=", "--rehearse="].iter().any(|name| text.starts_with(name)) {
            kept.push(word.clone());
        }
    }
    if !args.rejoin {
        kept.push("--rejoin".into());
    }
    kept
}

/// Waits for the run; passes on that the system asks for the end.
fn wait(child: &mut Child, asked: &AtomicBool) -> Option<ExitStatus> {
    let mut passed = false;
    loop {
        match child.try_wait() {
            Ok(Some(status)) => return Some(status),
            Ok(None) => {}
            Err(_) => return None,
        }
        if asked.load(Relaxed) && !std::mem::replace(&mut passed, true) {
            end(child);
        }
        std::thread::sleep(LOOK);
    }
}

/// How a run died, in words; `None` when it ended by itself.
fn died(status: &ExitStatus) -> Option<String> {
    #[cfg(unix)]
    if let Some(signal) = std::os::unix::process::ExitStatusExt::signal(status) {
        return Some(format!("was killed by signal {signal}"));
    }
    match status.code() {
        Some(0..=2) => None,
        // A panic in Rust.
        Some(101) => Some("died of a fault in the program (please keep its log)".into()),
        Some(code) => Some(format!("died with code {code:#x}")),
        None => Some("died".into()),
    }
}

fn outcome(status: Option<ExitStatus>) -> Outcome {
    match status.and_then(|status| status.code()) {
        Some(0) => Outcome::Done,
        Some(2) => Outcome::NotUnderstood,
        _ => Outcome::FellShort,
    }
}

/// Signals end the run, not the guard before it.
fn asked_to_end() -> Arc<AtomicBool> {
    let asked = Arc::new(AtomicBool::new(false));
    for signal in [signal_hook::consts::SIGINT, signal_hook::consts::SIGTERM] {
        let _without = signal_hook::flag::register(signal, Arc::clone(&asked));
    }
    #[cfg(unix)]
    {
        // A closed terminal ends the view, not the run.
        let _without = signal_hook::flag::register(signal_hook::consts::SIGHUP, Arc::default());
    }
    asked
}

#[cfg(unix)]
fn end(child: &Child) {
    if let Some(pid) = i32::try_from(child.id()).ok().and_then(rustix::process::Pid::from_raw) {
        let _gone = rustix::process::kill_process(pid, rustix::process::Signal::TERM);
    }
}

#[cfg(not(unix))]
fn end(child: &mut Child) {
    let _gone = child.kill();
}

/// A run that was killed leaves the terminal as it had it.
mod terminal {
    use std::io::Write;

    #[cfg(unix)]
    pub struct Settings(Option<rustix::termios::Termios>);

    #[cfg(unix)]
    impl Settings {
        pub fn read() -> Settings {
            Settings(rustix::termios::tcgetattr(std::io::stdin()).ok())
        }

        pub fn restore(&self) {
            if let Some(settings) = &self.0 {
                let now = rustix::termios::OptionalActions::Now;
                let _gone = rustix::termios::tcsetattr(std::io::stdin(), now, settings);
                plain_screen();
            }
        }
    }

    #[cfg(not(unix))]
    pub struct Settings;

    #[cfg(not(unix))]
    impl Settings {
        pub fn read() -> Settings {
            Settings
        }

        pub fn restore(&self) {
            plain_screen();
        }
    }

    fn plain_screen() {
        use crossterm::{
            cursor::Show, event::PopKeyboardEnhancementFlags, execute, terminal::LeaveAlternateScreen,
        };
        let mut out = std::io::stdout();
        let _gone = execute!(out, PopKeyboardEnhancementFlags, LeaveAlternateScreen, Show);
        let _gone = out.flush();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn it_starts_again_at_once_and_then_ever_more_slowly() {
        let mut pace = Pace::default();
        let mut wait = |lived| pace.after(Duration::from_millis(lived)).as_millis();
        assert_eq!((wait(60_000), wait(100), wait(100), wait(100), wait(100)), (0, 0, 500, 1000, 2000));
        assert_eq!((wait(100), wait(100), wait(100), wait(20_000), wait(100)), (4000, 5000, 5000, 0, 0));
    }

    #[test]
    fn what_was_for_the_beginning_is_not_done_again() {
        let words =
            ["run", "friday.toml", "--start", "3", "--press=1 stop", "--rig", "box.toml"].map(OsString::from);
        let args = Args { rejoin: false, ..parsed() };
        let kept: Vec<String> =
            again(&words, &args).iter().map(|word| word.to_string_lossy().into_owned()).collect();
        assert_eq!(kept, ["run", "friday.toml", "--rig", "box.toml", "--rejoin"]);
    }

    fn parsed() -> Args {
        #[derive(clap::Parser)]
        struct Alone {
            #[command(flatten)]
            args: Args,
        }
        <Alone as clap::Parser>::parse_from(["run", "friday.toml"]).args
    }
}
