//! An external click on an input (a pad, a laptop without timecode): heard, judged, tracked.
//!
//! In: the samples of one input, and where the grid's hits are due. Out: onsets with their places, a verdict for each
//! due hit, small corrections of phase and rate, and the start of the chosen song. Thread: the audio callback; every
//! type here is made on an ordinary thread and then neither allocates nor waits. Always: decisions are pure, fall on
//! frames and never on block edges; an onset that fits nothing moves nothing.
#![cfg_attr(
    not(test),
    deny(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::indexing_slicing)
)]

pub mod acquire;
pub mod beside;
pub mod judge;
pub mod line;
pub mod onset;
pub mod shapes;
pub mod tolerance;
pub mod track;

pub use acquire::{Acquire, Starts};
pub use beside::{Beside, BesideNow};
pub use judge::{DueHit, Judge, Judged, Verdict};
pub use line::{Line, LineKind, LineWindow};
pub use onset::{Onset, Onsets, Played, heard_late};
pub use shapes::{Seen, Shapes};
pub use tolerance::tolerance;
pub use track::{Retime, Tracker};
