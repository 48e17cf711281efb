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
    word: i64,
    bits: u128,
    /// Bits of the word before: its last edge reaches into this one.
    asked: bool,
}

impl Encoder {
    /// `peak` is linear. −18 dBFS is the level that recorders expect at 0 dBu (common practice).
    pub fn new(rate: SampleRate, frames: FrameRate, peak: f32) -> Encoder {
        // A raised cosine goes from 10 % to 90 % in 0.590 of its length: (acos(−0.8) − acos(0.8)) / π.
        let length = RISE_SECONDS * f64::from(rate.hertz()) / 0.590_334_5;
        Encoder { rate, frames, peak, reach: length / 2.0, word: 0, bits: 0, asked: false }
    }

    /// The word that sounds at a frame. Real-time: safe.
    pub const fn word_at(&self, frame: FramePos) -> i64 {
        self.frames.word_before(Span::frames(Frames(frame.0)), self.rate)
    }

    /// Fills `out` with what belongs to `start` and on; asks `say` for each word once, in order, when its first
    /// sample is needed. Bit-identical for any split. Range: ±`peak`. Panics: never. Real-time: safe.
    pub fn render(&mut self, start: FramePos, out: &mut [f32], say: &mut dyn FnMut(i64) -> Word) {
        let mut frame = start;
        let mut rest = out;
        while !rest.is_empty() {
            let word = self.word_at(frame);
            if !self.asked || word != self.word {
                (self.word, self.asked) = (word, true);
                self.bits = say(word).bits(self.frames);
            }
            let end = self.frames.samples(word + 1, self.rate);
            let until = ((end.0 + (1 << FRACTION_BITS) - 1) >> FRACTION_BITS) as i64;
            let count = usize::try_from(until - frame.0).unwrap_or(0).clamp(1, rest.len());
            let (now, later) = std::mem::take(&mut rest).split_at_mut(count);
            self.fill(frame, now);
            frame = frame + Frames(count as i64);
            rest = later;
        }
    }

    /// Samples of one word.
    fn fill(&self, start: FramePos, out: &mut [f32]) {
        let from = self.frames.samples(self.word, self.rate);
        let length = (self.frames.samples(self.word + 1, self.rate) - from).as_f64();
        let cell = length / f64::from(BITS);
        let first = (Span::frames(Frames(start.0)) - from).as_f64();
        for (index, sample) in out.iter_mut().enumerate() {
            *sample = self.peak * self.level(first + index as f64, cell) as f32;
        }
    }

    /// −1 to +1 at a place inside the word. Each word begins with a rise: the polarity bit sees to it.
    fn level(&self, place: f64, cell: f64) -> f64 {
        let bit = (place / cell).clamp(0.0, f64::from(BITS - 1)) as u32;
        let into = place - f64::from(bit) * cell;
        // Edges before this bit: one for each bit, one more for each 1.
        let before = bit + (self.bits & ((1 << bit) - 1)).count_ones();
        let one = self.bits >> bit & 1 == 1;
        let sign = |edges: u32| if edges.is_multiple_of(2) { -1.0 } else { 1.0 };
        // The nearest edge and how many edges lie before it.
        let (edge, count) = if one && into > cell / 4.0 && into <= cell * 0.75 {
            (cell / 2.0, before + 1)
        } else if into <= cell / 2.0 {
            (0.0, before)
        } else {
            (cell, before + 1 + u32::from(one))
        };
        let away = into - edge;
        let old = sign(count);
        if away <= -self.reach {
            old
        } else if away >= self.reach {
            -old
        } else {
            -old * (std::f64::consts::FRAC_PI_2 * away / self.reach).sin()
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
