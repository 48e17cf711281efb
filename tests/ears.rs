//! Promise: ears are safe, and hear the room when they should. The room's level follows the show file's times; a crowd
//! does not push the click down; kill, all out and talkback do what they say and no more; no fault of a drill steps or
//! passes a ceiling; timecode is outside of all of it.

mod common;

use common::*;
use fogbell::click::prepare::prepare;
use fogbell::click::set::Set;
use fogbell::drill::failures::{FAILURES, Stage};
use fogbell::drill::pair::play;
use fogbell::drill::{Bench, Mishap, Wiring};
use fogbell::log::{Entry, Line, SCHEMA, Start};
use fogbell::realtime::command::{Command, When};
use fogbell::realtime::event::{RideWhy, What};
use fogbell::realtime::setup::{EngineSetup, TimecodeSetup};
use fogbell::realtime::wiring::{Ports, wire};
use fogbell::report::Gather;
use fogbell::show::{default_rig, parse_show};
use fogbell::telemetry::Drain;
use fogbell::timecode::FrameRate;
use fogbell::units::{FramePos, Frames, SampleRate};
use std::path::Path;
use std::sync::Arc;

const SECOND: i64 = 48_000;

fn night(text: &str) -> (EngineSetup, Arc<Set>) {
    let reading = parse_show(text, "ears.toml", Path::new("."));
    assert!(reading.faults.is_empty(), "{:?}", reading.faults);
    let show = reading.show.expect("a show");
    let rate = SampleRate::standard();
    let set = prepare(&show, rate).expect("sounds").set;
    let ports = Ports { rate, max_block: 256, inputs: 4, outputs: 8 };
    (wire(&show, &default_rig(&show), ports, false).expect("a setup"), Arc::new(set))
}

/// An input channel and a frame to a sample.
type World<'w> = &'w mut dyn FnMut(usize, i64) -> f32;

/// Runs so many frames in blocks of these sizes with this on the inputs; gives what left, by channel.
fn run(
    bench: &mut Stepped,
    frames: i64,
    sizes: &mut dyn FnMut() -> usize,
    world: World<'_>,
) -> Vec<Vec<f32>> {
    let mut heard = vec![Vec::new(); bench.io.output.channels()];
    let end = bench.io.at.0 + frames;
    while bench.io.at.0 < end {
        let size = sizes().min((end - bench.io.at.0) as usize);
        for channel in 0..bench.io.input.channels() {
            let at = bench.io.at.0;
            let input = bench.io.input.channel_mut(channel, size);
            input.iter_mut().zip(at..).for_each(|(sample, frame)| *sample = world(channel, frame));
        }
        bench.block(size);
        for (channel, heard) in heard.iter_mut().enumerate() {
            heard.extend_from_slice(bench.io.output.channel(channel, size));
        }
        bench.advance(0);
    }
    heard
}

/// 1 kHz, whose peak in any millisecond is its level.
fn tone(level: f32, frame: i64) -> f32 {
    level * (frame as f32 * std::f32::consts::TAU / 48.0).sin()
}

fn peak(samples: &[f32], at: i64) -> f32 {
    let at = at as usize;
    samples[at..at + 48].iter().fold(0.0, |most, sample| most.max(sample.abs()))
}

fn db(level: f32) -> f32 {
    20.0 * level.log10()
}

/// 120 a minute in 4/4: a bar is two seconds. Count-in of one bar, two bars, two with the room at −3 dB, two that end in
/// a hold, and two more.
const RIDING: &str = r#"
[click.drums]
[input.room]
high_pass = 150
[feed.drums]
[feed.room]
hears = ["room"]
[ride]
close = 0.6
open = 1.5
after = 0.5
[[song]]
title = "Low Tide"
tempo = 120
count_in = 1
[[song.section]]
name = "intro"
bars = 2
[[song.section]]
name = "she talks"
bars = 2
ambient = -3
[[song.section]]
name = "verse"
bars = 2
hold = true
[[song.section]]
name = "last"
bars = 2
"#;

