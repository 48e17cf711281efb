//! Two inputs that carry one click: how far they lie apart, and what levels them.

use super::refusal::Refusal;
use super::search::STEEPEST;
use super::spectrum::{Bin, SEARCH, Transform, energy, sides};
use super::suspects::{decibels, flat_samples, median, peak};
use crate::units::SampleRate;
use serde::{Deserialize, Serialize};
use std::f64::consts::TAU;

/// Two inputs compared. Positive: the second is later.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Comparison {
    pub offset_frames: f64,
    pub offset_ms: f64,
    /// Half width of the 95 % interval.
    pub interval_95_frames: f64,
    /// Frames to delay each feed by, so that both arrive together: one of the two is 0.
    pub delay_first_frames: f64,
    pub delay_second_frames: f64,
    /// The second is turned over against the first.
    pub inverted: bool,
    /// Level of the second against the first.
    pub level_db: f64,
    /// How alike they are, 0 to 1, the offset taken out: a compander or another room lowers it.
    pub likeness: f64,
    /// Stretches compared.
    pub stretches: usize,
    pub drift_ppm: f64,
}

/// Stretches that a recording is cut into.
const STRETCHES: usize = 12;

/// Fewer than this, and nothing shows whether the offset holds.
const FEWEST: usize = 4;

/// Below this, the two are not the same click.
const LIKENESS: f64 = 0.5;

/// A second peak so near the first in height leaves two answers.
const RIVAL: f64 = 0.85;

/// A stretch with less than this share of the loudest one's power holds no click worth comparing.
const SOFTEST: f64 = 0.03;

/// A click and what rings after it.
const MOMENT_SECONDS: f64 = 0.04;

/// One stretch of both.
struct Piece {
    middle: f64,
    offset: f64,
    gain: f64,
    likeness: f64,
    /// Height of the correlation.
    shared: f64,
    rival: Option<(f64, f64)>,
}

/// Offset of `second` against `first`, both recorded at once, no more than `widest_ms` apart (held to 1 to 200;
/// clicks that follow each other sooner than twice that cannot be told apart).
///
/// Shape: mono; the shorter counts. Errors: silence, clipping, two that are not alike or whose offset does not hold.
pub fn compare(
    first: &[f32],
    second: &[f32],
    rate: SampleRate,
    widest_ms: f64,
) -> Result<Comparison, Refusal> {
    let frames = first.len().min(second.len());
    let (first, second) = (&first[..frames], &second[..frames]);
    for input in [first, second] {
        let peak_db = decibels(peak(input));
        if peak_db < -100.0 {
            return Err(Refusal::NothingCameBack { peak_db });
        }
        let samples = flat_samples(input);
        if samples > 0 {
            return Err(Refusal::Clipped { samples, peak_db });
        }
    }
    let widest = (widest_ms.clamp(1.0, 200.0) / 1e3 * f64::from(rate.hertz())) as usize;
    let whole = judge(pieces(first, second, rate, widest, stretches(first, rate)), rate);
    match whole {
        // Short clicks drown in what lies between them: there only their own moments are compared.
        Err(Refusal::NotAlike { .. } | Refusal::TooNoisy { .. }) => {
            judge(pieces(first, second, rate, widest, moments(first, rate)), rate).or(whole)
        }
        whole => whole,
    }
}

/// Where to compare: starts, rising, and one length for all, in frames.
type Places = (Vec<usize>, usize);

/// Equal stretches, side by side, of four seconds at most.
fn stretches(first: &[f32], rate: SampleRate) -> Places {
    let length = (first.len() / STRETCHES).clamp(1, 4 * rate.hertz() as usize);
    ((0..first.len() / length).map(|n| n * length).take(4 * STRETCHES).collect(), length)
}

