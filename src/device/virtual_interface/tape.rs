//! A tape machine that is patched to outputs and outlives whoever plays: what left, at the time when it left.
//!
//! A program that is killed and started again leaves one tape. Samples are 32-bit floats, little-endian, one channel a
//! file; frame 0 lies at a moment of the boot-time clock. Frames are the interface's own: drift is not heard.

use super::world::Tape;
use crate::device::DeviceError;
use crate::realtime::io::Planar;
use crate::units::{FramePos, SampleRate};
use std::fs::File;

/// The open tapes of an interface.
#[derive(Debug)]
pub(super) struct Tapes {
    tapes: Vec<(Tape, File)>,
    rate: SampleRate,
    /// When the interface's frame 0 was due.
    origin: i64,
    bytes: Vec<u8>,
}

impl Tapes {
    /// Errors: a file cannot be written.
    pub(super) fn open(tapes: &[Tape], rate: SampleRate) -> Result<Option<Tapes>, DeviceError> {
        let open = |tape: &Tape| {
            let file = File::options().write(true).create(true).truncate(false).open(&tape.file);
            let file = file.map_err(|fault| {
                let what = format!("the tape {} cannot be written: {fault}", tape.file.display());
                DeviceError::new(what, "name a file in a folder that is there")
            })?;
            Ok((tape.clone(), file))
        };
        let tapes = tapes.iter().map(open).collect::<Result<Vec<_>, DeviceError>>()?;
        let bytes = Vec::with_capacity(4 * crate::device::MAX_BLOCK);
        Ok((!tapes.is_empty()).then_some(Tapes { tapes, rate, origin: 0, bytes }))
    }

    /// The interface's frame 0 was due then: its time begins, or is moved on.
    pub(super) fn begin(&mut self, origin: i64) {
        self.origin = origin;
    }

    pub(super) fn write(&mut self, at: FramePos, output: &Planar, frames: usize) {
        for (tape, file) in &mut self.tapes {
            let zero = self.rate.frames_of_ns(self.origin - tape.starts_ns);
            let Ok(place) = u64::try_from((at + zero).0) else { continue };
            self.bytes.clear();
            let samples = output.channel(usize::from(tape.output).saturating_sub(1), frames);
            samples.iter().for_each(|sample| self.bytes.extend_from_slice(&sample.to_le_bytes()));
            // A tape that is full plays no part in the show.
            let _full = write_at(file, &self.bytes, place * 4);
        }
    }
}

#[cfg(unix)]
fn write_at(file: &File, bytes: &[u8], place: u64) -> std::io::Result<()> {
    std::os::unix::fs::FileExt::write_all_at(file, bytes, place)
}

#[cfg(not(unix))]
fn write_at(mut file: &File, bytes: &[u8], place: u64) -> std::io::Result<()> {
    use std::io::{Seek, SeekFrom, Write};
    file.seek(SeekFrom::Start(place))?;
    file.write_all(bytes)
}
