//! Where the shots came back, to the nearest frame: matched filter, peaks, and the one line through them.
//!
//! A shot that came back after `d` frames peaks at its start plus `d`. Peaks of all shots vote for `d`; the coded
//! distances between shots leave a wrong `d` without votes. A clock that drifts bends the line by `slope`.

use super::probe::Probe;
use super::spectrum::{Bin, SEARCH, Transform, energy, weigh};

/// Silence put before the recording, so that a shot on frame 0, or shortly before it, is seen whole.
pub const LEAD: usize = 256;

/// Samples that the filter rings beyond a shot; that much of each block's ends is thrown away.
const RINGING: usize = 512;

/// The largest drift that a line through the shots may have.
pub const STEEPEST: f64 = 400e-6;

/// Frames that a peak may lie beside the line.
const ON_LINE: f64 = 1.5;

/// What is searched in.
pub struct Heard {
    /// `LEAD` zeros, then the recording without its mean; as long as the search can use.
    pub samples: Vec<f64>,
    /// Matched filter's output for a shot starting at each place of `samples`, scaled so that white noise of
    /// standard deviation σ gives σ.
    pub match_at: Vec<f32>,
    /// Its own spread where nothing came back: the median of its magnitude / 0.6745.
    pub floor: f64,
}

/// A place where the matched filter peaks.
#[derive(Clone, Copy, Debug)]
pub struct Peak {
    pub place: usize,
    pub height: f32,
}

/// A shot found: which one, and how many frames after its start (LEAD taken off).
#[derive(Clone, Copy, Debug)]
pub struct Found {
    pub shot: usize,
    pub delay: i64,
    pub height: f32,
}

/// Runs the matched filter over what of `recording` matters.
pub fn hear(probe: &Probe, recording: &[f32], longest_delay: usize) -> Heard {
    let used = recording.len().min(probe.frames_to_record(longest_delay));
    let recording = &recording[..used];
    let mean = recording.iter().map(|x| f64::from(*x)).sum::<f64>() / used.max(1) as f64;
    let mut samples = vec![0.0; LEAD + used + probe.shot_frames.min(1 << 20)];
    for (slot, sample) in samples[LEAD..].iter_mut().zip(recording) {
        *slot = if sample.is_finite() { f64::from(*sample) - mean } else { 0.0 };
    }
    let match_at = matched(probe, &samples, LEAD + used);
    let floor = median_magnitude(&match_at) / 0.6745;
    Heard { samples, match_at, floor }
}

/// Correlation with the shot at each of `places` places, block by block.
fn matched(probe: &Probe, samples: &[f64], places: usize) -> Vec<f32> {
    let shot = probe.shot();
    let transform = Transform::of_at_least((2 * shot.len() + 4 * RINGING).max(1 << 14));
    let rate = f64::from(probe.rate.hertz());
    let mut template = transform.spectrum(shot.iter().map(|x| f64::from(*x)));
    weigh(&mut template, transform.size, rate, SEARCH);
    let scale = 1.0 / energy(&template, transform.size).sqrt().max(f64::MIN_POSITIVE);
    let step = transform.size - shot.len() - 2 * RINGING;
    let mut out = Vec::with_capacity(places + step);
    while out.len() < places {
        let from = out.len() as i64 - RINGING as i64;
        let block = (from..from + transform.size as i64).map(|place| {
            usize::try_from(place).ok().and_then(|place| samples.get(place)).copied().unwrap_or(0.0)
        });
        let mut bins: Vec<Bin> = transform.spectrum(block);
        bins.iter_mut().zip(&template).for_each(|(bin, shape)| *bin *= shape.conj() * scale);
        let correlated = transform.samples(&mut bins);
        out.extend(correlated[RINGING..RINGING + step].iter().map(|x| *x as f32));
    }
    out.truncate(places);
    out
}

/// Of every third value at most a million: enough for a floor.
fn median_magnitude(values: &[f32]) -> f64 {
    let mut magnitudes: Vec<f32> = values.iter().step_by(3).map(|x| x.abs()).collect();
    if magnitudes.is_empty() {
        return 0.0;
    }
    let middle = magnitudes.len() / 2;
    let (_, median, _) = magnitudes.select_nth_unstable_by(middle, f32::total_cmp);
    f64::from(*median)
}

