//! What the hits heard lately look like: one that is much quieter than they were, or lies under stage sound, is still
//! known by its shape; the same hit twice is told from a drum beside it; and so is a line that repeats its last buffer.

use super::judge::{QUIET, Ring};
use super::onset::HighPass;
use crate::units::{Exact, FramePos, SampleRate, Span};

/// So much of a line is remembered at least.
const KEPT_SECONDS: f64 = 0.16;
/// A shape reaches from so long before an onset (where a steady tone is not silent) to so long behind it.
const BEFORE_SECONDS: f64 = 0.002;
const BEHIND_SECONDS: f64 = 0.004;
/// Shapes are looked at in steps of this or a little less.
const STEPS_A_SECOND: u32 = 48_000;
const TAPS: usize = 288;
const SHAPES: usize = 4;
/// A hit is looked for this far from where it is due, with every fourth tap at first.
const REACH_SECONDS: f64 = 0.001_5;
const COARSE: usize = 4;
const WINDOW: usize = TAPS + 2 * 72 + 8;
/// Likeness (cosine) from which a shape is the same sound again, and is learned from.
const SAME: f32 = 0.6;
/// A hit far below the others has nothing beside it: then it has to look just like them.
const JUST_LIKE: f32 = 0.9;
/// Under stage sound it has its usual level.
const USUAL: [f32; 2] = [0.4, 2.5];
/// A buffer that is repeated: longer than a tone's period, shorter than any subdivision.
const REPEATS_SECONDS: [f64; 2] = [0.002_5, 0.050];
/// Short ones are looked for by likeness: in this much, this far back.
const BUZZ_TAPS: usize = 128;
const BUZZ_PERIODS: usize = 800;
const REPEATED: f32 = 0.9;
/// A line whose peak is below this repeats nothing.
const SILENT: f32 = 0.002;
const BIN_SECONDS: f64 = 0.000_5;
const BINS: usize = 300;

#[derive(Clone, Copy, Debug)]
struct Shape {
    taps: [f32; TAPS],
    heard: u32,
    last: i64,
}

/// A hit found by its shape.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Seen {
    /// How far behind the place it was looked for.
    pub error: Span,
    /// Its level as a part of what the shape usually has.
    pub part: f32,
}

/// Remembers a line and the shapes of its hits.
#[derive(Clone, Debug)]
pub struct Shapes {
    high_pass: HighPass,
    /// A power of two.
    kept: Box<[f32]>,
    /// The loudest of each bin, and where.
    bins: [(f32, i64); BINS],
    /// Frames from `begin` to `end` are there.
    begin: i64,
    end: i64,
    /// Frames from tap to tap, and how many taps are used.
    step: i64,
    taps: usize,
    /// In steps.
    before: usize,
    reach: usize,
    /// In frames.
    bin: i64,
    period: [i64; 2],
    shapes: [Option<Shape>; SHAPES],
}

impl Shapes {
    /// Allocates: call it before the stream starts.
    pub fn new(rate: SampleRate) -> Shapes {
        let step = i64::from(rate.hertz().div_ceil(STEPS_A_SECOND));
        let steps = |seconds: f64| (rate.frames(seconds).0 / step) as usize;
        let size = (rate.frames(KEPT_SECONDS).0 as usize).next_power_of_two();
        Shapes {
            high_pass: HighPass::new(f64::from(rate.hertz())),
            kept: vec![0.0; size].into_boxed_slice(),
            bins: [(0.0, i64::MIN); BINS],
            begin: 0,
            end: 0,
            step,
            taps: steps(BEFORE_SECONDS + BEHIND_SECONDS).min(TAPS),
            before: steps(BEFORE_SECONDS),
            reach: steps(REACH_SECONDS),
            bin: rate.frames(BIN_SECONDS).0.max(1),
            period: REPEATS_SECONDS.map(|seconds| rate.frames(seconds).0),
            shapes: [None; SHAPES],
        }
    }

    /// Another song, which may have other sounds: their shapes are forgotten.
    pub fn forget(&mut self) {
        self.shapes = [None; SHAPES];
    }

    /// Takes samples, the first of which is at frame `at`; a gap forgets the line, not the shapes. Real-time: safe.
    pub fn push(&mut self, at: FramePos, samples: &[f32]) {
        if at.0 != self.end {
            self.high_pass.clear();
            (self.begin, self.end) = (at.0, at.0);
            self.bins = [(0.0, i64::MIN); BINS];
        }
        let mask = self.kept.len() - 1;
        for &sample in samples {
            let clean = if sample.is_finite() { sample.clamp(-8.0, 8.0) } else { 0.0 };
            let passed = self.high_pass.step(clean);
            if let Some(place) = self.kept.get_mut(self.end as usize & mask) {
                *place = passed;
            }
            self.note(passed.abs());
            self.end = self.end.saturating_add(1);
        }
        self.begin = self.begin.max(self.end.saturating_sub(self.kept.len() as i64));
    }

