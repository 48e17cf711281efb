//! Shows built in code, impulse sounds, and an engine on a stepped timeline, for more than one test binary.
#![allow(dead_code, reason = "each test binary uses a part of it")]

use fogbell::click::build::{PlainIndex, build};
use fogbell::click::set::{Set, Sound, StreamPlan};
use fogbell::realtime::command::{Command, Timed, When};
use fogbell::realtime::engine::{Control, Engine, engine};
use fogbell::realtime::event::Event;
use fogbell::realtime::io::{Io, Process};
use fogbell::realtime::setup::{ClickSetup, EngineSetup, InputSetup, OutletSetup, PartSetup, PartSource};
use fogbell::show::model::*;
use fogbell::units::{Decibels, Frames, SampleRate, Span, Whole};
use num_rational::Ratio;
use ringbuf::traits::{Consumer, Producer};
use std::sync::Arc;

/// Level of an impulse that the engine makes.
pub const LEVEL: f32 = 0.2;
pub const LOOK_AHEAD: usize = 72;
pub const CEILING: f32 = 0.5;

pub fn bpm(tenths: i64) -> Tempo {
    Tempo { note: Whole::new(1, 4), per_minute: Ratio::new(tenths, 10) }
}

pub fn metre(groups: &[u32], unit: u32) -> Metre {
    Metre { groups: groups.to_vec(), unit }
}

pub fn style(subdivision: Subdivision) -> Style {
    let flat = Decibels(0.0);
    Style {
        subdivision,
        accents: vec![1],
        rests: vec![],
        own_metre: None,
        swing: None,
        levels: Levels { accent: flat, beat: flat, eighth: flat, sixteenth: flat },
    }
}

pub fn part(primary: Style, fallback: Style, sound: usize) -> Part {
    Part { sounds: true, primary, fallback, level: Decibels(0.0), sound, fade: None }
}

pub fn section(bars: Vec<Metre>, tempo: Tempo, parts: Vec<Part>) -> Section {
    Section {
        name: "a".into(),
        bars,
        repeats: 1,
        vamp: false,
        hold: false,
        tempo,
        moves: vec![],
        parts,
        ambient: None,
    }
}

/// A bar counted beat by beat.
pub fn count_in(bar: &Metre, clicks: usize) -> CountIn {
    let starts = bar.beat_starts();
    let beats = starts.iter().take(bar.groups.len());
    CountIn {
        bars: vec![bar.clone()],
        counts: beats.zip(1..).map(|(at, number)| Count { at: *at, number, accent: number == 1 }).collect(),
        clicks: (0..clicks).collect(),
        voice: None,
        voice_level: Decibels(0.0),
    }
}

pub fn song(sections: Vec<Section>) -> Song {
    let clicks = sections.first().map_or(0, |section| section.parts.len());
    let first = sections.first().and_then(|section| section.bars.first()).cloned();
    Song {
        title: "Low Tide".into(),
        note: String::new(),
        kind: SongKind::Click,
        encore: false,
        segue: false,
        timecode: None,
        count_in: first.map(|bar| count_in(&bar, clicks)),
        pickup: Whole::from_integer(0),
        sections,
        number: 1,
        click_ranges: vec![ClickRange::default(); clicks],
        streams: vec![None; clicks],
        line: 1,
    }
}

/// `separate`: each fallback in a lane of its own.
pub fn show(songs: Vec<Song>, separate: bool) -> Show {
    let clicks = songs.iter().map(|song| song.click_ranges.len()).max().unwrap_or(0);
    let click = |n: usize| Click {
        name: format!("c{n}"),
        player: "Wren".into(),
        separate_fallback: separate,
        external: None,
    };
    Show {
        title: "Saltmarsh Five".into(),
        sounds: vec![],
        clicks: (0..clicks).map(click).collect(),
        inputs: vec![],
        feeds: vec![],
        songs,
        give_back: GiveBack::Stay,
        latch: Default::default(),
        ride: Default::default(),
        ceiling: Decibels(-6.0),
        folder: ".".into(),
        text: String::new(),
        digest: String::new(),
    }
}

/// One sound for everything.
pub fn index(samples: Vec<f32>) -> PlainIndex {
    let onset_peak = samples.iter().fold(0.0f32, |most, sample| most.max(sample.abs()));
    let sound = Sound { name: "hit".into(), samples: samples.into(), lead: 0, onset_peak, heard_late: 0.0 };
    PlainIndex { sounds: vec![sound], by_def: vec![[0; 4]; 8], voices: Default::default() }
}

/// A hit of one sample, so that onsets are found exactly.
pub fn impulse() -> PlainIndex {
    index(vec![LEVEL])
}