/// The loudest moment of each stretch, with a little around it.
fn moments(first: &[f32], rate: SampleRate) -> Places {
    let frames = |seconds: f64| (seconds * f64::from(rate.hertz())) as usize;
    let (short, length) = (frames(0.005), frames(MOMENT_SECONDS));
    let (starts, stretch) = stretches(first, rate);
    if stretch < length {
        return (Vec::new(), length);
    }
    let loudest = |from: usize| {
        let sounds = first[from..from + stretch].chunks(short.max(1));
        let energies = sounds.map(|sound| sound.iter().map(|x| f64::from(*x).powi(2)).sum::<f64>());
        let found = energies.enumerate().max_by(|a, b| a.1.total_cmp(&b.1)).map_or(0, |(index, _)| index);
        let middle = from + found * short + short / 2;
        middle.saturating_sub(length / 2).min(first.len() - length)
    };
    (starts.into_iter().map(loudest).collect(), length)
}

fn pieces(first: &[f32], second: &[f32], rate: SampleRate, widest: usize, places: Places) -> Vec<Piece> {
    let (starts, length) = places;
    if length < 256 {
        return Vec::new();
    }
    let transform = Transform::of_at_least(length + 2 * widest + 64);
    let power = |from: usize| first[from..from + length].iter().map(|x| f64::from(*x).powi(2)).sum::<f64>();
    let loudest = starts.iter().map(|from| power(*from)).fold(0.0, f64::max);
    let worth = starts.iter().filter(|from| power(**from) > SOFTEST * loudest);
    let mut found: Vec<Piece> =
        worth.filter_map(|from| piece(&transform, first, second, rate, *from, length, widest)).collect();
    // What holds only noise shares next to nothing with the other input.
    let most = found.iter().map(|piece| piece.shared).fold(0.0, f64::max);
    found.retain(|piece| piece.shared > SOFTEST * most);
    found
}

/// One stretch: the second input is looked at as much wider as the offset may be.
fn piece(
    transform: &Transform,
    first: &[f32],
    second: &[f32],
    rate: SampleRate,
    from: usize,
    length: usize,
    widest: usize,
) -> Option<Piece> {
    let wide = from as i64 - widest as i64;
    let around = (wide..(from + length + widest) as i64)
        .map(|n| usize::try_from(n).ok().and_then(|n| second.get(n)).map_or(0.0, |x| f64::from(*x)));
    let hertz = f64::from(rate.hertz());
    let one = transform.heard(first[from..from + length].iter().map(|x| f64::from(*x)), hertz, SEARCH);
    let other = transform.heard(around, hertz, SEARCH);
    let cross: Vec<Bin> = other.iter().zip(&one).map(|(b, a)| b * a.conj()).collect();
    let curve = transform.samples(&mut cross.clone());
    let curve = &curve[..=2 * widest];
    let highest = |keep: &dyn Fn(usize) -> bool| {
        (0..curve.len()).filter(|lag| keep(*lag)).max_by(|a, b| curve[*a].abs().total_cmp(&curve[*b].abs()))
    };
    let lag = highest(&|_| true)?;
    let rival =
        highest(&|other| other.abs_diff(lag) > (0.001 * f64::from(rate.hertz())) as usize).map(|other| {
            (other as f64 - widest as f64, curve[other].abs() / curve[lag].abs().max(f64::MIN_POSITIVE))
        });
    let (at, height) = top(&cross, transform.size, lag as f64)?;
    let own = energy(&one, transform.size);
    let here = (from as i64 + at as i64 - widest as i64).max(0) as usize;
    let beside = {
        let stretch = second.iter().skip(here).take(length).map(|x| f64::from(*x));
        energy(&transform.heard(stretch, hertz, SEARCH), transform.size)
    };
    Some(Piece {
        middle: (from + length / 2) as f64,
        offset: at - widest as f64,
        gain: height / own,
        shared: height.abs(),
        likeness: (height.abs() / (own * beside).sqrt().max(f64::MIN_POSITIVE)).min(1.0),
        rival,
    })
}

