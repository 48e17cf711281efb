//! What is known of the night at one moment: enough to go on in phase after a kill.

use super::clock::{Fit, Reading};
use crate::click::set::Stretch;
use crate::realtime::command::{Command, Return, Undo, When};
use crate::realtime::event::RunState;
use crate::units::{Exact, FramePos, Frames, Span};
use serde::{Deserialize, Serialize};

/// One state of the night. Frames are of the timeline that the program had.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Record {
    /// Counts up with every writing.
    pub sequence: u64,
    /// "fogbell 0.1.0".
    pub program: String,
    pub show: String,
    /// SHA-256 of the show file.
    pub digest: String,
    /// Which start of the computer the clock readings belong to.
    pub boot: String,
    pub rate: u32,
    /// `None` before the device's time was known.
    pub clock: Option<Fit>,
    /// The run ended as it should: there is nothing to come back to.
    pub ended: bool,
    /// This machine's clicks sounded (where it has another one beside it).
    pub leads: bool,
    pub night: Night,
    /// Tonight's changes that wait for their songs.
    #[serde(default)]
    pub tonight: Tonight,
    /// Asked for, and perhaps not yet done.
    pub asked: Vec<Asked>,
}

/// What a person set for songs that do not sound yet.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Tonight {
    /// Song, steps of half a note value a minute, steps of a per cent.
    pub tempi: Vec<(u16, i64, i64)>,
    pub skipped: Vec<u16>,
}

/// Where the music is, and what is set for tonight.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Night {
    pub run: RunState,
    pub song: u16,
    pub title: String,
    pub leg: u16,
    pub called: bool,
    pub pass: u32,
    /// The pass's start in frames × 2⁴⁸.
    pub anchor: i128,
    pub stretch: Stretch,
    /// The pass holds from this frame on.
    pub since: FramePos,
    pub released: bool,
    /// What undo takes back.
    #[serde(default)]
    pub undo: Option<Undo>,
    pub chosen: u16,
    pub chosen_stretch: Stretch,
    pub all_out: bool,
    pub click_out: bool,
    /// A bit a click: muted, and put on the fallback by hand.
    pub mutes: u16,
    pub by_hand: u16,
}

impl Night {
    /// The night as it goes on.
    pub fn of(place: &Return, title: &str) -> Night {
        Night {
            run: place.run,
            song: place.song as u16,
            title: title.into(),
            leg: place.leg as u16,
            called: place.called,
            pass: place.pass,
            anchor: place.at.0,
            stretch: place.stretch,
            since: place.since,
            released: place.released,
            undo: place.undo,
            chosen: place.chosen as u16,
            chosen_stretch: place.chosen_stretch,
            all_out: place.all_out,
            click_out: place.click_out,
            mutes: place.mutes,
            by_hand: place.by_hand,
        }
    }
}

impl Default for Night {
    fn default() -> Night {
        Night {
            run: RunState::Stopped,
            song: 0,
            title: String::new(),
            leg: 0,
            called: false,
            pass: 0,
            anchor: 0,
            stretch: Stretch::ONE,
            since: FramePos(0),
            released: false,
            undo: None,
            chosen: 0,
            chosen_stretch: Stretch::ONE,
            all_out: false,
            click_out: false,
            mutes: 0,
            by_hand: 0,
        }
    }
}

/// A command on its way: written down before it is sent.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Asked {
    pub id: u64,
    pub when: When,
    pub deed: Deed,
}

/// Commands that change what a night goes on from.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Deed {
    Choose { song: usize },
    Start,
    GoTo { song: usize, leg: usize, count_in: bool },
    Stop,
    AllBack,
    ClickOut,
    ClickBack,
    OneIsNow,
    ShiftBeats { beats: i32 },
    Nudge { frames: i64 },
    Undo,
    Release,
    Mute { click: usize, muted: bool },
    Tempo { stretch: Stretch },
    UseFallback { click: usize, on: bool },
}

