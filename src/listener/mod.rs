//! Judges what left the outputs against what was due, and shares no code with the engine.
//!
//! In: dues (which hit, where, how loud, on which output channel) and recorded samples. Out: a
//! [`Verdict`]. Thread: an ordinary one, beside the show or after it. Always: its own matched filter, its
//! own frame arithmetic; memory holds a few seconds, whatever the show's length.
//!
//! How it decides: every due hit near a place is fitted at once (least squares over the sounds as they
//! should be), so that overlapping hits of a folded outlet do not spoil each other. Where the fit leaves
//! too much, other explanations are tried: the hit has moved, is cut off, or there is one hit too many.
//! What is explained is taken out, and the remainder is searched for hits that nobody asked for.

pub mod clips;

pub mod correlate;

pub mod due;

pub mod ear;

pub mod explain;

pub mod fit;

pub mod judge;

pub mod plan;

pub mod template;

pub mod verdict;

pub use clips::WavClips;
pub use due::{Due, Shape};
pub use judge::{Listener, judge};
pub use plan::{Clips, Expect, NoClips, Plan};
pub use template::Template;
pub use verdict::{Finding, Outcome, Verdict};
