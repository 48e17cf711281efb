//! Lines between two processes on one computer: what a main's output puts on a cable, a backup's input hears,
//! without hardware and without an audio server.
//!
//! In: output blocks, from the thread that stands for the converter. Out: samples on inputs. Thread: that one
//! on one side of a ring, a thread of each socket's own on the other. Always: sockets are bound to this computer
//! alone; what did not come is silence, and nothing that was heard is heard again.

mod datagram;
mod incoming;
mod jitter;
mod outgoing;
#[cfg(test)]
mod tests;

use super::world::{ReceiveFrom, World};
use crate::device::{DeviceError, OpenSetup};
use crate::realtime::io::{Io, Planar};
use crate::units::FramePos;
use incoming::Incoming;
use outgoing::Outgoing;

/// All lines of one interface.
#[derive(Debug)]
pub(super) struct Lines {
    outgoing: Vec<Outgoing>,
    incoming: Vec<Incoming>,
}

/// What went wrong on the lines so far.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct Trouble {
    /// Times that an input found nothing to play, or found its place anew.
    pub slips: u64,
    /// Datagrams that were no part of a line.
    pub refused: u64,
}

impl Lines {
    /// Binds and starts; `None` in a world without lines. Allocates: call it before the stream starts.
    ///
    /// Errors: a port is taken.
    pub(super) fn open(world: &World, setup: &OpenSetup) -> Result<Option<Lines>, DeviceError> {
        if world.sends.is_empty() && world.receives.is_empty() {
            return Ok(None);
        }
        let frames_a_second = f64::from(setup.rate.hertz()) * (1.0 + world.drift_ppm * 1e-6);
        let mut outgoing = Vec::new();
        let sends = world.sends.iter().filter(|send| send.output <= setup.outputs);
        let mut rest: Vec<_> = sends.copied().collect();
        while let Some(first) = rest.first().map(|send| send.to) {
            let (here, others) = rest.into_iter().partition(|send| send.to == first);
            outgoing.push(Outgoing::open(first, here, frames_a_second)?);
            rest = others;
        }
        let mut incoming = Vec::new();
        let receives = world.receives.iter().filter(|receive| receive.input <= setup.inputs);
        let mut rest: Vec<ReceiveFrom> = receives.copied().collect();
        while let Some(first) = rest.first().map(|receive| receive.from) {
            let (here, others) = rest.into_iter().partition(|receive| receive.from == first);
            incoming.push(Incoming::open(first, here, frames_a_second)?);
            rest = others;
        }
        Ok(Some(Lines { outgoing, incoming }))
    }

    /// Adds what came to the inputs of a block. Real-time: safe; nothing is waited for.
    pub(super) fn add_to(&mut self, at: FramePos, input: &mut Planar, frames: usize) {
        for line in &mut self.incoming {
            line.add_to(at, input, frames);
        }
    }

    /// Puts a block's outputs on the lines. Real-time: safe; nothing is waited for.
    pub(super) fn write(&mut self, io: &Io) {
        for line in &mut self.outgoing {
            line.write(io);
        }
    }

    /// Real-time: safe.
    pub(super) fn trouble(&self) -> Trouble {
        self.incoming.iter().map(Incoming::trouble).fold(Trouble::default(), |sum, next| Trouble {
            slips: sum.slips + next.slips,
            refused: sum.refused + next.refused,
        })
    }
}
