//! Room and talkback inputs: cleaned, high-passed, ridden and limited before they meet the click.

use super::io::Planar;
use super::ramp::Ramp;
use super::setup::InputSetup;
use crate::units::{FramePos, Frames, SampleRate};

/// Filter states below this are silence: no denormal ever slows a block.
const TINY: f32 = 1e-20;

/// Inputs that are worked on side by side.
const LANES: usize = 8;

/// Frames that are worked on at a time.
const CHUNK: usize = 64;

type Lanes = [f32; LANES];

/// All inputs, eight a group: each sample of one waits for the sample before it, eight at once wait together.
#[derive(Debug)]
pub struct Inputs {
    groups: Vec<Group>,
}

#[derive(Debug)]
struct Group {
    /// 1 to [`LANES`]; a lane without one is silent.
    inputs: Vec<Input>,
    sign: Lanes,
    coefficients: [Lanes; 5],
    state: [Lanes; 2],
    envelope: Lanes,
    release: f32,
    ceiling: f32,
}

#[derive(Debug)]
struct Input {
    setup: InputSetup,
    ride: Ramp,
}

impl Inputs {
    /// Allocates. `ceiling` is the linear level that one input alone never passes. Starts silent.
    pub fn new(setups: &[InputSetup], rate: SampleRate, ceiling: f32) -> Inputs {
        Inputs { groups: setups.chunks(LANES).map(|setups| Group::new(setups, rate, ceiling)).collect() }
    }

    /// Rides to the level of a song or of the pause between songs, after `wait` frames, or at once where
    /// it is still on its way to the other level (it turns round and never jumps).
    pub fn ride(&mut self, in_song: bool, at: FramePos, wait: Frames, frames: u32) {
        for input in self.groups.iter_mut().flat_map(|group| &mut group.inputs) {
            let to = if in_song { input.setup.in_song } else { input.setup.between };
            if input.ride.target() != to {
                let wait = if input.ride.constant(at, 1).is_some() { wait } else { Frames(0) };
                input.ride.go(to, at + wait, frames);
            }
        }
    }

    /// Fills a channel of `out` for each input from the interface's channels; what `input` does not give is
    /// silence. Tells the interface's channels on which something was not a number. Panics: never.
    /// Real-time: safe.
    pub fn process<'i>(
        &mut self,
        start: FramePos,
        frames: usize,
        input: impl Fn(usize) -> &'i [f32],
        out: &mut Planar,
        told: &mut dyn FnMut(usize),
    ) {
        for (first, group) in (0..).step_by(LANES).zip(&mut self.groups) {
            let mut bad = [false; LANES];
            let mut done = 0;
            while done < frames {
                let length = CHUNK.min(frames - done);
                let mut chunk = [[0.0; LANES]; CHUNK];
                let Some(rows) = chunk.get_mut(..length) else { break };
                group.gather(rows, done, &input, &mut bad);
                group.work(rows, start + Frames(done as i64));
                for lane in 0..group.inputs.len() {
                    let channel = out.channel_mut(first + lane, frames);
                    let channel = channel.get_mut(done..).unwrap_or(&mut []);
                    for (sample, row) in channel.iter_mut().zip(rows.iter()) {
                        *sample = row.get(lane).copied().unwrap_or(0.0);
                    }
                }
                done += length;
            }
            group.envelope = group.envelope.map(flushed);
            for (input, _) in group.inputs.iter().zip(bad).filter(|(_, bad)| *bad) {
                told(usize::from(input.setup.channel));
            }
        }
    }
}

impl Group {
    fn new(setups: &[InputSetup], rate: SampleRate, ceiling: f32) -> Group {
        let mut group = Group {
            inputs: setups.iter().map(|setup| Input { setup: *setup, ride: Ramp::steady(0.0) }).collect(),
            sign: [1.0; LANES],
            coefficients: [[0.0; LANES]; 5],
            state: [[0.0; LANES]; 2],
            envelope: [0.0; LANES],
            release: (-1.0 / (0.15 * rate.hertz() as f32)).exp(),
            ceiling,
        };
        for (lane, setup) in setups.iter().enumerate() {
            let values = high_pass(setup.high_pass_hertz, rate);
            for (coefficient, value) in group.coefficients.iter_mut().zip(values) {
                coefficient.iter_mut().skip(lane).take(1).for_each(|slot| *slot = value);
            }
            let sign = if setup.inverted { -1.0 } else { 1.0 };
            group.sign.iter_mut().skip(lane).take(1).for_each(|slot| *slot = sign);
        }
        group
    }

