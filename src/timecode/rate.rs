//! How many timecode frames pass in a second, and how they are counted.

use crate::units::{FRACTION_BITS, SampleRate, Span};
use serde::{Deserialize, Serialize};

/// A frame rate of the standard.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub enum FrameRate {
    /// 24 × 1000/1001, counted as 24. Read; written in tests only.
    #[serde(rename = "23.976")]
    Film1001,
    #[serde(rename = "24")]
    Film,
    #[default]
    #[serde(rename = "25")]
    Tv25,
    /// 30 × 1000/1001, counted as 30: its clock runs 3.6 s an hour slow.
    #[serde(rename = "29.97")]
    Ntsc,
    /// 30 × 1000/1001 with dropped numbers: 3.6 ms an hour off the clock.
    #[serde(rename = "29.97 drop")]
    NtscDrop,
    #[serde(rename = "30")]
    Tv30,
}

impl FrameRate {
    pub const ALL: [FrameRate; 6] = [
        FrameRate::Film1001,
        FrameRate::Film,
        FrameRate::Tv25,
        FrameRate::Ntsc,
        FrameRate::NtscDrop,
        FrameRate::Tv30,
    ];

    /// Frame numbers of one counted second.
    pub const fn counted(self) -> u32 {
        match self {
            FrameRate::Film1001 | FrameRate::Film => 24,
            FrameRate::Tv25 => 25,
            FrameRate::Ntsc | FrameRate::NtscDrop | FrameRate::Tv30 => 30,
        }
    }

    /// Frames a second as a fraction.
    pub const fn exact(self) -> (u32, u32) {
        match self {
            FrameRate::Film1001 => (24_000, 1001),
            FrameRate::Ntsc | FrameRate::NtscDrop => (30_000, 1001),
            other => (other.counted(), 1),
        }
    }

    pub const fn drops(self) -> bool {
        matches!(self, FrameRate::NtscDrop)
    }

    /// Samples from the start of word 0 to the start of word `word` (which may be negative), always from word 0:
    /// nothing adds up. Rounding: to 2⁻⁴⁸ sample. Real-time: safe.
    pub const fn samples(self, word: i64, rate: SampleRate) -> Span {
        let (over, under) = self.exact();
        Span::ratio(word as i128 * rate.hertz() as i128 * under as i128, over as i128)
    }

    /// The last word that starts at a place or before it. Real-time: safe.
    pub const fn word_before(self, place: Span, rate: SampleRate) -> i64 {
        let (over, under) = self.exact();
        let guess = (place.0 * over as i128)
            .div_euclid((rate.hertz() as i128 * under as i128) << FRACTION_BITS) as i64;
        // The words' starts are rounded.
        if self.samples(guess + 1, rate).0 <= place.0 {
            guess + 1
        } else if self.samples(guess, rate).0 > place.0 {
            guess - 1
        } else {
            guess
        }
    }

    /// The word that starts nearest to a place. Real-time: safe.
    pub const fn word_near(self, place: Span, rate: SampleRate) -> i64 {
        let half = Span(self.samples(1, rate).0 / 2);
        self.word_before(Span(place.0 + half.0), rate)
    }
}
