//! One probe out of one output, and what comes back, frame by frame.
//!
//! In: orders and empty takes through a ring. Out: filled takes through another. Thread: [`Shooter`] on the
//! audio thread, [`ShotControl`] on an ordinary one. Always: only the named output carries anything, never
//! above the ceiling; frame `n` of a take is the input sample that the program is given together with
//! output frame `start + n`, lost frames counted, so that the round trip includes all that the program
//! itself waits for.
#![cfg_attr(
    not(test),
    deny(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::indexing_slicing)
)]

use crate::realtime::io::{Io, Process};
use crate::units::{FramePos, Frames};
use ringbuf::traits::{Consumer, Producer, Split};
use ringbuf::{HeapCons, HeapProd, HeapRb};
use std::sync::Arc;

/// Orders and takes that may be under way at once.
const ROOM: usize = 4;

/// What to play where, and what to hear. Channels count from 0.
#[derive(Clone, Debug)]
pub struct ShotSetup {
    pub output: usize,
    pub inputs: Vec<usize>,
    /// What may be played, by number.
    pub probes: Vec<Arc<[f32]>>,
    /// The largest sample that may leave, linear.
    pub ceiling: f32,
}

/// One recording: made empty by the control side, filled by the audio thread.
#[derive(Clone, Debug, PartialEq)]
pub struct Take {
    pub number: u32,
    pub gain: f32,
    /// Frame of the probe's first sample.
    pub start: FramePos,
    /// One for each input, in the order of the setup; frames that were lost are silent.
    pub heard: Vec<Vec<f32>>,
    /// Frames lost between first and last.
    pub lost: Frames,
    /// Where inputs lay beside outputs when it began: what waits in the program's own ring, below zero.
    pub input_offset: Frames,
    /// Times that this changed while it was recorded.
    pub slips: u32,
    /// Samples that were no numbers, taken as silence.
    pub odd: u32,
}

impl Take {
    fn new(number: u32, gain: f32, inputs: usize, frames: usize) -> Take {
        Take {
            number,
            gain,
            start: FramePos(0),
            heard: vec![vec![0.0; frames]; inputs],
            lost: Frames(0),
            input_offset: Frames(0),
            slips: 0,
            odd: 0,
        }
    }

    /// Whether the frames follow each other as they should.
    pub fn is_whole(&self) -> bool {
        self.lost == Frames(0) && self.slips == 0
    }

    /// The largest sample of the first input.
    pub fn peak(&self) -> f32 {
        self.heard.first().map_or(0.0, |heard| heard.iter().fold(0.0f32, |most, x| most.max(x.abs())))
    }
}

struct Order {
    take: Take,
    shot: Shot,
}

/// One shot to be fired.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Shot {
    /// Which of the setup's probes.
    pub probe: usize,
    pub gain: f32,
    /// Frames to record from the probe's first frame on.
    pub frames: usize,
    /// Frames from the beginning of the block that takes the order to the probe's first.
    pub wait: usize,
}

/// The control side's end.
pub struct ShotControl {
    orders: HeapProd<Order>,
    takes: HeapCons<Take>,
    setup: ShotSetup,
    next: u32,
}

/// The audio thread's end.
pub struct Shooter {
    orders: HeapCons<Order>,
    takes: HeapProd<Take>,
    setup: ShotSetup,
    under_way: Option<Order>,
    /// The take under way has its first frame.
    begun: bool,
    /// Recorded, and no room yet to hand it over.
    done: bool,
}

/// Both ends. Allocates: call it before the stream starts.
pub fn shooter(setup: &ShotSetup) -> (ShotControl, Shooter) {
    let (orders, ordered) = HeapRb::new(ROOM).split();
    let (takes, taken) = HeapRb::new(ROOM).split();
    let control = ShotControl { orders, takes: taken, setup: setup.clone(), next: 0 };
    let setup = setup.clone();
    let shooter = Shooter { orders: ordered, takes, setup, under_way: None, begun: false, done: false };
    (control, shooter)
}

impl ShotControl {
    /// Orders a shot. Its number; `None` while too many wait.
    pub fn shoot(&mut self, shot: Shot) -> Option<u32> {
        let number = self.next;
        let take = Take::new(number, shot.gain, self.setup.inputs.len(), shot.frames);
        self.orders.try_push(Order { take, shot }).ok()?;
        self.next += 1;
        Some(number)
    }

