//! The virtual interface on the caller's thread, a block at a time.

use super::simulation::{Cycle, Simulation};
use super::{Capture, World};
use crate::device::{DeviceError, OpenSetup};
use crate::realtime::io::{Io, Planar, Process};
use crate::units::{FramePos, Frames};

/// For tests and simulations: time passes only when asked.
#[derive(Debug)]
pub struct Stepper<P> {
    simulation: Simulation,
    /// What it drives.
    pub process: P,
    capture: Option<Capture>,
    xruns: u64,
    ended: bool,
}

impl<P: Process> Stepper<P> {
    /// Errors: what the world or the setup gets wrong. The world's block sizes serve
    /// [`Stepper::step_scripted`] only.
    pub fn new(world: &World, setup: &OpenSetup, process: P) -> Result<Stepper<P>, DeviceError> {
        super::only_in_real_time(world)?;
        let simulation = Simulation::new(world, setup)?;
        Ok(Stepper { simulation, process, capture: None, xruns: 0, ended: false })
    }

    /// Takes down everything that leaves and enters from now on.
    pub fn captured_by(self, capture: &Capture) -> Stepper<P> {
        capture.begin(self.simulation.io());
        Stepper { capture: Some(capture.clone()), ..self }
    }

    /// One callback of `frames`, or several where a fault, the largest block or the shortest cable cuts it
    /// (a sound cannot be back before it left); frames that a fault loses come on top. The last one's
    /// buffers are handed back.
    pub fn step(&mut self, frames: usize) -> &Io {
        self.step_with(frames, |_| {})
    }

    /// The same, with the inputs in the test's hands: `touch` is called once a callback, after the world
    /// filled them.
    pub fn step_with(&mut self, frames: usize, mut touch: impl FnMut(&mut Planar)) -> &Io {
        let mut left = frames;
        while left > 0 && !self.ended {
            match self.simulation.cycle(left, &mut self.process, &mut touch) {
                Cycle::Ran(frames) | Cycle::Repeated(frames) => {
                    left -= frames;
                    if let Some(capture) = &self.capture {
                        capture.block(self.simulation.io());
                    }
                }
                Cycle::Late(frames) => {
                    self.xruns += 1;
                    self.simulation.lose(frames);
                }
                Cycle::Paused { frames: Some(frames), .. } => self.simulation.lose(frames),
                Cycle::Paused { frames: None, .. } => self.ended = true,
            }
        }
        self.simulation.io()
    }

    /// One callback of the size that the world's script gives.
    pub fn step_scripted(&mut self) -> &Io {
        let frames = self.simulation.next_size();
        self.step(frames)
    }

    /// An xrun now: the next block says that so many frames were lost.
    pub fn lose(&mut self, frames: Frames) {
        self.xruns += 1;
        self.simulation.lose(frames);
    }

    /// The next frame.
    pub fn at(&self) -> FramePos {
        self.simulation.next()
    }

    /// The buffers of the last callback.
    pub fn io(&self) -> &Io {
        self.simulation.io()
    }

    /// What left on a channel (from 0) in the last callback.
    pub fn output(&self, channel: usize) -> &[f32] {
        let io = self.simulation.io();
        io.output.channel(channel, io.frames)
    }

    pub fn xruns(&self) -> u64 {
        self.xruns
    }

    /// A stall or an absence without an end was reached: no step does anything any more.
    pub fn ended(&self) -> bool {
        self.ended
    }
}
