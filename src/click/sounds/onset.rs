//! Where a recorded sound begins.

use crate::units::SampleRate;

/// How an onset is looked for.
#[derive(Clone, Copy, Debug)]
pub(super) struct Search {
    /// Length of the energy window in ms.
    window_ms: f64,
    /// The window's energy passes this, in dB below the loudest window: the sound is there.
    there: f64,
    /// Amplitude in dB below the rise's own peak: the rise starts here.
    start: f64,
    /// The rise starts at most this long before it is there.
    back_ms: f64,
    /// What lies before the onset and is kept, at most.
    pub lead_ms: f64,
    /// Below this, in dB under the peak, nothing needs to be kept.
    quiet: f64,
}

/// A struck sound: the start of the rise is the beat.
pub(super) const STRUCK: Search =
    Search { window_ms: 0.5, there: -20.0, start: -30.0, back_ms: 5.0, lead_ms: 5.0, quiet: -60.0 };

/// A spoken count: the beat is heard near the start of the vowel (its perceptual centre: Morton, Marcus and
/// Frankish 1976, from memory), the consonant before it is the lead.
pub(super) const SPOKEN: Search =
    Search { window_ms: 10.0, there: -12.0, start: -20.0, back_ms: 30.0, lead_ms: 150.0, quiet: -50.0 };

/// The onset and the first frame worth keeping.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Onset {
    pub at: usize,
    pub keep_from: usize,
}

/// Two steps: the first window whose energy passes a threshold relative to the loudest window, then back
/// to where that rise starts: the last place before which, for a whole window, nothing is above `start` (or
/// above four times the noise before it). `None` for silence.
pub(super) fn find(samples: &[f32], rate: SampleRate, search: Search) -> Option<Onset> {
    let frames = |ms: f64| rate.frames(ms / 1_000.0).0.max(1) as usize;
    let window = frames(search.window_ms);
    let there = first_loud(samples, window, gain(search.there))?;
    let rise = &samples[there..(there + frames(5.0).max(window)).min(samples.len())];
    let noise = noise_before(samples, there, frames(search.back_ms), frames(20.0));
    let floor = (peak(rise) * gain(search.start)).max(4.0 * noise);
    let at = walk_back(samples, there, floor, frames(search.back_ms), window.max(frames(1.0)));
    let floor = (peak(samples) * gain(search.quiet)).max(4.0 * noise);
    let keep_from = walk_back(samples, at, floor, frames(search.lead_ms), frames(search.lead_ms));
    Some(Onset { at, keep_from })
}

/// First frame of the first window whose energy is within `ratio` (of amplitude) of the loudest one.
fn first_loud(samples: &[f32], window: usize, ratio: f32) -> Option<usize> {
    let energies = window_energies(samples, window);
    let loudest = energies.iter().copied().fold(0.0, f64::max);
    if loudest <= 0.0 {
        return None;
    }
    let threshold = loudest * f64::from(ratio) * f64::from(ratio);
    energies.iter().position(|e| *e >= threshold)
}

/// Sum of squares of the window that *ends* at each frame, from a running sum in f64.
fn window_energies(samples: &[f32], window: usize) -> Vec<f64> {
    let mut sum = 0.0;
    let square = |x: f32| f64::from(x) * f64::from(x);
    let energy = |(n, x): (usize, &f32)| {
        sum += square(*x);
        if n >= window {
            sum -= square(samples[n - window]);
        }
        sum.max(0.0)
    };
    samples.iter().enumerate().map(energy).collect()
}

/// The quietest `span` of what lies more than `gap` before `there`, as RMS; 0 when there is none.
fn noise_before(samples: &[f32], there: usize, gap: usize, span: usize) -> f32 {
    let rms = |part: &[f32]| (part.iter().map(|x| x * x).sum::<f32>() / part.len() as f32).sqrt();
    let quietest = samples[..there.saturating_sub(gap)].rchunks_exact(span).map(rms).reduce(f32::min);
    quietest.unwrap_or(0.0)
}

/// The earliest frame above `floor` that is reached from `from` without a pause of `gap`, at most `limit` back.
fn walk_back(samples: &[f32], from: usize, floor: f32, limit: usize, gap: usize) -> usize {
    let mut earliest = from;
    for at in (from.saturating_sub(limit)..from).rev() {
        if samples[at].abs() > floor {
            earliest = at;
        } else if earliest - at >= gap {
            break;
        }
    }
    earliest
}

pub(super) fn peak(samples: &[f32]) -> f32 {
    samples.iter().fold(0.0, |m, x| m.max(x.abs()))
}

fn gain(decibels: f64) -> f32 {
    10f64.powf(decibels / 20.0) as f32
}