    fn note(&mut self, level: f32) {
        let number = self.end.div_euclid(self.bin);
        if let Some(bin) = self.bins.get_mut(number.rem_euclid(BINS as i64) as usize)
            && (level > bin.0 || bin.1.div_euclid(self.bin) != number)
        {
            *bin = (level, self.end);
        }
    }

    fn sample(&self, frame: i64) -> f32 {
        if frame < self.begin || frame >= self.end {
            return 0.0;
        }
        self.kept.get(frame as usize & (self.kept.len() - 1)).copied().unwrap_or(0.0)
    }

    /// Samples from frame `first` on, a step apart, as many as are known up to frame `until`.
    fn copy(&self, first: i64, until: FramePos, into: &mut [f32]) -> usize {
        let known = (until.0 - first).div_euclid(self.step) + 1;
        let count = usize::try_from(known).unwrap_or(0).min(into.len());
        for (slot, index) in into.iter_mut().zip(0..count as i64) {
            *slot = self.sample(first + index * self.step);
        }
        count
    }

    /// The taps around `at`, as many as are known up to frame `until`.
    fn around(&self, at: Exact, until: FramePos, into: &mut [f32; TAPS]) -> usize {
        let whole = at.nearest();
        let part = (at - Exact::at(whole)).as_f64() as f32;
        let first = whole.0 - self.before as i64 * self.step;
        let count = self.copy(first, until, into.get_mut(..self.taps).unwrap_or(&mut []));
        // The fraction by a straight line towards the neighbour on that side.
        let side = if part < 0.0 { -1 } else { 1 };
        let mut beside = [0.0; TAPS];
        let fewer = self.copy(first + side, until, beside.get_mut(..count).unwrap_or(&mut []));
        into.iter_mut()
            .zip(beside)
            .take(fewer)
            .for_each(|(tap, beside)| *tap += (beside - *tap) * part.abs());
        fewer
    }

    /// Learns from a hit whose onset is at `at`; nothing after frame `until` is used. Real-time: safe.
    pub fn learn(&mut self, at: Exact, until: FramePos) {
        let mut taps = [0.0; TAPS];
        let first = at.nearest().0 - self.before as i64 * self.step;
        if self.around(at, until, &mut taps) < self.taps || first <= self.begin {
            return;
        }
        let mut best = (SAME, None);
        let mut oldest = (i64::MAX, 0);
        for (index, slot) in self.shapes.iter().enumerate() {
            let like = slot.map_or(0.0, |shape| cosine(&shape.taps, &taps));
            if like > best.0 {
                best = (like, Some(index));
            }
            let last = slot.map_or(i64::MIN, |shape| shape.last);
            if last < oldest.0 {
                oldest = (last, index);
            }
        }
        let Some(slot) = self.shapes.get_mut(best.1.unwrap_or(oldest.1)) else { return };
        let old = slot.filter(|_| best.1.is_some());
        let heard = old.map_or(0, |shape| shape.heard).saturating_add(1);
        let new = 1.0 / heard.min(8) as f32;
        if let Some(old) = old {
            taps.iter_mut().zip(old.taps).for_each(|(tap, old)| *tap = old + (*tap - old) * new);
        }
        *slot = Some(Shape { taps, heard, last: at.nearest().0 });
    }

    /// The shapes that were heard often enough to know a hit by them.
    fn known(&self) -> impl Iterator<Item = &Shape> {
        self.shapes.iter().flatten().filter(|shape| shape.heard > 1)
    }

    pub fn knows(&self) -> bool {
        self.known().next().is_some()
    }

    /// How like the shape most like it the onset at `at` is; nothing after frame `until` is used.
    pub fn likeness(&self, at: Exact, until: FramePos) -> f32 {
        let mut taps = [0.0; TAPS];
        let count = self.around(at, until, &mut taps);
        let like = |shape: &Shape| cosine(part(&shape.taps, count), part(&taps, count));
        self.known().map(like).fold(0.0, f32::max)
    }

