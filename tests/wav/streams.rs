//! A click track from disk through renderer and engine, one step at a time: what is heard is what the
//! engine would have made, on the same frames, whatever happens to the renderer.

use crossbeam_channel::bounded;
use fogbell::click::prepare::prepare;
use fogbell::click::set::Set;
use fogbell::realtime::command::{Command, Timed, When};
use fogbell::realtime::engine::{Control, Engine, engine};
use fogbell::realtime::event::{Cause, Event, Source, What};
use fogbell::realtime::io::{Io, Process};
use fogbell::realtime::setup::{ClickSetup, EngineSetup, OutletSetup, PartSetup, PartSource};
use fogbell::renderer::{Corruption, Fault, Feeder, Request, plan_streams};
use fogbell::show::model::GiveBack;
use fogbell::show::parse_show;
use fogbell::units::{Frames, SampleRate};
use fogbell::wav::{Encoding, Format, Options, Writer, resample};
use ringbuf::traits::{Consumer, Producer};
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;
use tempfile::TempDir;

const SHOW: &str = r#"
show = "one song of Saltmarsh Five"
[click.band]
every = "eighths"
[feed.band]
hears = { band = 0 }
[[song]]
title = "Eel Net"
tempo = 137.3
metre = "7/8 as 2+2+3"
bars = 8
count_in = 2
"#;

const STREAM: &str = r#"
[song.click.band]
stream = { file = "track.wav", starts = "count in" }
"#;

struct Night {
    control: Control,
    engine: Engine,
    feeder: Feeder,
    io: Io,
    heard: Vec<f32>,
    events: Vec<Event>,
    set: Arc<Set>,
}

impl Night {
    fn new(text: &str, folder: &Path) -> Night {
        let reading = parse_show(text, "show.toml", folder);
        assert!(reading.faults.is_empty(), "{:?}", reading.faults);
        let show = reading.show.unwrap();
        let mut set = prepare(&show, SampleRate::standard()).unwrap().set;
        let notes = plan_streams(&show, &mut set);
        assert!(notes.iter().all(|note| note.contains("resampled")), "{notes:?}");
        let set = Arc::new(set);
        let (mut control, engine) = engine(&setup(&set), Arc::clone(&set));
        let (tell, _) = bounded(1);
        let feeder = Feeder::new(Arc::clone(&set), std::mem::take(&mut control.streams), tell);
        let io = Io::new(0, 1, 256);
        Night { control, engine, feeder, io, heard: Vec::new(), events: Vec::new(), set }
    }

    /// Starts the song and runs to its end; at a block the renderer meets its fault, or dies.
    fn play(mut self, fault_at: Option<(usize, Option<Fault>)>) -> Night {
        let start = Timed { when: When::Now, command: Command::Start, id: 1 };
        assert!(self.control.commands.try_push(start).is_ok());
        for block in 0..8_000 {
            if let Some((_, fault)) = fault_at.filter(|(at, _)| *at == block) {
                self.feeder.set_fault(fault.unwrap_or(Fault::Stop));
            }
            while self.feeder.feed() == Duration::ZERO {}
            self.step();
            if self.ended() {
                return self;
            }
        }
        panic!("the song does not end");
    }

    fn step(&mut self) {
        self.io.frames = 128;
        self.engine.process(&mut self.io);
        self.heard.extend_from_slice(self.io.output.channel(0, 128));
        self.io.at = self.io.at + Frames(128);
        while let Some(event) = self.control.events.try_pop() {
            if let Some(request) = Request::of(&event) {
                self.feeder.answer(request);
            }
            self.events.push(event);
        }
    }

    fn ended(&self) -> bool {
        let end = self.events.iter().find(|event| matches!(event.what, What::Stopped { .. }));
        end.is_some_and(|end| self.heard.len() as i64 > end.at.0 + 4_800)
    }

    /// Where the count-in begins.
    fn begin(&self) -> usize {
        let placed = |event: &Event| match event.what {
            What::Placed { anchor_at, .. } => Some(anchor_at.nearest().0 as usize),
            _ => None,
        };
        self.events.iter().find_map(placed).unwrap()
    }

    fn switches(&self) -> Vec<(Source, Cause)> {
        let switch = |event: &Event| match event.what {
            What::Switched { source, cause, .. } => Some((source, cause)),
            _ => None,
        };
        self.events.iter().filter_map(switch).collect()
    }

    /// Frames of the hits from the start of the count-in, by the grid.
    fn hits(&self) -> Vec<usize> {
        let legs = self.set.songs[0].legs.iter();
        legs.flat_map(|leg| leg.grid.hits.iter().map(|hit| (leg.written + hit.local()).nearest().0 as usize))
            .collect()
    }
}

