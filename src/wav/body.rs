//! A WAV file being written into anything that takes bytes: front, samples, chunks behind, sizes.

use super::chunks::{Cue, cue_chunks, push_chunk};
use super::convert::{Dither, append};
use super::{Encoding, Format, Options};
use std::io::{self, Seek, SeekFrom, Write};

/// Bytes gathered before they go out.
const GATHER: usize = 256 * 1_024;

/// Frames converted at once, so that they stay in the cache.
const PIECE: usize = 4_096;

/// Body of a ds64 chunk without a table: sizes of file and samples, frames, length of the table.
const DS64: usize = 28;

pub(super) struct Body<W> {
    out: W,
    format: Format,
    dither: Dither,
    front: Front,
    frames: u64,
    bytes: Vec<u8>,
    mixed: Vec<f32>,
}

/// Where the sizes stand that are known only later.
#[derive(Clone, Copy, Debug)]
struct Front {
    ds64_at: Option<u64>,
    fact_at: Option<u64>,
    /// Byte of the first sample; the size stands in the four bytes before.
    data_at: u64,
}

impl<W: Write + Seek> Body<W> {
    /// Writes the front of an empty file.
    pub fn start(mut out: W, format: Format, options: &Options) -> io::Result<Body<W>> {
        let (bytes, front) = front(format, options);
        out.write_all(&bytes)?;
        let dither = Dither::new(options.dither_seed);
        let bytes = Vec::with_capacity(GATHER + PIECE * format.frame_bytes());
        Ok(Body { out, format, dither, front, frames: 0, bytes, mixed: Vec::new() })
    }

    pub fn frames(&self) -> u64 {
        self.frames
    }

    /// Frames that still fit.
    pub fn room(&self) -> u64 {
        if self.front.ds64_at.is_some() {
            return u64::MAX;
        }
        // What stands before and behind the samples is left 16 MiB.
        let most = u64::from(u32::MAX) - (16 << 20);
        (most / self.format.frame_bytes() as u64).saturating_sub(self.frames)
    }

    /// Appends a block of planar samples, one slice of equal length a channel.
    pub fn write(&mut self, channels: &[&[f32]]) -> io::Result<()> {
        let frames = channels.first().map_or(0, |channel| channel.len());
        let mut done = 0;
        while done < frames {
            let end = (done + PIECE).min(frames);
            self.convert(channels, done, end);
            done = end;
            if self.bytes.len() >= GATHER {
                self.out.write_all(&self.bytes)?;
                self.bytes.clear();
            }
        }
        self.frames += frames as u64;
        Ok(())
    }

    fn convert(&mut self, channels: &[&[f32]], from: usize, to: usize) {
        if let [only] = channels {
            return append(&only[from..to], self.format.encoding, &mut self.dither, &mut self.bytes);
        }
        self.mixed.resize((to - from) * channels.len(), 0.0);
        for (place, channel) in channels.iter().enumerate() {
            let places = self.mixed.iter_mut().skip(place).step_by(channels.len());
            places.zip(&channel[from..to]).for_each(|(m, x)| *m = *x);
        }
        append(&self.mixed, self.format.encoding, &mut self.dither, &mut self.bytes);
    }

    /// Makes what was written so far a whole file: readable if nothing else ever comes.
    pub fn settle(&mut self) -> io::Result<()> {
        let data = self.data_bytes();
        if data % 2 == 1 {
            self.bytes.push(0);
        }
        self.out.write_all(&self.bytes)?;
        self.bytes.clear();
        self.write_sizes(self.front.data_at + data + data % 2 - 8)?;
        self.out.seek(SeekFrom::Start(self.front.data_at + data))?;
        self.out.flush()
    }

