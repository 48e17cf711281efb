//! A streamed primary on its way from the renderer thread: stamped blocks in a ring.

use crate::units::FramePos;

/// Most frames of one block.
pub const STREAM_FRAMES: usize = 256;

/// A piece of a streamed click, made by the renderer, judged by the engine.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct StreamBlock {
    /// Of the placing it answers ([`super::event::What::StreamWanted`]); another one is stale.
    pub generation: u32,
    /// Device frame of the first sample. Blocks of a generation follow each other without a gap.
    pub first: FramePos,
    /// 1 to [`STREAM_FRAMES`].
    pub frames: u16,
    /// Largest absolute sample, as the renderer saw it.
    pub peak: f32,
    pub samples: [f32; STREAM_FRAMES],
}

/// A stretch of what went through the engine, for the recorder and the listener. The samples follow in a
/// ring of their own: each input channel's `frames` samples, then each output channel's.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct TapHeader {
    pub at: FramePos,
    pub frames: u32,
    /// Frames before `at` that nobody asked for.
    pub lost: u32,
    /// Blocks that found the ring full since the last header.
    pub dropped: u32,
}
