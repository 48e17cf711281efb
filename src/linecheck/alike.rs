//! Two inputs: do they carry the same signal, and do they move the same way?

use crate::latency::spectrum::{Bin, Edges, Transform};
use serde::Serialize;

/// How one signal lies in another.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Alike {
    /// −1 to 1: what the two have in common at the best shift; below zero they move against each other.
    pub likeness: f64,
    /// The largest likeness of the other sign, over that.
    pub rival: f64,
    /// The second is later by so many frames.
    pub shift: i64,
}

/// What two rooms' microphones have in common lies below: only what is one and the same signal agrees up here.
const SAME_BAND: Edges = (1_500.0, 2_500.0);
/// Off the band of hum.
const MIC_BAND: Edges = (300.0, 600.0);
/// A copy comes within this, in seconds: a converter's and a router's delay.
const SAME_WITHIN: f64 = 0.002;
/// Ten metres between two microphones.
const MIC_WITHIN: f64 = 0.030;
/// Two still inputs this much alike carry one signal. Two microphones side by side have little in common above
/// 2 kHz where nobody claps (common practice, no source).
const SAME: f64 = 0.9;
/// The same for claps alone, which two microphones hear nearly alike: only a copy is as good as this.
const COPY: f64 = 0.9999;
/// Less says nothing about polarity.
const LIKENESS: f64 = 0.35;
const RIVAL: f64 = 0.8;
/// Mean square below this in the band is digital silence.
const SILENT: f64 = 1e-14;

/// One signal on two inputs, by a still stretch; where that is digital silence, by a clap.
pub fn is_same(still: [&[f32]; 2], clap: Option<[&[f32]; 2]>, rate: f64) -> bool {
    match alike(still, rate, SAME_BAND, SAME_WITHIN) {
        Some(alike) => alike.likeness.abs() >= SAME,
        None => {
            let clap = clap.and_then(|clap| alike(clap, rate, SAME_BAND, SAME_WITHIN));
            clap.is_some_and(|alike| alike.likeness.abs() >= COPY)
        }
    }
}

/// Whether two microphones that heard one clap move against each other. `None`: they have too little in common.
pub fn is_inverted(clap: [&[f32]; 2], rate: f64) -> Option<bool> {
    let alike = alike(clap, rate, MIC_BAND, MIC_WITHIN)?;
    (alike.likeness.abs() >= LIKENESS && alike.rival <= RIVAL).then_some(alike.likeness < 0.0)
}

/// The normalised cross-correlation's largest value within `within` seconds. `None`: one of the two is silent.
fn alike(signals: [&[f32]; 2], rate: f64, band: Edges, within: f64) -> Option<Alike> {
    let frames = signals[0].len().min(signals[1].len());
    let widest = (within * rate) as usize;
    let transform = Transform::of_at_least(frames + widest + 1);
    let banded = |samples: &[f32]| transform.heard(samples.iter().map(|x| f64::from(*x)), rate, band);
    let (one, two) = (banded(signals[0]), banded(signals[1]));
    let energy = |bins: &[Bin]| crate::latency::spectrum::energy(bins, transform.size);
    let (first, second) = (energy(&one), energy(&two));
    if first.min(second) < SILENT * frames.max(1) as f64 {
        return None;
    }
    let mut cross: Vec<Bin> = two.iter().zip(&one).map(|(b, a)| b * a.conj()).collect();
    let curve = transform.samples(&mut cross);
    let scale = (first * second).sqrt();
    let at = |shift: i64| curve[shift.rem_euclid(transform.size as i64) as usize] / scale;
    let shifts = -(widest as i64)..=widest as i64;
    let best = shifts.clone().max_by(|a, b| at(*a).abs().total_cmp(&at(*b).abs()))?;
    let likeness = at(best);
    let rival = shifts
        .map(at)
        .filter(|value| value.signum() != likeness.signum())
        .fold(0.0f64, |most, x| most.max(x.abs()));
    Some(Alike { likeness, rival: rival / likeness.abs().max(1e-12), shift: best })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn noise(seed: u64, level: f32, frames: usize) -> Vec<f32> {
        let mut random = fastrand::Rng::with_seed(seed);
        (0..frames).map(|_| level * (random.f32() - 0.5)).collect()
    }

    /// A burst that falls by 60 dB in a tenth of a second, at a place.
    fn clap(at: usize, gain: f32, frames: usize) -> Vec<f32> {
        let burst = noise(99, gain, 4_800);
        let mut out = vec![0.0; frames];
        for (n, x) in burst.iter().enumerate() {
            out[at + n] = x * (-6.9 * n as f32 / 4_800.0).exp();
        }
        out
    }

    fn sum(a: &[f32], b: &[f32]) -> Vec<f32> {
        a.iter().zip(b).map(|(a, b)| a + b).collect()
    }

    #[test]
    fn one_signal_on_two_inputs_is_told_from_two_that_hear_one_clap() {
        let (one, two) = (noise(1, 2e-3, 24_000), noise(2, 2e-3, 24_000));
        assert!(!is_same([&one, &two], None, 48_000.0));
        let late: Vec<f32> =
            std::iter::repeat_n(0.0, 30).chain(one.iter().map(|x| -0.3 * x)).take(24_000).collect();
        assert!(is_same([&one, &late], None, 48_000.0), "turned over, quieter and 30 frames late");
        let silent = vec![0.0; 24_000];
        let heard = [sum(&clap(500, 0.8, 14_400), &noise(3, 1e-2, 14_400)), clap(520, 0.4, 14_400)];
        assert!(!is_same([&silent, &silent], Some([&heard[0], &heard[1]]), 48_000.0));
        assert!(is_same([&silent, &silent], Some([&heard[1], &heard[1]]), 48_000.0));
    }

    #[test]
    fn polarity_shows_in_a_clap_and_not_in_noise() {
        for (shift, gain) in [(0, 0.5), (700, -0.5), (1_300, 0.2), (90, -0.9)] {
            let one = sum(&clap(2_000, 0.8, 14_400), &noise(5, 1e-2, 14_400));
            let two = sum(&clap(2_000 + shift, gain, 14_400), &noise(6, 1e-2, 14_400));
            assert_eq!(is_inverted([&one, &two], 48_000.0), Some(gain < 0.0), "{shift} {gain}");
        }
        let (one, two) = (noise(1, 0.1, 14_400), noise(2, 0.1, 14_400));
        assert_eq!(is_inverted([&one, &two], 48_000.0), None);
    }
}
