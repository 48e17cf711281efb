//! Show and rig files, read for a command that needs them whole: errors are told as a person should read them.

use crate::show::model::{Rig, Show};
use crate::show::{self, RefusedSong, RigReading};
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

/// A rig by itself, for a command that needs no show, and what it was read from, to be held against one.
///
/// Errors, without "error: " before them: the file cannot be read, or has a fault by itself.
pub fn lone_rig(path: &Path) -> Result<(Rig, RigReading), String> {
    let reading = show::read_rig(path).map_err(|fault| {
        format!("{} cannot be read: {fault}\n  to mend it: give the path of a rig file", path.display())
    })?;
    match reading.rig.clone() {
        Some(rig) => Ok((rig, reading)),
        None => Err(bare(show::render(&reading.faults, &reading.text, &reading.name, false))),
    }
}

/// Rendered faults without the first "error: ", for a caller that says it.
pub fn bare(told: String) -> String {
    told.trim_start_matches("error: ").to_string()
}

fn cannot(path: &Path, error: &std::io::Error, kind: &str) -> String {
    format!("error: {}: {error}\n  to mend it: give the path of a {kind} file", path.display())
}
