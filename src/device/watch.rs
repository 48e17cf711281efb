//! The watchdog: from what an interface says of itself to what is worth telling, once each.
//!
//! Some hosts stop calling without any error (a server that hangs, a card whose clock stopped): only the
//! time since the last callback shows it. Call [`Watchdog::look`] every 100 ms.

use super::{Health, HealthState};
use std::time::Duration;

/// Silence after which a running interface counts as stalled: looked at every 100 ms, a stall is known
/// within 0.5 s.
pub const STALL_AFTER: Duration = Duration::from_millis(400);

/// The same before the first callback: some servers take up to 2 s to start.
pub const START_WITHIN: Duration = Duration::from_millis(2500);

/// Whether this much silence is a stall.
pub fn stalled(callbacks: u64, silent_for: Duration) -> bool {
    silent_for > if callbacks == 0 { START_WITHIN } else { STALL_AFTER }
}

/// A change worth telling.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Change {
    /// Callbacks stopped without an error.
    Stalled {
        silent_for: Duration,
    },
    /// They came back.
    Running,
    Lost(String),
    Finished,
    /// So many more than at the last look.
    Xruns(u64),
    /// So many frames that nobody asked for since the last look.
    LostFrames(u64),
}

/// Remembers the last look.
#[derive(Clone, Debug)]
pub struct Watchdog {
    state: HealthState,
    xruns: u64,
    lost: u64,
}

impl Default for Watchdog {
    fn default() -> Watchdog {
        Watchdog { state: HealthState::Running, xruns: 0, lost: 0 }
    }
}

impl Watchdog {
    /// What changed since the last look, the state first.
    pub fn look(&mut self, health: &Health) -> Vec<Change> {
        let mut changes = Vec::new();
        if health.state != self.state {
            self.state = health.state.clone();
            changes.push(match &health.state {
                HealthState::Running => Change::Running,
                HealthState::Stalled => Change::Stalled { silent_for: health.silent_for },
                HealthState::Lost(why) => Change::Lost(why.clone()),
                HealthState::Finished => Change::Finished,
            });
        }
        if health.xruns > self.xruns {
            changes.push(Change::Xruns(health.xruns - self.xruns));
        }
        if health.lost > self.lost {
            changes.push(Change::LostFrames(health.lost - self.lost));
        }
        (self.xruns, self.lost) = (health.xruns, health.lost);
        changes
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn health(state: HealthState, xruns: u64, silent_ms: u64) -> Health {
        Health {
            callbacks: 1,
            frames: 64,
            xruns,
            silent_for: Duration::from_millis(silent_ms),
            state,
            lost: 0,
            behind: 0,
            input_slips: 0,
            input_refused: 0,
            priority: None,
            second: None,
        }
    }

    #[test]
    fn each_change_is_told_once() {
        let mut dog = Watchdog::default();
        assert_eq!(dog.look(&health(HealthState::Running, 0, 1)), []);
        let stall = Change::Stalled { silent_for: Duration::from_millis(420) };
        assert_eq!(dog.look(&health(HealthState::Stalled, 0, 420)), [stall]);
        assert_eq!(dog.look(&health(HealthState::Stalled, 0, 520)), []);
        assert_eq!(dog.look(&health(HealthState::Running, 2, 1)), [Change::Running, Change::Xruns(2)]);
        let gone = HealthState::Lost("the card was pulled".into());
        assert_eq!(dog.look(&health(gone, 2, 9)), [Change::Lost("the card was pulled".into())]);
    }

    #[test]
    fn a_slow_start_is_no_stall() {
        assert!(!stalled(0, Duration::from_secs(2)));
        assert!(stalled(0, Duration::from_secs(3)));
        assert!(!stalled(1, Duration::from_millis(399)));
        assert!(stalled(1, Duration::from_millis(401)));
    }
}
