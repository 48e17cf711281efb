//! One run, gathered line by line into figures, songs and events.

use super::place::{Place, Places, Placing};
use super::room::{self, Riding, Room};
use super::thin::{Level, Thin};
use super::words;
use crate::exposure::figures::Figures;
use crate::listener::{Finding, Outcome, Verdict};
use crate::log::entry::{DeviceTold, Entry, Line, SCHEMA, Start};
use crate::realtime::event::{Cause, LineNow, PeerNow, RunState, Source};
use crate::telemetry::LoadSummary;
use crate::units::SampleRate;
use serde::Serialize;
use std::collections::{BTreeMap, HashMap};

/// Events that are told one by one; the others are counted.
const MOST_EVENTS: usize = 600;
const MOST_BY_HAND: usize = 200;
const MOST_SONGS: usize = 400;
/// Feeds of which exposure is kept: an interface has no more channels.
const MOST_FEEDS: usize = 256;
const MOST_SECTIONS: usize = 250;
const MOST_TITLES: usize = 1000;
/// What comes again within this many seconds is one event.
const TOGETHER: f64 = 8.0;

/// What an event is about.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Kind {
    /// The interface was lost, stalled, came back.
    Device,
    /// The click came from somewhere else.
    Switch,
    /// Single hits that the fallback took over.
    Covered,
    /// Hits that were heard late, or not at all.
    Lost,
    Xrun,
    /// The other machine.
    Machine,
    Power,
    /// An input brought no sound.
    Input,
    /// The log itself.
    Log,
    /// A person did it.
    Hand,
    /// Anything else that was noted.
    Note,
}

impl Kind {
    pub const ALL: [Kind; 11] = [
        Kind::Device,
        Kind::Lost,
        Kind::Switch,
        Kind::Covered,
        Kind::Xrun,
        Kind::Machine,
        Kind::Power,
        Kind::Input,
        Kind::Log,
        Kind::Hand,
        Kind::Note,
    ];

    /// Neither a person's doing nor a remark.
    pub const fn is_fault(self) -> bool {
        !matches!(self, Kind::Hand | Kind::Note)
    }
}

/// What happened, as data.
#[derive(Clone, Debug, PartialEq)]
pub enum What {
    Switch {
        name: String,
        source: Source,
        cause: Cause,
    },
    Covered {
        name: String,
        cause: Cause,
    },
    LateHit {
        worst_frames: i64,
        /// For the main's own click, by a backup.
        waited: bool,
    },
    LostHits,
    Heard {
        outcome: Outcome,
        worst_frames: f64,
    },
    Xrun {
        lost_frames: i64,
    },
    BadInput {
        channel: u16,
    },
    Machine {
        before: Option<PeerNow>,
        now: PeerNow,
    },
    Device(DeviceTold),
    Reloaded(String),
    Power {
        battery_percent: Option<u8>,
        charger: Option<bool>,
    },
    EventsLost,
    LinesLost,
    AllOut(bool),
    ClickOut(bool),
    Mute {
        name: String,
        on: bool,
    },
    Held,
    Command {
        command: String,
        refused: bool,
    },
    Note(String),
}

/// One line of what happened, or several of a kind close together.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Event {
    pub kind: Kind,
    /// Since the run began.
    pub seconds: f64,
    /// Of the last one that was joined to it.
    pub last_seconds: f64,
    /// Time of day, "21:14:07".
    pub clock: String,
    pub place: Option<Place>,
    /// How many are joined; hits, where hits are meant.
    pub count: u64,
    /// For a musician.
    pub words: String,
    /// For whoever mends it.
    pub detail: String,
    #[serde(skip)]
    pub what: What,
}

/// A section as it was played.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct PlayedSection {
    pub name: String,
    pub seconds: f64,
    pub bar: i32,
    #[serde(skip)]
    pub placing: Placing,
}

/// A click from outside beside the grid, in one song.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct External {
    pub song: String,
    pub name: String,
    pub hits: u32,
    pub mean_ms: f64,
    pub spread_ms: f64,
    pub drift_ppm: f64,
}

