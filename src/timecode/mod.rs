//! Linear timecode (SMPTE 12M-1): written, read, and chased by a backup machine.
//!
//! In: where the music is (main), or the samples of an input (backup). Out: the samples of an output of its own,
//! or words, their exact places and what they say. Thread: the audio callback runs both directions; every type
//! here is made on an ordinary thread and then neither allocates nor waits. Always: decisions are pure and take
//! time as an argument; a damaged word moves nothing.
#![cfg_attr(
    not(test),
    deny(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::indexing_slicing)
)]

pub mod address;
pub mod agree;
pub mod chase;
pub mod clock;
pub mod decode;
pub mod encode;
pub mod gate;
pub mod line;
pub mod pages;
pub mod rate;
pub mod witness;
pub mod word;

pub use address::Address;
pub use agree::Agreeing;
pub use decode::{Decoder, Heard, LineReading};
pub use encode::Encoder;
pub use rate::FrameRate;
pub use word::{HeardWord, Word};
