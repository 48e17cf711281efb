//! Is this computer fit for the stage?
//!
//! In: what the system tells, read from a file system root (so that tests can fake `/sys` and `/proc`) and
//! from a few of its programs. Out: a list of items, each with a finding in words and how to mend it.
//! Thread: ordinary, before the show; some ten seconds at most. Always: what could not be checked is said.

use crate::show::model::Host;
use crate::units::SampleRate;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

pub mod card;
pub mod clock;
pub mod guards;
pub mod power;
pub mod system;

pub use guards::Guards;

/// How one item stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum State {
    Ok,
    /// The system does not tell, or the program cannot ask here.
    Unchecked,
    /// Mend it when there is time.
    Warn,
    /// Mend it before doors.
    Alarm,
}

/// One line of the list.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize)]
pub struct Item {
    pub name: &'static str,
    pub state: State,
    pub finding: String,
    /// Empty when there is nothing to mend.
    pub mend: String,
}

impl Item {
    pub fn ok(name: &'static str, finding: impl Into<String>) -> Item {
        Item { name, state: State::Ok, finding: finding.into(), mend: String::new() }
    }

    pub fn warn(name: &'static str, finding: impl Into<String>, mend: impl Into<String>) -> Item {
        Item { name, state: State::Warn, finding: finding.into(), mend: mend.into() }
    }

    pub fn alarm(name: &'static str, finding: impl Into<String>, mend: impl Into<String>) -> Item {
        Item { name, state: State::Alarm, finding: finding.into(), mend: mend.into() }
    }

    pub fn unchecked(name: &'static str, why: impl Into<String>, mend: impl Into<String>) -> Item {
        Item { name, state: State::Unchecked, finding: why.into(), mend: mend.into() }
    }
}

/// What the list is made for.
#[derive(Clone, Debug)]
pub struct ReadySetup {
    /// `/` on a real system.
    pub root: PathBuf,
    /// Where the log and takes are written.
    pub folder: PathBuf,
    /// The device of the show; `None` when no rig was given.
    pub device: Option<ShowDevice>,
    /// Frames asked for over time, as read by [`clock::watch`], or why there is no reading.
    pub clock: Result<Vec<clock::Reading>, clock::NoReading>,
    /// The second interface of the rig, and the same of it.
    pub second: Option<(ShowDevice, Result<Vec<clock::Reading>, clock::NoReading>)>,
    /// What [`Guards::items`] said, when they are already held; empty to try them here and let go again.
    pub guarded: Vec<Item>,
}

/// The show device as the rig names it.
#[derive(Clone, Debug)]
pub struct ShowDevice {
    pub host: Host,
    pub name: String,
    pub rate: SampleRate,
    pub block: u32,
}

impl ReadySetup {
    /// This computer, log and takes in `folder`, no device yet.
    pub fn here(folder: &Path) -> ReadySetup {
        ReadySetup {
            root: PathBuf::from("/"),
            folder: folder.to_path_buf(),
            device: None,
            clock: Err(clock::NoReading::NotWatched("no rig was given".into())),
            second: None,
            guarded: Vec::new(),
        }
    }
}

/// The whole list, in the order in which a person walks through it. Takes seconds; never fails.
pub fn list(setup: &ReadySetup) -> Vec<Item> {
    let root = Root(setup.root.clone());
    let mut items = power::items(&root);
    if setup.guarded.is_empty() {
        items.extend(Guards::take().items().iter().cloned());
    } else {
        items.extend(setup.guarded.iter().cloned());
    }
    items.extend(card::items(&root, setup.device.as_ref()));
    items.push(clock::item(setup.device.as_ref(), &setup.clock));
    items.extend(setup.second.as_ref().map(|(device, readings)| {
        clock::second_item(device, readings, setup.device.as_ref().zip(setup.clock.as_ref().ok()))
    }));
    items.push(system::disk(&setup.folder));
    items.push(system::priority(setup.device.as_ref()));
    items.push(system::governor(&root));
    items
}

/// Nothing in the list asks to be mended before doors.
pub fn fit(items: &[Item]) -> bool {
    items.iter().all(|item| item.state != State::Alarm)
}

