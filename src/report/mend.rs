//! What to mend before tomorrow, the worst first.

use super::night::Night;
use super::run::{Event, Kind, Run, What};
use super::words::count;
use crate::log::entry::DeviceDid;
use crate::realtime::event::{Cause, LineNow};
use crate::telemetry::words::because;
use serde::Serialize;
use std::collections::BTreeMap;

/// One thing to mend.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Mend {
    pub what: String,
    pub how: String,
    /// The lower, the sooner.
    #[serde(skip)]
    rank: u8,
}

/// Times of a cause before it is one to mend and not an accident: none; everything that was heard is told.
pub fn of(night: &Night) -> Vec<Mend> {
    let mut mends = Vec::new();
    for run in &night.runs {
        ends(run, &mut mends);
        machine(run, &mut mends);
        load(run, &mut mends);
        levels(run, &mut mends);
    }
    late(night, &mut mends);
    causes(night, &mut mends);
    dose(night, &mut mends);
    counts(night, &mut mends);
    // A later look replaces an earlier one.
    let mut seen = Vec::new();
    for kept in night.kept.iter().rev().filter(|kept| {
        let look = (kept.kind, kept.result.get("mode").cloned());
        let first = !seen.contains(&look);
        seen.push(look);
        first
    }) {
        mends.extend(kept.shown.mends.iter().map(|(rank, what, how)| Mend {
            what: what.clone(),
            how: how.clone(),
            rank: *rank,
        }));
    }
    mends.sort_by_key(|mend| mend.rank);
    mends.dedup_by(|a, b| a.what == b.what && a.how == b.how);
    mends
}

fn push(mends: &mut Vec<Mend>, rank: u8, what: String, how: &str) {
    if !mends.iter().any(|mend| mend.what == what) {
        mends.push(Mend { what, how: how.into(), rank });
    }
}

fn ends(run: &Run, mends: &mut Vec<Mend>) {
    let device = |event: &Event| if let What::Device(told) = &event.what { Some(told.clone()) } else { None };
    let lost = |second: bool| {
        run.events.iter().find(|event| {
            device(event).is_some_and(|told| told.what == DeviceDid::Lost && told.second == second)
        })
    };
    let said = lost(false);
    if said.is_some() || run.device_lost.is_some() {
        push(
            mends,
            10,
            format!("the interface was lost{}", said.map_or(String::new(), at)),
            "another cable, another port, no hub, the cable tied down; a second interface in the rig file",
        );
    }
    if let Some(second) = lost(true) {
        push(
            mends,
            32,
            format!("the second interface was lost{}", at(second)),
            "another cable, another port, no hub: the room's microphones hang on it",
        );
    }
    let rate =
        run.events.iter().find_map(|event| device(event).filter(|told| told.what == DeviceDid::OtherRate));
    if let Some(told) = rate {
        let hertz = told.count.map_or("another rate".into(), |rate| format!("{rate} Hz"));
        push(
            mends,
            24,
            format!("another program set the interface to {hertz}"),
            "close what else uses the interface; fogbell ready names it",
        );
    }
    if run.end.is_none() && run.has_start() {
        push(
            mends,
            11,
            format!("the run of {} has no end", super::run::clock(&run.began)),
            "find out whether it was killed, the battery ran out or the computer was switched off; look at the charger",
        );
    }
}

/// Its rank tells it.
const TOOK_OVER: u8 = 12;

/// A line on which timecode begins is nothing yet for a moment.
const BEGINS_SECONDS: f64 = 1.0;

fn machine(run: &Run, mends: &mut Vec<Mend>) {
    let told = |event: &&Event| matches!(event.what, What::Machine { .. });
    for (index, event) in run.events.iter().enumerate() {
        let What::Machine { before: Some(before), now } = &event.what else { continue };
        let lasted = run.events[index + 1..].iter().find(told).map_or(run.seconds, |next| next.seconds);
        let lasted = lasted - event.seconds;
        let other = if now.backup { "main" } else { "backup" };
        if now.leads && !before.leads && now.backup {
            push(
                mends,
                TOOK_OVER,
                format!("the backup had to take over{}", at(event)),
                "find out what stopped the main before it leads again; see its own log",
            );
        }
        match now.line {
            LineNow::Implausible if lasted > BEGINS_SECONDS => push(
                mends,
                30,
                format!("hum or noise on the {other}'s timecode line"),
                "a balanced lead, away from mains; lower the level if it clips",
            ),
            LineNow::Gone if before.line == LineNow::Alive && !now.leads => {
                push(
                    mends,
                    20,
                    format!("the {other}'s timecode went away"),
                    "the timecode lead and its plugs",
                );
            }
            _ => {}
        }
        if now.differs && !before.differs {
            push(
                mends,
                15,
                "the two laptops have different shows".into(),
                "copy the show file to both, then start both again",
            );
        }
    }
}

fn at(event: &Event) -> String {
    event
        .place
        .as_ref()
        .filter(|place| !place.song.is_empty())
        .map_or(String::new(), |place| format!(" at {}", place.words()))
}

