//! What one input's samples say: a stretch that should be still, and a clap.

use super::hum::{Hum, hum};
use crate::latency::suspects::{decibels, flat_at, peak};
use serde::Serialize;

/// A stretch in which nobody does anything.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Still {
    /// RMS without the standing voltage, 0 dB being a full-scale square; −200 for digital silence.
    pub level_db: f64,
    /// The same without hum.
    pub floor_db: f64,
    /// The standing voltage, 1 being full scale.
    pub dc: f64,
    pub hum: Option<Hum>,
    pub peak_db: f64,
    /// Samples flattened at full scale.
    pub clipped: usize,
    /// Loudest 10 ms, RMS without the standing voltage, linear.
    pub loudest: f64,
    /// Every sample is exactly nothing.
    pub empty: bool,
}

/// Length of the windows in which a clap is looked for, in seconds.
pub const WINDOW: f64 = 0.010;

/// Measures a still stretch (half a second and more).
pub fn still(samples: &[f32], rate: f64) -> Still {
    let dc = mean(samples);
    let power = power(samples, dc);
    let hum = hum(samples, rate);
    let of_hum = hum.map_or(0.0, |hum| 10f64.powf(hum.level_db / 10.0));
    Still {
        level_db: 10.0 * power.max(1e-20).log10(),
        // What a window's leakage takes from the difference of two near figures is not believed below 1 %.
        floor_db: 10.0 * (power - of_hum).max(power * 0.01).max(1e-20).log10(),
        dc,
        hum,
        peak_db: decibels(peak(samples)),
        clipped: clipped(samples),
        loudest: windows(samples, rate, dc).fold(0.0, f64::max),
        empty: samples.iter().all(|x| *x == 0.0),
    }
}

/// A clap, from a little before it on.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Struck {
    pub peak_db: f64,
    /// Loudest 10 ms, RMS.
    pub level_db: f64,
    pub clipped: usize,
}

/// Measures a clap; `dc` as the still stretch had it.
pub fn struck(samples: &[f32], rate: f64, dc: f64) -> Struck {
    let loudest = windows(samples, rate, dc).fold(0.0, f64::max);
    Struck { peak_db: decibels(peak(samples)), level_db: decibels(loudest), clipped: clipped(samples) }
}

/// A window this much louder than the loudest of the still stretch is a clap (8 dB) …
const OVER: f64 = 2.5;
/// … if it is louder than this, so that a cough of a preamplifier is none.
const LEAST: f64 = 1e-3;

/// The place of the first window that is a clap.
pub fn onset(samples: &[f32], rate: f64, still: &Still) -> Option<usize> {
    let size = size(rate);
    let needed = (still.loudest * OVER).max(LEAST);
    windows(samples, rate, still.dc).position(|level| level >= needed).map(|window| window * size)
}

/// Nothing happened in it: no part is louder than the quietest by what makes a clap. A part is five windows, so that each
/// holds whole turns of any hum.
pub fn is_still(samples: &[f32], rate: f64) -> bool {
    let levels: Vec<f64> = windows(samples, rate, mean(samples)).collect();
    let parts = levels.chunks(5).map(|part| part.iter().copied().fold(0.0, f64::max));
    let (least, most) = parts.fold((f64::INFINITY, 0.0f64), |(least, most), x| (least.min(x), most.max(x)));
    most < (least * OVER).max(LEAST)
}

fn size(rate: f64) -> usize {
    ((WINDOW * rate).round() as usize).max(1)
}

/// RMS of each whole window.
pub(super) fn windows(samples: &[f32], rate: f64, dc: f64) -> impl Iterator<Item = f64> {
    samples.chunks_exact(size(rate)).map(move |window| power(window, dc).sqrt())
}

/// Under a Hann window, so that a hum's last part of a turn weighs nothing.
pub(super) fn mean(samples: &[f32]) -> f64 {
    let count = samples.len().max(1) as f64;
    let weight = |n: usize| 1.0 - (std::f64::consts::TAU * (n as f64 + 0.5) / count).cos();
    samples.iter().enumerate().map(|(n, x)| weight(n) * f64::from(*x)).sum::<f64>() / count
}

fn power(samples: &[f32], dc: f64) -> f64 {
    samples.iter().map(|x| (f64::from(*x) - dc).powi(2)).sum::<f64>() / samples.len().max(1) as f64
}

/// Samples in runs of three and more that lie at full scale or within a thousandth of it.
pub fn clipped(samples: &[f32]) -> usize {
    flat_at(samples, 0.999)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_still_stretch_tells_floor_voltage_and_hum_apart() {
        let wave = |n: i32| {
            let noise = if n % 2 == 0 { 1e-3 } else { -1e-3 };
            (0.02 + noise + 1e-2 * 2f64.sqrt() * (std::f64::consts::TAU * 50.5 * f64::from(n) / 48e3).sin())
                as f32
        };
        let samples: Vec<f32> = (0..57_600).map(wave).collect();
        let still = still(&samples, 48_000.0);
        assert!((still.dc - 0.02).abs() < 1e-4, "{still:?}");
        // 10⁻² of hum and 10⁻³ of noise: −40 dB, and together 0.043 dB more.
        let hum = still.hum.unwrap();
        assert!((hum.level_db + 40.0).abs() < 0.3 && (still.level_db + 39.957).abs() < 0.01, "{still:?}");
        assert!(still.floor_db < -50.0 && !still.empty && still.clipped == 0, "{still:?}");
        assert!(super::still(&[0.0; 48_000], 48_000.0).empty);
    }

    #[test]
    fn a_flat_top_at_full_scale_is_clipping_and_one_sample_is_not() {
        assert_eq!(clipped(&[0.5, 1.0, 0.5, 1.0, 1.0, 0.2]), 0);
        assert_eq!(clipped(&[0.5, 1.0, 1.0, 1.0, 0.5, -1.0, -1.0, -1.0, -1.0]), 7);
        assert_eq!(clipped(&[0.9; 100]), 0);
    }

    #[test]
    fn hum_and_noise_are_still_and_a_clap_among_them_is_not() {
        let mut random = fastrand::Rng::with_seed(3);
        let buzz = |n: usize| if n % 960 < 96 { 0.02 } else { 0.0 };
        let mut samples: Vec<f32> =
            (0..57_600).map(|n| 0.1 + buzz(n) + 0.003 * (random.f32() - 0.5)).collect();
        assert!(is_still(&samples, 48_000.0), "a buzz once a turn of 50 Hz");
        for n in 0..600 {
            samples[57_000 + n] += 0.2 * (n as f32 * 0.3).sin();
        }
        assert!(!is_still(&samples, 48_000.0), "at its very end");
        assert!(is_still(&[0.0; 57_600], 48_000.0));
    }

    #[test]
    fn a_clap_is_found_over_hum_noise_and_a_voltage() {
        let mut samples: Vec<f32> = (0..48_000)
            .map(|n| 0.1 + 0.03 * (std::f64::consts::TAU * 50.0 * f64::from(n) / 48e3).sin() as f32)
            .collect();
        let before = still(&samples, 48_000.0);
        assert_eq!(onset(&samples, 48_000.0, &before), None);
        for n in 0..600 {
            samples[20_010 + n] += 0.4 * (n as f32 * 0.3).sin();
        }
        assert_eq!(onset(&samples, 48_000.0, &before), Some(19_680), "within one window");
        let clap = struck(&samples[19_000..26_000], 48_000.0, before.dc);
        assert!((clap.level_db - 20.0 * (0.4f64 / 2f64.sqrt()).log10()).abs() < 1.0, "{clap:?}");
    }
}
