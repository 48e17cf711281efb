//! A fault injector around any interface or process: blocks dropped, cut to ragged sizes, NaN on inputs,
//! callbacks that take too long. Deterministic from its seed.

use super::{DeviceError, DeviceInfo, Interface, MAX_BLOCK, Negotiated, OpenSetup, Opened, Running};
use crate::realtime::io::{Io, Planar, Process};
use crate::units::{FramePos, Frames};
use std::time::Duration;

/// What goes wrong. The default is nothing.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Injection {
    pub seed: u64,
    /// One block in so many is lost: silence leaves, and the next says so. 0 for none.
    pub drop_one_in: u32,
    /// Each block is cut into pieces of 1 frame to its own size.
    pub ragged: bool,
    /// One block in so many has inputs that are not numbers. 0 for none.
    pub nan_one_in: u32,
    /// The callback at this frame takes so long.
    pub stall: Option<(FramePos, Duration)>,
}

/// A process with faults in front of it.
pub struct Injected<P> {
    faults: Injection,
    inner: P,
    random: fastrand::Rng,
    piece: Io,
    lost: Frames,
}

impl<P: Process> Injected<P> {
    /// Allocates for this many channels: call it before the stream starts.
    pub fn new(inner: P, faults: &Injection, inputs: usize, outputs: usize) -> Injected<P> {
        Injected {
            inner,
            random: fastrand::Rng::with_seed(faults.seed),
            faults: faults.clone(),
            piece: Io::new(inputs, outputs, MAX_BLOCK),
            lost: Frames(0),
        }
    }

    pub fn into_inner(self) -> P {
        self.inner
    }

    fn one_in(&mut self, count: u32) -> bool {
        count > 0 && self.random.u32(0..count) == 0
    }

    fn stall(&mut self, io: &Io) {
        if let Some((frame, duration)) = self.faults.stall
            && frame < io.at + Frames(io.frames as i64)
        {
            self.faults.stall = None;
            std::thread::sleep(duration);
        }
    }

    fn spoil(&mut self, io: &mut Io) {
        for channel in 0..io.input.channels() {
            let samples = io.input.channel_mut(channel, io.frames);
            let place = self.random.usize(0..samples.len().max(1));
            let value = *self.random.choice(&[f32::NAN, f32::INFINITY, -f32::INFINITY, 1e30]).unwrap_or(&0.0);
            if let Some(sample) = samples.get_mut(place) {
                *sample = value;
            }
        }
    }

    /// Hands frames `from..from + frames` of a block on, as a block of its own.
    fn hand_on(&mut self, io: &mut Io, from: usize, frames: usize) {
        let piece = &mut self.piece;
        piece.at = io.at + Frames(from as i64);
        piece.lost = std::mem::take(&mut self.lost);
        piece.frames = frames;
        piece.input_offset = io.input_offset;
        copy(&io.input, from, &mut piece.input, 0, frames);
        self.inner.process(piece);
        copy(&piece.output, 0, &mut io.output, from, frames);
    }
}

fn copy(source: &Planar, from: usize, target: &mut Planar, to: usize, frames: usize) {
    for channel in 0..target.channels() {
        let source = source.channel(channel, from + frames);
        let target = target.channel_mut(channel, to + frames);
        for (sample, heard) in target.iter_mut().skip(to).zip(source.iter().skip(from)) {
            *sample = *heard;
        }
    }
}

impl<P: Process> Process for Injected<P> {
    fn process(&mut self, io: &mut Io) {
        self.stall(io);
        self.lost = self.lost + io.lost;
        if self.one_in(self.faults.drop_one_in) {
            io.output.clear();
            self.lost = self.lost + Frames(io.frames as i64);
            return;
        }
        if self.one_in(self.faults.nan_one_in) {
            self.spoil(io);
        }
        let mut from = 0;
        while from < io.frames {
            let left = io.frames - from;
            let frames = if self.faults.ragged { self.random.usize(1..=left) } else { left };
            self.hand_on(io, from, frames.min(MAX_BLOCK));
            from += frames.min(MAX_BLOCK);
        }
    }
}

