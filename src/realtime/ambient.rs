//! Room and talkback inputs: cleaned, delayed, filtered, ridden and limited before they meet the click.

use super::biquad::{
    Biquad, DC_HERTZ, FOURTH_ORDER, LANES, SECOND_ORDER, Section, THROUGH, high_pass, low_pass,
};
use super::dynamics::{Dynamics, STEP};
use super::io::{Piece, Planar};
use super::ride::Rider;
use super::setup::{InputSetup, Talks};
use crate::units::{FramePos, Frames, SampleRate};

/// Frames that are worked on at a time, and after which filter states are looked at, from frame 0 of the timeline on.
const CHUNK: usize = 64;

/// Louder than this is a fault of the line (12 dB over full scale).
const RANGE: f32 = 4.0;

type Lanes = [f32; LANES];

/// All inputs, eight a group: each sample of one waits for the sample before it, eight at once wait together.
#[derive(Debug)]
pub struct Inputs {
    groups: Vec<Group>,
    pub rider: Rider,
    /// Inputs that somebody talks into only at times: by key or by voice.
    talks: u64,
}

#[derive(Debug)]
struct Group {
    /// 1 to [`LANES`]; a lane without one is silent.
    inputs: Vec<Input>,
    sign: Lanes,
    sections: Vec<Section>,
    dynamics: Option<Dynamics>,
    envelope: Lanes,
    release: f32,
    ceiling: f32,
    /// The piece that is worked on, as it comes and in the filters' precision.
    rows: Vec<Lanes>,
    wide: Vec<[f64; LANES]>,
}

#[derive(Debug)]
struct Input {
    channel: usize,
    /// Its newest samples, when it is made later.
    line: Vec<f32>,
    at: usize,
}

impl Inputs {
    /// Allocates. `ceiling` is the linear level that one input alone never passes. Starts silent.
    pub fn new(setups: &[InputSetup], rate: SampleRate, ceiling: f32) -> Inputs {
        let waits = |setup: &InputSetup| matches!(setup.talks, Some(Talks::ByKey | Talks::ByVoice));
        let talks = setups.iter().take(64).zip(0..).filter(|(setup, _)| waits(setup));
        Inputs {
            groups: setups.chunks(LANES).map(|setups| Group::new(setups, rate, ceiling)).collect(),
            rider: Rider::new(setups, rate),
            talks: talks.fold(0, |mask, (_, bit)| mask | 1 << bit),
        }
    }

    /// Inputs, bit by bit, that a person may talk into only at times.
    pub fn talks(&self) -> u64 {
        self.talks
    }

    /// Inputs, bit by bit, into which somebody talks. Real-time: safe.
    pub fn talking(&self, at: FramePos) -> u64 {
        let mut mask = 0;
        for bit in (0..64usize).filter(|bit| self.talks >> bit & 1 == 1) {
            let gate = self.groups.get(bit / LANES).and_then(|group| group.dynamics.as_ref());
            let open = gate.is_none_or(|gate| gate.is_open(bit % LANES));
            mask |= u64::from(open && self.rider.may_talk(bit, at)) << bit;
        }
        mask
    }

    /// Fills a piece of a channel of `out` that begins at `start` for each input from the interface's channels; what `input` does not give is
    /// silence. `unheard`, bit by bit: a group of none but these is not made. Tells the interface's channels on which
    /// something was not a number. Panics: never. Real-time: safe.
    pub fn process<'i>(
        &mut self,
        start: FramePos,
        piece: Piece,
        unheard: u64,
        input: impl Fn(usize) -> &'i [f32],
        out: &mut Planar,
        told: &mut dyn FnMut(usize),
    ) {
        let Inputs { groups, rider, .. } = self;
        for (first, group) in (0..).step_by(LANES).zip(groups) {
            let heard = |lane: usize| unheard.checked_shr((first + lane) as u32).unwrap_or(0) & 1 == 0;
            if !(0..group.inputs.len()).any(heard) {
                (0..group.inputs.len()).for_each(|lane| out.part_mut(first + lane, piece).fill(0.0));
                continue;
            }
            let mut bad = [false; LANES];
            let mut done = 0;
            while done < piece.frames {
                let at = start + Frames(done as i64);
                let place = at.0.rem_euclid(CHUNK as i64) as usize;
                let length = (CHUNK - place).min(piece.frames - done);
                // Taken out and put back: an empty vector takes its place, and nothing is allocated.
                let mut all = std::mem::take(&mut group.rows);
                let rows = all.get_mut(..length).unwrap_or(&mut []);
                rows.fill([0.0; LANES]);
                group.gather(rows, done, &input, &mut bad);
                group.filter(rows, place + length == CHUNK);
                group.shape(rows, place);
                group.ride(rows, first, rider, at);
                for lane in 0..group.inputs.len() {
                    let channel = out.part_mut(first + lane, piece);
                    hand_out(rows, lane, channel.get_mut(done..).unwrap_or(&mut []));
                }
                group.rows = all;
                done += length;
            }
            for (input, _) in group.inputs.iter().zip(bad).filter(|(_, bad)| *bad) {
                told(input.channel);
            }
        }
    }
}

