//! What an interface hands the engine for one callback.

use crate::units::{FramePos, Frames};

/// A stretch of every channel: `frames` frames from `from` on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Piece {
    pub from: usize,
    pub frames: usize,
}

impl Piece {
    pub const fn first(frames: usize) -> Piece {
        Piece { from: 0, frames }
    }
}

/// Planar samples of a fixed number of channels: channel `c` lies at `c * capacity ..`. Owned by the
/// interface, made before the stream starts.
#[derive(Clone, Debug)]
pub struct Planar {
    samples: Vec<f32>,
    channels: usize,
    capacity: usize,
}

impl Planar {
    /// Allocates: call it before the stream starts.
    pub fn new(channels: usize, capacity: usize) -> Planar {
        Planar { samples: vec![0.0; channels * capacity], channels, capacity }
    }

    pub fn channels(&self) -> usize {
        self.channels
    }

    /// Frames it can hold.
    pub fn capacity(&self) -> usize {
        self.capacity
    }

    /// The first `frames` of a channel; empty when there is no such channel. Real-time: safe.
    pub fn channel(&self, channel: usize, frames: usize) -> &[f32] {
        let start = channel.saturating_mul(self.capacity);
        self.samples.get(start..start.saturating_add(frames.min(self.capacity))).unwrap_or(&[])
    }

    /// See [`Planar::channel`]. Real-time: safe.
    pub fn channel_mut(&mut self, channel: usize, frames: usize) -> &mut [f32] {
        let start = channel.saturating_mul(self.capacity);
        self.samples.get_mut(start..start.saturating_add(frames.min(self.capacity))).unwrap_or(&mut [])
    }

    /// A piece of a channel; empty when there is no such channel. Real-time: safe.
    pub fn part(&self, channel: usize, piece: Piece) -> &[f32] {
        self.channel(channel, piece.from.saturating_add(piece.frames)).get(piece.from..).unwrap_or(&[])
    }

    /// See [`Planar::part`]. Real-time: safe.
    pub fn part_mut(&mut self, channel: usize, piece: Piece) -> &mut [f32] {
        let end = piece.from.saturating_add(piece.frames);
        self.channel_mut(channel, end).get_mut(piece.from..).unwrap_or(&mut [])
    }

    /// A piece of two neighbouring channels at once; the second is empty when not wanted. Real-time: safe.
    pub fn pair_mut(&mut self, first: usize, piece: Piece, second: bool) -> (&mut [f32], &mut [f32]) {
        let range = piece.from..piece.from.saturating_add(piece.frames).min(self.capacity);
        let start = first.saturating_mul(self.capacity).min(self.samples.len());
        let rest = self.samples.split_at_mut(start).1;
        let (one, two) = rest.split_at_mut(self.capacity.min(rest.len()));
        let two = if second { two.get_mut(range.clone()).unwrap_or(&mut []) } else { &mut [] };
        (one.get_mut(range).unwrap_or(&mut []), two)
    }

    /// Silence in a piece of every channel. Real-time: safe.
    pub fn silence(&mut self, piece: Piece) {
        (0..self.channels).for_each(|channel| self.part_mut(channel, piece).fill(0.0));
    }

    /// Silence everywhere. Real-time: safe.
    pub fn clear(&mut self) {
        self.samples.fill(0.0);
    }
}

/// One callback's work.
#[derive(Debug)]
pub struct Io {
    /// Frame of the first output sample. Frames that nobody asked for are counted in it.
    pub at: FramePos,
    /// Frames lost since the last block (an xrun, a device gone and back); `at` has already moved on by them.
    pub lost: Frames,
    /// Frames to process; at most the capacity of both buffers.
    pub frames: usize,
    pub input: Planar,
    pub output: Planar,
    /// Frame of the first input sample minus `at`: 0 on a duplex interface, negative where input lies behind.
    pub input_offset: Frames,
    /// Given up so far because the computer is slow: 0 nothing, 2 recordings, 4 the room, 5 every input; never the click.
    pub thrift: u8,
    /// Nobody hears what is made: there is no device, and the night goes on.
    pub unheard: bool,
    /// Nanoseconds of this callback's time that the host took for itself before it asked.
    pub spent_ns: u64,
    /// Nanoseconds by which this callback came later than the device's time has it.
    pub late_ns: i64,
}

impl Io {
    /// Allocates: call it before the stream starts.
    pub fn new(inputs: usize, outputs: usize, max_block: usize) -> Io {
        Io {
            at: FramePos(0),
            lost: Frames(0),
            frames: 0,
            input: Planar::new(inputs, max_block),
            output: Planar::new(outputs, max_block),
            input_offset: Frames(0),
            thrift: 0,
            unheard: false,
            spent_ns: 0,
            late_ns: 0,
        }
    }
}

/// What an interface drives: the engine, or a test's stand-in.
pub trait Process: Send {
    /// Writes every sample of `io.output`, silence included. Panics: never. Real-time: safe.
    fn process(&mut self, io: &mut Io);
}

impl<P: Process + ?Sized> Process for Box<P> {
    fn process(&mut self, io: &mut Io) {
        (**self).process(io);
    }
}
