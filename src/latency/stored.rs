//! Results that are kept, each for one start of one device at one rate and block.
//!
//! In: results. Out: a small file in the user's state folder. Thread: any ordinary one. Always: the file is whole
//! or the one before; a result that cannot be read is left out, a file that cannot be read is put aside, never
//! written over.
//!
//! The file lies with the user and not beside the rig: a rig travels to other computers, where the same device
//! takes other times.

use crate::device::Negotiated;
use jiff::Timestamp;
use serde::{Deserialize, Serialize};
use std::io::Write;
use std::path::{Path, PathBuf};

/// Version of the file.
const SCHEMA: u32 = 1;
/// Results kept in all, and of one device at one rate and block.
const MOST: usize = 200;
const MOST_ALIKE: usize = 20;
/// A larger file is none of ours.
const MOST_BYTES: u64 = 4 << 20;

/// One measurement.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Stored {
    pub host: String,
    pub device: String,
    /// As a rig names it.
    pub id: String,
    pub rate: u32,
    pub block: u32,
    /// Channels from 1.
    pub output: u16,
    pub input: u16,
    /// When the stream was started: one start, one way.
    #[serde(with = "moment")]
    pub start: Timestamp,
    #[serde(with = "moment")]
    pub measured: Timestamp,
    pub round_trip_frames: f64,
    pub interval_95_frames: f64,
    pub spread_frames: f64,
    pub shots: u32,
    pub holds: Holds,
}

/// As RFC 3339 writes it.
mod moment {
    use super::Timestamp;
    use serde::{Deserialize, Deserializer, Serializer, de::Error};

    pub fn serialize<S: Serializer>(moment: &Timestamp, to: S) -> Result<S::Ok, S::Error> {
        to.collect_str(moment)
    }

    pub fn deserialize<'de, D: Deserializer<'de>>(from: D) -> Result<Timestamp, D::Error> {
        String::deserialize(from)?.parse().map_err(D::Error::custom)
    }
}

/// How long a result holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Holds {
    /// Two streams that find their places anew at every start.
    ThisStart,
    /// Both directions in one callback: until the server or the block changes.
    Server,
    /// As the world file says.
    World,
}

impl Holds {
    /// What an interface's kind says.
    pub fn of(negotiated: &Negotiated) -> Holds {
        if negotiated.second.is_some() {
            return Holds::ThisStart;
        }
        match (negotiated.host.as_str(), negotiated.duplex) {
            ("virtual", _) => Holds::World,
            (_, true) => Holds::Server,
            (_, false) => Holds::ThisStart,
        }
    }

    /// Said beside a result when it is shown later.
    pub fn words(self) -> &'static str {
        match self {
            Holds::ThisStart => "stale: this host finds its place anew at every start",
            Holds::Server => "holds until the server is restarted or its block changes",
            Holds::World => "holds while its world file is the same",
        }
    }

    /// The next start makes it stale.
    pub fn is_stale_after_a_start(self) -> bool {
        self == Holds::ThisStart
    }
}

/// What a file held, and whether all of it could be read.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Reading {
    /// Oldest first.
    pub results: Vec<Stored>,
    /// Entries that could not be read.
    pub unread: usize,
    /// The file as a whole is none of ours, in words.
    pub fault: Option<String>,
}

impl Reading {
    /// Results of one device, the latest first.
    pub fn of<'a>(&'a self, host: &'a str, id: &'a str) -> impl Iterator<Item = &'a Stored> {
        self.results.iter().rev().filter(move |stored| stored.host == host && stored.id == id)
    }
}

/// `latency.json` in the user's state folder. `None`: this user has no folder of that kind.
///
/// Source: XDG Base Directory Specification 0.8 (`$XDG_STATE_HOME`, else `~/.local/state`); on macOS
/// `~/Library/Application Support`, on Windows `%LOCALAPPDATA%`.
pub fn place() -> Option<PathBuf> {
    let variable = |name: &str| std::env::var_os(name).map(PathBuf::from).filter(|path| path.is_absolute());
    let folder = variable("XDG_STATE_HOME").or_else(|| {
        if cfg!(windows) {
            variable("LOCALAPPDATA")
        } else if cfg!(target_os = "macos") {
            variable("HOME").map(|home| home.join("Library/Application Support"))
        } else {
            variable("HOME").map(|home| home.join(".local/state"))
        }
    })?;
    Some(folder.join("fogbell").join("latency.json"))
}

/// Reads a file of results. One that is not there holds none.
pub fn read(path: &Path) -> Reading {
    let fault = |words: String| Reading { fault: Some(words), ..Reading::default() };
    match std::fs::metadata(path) {
        Err(why) if why.kind() == std::io::ErrorKind::NotFound => return Reading::default(),
        Err(why) => return fault(why.to_string()),
        Ok(about) if about.len() > MOST_BYTES => return fault(format!("it is {} bytes long", about.len())),
        Ok(_) => {}
    }
    let text = match std::fs::read(path) {
        Ok(text) => text,
        Err(why) => return fault(why.to_string()),
    };
    let file: serde_json::Value = match serde_json::from_slice(&text) {
        Ok(file) => file,
        Err(why) => return fault(why.to_string()),
    };
    if file["schema"] != SCHEMA {
        return fault(format!("its schema is {}, not {SCHEMA}", file["schema"]));
    }
    let Some(entries) = file["results"].as_array() else { return fault("it has no results".into()) };
    let results: Vec<Stored> =
        entries.iter().filter_map(|entry| serde_json::from_value(entry.clone()).ok()).filter(sane).collect();
    Reading { unread: entries.len() - results.len(), results, fault: None }
}

