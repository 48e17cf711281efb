//! One timecode word: 80 bits, as they lie on the wire.

use crate::units::Exact;

/// What a word says.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub struct Word {
    pub hours: u8,
    pub minutes: u8,
    pub seconds: u8,
    pub frames: u8,
    pub drop: bool,
    /// The eight user groups: group 1 (bits 4–7) in the lowest nibble.
    pub user: u32,
}

/// A word as it arrived.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct HeardWord {
    pub word: Word,
    /// Place of the word's first edge on this machine's timeline, fitted over all of its edges.
    pub start: Exact,
    /// Place just after its last edge: what is known only then.
    pub end: Exact,
    /// Samples of a bit cell, fitted.
    pub cell: f64,
    /// Root mean square of its edges about the fit, in samples.
    pub scatter: f64,
}
