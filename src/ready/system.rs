//! Disk, priority and processor.

use super::{Item, Root, ShowDevice};
use std::path::Path;

const MEGABYTE: u64 = 1_000_000;

/// Free space where the log and takes are written.
pub fn disk(folder: &Path) -> Item {
    match free_bytes(folder) {
        Ok(free) => judge_disk(free, folder),
        Err(why) => Item::unchecked(
            "disk",
            format!("could not be checked: {why}"),
            format!("see for yourself that {} has 2 GB free", folder.display()),
        ),
    }
}

fn judge_disk(free: u64, folder: &Path) -> Item {
    let finding = format!("{:.1} GB free in {}", free as f64 / 1e9, folder.display());
    // A log takes a few MB; a take of 24 channels of float at 48 kHz takes 276 MB a minute.
    let minutes = free / (24 * 4 * 48_000 * 60);
    match free / MEGABYTE {
        0..200 => Item::alarm("disk", finding, "delete what is not needed: the log needs some 50 MB"),
        200..2000 => Item::warn(
            "disk",
            format!("{finding}: {minutes} minutes of a 24-channel take"),
            "free 2 GB, or do not record tonight",
        ),
        _ => Item::ok("disk", finding),
    }
}

#[cfg(unix)]
fn free_bytes(folder: &Path) -> Result<u64, String> {
    let found = rustix::fs::statvfs(folder).map_err(|why| format!("{}: {why}", folder.display()))?;
    Ok(found.f_bavail * found.f_frsize)
}

#[cfg(not(unix))]
fn free_bytes(_folder: &Path) -> Result<u64, String> {
    Err("this system is not asked".into())
}

/// Tries on a thread of its own whether real-time priority is granted, and reads it back.
pub fn priority(device: Option<&ShowDevice>) -> Item {
    let (block, rate) = device.map_or((128, 48_000), |device| (device.block, device.rate.hertz()));
    match std::thread::spawn(move || promoted(block, rate)).join() {
        Ok(item) => item,
        Err(_) => Item::unchecked("priority", "could not be checked: the trial thread ended", "try again"),
    }
}

const MEND_PRIORITY: &str =
    "allow it: \"@audio - rtprio 95\" in /etc/security/limits.d, be in group audio, log in again";

#[cfg(any(target_os = "linux", target_os = "macos", target_os = "windows"))]
fn promoted(block: u32, rate: u32) -> Item {
    match audio_thread_priority::promote_current_thread_to_real_time(block, rate) {
        Err(why) => Item::alarm("priority", format!("real-time priority was refused ({why})"), MEND_PRIORITY),
        Ok(_) if cfg!(target_os = "linux") => read_back(),
        Ok(_) => Item::ok("priority", "real-time priority was granted (not read back on this system)"),
    }
}

#[cfg(not(any(target_os = "linux", target_os = "macos", target_os = "windows")))]
fn promoted(_block: u32, _rate: u32) -> Item {
    Item::unchecked("priority", "could not be asked for on this system", MEND_PRIORITY)
}

fn read_back() -> Item {
    let stat = std::fs::read_to_string("/proc/thread-self/stat").unwrap_or_default();
    match policy(&stat) {
        Some((policy @ (1 | 2), priority)) => {
            let name = if policy == 1 { "SCHED_FIFO" } else { "SCHED_RR" };
            Item::ok("priority", format!("real-time priority granted and read back: {name} {priority}"))
        }
        Some((policy, _)) => {
            Item::alarm("priority", format!("asked for, yet the policy reads {policy}"), MEND_PRIORITY)
        }
        None => Item::unchecked("priority", "granted, but could not be read back", MEND_PRIORITY),
    }
}

/// Policy and real-time priority. Source: proc_pid_stat(5), fields 41 and 40, counted from the name's end.
fn policy(stat: &str) -> Option<(u32, u32)> {
    let fields: Vec<&str> = stat.rsplit_once(')')?.1.split_whitespace().collect();
    Some((fields.get(41 - 3)?.parse().ok()?, fields.get(40 - 3)?.parse().ok()?))
}

/// The processor's governor. Source: Documentation/admin-guide/pm/cpufreq of the Linux kernel.
pub fn governor(root: &Root) -> Item {
    const NAME: &str = "processor";
    const CPUS: &str = "sys/devices/system/cpu";
    let mut found: Vec<String> = root
        .names(CPUS)
        .iter()
        .filter_map(|cpu| root.read(&format!("{CPUS}/{cpu}/cpufreq/scaling_governor")))
        .collect();
    found.sort();
    found.dedup();
    match found.as_slice() {
        [] => Item::unchecked(
            NAME,
            "could not be checked: this system tells of no governor",
            "choose the performance setting in the power settings, where there is one",
        ),
        [one] if one == "performance" => Item::ok(NAME, "governor performance on every core"),
        slower => Item::warn(
            NAME,
            format!("governor {}: the clock drops between blocks", slower.join(" and ")),
            "cpupower frequency-set -g performance   (as root, until the next start)",
        ),
    }
}

#[cfg(test)]
mod tests {
    use super::super::{State, fixture};
    use super::*;

    #[test]
    fn a_nearly_full_disk_is_an_alarm() {
        let state = |free| judge_disk(free, Path::new("shows")).state;
        assert_eq!(state(199 * MEGABYTE), State::Alarm);
        assert_eq!(state(1_999 * MEGABYTE), State::Warn);
        assert_eq!(state(2_000 * MEGABYTE), State::Ok);
        assert_eq!(disk(Path::new("/no/such/folder/here")).state, State::Unchecked);
    }

    #[test]
    fn the_policy_is_read_whatever_the_thread_s_name() {
        // The layout of proc_pid_stat(5), with a name that holds a bracket and spaces.
        let mut fields = vec!["0"; 50];
        (fields[40 - 3], fields[41 - 3]) = ("70", "1");
        assert_eq!(policy(&format!("12 (a) b ) {}", fields.join(" "))), Some((1, 70)));
        assert_eq!(policy("12 (short) S 1"), None);
    }

    #[test]
    fn a_governor_that_is_not_performance_is_named() {
        assert_eq!(governor(&fixture("charger_plugged_in")).state, State::Ok);
        let slow = governor(&fixture("on_battery_mouse_beside"));
        assert_eq!(slow.state, State::Warn);
        assert!(slow.finding.contains("performance and powersave"), "{}", slow.finding);
        assert_eq!(governor(&fixture("nothing_told")).state, State::Unchecked);
    }
}
