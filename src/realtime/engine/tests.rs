//! The engine on a stepped timeline: every figure here is of frames, none of seconds.

use super::*;
use crate::click::set::{
    Anchor, BeatMark, ClickLanes, Grid, Hit, HitKind, Leg, LegKind, SongPlan, Sound, StreamPlan, Stretch,
};
use crate::realtime::event::{Cause, Source};
use crate::realtime::setup::{EngineSetup, InputSetup, OutletSetup, PartSetup, PartSource, Talks};
use crate::realtime::stream::STREAM_FRAMES;
use crate::show::model::GiveBack;
use crate::units::{SampleRate, Span};
use ringbuf::traits::Consumer;

const BEAT: i64 = 4800;
const LOOK_AHEAD: usize = 72;

fn sound(level: f32) -> Sound {
    let samples: Vec<f32> = (0..240).map(|n| level * (1.0 - n as f32 / 240.0)).collect();
    Sound { name: "test".into(), samples: samples.into(), lead: 0, onset_peak: level, heard_late: 0.0 }
}

fn grid(bars: u32) -> Arc<Grid> {
    let beats = bars * 4;
    let local = |beat: u32| Span::frames(Frames(i64::from(beat) * BEAT));
    let mark = |beat: u32| BeatMark { local: local(beat), bar: beat / 4, beat: (beat % 4) as u16 + 1, of: 4 };
    let hit = |beat: u32, lane: u8| {
        let mut hit = Hit {
            frame: 0,
            part: 0,
            gain: 1.0,
            bar: beat / 4,
            beat: (beat % 4) as u16 + 1,
            subdivision: 0,
            sound: u16::from(lane),
            lane,
            kind: HitKind::Beat,
        };
        hit.set_local(local(beat));
        hit
    };
    Arc::new(Grid {
        length: local(beats),
        hits: (0..beats).flat_map(|beat| [hit(beat, 0), hit(beat, 1)]).collect(),
        beats: (0..beats).map(mark).collect(),
    })
}

fn leg(bars: u32, first_bar: i32) -> Leg {
    Leg {
        kind: LegKind::Section,
        section: 0,
        section_name: "a".into(),
        pass: 0,
        grid: grid(bars),
        first_bar,
        vamp: false,
        hold: false,
        count_in: Some(grid(1)),
        ambient: None,
        written: Span(0),
    }
}

/// One click: lane 0 its own, lane 1 its fallback (a sound half as loud). Two legs of two bars.
fn set(streamed: bool) -> Set {
    let mut second = leg(2, 3);
    second.written = Span::frames(Frames(8 * BEAT));
    let plan = StreamPlan {
        file: "track.wav".into(),
        channel: 0,
        gain: 1.0,
        standing: 0.0,
        origin: Span(0),
        expected: vec![[0.0, 0.25].repeat(8).into(), [0.0, 0.25].repeat(8).into()],
    };
    Set {
        rate: SampleRate::standard(),
        sounds: vec![sound(0.25), sound(0.125)],
        lanes: vec![ClickLanes { own: 0, fallback: 1 }],
        lane_count: 2,
        songs: vec![SongPlan {
            said: Default::default(),
            title: "test".into(),
            legs: vec![leg(2, 1), second],
            segue: false,
            encore: false,
            first_section_leg: 0,
            streams: vec![streamed.then_some(plan)],
        }],
        max_lead: 0,
        lane_peaks: vec![],
    }
}

