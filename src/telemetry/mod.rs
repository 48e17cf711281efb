//! What the engine tells, made readable: lines for the log, words for the screen.
//!
//! In: [`Event`]s in order. Out: [`Entry`]s, the last event in a player's words. Thread: the desk. Always: no
//! event is dropped here; what the engine could not send is counted.

pub mod words;

use crate::click::set::Set;
use crate::device::Negotiated;
use crate::device::watch::Change;
use crate::log::{Entry, Log, SCHEMA};
use crate::realtime::command::{Command, When};
use crate::realtime::event::{Event, Status, What};
use crate::show::model::{Rig, Show};
use crate::units::{Decibels, FRACTION_BITS, FramePos, SampleRate};
use std::io;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

/// Something that happened, in words, for the screen.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Happened {
    /// Time of day, "21:14:03".
    pub at: String,
    pub text: String,
}

/// For threads that have something to note; clones share one log.
#[derive(Clone, Debug)]
pub struct Notes {
    log: Log,
    last: Arc<Mutex<Option<Happened>>>,
}

impl Notes {
    pub fn note(&self, text: &str) {
        self.log.write(Entry::Note { text: text.into() });
    }

    pub fn entry(&self, entry: Entry) {
        self.log.write(entry);
    }

    pub fn command(&self, id: u64, when: When, command: &Command) {
        self.log.write(Entry::Command { id, when, what: words::command(command) });
    }

    /// Puts a sentence where the screen shows the last event.
    pub fn say(&self, text: String) {
        let at = jiff::ZonedDateTime::now().strftime("%H:%M:%S").to_string();
        *self.last.lock().unwrap_or_else(PoisonError::into_inner) = Some(Happened { at, text });
    }

    /// The last event that a person must know of.
    pub fn last(&self) -> Option<Happened> {
        self.last.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// What the disk did wrong since the last look, in words.
    pub fn disk(&self) -> Vec<String> {
        let errors = self.log.errors();
        errors.iter().map(|error| format!("LOG NOT WRITTEN: {} ({})", error.why, error.path.display())).collect()
    }
}

/// Turns events into lines.
pub struct Telemetry {
    notes: Notes,
    clicks: Vec<String>,
    titles: Vec<String>,
    set: Arc<Set>,
    rate: SampleRate,
    level_at: FramePos,
    peak: f32,
    limiter: f32,
    last: Status,
}

impl Telemetry {
    /// Opens the night's log and writes its first line. Errors: the folder or the file cannot be made.
    pub fn open(
        folder: &Path,
        show: &Show,
        rig: &Rig,
        device: &Negotiated,
        set: &Arc<Set>,
    ) -> io::Result<(Telemetry, Notes)> {
        let log = Log::create(folder)?;
        let titles: Vec<String> = show.songs.iter().map(|song| song.title.clone()).collect();
        let clicks: Vec<String> = show.clicks.iter().map(|click| click.name.clone()).collect();
        log.write(Entry::Start {
            schema: SCHEMA,
            program: format!("fogbell {}", env!("CARGO_PKG_VERSION")),
            show: show.title.clone(),
            digest: show.digest.clone(),
            text: show.text.clone(),
            rig: rig.title.clone(),
            songs: titles.clone(),
            clicks: clicks.clone(),
            host: device.host.clone(),
            device: device.device.clone(),
            rate: device.rate.hertz(),
            block: device.block,
        });
        let notes = Notes { log, last: Arc::default() };
        let telemetry = Telemetry {
            notes: notes.clone(),
            clicks,
            titles,
            set: Arc::clone(set),
            rate: device.rate,
            level_at: FramePos(0),
            peak: 0.0,
            limiter: 1.0,
            last: Status::default(),
        };
        Ok((telemetry, notes))
    }

    pub fn path(&self) -> PathBuf {
        self.notes.log.path().to_path_buf()
    }

    /// Other songs from now on.
    pub fn load(&mut self, show: &Show, set: &Arc<Set>) {
        self.titles = show.songs.iter().map(|song| song.title.clone()).collect();
        self.set = Arc::clone(set);
    }

    /// One event, in order.
    pub fn take(&mut self, event: &Event) {
        if let What::Status(status) = &event.what {
            return self.status(event.at, status);
        }
        if let Some(sentence) = words::event(event, &self.clicks, &self.titles) {
            self.notes.say(sentence);
        }
        self.notes.log.write(self.entry(event.at.0, &event.what));
    }

