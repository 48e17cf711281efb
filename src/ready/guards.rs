//! What is held for as long as the show runs: the computer stays awake, its memory stays in place.

use super::Item;
use std::io::{BufRead, BufReader};
use std::process::{Child, Command, Stdio};
use std::sync::mpsc;
use std::time::Duration;

/// Held for the run; dropping it lets go. If this program dies, the system lets go by itself.
#[derive(Debug)]
pub struct Guards {
    keeper: Option<Child>,
    locked: bool,
    items: Vec<Item>,
}

impl Guards {
    /// Asks for both; what was not granted is said in [`Guards::items`]. Takes some seconds at most, and no time where it is granted.
    pub fn take() -> Guards {
        let (keeper, sleep) = stay_awake();
        let (locked, memory) = lock_memory();
        Guards { keeper, locked, items: vec![sleep, memory] }
    }

    /// "sleep" and "memory".
    pub fn items(&self) -> &[Item] {
        &self.items
    }

    /// Sleep and the lid are blocked.
    pub fn awake(&self) -> bool {
        self.keeper.is_some()
    }

    /// Memory is locked.
    pub fn locked(&self) -> bool {
        self.locked
    }
}

impl Drop for Guards {
    fn drop(&mut self) {
        if let Some(mut keeper) = self.keeper.take() {
            // Its standard input closes with it: that alone ends it.
            drop(keeper.stdin.take());
            _ = keeper.kill();
            _ = keeper.wait();
        }
        #[cfg(unix)]
        if self.locked {
            _ = rustix::mm::munlockall();
        }
    }
}

const BY_HAND: &str = "set sleep to \"never\" in the system's power settings and leave the lid open";

fn stay_awake() -> (Option<Child>, Item) {
    if cfg!(target_os = "linux") {
        match login_manager() {
            Some((keeper, true)) => {
                (Some(keeper), Item::ok("sleep", "sleep, idle and the lid switch are blocked for the run"))
            }
            Some((keeper, false)) => (
                Some(keeper),
                Item::warn(
                    "sleep",
                    "sleep is blocked for the run; the lid switch is not",
                    "leave the lid open",
                ),
            ),
            None => (
                None,
                Item::warn(
                    "sleep",
                    "could not be blocked: the login manager granted no inhibitor lock",
                    BY_HAND,
                ),
            ),
        }
    } else if cfg!(target_os = "macos") {
        match caffeinate() {
            Some(keeper) => (
                Some(keeper),
                Item::warn(
                    "sleep",
                    "sleep is blocked for the run; closing the lid is not",
                    "leave the lid open",
                ),
            ),
            None => (None, Item::warn("sleep", "could not be blocked: caffeinate did not start", BY_HAND)),
        }
    } else {
        (None, Item::unchecked("sleep", "could not be checked or blocked on this system", BY_HAND))
    }
}

/// The best lock that is granted, and whether the lid is in it.
fn login_manager() -> Option<(Child, bool)> {
    let wanted = [("sleep:idle:handle-lid-switch", true), ("sleep:idle", false)];
    ["systemd-inhibit", "elogind-inhibit"].iter().find_map(|program| {
        wanted.iter().find_map(|(what, lid)| inhibit(program, what).map(|keeper| (keeper, *lid)))
    })
}

/// A lock of the login manager. The child says "held" once it has the lock and ends when our end of its
/// standard input closes, so that no crash leaves it behind.
fn inhibit(program: &str, what: &str) -> Option<Child> {
    let mut child = Command::new(program)
        .arg(format!("--what={what}"))
        .args(["--who=Fogbell", "--why=a show is running", "--mode=block"])
        .args(["sh", "-c", "echo held; exec cat >/dev/null"])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .ok()?;
    let said = child.stdout.take().and_then(|pipe| first_line(pipe, Duration::from_secs(2)));
    if said.as_deref() == Some("held") {
        return Some(child);
    }
    _ = child.kill();
    _ = child.wait();
    None
}

