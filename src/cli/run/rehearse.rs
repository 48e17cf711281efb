//! A failure of the renderer, rehearsed at a moment that is known or pressed.

use crate::renderer::{Corruption, Fault, Renderer};
use std::time::Duration;

/// What fails, and when.
#[derive(Clone, Debug, PartialEq)]
pub struct Rehearsal {
    pub what: Failure,
    pub when: Moment,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Failure {
    Dies,
    Freezes,
    Repeats,
    Corrupt,
    Slow,
}

#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Moment {
    At(Duration),
    /// When Enter is pressed.
    Key,
}

const NAMES: [(&str, Failure); 5] = [
    ("renderer-dies", Failure::Dies),
    ("renderer-freezes", Failure::Freezes),
    ("renderer-repeats", Failure::Repeats),
    ("renderer-corrupt", Failure::Corrupt),
    ("renderer-slow", Failure::Slow),
];

impl std::str::FromStr for Rehearsal {
    type Err = String;

    fn from_str(text: &str) -> Result<Rehearsal, String> {
        let (what, when) = text.split_once('@').ok_or("write WHAT@SECONDS, such as renderer-dies@12.5")?;
        let failure = NAMES.iter().find(|(name, _)| *name == what).map(|(_, failure)| *failure);
        let names = || NAMES.map(|(name, _)| name).join(", ");
        let what = failure.ok_or_else(|| format!("`{what}` is not one of {}", names()))?;
        let when = if when == "key" { Moment::Key } else { Moment::At(super::seconds(when)?) };
        Ok(Rehearsal { what, when })
    }
}

impl Failure {
    pub fn name(self) -> &'static str {
        NAMES.iter().find(|(_, failure)| *failure == self).map_or("", |(name, _)| name)
    }

    /// Does it to a renderer.
    pub fn happen(self, renderer: &Renderer) {
        match self {
            Failure::Dies => renderer.kill(),
            Failure::Freezes => renderer.freeze(true),
            Failure::Repeats => renderer.set_fault(Fault::Repeat),
            Failure::Corrupt => renderer.corrupt(Corruption::NotANumber),
            Failure::Slow => renderer.slow(400),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_failure_and_its_moment_are_read() {
        let read = "renderer-dies@12.5".parse::<Rehearsal>();
        assert_eq!(
            read,
            Ok(Rehearsal { what: Failure::Dies, when: Moment::At(Duration::from_millis(12_500)) })
        );
        assert_eq!("renderer-slow@key".parse::<Rehearsal>().map(|r| r.when), Ok(Moment::Key));
        assert!("renderer-sings@3".parse::<Rehearsal>().is_err_and(|why| why.contains("renderer-dies")));
        assert!("renderer-dies".parse::<Rehearsal>().is_err());
    }
}
