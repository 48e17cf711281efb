//! Runs and kept results, sorted into nights.

use super::compare::{self, Row};
use super::gather::{LeftOut, moment};
use super::kept::Kept;
use super::mend::{self, Mend};
use super::run::{Kind, Run};
use super::summary::{self, Summary};
use jiff::civil::DateTime;
use serde::Serialize;

/// A night lasts from six in the morning to six in the morning.
const DAY_BEGINS: jiff::SignedDuration = jiff::SignedDuration::from_hours(6);

/// Everything of one night.
#[derive(Clone, Debug, Default, Serialize)]
pub struct Night {
    /// "2026-11-25"; "undated" where no line tells.
    pub date: String,
    /// Six lines.
    pub summary: Summary,
    /// What to mend before tomorrow, the first first.
    pub mends: Vec<Mend>,
    /// In the order in which they began.
    pub runs: Vec<Run>,
    /// The latest last.
    pub kept: Vec<Kept>,
}

/// All nights, the latest last.
#[derive(Clone, Debug, Default, Serialize)]
pub struct Nights {
    pub nights: Vec<Night>,
    /// A row a figure, a column a night; empty for one night.
    pub compared: Vec<Row>,
    /// What is getting worse, in words.
    pub worse: Vec<String>,
    pub left_out: Vec<LeftOut>,
}

impl Night {
    /// What is read first: six lines; where nothing was played, what was found before doors.
    pub fn first(&self) -> Vec<(&'static str, &str)> {
        if !self.runs.is_empty() || self.kept.is_empty() {
            return self.summary.lines().to_vec();
        }
        let kept = self.kept.iter().map(|kept| (kept.kind.words(), kept.shown.sentence.as_str()));
        kept.filter(|(_, sentence)| !sentence.is_empty())
            .chain([("Mend first", self.summary.mend.as_str())])
            .collect()
    }

    pub fn count(&self, kind: Kind) -> u64 {
        self.runs.iter().map(|run| run.count(kind)).sum()
    }
}

impl Nights {
    pub fn of(runs: Vec<Run>, kept: Vec<Kept>, left_out: Vec<LeftOut>) -> Nights {
        let mut nights: Vec<Night> = Vec::new();
        for run in runs {
            of(&mut nights, &run.began).runs.push(run);
        }
        for kept in kept {
            of(&mut nights, &kept.time).kept.push(kept);
        }
        nights.sort_by(|a, b| a.date.cmp(&b.date));
        for night in &mut nights {
            night.runs.sort_by_key(|run| moment(&run.began));
            night.kept.sort_by_key(|kept| moment(&kept.time));
            night.mends = mend::of(night);
            night.summary = summary::of(night);
        }
        let compared = if nights.len() > 1 { compare::rows(&nights) } else { Vec::new() };
        let worse = compare::worse(&compared);
        Nights { nights, compared, worse, left_out }
    }
}

/// The night of a time, made when it is not there.
fn of<'n>(nights: &'n mut Vec<Night>, time: &str) -> &'n mut Night {
    let date = date(time);
    let index = nights.iter().position(|night| night.date == date).unwrap_or_else(|| {
        nights.push(Night { date, ..Night::default() });
        nights.len() - 1
    });
    &mut nights[index]
}

/// The evening that a time belongs to.
fn date(time: &str) -> String {
    let local = time.get(..19).and_then(|text| text.parse::<DateTime>().ok());
    let evening = local.and_then(|local| local.checked_sub(DAY_BEGINS).ok());
    evening.map_or("undated".into(), |evening| evening.date().to_string())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_hour_after_midnight_is_still_that_night() {
        assert_eq!(date("2026-11-26T01:10:00.000+01:00"), "2026-11-25");
        assert_eq!(date("2026-11-25T18:00:00.000+01:00"), "2026-11-25");
        assert_eq!(date("2026-12-01T05:59:59+01:00"), "2026-11-30");
        assert_eq!(date("tomorrow"), "undated");
        assert_eq!(date("2026-11-25T18:00:0\u{e9}"), "undated");
    }
}