fn setup(set: &Set) -> EngineSetup {
    let click = |lanes: &fogbell::click::set::ClickLanes| ClickSetup {
        own_lane: lanes.own,
        fallback_lane: lanes.fallback,
    };
    EngineSetup {
        rate: SampleRate::standard(),
        max_block: 256,
        look_ahead: 72,
        lanes: set.lane_count,
        clicks: set.lanes.iter().map(click).collect(),
        inputs: Vec::new(),
        outlets: vec![OutletSetup {
            channels: vec![0],
            parts: vec![PartSetup { source: PartSource::Click(0), left: 1.0, right: 0.0 }],
        }],
        ceiling: 0.5,
        give_back: GiveBack::Stay,
        record: false,
        tap_inputs: 0,
        timecode: None,
        peer: None,
        outside: vec![],
        latch: Default::default(),
    }
}

/// What the engine makes by itself, as the track that is streamed later, at `hertz`.
fn track(folder: &TempDir, hertz: u32) -> Night {
    let own = Night::new(SHOW, folder.path()).play(None);
    let rate = SampleRate::new(hertz).unwrap();
    let samples = resample(&own.heard[own.begin()..], SampleRate::standard(), rate);
    let options = Options { overwrite: true, ..Options::default() };
    let format = Format { rate, channels: 1, encoding: Encoding::Float32 };
    let mut writer = Writer::create(&folder.path().join("track.wav"), format, &options).unwrap();
    writer.write(&[&samples]).unwrap();
    writer.finish(&[]).unwrap();
    own
}

fn streamed(folder: &TempDir) -> Night {
    Night::new(&format!("{SHOW}{STREAM}"), folder.path())
}

/// The largest difference within each hit's first 5 ms.
fn worst(own: &Night, other: &Night) -> f32 {
    let within = own.hits().into_iter().flat_map(|hit| hit..hit + 240);
    let apart = |at: usize| (own.heard[own.begin() + at] - other.heard[other.begin() + at]).abs();
    within.map(apart).fold(0.0, f32::max)
}

#[test]
fn a_streamed_track_is_heard_where_the_engine_would_have_put_it() {
    let folder = TempDir::new().unwrap();
    for (hertz, tolerance) in [(48_000, 1e-6), (44_100, 2e-3), (96_000, 1e-4)] {
        let own = track(&folder, hertz);
        assert!(own.hits().len() > 60);
        let other = streamed(&folder).play(None);
        assert!(worst(&own, &other) < tolerance, "{hertz}: {}", worst(&own, &other));
        let streamed = (Source::Streamed, Cause::Plan);
        assert!(other.switches().contains(&streamed), "{:?}", other.switches());
        assert!(other.switches().iter().all(|(_, cause)| *cause == Cause::Plan), "{:?}", other.switches());
    }
}

#[test]
fn whatever_happens_to_the_renderer_every_hit_is_heard() {
    let folder = TempDir::new().unwrap();
    let own = track(&folder, 48_000);
    let cases = [
        (None, vec![Cause::Late]),
        (Some(Fault::Repeat), vec![Cause::Repeating, Cause::SilentWhenDue]),
        (Some(Fault::Corrupt(Corruption::NotANumber)), vec![Cause::Corrupt]),
        (Some(Fault::Corrupt(Corruption::Infinite)), vec![Cause::Corrupt]),
        (Some(Fault::Corrupt(Corruption::OverFullScale)), vec![Cause::Corrupt]),
        (Some(Fault::Corrupt(Corruption::Silent)), vec![Cause::SilentWhenDue]),
        (Some(Fault::Corrupt(Corruption::OldGeneration)), vec![Cause::Late, Cause::Stale]),
        // Stamps are believed: a stream moved by less than the judge's window of a hit would pass for whole.
        (Some(Fault::Corrupt(Corruption::Misplaced(Frames(480)))), vec![Cause::Stale, Cause::SilentWhenDue]),
    ];
    let mut random = fastrand::Rng::with_seed(5);
    for (fault, causes) in cases {
        for _ in 0..3 {
            let block = random.usize(150..2_000);
            let other = streamed(&folder).play(Some((block, fault)));
            assert!(worst(&own, &other) < 1e-6, "{fault:?} at block {block}: {}", worst(&own, &other));
            let fell =
                |(source, cause): &(Source, Cause)| *source == Source::Fallback && causes.contains(cause);
            assert!(other.switches().iter().any(fell), "{fault:?} at {block}: {:?}", other.switches());
        }
    }
}