/// Everything is counted by hand from the file: the first count 20 ms after the start that was ordered for second 4.
#[test]
fn the_room_rides_by_the_times_of_the_show_file() {
    let (setup, set) = night(RIDING);
    let mut bench = Stepped::new(&setup, set);
    bench.send(When::Frame(FramePos(4 * SECOND)), Command::Start);
    bench.send(When::Frame(FramePos(24 * SECOND)), Command::Start);
    let heard = run(&mut bench, 40 * SECOND, &mut || 64, &mut |_, frame| tone(0.1, frame));
    let room = |seconds: f64| db(peak(&heard[1], (seconds * 48_000.0) as i64) / 0.1);
    let one = 4.02;
    let near = |seconds: f64, level: f32| {
        assert!((room(seconds) - level).abs() < 0.15, "at {seconds} s: {} dB, not {level}", room(seconds));
    };
    // Up when the show is loaded, then open.
    near(1.6, 0.0);
    near(one - 0.61, 0.0);
    // Halfway down in gain, (1 + 0.251) / 2, then closed on count one.
    near(one - 0.3, -4.08);
    near(one - 0.001, -12.0);
    near(one + 1.0, -12.0);
    // Count-in and intro last 2 + 4 s; the talking section opens over 1.5 s and closes over 0.6 s.
    near(one + 5.99, -12.0);
    near(one + 6.0 + 1.5, -3.0);
    near(one + 9.99, -3.0);
    near(one + 10.0 + 0.6, -12.0);
    // The hold comes after 14 s; the last hit is the beat half a second before it: the room opens with the hold.
    near(one + 13.99, -12.0);
    near(one + 14.0 + 0.75, -4.06);
    near(one + 14.0 + 1.5, 0.0);
    // Called again for second 24: closed by its first count.
    near(24.02 - 0.61, 0.0);
    near(24.02 - 0.001, -12.0);
    // A bar and two bars later nothing plays; the last hit was half a second before.
    near(24.02 + 5.99, -12.0);
    near(24.02 + 6.0 + 1.5, 0.0);
    let rides: Vec<(i64, RideWhy)> = bench
        .events
        .iter()
        .filter_map(|event| match event.what {
            What::Ride { why, .. } => Some((event.at.0, why)),
            _ => None,
        })
        .collect();
    let at = |seconds: f64| (seconds * 48_000.0).round() as i64;
    let expected = [
        (0, RideWhy::Load),
        (at(one - 0.6), RideWhy::Song),
        (at(one + 6.0), RideWhy::Section),
        (at(one + 10.0), RideWhy::Section),
        (at(one + 14.0), RideWhy::Between),
        (at(24.02 - 0.6), RideWhy::Song),
        (at(24.02 + 6.0), RideWhy::Between),
    ];
    assert_eq!(rides, expected, "a small event a ride, and no more");
}

/// As the run's desk writes them.
fn log_of(bench: &Stepped, set: &Arc<Set>, text: &str) -> String {
    let mut drain = Drain::new(Arc::clone(set), vec!["drums".into()]);
    let start = Start { schema: SCHEMA, text: text.into(), rate: 48_000, block: 64, ..Start::default() };
    let mut lines = vec![(0, Entry::Start(Box::new(start)))];
    for event in &bench.events {
        drain.take(event, "21:00:00", &mut |frame, entry| lines.push((frame.0, entry)));
    }
    lines.push((
        40 * SECOND,
        Entry::End { reason: "as asked".into(), frames: 40 * SECOND, device_lost: None },
    ));
    let line = |(frame, entry): (i64, Entry)| {
        // A line of a later frame is written before that frame is heard.
        let ms = (frame / 48).max(0) as u64;
        let time = format!("2026-11-25T21:00:{:02}.{:03}+01:00", ms / 1000 % 60, ms % 1000);
        serde_json::to_string(&Line { time, ms, frame: Some(frame), entry }).unwrap() + "\n"
    };
    lines.into_iter().map(line).collect()
}