/// What a cause asks for.
const fn how(cause: Cause) -> &'static str {
    match cause {
        Cause::Late | Cause::Stale => {
            "put the track on the computer's own disk, and close what else uses the disk"
        }
        Cause::Repeating | Cause::SilentWhenDue | Cause::Corrupt => {
            "export the track again, and check it with fogbell check"
        }
        Cause::CannotFollow => {
            "no tempo for tonight on a song that plays from a track, or no track in that song"
        }
        Cause::Absent => "the pad's lead, plug, battery and output level",
        Cause::Early | Cause::BehindTime | Cause::Doubled => {
            "who or what plays that click; its tempo, and the tolerance in the show"
        }
        Cause::Drowned => "hum or noise on that input: another lead, a balanced one, less gain",
        Cause::MainGone | Cause::MainFrozen => "find out what stopped the main before it leads again",
        _ => "look at what lies beside it in time",
    }
}

/// Everything that the fallback had to make good, by cause.
fn causes(night: &Night, mends: &mut Vec<Mend>) {
    let took_over = mends.iter().any(|mend| mend.rank == TOOK_OVER);
    let mut by: BTreeMap<String, (u64, Cause, String)> = BTreeMap::new();
    for event in night.runs.iter().flat_map(|run| &run.events) {
        let (What::Switch { name, cause, .. } | What::Covered { name, cause }) = &event.what else {
            continue;
        };
        // That the main was gone stands there with the backup that took over.
        if !event.kind.is_fault() || (*cause == Cause::MainGone && took_over) {
            continue;
        }
        let entry = by.entry(format!("{cause:?} {name}")).or_insert_with(|| (0, *cause, name.clone()));
        entry.0 += event.count;
    }
    let mut by: Vec<(u64, Cause, String)> = by.into_values().collect();
    by.sort_by_key(|(times, ..)| std::cmp::Reverse(*times));
    for (times, cause, name) in by {
        let whose = if name.is_empty() { String::new() } else { format!(" ({name})") };
        push(mends, 20, format!("{}{whose}, {}", because(cause), count(times, "time", "times")), how(cause));
    }
}

/// Half of its time on the worst callback in a hundred leaves no room; common practice, no source.
const TOO_MUCH_LOAD: f64 = 50.0;

fn late(night: &Night, mends: &mut Vec<Mend>) {
    let late = night.runs.iter().filter_map(|run| run.load.as_ref()).map(|load| load.too_late()).sum::<u64>();
    if late > 0 {
        push(
            mends,
            42,
            format!("{} longer than the time there was", count(late, "callback took", "callbacks took")),
            "close other programs; look at what fogbell ready says of priority, memory and processor",
        );
    }
}

fn load(run: &Run, mends: &mut Vec<Mend>) {
    let Some(load) = run.load.as_ref().filter(|load| load.p99_percent > TOO_MUCH_LOAD) else { return };
    push(
        mends,
        40,
        format!("one callback in a hundred took more than {:.0} % of its time", load.p99_percent),
        &format!(
            "blocks of {} frames instead of {}; fogbell ready says what else is in the way",
            run.block * 2,
            run.block
        ),
    );
}

fn levels(run: &Run, mends: &mut Vec<Mend>) {
    if run.limited_seconds > 10 {
        push(
            mends,
            50,
            format!(
                "a limiter worked for {} s, by up to {:.1} dB",
                run.limited_seconds, -run.deepest_limiter_db
            ),
            "lower what that feed hears by as much, and turn the pack up by less",
        );
    }
}

/// A day's dose that was used up, by the strictest of the rules that are told.
fn dose(night: &Night, mends: &mut Vec<Mend>) {
    let mut by: BTreeMap<&str, f64> = BTreeMap::new();
    for figures in night.runs.iter().flat_map(|run| &run.exposure) {
        let percent = figures.calibrated.as_ref().map_or(0.0, |known| known.niosh_percent);
        *by.entry(figures.feed.as_str()).or_default() += percent;
    }
    for (feed, percent) in by.into_iter().filter(|(_, percent)| *percent >= 100.0) {
        push(
            mends,
            17,
            format!("{feed}: {percent:.0} % of a day's noise dose (NIOSH 98-126) in one night"),
            "turn that pack down, rest the ears tomorrow; follow local rules; see a hearing professional",
        );
    }
}

fn counts(night: &Night, mends: &mut Vec<Mend>) {
    let xruns = night.count(Kind::Xrun);
    if xruns > 0 {
        let block = night.runs.iter().map(|run| run.block).max().unwrap_or(0);
        push(
            mends,
            25,
            format!("the computer was late {}", count(xruns, "time", "times")),
            &format!("blocks of {} frames instead of {block}, and what fogbell ready says", block * 2),
        );
    }
    let lost = night.count(Kind::Lost);
    if lost > 0 && xruns == 0 {
        push(
            mends,
            18,
            format!(
                "{} without a late computer",
                count(lost, "hit was not as planned", "hits were not as planned")
            ),
            "look at the list below: what lies beside them in time?",
        );
    }
    if night.count(Kind::Input) > 0 {
        push(mends, 35, "an input brought what is no sound".into(), "its cable, its driver, its rate");
    }
    if night.count(Kind::Log) > 0 {
        push(
            mends,
            38,
            "this log is not whole".into(),
            "room on the disk, and a faster one for logs and takes",
        );
    }
    let unplugged = night
        .runs
        .iter()
        .flat_map(|run| &run.events)
        .find(|event| matches!(event.what, What::Power { charger: Some(false), .. }));
    if let Some(event) = unplugged {
        push(
            mends,
            22,
            format!("the charger was out at {}", event.clock),
            "tape the plug; check the socket with a lamp",
        );
    }
}
