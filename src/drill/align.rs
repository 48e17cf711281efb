//! Where a known click lies in a recording, and how loud.

/// The recording at `shift + n` is `gain` times the reference at `n`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Fit {
    pub shift: i64,
    /// Below 0 when the way turns it upside down.
    pub gain: f64,
    /// What the fit leaves of the recording's energy there, 0 to 1.
    pub left: f64,
}

/// Louder than this part of the largest sample, a sound has begun.
const BEGUN: f32 = 0.2;
/// First sounds of either side that are tried against each other.
const TRIED: usize = 10;
/// A place is looked for this close around each pair of onsets.
const AROUND: i64 = 8;

/// Lays the reference over the recording: each of its first sounds on each of the recording's, and the best fit counts.
/// `None` when either is silent, or nothing fits.
pub fn lay(recording: &[f32], reference: &[f32], hertz: u32) -> Option<Fit> {
    let sounding = sounding(reference)?;
    let (theirs, ours) = (onsets(recording, hertz), onsets(reference, hertz));
    let pairs = theirs.iter().flat_map(|theirs| ours.iter().map(move |ours| theirs - ours));
    let mut coarse: Vec<i64> =
        pairs.flat_map(|shift| [shift - AROUND / 2, shift, shift + AROUND / 2]).collect();
    coarse.sort_unstable();
    coarse.dedup();
    let score =
        |shift: &i64| fit(recording, &sounding, *shift).map_or(0.0, |(gain, power)| gain * gain * power);
    let best = |places: &mut dyn Iterator<Item = i64>| {
        places.map(|shift| (shift, score(&shift))).max_by(|one, two| one.1.total_cmp(&two.1))
    };
    // Every onset is a peak within a few frames of the true place: the finest of a few is it.
    let mut near: Vec<(i64, f64)> = coarse.iter().map(|shift| (*shift, score(shift))).collect();
    near.sort_by(|one, two| two.1.total_cmp(&one.1));
    let (shift, score) = best(&mut near.iter().take(12).flat_map(|(s, _)| s - AROUND..=s + AROUND))?;
    let (gain, power) = fit(recording, &sounding, shift)?;
    let energy: f64 = sounding.iter().map(|(frame, _)| square(recording, shift + frame)).sum();
    (score > 0.0 && power > 0.0).then_some(Fit {
        shift,
        gain,
        left: 1.0 - (score / energy.max(1e-30)).min(1.0),
    })
}

/// Frames and values where the reference is not silent.
fn sounding(reference: &[f32]) -> Option<Vec<(i64, f32)>> {
    let floor = 0.1 * peak(reference);
    let there = (0..).zip(reference).filter(|(_, sample)| sample.abs() > floor);
    let all: Vec<(i64, f32)> = there.map(|(frame, sample)| (frame, *sample)).collect();
    (!all.is_empty() && floor > 0.0).then_some(all)
}

/// The gain of least squares, and the reference's power.
fn fit(recording: &[f32], sounding: &[(i64, f32)], shift: i64) -> Option<(f64, f64)> {
    let (mut product, mut power) = (0.0, 0.0);
    for (frame, sample) in sounding {
        let heard = usize::try_from(shift + frame).ok().and_then(|at| recording.get(at)).copied();
        product += f64::from(heard.unwrap_or(0.0)) * f64::from(*sample);
        power += f64::from(*sample) * f64::from(*sample);
    }
    (power > 0.0).then(|| (product / power, power))
}

fn square(samples: &[f32], frame: i64) -> f64 {
    let sample = usize::try_from(frame).ok().and_then(|at| samples.get(at)).copied().unwrap_or(0.0);
    f64::from(sample) * f64::from(sample)
}

fn peak(samples: &[f32]) -> f32 {
    samples.iter().fold(0.0, |most, sample| most.max(sample.abs()))
}

/// Where the first sounds begin, each after a thirtieth of a second of silence.
fn onsets(samples: &[f32], hertz: u32) -> Vec<i64> {
    let floor = BEGUN * peak(samples);
    let mut onsets: Vec<i64> = Vec::new();
    let mut loud_at = i64::MIN / 2;
    for (frame, _) in (0i64..).zip(samples).filter(|(_, sample)| floor > 0.0 && sample.abs() > floor) {
        if frame - loud_at > i64::from(hertz) / 30 {
            onsets.push(frame);
        }
        loud_at = frame;
        if onsets.len() == TRIED {
            break;
        }
    }
    onsets
}

#[cfg(test)]
mod tests {
    use super::*;

    fn clicks(at: &[usize], length: usize) -> Vec<f32> {
        let mut samples = vec![0.0; length];
        for (index, at) in at.iter().enumerate() {
            for n in 0..200 {
                let level = if index % 4 == 0 { 1.0 } else { 0.6 };
                samples[at + n] = level * (n as f32 * 0.26).sin() * (-(n as f32) / 60.0).exp();
            }
        }
        samples
    }

    #[test]
    fn a_click_is_found_where_it_lies_however_quiet_and_upside_down() {
        let at: Vec<usize> = (0..8).map(|n| 1000 + 11_000 * n).collect();
        let reference = clicks(&at, 100_000);
        let moved: Vec<usize> = at.iter().map(|at| at + 777).collect();
        let recording: Vec<f32> = clicks(&moved, 101_000).iter().map(|sample| -0.05 * sample).collect();
        let fit = lay(&recording, &reference, 48_000).unwrap();
        assert_eq!(fit.shift, 777);
        assert!((fit.gain + 0.05).abs() < 1e-6 && fit.left < 1e-6, "{fit:?}");
    }

    #[test]
    fn silence_and_another_click_are_not_taken_for_it() {
        let reference = clicks(&[1000, 12_000, 23_000], 60_000);
        assert_eq!(lay(&[0.0; 60_000], &reference, 48_000), None);
        let other = clicks(&[500, 5_300, 30_000], 60_000);
        assert!(lay(&other, &reference, 48_000).is_none_or(|fit| fit.left > 0.05 || fit.gain < 0.9));
    }
}
