//! Reading: 8 to 32 bits, 32- and 64-bit float, plain, extensible or RF64.

use super::header::{Header, Stored, parse};
use super::{WavError, WavFault};
use crate::units::SampleRate;
use std::fs::File;
use std::io::{BufReader, ErrorKind, Read, Seek, SeekFrom};
use std::path::{Path, PathBuf};

/// Frames decoded at once.
const PIECE: usize = 4_096;

/// Most samples that [`read`] takes into memory (1 GiB).
const MOST_SAMPLES: u64 = 1 << 28;

/// Samples of a whole file, full scale at ±1.
#[derive(Clone, Debug, PartialEq)]
pub struct Audio {
    pub rate: SampleRate,
    /// All of one length.
    pub channels: Vec<Vec<f32>>,
}

impl Audio {
    pub fn frames(&self) -> usize {
        self.channels.first().map_or(0, Vec::len)
    }

    /// The mean of all channels.
    pub fn mono(&self) -> Vec<f32> {
        let share = 1.0 / self.channels.len().max(1) as f32;
        let mut sum = vec![0.0; self.frames()];
        for channel in &self.channels {
            sum.iter_mut().zip(channel).for_each(|(s, x)| *s += x * share);
        }
        sum
    }
}

/// Reads a whole file. Errors: see [`WavFault`]; also when it holds more than 2²⁸ samples.
pub fn read(path: &Path) -> Result<Audio, WavError> {
    let reader = Reader::open(path)?;
    let allowed = MOST_SAMPLES / u64::from(reader.channels());
    read_all(reader, allowed)
}

/// As [`read`], refusing files longer than `seconds` before taking memory.
pub fn read_up_to(path: &Path, seconds: f64) -> Result<Audio, WavError> {
    let reader = Reader::open(path)?;
    let allowed = reader.rate().frames(seconds).0.max(0) as u64;
    let allowed = allowed.min(MOST_SAMPLES / u64::from(reader.channels()));
    read_all(reader, allowed)
}

fn read_all(mut reader: Reader, allowed: u64) -> Result<Audio, WavError> {
    if reader.frames() > allowed {
        let seconds = |frames: u64| frames as f64 / f64::from(reader.rate().hertz());
        let (seconds, allowed) = (seconds(reader.frames()), seconds(allowed));
        return Err(reader.fault(WavFault::TooLong { seconds, allowed }));
    }
    let mut channels = vec![vec![0.0; reader.frames() as usize]; usize::from(reader.channels())];
    reader.read(&mut channels)?;
    Ok(Audio { rate: reader.rate(), channels })
}

/// An open file, read piece by piece.
pub struct Reader {
    path: PathBuf,
    file: BufReader<File>,
    header: Header,
    at: u64,
    bytes: Vec<u8>,
}

impl Reader {
    /// Errors: not a plain file, not a WAV file, shorter than its header says, a rate outside 8 to 384 kHz.
    pub fn open(path: &Path) -> Result<Reader, WavError> {
        let fail = |fault| WavError::new(path, fault);
        let about = std::fs::metadata(path).map_err(|why| fail(WavFault::Open(why)))?;
        if !about.is_file() {
            return Err(fail(WavFault::Format("it is not a plain file".into())));
        }
        let file = File::open(path).map_err(|why| fail(WavFault::Open(why)))?;
        let mut file = BufReader::new(file);
        let header = parse(&mut file, about.len()).map_err(fail)?;
        let mut reader = Reader { path: path.to_owned(), file, header, at: 0, bytes: Vec::new() };
        reader.seek(0)?;
        Ok(reader)
    }

    pub fn rate(&self) -> SampleRate {
        self.header.rate
    }

    pub fn channels(&self) -> u16 {
        self.header.channels
    }

    /// Length of the file.
    pub fn frames(&self) -> u64 {
        self.header.frames
    }

    /// The next frame that is read.
    pub fn at(&self) -> u64 {
        self.at
    }