/// A song as it was played.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Played {
    pub title: String,
    pub clock: String,
    pub from_seconds: f64,
    pub to_seconds: f64,
    /// As written; `None` where the log does not carry the show.
    pub planned_seconds: Option<f64>,
    /// It came to its end by itself.
    pub ended: bool,
    /// By the show file and the placings; `None` where the log does not tell them.
    pub last_hit_seconds: Option<f64>,
    /// Faults while it played.
    pub faults: u64,
    pub sections: Vec<PlayedSection>,
    #[serde(skip)]
    count_in_seconds: f64,
    #[serde(skip)]
    from_frame: Option<i64>,
    /// The first beats of bars: seconds since the run began, and the bar's number.
    #[serde(skip)]
    pub bars: Vec<(f64, i32)>,
}

impl Played {
    pub fn seconds(&self) -> f64 {
        (self.to_seconds - self.from_seconds).max(0.0)
    }
}

/// Everything about one run.
#[derive(Clone, Debug, Default, Serialize)]
pub struct Run {
    /// The file it was read from.
    pub file: String,
    pub show: String,
    pub program: String,
    pub rig: String,
    pub device: String,
    pub rate: u32,
    pub block: u32,
    /// "main", "backup", or none where there is one machine.
    pub machine: Option<&'static str>,
    /// Time of day with date and offset, of the first line and of the last.
    pub began: String,
    pub ended: String,
    pub seconds: f64,
    /// `None`: the log ends in the middle.
    pub end: Option<String>,
    /// Why the interface no longer played, where that ended the run.
    pub device_lost: Option<String>,
    pub songs: Vec<Played>,
    /// Songs of the set list that were not begun.
    pub not_played: Vec<String>,
    pub counts: BTreeMap<Kind, u64>,
    pub events: Vec<Event>,
    /// Events that are counted and not told.
    pub more_events: u64,
    pub lost_frames: i64,
    /// How late the latest hit was, by the engine's own word.
    pub latest_frames: i64,
    pub load: Option<LoadSummary>,
    pub levels: Thin<Level>,
    pub loudest_db: Option<f64>,
    pub deepest_limiter_db: f64,
    /// Seconds in which a limiter took more than 1 dB away.
    pub limited_seconds: u64,
    /// How the room rode.
    pub room: Room,
    pub verdict: Option<Verdict>,
    /// In the order of the songs; the last word on each.
    pub external: Vec<External>,
    /// How loud each feed was in the ears: the last word of the run, over all of it.
    pub exposure: Vec<Figures>,
    pub lines: u64,
    #[serde(skip)]
    pub marks: BTreeMap<Kind, Thin<u32>>,
    #[serde(skip)]
    pub schema: u32,
    #[serde(skip)]
    state: State,
}

/// What is needed while reading only.
#[derive(Clone, Debug, Default)]
struct State {
    places: std::sync::Arc<Places>,
    begun: bool,
    titles: BTreeMap<u16, String>,
    song: Option<Played>,
    placing: Vec<Placing>,
    recent: HashMap<Key, usize>,
    asked: HashMap<u64, usize>,
    peer: Option<PeerNow>,
    by_hand: usize,
    last_song: Option<String>,
    riding: Riding,
    /// Of a show that was read again: the command that loads it, and what was there before.
    before_reload: Option<(u64, std::sync::Arc<Places>)>,
}

/// Events that may be joined.
type Key = (Kind, u16, String);

impl Run {
    pub fn new(file: &str, first: &Line) -> Run {
        Run { file: file.into(), began: first.time.clone(), ..Run::default() }
    }

    /// It began with its first line, so that nothing is missing at its head.
    pub const fn has_start(&self) -> bool {
        self.state.begun
    }

    fn rate(&self) -> f64 {
        f64::from(self.rate.max(1))
    }

    /// Seconds since the run began: in a song by the frame, so that a hit and its bar lie on each other.
    fn seconds_of(&self, line: &Line) -> f64 {
        let song = self.state.song.as_ref();
        let from = song.and_then(|song| Some((song.from_seconds, song.from_frame?)));
        match (from, line.frame) {
            (Some((seconds, first)), Some(frame)) if self.rate > 0 => {
                seconds + (frame.saturating_sub(first)) as f64 / self.rate()
            }
            _ => line.ms as f64 / 1000.0,
        }
    }

