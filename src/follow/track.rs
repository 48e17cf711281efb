//! Phase and rate of an external click against the grid: small corrections, never a jump.
//!
//! The last sixteen hits give a line of heard over written place by the medians of its slopes (Theil 1950, Sen 1968):
//! up to 29 % of wild ones turn it nowhere. The grid is slewed towards that line.

use super::judge::{DueHit, Ring};
use crate::units::{Exact, Frames, SampleRate, Span};

const HITS: usize = 16;
/// From this many hits on the rate is fitted.
const ENOUGH: usize = 4;
/// The grid moves by this much a hit at most.
const SLEW_SECONDS: f64 = 0.001;
/// The rate stays this near to what the show says; crystals differ by 0.0003.
const RATE_MOST: f64 = 0.005;
/// A hit this far from the line (and from what the others scatter) is wild.
const WILD_SECONDS: f64 = 0.003;
/// So many wild hits in a row are the new truth; the grid still only slews there.
const WILD_IN_A_ROW: u32 = 4;

/// A small correction of the grid.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Retime {
    /// Moves every later hit by this much (positive: later).
    pub shift: Span,
    /// Intervals as written times this (not times the ratio before): above 1 the click is slower than written.
    pub ratio: f64,
}

#[derive(Clone, Copy, Debug, Default)]
struct Hit {
    /// Frames as written since the origin.
    written: f64,
    /// By how much it was heard behind that, in frames.
    behind: f64,
}

/// Tracks a click.
#[derive(Clone, Debug)]
pub struct Tracker {
    hits: Ring<Hit, HITS>,
    wild: Ring<Hit, HITS>,
    slew: f64,
    least_wild: f64,
    ratio: f64,
    /// The last due place, and how far it is from the origin as written.
    last: Option<(Exact, f64)>,
    origin: Exact,
    shift: Span,
}

impl Tracker {
    pub fn new(rate: SampleRate) -> Tracker {
        Tracker {
            hits: Ring::new(),
            wild: Ring::new(),
            slew: SLEW_SECONDS * f64::from(rate.hertz()),
            least_wild: WILD_SECONDS * f64::from(rate.hertz()),
            ratio: 1.0,
            last: None,
            origin: Exact(0),
            shift: Span(0),
        }
    }

    /// Forgets the hits; the rate stays. After a jump, a new anchor or a new song.
    pub fn clear(&mut self) {
        self.hits = Ring::new();
        self.wild = Ring::new();
        self.last = None;
        self.shift = Span(0);
    }

    /// Intervals as written times this: what holdover goes on with.
    pub const fn ratio(&self) -> f64 {
        self.ratio
    }

    /// Takes in a hit that was heard within tolerance `error` behind `due`, which is where the grid had it with every
    /// correction given so far; gives the correction from here on. Real-time: safe (at most 120 slopes are sorted).
    pub fn heard(&mut self, due: DueHit, error: Span) -> Retime {
        let written = self.written(due.at);
        let behind = (due.at + error - self.origin).as_f64() - written;
        let hit = Hit { written, behind };
        if self.is_wild(hit) {
            self.take_wild(hit);
        } else {
            self.wild = Ring::new();
            self.hits.push(hit);
        }
        let line = self.line();
        let due_behind = (due.at - self.origin).as_f64() - written;
        let off = line.at(written) - due_behind;
        self.ratio = (1.0 + line.slope).clamp(1.0 - RATE_MOST, 1.0 + RATE_MOST);
        self.shift = Span::from_f64(off.clamp(-self.slew, self.slew));
        Retime { shift: self.shift, ratio: self.ratio }
    }

    /// How far a place of the grid is from the origin, as written: corrections taken out again.
    fn written(&mut self, at: Exact) -> f64 {
        let written = match self.last {
            None => {
                self.origin = at;
                0.0
            }
            Some((last, written)) => written + (at - last - self.shift).as_f64() / self.ratio,
        };
        self.last = Some((at, written));
        written
    }

    fn is_wild(&self, hit: Hit) -> bool {
        if self.hits.count() < ENOUGH {
            return false;
        }
        let line = self.line();
        (hit.behind - line.at(hit.written)).abs() > self.least_wild.max(5.0 * line.scatter)
    }

    fn take_wild(&mut self, hit: Hit) {
        self.wild.push(hit);
        if self.wild.count() >= WILD_IN_A_ROW as usize {
            self.hits = std::mem::replace(&mut self.wild, Ring::new());
        }
    }

    fn line(&self) -> Fit {
        let count = self.hits.count();
        let mut slope = 0.0;
        if count >= ENOUGH {
            // A young line is held towards the rate as it was.
            let trust = (count as f64 - 3.0) / (HITS as f64 - 3.0);
            let old = self.ratio - 1.0;
            slope = old + (self.slope() - old) * trust;
        }
        let mut values = [0.0; HITS];
        let middle = median(self.fill(&mut values, |hit| hit.behind - slope * hit.written));
        let mut spread = [0.0; HITS];
        let scatter = median(self.fill(&mut spread, |hit| (hit.behind - slope * hit.written - middle).abs()));
        Fit { slope, middle, scatter }
    }

    fn fill<'a>(&self, into: &'a mut [f64; HITS], of: impl Fn(Hit) -> f64) -> &'a mut [f64] {
        let mut count = 0;
        for (slot, hit) in into.iter_mut().zip(self.hits.iter()) {
            *slot = of(hit);
            count += 1;
        }
        into.get_mut(..count).unwrap_or_default()
    }

    fn slope(&self) -> f64 {
        let mut slopes = [0.0; HITS * (HITS - 1) / 2];
        let mut count = 0;
        for (index, from) in self.hits.iter().enumerate() {
            for to in self.hits.iter().skip(index + 1) {
                let run = to.written - from.written;
                if let Some(slot) = slopes.get_mut(count).filter(|_| run > 1.0) {
                    *slot = (to.behind - from.behind) / run;
                    count += 1;
                }
            }
        }
        median(slopes.get_mut(..count).unwrap_or_default())
    }
}

#[derive(Clone, Copy, Debug)]
struct Fit {
    slope: f64,
    middle: f64,
    scatter: f64,
}

impl Fit {
    fn at(self, written: f64) -> f64 {
        self.middle + self.slope * written
    }
}

/// 0 of nothing.
fn median(values: &mut [f64]) -> f64 {
    values.sort_unstable_by(f64::total_cmp);
    let upper = values.get(values.len() / 2).copied().unwrap_or(0.0);
    let lower = values.get(values.len().saturating_sub(1) / 2).copied().unwrap_or(0.0);
    (lower + upper) / 2.0
}

/// The nearest neighbour's distance, for a due hit at `at` between two others.
pub fn interval(before: Option<Exact>, at: Exact, after: Option<Exact>) -> Frames {
    let back = before.map(|place| (at - place).nearest());
    let ahead = after.map(|place| (place - at).nearest());
    match (back, ahead) {
        (Some(back), Some(ahead)) => back.min(ahead),
        (Some(one), None) | (None, Some(one)) => one,
        (None, None) => Frames(i64::from(u32::MAX)),
    }
}