/// The list as text, worst states marked in words, never by colour alone.
pub fn text(items: &[Item]) -> String {
    let width = items.iter().map(|item| item.name.chars().count()).max().unwrap_or(0);
    let mut out = String::new();
    for item in items {
        let state = match item.state {
            State::Ok => "ok",
            State::Unchecked => "not checked",
            State::Warn => "LOOK",
            State::Alarm => "MEND",
        };
        out.push_str(&format!("{state:<11}  {:<width$}  {}\n", item.name, item.finding));
        if !item.mend.is_empty() {
            let lead = if item.state == State::Unchecked { "by hand" } else { "to mend it" };
            out.push_str(&format!("{:<11}  {:<width$}  {lead}: {}\n", "", "", item.mend));
        }
    }
    out
}

/// A file system root: `/`, or a folder that a test made.
#[derive(Clone, Debug)]
pub struct Root(pub PathBuf);

impl Root {
    /// The trimmed text of a file; `None` when it is absent or unreadable.
    pub fn read(&self, path: &str) -> Option<String> {
        std::fs::read_to_string(self.0.join(path)).ok().map(|text| text.trim().to_string())
    }

    /// The names in a folder, sorted; empty when it is absent.
    pub fn names(&self, folder: &str) -> Vec<String> {
        let entries = std::fs::read_dir(self.0.join(folder)).into_iter().flatten().flatten();
        let mut names: Vec<String> =
            entries.map(|entry| entry.file_name().to_string_lossy().into_owned()).collect();
        names.sort();
        names
    }
}

/// What a program of the system prints; `None` when it is absent, fails, or takes longer than `limit`.
pub(crate) fn ask(program: &str, args: &[&str], limit: Duration) -> Option<String> {
    let mut child = Command::new(program)
        .args(args)
        .env("LC_ALL", "C")
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .ok()?;
    let mut pipe = child.stdout.take()?;
    let reader = std::thread::spawn(move || {
        let mut bytes = Vec::new();
        std::io::Read::read_to_end(&mut pipe, &mut bytes).map(|_| bytes)
    });
    let began = Instant::now();
    let status = loop {
        match child.try_wait() {
            Ok(Some(status)) => break status,
            Ok(None) if began.elapsed() < limit => std::thread::sleep(Duration::from_millis(5)),
            _ => {
                _ = child.kill();
                _ = child.wait();
                return None;
            }
        }
    };
    let bytes = reader.join().ok()?.ok()?;
    status.success().then(|| String::from_utf8_lossy(&bytes).into_owned())
}

#[cfg(test)]
pub(crate) fn fixture(case: &str) -> Root {
    Root(Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/ready").join(case))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_item_that_is_not_ok_says_how_to_mend_it() {
        let items = list(&ReadySetup::here(Path::new(".")));
        for item in &items {
            assert_eq!(item.state == State::Ok, item.mend.is_empty(), "{item:?}");
            assert!(!item.finding.is_empty());
        }
        let names: Vec<&str> = items.iter().map(|item| item.name).collect();
        for name in ["charger", "sleep", "memory", "default output", "device rate", "disk", "priority"] {
            assert!(names.contains(&name), "{name} is missing from {names:?}");
        }
    }

    #[test]
    fn only_an_alarm_makes_the_computer_unfit() {
        let with = |state| [Item { name: "x", state, finding: "f".into(), mend: "m".into() }];
        assert!(fit(&with(State::Ok)) && fit(&with(State::Warn)) && fit(&with(State::Unchecked)));
        assert!(!fit(&with(State::Alarm)));
    }

    #[cfg(unix)]
    #[test]
    fn a_program_that_hangs_is_left_after_its_limit() {
        let began = Instant::now();
        assert_eq!(ask("sleep", &["20"], Duration::from_millis(100)), None);
        assert!(began.elapsed() < Duration::from_secs(5));
        assert_eq!(ask("echo", &["bell"], Duration::from_secs(5)).as_deref(), Some("bell\n"));
        assert_eq!(ask("false", &[], Duration::from_secs(5)), None);
        assert_eq!(ask("no-such-program-here", &[], Duration::from_secs(5)), None);
    }
}
