//! What the ear made of one failure.

use super::pair::{Mishap, play, play_pad};
use super::pair::{Played, World, due};
use crate::listener::{Due, Finding, Listener, Outcome};
use crate::realtime::event::{LineNow, Source, What};
use crate::units::{FramePos, Frames};
use serde::Serialize;

/// What the contract allows for a failure.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Allowance {
    /// Hits that may be missed or late.
    pub lost: u64,
    /// Hits that may be lost with frames that nobody asked for, or late by at most 5 ms because of them.
    pub with_device: u64,
    /// Doubled hits, where a wiring cannot tell two failures apart.
    pub doubled: u64,
    /// Of hits that are not called late, in milliseconds: the click of a device that is followed by ear has an attack
    /// of its own.
    pub error_ms: f64,
    /// The failure must be noticed.
    pub noticed: bool,
}

/// One failure, judged.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Verdict {
    pub name: String,
    /// In a player's words.
    pub what: String,
    pub passed: bool,
    /// From the failure until the line was known to be bad, or the switch; `null` where nothing had to be noticed.
    pub detected_ms: Option<f64>,
    /// First hit after the switch, as bar:beat.
    pub first_hit: Option<String>,
    pub due: u64,
    pub missed: u64,
    pub late: u64,
    pub lost_with_device: u64,
    pub clipped: u64,
    /// Hits that were not due, more than 1 ms from one that was (flams), or where none was.
    pub flams: u64,
    /// All hits that were not due, in-phase doubles (a level step) included.
    pub doubled: u64,
    /// Of hits that were not late.
    pub largest_error_ms: f64,
    pub level_step_db: f64,
    pub allowed_lost: u64,
}

/// Plays a failure and judges it. `shift`: frames by which everything is later than the main's own (pass-through).
pub fn judge(
    name: &str,
    what: &str,
    world: &World,
    mishaps: &[Mishap],
    at: i64,
    shift: i64,
    allowed: Allowance,
) -> Verdict {
    let dues = due(world, mishaps);
    let played = if world.main.outside.is_empty() { play(world, mishaps) } else { play_pad(world, mishaps) };
    let mut verdict =
        Verdict { name: name.into(), what: what.into(), allowed_lost: allowed.lost, ..Verdict::default() };
    let most = allowed.error_ms.max(MOST_ERROR_MS);
    hear(world, &played, dues, shift, most, &mut verdict);
    notice(world, &played, at, &mut verdict);
    let lost = verdict.missed + verdict.late;
    verdict.passed = verdict.due > 3
        && lost <= allowed.lost
        && verdict.lost_with_device <= allowed.with_device
        && verdict.doubled <= allowed.doubled
        && verdict.largest_error_ms <= most
        && (verdict.level_step_db <= MOST_STEP_DB || allowed.doubled > 1)
        && (!allowed.noticed || verdict.detected_ms.is_some());
    verdict
}

/// 0.1 ms, and half a frame of each machine.
const MOST_ERROR_MS: f64 = 0.1 + 0.021;
/// A hit that is made by two machines in phase would be 6 dB louder.
const MOST_STEP_DB: f64 = 1.5;

