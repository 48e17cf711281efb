//! Sample formats of devices to and from the engine's own, interleaved to and from planar. The only place
//! where either happens.
//!
//! Range: full scale is ±1; what lies outside is clipped on the way out. Rounding: to the nearest value.

use crate::realtime::io::Planar;

/// A device's sample.
///
/// The value of an n-bit sample is `code / 2^(n-1)`, an unsigned code is the signed one with its highest bit
/// inverted (common practice of WAV readers and audio systems, no source; cpal documents the same origins).
pub trait Format: Copy + Send + 'static {
    /// Real-time: safe.
    fn to_f32(self) -> f32;
    /// What is not a number becomes silence. Real-time: safe.
    fn of_f32(value: f32) -> Self;
}

impl Format for f32 {
    fn to_f32(self) -> f32 {
        self
    }

    fn of_f32(value: f32) -> f32 {
        // `clamp` lets NaN pass.
        if value.is_nan() { 0.0 } else { value.clamp(-1.0, 1.0) }
    }
}

impl Format for f64 {
    fn to_f32(self) -> f32 {
        self as f32
    }

    fn of_f32(value: f32) -> f64 {
        f64::from(f32::of_f32(value))
    }
}

/// Up to 16 bits an f32 carries exactly.
macro_rules! short {
    ($signed:ty, $unsigned:ty) => {
        impl Format for $signed {
            fn to_f32(self) -> f32 {
                f32::from(self) / -(<$signed>::MIN as f32)
            }

            fn of_f32(value: f32) -> $signed {
                // `as` clips at the ends of the range and makes NaN 0.
                (value * -(<$signed>::MIN as f32)).round() as $signed
            }
        }
        unsigned!($signed, $unsigned);
    };
}

/// Longer ones go through f64.
macro_rules! long {
    ($signed:ty, $unsigned:ty) => {
        impl Format for $signed {
            fn to_f32(self) -> f32 {
                (self as f64 / -(<$signed>::MIN as f64)) as f32
            }

            fn of_f32(value: f32) -> $signed {
                (f64::from(value) * -(<$signed>::MIN as f64)).round() as $signed
            }
        }
        unsigned!($signed, $unsigned);
    };
}

macro_rules! unsigned {
    ($signed:ty, $unsigned:ty) => {
        impl Format for $unsigned {
            fn to_f32(self) -> f32 {
                (self ^ <$signed>::MIN.cast_unsigned()).cast_signed().to_f32()
            }

            fn of_f32(value: f32) -> $unsigned {
                <$signed>::of_f32(value).cast_unsigned() ^ <$signed>::MIN.cast_unsigned()
            }
        }
    };
}

short!(i8, u8);
short!(i16, u16);
long!(i32, u32);
long!(i64, u64);

const HALF_24: i32 = 1 << 23;

/// The code of a 24-bit sample in the low bits of an i32; drivers differ in what they leave in the high
/// ones.
fn low_24(word: i32) -> i32 {
    (word << 8) >> 8
}

fn code_24(value: f32) -> i32 {
    ((f64::from(value) * f64::from(HALF_24)).round() as i32).clamp(-HALF_24, HALF_24 - 1)
}

#[cfg(feature = "cpal")]
impl Format for cpal::I24 {
    fn to_f32(self) -> f32 {
        low_24(self.inner()) as f32 / HALF_24 as f32
    }

    fn of_f32(value: f32) -> cpal::I24 {
        cpal::I24::new_unchecked(code_24(value))
    }
}

#[cfg(feature = "cpal")]
impl Format for cpal::U24 {
    fn to_f32(self) -> f32 {
        low_24(self.inner() ^ HALF_24) as f32 / HALF_24 as f32
    }

    fn of_f32(value: f32) -> cpal::U24 {
        cpal::U24::new_unchecked(code_24(value) + HALF_24)
    }
}