    /// Goes to a frame; past the end is the end.
    pub fn seek(&mut self, frame: u64) -> Result<(), WavError> {
        self.at = frame.min(self.header.frames);
        let byte = self.header.data_at + self.at * self.frame_bytes() as u64;
        self.file.seek(SeekFrom::Start(byte)).map_err(|why| self.fault(WavFault::Open(why)))?;
        Ok(())
    }

    /// Fills each channel's slice from the front; the shortest decides. Returns the frames that there were.
    /// Errors: the file became shorter or unreadable under our hands.
    pub fn read(&mut self, into: &mut [Vec<f32>]) -> Result<usize, WavError> {
        let wanted = into.iter().map(Vec::len).min().unwrap_or(0);
        let wanted = (wanted as u64).min(self.header.frames - self.at) as usize;
        let channels = usize::from(self.header.channels);
        let mut done = 0;
        while done < wanted {
            let count = self.fetch(wanted - done)?;
            for (channel, samples) in into.iter_mut().enumerate().take(channels) {
                decode(&self.bytes, self.header.stored, channel, channels, &mut samples[done..done + count]);
            }
            done += count;
        }
        Ok(wanted)
    }

    /// Fills `into` with one channel, as [`Reader::read`].
    pub fn read_channel(&mut self, channel: u16, into: &mut [f32]) -> Result<usize, WavError> {
        let wanted = (into.len() as u64).min(self.header.frames - self.at) as usize;
        let channels = usize::from(self.header.channels);
        let mut done = 0;
        while done < wanted {
            let count = self.fetch(wanted - done)?;
            let part = &mut into[done..done + count];
            decode(&self.bytes, self.header.stored, usize::from(channel), channels, part);
            done += count;
        }
        Ok(wanted)
    }

    fn frame_bytes(&self) -> usize {
        self.header.stored.bytes() * usize::from(self.header.channels)
    }

    fn fetch(&mut self, frames: usize) -> Result<usize, WavError> {
        let count = frames.min(PIECE);
        self.bytes.resize(count * self.frame_bytes(), 0);
        self.file.read_exact(&mut self.bytes).map_err(|why| self.fault(read_fault(why, self)))?;
        self.at += count as u64;
        Ok(count)
    }

    fn fault(&self, fault: WavFault) -> WavError {
        WavError::new(&self.path, fault)
    }
}

fn read_fault(why: std::io::Error, reader: &Reader) -> WavFault {
    match why.kind() {
        ErrorKind::UnexpectedEof => WavFault::Truncated { frames: reader.at, stated: reader.header.frames },
        _ => WavFault::Open(why),
    }
}

/// One channel of interleaved bytes. Range: integers over half their span, so that −1 is the lowest.
fn decode(bytes: &[u8], stored: Stored, channel: usize, channels: usize, into: &mut [f32]) {
    let size = stored.bytes();
    let samples = bytes.chunks_exact(size).skip(channel).step_by(channels);
    let pairs = into.iter_mut().zip(samples);
    const SPAN: f32 = 2_147_483_648.0;
    match stored {
        Stored::Byte => pairs.for_each(|(x, b)| *x = (f32::from(b[0]) - 128.0) / 128.0),
        Stored::Signed(2) => {
            pairs.for_each(|(x, b)| *x = f32::from(i16::from_le_bytes([b[0], b[1]])) / 32_768.0);
        }
        Stored::Signed(3) => {
            pairs.for_each(|(x, b)| *x = i32::from_le_bytes([0, b[0], b[1], b[2]]) as f32 / SPAN);
        }
        Stored::Signed(_) => {
            pairs.for_each(|(x, b)| *x = i32::from_le_bytes([b[0], b[1], b[2], b[3]]) as f32 / SPAN);
        }
        Stored::Float32 => {
            pairs.for_each(|(x, b)| *x = f32::from_le_bytes([b[0], b[1], b[2], b[3]]));
        }
        Stored::Float64 => pairs.for_each(|(x, b)| {
            *x = f64::from_le_bytes([b[0], b[1], b[2], b[3], b[4], b[5], b[6], b[7]]) as f32;
        }),
    }
}