    /// Ends the file. Gives back what took the bytes.
    pub fn finish(mut self, cues: &[Cue]) -> io::Result<W> {
        if self.data_bytes() % 2 == 1 {
            self.bytes.push(0);
        }
        let data = self.data_bytes();
        let behind = cue_chunks(cues);
        self.bytes.extend(&behind);
        self.out.write_all(&self.bytes)?;
        self.write_sizes(self.front.data_at + data + data % 2 + behind.len() as u64 - 8)?;
        self.out.flush()?;
        Ok(self.out)
    }

    fn data_bytes(&self) -> u64 {
        self.frames * self.format.frame_bytes() as u64
    }

    fn write_sizes(&mut self, riff: u64) -> io::Result<()> {
        let data = self.data_bytes();
        let long = u32::try_from(riff).is_err();
        if let (true, Some(at)) = (long, self.front.ds64_at) {
            let mut ds64 = Vec::with_capacity(8 + DS64);
            let sizes = [riff, data, self.frames].map(u64::to_le_bytes).concat();
            push_chunk(&mut ds64, b"ds64", &[&sizes[..], &[0; 4]].concat());
            self.put(at, &ds64)?;
            self.put(0, b"RF64")?;
        }
        let short = |size: u64| u32::try_from(size).unwrap_or(u32::MAX);
        let data = if long { u32::MAX } else { short(data) };
        self.put(4, &short(riff).to_le_bytes())?;
        self.put(self.front.data_at - 4, &data.to_le_bytes())?;
        if let Some(at) = self.front.fact_at {
            self.put(at, &short(self.frames).to_le_bytes())?;
        }
        Ok(())
    }

    fn put(&mut self, at: u64, bytes: &[u8]) -> io::Result<()> {
        self.out.seek(SeekFrom::Start(at))?;
        self.out.write_all(bytes)
    }

    pub fn out(&mut self) -> &mut W {
        &mut self.out
    }
}

/// RIFF, room for ds64, bext, fmt, fact, and the head of data. Source: EBU Tech 3306 for the reserved JUNK.
fn front(format: Format, options: &Options) -> (Vec<u8>, Front) {
    let mut bytes = b"RIFF\0\0\0\0WAVE".to_vec();
    let ds64_at = options.long.then_some(bytes.len() as u64);
    if options.long {
        push_chunk(&mut bytes, b"JUNK", &[0; DS64]);
    }
    if let Some(bext) = &options.bext {
        push_chunk(&mut bytes, b"bext", &bext.body());
    }
    push_chunk(&mut bytes, b"fmt ", &fmt(format));
    let float = format.encoding == Encoding::Float32;
    if float {
        push_chunk(&mut bytes, b"fact", &[0; 4]);
    }
    let fact_at = float.then_some(bytes.len() as u64 - 4);
    push_chunk(&mut bytes, b"data", &[]);
    let data_at = bytes.len() as u64;
    let riff = data_at as u32 - 8;
    bytes[4..8].copy_from_slice(&riff.to_le_bytes());
    (bytes, Front { ds64_at, fact_at, data_at })
}

