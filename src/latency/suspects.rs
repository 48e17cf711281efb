//! What else a recording tells: flat tops, hum, a second arrival, the trail of a room.

use super::estimate::Fine;
use super::probe::Probe;
use super::search::{Heard, LEAD};
use super::spectrum::{Bin, SEARCH, Transform, energy, weigh};
use std::f64::consts::TAU;

/// The level of a linear value, −200 dB at least.
pub fn decibels(linear: f64) -> f64 {
    20.0 * linear.abs().max(1e-10).log10()
}

pub fn peak(samples: &[f32]) -> f64 {
    f64::from(samples.iter().filter(|x| x.is_finite()).fold(0.0f32, |peak, x| peak.max(x.abs())))
}

/// Samples in runs of three and more that lie at the recording's peak, alike to a millionth: a wave has no such
/// top. 0 below −60 dBFS, where single steps of a converter are that flat.
pub fn flat_samples(samples: &[f32]) -> usize {
    let top = peak(samples) as f32;
    if top < 1e-3 {
        return 0;
    }
    flat_at(samples, top * (1.0 - 1e-6))
}

/// Samples in runs of three and more, on one side, that reach a level.
pub fn flat_at(samples: &[f32], level: f32) -> usize {
    let (mut flat, mut run, mut side) = (0, 0, 0.0f32);
    for sample in samples.iter().chain(&[0.0]) {
        let there = sample.abs() >= level;
        if there && (run == 0 || sample.signum() == side) {
            run += 1;
        } else {
            flat += if run >= 3 { run } else { 0 };
            run = usize::from(there);
        }
        side = sample.signum();
    }
    flat
}

/// Mains hum: its frequency, its level and its share of the recording's power with its next seven harmonics.
pub struct Hum {
    pub hertz: f64,
    pub level: f64,
    pub share: f64,
}

/// The strongest tone between 46 and 64 Hz, in steps of a quarter hertz, over four seconds at most.
pub fn hum(samples: &[f32], rate: f64) -> Hum {
    let used = &samples[..samples.len().min((4.0 * rate) as usize)];
    let every = ((rate / 3000.0) as usize).max(1);
    let mean = used.iter().map(|x| f64::from(*x)).sum::<f64>() / used.len().max(1) as f64;
    let power = used.iter().map(|x| (f64::from(*x) - mean).powi(2)).sum::<f64>() / used.len().max(1) as f64;
    let slow: Vec<f64> = used
        .chunks_exact(every)
        .map(|part| part.iter().map(|x| f64::from(*x) - mean).sum::<f64>() / every as f64)
        .collect();
    let tone = |hertz: f64| {
        let turn = Bin::from_polar(1.0, -TAU * hertz * every as f64 / rate);
        let (mut sum, mut phase) = (Bin::new(0.0, 0.0), Bin::new(1.0, 0.0));
        for sample in &slow {
            sum += phase * *sample;
            phase *= turn;
        }
        2.0 * sum.norm() / slow.len().max(1) as f64
    };
    let hertz = (0..=72)
        .map(|step| 46.0 + f64::from(step) * 0.25)
        .max_by(|a, b| tone(*a).total_cmp(&tone(*b)))
        .unwrap_or(50.0);
    let together: f64 = (1..=8).map(|n| tone(hertz * f64::from(n)).powi(2) / 2.0).sum();
    Hum { hertz, level: tone(hertz), share: together / power.max(1e-30) }
}

/// What all shots have in common around their mean delay: the median of the matched filter at each lag, each shot
/// turned to the same polarity. A median, because another shot's peak falls into it once at most.
pub struct Common {
    /// Lag of the first value.
    pub from: i64,
    pub values: Vec<f64>,
    /// The main peak's height.
    pub height: f64,
    /// What a shot alone would leave there, for a height of 1; lag 0 in the middle. See [`own_shape`].
    shape: Vec<f64>,
    /// Spread of a value by noise.
    pub noise: f64,
}

/// How far behind the main peak to look, and how far its own shape reaches, in seconds.
const BEHIND: f64 = 0.1;
const SHAPE: f64 = 0.060;

/// `height` is that of one shot in the matched filter.
pub fn common(probe: &Probe, heard: &Heard, shots: &[Fine], height: f64, longest_delay: usize) -> Common {
    let rate = f64::from(probe.rate.hertz());
    let mean = shots.iter().map(|fine| fine.delay).sum::<f64>() / shots.len().max(1) as f64;
    let delay = mean.round() as i64;
    let place = |fine: &Fine| (probe.shots[fine.shot] + LEAD) as i64 + delay;
    let places: Vec<(i64, f64)> = shots.iter().map(|fine| (place(fine), fine.gain.signum())).collect();
    let from = -(delay.clamp(0, longest_delay as i64) + LEAD as i64);
    let to = (BEHIND * rate) as i64;
    let mut column = Vec::with_capacity(places.len());
    let values = (from..=to).map(|lag| {
        column.clear();
        // What lies outside the recording is silent: left out, it would leave the others without a majority.
        column.extend(places.iter().map(|(place, sign)| {
            let value = usize::try_from(place + lag).ok().and_then(|place| heard.match_at.get(place));
            f64::from(*value.unwrap_or(&0.0)) * sign
        }));
        in_common(&mut column)
    });
    let noise = heard.floor * 1.25 / (shots.len().max(1) as f64).sqrt();
    Common {
        from,
        values: values.collect(),
        height,
        shape: own_shape(probe, SHAPE, mean - delay as f64),
        noise,
    }
}

