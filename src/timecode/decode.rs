//! Samples to timecode words: which word, and exactly where it lay.
//!
//! The line is sliced by sign alone, so that a level step moves nothing: a short running mean takes noise off, two
//! crossings closer than a fifth of a cell are one uncertain edge, and a cell is read from whether an edge lies in
//! its middle. A word's place is the least-squares fit over all of its edges.

use super::word::{BITS, HeardWord, Word};
use crate::units::{Exact, FramePos, Frames, SampleRate, Span};

/// What a decoder tells, in order of frames.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Heard {
    Word(HeardWord),
    Line(LineReading),
}

/// Frames between two readings of a line: half a millisecond. They fall on multiples of it.
pub const fn every(rate: SampleRate) -> Frames {
    Frames((rate.hertz() / 2000) as i64)
}

/// The line twice a millisecond, whatever is on it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LineReading {
    /// Everything before this frame was heard.
    pub at: FramePos,
    /// The last edge of any kind.
    pub last_edge: FramePos,
    /// The last edge that ended a run of [`GOOD_RUN`] half cells with edges as timecode has them.
    pub good_at: FramePos,
    /// Largest absolute sample since the last reading.
    pub peak: f32,
}

/// Half cells in a row, with edges as timecode has them, that noise does not make.
pub const GOOD_RUN: u32 = 12;

/// Edges kept for the fit: a word has at most 160.
const KEPT: usize = 256;
/// Longest running mean.
const MOST_MEAN: usize = 32;
/// Bits in a row after which the middle of the line has long been found.
const SURE: u32 = 160;
/// Intervals that a lost clock is found from.
const INTERVALS: usize = 24;
/// A cell this much longer or shorter is another speed.
const OTHER_SPEED: f64 = 0.1;

#[derive(Clone, Copy, Debug)]
struct Edge {
    /// Half cells since the count began.
    half: i64,
    /// Samples since `origin`.
    place: f64,
}

/// Before everything.
const NEVER: f64 = f64::MIN / 4.0;

/// Reads timecode of 23.976 to 30 frames a second, at a quarter to four times that, either way up, forwards and
/// backwards (a word read backwards is told like any other; who chases wants words that count on).
#[derive(Clone, Debug)]
pub struct Decoder {
    rate: SampleRate,
    /// Frame of place 0.
    origin: Option<FramePos>,
    next: FramePos,
    // Front end.
    dc: f64,
    dc_pull: f64,
    /// The middle of the line is known, and is followed ten times slower: a quick one draws edges forward, and a crackle
    /// draws it aside.
    sure: bool,
    mean: [f64; MOST_MEAN],
    mean_length: usize,
    /// What the mean is late.
    mean_delay: f64,
    mean_slot: usize,
    sum: f64,
    before: f64,
    /// The side of the middle on which the line is.
    up: Option<bool>,
    /// Crossings not yet taken for an edge: the first, and place of the last.
    open: Option<(f64, f64, u32)>,
    // Clock.
    cell: f64,
    /// The cell when it was last sure; 0 before.
    steady: f64,
    /// The clock was lost for so long that other speeds are tried in turn with it.
    tries: u32,
    locked: u32,
    boundary: f64,
    last_edge: f64,
    middle: bool,
    half: i64,
    bits: u128,
    held: u32,
    edges: [Edge; KEPT],
    edge_slot: usize,
    /// End of the last word that was told.
    told: f64,
    intervals: [f64; INTERVALS],
    interval_slot: usize,
    good_run: u32,
    good_at: f64,
    lost_for: u32,
    // Line.
    every: i64,
    peak: f32,
}

impl Decoder {
    pub fn new(rate: SampleRate) -> Decoder {
        let hertz = f64::from(rate.hertz());
        let mut decoder = Decoder {
            rate,
            origin: None,
            next: FramePos(0),
            dc: 0.0,
            sure: false,
            dc_pull: 1.0 - (-2.0 * std::f64::consts::PI * 20.0 / hertz).exp(),
            mean: [0.0; MOST_MEAN],
            mean_length: 1,
            mean_delay: 0.0,
            mean_slot: 0,
            sum: 0.0,
            before: 0.0,
            up: None,
            open: None,
            cell: hertz / 2000.0,
            steady: 0.0,
            tries: 0,
            locked: 0,
            boundary: 0.0,
            last_edge: NEVER,
            middle: false,
            half: 0,
            bits: 0,
            held: 0,
            edges: [Edge { half: i64::MIN, place: NEVER }; KEPT],
            edge_slot: 0,
            told: NEVER,
            intervals: [0.0; INTERVALS],
            interval_slot: 0,
            good_run: 0,
            good_at: NEVER,
            lost_for: 0,
            every: every(rate).0,
            peak: 0.0,
        };
        decoder.set_mean();
        decoder
    }

