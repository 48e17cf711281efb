//! What a run ends with: six lines for a player, or one JSON object.

use crate::device::second::{self, SecondHealth};
use crate::exposure::{Figures, words::account as words_of_ears};
use crate::listener::Verdict;
use crate::realtime::event::Cause;
use crate::telemetry::LoadSummary;
use crate::telemetry::words::because;
use crate::units::SampleRate;
use serde::Serialize;
use std::path::PathBuf;

/// Why a run ended.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case", tag = "end", content = "why")]
pub enum End {
    /// As asked: its time was over, the music had ended, or a key said so.
    AsAsked,
    /// The device or its server is gone, or its clock has stopped.
    DeviceLost(String),
    /// Asked to end by a signal.
    Signal,
    /// The device runs at another rate: the night goes on in a new program.
    OtherRate(u32),
}

/// One switch of a click's source.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Switch {
    pub seconds: f64,
    pub click: String,
    pub source: crate::realtime::event::Source,
    pub cause: Cause,
    pub song: String,
    pub bar: i32,
    pub beat: u16,
}

impl Switch {
    /// Not by plan: something failed.
    pub fn is_fault(&self) -> bool {
        !matches!(self.cause, Cause::Plan | Cause::ByHand)
    }
}

/// Everything about a run that is over.
#[derive(Clone, Debug, Serialize)]
pub struct Report {
    pub show: String,
    pub device: String,
    pub rate: SampleRate,
    pub seconds: f64,
    #[serde(flatten)]
    pub end: End,
    #[serde(flatten)]
    pub verdict: Verdict,
    /// All changes of a click's source that were not by plan.
    pub switches: usize,
    pub switched: Vec<Switch>,
    pub xruns: u64,
    /// How much of its time each callback took.
    pub load: LoadSummary,
    /// Pieces of the recording that came too late to be judged or written.
    pub tap_dropped: u64,
    pub priority: Option<String>,
    /// How the second interface went.
    pub second: Option<SecondHealth>,
    pub log: Option<PathBuf>,
    pub record: Option<PathBuf>,
    /// How loud each feed was in the ears, as far as that can be known.
    pub exposure: Vec<Figures>,
    /// The feeds of which the rig says something.
    #[serde(skip)]
    pub calibrated: Vec<String>,
    /// A song was asked for: then a run in which nothing was due fell short.
    #[serde(skip)]
    pub wanted: bool,
    pub refused_songs: Vec<String>,
    pub offers: Vec<String>,
}

impl Report {
    /// All that was due sounded, nothing else did, and nothing broke.
    pub fn good(&self) -> bool {
        self.verdict.clean()
            && !matches!(self.end, End::DeviceLost(_))
            && (self.verdict.all.due > 0 || !self.wanted)
    }

    /// Six lines, and one for a second interface.
    pub fn lines(&self) -> Vec<String> {
        let all = &self.verdict.all;
        let worst_ms = all.largest_error_frames * 1000.0 / f64::from(self.rate.hertz());
        let heard = format!("heard   {} on their frame and at their level", all.sounded);
        let mut missed = format!("missed  {}", all.missed);
        for (count, words) in [
            (all.late, "late or moved"),
            (all.off_level, "at another level"),
            (all.clipped, "cut short"),
            (all.lost_with_device, "lost with the device"),
            (all.unheard, "not recorded"),
        ] {
            if count > 0 {
                missed.push_str(&format!(", {count} {words}"));
            }
        }
        let mut lines = vec![
            format!("due     {} hits on {} outputs", all.due, self.verdict.per_channel.len()),
            heard,
            missed,
            format!("flams   {} (a hit that was not due)", all.doubled),
            format!("worst   {worst_ms:.3} ms from its place"),
            format!("sound   {}", self.sounding()),
        ];
        let second = self.second.as_ref();
        lines.extend(
            second.map(|health| format!("inputs  {}, {} slips", second::words(health), health.slips)),
        );
        lines
    }

    /// How loud it was in the ears that the rig knows something of.
    pub fn ears(&self) -> Vec<String> {
        let known = self.exposure.iter().filter(|figures| self.calibrated.contains(&figures.feed));
        known.flat_map(words_of_ears).collect()
    }

    /// What sounded when.
    fn sounding(&self) -> String {
        let faults: Vec<String> = self
            .switched
            .iter()
            .filter(|switch| switch.is_fault())
            .map(|switch| {
                format!(
                    "from {:.2} s ({} bar {}.{}) the {} click was made by this laptop: {}",
                    switch.seconds,
                    switch.song,
                    switch.bar,
                    switch.beat,
                    switch.click,
                    because(switch.cause)
                )
            })
            .collect();
        if self.verdict.all.due == 0 {
            return "nothing was due, nothing sounded".into();
        }
        if faults.is_empty() { "every click came from where it should".into() } else { faults.join("; ") }
    }
}

impl End {
    /// Why there is no device any more, where that is why.
    pub fn device_lost(&self) -> Option<&str> {
        if let End::DeviceLost(why) = self { Some(why) } else { None }
    }

    pub fn words(&self) -> String {
        match self {
            End::AsAsked => "as asked".into(),
            End::DeviceLost(why) => format!("the device no longer plays: {why}"),
            End::Signal => "asked to end by a signal".into(),
            End::OtherRate(rate) => format!("the device runs at {rate} now: the night goes on in a new log"),
        }
    }
}