impl Common {
    /// The value at a lag, less what the shot's own shape puts there.
    fn less(&self, lag: i64) -> Option<f64> {
        let value = self.at(lag)?;
        let middle = self.shape.len() as i64 / 2;
        let own = usize::try_from(lag + middle)
            .ok()
            .and_then(|place| self.shape.get(place))
            .copied()
            .unwrap_or(0.0);
        Some(value - own * self.height)
    }

    fn at(&self, lag: i64) -> Option<f64> {
        self.values.get(usize::try_from(lag - self.from).ok()?).copied()
    }

    /// The last lag there is.
    fn to(&self) -> i64 {
        self.from + self.values.len() as i64 - 1
    }
}

/// The middle value; of an even count, what the middle two have in common: the smaller of two alike, else 0.
fn in_common(values: &mut [f64]) -> f64 {
    let middle = values.len() / 2;
    if values.len() % 2 == 1 || values.is_empty() {
        return median(values);
    }
    values.sort_unstable_by(f64::total_cmp);
    let (low, high) = (values[middle - 1], values[middle]);
    if low > 0.0 { low } else { high.min(0.0) }
}

/// The middle value, 0 of none; of an even count the mean of the middle two.
pub fn median(values: &mut [f64]) -> f64 {
    let middle = values.len() / 2;
    values.sort_unstable_by(f64::total_cmp);
    match values.len() {
        0 => 0.0,
        n if n % 2 == 1 => values[middle],
        _ => (values[middle - 1] + values[middle]) / 2.0,
    }
}

/// Another arrival: its lag against the main one, its height against it.
#[derive(Clone, Copy, Debug)]
pub struct Other {
    pub lag: i64,
    pub height: f64,
}

/// The strongest other arrival well before the main one, right beside it, and behind it.
pub fn others(probe: &Probe, common: &Common) -> (Option<Other>, Option<Other>, Option<Other>) {
    // So near behind, a path's own response is still sounding.
    let near = (0.0005 * f64::from(probe.rate.hertz())) as i64;
    let strongest = |lags: std::ops::RangeInclusive<i64>| {
        lags.filter_map(|lag| Some(Other { lag, height: common.less(lag)?.abs() / common.height }))
            .max_by(|a, b| a.height.total_cmp(&b.height))
    };
    (strongest(common.from..=-near), strongest(1 - near..=3), strongest(near..=common.to()))
}

/// What the matched filter gives for a shot of height 1 whose top lies `fraction` behind the middle value;
/// `seconds` to both sides.
fn own_shape(probe: &Probe, seconds: f64, fraction: f64) -> Vec<f64> {
    let rate = f64::from(probe.rate.hertz());
    let lags = (seconds * rate) as usize;
    let shot = probe.shot();
    let transform = Transform::of_at_least((2 * shot.len()).max(2 * lags) + 1024);
    let size = transform.size;
    let plain = transform.spectrum(shot.iter().map(|x| f64::from(*x)));
    let mut bins = plain.clone();
    weigh(&mut bins, size, rate, SEARCH);
    let top = energy(&bins, size).max(f64::MIN_POSITIVE);
    for (k, (bin, plain)) in bins.iter_mut().zip(&plain).enumerate() {
        *bin *= plain.conj() * Bin::from_polar(1.0 / top, -TAU * k as f64 * fraction / size as f64);
    }
    let shape = transform.samples(&mut bins);
    shape[size - lags..].iter().chain(&shape[..=lags]).copied().collect()
}

/// Energy from 1 to 60 ms behind the main peak against its own, in decibels, when it is more than noise explains.
pub fn trail(probe: &Probe, common: &Common) -> Option<f64> {
    let rate = f64::from(probe.rate.hertz());
    let lag = |seconds: f64| (seconds * rate) as i64;
    let main: f64 =
        (-lag(0.001)..lag(0.001)).filter_map(|lag| common.at(lag)).map(|value| value * value).sum();
    let count = (lag(0.060) - lag(0.001)) as f64;
    let rest = (lag(0.001)..lag(0.060)).filter_map(|lag| common.less(lag)).map(|value| value * value);
    let behind = rest.sum::<f64>() - count * common.noise.powi(2);
    let doubt = 4.0 * (4.0 * count).sqrt() * common.noise.powi(2);
    (behind > doubt && main > 0.0).then(|| 10.0 * (behind / main).log10())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_flat_top_is_found_and_a_round_one_is_not() {
        let wave: Vec<f32> = (0..48_000).map(|n| (n as f32 * 0.013).sin() * 0.5).collect();
        assert_eq!(flat_samples(&wave), 0);
        let cut: Vec<f32> = wave.iter().map(|x| x.clamp(-0.4, 0.4)).collect();
        assert!(flat_samples(&cut) > 1000);
    }

    #[test]
    fn hum_is_found_where_it_is() {
        for hertz in [48.25, 50.0, 61.5] {
            let wave: Vec<f32> = (0..96_000)
                .map(|n| (TAU * hertz * f64::from(n) / 48_000.0).sin() as f32 * 0.1 + 0.2)
                .collect();
            let hum = hum(&wave, 48_000.0);
            assert!((hum.hertz - hertz).abs() <= 0.25 && hum.share > 0.8 && (hum.level - 0.1).abs() < 0.005);
        }
    }
}