/// Fills `to`, whose frames have `channels` samples, with frames `0..` of `from`; channels that `from`
/// lacks are silence. Real-time: safe.
pub fn interleave<S: Format>(from: &Planar, to: &mut [S], channels: usize) {
    let frames = to.len() / channels.max(1);
    for channel in 0..channels {
        let samples = from.channel(channel, frames);
        let places = to.iter_mut().skip(channel).step_by(channels.max(1));
        if samples.is_empty() {
            places.for_each(|place| *place = S::of_f32(0.0));
        } else {
            places.zip(samples).for_each(|(place, sample)| *place = S::of_f32(*sample));
        }
    }
}

/// Writes the frames of `from`, which have `channels` samples, to `to` from its frame `at` on; channels
/// that `to` lacks are left out. Real-time: safe.
pub fn deinterleave<S: Format>(from: &[S], channels: usize, to: &mut Planar, at: usize) {
    let frames = from.len() / channels.max(1);
    for channel in 0..channels.min(to.channels()) {
        let places = to.channel_mut(channel, at + frames).iter_mut().skip(at);
        let samples = from.iter().skip(channel).step_by(channels.max(1));
        places.zip(samples).for_each(|(place, sample)| *place = sample.to_f32());
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Codes worked by hand: `code / 2^(n-1)`.
    #[test]
    fn codes_mean_what_their_bits_say() {
        assert_eq!([i8::MIN, -64, 0, 64].map(Format::to_f32), [-1.0, -0.5, 0.0, 0.5]);
        assert_eq!([u8::MIN, 64, 128, 192].map(Format::to_f32), [-1.0, -0.5, 0.0, 0.5]);
        assert_eq!([i16::MIN, -1, 0, 16384].map(Format::to_f32), [-1.0, -1.0 / 32768.0, 0.0, 0.5]);
        assert_eq!([u16::MIN, 32767, 32768, 49152].map(Format::to_f32), [-1.0, -1.0 / 32768.0, 0.0, 0.5]);
        assert_eq!([i32::MIN, -(1 << 30), 0, 1 << 30].map(Format::to_f32), [-1.0, -0.5, 0.0, 0.5]);
        assert_eq!([0u32, 1 << 30, 1 << 31, 3 << 30].map(Format::to_f32), [-1.0, -0.5, 0.0, 0.5]);
        assert_eq!([i64::MIN, -(1 << 62), 0, 1 << 62].map(Format::to_f32), [-1.0, -0.5, 0.0, 0.5]);
        assert_eq!([0u64, 1 << 62, 1 << 63, 3 << 62].map(Format::to_f32), [-1.0, -0.5, 0.0, 0.5]);
        assert_eq!([-1.0f64, 0.25].map(Format::to_f32), [-1.0, 0.25]);
    }

    #[test]
    fn samples_round_to_the_nearest_code_and_clip_at_the_ends() {
        let all = [-2.0, -1.0, -0.5, 0.0, 0.4 / 32768.0, 0.6 / 32768.0, 0.5, 1.0, f32::INFINITY];
        assert_eq!(all.map(i16::of_f32), [-32768, -32768, -16384, 0, 0, 1, 16384, 32767, 32767]);
        assert_eq!(all.map(u16::of_f32), [0, 0, 16384, 32768, 32768, 32769, 49152, 65535, 65535]);
        assert_eq!([-2.0, 0.5, 2.0].map(i8::of_f32), [-128, 64, 127]);
        assert_eq!([-2.0, 0.5, 2.0].map(u8::of_f32), [0, 192, 255]);
        assert_eq!([-2.0, 0.5, 2.0].map(i32::of_f32), [i32::MIN, 1 << 30, i32::MAX]);
        assert_eq!([-2.0, 0.5, 2.0].map(u32::of_f32), [0, 3 << 30, u32::MAX]);
        assert_eq!([-2.0, 0.5, 2.0].map(i64::of_f32), [i64::MIN, 1 << 62, i64::MAX]);
        assert_eq!([-2.0, 0.5, 2.0].map(u64::of_f32), [0, 3 << 62, u64::MAX]);
        assert_eq!([-2.0, 0.5, 2.0].map(f32::of_f32), [-1.0, 0.5, 1.0]);
        assert_eq!([-2.0, 0.5, 2.0].map(f64::of_f32), [-1.0, 0.5, 1.0]);
    }

    #[test]
    fn what_is_not_a_number_leaves_as_silence() {
        assert_eq!((i16::of_f32(f32::NAN), u16::of_f32(f32::NAN)), (0, 32768));
        assert_eq!((i8::of_f32(f32::NAN), u8::of_f32(f32::NAN)), (0, 128));
        assert_eq!((i32::of_f32(f32::NAN), u32::of_f32(f32::NAN)), (0, 1 << 31));
        assert_eq!((i64::of_f32(f32::NAN), u64::of_f32(f32::NAN)), (0, 1 << 63));
        assert_eq!((f32::of_f32(f32::NAN), f64::of_f32(f32::NAN)), (0.0, 0.0));
    }

    #[cfg(feature = "cpal")]
    #[test]
    fn three_bytes_in_four_are_read_whatever_the_fourth_holds() {
        use cpal::{I24, U24};
        let signed = [-0x80_0000, 0x80_0000, 0xC0_0000, -1, 0x40_0000].map(I24::new_unchecked);
        let half_code = -1.0 / 8_388_608.0;
        assert_eq!(signed.map(Format::to_f32), [-1.0, -1.0, -0.5, half_code, 0.5]);
        let unsigned = [0, 0x40_0000, 0x80_0000, 0xC0_0000].map(U24::new_unchecked);
        assert_eq!(unsigned.map(Format::to_f32), [-1.0, -0.5, 0.0, 0.5]);
        let values = [-2.0, -0.5, 0.0, 0.5, 2.0, f32::NAN];
        let codes = values.map(|value| I24::of_f32(value).inner());
        assert_eq!(codes, [-0x80_0000, -0x40_0000, 0, 0x40_0000, 0x7F_FFFF, 0]);
        let codes = values.map(|value| U24::of_f32(value).inner());
        assert_eq!(codes, [0, 0x40_0000, 0x80_0000, 0xC0_0000, 0xFF_FFFF, 0x80_0000]);
    }

    fn there_and_back<S: Format>() {
        let mut planar = Planar::new(2, 8);
        planar.channel_mut(0, 8).copy_from_slice(&[-1.0, -0.75, -0.5, -0.25, 0.0, 0.25, 0.5, 0.75]);
        planar.channel_mut(1, 8).copy_from_slice(&[0.5, 0.0, -0.5, 0.0, 0.5, 0.0, -0.5, 0.0]);
        let mut samples = [S::of_f32(1.0); 24];
        interleave(&planar, &mut samples, 3);
        assert!(samples.iter().skip(2).step_by(3).all(|sample| sample.to_f32() == 0.0));
        assert_eq!((samples[0].to_f32(), samples[1].to_f32(), samples[21].to_f32()), (-1.0, 0.5, 0.75));
        let mut back = Planar::new(2, 10);
        deinterleave(&samples, 3, &mut back, 2);
        for channel in 0..2 {
            assert_eq!(back.channel(channel, 10)[2..], planar.channel(channel, 8)[..]);
            assert_eq!(back.channel(channel, 10)[..2], [0.0, 0.0]);
        }
    }

    #[test]
    fn every_format_is_there_and_back_the_same_in_order() {
        there_and_back::<i8>();
        there_and_back::<u8>();
        there_and_back::<i16>();
        there_and_back::<u16>();
        there_and_back::<i32>();
        there_and_back::<u32>();
        there_and_back::<i64>();
        there_and_back::<u64>();
        there_and_back::<f32>();
        there_and_back::<f64>();
        #[cfg(feature = "cpal")]
        {
            there_and_back::<cpal::I24>();
            there_and_back::<cpal::U24>();
        }
    }
}
