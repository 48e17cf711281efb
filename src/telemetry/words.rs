//! Events in a player's words.

use crate::click::set::{Leg, LegKind};
use crate::realtime::event::{Cause, Source};
use crate::units::{Frames, SampleRate};

/// "CLICK FROM THIS LAPTOP. Track lost 21:14." and its like: the state first, then why.
pub fn switch(click: &str, source: Source, cause: Cause, clock: &str) -> String {
    let whose = if click.is_empty() { String::new() } else { format!(" ({click})") };
    match source {
        Source::Own | Source::Fallback => {
            format!("CLICK FROM THIS LAPTOP{whose}. {} {clock}.", why(cause))
        }
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
        Cause::CannotFollow => "Track cannot follow the tempo",
    }
}

fn again(cause: Cause) -> &'static str {
    if cause == Cause::ByHand { "By hand" } else { "Track is back" }
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
