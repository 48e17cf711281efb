//! Rehearsed failures: each is played on simulated machines, and judged from the sound that came out.
//!
//! In: a show's set and the setups of one or two machines. Out: a verdict a failure. Thread: ordinary ones, as fast as
//! they can. Always: the listener counts, never the engine's own opinion; a failure has one seed and plays the same
//! each time.

pub mod failures;
pub mod pair;
pub mod verdict;

pub use failures::{Bench, Failure, Wiring, all};
pub use verdict::{Allowance, Verdict};
