//! Names of keys: "space", "f5", "shift+right", "a".

use crossterm::event::{KeyCode, KeyModifiers};
use std::fmt;

/// A key with its modifiers. A character carries its own shift, so letters are lower case and unshifted.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Key {
    code: KeyCode,
    modifiers: KeyModifiers,
}

const NAMED: &[(&str, KeyCode)] = &[
    ("space", KeyCode::Char(' ')),
    ("enter", KeyCode::Enter),
    ("esc", KeyCode::Esc),
    ("tab", KeyCode::Tab),
    ("backspace", KeyCode::Backspace),
    ("delete", KeyCode::Delete),
    ("insert", KeyCode::Insert),
    ("home", KeyCode::Home),
    ("end", KeyCode::End),
    ("page-up", KeyCode::PageUp),
    ("page-down", KeyCode::PageDown),
    ("up", KeyCode::Up),
    ("down", KeyCode::Down),
    ("left", KeyCode::Left),
    ("right", KeyCode::Right),
];

const MODIFIERS: &[(&str, KeyModifiers)] =
    &[("ctrl", KeyModifiers::CONTROL), ("alt", KeyModifiers::ALT), ("shift", KeyModifiers::SHIFT)];

impl Key {
    /// Brings what a terminal reports to one form.
    pub fn of(code: KeyCode, modifiers: KeyModifiers) -> Key {
        let modifiers = modifiers & (KeyModifiers::CONTROL | KeyModifiers::ALT | KeyModifiers::SHIFT);
        match code {
            KeyCode::Char(character) => {
                let lower = character.to_lowercase().next().unwrap_or(character);
                Key { code: KeyCode::Char(lower), modifiers: modifiers - KeyModifiers::SHIFT }
            }
            KeyCode::BackTab => Key { code: KeyCode::Tab, modifiers: modifiers | KeyModifiers::SHIFT },
            code => Key { code, modifiers },
        }
    }

    /// The digit, when it is a plain one.
    pub fn digit(self) -> Option<u8> {
        match self.code {
            KeyCode::Char(character) if self.modifiers.is_empty() => {
                character.to_digit(10).and_then(|digit| u8::try_from(digit).ok())
            }
            _ => None,
        }
    }
}

impl fmt::Display for Key {
    fn fmt(&self, f: &mut fmt::Formatter) -> fmt::Result {
        for (name, modifier) in MODIFIERS {
            if self.modifiers.contains(*modifier) {
                write!(f, "{}+", name.to_uppercase())?;
            }
        }
        match (NAMED.iter().find(|(_, code)| *code == self.code), self.code) {
            (Some((name, _)), _) => write!(f, "{}", name.to_uppercase()),
            (None, KeyCode::F(number)) => write!(f, "F{number}"),
            (None, KeyCode::Char(character)) => write!(f, "{}", shown(character)),
            (None, code) => write!(f, "{code:?}"),
        }
    }
}

/// Upper case, as on the key, where that is one character that means this key again.
fn shown(character: char) -> char {
    let mut upper = character.to_uppercase();
    match (upper.next(), upper.next()) {
        (Some(upper), None) if upper.to_lowercase().eq([character]) => upper,
        _ => character,
    }
}

/// Reads a key's name, in any case.
///
/// Errors: a sentence with the nearest name, or what can be written.
pub fn parse(text: &str) -> Result<Key, String> {
    let mut modifiers = KeyModifiers::NONE;
    let mut rest = text.trim();
    while let Some((word, after)) =
        rest.split_once('+').filter(|(word, after)| !word.is_empty() && !after.is_empty())
    {
        let known = MODIFIERS.iter().find(|(name, _)| name.eq_ignore_ascii_case(word.trim()));
        let Some((_, modifier)) = known else {
            return Err(format!("\"{word}\" is no modifier: ctrl, alt and shift are"));
        };
        modifiers |= *modifier;
        rest = after.trim();
    }
    let code = code(rest).ok_or_else(|| unknown(rest))?;
    check(Key { code, modifiers }, text)
}

fn code(name: &str) -> Option<KeyCode> {
    let lower = name.to_lowercase();
    // "page down" is page-down.
    let lower = lower.split_whitespace().collect::<Vec<_>>().join("-");
    if let Some((_, code)) = NAMED.iter().find(|(known, _)| *known == lower) {
        return Some(*code);
    }
    if let Some(number) = lower.strip_prefix('f').and_then(|number| number.parse::<u8>().ok()) {
        return (1..=24).contains(&number).then_some(KeyCode::F(number));
    }
    let mut characters = lower.chars();
    match (characters.next(), characters.next()) {
        (Some(character), None) if !character.is_control() && character != ' ' => {
            Some(KeyCode::Char(character))
        }
        _ => None,
    }
}

fn unknown(name: &str) -> String {
    let known = NAMED.iter().map(|(known, _)| *known);
    match nearest(name, known) {
        Some(near) => format!("no key is named \"{name}\"; did you mean \"{near}\"?"),
        None => {
            let names: Vec<&str> = NAMED.iter().map(|(known, _)| *known).collect();
            format!("no key is named \"{name}\"; a key is one character, f1 to f24, or {}", names.join(", "))
        }
    }
}

fn check(key: Key, text: &str) -> Result<Key, String> {
    let character = matches!(key.code, KeyCode::Char(character) if character != ' ');
    if character && key.modifiers.contains(KeyModifiers::SHIFT) {
        return Err(format!("\"{text}\": characters mean the same with shift, so write the character alone"));
    }
    if key.digit().is_some() {
        return Err(format!("\"{text}\": digits type numbers of songs, sections and clicks"));
    }
    Ok(Key::of(key.code, key.modifiers))
}

/// The known name nearest to a mistyped one, when it is near enough to be meant.
pub(super) fn nearest<'a>(name: &str, known: impl Iterator<Item = &'a str>) -> Option<&'a str> {
    let lower = name.to_lowercase();
    let scored = known.map(|candidate| (strsim::jaro_winkler(&lower, candidate), candidate));
    scored
        .filter(|(score, _)| *score > 0.75)
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .map(|(_, candidate)| candidate)
}
