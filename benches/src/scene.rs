//! The worst scene that DESIGN names, and a bare mix of the same size to measure it by.

use fogbell::click::set::*;
use fogbell::realtime::command::{Command, Timed, When};
use fogbell::realtime::engine::{Control, Engine, engine};
use fogbell::realtime::io::{Io, Process};
use fogbell::realtime::setup::*;
use fogbell::show::model::GiveBack;
use fogbell::timecode::FrameRate;
use fogbell::units::{Frames, SampleRate, Span};
use ringbuf::traits::{Consumer, Producer};
use std::hint::black_box;
use std::sync::Arc;

pub const FRAMES: usize = 64;
const INPUTS: usize = 24;
const OUTLETS: usize = 16;
const CLICKS: usize = 8;
/// Inputs and the output beyond those: the main's timecode, its click, another device's click; timecode out.
const TIMECODE_IN: u16 = INPUTS as u16;
const CLICK_IN: u16 = TIMECODE_IN + 1;
const OTHER_IN: u16 = TIMECODE_IN + 2;
const TIMECODE_OUT: u16 = OUTLETS as u16;
/// Sixteenths at 150 a minute.
const STEP: i64 = 4_800;

/// A minute of a bar that repeats, every click on every sixteenth, each a little apart from the others.
fn set() -> Set {
    let rate = SampleRate::standard();
    let samples: Vec<f32> =
        (0..9_600).map(|n| 0.1 * (-(n as f32) / 1_400.0).exp() * (n as f32 * 0.13).sin()).collect();
    let sound =
        Sound { name: "hit".into(), samples: samples.into(), lead: 0, onset_peak: 0.1, heard_late: 0.0 };
    let hit = |step: i64, lane: u8| {
        let mut hit = Hit {
            frame: 0,
            part: 0,
            gain: 0.5,
            bar: 0,
            beat: (step / 4) as u16 + 1,
            subdivision: (step % 4) as u16,
            sound: 0,
            lane,
            kind: HitKind::Sixteenth,
        };
        hit.set_local(Span::frames(Frames(step * STEP + i64::from(lane) * 31)));
        hit
    };
    let mark = |beat: i64| BeatMark {
        local: Span::frames(Frames(beat * 4 * STEP)),
        bar: 0,
        beat: beat as u16 + 1,
        of: 4,
    };
    let lanes = 0..CLICKS as u8;
    let grid = Arc::new(Grid {
        length: Span::frames(Frames(16 * STEP)),
        hits: (0..16).flat_map(|step| lanes.clone().map(move |lane| hit(step, lane))).collect(),
        beats: (0..4).map(mark).collect(),
    });
    let leg = Leg {
        kind: LegKind::Section,
        section: 0,
        section_name: "a".into(),
        pass: 0,
        grid,
        first_bar: 1,
        vamp: true,
        hold: false,
        count_in: None,
        ambient: None,
        written: Span(0),
    };
    let song = SongPlan {
        said: Default::default(),
        title: "Low Tide".into(),
        legs: vec![leg],
        segue: false,
        encore: false,
        first_section_leg: 0,
        streams: vec![None; CLICKS],
    };
    Set {
        rate,
        sounds: vec![sound],
        lanes: (0..CLICKS as u8).map(|own| ClickLanes { own, fallback: own }).collect(),
        lane_count: CLICKS,
        songs: vec![song],
        max_lead: 0,
        lane_peaks: vec![],
    }
}

