//! What is sent out: a click train, a sweep or a maximum-length sequence, repeated at coded distances.

use crate::units::SampleRate;
use serde::{Deserialize, Serialize};
use std::f64::consts::PI;
use std::fmt;

/// The kind of signal that a probe repeats.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum ProbeKind {
    /// Short band-limited clicks: for cables; many shots in a few seconds.
    Impulses,
    /// Exponential sweeps: for noisy lines and for paths that distort.
    Sweep,
    /// Maximum-length sequences: for noise that is there all the time. A clock that drifts ruins them.
    Mls,
    /// Read from a file.
    Given,
}

/// A signal to be played once, made of equal shots.
#[derive(Clone, Debug)]
pub struct Probe {
    pub kind: ProbeKind,
    pub rate: SampleRate,
    /// Mono. Range: peak 1; whoever plays it scales it.
    pub samples: Vec<f32>,
    /// The frame on which each shot starts, rising.
    pub shots: Vec<usize>,
    /// Frames of one shot.
    pub shot_frames: usize,
}

/// Why samples cannot serve as a probe.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum ProbeFault {
    /// No sample above the floor.
    Silent,
    /// Longer than the search allows.
    TooLong { seconds: f64, allowed: f64 },
}

impl fmt::Display for ProbeFault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            ProbeFault::Silent => write!(f, "the probe is silent: give the file that was played"),
            ProbeFault::TooLong { seconds, allowed } => {
                write!(
                    f,
                    "the probe lasts {seconds:.1} s, {allowed:.0} s at most: cut it to the part that was played"
                )
            }
        }
    }
}

impl std::error::Error for ProbeFault {}

/// From the first shot's start to the last one's end, in seconds: with 2 s of delay and a little air this is ten.
const SPAN_SECONDS: f64 = 7.3;

const CLICK_SECONDS: f64 = 127.0 / 48_000.0;

const SWEEP_SECONDS: f64 = 0.4;

const LOWEST_HZ: f64 = 100.0;

const HIGHEST_HZ: f64 = 20_000.0;

/// The longest probe that a file may bring.
const LONGEST_SECONDS: f64 = 30.0;

impl Probe {
    /// A probe of the usual number of shots: 16 clicks, 5 sweeps or sequences; 7.3 s long, so that with two
    /// seconds of delay it is heard out within ten.
    pub fn new(kind: ProbeKind, rate: SampleRate) -> Probe {
        let shots = if kind == ProbeKind::Impulses { 16 } else { 5 };
        Probe::with_shots(kind, rate, shots, SPAN_SECONDS)
    }

    /// `shots` of them (1 to 16) within about `span_seconds`, not overlapping. `Given` makes clicks.
    pub fn with_shots(kind: ProbeKind, rate: SampleRate, shots: usize, span_seconds: f64) -> Probe {
        let shot = match kind {
            ProbeKind::Impulses | ProbeKind::Given => click(rate),
            ProbeKind::Sweep => sweep(rate),
            ProbeKind::Mls => sequence(rate),
        };
        let marks = marks(shots.clamp(1, 16));
        let room = (span_seconds * f64::from(rate.hertz())) as usize;
        let last = marks.last().copied().unwrap_or(0).max(1);
        let unit = (room.saturating_sub(shot.len()) / last).max(shot.len() + 64);
        let shots: Vec<usize> = marks.iter().map(|mark| mark * unit).collect();
        let mut samples = vec![0.0f32; shots.last().copied().unwrap_or(0) + shot.len()];
        for start in &shots {
            samples[*start..*start + shot.len()].copy_from_slice(&shot);
        }
        Probe { kind, rate, samples, shots, shot_frames: shot.len() }
    }

