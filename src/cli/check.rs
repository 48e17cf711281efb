//! `fogbell check`: a show file to a set list, or to all its faults.

pub(crate) mod machines;
pub(crate) mod set_list;

use self::set_list::SCOPE;
use super::Outcome;
use crate::click::prepare::prepare;
use crate::renderer::plan_streams;
use crate::show::model::{Rig, Show};
use crate::show::{self, Fault, Reading, RigReading, slots};
use crate::tempo::length::song_seconds;
use crate::view::keys::Keymap;
use serde_json::json;
use std::io::{IsTerminal, Write};
use std::path::PathBuf;

/// Read a show and print the set list, or every fault with its mend (file only, nothing sounded)
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The show file
    show: PathBuf,
    /// The rig file: which feed goes to which channel of which interface
    #[arg(long)]
    rig: Option<PathBuf>,
    /// Hold the songs against their slots of timecode and print those, without a rig that sends or follows it
    #[arg(long)]
    timecode: bool,
    /// Print one JSON object
    #[arg(long)]
    json: bool,
}

/// Writes to standard output; a reader that has gone away (`| head`) is no fault.
pub(super) fn put(text: &str) {
    let mut out = std::io::stdout().lock();
    let _ = out.write_all(text.as_bytes()).and_then(|()| out.flush());
}

/// The files as read.
struct Read {
    show: Reading,
    rig: Option<RigReading>,
    /// Faults of the rig file, those against the show included.
    rig_faults: Vec<Fault>,
    /// Songs have slots of addresses: the rig sends or follows timecode, or it was asked for.
    timecode: bool,
    /// What does not fit in them.
    slot_faults: Vec<Fault>,
}

pub fn run(args: &Args) -> Outcome {
    match read(args) {
        Ok(read) if args.json => print_json(&read),
        Ok(read) => print_text(&read),
        Err(what) => {
            if args.json {
                let out = json!({ "ok": false, "songs": [], "faults": [], "error": what });
                put(&format!("{out}\n"));
            } else {
                eprintln!("error: {what}");
            }
            Outcome::NotUnderstood
        }
    }
}

fn read(args: &Args) -> Result<Read, String> {
    let cannot = |path: &PathBuf, error: std::io::Error| {
        format!("{} cannot be read: {error}\n  to mend it: give the path of a file", path.display())
    };
    let show = show::read_show(&args.show).map_err(|error| cannot(&args.show, error))?;
    let rig = match &args.rig {
        Some(path) => Some(show::read_rig(path).map_err(|error| cannot(path, error))?),
        None => None,
    };
    let mut rig_faults = rig.as_ref().map_or_else(Vec::new, |rig| match &show.show {
        Some(show) if rig.faults.is_empty() => rig.faults_against(show),
        _ => rig.faults.clone(),
    });
    rig_faults.extend(rig.iter().flat_map(key_faults));
    rig_faults.sort_by_key(|fault| fault.span.start);
    let of_rig = rig.as_ref().and_then(|rig| rig.rig.as_ref()).is_some_and(Rig::has_timecode);
    let timecode = args.timecode || of_rig;
    let slotted = show.show.as_ref().filter(|_| timecode);
    let slot_faults = slotted.map(|show| slots::faults(show, song_seconds)).unwrap_or_default();
    Ok(Read { show, rig, rig_faults, timecode, slot_faults })
}

/// Actions and keys of `[keys]` that `run` would refuse.
fn key_faults(reading: &RigReading) -> Vec<Fault> {
    let Some(rig) = &reading.rig else { return Vec::new() };
    let told = Keymap::new(&rig.keys).err().unwrap_or_default();
    told.iter().map(|sentence| key_fault(sentence, &reading.text)).collect()
}

/// The first name in quotes is the one that is wrong; it stands below `[keys]`.
fn key_fault(sentence: &str, text: &str) -> Fault {
    let (what, mend) = sentence.split_once("; ").unwrap_or((sentence, "see the keys in: fogbell run --help"));
    let wrong = sentence.split('"').nth(1).unwrap_or_default();
    let table = text.find("[keys]").unwrap_or(0);
    let found = text.get(table..).and_then(|rest| rest.find(wrong)).filter(|_| !wrong.is_empty());
    let (start, length) = found.map_or((table, "[keys]".len()), |at| (table + at, wrong.len()));
    let before = text.get(..start).unwrap_or_default();
    Fault {
        line: before.matches('\n').count() + 1,
        column: before.rsplit('\n').next().unwrap_or_default().chars().count() + 1,
        span: start..(start + length).min(text.len()),
        what: what.into(),
        found: wrong.into(),
        allowed: "an action, and a key of its own".into(),
        mend: mend.into(),
        song: None,
    }
}

impl Read {
    /// Faults of the show file, in its order.
    fn show_faults(&self) -> Vec<Fault> {
        let mut faults = self.show.faults.clone();
        faults.extend(self.slot_faults.iter().cloned());
        faults.sort_by_key(|fault| fault.span.start);
        faults
    }

    fn is_good(&self) -> bool {
        self.show.faults.is_empty() && self.rig_faults.is_empty() && self.slot_faults.is_empty()
    }