fn setup() -> EngineSetup {
    let parts: Vec<PartSetup> = (0..CLICKS as u8)
        .map(PartSource::Click)
        .chain((0..INPUTS as u8).map(PartSource::Input))
        .map(|source| PartSetup { source, left: 0.7, right: 0.0 })
        .collect();
    EngineSetup {
        rate: SampleRate::standard(),
        max_block: 256,
        look_ahead: 72,
        lanes: CLICKS,
        clicks: (0..CLICKS as u8).map(|own| ClickSetup { own_lane: own, fallback_lane: own }).collect(),
        inputs: (0..INPUTS as u16)
            .map(|channel| InputSetup {
                channel,
                between: 0.5,
                low_pass_hertz: 10_000.0,
                ..InputSetup::default()
            })
            .collect(),
        outlets: (0..OUTLETS as u16)
            .map(|channel| OutletSetup { channels: vec![channel], parts: parts.clone() })
            .collect(),
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

/// It follows a main by timecode and click, writes timecode, and passes on one click of another device.
fn setup_of_a_backup() -> EngineSetup {
    let rate = SampleRate::standard();
    let timecode = TimecodeSetup { channel: TIMECODE_OUT, frames: FrameRate::Tv25, peak: 0.125 };
    let peer = PeerSetup {
        backup: true,
        returning: false,
        timecode: TIMECODE_IN,
        click: Some(PeerClick { channel: CLICK_IN, click: 0, passed: None }),
        align: Span(0),
        latch: rate.frames(0.06),
    };
    let outside = OutsideSetup {
        channel: OTHER_IN,
        click: 1,
        safety: rate.frames(0.008),
        starts_song: false,
        tolerance: None,
        latch: Default::default(),
    };
    EngineSetup { timecode: Some(timecode), peer: Some(peer), outside: vec![outside], ..setup() }
}

/// What the backup hears: one click, and timecode.
fn setup_of_the_main() -> EngineSetup {
    let part = |click| PartSetup { source: PartSource::Click(click), left: 0.7, right: 0.0 };
    EngineSetup {
        inputs: vec![],
        outlets: (0..2)
            .map(|click| OutletSetup { channels: vec![u16::from(click)], parts: vec![part(click)] })
            .collect(),
        timecode: Some(TimecodeSetup { channel: 2, frames: FrameRate::Tv25, peak: 0.125 }),
        ..setup()
    }
}

/// A machine and what goes in and out of it.
struct Machine {
    control: Control,
    engine: Engine,
    io: Io,
}

impl Machine {
    fn new(setup: &EngineSetup, inputs: usize, outputs: usize) -> Machine {
        let (control, engine) = engine(setup, Arc::new(set()));
        Machine { control, engine, io: Io::new(inputs, outputs, 256) }
    }

    fn start(&mut self) {
        let start = Timed { when: When::Now, command: Command::Start, id: 1 };
        let _ = self.control.commands.try_push(start);
    }

    fn clear_up(&mut self) {
        black_box(self.io.output.channel(0, FRAMES));
        self.io.at = self.io.at + Frames(FRAMES as i64);
        self.control.events.clear();
    }
}

/// The engine in that scene, a second into the song.
pub struct Scene {
    machine: Machine,
    main: Option<Machine>,
    noise: fastrand::Rng,
}

impl Scene {
    /// `two`: with timecode in and out and a follower, a main beside it.
    pub fn new(two: bool) -> Scene {
        let setup = if two { setup_of_a_backup() } else { setup() };
        let mut machine = Machine::new(&setup, usize::from(OTHER_IN) + 1, usize::from(TIMECODE_OUT) + 1);
        let mut main = two.then(|| Machine::new(&setup_of_the_main(), 0, 3));
        main.as_mut().unwrap_or(&mut machine).start();
        let mut scene = Scene { machine, main, noise: fastrand::Rng::with_seed(1) };
        for _ in 0..1_000 {
            scene.prepare();
            scene.machine.engine.process(&mut scene.machine.io);
            scene.clear_up();
        }
        scene
    }

    /// New input: crowd noise, at times near the ceiling, and what the main sends.
    pub fn prepare(&mut self) {
        let Scene { machine, main, noise } = self;
        machine.io.frames = FRAMES;
        for channel in 0..INPUTS {
            machine.io.input.channel_mut(channel, FRAMES).fill_with(|| (noise.f32() - 0.5) * 0.3);
        }
        let Some(main) = main else { return };
        main.io.frames = FRAMES;
        main.engine.process(&mut main.io);
        for (from, to) in [(0, CLICK_IN), (1, OTHER_IN), (2, TIMECODE_IN)] {
            let sent = main.io.output.channel(from, FRAMES);
            machine.io.input.channel_mut(usize::from(to), FRAMES).copy_from_slice(sent);
        }
        main.clear_up();
    }

    pub fn clear_up(&mut self) {
        self.machine.clear_up();
    }

    pub fn block(&mut self) {
        self.prepare();
        process_worst_scene(self);
        self.clear_up();
    }
}

/// The callback, and nothing else. Its name is what callgrind looks for.
#[inline(never)]
pub fn process_worst_scene(scene: &mut Scene) {
    scene.machine.engine.process(&mut scene.machine.io);
}

/// Every source times a gain into every outlet, and no more.
pub struct BareMix {
    sources: Vec<[f32; FRAMES]>,
    gains: Vec<f32>,
    outs: Vec<[f32; FRAMES]>,
}

impl BareMix {
    pub fn new() -> BareMix {
        let mut noise = fastrand::Rng::with_seed(2);
        let sources = INPUTS + CLICKS;
        BareMix {
            sources: (0..sources).map(|_| std::array::from_fn(|_| noise.f32() - 0.5)).collect(),
            gains: (0..sources * OUTLETS).map(|_| noise.f32()).collect(),
            outs: vec![[0.0; FRAMES]; OUTLETS],
        }
    }
}

/// See [`process_worst_scene`].
#[inline(never)]
pub fn process_bare_mix(mix: &mut BareMix) {
    for (out, gains) in mix.outs.iter_mut().zip(mix.gains.chunks(mix.sources.len())) {
        out.fill(0.0);
        for (source, gain) in mix.sources.iter().zip(gains) {
            for (to, from) in out.iter_mut().zip(source) {
                *to += gain * from;
            }
        }
    }
    black_box(&mix.outs);
}
