//! The set as WAV files: each song's clicks and feeds, files for a pad, loops, and a table of every hit.
//!
//! In: a checked show and a [`Wish`]. Out: whole files, and what was written in words. Thread: ordinary ones,
//! one per processor. Always: hits come from the engine's own kernel (feeds from the engine itself); all names
//! are looked at before the first byte is written; no half-written file stands under a final name.

mod events;
mod export;
mod feeds;
mod loops;
mod make;
mod names;
mod pads;
mod plan;
mod text_file;
mod timeline;
mod write;

pub use export::{Report, Written, export};
pub use loops::{LoopLength, loop_length};
pub use names::slug;
pub use plan::{Kind, PadSet, Plan, StemFault, Target, Wish, plan, song_numbers};
pub use timeline::{Pass, Timeline};