    /// The hit that was due at `due`, looked for by the shapes known; nothing after frame `until` is used.
    ///
    /// Real-time: safe; 145 places × 4 shapes × 72 taps at most.
    pub fn find(&self, due: Exact, until: FramePos) -> Option<Seen> {
        let mut window = [0.0; WINDOW];
        let first = due.nearest().0 - (self.before + self.reach + 1) as i64 * self.step;
        let size = (self.taps + 2 * self.reach + 3).min(WINDOW);
        let count = self.copy(first, until, window.get_mut(..size).unwrap_or(&mut []));
        let window = part(&window, count);
        let (place, shape) = self.likeliest(window)?;
        let [left, middle, right] =
            [place.checked_sub(1)?, place, place + 1].map(|at| fit(window, at, &shape.taps, self.taps));
        let (like, level) = middle;
        let usual = like >= SAME && level >= USUAL[0];
        let quiet = like >= JUST_LIKE && level >= QUIET;
        if level > USUAL[1] || !(usual || quiet) {
            return None;
        }
        let [left, like, right] = [left.0, like, right.0].map(f64::from);
        let bend = left - 2.0 * like + right;
        let off = if bend < -1e-9 { (0.5 * (left - right) / bend).clamp(-0.5, 0.5) } else { 0.0 };
        let steps = place as f64 - (self.reach + 1) as f64 + off;
        Some(Seen {
            error: Exact::at(due.nearest()) - due + Span::from_f64(steps * self.step as f64),
            part: level,
        })
    }

    /// Where in `window`, and with which shape, the likeness is largest by every fourth tap.
    fn likeliest(&self, window: &[f32]) -> Option<(usize, &Shape)> {
        let mut phases = [[0.0f32; WINDOW / COARSE + 1]; COARSE];
        for (index, &sample) in window.iter().enumerate() {
            if let Some(slot) = phases.get_mut(index % COARSE).and_then(|phase| phase.get_mut(index / COARSE))
            {
                *slot = sample;
            }
        }
        let mut best = None::<(f32, usize, &Shape)>;
        for shape in self.known() {
            let mut coarse = [0.0; TAPS / COARSE];
            coarse.iter_mut().zip(shape.taps.iter().step_by(COARSE)).for_each(|(slot, tap)| *slot = *tap);
            for place in 1..=2 * self.reach + 1 {
                let Some(phase) = phases.get(place % COARSE) else { break };
                let (like, _) =
                    fit(part(phase, window.len() / COARSE), place / COARSE, &coarse, self.taps / COARSE);
                if best.is_none_or(|(kept, ..)| like > kept) {
                    best = Some((like, place, shape));
                }
            }
        }
        best.map(|(_, place, shape)| (place, shape))
    }

    /// How like each other two onsets are, by what is known of both up to frame `until`.
    pub fn alike(&self, one: Exact, other: Exact, until: FramePos) -> f32 {
        let (mut first, mut second) = ([0.0; TAPS], [0.0; TAPS]);
        let count = self.around(one, until, &mut first).min(self.around(other, until, &mut second));
        match (first.get(self.before..count), second.get(self.before..count)) {
            (Some(first), Some(second)) => cosine(first, second),
            _ => 0.0,
        }
    }

    /// Whether the line plays the same 2.5 to 50 ms over and over, up to frame `until` and with peaks of at least
    /// `least`: what a device does whose program hangs. Real-time: safe.
    pub fn repeats(&self, until: FramePos, least: f32) -> bool {
        let end = until.0.min(self.end - 1) + 1;
        let (peaks, buzzes) = self.peaks(end, least.max(SILENT));
        let periods = (1..peaks.count()).flat_map(|last| {
            let peaks = &peaks;
            (0..last).filter_map(move |index| Some(peaks.get(last)? - peaks.get(index)?))
        });
        // The last peak may be cut off by the end, so every pair is asked.
        let mut periods = periods.filter(|period| (self.period[0]..=self.period[1]).contains(period));
        periods.any(|period| self.has_period(end, period))
            || (buzzes && self.has_period(end, self.likely_period(end)))
    }

    /// Places of the loudest peaks before `end`, rising, each alone within the shortest period; and whether the line
    /// is so loud so often that it buzzes.
    fn peaks(&self, end: i64, least: f32) -> (Ring<i64, 5>, bool) {
        let last = end.div_euclid(self.bin);
        let first = last - (3 * self.period[1] / self.bin).min(BINS as i64 - 1);
        let bins = (first..last).filter_map(|number| {
            let bin = self.bins.get(number.rem_euclid(BINS as i64) as usize)?;
            (bin.1.div_euclid(self.bin) == number).then_some(*bin)
        });
        let most = bins.clone().fold(0.0f32, |most, bin| most.max(bin.0));
        let loud = bins.clone().filter(|bin| bin.0 > (0.5 * most).max(least)).count();
        let mut peaks = Ring::new();
        let mut open = None::<(f32, i64)>;
        for (level, frame) in bins.filter(|bin| bin.0 > (0.8 * most).max(least)) {
            let near = open.filter(|kept| frame - kept.1 < self.period[0]);
            if let (Some(kept), None) = (open, near) {
                peaks.push(kept.1);
            }
            open = near.filter(|kept| kept.0 >= level).or(Some((level, frame)));
        }
        if let Some((_, frame)) = open {
            peaks.push(frame);
        }
        (peaks, loud > BINS / 8)
    }

