//! The front of a WAV file: where its samples lie and how they are stored.
//!
//! Own code because hound 3.5 knows no RF64 and seeks wrongly where a sample is padded (24 bits in 4 bytes).
//! Source: RIFF/WAVE and WAVE_FORMAT_EXTENSIBLE (mmreg.h), RF64 by EBU Tech 3306.

use super::WavFault;
use crate::units::SampleRate;
use std::io::{Read, Seek, SeekFrom};

const MOST_CHUNKS: usize = 1_000;

/// How one sample is stored.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Stored {
    /// 8 bits, unsigned.
    Byte,
    /// 2 to 4 bytes, signed, left-justified.
    Signed(u8),
    Float32,
    Float64,
}

impl Stored {
    pub fn bytes(self) -> usize {
        match self {
            Stored::Byte => 1,
            Stored::Signed(bytes) => usize::from(bytes),
            Stored::Float32 => 4,
            Stored::Float64 => 8,
        }
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Header {
    pub rate: SampleRate,
    pub channels: u16,
    pub stored: Stored,
    /// Byte of the first sample.
    pub data_at: u64,
    pub frames: u64,
}

/// Walks the chunks up to the samples. Errors: every disagreement, before anything is allocated.
pub(super) fn parse(file: &mut (impl Read + Seek), length: u64) -> Result<Header, WavFault> {
    let mut front = [0; 12];
    exact(file, &mut front)?;
    let rf64 = &front[..4] == b"RF64";
    if !(rf64 || &front[..4] == b"RIFF") || &front[8..] != b"WAVE" {
        return Err(format("it does not begin with RIFF … WAVE"));
    }
    let mut format_found = None;
    let mut long_data = None;
    let mut at = 12u64;
    for _ in 0..MOST_CHUNKS {
        let mut head = [0; 8];
        exact(file, &mut head)?;
        let stated = u32::from_le_bytes([head[4], head[5], head[6], head[7]]);
        let size = u64::from(stated);
        match &head[..4] {
            b"ds64" if rf64 => long_data = Some(ds64(file, size)?),
            b"fmt " => format_found = Some(fmt(file, size)?),
            b"data" => {
                let size = if stated == u32::MAX { long_data.unwrap_or(size) } else { size };
                let found = format_found.ok_or_else(|| format("no \"fmt \" chunk before the samples"))?;
                return finish(found, at + 8, size, length);
            }
            _ => {}
        }
        at += 8 + size + size % 2;
        file.seek(SeekFrom::Start(at)).map_err(WavFault::Open)?;
    }
    Err(format("no samples among its first 1,000 chunks"))
}

fn finish(
    found: (SampleRate, u16, Stored),
    data_at: u64,
    size: u64,
    length: u64,
) -> Result<Header, WavFault> {
    let (rate, channels, stored) = found;
    let frame = stored.bytes() as u64 * u64::from(channels);
    if !size.is_multiple_of(frame) {
        return Err(format("its samples do not fill whole frames"));
    }
    let present = length.saturating_sub(data_at);
    if size > present {
        return Err(WavFault::Truncated { frames: present / frame, stated: size / frame });
    }
    Ok(Header { rate, channels, stored, data_at, frames: size / frame })
}

fn ds64(file: &mut impl Read, size: u64) -> Result<u64, WavFault> {
    if size < 28 {
        return Err(format("its ds64 chunk is too short"));
    }
    let mut body = [0; 16];
    exact(file, &mut body)?;
    let (_, data) = body.split_at(8);
    Ok(u64::from_le_bytes(data.try_into().unwrap_or_default()))
}

fn fmt(file: &mut impl Read, size: u64) -> Result<(SampleRate, u16, Stored), WavFault> {
    if size < 16 {
        return Err(format("its \"fmt \" chunk is too short"));
    }
    let mut body = [0; 40];
    let there = size.min(40) as usize;
    exact(file, &mut body[..there])?;
    let short = |at: usize| u16::from_le_bytes([body[at], body[at + 1]]);
    let (channels, block, bits) = (short(2), short(12), short(14));
    let hertz = u32::from_le_bytes([body[4], body[5], body[6], body[7]]);
    let rate = SampleRate::new(hertz)
        .ok_or_else(|| format(&format!("{hertz} frames a second; 8,000 to 384,000 are possible")))?;
    let tag = match short(0) {
        0xfffe if there == 40 => short(24),
        tag => tag,
    };
    let bytes = block.checked_div(channels).unwrap_or(0);
    if channels == 0 || !block.is_multiple_of(channels) || u32::from(bits) > u32::from(bytes) * 8 {
        return Err(format(&format!("{channels} channels of {bits} bits in {block} bytes")));
    }
    let stored = match (tag, bytes) {
        (1, 1) => Stored::Byte,
        (1, 2..=4) => Stored::Signed(bytes as u8),
        (3, 4) => Stored::Float32,
        (3, 8) => Stored::Float64,
        _ => return Err(format(&format!("coding {tag} with {bytes} bytes a sample is not read"))),
    };
    Ok((rate, channels, stored))
}

fn exact(file: &mut impl Read, body: &mut [u8]) -> Result<(), WavFault> {
    file.read_exact(body).map_err(|why| match why.kind() {
        std::io::ErrorKind::UnexpectedEof => format("it ends before its samples begin"),
        _ => WavFault::Open(why),
    })
}

fn format(why: &str) -> WavFault {
    WavFault::Format(why.to_owned())
}
