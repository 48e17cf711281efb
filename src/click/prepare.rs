//! Everything of a night made ready before "next up" is shown.

use super::build::{SoundIndex, build};
use super::set::{Set, Sound};
use super::sounds::{self, SoundBank, SoundFault};
use crate::show::model::Show;
use crate::units::SampleRate;
use std::path::Path;

/// A set ready to be played, and what was done to get it there ("bell.wav speaks 11 ms late: moved").
#[derive(Debug)]
pub struct Prepared {
    pub set: Set,
    pub notes: Vec<String>,
}

/// Sounds made and loaded, grids laid out. Streams are planned by [`crate::renderer::plan_streams`].
///
/// Errors: every sound that cannot be used, with its mend.
pub fn prepare(show: &Show, rate: SampleRate) -> Result<Prepared, Vec<SoundFault>> {
    let bank = sounds::build(show, rate)?;
    let set = build(show, rate, &bank);
    Ok(Prepared { set, notes: bank.notes })
}

impl SoundIndex for SoundBank {
    fn sounds(&self) -> Vec<Sound> {
        self.sounds.clone()
    }

    fn kinds(&self, def: usize) -> [u16; 4] {
        self.by_def.get(def).copied().unwrap_or_default()
    }

    fn voice(&self, file: &Path) -> Option<u16> {
        self.voices.get(file).copied()
    }

    fn content(&self, sound: u16) -> u64 {
        self.contents.get(usize::from(sound)).copied().unwrap_or(0)
    }
}