/// The line that the report draws, the level that was heard, and the times that stand in the show file, three witnesses
/// that share no code: the first from the log, the second from the sound, the third counted by hand above.
#[test]
fn the_ride_that_the_report_draws_is_the_one_that_was_heard() {
    let (setup, set) = night(RIDING);
    let mut bench = Stepped::new(&setup, Arc::clone(&set));
    bench.send(When::Frame(FramePos(4 * SECOND)), Command::Start);
    bench.send(When::Frame(FramePos(24 * SECOND)), Command::Start);
    let heard = run(&mut bench, 40 * SECOND, &mut || 64, &mut |_, frame| tone(0.1, frame));
    let mut gather = Gather::default();
    gather.file("night.jsonl", log_of(&bench, &set, RIDING).as_bytes());
    let report = serde_json::json!(gather.nights());
    let room = &report["nights"][0]["runs"][0]["room"];
    assert_eq!(room["inputs"].as_array().map(Vec::len), Some(1), "{room:#}");
    let ridden = &room["inputs"][0];
    assert_eq!(ridden["name"], "room");
    let line: Vec<(f64, f64)> = ridden["line"]
        .as_array()
        .unwrap()
        .iter()
        .map(|point| (point["seconds"].as_f64().unwrap(), point["db"].as_f64().unwrap()))
        .collect();
    let drawn = |seconds: f64| {
        let after = line.iter().position(|point| point.0 > seconds).unwrap_or(line.len() - 1).max(1);
        let ((a, from), (b, to)) = (line[after - 1], line[after]);
        from + (to - from) * ((seconds - a) / (b - a).max(1e-9)).clamp(0.0, 1.0)
    };
    for ms in (1_000..39_000).step_by(23) {
        let (seconds, from) = (f64::from(ms) / 1000.0, ms as i64 * 48);
        let sound = db(peak(&heard[1], from) / 0.1);
        let near = (drawn(seconds) - f64::from(sound)).abs();
        assert!(near < 0.4, "at {seconds} s: drawn {:.2} dB, heard {sound:.2} dB", drawn(seconds));
    }
    // [ride] close = 0.6: closed on count one, 20 ms after second 4, and on the called one of second 24; after = 0.5 and
    // open = 1.5: half a second after the last hit, which is the beat half a second before the end of the last bar.
    let moves: Vec<(f64, f64, &str)> = ridden["moves"]
        .as_array()
        .unwrap()
        .iter()
        .map(|one| {
            let number = |key: &str| one[key].as_f64().unwrap();
            (number("seconds"), number("over_seconds"), one["why"].as_str().unwrap())
        })
        .collect();
    let one = 4.02;
    let by_the_file = [
        (0.0, 1.5, "load"),
        (one - 0.6, 0.6, "song"),
        (one + 6.0, 1.5, "section"),
        (one + 10.0, 0.6, "section"),
        (one + 13.5 + 0.5, 1.5, "between"),
        (24.02 - 0.6, 0.6, "song"),
        (24.02 + 5.5 + 0.5, 1.5, "between"),
    ];
    assert_eq!(moves.len(), by_the_file.len(), "{moves:?}");
    for (found, wanted) in moves.iter().zip(by_the_file) {
        let near = (found.0 - wanted.0).abs() < 0.002 && (found.1 - wanted.1).abs() < 0.001;
        assert!(near && found.2 == wanted.2, "{found:?} is not {wanted:?}");
    }
    assert_eq!((&room["close_seconds"], &room["open_seconds"]), (&0.6.into(), &1.5.into()));
    assert_eq!((&ridden["in_time"], &ridden["not_in_time"]), (&1.into(), &serde_json::json!([])));
}

/// A foot on the start key gives no warning: the room is closed on count one all the same.
#[test]
fn a_start_by_foot_closes_the_room_before_count_one() {
    let (setup, set) = night(RIDING);
    let mut bench = Stepped::new(&setup, set);
    let mut world = |_: usize, frame: i64| tone(0.1, frame);
    run(&mut bench, 3 * SECOND, &mut || 128, &mut world);
    bench.send(When::Now, Command::Start);
    let heard = run(&mut bench, 3 * SECOND, &mut || 128, &mut world);
    let first = heard[0].iter().position(|sample| *sample != 0.0).expect("a count") as i64;
    assert!(first < SECOND / 20, "{first}");
    assert!((db(peak(&heard[1], first) / 0.1) + 12.0).abs() < 0.15);
}