/// The top of a band-limited correlation near `guess`, and its height: Newton's method, as for a shot.
fn top(cross: &[Bin], size: usize, guess: f64) -> Option<(f64, f64)> {
    let mut at = guess;
    let mut height = 0.0;
    for _ in 0..10 {
        let (mut slope, mut bend) = (0.0, 0.0);
        height = 0.0;
        for (k, bin) in cross.iter().enumerate() {
            let omega = TAU * k as f64 / size as f64;
            let turned = bin * Bin::from_polar(sides(k, size), omega * at);
            height += turned.re;
            slope -= omega * turned.im;
            bend -= omega * omega * turned.re;
        }
        let step = if bend * height < 0.0 { -slope / bend } else { 0.25 * (slope * height).signum() };
        at += step.clamp(-0.5, 0.5);
        if step.abs() < 1e-6 {
            break;
        }
    }
    ((at - guess).abs() <= 2.5).then_some((at, height / size as f64))
}

fn judge(pieces: Vec<Piece>, rate: SampleRate) -> Result<Comparison, Refusal> {
    let noisy = |found: usize| Refusal::TooNoisy { found, shots: pieces.len(), snr_db: None };
    if pieces.len() < FEWEST {
        return Err(noisy(pieces.len()));
    }
    let middle_of = |value: &dyn Fn(&Piece) -> f64| median(&mut pieces.iter().map(value).collect::<Vec<_>>());
    let likeness = middle_of(&|piece| piece.likeness);
    let middle = middle_of(&|piece| piece.offset);
    let span = pieces[pieces.len() - 1].middle - pieces[0].middle;
    let near = |piece: &&Piece| (piece.offset - middle).abs() <= 2.0 + STEEPEST * span;
    let kept: Vec<&Piece> = pieces.iter().filter(near).collect();
    if likeness < LIKENESS {
        return Err(Refusal::NotAlike { likeness });
    }
    if kept.len() * 4 < pieces.len() * 3 {
        return Err(noisy(kept.len()));
    }
    let rivals = middle_of(&|piece| piece.rival.map_or(0.0, |rival| rival.1));
    if rivals > RIVAL {
        let second_frames = middle_of(&|piece| piece.rival.map_or(0.0, |rival| rival.0));
        return Err(Refusal::TwoArrivals {
            first_frames: middle,
            second_frames,
            second_below_db: -decibels(rivals),
        });
    }
    let (mean, slope, scatter) = fit(&kept);
    let moved = slope * span;
    if moved.abs() > 0.5 && moved.abs() > 4.0 * scatter {
        let half = moved / 2.0;
        let (first_frames, last_frames) = (mean - half, mean + half);
        return Err(Refusal::ClocksDiffer { ppm: slope * 1e6, first_frames, last_frames });
    }
    let half_width = 2.2 * scatter / (kept.len() as f64).sqrt() + 1e-3;
    // What is not alike may have been bent: the doubt grows with it.
    let bent = (1.0 - likeness * likeness).max(0.0).sqrt() * 0.1;
    let gain = middle_of(&|piece| piece.gain);
    Ok(Comparison {
        offset_frames: mean,
        offset_ms: mean * 1e3 / f64::from(rate.hertz()),
        interval_95_frames: half_width + bent,
        delay_first_frames: mean.max(0.0),
        delay_second_frames: (-mean).max(0.0),
        inverted: gain < 0.0,
        level_db: decibels(gain),
        likeness,
        stretches: kept.len(),
        drift_ppm: slope * 1e6,
    })
}

/// Mean offset, its slope over time, and the scatter around the mean.
fn fit(pieces: &[&Piece]) -> (f64, f64, f64) {
    let count = pieces.len() as f64;
    let mean = pieces.iter().map(|piece| piece.offset).sum::<f64>() / count;
    let centre = pieces.iter().map(|piece| piece.middle).sum::<f64>() / count;
    let square: f64 = pieces.iter().map(|piece| (piece.middle - centre).powi(2)).sum();
    let product: f64 = pieces.iter().map(|piece| (piece.middle - centre) * (piece.offset - mean)).sum();
    let slope = if square > 0.0 { product / square } else { 0.0 };
    let rest: f64 =
        pieces.iter().map(|p| (p.offset - mean - slope * (p.middle - centre)).powi(2)).sum::<f64>()
            / (count - 1.0);
    (mean, slope, rest.sqrt())
}
