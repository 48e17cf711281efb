//! Promise: another device's click is passed on, and each of its hits that fails is filled in.
//!
//! A pad plays the show's own click from a clock of its own; the engine hears it on an input. What leaves is judged by
//! the listener against what the pad should have played, one safety delay and one look-ahead later.

mod common;

use common::*;
use fogbell::click::set::{Anchor, Set, Stretch};
use fogbell::listener::{Due, Listener, Verdict};
use fogbell::realtime::event::{Event, RunState, Source, What};
use fogbell::realtime::setup::OutsideSetup;
use fogbell::realtime::wiring::{Ports, wire};
use fogbell::show::model::{Latch, Subdivision};
use fogbell::show::{parse_rig, parse_show};
use fogbell::units::{Exact, FramePos, Frames, SampleRate, Whole};
use std::path::Path;
use std::sync::Arc;

const RATE: SampleRate = SampleRate::standard();
const SECOND: i64 = 48_000;

#[derive(Clone, Copy, Debug, PartialEq)]
enum Wrong {
    Nothing,
    /// From this hit on nothing comes.
    Dies(usize),
    /// One hit is missing.
    Misses(usize),
    /// From this hit on it is so many frames late (negative: early).
    Shifts(usize, i64),
    /// From this hit on there is hum and nothing else.
    Hums(usize),
}

struct Pad {
    ppm: f64,
    safety: i64,
    wrong: Wrong,
    /// A backing track beside the click, linear RMS.
    bleed: f32,
    block: usize,
}

struct Heard {
    verdict: Verdict,
    events: Vec<Event>,
    out: Vec<f32>,
}

fn show_of_a_pad() -> Arc<Set> {
    let eighths = || style(Subdivision::Notes(Whole::new(1, 8)));
    let parts = vec![part(eighths(), eighths(), 0)];
    let bars = (0..8).map(|_| metre(&[1, 1, 1, 1], 4)).collect();
    let show = show(vec![song(vec![section(bars, bpm(1320), parts)])], false);
    Arc::new(set(&show, RATE, &body(RATE), &[]))
}

/// The pad's hits: exact places as written, from a start of its own.
fn hits(set: &Set, start: i64, ppm: f64) -> Vec<(f64, f32)> {
    let anchor = Anchor { at: Exact(0), stretch: Stretch::ONE };
    let lane = set.lanes[0].own;
    let mut all = Vec::new();
    for leg in &set.songs[0].legs {
        for hit in leg.grid.hits.iter().filter(|hit| hit.lane == lane) {
            let local = (anchor.at + leg.written + hit.local() - Exact(0)).as_f64();
            all.push((start as f64 + local / (1.0 + ppm * 1e-6), hit.gain));
        }
    }
    all
}

fn play(pad: &Pad) -> Heard {
    let set = show_of_a_pad();
    let mut setup = setup(&set, 1);
    setup.outside = vec![OutsideSetup {
        channel: 0,
        click: 0,
        safety: Frames(pad.safety),
        tolerance: None,
        starts_song: true,
        latch: Latch::default(),
    }];
    let mut bench = Stepped::new(&setup, Arc::clone(&set));
    let hits = hits(&set, SECOND, pad.ppm);
    let length = hits.last().map_or(0, |hit| hit.0 as i64) + SECOND;
    let mut line = vec![0.0f32; length as usize];
    let sound = body(RATE).sounds[0].samples.clone();
    for (index, (place, gain)) in hits.iter().enumerate() {
        let place = match pad.wrong {
            Wrong::Dies(from) | Wrong::Hums(from) if index >= from => continue,
            Wrong::Misses(which) if index == which => continue,
            Wrong::Shifts(from, by) if index >= from => place + by as f64,
            _ => *place,
        };
        for (n, sample) in sound.iter().enumerate() {
            line[place.round() as usize + n] += gain * sample;
        }
    }
    let mut random = fastrand::Rng::with_seed(3);
    if let Wrong::Hums(from) = pad.wrong {
        let from = hits[from].0 as usize;
        for (n, sample) in line.iter_mut().enumerate().skip(from) {
            *sample += 0.05 * (n as f32 * std::f32::consts::TAU * 50.0 / 48_000.0).sin();
        }
    }
    line.iter_mut().for_each(|sample| *sample += pad.bleed * 3.4 * (random.f32() - 0.5));
    let mut heard = Heard { verdict: Verdict::default(), events: Vec::new(), out: Vec::new() };
    for block in line.chunks(pad.block) {
        bench.io.input.channel_mut(0, block.len()).copy_from_slice(block);
        bench.block(block.len());
        heard.out.extend_from_slice(bench.io.output.channel(0, block.len()));
        bench.advance(0);
    }
    heard.events = bench.events;
    let shift = pad.safety as f64 + LOOK_AHEAD as f64;
    let mut listener = Listener::new(Listener::templates(&set), RATE, 1);
    for (place, gain) in &hits {
        listener.expect(Due::plain((place + shift).round() as i64, 0, 0, *gain));
    }
    listener.hear(FramePos(0), Frames(0), &[&heard.out]);
    heard.verdict = listener.finish();
    heard
}