const CROWDED: &str = r#"
[click.drums]
[input.left]
between = 12
in_song = 12
[input.right]
between = 12
in_song = 12
[feed.drums]
stereo = true
hears = { drums = 0, left = { pan = -1 }, right = { pan = 1 } }
[feed.alone]
hears = ["drums"]
[[song]]
title = "Low Tide"
tempo = 120
bars = 4
"#;

/// The deepest gain of the limiters while the song plays.
fn limited(text: &str, world: World<'_>) -> (f32, f32) {
    let (setup, set) = night(text);
    let mut bench = Stepped::new(&setup, set);
    bench.send(When::Frame(FramePos(SECOND)), Command::Start);
    let heard = run(&mut bench, 10 * SECOND, &mut || 64, world);
    let deepest = bench.events.iter().filter_map(|event| match event.what {
        What::Status(status) => Some(status.limiter),
        _ => None,
    });
    let loudest = heard.iter().flatten().fold(0.0f32, |most, sample| most.max(sample.abs()));
    (deepest.fold(1.0, f32::min), loudest)
}

#[test]
fn a_full_scale_crowd_lowers_the_click_by_no_more_than_a_decibel() {
    let mut random = fastrand::Rng::with_seed(5);
    let mut roar = |_: usize, _: i64| random.f32() * 2.0 - 1.0;
    let mut howl = |_: usize, frame: i64| 2.0 * tone(1.0, frame * 3);
    for level in [0, 6, 12] {
        let text = CROWDED.replace("[click.drums]", &format!("[click.drums]\nlevel = {level}"));
        let (alone, _) = limited(&text, &mut |_, _| 0.0);
        for world in [&mut roar as World<'_>, &mut howl] {
            let (crowd, loudest) = limited(&text, world);
            println!(
                "click {level:+} dB: lowered by {:.2} dB, with a crowd {:.2} dB",
                -db(alone),
                -db(crowd)
            );
            assert!(db(crowd / alone) >= -1.0, "click at {level} dB: {} dB", db(crowd / alone));
            assert!(loudest > 0.2 && loudest <= 0.5012, "{loudest}");
        }
    }
}

const TALKING: &str = r#"
[click.drums]
[input.room]
in_song = 0
[input.sing]
kind = "talkback"
[input.wren]
kind = "talkback"
talks = "by voice"
gate = -30
[feed.click]
hears = { drums = 0, sing = -60, wren = -60 }
[feed.room]
hears = { room = 0, sing = -60, wren = -60 }
[feed.sing]
hears = ["sing"]
[feed.other]
hears = ["room"]
[[song]]
title = "Low Tide"
tempo = 120
bars = 40
"#;

#[test]
fn a_talkback_turns_the_rest_of_its_feeds_down_while_its_key_is_latched() {
    let (setup, set) = night(TALKING);
    let mut bench = Stepped::new(&setup, set);
    let mut world = |channel: usize, frame: i64| if channel < 2 { tone(0.1, frame) } else { 0.0 };
    bench.send(When::Frame(FramePos(3 * SECOND)), Command::Start);
    let before = run(&mut bench, 8 * SECOND, &mut || 64, &mut world);
    assert_eq!(peak(&before[2], 2 * SECOND), 0.0, "not heard before its key");
    bench.send(When::Now, Command::Talk(true));
    let talking = run(&mut bench, 8 * SECOND, &mut || 64, &mut world);
    bench.send(When::Now, Command::Talk(false));
    let after = run(&mut bench, 8 * SECOND, &mut || 64, &mut world);
    let loudest = |samples: &[f32]| {
        samples[2 * SECOND as usize..6 * SECOND as usize].iter().fold(0.0f32, |m, s| m.max(s.abs()))
    };
    let click = |heard: &[Vec<f32>]| loudest(&heard[0]);
    assert!((db(click(&talking) / click(&after)) + 6.0).abs() < 0.1, "the click, never by more than 6 dB");
    assert!((db(peak(&talking[1], SECOND) / peak(&before[1], 7 * SECOND)) + 12.0).abs() < 0.2);
    assert!(peak(&talking[2], SECOND) > 0.09);
    let apart = db(peak(&talking[3], SECOND) / peak(&before[3], 7 * SECOND));
    assert!(apart.abs() < 0.05, "a feed without it is not turned down: {apart}");
    assert_eq!(peak(&after[2], SECOND), 0.0);
    assert!((db(peak(&after[1], SECOND) / peak(&before[1], 7 * SECOND))).abs() < 0.1);
}