    /// Show and rig as they would be used; the virtual interface when no rig is given.
    fn both(&self) -> Option<(&Show, Rig)> {
        let show = self.show.show.as_ref()?;
        let rig = match &self.rig {
            Some(reading) => reading.rig.clone()?,
            None => show::default_rig(show),
        };
        Some((show, rig))
    }

    fn outcome(&self) -> Outcome {
        if self.is_good() { Outcome::Done } else { Outcome::NotUnderstood }
    }
}

fn print_json(read: &Read) -> Outcome {
    let mut faults: Vec<_> =
        read.show_faults().iter().map(|fault| fault_json(fault, &read.show.name)).collect();
    if let Some(rig) = &read.rig {
        faults.extend(read.rig_faults.iter().map(|fault| fault_json(fault, &rig.name)));
    }
    let songs = read.show.show.as_ref().map_or_else(Vec::new, set_list::songs_json);
    let mut out = json!({
        "ok": read.is_good(),
        "scope": SCOPE,
        "file": read.show.name,
        "songs": songs,
        "refused": read.show.refused,
        "faults": faults,
    });
    let mut outcome = read.outcome();
    if let (Some((show, rig)), Some(object)) = (read.both(), out.as_object_mut()) {
        match heard(show, &rig) {
            Ok(notes) => object.insert("notes".into(), json!(notes)),
            Err(faults) => {
                outcome = Outcome::NotUnderstood;
                object.insert("ok".into(), json!(false));
                object.insert("sound_faults".into(), json!(faults))
            }
        };
        object.insert("show".into(), json!(show.title));
        object.insert("digest".into(), json!(show.digest));
        object.insert("clicks".into(), set_list::clicks_json(show));
        object.insert("feeds".into(), set_list::feeds_json(show, &rig));
        object.insert("inputs".into(), set_list::inputs_json(show, &rig));
        object.insert("machines".into(), json!(machines::lines(show, &rig)));
        if rig.main.is_some() {
            let (least, _) = machines::blind_window_ms(&rig.interface);
            object.insert("blind_window_ms_at_least".into(), json!(least));
        }
    }
    put(&format!("{out}\n"));
    outcome
}

fn fault_json(fault: &Fault, file: &str) -> serde_json::Value {
    let mut value = json!(fault);
    if let Some(object) = value.as_object_mut() {
        object.insert("file".into(), json!(file));
    }
    value
}

fn print_text(read: &Read) -> Outcome {
    let color = std::io::stderr().is_terminal() && std::env::var_os("NO_COLOR").is_none();
    if read.is_good() {
        let Some((show, rig)) = read.both() else { return Outcome::Done };
        return match heard(show, &rig) {
            Ok(notes) => {
                let notes: String = notes.iter().map(|note| format!("note: {note}\n")).collect();
                let machines: String =
                    machines::lines(show, &rig).iter().map(|line| format!("{line}\n")).collect();
                put(&format!("{}\n{machines}{notes}No faults.\n", set_list::text(show, &rig, read.timecode)));
                Outcome::Done
            }
            Err(faults) => {
                faults.iter().for_each(|fault| eprintln!("error: {fault}"));
                Outcome::NotUnderstood
            }
        };
    }
    eprint!("{}", show::render(&read.show_faults(), &read.show.text, &read.show.name, color));
    if let Some(rig) = read.rig.as_ref().filter(|_| !read.rig_faults.is_empty()) {
        eprint!("\n{}", show::render(&read.rig_faults, &rig.text, &rig.name, color));
    }
    eprintln!("\n{}", summary(read));
    Outcome::NotUnderstood
}

/// The show's WAV files as a run would prepare them: what is done to them, or why they cannot be used.
fn heard(show: &Show, rig: &Rig) -> Result<Vec<String>, Vec<String>> {
    let prepared = prepare(show, rig.interface.rate);
    let mut prepared =
        prepared.map_err(|faults| faults.iter().map(ToString::to_string).collect::<Vec<_>>())?;
    let mut notes = prepared.notes;
    notes.extend(plan_streams(show, &mut prepared.set));
    Ok(notes)
}

/// What the faults mean for tonight.
fn summary(read: &Read) -> String {
    let count = read.show.faults.len() + read.rig_faults.len() + read.slot_faults.len();
    let faults = if count == 1 { "1 fault".into() } else { format!("{count} faults") };
    let meaning = match (&read.show.show, read.show.refused.as_slice()) {
        (None, _) => "the show cannot be played as it stands".to_string(),
        (Some(_), []) if read.rig_faults.is_empty() => "the songs do not fit timecode".to_string(),
        (Some(_), []) => "the rig does not fit".to_string(),
        (Some(show), refused) => {
            let titles = refused.iter().map(|song| format!("\"{}\" (line {})", song.title, song.line));
            let titles = titles.collect::<Vec<_>>().join(", ");
            let songs = show.songs.len() + refused.len();
            format!("of {songs} songs {} cannot be played as they stand: {titles}", refused.len())
        }
    };
    format!("{faults}: {meaning} ({SCOPE})")
}
