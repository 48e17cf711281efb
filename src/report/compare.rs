//! Several nights side by side: what is getting worse?

use super::night::Night;
use super::run::{External, Kind, Run, What};
use crate::log::entry::DeviceDid;
use crate::log::kept;
use serde::Serialize;

/// A figure over the nights.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Row {
    pub name: &'static str,
    pub unit: &'static str,
    pub digits: usize,
    /// One a night; `None` where it was not measured.
    pub values: Vec<Option<f64>>,
    pub trend: Trend,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Trend {
    Worse,
    Better,
    Steady,
    /// Fewer than two nights have it.
    Unknown,
}

impl Trend {
    pub const fn word(self) -> &'static str {
        match self {
            Trend::Worse => "WORSE",
            Trend::Better => "better",
            Trend::Steady => "steady",
            Trend::Unknown => "",
        }
    }
}

impl Row {
    pub fn shown(&self, value: Option<f64>) -> String {
        value.map_or("-".into(), |value| {
            format!("{value:.digits$} {}", self.unit, digits = self.digits).trim_end().into()
        })
    }
}

/// What is compared: more is worse in all of them. `large`: a change that is one.
type Figure = (&'static str, &'static str, usize, f64, fn(&Night) -> Option<f64>);

const FIGURES: [Figure; 14] = [
    ("hits not as planned", "", 0, 0.5, not_as_planned),
    ("largest distance from its place", "ms", 3, 0.05, worst_ms),
    ("switches to the fallback", "", 0, 0.5, |night| counted(night, Kind::Switch)),
    ("hits that the fallback took over", "", 0, 0.5, |night| counted(night, Kind::Covered)),
    ("times the computer was late", "", 0, 0.5, |night| counted(night, Kind::Xrun)),
    ("times an interface was lost", "", 0, 0.5, lost),
    ("callback, median", "%", 2, 1.0, |night| load(night, |load| load.median_percent)),
    ("callback, one in a hundred", "%", 1, 5.0, |night| load(night, |load| load.p99_percent)),
    ("callback, the longest", "%", 1, 20.0, |night| load(night, |load| load.largest_percent)),
    ("limiter, the deepest", "dB", 1, 1.0, |night| {
        night
            .runs
            .iter()
            .filter(|run| run.loudest_db.is_some())
            .map(|run| -run.deepest_limiter_db)
            .reduce(f64::max)
    }),
    ("round trip", "frames", 2, 0.5, round_trip),
    ("spread of the click from outside", "ms", 2, 0.5, |night| external(night, |one| one.spread_ms)),
    ("clock of the click from outside, off by", "ppm", 0, 20.0, |night| {
        external(night, |one| one.drift_ppm.abs())
    }),
    ("in the loudest ears, on average", "dBA", 0, 2.0, dba),
];

/// A night of which results alone are kept counts nothing.
fn counted(night: &Night, kind: Kind) -> Option<f64> {
    (!night.runs.is_empty()).then(|| night.count(kind) as f64)
}

fn lost(night: &Night) -> Option<f64> {
    let lost = |what: &What| matches!(what, What::Device(told) if told.what == DeviceDid::Lost);
    let all = night.runs.iter().flat_map(|run| &run.events).filter(|event| lost(&event.what)).count();
    (!night.runs.is_empty()).then_some(all as f64)
}

fn external(night: &Night, of: fn(&External) -> f64) -> Option<f64> {
    night.runs.iter().flat_map(|run| &run.external).map(of).reduce(f64::max)
}

fn dba(night: &Night) -> Option<f64> {
    let figures = night.runs.iter().flat_map(|run| &run.exposure);
    figures.filter_map(|figures| figures.calibrated.as_ref()?.mean_dba).reduce(f64::max)
}

fn load(night: &Night, of: fn(&crate::telemetry::LoadSummary) -> f64) -> Option<f64> {
    night.runs.iter().filter_map(|run| run.load.as_ref()).map(of).reduce(f64::max)
}

fn not_as_planned(night: &Night) -> Option<f64> {
    let verdicts = night.runs.iter().filter_map(|run| run.verdict.as_ref());
    verdicts
        .map(|verdict| {
            (verdict.all.due - verdict.all.sounded.min(verdict.all.due) + verdict.all.doubled) as f64
        })
        .reduce(|a, b| a + b)
}

