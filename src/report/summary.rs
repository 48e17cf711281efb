//! Six lines that a tired drummer reads.

use super::night::Night;
use super::run::{Event, Kind, Run, What};
use super::words::{capital, count, list, time};
use crate::exposure::figures::Figures;
use crate::exposure::words::{CAUTION, together};
use crate::listener::verdict::Tally;
use crate::realtime::event::Cause;
use crate::telemetry::words::because;
use serde::Serialize;
use std::collections::BTreeMap;

/// Six lines, each a name and a sentence.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
pub struct Summary {
    pub played: String,
    pub lost: String,
    pub saved: String,
    pub worst: String,
    pub ears: String,
    pub mend: String,
}

impl Summary {
    /// In the order in which they are read.
    pub fn lines(&self) -> [(&'static str, &str); 6] {
        [
            ("Played", &self.played),
            ("Lost", &self.lost),
            ("Saved by", &self.saved),
            ("Worst", &self.worst),
            ("Ears", &self.ears),
            ("Mend first", &self.mend),
        ]
    }
}

pub fn of(night: &Night) -> Summary {
    Summary {
        played: played(night),
        lost: lost(night),
        saved: saved(night),
        worst: worst(night),
        ears: ears(night),
        mend: mend(night),
    }
}

fn played(night: &Night) -> String {
    if night.runs.is_empty() {
        return "No song.".into();
    }
    let songs: usize = night.runs.iter().map(|run| run.songs.len()).sum();
    let seconds: f64 = night.runs.iter().map(Run::played_seconds).sum();
    let machines = night.runs.len();
    let begun = count(songs as u64, "song", "songs");
    let runs = if machines > 1 { format!(" in {machines} runs") } else { String::new() };
    let stopped = night.runs.iter().filter(|run| run.end.is_none()).count();
    let stopped = match stopped {
        0 => String::new(),
        1 => " One run has no end: it was killed, or the computer stopped.".into(),
        many => format!(" {many} runs have no end: they were killed, or the computer stopped."),
    };
    format!("{begun}, {} of music{runs}.{stopped}", time(seconds))
}

/// What the listener heard in all runs; `None` where none has a verdict.
fn tally(night: &Night) -> Option<Tally> {
    let verdicts = night.runs.iter().filter_map(|run| run.verdict.as_ref());
    verdicts.map(|verdict| verdict.all.clone()).reduce(|a, b| Tally {
        due: a.due + b.due,
        sounded: a.sounded + b.sounded,
        missed: a.missed + b.missed,
        late: a.late + b.late,
        off_level: a.off_level + b.off_level,
        lost_with_device: a.lost_with_device + b.lost_with_device,
        clipped: a.clipped + b.clipped,
        doubled: a.doubled + b.doubled,
        unheard: a.unheard + b.unheard,
        blurred: a.blurred + b.blurred,
        largest_error_frames: a.largest_error_frames.max(b.largest_error_frames),
    })
}

fn lost(night: &Night) -> String {
    let Some(all) = tally(night) else {
        let lost = night.count(Kind::Lost);
        return match (night.runs.is_empty(), lost) {
            (true, _) => "Nothing was played.".into(),
            (false, 0) => "Not judged: no run told what its listener heard.".into(),
            (false, lost) => {
                format!("{} late or lost, as the engine counts.", capital(&count(lost, "hit", "hits")))
            }
        };
    };
    let parts: Vec<String> = [
        (all.missed, "missed"),
        (all.late, "late or early"),
        (all.doubled, "not due"),
        (all.clipped, "cut short"),
        (all.off_level, "at another level"),
        (all.lost_with_device, "lost with the interface"),
        (all.unheard, "not recorded"),
    ]
    .into_iter()
    .filter(|(number, _)| *number > 0)
    .map(|(number, what)| format!("{} {what}", super::words::thousands(number)))
    .collect();
    match parts.as_slice() {
        [] if all.due == 0 => "Nothing was due.".into(),
        [] => format!("Nothing: all {} sounded.", count(all.due, "hit", "hits")),
        parts => format!("Of {}: {}.", count(all.due, "hit", "hits"), list(parts)),
    }
}

/// Who saved it, how often, in which songs.
#[derive(Default)]
struct Saved {
    times: u64,
    why: Vec<&'static str>,
    songs: Vec<String>,
}

fn saved(night: &Night) -> String {
    let mut by: BTreeMap<&str, Saved> = BTreeMap::new();
    let took_over = |event: &Event| matches!(&event.what, What::Machine { before: Some(before), now } if now.leads && !before.leads);
    let took_over = night.runs.iter().any(|run| run.events.iter().any(took_over));
    for (kind, event) in night.runs.iter().flat_map(|run| &run.events).map(|event| (event.kind, event)) {
        let (who, why) = match &event.what {
            // The same, told by the one that took over.
            What::Switch { cause: Cause::MainGone, .. } if took_over => continue,
            What::Switch { cause, .. } if kind == Kind::Switch => {
                ("the laptop's own engine", Some(because(*cause)))
            }
            What::Covered { cause, .. } => ("the laptop's own engine", Some(because(*cause))),
            What::Machine { before: Some(before), now } if now.leads && !before.leads => {
                ("the other laptop", None)
            }
            _ => continue,
        };
        let saved = by.entry(who).or_default();
        saved.times += event.count;
        saved.why.extend(why.filter(|why| !saved.why.contains(why)));
        let song = event.place.as_ref().map(|place| place.song.clone()).filter(|song| !song.is_empty());
        saved.songs.extend(song.filter(|song| !saved.songs.contains(song) && saved.songs.len() < 3));
    }
    if by.is_empty() {
        return "Nothing had to be saved.".into();
    }
    let parts = by.iter().map(|(who, saved)| {
        let songs =
            if saved.songs.is_empty() { String::new() } else { format!(", in {}", list(&saved.songs)) };
        // Several causes stand below, each with its remedy.
        let why = if let [why] = saved.why[..] { format!(" ({why})") } else { String::new() };
        format!("{who}, {}{songs}{why}", count(saved.times, "time", "times"))
    });
    format!("{}.", capital(&parts.collect::<Vec<_>>().join("; ")))
}

fn worst(night: &Night) -> String {
    match night.runs.iter().filter_map(Run::worst_ms).reduce(f64::max) {
        Some(ms) => format!("{ms:.3} ms off its place: the worst hit that was heard."),
        None => "Not measured: no run told where its hits were heard.".into(),
    }
}

fn ears(night: &Night) -> String {
    let heard: Vec<&Figures> = night.runs.iter().flat_map(|run| &run.exposure).collect();
    if let Some(heard) = together(&heard) {
        return heard;
    }
    let loudest = night.runs.iter().filter_map(|run| run.loudest_db).reduce(f64::max);
    let left = loudest.filter(|db| *db > -199.0).map_or(String::new(), |db| {
        format!(" The loudest sample that left was {db:.1} dBFS; mixer and pack add to it.")
    });
    format!("Exposure was not measured.{left} {CAUTION}")
}

fn mend(night: &Night) -> String {
    match night.mends.as_slice() {
        [] => "Nothing that this log knows of.".into(),
        [first, rest @ ..] => {
            let more = match rest.len() {
                0 => String::new(),
                1 => " (and one more)".into(),
                more => format!(" (and {more} more)"),
            };
            format!("{}: {}{more}", capital(&first.what), first.how)
        }
    }
}
