//! The other machine's click as a witness: was there an onset where one was due?

use crate::realtime::event::WitnessNow;
use crate::units::{FramePos, Frames, SampleRate};

/// Peaks are kept in bins of half a millisecond, for this many.
const BINS: usize = 256;
/// Hits that wait for their verdict.
const WAITING: usize = 64;

/// Listens to a line on which the other machine's click arrives.
#[derive(Clone, Debug)]
pub struct Witness {
    bin: i64,
    bins: [f32; BINS],
    /// The bin that is filled now.
    now: i64,
    waiting: Vec<FramePos>,
    /// What a hit's peak usually is.
    usual: f32,
    /// The softest that a hit lately was after [`SOUNDED_SECONDS`]; infinite before the first.
    tail: f32,
    last: WitnessNow,
    /// Onset of the last hit that was judged.
    judged: FramePos,
    sounded: Frames,
    ready: Frames,
}

impl Witness {
    /// Allocates.
    pub fn new(rate: SampleRate) -> Witness {
        Witness {
            bin: rate.frames(0.0005).0.max(1),
            bins: [0.0; BINS],
            now: i64::MIN,
            waiting: Vec::with_capacity(WAITING),
            usual: 0.0,
            tail: f32::INFINITY,
            last: WitnessNow::NotYet,
            judged: FramePos(i64::MIN / 2),
            sounded: rate.frames(SOUNDED_SECONDS),
            ready: rate.frames(READY_SECONDS),
        }
    }

    /// Takes samples. Real-time: safe.
    pub fn push(&mut self, at: FramePos, samples: &[f32]) {
        for (sample, frame) in samples.iter().zip(at.0..) {
            let bin = frame.div_euclid(self.bin);
            if bin != self.now {
                // Bins that nobody filled are silent.
                for empty in (self.now.max(bin - BINS as i64) + 1)..=bin {
                    self.put(empty, 0.0);
                }
                self.now = bin;
            }
            let level = if sample.is_finite() { sample.abs() } else { 0.0 };
            if level > self.peak(bin, bin + 1) {
                self.put(bin, level);
            }
        }
    }

    fn put(&mut self, bin: i64, level: f32) {
        if let Some(slot) = self.bins.get_mut(bin.rem_euclid(BINS as i64) as usize) {
            *slot = level;
        }
    }

    fn peak(&self, from: i64, to: i64) -> f32 {
        let level = |bin: i64| self.bins.get(bin.rem_euclid(BINS as i64) as usize).copied().unwrap_or(0.0);
        (from..to).map(level).fold(0.0, f32::max)
    }

    /// A hit is due on this line at `onset`. Real-time: safe; one more than 64 at once is passed over.
    pub fn due(&mut self, onset: FramePos) {
        if self.waiting.len() < WAITING && !self.waiting.contains(&onset) {
            self.waiting.push(onset);
        }
    }

    /// Judges what was due and must have arrived before `now`. `learns`: the other machine is known to be alive, so
    /// that what is heard is what it usually sounds like. Real-time: safe.
    pub fn judge(&mut self, now: FramePos, learns: bool) {
        let mut index = 0;
        while let Some(onset) = self.waiting.get(index).copied() {
            if onset + self.ready > now {
                index += 1;
                continue;
            }
            self.waiting.swap_remove(index);
            self.verdict(onset, learns);
        }
    }

    fn verdict(&mut self, onset: FramePos, learns: bool) {
        let bin = |frame: i64| frame.div_euclid(self.bin);
        let after = self.peak(bin(onset.0 - self.bin), bin(onset.0 + self.ready.0));
        let before = self.peak(bin(onset.0 - 16 * self.bin), bin(onset.0 - 4 * self.bin));
        let tail = self.peak(bin(onset.0 + self.sounded.0) + 1, bin(onset.0 + self.ready.0));
        let began = after > 1e-4 && after > 0.1 * self.usual && after > 1.6 * before;
        // What ends sooner than any hit does was cut by the machine's end: it is no sign of life.
        let told = (SHORT_TAIL..f32::INFINITY).contains(&self.tail);
        let heard = began && !(told && tail < 0.1 * self.tail);
        if began && learns {
            self.tail = tail.max(LEAST_TAIL).min(TAIL_RISES * self.tail);
            self.usual = if self.usual == 0.0 { after } else { self.usual + 0.2 * (after - self.usual) };
        }
        if onset >= self.judged {
            self.judged = onset;
            self.last = if heard { WitnessNow::Heard } else { WitnessNow::Absent };
        }
    }