    /// Takes samples that lie at `at`; a gap before them is silence. Decides sample by sample, so that any split
    /// tells the same. Panics: never. Real-time: safe.
    pub fn push(&mut self, at: FramePos, samples: &[f32], told: &mut dyn FnMut(Heard)) {
        if self.origin.is_none_or(|_| self.next != at) {
            // A first sample, or time that nobody gave: the clock starts again.
            if self.origin.is_none() {
                self.origin = Some(at);
            }
            self.next = at;
            (self.held, self.open, self.good_run) = (0, None, 0);
        }
        let mut rest = samples;
        while !rest.is_empty() {
            let until = self.every - self.next.0.rem_euclid(self.every);
            let count = usize::try_from(until).unwrap_or(1).min(rest.len());
            let (now, later) = rest.split_at(count);
            let place = (self.next - self.origin.unwrap_or(self.next)).0 as f64;
            for (sample, index) in now.iter().zip(0i32..) {
                self.sample(*sample, place + f64::from(index), told);
            }
            self.next = self.next + Frames(count as i64);
            if count as i64 == until {
                told(Heard::Line(self.reading()));
                self.peak = 0.0;
                // Rounding errors of the running sum never pile up.
                self.sum = self.mean.iter().take(self.mean_length).sum();
            }
            rest = later;
        }
    }

    fn reading(&self) -> LineReading {
        LineReading {
            at: self.next,
            last_edge: self.frame(self.last_edge),
            good_at: self.frame(self.good_at),
            peak: self.peak,
        }
    }

    fn exact(&self, place: f64) -> Exact {
        Exact::at(self.origin.unwrap_or_default()) + Span::from_f64(place)
    }

    fn frame(&self, place: f64) -> FramePos {
        if place < -1e15 { FramePos(i64::MIN / 2) } else { self.exact(place).nearest() }
    }

    /// `now`: the place of the sample that is taken.
    #[inline]
    fn sample(&mut self, raw: f32, now: f64, told: &mut dyn FnMut(Heard)) {
        let raw = if raw.is_finite() { raw.clamp(-8.0, 8.0) } else { 0.0 };
        self.peak = self.peak.max(raw.abs());
        self.dc += (f64::from(raw) - self.dc) * if self.sure { 0.1 * self.dc_pull } else { self.dc_pull };
        let value = self.average(f64::from(raw) - self.dc);
        let here = now - self.mean_delay;
        if value != 0.0 && self.up != Some(value > 0.0) {
            // Out of silence the first edge counts, too; the mean does not delay it.
            let part = self.before / (self.before - value);
            let place = here - 1.0 + if part.is_finite() { part } else { 0.5 };
            self.cross(if self.up.is_some() { place } else { now - 1.0 });
            self.up = Some(value > 0.0);
        }
        self.before = value;
        if let Some((place, last, _)) = self.open
            && here - last > 0.2 * self.cell
        {
            let odd = self.open.is_some_and(|(_, _, count)| count % 2 == 1);
            self.open = None;
            if odd {
                self.edge(place, told);
            } else if self.interval_slot == 0 && self.last_edge < -1e15 {
                // A line that begins with noise on its first edge.
                self.edge(last, told);
            }
        }
    }

    /// A running sum over [`Decoder::mean_length`] samples: only its sign and where that changes count.
    #[inline]
    fn average(&mut self, value: f64) -> f64 {
        if let Some(old) = self.mean.get_mut(self.mean_slot) {
            self.sum += value - *old;
            *old = value;
        }
        self.mean_slot = if self.mean_slot + 1 < self.mean_length { self.mean_slot + 1 } else { 0 };
        self.sum
    }

    /// A sixth of a cell.
    fn set_mean(&mut self) {
        let length = ((self.cell / 6.0).round() as usize).clamp(1, MOST_MEAN);
        if length != self.mean_length {
            (self.mean_length, self.mean_slot, self.sum) = (length, 0, 0.0);
            (self.mean, self.mean_delay) = ([0.0; MOST_MEAN], (length as f64 - 1.0) / 2.0);
        }
    }

    /// Crossings in one place: where the area under them is as one edge's.
    fn cross(&mut self, place: f64) {
        self.open = Some(match self.open {
            Some((edge, _, count)) => {
                let sign = if count % 2 == 0 { 1.0 } else { -1.0 };
                (edge + sign * place, place, count + 1)
            }
            None => (place, place, 1),
        });
        if let Some((edge, last, count)) = &mut self.open
            && *count > 64
        {
            (*edge, *count) = (*last, 1);
        }
    }

