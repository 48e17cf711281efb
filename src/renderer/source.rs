//! One channel of a file at the device's rate, from any frame on, silence around it.

use crate::units::SampleRate;
use crate::wav::{self, Reader, Resampler, WavError, WavFault};
use std::path::Path;

/// How often, and for how many frames, a file is looked into for its standing voltage.
const LOOKS: usize = 48;
const LOOK: usize = 512;

/// Reads forward cheaply, jumps exactly: a jump gives the samples that a straight run gives.
pub struct Source {
    reader: Reader,
    channel: u16,
    standing: f32,
    resampler: Option<Resampler>,
    /// Number and samples of the resampler's block that is at hand.
    at_hand: (Option<i64>, Vec<f32>),
}

impl Source {
    /// Errors: as [`Reader::open`], and when the file has no such channel (from 0).
    pub fn open(path: &Path, channel: u16, rate: SampleRate) -> Result<Source, WavError> {
        let reader = Reader::open(path)?;
        if channel >= reader.channels() {
            let words =
                format!("it has {} channels, channel {} is asked for", reader.channels(), channel + 1);
            return Err(WavError { file: path.to_owned(), fault: WavFault::Format(words) });
        }
        let resampler = Resampler::new(reader.rate(), rate);
        Ok(Source { reader, channel, standing: 0.0, resampler, at_hand: (None, Vec::new()) })
    }

    /// Takes this off each of the file's samples from now on.
    pub fn take_off(&mut self, standing: f32) {
        (self.standing, self.at_hand.0) = (standing, None);
    }

    /// Where the file stands while nothing sounds, looked for in places all over it; see [`wav::standing`].
    pub fn standing(&mut self) -> Result<f32, WavError> {
        let every = self.reader.frames() / LOOKS as u64;
        let mut looked = vec![0.0; LOOKS * LOOK];
        for (n, piece) in looked.chunks_mut(LOOK).enumerate() {
            let at = (every * n as u64).min(self.reader.frames().saturating_sub(LOOK as u64));
            fetch(&mut self.reader, self.channel, at as i64, 0.0, piece)?;
        }
        Ok(wav::standing(&looked))
    }

    /// The file's own rate.
    pub fn rate(&self) -> SampleRate {
        self.reader.rate()
    }

    /// Writes every sample of `into`, which begins at frame `at` of the file at the device's rate.
    pub fn fill(&mut self, at: i64, into: &mut [f32]) -> Result<(), WavError> {
        let Some(resampler) = &mut self.resampler else {
            return fetch(&mut self.reader, self.channel, at, self.standing, into);
        };
        let mut done = 0;
        while done < into.len() {
            let frame = at + done as i64;
            let (number, first) = resampler.block_of(frame);
            if self.at_hand.0 != Some(number) {
                self.at_hand.0 = None;
                let block = resampler.block(number, |at, into| {
                    fetch(&mut self.reader, self.channel, at, self.standing, into)
                })?;
                self.at_hand.1.clear();
                self.at_hand.1.extend_from_slice(block);
                self.at_hand.0 = Some(number);
            }
            let part = &self.at_hand.1[(frame - first) as usize..];
            let count = part.len().min(into.len() - done);
            into[done..done + count].copy_from_slice(&part[..count]);
            done += count;
        }
        Ok(())
    }
}

/// Frames of the file at its own rate; silence before its first and after its last.
fn fetch(
    reader: &mut Reader,
    channel: u16,
    at: i64,
    standing: f32,
    into: &mut [f32],
) -> Result<(), WavError> {
    into.fill(0.0);
    let begin = at.max(0);
    let before = (begin - at).min(into.len() as i64) as usize;
    if before == into.len() || begin as u64 >= reader.frames() {
        return Ok(());
    }
    if reader.at() != begin as u64 {
        reader.seek(begin as u64)?;
    }
    let read = reader.read_channel(channel, &mut into[before..])?;
    into[before..before + read].iter_mut().for_each(|x| *x -= standing);
    Ok(())
}
