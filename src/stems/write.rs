//! Blocks from a maker into one file or several.

use super::make::Make;
use crate::units::{FramePos, Frames};
use crate::wav::{Cue, Format, Options, WavError, Writer};
use std::ops::Range;
use std::path::Path;
use std::sync::atomic::{AtomicBool, Ordering};

/// Frames made at once: they stay in the cache, and what is asked between blocks costs nothing.
const BLOCK: usize = 16_384;

/// One file of a run.
pub(super) struct Out<'a> {
    pub path: &'a Path,
    pub format: Format,
    pub options: Options,
    pub cues: Vec<Cue>,
    /// The maker's channels that it holds; one channel fills a stereo file on both sides.
    pub channels: Range<usize>,
}

/// Who is told how far it is, and who may stop it.
pub(super) struct Watch<'a> {
    pub cancel: &'a AtomicBool,
    /// Frames written, of all files together.
    pub progress: &'a (dyn Fn(u64) + Sync),
}

#[derive(Debug)]
pub(super) enum WriteFault {
    Wav(WavError),
    Stopped,
}

impl From<WavError> for WriteFault {
    fn from(why: WavError) -> WriteFault {
        WriteFault::Wav(why)
    }
}

/// Writes `frames` frames into every file. After an error none of these files stands under its name, unless
/// it was finished before.
pub(super) fn write(
    make: &mut dyn Make,
    channels: usize,
    frames: u64,
    outs: &[Out<'_>],
    watch: &Watch<'_>,
) -> Result<(), WriteFault> {
    let open = outs.iter().map(|out| Writer::create(out.path, out.format, &out.options));
    let mut writers = open.collect::<Result<Vec<_>, _>>()?;
    let mut buffers = vec![vec![0.0f32; BLOCK]; channels];
    let mut at = 0;
    while at < frames {
        if watch.cancel.load(Ordering::Relaxed) {
            return Err(WriteFault::Stopped);
        }
        let count = (frames - at).min(BLOCK as u64) as usize;
        let mut parts: Vec<&mut [f32]> = buffers.iter_mut().map(|buffer| &mut buffer[..count]).collect();
        make.fill(FramePos(0) + Frames(at as i64), &mut parts)?;
        for (writer, out) in writers.iter_mut().zip(outs) {
            let last = out.channels.end.saturating_sub(1);
            let side = |n: usize| &buffers[(out.channels.start + n).min(last)][..count];
            let sides: Vec<&[f32]> = (0..usize::from(out.format.channels)).map(side).collect();
            writer.write(&sides)?;
        }
        at += count as u64;
        (watch.progress)(count as u64 * outs.len() as u64);
    }
    for (writer, out) in writers.into_iter().zip(outs) {
        writer.finish(&out.cues)?;
    }
    Ok(())
}
