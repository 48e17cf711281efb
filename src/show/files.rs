//! WAV files that a show names: they must be there and readable before the night.

use super::walk::{Node, Walk, Wrong};
use std::path::{Path, PathBuf};

/// Longest sound, in seconds.
pub(super) const LONGEST_SOUND: f64 = 2.0;

/// What a header says.
#[derive(Clone, Copy, Debug)]
pub(super) struct Header {
    pub(super) channels: u16,
    pub(super) seconds: f64,
}

/// The header of a WAV file that a show calls `name`. Errors: what a musician can mend.
fn header(path: &Path, name: &str) -> Result<Header, Wrong> {
    let shown = super::fault::quote(name);
    let wrong = |what: String| {
        Wrong::new(
            what,
            "a WAV file, 16 to 32 bit",
            "write the path of the file as seen from the folder of this show",
        )
    };
    let meta = std::fs::metadata(path).map_err(|error| match error.kind() {
        std::io::ErrorKind::NotFound => wrong(format!("there is no file {shown}")),
        _ => wrong(format!("the file {shown} cannot be read: {error}")),
    })?;
    if !meta.is_file() {
        return Err(wrong(format!("{shown} is no file")));
    }
    let reader = hound::WavReader::open(path).map_err(|error| {
        Wrong::new(
            format!("{shown} is no WAV file that can be read: {error}"),
            "a WAV file, 16 to 32 bit",
            "export it again as an uncompressed WAV",
        )
    })?;
    let spec = reader.spec();
    if spec.channels == 0 || !(8_000..=384_000).contains(&spec.sample_rate) {
        return Err(wrong(format!("{shown} has {} channels at {} Hz", spec.channels, spec.sample_rate)));
    }
    if reader.duration() == 0 {
        return Err(wrong(format!("{shown} holds no sound")));
    }
    let seconds = f64::from(reader.duration()) / f64::from(spec.sample_rate);
    Ok(Header { channels: spec.channels, seconds })
}

impl<'t> Walk<'t> {
    /// The path as the file gives it (from the show's folder) and the header of a WAV that a node names. Without a
    /// folder the file is not looked at.
    pub(super) fn wav(&mut self, node: &Node<'t>, folder: &Path) -> Option<(PathBuf, Header)> {
        let name = self.label(node, 1000)?;
        if folder.as_os_str().is_empty() {
            return Some((PathBuf::from(name), Header { channels: u16::MAX, seconds: 0.0 }));
        }
        let header = self.take(node, header(&folder.join(name), name))?;
        Some((PathBuf::from(name), header))
    }

    /// A WAV short enough to be kept in memory.
    pub(super) fn short_wav(&mut self, node: &Node<'t>, folder: &Path) -> Option<(PathBuf, f64)> {
        let (path, header) = self.wav(node, folder)?;
        if header.seconds > LONGEST_SOUND {
            self.fault(
                node.at,
                Wrong::new(
                    format!("this sound is {:.2} s long", header.seconds),
                    "2 s at most",
                    "cut the file after its hit, or use a shorter one",
                ),
            );
            return None;
        }
        Some((path, header.seconds))
    }
}