/// Extensible above two channels, with no speakers named: they are outputs, not places in a room.
fn fmt(format: Format) -> Vec<u8> {
    let tag: u16 = if format.encoding == Encoding::Float32 { 3 } else { 1 };
    let bits = 8 * format.encoding.bytes() as u16;
    let extensible = format.channels > 2;
    let mut body = if extensible { 0xfffe } else { tag }.to_le_bytes().to_vec();
    body.extend(format.channels.to_le_bytes());
    body.extend(format.rate.hertz().to_le_bytes());
    body.extend((format.rate.hertz() * format.frame_bytes() as u32).to_le_bytes());
    body.extend((format.frame_bytes() as u16).to_le_bytes());
    body.extend(bits.to_le_bytes());
    if extensible {
        body.extend(22u16.to_le_bytes());
        body.extend(bits.to_le_bytes());
        body.extend(0u32.to_le_bytes());
        body.extend(tag.to_le_bytes());
        body.extend([0, 0, 0, 0, 0x10, 0, 0x80, 0, 0, 0xaa, 0, 0x38, 0x9b, 0x71]);
    } else if format.encoding == Encoding::Float32 {
        body.extend(0u16.to_le_bytes());
    }
    body
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::SampleRate;

    /// Keeps the first kilobyte and counts the rest.
    #[derive(Default)]
    struct Counted {
        head: Vec<u8>,
        at: u64,
        end: u64,
    }

    impl Write for Counted {
        fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
            for (n, byte) in bytes.iter().enumerate().take(1_024usize.saturating_sub(self.at as usize)) {
                let place = self.at as usize + n;
                self.head.resize(self.head.len().max(place + 1), 0);
                self.head[place] = *byte;
            }
            self.at += bytes.len() as u64;
            self.end = self.end.max(self.at);
            Ok(bytes.len())
        }

        fn flush(&mut self) -> io::Result<()> {
            Ok(())
        }
    }

    impl Seek for Counted {
        fn seek(&mut self, to: SeekFrom) -> io::Result<u64> {
            if let SeekFrom::Start(at) = to {
                self.at = at;
            }
            Ok(self.at)
        }
    }

    fn long(value: &[u8]) -> u64 {
        u64::from_le_bytes(value.try_into().unwrap())
    }

    #[test]
    fn past_four_gibibytes_the_sizes_stand_in_ds64() {
        // EBU Tech 3306: RF64, size −1, ds64 {riff, data, samples, table}, data size −1, fact −1 at need.
        let format = Format { rate: SampleRate::standard(), channels: 64, encoding: Encoding::Float32 };
        let options = Options { long: true, ..Options::default() };
        let mut body = Body::start(Counted::default(), format, &options).unwrap();
        let silence = vec![0.0; 65_536];
        let block = vec![&silence[..]; 64];
        // 257 × 65,536 frames × 256 bytes = 4,311,744,512 bytes.
        (0..257).for_each(|_| body.write(&block).unwrap());
        let counted = body.finish(&[]).unwrap();
        let head = &counted.head;
        assert_eq!(&head[..8], b"RF64\xff\xff\xff\xff");
        assert_eq!(&head[12..20], b"ds64\x1c\0\0\0");
        assert_eq!(long(&head[20..28]), counted.end - 8);
        assert_eq!(long(&head[28..36]), 4_311_744_512);
        assert_eq!(long(&head[36..44]), 257 * 65_536);
        let data = head.windows(4).position(|w| w == b"data").unwrap();
        assert_eq!(&head[data + 4..data + 8], &[0xff; 4]);
        assert_eq!(counted.end, data as u64 + 8 + 4_311_744_512);
        let fact = head.windows(4).position(|w| w == b"fact").unwrap();
        assert_eq!(&head[fact + 8..fact + 12], &(257u32 * 65_536).to_le_bytes());
    }

    #[test]
    fn a_short_file_with_room_stays_plain() {
        let format = Format { rate: SampleRate::standard(), channels: 1, encoding: Encoding::Pcm16 };
        let options = Options { long: true, ..Options::default() };
        let mut body = Body::start(Counted::default(), format, &options).unwrap();
        body.write(&[&[0.5; 10]]).unwrap();
        let counted = body.finish(&[]).unwrap();
        assert_eq!(&counted.head[..4], b"RIFF");
        assert_eq!(&counted.head[12..16], b"JUNK");
        assert_eq!(counted.end, 12 + 36 + 24 + 8 + 20);
    }

    #[test]
    fn without_room_a_file_is_full_below_four_gibibytes() {
        let format = Format { rate: SampleRate::standard(), channels: 2, encoding: Encoding::Float32 };
        let body = Body::start(Counted::default(), format, &Options::default()).unwrap();
        assert!(body.room() * 8 < u64::from(u32::MAX) && body.room() * 8 > 4_200_000_000);
    }
}
