//! A short wood-like hit, made.

use crate::show::built_in::FALL_60_DB;
use crate::show::model::Synth;
use crate::units::SampleRate;
use std::f64::consts::{PI, TAU};

/// The upper partial over the pitch. Struck bars are inharmonic: their first two bending modes lie 2.76
/// apart (Euler–Bernoulli, free ends); 2.4 is drier and stays under 3 kHz longer.
const UPPER: f64 = 2.4;

/// The upper partial falls this much faster.
const UPPER_FALL: f64 = 2.0;

const FADE_OUT_MS: f64 = 2.0;

/// The samples of a hit. Its onset is frame 0, the first that is not silence; the attack (raised cosine)
/// has half its height after half of `attack_ms`.
///
/// Shape: mono, from the attack's start until the envelope has fallen by 60 dB, the last 2 ms faded out.
/// Range: the largest absolute sample is exactly `peak`. Source: own design; no mean (0 Hz) is left.
/// Errors: `None` when the pitch is not above 0 and below 0.45 of the rate, or a time is not a number.
pub(super) fn synthesise(synth: &Synth, rate: SampleRate) -> Option<Vec<f32>> {
    let hertz = f64::from(rate.hertz());
    let tau = synth.decay_ms / 1_000.0;
    let attack = synth.attack_ms / 1_000.0;
    let seconds = attack + tau * FALL_60_DB;
    let pitch_fits = synth.hertz > 0.0 && synth.hertz < 0.45 * hertz;
    let times_fit = tau > 0.0 && attack >= 0.0 && seconds < super::LONGEST_SECONDS;
    if !pitch_fits || !times_fit || !synth.edge.is_finite() {
        return None;
    }
    let frames = (seconds * hertz).round().max(1.0);
    let shape = |n: usize| envelope((n + 1) as f64 / hertz, attack, tau) * fade_out(n as f64, frames, hertz);
    let edge = if synth.hertz * UPPER < 0.45 * hertz { synth.edge } else { 0.0 };
    let wave = |n: usize| {
        let time = (n + 1) as f64 / hertz;
        let low = (TAU * synth.hertz * time).sin();
        let fall = (-(time - attack).max(0.0) * (UPPER_FALL - 1.0) / tau).exp();
        low + edge * fall * (TAU * synth.hertz * UPPER * time).sin()
    };
    let shapes: Vec<f64> = (0..frames as usize).map(shape).collect();
    let mut hit: Vec<f64> = shapes.iter().enumerate().map(|(n, s)| s * wave(n)).collect();
    let mean = hit.iter().sum::<f64>() / shapes.iter().sum::<f64>();
    hit.iter_mut().zip(&shapes).for_each(|(x, s)| *x -= mean * s);
    Some(to_peak(&hit, synth.peak.gain()))
}

/// Raised cosine up, exponential down; 1 at the end of the attack.
fn envelope(time: f64, attack: f64, tau: f64) -> f64 {
    if time < attack { 0.5 - 0.5 * (PI * time / attack).cos() } else { (-(time - attack) / tau).exp() }
}

fn fade_out(frame: f64, frames: f64, hertz: f64) -> f64 {
    let fade = (FADE_OUT_MS / 1_000.0 * hertz).min(frames / 2.0);
    let left = (frames - frame) / fade;
    if left < 1.0 { 0.5 - 0.5 * (PI * left).cos() } else { 1.0 }
}

/// The largest sample becomes `peak` exactly (it is divided by itself), no other is above it.
fn to_peak(hit: &[f64], peak: f32) -> Vec<f32> {
    let largest = hit.iter().fold(0.0, |m: f64, x| m.max(x.abs()));
    if largest == 0.0 {
        return vec![0.0; hit.len()];
    }
    hit.iter().map(|x| (x / largest * f64::from(peak)) as f32).collect()
}

#[cfg(test)]
mod tests {
    use super::super::{BUILT_IN, built_in};
    use super::*;
    use crate::show::model::SoundSource;
    use crate::units::Decibels;
    use realfft::RealFftPlanner;

    fn all() -> Vec<(String, usize, Synth)> {
        let mut found = Vec::new();
        for name in BUILT_IN {
            let sound = built_in(name).unwrap();
            for (kind, source) in [sound.accent, sound.beat, sound.eighth, sound.sixteenth].iter().enumerate()
            {
                let SoundSource::Synth(synth) = source else { panic!("{name} is not made") };
                found.push(((*name).to_owned(), kind, *synth));
            }
        }
        found
    }

