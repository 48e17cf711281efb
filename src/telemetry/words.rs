//! Events in a player's words.

use crate::click::set::{Leg, LegKind};
use crate::realtime::event::{Cause, LineNow, PeerNow, Source, WitnessNow};
use crate::units::{Frames, SampleRate};

/// "CLICK FROM THIS LAPTOP. Track lost 21:14." and its like: the state first, then why.
pub fn switch(click: &str, source: Source, cause: Cause, clock: &str) -> String {
    let whose = if click.is_empty() { String::new() } else { format!(" ({click})") };
    match source {
        Source::Own | Source::Fallback => {
            format!("CLICK FROM THIS LAPTOP{whose}. {} {clock}.", why(cause))
        }
        Source::External => format!("CLICK FROM OUTSIDE{whose}. {} {clock}.", again(cause)),
        Source::Streamed => format!("CLICK FROM THE TRACK{whose}. {} {clock}.", again(cause)),
    }
}

fn why(cause: Cause) -> &'static str {
    match cause {
        Cause::Plan => "As planned",
        Cause::ByHand => "By hand",
        Cause::Late => "Track lost",
        Cause::Stale => "Track out of place",
        Cause::Repeating => "Track hangs",
        Cause::SilentWhenDue => "Track silent",
        Cause::Corrupt => "Track damaged",
        Cause::Absent => "Its click was not heard",
        Cause::Early => "Its click came early",
        Cause::BehindTime => "Its click came late",
        Cause::Doubled => "Its click came twice",
        Cause::Drowned => "Its line has hum or noise",
        Cause::LineRepeats => "Its device hangs",
        Cause::MainGone => "Main lost",
        Cause::MainFrozen => "Main hangs",
        Cause::CannotFollow => "Track cannot follow the tempo",
    }
}

fn again(cause: Cause) -> &'static str {
    match cause {
        Cause::ByHand => "By hand",
        Cause::Plan => "As planned",
        _ => "It is back",
    }
}

/// A cause in a player's words, as it stands after "because".
pub const fn because(cause: Cause) -> &'static str {
    match cause {
        Cause::Plan => "by plan",
        Cause::ByHand => "by hand",
        Cause::Late => "the track did not come in time",
        Cause::Stale => "the track came for another moment",
        Cause::Repeating => "the track repeated itself",
        Cause::SilentWhenDue => "the track was silent when a hit was due",
        Cause::Corrupt => "the track was damaged",
        Cause::Absent => "its hit was not heard",
        Cause::Early => "its hit came early",
        Cause::BehindTime => "its hit came late",
        Cause::Doubled => "its hit came twice",
        Cause::Drowned => "its line had hum or noise",
        Cause::LineRepeats => "its device hung and repeated its last buffer",
        Cause::MainGone => "the main was gone",
        Cause::MainFrozen => "the main repeated its last buffer",
        Cause::CannotFollow => "the track cannot follow tonight's tempo",
    }
}

/// What changed about the other machine, when a person must know of it.
pub fn machine(before: &PeerNow, now: &PeerNow, clock: &str) -> Option<String> {
    let other = if now.backup { "Main" } else { "Backup" };
    if before.leads != now.leads {
        return Some(match (now.leads, now.backup) {
            (true, true) if now.line == LineNow::Alive => {
                format!("CLICK FROM THIS LAPTOP. It took over {clock}.")
            }
            (true, true) => format!("CLICK FROM THIS LAPTOP. Main lost {clock}."),
            (true, false) => format!("CLICK FROM THIS LAPTOP. It leads since {clock}."),
            (false, _) => format!("THIS LAPTOP IS SILENT and follows the other since {clock}."),
        });
    }
    if now.differing != before.differing && now.differing > 0 {
        return Some(format!("SONG {} DIFFERS from the {}'s.", now.differing, other.to_lowercase()));
    }
    if before.line != now.line {
        return Some(match now.line {
            LineNow::Alive => format!("{other}'s timecode is heard."),
            LineNow::NeverHeard => return None,
            LineNow::Gone => format!("{}'S TIMECODE IS GONE. {clock}.", other.to_uppercase()),
            LineNow::Implausible => {
                format!("{}'S TIMECODE LINE HAS HUM OR NOISE. {clock}.", other.to_uppercase())
            }
            LineNow::Frozen => {
                format!("{} HANGS: its timecode does not go on. {clock}.", other.to_uppercase())
            }
        });
    }
    if now.backup && now.other_idle && !before.other_idle {
        return Some(format!("MAIN IS BACK AND PLAYS NOTHING. This laptop goes on. {clock}."));
    }
    match (before.click, now.click) {
        (WitnessNow::Heard, WitnessNow::Absent) => {
            Some(format!("{}'S CLICK IS NOT HEARD. {clock}.", other.to_uppercase()))
        }
        (WitnessNow::Absent, WitnessNow::Heard) => Some(format!("{other}'s click is heard again.")),
        _ => None,
    }
}

pub fn xrun(lost: Frames, rate: SampleRate) -> String {
    format!("THE COMPUTER WAS LATE. {:.1} ms of sound lost.", rate.seconds(lost) * 1000.0)
}

/// A leg as a player calls it.
pub fn leg(leg: &Leg) -> String {
    section(leg.kind, &leg.section_name)
}

pub fn section(kind: LegKind, name: &str) -> String {
    match kind {
        LegKind::CountIn => "count-in".into(),
        LegKind::Pickup => "pickup".into(),
        LegKind::Section => name.into(),
    }
}
