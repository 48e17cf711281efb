//! What may be wrong with a WAV file, in words with the mend.

use std::fmt;
use std::io;
use std::path::{Path, PathBuf};

/// A fault of one file.
#[derive(Debug)]
pub struct WavError {
    pub file: PathBuf,
    pub fault: WavFault,
}

#[derive(Debug)]
pub enum WavFault {
    /// It cannot be opened or read.
    Open(io::Error),
    /// It is not a WAV file that this program reads.
    Format(String),
    /// It ends before its header says.
    Truncated { frames: u64, stated: u64 },
    /// Longer than what is allowed here.
    TooLong { seconds: f64, allowed: f64 },
    /// It stands there already and nobody asked to replace it.
    Exists,
    /// Writing failed (a full disk, a folder that is not there).
    Write(io::Error),
    /// A plain WAV file ends at 4 GiB.
    TooLarge,
    /// Samples do not fit the format that was announced.
    Shape(String),
}

impl WavError {
    pub(crate) fn new(file: &Path, fault: WavFault) -> WavError {
        WavError { file: file.to_owned(), fault }
    }
}

impl fmt::Display for WavError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}: {}", self.file.display(), self.fault)
    }
}

impl fmt::Display for WavFault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            WavFault::Open(why) => write!(f, "cannot be read: {why}"),
            WavFault::Format(why) => {
                write!(f, "is not a WAV file that can be used: {why}")?;
                write!(f, "\n  to mend it: save it as WAV, 16 or 24 bit or 32-bit float")
            }
            WavFault::Truncated { frames, stated } => {
                write!(f, "ends after {frames} frames, its header says {stated}")?;
                write!(f, "\n  to mend it: copy or export it again")
            }
            WavFault::TooLong { seconds, allowed } => {
                write!(f, "lasts {seconds:.1} s, allowed are {allowed:.1} s")?;
                write!(f, "\n  to mend it: cut it shorter")
            }
            WavFault::Exists => {
                write!(f, "stands there already")?;
                write!(f, "\n  to mend it: choose another place, or ask to overwrite")
            }
            WavFault::Write(why) => {
                write!(f, "cannot be written: {why}")?;
                write!(f, "\n  to mend it: see that the folder exists and the disk has room")
            }
            WavFault::TooLarge => {
                write!(f, "would be longer than 4 GiB, where a plain WAV file ends")?;
                write!(f, "\n  to mend it: write fewer channels, or shorter pieces")
            }
            WavFault::Shape(why) => write!(f, "{why}"),
        }
    }
}

impl std::error::Error for WavError {}