    /// Takes a line, in the order of the log.
    pub fn take(&mut self, line: Line) {
        self.lines += 1;
        self.ended.clone_from(&line.time);
        self.seconds = self.seconds.max(line.ms as f64 / 1000.0);
        let seconds = self.seconds_of(&line);
        match line.entry {
            Entry::Start(start) => self.start(*start),
            Entry::Song { song, title } => self.song(song, title, seconds, &line.time),
            Entry::Section { song, section, bar, anchor, stretch, leg, called, .. } => {
                let anchor = Placing::anchor(&anchor, stretch);
                let title = self.title(song);
                // A song that runs on from the one before is told by its sections alone.
                if self.state.song.as_ref().is_some_and(|now| now.title != title) {
                    self.song(song, title.clone(), seconds, &line.time);
                }
                let placing = Placing { song, title, leg, called, section, bar, anchor };
                self.place(placing, seconds, line.frame);
            }
            Entry::Run { state: RunState::Stopped, ended, .. } => {
                self.rest(line.frame);
                self.stop(seconds, ended);
            }
            Entry::Ride { input, from_db, to_db, seconds: over, why } => {
                // Between songs a frame says more than the moment at which its line was written.
                self.state.riding.ride((line.frame, seconds), input, (from_db, to_db), over, why);
            }
            Entry::Show { id, show, text, .. } => self.show_again(id, show, &text, seconds, &line.time),
            Entry::Load(load) => self.load = Some(load),
            Entry::Levels { peak_db, limiter_db } => self.level(seconds, peak_db, limiter_db),
            Entry::Verdict { verdict } => self.verdict = Some(*verdict),
            Entry::End { reason, device_lost, .. } => {
                self.device_lost = device_lost.or_else(|| words::device_lost(&reason));
                self.end = Some(reason);
            }
            Entry::Exposure { figures, .. } => self.exposure = figures.into_iter().take(MOST_FEEDS).collect(),
            Entry::Answer { id, done } => self.answer(id, done),
            Entry::External { name, song, hits, mean_ms, spread_ms, drift_ppm, .. } => {
                let song = self.title(song);
                self.external(External { song, name, hits, mean_ms, spread_ms, drift_ppm });
            }
            entry => {
                if let Entry::Run { state: RunState::Holding, .. } = entry {
                    self.rest(line.frame);
                }
                self.happened(entry, line.frame, seconds, &line.time);
            }
        }
    }

    /// The music rests.
    fn rest(&mut self, frame: Option<i64>) {
        let Some(frame) = frame else { return };
        let state = &mut self.state;
        state.riding.rest(frame, state.placing.last(), &state.places);
        let last = state.placing.last().and_then(|placing| state.places.last_hit(placing, frame));
        let (Some(song), Some(last)) = (&mut state.song, last) else { return };
        let from = song.from_frame.map(|from| (last - from) as f64 / f64::from(self.rate.max(1)));
        song.last_hit_seconds = from.map(|after| song.from_seconds + after);
    }

    /// From here on songs are as another show file has them: it is read again only while nothing plays.
    fn show_again(&mut self, id: u64, show: String, text: &str, seconds: f64, time: &str) {
        let Some(rate) = SampleRate::new(self.rate) else { return };
        let places = std::sync::Arc::new(Places::of(text, rate));
        self.state.before_reload = Some((id, std::mem::replace(&mut self.state.places, places)));
        self.state.titles.clear();
        self.add(Kind::Note, None, 1, What::Reloaded(show), seconds, time, None);
    }

    fn start(&mut self, start: Start) {
        self.state.begun = true;
        self.schema = start.schema;
        self.device = format!("{}: {}", start.host, start.device);
        let rate = SampleRate::new(start.rate);
        self.state.places =
            std::sync::Arc::new(rate.map(|rate| Places::of(&start.text, rate)).unwrap_or_default());
        (self.show, self.program, self.rig) = (start.show, start.program, start.rig);
        (self.rate, self.block) = (start.rate, start.block);
    }

