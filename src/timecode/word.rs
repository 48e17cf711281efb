//! One timecode word: 80 bits, as they lie on the wire.

use super::rate::FrameRate;
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

/// Bits of a word.
pub const BITS: u32 = 80;

/// The sync word: the last 16 bits, in the order in which they are sent, bit 64 lowest.
pub const SYNC: u16 = 0xbffc;

/// First bit and width of units and tens of frames, seconds, minutes, hours.
const DIGITS: [(u32, u32); 8] = [(0, 4), (8, 2), (16, 4), (24, 3), (32, 4), (40, 3), (48, 4), (56, 2)];

impl Word {
    /// The 80 bits, bit 0 lowest. The polarity bit (59 at 25, else 27) makes the number of zeros even, so that each
    /// word begins with the same edge; user bits are of no stated character set (binary group flags 0).
    ///
    /// Source: SMPTE 12M-1, linear codeword. Real-time: safe.
    pub const fn bits(&self, rate: FrameRate) -> u128 {
        let digits = [
            self.frames % 10,
            self.frames / 10,
            self.seconds % 10,
            self.seconds / 10,
            self.minutes % 10,
            self.minutes / 10,
            self.hours % 10,
            self.hours / 10,
        ];
        let mut bits = (SYNC as u128) << 64;
        let mut group = 0;
        #[allow(clippy::indexing_slicing, reason = "arrays of 8, indexed below 8")]
        while group < 8 {
            bits |= (digits[group] as u128) << DIGITS[group].0;
            bits |= ((self.user >> (4 * group) & 0xf) as u128) << (8 * group + 4);
            group += 1;
        }
        bits |= (self.drop as u128) << 10;
        let polarity = if rate.counted() == 25 { 59 } else { 27 };
        bits | ((bits.count_ones() as u128 & 1) << polarity)
    }

    /// What 80 bits say; `None` for digits that no address has or another sync word. Real-time: safe.
    pub fn of_bits(bits: u128) -> Option<Word> {
        let field = |(from, width): (u32, u32)| ((bits >> from) & ((1 << width) - 1)) as u8;
        let [f0, f1, s0, s1, m0, m1, h0, h1] = DIGITS.map(field);
        let digits = f0 < 10 && s0 < 10 && s1 < 6 && m0 < 10 && m1 < 6 && h0 < 10 && 10 * h1 + h0 < 24;
        let user =
            (0..8).fold(0, |user, group| user | ((bits >> (8 * group + 4) & 0xf) as u32) << (4 * group));
        let frames = 10 * f1 + f0;
        ((bits >> 64) as u16 == SYNC && digits && frames < 30).then_some(Word {
            hours: 10 * h1 + h0,
            minutes: 10 * m1 + m0,
            seconds: 10 * s1 + s0,
            frames,
            drop: bits >> 10 & 1 == 1,
            user,
        })
    }
}
