//! How samples are stored, and what a file is to be.

use super::{Bext, WavFault};
use crate::units::SampleRate;

/// Most channels of one file.
const MOST_CHANNELS: u16 = 64;

#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Encoding {
    /// With triangular dither.
    Pcm16,
    Pcm24,
    Float32,
}

impl Encoding {
    /// Bytes of one sample.
    pub const fn bytes(self) -> usize {
        match self {
            Encoding::Pcm16 => 2,
            Encoding::Pcm24 => 3,
            Encoding::Float32 => 4,
        }
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Format {
    pub rate: SampleRate,
    /// 1 to 64.
    pub channels: u16,
    pub encoding: Encoding,
}

impl Format {
    pub(super) const fn frame_bytes(self) -> usize {
        self.encoding.bytes() * self.channels as usize
    }

    pub(super) fn check(self) -> Result<(), WavFault> {
        if (1..=MOST_CHANNELS).contains(&self.channels) {
            return Ok(());
        }
        Err(WavFault::Shape(format!("{} channels; 1 to {MOST_CHANNELS} are possible", self.channels)))
    }
}

/// Nothing asked for: a plain file of samples, no other chunk, nothing overwritten.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Options {
    pub bext: Option<Bext>,
    /// Replaces a file that stands there already.
    pub overwrite: bool,
    /// Waits until the disk has it, so that it survives a power cut.
    pub sync: bool,
    /// Leaves room in front, so that the file may grow past 4 GiB (RF64).
    pub long: bool,
    pub dither_seed: u64,
}