/// The sections of an input's filters, in order. Without a high-pass a direct current is kept off ears all the same.
fn biquads(setup: &InputSetup, rate: SampleRate) -> Vec<Biquad> {
    let hertz = if setup.high_pass_hertz > 0.0 { setup.high_pass_hertz } else { DC_HERTZ };
    let order: &[f64] = if setup.steep { &FOURTH_ORDER } else { &SECOND_ORDER };
    let mut all: Vec<Biquad> = order.iter().map(|q| high_pass(hertz, *q, rate)).collect();
    // Above what a rate carries there is nothing to take away.
    if setup.low_pass_hertz > 0.0 && setup.low_pass_hertz < f64::from(rate.hertz()) * 0.49 {
        all.push(low_pass(setup.low_pass_hertz, SECOND_ORDER[0], rate));
    }
    all
}

impl Group {
    fn new(setups: &[InputSetup], rate: SampleRate, ceiling: f32) -> Group {
        let filters: Vec<Vec<Biquad>> = setups.iter().map(|setup| biquads(setup, rate)).collect();
        let most = filters.iter().map(Vec::len).max().unwrap_or(0);
        let section = |n: usize| -> Vec<Biquad> {
            filters.iter().map(|filter| filter.get(n).copied().unwrap_or(THROUGH)).collect()
        };
        let mut sign = [1.0; LANES];
        sign.iter_mut().zip(setups).for_each(|(sign, setup)| *sign = if setup.inverted { -1.0 } else { 1.0 });
        let input = |setup: &InputSetup| Input {
            channel: usize::from(setup.channel),
            line: vec![0.0; usize::try_from(setup.delay.0).unwrap_or(0)],
            at: 0,
        };
        Group {
            inputs: setups.iter().map(input).collect(),
            sign,
            sections: (0..most).map(|n| Section::new(&section(n))).collect(),
            dynamics: Dynamics::new(setups, rate),
            envelope: [0.0; LANES],
            release: (-1.0 / (0.15 * rate.hertz() as f32)).exp(),
            ceiling,
            rows: vec![[0.0; LANES]; CHUNK],
            wide: vec![[0.0; LANES]; CHUNK],
        }
    }