    fn edge(&mut self, place: f64, told: &mut dyn FnMut(Heard)) {
        let interval = place - self.last_edge;
        self.last_edge = place;
        if let Some(slot) = self.intervals.get_mut(self.interval_slot % INTERVALS) {
            *slot = interval;
        }
        self.interval_slot = (self.interval_slot + 1) % INTERVALS;
        self.clock(interval, place, told);
        if self.lost_for >= INTERVALS as u32 {
            self.lost_for = 0;
            let before = self.cell;
            self.tries += 1;
            self.sure &= self.tries < 3;
            // Most losses are damage, and over soon.
            if self.steady > 0.0 && self.tries % 2 == 1 {
                self.cell = self.steady;
                self.set_mean();
            } else {
                self.find_cell();
            }
            if (self.cell / before - 1.0).abs() > OTHER_SPEED {
                self.read_again(told);
            }
        }
    }

    /// The line has another speed than was thought: what was kept since the last word is read at the new one, so that
    /// finding it costs no word.
    fn read_again(&mut self, told: &mut dyn FnMut(Heard)) {
        let (edges, oldest, since) = (self.edges, self.edge_slot, self.told);
        let kept = (0..KEPT).filter_map(|n| edges.get((oldest + n) % KEPT)).filter(|edge| edge.place > NEVER);
        let mut before = NEVER;
        for edge in kept.filter(|edge| edge.place >= since) {
            self.clock(edge.place - before, edge.place, told);
            before = edge.place;
        }
        self.lost_for = 0;
    }

    /// One edge, `interval` after the one before.
    fn clock(&mut self, interval: f64, place: f64, told: &mut dyn FnMut(Heard)) {
        let whole = interval / self.cell;
        let since = (place - self.boundary) / self.cell;
        if !(0.3..1.4).contains(&whole) {
            return self.lose(place);
        }
        // Noise, and the seam of a buffer that is repeated, make intervals that timecode has only by chance.
        // A crackle that draws the clock along does not change what timecode was.
        let usual = if self.steady > 0.0 { interval / self.steady } else { whole };
        let halves = match usual {
            0.425..0.575 => 1,
            0.85..1.15 => 2,
            _ => 0,
        };
        self.good_run = if halves > 0 { self.good_run.saturating_add(halves) } else { 0 };
        if self.good_run >= GOOD_RUN {
            self.good_at = place;
        }
        if whole >= 0.75 {
            // A whole cell: both of its ends are boundaries.
            if self.middle || !(0.75..1.4).contains(&since) {
                self.restart(place);
            } else {
                self.bit(false, place, told);
            }
        } else if self.middle {
            if (0.7..1.4).contains(&since) { self.bit(true, place, told) } else { self.restart(place) }
        } else if (0.3..0.75).contains(&since) {
            self.middle = true;
            self.half += 1;
            self.keep(place);
        } else {
            self.restart(place);
        }
    }

    /// An interval that timecode does not have.
    fn lose(&mut self, place: f64) {
        self.good_run = 0;
        self.restart(place);
    }

    fn restart(&mut self, place: f64) {
        self.lost_for = self.lost_for.saturating_add(1);
        if self.steady > 0.0 && self.tries == 0 {
            self.cell = self.steady;
        }
        (self.boundary, self.middle, self.held, self.locked) = (place, false, 0, 0);
        self.half += 2;
        self.keep(place);
    }

    /// Cells and halves are two heaps of intervals, one twice the other.
    fn find_cell(&mut self) {
        let mut sorted = self.intervals;
        sorted.sort_unstable_by(f64::total_cmp);
        let median = sorted.get(INTERVALS / 2).copied().unwrap_or(0.0);
        let long = sorted.get(INTERVALS * 9 / 10).copied().unwrap_or(0.0);
        // Noise has no two heaps; then the usual cell is tried again.
        let usual = f64::from(self.rate.hertz()) / 2000.0;
        let found = if long < 1.5 * median && sorted.first().is_some_and(|least| *least > 0.6 * median) {
            median
        } else {
            long
        };
        self.cell = if (0.2 * usual..6.0 * usual).contains(&found) { found } else { usual };
        self.set_mean();
    }

    fn keep(&mut self, place: f64) {
        if let Some(slot) = self.edges.get_mut(self.edge_slot % KEPT) {
            *slot = Edge { half: self.half, place };
        }
        self.edge_slot = (self.edge_slot + 1) % KEPT;
    }

