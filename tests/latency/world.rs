//! Loops with a known delay, and what spoils them: all from a seed.

use fogbell::latency::Probe;
use realfft::RealFftPlanner;
use realfft::num_complex::Complex;
use std::f64::consts::{PI, TAU};
use std::sync::OnceLock;

/// `samples` delayed by a phase ramp over a zero-padded transform: exact for what is band-limited.
pub fn delayed(samples: &[f32], frames: f64, length: usize) -> Vec<f64> {
    let size = (length + samples.len()).next_power_of_two();
    let mut planner = RealFftPlanner::<f64>::new();
    let (forward, inverse) = (planner.plan_fft_forward(size), planner.plan_fft_inverse(size));
    let mut time = forward.make_input_vec();
    time.iter_mut().zip(samples).for_each(|(slot, x)| *slot = f64::from(*x));
    let mut bins = forward.make_output_vec();
    forward.process(&mut time, &mut bins).unwrap();
    for (k, bin) in bins.iter_mut().enumerate() {
        *bin *= Complex::from_polar(1.0 / size as f64, -TAU * k as f64 * frames / size as f64);
    }
    bins[0].im = 0.0;
    bins[size / 2].im = 0.0;
    inverse.process(&mut bins, &mut time).unwrap();
    time.truncate(length);
    time
}

/// White Gaussian noise of deviation 1, a million values, made once; Box and Muller.
fn pool() -> &'static [f32] {
    static POOL: OnceLock<Vec<f32>> = OnceLock::new();
    POOL.get_or_init(|| {
        let mut random = fastrand::Rng::with_seed(11);
        (0..1 << 20)
            .map(|_| ((-2.0 * (1.0 - random.f64()).ln()).sqrt() * (TAU * random.f64()).cos()) as f32)
            .collect()
    })
}

/// Adds white noise of deviation `sigma`.
pub fn add_noise(samples: &mut [f64], sigma: f64, random: &mut fastrand::Rng) {
    let pool = pool();
    for part in samples.chunks_mut(40_000) {
        let from = random.usize(0..pool.len() - part.len());
        part.iter_mut().zip(&pool[from..]).for_each(|(x, noise)| *x += sigma * f64::from(*noise));
    }
}

/// Mean power of a probe's shot.
pub fn power(probe: &Probe) -> f64 {
    let shot = probe.shot();
    shot.iter().map(|x| f64::from(*x).powi(2)).sum::<f64>() / shot.len() as f64
}

/// The value between samples by a windowed sinc of 32 taps.
pub fn between(samples: &[f64], at: f64) -> f64 {
    let whole = at.floor();
    (-15..=16)
        .map(|tap| {
            let place = whole as i64 + tap;
            let Some(x) = usize::try_from(place).ok().and_then(|n| samples.get(n)) else { return 0.0 };
            let t = at - place as f64;
            if t.abs() < 1e-12 {
                return *x;
            }
            x * (PI * t).sin() / (PI * t) * (0.5 + 0.5 * (PI * t / 16.5).cos())
        })
        .sum()
}

/// Played by one clock and recorded by another that differs by `ppm`.
pub fn drifted(samples: &[f64], ppm: f64) -> Vec<f64> {
    (0..samples.len()).map(|n| between(samples, n as f64 * (1.0 - ppm * 1e-6))).collect()
}

/// Hum with eight harmonics, the first of amplitude `level`, phases by chance.
pub fn add_hum(samples: &mut [f64], hertz: f64, rate: f64, level: f64, random: &mut fastrand::Rng) {
    for harmonic in 1..=8 {
        let turn = Complex::from_polar(1.0, TAU * hertz * f64::from(harmonic) / rate);
        let mut phase = Complex::from_polar(level / f64::from(harmonic), TAU * random.f64());
        for sample in samples.iter_mut() {
            *sample += phase.re;
            phase *= turn;
        }
    }
}

/// A kick drum at about two a second: a falling sine with a beater's click.
pub fn add_kick(samples: &mut [f64], rate: f64, level: f64, random: &mut fastrand::Rng) {
    let every = (rate * (0.35 + 0.3 * random.f64())) as usize;
    let mut from = random.usize(0..every);
    while from < samples.len() {
        let mut phase = 0.0;
        for (n, sample) in samples[from..].iter_mut().take((0.25 * rate) as usize).enumerate() {
            let t = n as f64 / rate;
            phase += TAU * (50.0 + 90.0 * (-t / 0.03).exp()) / rate;
            let beater = (random.f64() - 0.5) * 1.5 * (-t / 0.002).exp();
            *sample += level * (phase.sin() * (-t / 0.08).exp() + beater);
        }
        from += every;
    }
}

/// A line check next door: snare-like bangs, tones and counts that start when they like.
pub fn add_line_check(samples: &mut [f64], rate: f64, level: f64, random: &mut fastrand::Rng) {
    let mut from = 0;
    while from < samples.len() {
        let kind = random.u32(0..3);
        let hertz = 120.0 * 2f64.powf(5.0 * random.f64());
        let seconds = 0.03 + 0.3 * random.f64();
        for (n, sample) in samples[from..].iter_mut().take((seconds * rate) as usize).enumerate() {
            let t = n as f64 / rate;
            *sample += level
                * match kind {
                    0 => (random.f64() - 0.5) * 2.0 * (-t / 0.04).exp(),
                    1 => (TAU * hertz * t).sin(),
                    _ => (TAU * hertz * t).sin().signum() * (1.0 + (TAU * 9.0 * t).sin()) / 2.0,
                };
        }
        from += ((seconds + 0.2 * random.f64()) * rate) as usize;
    }
}

/// Samples at a place lost (positive) or put in twice (negative).
pub fn skip(samples: &mut Vec<f64>, at: usize, frames: i64) {
    // Used for recordings and for the frames they came from alike.
    let length = samples.len();
    let at = at.min(length);
    if frames > 0 {
        samples.drain(at..(at + frames as usize).min(length));
    } else {
        let again: Vec<f64> = samples[at.saturating_sub(frames.unsigned_abs() as usize)..at].to_vec();
        samples.splice(at..at, again);
    }
    samples.resize(length, 0.0);
}

pub fn as_f32(samples: &[f64]) -> Vec<f32> {
    samples.iter().map(|x| *x as f32).collect()
}
