//! Real-time priority of the audio thread: asked for on its first callback, read back on the control side.

use super::pulse::{Promotion, Pulse};

/// Asks the system to run the calling thread before others, and leaves its id in `pulse`.
///
/// For the first callback only: it makes system calls and may allocate. Real-time: after this, never again.
pub fn promote_this_thread(pulse: &Pulse, block: u32, rate: u32) {
    let granted = promote(block, rate);
    pulse.thread(this_thread(), Some(granted));
}

/// The same for a thread beside the one that drives, such as that of an input; says whether it was granted.
pub fn promote(block: u32, rate: u32) -> bool {
    match audio_thread_priority::promote_current_thread_to_real_time(block, rate) {
        Ok(handle) => {
            // Dropping it may undo the promotion on some systems; the thread keeps it to its end.
            let _kept = std::mem::ManuallyDrop::new(handle);
            true
        }
        Err(_) => false,
    }
}

/// Leaves the calling thread's id in `pulse`, for a host that chooses the priority itself.
pub fn note_this_thread(pulse: &Pulse) {
    pulse.thread(this_thread(), None);
}

#[cfg(target_os = "linux")]
fn this_thread() -> u32 {
    rustix::thread::gettid().as_raw_nonzero().get().unsigned_abs()
}

#[cfg(not(target_os = "linux"))]
fn this_thread() -> u32 {
    1
}

/// The policy of a thread in words: "SCHED_FIFO 70", or "SCHED_OTHER (real time was refused)".
///
/// Source: fields 40 (rt_priority) and 41 (policy) of /proc/PID/task/TID/stat, proc_pid_stat(5).
#[cfg(target_os = "linux")]
pub(super) fn read_back(thread: u32, promotion: Promotion) -> Option<String> {
    let stat = std::fs::read_to_string(format!("/proc/self/task/{thread}/stat")).ok()?;
    in_words(&stat, promotion)
}

#[cfg(not(target_os = "linux"))]
pub(super) fn read_back(_thread: u32, promotion: Promotion) -> Option<String> {
    Some(match promotion {
        Promotion::Granted => "real time, as the system said when asked (it cannot be read back here)".into(),
        Promotion::Refused => "ordinary (real time was refused)".into(),
        Promotion::NotTried => return None,
    })
}

/// Fields are counted behind the last ")", because a thread's name may hold spaces.
#[cfg(target_os = "linux")]
fn in_words(stat: &str, promotion: Promotion) -> Option<String> {
    let (_, rest) = stat.rsplit_once(')')?;
    // The first field behind the name is field 3.
    let mut fields = rest.split_whitespace().skip(40 - 3);
    let priority: u32 = fields.next()?.parse().ok()?;
    let policy: u32 = fields.next()?.parse().ok()?;
    let refused = if promotion == Promotion::Refused { " (real time was refused)" } else { "" };
    Some(match policy {
        0 => format!("SCHED_OTHER{refused}"),
        1 => format!("SCHED_FIFO {priority}"),
        2 => format!("SCHED_RR {priority}"),
        other => format!("policy {other}, priority {priority}{refused}"),
    })
}

#[cfg(all(test, target_os = "linux"))]
mod tests {
    use super::*;

    /// Shape of a line: proc_pid_stat(5); 39 fields to the processor, then rt_priority and policy.
    fn line(priority: &str, policy: &str) -> String {
        let between = vec!["0"; 36].join(" ");
        format!("17 (an audio) thread) S {between} {priority} {policy} 0 0")
    }

    #[test]
    fn the_policy_is_read_behind_the_name() {
        assert_eq!(in_words(&line("70", "1"), Promotion::Granted).as_deref(), Some("SCHED_FIFO 70"));
        let refused = in_words(&line("0", "0"), Promotion::Refused);
        assert_eq!(refused.as_deref(), Some("SCHED_OTHER (real time was refused)"));
        assert_eq!(in_words("17 (short) S 1 2", Promotion::NotTried), None);
    }

    #[test]
    fn a_promoted_thread_reads_back_what_it_was_given() {
        let pulse = Pulse::default();
        promote_this_thread(&pulse, 64, 48_000);
        pulse.beat(64);
        let words = pulse.health(super::super::HealthState::Running).priority.expect("Linux tells");
        assert!(words.starts_with("SCHED_FIFO") || words.contains("refused"), "{words}");
    }
}
