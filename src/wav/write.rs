//! Files that are whole or absent.

use super::body::Body;
use super::{Cue, Format, Options, WavError, WavFault};
use std::fs::File;
use std::io;
use std::path::{Path, PathBuf};
use tempfile::{NamedTempFile, TempPath};

/// Writes a WAV file under a hidden name ending in ".part" beside its place and moves it there when it is
/// done. A kill leaves the hidden part at most, an error not even that.
pub struct Writer {
    path: PathBuf,
    format: Format,
    overwrite: bool,
    sync: bool,
    body: Body<File>,
    part: TempPath,
}

impl Writer {
    /// Errors: the file stands there already (unless `options.overwrite`), the folder is absent, 0 or more
    /// than 64 channels.
    pub fn create(path: &Path, format: Format, options: &Options) -> Result<Writer, WavError> {
        let fail = |fault| WavError::new(path, fault);
        format.check().map_err(fail)?;
        if !options.overwrite && path.symlink_metadata().is_ok() {
            return Err(fail(WavFault::Exists));
        }
        let write_fault = |why| fail(WavFault::Write(why));
        let (file, part) = part_beside(path).map_err(write_fault)?.into_parts();
        let body = Body::start(file, format, options).map_err(write_fault)?;
        let (overwrite, sync) = (options.overwrite, options.sync);
        Ok(Writer { path: path.to_owned(), format, overwrite, sync, body, part })
    }

    /// Frames so far.
    pub fn frames(&self) -> u64 {
        self.body.frames()
    }

    /// Appends a block: one slice of equal length a channel. Errors: the shape, the disk, 4 GiB.
    pub fn write(&mut self, channels: &[&[f32]]) -> Result<(), WavError> {
        check_block(channels, self.format, self.body.room()).map_err(|fault| self.fault(fault))?;
        let written = self.body.write(channels);
        written.map_err(|why| self.fault(WavFault::Write(why)))
    }

    /// Ends the file and puts it in its place, whole. Returns its length in frames.
    pub fn finish(self, cues: &[Cue]) -> Result<u64, WavError> {
        let frames = self.body.frames();
        let fail = |fault| WavError::new(&self.path, fault);
        let file = self.body.finish(cues).map_err(|why| fail(WavFault::Write(why)))?;
        if self.sync {
            file.sync_all().map_err(|why| fail(WavFault::Write(why)))?;
        }
        drop(file);
        place(self.part, &self.path, self.overwrite).map_err(|(fault, _)| fail(fault))?;
        Ok(frames)
    }

    fn fault(&self, fault: WavFault) -> WavError {
        WavError::new(&self.path, fault)
    }
}

/// Records a run that may be killed: the file grows under `name.part.wav`, is a whole WAV file at every
/// [`LiveWriter::sync`], and gets its own name at the end. What a killed run leaves can be opened as it is.
pub struct LiveWriter {
    path: PathBuf,
    part: PathBuf,
    format: Format,
    body: Body<File>,
}

impl LiveWriter {
    /// Takes the first free name among `name.part.wav`, `name.part2.wav`, …; always goes past 4 GiB.
    pub fn create(path: &Path, format: Format, options: &Options) -> Result<LiveWriter, WavError> {
        let fail = |fault| WavError::new(path, fault);
        format.check().map_err(fail)?;
        if path.symlink_metadata().is_ok() {
            return Err(fail(WavFault::Exists));
        }
        let (file, part) = first_free(path).map_err(|why| fail(WavFault::Write(why)))?;
        let options = Options { long: true, ..options.clone() };
        let body = Body::start(file, format, &options).map_err(|why| fail(WavFault::Write(why)))?;
        Ok(LiveWriter { path: path.to_owned(), part, format, body })
    }

    /// Where the file lies until it is finished.
    pub fn part(&self) -> &Path {
        &self.part
    }

    pub fn frames(&self) -> u64 {
        self.body.frames()
    }

    /// As [`Writer::write`]; what was gathered goes out at the latest with the next sync.
    pub fn write(&mut self, channels: &[&[f32]]) -> Result<(), WavError> {
        check_block(channels, self.format, u64::MAX).map_err(|fault| self.fault(fault))?;
        let written = self.body.write(channels);
        written.map_err(|why| self.fault(WavFault::Write(why)))
    }

    /// Makes the file whole as it stands: it survives a kill; with `durable` also a power cut (and waits).
    pub fn sync(&mut self, durable: bool) -> Result<(), WavError> {
        let settled = self.body.settle().and_then(|()| match durable {
            true => self.body.out().sync_data(),
            false => Ok(()),
        });
        settled.map_err(|why| self.fault(WavFault::Write(why)))
    }

    /// Ends the file and gives it its name. When that fails, the part stays and the error says so.
    pub fn finish(self, cues: &[Cue]) -> Result<u64, WavError> {
        let frames = self.body.frames();
        let fail = |fault| WavError::new(&self.part, fault);
        let file = self.body.finish(cues).map_err(|why| fail(WavFault::Write(why)))?;
        file.sync_all().map_err(|why| fail(WavFault::Write(why)))?;
        drop(file);
        let part = TempPath::try_from_path(&self.part).map_err(|why| fail(WavFault::Write(why)))?;
        place(part, &self.path, false).map_err(|(fault, part)| {
            let _kept = part.keep();
            fail(fault)
        })?;
        Ok(frames)
    }

    fn fault(&self, fault: WavFault) -> WavError {
        WavError::new(&self.part, fault)
    }
}

fn check_block(channels: &[&[f32]], format: Format, room: u64) -> Result<(), WavFault> {
    let frames = channels.first().map_or(0, |channel| channel.len());
    if channels.len() != usize::from(format.channels) || channels.iter().any(|c| c.len() != frames) {
        let lengths: Vec<usize> = channels.iter().map(|c| c.len()).collect();
        return Err(WavFault::Shape(format!(
            "blocks of {lengths:?} frames for {} channels",
            format.channels
        )));
    }
    if frames as u64 > room { Err(WavFault::TooLarge) } else { Ok(()) }
}

fn part_beside(path: &Path) -> io::Result<NamedTempFile> {
    let folder = match path.parent() {
        Some(folder) if !folder.as_os_str().is_empty() => folder,
        _ => Path::new("."),
    };
    let name = path.file_name().unwrap_or_default().to_string_lossy();
    let prefix = format!(".{name}.");
    let mut builder = tempfile::Builder::new();
    builder.prefix(&prefix).suffix(".part");
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        // As any new file: the umask takes from it what others must not do.
        builder.permissions(std::fs::Permissions::from_mode(0o666));
    }
    builder.tempfile_in(folder)
}

fn place(part: TempPath, path: &Path, overwrite: bool) -> Result<(), (WavFault, TempPath)> {
    let placed = if overwrite { part.persist(path) } else { part.persist_noclobber(path) };
    placed.map_err(|failed| match failed.error.kind() {
        io::ErrorKind::AlreadyExists => (WavFault::Exists, failed.path),
        _ => (WavFault::Write(failed.error), failed.path),
    })
}

fn first_free(path: &Path) -> io::Result<(File, PathBuf)> {
    let names = std::iter::once("part.wav".to_owned()).chain((2..1_000).map(|n| format!("part{n}.wav")));
    let mut last = io::Error::from(io::ErrorKind::AlreadyExists);
    for name in names {
        let part = path.with_extension(name);
        match File::options().write(true).create_new(true).open(&part) {
            Ok(file) => return Ok((file, part)),
            Err(why) if why.kind() == io::ErrorKind::AlreadyExists => last = why,
            Err(why) => return Err(why),
        }
    }
    Err(last)
}
