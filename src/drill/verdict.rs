//! One failure, judged: what the ear counted, and whether that is what was promised.

use super::allowed::{Allowance, Losses};
use super::hearing::Figures;
use serde::Serialize;

/// One failure, judged. All but `detected_ms` is counted from the sound that came out.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Verdict {
    pub name: String,
    /// In a player's words.
    pub what: String,
    /// What was promised was kept, or a limit of the wiring showed that the program tells of (`known_limit`).
    pub passed: bool,
    /// What this wiring cannot do better, in words, where that showed.
    pub known_limit: Option<String>,
    /// What fell short, a sentence each.
    pub fell_short: Vec<String>,
    /// From the failure until the line was judged bad, or the switch, by the machine's own word; `null` where nothing had
    /// to be noticed.
    pub detected_ms: Option<f64>,
    /// First hit that was heard after the loss, as bar:beat, and how long after.
    pub first_hit: Option<String>,
    pub first_hit_ms: Option<f64>,
    pub due: u64,
    pub missed: u64,
    pub late: u64,
    pub lost_with_device: u64,
    pub clipped: u64,
    /// Hits that were not due, more than 1 ms from one that was, or where none was.
    pub flams: u64,
    /// Hits that were not due, within 1 ms of one that was.
    pub in_phase_doubles: u64,
    /// All hits that were not due.
    pub doubled: u64,
    /// Of hits that were not late.
    pub largest_error_ms: f64,
    /// The largest step from a hit's planned level; two clicks in phase are +6 dB.
    pub level_step_db: f64,
    pub allowed_lost: u64,
}

/// Holds what was counted against what was promised. `at`: when the failure came, in frames of the ear.
pub fn verdict(
    names: (&str, &str),
    figures: &Figures,
    detected_ms: Option<f64>,
    at: Option<i64>,
    losses: &Losses,
    allowed: &Allowance,
) -> Verdict {
    let noticed = detected_ms.is_some();
    let mut fell_short = allowed.shortfalls(figures, losses, noticed);
    let mut known_limit = None;
    if !fell_short.is_empty()
        && let Some(beyond) = allowed.at_its_limit(figures, losses, noticed)
    {
        if beyond.is_empty() {
            known_limit = allowed.limit.map(|limit| limit.words.to_string());
        }
        fell_short = beyond;
    }
    let first = at.and_then(|at| Some((at, figures.first_after(at)?)));
    let tenths = |ms: f64| (ms * 10.0).round() / 10.0;
    Verdict {
        name: names.0.into(),
        what: names.1.into(),
        passed: fell_short.is_empty(),
        known_limit,
        fell_short,
        detected_ms: detected_ms.map(tenths),
        first_hit_ms: first
            .as_ref()
            .map(|(at, (place, _))| tenths((place - at) as f64 * 1000.0 / losses.frames_a_second)),
        first_hit: first.map(|(_, (_, bar_and_beat))| bar_and_beat),
        due: figures.due,
        missed: figures.missed,
        late: figures.late,
        lost_with_device: figures.lost_with_device,
        clipped: figures.clipped,
        flams: figures.flams,
        in_phase_doubles: figures.in_phase,
        doubled: figures.doubled(),
        largest_error_ms: figures.largest_error_ms,
        level_step_db: figures.level_step_db,
        allowed_lost: allowed.lost,
    }
}