/// A hit with a body: attack of 1 ms, decay of 5 ms, 600 Hz.
pub fn body(rate: SampleRate) -> PlainIndex {
    let per_ms = f64::from(rate.hertz()) / 1000.0;
    let sample = |n: usize| {
        let ms = n as f64 / per_ms;
        let envelope = (ms.min(1.0)) * (-(ms - 1.0).max(0.0) / 5.0).exp();
        (f64::from(LEVEL) * envelope * (std::f64::consts::TAU * 0.6 * ms).sin()) as f32
    };
    index((0..(30.0 * per_ms) as usize).map(sample).collect())
}

/// The set of a show; clicks of songs named in `streamed` have a primary that is streamed as its own lane is written.
pub fn set(show: &Show, rate: SampleRate, sounds: &PlainIndex, streamed: &[(usize, usize)]) -> Set {
    let mut set = build(show, rate, sounds);
    let peak = sounds.sounds[0].onset_peak;
    for (song, click) in streamed.iter().copied() {
        let lanes = set.lanes[click];
        let plan = &mut set.songs[song];
        let expected = plan.legs.iter().map(|leg| {
            let own: Vec<Span> =
                leg.grid.hits.iter().filter(|hit| hit.lane == lanes.own).map(|hit| hit.local()).collect();
            let due = leg.grid.hits.iter().map(|hit| {
                let covered = hit.lane == lanes.fallback && own.contains(&hit.local());
                if covered { peak } else { 0.0 }
            });
            due.collect::<Vec<f32>>().into()
        });
        plan.streams[click] = Some(StreamPlan {
            file: "track.wav".into(),
            channel: 0,
            gain: 1.0,
            standing: 0.0,
            origin: Span(0),
            expected: expected.collect(),
        });
    }
    set
}

/// Every click on a channel of its own, then every lane, then every input.
pub fn setup(set: &Set, inputs: usize) -> EngineSetup {
    let clicks = set.lanes.len();
    let sources = (0..clicks)
        .map(|n| PartSource::Click(n as u8))
        .chain((0..set.lane_count).map(|n| PartSource::Lane(n as u8)))
        .chain((0..inputs).map(|n| PartSource::Input(n as u8)));
    let outlet = |(channel, source)| OutletSetup {
        channels: vec![channel as u16],
        parts: vec![PartSetup { source, left: 1.0, right: 0.0 }],
    };
    EngineSetup {
        rate: set.rate,
        max_block: 256,
        look_ahead: LOOK_AHEAD,
        lanes: set.lane_count,
        clicks: set.lanes.iter().map(|l| ClickSetup { own_lane: l.own, fallback_lane: l.fallback }).collect(),
        inputs: (0..inputs)
            .map(|n| InputSetup {
                channel: n as u16,
                in_song: 0.5,
                high_pass_hertz: 100.0,
                inverted: n % 2 == 1,
                ..InputSetup::default()
            })
            .collect(),
        outlets: sources.enumerate().map(outlet).collect(),
        ceiling: CEILING,
        give_back: GiveBack::Stay,
        record: false,
        tap_inputs: 0,
        timecode: None,
        peer: None,
        outside: vec![],
        latch: Default::default(),
    }
}

/// An engine driven block by block.
pub struct Stepped {
    pub control: Control,
    pub engine: Engine,
    pub io: Io,
    pub events: Vec<Event>,
    next_id: u64,
}

impl Stepped {
    pub fn new(setup: &EngineSetup, set: Arc<Set>) -> Stepped {
        let channels = setup.outlets.iter().flat_map(|outlet| &outlet.channels);
        let outputs = channels.max().map_or(0, |channel| *channel as usize + 1);
        let (control, engine) = engine(setup, set);
        let io = Io::new(setup.inputs.len(), outputs, 2048);
        Stepped { control, engine, io, events: Vec::new(), next_id: 1 }
    }

    /// Around an engine made elsewhere.
    pub fn of(control: Control, engine: Engine, io: Io) -> Stepped {
        Stepped { control, engine, io, events: Vec::new(), next_id: 1 }
    }

    /// The number of the next command.
    pub fn next(&self) -> u64 {
        self.next_id
    }

    pub fn send(&mut self, when: When, command: Command) -> u64 {
        let id = self.next_id;
        self.next_id += 1;
        let _ = self.control.commands.try_push(Timed { when, command, id });
        id
    }

    /// One block; what left lies in `io.output`, and `io.at` is its frame until the next call.
    pub fn block(&mut self, frames: usize) {
        self.io.frames = frames;
        self.engine.process(&mut self.io);
        self.events.extend(self.control.events.pop_iter());
    }

    /// Goes on to the next block, `lost` frames later than it should come.
    pub fn advance(&mut self, lost: i64) {
        self.io.at = self.io.at + Frames(self.io.frames as i64 + lost);
        self.io.lost = Frames(lost);
    }