    /// The next take that is done.
    pub fn take(&mut self) -> Option<Take> {
        self.takes.try_pop()
    }
}

impl Shooter {
    /// Plays and records beside whatever else fills the block: only its own output channel is written.
    /// Real-time: safe.
    pub fn run_beside(&mut self, io: &mut Io) {
        let frames = io.frames.min(io.output.capacity());
        io.output.channel_mut(self.setup.output, frames).fill(0.0);
        self.hand_over();
        if self.under_way.is_none() && !self.accept(io) {
            return;
        }
        if self.done {
            return;
        }
        let Some(Order { take, shot }) = &mut self.under_way else { return };
        let first = (io.at - take.start).0;
        if self.begun {
            take.lost = take.lost + io.lost;
            take.slips += u32::from(take.input_offset != io.input_offset);
        }
        take.input_offset = io.input_offset;
        self.begun = self.begun || first + frames as i64 > 0;
        let probe = self.setup.probes.get(shot.probe).map_or(&[][..], |probe| probe);
        let output = io.output.channel_mut(self.setup.output, frames);
        play(probe, shot.gain, self.setup.ceiling, first, output);
        for (heard, input) in take.heard.iter_mut().zip(&self.setup.inputs) {
            take.odd += record(heard, first, io.input.channel(*input, frames));
        }
        self.done = first + frames as i64 >= shot.frames as i64;
        self.hand_over();
    }

    fn accept(&mut self, io: &Io) -> bool {
        let Some(mut order) = self.orders.try_pop() else { return false };
        order.take.start = io.at + Frames(order.shot.wait as i64);
        self.under_way = Some(order);
        (self.begun, self.done) = (false, false);
        true
    }

    fn hand_over(&mut self) {
        if !self.done {
            return;
        }
        let Some(order) = self.under_way.take() else { return };
        match self.takes.try_push(order.take) {
            Ok(()) => self.done = false,
            Err(take) => self.under_way = Some(Order { take, ..order }),
        }
    }
}

/// Probe samples whose frames lie in the block. A probe that is no number is silence.
fn play(probe: &[f32], gain: f32, ceiling: f32, first: i64, output: &mut [f32]) {
    for (sample, frame) in output.iter_mut().zip(first..) {
        let probe = usize::try_from(frame).ok().and_then(|frame| probe.get(frame));
        let wanted = probe.copied().unwrap_or(0.0) * gain;
        *sample = if wanted.is_finite() { wanted.max(-ceiling).min(ceiling) } else { 0.0 };
    }
}

/// Samples that were no numbers.
fn record(heard: &mut [f32], first: i64, input: &[f32]) -> u32 {
    let mut odd = 0;
    for (sample, frame) in input.iter().zip(first..) {
        let Some(place) = usize::try_from(frame).ok().and_then(|frame| heard.get_mut(frame)) else {
            continue;
        };
        if sample.is_finite() {
            *place = *sample;
        } else {
            odd += 1;
        }
    }
    odd
}

impl Process for Shooter {
    fn process(&mut self, io: &mut Io) {
        let frames = io.frames.min(io.output.capacity());
        for channel in 0..io.output.channels() {
            io.output.channel_mut(channel, frames).fill(0.0);
        }
        self.run_beside(io);
    }
}

/// A process with a shooter beside it: what the process leaves on the shooter's output is replaced.
pub struct Beside<P> {
    pub inner: P,
    pub shooter: Shooter,
}

