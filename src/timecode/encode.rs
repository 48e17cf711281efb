//! Timecode as samples.

use super::rate::FrameRate;
use super::word::{BITS, Word};
use crate::units::{FRACTION_BITS, FramePos, Frames, SampleRate, Span};

/// From 10 % to 90 % of an edge. Source: SMPTE 12M-1 asks for 40 ± 10 µs.
pub const RISE_SECONDS: f64 = 40e-6;

/// Writes words without a break, word `k` from exactly [`FrameRate::samples`] of `k`.
#[derive(Clone, Debug)]
pub struct Encoder {
    rate: SampleRate,
    frames: FrameRate,
    peak: f32,
    /// From the middle of an edge to where it has ended, in samples.
    reach: f64,
    sent: Option<Sent>,
}

/// The word that is being sent.
#[derive(Clone, Copy, Debug)]
struct Sent {
    bits: u128,
    /// Its first frame, and the one after its last.
    first: i64,
    until: i64,
    /// Where it begins, in samples since `first`: above −1, at most 0.
    start: f64,
    /// Samples of a bit.
    cell: f64,
}

/// An edge of a word: the one before half cell `half`, of 160; the last is the next word's first.
#[derive(Clone, Copy, Debug)]
struct Edge {
    half: u32,
    rises: bool,
}

impl Sent {
    fn place(&self, edge: Edge) -> f64 {
        self.start + f64::from(edge.half) * (self.cell / 2.0)
    }

    /// An edge lies in the middle of a 1, and before every bit.
    fn next(&self, edge: Edge) -> Edge {
        let within = edge.half.is_multiple_of(2) && self.bits >> (edge.half / 2) & 1 == 1;
        Edge { half: edge.half + if within || edge.half % 2 == 1 { 1 } else { 2 }, rises: !edge.rises }
    }

    /// The last sample that is nearer to this edge than to the next one.
    fn last(&self, edge: Edge) -> i64 {
        if edge.half >= 2 * BITS {
            return i64::MAX;
        }
        f64::midpoint(self.place(edge), self.place(self.next(edge))).floor() as i64
    }

    /// The edge nearest to a sample. Each word begins with a rise: the polarity bit sees to it.
    fn nearest(&self, sample: i64) -> Edge {
        let bit = ((sample as f64 - self.start) / self.cell).clamp(0.0, f64::from(BITS - 1)) as u32;
        let before = bit + (self.bits & ((1 << bit) - 1)).count_ones();
        let mut edge = Edge { half: 2 * bit, rises: before.is_multiple_of(2) };
        while self.last(edge) < sample {
            edge = self.next(edge);
        }
        edge
    }
}

impl Encoder {
    /// `peak` is linear. −18 dBFS is the level that recorders expect at 0 dBu (common practice).
    pub fn new(rate: SampleRate, frames: FrameRate, peak: f32) -> Encoder {
        // A raised cosine goes from 10 % to 90 % in 0.590 of its length: (acos(−0.8) − acos(0.8)) / π.
        let length = RISE_SECONDS * f64::from(rate.hertz()) / 0.590_334_5;
        Encoder { rate, frames, peak, reach: length / 2.0, sent: None }
    }

    /// The word that sounds at a frame. Real-time: safe.
    pub const fn word_at(&self, frame: FramePos) -> i64 {
        self.frames.word_before(Span::frames(Frames(frame.0)), self.rate)
    }

    /// Fills `out` with what belongs to `start` and on; asks `say` for each word once, in order, when its first
    /// sample is needed. Bit-identical for any split. Range: ±`peak`. Panics: never. Real-time: safe.
    pub fn render(&mut self, start: FramePos, out: &mut [f32], say: &mut dyn FnMut(i64) -> Word) {
        let mut frame = start.0;
        let mut rest = out;
        while !rest.is_empty() {
            let sent = match self.sent.filter(|sent| (sent.first..sent.until).contains(&frame)) {
                Some(sent) => sent,
                None => *self.sent.insert(self.begin(FramePos(frame), say)),
            };
            let count = usize::try_from(sent.until - frame).unwrap_or(0).clamp(1, rest.len());
            let (now, later) = std::mem::take(&mut rest).split_at_mut(count);
            self.fill(&sent, frame - sent.first, now);
            frame += count as i64;
            rest = later;
        }
    }