    fn title(&self, song: u16) -> String {
        let known = self.state.titles.get(&song).cloned();
        let planned = || self.state.places.planned.get(usize::from(song)).map(|song| song.title.clone());
        known.or_else(planned).unwrap_or_else(|| format!("song {}", song + 1))
    }

    fn song(&mut self, song: u16, title: String, seconds: f64, time: &str) {
        self.stop(seconds, true);
        let places = &self.state.places;
        let planned = places.song(song, &title).and_then(|at| places.planned.get(at));
        self.state.song = Some(Played {
            planned_seconds: planned.map(|song| song.seconds),
            count_in_seconds: planned.map_or(0.0, |song| song.count_in_seconds),
            title: title.clone(),
            clock: clock(time),
            from_seconds: seconds,
            to_seconds: seconds,
            ended: false,
            last_hit_seconds: None,
            faults: 0,
            sections: Vec::new(),
            from_frame: None,
            bars: Vec::new(),
        });
        if self.state.titles.len() < MOST_TITLES {
            self.state.titles.insert(song, title);
        }
    }

    fn place(&mut self, placing: Placing, seconds: f64, told: Option<i64>) {
        let first = placing.anchor.map(|anchor| anchor.at.nearest().0);
        let rate = self.rate();
        if let Some(song) = &mut self.state.song {
            if let (None, true, false) =
                (song.from_frame, song.sections.is_empty(), placing.section == "count-in")
            {
                song.planned_seconds = song.planned_seconds.map(|plan| plan - song.count_in_seconds);
            }
            if let (None, Some(first), Some(told)) = (song.from_frame, first, told) {
                // Count one comes a moment after the start that was asked for.
                let later = first.saturating_sub(told) as f64 / rate;
                song.from_seconds += if (0.0..2.0).contains(&later) { later } else { 0.0 };
            }
            let from = *song.from_frame.get_or_insert(first.unwrap_or(0));
            let begins = first.map_or(seconds, |first| song.from_seconds + (first - from) as f64 / rate);
            song.to_seconds = song.to_seconds.max(seconds);
            self.state.riding.music(&placing, &self.state.places);
            if song.sections.len() < MOST_SECTIONS {
                let (name, bar, placing) = (placing.section.clone(), placing.bar, placing.clone());
                song.sections.push(PlayedSection { name, seconds: begins, bar, placing });
            }
        }
        if self.state.placing.len() >= 4 {
            self.state.placing.remove(0);
        }
        self.state.placing.push(placing);
    }

    fn stop(&mut self, seconds: f64, ended: bool) {
        let Some(mut song) = self.state.song.take() else { return };
        song.to_seconds = song.to_seconds.max(seconds);
        song.ended = ended;
        self.state.last_song = Some(song.title.clone());
        self.state.placing.clear();
        self.bars(&mut song);
        if self.songs.len() < MOST_SONGS {
            self.songs.push(song);
        }
    }

    /// Every bar of the song that was played: of each placing up to where the next one begins.
    fn bars(&self, song: &mut Played) {
        let Some(from) = song.from_frame else { return };
        let at = |frame: i64| song.from_seconds + (frame - from) as f64 / self.rate();
        let begins = song.sections.iter().skip(1).map(|section| section.seconds);
        let ends: Vec<f64> = begins.chain([song.to_seconds]).collect();
        let mut bars = Vec::new();
        for (section, end) in song.sections.iter().zip(ends) {
            let here = self.state.places.bars(&section.placing);
            bars.extend(
                here.into_iter().map(|(frame, bar)| (at(frame), bar)).filter(|(at, _)| *at < end - 0.01),
            );
        }
        song.bars = bars;
    }

    fn level(&mut self, seconds: f64, peak_db: f64, limiter_db: f64) {
        self.levels.put(seconds, Level { peak_db, limiter_db });
        self.loudest_db = Some(self.loudest_db.map_or(peak_db, |loudest| loudest.max(peak_db)));
        self.deepest_limiter_db = self.deepest_limiter_db.min(limiter_db);
        self.limited_seconds += u64::from(limiter_db < -1.0);
    }