    /// Puts the inputs' samples side by side, cleaned and delayed. Where all are sound nothing has to be cleaned.
    #[expect(clippy::indexing_slicing, reason = "arrays of LANES, indexed below LANES")]
    fn gather<'i>(
        &mut self,
        rows: &mut [Lanes],
        done: usize,
        input: &impl Fn(usize) -> &'i [f32],
        bad: &mut [bool; LANES],
    ) {
        let lanes = self.inputs.iter_mut().zip(self.sign).zip(bad).enumerate();
        for (lane, ((chain, sign), bad)) in lanes {
            let samples = input(chain.channel).get(done..).unwrap_or(&[]);
            if samples.iter().fold(true, |sound, raw| sound & (raw.abs() <= RANGE)) {
                rows.iter_mut().zip(samples).for_each(|(row, raw)| row[lane % LANES] = raw * sign);
            } else {
                for (row, raw) in rows.iter_mut().zip(samples) {
                    *bad |= !raw.is_finite();
                    row[lane % LANES] = if raw.is_finite() { raw.clamp(-RANGE, RANGE) * sign } else { 0.0 };
                }
            }
            chain.delay(rows, lane);
        }
    }

    /// In f64: see [`Section`].
    fn filter(&mut self, rows: &mut [Lanes], flush: bool) {
        let wide = self.wide.get_mut(..rows.len()).unwrap_or(&mut []);
        wide.iter_mut().zip(rows.iter()).for_each(|(wide, row)| *wide = row.map(f64::from));
        self.sections.iter_mut().for_each(|section| section.work(wide));
        rows.iter_mut().zip(wide.iter()).for_each(|(row, wide)| *row = wide.map(|sample| sample as f32));
        if flush {
            self.sections.iter_mut().for_each(Section::flush);
            self.envelope = self.envelope.map(|level| if level < 1e-20 { 0.0 } else { level });
        }
    }

    /// `place` is the first row's in its chunk of the timeline.
    fn shape(&mut self, rows: &mut [Lanes], place: usize) {
        if let Some(dynamics) = &mut self.dynamics {
            for (row, place) in rows.iter_mut().zip(place..) {
                dynamics.work(place % STEP, row);
            }
        }
    }

    /// Ride and limit.
    fn ride(&mut self, rows: &mut [Lanes], first: usize, rider: &Rider, start: FramePos) {
        let mut gains = [Some(0.0); LANES];
        for (lane, gain) in gains.iter_mut().enumerate().take(self.inputs.len()) {
            *gain = rider.constant(first + lane, start, rows.len());
        }
        let steady = gains.iter().all(Option::is_some).then(|| gains.map(|gain| gain.unwrap_or(0.0)));
        let count = self.inputs.len();
        for (row, frame) in rows.iter_mut().zip(start.0..) {
            let gains = steady.unwrap_or_else(|| {
                std::array::from_fn(
                    |lane| if lane < count { rider.at(first + lane, FramePos(frame)) } else { 0.0 },
                )
            });
            *row = limit(&mut self.envelope, self.release, self.ceiling, &times(row, &gains));
        }
    }
}

impl Input {
    /// Swaps this lane's samples with those that came a delay before.
    fn delay(&mut self, rows: &mut [Lanes], lane: usize) {
        if self.line.is_empty() {
            return;
        }
        for sample in rows.iter_mut().filter_map(|row| row.get_mut(lane)) {
            if let Some(slot) = self.line.get_mut(self.at) {
                std::mem::swap(slot, sample);
            }
            self.at = if self.at + 1 >= self.line.len() { 0 } else { self.at + 1 };
        }
    }
}

#[expect(clippy::indexing_slicing, reason = "arrays of LANES, indexed below LANES")]
fn hand_out(rows: &[Lanes], lane: usize, channel: &mut [f32]) {
    channel.iter_mut().zip(rows).for_each(|(sample, row)| *sample = row[lane % LANES]);
}

fn times(a: &Lanes, b: &Lanes) -> Lanes {
    let mut product = *a;
    product.iter_mut().zip(b).for_each(|(a, b)| *a *= b);
    product
}

