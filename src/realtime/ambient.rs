//! Room and talkback inputs: cleaned, high-passed, ridden and limited before they meet the click.

use super::ramp::Ramp;
use super::setup::InputSetup;
use crate::units::{FramePos, Frames, SampleRate};

/// Filter states below this are silence: no denormal ever slows a block.
const TINY: f32 = 1e-20;

/// One input's chain.
#[derive(Debug)]
pub struct InputChain {
    setup: InputSetup,
    coefficients: [f32; 5],
    state: [f32; 2],
    ride: Ramp,
    envelope: f32,
    release: f32,
    ceiling: f32,
}

impl InputChain {
    /// `ceiling` is the linear level that this input alone never passes. Starts silent.
    pub fn new(setup: InputSetup, rate: SampleRate, ceiling: f32) -> InputChain {
        InputChain {
            setup,
            coefficients: high_pass(setup.high_pass_hertz, rate),
            state: [0.0; 2],
            ride: Ramp::steady(0.0),
            envelope: 0.0,
            release: (-1.0 / (0.15 * rate.hertz() as f32)).exp(),
            ceiling,
        }
    }

    pub fn channel(&self) -> usize {
        self.setup.channel as usize
    }

    /// Rides to the level of a song or of the pause between songs, after `wait` frames, or at once where
    /// it is still on its way to the other level (it turns round and never jumps).
    pub fn ride(&mut self, in_song: bool, at: FramePos, wait: Frames, frames: u32) {
        let to = if in_song { self.setup.in_song } else { self.setup.between };
        if self.ride.target() != to {
            let wait = if self.ride.constant(at, 1).is_some() { wait } else { Frames(0) };
            self.ride.go(to, at + wait, frames);
        }
    }

    /// Fills `out` from `input`; missing samples are silence. True when something was not a number.
    /// Panics: never. Real-time: safe.
    pub fn process(&mut self, start: FramePos, input: &[f32], out: &mut [f32]) -> bool {
        let mut bad = false;
        let sign = if self.setup.inverted { -1.0 } else { 1.0 };
        let mut input = input.iter();
        for sample in out.iter_mut() {
            let raw = input.next().copied().unwrap_or(0.0);
            bad |= !raw.is_finite();
            let clean = if raw.is_finite() { raw.clamp(-4.0, 4.0) * sign } else { 0.0 };
            *sample = self.filter(clean);
        }
        self.flush();
        self.ride.apply(start, out);
        out.iter_mut().for_each(|sample| *sample = self.limit(*sample));
        bad
    }

    /// Transposed direct form II.
    fn filter(&mut self, x: f32) -> f32 {
        let [b0, b1, b2, a1, a2] = self.coefficients;
        let [s1, s2] = self.state;
        let y = b0 * x + s1;
        self.state = [flushed(b1 * x - a1 * y + s2), flushed(b2 * x - a2 * y)];
        y
    }

    fn flush(&mut self) {
        self.envelope = flushed(self.envelope);
    }

    /// Instant attack, 150 ms release: the room alone never passes its ceiling.
    fn limit(&mut self, sample: f32) -> f32 {
        self.envelope = sample.abs().max(self.envelope * self.release);
        if self.envelope > self.ceiling { sample * (self.ceiling / self.envelope) } else { sample }
    }
}

/// Per sample, so that a block's edge never changes one.
fn flushed(state: f32) -> f32 {
    if state.abs() < TINY { 0.0 } else { state }
}

/// Second-order Butterworth high-pass. Source: W3C "Audio EQ Cookbook" (2021), HPF, Q = 1/√2. 0 Hz: none.
fn high_pass(hertz: f64, rate: SampleRate) -> [f32; 5] {
    if hertz <= 0.0 {
        return [1.0, 0.0, 0.0, 0.0, 0.0];
    }
    let (sin, cos) = (std::f64::consts::TAU * hertz / f64::from(rate.hertz())).sin_cos();
    let alpha = sin / std::f64::consts::SQRT_2;
    let a0 = 1.0 + alpha;
    [(1.0 + cos) / 2.0 / a0, -(1.0 + cos) / a0, (1.0 + cos) / 2.0 / a0, -2.0 * cos / a0, (1.0 - alpha) / a0]
        .map(|value| value as f32)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn setup() -> InputSetup {
        InputSetup { channel: 0, in_song: 0.25, between: 1.0, high_pass_hertz: 80.0, inverted: false }
    }

    /// Source: W3C cookbook worked at 80 Hz and 48 kHz with Q = 1/√2 (equals scipy.signal.butter(2)).
    #[test]
    fn the_high_pass_has_the_cookbooks_coefficients() {
        let [b0, _, _, a1, a2] = high_pass(80.0, SampleRate::standard());
        assert!((f64::from(b0) - 0.992_622_542_756_119).abs() < 1e-7);
        assert!((f64::from(a1) + 1.985_190_5).abs() < 1e-6);
        assert!((f64::from(a2) - 0.985_299_6).abs() < 1e-6);
    }

    #[test]
    fn not_a_number_is_silence_and_is_told() {
        let mut chain = InputChain::new(setup(), SampleRate::standard(), 0.5);
        chain.ride(false, FramePos(0), Frames(0), 0);
        let mut out = [9.0f32; 4];
        assert!(chain.process(FramePos(0), &[f32::NAN, f32::INFINITY, 0.0], &mut out));
        assert_eq!(out, [0.0; 4]);
    }

    #[test]
    fn a_song_stopped_while_the_room_closes_turns_the_ride_round_without_a_jump() {
        let mut chain = InputChain::new(setup(), SampleRate::standard(), 9.0);
        chain.ride(false, FramePos(0), Frames(0), 0);
        chain.ride(true, FramePos(0), Frames(0), 28_800);
        chain.ride(false, FramePos(9_600), Frames(24_000), 72_000);
        let (before, after) = (chain.ride.at(FramePos(9_600)), chain.ride.at(FramePos(9_700)));
        assert!((before - 0.75).abs() < 1e-6 && (after - before).abs() < 0.01, "{before} {after}");
    }

    #[test]
    fn a_roaring_crowd_stays_under_its_ceiling() {
        let mut chain = InputChain::new(setup(), SampleRate::standard(), 0.5);
        chain.ride(false, FramePos(0), Frames(0), 0);
        let roar: Vec<f32> = (0..4800).map(|n| (n as f32 * 0.3).sin() * 3.0).collect();
        let mut out = vec![0.0; 4800];
        chain.process(FramePos(0), &roar, &mut out);
        assert!(out.iter().all(|sample| sample.abs() <= 0.5 + 1e-6));
    }
}