fn setup() -> EngineSetup {
    EngineSetup {
        rate: SampleRate::standard(),
        max_block: 256,
        look_ahead: LOOK_AHEAD,
        lanes: 2,
        clicks: vec![ClickSetup { own_lane: 0, fallback_lane: 1 }],
        inputs: vec![],
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

struct Bench {
    control: Control,
    engine: Engine,
    io: Io,
    heard: Vec<f32>,
    events: Vec<Event>,
}

impl Bench {
    fn new(set: Set) -> Bench {
        let (control, engine) = engine(&setup(), Arc::new(set));
        Bench { control, engine, io: Io::new(0, 1, 1024), heard: Vec::new(), events: Vec::new() }
    }

    fn send(&mut self, when: When, command: Command) {
        assert!(self.control.commands.try_push(Timed { when, command, id: 0 }).is_ok());
    }

    fn run(&mut self, frames: usize, blocks: &mut dyn FnMut() -> usize) {
        let until = self.heard.len() + frames;
        while self.heard.len() < until {
            let block = blocks().min(until - self.heard.len());
            self.io.frames = block;
            self.engine.process(&mut self.io);
            self.heard.extend_from_slice(self.io.output.channel(0, block));
            self.io.at = self.io.at + Frames(block as i64);
            self.io.lost = Frames(0);
            self.events.extend(self.control.events.pop_iter());
        }
    }

    /// Frames where the level jumps from silence, with the level.
    fn onsets(&self) -> Vec<(usize, f32)> {
        self.heard
            .windows(2)
            .enumerate()
            .filter(|(_, pair)| pair[1] - pair[0] > 0.05)
            .map(|(frame, pair)| (frame + 1, pair[1]))
            .collect()
    }

    fn switches(&self) -> Vec<(i64, Source, Cause)> {
        let switch = |event: &Event| match event.what {
            What::Switched { source, cause, .. } => Some((event.at.0, source, cause)),
            _ => None,
        };
        self.events.iter().filter_map(switch).collect()
    }
}

/// First hit of a start on frame 0: gains have settled after 55 ms.
const FIRST: i64 = 2640;

fn start_and_run(frames: usize, blocks: &mut dyn FnMut() -> usize) -> Bench {
    let mut bench = Bench::new(set(false));
    bench.send(When::Now, Command::Start);
    bench.run(frames, blocks);
    bench
}

#[test]
fn every_hit_leaves_on_its_frame_and_the_song_ends() {
    let bench = start_and_run(20 * BEAT as usize, &mut || 64);
    let frames: Vec<i64> = bench.onsets().iter().map(|(frame, _)| *frame as i64).collect();
    assert_eq!(frames, (0..16).map(|beat| FIRST + beat * BEAT).collect::<Vec<_>>());
    let ended = bench.events.iter().find(|e| matches!(e.what, What::Stopped { ended: true, .. }));
    assert_eq!(ended.map(|event| event.at.0), Some(FIRST + 16 * BEAT));
}

#[test]
fn any_split_into_blocks_gives_the_same_samples() {
    let reference = start_and_run(20 * BEAT as usize, &mut || 64).heard;
    for seed in 0..20 {
        let mut random = fastrand::Rng::with_seed(seed);
        let split = start_and_run(20 * BEAT as usize, &mut || random.usize(1..1000)).heard;
        assert!(split == reference, "seed {seed}");
    }
}

#[test]
fn a_stop_at_the_bar_end_lets_the_bar_finish_and_nothing_more() {
    let mut bench = Bench::new(set(false));
    bench.send(When::Now, Command::Start);
    bench.run(2 * BEAT as usize, &mut || 128);
    bench.send(When::BarEnd, Command::Stop);
    bench.run(10 * BEAT as usize, &mut || 128);
    assert_eq!(bench.onsets().len(), 4);
}

#[test]
fn the_start_key_never_stops_or_restarts_a_song() {
    let mut bench = Bench::new(set(false));
    bench.send(When::Now, Command::Start);
    bench.run(3 * BEAT as usize, &mut || 128);
    bench.send(When::Now, Command::Start);
    bench.run(17 * BEAT as usize, &mut || 128);
    assert_eq!(bench.onsets().len(), 16);
    assert!(bench.events.iter().any(|event| matches!(event.what, What::Refused { .. })));
}

#[test]
fn a_turned_round_band_is_mended_by_a_beat_without_moving_the_beats() {
    let mut bench = Bench::new(set(false));
    bench.send(When::Now, Command::Start);
    bench.run(2 * BEAT as usize + 2000, &mut || 100);
    bench.send(When::Now, Command::ShiftBeats(1));
    bench.run(20 * BEAT as usize, &mut || 100);
    let frames: Vec<i64> = bench.onsets().iter().map(|(frame, _)| *frame as i64).collect();
    assert_eq!(frames, (0..15).map(|beat| FIRST + beat * BEAT).collect::<Vec<_>>());
}

#[test]
fn one_is_now_puts_a_bar_line_on_the_next_frame_that_can_be_decided() {
    let mut bench = Bench::new(set(false));
    bench.send(When::Now, Command::Start);
    bench.run(3 * BEAT as usize + 4600, &mut || 100);
    let now = bench.heard.len() as i64 + LOOK_AHEAD as i64;
    bench.send(When::Now, Command::OneIsNow);
    bench.run(20 * BEAT as usize, &mut || 100);
    let frames: Vec<i64> = bench.onsets().iter().map(|(frame, _)| *frame as i64).collect();
    assert_eq!(frames[4..7], [now, now + BEAT, now + 2 * BEAT]);
    bench.send(When::Now, Command::Undo);
}

#[test]
fn a_nudge_and_its_undo_lose_and_double_nothing() {
    let mut bench = Bench::new(set(false));
    bench.send(When::Now, Command::Start);
    bench.run(2 * BEAT as usize + 3600, &mut || 100);
    bench.send(When::Now, Command::Nudge(Frames(480)));
    bench.run(2 * BEAT as usize, &mut || 100);
    bench.send(When::Now, Command::Undo);
    bench.run(20 * BEAT as usize, &mut || 100);
    let frames: Vec<i64> = bench.onsets().iter().map(|(frame, _)| *frame as i64).collect();
    let expected: Vec<i64> =
        (0..16).map(|beat| FIRST + beat * BEAT + if (3..5).contains(&beat) { 480 } else { 0 }).collect();
    assert_eq!(frames, expected);
}

#[test]
fn tempo_for_tonight_goes_on_from_the_place_it_is_at() {
    let mut bench = Bench::new(set(false));
    bench.send(When::Now, Command::Start);
    bench.run(FIRST as usize + BEAT as usize - LOOK_AHEAD, &mut || 100);
    bench.send(When::Now, Command::Tempo(Stretch { over: 2, under: 1 }));
    bench.run(20 * BEAT as usize, &mut || 100);
    let frames: Vec<i64> = bench.onsets().iter().map(|(frame, _)| *frame as i64).collect();
    let second = FIRST + BEAT;
    assert_eq!(frames[..4], [FIRST, second, second + 2 * BEAT, second + 4 * BEAT]);
}

#[test]
fn lost_frames_move_nothing_that_comes_after_them() {
    let mut bench = Bench::new(set(false));
    bench.send(When::Now, Command::Start);
    bench.run(FIRST as usize + 100, &mut || 100);
    let lost = 2 * BEAT + 2000;
    bench.io.at = bench.io.at + Frames(lost);
    bench.io.lost = Frames(lost);
    bench.run(20 * BEAT as usize, &mut || 100);
    let frames: Vec<i64> = bench.onsets().iter().map(|(frame, _)| *frame as i64).collect();
    assert_eq!(frames[0], FIRST);
    assert_eq!(frames[1] + lost, FIRST + 3 * BEAT);
    let lost_hits: Vec<_> = bench
        .events
        .iter()
        .filter_map(|e| match e.what {
            What::LostHits { from, to } => Some((from, to)),
            _ => None,
        })
        .collect();
    assert_eq!(lost_hits, [(2, 6)], "two beats of two lanes");
}

#[test]
fn a_hit_lost_by_less_than_five_milliseconds_sounds_at_the_first_frame_asked_for() {
    let mut bench = Bench::new(set(false));
    bench.send(When::Now, Command::Start);
    bench.run((FIRST - 50) as usize, &mut || 100);
    bench.io.at = bench.io.at + Frames(150);
    bench.io.lost = Frames(150);
    bench.run(2 * BEAT as usize, &mut || 100);
    assert_eq!(bench.onsets()[0].0 as i64, FIRST - 50, "the first frame after the gap");
    let late = bench.events.iter().find_map(|e| match e.what {
        What::LateHit { late, .. } => Some(late),
        _ => None,
    });
    assert_eq!(late, Some(Frames(100)));
}

#[test]
fn a_hit_lost_by_less_than_the_look_ahead_is_heard_whole() {
    for lost in 1..=LOOK_AHEAD as i64 {
        let mut bench = Bench::new(set(false));
        bench.send(When::Now, Command::Start);
        bench.run((FIRST + BEAT - 1) as usize, &mut || 100);
        bench.io.at = bench.io.at + Frames(lost);
        bench.io.lost = Frames(lost);
        bench.run(BEAT as usize, &mut || 100);
        let heard = &bench.heard[(FIRST + BEAT - 1) as usize..];
        let whole = sound(0.25);
        assert_eq!(heard[..240], whole.samples[..], "{lost} frames lost");
    }
}

#[test]
fn a_vamp_is_in_its_place_at_once_after_a_day_that_nobody_asked_for() {
    let mut set = set(false);
    set.songs[0].legs[0].vamp = true;
    let mut bench = Bench::new(set);
    bench.send(When::Now, Command::Start);
    bench.run(FIRST as usize + 100, &mut || 100);
    let lost = 86_400 * 48_000 + 1234;
    bench.io.at = bench.io.at + Frames(lost);
    bench.io.lost = Frames(lost);
    let before = bench.heard.len();
    bench.run(20 * BEAT as usize, &mut || 100);
    let next = (before as i64 + lost - FIRST).div_euclid(BEAT) + 1;
    let frames: Vec<i64> =
        bench.onsets()[1..].iter().map(|(frame, _)| *frame as i64 + lost - FIRST).collect();
    assert_eq!(frames[..19], (next..next + 19).map(|beat| beat * BEAT).collect::<Vec<_>>());
    let lost_hits: u32 = bench
        .events
        .iter()
        .filter_map(|e| match e.what {
            What::LostHits { from, to } => Some(to - from),
            _ => None,
        })
        .sum();
    assert_eq!(i64::from(lost_hits), 2 * (next - 1), "each beat of two lanes after the first");
}

#[test]
fn an_earlier_nudge_over_the_end_of_a_section_loses_nothing() {
    for before_end in [50, 100, 400] {
        let mut bench = Bench::new(set(false));
        bench.send(When::Now, Command::Start);
        bench.run((FIRST + 8 * BEAT - before_end) as usize - LOOK_AHEAD, &mut || 64);
        bench.send(When::Now, Command::Nudge(Frames(-960)));
        bench.run(20 * BEAT as usize, &mut || 64);
        let frames: Vec<i64> = bench.onsets().iter().map(|(frame, _)| *frame as i64).collect();
        assert_eq!(frames.len(), 16, "{before_end}");
        assert_eq!(frames[8], FIRST + 8 * BEAT - before_end, "as soon as it was said");
        assert_eq!(frames[9], FIRST + 9 * BEAT - 960);
    }
}

#[test]
fn a_far_earlier_nudge_is_a_jump_and_no_burst() {
    let mut bench = Bench::new(set(false));
    bench.send(When::Now, Command::Start);
    bench.run(FIRST as usize + 1000 - LOOK_AHEAD, &mut || 64);
    bench.send(When::Now, Command::Nudge(Frames(-9 * BEAT)));
    bench.run(20 * BEAT as usize, &mut || 64);
    let frames: Vec<i64> = bench.onsets().iter().map(|(frame, _)| *frame as i64).collect();
    assert_eq!(frames, (0..7).map(|beat| FIRST + beat * BEAT).collect::<Vec<_>>(), "nine beats are gone");
    assert!(bench.heard.iter().all(|sample| *sample <= 0.25));
}

#[test]
fn a_nudge_taken_back_beside_a_hit_neither_loses_nor_doubles_it() {
    for nudge in [-1440i64, -480, 480, 1440] {
        for offset in (-2000..2000).step_by(100) {
            let mut bench = Bench::new(set(false));
            bench.send(When::Frame(FramePos(FIRST + BEAT + 2000)), Command::Nudge(Frames(nudge)));
            bench.send(When::Frame(FramePos(FIRST + 3 * BEAT + offset)), Command::Undo);
            bench.send(When::Now, Command::Start);
            bench.run(20 * BEAT as usize, &mut || 64);
            assert_eq!(bench.onsets().len(), 16, "{nudge} taken back at {offset}");
        }
    }
}

#[test]
fn a_second_call_back_in_never_brings_the_click_in_early() {
    let mut bench = Bench::new(set(false));
    bench.send(When::Now, Command::Start);
    bench.run(FIRST as usize + 10, &mut || 64);
    bench.send(When::Now, Command::AllOut);
    bench.run(BEAT as usize, &mut || 64);
    bench.send(When::Now, Command::AllBack);
    let line = FIRST + 4 * BEAT;
    bench.run((line - 600) as usize - bench.heard.len(), &mut || 64);
    bench.send(When::Now, Command::AllBack);
    bench.run(600 + BEAT as usize, &mut || 64);
    assert_eq!(bench.onsets()[1].0 as i64, line);
}

#[test]
fn all_out_is_silent_within_ten_milliseconds_and_comes_back_on_a_bar_line() {
    let mut bench = Bench::new(set(false));
    bench.send(When::Now, Command::Start);
    bench.run(FIRST as usize + 10, &mut || 64);
    bench.send(When::Now, Command::AllOut);
    let out_at = bench.heard.len();
    bench.run(BEAT as usize, &mut || 64);
    assert!(bench.heard[out_at + 480..].iter().all(|sample| *sample == 0.0));
    bench.send(When::Now, Command::AllBack);
    bench.run(20 * BEAT as usize, &mut || 64);
    let frames: Vec<i64> = bench.onsets().iter().map(|(frame, _)| *frame as i64).collect();
    assert_eq!(frames[1], FIRST + 4 * BEAT);
    assert_eq!(bench.heard[frames[1] as usize], 0.25, "back at full level");
}

/// Pieces of 256 frames, mixed one by one or four together: what fades or steps back meanwhile must not be asked later.
#[test]
fn what_a_mix_hangs_on_changes_between_the_same_frames_in_blocks_of_one_piece_and_of_four() {
    let talkback = InputSetup {
        channel: 1,
        talks: Some(Talks::ByVoice),
        gate_opens: Some(0.1),
        ..InputSetup::default()
    };
    let part = |input| PartSetup { source: PartSource::Input(input), left: 0.5, right: 0.0 };
    let setup = EngineSetup {
        max_block: 1024,
        inputs: vec![InputSetup::default(), talkback],
        outlets: vec![OutletSetup { channels: vec![0], parts: vec![part(0), part(1)] }],
        ..setup()
    };
    let play = |block: usize| {
        let (mut control, mut engine) = engine(&setup, Arc::new(set(false)));
        // The second fades out what the first has left, four pieces into a block of eight.
        for (id, at) in [(1, 5_196), (2, 5_546), (3, 40_000)] {
            let command = if id < 3 { Command::AllOut } else { Command::AllBack };
            let when = When::Frame(FramePos(at));
            control.commands.try_push(Timed { when, command, id }).expect("room");
        }
        let mut io = Io::new(2, 1, 1024);
        let mut heard = Vec::new();
        while io.at.0 < 131_072 {
            io.frames = block;
            for (n, frame) in (io.at.0..).take(block).enumerate() {
                let wave = (frame as f32 * 0.3).sin();
                io.input.channel_mut(0, block)[n] = 0.2 * wave;
                // Somebody talks for 10 ms, is silent for 0.4 s, and talks again before the room is back.
                io.input.channel_mut(1, block)[n] = if frame % 19_680 < 480 { 0.3 * wave } else { 0.0 };
            }
            engine.process(&mut io);
            heard.extend(io.output.channel(0, block).iter().map(|sample| sample.to_bits()));
            io.at = io.at + Frames(block as i64);
        }
        heard
    };
    let one_by_one = play(256);
    assert!(one_by_one[5_196..5_546].iter().any(|bits| *bits != 0), "there is something to fade");
    assert_eq!(one_by_one[6_100..39_000].iter().find(|bits| **bits != 0), None);
    assert!(one_by_one[100_000..].iter().any(|bits| *bits != 0));
    let first = |other: &[u32]| one_by_one.iter().zip(other).position(|(one, other)| one != other);
    assert_eq!(first(&play(1024)), None);
    assert_eq!(first(&play(512)), None);
}

#[test]
fn a_vamp_repeats_until_released_and_a_hold_waits_for_a_count_in() {
    let mut set = set(false);
    set.songs[0].legs[0].vamp = true;
    set.songs[0].legs[0].hold = true;
    let mut bench = Bench::new(set);
    bench.send(When::Now, Command::Start);
    bench.run(20 * BEAT as usize, &mut || 100);
    assert_eq!(bench.onsets().len(), 20);
    bench.send(When::Now, Command::Release);
    bench.run(10 * BEAT as usize, &mut || 100);
    assert_eq!(bench.onsets().len(), 24, "the third pass ends, then the hold");
    bench.send(When::Now, Command::Start);
    bench.run(20 * BEAT as usize, &mut || 100);
    assert_eq!(bench.onsets().len(), 24 + 4 + 8, "a bar of count-in, then the second section");
}

#[test]
fn one_is_now_ends_a_hold_at_tonights_tempo() {
    let mut set = set(false);
    set.songs[0].legs[0].hold = true;
    let mut bench = Bench::new(set);
    bench.send(When::Now, Command::Start);
    bench.run(12 * BEAT as usize, &mut || 100);
    bench.send(When::Now, Command::Tempo(Stretch { over: 3, under: 2 }));
    bench.send(When::Now, Command::OneIsNow);
    bench.run(13 * BEAT as usize, &mut || 100);
    let onsets = bench.onsets();
    assert_eq!(onsets.len(), 16);
    assert_eq!((onsets[9].0 - onsets[8].0) as i64, 3 * BEAT / 2);
}

#[test]
fn what_falls_together_is_done_in_the_order_in_which_it_was_asked_whatever_moved_before() {
    let mut bench = start_and_run(BEAT as usize, &mut || 100);
    // The beat comes before the bar, until the place moves and it is the bar's first.
    let from = FramePos(FIRST + BEAT / 2);
    let asked = [
        (When::BarFrom(from), Command::Choose { song: 0 }),
        (When::BeatFrom(from), Command::Release),
        (When::Frame(FramePos(FIRST + BEAT - 100)), Command::ShiftBeats(3)),
    ];
    for ((when, command), id) in asked.into_iter().zip(1..) {
        assert!(bench.control.commands.try_push(Timed { when, command, id }).is_ok());
    }
    bench.run(6 * BEAT as usize, &mut || 100);
    let answers: Vec<u64> = bench
        .events
        .iter()
        .filter_map(|event| match event.what {
            What::Done { id } | What::Refused { id } => Some(id),
            _ => None,
        })
        .collect();
    assert_eq!(answers, [0, 3, 1, 2]);
}

/// A renderer of the same hits as the primary, half a millisecond of click each, at 0.25.
fn feed(
    bench: &mut Bench,
    generation: u32,
    from: i64,
    until: i64,
    anchor: i64,
    broken: &dyn Fn(i64, f32) -> f32,
) -> i64 {
    let mut first = from;
    while first < until {
        let mut block = StreamBlock {
            generation,
            first: FramePos(first),
            frames: 251,
            peak: 0.0,
            samples: [0.0; STREAM_FRAMES],
        };
        for (sample, frame) in block.samples.iter_mut().take(251).zip(first..) {
            let within = (frame - anchor).rem_euclid(BEAT);
            let music = frame >= anchor && within < 240;
            *sample = broken(frame, if music { 0.25 * (1.0 - within as f32 / 240.0) } else { 0.0 });
        }
        block.peak = block.samples.iter().fold(0.0f32, |most, sample| most.max(sample.abs()));
        if bench.control.streams[0].try_push(block).is_err() {
            break;
        }
        first += 251;
    }
    first
}

fn wanted(bench: &Bench) -> (u32, i64, i64) {
    let find = |event: &Event| match event.what {
        What::StreamWanted { generation, anchor_at, .. } => {
            Some((generation, event.at.0, anchor_at.nearest().0))
        }
        _ => None,
    };
    bench.events.iter().find_map(find).expect("a stream is wanted")
}

fn streamed(broken: &dyn Fn(i64, f32) -> f32, until_beat: i64) -> (Bench, i64) {
    let mut bench = Bench::new(set(true));
    bench.send(When::Now, Command::Start);
    bench.run(100, &mut || 100);
    let (generation, from, anchor) = wanted(&bench);
    let mut fed = from;
    for _ in 0..22 {
        fed = feed(&mut bench, generation, fed, anchor + until_beat * BEAT, anchor, broken);
        bench.run(BEAT as usize, &mut || 100);
    }
    (bench, anchor)
}

#[test]
fn a_whole_stream_is_heard_from_the_first_hit_to_the_last() {
    let (bench, anchor) = streamed(&|_, sample| sample, 17);
    let heard = bench.onsets();
    assert_eq!(
        heard.iter().map(|(frame, _)| *frame as i64).collect::<Vec<_>>(),
        (0..16).map(|b| anchor + b * BEAT).collect::<Vec<_>>()
    );
    assert!(heard.iter().all(|(_, level)| *level == 0.25), "{heard:?}");
}

#[test]
fn a_renderer_that_dies_at_any_frame_loses_doubles_and_moves_nothing() {
    for tenth in 0..100 {
        let mut bench = Bench::new(set(true));
        bench.send(When::Now, Command::Start);
        bench.run(100, &mut || 100);
        let (generation, from, anchor) = wanted(&bench);
        let dies = anchor + 2 * BEAT + tenth * BEAT / 10;
        feed(&mut bench, generation, from, dies, anchor, &|_, sample| sample);
        bench.run(22 * BEAT as usize, &mut || 100);
        let heard = bench.onsets();
        let frames: Vec<i64> = heard.iter().map(|(frame, _)| *frame as i64).collect();
        assert_eq!(frames, (0..16).map(|beat| anchor + beat * BEAT).collect::<Vec<_>>(), "dies at {dies}");
        assert!(heard.iter().filter(|(_, level)| *level == 0.125).count() >= 3, "the fallback took over");
        assert!(bench.switches().iter().any(|(.., cause)| *cause == Cause::Late), "{:?}", bench.switches());
    }
}

#[test]
fn each_kind_of_broken_stream_is_named_and_no_hit_is_lost() {
    type Break = Box<dyn Fn(i64, f32) -> f32>;
    let after = |frame: i64| frame > 6 * BEAT;
    let cases: Vec<(Cause, Break)> = vec![
        (Cause::Corrupt, Box::new(move |frame, sample| if after(frame) { f32::NAN } else { sample })),
        (Cause::Corrupt, Box::new(move |frame, sample| if after(frame) { 7.0 } else { sample })),
        (Cause::SilentWhenDue, Box::new(move |frame, sample| if after(frame) { 0.0 } else { sample })),
    ];
    for (cause, broken) in cases {
        let (bench, anchor) = streamed(&*broken, 17);
        let frames: Vec<i64> = bench.onsets().iter().map(|(frame, _)| *frame as i64).collect();
        assert_eq!(frames, (0..16).map(|beat| anchor + beat * BEAT).collect::<Vec<_>>(), "{cause:?}");
        assert!(
            bench.switches().iter().any(|(.., seen)| *seen == cause),
            "{cause:?}: {:?}",
            bench.switches()
        );
        assert!(bench.heard.iter().all(|sample| sample.abs() <= 0.26));
    }
}

#[test]
fn a_renderer_that_repeats_its_last_block_is_noticed() {
    let mut bench = Bench::new(set(true));
    bench.send(When::Now, Command::Start);
    bench.run(100, &mut || 100);
    let (generation, from, anchor) = wanted(&bench);
    let frozen = anchor + 4 * BEAT;
    feed(&mut bench, generation, from, frozen, anchor, &|_, sample| sample);
    let mut first = from + (frozen - from + 250) / 251 * 251;
    for _ in 0..300 {
        let mut block = StreamBlock {
            generation,
            first: FramePos(first),
            frames: 251,
            peak: 0.0,
            samples: [0.0; STREAM_FRAMES],
        };
        block
            .samples
            .iter_mut()
            .take(251)
            .enumerate()
            .for_each(|(n, sample)| *sample = 0.2 * (n as f32 * 0.1).sin());
        block.peak = block.samples.iter().fold(0.0f32, |most, sample| most.max(sample.abs()));
        let _ = bench.control.streams[0].try_push(block);
        first += 251;
    }
    bench.run(22 * BEAT as usize, &mut || 100);
    assert!(bench.switches().iter().any(|(.., cause)| *cause == Cause::Repeating), "{:?}", bench.switches());
}

#[test]
fn commands_meant_for_a_frame_give_the_same_night_in_any_blocks() {
    let night = |blocks: &mut dyn FnMut() -> usize| {
        let mut bench = Bench::new(set(false));
        bench.send(When::Frame(FramePos(500)), Command::Start);
        bench.send(When::Frame(FramePos(11_000)), Command::ShiftBeats(1));
        bench.send(When::Frame(FramePos(20_000)), Command::Nudge(Frames(-300)));
        bench.send(When::Frame(FramePos(30_000)), Command::Tempo(Stretch { over: 17, under: 19 }));
        bench.send(When::Frame(FramePos(41_000)), Command::OneIsNow);
        bench.send(When::Frame(FramePos(50_000)), Command::AllOut);
        bench.send(When::Frame(FramePos(55_000)), Command::AllBack);
        bench.send(When::Frame(FramePos(70_000)), Command::GoTo { song: 0, leg: 1, count_in: true });
        bench.run(120_000, blocks);
        bench.heard
    };
    let reference = night(&mut || 64);
    assert!(reference.iter().any(|sample| *sample > 0.2));
    for seed in 0..20 {
        let mut random = fastrand::Rng::with_seed(seed);
        assert!(night(&mut || random.usize(1..1000)) == reference, "seed {seed}");
    }
}

#[test]
fn an_anchor_ties_a_hit_to_its_frame_even_when_stretched() {
    let anchor = Anchor { at: Exact::at(FramePos(100)), stretch: Stretch { over: 3, under: 2 } };
    assert_eq!(anchor.frame(Span::frames(Frames(10))), FramePos(115));
    assert_eq!(anchor.local(Exact::at(FramePos(115))), Span::frames(Frames(10)));
}

#[test]
fn a_renderer_that_is_dead_before_the_song_is_named_after_its_grace() {
    let mut bench = Bench::new(set(true));
    bench.send(When::Now, Command::Start);
    bench.run(22 * BEAT as usize, &mut || 100);
    assert_eq!(bench.onsets().len(), 16);
    let faults: Vec<_> = bench.switches().into_iter().filter(|(.., cause)| *cause == Cause::Late).collect();
    assert_eq!(faults.len(), 1, "{:?}", bench.switches());
}