    /// Puts the inputs' samples side by side, cleaned.
    fn gather<'i>(
        &self,
        rows: &mut [Lanes],
        done: usize,
        input: &impl Fn(usize) -> &'i [f32],
        bad: &mut [bool; LANES],
    ) {
        let lanes = self.inputs.iter().zip(self.sign).zip(bad).enumerate();
        for (lane, ((chain, sign), bad)) in lanes {
            let samples = input(usize::from(chain.setup.channel)).get(done..).unwrap_or(&[]);
            for (row, raw) in rows.iter_mut().zip(samples) {
                *bad |= !raw.is_finite();
                let clean = if raw.is_finite() { raw.clamp(-4.0, 4.0) * sign } else { 0.0 };
                if let Some(slot) = row.get_mut(lane) {
                    *slot = clean;
                }
            }
        }
    }

    /// High-pass, ride and limit.
    fn work(&mut self, rows: &mut [Lanes], start: FramePos) {
        let mut gains = [Some(0.0); LANES];
        for (gain, input) in gains.iter_mut().zip(&self.inputs) {
            *gain = input.ride.constant(start, rows.len());
        }
        let steady = gains.iter().all(Option::is_some).then(|| gains.map(|gain| gain.unwrap_or(0.0)));
        for (row, frame) in rows.iter_mut().zip(start.0..) {
            let gains = steady.unwrap_or_else(|| self.gains(FramePos(frame)));
            let filtered = filter(&self.coefficients, &mut self.state, row);
            *row = limit(&mut self.envelope, self.release, self.ceiling, &times(&filtered, &gains));
        }
    }

    fn gains(&self, frame: FramePos) -> Lanes {
        let mut gains = [0.0; LANES];
        gains.iter_mut().zip(&self.inputs).for_each(|(gain, input)| *gain = input.ride.at(frame));
        gains
    }
}

fn times(a: &Lanes, b: &Lanes) -> Lanes {
    let mut product = *a;
    product.iter_mut().zip(b).for_each(|(a, b)| *a *= b);
    product
}

/// Transposed direct form II.
#[expect(clippy::indexing_slicing, reason = "arrays of LANES, indexed below LANES")]
fn filter([b0, b1, b2, a1, a2]: &[Lanes; 5], state: &mut [Lanes; 2], x: &Lanes) -> Lanes {
    let [s1, s2] = state;
    let y: Lanes = std::array::from_fn(|n| b0[n] * x[n] + s1[n]);
    *s1 = std::array::from_fn(|n| flushed(b1[n] * x[n] - a1[n] * y[n] + s2[n]));
    *s2 = std::array::from_fn(|n| flushed(b2[n] * x[n] - a2[n] * y[n]));
    y
}