    /// The device changed its state.
    pub fn device(&mut self, change: &Change) {
        let (state, why) = words::device(change);
        self.notes.say(format!("{}: {why}", state.to_uppercase()));
        self.notes.log.write(Entry::Device { state: state.into(), why });
    }

    /// Writes the last line and waits a moment for the disk. False when it is not there.
    pub fn close(self, report: &serde_json::Value) -> bool {
        self.notes.log.write(Entry::End { report: report.clone() });
        let Telemetry { notes: Notes { log, .. }, .. } = self;
        log.close(Duration::from_secs(2))
    }

    /// A line of levels each second.
    fn status(&mut self, at: FramePos, status: &Status) {
        self.peak = self.peak.max(status.peak);
        self.limiter = self.limiter.min(status.limiter);
        self.last = *status;
        if at - self.level_at < self.rate.frames(1.0) {
            return;
        }
        self.level_at = at;
        let floor = |gain: f32| Decibels::of(gain).0.max(-200.0);
        self.notes.log.write(Entry::Level {
            frame: at.0,
            run: status.run,
            peak_db: floor(std::mem::replace(&mut self.peak, 0.0)),
            limiter_db: floor(std::mem::replace(&mut self.limiter, 1.0)),
        });
    }

    fn click(&self, index: u8) -> String {
        self.clicks.get(usize::from(index)).cloned().unwrap_or_default()
    }

    fn title(&self, song: u16) -> String {
        self.titles.get(usize::from(song)).cloned().unwrap_or_default()
    }

    fn section(&self, song: u16, leg: u16) -> String {
        let leg = self.set.songs.get(usize::from(song)).and_then(|plan| plan.legs.get(usize::from(leg)));
        leg.map_or(String::new(), |leg| leg.section_name.to_string())
    }

    fn entry(&self, frame: i64, what: &What) -> Entry {
        match *what {
            What::Done { id } => Entry::Done { id, frame, refused: false },
            What::Refused { id } => Entry::Done { id, frame, refused: true },
            What::Placed { song, leg, called, pass, anchor_at, stretch, from_hit, why } => Entry::Placed {
                frame,
                song,
                title: self.title(song),
                leg,
                section: self.section(song, leg),
                called,
                pass,
                anchor: (anchor_at.0 >> FRACTION_BITS) as i64,
                anchor_part: (anchor_at.0 & ((1 << FRACTION_BITS) - 1)) as u64,
                over: stretch.over,
                under: stretch.under,
                from_hit,
                why,
            },
            What::Holding { song, .. } => Entry::Holding { frame, song },
            What::Stopped { song, ended } => Entry::Stopped { frame, song, ended },
            What::LateHit { late, .. } => Entry::LateHit { frame, late_frames: late.0 },
            What::LostHits { from, to } => Entry::LostHits { frame, count: to.saturating_sub(from) },
            What::Switched { click, source, cause, song, bar, beat } => Entry::Switch {
                frame,
                click: self.click(click),
                source,
                cause,
                title: self.title(song),
                bar,
                beat,
                words: words::switch(&self.click(click), source, cause),
            },
            What::AllOut(on) => Entry::AllOut { frame, on },
            What::ClickOut(on) => Entry::ClickOut { frame, on },
            What::Muted { click, muted } => Entry::Muted { frame, click: self.click(click), on: muted },
            What::Xrun { lost } => Entry::Xrun { frame, lost_frames: lost.0 },
            What::BadInput { channel } => Entry::BadInput { frame, channel },
            What::Dropped { count } => {
                Entry::Dropped { what: "events of the engine".into(), count: u64::from(count) }
            }
            What::Covered { click, cause } => {
                Entry::Note { text: format!("{} covered: {}", self.click(click), words::cause(cause)) }
            }
            What::StreamWanted { click, song, generation, .. } => Entry::Note {
                text: format!("track wanted: {} in {} ({generation})", self.click(click), self.title(song)),
            },
            What::StreamEnd { click } => Entry::Note { text: format!("track over: {}", self.click(click)) },
            What::Status(_) => Entry::Note { text: String::new() },
        }
    }
}