    /// What is told later of the same song holds more hits; where it holds fewer, the song was begun again.
    fn external(&mut self, now: External) {
        let full = self.external.len() >= MOST_SONGS;
        let last = self.external.iter_mut().rfind(|one| one.name == now.name);
        match last.filter(|one| one.song == now.song && one.hits <= now.hits) {
            Some(before) => *before = now,
            None if full => {}
            None => self.external.push(now),
        }
    }

    fn answer(&mut self, id: u64, done: bool) {
        let reload = self.state.before_reload.take_if(|(asked, _)| *asked == id);
        if let (Some((_, before)), false) = (reload, done) {
            self.state.places = before;
        }
        let event = self.state.asked.remove(&id).and_then(|index| self.events.get_mut(index));
        if let Some(Event { what: What::Command { refused, .. }, .. }) = event {
            *refused = !done;
        }
    }

    fn happened(&mut self, entry: Entry, frame: Option<i64>, seconds: f64, time: &str) {
        let asked = if let Entry::Command { id, .. } = &entry { Some(*id) } else { None };
        let said = match &entry {
            Entry::Switch { song, bar, beat, .. } => Some((*song, *bar, *beat)),
            _ => None,
        };
        let Some((kind, key, count, what)) = self.sort(entry) else { return };
        let place = said.map(|(song, bar, beat)| self.said(song, bar, beat)).or_else(|| self.here(frame));
        let index = self.add(kind, key, count, what, seconds, time, place);
        if let (Some(id), Some(index)) = (asked, index) {
            self.state.asked.insert(id, index);
        }
    }

    fn said(&self, song: u16, bar: i32, beat: u16) -> Place {
        Place { song: self.title(song), section: String::new(), bar: Some(bar), beat: Some(beat) }
    }

    /// What is heard at a frame: the placing whose anchor is the last before it.
    fn here(&self, frame: Option<i64>) -> Option<Place> {
        let begun = |placing: &&Placing| match (placing.anchor, frame) {
            (Some(anchor), Some(frame)) => anchor.at.nearest().0 <= frame,
            _ => true,
        };
        let placing = self.state.placing.iter().rev().find(begun).or(self.state.placing.last())?;
        match frame {
            Some(frame) => Some(self.state.places.at(placing, frame)),
            None => Some(Place {
                song: placing.title.clone(),
                section: placing.section.clone(),
                ..Place::default()
            }),
        }
    }