    /// A probe read from a file: shots are told apart by silence of 10 ms and more; where they are not equal, the
    /// whole is one shot. Errors: silence, or more than half a minute.
    pub fn from_samples(rate: SampleRate, samples: &[f32]) -> Result<Probe, ProbeFault> {
        let seconds = samples.len() as f64 / f64::from(rate.hertz());
        if seconds > LONGEST_SECONDS {
            return Err(ProbeFault::TooLong { seconds, allowed: LONGEST_SECONDS });
        }
        let peak = samples.iter().fold(0.0f32, |peak, sample| peak.max(sample.abs()));
        if peak < 1e-6 || !peak.is_finite() {
            return Err(ProbeFault::Silent);
        }
        let samples: Vec<f32> = samples.iter().map(|sample| sample / peak).collect();
        let (shots, shot_frames) = equal_shots(&samples, f64::from(rate.hertz()));
        Ok(Probe { kind: ProbeKind::Given, rate, samples, shots, shot_frames })
    }

    /// The samples of one shot.
    pub fn shot(&self) -> &[f32] {
        &self.samples[self.shots[0]..self.shots[0] + self.shot_frames]
    }

    /// How many frames of a recording matter, if the delay is `longest_delay` frames at most: record as many.
    pub fn frames_to_record(&self, longest_delay: usize) -> usize {
        self.samples.len() + longest_delay + self.samples.len() / 1000 + 1024
    }
}

/// 0, 1, 3, 7, 12, …: no two distances between marks are equal, so that a train moved against itself meets itself
/// in one place at most and a delay longer than a gap is not taken for a shorter one.
/// Source: Mian and Chowla 1944 (each next number is the smallest that keeps all differences distinct).
pub(super) fn marks(count: usize) -> Vec<usize> {
    let mut marks = vec![0usize];
    let mut taken = std::collections::HashSet::new();
    let mut next = 1;
    while marks.len() < count {
        let distances: Vec<usize> = marks.iter().map(|mark| next - mark).collect();
        if distances.iter().all(|distance| !taken.contains(distance)) {
            taken.extend(distances);
            marks.push(next);
        }
        next += 1;
    }
    marks
}

/// The band that a probe fills: from 100 Hz to 20 kHz or 0.42 of the rate.
fn band(rate: SampleRate) -> (f64, f64) {
    (LOWEST_HZ, HIGHEST_HZ.min(0.42 * f64::from(rate.hertz())))
}

/// A band-limited click of 2.6 ms: difference of two sincs under a Blackman window, its mean taken off.
fn click(rate: SampleRate) -> Vec<f32> {
    let hertz = f64::from(rate.hertz());
    let taps = (CLICK_SECONDS * hertz / 2.0).round() as i64;
    let (low, high) = band(rate);
    let sinc = |n: f64, edge: f64| if n == 0.0 { 2.0 * edge } else { (2.0 * PI * edge * n).sin() / (PI * n) };
    let window = |n: f64| {
        let phase = PI * (n / taps as f64 + 1.0);
        0.42 - 0.5 * phase.cos() + 0.08 * (2.0 * phase).cos()
    };
    let places = || (-taps + 1..taps).map(|n| n as f64);
    let raw: Vec<f64> =
        places().map(|n| window(n) * (sinc(n, high / hertz) - sinc(n, low / hertz))).collect();
    let mean = raw.iter().sum::<f64>() / places().map(window).sum::<f64>();
    full_scale(places().zip(raw).map(|(n, value)| value - mean * window(n)).collect())
}

/// An exponential sweep with faded ends. Source: Farina 2000, AES preprint 5093: x(t) = sin(ω₁ L (e^(t/L) − 1)),
/// L = T / ln(ω₂/ω₁).
fn sweep(rate: SampleRate) -> Vec<f32> {
    let hertz = f64::from(rate.hertz());
    let frames = (SWEEP_SECONDS * hertz).round();
    let (low, high) = band(rate);
    let slope = SWEEP_SECONDS / (high / low).ln();
    let fade = |frames_in: f64, seconds: f64| {
        0.5 - 0.5 * (PI * (frames_in / (seconds * hertz)).clamp(0.0, 1.0)).cos()
    };
    let wave = (0..frames as i64).map(|n| {
        let n = n as f64;
        let phase = 2.0 * PI * low * slope * ((n / hertz / slope).exp() - 1.0);
        phase.sin() * fade(n, 0.01) * fade(frames - 1.0 - n, 0.002)
    });
    full_scale(wave.collect())
}