    /// The distance up to a third of the longest at which the line is most like itself.
    fn likely_period(&self, end: i64) -> i64 {
        let mut line = [0.0; BUZZ_TAPS + BUZZ_PERIODS];
        let first = end - (line.len() as i64) * self.step;
        self.copy(first, FramePos(end - 1), &mut line);
        let now = line.get(BUZZ_PERIODS..).unwrap_or(&[]);
        let most = ((self.period[1] / 3 / self.step) as usize).min(BUZZ_PERIODS);
        let mut best = (0.0, 0);
        let of_now = dot(now, now);
        for period in (self.period[0] / self.step) as usize..=most {
            let from = BUZZ_PERIODS - period;
            let Some(there) = line.get(from..from + BUZZ_TAPS) else { continue };
            let product = dot(there, now);
            // Half of the places move against it: their level is not asked for.
            if product <= 0.0 {
                continue;
            }
            let like = product / (dot(there, there) * of_now).sqrt().max(1e-12);
            if like > best.0 {
                best = (like, period as i64);
            }
        }
        best.1 * self.step
    }

    /// Three times the same, to a frame.
    fn has_period(&self, end: i64, period: i64) -> bool {
        if period < self.period[0] || end - 3 * period <= self.begin {
            return false;
        }
        let stride = (period / 256).max(1) as usize;
        let like = |by: i64| {
            let (mut product, mut here, mut there) = (0.0f32, 0.0f32, 0.0f32);
            for frame in (end - period..end).step_by(stride) {
                let (x, y) = (self.sample(frame), self.sample(frame - by));
                product += x * y;
                here += x * x;
                there += y * y;
            }
            product / (here * there).sqrt().max(1e-12)
        };
        let best = |by: i64| (by - 1..=by + 1).map(like).fold(0.0, f32::max);
        like(period) > REPEATED / 2.0 && best(period) > REPEATED && best(2 * period) > REPEATED
    }
}

fn part(samples: &[f32], count: usize) -> &[f32] {
    samples.get(..count).unwrap_or(samples)
}

/// Likeness of `window` from `place` on to the first `count` taps, and the level beside theirs.
fn fit(window: &[f32], place: usize, taps: &[f32], count: usize) -> (f32, f32) {
    let there = window.get(place..(place + count).min(window.len())).unwrap_or(&[]);
    let known = part(taps, there.len());
    let [product, here, of_taps] = sums(there, known);
    // A place whose hit is mostly still to come says nothing.
    if there.len() < count {
        let all = part(taps, count);
        if 2.0 * of_taps < sums(all, all)[2] {
            return (0.0, 0.0);
        }
    }
    (product / (here * of_taps).sqrt().max(1e-12), product / of_taps.max(1e-12))
}

fn cosine(a: &[f32], b: &[f32]) -> f32 {
    let [product, of_a, of_b] = sums(a, b);
    product / (of_a * of_b).sqrt().max(1e-12)
}

/// Σab, to the bit as [`sums`] has it.
fn dot(a: &[f32], b: &[f32]) -> f32 {
    let mut lanes = [0.0f32; 8];
    let mut add = |a: &[f32], b: &[f32]| {
        lanes.iter_mut().zip(a).zip(b).for_each(|((sum, a), b)| *sum += a * b);
    };
    let (eights_a, eights_b) = (a.chunks_exact(8), b.chunks_exact(8));
    let rest = (eights_a.remainder(), eights_b.remainder());
    eights_a.zip(eights_b).for_each(|(a, b)| add(a, b));
    add(rest.0, rest.1);
    lanes.iter().sum()
}

/// Σab, Σaa, Σbb, in eight lanes.
fn sums(a: &[f32], b: &[f32]) -> [f32; 3] {
    let mut lanes = [[0.0f32; 8]; 3];
    let count = a.len().min(b.len());
    let (a, b) = (part(a, count), part(b, count));
    let add = |lanes: &mut [[f32; 8]; 3], a: &[f32], b: &[f32]| {
        let [ab, aa, bb] = lanes;
        for ((((a, b), ab), aa), bb) in a.iter().zip(b).zip(ab).zip(aa).zip(bb) {
            *ab += a * b;
            *aa += a * a;
            *bb += b * b;
        }
    };
    let (eights_a, eights_b) = (a.chunks_exact(8), b.chunks_exact(8));
    let rest = (eights_a.remainder(), eights_b.remainder());
    for (a, b) in eights_a.zip(eights_b) {
        add(&mut lanes, a, b);
    }
    add(&mut lanes, rest.0, rest.1);
    lanes.map(|lane| lane.iter().sum())
}
