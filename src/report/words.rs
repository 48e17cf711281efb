//! What happened, in a musician's words, and under it what whoever mends it needs.

use super::run::{Event, Kind, What};
use crate::listener::Outcome;
use crate::realtime::event::{Cause, LineNow, PeerNow, Source, WitnessNow};
use crate::telemetry::words::because;

/// "3 hits", "1 hit".
pub fn count(number: u64, one: &str, many: &str) -> String {
    format!("{} {}", thousands(number), if number == 1 { one } else { many })
}

/// 12,345.
pub fn thousands(number: u64) -> String {
    let digits = number.to_string();
    let mut out = String::new();
    for (place, digit) in digits.chars().enumerate() {
        if place > 0 && (digits.len() - place).is_multiple_of(3) {
            out.push(',');
        }
        out.push(digit);
    }
    out
}

/// 1:02:33, or 2:07.
pub fn time(seconds: f64) -> String {
    let whole = seconds.max(0.0).round() as u64;
    match whole / 3600 {
        0 => format!("{}:{:02}", whole / 60, whole % 60),
        hours => format!("{hours}:{:02}:{:02}", whole % 3600 / 60, whole % 60),
    }
}

/// "a, b and c".
pub fn list(items: &[String]) -> String {
    match items {
        [] => String::new(),
        [one] => one.clone(),
        [rest @ .., last] => format!("{} and {last}", rest.join(", ")),
    }
}

/// A text that begins a sentence.
pub fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or(String::new(), |first| first.to_uppercase().chain(letters).collect())
}

/// What a note is about; `None` where what it says is told elsewhere.
pub fn kind_of_note(text: &str) -> Option<Kind> {
    let starts = |words: &[&str]| words.iter().any(|word| text.starts_with(word));
    if starts(&["ready:", "audio thread:"]) {
        return None;
    }
    Some(if starts(&["DEVICE", "the device", "the host counts"]) { Kind::Device } else { Kind::Note })
}

/// The sentence and the line under it.
pub fn event(event: &Event, rate: f64) -> (String, String) {
    let place = event.place.as_ref().filter(|place| !place.song.is_empty());
    let at = place.map_or("Between songs".to_string(), |place| capital(&place.words()));
    let ms = |frames: f64| frames * 1000.0 / rate;
    let hits = count(event.count, "hit", "hits");
    let (words, mut detail) = match &event.what {
        What::Switch { name, source, cause } => {
            (switch(&at, name, *source, *cause), format!("{source:?}, {cause:?}"))
        }
        What::Covered { name, cause } => (
            format!(
                "{at}: the click ({name}) came from the laptop's own engine for {hits}, because {}.",
                because(*cause)
            ),
            format!("{cause:?}"),
        ),
        What::LateHit { worst_frames } => (
            format!(
                "{at}: {hits} sounded late, because the computer was; by {:.1} ms at most.",
                ms(*worst_frames as f64)
            ),
            format!("{worst_frames} frames"),
        ),
        What::LostHits => (
            format!("{at}: {hits} could not sound, because the interface took no sound at that moment."),
            "they fell into frames that nobody asked for".into(),
        ),
        What::Heard { outcome, worst_frames } => (
            format!("{at}: {}.", heard(*outcome, &hits, ms(*worst_frames))),
            format!("{outcome:?}, heard by the listener"),
        ),
        What::Xrun { lost_frames } => (
            format!(
                "{at}: the computer was late {}; {:.1} ms of sound are missing.",
                if event.count == 1 { "once".into() } else { count(event.count, "time", "times") },
                ms(*lost_frames as f64)
            ),
            format!("{lost_frames} frames"),
        ),
        What::BadInput { channel } => (
            format!("{at}: input {} brought something that is no sound; it was made silence.", channel + 1),
            count(event.count, "block", "blocks"),
        ),
        What::Machine { before, now } => {
            (format!("{at}: {}.", machine(before.as_ref(), now).unwrap_or_default()), peer(now))
        }
        What::Power { battery_percent, charger } => (power(&at, *battery_percent, *charger), String::new()),
        What::EventsLost => (
            format!("{at}: {} of the engine are missing in this log.", count(event.count, "event", "events")),
            String::new(),
        ),
        What::LinesLost => (
            format!("{at}: {} could not be written to the log.", count(event.count, "line", "lines")),
            String::new(),
        ),
        What::AllOut(true) => (format!("{at}: all out."), String::new()),
        What::AllOut(false) => (format!("{at}: everything back."), String::new()),
        What::ClickOut(true) => (format!("{at}: clicks out."), String::new()),
        What::ClickOut(false) => (format!("{at}: clicks back."), String::new()),
        What::Mute { name, on } => (
            format!("{at}: the {name} click was {}.", if *on { "muted" } else { "let in again" }),
            String::new(),
        ),
        What::Held => (format!("{at}: the click rested."), String::new()),
        What::Command { command, refused: false } => {
            (format!("{at}: somebody pressed: {command}."), String::new())
        }
        What::Command { command, refused: true } => {
            (format!("{at}: somebody pressed: {command}; it could not be done there."), String::new())
        }
        What::Note(text) => (calm(text), String::new()),
    };
    if let Some(place) = place.map(super::place::Place::detail).filter(|place| !place.is_empty()) {
        detail = if detail.is_empty() { place } else { format!("{place}; {detail}") };
    }
    (words, detail)
}