#[test]
fn a_gate_on_a_talkback_opens_by_voice_and_is_shut_from_the_count_in_on() {
    let (setup, set) = night(TALKING);
    let mut bench = Stepped::new(&setup, set);
    let speaks = |frame: i64| frame % (2 * SECOND) < SECOND;
    let mut world = |channel: usize, frame: i64| match channel {
        0 => tone(0.1, frame),
        2 if speaks(frame) => tone(0.3, frame),
        _ => 0.0,
    };
    bench.send(When::Frame(FramePos(6 * SECOND)), Command::Start);
    let heard = run(&mut bench, 12 * SECOND, &mut || 64, &mut world);
    let room = |at: i64| db(peak(&heard[1], at) / 0.1);
    assert!(room(4 * SECOND - 100).abs() < 0.1, "nobody speaks");
    assert!((room(4 * SECOND + SECOND / 2) + 12.0).abs() < 0.2, "{}", room(4 * SECOND + SECOND / 2));
    assert!(room(6 * SECOND - 100).abs() < 0.1, "the gate has shut");
    for second in 7..12 {
        assert!(room(second * SECOND).abs() < 0.1, "in the song it stays shut: {second}");
    }
}

/// One key silences the room at once, and nothing else.
#[test]
fn the_kill_silences_the_room_within_ten_milliseconds_and_leaves_the_click() {
    let play = |killed: bool| {
        let (setup, set) = night(RIDING);
        let mut bench = Stepped::new(&setup, set);
        let mut world = |_: usize, frame: i64| tone(0.8, frame);
        bench.send(When::Frame(FramePos(2 * SECOND)), Command::Start);
        run(&mut bench, 6 * SECOND, &mut || 64, &mut world);
        if killed {
            bench.send(When::Now, Command::AmbientKill(true));
        }
        run(&mut bench, 4 * SECOND, &mut || 64, &mut world)
    };
    let (with, without) = (play(true), play(false));
    assert_eq!(with[0], without[0], "the click");
    assert!(with[1][480..].iter().all(|sample| *sample == 0.0), "10 ms");
    assert!(peak(&without[1], 480) > 0.1);
    let step = with[1].windows(2).map(|pair| (pair[1] - pair[0]).abs()).fold(0.0, f32::max);
    assert!(step < 0.05, "{step}");
}

#[test]
fn all_out_silences_every_feed_within_ten_milliseconds() {
    let (setup, set) = night(CROWDED);
    let mut bench = Stepped::new(&setup, set);
    let mut random = fastrand::Rng::with_seed(3);
    let mut roar = |_: usize, _: i64| random.f32() * 2.0 - 1.0;
    bench.send(When::Frame(FramePos(SECOND)), Command::Start);
    run(&mut bench, 3 * SECOND, &mut || 64, &mut roar);
    bench.send(When::Now, Command::AllOut);
    let heard = run(&mut bench, SECOND, &mut || 64, &mut roar);
    assert!(heard[0][..480].iter().any(|sample| *sample != 0.0));
    assert!(heard.iter().all(|channel| channel[480..].iter().all(|sample| *sample == 0.0)));
}

#[test]
fn the_room_comes_up_slowly_when_the_show_is_loaded() {
    let (setup, set) = night(RIDING);
    let mut bench = Stepped::new(&setup, set);
    let heard = run(&mut bench, 2 * SECOND, &mut || 64, &mut |_, frame| tone(0.1, frame));
    assert!(peak(&heard[1], 480) < 0.01, "10 ms after the start");
    assert!((peak(&heard[1], SECOND * 3 / 2) - 0.1).abs() < 0.002);
}

