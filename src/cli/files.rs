//! Show and rig files, read for a command that needs them whole: errors are told as a person should read them.

use crate::show::model::{Rig, Show};
use crate::show::{self, RefusedSong};
use std::path::Path;

/// A show of which at least one song can be played.
pub struct ReadShow {
    pub show: Show,
    pub refused: Vec<RefusedSong>,
    /// Every fault of the file, rendered; empty for a good one.
    pub told: String,
}

/// Errors: the file cannot be read, or nothing in it can be played.
pub fn show(path: &Path) -> Result<ReadShow, String> {
    let reading = show::read_show(path).map_err(|error| cannot(path, &error, "show"))?;
    let told = show::render(&reading.faults, &reading.text, &reading.name, false);
    match reading.show {
        Some(show) if !show.songs.is_empty() => Ok(ReadShow { show, refused: reading.refused, told }),
        _ => Err(told),
    }
}

/// Errors: the file cannot be read, or it has a fault by itself or against the show.
pub fn rig(path: &Path, show: &Show) -> Result<Rig, String> {
    let reading = show::read_rig(path).map_err(|error| cannot(path, &error, "rig"))?;
    let mut faults = reading.faults.clone();
    if faults.is_empty() {
        faults = reading.faults_against(show);
    }
    match reading.rig {
        Some(rig) if faults.is_empty() => Ok(rig),
        _ => Err(show::render(&faults, &reading.text, &reading.name, false)),
    }
}

fn cannot(path: &Path, error: &std::io::Error, kind: &str) -> String {
    format!("error: {}: {error}\n  to mend it: give the path of a {kind} file", path.display())
}