    fn bit(&mut self, one: bool, place: f64, told: &mut dyn FnMut(Heard)) {
        self.half += if one { 1 } else { 2 };
        self.middle = false;
        self.keep(place);
        // A quick clock until it is sure, then a slow one.
        let pull = if self.locked < 40 { 0.2 } else { 0.04 };
        self.cell += pull * (place - self.boundary - self.cell);
        (self.boundary, self.locked) = (place, self.locked.saturating_add(1));
        if self.locked == 40 {
            // A cell of half or twice the length never comes as far: a sync word breaks it.
            (self.lost_for, self.tries) = (0, 0);
            self.set_mean();
        }
        if self.locked >= 40 {
            self.steady = self.cell;
            self.sure |= self.locked >= SURE;
        }
        self.bits = self.bits >> 1 | u128::from(one) << (BITS - 1);
        self.held = (self.held + 1).min(BITS);
        if self.held < BITS {
            return;
        }
        let backwards = self.bits.reverse_bits() >> (128 - BITS);
        if let Some(word) = Word::of_bits(self.bits).or_else(|| Word::of_bits(backwards)) {
            let heard = self.fit(word);
            // The next word needs 80 bits of its own.
            (self.held, self.told) = (0, place);
            told(Heard::Word(heard));
        }
    }

    /// Least squares over the word's edges. Source: ordinary regression of place on half-cell number.
    fn fit(&self, word: Word) -> HeardWord {
        let first = self.half - 2 * i64::from(BITS);
        let base = self.boundary;
        let (mut n, mut x, mut y, mut xx, mut xy, mut yy) = (0.0f64, 0.0, 0.0, 0.0, 0.0, 0.0);
        for edge in self.edges.iter().filter(|edge| (first..=self.half).contains(&edge.half)) {
            let (h, p) = ((edge.half - first) as f64, edge.place - base);
            n += 1.0;
            x += h;
            y += p;
            xx += h * h;
            xy += h * p;
            yy += p * p;
        }
        let spread = n * xx - x * x;
        let slope = if spread > 0.0 { (n * xy - x * y) / spread } else { self.cell / 2.0 };
        let start = (y - slope * x) / n.max(1.0);
        let left = (yy - start * y - slope * xy) / n.max(1.0);
        HeardWord {
            word,
            start: self.exact(base + start),
            end: self.exact(base + start + slope * f64::from(2 * BITS)),
            cell: 2.0 * slope,
            scatter: left.max(0.0).sqrt(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::timecode::{Address, Encoder, FrameRate};

    pub fn sent(rate: SampleRate, frames: FrameRate, first: i64, words: i64, peak: f32) -> Vec<f32> {
        let length = (frames.samples(words, rate)).nearest().0 as usize;
        let mut out = vec![0.0; length];
        Encoder::new(rate, frames, peak).render(FramePos(0), &mut out, &mut |word| {
            Address::of_number(frames, first + word).word(frames, (word as u32).wrapping_mul(0x9e37_79b9))
        });
        out
    }

    fn words(rate: SampleRate, samples: &[f32]) -> Vec<HeardWord> {
        let mut heard = Vec::new();
        Decoder::new(rate).push(FramePos(0), samples, &mut |what| {
            if let Heard::Word(word) = what {
                heard.push(word);
            }
        });
        heard
    }

    #[test]
    fn every_rate_is_read_back_at_every_sample_rate_to_a_microsecond_and_a_half() {
        for hertz in [44_100, 48_000, 88_200, 96_000, 192_000] {
            let rate = SampleRate::new(hertz).unwrap();
            for frames in FrameRate::ALL {
                let samples = sent(rate, frames, 107_890, 40, 0.125);
                let heard = words(rate, &samples);
                assert!(heard.len() >= 38, "{hertz} {frames:?}: {}", heard.len());
                for word in &heard {
                    let address = Address::of_word(frames, &word.word).unwrap();
                    let number = address.number(frames) - 107_890;
                    let user = (number as u32).wrapping_mul(0x9e37_79b9);
                    assert_eq!(word.word.user, user, "{hertz} {frames:?}");
                    let exact = frames.samples(number, rate).as_f64();
                    let off = (word.start - Exact(0)).as_f64() - exact;
                    assert!(off.abs() / f64::from(hertz) < 1.5e-6, "{hertz} {frames:?} word {number}: {off}");
                }
            }
        }
    }

    #[test]
    fn any_split_tells_the_same() {
        let rate = SampleRate::standard();
        let mut samples = sent(rate, FrameRate::Tv25, 0, 20, 0.125);
        let mut random = fastrand::Rng::with_seed(3);
        samples.iter_mut().for_each(|sample| *sample += 0.05 * (random.f32() - 0.5));
        let mut whole = Vec::new();
        Decoder::new(rate).push(FramePos(7), &samples, &mut |what| whole.push(what));
        let (mut decoder, mut parts, mut at) = (Decoder::new(rate), Vec::new(), 0);
        for size in [1usize, 64, 480, 3].into_iter().cycle() {
            let end = (at + size).min(samples.len());
            decoder.push(FramePos(7 + at as i64), &samples[at..end], &mut |what| parts.push(what));
            at = end;
            if at == samples.len() {
                break;
            }
        }
        assert_eq!(whole, parts);
    }
}