    /// What an entry is, which others it joins, and how much it counts. `None`: it is told elsewhere.
    fn sort(&mut self, entry: Entry) -> Option<(Kind, Option<String>, u64, What)> {
        let joined = |key: String| Some(key);
        Some(match entry {
            Entry::Switch { name, source, cause, .. } => {
                let kind = match cause {
                    Cause::Plan => return None,
                    Cause::ByHand => Kind::Hand,
                    _ => Kind::Switch,
                };
                (kind, None, 1, What::Switch { name, source, cause })
            }
            Entry::Covered { name, cause, .. } => {
                (Kind::Covered, joined(format!("{name} {cause:?}")), 1, What::Covered { name, cause })
            }
            Entry::LateHit { late_frames, .. } => {
                self.latest_frames = self.latest_frames.max(late_frames);
                let waited =
                    self.state.peer.as_ref().is_some_and(|peer| peer.backup && peer.line != LineNow::Alive);
                let (kind, key) = if waited { (Kind::Machine, "waited") } else { (Kind::Lost, "late") };
                (kind, joined(key.into()), 1, What::LateHit { worst_frames: late_frames, waited })
            }
            Entry::LostHits { count } => (Kind::Lost, joined("lost".into()), count.into(), What::LostHits),
            Entry::Xrun { lost_frames } => {
                self.lost_frames = self.lost_frames.saturating_add(lost_frames);
                (Kind::Xrun, joined(String::new()), 1, What::Xrun { lost_frames })
            }
            Entry::BadInput { channel } => {
                (Kind::Input, joined(channel.to_string()), 1, What::BadInput { channel })
            }
            Entry::Machine(now) => {
                self.machine = Some(if now.backup { "backup" } else { "main" });
                let before = self.state.peer.replace(now);
                words::machine(before.as_ref(), &now)?;
                let kind = if before.is_some() { Kind::Machine } else { Kind::Note };
                (kind, None, 1, What::Machine { before, now })
            }
            Entry::Power { battery_percent, charger } => {
                (Kind::Power, None, 1, What::Power { battery_percent, charger })
            }
            Entry::EventsLost { count } => (Kind::Log, joined("e".into()), count, What::EventsLost),
            Entry::LinesLost { count } => (Kind::Log, joined("l".into()), count, What::LinesLost),
            Entry::AllOut { on } => (Kind::Hand, None, 1, What::AllOut(on)),
            Entry::ClickOut { on } => (Kind::Hand, None, 1, What::ClickOut(on)),
            Entry::Mute { name, on, .. } => (Kind::Hand, None, 1, What::Mute { name, on }),
            Entry::Run { state: RunState::Holding, .. } => (Kind::Hand, None, 1, What::Held),
            Entry::Command { follows: true, .. } => return None,
            Entry::Command { command, .. } => {
                (Kind::Hand, None, 1, What::Command { command, refused: false })
            }
            Entry::Device(told) => (Kind::Device, None, 1, What::Device(told)),
            Entry::Note { text } => match words::device_of_note(&text) {
                Some(told) => (Kind::Device, None, 1, What::Device(told)),
                None => (words::kind_of_note(&text)?, None, 1, What::Note(text)),
            },
            _ => return None,
        })
    }

    /// Counts it, and tells it where there is room. Returns its index when it is told as one of its own.
    #[allow(clippy::too_many_arguments, reason = "one event, taken apart")]
    fn add(
        &mut self,
        kind: Kind,
        key: Option<String>,
        count: u64,
        what: What,
        seconds: f64,
        time: &str,
        place: Option<Place>,
    ) -> Option<usize> {
        *self.counts.entry(kind).or_default() += count;
        self.marks.entry(kind).or_default().put(seconds, count.min(u64::from(u32::MAX)) as u32);
        if let (true, Some(song)) = (kind.is_fault(), &mut self.state.song) {
            song.faults += count;
        }
        let song = place.as_ref().map_or("", |place| place.song.as_str());
        let key = key.map(|key| (kind, 0, format!("{song}\u{0}{key}")));
        let before = key.as_ref().and_then(|key| self.state.recent.get(key));
        if let Some(before) = before.and_then(|index| self.events.get_mut(*index))
            && (seconds - before.last_seconds).abs() <= TOGETHER
        {
            before.last_seconds = before.last_seconds.max(seconds);
            before.count += count;
            join(&mut before.what, &what);
            return None;
        }
        let by_hand = !kind.is_fault();
        let full =
            if by_hand { self.state.by_hand >= MOST_BY_HAND } else { self.told_faults() >= MOST_EVENTS };
        if full {
            self.more_events += count;
            return None;
        }
        self.state.by_hand += usize::from(by_hand);
        let (words, detail, index) = (String::new(), String::new(), self.events.len());
        let clock = clock(time);
        let last_seconds = seconds;
        self.events.push(Event { kind, seconds, last_seconds, clock, place, count, words, detail, what });
        if let Some(key) = key {
            self.state.recent.insert(key, index);
        }
        Some(index)
    }

    fn told_faults(&self) -> usize {
        self.events.len() - self.state.by_hand
    }

    /// After the last line: what the listener found becomes events, all are put in order and into words.
    pub fn finish(&mut self) {
        let seconds = self.seconds;
        self.stop(seconds, false);
        let findings = self.verdict.as_ref().map(|verdict| verdict.findings.clone()).unwrap_or_default();
        findings.iter().for_each(|finding| self.heard(finding));
        self.events.sort_by(|a, b| a.seconds.total_cmp(&b.seconds));
        let rate = self.rate();
        for event in &mut self.events {
            (event.words, event.detail) = words::event(event, rate);
        }
        let played: Vec<&str> = self.songs.iter().map(|song| song.title.as_str()).collect();
        let planned = self.state.places.planned.iter().filter(|song| song.clicks);
        self.not_played = planned
            .map(|song| song.title.clone())
            .filter(|title| !played.contains(&title.as_str()))
            .collect();
        self.room = self.rode();
        self.state = State { begun: self.state.begun, ..State::default() };
    }