    /// Runs to `frames` from here in blocks of 512 and calls `heard` for each sample that is not silent.
    pub fn run(&mut self, frames: i64, heard: &mut dyn FnMut(usize, i64, f32)) {
        let end = self.io.at.0 + frames;
        while self.io.at.0 < end {
            let block = (end - self.io.at.0).min(512) as usize;
            self.block(block);
            let at = self.io.at.0;
            for channel in 0..self.io.output.channels() {
                let samples = self.io.output.channel(channel, block);
                for (frame, sample) in samples.iter().enumerate().filter(|(_, sample)| **sample != 0.0) {
                    heard(channel, at + frame as i64, *sample);
                }
            }
            self.advance(0);
        }
    }
}

/// A random night within what musicians write: metres, tempi, moves, vamps, holds, repeats, segues.
pub fn random_show(random: &mut fastrand::Rng, clicks: usize, plain_fallback: bool) -> Show {
    let count = random.usize(1..=3);
    let mut songs: Vec<Song> = (0..count).map(|_| random_song(random, clicks, plain_fallback)).collect();
    for song in &mut songs {
        song.segue = random.u8(..) < 60;
    }
    show(songs, true)
}

fn random_song(random: &mut fastrand::Rng, clicks: usize, plain_fallback: bool) -> Song {
    let sections = random.usize(1..=3);
    let mut song =
        song((0..sections).map(|_| random_section(random, clicks, plain_fallback)).collect::<Vec<_>>());
    if random.u8(..) < 40 {
        song.count_in = None;
    }
    if random.u8(..) < 40 {
        song.pickup = song.sections[0].bars[0].length() / 4;
    }
    song
}

pub fn random_metre(random: &mut fastrand::Rng) -> Metre {
    match random.usize(..6) {
        0 | 1 => metre(&[1, 1, 1, 1], 4),
        2 => metre(&[1, 1, 1], 4),
        3 => metre(&[2, 2, 3], 8),
        4 => metre(&[3, 3], 8),
        _ => metre(&[1, 1, 1, 1, 1], 4),
    }
}

pub fn random_subdivision(random: &mut fastrand::Rng) -> Subdivision {
    match random.usize(..5) {
        0 => Subdivision::Bars,
        1 | 2 => Subdivision::Beats,
        3 => Subdivision::Notes(Whole::new(1, 8)),
        _ => Subdivision::PerBeat(random.u32(2..=3)),
    }
}

fn random_section(random: &mut fastrand::Rng, clicks: usize, plain_fallback: bool) -> Section {
    let bars: Vec<Metre> = (0..random.usize(1..=3)).map(|_| random_metre(random)).collect();
    let parts = (0..clicks).map(|_| {
        let primary = style(random_subdivision(random));
        let plain = plain_fallback && primary.subdivision != Subdivision::Bars;
        let fallback = if plain { style(Subdivision::Beats) } else { primary.clone() };
        part(primary, fallback, 0)
    });
    let parts: Vec<Part> = parts.collect();
    let mut section = section(bars, bpm(random.i64(600..2400)), parts);
    section.repeats = random.u32(1..=2);
    section.vamp = random.u8(..) < 50;
    section.hold = random.u8(..) < 30;
    if random.u8(..) < 90 {
        let length = section.length();
        let law = match random.usize(..3) {
            0 => Law::LinearInBeats,
            1 => Law::LinearInTime,
            _ => Law::ExponentialInBeats,
        };
        section.moves.push(TempoMove {
            from: length / 4,
            over: if random.bool() { length / 2 } else { Whole::from_integer(0) },
            to: bpm(random.i64(600..2400)),
            law,
        });
    }
    section
}

/// Any command, of any kind, also such as make no sense where they come.
pub fn random_command(random: &mut fastrand::Rng, set: &Set) -> Command {
    let song = random.usize(..set.songs.len() + 1);
    let legs = set.songs.get(song).map_or(1, |song| song.legs.len());
    let click = random.usize(..set.lanes.len() + 1);
    let stretch = || fogbell::click::set::Stretch { over: 97, under: 100 };
    match random.usize(..20) {
        0 => Command::Choose { song },
        1..=3 => Command::Start,
        4 | 5 => Command::GoTo { song, leg: random.usize(..legs + 1), count_in: random.bool() },
        6 => Command::Stop,
        7 => Command::AllOut,
        8 => Command::AllBack,
        9 => Command::ClickOut,
        10 => Command::ClickBack,
        11 => Command::OneIsNow,
        12 => Command::ShiftBeats(random.i32(-2..=2)),
        13 => Command::Nudge(Frames(random.i64(-1000..1000))),
        14 => Command::Undo,
        15 => Command::Release,
        16 => Command::MuteClick { click, muted: random.bool() },
        17 => Command::Tempo(if random.bool() { stretch() } else { fogbell::click::set::Stretch::ONE }),
        _ => Command::UseFallback { click, on: random.bool() },
    }
}

pub fn random_when(random: &mut fastrand::Rng, now: fogbell::units::FramePos) -> When {
    match random.usize(..8) {
        0 => When::Frame(now + Frames(random.i64(0..48_000))),
        1 => When::NextBeat,
        2 => When::BarEnd,
        3 => When::SectionEnd,
        _ => When::Now,
    }
}