/// An interface whose every stream has the faults.
pub struct InjectedInterface<I> {
    pub inner: I,
    pub faults: Injection,
}

impl<I: Interface> Interface for InjectedInterface<I> {
    fn host(&self) -> &'static str {
        self.inner.host()
    }

    fn list(&self) -> Result<Vec<DeviceInfo>, DeviceError> {
        self.inner.list()
    }

    fn open(&mut self, setup: &OpenSetup) -> Result<Box<dyn Opened>, DeviceError> {
        let inner = self.inner.open(setup)?;
        Ok(Box::new(InjectedOpened { inner, faults: self.faults.clone() }))
    }
}

struct InjectedOpened {
    inner: Box<dyn Opened>,
    faults: Injection,
}

impl Opened for InjectedOpened {
    fn negotiated(&self) -> &Negotiated {
        self.inner.negotiated()
    }

    fn start(self: Box<Self>, process: Box<dyn Process>) -> Result<Box<dyn Running>, DeviceError> {
        let (inputs, outputs) = (self.negotiated().inputs, self.negotiated().outputs);
        let faulty = Injected::new(process, &self.faults, usize::from(inputs), usize::from(outputs));
        self.inner.start(Box::new(faulty))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::device::virtual_interface::{Stepper, World};
    use crate::units::SampleRate;

    /// Writes its frame number, and checks that frames and lost frames add up.
    #[derive(Default)]
    struct Count {
        expected: i64,
        lost: i64,
        pieces: usize,
        odd: usize,
    }

    impl Process for Count {
        fn process(&mut self, io: &mut Io) {
            self.lost += io.lost.0;
            self.expected += io.lost.0;
            assert_eq!(io.at.0, self.expected);
            self.expected += io.frames as i64;
            self.pieces += 1;
            self.odd += io.input.channel(0, io.frames).iter().filter(|x| x.abs() > 1.0 || x.is_nan()).count();
            for channel in 0..2 {
                for (sample, frame) in io.output.channel_mut(channel, io.frames).iter_mut().zip(io.at.0..) {
                    *sample = frame as f32;
                }
            }
        }
    }

    fn run(faults: &Injection) -> (Count, Vec<f32>) {
        let setup = OpenSetup::new(SampleRate::standard(), 64, 2, 2);
        let process = Injected::new(Count::default(), faults, 2, 2);
        let mut stepper = Stepper::new(&World::default(), &setup, process).unwrap();
        let mut left = Vec::new();
        for _ in 0..1000 {
            stepper.step(64);
            left.extend_from_slice(stepper.output(1));
        }
        (stepper.process.into_inner(), left)
    }

    #[test]
    fn cutting_blocks_changes_nothing_but_their_number() {
        let (count, left) = run(&Injection { ragged: true, seed: 1, ..Injection::default() });
        assert!(left.iter().enumerate().all(|(n, x)| *x == n as f32));
        assert!(count.pieces > 2000 && count.lost == 0, "{}", count.pieces);
    }

    #[test]
    fn dropped_blocks_are_silent_and_told_as_lost() {
        let (count, left) = run(&Injection { drop_one_in: 10, seed: 2, ..Injection::default() });
        let silent = left.chunks(64).skip(1).filter(|block| block.iter().all(|x| *x == 0.0)).count();
        assert!((50..200).contains(&silent), "{silent}");
        assert!(count.lost as usize / 64 + 1 >= silent);
    }

    #[test]
    fn inputs_that_are_no_numbers_arrive() {
        let (count, _) = run(&Injection { nan_one_in: 4, seed: 3, ..Injection::default() });
        assert!((150..400).contains(&count.odd), "{}", count.odd);
    }
}
