//! A click that comes in on an input and is passed on: the main's, or a pad's. The engine's own click takes its
//! place, hit by hit, where it fails.

use super::event::Source;
use super::ramp::Ramp;
use crate::units::{FramePos, Frames, SampleRate};

/// The own click takes over within this time, and from it.
pub const SPLICE_SECONDS: f64 = 0.001;

/// What arrived, kept until it is due to leave, and the splice between it and the engine's own click.
#[derive(Debug)]
pub struct Passed {
    samples: Vec<f32>,
    /// From a sample's arrival to its place on the timeline that is rendered.
    delay: Frames,
    /// First frame that never arrived.
    filled: i64,
    /// 1 = what arrived sounds, 0 = the engine's own.
    mix: Ramp,
    splice: u32,
    source: Source,
}

impl Passed {
    /// Allocates. `delay` is the safety delay and the limiters' look-ahead; `most` the longest piece.
    pub fn new(rate: SampleRate, delay: Frames, most: usize) -> Passed {
        let size = (delay.0.max(0) as usize + 2 * most + 64).next_power_of_two();
        Passed {
            samples: vec![0.0; size],
            delay,
            filled: i64::MIN / 2,
            mix: Ramp::steady(1.0),
            splice: rate.frames(SPLICE_SECONDS).0 as u32,
            source: Source::External,
        }
    }

    pub const fn source(&self) -> Source {
        self.source
    }

    fn slot(&self, frame: i64) -> usize {
        frame.rem_euclid(self.samples.len().max(1) as i64) as usize
    }

    /// Takes samples that arrived at `at`; what is not a number is silence, and so is what never came.
    /// Real-time: safe.
    pub fn feed(&mut self, at: FramePos, samples: &[f32], frames: usize) {
        let first = at.0 + self.delay.0;
        let gap = self.filled.max(first - self.samples.len() as i64);
        for frame in gap..first {
            self.put(frame, 0.0);
        }
        for (index, frame) in (0..frames).zip(first..) {
            let raw = samples.get(index).copied().unwrap_or(0.0);
            self.put(frame, if raw.is_finite() { raw.clamp(-4.0, 4.0) } else { 0.0 });
        }
        self.filled = first + frames as i64;
    }

    fn put(&mut self, frame: i64, sample: f32) {
        let slot = self.slot(frame);
        if let Some(place) = self.samples.get_mut(slot) {
            *place = sample;
        }
    }

    /// The frame by which a hit must be decided: where its splice begins.
    pub fn decides_at(&self, onset: FramePos) -> FramePos {
        onset - Frames(i64::from(self.splice))
    }

    /// From this hit on the click comes from `source`: the splice ends on the onset.
    pub fn turn(&mut self, onset: FramePos, source: Source) -> bool {
        let target = if source == Source::External { 1.0 } else { 0.0 };
        if self.mix.target() != target {
            self.mix.arrive(target, onset, self.splice);
        }
        std::mem::replace(&mut self.source, source) != source
    }

    /// Puts the click of a piece into `bus`, which holds the engine's own. Real-time: safe.
    pub fn mix(&self, start: FramePos, bus: &mut [f32]) {
        if self.mix.constant(start, bus.len()) == Some(0.0) {
            return;
        }
        let end = start.0 + bus.len() as i64;
        for (sample, frame) in bus.iter_mut().zip(start.0..end) {
            let part = self.mix.at(FramePos(frame));
            let arrived = if frame < self.filled { self.samples.get(self.slot(frame)) } else { None };
            *sample = *sample * (1.0 - part) + arrived.copied().unwrap_or(0.0) * part;
        }
    }
}
