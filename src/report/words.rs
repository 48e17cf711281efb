//! What happened, in a musician's words, and under it what whoever mends it needs.

use super::run::{Event, Kind, What};
use crate::listener::Outcome;
use crate::log::entry::{DeviceDid, DeviceTold};
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
    let elsewhere = ["ready:", "audio thread:", "SHOW READ AGAIN:"];
    (!elsewhere.iter().any(|word| text.starts_with(word))).then_some(Kind::Note)
}

/// Why there was no device any more, from the words with which older logs end.
pub fn device_lost(reason: &str) -> Option<String> {
    reason.strip_prefix("the device no longer plays: ").map(str::to_owned)
}

/// What happened to a device, from the words of older logs, which had no line of its own for that.
pub fn device_of_note(text: &str) -> Option<DeviceTold> {
    let of = |what, why: &str| {
        let why = (!why.is_empty()).then(|| why.to_string());
        Some(DeviceTold { what, why, text: text.into(), ..DeviceTold::default() })
    };
    let why = |rest: &str| rest.split(". ").next().unwrap_or(rest).trim_start_matches(": ").to_string();
    let number = || text.split(' ').find_map(|word| word.parse::<u64>().ok());
    let starts = |words: &str| text.strip_prefix(words);
    if let Some(rest) = starts("DEVICE LOST") {
        return of(DeviceDid::Lost, &why(rest));
    }
    if let Some(rest) = starts("NO DEVICE") {
        return of(DeviceDid::CannotOpen, &why(rest));
    }
    let plain = [
        ("DEVICE RUNS AGAIN", DeviceDid::RunsAgain),
        ("DEVICE BACK", DeviceDid::Back),
        ("THE SPARE DEVICE PLAYS", DeviceDid::SparePlays),
        ("THE DEVICE RUNS AT", DeviceDid::OtherRate),
        ("the device has reached its end", DeviceDid::Finished),
    ];
    if let Some((_, what)) = plain.iter().find(|(words, _)| text.starts_with(words)) {
        return of(*what, "");
    }
    let counted =
        |what| Some(DeviceTold { what, count: number(), text: text.into(), ..DeviceTold::default() });
    match () {
        () if text.starts_with("the host counts ") => counted(DeviceDid::Xruns),
        () if text.ends_with(" frames nobody asked for") => counted(DeviceDid::LostFrames),
        () if text.starts_with("SECOND INTERFACE ") => Some(DeviceTold {
            what: match () {
                () if text.contains(" LOST") => DeviceDid::Lost,
                () if text.contains(" SILENT") => DeviceDid::Silent,
                () if text.contains(" AGAIN") => DeviceDid::RunsAgain,
                () if text.contains(" DRIFTS") => DeviceDid::Drifts,
                () => DeviceDid::Heard,
            },
            second: true,
            text: text.into(),
            ..DeviceTold::default()
        }),
        () if text.starts_with("DEVICE") || text.starts_with("the device") => of(DeviceDid::Other, ""),
        () => None,
    }
}

/// What an interface did, in a sentence.
fn device(at: &str, told: &DeviceTold) -> String {
    let which = if told.second { "second interface" } else { "interface" };
    let why = told.why.as_deref().map_or(String::new(), |why| format!(": {}", why.trim_end_matches('.')));
    let away = told.away_seconds.map_or(String::new(), |away| format!(" after {away:.1} s"));
    let name = told.device.as_deref().map_or(String::new(), |name| format!(" ({name})"));
    let times = |one: &str, many: &str| count(told.count.unwrap_or(1), one, many);
    match told.what {
        DeviceDid::Lost if told.second => {
            format!("{at}: the {which} was lost{why}; its inputs were silent, the click went on.")
        }
        DeviceDid::Lost => format!("{at}: the {which} was lost{why}."),
        DeviceDid::RunsAgain | DeviceDid::Back => {
            format!("{at}: the {which}{name} was back{away}, in the band's time.")
        }
        DeviceDid::SparePlays => {
            format!("{at}: the spare interface{name} played{away}, in the band's time.")
        }
        DeviceDid::CannotOpen => format!("{at}: no interface could be opened{why}."),
        DeviceDid::OtherRate => {
            let rate = told.count.map_or("another rate".into(), |rate| format!("{} Hz", thousands(rate)));
            format!("{at}: the {which} ran at {rate}: the set was made again for it.")
        }
        DeviceDid::Xruns => {
            format!("{at}: the interface's host counted {}.", times("more xrun", "more xruns"))
        }
        DeviceDid::LostFrames => format!("{at}: {} went by unheard.", times("frame", "frames")),
        DeviceDid::Silent => {
            format!("{at}: the {which} stopped calling, or lost its place; the click went on.")
        }
        DeviceDid::Heard | DeviceDid::Drifts => {
            let ppm = told.ppm.map_or(String::new(), |ppm| format!(" by {ppm:+.1} ppm"));
            format!("{at}: the clock of the {which} runs beside ours{ppm}, and is followed.")
        }
        DeviceDid::Finished | DeviceDid::Other => calm(&told.text),
    }
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
        What::LateHit { worst_frames, waited: true } => (
            format!(
                "{at}: {hits} sounded {:.1} ms late at most: the backup waited whether the main's own click came.",
                ms(*worst_frames as f64)
            ),
            format!("{worst_frames} frames"),
        ),
        What::LateHit { worst_frames, waited: false } => (
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
        What::Device(told) => (device(&at, told), calm(&told.text)),
        What::Reloaded(show) => (format!("{at}: the show file was read again: {show}."), String::new()),
        What::Note(text) => (calm(text), String::new()),
    };
    if let Some(place) = place.map(super::place::Place::detail).filter(|place| !place.is_empty()) {
        detail = if detail.is_empty() { place } else { format!("{place}; {detail}") };
    }
    (words, detail)
}

/// A screen's sentence without its capitals: "DEVICE LOST: gone" is "Device lost: gone".
pub fn calm(text: &str) -> String {
    let text = quiet(text);
    // The name of a file stays as it is.
    if text.split(' ').next().is_some_and(|first| first.contains('.')) { text } else { capital(&text) }
}

/// The same in the middle of a sentence.
pub fn quiet(text: &str) -> String {
    let words = text.split(' ').map(|word| {
        let shouted = word.chars().filter(|letter| letter.is_alphabetic()).count() > 1
            && !word.chars().any(char::is_lowercase)
            && !word.chars().any(|letter| letter.is_ascii_digit());
        if shouted { word.to_lowercase() } else { word.to_string() }
    });
    words.collect::<Vec<_>>().join(" ")
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