fn worst_ms(night: &Night) -> Option<f64> {
    night.runs.iter().filter_map(Run::worst_ms).reduce(f64::max)
}

fn round_trip(night: &Night) -> Option<f64> {
    let latest = night.kept.iter().rev().filter(|kept| kept.kind == kept::Kind::Latency);
    latest.filter_map(|kept| kept.result.get("round_trip_frames")?.as_f64()).next()
}

pub fn rows(nights: &[Night]) -> Vec<Row> {
    let rows = FIGURES.iter().map(|(name, unit, digits, large, of)| {
        let values: Vec<Option<f64>> = nights.iter().map(of).collect();
        Row { name, unit, digits: *digits, trend: trend(&values, *large), values }
    });
    rows.filter(|row| row.values.iter().any(Option::is_some)).collect()
}

/// What is usual: the median of the nights before the last; that last one is told beside it.
fn usual(values: &[Option<f64>]) -> Option<(f64, f64)> {
    let last = values.last().copied().flatten()?;
    let mut before: Vec<f64> = values[..values.len() - 1].iter().copied().flatten().collect();
    before.sort_by(f64::total_cmp);
    Some((*before.get(before.len() / 2)?, last))
}

/// More by `large` and by a fifth is another.
fn is_another(from: f64, to: f64, large: f64) -> bool {
    let change = (to - from).abs();
    change >= large && change >= 0.2 * from.abs()
}

/// Nights in a row, the last one with them, of which each was worse than the one before, and by how much in all.
fn rising(values: &[Option<f64>]) -> (usize, f64) {
    let known: Vec<f64> = values.iter().copied().flatten().collect();
    let rises = known.windows(2).rev().take_while(|pair| pair[1] > pair[0]).count();
    let first = known.len().checked_sub(rises + 1).and_then(|at| known.get(at));
    (rises, first.copied().unwrap_or(0.0))
}

/// The last night against what is usual; a slow creep over three nights and more is worse, too.
fn trend(values: &[Option<f64>], large: f64) -> Trend {
    let Some((usual, last)) = usual(values) else { return Trend::Unknown };
    let (rises, first) = rising(values);
    match is_another(usual, last, large) {
        true if last > usual => Trend::Worse,
        true => Trend::Better,
        false if rises >= 2 && is_another(first, last, large) => Trend::Worse,
        false => Trend::Steady,
    }
}

/// In words: "callback, one in a hundred: 31.0 % on the last night, 12.0 % as a rule before (12.0 → 14.0 → 31.0)".
pub fn worse(rows: &[Row]) -> Vec<String> {
    let worse = rows.iter().filter(|row| row.trend == Trend::Worse);
    worse
        .map(|row| {
            let known: Vec<Option<f64>> = row.values.iter().copied().filter(Option::is_some).collect();
            let (usual, last) = usual(&known).unwrap_or_default();
            let (rises, _) = rising(&known);
            let creep = if rises >= 2 { format!(", up {rises} nights in a row") } else { String::new() };
            let all: Vec<String> = row
                .values
                .iter()
                .map(|value| {
                    value.map_or("-".into(), |value| format!("{value:.digits$}", digits = row.digits))
                })
                .collect();
            format!(
                "{}: {} on the last night, {} as a rule before{creep} ({})",
                super::words::capital(row.name),
                row.shown(Some(last)),
                row.shown(Some(usual)),
                all.join(" \u{2192} ")
            )
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_last_night_is_held_against_the_ones_before() {
        let of = |values: &[f64]| trend(&values.iter().map(|value| Some(*value)).collect::<Vec<_>>(), 5.0);
        assert_eq!(of(&[12.0, 14.0, 31.0]), Trend::Worse);
        assert_eq!(of(&[31.0, 14.0, 12.0]), Trend::Better);
        assert_eq!(of(&[12.0, 14.0, 13.0]), Trend::Steady);
        assert_eq!(of(&[12.0]), Trend::Unknown);
        assert_eq!(trend(&[Some(3.0), None], 0.5), Trend::Unknown);
        // It creeps: no night is far from the usual one, and the last is far from the first.
        assert_eq!(of(&[20.0, 22.0, 24.0, 26.0]), Trend::Worse);
        assert_eq!(of(&[26.0, 22.0, 24.0, 26.0]), Trend::Steady);
    }
}
