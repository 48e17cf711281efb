//! What the contract allows for a failure, and in which words a figure goes beyond it.

use super::hearing::Figures;

/// Where a hit that is lost or late may have been due: in the blind window after the loss, or after it was known.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Place {
    /// The loss cannot be known before so many milliseconds, whatever the window.
    pub unknown_ms: f64,
    /// The first hit after that may be lost as well, however long after: on a mixer channel of its own an absent click is
    /// known only after it was due.
    pub first: bool,
}

/// Beyond what is promised, and known: a wiring cannot do better, and the program says so in words.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Limit {
    pub words: &'static str,
    pub lost: u64,
    /// Where those may lie.
    pub unknown_ms: f64,
    pub doubled: u64,
}

/// What is promised.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Allowance {
    /// Hits that may be missed or late.
    pub lost: u64,
    pub place: Place,
    /// Hits that may be lost with frames that nobody asked for, or late by at most 5 ms because of them.
    pub with_device: u64,
    /// Tails that a dead machine may cut.
    pub clipped: u64,
    pub doubled: u64,
    /// Of hits that are not called late, in milliseconds: the click of a device that is followed by ear has an attack
    /// of its own.
    pub error_ms: f64,
    /// The failure must be noticed.
    pub noticed: bool,
    pub limit: Option<Limit>,
}

/// 0.1 ms, and half a frame of each machine.
pub(super) const MOST_ERROR_MS: f64 = 0.1 + 0.021;
/// A hit that is made by two machines in phase would be 6 dB louder.
const MOST_STEP_DB: f64 = 1.5;
/// Fewer due hits than this prove nothing.
const LEAST_DUE: u64 = 4;

/// When something happened, against which a lost hit's place is held. In frames of the one who hears, as all places.
#[derive(Clone, Debug, Default)]
pub struct Losses {
    pub moments: Vec<i64>,
    /// What began so shortly before may be lost with it.
    pub cut: i64,
    /// The blind window.
    pub window: i64,
    pub frames_a_second: f64,
}

impl Losses {
    fn ms(&self, frames: i64) -> f64 {
        frames as f64 * 1000.0 / self.frames_a_second
    }

    /// From the last thing that happened before a hit to that hit; below 0 when it was cut.
    fn after(&self, hit: i64) -> Option<i64> {
        self.moments.iter().map(|at| hit - at).filter(|after| *after >= -self.cut).min()
    }

    fn covers(&self, hit: i64, place: Place, due: &[i64]) -> bool {
        let unknown = place.unknown_ms * self.frames_a_second / 1000.0;
        let Some(after) = self.after(hit) else { return false };
        let first = |at: &i64| {
            let known = *at as f64 + unknown;
            due.iter().copied().find(|due| *due as f64 >= known) == Some(hit)
        };
        after as f64 <= unknown + self.window as f64 || place.first && self.moments.iter().any(first)
    }
}

impl Allowance {
    pub fn most_error_ms(&self) -> f64 {
        self.error_ms.max(MOST_ERROR_MS)
    }

    /// Everything that falls short, a sentence each; nothing when it held.
    pub fn shortfalls(&self, figures: &Figures, losses: &Losses, noticed: bool) -> Vec<String> {
        let mut told = Vec::new();
        let mut most = |what: &str, found: u64, allowed: u64| {
            if found > allowed {
                told.push(format!("{found} {what}, {allowed} allowed"));
            }
        };
        most("hits missed or late", figures.missed + figures.late, self.lost);
        most("hits lost with the device", figures.lost_with_device, self.with_device);
        most("hits cut short", figures.clipped, self.clipped);
        most("hits too many", figures.doubled(), self.doubled);
        if figures.due < LEAST_DUE {
            told.push(format!("only {} hits were due: nothing is proved", figures.due));
        }
        if figures.largest_error_ms > self.most_error_ms() {
            told.push(format!(
                "a hit {:.3} ms off, {:.3} ms allowed",
                figures.largest_error_ms,
                self.most_error_ms()
            ));
        }
        if figures.level_step_db.abs() > MOST_STEP_DB {
            told.push(format!("a level step of {:+.1} dB", figures.level_step_db));
        }
        if self.noticed && !noticed {
            told.push("nobody noticed".into());
        }
        told.extend(self.misplaced(figures, losses));
        told
    }

    /// A lost hit that was not due where one may be lost.
    fn misplaced(&self, figures: &Figures, losses: &Losses) -> Option<String> {
        let stray = figures.amiss.iter().find(|hit| !losses.covers(**hit, self.place, &figures.places))?;
        let most = self.place.unknown_ms + losses.ms(losses.window);
        let or_first = if self.place.first { " and not the first" } else { "" };
        Some(match losses.after(*stray) {
            Some(after) => {
                let after = losses.ms(after);
                format!("a hit lost or late {after:.1} ms after the loss, not within {most:.1} ms{or_first}")
            }
            None => "a hit lost or late before anything had failed".into(),
        })
    }

    /// The same with what the wiring cannot do better; `None` when the contract knows no such limit.
    pub fn at_its_limit(&self, figures: &Figures, losses: &Losses, noticed: bool) -> Option<Vec<String>> {
        let limit = self.limit?;
        let wider = Allowance {
            lost: self.lost + limit.lost,
            place: Place { unknown_ms: self.place.unknown_ms.max(limit.unknown_ms), ..self.place },
            doubled: self.doubled + limit.doubled,
            ..*self
        };
        // Two clicks in phase are louder: that is what the limit says.
        let level_step_db = if limit.doubled > 0 { 0.0 } else { figures.level_step_db };
        let figures = Figures { level_step_db, ..figures.clone() };
        Some(wider.shortfalls(&figures, losses, noticed))
    }
}
