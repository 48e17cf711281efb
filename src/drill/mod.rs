//! Rehearsed failures: each is played on simulated machines, between two real processes or over a cable, and judged from
//! the sound that came out.
//!
//! In: a show's set and the setups of one or two machines. Out: a verdict a failure. Thread: ordinary ones, as fast as
//! they can where nothing real takes part. Always: the listener counts, never the engine's own opinion; a failure has
//! one seed and plays the same each time on simulated machines.

pub mod align;
pub mod allowed;
pub mod bench;
pub mod cable;
pub mod failures;
pub mod hearing;
pub mod mishap;
pub mod pair;
pub mod processes;
mod streamed;
pub mod verdict;

pub use allowed::{Allowance, Limit, Place};
pub use bench::{Bench, Wiring, all};
pub use failures::Failure;
pub use mishap::Mishap;
pub use verdict::Verdict;
