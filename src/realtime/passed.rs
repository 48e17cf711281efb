//! A click that comes in on an input and is passed on: the main's, or a pad's. The engine's own click takes its
//! place, hit by hit, where it fails.

use super::biquad::{DC_HERTZ, SECOND_ORDER, Single, high_pass};
use super::event::Source;
use super::ramp::Ramp;
use crate::units::{FramePos, Frames, SampleRate};

/// What is out of range is brought into it (12 dB over full scale).
const RANGE: f32 = 4.0;

/// Frames of the timeline after which the filter's state is looked at.
const FLUSH: i64 = 64;

/// The own click takes over within this time, and from it.
pub const SPLICE_SECONDS: f64 = 0.001;

/// What arrived, kept until it is due to leave, and the splice between it and the engine's own click.
#[derive(Debug)]
pub struct Passed {
    samples: Vec<f32>,
    /// A standing voltage of the line never reaches ears.
    filter: Single,
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
            filter: Single::new(high_pass(DC_HERTZ, SECOND_ORDER[0], rate)),
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

    /// How long a turn takes.
    pub fn splice(&self) -> Frames {
        Frames(i64::from(self.splice))
    }

    fn slot(&self, frame: i64) -> usize {
        frame.rem_euclid(self.samples.len().max(1) as i64) as usize
    }

    /// Takes samples that arrived at `at`; what is not a number is silence, and so is what never came. The filter waits
    /// meanwhile: it knows the line's voltage when samples come again.
    /// Real-time: safe.
    pub fn feed(&mut self, at: FramePos, samples: &[f32], frames: usize) {
        let first = at.0 + self.delay.0;
        let gap = self.filled.max(first - self.samples.len() as i64);
        for frame in gap..first {
            self.put(frame, 0.0);
        }
        for (index, frame) in (0..frames).zip(first..) {
            let raw = samples.get(index).copied().unwrap_or(0.0);
            let clean = if raw.is_finite() { raw.clamp(-RANGE, RANGE) } else { 0.0 };
            let heard = self.filter.work(f64::from(clean)) as f32;
            self.put(frame, heard);
            if frame.rem_euclid(FLUSH) == FLUSH - 1 {
                self.filter.flush();
            }
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

#[cfg(test)]
mod tests {
    use super::*;

    const RATE: u32 = 48_000;

    /// Ten clicks a second, a decaying 1 kHz of 20 ms, on a line that stands at `voltage`.
    fn line(voltage: f32) -> Vec<f32> {
        let click = |n: usize| {
            let time = (n % 4_800) as f32 / RATE as f32;
            0.5 * (-time / 0.004).exp() * (std::f32::consts::TAU * 1_000.0 * time).sin()
        };
        (0..3 * RATE as usize).map(|n| click(n) + voltage).collect()
    }

    fn passed_on(samples: &[f32], mut size: impl FnMut() -> usize) -> Vec<f32> {
        let rate = SampleRate::new(RATE).expect("a rate");
        let mut passed = Passed::new(rate, Frames(456), 512);
        let (mut out, mut at) = (Vec::new(), 0);
        while at < samples.len() {
            let frames = size().min(samples.len() - at);
            passed.feed(FramePos(at as i64), &samples[at..at + frames], frames);
            let mut bus = vec![0.0; frames];
            passed.mix(FramePos(at as i64), &mut bus);
            out.extend(bus);
            at += frames;
        }
        out
    }

    #[test]
    fn a_standing_voltage_is_not_passed_on_and_the_click_is_as_it_was() {
        let whole = passed_on(&line(0.4), || 512);
        let last = &whole[2 * RATE as usize..];
        let mean = last.iter().map(|x| f64::from(*x)).sum::<f64>() / last.len() as f64;
        assert!(mean.abs() < 1e-5, "{mean}");
        let clean = line(0.0);
        let off = last.iter().zip(&clean[2 * RATE as usize - 456..]).map(|(a, b)| (a - b).abs());
        assert!(
            off.fold(0.0, f32::max) < 0.0075,
            "a corner at 5 Hz changes the click by less than 1.5 % of its peak"
        );
        let mut random = fastrand::Rng::with_seed(1);
        assert_eq!(whole, passed_on(&line(0.4), || random.usize(1..=512)), "in any split");
    }

    #[test]
    fn what_is_no_number_or_out_of_range_does_not_stay_in_the_filter() {
        let mut samples = line(0.0);
        (samples[1_000], samples[1_001], samples[1_002]) = (f32::NAN, f32::INFINITY, 1e30);
        let heard = passed_on(&samples, || 256);
        assert!(heard.iter().all(|x| x.is_finite() && x.abs() <= RANGE));
        let (last, clean) = (&heard[2 * RATE as usize..], &samples[2 * RATE as usize - 456..]);
        assert!(last.iter().zip(clean).all(|(a, b)| (a - b).abs() < 0.0075));
    }

    #[test]
    fn frames_that_never_came_are_silence_and_no_new_step_of_the_voltage() {
        let rate = SampleRate::new(RATE).expect("a rate");
        let mut passed = Passed::new(rate, Frames(456), 512);
        let block = [0.4; 480];
        let mut heard = Vec::new();
        for n in 0..200i64 {
            let at = n * 480 + if n >= 100 { 300 } else { 0 };
            passed.feed(FramePos(at), &block, 480);
            let mut bus = [0.0; 480];
            passed.mix(FramePos(at), &mut bus);
            heard.extend(bus);
        }
        assert!(heard[40_000..].iter().all(|x| x.abs() < 1e-3));
    }
}
