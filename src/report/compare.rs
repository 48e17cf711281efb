//! Several nights side by side: what is getting worse?

use super::night::Night;
use super::run::Kind;
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

const FIGURES: [Figure; 10] = [
    ("hits not as planned", "", 0, 0.5, not_as_planned),
    ("largest distance from its place", "ms", 3, 0.05, worst_ms),
    ("switches to the fallback", "", 0, 0.5, |night| Some(night.count(Kind::Switch) as f64)),
    ("hits that the fallback took over", "", 0, 0.5, |night| Some(night.count(Kind::Covered) as f64)),
    ("times the computer was late", "", 0, 0.5, |night| Some(night.count(Kind::Xrun) as f64)),
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
];

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
    let worst = night.runs.iter().filter(|run| run.rate > 0).filter_map(|run| {
        Some(run.verdict.as_ref()?.all.largest_error_frames * 1000.0 / f64::from(run.rate))
    });
    worst.reduce(f64::max)
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

/// The last night against the median of those before it: more by `large` and by a fifth is worse.
fn trend(values: &[Option<f64>], large: f64) -> Trend {
    let known: Vec<f64> = values.iter().copied().flatten().collect();
    let (Some(last), [before @ .., _]) = (values.last().copied().flatten(), known.as_slice()) else {
        return Trend::Unknown;
    };
    if before.is_empty() {
        return Trend::Unknown;
    }
    let mut before = before.to_vec();
    before.sort_by(f64::total_cmp);
    let usual = before[before.len() / 2];
    let change = last - usual;
    let enough = change.abs() >= large && change.abs() >= 0.2 * usual.abs();
    match (enough, change > 0.0) {
        (false, _) => Trend::Steady,
        (true, true) => Trend::Worse,
        (true, false) => Trend::Better,
    }
}

/// In words: "callback, one in a hundred: 12.0 % → 31.0 %".
pub fn worse(rows: &[Row]) -> Vec<String> {
    let worse = rows.iter().filter(|row| row.trend == Trend::Worse);
    worse
        .map(|row| {
            let values: Vec<String> = row.values.iter().map(|value| row.shown(*value)).collect();
            format!("{}: {}", row.name, values.join(" \u{2192} "))
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
    }
}