impl Deed {
    /// `None` for what leaves no trace in a night, and for all out, which waits for nothing.
    pub fn of(command: &Command) -> Option<Deed> {
        Some(match *command {
            Command::Choose { song } => Deed::Choose { song },
            Command::Start => Deed::Start,
            Command::GoTo { song, leg, count_in } => Deed::GoTo { song, leg, count_in },
            Command::Stop => Deed::Stop,
            Command::AllBack => Deed::AllBack,
            Command::ClickOut => Deed::ClickOut,
            Command::ClickBack => Deed::ClickBack,
            Command::OneIsNow => Deed::OneIsNow,
            Command::ShiftBeats(beats) => Deed::ShiftBeats { beats },
            Command::Nudge(later) => Deed::Nudge { frames: later.0 },
            Command::Undo => Deed::Undo,
            Command::Release => Deed::Release,
            Command::MuteClick { click, muted } => Deed::Mute { click, muted },
            Command::Tempo(stretch) => Deed::Tempo { stretch },
            Command::UseFallback { click, on } => Deed::UseFallback { click, on },
            _ => return None,
        })
    }

    pub fn command(self) -> Command {
        match self {
            Deed::Choose { song } => Command::Choose { song },
            Deed::Start => Command::Start,
            Deed::GoTo { song, leg, count_in } => Command::GoTo { song, leg, count_in },
            Deed::Stop => Command::Stop,
            Deed::AllBack => Command::AllBack,
            Deed::ClickOut => Command::ClickOut,
            Deed::ClickBack => Command::ClickBack,
            Deed::OneIsNow => Command::OneIsNow,
            Deed::ShiftBeats { beats } => Command::ShiftBeats(beats),
            Deed::Nudge { frames } => Command::Nudge(Frames(frames)),
            Deed::Undo => Command::Undo,
            Deed::Release => Command::Release,
            Deed::Mute { click, muted } => Command::MuteClick { click, muted },
            Deed::Tempo { stretch } => Command::Tempo(stretch),
            Deed::UseFallback { click, on } => Command::UseFallback { click, on },
        }
    }

    /// What changes gains only: done at once, wherever the music is.
    pub const fn is_gain(self) -> bool {
        matches!(self, Deed::AllBack | Deed::ClickOut | Deed::ClickBack | Deed::Mute { .. })
    }
}

impl Record {
    /// The same night on a timeline of another rate. Rounding: anchors to 2⁻⁴⁸ frame, frames to the nearest.
    pub fn at_rate(mut self, rate: u32) -> Record {
        let (to, from) = (i128::from(rate.max(1)), i128::from(self.rate.max(1)));
        if to == from {
            return self;
        }
        let frame = |frame: FramePos| Exact(scale(Exact::at(frame).0, to, from)).nearest();
        self.night.anchor = scale(self.night.anchor, to, from);
        self.night.since = frame(self.night.since);
        match &mut self.night.undo {
            Some(Undo::Move(moved)) => moved.0 = scale(moved.0, to, from),
            Some(Undo::Nudge(later)) => later.0 = frame(FramePos(later.0)).0,
            None => {}
        }
        if let Some(clock) = &mut self.clock {
            // The reading stays exact in time: its frame need not be a whole one.
            clock.frame_ns *= from as f64 / to as f64;
            let frame_ns = clock.frame_ns;
            let there = |at: &mut Reading| {
                let place = Span(scale(Exact::at(at.frame).0, to, from));
                let off = (place - Span::frames(place.nearest())).as_f64();
                at.frame = FramePos(place.nearest().0);
                at.ns -= (off * frame_ns).round() as i64;
            };
            there(&mut clock.at);
            clock.row.begun.as_mut().into_iter().for_each(there);
        }
        for asked in &mut self.asked {
            asked.when = match asked.when {
                When::Frame(at) => When::Frame(frame(at)),
                When::BeatFrom(at) => When::BeatFrom(frame(at)),
                When::BarFrom(at) => When::BarFrom(frame(at)),
                when => when,
            };
            if let Deed::Nudge { frames } = &mut asked.deed {
                *frames = frame(FramePos(*frames)).0;
            }
        }
        self.rate = rate;
        self
    }
}