    fn share_between(samples: &[f32], rate: u32, low: f64, high: f64) -> f64 {
        let size = samples.len().next_power_of_two() * 4;
        let fft = RealFftPlanner::<f64>::new().plan_fft_forward(size);
        let mut input = fft.make_input_vec();
        input.iter_mut().zip(samples).for_each(|(i, s)| *i = f64::from(*s));
        let mut spectrum = fft.make_output_vec();
        fft.process(&mut input, &mut spectrum).unwrap();
        let power = |from: f64, to: f64| -> f64 {
            let bin = |hertz: f64| (hertz * size as f64 / f64::from(rate)) as usize;
            spectrum[bin(from)..bin(to)].iter().map(|c| c.norm_sqr()).sum()
        };
        power(low, high) / power(0.0, f64::from(rate) / 2.0)
    }

    #[test]
    fn nine_tenths_of_the_energy_lie_between_700_and_3000_hertz() {
        // Range: common practice, no source.
        for rate in [44_100, 48_000, 192_000] {
            for (name, kind, synth) in all() {
                let hit = synthesise(&synth, SampleRate::new(rate).unwrap()).unwrap();
                let share = share_between(&hit, rate, 700.0, 3_000.0);
                assert!(share > 0.9, "{name} {kind} at {rate}: {share}");
            }
        }
    }

    #[test]
    fn the_peak_is_exact_and_nothing_is_above_it() {
        for (name, kind, synth) in all() {
            let hit = synthesise(&synth, SampleRate::standard()).unwrap();
            let peak = hit.iter().fold(0.0f32, |m, x| m.max(x.abs()));
            assert_eq!(peak, synth.peak.gain(), "{name} {kind}");
        }
        // −12 dBFS is 10^(−12/20) = 0.251189.
        let SoundSource::Synth(beat) = built_in("wood").unwrap().beat else { panic!() };
        assert!((beat.peak.gain() - 0.251_189).abs() < 1e-6);
    }

    /// Envelope by the largest sample of each half period, in dB below the peak.
    fn last_above(hit: &[f32], below_peak: f32) -> usize {
        let peak = hit.iter().fold(0.0f32, |m, x| m.max(x.abs()));
        hit.iter().rposition(|x| x.abs() > peak * below_peak).unwrap()
    }

    #[test]
    fn attack_and_decay_are_as_long_as_said() {
        for (name, kind, synth) in all() {
            let hit = synthesise(&synth, SampleRate::standard()).unwrap();
            let milliseconds = hit.len() as f64 / 48.0;
            let allowed = if kind == 3 { 10.0..=21.0 } else { 20.0..=41.0 };
            assert!(allowed.contains(&milliseconds), "{name} {kind}: {milliseconds} ms");
            // −40 dB is two thirds of the way to −60 dB, give or take half a period of the pitch.
            let expected = synth.attack_ms + synth.decay_ms * 100f64.ln();
            let measured = last_above(&hit, 0.01) as f64 / 48.0;
            assert!((measured - expected).abs() < 2.0, "{name} {kind}: {measured} for {expected}");
            let loudest = hit.iter().enumerate().max_by(|a, b| a.1.abs().total_cmp(&b.1.abs())).unwrap().0;
            assert!((0.5..1.6).contains(&(loudest as f64 / 48.0)), "{name} {kind}: peak at frame {loudest}");
            assert!(hit[0] != 0.0 && hit[0].abs() < synth.peak.gain() * 0.01, "{name} {kind}: {}", hit[0]);
            assert!(hit[hit.len() - 1].abs() < 1e-5, "{name} {kind}");
        }
    }

    #[test]
    fn there_is_no_mean() {
        for (name, kind, synth) in all() {
            let hit = synthesise(&synth, SampleRate::standard()).unwrap();
            let mean = hit.iter().map(|x| f64::from(*x)).sum::<f64>() / hit.len() as f64;
            assert!(mean.abs() < 1e-8, "{name} {kind}: {mean}");
        }
    }

    #[test]
    fn what_the_rate_cannot_carry_is_refused() {
        let synth = Synth { hertz: 4_000.0, decay_ms: 5.0, attack_ms: 1.0, edge: 0.2, peak: Decibels(-12.0) };
        let slow = SampleRate::new(8_000).unwrap();
        assert!(synthesise(&synth, slow).is_none());
        assert!(synthesise(&Synth { hertz: f64::NAN, ..synth }, SampleRate::standard()).is_none());
        assert!(synthesise(&Synth { decay_ms: 0.0, ..synth }, SampleRate::standard()).is_none());
        assert!(synthesise(&Synth { decay_ms: 1e9, ..synth }, SampleRate::standard()).is_none());
        assert!(synthesise(&synth, SampleRate::standard()).is_some());
    }
}