    fn rode(&mut self) -> Room {
        let rate = self.rate();
        let songs: Vec<room::Song> = self
            .songs
            .iter()
            .filter_map(|song| {
                let first = song.from_frame?;
                let end = first.saturating_add((song.seconds() * rate) as i64);
                Some(room::Song { title: &song.title, first, end, from_seconds: song.from_seconds })
            })
            .collect();
        std::mem::take(&mut self.state.riding).finish(&self.state.places, &songs, rate, self.seconds)
    }

    /// A hit that did not sound as planned, told where it was due.
    fn heard(&mut self, finding: &Finding) {
        let title = self.title(finding.song);
        let rate = self.rate();
        let song = self.songs.iter().rev().filter(|song| song.title == title);
        let at =
            song.filter_map(|song| Some((song, song.from_frame?))).find(|(_, from)| *from <= finding.frame);
        let seconds = at.map_or(0.0, |(song, from)| song.from_seconds + (finding.frame - from) as f64 / rate);
        let place = self.said(finding.song, finding.bar, finding.beat);
        let what = What::Heard { outcome: finding.outcome, worst_frames: finding.error_frames };
        let clock = self.clock_at(seconds);
        self.add(Kind::Lost, Some(format!("{:?}", finding.outcome)), 1, what, seconds, &clock, Some(place));
    }

    /// The time of day of a moment of this run, as a log writes it.
    fn clock_at(&self, seconds: f64) -> String {
        let began = self.began.get(..19).and_then(|text| text.parse::<jiff::civil::DateTime>().ok());
        let then = began.and_then(|began| {
            began.checked_add(jiff::SignedDuration::from_millis((seconds * 1000.0) as i64)).ok()
        });
        then.map_or(String::new(), |then| then.strftime("%Y-%m-%dT%H:%M:%S").to_string())
    }

    /// A newer version wrote it.
    pub const fn is_newer(&self) -> bool {
        self.schema > SCHEMA
    }

    pub fn count(&self, kind: Kind) -> u64 {
        self.counts.get(&kind).copied().unwrap_or(0)
    }

    /// The largest distance of a hit that was heard from its place, in milliseconds. A late hit is heard all the same.
    pub fn worst_ms(&self) -> Option<f64> {
        let verdict = self.verdict.as_ref().filter(|verdict| verdict.all.sounded + verdict.all.late > 0)?;
        let late = verdict.findings.iter().filter(|finding| finding.outcome == Outcome::Late);
        let late = late.map(|finding| finding.error_frames.abs()).fold(self.latest_frames as f64, f64::max);
        let frames = late.max(verdict.all.largest_error_frames);
        (self.rate > 0).then(|| frames * 1000.0 / f64::from(self.rate))
    }

    /// Seconds in which songs played.
    pub fn played_seconds(&self) -> f64 {
        self.songs.iter().map(Played::seconds).sum()
    }
}

/// One more of the same.
fn join(before: &mut What, more: &What) {
    match (before, more) {
        (What::LateHit { worst_frames, .. }, What::LateHit { worst_frames: other, .. }) => {
            *worst_frames = (*worst_frames).max(*other);
        }
        (What::Xrun { lost_frames }, What::Xrun { lost_frames: other }) => {
            *lost_frames = lost_frames.saturating_add(*other);
        }
        (What::Heard { worst_frames, .. }, What::Heard { worst_frames: other, .. })
            if other.abs() > worst_frames.abs() =>
        {
            *worst_frames = *other;
        }
        _ => {}
    }
}

/// "21:14:07" of a time as a log writes it; empty when it cannot be read.
pub fn clock(time: &str) -> String {
    time.get(11..19).unwrap_or("").to_string()
}
