//! Samples to bytes, whole blocks at a time.

use super::Encoding;

/// Full scale of 24 bits: −1 is the lowest value, +1 is held to the highest.
const SCALE_24: f32 = 8_388_608.0;
const SCALE_16: f32 = 32_768.0;

/// Appends samples as bytes. Range: what lies beyond full scale is held there; not a number is silence.
/// Rounding: to the nearest; 16 bits with triangular dither of ±1 step, which leaves exact silence silent.
pub(super) fn append(samples: &[f32], encoding: Encoding, dither: &mut Dither, bytes: &mut Vec<u8>) {
    match encoding {
        Encoding::Pcm16 => bytes.extend(samples.iter().flat_map(|x| dither.dithered(*x).to_le_bytes())),
        Encoding::Pcm24 => append_24(samples, bytes),
        Encoding::Float32 => append_float(samples, bytes),
    }
}

fn append_24(samples: &[f32], bytes: &mut Vec<u8>) {
    let start = bytes.len();
    bytes.resize(start + 3 * samples.len(), 0);
    let (fours, rest) = samples.as_chunks::<4>();
    let (twelves, last) = bytes[start..].as_chunks_mut::<12>();
    for (four, twelve) in fours.iter().zip(twelves.iter_mut()) {
        let [a, b, c, d] = four.map(|x| to_24_bits(x) as u32 & 0xff_ffff);
        twelve[..4].copy_from_slice(&(a | b << 24).to_le_bytes());
        twelve[4..8].copy_from_slice(&(b >> 8 | c << 16).to_le_bytes());
        twelve[8..].copy_from_slice(&(c >> 16 | d << 8).to_le_bytes());
    }
    for (x, three) in rest.iter().zip(last.chunks_exact_mut(3)) {
        three.copy_from_slice(&to_24_bits(*x).to_le_bytes()[..3]);
    }
}

fn append_float(samples: &[f32], bytes: &mut Vec<u8>) {
    let start = bytes.len();
    bytes.resize(start + 4 * samples.len(), 0);
    for (x, four) in samples.iter().zip(bytes[start..].as_chunks_mut::<4>().0) {
        *four = x.to_le_bytes();
    }
}

/// Halves go away from zero: at 24 bits `x × 2²³ ± ½` is exact in an f32.
fn to_24_bits(x: f32) -> i32 {
    let scaled = (x * SCALE_24).clamp(-SCALE_24, SCALE_24 - 1.0);
    (scaled + 0.5f32.copysign(scaled)) as i32
}

/// Triangular dither from a seed, so that the same input gives the same file.
#[derive(Clone, Debug)]
pub(super) struct Dither {
    random: fastrand::Rng,
}

impl Dither {
    pub fn new(seed: u64) -> Dither {
        Dither { random: fastrand::Rng::with_seed(seed) }
    }

    /// Source: difference of two even distributions of one step each (Lipshitz, Wannamaker and Vanderkooy
    /// 1992, from memory).
    fn dithered(&mut self, x: f32) -> i16 {
        if x == 0.0 {
            return 0;
        }
        let both = self.random.u32(..);
        let noise = f32::from((both >> 16) as u16) - f32::from(both as u16);
        let scaled = x * SCALE_16 + noise / 65_536.0;
        (scaled + 0.5f32.copysign(scaled)) as i16
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn bytes(samples: &[f32], encoding: Encoding) -> Vec<u8> {
        let mut bytes = Vec::new();
        append(samples, encoding, &mut Dither::new(1), &mut bytes);
        bytes
    }

    #[test]
    fn twenty_four_bits_are_the_nearest_value_held_at_full_scale() {
        let step = 1.0 / 8_388_608.0;
        let samples = [0.0, step, -step, 1.0, -1.0, 7.0, f32::NAN, f32::NEG_INFINITY, 0.5, 2.4 * step];
        let wanted = [0, 1, -1, 8_388_607, -8_388_608, 8_388_607, 0, -8_388_608, 4_194_304, 2];
        let got = bytes(&samples, Encoding::Pcm24);
        let values: Vec<i32> =
            got.chunks_exact(3).map(|b| i32::from_le_bytes([0, b[0], b[1], b[2]]) >> 8).collect();
        assert_eq!(values, wanted);
    }

    #[test]
    fn dither_has_no_mean_a_quarter_step_of_variance_and_spares_silence() {
        // Rounding adds 1/12, triangular dither of ±1 step adds 1/6: together 1/4 step².
        let level = 0.3 / 32_768.0;
        let got = bytes(&vec![level; 200_000], Encoding::Pcm16);
        let values: Vec<f64> =
            got.chunks_exact(2).map(|b| f64::from(i16::from_le_bytes([b[0], b[1]]))).collect();
        let mean = values.iter().sum::<f64>() / values.len() as f64;
        let variance = values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / values.len() as f64;
        assert!((mean - 0.3).abs() < 0.01, "{mean}");
        assert!((variance - 0.25).abs() < 0.01, "{variance}");
        assert_eq!(bytes(&[0.0, 0.0], Encoding::Pcm16), [0; 4]);
    }

    #[test]
    fn sixteen_bits_are_held_at_full_scale() {
        let got = bytes(&[2.0, -2.0, f32::NAN], Encoding::Pcm16);
        assert_eq!(got, [0xff, 0x7f, 0x00, 0x80, 0, 0]);
    }
}