/// Instant attack, 150 ms release: one input alone never passes its ceiling.
#[expect(clippy::indexing_slicing, reason = "arrays of LANES, indexed below LANES")]
fn limit(envelope: &mut Lanes, release: f32, ceiling: f32, x: &Lanes) -> Lanes {
    *envelope = std::array::from_fn(|n| {
        let (peak, held) = (x[n].abs(), envelope[n] * release);
        if peak > held { peak } else { held }
    });
    if envelope.iter().all(|level| *level <= ceiling) {
        return *x;
    }
    std::array::from_fn(|n| if envelope[n] > ceiling { x[n] * (ceiling / envelope[n]) } else { x[n] })
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

    fn run(inputs: &mut Inputs, start: i64, input: &[f32], out: &mut Planar) -> Vec<usize> {
        let mut told = vec![];
        inputs.process(FramePos(start), input.len(), |_| input, out, &mut |channel| told.push(channel));
        told
    }

    #[test]
    fn not_a_number_is_silence_and_is_told() {
        let mut inputs = Inputs::new(&[setup()], SampleRate::standard(), 0.5);
        inputs.ride(false, FramePos(0), Frames(0), 0);
        let mut out = Planar::new(1, 4);
        out.channel_mut(0, 4).fill(9.0);
        assert_eq!(run(&mut inputs, 0, &[f32::NAN, f32::INFINITY, 0.0, 0.0], &mut out), [0]);
        assert_eq!(out.channel(0, 4), [0.0; 4]);
    }

    #[test]
    fn a_song_stopped_while_the_room_closes_turns_the_ride_round_without_a_jump() {
        let mut inputs = Inputs::new(&[setup()], SampleRate::standard(), 9.0);
        inputs.ride(false, FramePos(0), Frames(0), 0);
        inputs.ride(true, FramePos(0), Frames(0), 28_800);
        inputs.ride(false, FramePos(9_600), Frames(24_000), 72_000);
        let ride = inputs.groups[0].inputs[0].ride;
        let (before, after) = (ride.at(FramePos(9_600)), ride.at(FramePos(9_700)));
        assert!((before - 0.75).abs() < 1e-6 && (after - before).abs() < 0.01, "{before} {after}");
    }

    #[test]
    fn a_roaring_crowd_stays_under_its_ceiling() {
        let mut inputs = Inputs::new(&[setup()], SampleRate::standard(), 0.5);
        inputs.ride(false, FramePos(0), Frames(0), 0);
        let roar: Vec<f32> = (0..4800).map(|n| (n as f32 * 0.3).sin() * 3.0).collect();
        let mut out = Planar::new(1, 4800);
        run(&mut inputs, 0, &roar, &mut out);
        assert!(out.channel(0, 4800).iter().all(|sample| sample.abs() <= 0.5 + 1e-6));
    }

    /// A biquad in one line, and its limiter, one input at a time: what the lanes must do to the bit.
    #[test]
    fn eleven_inputs_side_by_side_are_eleven_inputs_one_by_one() {
        let rate = SampleRate::standard();
        let setups: Vec<InputSetup> = (0..11u16)
            .map(|n| InputSetup {
                channel: n,
                high_pass_hertz: f64::from(n) * 40.0,
                inverted: n % 2 == 1,
                ..setup()
            })
            .collect();
        let mut random = fastrand::Rng::with_seed(3);
        let noise: Vec<Vec<f32>> =
            (0..11).map(|_| (0..1000).map(|_| (random.f32() - 0.5) * 3.0).collect()).collect();
        let play = |sizes: &mut dyn FnMut() -> usize| {
            let mut inputs = Inputs::new(&setups, rate, 0.5);
            inputs.ride(false, FramePos(100), Frames(0), 300);
            let (mut all, mut done) = (vec![vec![]; 11], 0);
            while done < 1000 {
                let size = sizes().min(1000 - done);
                let mut out = Planar::new(11, size);
                let input = |channel: usize| &noise[channel][done..done + size];
                inputs.process(FramePos(done as i64), size, input, &mut out, &mut |_| {});
                all.iter_mut().enumerate().for_each(|(n, all)| all.extend_from_slice(out.channel(n, size)));
                done += size;
            }
            all
        };
        let whole = play(&mut || 1000);
        assert_eq!(whole, play(&mut || random.usize(1..200)));
        for (n, setup) in setups.iter().enumerate() {
            let [b0, b1, b2, a1, a2] = high_pass(setup.high_pass_hertz, rate);
            let mut ride = Ramp::steady(0.0);
            ride.go(1.0, FramePos(100), 300);
            let (mut s, mut envelope) = ([0.0f32; 2], 0.0f32);
            let release = (-1.0 / (0.15 * 48_000.0f32)).exp();
            for (frame, (raw, heard)) in noise[n].iter().zip(&whole[n]).enumerate() {
                let x = raw * if setup.inverted { -1.0 } else { 1.0 };
                let y = b0 * x + s[0];
                s = [b1 * x - a1 * y + s[1], b2 * x - a2 * y];
                let ridden = y * ride.at(FramePos(frame as i64));
                envelope = ridden.abs().max(envelope * release);
                let want = if envelope > 0.5 { ridden * (0.5 / envelope) } else { ridden };
                assert_eq!(*heard, want, "input {n}, frame {frame}");
            }
        }
    }
}
