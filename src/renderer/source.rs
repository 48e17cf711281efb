//! One channel of a file at the device's rate, from any frame on, silence around it.

use crate::units::SampleRate;
use crate::wav::{Reader, Resampler, WavError, WavFault};
use std::path::Path;

/// Reads forward cheaply, jumps exactly: a jump gives the samples that a straight run gives.
pub struct Source {
    reader: Reader,
    channel: u16,
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
        Ok(Source { reader, channel, resampler, at_hand: (None, Vec::new()) })
    }

    /// The file's own rate.
    pub fn rate(&self) -> SampleRate {
        self.reader.rate()
    }

    /// Writes every sample of `into`, which begins at frame `at` of the file at the device's rate.
    pub fn fill(&mut self, at: i64, into: &mut [f32]) -> Result<(), WavError> {
        let Some(resampler) = &mut self.resampler else {
            return fetch(&mut self.reader, self.channel, at, into);
        };
        let mut done = 0;
        while done < into.len() {
            let frame = at + done as i64;
            let (number, first) = resampler.block_of(frame);
            if self.at_hand.0 != Some(number) {
                self.at_hand.0 = None;
                let block =
                    resampler.block(number, |at, into| fetch(&mut self.reader, self.channel, at, into))?;
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
fn fetch(reader: &mut Reader, channel: u16, at: i64, into: &mut [f32]) -> Result<(), WavError> {
    into.fill(0.0);
    let begin = at.max(0);
    let before = (begin - at).min(into.len() as i64) as usize;
    if before == into.len() || begin as u64 >= reader.frames() {
        return Ok(());
    }
    if reader.at() != begin as u64 {
        reader.seek(begin as u64)?;
    }
    reader.read_channel(channel, &mut into[before..]).map(drop)
}