    /// What the hit due at `onset` was, or the last one due since `bad`; nothing was due since then: not yet known.
    /// Real-time: safe.
    pub fn since(&self, bad: FramePos) -> WitnessNow {
        if self.judged >= bad { self.last } else { WitnessNow::NotYet }
    }

    pub const fn last(&self) -> WitnessNow {
        self.last
    }

    /// Whether the hit due at `onset` has been judged, and how.
    pub fn of(&self, onset: FramePos) -> WitnessNow {
        if self.judged == onset { self.last } else { WitnessNow::NotYet }
    }
}

/// A hit has sounded once this much of it left.
pub const SOUNDED_SECONDS: f64 = 0.002;
/// The softest tail is forgotten by so much a hit.
const TAIL_RISES: f32 = 1.02;
const LEAST_TAIL: f32 = 1e-5;
/// Below it a hit's end tells nothing: a sound of this click is over sooner.
const SHORT_TAIL: f32 = 1e-4;
/// An onset that is not there this long after it was due is absent.
pub const READY_SECONDS: f64 = 0.003;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_click_is_heard_a_repeated_buffer_and_silence_are_not() {
        let rate = SampleRate::standard();
        let hit = |samples: &mut Vec<f32>, at: usize| {
            for n in 0..1200 {
                samples[at + n] += 0.25 * (-(n as f32) / 300.0).exp() * (n as f32 * 0.13).sin();
            }
        };
        let mut samples = vec![0.0f32; 96_000];
        (0..3).for_each(|beat| hit(&mut samples, 10_000 + beat * 12_000));
        // From here the machine repeats a buffer of 128 frames with the end of a hit in it.
        let buffer: Vec<f32> = samples[34_300..34_428].to_vec();
        (34_428..70_000).for_each(|n| samples[n] = buffer[(n - 34_428) % 128]);
        let mut witness = Witness::new(rate);
        let mut said = Vec::new();
        for (index, block) in samples.chunks(48).enumerate() {
            witness.push(FramePos(48 * index as i64), block);
            for beat in 0..6 {
                let onset = FramePos(10_000 + beat * 12_000);
                if (48 * index as i64..48 * index as i64 + 48).contains(&onset.0) {
                    witness.due(onset);
                }
            }
            let before = witness.judged;
            witness.judge(FramePos(48 * (index as i64 + 1)), true);
            if witness.judged != before {
                said.push(witness.last());
            }
        }
        use WitnessNow::{Absent, Heard};
        assert_eq!(said, [Heard, Heard, Heard, Absent, Absent, Absent]);
    }

    /// A hit that a death cuts within its first 2 ms has not sounded; one that ends later has, and so has a hit of a
    /// shorter sound once one was heard from a machine that lives.
    #[test]
    fn a_hit_cut_by_the_end_of_its_machine_is_no_sign_of_life() {
        use WitnessNow::{Absent, Heard};
        let rate = SampleRate::standard();
        let onset = |beat: i64| 10_000 + beat * 12_000;
        let judged = |lengths: &[i64]| {
            let mut samples = vec![0.0f32; 80_000];
            for (beat, length) in lengths.iter().enumerate() {
                for n in 0..*length {
                    let decay = (-(n as f32) / 300.0).exp();
                    samples[(onset(beat as i64) + n) as usize] = 0.25 * decay * (n as f32 * 0.13).sin();
                }
            }
            let mut witness = Witness::new(rate);
            let mut last = WitnessNow::NotYet;
            for (index, block) in samples.chunks(48).enumerate() {
                let at = 48 * index as i64;
                witness.push(FramePos(at), block);
                let due = (0..lengths.len() as i64).map(onset).find(|due| (at..at + 48).contains(due));
                due.into_iter().for_each(|due| witness.due(FramePos(due)));
                witness.judge(FramePos(at + 48), true);
                last = witness.last();
            }
            last
        };
        for (last, expected) in
            [(6, Absent), (14, Absent), (48, Absent), (84, Absent), (130, Heard), (600, Heard)]
        {
            assert_eq!(judged(&[1200, 1200, 1200, last]), expected, "{last} frames of a hit");
        }
        assert_eq!(judged(&[1200, 60, 1200, 1200, 60]), Heard);
    }
}