impl<P: Process> Process for Beside<P> {
    fn process(&mut self, io: &mut Io) {
        self.inner.process(io);
        self.shooter.run_beside(io);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::device::OpenSetup;
    use crate::device::virtual_interface::{Cable, Stepper, World};
    use crate::units::SampleRate;

    fn world(delay_frames: f64) -> World {
        World { cables: vec![Cable { output: 2, input: 1, delay_frames, gain: 0.5 }], ..World::default() }
    }

    fn setup() -> ShotSetup {
        let probe: Vec<f32> = (0..100).map(|n| (n + 1) as f32 / 128.0).collect();
        ShotSetup { output: 1, inputs: vec![0], probes: vec![probe.into()], ceiling: 0.5 }
    }

    fn shot(gain: f32, wait: usize, frames: usize) -> Shot {
        Shot { probe: 0, gain, frames, wait }
    }

    fn bench(world: &World) -> (ShotControl, Stepper<Shooter>) {
        let (control, shooter) = shooter(&setup());
        let open = OpenSetup::new(SampleRate::standard(), 64, 1, 3);
        (control, Stepper::new(world, &open, shooter).unwrap())
    }

    #[test]
    fn what_comes_back_lies_where_the_cable_puts_it_wherever_the_shot_begins() {
        let (mut control, mut stepper) = bench(&world(300.0));
        for wait in [0, 1, 63, 64, 200] {
            control.shoot(shot(0.5, wait, 1000)).unwrap();
            for _ in 0..30 {
                stepper.step(64);
                assert!(stepper.output(0).iter().chain(stepper.output(2)).all(|x| *x == 0.0));
            }
            let take = control.take().unwrap();
            let expected = |n: usize| if (300..400).contains(&n) { (n - 299) as f32 / 512.0 } else { 0.0 };
            assert!(take.heard[0].iter().enumerate().all(|(n, x)| *x == expected(n)), "{wait}");
            assert!(take.is_whole());
        }
    }

    #[test]
    fn nothing_leaves_above_the_ceiling_or_without_an_order() {
        let (mut control, mut stepper) = bench(&world(300.0));
        stepper.step(64);
        assert!(stepper.output(1).iter().all(|x| *x == 0.0));
        control.shoot(shot(100.0, 0, 500)).unwrap();
        stepper.step(64);
        assert!(stepper.output(1).iter().all(|x| *x == 0.5));
        let (mut control, mut stepper) = bench(&world(300.0));
        control.shoot(shot(f32::NAN, 0, 500)).unwrap();
        stepper.step(64);
        assert!(stepper.output(1).iter().all(|x| *x == 0.0));
    }

    #[test]
    fn lost_frames_are_counted_in_their_place_and_the_take_says_so() {
        let (mut control, mut stepper) = bench(&world(300.0));
        control.shoot(shot(0.5, 0, 1000)).unwrap();
        stepper.step(350);
        stepper.lose(Frames(20));
        stepper.step(1000);
        let take = control.take().unwrap();
        assert_eq!((take.lost, take.is_whole()), (Frames(20), false));
        assert!(take.heard[0][350..370].iter().all(|x| *x == 0.0));
        assert_eq!(take.heard[0][370], 71.0 / 512.0);
        // Lost before it begins: nothing of it is missing.
        stepper.lose(Frames(20));
        control.shoot(shot(0.5, 0, 1000)).unwrap();
        stepper.step(1400);
        assert!(control.take().unwrap().is_whole());
    }

    #[test]
    fn inputs_that_slip_or_are_no_numbers_are_told() {
        let (mut control, mut shooter) = shooter(&setup());
        let mut io = Io::new(1, 2, 64);
        io.frames = 64;
        control.shoot(shot(0.5, 0, 200)).unwrap();
        for block in 0..4 {
            io.at = FramePos(block * 64);
            io.input_offset = Frames(if block < 2 { -192 } else { -256 });
            io.input.channel_mut(0, 64).fill(if block == 1 { f32::NAN } else { 0.25 });
            shooter.process(&mut io);
        }
        let take = control.take().unwrap();
        assert_eq!((take.slips, take.odd), (1, 64));
        assert_eq!((take.heard[0][63], take.heard[0][64], take.heard[0][199]), (0.25, 0.0, 0.25));
    }

    #[test]
    fn beside_another_process_only_its_own_output_changes() {
        struct Hum;
        impl Process for Hum {
            fn process(&mut self, io: &mut Io) {
                for channel in 0..2 {
                    io.output.channel_mut(channel, io.frames).fill(0.1);
                }
            }
        }
        let (mut control, shooter) = shooter(&setup());
        let mut both = Beside { inner: Hum, shooter };
        let mut io = Io::new(1, 2, 64);
        io.frames = 64;
        control.shoot(shot(0.25, 10, 100)).unwrap();
        both.process(&mut io);
        assert!(io.output.channel(0, 64).iter().all(|x| *x == 0.1));
        assert_eq!(io.output.channel(1, 64)[9..11], [0.0, 1.0 / 512.0]);
    }
}