/// Taps of a shift register whose output repeats only after 2ⁿ − 1 steps. Source: primitive polynomials modulo 2,
/// Watson 1962 (Mathematics of Computation 16): x¹³+x⁴+x³+x+1, x¹⁴+x⁵+x³+x+1, x¹⁵+x+1, x¹⁶+x⁵+x³+x²+1; the tests
/// run each one round its full period.
const POLYNOMIALS: [(u32, &[u32]); 4] =
    [(13, &[4, 3, 1, 0]), (14, &[5, 3, 1, 0]), (15, &[1, 0]), (16, &[5, 3, 2, 0])];

/// One period of the sequence of order `order`, as ±1.
fn maximum_length(order: u32, taps: &[u32]) -> Vec<f64> {
    let mut register = 1u32;
    let period = (1usize << order) - 1;
    let mut out = Vec::with_capacity(period);
    for _ in 0..period {
        out.push(if register & 1 == 1 { 1.0 } else { -1.0 });
        let next = taps.iter().fold(0, |sum, tap| sum ^ (register >> tap)) & 1;
        register = (register >> 1) | (next << (order - 1));
    }
    out
}

/// About 0.35 s of a maximum-length sequence through the click's band.
fn sequence(rate: SampleRate) -> Vec<f32> {
    let wanted = 0.35 * f64::from(rate.hertz());
    let (order, taps) = POLYNOMIALS
        .into_iter()
        .rfind(|(order, _)| f64::from(1u32 << order) <= wanted)
        .unwrap_or(POLYNOMIALS[0]);
    let bits = maximum_length(order, taps);
    let kernel = click(rate);
    let transform = super::spectrum::Transform::of_at_least(bits.len() + kernel.len());
    let mut bins = transform.spectrum(bits.iter().copied());
    let shape = transform.spectrum(kernel.iter().map(|tap| f64::from(*tap)));
    bins.iter_mut().zip(&shape).for_each(|(bin, shape)| *bin *= *shape);
    let mut wave = transform.samples(&mut bins);
    wave.truncate(bits.len() + kernel.len() - 1);
    full_scale(wave)
}

fn full_scale(wave: Vec<f64>) -> Vec<f32> {
    let peak = wave.iter().fold(0.0f64, |peak, sample| peak.max(sample.abs()));
    wave.iter().map(|sample| (sample / peak) as f32).collect()
}

/// Starts of shots and their common length; one shot where they are not all alike.
fn equal_shots(samples: &[f32], hertz: f64) -> (Vec<usize>, usize) {
    let runs = sounding(samples, (0.010 * hertz) as usize);
    let (first, last) = (runs[0], runs[runs.len() - 1]);
    let frames = runs.iter().map(|(from, to)| to - from).max().unwrap_or(1);
    let fits = runs.iter().all(|(from, _)| from + frames <= samples.len() + 2);
    let model = &samples[first.0..(first.0 + frames).min(samples.len())];
    let alike = |from: usize| {
        let other = &samples[from..(from + model.len()).min(samples.len())];
        let dot = |a: &[f32], b: &[f32]| a.iter().zip(b).map(|(a, b)| f64::from(a * b)).sum::<f64>();
        dot(model, other) > 0.999 * (dot(model, model) * dot(other, other)).sqrt()
    };
    if fits && runs.len() <= 64 && runs.iter().all(|(from, _)| alike(*from)) {
        let frames = frames.min(samples.len() - last.0);
        return (runs.iter().map(|(from, _)| *from).collect(), frames);
    }
    (vec![first.0], last.1 - first.0)
}

