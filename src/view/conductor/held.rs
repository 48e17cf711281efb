//! Telling a press from a key that is held: a set list lying on the keys must do nothing.

use crate::view::keys::{Action, Input, Press};
use std::collections::HashMap;
use std::time::Duration;

/// Identical keys nearer than this are one press where something could be lost by two. Terminals repeat a
/// held key every 25 to 100 ms (common practice, no source).
pub const GUARD: Duration = Duration::from_millis(150);

/// For all other keys: less than a hand needs to press twice, more than a switch bounces.
pub const BOUNCE: Duration = Duration::from_millis(60);

/// Longest usual delay before a held key repeats: X.Org's start value is 660 ms (from memory), others less.
pub const FIRST_REPEAT: Duration = Duration::from_millis(700);

/// When each key was last seen, accepted or not.
#[derive(Debug, Default)]
pub struct Held {
    seen: HashMap<Input, Duration>,
}

impl Held {
    /// True for a press that may be the terminal repeating a held key.
    pub fn is_repeat(&mut self, now: Duration, press: Press) -> bool {
        let last = self.seen.insert(press.input, now);
        press.repeat || last.is_some_and(|last| now.saturating_sub(last) < gap(press))
    }
}

fn gap(press: Press) -> Duration {
    match press.input {
        Input::Action(Action::OneIsNow) if !press.certain => FIRST_REPEAT,
        Input::Action(
            Action::Up
            | Action::Down
            | Action::Earlier
            | Action::Later
            | Action::Faster
            | Action::Slower
            | Action::FasterPercent
            | Action::SlowerPercent
            | Action::Help
            | Action::Cancel
            | Action::Acknowledge,
        ) => BOUNCE,
        Input::Digit(_) => BOUNCE,
        Input::Action(_) => GUARD,
    }
}