fn hear(world: &World, played: &Played, dues: Vec<Due>, shift: i64, most: f64, verdict: &mut Verdict) {
    let rate = world.set.rate;
    let mut listener = Listener::new(Listener::templates(&world.set), rate, 1);
    let end = world.frames - rate.frames(0.3).0;
    let places: Vec<i64> = dues.iter().map(|due| due.frame.0 + shift).collect();
    for mut due in dues {
        due.frame = due.frame + Frames(shift);
        due.cut = due.cut.map(|cut| cut + Frames(shift));
        if due.frame.0 < end {
            listener.expect(due);
        }
    }
    let heard = &played.ear[..(end as usize).min(played.ear.len())];
    let (mut at, mut gap) = (0usize, 0i64);
    while at < heard.len() {
        if let Some((from, to)) = played.lost.iter().find(|(from, to)| (*from..*to).contains(&(at as i64))) {
            (at, gap) = (*to as usize, to - from);
            continue;
        }
        let until = played.lost.iter().map(|lost| lost.0 as usize).filter(|lost| *lost > at).min();
        let to = (at + 4096).min(heard.len()).min(until.unwrap_or(usize::MAX));
        listener.hear(FramePos(at as i64), Frames(gap), &[&heard[at..to]]);
        (at, gap) = (to, 0);
    }
    let found = listener.finish();
    let ms = |frames: f64| frames * 1000.0 / f64::from(rate.hertz());
    let near = |frame: i64| {
        places.iter().any(|place| (place - frame).abs() as f64 <= f64::from(rate.hertz()) / 1000.0)
    };
    verdict.due = found.all.due;
    (verdict.missed, verdict.late) = (found.all.missed, 0);
    (verdict.lost_with_device, verdict.clipped) = (found.all.lost_with_device, found.all.clipped);
    verdict.doubled = found.all.doubled;
    let mut on_time: f64 = 0.0;
    for finding in &found.findings {
        match finding.outcome {
            Outcome::Doubled | Outcome::OffLevel if split(finding, &found.findings) => {
                verdict.doubled -= u64::from(finding.outcome == Outcome::Doubled);
            }
            // A frame or two is the two machines' rounding: it counts as an error, not as late.
            Outcome::Late if ms(finding.error_frames.abs()) > most => verdict.late += 1,
            Outcome::Late => on_time = on_time.max(finding.error_frames.abs()),
            Outcome::Doubled if !near(finding.frame) => verdict.flams += 1,
            Outcome::OffLevel => verdict.level_step_db = verdict.level_step_db.max(finding.level_db.abs()),
            _ => {}
        }
    }
    let sounded = if found.all.late == 0 { found.all.largest_error_frames } else { on_time };
    verdict.largest_error_ms = (ms(sounded) * 1000.0).round() / 1000.0;
    verdict.level_step_db = (verdict.level_step_db.max(found.largest_level_error_db) * 100.0).round() / 100.0;
}

/// A hit that lies between two frames (the backup's clock is not the main's) may be explained as two hits, one on
/// either side, that together are as loud as the one.
fn split(finding: &Finding, all: &[Finding]) -> bool {
    let other = match finding.outcome {
        Outcome::Doubled => Outcome::OffLevel,
        _ => Outcome::Doubled,
    };
    let gain = |finding: &Finding| 10f64.powf(finding.level_db / 20.0);
    all.iter().any(|twin| {
        let sum = gain(finding) + gain(twin);
        twin.outcome == other && (twin.frame - finding.frame).abs() <= 2 && (0.9..1.12).contains(&sum)
    })
}

fn notice(world: &World, played: &Played, at: i64, verdict: &mut Verdict) {
    let rate = world.set.rate;
    let mut told: Vec<(i64, bool)> = Vec::new();
    let mut alive = false;
    for event in &played.backup {
        match event.what {
            What::Peer(now) => {
                if alive && now.line != LineNow::Alive {
                    told.push((event.at.0, false));
                }
                alive = now.line == LineNow::Alive;
            }
            What::Switched { source: Source::Own, .. } => told.push((event.at.0, true)),
            _ => {}
        }
    }
    for event in &played.main {
        match event.what {
            What::Switched { source: Source::Fallback, .. } => told.push((event.at.0, true)),
            What::Xrun { .. } | What::BadInput { .. } => told.push((event.at.0, false)),
            _ => {}
        }
    }
    let first = told.iter().map(|(frame, _)| *frame).filter(|frame| *frame >= at).min();
    verdict.detected_ms =
        first.map(|frame| ((frame - at) as f64 * 10_000.0 / f64::from(rate.hertz())).round() / 10.0);
    verdict.first_hit = played.backup.iter().find_map(|event| match event.what {
        What::Switched { source: Source::Own, bar, beat, .. } if event.at.0 >= at => {
            Some(format!("{bar}:{beat}"))
        }
        _ => None,
    });
}
