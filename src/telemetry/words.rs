//! Events and commands as a player would say them.

use crate::device::watch::Change;
use crate::realtime::command::Command;
use crate::realtime::event::{Cause, Event, Source, What};

/// A cause in a player's words.
pub const fn cause(cause: Cause) -> &'static str {
    match cause {
        Cause::Plan => "by plan",
        Cause::ByHand => "by hand",
        Cause::Late => "the track did not come in time",
        Cause::Stale => "the track came for another moment",
        Cause::Repeating => "the track repeated itself",
        Cause::SilentWhenDue => "the track was silent when a hit was due",
        Cause::Corrupt => "the track was damaged",
        Cause::CannotFollow => "the track cannot follow tonight's tempo",
    }
}

/// A switch of one click.
pub fn switch(click: &str, source: Source, why: Cause) -> String {
    match source {
        Source::Fallback => format!("{click}: click made by this laptop ({})", cause(why)),
        Source::Streamed => format!("{click}: click from the track ({})", cause(why)),
        Source::Own => format!("{click}: own click ({})", cause(why)),
    }
}

/// The sentence for the screen, for events that a person must know of.
pub fn event(event: &Event, clicks: &[String], titles: &[String]) -> Option<String> {
    let click = |index: u8| clicks.get(usize::from(index)).map_or("", String::as_str);
    match event.what {
        What::Switched { click: index, source, cause: why, song, bar, beat }
            if !matches!(why, Cause::Plan | Cause::ByHand) =>
        {
            let title = titles.get(usize::from(song)).map_or("", String::as_str);
            Some(match source {
                Source::Fallback => format!(
                    "CLICK FROM THIS LAPTOP ({}): {}, {title} bar {bar}.{beat}",
                    click(index),
                    cause(why)
                ),
                _ => format!("CLICK FROM THE TRACK AGAIN ({}), {title} bar {bar}.{beat}", click(index)),
            })
        }
        What::Xrun { lost } => {
            Some(format!("AUDIO WAS LATE: {} frames lost; the click goes on where the band is", lost.0))
        }
        What::LostHits { from, to } => Some(format!("{} HITS LOST WITH THE DEVICE", to.saturating_sub(from))),
        What::BadInput { channel } => {
            Some(format!("INPUT {} SENT DAMAGED SOUND: made silent", u32::from(channel) + 1))
        }
        What::AllOut(true) => Some("ALL OUT".into()),
        What::AllOut(false) => Some("SOUND BACK ON THE BAR LINE".into()),
        _ => None,
    }
}

/// A command, for the log.
pub fn command(command: &Command) -> String {
    match command {
        Command::Choose { song } => format!("choose song {}", song + 1),
        Command::Start => "start".into(),
        Command::GoTo { song, leg, count_in } => {
            format!("go to song {}, leg {leg}{}", song + 1, if *count_in { ", counted in" } else { "" })
        }
        Command::Place { song, leg, .. } => format!("place song {}, leg {leg}", song + 1),
        Command::Stop => "stop".into(),
        Command::AllOut => "all out".into(),
        Command::AllBack => "all back".into(),
        Command::ClickOut => "click out".into(),
        Command::ClickBack => "click back".into(),
        Command::OneIsNow => "one is now".into(),
        Command::ShiftBeats(beats) => format!("beats {beats:+}"),
        Command::Nudge(frames) => format!("{:+} frames", frames.0),
        Command::Undo => "undo".into(),
        Command::Release => "release".into(),
        Command::MuteClick { click, muted } => format!("{} click {}", if *muted { "mute" } else { "unmute" }, click + 1),
        Command::Tempo(stretch) => format!("tempo: durations × {}/{}", stretch.over, stretch.under),
        Command::UseFallback { click, on } => format!("fallback of click {}: {on}", click + 1),
        Command::Load(_) => "load the show again".into(),
    }
}

/// A change of the device: its state, and why.
pub fn device(change: &Change) -> (&'static str, String) {
    match change {
        Change::Stalled { .. } => ("device stalled", "it has stopped calling, although no error came".into()),
        Change::Running => ("device runs", "it calls again".into()),
        Change::Lost(why) => ("device lost", why.clone()),
        Change::Finished => ("device finished", "it has reached its end".into()),
        Change::Xruns(count) => ("xruns", format!("{count} more")),
        Change::LostFrames(count) => ("frames lost", format!("{count} that nobody asked for")),
    }
}
