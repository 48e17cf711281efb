//! Units: places and lengths in frames, rates, levels. Place minus place is a length; place plus
//! place does not compile.

use num_rational::Ratio;
use serde::{Deserialize, Serialize};
use std::ops::{Add, AddAssign, Neg, Sub};

/// A fraction of a whole note: a crotchet is 1/4, a dotted crotchet 3/8. Exact.
pub type Whole = Ratio<i64>;

/// A place on the device's timeline, in frames; 0 is the first frame the engine was asked for.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct FramePos(pub i64);

/// A length in frames, which may be negative.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Frames(pub i64);

impl Add<Frames> for FramePos {
    type Output = FramePos;
    fn add(self, length: Frames) -> FramePos {
        FramePos(self.0.wrapping_add(length.0))
    }
}

impl Sub<Frames> for FramePos {
    type Output = FramePos;
    fn sub(self, length: Frames) -> FramePos {
        FramePos(self.0.wrapping_sub(length.0))
    }
}

impl Sub for FramePos {
    type Output = Frames;
    fn sub(self, other: FramePos) -> Frames {
        Frames(self.0.wrapping_sub(other.0))
    }
}

impl Add for Frames {
    type Output = Frames;
    fn add(self, other: Frames) -> Frames {
        Frames(self.0.wrapping_add(other.0))
    }
}

/// Fractional bits of [`Exact`] and [`Span`].
pub const FRACTION_BITS: u32 = 48;

/// A place in frames with 48 fractional bits: where an anchor ties music to the device, unrounded.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Exact(pub i128);

/// A length in frames with 48 fractional bits (error of one conversion: 2⁻⁴⁹ frame at most).
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Span(pub i128);

impl Exact {
    /// The place of a whole frame.
    pub const fn at(frame: FramePos) -> Exact {
        Exact((frame.0 as i128) << FRACTION_BITS)
    }

    /// The frame at this place. Rounding: to the nearest, halves up. Real-time: safe.
    pub const fn nearest(self) -> FramePos {
        FramePos(((self.0 + (1 << (FRACTION_BITS - 1))) >> FRACTION_BITS) as i64)
    }
}

impl Span {
    /// Whole frames as a length.
    pub const fn frames(frames: Frames) -> Span {
        Span((frames.0 as i128) << FRACTION_BITS)
    }

    /// `numerator / denominator` frames. Rounding: to the nearest 2⁻⁴⁸ frame. `denominator > 0`.
    pub const fn ratio(numerator: i128, denominator: i128) -> Span {
        let doubled = (numerator << (FRACTION_BITS + 1)).div_euclid(denominator);
        Span((doubled + 1) >> 1)
    }

    /// Rounding: to the nearest 2⁻⁴⁸ frame, as far as an f64 of that size carries it.
    pub fn from_f64(frames: f64) -> Span {
        let whole = frames.floor();
        let part = ((frames - whole) * (1u64 << FRACTION_BITS) as f64).round();
        Span(((whole as i128) << FRACTION_BITS) + part as i128)
    }

    /// Frames with their fraction, for screens and logs.
    pub fn as_f64(self) -> f64 {
        self.0 as f64 / (1u64 << FRACTION_BITS) as f64
    }

    /// The nearest whole number of frames, halves up. Real-time: safe.
    pub const fn nearest(self) -> Frames {
        Frames(Exact(self.0).nearest().0)
    }
}

impl Add<Span> for Exact {
    type Output = Exact;
    fn add(self, length: Span) -> Exact {
        Exact(self.0.wrapping_add(length.0))
    }
}

impl Sub<Span> for Exact {
    type Output = Exact;
    fn sub(self, length: Span) -> Exact {
        Exact(self.0.wrapping_sub(length.0))
    }
}

impl Sub for Exact {
    type Output = Span;
    fn sub(self, other: Exact) -> Span {
        Span(self.0.wrapping_sub(other.0))
    }
}

impl Add for Span {
    type Output = Span;
    fn add(self, other: Span) -> Span {
        Span(self.0.wrapping_add(other.0))
    }
}

impl AddAssign for Span {
    fn add_assign(&mut self, other: Span) {
        *self = *self + other;
    }
}

impl Sub for Span {
    type Output = Span;
    fn sub(self, other: Span) -> Span {
        Span(self.0.wrapping_sub(other.0))
    }
}

impl Neg for Span {
    type Output = Span;
    fn neg(self) -> Span {
        Span(-self.0)
    }
}

/// Frames a second, 8,000 to 384,000.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct SampleRate(u32);

impl SampleRate {
    /// Errors: `None` outside 8,000 to 384,000 frames a second.
    pub const fn new(hertz: u32) -> Option<SampleRate> {
        if hertz >= 8_000 && hertz <= 384_000 { Some(SampleRate(hertz)) } else { None }
    }

    /// 48,000 frames a second.
    pub const fn standard() -> SampleRate {
        SampleRate(48_000)
    }

    pub const fn hertz(self) -> u32 {
        self.0
    }

    /// The number of whole frames nearest to a time in seconds.
    pub fn frames(self, seconds: f64) -> Frames {
        Frames((seconds * f64::from(self.0)).round() as i64)
    }

    /// Frames of a time in nanoseconds. Rounding: to the nearest, halves up. Real-time: safe.
    pub const fn frames_of_ns(self, ns: i64) -> Frames {
        let doubled = ns as i128 * self.0 as i128 * 2 + 1_000_000_000;
        Frames(doubled.div_euclid(2_000_000_000) as i64)
    }

    /// Seconds of a number of frames, for files and screens.
    pub fn seconds(self, frames: Frames) -> f64 {
        frames.0 as f64 / f64::from(self.0)
    }
}

/// A level in decibels; minus infinity is silence.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Decibels(pub f64);

impl Decibels {
    pub const SILENT: Decibels = Decibels(f64::NEG_INFINITY);

    /// Source: `gain = 10^(dB / 20)`; minus infinity gives 0.
    pub fn gain(self) -> f32 {
        10f64.powf(self.0 / 20.0) as f32
    }

    /// The level of a gain; 0 gives minus infinity.
    pub fn of(gain: f32) -> Decibels {
        Decibels(20.0 * f64::from(gain.abs()).log10())
    }
}

impl Add for Decibels {
    type Output = Decibels;
    fn add(self, other: Decibels) -> Decibels {
        Decibels(self.0 + other.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn halves_round_up_on_both_sides_of_zero() {
        assert_eq!(Exact(Span::ratio(11025, 2).0).nearest(), FramePos(5513));
        assert_eq!(Exact(Span::ratio(-11025, 2).0).nearest(), FramePos(-5512));
    }

    #[test]
    fn a_ratio_is_within_half_a_unit() {
        let third = Span::ratio(1, 3).0;
        assert!((third * 3 - (1i128 << FRACTION_BITS)).abs() <= 2);
    }

    #[test]
    fn minus_six_decibels_is_about_a_half() {
        assert!((Decibels(-6.0206).gain() - 0.5).abs() < 1e-5);
        assert_eq!(Decibels::SILENT.gain(), 0.0);
    }
}