    fn begin(&self, frame: FramePos, say: &mut dyn FnMut(i64) -> Word) -> Sent {
        let word = self.word_at(frame);
        let (from, to) = (self.frames.samples(word, self.rate), self.frames.samples(word + 1, self.rate));
        let above = |place: Span| ((place.0 + (1 << FRACTION_BITS) - 1) >> FRACTION_BITS) as i64;
        Sent {
            bits: say(word).bits(self.frames),
            first: above(from),
            until: above(to),
            start: (from - Span::frames(Frames(above(from)))).as_f64(),
            cell: (to - from).as_f64() / f64::from(BITS),
        }
    }

    /// Samples of one word, edge by edge; what a sample is depends on its own place only.
    fn fill(&self, sent: &Sent, from: i64, out: &mut [f32]) {
        let (mut at, mut edge) = (from, sent.nearest(from));
        let mut rest = out;
        while !rest.is_empty() {
            let left = sent.last(edge).saturating_sub(at).saturating_add(1);
            let count = usize::try_from(left).unwrap_or(0).min(rest.len());
            let (now, later) = std::mem::take(&mut rest).split_at_mut(count);
            self.draw(at as f64 - sent.place(edge), edge.rises, now);
            (at, edge, rest) = (at + count as i64, sent.next(edge), later);
        }
    }

    /// From `away` samples after the middle of an edge on (negative: before it).
    fn draw(&self, away: f64, rises: bool, out: &mut [f32]) {
        let high = if rises { self.peak } else { -self.peak };
        for (sample, index) in out.iter_mut().zip(0i32..) {
            let away = away + f64::from(index);
            *sample = if away <= -self.reach {
                -high
            } else if away >= self.reach {
                high
            } else {
                high * (std::f64::consts::FRAC_PI_2 * away / self.reach).sin() as f32
            };
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::timecode::Address;

    fn say(rate: FrameRate) -> impl FnMut(i64) -> Word {
        move |word| Address::of_number(rate, 90_000 + word).word(rate, 0x1234_5678)
    }

    #[test]
    fn any_split_gives_the_same_samples() {
        for (hertz, rate) in
            [(44_100, FrameRate::NtscDrop), (48_000, FrameRate::Film), (96_000, FrameRate::Tv25)]
        {
            let rate_hz = SampleRate::new(hertz).unwrap();
            let mut whole = vec![0.0; 20_000];
            Encoder::new(rate_hz, rate, 0.125).render(FramePos(0), &mut whole, &mut say(rate));
            let mut parts = vec![0.0; 20_000];
            let mut encoder = Encoder::new(rate_hz, rate, 0.125);
            let mut at = 0;
            for size in [1, 64, 480, 7, 333].into_iter().cycle() {
                let end = (at + size).min(parts.len());
                encoder.render(FramePos(at as i64), &mut parts[at..end], &mut say(rate));
                at = end;
                if at == parts.len() {
                    break;
                }
            }
            assert_eq!(whole, parts);
        }
    }

    #[test]
    fn an_edge_rises_in_40_microseconds() {
        let rate = SampleRate::new(384_000).unwrap();
        let mut out = vec![0.0; 4000];
        Encoder::new(rate, FrameRate::Tv25, 1.0).render(FramePos(0), &mut out, &mut say(FrameRate::Tv25));
        let edge = (100..3000).find(|n| out[*n] < 0.0 && out[*n + 1] >= 0.0).unwrap();
        let cross = |level: f32| {
            let n = (edge - 40..edge + 40).find(|n| out[*n] < level && out[*n + 1] >= level).unwrap();
            n as f64 + f64::from((level - out[n]) / (out[n + 1] - out[n]))
        };
        let rise = (cross(0.8) - cross(-0.8)) / 384_000.0;
        assert!((rise - 40e-6).abs() < 0.5e-6, "{rise}");
    }
}
