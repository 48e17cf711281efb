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
    /// The terminal reports releases of this key, so that a press that is no repeat surely is a new one.
    pub certain: bool,
}

/// Follows which keys are down.
#[derive(Debug)]
pub struct Listener {
    keys: Keymap,
    /// Keys of which a release was seen. Some terminals report them for some keys only (the keyboard
    /// protocol that marks repeats leaves out enter, tab and backspace).
    released: HashSet<Key>,
    down: HashSet<Key>,
    /// Windows reports a held key as presses without a release between them.
    repeats_are_presses: bool,
}

impl Listener {
    pub fn new(keys: Keymap) -> Listener {
        let (released, down) = (HashSet::new(), HashSet::new());
        Listener { keys, released, down, repeats_are_presses: cfg!(windows) }
    }

    /// `None` for a release and for keys without a meaning.
    pub fn hear(&mut self, event: &KeyEvent) -> Option<Press> {
        let key = Key::of(event.code, event.modifiers);
        if event.kind == KeyEventKind::Release {
            self.released.insert(key);
            if !self.down.remove(&key) {
                // Its modifier went up first: what is still down is not known any more.
                self.down.clear();
            }
            return None;
        }
        let was_down = !self.down.insert(key);
        let repeat = event.kind == KeyEventKind::Repeat || (self.repeats_are_presses && was_down);
        Some(Press { input: self.keys.find(key)?, repeat, certain: self.released.contains(&key) })
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

    fn press(listener: &mut Listener, kind: KeyEventKind) -> Press {
        listener.hear(&event(kind)).expect("a press")
    }

    #[test]
    fn without_releases_nothing_is_certain() {
        let mut listener = Listener::new(Keymap::default());
        let expected = Press { input: Input::Action(Action::Stop), repeat: false, certain: false };
        assert_eq!(press(&mut listener, KeyEventKind::Press), expected);
        assert_eq!(press(&mut listener, KeyEventKind::Press), expected);
        assert!(press(&mut listener, KeyEventKind::Repeat).repeat);
    }

    #[test]
    fn a_key_is_certain_once_its_own_release_was_seen() {
        let mut listener = Listener::new(Keymap::default());
        press(&mut listener, KeyEventKind::Press);
        assert_eq!(listener.hear(&event(KeyEventKind::Release)), None);
        assert!(press(&mut listener, KeyEventKind::Press).certain);
        let enter = KeyEvent::new(KeyCode::Enter, KeyModifiers::NONE);
        for _ in 0..2 {
            let heard = listener.hear(&enter).expect("a press");
            assert!(!heard.certain && !heard.repeat);
        }
    }

    #[test]
    fn where_held_keys_come_as_presses_a_press_of_a_key_that_is_down_is_a_repeat() {
        let mut listener = Listener::new(Keymap::default());
        listener.repeats_are_presses = true;
        assert!(!press(&mut listener, KeyEventKind::Press).repeat);
        assert!(press(&mut listener, KeyEventKind::Press).repeat);
        listener.hear(&event(KeyEventKind::Release));
        assert!(!press(&mut listener, KeyEventKind::Press).repeat);
        listener.forget();
        assert!(!press(&mut listener, KeyEventKind::Press).repeat);
        listener.hear(&KeyEvent::new_with_kind(KeyCode::Up, KeyModifiers::NONE, KeyEventKind::Release));
        assert!(!press(&mut listener, KeyEventKind::Press).repeat, "an unknown release forgets what is down");
    }
}
