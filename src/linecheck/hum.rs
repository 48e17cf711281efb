//! Mains hum in a stretch that should be still: a comb on 50 or 60 Hz that stands over its neighbourhood.

use crate::latency::spectrum::Transform;
use serde::Serialize;
use std::f64::consts::TAU;

/// Hum as it was found.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Hum {
    /// Of the comb: 48 to 52, or 58 to 62.
    pub hertz: f64,
    /// RMS of its first eight harmonics together, 0 dB being a full-scale square.
    pub level_db: f64,
    /// The harmonic that is strongest, 1 being the tone itself.
    pub strongest: u32,
}

/// Mains frequency and how far it may lie off (common practice, no source).
pub const MAINS: [f64; 2] = [50.0, 60.0];
pub const AROUND: f64 = 2.0;
const HARMONICS: u32 = 8;
/// A line counts when it stands so far over the middle of its neighbourhood (12 dB is a chance of 1e-5 in noise).
const OVER_DB: f64 = 14.0;
/// Both halves of the stretch must have it alike: a note of a bass comes and goes.
const ALIKE_DB: f64 = 4.0;
/// Below this no ear hears it in a feed (common practice, no source).
const FLOOR_DB: f64 = -85.0;
const STEP_HERTZ: f64 = 0.1;

/// The hum in `samples` (half a second and more), or `None`.
pub fn hum(samples: &[f32], rate: f64) -> Option<Hum> {
    let whole = comb(samples, rate)?;
    let (one, two) = samples.split_at(samples.len() / 2);
    let power = |half: &[f32]| Lines::of(half, rate).power_at(whole.hertz * f64::from(whole.strongest));
    let apart = 10.0 * (power(one).max(1e-20) / power(two).max(1e-20)).log10();
    (apart.abs() <= ALIKE_DB && whole.level_db > FLOOR_DB).then_some(whole)
}

/// Power of a tone at each frequency, after a Hann window.
struct Lines {
    bins: Vec<f64>,
    hertz: f64,
}

impl Lines {
    fn of(samples: &[f32], rate: f64) -> Lines {
        // Sums of a few frames: what is looked for lies below 500 Hz.
        let every = ((rate / 6_000.0) as usize).max(1);
        let slow: Vec<f64> = samples
            .chunks_exact(every)
            .map(|part| part.iter().map(|x| f64::from(*x)).sum::<f64>() / every as f64)
            .collect();
        let count = slow.len().max(1) as f64;
        let mean = slow.iter().sum::<f64>() / count;
        let window = |n: usize| 0.5 - 0.5 * (TAU * (n as f64 + 0.5) / count).cos();
        let transform = Transform::of_at_least((rate / every as f64 / STEP_HERTZ) as usize + slow.len());
        let bins = transform.spectrum(slow.iter().enumerate().map(|(n, x)| (x - mean) * window(n)));
        // A sine of amplitude A leaves A/2 × count/2 in its bin; its power is A²/2.
        let scale = 8.0 / (count * count);
        Lines {
            bins: bins.iter().map(|bin| bin.norm_sqr() * scale).collect(),
            hertz: rate / every as f64 / transform.size as f64,
        }
    }

    fn range(&self, from: f64, to: f64) -> &[f64] {
        let place = |hertz: f64| ((hertz / self.hertz).round().max(0.0) as usize).min(self.bins.len());
        &self.bins[place(from).min(place(to))..place(to)]
    }

    fn power_at(&self, hertz: f64) -> f64 {
        self.range(hertz, hertz + self.hertz).iter().copied().fold(0.0, f64::max)
    }

    /// The middle of what lies beside a harmonic.
    fn beside(&self, hertz: f64) -> f64 {
        let mut around = self.range(hertz - 17.0, hertz - 5.0).to_vec();
        around.extend(self.range(hertz + 5.0, hertz + 17.0));
        crate::latency::suspects::median(&mut around)
    }
}

