//! One shot's delay to a small part of a frame, and the bound that noise puts on it.

use super::probe::Probe;
use super::search::{Found, Heard, LEAD};
use super::spectrum::{Bin, FINE, SEARCH, Transform, energy, heard, sides, weigh};
use std::f64::consts::TAU;

/// Frames on both sides of a shot that the fine search looks at.
const MARGIN: usize = 96;

/// One shot as it came back.
#[derive(Clone, Copy, Debug)]
pub struct Fine {
    pub shot: usize,
    /// Frames from its start in the probe, with fraction.
    pub delay: f64,
    /// Linear, signed: what the path multiplied the shot by.
    pub gain: f64,
    /// Mean square of what the shot does not explain, over the shot, in the band that is heard.
    pub residual: f64,
    /// `√frames × correlation coefficient`: how far the shot stands out of what else sounded while it did.
    pub standing: f64,
}

/// The fine search for one probe; keeps the shot's spectrum.
pub struct Estimator {
    transform: Transform,
    template: Vec<Bin>,
    /// Share of each bin that is heard.
    weights: Vec<f64>,
    shot_frames: usize,
    /// Energy of the shot in the band that is heard.
    shot_energy: f64,
    /// The same in the band of the search.
    pub search_energy: f64,
    /// `Σ s′²`, the energy of its slope, per frame².
    pub slope_energy: f64,
    /// Share of white noise that is heard.
    pub heard_share: f64,
}

impl Estimator {
    pub fn new(probe: &Probe) -> Estimator {
        let shot = probe.shot();
        let transform = Transform::of_at_least(shot.len() + 2 * MARGIN);
        let template = transform.spectrum(shot.iter().map(|x| f64::from(*x)));
        let rate = f64::from(probe.rate.hertz());
        let size = transform.size;
        let weights: Vec<f64> =
            (0..template.len()).map(|k| heard(k as f64 * rate / size as f64, FINE)).collect();
        let weighed: Vec<Bin> = template.iter().zip(&weights).map(|(bin, weight)| bin * weight).collect();
        let slope =
            |k: usize, bin: &Bin| sides(k, size) * (TAU * k as f64 / size as f64).powi(2) * bin.norm_sqr();
        let slope_energy =
            weighed.iter().enumerate().map(|(k, bin)| slope(k, bin)).sum::<f64>() / size as f64;
        let heard_share = weights.iter().map(|weight| weight * weight).sum::<f64>() / weights.len() as f64;
        let shot_energy = energy(&weighed, size);
        let mut searched = template.clone();
        weigh(&mut searched, size, rate, SEARCH);
        let search_energy = energy(&searched, size);
        Estimator {
            search_energy,
            transform,
            template,
            weights,
            shot_frames: shot.len(),
            shot_energy,
            slope_energy,
            heard_share,
        }
    }

    /// The delay of a shot found to the nearest frame. `None` where the peak has no top.
    pub fn refine(&self, probe: &Probe, heard: &Heard, found: &Found) -> Option<Fine> {
        let place = probe.shots[found.shot] as i64 + found.delay + LEAD as i64;
        let stretch = |from: i64, frames: usize| {
            (from..from + frames as i64)
                .map(|n| usize::try_from(n).ok().and_then(|n| heard.samples.get(n)).copied().unwrap_or(0.0))
        };
        let around = self.weighed(stretch(place - MARGIN as i64, self.shot_frames + 2 * MARGIN));
        let cross: Vec<Bin> = around
            .iter()
            .zip(&self.template)
            .zip(&self.weights)
            .map(|((bin, shape), weight)| bin * shape.conj() * *weight)
            .collect();
        let (offset, height) = self.top(&cross, MARGIN as f64)?;
        let gain = height / self.shot_energy;
        let sounded = energy(&around, self.transform.size).max(f64::MIN_POSITIVE);
        let explained = (height * height / self.shot_energy).min(sounded);
        let likeness = (explained / sounded).sqrt();
        let frames = self.shot_frames as f64;
        Some(Fine {
            shot: found.shot,
            delay: found.delay as f64 + offset - MARGIN as f64,
            gain,
            residual: (sounded - explained) / (frames + 2.0 * MARGIN as f64),
            standing: frames.sqrt() * likeness,
        })
    }

    fn weighed(&self, samples: impl Iterator<Item = f64>) -> Vec<Bin> {
        let mut bins = self.transform.spectrum(samples);
        bins.iter_mut().zip(&self.weights).for_each(|(bin, weight)| *bin *= *weight);
        bins
    }

    /// The top of the band-limited cross-correlation nearest to `guess`, and its height with sign.
    ///
    /// Source: Newton's method on c(τ) = Σ Re(X S* e^(jωτ)); the sum is exact between frames too, because the
    /// bins are those of a signal that is zero outside the transform.
    fn top(&self, cross: &[Bin], guess: f64) -> Option<(f64, f64)> {
        let mut at = guess;
        for _ in 0..12 {
            let (height, slope, bend) = self.correlation(cross, at);
            // Towards the nearest extremum of the same sign; where the curve bends the wrong way, along the slope.
            let step = if bend * height < 0.0 { -slope / bend } else { 0.25 * (slope * height).signum() };
            at += step.clamp(-0.5, 0.5);
            if step.abs() < 1e-7 {
                break;
            }
        }
        let (height, _, bend) = self.correlation(cross, at);
        ((at - guess).abs() <= 2.5 && bend * height < 0.0).then_some((at, height))
    }

    /// c, c′ and c″ at `at` frames.
    fn correlation(&self, cross: &[Bin], at: f64) -> (f64, f64, f64) {
        let size = self.transform.size;
        let turn = Bin::from_polar(1.0, TAU * at / size as f64);
        let mut phase = Bin::new(1.0, 0.0);
        let (mut height, mut slope, mut bend) = (0.0, 0.0, 0.0);
        for (k, bin) in cross.iter().enumerate() {
            if k % 512 == 0 {
                phase = Bin::from_polar(1.0, TAU * at * k as f64 / size as f64);
            }
            let turned = bin * phase * sides(k, size);
            let omega = TAU * k as f64 / size as f64;
            height += turned.re;
            slope -= omega * turned.im;
            bend -= omega * omega * turned.re;
            phase *= turn;
        }
        let scale = 1.0 / size as f64;
        (height * scale, slope * scale, bend * scale)
    }

    /// The smallest standard deviation that any unbiased estimate can have, in frames.
    ///
    /// Source: Cramér–Rao for a known signal in white noise of variance σ² a frame: σ² / (gain² Σ s′²).
    /// `noise` is a mean square in the band that is heard.
    pub fn bound(&self, noise: f64, gain: f64) -> f64 {
        (noise / self.heard_share / (gain * gain * self.slope_energy)).sqrt()
    }
}
