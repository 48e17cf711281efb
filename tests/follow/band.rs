//! Clicks and dirt from seeds, and what is heard of them.

use fogbell::follow::{Onset, Onsets};
use fogbell::units::{Exact, FramePos, SampleRate, Span};
use std::f64::consts::TAU;

pub const RATE: SampleRate = SampleRate::standard();
pub const HERTZ: f64 = 48_000.0;

/// Adds a click (a sine with an exponential end) whose first moment is at `at`, between frames.
pub fn click(into: &mut [f32], at: f64, hertz: f64, peak: f64) {
    let from = at.ceil() as usize;
    for (frame, sample) in into.iter_mut().enumerate().skip(from).take(1_500) {
        let time = (frame as f64 - at) / HERTZ;
        *sample += (peak * (TAU * hertz * time).sin() * (-time / 0.006).exp()) as f32;
    }
}

pub fn clicks(seconds: f64, places: &[f64], peak: f64) -> Vec<f32> {
    let mut samples = vec![0.0; (seconds * HERTZ) as usize];
    for (index, &at) in places.iter().enumerate() {
        let accent = index % 4 == 0;
        click(
            &mut samples,
            at,
            if accent { 1_500.0 } else { 1_000.0 },
            if accent { peak } else { 0.6 * peak },
        );
    }
    samples
}

/// Places half a second in and on, `interval` frames apart (with a fraction), as many as fit.
pub fn even(seconds: f64, interval: f64) -> Vec<f64> {
    let last = seconds * HERTZ - 4_800.0;
    (0..).map(|index| 24_000.3 + f64::from(index) * interval).take_while(|&at| at < last).collect()
}

/// White, from the sum of uniform numbers; `rms` linear.
pub fn noise(into: &mut [f32], rng: &mut fastrand::Rng, rms: f64) {
    for sample in into {
        let sum: f64 = (0..6).map(|_| rng.f64() - 0.5).sum();
        *sample += (sum * rms * 2f64.sqrt()) as f32;
    }
}

pub fn hum(into: &mut [f32], rms: f64) {
    for (frame, sample) in into.iter_mut().enumerate() {
        let turn = TAU * 50.0 * frame as f64 / HERTZ;
        *sample += (rms * 1.3 * (turn.sin() + 0.3 * (2.0 * turn).sin() + 0.2 * (3.0 * turn).sin())) as f32;
    }
}

/// A backing track: bursts of noise and plucked tones at random places, and a chord that stands.
pub fn backing(into: &mut [f32], rng: &mut fastrand::Rng, peak: f64) {
    for (frame, sample) in into.iter_mut().enumerate() {
        let time = frame as f64 / HERTZ;
        let chord: f64 = [220.0, 277.2, 329.6].iter().map(|hertz| (TAU * hertz * time).sin()).sum();
        *sample += (0.1 * peak * chord) as f32;
    }
    let mut at = 2_000usize;
    while at + 6_000 < into.len() {
        let (hertz, drum) = (150.0 + 1_500.0 * rng.f64(), rng.bool());
        for frame in 0..6_000 {
            let time = frame as f64 / HERTZ;
            let tone = if drum { 2.0 * rng.f64() - 1.0 } else { (TAU * hertz * time).sin() };
            into[at + frame] += (0.7 * peak * tone * (-time / 0.03).exp()) as f32;
        }
        at += rng.usize(3_000..12_000);
    }
}

/// A spoken word: pulses of a voice at 120 Hz through two formants, 15 ms until it is loud, 200 ms long.
pub fn word(into: &mut [f32], at: usize, peak: f64) {
    for frame in 0..9_600.min(into.len().saturating_sub(at)) {
        let time = frame as f64 / HERTZ;
        let envelope = (time / 0.015).min(1.0) * ((0.2 - time) / 0.05).clamp(0.0, 1.0);
        let voice: f64 = (1..20)
            .map(|partial| {
                let hertz = 120.0 * f64::from(partial);
                let formant = 1.0 / (1.0 + ((hertz - 600.0) / 200.0).powi(2))
                    + 0.5 / (1.0 + ((hertz - 1_500.0) / 300.0).powi(2));
                formant * (TAU * hertz * time).sin()
            })
            .sum();
        into[at + frame] += (0.25 * peak * envelope * voice) as f32;
    }
}

pub fn heard(samples: &[f32]) -> Vec<Onset> {
    let mut told = Vec::new();
    Onsets::new(RATE).push(FramePos(0), samples, &mut |onset| told.push(onset));
    told
}

pub fn place(at: f64) -> Exact {
    Exact(Span::from_f64(at).0)
}

pub fn frames(at: Exact) -> f64 {
    Span(at.0).as_f64()
}

/// How onsets answer the truth, within 25 ms (one to one: the nearest).
#[derive(Clone, Copy, Debug)]
pub struct Score {
    pub recall: f64,
    pub precision: f64,
    pub mean_ms: f64,
    pub sd_ms: f64,
    /// Within 5 ms.
    pub recall_5: f64,
}

pub fn score(truth: &[f64], heard: &[Onset]) -> Score {
    let mut free: Vec<f64> = heard.iter().map(|onset| frames(onset.at)).collect();
    let mut errors = Vec::new();
    for &at in truth {
        let near = free.iter().enumerate().min_by(|a, b| (a.1 - at).abs().total_cmp(&(b.1 - at).abs()));
        if let Some((index, &found)) = near.filter(|(_, found)| (*found - at).abs() <= 0.025 * HERTZ) {
            errors.push((found - at) * 1_000.0 / HERTZ);
            free.swap_remove(index);
        }
    }
    let count = errors.len() as f64;
    let mean_ms = errors.iter().sum::<f64>() / count;
    let sd_ms = (errors.iter().map(|error| (error - mean_ms).powi(2)).sum::<f64>() / count).sqrt();
    let close = errors.iter().filter(|error| error.abs() <= 5.0).count() as f64;
    Score {
        recall: count / truth.len() as f64,
        precision: count / heard.len() as f64,
        mean_ms,
        sd_ms,
        recall_5: close / truth.len() as f64,
    }
}

/// Leaves what was heard, in frames, for other judges (`tests/oracles/follow.py`), in seconds.
pub fn leave(name: &str, truth: &[f64], heard: &[f64]) {
    let lines =
        |places: &[f64]| -> String { places.iter().map(|at| format!("{:.9}\n", at / 48_000.0)).collect() };
    std::fs::write(left(&format!("{name}.truth.csv")), lines(truth)).unwrap();
    std::fs::write(left(&format!("{name}.heard.csv")), lines(heard)).unwrap();
}

/// Leaves the samples, too, for a judge that hears for itself.
pub fn leave_samples(name: &str, samples: &[f32]) {
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: 48_000,
        bits_per_sample: 32,
        sample_format: hound::SampleFormat::Float,
    };
    let mut writer = hound::WavWriter::create(left(&format!("{name}.wav")), spec).unwrap();
    samples.iter().for_each(|sample| writer.write_sample(*sample).unwrap());
    writer.finalize().unwrap();
}

fn left(file: &str) -> std::path::PathBuf {
    let folder = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("target/tests/follow");
    std::fs::create_dir_all(&folder).unwrap();
    folder.join(file)
}