fn scale(place: i128, to: i128, from: i128) -> i128 {
    // Both parts fit: a place of ten years at 384 kHz has 95 bits.
    let (whole, rest) = (place.div_euclid(from), place.rem_euclid(from));
    whole.saturating_mul(to).saturating_add(rest * to / from)
}

#[cfg(test)]
pub(super) mod tests {
    use super::super::clock::Row;
    use super::*;

    pub fn record() -> Record {
        Record {
            sequence: 7,
            program: "fogbell 0.1.0".into(),
            show: "Saltmarsh Five".into(),
            digest: "ab".into(),
            boot: "b".into(),
            rate: 48_000,
            clock: Some(Fit {
                at: Reading { frame: FramePos(480_000), ns: 10_000_000_000 },
                frame_ns: 1e9 / 48_000.0,
                measured: true,
                row: Row::default(),
            }),
            ended: false,
            leads: true,
            night: Night {
                run: RunState::Playing,
                title: "Low Tide".into(),
                anchor: 24_000 << 48,
                ..Night::default()
            },
            tonight: Tonight { tempi: vec![(2, -4, 0)], skipped: vec![3] },
            asked: vec![Asked { id: 3, when: When::BarFrom(FramePos(481_000)), deed: Deed::Stop }],
        }
    }

    #[test]
    fn at_another_rate_everything_is_at_the_same_time() {
        let there = record().at_rate(44_100);
        assert_eq!(there.night.anchor, 22_050 << 48);
        let clock = there.clock.unwrap();
        assert_eq!((clock.at.frame, clock.at.ns), (FramePos(441_000), 10_000_000_000));
        assert_eq!(there.asked[0].when, When::BarFrom(FramePos(441_919)));
        let mut odd = record();
        odd.clock.as_mut().unwrap().at.frame = FramePos(480_001);
        odd.clock.as_mut().unwrap().row.begun = Some(Reading { frame: FramePos(-480), ns: 5_000 });
        let there = odd.at_rate(44_100).clock.unwrap();
        // 480,001 frames are 441,000.91875 of the others.
        assert_eq!(there.at.frame, FramePos(441_001));
        assert!((there.at.ns - 10_000_001_842).abs() <= 1, "{there:?}");
        assert_eq!(there.row.begun, Some(Reading { frame: FramePos(-441), ns: 5_000 }));
    }

    #[test]
    fn what_undo_takes_back_is_as_long_at_another_rate() {
        for (there, here) in [
            (Undo::Move(Span(-480 << 48)), Undo::Move(Span(-441 << 48))),
            (Undo::Nudge(Frames(240)), Undo::Nudge(Frames(221))),
            (Undo::Nudge(Frames(-480)), Undo::Nudge(Frames(-441))),
        ] {
            let mut kept = record();
            kept.night.undo = Some(there);
            assert_eq!(kept.at_rate(44_100).night.undo, Some(here));
        }
    }

    #[test]
    fn a_record_from_before_undo_and_the_row_were_kept_is_read() {
        let text = serde_json::to_string(&record()).unwrap();
        let older = text.replace("\"undo\":null,", "");
        assert_ne!(older, text);
        let row = r#","row":{"begun":null,"slope":{"square":0.0,"product":0.0}}"#;
        assert!(older.contains(row), "{older}");
        let older = older.replace(row, "");
        assert_eq!(serde_json::from_str::<Record>(&older).unwrap(), record());
        let mut kept = record();
        kept.night.undo = Some(Undo::Move(Span(-(5 << 60) - 1)));
        assert_eq!(serde_json::from_str::<Record>(&serde_json::to_string(&kept).unwrap()).unwrap(), kept);
    }

    #[test]
    fn a_deed_is_its_command() {
        for deed in [Deed::Start, Deed::Nudge { frames: -5 }, Deed::GoTo { song: 1, leg: 2, count_in: true }]
        {
            assert_eq!(Deed::of(&deed.command()), Some(deed));
        }
        assert_eq!(Deed::of(&Command::AllOut), None, "all out waits for nothing");
    }
}
