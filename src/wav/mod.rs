//! WAV files, read and written.
//!
//! In: paths, blocks of planar samples. Out: files that are whole or absent, and samples. Thread: ordinary
//! ones only. Always: no size in a header is believed before it is held against the file's real length, and
//! no half-written file stands under a final name.

mod error;

mod format;

mod header;

mod read;

mod resample;

mod chunks;

mod convert;

mod body;

mod standing;

mod write;

pub use chunks::{Bext, Cue};
pub use error::{WavError, WavFault};
pub use format::{Encoding, Format, Options};
pub use read::{Audio, Reader, read, read_up_to};
pub use resample::{Resampler, resample};
pub use standing::standing;
pub use write::{LiveWriter, Writer};