/// Instant attack, 150 ms release: one input alone never passes its ceiling.
#[expect(clippy::indexing_slicing, reason = "arrays of LANES, indexed below LANES")]
fn limit(envelope: &mut Lanes, release: f32, ceiling: f32, x: &Lanes) -> Lanes {
    *envelope = std::array::from_fn(|n| {
        let (peak, held) = (x[n].abs(), envelope[n] * release);
        if peak > held { peak } else { held }
    });
    // All eight at once, instead of up to the first.
    if envelope.iter().fold(true, |below, level| below & (*level <= ceiling)) {
        return *x;
    }
    std::array::from_fn(|n| if envelope[n] > ceiling { x[n] * (ceiling / envelope[n]) } else { x[n] })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::realtime::setup::Compress;

    fn inputs(setups: &[InputSetup], ceiling: f32) -> Inputs {
        let mut inputs = Inputs::new(setups, SampleRate::standard(), ceiling);
        inputs.rider.load(FramePos(0), 0, &mut |_, _| ());
        inputs
    }

    fn run(inputs: &mut Inputs, start: i64, input: &[f32], out: &mut Planar) -> Vec<usize> {
        let mut told = vec![];
        inputs.process(FramePos(start), Piece::first(input.len()), 0, |_| input, out, &mut |channel| {
            told.push(channel)
        });
        told
    }

    #[test]
    fn not_a_number_is_silence_and_is_told() {
        let mut inputs = inputs(&[InputSetup::default()], 0.5);
        let mut out = Planar::new(1, 4);
        out.channel_mut(0, 4).fill(9.0);
        assert_eq!(run(&mut inputs, 0, &[f32::NAN, f32::INFINITY, 0.0, 0.0], &mut out), [0]);
        assert_eq!(out.channel(0, 4), [0.0; 4]);
    }

    #[test]
    fn a_roaring_crowd_stays_under_its_ceiling() {
        let mut inputs = inputs(&[InputSetup::default()], 0.5);
        let roar: Vec<f32> = (0..4800).map(|n| (n as f32 * 0.3).sin() * 3.0).collect();
        let mut out = Planar::new(1, 4800);
        run(&mut inputs, 0, &roar, &mut out);
        assert!(out.channel(0, 4800).iter().all(|sample| sample.abs() <= 0.5 + 1e-6));
    }

    #[test]
    fn a_direct_current_is_kept_off_with_no_high_pass_too() {
        let mut inputs = inputs(&[InputSetup { high_pass_hertz: 0.0, ..InputSetup::default() }], 0.5);
        let mut out = Planar::new(1, 48_000);
        run(&mut inputs, 0, &[0.4; 48_000], &mut out);
        assert!(out.channel(0, 48_000)[40_000..].iter().all(|sample| sample.abs() < 1e-4));
    }

    /// A mic 3.4 m nearer is 10 ms early (340 m/s): delayed by 480 frames both are one.
    #[test]
    fn a_delay_levels_two_microphones() {
        let near = InputSetup { delay: Frames(480), ..InputSetup::default() };
        let mut inputs = inputs(&[near, InputSetup { channel: 1, ..InputSetup::default() }], 0.5);
        let clap = |at: usize| -> Vec<f32> { (0..4800).map(|n| if n == at { 0.3 } else { 0.0 }).collect() };
        let (early, late) = (clap(1000), clap(1480));
        let mut out = Planar::new(2, 4800);
        let input = |channel: usize| if channel == 0 { &early[..] } else { &late[..] };
        inputs.process(FramePos(0), Piece::first(4800), 0, input, &mut out, &mut |_| {});
        assert_eq!(out.channel(0, 4800), out.channel(1, 4800));
        assert!(out.channel(0, 4800)[1480] > 0.2);
    }

    /// A filter, a delay, dynamics, a ride and a limiter, one input at a time in one block: what the lanes must do in any
    /// blocks, to the bit.
    #[test]
    fn eleven_inputs_side_by_side_in_ragged_blocks_are_eleven_inputs_one_by_one() {
        let mut random = fastrand::Rng::with_seed(3);
        let setups: Vec<InputSetup> = (0..11u16)
            .map(|n| InputSetup {
                channel: n,
                high_pass_hertz: f64::from(n) * 40.0,
                steep: n % 3 == 1,
                low_pass_hertz: if n % 4 == 2 { 8_000.0 } else { 0.0 },
                inverted: n % 2 == 1,
                delay: Frames(i64::from(n) * 7),
                compress: (n % 5 == 3).then_some(Compress { above: 0.1, ratio: 3.0 }),
                gate_opens: (n == 9).then_some(0.7),
                ..InputSetup::default()
            })
            .collect();
        let noise: Vec<Vec<f32>> =
            (0..11).map(|_| (0..2000).map(|_| (random.f32() - 0.5) * 3.0).collect()).collect();
        let play = |setups: &[InputSetup], sizes: &mut dyn FnMut() -> usize| {
            let mut inputs = Inputs::new(setups, SampleRate::standard(), 0.5);
            inputs.rider.load(FramePos(100), 300, &mut |_, _| ());
            let (mut all, mut done) = (vec![vec![]; setups.len()], 0);
            while done < 2000 {
                let size = sizes().min(2000 - done);
                let mut out = Planar::new(setups.len(), size);
                let input = |channel: usize| &noise[channel][done..done + size];
                inputs.process(FramePos(done as i64), Piece::first(size), 0, input, &mut out, &mut |_| {});
                all.iter_mut().enumerate().for_each(|(n, all)| all.extend_from_slice(out.channel(n, size)));
                done += size;
            }
            all
        };
        let ragged = play(&setups, &mut || random.usize(1..200));
        assert!(ragged.iter().any(|input| input.iter().any(|sample| *sample != 0.0)));
        for (n, setup) in setups.iter().enumerate() {
            assert_eq!(ragged[n], play(&[*setup], &mut || 2000)[0], "input {n}");
        }
    }
}