/// All out, the kill, a hand, a talkback and a roaring crowd: not a bit of timecode changes.
#[test]
fn timecode_is_outside_of_all_of_it() {
    let play = |commands: &[Command]| {
        let (mut setup, set) = night(TALKING);
        setup.timecode = Some(TimecodeSetup { channel: 6, frames: FrameRate::Tv25, peak: 0.9 });
        let (control, engine) = fogbell::realtime::engine::engine(&setup, set);
        let io = fogbell::realtime::io::Io::new(4, 7, 2048);
        let mut bench = Stepped::of(control, engine, io);
        let loud = !commands.is_empty();
        bench.send(When::Frame(FramePos(SECOND)), Command::Start);
        let mut out = Vec::new();
        for second in 0..6 {
            if let Some(command) = commands.get(second) {
                bench.send(When::Now, command.clone());
            }
            let mut world = |_: usize, frame: i64| if loud { 3.0 * tone(1.0, frame * 7) } else { 0.0 };
            out.extend(run(&mut bench, SECOND, &mut || 64, &mut world).swap_remove(6));
        }
        out
    };
    let quiet = play(&[]);
    let commands = [
        Command::AmbientHand(12.0),
        Command::Talk(true),
        Command::AmbientKill(true),
        Command::ClickOut,
        Command::MuteClick { click: 0, muted: true },
    ];
    let loud = play(&commands);
    assert!(quiet.iter().any(|sample| *sample >= 0.85), "over the feeds' ceiling: it is not limited");
    // All out is told in the user bits; the rest is not, but for the mutes. The shape stays: edges and level.
    let level = |samples: &[f32]| samples.iter().fold(0.0f32, |most, sample| most.max(sample.abs()));
    for second in 1..6 {
        let part = second * 48_000..(second + 1) * 48_000;
        assert_eq!(level(&quiet[part.clone()]), level(&loud[part]), "second {second}");
    }
    assert_eq!(quiet[..2 * 48_000], loud[..2 * 48_000], "crowd, hand and talkback change no bit");
    let out = play(&[Command::AllOut]);
    assert_eq!(level(&quiet[3 * 48_000..]), level(&out[3 * 48_000..]), "all out does not silence it");
}

/// Rides, kills, talkbacks, gates and delays are decided at frames: any blocks give the same samples.
#[test]
fn any_blocks_give_the_same_samples_with_a_room_and_talkbacks() {
    let play = |sizes: &mut dyn FnMut() -> usize| {
        let text = TALKING.replace("[input.room]", "[input.room]\ndelay_ms = 3\ncompress = { above = -30 }");
        let (setup, set) = night(&text);
        let mut bench = Stepped::new(&setup, set);
        for (at, command) in [
            (4, Command::Start),
            (6, Command::AmbientHand(-6.0)),
            (7, Command::Talk(true)),
            (8, Command::AmbientKill(true)),
            (9, Command::Talk(false)),
            (10, Command::AmbientKill(false)),
            (11, Command::Stop),
        ] {
            bench.send(When::Frame(FramePos(at * SECOND + 12_345)), command);
        }
        let noise = |channel: usize, frame: i64| {
            let mixed = (frame * 31 + channel as i64 * 7).wrapping_mul(0x5851_F42D_4C95_7F2D) >> 40;
            (mixed % 1000) as f32 / 1000.0 * if frame / 30_000 % 3 == 0 { 1.0 } else { 0.01 }
        };
        run(&mut bench, 15 * SECOND, sizes, &mut { noise })
    };
    let whole = play(&mut || 64);
    let mut random = fastrand::Rng::with_seed(1);
    assert_eq!(whole, play(&mut || random.usize(1..400)));
    assert_eq!(whole, play(&mut || 256));
}

