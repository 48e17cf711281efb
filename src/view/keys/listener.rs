//! From what a terminal reports to presses: releases dropped, held keys told apart where they can be.

use super::{Input, Key, Keymap};
use crossterm::event::{KeyEvent, KeyEventKind};
use std::collections::HashSet;

/// One key went down, or the terminal said so again because it is held.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Press {
    pub input: Input,
    /// Surely a repeat of a key held down.
    pub repeat: bool,
    /// This terminal reports releases, so that a press that is no repeat surely is a new one.
    pub certain: bool,
}

/// Follows which keys are down.
#[derive(Debug, Default)]
pub struct Listener {
    keys: Keymap,
    releases_seen: bool,
    down: HashSet<Key>,
}

impl Listener {
    pub fn new(keys: Keymap) -> Listener {
        Listener { keys, ..Listener::default() }
    }

    /// `None` for a release and for keys without a meaning.
    pub fn hear(&mut self, event: &KeyEvent) -> Option<Press> {
        let key = Key::of(event.code, event.modifiers);
        if event.kind == KeyEventKind::Release {
            self.releases_seen = true;
            self.down.remove(&key);
            return None;
        }
        let was_down = !self.down.insert(key);
        let repeat = event.kind == KeyEventKind::Repeat || (self.releases_seen && was_down);
        Some(Press { input: self.keys.find(key)?, repeat, certain: self.releases_seen })
    }

    /// The window lost the keyboard: releases may have gone elsewhere.
    pub fn forget(&mut self) {
        self.down.clear();
    }
}

#[cfg(test)]
mod tests {
    use super::super::Action;
    use super::*;
    use crossterm::event::{KeyCode, KeyModifiers};

    fn event(kind: KeyEventKind) -> KeyEvent {
        KeyEvent::new_with_kind(KeyCode::Char('S'), KeyModifiers::SHIFT, kind)
    }

    #[test]
    fn without_releases_nothing_is_certain() {
        let mut listener = Listener::default();
        let expected = Press { input: Input::Action(Action::Stop), repeat: false, certain: false };
        assert_eq!(listener.hear(&event(KeyEventKind::Press)), Some(expected));
        assert_eq!(listener.hear(&event(KeyEventKind::Press)), Some(expected));
    }

    #[test]
    fn with_releases_a_press_of_a_key_that_is_down_is_a_repeat() {
        let mut listener = Listener::default();
        listener.hear(&event(KeyEventKind::Press));
        assert_eq!(listener.hear(&event(KeyEventKind::Release)), None);
        let first = listener.hear(&event(KeyEventKind::Press)).expect("a press");
        let second = listener.hear(&event(KeyEventKind::Press)).expect("a press");
        assert!(first.certain && !first.repeat);
        assert!(second.certain && second.repeat);
        listener.forget();
        assert!(!listener.hear(&event(KeyEventKind::Press)).expect("a press").repeat);
    }
}
