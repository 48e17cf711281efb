//! A tap behind the virtual interface: all that left its outputs and all that its inputs heard.

use crate::realtime::io::{Io, Planar};
use crate::units::{FramePos, Frames};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

/// Shared with the interface. It grows and locks on the audio thread: for tests and demos only.
#[derive(Clone, Debug, Default)]
pub struct Capture(Arc<Mutex<Captured>>);

/// What went through. The index into a channel is the device's frame; lost frames are silence.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Captured {
    pub inputs: Vec<Vec<f32>>,
    pub outputs: Vec<Vec<f32>>,
    pub blocks: Vec<BlockSeen>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct BlockSeen {
    pub at: FramePos,
    pub lost: Frames,
    pub frames: usize,
}

impl Capture {
    /// A copy of what went through so far.
    pub fn so_far(&self) -> Captured {
        self.lock().clone()
    }

    /// Takes what went through; it begins anew at the next opening.
    pub fn take(&self) -> Captured {
        std::mem::take(&mut *self.lock())
    }

    pub(super) fn begin(&self, io: &Io) {
        *self.lock() = Captured {
            inputs: vec![Vec::new(); io.input.channels()],
            outputs: vec![Vec::new(); io.output.channels()],
            blocks: Vec::new(),
        };
    }

    pub(super) fn block(&self, io: &Io) {
        let mut captured = self.lock();
        let Captured { inputs, outputs, blocks } = &mut *captured;
        blocks.push(BlockSeen { at: io.at, lost: io.lost, frames: io.frames });
        append(inputs, &io.input, io);
        append(outputs, &io.output, io);
    }

    fn lock(&self) -> MutexGuard<'_, Captured> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

fn append(channels: &mut [Vec<f32>], planar: &Planar, io: &Io) {
    for (index, channel) in channels.iter_mut().enumerate() {
        channel.resize(usize::try_from(io.at.0).unwrap_or(0), 0.0);
        channel.extend_from_slice(planar.channel(index, io.frames));
    }
}