fn usual() -> Pad {
    Pad { ppm: 0.0, safety: 384, wrong: Wrong::Nothing, bleed: 0.0, block: 64 }
}

/// Missed, doubled; findings that are off by more than a millisecond.
fn counts(heard: &Heard) -> (u64, u64, usize) {
    let off = heard.verdict.findings.iter().filter(|one| one.error_frames.abs() > 48.0).count();
    (heard.verdict.all.missed, heard.verdict.all.doubled, off)
}

#[test]
fn a_healthy_pad_starts_the_song_and_is_passed_on_untouched() {
    for ppm in [-250.0, 0.0, 200.0] {
        let heard = play(&Pad { ppm, ..usual() });
        assert_eq!(counts(&heard), (0, 0, 0), "{ppm}: {:?}", heard.verdict.findings);
        assert!(heard.verdict.all.due > 60);
        let plays = heard.events.iter().any(|event| matches!(event.what, What::Placed { song: 0, .. }));
        assert!(plays, "the song did not start");
        let runs = heard.events.iter().any(|event| match event.what {
            What::Status(status) => status.run == RunState::Playing && status.bar >= 3,
            _ => false,
        });
        assert!(runs, "bar 3 was not reached");
        let switched = heard
            .events
            .iter()
            .filter(|event| matches!(event.what, What::Switched { source: Source::Fallback, .. }));
        assert_eq!(switched.count(), 0, "{ppm}");
    }
}

#[test]
fn with_a_safety_delay_no_hit_is_lost_whatever_fails() {
    for (wrong, ppm) in [
        (Wrong::Misses(20), 0.0),
        (Wrong::Dies(21), 0.0),
        (Wrong::Dies(30), 150.0),
        (Wrong::Hums(25), -80.0),
        (Wrong::Shifts(24, -1200), 0.0),
        (Wrong::Shifts(24, 900), 0.0),
    ] {
        let heard = play(&Pad { wrong, ppm, ..usual() });
        let (missed, doubled, off) = counts(&heard);
        assert_eq!(missed, 0, "{wrong:?}: {:?}", heard.verdict.findings);
        // A hit that comes early has left before it is known to be wrong.
        let early = matches!(wrong, Wrong::Shifts(_, by) if by < 0);
        assert!(doubled <= u64::from(early), "{wrong:?}: {:?}", heard.verdict.findings);
        assert!(off <= usize::from(early), "{wrong:?}: {:?}", heard.verdict.findings);
    }
}

#[test]
fn without_a_safety_delay_one_hit_at_most_is_lost() {
    for ppm in [0.0, 120.0] {
        let heard = play(&Pad { wrong: Wrong::Dies(22), safety: 0, ppm, ..usual() });
        let (missed, doubled, _) = counts(&heard);
        assert!(missed <= 1 && doubled == 0, "{:?}", heard.verdict.findings);
    }
}

#[test]
fn any_split_into_blocks_sounds_the_same() {
    let pad = |block| Pad { block, wrong: Wrong::Dies(25), ppm: 90.0, bleed: 0.001, ..usual() };
    let whole = play(&pad(64)).out;
    for block in [1usize, 37, 480] {
        let other = play(&pad(block)).out;
        let first = whole.iter().zip(&other).position(|(a, b)| a != b);
        assert_eq!(first, None, "blocks of {block}");
    }
}

#[test]
fn a_track_beside_the_click_30_db_below_changes_nothing() {
    // Hits of 0.2 peak: noise of 0.002 RMS is 40 dB below, 0.006 about 30 dB.
    for bleed in [0.002, 0.006] {
        let heard = play(&Pad { bleed, ..usual() });
        let (missed, _, off) = counts(&heard);
        assert_eq!((missed, off), (0, 0), "{bleed}: {:?}", heard.verdict.findings);
    }
}

/// What the show says of a pad is what the engine is given; an input that the rig does not place gives nothing.
#[test]
fn what_the_show_says_of_a_pad_reaches_the_engine() {
    let text = "[click.band]\ninput = \"pad\"\n[input.pad]\nkind = \"click\"\nsafety_delay_ms = 10\n\
                starts_song = true\ntolerance_ms = 5\n[failover]\nlatch = { in_row = 3, of_eight = 4 }\n[[song]]\n\
                title = \"Low Tide\"\ntempo = 132\nbars = 4\n";
    let show = parse_show(text, "show.toml", Path::new(".")).show.expect("a good show");
    let ports = Ports { rate: RATE, max_block: 64, inputs: 4, outputs: 2 };
    let outside = |rig: &str| {
        let rig = parse_rig(rig, "rig.toml", Path::new(".")).rig.expect("a good rig");
        wire(&show, &rig, ports, false).expect("wired").outside
    };
    let expected = OutsideSetup {
        channel: 2,
        click: 0,
        safety: Frames(480),
        starts_song: true,
        tolerance: Some(Frames(240)),
        latch: Latch { in_row: 3, of_eight: 4 },
    };
    assert_eq!(outside("[outputs]\nband = 1\n[inputs]\npad = 3\n"), [expected]);
    assert_eq!(outside("[outputs]\nband = 1\n"), []);
}
