//! Results that belong to a night but come from outside its run: a round trip, a drill, a line check, what `ready`
//! found. Each is a file of its own beside the logs, a single line in the log's own form, so that one reader and one
//! schema serve both.

use super::entry::{Entry, Line};
use jiff::ZonedDateTime;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::io::{self, Write};
use std::path::{Path, PathBuf};

/// How the name of such a file ends. Not as a log's does: the newest log says how the last night ended.
pub const ENDS: &str = ".kept.json";

/// What was measured or looked at.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Kind {
    /// Is the computer fit?
    Ready,
    /// Does every output and input reach the right place?
    LineCheck,
    /// A round trip.
    Latency,
    /// Rehearsed failures.
    Drill,
    /// Of a newer version.
    #[serde(other)]
    Other,
}

impl Kind {
    /// As a person reads it.
    pub const fn words(self) -> &'static str {
        match self {
            Kind::Ready => "Ready",
            Kind::LineCheck => "Line check",
            Kind::Latency => "Latency",
            Kind::Drill => "Drill",
            Kind::Other => "Result",
        }
    }

    /// As it stands in file names and log lines.
    pub const fn word(self) -> &'static str {
        match self {
            Kind::Ready => "ready",
            Kind::LineCheck => "line-check",
            Kind::Latency => "latency",
            Kind::Drill => "drill",
            Kind::Other => "other",
        }
    }
}

/// Keeps one result in a folder (made when it is not there), named by its moment and kind: it appears whole or not at
/// all, and no file is overwritten. `result` is what the command prints with `--json`.
///
/// Errors: the folder or the file cannot be made, or the result is no JSON (it holds a map whose keys are no text).
pub fn keep(folder: &Path, kind: Kind, at: &ZonedDateTime, result: &impl Serialize) -> io::Result<PathBuf> {
    let result = serde_json::to_value(result)?;
    let time = at.strftime("%Y-%m-%dT%H:%M:%S%.3f%:z").to_string();
    let line = Line { time, ms: 0, frame: None, entry: Entry::Kept { kind, result } };
    std::fs::create_dir_all(folder)?;
    let mut part = tempfile::NamedTempFile::new_in(folder)?;
    serde_json::to_writer(&mut part, &line)?;
    part.write_all(b"\n")?;
    part.as_file().sync_all()?;
    let name = format!("{}_{}", at.strftime("%Y-%m-%d_%H-%M-%S"), kind.word());
    for number in 1..1000 {
        let path = folder.join(match number {
            1 => format!("{name}{ENDS}"),
            _ => format!("{name}_{number}{ENDS}"),
        });
        match part.persist_noclobber(&path) {
            Ok(_) => {
                super::write::second_name(&path);
                return Ok(path);
            }
            Err(again) if again.error.kind() == io::ErrorKind::AlreadyExists => part = again.file,
            Err(other) => return Err(other.error),
        }
    }
    Err(io::Error::new(
        io::ErrorKind::AlreadyExists,
        format!("a thousand results of {name} lie there already"),
    ))
}

/// `logs` beside a show or a rig file: where nights and what belongs to them are kept unless said otherwise.
pub fn beside(file: &Path) -> PathBuf {
    file.parent().unwrap_or(Path::new("")).join("logs")
}

/// [`keep`] for a command: now, and in words where it lies or why it does not. Not to keep a result is no failure of
/// what it is the result of.
pub fn keep_now(folder: &Path, kind: Kind, result: &impl Serialize) -> (Option<PathBuf>, String) {
    match keep(folder, kind, &ZonedDateTime::now(), result) {
        Ok(path) => {
            let words = format!("Kept with the night: {}", path.display());
            (Some(path), words)
        }
        Err(why) => (
            None,
            format!(
                "Not kept with the night: {}: {why}\n  to mend it: name a folder that can be written with --log DIR",
                folder.display()
            ),
        ),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::log::read;
    use serde_json::json;

    fn moment() -> ZonedDateTime {
        "2026-11-25T18:02:11.5+01:00[+01:00]".parse().unwrap()
    }

    #[test]
    fn a_result_reads_back_as_a_line_of_a_log_and_none_is_overwritten() {
        let folder = tempfile::tempdir().unwrap();
        let logs = beside(&folder.path().join("friday.toml"));
        let paths: Vec<PathBuf> = (1..=3)
            .map(|n| keep(&logs, Kind::LineCheck, &moment(), &json!({ "right": n })).unwrap())
            .collect();
        let names: Vec<_> = paths.iter().map(|path| path.file_name().unwrap().to_string_lossy()).collect();
        assert_eq!(
            names,
            [
                "2026-11-25_18-02-11_line-check.kept.json",
                "2026-11-25_18-02-11_line-check_2.kept.json",
                "2026-11-25_18-02-11_line-check_3.kept.json"
            ]
        );
        for (path, n) in paths.iter().zip(1..) {
            let reading = read::read(path).unwrap();
            assert_eq!((reading.lines.len(), reading.faults.len(), reading.torn), (1, 0, None));
            let (_, line) = &reading.lines[0];
            assert_eq!(line.time, "2026-11-25T18:02:11.500+01:00");
            let Entry::Kept { kind: Kind::LineCheck, result } = &line.entry else { panic!("{line:?}") };
            assert_eq!(result, &json!({ "right": n }));
        }
        // Nothing but the results is left in the folder.
        assert_eq!(std::fs::read_dir(&logs).unwrap().count(), 3);
    }

    #[test]
    fn a_folder_that_is_a_file_is_said_and_stays_as_it_is() {
        let folder = tempfile::tempdir().unwrap();
        let taken = folder.path().join("logs");
        std::fs::write(&taken, "mine").unwrap();
        let (path, words) = keep_now(&taken, Kind::Ready, &json!({}));
        assert!(path.is_none() && words.contains("to mend it"), "{words}");
        assert_eq!(std::fs::read_to_string(&taken).unwrap(), "mine");
    }

    #[test]
    fn a_kind_of_a_newer_version_is_read() {
        let line = r#"{"time":"t","ms":0,"event":"kept","kind":"of-tomorrow","result":[1]}"#;
        let line: Line = serde_json::from_str(line).unwrap();
        assert_eq!(line.entry, Entry::Kept { kind: Kind::Other, result: json!([1]) });
    }
}