fn comb(samples: &[f32], rate: f64) -> Option<Hum> {
    let lines = Lines::of(samples, rate);
    let stands = |hertz: f64| {
        let (line, beside) = (lines.power_at(hertz), lines.beside(hertz));
        // A note nearby leaks in here, and is louder where it is.
        let around = lines.range(hertz - 4.5, hertz + 4.5).iter().copied().fold(0.0, f64::max);
        if line > beside * 10f64.powf(OVER_DB / 10.0) && line > around / 2.0 { line } else { 0.0 }
    };
    let power = |hertz: f64| (1..=HARMONICS).map(|n| stands(hertz * f64::from(n))).collect::<Vec<f64>>();
    let candidates = MAINS.iter().flat_map(|mains| {
        let steps = (2.0 * AROUND / STEP_HERTZ).round() as i32;
        (0..=steps).map(move |step| mains - AROUND + f64::from(step) * STEP_HERTZ)
    });
    let total = |powers: &[f64]| powers.iter().sum::<f64>();
    let best =
        candidates.map(|hertz| (hertz, power(hertz))).max_by(|a, b| total(&a.1).total_cmp(&total(&b.1)))?;
    // Higher harmonics alone are a note, not a comb.
    if best.1.iter().take(3).all(|power| *power == 0.0) {
        return None;
    }
    let strongest = (1..).zip(&best.1).max_by(|a, b| a.1.total_cmp(b.1)).map_or(1, |(n, _)| n);
    let level_db = 10.0 * total(&best.1).max(1e-20).log10();
    Some(Hum { hertz: (best.0 * 10.0).round() / 10.0, level_db, strongest })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn noise(seed: u64, level: f64, frames: usize) -> Vec<f32> {
        let mut random = fastrand::Rng::with_seed(seed);
        // Twelve uniform draws have unit variance.
        let mut draw = || (0..12).map(|_| random.f64()).sum::<f64>() - 6.0;
        (0..frames).map(|_| (level * draw()) as f32).collect()
    }

    fn with(mut samples: Vec<f32>, hertz: f64, level: f64) -> Vec<f32> {
        for (n, sample) in samples.iter_mut().enumerate() {
            *sample += (level * 2f64.sqrt() * (TAU * hertz * n as f64 / 48_000.0 + 0.7).sin()) as f32;
        }
        samples
    }

    const FRAMES: usize = 57_600;

    #[test]
    fn hum_anywhere_within_two_hertz_of_the_mains_is_found_with_its_level() {
        for hertz in [48.0, 49.3, 50.0, 51.9, 58.2, 60.0, 62.0] {
            for (level, floor) in [(1e-2, 1e-3), (1e-3, 1e-3), (1e-3, 1e-5)] {
                let found = hum(&with(noise(7, floor, FRAMES), hertz, level), 48_000.0);
                let found = found.unwrap_or_else(|| panic!("{hertz} Hz at {level} over {floor}"));
                assert!((found.hertz - hertz).abs() <= 0.3, "{found:?} for {hertz}");
                assert!((found.level_db - 20.0 * level.log10()).abs() < 1.5, "{found:?} for {level}");
                assert_eq!(found.strongest, 1);
            }
        }
    }

    #[test]
    fn a_rectifier_s_hum_is_named_by_its_mains_and_strongest_harmonic() {
        let found = hum(&with(noise(3, 1e-4, FRAMES), 120.0, 1e-2), 48_000.0).unwrap();
        assert!((found.hertz - 60.0).abs() < 0.2 && found.strongest == 2, "{found:?}");
    }

    #[test]
    fn noise_a_note_elsewhere_and_a_note_that_ends_are_no_hum() {
        for seed in 0..60 {
            assert_eq!(hum(&noise(seed, 0.05, FRAMES), 48_000.0), None, "seed {seed}");
        }
        for hertz in [41.2, 55.0, 65.4, 82.4, 440.0] {
            assert_eq!(hum(&with(noise(1, 1e-4, FRAMES), hertz, 0.05), 48_000.0), None, "{hertz} Hz");
        }
        let mut note = with(noise(1, 1e-4, FRAMES), 50.0, 0.05);
        let rest = noise(2, 1e-4, FRAMES / 2);
        note[FRAMES - rest.len()..].copy_from_slice(&rest);
        assert_eq!(hum(&note, 48_000.0), None);
        assert_eq!(hum(&[0.0; FRAMES], 48_000.0), None);
        assert_eq!(hum(&[0.25; FRAMES], 48_000.0), None);
    }
}