/// The largest peaks above `threshold`, at least `apart` frames from each other, `most` at most.
pub fn peaks(heard: &Heard, threshold: f64, apart: usize, most: usize) -> Vec<Peak> {
    let mut peaks: Vec<Peak> = Vec::new();
    for (place, value) in heard.match_at.iter().enumerate() {
        let height = *value;
        if f64::from(height.abs()) < threshold {
            continue;
        }
        match peaks.last_mut() {
            Some(last) if place - last.place < apart => {
                if height.abs() > last.height.abs() {
                    *last = Peak { place, height };
                }
            }
            _ => peaks.push(Peak { place, height }),
        }
    }
    peaks.sort_by(|a, b| b.height.abs().total_cmp(&a.height.abs()));
    peaks.truncate(most);
    peaks
}

/// Every peak as every shot that it could be, by delay.
pub fn votes(probe: &Probe, peaks: &[Peak], longest_delay: usize) -> Vec<Found> {
    let range = -(LEAD as i64)..=longest_delay as i64 + LEAD as i64;
    let mut votes: Vec<Found> = peaks
        .iter()
        .flat_map(|peak| {
            probe.shots.iter().enumerate().map(move |(shot, start)| Found {
                shot,
                delay: peak.place as i64 - LEAD as i64 - *start as i64,
                height: peak.height,
            })
        })
        .filter(|found| range.contains(&found.delay))
        .collect();
    votes.sort_by_key(|found| found.delay);
    votes
}

/// The votes within the widest drift of each other that come from most shots; among equals, the strongest.
pub fn best_cluster(probe: &Probe, votes: &[Found]) -> Vec<Found> {
    let span = (probe.shots[probe.shots.len() - 1] - probe.shots[0]) as f64;
    let width = (span * STEEPEST).ceil() as i64 + 2;
    let mut counts = vec![0usize; probe.shots.len()];
    let (mut from, mut different, mut strength) = (0, 0, 0.0f64);
    let mut best = (0, 0.0f64, 0..0);
    for (to, vote) in votes.iter().enumerate() {
        counts[vote.shot] += 1;
        different += usize::from(counts[vote.shot] == 1);
        strength += f64::from(vote.height.abs());
        while vote.delay - votes[from].delay > width {
            counts[votes[from].shot] -= 1;
            different -= usize::from(counts[votes[from].shot] == 0);
            strength -= f64::from(votes[from].height.abs());
            from += 1;
        }
        if (different, strength) > (best.0, best.1) {
            best = (different, strength, from..to + 1);
        }
    }
    votes[best.2].to_vec()
}

/// The line `delay = a + slope × start` through most of the cluster's shots, and the shots on it, one vote each.
pub fn line(probe: &Probe, cluster: &[Found]) -> Vec<Found> {
    let mut strongest = cluster.to_vec();
    strongest.sort_by(|a, b| b.height.abs().total_cmp(&a.height.abs()));
    strongest.truncate(96);
    let start = |found: &Found| probe.shots[found.shot] as f64;
    let mut best: Vec<Found> = strongest.first().map(|found| vec![*found]).unwrap_or_default();
    for (index, one) in strongest.iter().enumerate() {
        for other in &strongest[index + 1..] {
            let apart = start(other) - start(one);
            let slope = (other.delay - one.delay) as f64 / apart;
            if apart == 0.0 || slope.abs() > STEEPEST + 2.0 / apart.abs() {
                continue;
            }
            let on =
                on_line(probe, &strongest, |found| one.delay as f64 + slope * (start(found) - start(one)));
            if weight(&on) > weight(&best) {
                best = on;
            }
        }
    }
    best.sort_by_key(|found| found.shot);
    best
}

/// More shots win, then louder ones.
fn weight(found: &[Found]) -> (usize, f64) {
    (found.len(), found.iter().map(|found| f64::from(found.height.abs())).sum())
}

/// For each shot, the strongest vote near where the line wants it (they come strongest first).
fn on_line(probe: &Probe, votes: &[Found], wanted: impl Fn(&Found) -> f64) -> Vec<Found> {
    let mut taken = vec![false; probe.shots.len()];
    let near = votes.iter().filter(|found| (found.delay as f64 - wanted(found)).abs() <= ON_LINE);
    near.filter(|found| !std::mem::replace(&mut taken[found.shot], true)).copied().collect()
}