/// The built-in sound on one machine and on each that others' clicks go through. At this level its own steepest step is
/// 0.022: a hit that is in one night and not in the other, or a little moved, is no step (0.044), and a splice that cuts
/// is one.
fn rehearsal(wiring: Wiring) -> Bench {
    let text = "[click.drums]\nlevel = -9\nevery = \"eighths\"\n[input.room]\n[[song]]\ntitle = \"Low Tide\"\ntempo = 132\nbars = 40\n";
    let (mut setup, set) = night(text);
    // Timecode and the main's click come in before the show's own inputs.
    setup.inputs.iter_mut().for_each(|input| input.channel += 2);
    Bench {
        set,
        setup,
        elsewhere: None,
        click: 0,
        wiring,
        frames: FrameRate::Tv25,
        latch: Frames(2880),
        seconds: 8.0,
        seed: 7,
    }
}

/// The end of the first five milliseconds that are as good as silent (−60 dBFS) in the quarter of a second from here on;
/// of the quietest, where none are.
fn quiet_after(heard: &[f32], from: i64) -> i64 {
    let loudest = |end: i64| {
        let before = &heard[end as usize - 240..=end as usize];
        before.iter().fold(0.0f32, |most, sample| most.max(sample.abs()))
    };
    let mut ends = from..from + 12_000;
    let quietest = || (from..from + 12_000).min_by(|a, b| loudest(*a).total_cmp(&loudest(*b)));
    ends.find(|end| loudest(*end) < 1e-3).or_else(quietest).expect("a frame")
}

/// What leaves with a failure of the drill minus what leaves without never steps by more than 0.05, and no sample passes
/// the ceiling. Frames that nobody asked for are no output. Two machines on mixer channels of their own are left out:
/// what a machine without power leaves behind is not ours. Failures begin between two hits: what a lead that is pulled inside
/// of a hit does to the line is passed on as it is.
#[test]
fn no_failure_of_a_drill_steps_or_passes_the_ceiling() {
    let mut worst = (0.0f32, "");
    for wiring in [Wiring::Alone, Wiring::Passed(Frames(384)), Wiring::Pad(Frames(384))] {
        let bench = rehearsal(wiring);
        let ceiling = bench.setup.ceiling;
        let world = bench.world();
        let of = |mishaps: &[Mishap]| play(&world, mishaps);
        let clean = of(&[]);
        assert!(clean.ear.iter().any(|sample| sample.abs() > 0.05), "nothing sounds");
        for failure in FAILURES.iter().filter(|failure| (failure.applies)(wiring)) {
            if failure.name.starts_with("main-returns") || failure.stage != Stage::Usual {
                continue; // its night begins otherwise: there is nothing to compare it with
            }
            for from in [4 * SECOND, 4 * SECOND + 14_000] {
                let played = of(&(failure.mishaps)(quiet_after(&clean.ear, from), SECOND));
                let lost =
                    |frame: i64| played.lost.iter().any(|(from, to)| (from - 1..=to + 1).contains(&frame));
                let apart: Vec<f32> =
                    played.ear.iter().zip(&clean.ear).map(|(with, without)| with - without).collect();
                for (frame, pair) in apart.windows(2).enumerate().filter(|(frame, _)| !lost(*frame as i64)) {
                    let step = (pair[1] - pair[0]).abs();
                    assert!(step <= 0.05, "{wiring:?} {}: {step} at {frame}", failure.name);
                    if step > worst.0 {
                        worst = (step, failure.name);
                    }
                }
                let by_hand =
                    |mishap: &Mishap| matches!(mishap, Mishap::Pressed(..) | Mishap::PressedBackup(..));
                if !(failure.mishaps)(0, 1).iter().any(by_hand) {
                    let opens = |what: &What| matches!(what, What::Ride { why: RideWhy::Between, .. });
                    let mut events = played.main.iter().chain(&played.backup);
                    assert!(!events.any(|event| opens(&event.what)), "{}: the room opened", failure.name);
                }
                let loudest = played.ear.iter().fold(0.0f32, |most, sample| most.max(sample.abs()));
                assert!(loudest <= ceiling * 1.000_001, "{wiring:?} {}: {loudest}", failure.name);
            }
        }
    }
    println!("largest step {:.4} ({})", worst.0, worst.1);
}
