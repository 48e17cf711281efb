//! What may be wrong with a show's sounds.

use super::{LONGEST_SECONDS, MOST_BYTES};
use crate::units::{Decibels, SampleRate};
use crate::wav::WavError;
use std::fmt;
use std::path::{Path, PathBuf};

#[derive(Debug)]
pub enum SoundFault {
    /// The file is not there or cannot be read.
    File(WavError),
    Silent {
        file: PathBuf,
        peak: Decibels,
    },
    /// Samples that are not numbers, or infinite.
    NotNumbers {
        file: PathBuf,
    },
    /// After silence before and behind was cut.
    TooLong {
        file: PathBuf,
        seconds: f64,
    },
    /// A made sound that cannot be: a pitch too high for the rate, a decay of more than two seconds.
    NotMade {
        sound: String,
        rate: SampleRate,
    },
    /// All sounds of the show together.
    TooMuch {
        bytes: usize,
    },
    TooMany {
        sounds: usize,
    },
}

impl SoundFault {
    /// The file it is about, so that a message can name where the show file says it.
    pub fn file(&self) -> Option<&Path> {
        match self {
            SoundFault::File(why) => Some(&why.file),
            SoundFault::Silent { file, .. }
            | SoundFault::NotNumbers { file }
            | SoundFault::TooLong { file, .. } => Some(file),
            _ => None,
        }
    }
}

impl fmt::Display for SoundFault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            SoundFault::File(why) => write!(f, "{why}"),
            SoundFault::Silent { file, peak } => {
                write!(f, "{} is silent (peak {:.0} dBFS)", file.display(), peak.0)?;
                write!(f, "\n  to mend it: record it again, or name another sound")
            }
            SoundFault::NotNumbers { file } => {
                write!(f, "{} holds samples that are no numbers", file.display())?;
                write!(f, "\n  to mend it: export it again")
            }
            SoundFault::TooLong { file, seconds } => {
                write!(
                    f,
                    "{} sounds for {seconds:.1} s; a sound lasts {LONGEST_SECONDS:.0} s at most",
                    file.display()
                )?;
                write!(f, "\n  to mend it: cut it shorter")
            }
            SoundFault::NotMade { sound, rate } => {
                write!(f, "the sound \"{sound}\" cannot be made at {} frames a second", rate.hertz())?;
                write!(
                    f,
                    "\n  to mend it: give a pitch below 0.45 of that and a decay above 0 and below 250 ms"
                )
            }
            SoundFault::TooMuch { bytes } => {
                let (have, most) = (*bytes as f64 / 1e6, MOST_BYTES as f64 / 1e6);
                write!(f, "all sounds together take {have:.1} MB; {most:.0} MB are kept ready")?;
                write!(f, "\n  to mend it: use fewer or shorter files")
            }
            SoundFault::TooMany { sounds } => {
                write!(f, "{sounds} sounds; 65,535 are possible\n  to mend it: use fewer")
            }
        }
    }
}

impl std::error::Error for SoundFault {}