/// Stretches above −80 dB of the peak, those less than `gap` apart taken together. Not empty: the peak is in one.
fn sounding(samples: &[f32], gap: usize) -> Vec<(usize, usize)> {
    let mut runs: Vec<(usize, usize)> = Vec::new();
    for (place, _) in samples.iter().enumerate().filter(|(_, sample)| sample.abs() > 1e-4) {
        match runs.last_mut() {
            Some(run) if place - run.1 < gap => run.1 = place + 1,
            _ => runs.push((place, place + 1)),
        }
    }
    runs
}

#[cfg(test)]
mod tests {
    use super::*;

    const KINDS: [ProbeKind; 3] = [ProbeKind::Impulses, ProbeKind::Sweep, ProbeKind::Mls];

    #[test]
    fn no_two_distances_between_marks_are_equal() {
        // Published: 1, 2, 4, 8, 13, 21, 31, 45, 66, 81, … (Mian and Chowla), here from 0.
        let marks = marks(16);
        assert_eq!(marks[..10], [0, 1, 3, 7, 12, 20, 30, 44, 65, 80]);
        let mut distances: Vec<usize> =
            marks.iter().flat_map(|a| marks.iter().filter(move |b| *b > a).map(move |b| b - a)).collect();
        distances.sort_unstable();
        assert!(distances.windows(2).all(|pair| pair[0] < pair[1]));
    }

    #[test]
    fn each_polynomial_runs_its_full_period() {
        // Of period 2ⁿ − 1, one more 1 than −1, and a circular autocorrelation of −1 off the peak.
        for (order, taps) in POLYNOMIALS {
            let bits = maximum_length(order, taps);
            assert_eq!(bits.iter().sum::<f64>(), 1.0, "order {order}");
            for lag in [1, 2, 77, bits.len() / 2] {
                let sum: f64 = (0..bits.len()).map(|n| bits[n] * bits[(n + lag) % bits.len()]).sum();
                assert_eq!(sum, -1.0, "order {order}, lag {lag}");
            }
        }
    }

    #[test]
    fn a_measurement_with_two_seconds_of_delay_takes_ten_at_most() {
        for kind in KINDS {
            for hertz in [44_100, 48_000, 96_000, 192_000] {
                let rate = SampleRate::new(hertz).unwrap();
                let probe = Probe::new(kind, rate);
                let seconds = probe.frames_to_record(2 * hertz as usize) as f64 / f64::from(hertz);
                assert!(seconds <= 10.0, "{kind:?} at {hertz}: {seconds} s");
                let peak = probe.samples.iter().fold(0.0f32, |peak, x| peak.max(x.abs()));
                assert_eq!(peak, 1.0);
                assert!(probe.shots.windows(2).all(|pair| pair[1] >= pair[0] + probe.shot_frames));
            }
        }
    }

    #[test]
    fn shots_are_found_again_in_a_saved_probe() {
        for kind in KINDS {
            let made = Probe::new(kind, SampleRate::standard());
            let rounded: Vec<f32> =
                made.samples.iter().map(|x| (x * 0.1 * 8_388_608.0).round() / 8_388_608.0).collect();
            let read = Probe::from_samples(made.rate, &rounded).unwrap();
            let moved = read.shots[0];
            assert_eq!(
                read.shots.iter().map(|shot| shot - moved).collect::<Vec<_>>(),
                made.shots,
                "{kind:?}"
            );
        }
    }

    #[test]
    fn silence_and_an_hour_are_no_probes() {
        let rate = SampleRate::standard();
        assert_eq!(Probe::from_samples(rate, &[0.0; 100]).unwrap_err(), ProbeFault::Silent);
        assert!(matches!(
            Probe::from_samples(rate, &vec![0.1; 48_000 * 31]),
            Err(ProbeFault::TooLong { .. })
        ));
    }
}
