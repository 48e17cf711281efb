//! Files to runs and kept results: also such as are torn, lie in each other, or are none of ours.

use super::kept::Kept;
use super::night::Nights;
use super::run::Run;
use crate::log::entry::{Entry, Line};
use crate::log::read::{self, Told};
use serde::Serialize;
use std::io::BufRead;

/// Lines of one run were opened at one moment; computers' clocks are set while they run, by less than this.
const SAME_RUN_MS: i64 = 1500;
/// After a leap of the clock the next line of a run comes within this time: levels come each second.
const GOES_ON_MS: u64 = 20_000;
const MOST_RUNS: usize = 64;
const MOST_KEPT: usize = 500;
/// Faulty lines that are told one by one.
const MOST_TOLD: usize = 3;

/// What was left out of a file, in words.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct LeftOut {
    pub file: String,
    pub what: Vec<String>,
}

/// Takes files, one after the other, in any order.
#[derive(Debug, Default)]
pub struct Gather {
    runs: Vec<Run>,
    kept: Vec<Kept>,
    left_out: Vec<LeftOut>,
}

/// A run that is being read.
struct Open {
    run: Run,
    /// When it was opened, by its own lines, in milliseconds since 1970.
    opened: Option<i64>,
    last_ms: u64,
}

#[derive(Default)]
struct File {
    name: String,
    open: Vec<Open>,
    /// Index of the run that the last line was of.
    last: usize,
    lines: u64,
    unknown: u64,
    faults: u64,
    told: Vec<String>,
    torn: Option<usize>,
    kept: Vec<Kept>,
    more_kept: u64,
    more_runs: u64,
}

impl Gather {
    /// Reads one file to its end, or as far as it can be read.
    pub fn file(&mut self, name: &str, input: impl BufRead) {
        let mut file = File { name: name.into(), ..File::default() };
        let read = read::each(input, |number, told| file.take(number, told));
        if let Err(why) = read {
            file.told.push(format!("it could not be read on: {why}"));
        }
        let left_out = file.left_out();
        for open in &mut file.open {
            open.run.finish();
        }
        self.runs.extend(file.open.into_iter().map(|open| open.run));
        let room = MOST_KEPT.saturating_sub(self.kept.len());
        self.kept.extend(file.kept.into_iter().take(room));
        if !left_out.is_empty() {
            self.left_out.push(LeftOut { file: name.into(), what: left_out });
        }
    }

    /// A file that is not there, or that none may read.
    pub fn missing(&mut self, name: &str, why: &str) {
        self.left_out.push(LeftOut { file: name.into(), what: vec![format!("it could not be read: {why}")] });
    }

    /// Everything, sorted into nights.
    pub fn nights(self) -> Nights {
        Nights::of(self.runs, self.kept, self.left_out)
    }
}

impl File {
    fn take(&mut self, number: usize, told: Told) {
        match told {
            Told::Line(line) => self.line(line),
            Told::Torn => self.torn = Some(number),
            Told::Fault(fault) => {
                self.faults += 1;
                if self.told.len() < MOST_TOLD {
                    self.told.push(format!("line {}, column {}: {}", fault.line, fault.column, fault.what));
                }
            }
        }
    }

    fn line(&mut self, line: Line) {
        self.lines += 1;
        self.unknown += u64::from(line.entry == Entry::Unknown);
        if let Entry::Kept { kind, result } = line.entry {
            if self.kept.len() < MOST_KEPT {
                self.kept.push(Kept::of(&self.name, kind, &line.time, result));
            } else {
                self.more_kept += 1;
            }
            return;
        }
        let opened = moment(&line.time).map(|time| time - line.ms as i64);
        let Some(index) = self.run_of(&line, opened) else {
            self.more_runs += 1;
            return;
        };
        self.last = index;
        if let Some(open) = self.open.get_mut(index) {
            open.last_ms = line.ms;
            open.opened = opened.or(open.opened);
            open.run.take(line);
        }
    }

    /// The run that a line is of: a new one when it begins one, or when it fits none.
    fn run_of(&mut self, line: &Line, opened: Option<i64>) -> Option<usize> {
        let begins = matches!(line.entry, Entry::Start(_));
        let apart = |open: &Open| Some((open.opened? - opened?).abs());
        let near = self.open.iter().enumerate().filter_map(|(index, open)| Some((apart(open)?, index)));
        let near = near.filter(|(apart, _)| *apart <= SAME_RUN_MS).min();
        let last = self.open.get(self.last);
        let goes_on = last.is_some_and(|open| {
            opened.is_none() || line.ms.checked_sub(open.last_ms).is_some_and(|gap| gap <= GOES_ON_MS)
        });
        match near {
            // A log begins once: a second start that lies near is another run's.
            Some((_, index)) if !begins || !self.open[index].run.has_start() => Some(index),
            None if !begins && goes_on => Some(self.last),
            _ if self.open.len() < MOST_RUNS => {
                self.open.push(Open { run: Run::new(&self.name, line), opened, last_ms: line.ms });
                Some(self.open.len() - 1)
            }
            _ => None,
        }
    }

    /// What this file lacks, in words; empty for a whole log of this version.
    fn left_out(&self) -> Vec<String> {
        let mut what = Vec::new();
        let number = super::words::thousands;
        if self.lines == 0 {
            what.push(match self.faults + u64::from(self.torn.is_some()) {
                0 => "it is empty".into(),
                1 => "it is no log of this program: its one line is none of a log's".into(),
                faults => {
                    format!("it is no log of this program: none of its {} lines is a log's", number(faults))
                }
            });
            return what;
        }
        for open in &self.open {
            if !open.run.has_start() {
                what.push(format!(
                    "the beginning of the run at {} is missing: its show, its device and its bars are not known",
                    super::run::clock(&open.run.began)
                ));
            } else if open.run.end.is_none() {
                what.push(format!(
                    "the run of {} has no end: it was killed, or the computer stopped",
                    super::run::clock(&open.run.began)
                ));
            }
            if open.run.is_newer() {
                what.push(format!(
                    "it was written by a newer version ({}): what that version added is not shown",
                    open.run.program
                ));
            }
        }
        if self.unknown > 0 {
            what.push(format!("{} lines of a kind that this version does not know", number(self.unknown)));
        }
        if self.faults > 0 {
            what.push(format!("{} lines could not be read; {}", number(self.faults), self.told.join("; ")));
        } else {
            what.extend(self.told.iter().cloned());
        }
        if let Some(line) = self.torn {
            what.push(format!("line {line}, the last one, is torn"));
        }
        if self.more_kept + self.more_runs > 0 {
            what.push(format!(
                "{} lines beyond what a report holds",
                number(self.more_kept + self.more_runs)
            ));
        }
        what
    }
}

/// Milliseconds since 1970 of a time as a log writes it.
pub fn moment(time: &str) -> Option<i64> {
    time.parse::<jiff::Timestamp>().ok().map(jiff::Timestamp::as_millisecond)
}
