//! What the listener found.

use crate::click::set::HitKind;
use serde::{Deserialize, Serialize};

/// How one due hit, or one that was not due, left the output.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Outcome {
    /// On its frame and within 1 dB of its planned level.
    Sounded,
    /// Below −12 dB of its planned level, or not there.
    Missed,
    /// There, on another frame (early as well).
    Late,
    /// On its frame, and between −12 dB and −1 dB, or more than 1 dB too loud.
    OffLevel,
    /// It began, at least 2 ms of it, and was cut off.
    Clipped,
    /// It fell into frames that nobody asked for.
    LostWithDevice,
    /// A hit that was not due.
    Doubled,
    /// The recording does not hold it.
    Unheard,
}

/// One hit that is worth a line.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
pub struct Finding {
    pub outcome: Outcome,
    /// Where it was due (a doubled one: where it sounded).
    pub frame: i64,
    pub channel: u16,
    pub click: Option<u8>,
    pub song: u16,
    pub bar: i32,
    pub beat: u16,
    pub subdivision: u16,
    pub kind: Option<HitKind>,
    /// Frames after the planned one, with its fraction.
    pub error_frames: f64,
    /// Against plan; minus infinity is written as −200.
    pub level_db: f64,
}

/// Counts of one click, one output channel, or all.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(default)]
pub struct Tally {
    pub due: u64,
    pub sounded: u64,
    pub missed: u64,
    pub late: u64,
    pub off_level: u64,
    pub lost_with_device: u64,
    pub clipped: u64,
    pub doubled: u64,
    /// Due, and not in the recording.
    pub unheard: u64,
    /// Of the judged ones: covered by other sound so far that an error of one frame or 1 dB could hide.
    pub blurred: u64,
    /// Over every hit that was found and not blurred.
    pub largest_error_frames: f64,
}

impl Tally {
    pub fn count(&mut self, outcome: Outcome) {
        let field = match outcome {
            Outcome::Sounded => &mut self.sounded,
            Outcome::Missed => &mut self.missed,
            Outcome::Late => &mut self.late,
            Outcome::OffLevel => &mut self.off_level,
            Outcome::Clipped => &mut self.clipped,
            Outcome::LostWithDevice => &mut self.lost_with_device,
            Outcome::Doubled => &mut self.doubled,
            Outcome::Unheard => &mut self.unheard,
        };
        *field += 1;
        self.due += u64::from(outcome != Outcome::Doubled);
    }
}

/// Everything judged. `due = sounded + missed + late + off_level + lost_with_device + clipped + unheard`;
/// a hit is counted once for each output channel it was due on.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(default)]
pub struct Verdict {
    #[serde(flatten)]
    pub all: Tally,
    /// By click index; a lane that leaves by itself is not in it.
    pub per_click: Vec<Tally>,
    /// By output channel.
    pub per_channel: Vec<Tally>,
    /// The first hits that did not sound as planned, in the order they were judged.
    pub findings: Vec<Finding>,
    /// Findings beyond the kept ones.
    pub more_findings: u64,
    /// Largest distance from the planned level of a hit that sounded, in dB.
    pub largest_level_error_db: f64,
}

/// Findings that are kept word for word.
pub const KEPT_FINDINGS: usize = 200;

impl Verdict {
    /// Every due hit sounded as planned and nothing else did.
    pub fn clean(&self) -> bool {
        self.all.sounded == self.all.due && self.all.doubled == 0
    }

    pub(super) fn add(&mut self, finding: Finding, blurred: bool) {
        let click = finding.click.map(usize::from);
        for tally in tallies(self, click, usize::from(finding.channel)) {
            tally.count(finding.outcome);
            tally.blurred += u64::from(blurred);
            if counts_for_timing(finding.outcome) && !blurred {
                tally.largest_error_frames = tally.largest_error_frames.max(finding.error_frames.abs());
            }
        }
        if finding.outcome == Outcome::Sounded {
            if !blurred {
                self.largest_level_error_db = self.largest_level_error_db.max(finding.level_db.abs());
            }
        } else if self.findings.len() < KEPT_FINDINGS {
            self.findings.push(finding);
        } else {
            self.more_findings += 1;
        }
    }
}

fn counts_for_timing(outcome: Outcome) -> bool {
    matches!(outcome, Outcome::Sounded | Outcome::Late | Outcome::OffLevel | Outcome::Clipped)
}

fn tallies(verdict: &mut Verdict, click: Option<usize>, channel: usize) -> impl Iterator<Item = &mut Tally> {
    let click = click.map(|click| slot(&mut verdict.per_click, click));
    [Some(&mut verdict.all), click, Some(slot(&mut verdict.per_channel, channel))].into_iter().flatten()
}

fn slot(list: &mut Vec<Tally>, index: usize) -> &mut Tally {
    if list.len() <= index {
        list.resize(index + 1, Tally::default());
    }
    &mut list[index]
}