fn sane(stored: &Stored) -> bool {
    [stored.round_trip_frames, stored.interval_95_frames, stored.spread_frames].iter().all(|x| x.is_finite())
}

/// Adds results; the oldest beyond what is kept go. Errors: the folder or the file cannot be written.
pub fn add(path: &Path, new: &[Stored]) -> std::io::Result<()> {
    let reading = read(path);
    if reading.fault.is_some() {
        put_aside(path)?;
    }
    let mut results = reading.results;
    results.extend_from_slice(new);
    let text = serde_json::json!({ "schema": SCHEMA, "results": kept(results) });
    let folder = path.parent().unwrap_or(Path::new("."));
    std::fs::create_dir_all(folder)?;
    let mut part = tempfile::NamedTempFile::new_in(folder)?;
    serde_json::to_writer_pretty(&mut part, &text)?;
    part.write_all(b"\n")?;
    part.as_file().sync_all()?;
    part.persist(path)?;
    Ok(())
}

fn kept(results: Vec<Stored>) -> Vec<Stored> {
    let alike =
        |a: &Stored, b: &Stored| (&a.host, &a.id, a.rate, a.block) == (&b.host, &b.id, b.rate, b.block);
    let mut kept: Vec<Stored> = Vec::new();
    for stored in results.into_iter().rev() {
        if kept.len() < MOST && kept.iter().filter(|other| alike(other, &stored)).count() < MOST_ALIKE {
            kept.push(stored);
        }
    }
    kept.reverse();
    kept
}

/// A file that is none of ours gets another name.
fn put_aside(path: &Path) -> std::io::Result<()> {
    for number in 1..1000 {
        let aside = path.with_extension(format!("unread-{number}.json"));
        if !aside.exists() {
            return std::fs::rename(path, aside);
        }
    }
    Err(std::io::Error::other("too many unread files lie beside it"))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn stored(id: &str, block: u32, round_trip_frames: f64) -> Stored {
        let then = Timestamp::from_second(1_790_000_000).unwrap();
        Stored {
            host: "alsa".into(),
            device: "Harbour 8".into(),
            id: id.into(),
            rate: 48_000,
            block,
            output: 8,
            input: 2,
            start: then,
            measured: then,
            round_trip_frames,
            interval_95_frames: 0.01,
            spread_frames: 0.0,
            shots: 8,
            holds: Holds::ThisStart,
        }
    }

    #[test]
    fn what_is_added_is_read_back_the_latest_first_and_the_oldest_go() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("deep").join("latency.json");
        assert_eq!(read(&path), Reading::default());
        for n in 0..25 {
            add(&path, &[stored("a", 128, f64::from(n)), stored("b", 64, 0.5)]).unwrap();
        }
        let reading = read(&path);
        assert_eq!((reading.results.len(), reading.unread, &reading.fault), (40, 0, &None));
        let trips: Vec<f64> = reading.of("alsa", "a").map(|stored| stored.round_trip_frames).collect();
        assert_eq!((trips[0], trips[19]), (24.0, 5.0));
        // Nothing but the file itself is left in the folder.
        assert_eq!(std::fs::read_dir(path.parent().unwrap()).unwrap().count(), 1);
    }

    #[test]
    fn an_entry_that_cannot_be_read_is_left_out_and_the_others_stay() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("latency.json");
        add(&path, &[stored("a", 128, 300.0)]).unwrap();
        let mut file: serde_json::Value = serde_json::from_slice(&std::fs::read(&path).unwrap()).unwrap();
        let mut other = file["results"][0].clone();
        other["measured"] = "yesterday".into();
        file["results"].as_array_mut().unwrap().push(other);
        std::fs::write(&path, file.to_string()).unwrap();
        let reading = read(&path);
        assert_eq!((reading.results.len(), reading.unread), (1, 1));
    }

    #[test]
    fn a_file_that_is_none_of_ours_is_put_aside_and_not_written_over() {
        for text in ["", "{", "[]", "{\"schema\": 2, \"results\": []}", "{\"schema\": 1}", "\u{0}\u{0}"] {
            let folder = tempfile::tempdir().unwrap();
            let path = folder.path().join("latency.json");
            std::fs::write(&path, text).unwrap();
            assert!(read(&path).fault.is_some(), "{text}");
            add(&path, &[stored("a", 128, 300.0)]).unwrap();
            assert_eq!(read(&path).results.len(), 1);
            let aside = folder.path().join("latency.unread-1.json");
            assert_eq!(std::fs::read_to_string(aside).unwrap(), text);
        }
    }

    #[test]
    fn a_result_without_a_number_is_no_result() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("latency.json");
        // JSON has no infinity: it is written as null, and read as nothing.
        add(&path, &[stored("a", 128, f64::INFINITY)]).unwrap();
        assert_eq!((read(&path).results.len(), read(&path).unread), (0, 1));
    }
}