/// A screen's sentence without its capitals: "DEVICE LOST: gone" is "Device lost: gone".
fn calm(text: &str) -> String {
    let words = text.split(' ').map(|word| {
        let shouted = word.chars().filter(|letter| letter.is_alphabetic()).count() > 1
            && !word.chars().any(char::is_lowercase)
            && !word.chars().any(|letter| letter.is_ascii_digit());
        if shouted { word.to_lowercase() } else { word.to_string() }
    });
    let text = words.collect::<Vec<_>>().join(" ");
    // The name of a file stays as it is.
    if text.split(' ').next().is_some_and(|first| first.contains('.')) { text } else { capital(&text) }
}

fn switch(at: &str, name: &str, source: Source, cause: Cause) -> String {
    let of = if name.is_empty() { "the click".to_string() } else { format!("the click ({name})") };
    match source {
        Source::Own | Source::Fallback => {
            let why = if cause == Cause::ByHand {
                "by hand".to_string()
            } else {
                format!("because {}", because(cause))
            };
            format!("{at}: from here {of} came from this laptop's own engine, {why}.")
        }
        Source::Streamed => format!("{at}: from here {of} came from its track."),
        Source::External => format!("{at}: from here {of} came from outside."),
    }
}

fn heard(outcome: Outcome, hits: &str, worst_ms: f64) -> String {
    match outcome {
        Outcome::Sounded => format!("{hits} sounded"),
        Outcome::Missed => format!("{hits} did not sound"),
        Outcome::Late if worst_ms < 0.0 => format!("{hits} sounded early, by {:.2} ms at most", -worst_ms),
        Outcome::Late => format!("{hits} sounded late, by {worst_ms:.2} ms at most"),
        Outcome::OffLevel => format!("{hits} sounded at another level than planned"),
        Outcome::Clipped => format!("{hits} began and were cut off"),
        Outcome::LostWithDevice => format!("{hits} fell into a gap of the interface"),
        Outcome::Doubled => format!("{hits} sounded that were not due"),
        Outcome::Unheard => format!("{hits} could not be judged, because the recording lacks them"),
    }
}

/// What changed about the other machine; `None` where it is nothing for a musician.
pub fn machine(before: Option<&PeerNow>, now: &PeerNow) -> Option<String> {
    let other = if now.backup { "the main" } else { "the backup" };
    let Some(before) = before else {
        let leads = if now.leads { "led" } else { "followed the other" };
        return Some(format!(
            "this laptop is the {} and {leads}",
            if now.backup { "backup" } else { "main" }
        ));
    };
    if before.leads != now.leads {
        return Some(match (now.leads, now.backup) {
            (true, true) => {
                "from here the backup made the click, because the main was gone or a person said so".into()
            }
            (true, false) => "from here the main made the click".into(),
            (false, _) => "from here this laptop was silent and followed the other".into(),
        });
    }
    if now.differs && !before.differs {
        return Some("the song is not the same on the two laptops".into());
    }
    if before.line != now.line {
        return Some(match now.line {
            LineNow::NeverHeard => return None,
            LineNow::Alive => format!("the timecode of {other} is heard"),
            LineNow::Gone => format!("the timecode of {other} is gone: its lead, or the laptop itself"),
            LineNow::Implausible => format!("hum or noise where the timecode of {other} should be"),
            LineNow::Frozen => format!("{other} hangs: its timecode does not go on"),
        });
    }
    match (before.click, now.click) {
        (WitnessNow::Heard, WitnessNow::Absent) => Some(format!("the click of {other} is not heard")),
        (WitnessNow::Absent, WitnessNow::Heard) => Some(format!("the click of {other} is heard again")),
        _ => None,
    }
}

fn peer(now: &PeerNow) -> String {
    let line = serde_json::to_value(now.line).ok().and_then(|value| value.as_str().map(str::to_owned));
    let mut parts = vec![format!("timecode {}", line.unwrap_or_default())];
    if now.bound_ms >= 0.0 && now.line == LineNow::Alive {
        parts.push(format!("place within {:.2} ms, clock {:+.1} ppm", now.bound_ms, now.ppm));
    }
    if now.offset_hits > 0 {
        parts.push(format!(
            "its click {:+.2} ms beside its timecode over {} hits",
            now.offset_ms, now.offset_hits
        ));
    }
    parts.join("; ")
}

fn power(at: &str, battery: Option<u8>, charger: Option<bool>) -> String {
    let left = battery.map_or(String::new(), |percent| format!(", battery {percent} %"));
    match charger {
        Some(true) => format!("{at}: the charger is in{left}."),
        Some(false) => format!("{at}: NO CHARGER{left}."),
        None => format!("{at}: power{left}."),
    }
}
