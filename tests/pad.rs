//! Promise: another device's click is passed on, and each of its hits that fails is filled in.
//!
//! A pad plays the show's own click from a clock of its own; the engine hears it on an input. What leaves is judged by
//! the listener against what the pad should have played, one safety delay and one look-ahead later.

#[allow(dead_code)]
#[path = "follow/band.rs"]
mod band;
mod common;

use common::*;
use fogbell::click::set::{Anchor, Set, Stretch};
use fogbell::listener::{Due, Listener, Verdict};
use fogbell::realtime::command::{Command, When};
use fogbell::realtime::event::{Cause, Event, RunState, Source, What};
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
    /// From this hit on there is hum, noise or speech and nothing else.
    Hums(usize),
    Noises(usize),
    Speaks(usize),
    /// This hit comes again after so many frames.
    Doubles(usize, usize),
    /// From this hit on all is so much quieter.
    Steps(usize, f32),
    /// From this hit on it has another sound.
    Changes(usize),
    /// At this hit the pad hangs and plays a buffer of so many frames over and over.
    Hangs(usize, usize),
}

struct Pad {
    ppm: f64,
    safety: i64,
    wrong: Wrong,
    /// White noise beside the click, linear RMS.
    bleed: f32,
    /// Music beside the click, its peak below the click's, in decibels; 0 for none.
    music_db: f32,
    /// The count-in is spoken over.
    spoken: bool,
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
fn hits(set: &Set, song: usize, start: i64, ppm: f64) -> Vec<(f64, f32)> {
    let anchor = Anchor { at: Exact(0), stretch: Stretch::ONE };
    let lane = set.lanes[0].own;
    let mut all = Vec::new();
    for leg in &set.songs[song].legs {
        for hit in leg.grid.hits.iter().filter(|hit| hit.lane == lane) {
            let local = (anchor.at + leg.written + hit.local() - Exact(0)).as_f64();
            all.push((start as f64 + local / (1.0 + ppm * 1e-6), hit.gain));
        }
    }
    all
}

fn outside(safety: i64) -> OutsideSetup {
    OutsideSetup {
        channel: 0,
        click: 0,
        safety: Frames(safety),
        tolerance: None,
        starts_song: true,
        latch: Latch::default(),
    }
}

/// What arrives from the pad.
fn line(pad: &Pad, hits: &[(f64, f32)], length: usize) -> Vec<f32> {
    let mut line = vec![0.0f32; length];
    let sound = body(RATE).sounds[0].samples.clone();
    let other: Vec<f32> =
        (0..700).map(|n| 0.4 * (n as f32 * 0.31).sin() * (-(n as f32) / 160.0).exp()).collect();
    let mut put = |place: usize, gain: f32, sound: &[f32]| {
        line.get_mut(place..)
            .unwrap_or_default()
            .iter_mut()
            .zip(sound)
            .for_each(|(to, from)| *to += gain * from);
    };
    for (index, (place, gain)) in hits.iter().enumerate() {
        let at = place.round() as usize;
        match pad.wrong {
            Wrong::Dies(from) | Wrong::Hums(from) | Wrong::Noises(from) | Wrong::Speaks(from)
                if index >= from => {}
            Wrong::Misses(which) if index == which => {}
            Wrong::Shifts(from, by) if index >= from => {
                put((place + by as f64).round() as usize, *gain, &sound)
            }
            Wrong::Steps(from, by) if index >= from => put(at, gain * by, &sound),
            Wrong::Changes(from) if index >= from => put(at, *gain, &other),
            Wrong::Doubles(which, after) if index == which => {
                put(at, *gain, &sound);
                put(at + after, *gain, &sound);
            }
            _ => put(at, *gain, &sound),
        }
    }
    let start = |index: usize| hits[index].0 as usize;
    let mut random = fastrand::Rng::with_seed(3);
    match pad.wrong {
        Wrong::Hums(from) => {
            for (n, sample) in line.iter_mut().enumerate().skip(start(from)) {
                *sample += 0.05 * (n as f32 * std::f32::consts::TAU * 50.0 / 48_000.0).sin();
            }
        }
        // From half a beat before: noise that breaks out on a beat is a hit for once.
        Wrong::Noises(from) => {
            line[start(from) - 5_000..].iter_mut().for_each(|s| *s += 0.2 * (random.f32() - 0.5))
        }
        Wrong::Speaks(from) => {
            (start(from)..length).step_by(17_000).for_each(|at| band::word(&mut line, at, 0.15))
        }
        Wrong::Hangs(from, size) => {
            let first = start(from) + 100 - size / 2;
            let buffer = line[first..first + size].to_vec();
            line[first + size..].iter_mut().enumerate().for_each(|(n, sample)| *sample = buffer[n % size]);
        }
        _ => {}
    }
    if pad.spoken {
        (0..4).for_each(|index| band::word(&mut line, start(2 * index).saturating_sub(900), 0.1));
    }
    if pad.music_db < 0.0 {
        band::backing(&mut line, &mut random, 0.2 * 10f64.powf(f64::from(pad.music_db) / 20.0));
    }
    line.iter_mut().for_each(|sample| *sample += pad.bleed * 3.4 * (random.f32() - 0.5));
    line
}

fn play(pad: &Pad) -> Heard {
    let set = show_of_a_pad();
    let mut setup = setup(&set, 1);
    setup.outside = vec![outside(pad.safety)];
    let mut bench = Stepped::new(&setup, Arc::clone(&set));
    let hits = hits(&set, 0, SECOND, pad.ppm);
    let length = hits.last().map_or(0, |hit| hit.0 as i64) + SECOND;
    let line = line(pad, &hits, length as usize);
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
    Pad { ppm: 0.0, safety: 384, wrong: Wrong::Nothing, bleed: 0.0, music_db: 0.0, spoken: false, block: 64 }
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
        (Wrong::Noises(25), 40.0),
        (Wrong::Speaks(26), 0.0),
        (Wrong::Doubles(27, 1_800), 0.0),
        // Below -20 dB of its level a click counts as silent.
        (Wrong::Steps(24, 0.03), 0.0),
        (Wrong::Shifts(24, -1200), 0.0),
        (Wrong::Shifts(24, 900), 0.0),
    ] {
        let heard = play(&Pad { wrong, ppm, ..usual() });
        let (missed, doubled, off) = counts(&heard);
        assert_eq!(missed, 0, "{wrong:?}: {:?}", heard.verdict.findings);
        // A hit that comes early, or again, has left before it is known to be wrong.
        let early = matches!(wrong, Wrong::Shifts(_, by) if by < 0) || matches!(wrong, Wrong::Doubles(..));
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

/// What switched to the engine's own click, and why.
fn switches(heard: &Heard) -> Vec<Cause> {
    let switched = heard.events.iter().filter_map(|event| match event.what {
        What::Switched { source: Source::Fallback, cause, .. } => Some(cause),
        _ => None,
    });
    switched.collect()
}

/// Music that lies so far below the click, words over the count-in, a fader that falls, a sound that changes: nothing
/// is switched, and nothing is missed.
#[test]
fn real_dirt_switches_nothing() {
    let dirt = [
        Pad { music_db: -20.0, ..usual() },
        Pad { music_db: -30.0, ..usual() },
        Pad { music_db: -40.0, ..usual() },
        Pad { spoken: true, ..usual() },
        Pad { wrong: Wrong::Steps(24, 0.1), ..usual() },
        Pad { wrong: Wrong::Steps(24, 2.0), ..usual() },
        Pad { wrong: Wrong::Changes(24), ..usual() },
    ];
    for pad in dirt {
        let heard = play(&pad);
        let name = format!("music {} dB, spoken {}, {:?}", pad.music_db, pad.spoken, pad.wrong);
        assert_eq!(switches(&heard), [], "{name}");
        // The listener knows the hits by their usual level and sound.
        if matches!(pad.wrong, Wrong::Nothing) {
            assert_eq!(heard.verdict.all.missed, 0, "{name}: {:?}", heard.verdict.findings);
        }
        println!("{name}: {} of {} missed", heard.verdict.all.missed, heard.verdict.all.due);
    }
}

/// A pad that hangs: it is silenced within a quarter of a second, and every later hit is the engine's own.
#[test]
fn a_pad_that_plays_its_last_buffer_over_and_over_is_taken_off() {
    for size in [256, 512, 1_024, 2_048] {
        let heard = play(&Pad { wrong: Wrong::Hangs(24, size), ..usual() });
        let causes = switches(&heard);
        println!("a buffer of {size}: {causes:?}, {:?}", heard.verdict.all);
        assert!(
            matches!(causes[..], [Cause::LineRepeats | Cause::Drowned | Cause::Absent, ..]),
            "{size}: {causes:?}"
        );
        let hits = hits(&show_of_a_pad(), 0, SECOND, 0.0);
        let hung = hits[24].0 as i64;
        // From two beats on: what leaves is what leaves when the pad dies.
        let dead = play(&Pad { wrong: Wrong::Dies(25), ..usual() });
        let from = (hung + 36_000) as usize;
        let worst =
            heard.out[from..].iter().zip(&dead.out[from..]).map(|(a, b)| (a - b).abs()).fold(0.0, f32::max);
        assert_eq!(worst, 0.0, "{size}");
    }
}

/// The first song was chosen when the follower began to look for its start; the second is played.
#[test]
fn the_song_chosen_last_is_the_one_that_starts() {
    let eighths = || style(Subdivision::Notes(Whole::new(1, 8)));
    let of = |tempo: i64| {
        let bars = (0..8).map(|_| metre(&[1, 1, 1, 1], 4)).collect();
        song(vec![section(bars, bpm(tempo), vec![part(eighths(), eighths(), 0)])])
    };
    let show = show(vec![of(1320), of(990)], false);
    let set = Arc::new(set(&show, RATE, &body(RATE), &[]));
    let mut setup = setup(&set, 1);
    setup.outside = vec![outside(384)];
    let mut bench = Stepped::new(&setup, Arc::clone(&set));
    bench.run(48_000, &mut |_, _, _| {});
    bench.send(When::Now, Command::Choose { song: 1 });
    let played = hits(&set, 1, SECOND, 0.0);
    let line = line(&usual(), &played, 10 * SECOND as usize);
    for block in line.chunks(64) {
        bench.io.input.channel_mut(0, block.len()).copy_from_slice(block);
        bench.block(block.len());
        bench.advance(0);
    }
    let placed = bench.events.iter().find_map(|event| match event.what {
        What::Placed { song, .. } => Some(song),
        _ => None,
    });
    assert_eq!(placed, Some(1));
}

/// 8 bars of eighths are 64 hits, 15 s: a rate is known to some ten parts in a million after 16 of them at best.
#[test]
fn how_a_pad_lies_beside_the_grid_is_told_and_its_clock_is_known() {
    for (ppm, block) in [(-250.0, 64), (0.0, 37), (200.0, 480)] {
        let heard = play(&Pad { ppm, block, ..usual() });
        let told: Vec<_> = heard
            .events
            .iter()
            .filter_map(|event| if let What::Beside { now, .. } = event.what { Some(now) } else { None })
            .collect();
        let counts: Vec<u32> = told.iter().map(|now| now.hits).collect();
        assert!(
            counts.len() >= 3 && counts.iter().zip(1..).all(|(hits, n)| *hits == 16 * n),
            "{ppm}: {counts:?}"
        );
        let last = told[counts.len() - 1];
        // The clock's own error within a fifth of it and 20 ppm; hits within a frame or two of the corrected grid.
        assert!((f64::from(last.ppm) - ppm).abs() < 20.0 + 0.2 * ppm.abs(), "{ppm}: {last:?}");
        assert!(last.mean.abs() < 3.0 && last.spread < 4.0, "{ppm}: {last:?}");
    }
}
