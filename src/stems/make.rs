//! What fills a stem's blocks, in order from its first frame.

use super::timeline::{Pass, Timeline};
use crate::click::set::{Set, StreamPlan};
use crate::renderer::Source;
use crate::units::{FramePos, Frames, SampleRate, Span};
use crate::wav::WavError;

/// Fills blocks one after the other.
pub(super) trait Make {
    /// Writes every sample of each channel; `start` follows the last block's end.
    fn fill(&mut self, start: FramePos, channels: &mut [&mut [f32]]) -> Result<(), WavError>;

    /// What a person should know about what was made.
    fn notes(&mut self) -> Vec<String> {
        Vec::new()
    }
}

/// A click's own hits or its fallback's.
pub(super) struct Lane<'a> {
    pub timeline: &'a Timeline,
    pub set: &'a Set,
    pub lane: u8,
    pub gain: f32,
}

impl Make for Lane<'_> {
    fn fill(&mut self, start: FramePos, channels: &mut [&mut [f32]]) -> Result<(), WavError> {
        let Some((first, others)) = channels.split_first_mut() else { return Ok(()) };
        first.fill(0.0);
        self.timeline.mix(self.lane, &self.set.sounds, start, first);
        scale(first, self.gain);
        others.iter_mut().for_each(|other| other.copy_from_slice(first));
        Ok(())
    }
}

fn scale(samples: &mut [f32], gain: f32) {
    if gain != 1.0 {
        samples.iter_mut().for_each(|x| *x *= gain);
    }
}

/// How long a track fades before it stops: no hit is due so close to a bar's end.
const FADE_SECONDS: f64 = 0.002;

/// A click track of the user's; a count-in that is called after a hold is not in it and comes from the
/// fallback.
pub(super) struct Track<'a> {
    timeline: &'a Timeline,
    set: &'a Set,
    lane: u8,
    /// Of the track, and of the whole stem.
    gain: (f32, f32),
    source: Source,
    /// Stretches of the stem that come from the file: from, to, file frame minus stem frame.
    pieces: Vec<(FramePos, FramePos, Frames)>,
    fade: i64,
    buffer: Vec<f32>,
}

impl<'a> Track<'a> {
    pub fn open(
        timeline: &'a Timeline,
        set: &'a Set,
        lane: u8,
        plan: &StreamPlan,
        gain: f32,
    ) -> Result<Track<'a>, WavError> {
        let mut source = Source::open(&plan.file, plan.channel, set.rate)?;
        source.take_off(plan.standing);
        let pieces = pieces(&timeline.passes, plan.origin);
        let fade = set.rate.frames(FADE_SECONDS).0.max(1);
        let (gain, buffer) = ((plan.gain, gain), Vec::new());
        Ok(Track { timeline, set, lane, gain, source, pieces, fade, buffer })
    }

    fn add(&mut self, index: usize, start: FramePos, out: &mut [f32]) -> Result<(), WavError> {
        let (from, to, offset) = self.pieces[index];
        let end = start + Frames(out.len() as i64);
        let first = from.max(start);
        let last = to.min(end);
        let Ok(count @ 1..) = usize::try_from((last - first).0) else { return Ok(()) };
        self.buffer.resize(count, 0.0);
        self.source.fill((first + offset).0, &mut self.buffer)?;
        let skip = (first - start).0 as usize;
        for ((frame, x), sample) in (first.0..).zip(&mut out[skip..]).zip(&self.buffer) {
            let left = (to.0 - frame).min(self.fade) as f32;
            *x += sample * self.gain.0 * (left / self.fade as f32);
        }
        Ok(())
    }

    fn add_called(&self, start: FramePos, out: &mut [f32]) {
        let called = self.timeline.passes.iter().filter(|pass| pass.called);
        for pass in called {
            let (grid, sounds) = (&pass.grid, &self.set.sounds);
            crate::realtime::kernel::mix_hits(grid, pass.anchor, self.lane, sounds, start, out);
        }
    }
}

impl Make for Track<'_> {
    fn fill(&mut self, start: FramePos, channels: &mut [&mut [f32]]) -> Result<(), WavError> {
        let Some((first, others)) = channels.split_first_mut() else { return Ok(()) };
        first.fill(0.0);
        for index in 0..self.pieces.len() {
            self.add(index, start, first)?;
        }
        self.add_called(start, first);
        scale(first, self.gain.1);
        others.iter_mut().for_each(|other| other.copy_from_slice(first));
        Ok(())
    }
}

/// Passes that follow each other as written are one piece. Rounding: once a piece, as when it is streamed.
fn pieces(passes: &[Pass], origin: Span) -> Vec<(FramePos, FramePos, Frames)> {
    let mut pieces: Vec<(FramePos, FramePos, Frames)> = Vec::new();
    let mut runs_on = false;
    for pass in passes {
        match pieces.last_mut() {
            Some(piece) if runs_on && !pass.called => piece.1 = pass.end(),
            _ if !pass.called => {
                let offset = Span((origin + pass.written).0 - pass.anchor.at.0).nearest();
                pieces.push((pass.start(), pass.end(), offset));
            }
            _ => {}
        }
        runs_on = !pass.called;
    }
    pieces
}

/// The largest absolute sample of a whole stem.
pub(super) fn peak(make: &mut dyn Make, frames: u64, rate: SampleRate) -> Result<f32, WavError> {
    let mut block = vec![0.0; rate.hertz() as usize];
    let (mut peak, mut at) = (0.0f32, 0u64);
    while at < frames {
        let count = (frames - at).min(block.len() as u64) as usize;
        let part = &mut block[..count];
        make.fill(FramePos(at as i64), &mut [&mut *part])?;
        peak = part.iter().fold(peak, |peak, x| peak.max(x.abs()));
        at += count as u64;
    }
    Ok(peak)
}