fn first_line(pipe: impl std::io::Read + Send + 'static, limit: Duration) -> Option<String> {
    let (sender, receiver) = mpsc::channel();
    std::thread::spawn(move || {
        let mut line = String::new();
        _ = BufReader::new(pipe).read_line(&mut line);
        _ = sender.send(line);
    });
    receiver.recv_timeout(limit).ok().map(|line| line.trim().to_string())
}

fn caffeinate() -> Option<Child> {
    let pid = std::process::id().to_string();
    let mut child = Command::new("caffeinate")
        .args(["-dims", "-w", &pid])
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .ok()?;
    std::thread::sleep(Duration::from_millis(100));
    match child.try_wait() {
        Ok(None) => Some(child),
        _ => None,
    }
}

#[cfg(unix)]
fn lock_memory() -> (bool, Item) {
    use rustix::mm::{MlockAllFlags, mlockall};
    // Under a limit, locking what comes later would turn a full limit into failed allocations.
    let free = may_lock_all();
    let flags = if free { MlockAllFlags::CURRENT | MlockAllFlags::FUTURE } else { MlockAllFlags::CURRENT };
    match mlockall(flags) {
        Ok(()) if free => (true, Item::ok("memory", format!("locked{}", locked_size()))),
        Ok(()) => (
            true,
            Item::warn(
                "memory",
                format!("what is in use now is locked{}; what comes later is not", locked_size()),
                "raise the limit: \"@audio - memlock unlimited\" in /etc/security/limits.d, then log in again",
            ),
        ),
        Err(why) => (
            false,
            Item::warn(
                "memory",
                format!("could not be locked ({why}): under pressure the system may page it out"),
                "raise the limit (\"@audio - memlock unlimited\" in /etc/security/limits.d) and close other programs",
            ),
        ),
    }
}

#[cfg(unix)]
fn may_lock_all() -> bool {
    rustix::process::geteuid().is_root() || memlock_unlimited()
}

#[cfg(unix)]
fn memlock_unlimited() -> bool {
    rustix::process::getrlimit(rustix::process::Resource::Memlock).current.is_none()
}

#[cfg(not(unix))]
fn lock_memory() -> (bool, Item) {
    (false, Item::unchecked("memory", "could not be locked on this system", "close other programs"))
}

/// ", 16 MB" where the system tells.
#[cfg(unix)]
fn locked_size() -> String {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    kilobytes_locked(&status).map(|kb| format!(", {:.0} MB", kb as f64 / 1024.0)).unwrap_or_default()
}

/// The line "VmLck:   16384 kB". Source: proc_pid_status(5).
#[cfg(unix)]
fn kilobytes_locked(status: &str) -> Option<u64> {
    let line = status.lines().find_map(|line| line.strip_prefix("VmLck:"))?;
    line.trim().strip_suffix("kB")?.trim().parse().ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_held_and_what_is_said_agree() {
        let guards = Guards::take();
        let of = |name| guards.items().iter().find(|item| item.name == name).expect("named");
        assert_eq!(of("sleep").finding.contains("for the run"), guards.awake());
        assert_eq!(of("memory").finding.contains("locked,"), guards.locked() && cfg!(target_os = "linux"));
    }

    #[cfg(unix)]
    #[test]
    fn a_keeper_that_never_says_held_is_not_believed() {
        assert!(inhibit("false", "sleep").is_none());
        assert!(inhibit("no-such-program-here", "sleep").is_none());
        // `env` ignores nothing: it fails on the first option it does not know.
        assert!(inhibit("env", "sleep").is_none());
    }

    #[cfg(unix)]
    #[test]
    fn the_locked_size_is_read_from_the_status_text() {
        assert_eq!(kilobytes_locked("VmPeak:\t  1 kB\nVmLck:\t   16384 kB\n"), Some(16384));
        assert_eq!(kilobytes_locked("VmPeak: 1 kB\n"), None);
    }
}
