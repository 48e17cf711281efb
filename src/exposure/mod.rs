//! How loud it is in the ears, as far as that can be known, and what the rules say to it.
//!
//! In: samples of a feed, or of the finished ear mix where it comes back on an input, and a calibration from the rig
//! file. Out: A-weighted levels, doses by NIOSH 98-126, OSHA 1910.95, EU 2003/10/EC and ITU-T H.870, and sentences.
//! Thread: ordinary ones; nothing here runs in the audio callback, and no clock is read. Always: a figure names its
//! uncertainty, is called *at least* where the mixer adds what is not seen, and stands beside the caution.

pub mod weighting;

pub mod rules;

pub mod calibration;

pub mod meter;

pub mod figures;

pub mod words;

pub mod ears;

pub mod loudness;

pub use calibration::{Calibration, Way};
pub use ears::{Ears, foremost};
pub use figures::{Calibrated, Figures, Left, Source};
pub use loudness::Loudness;
pub use meter::Meter;
pub use rules::{Dose, Rule};
pub use weighting::AWeighting;
pub use words::CAUTION;
