//! Promise: the click survives the laptop. Two engines, one following the other's timecode, from a seed: whatever dies,
//! the band hears every hit once.
//!
//! The ear is the sum of both machines' outputs, on the main's time. What it must hear is what a main alone, given the
//! same commands, would have sounded.
//!
//! `SEED=7 cargo test --release --test machines` plays one night again; `FROM=10000 NIGHTS=100000` plays others and
//! more.

mod common;
#[path = "machines/handback.rs"]
mod handback;

use common::*;
use fogbell::click::set::{Set, SongSaid};
use fogbell::realtime::command::{Command, When};
use fogbell::realtime::event::{LineNow, PeerNow, What};
use fogbell::realtime::setup::{EngineSetup, PeerClick, PeerSetup, TimecodeSetup};
use fogbell::show::model::Show;
use fogbell::timecode::FrameRate;
use fogbell::units::{SampleRate, Span};
use std::sync::Arc;

/// What the main does wrong, and when.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Wrong {
    Nothing,
    /// Every output is silent from here on.
    Dies,
    /// The timecode lead is pulled, the main plays on.
    TimecodeLead,
    /// The click lead to the backup's input is pulled, the main plays on.
    ClickLead,
    /// It repeats its last block for ever.
    Repeats,
    /// A crackle on the timecode line: noise for so many frames.
    Crackle(i64),
}

#[derive(Clone, Debug)]
struct Night {
    rate: SampleRate,
    show: Show,
    /// The main's click goes through the backup.
    passed: bool,
    frames: FrameRate,
    /// The main's click reaches an input of the backup.
    witness: bool,
    ppm: f64,
    wrong: Wrong,
    at: i64,
    length: i64,
    commands: Vec<(i64, When, Command)>,
    /// Noise on the timecode line, linear RMS.
    noise: f32,
    block: usize,
    /// The main's click is this many frames behind its timecode, from each frame on.
    late: Vec<(i64, i64)>,
    /// Frames from the mixer into the backup and from the backup to the mixer, together.
    way: i64,
    /// A person at the backup, on its frames.
    pressed: Vec<(i64, Command)>,
}

impl Night {
    fn late_at(&self, time: f64) -> i64 {
        self.late.iter().rev().find(|(from, _)| time >= *from as f64).map_or(0, |late| late.1)
    }
}

/// What the ear heard, on the main's time.
#[derive(Debug, Default)]
struct Heard {
    /// Frame and level of each impulse of each click.
    main: Vec<(f64, f32)>,
    backup: Vec<(f64, f32)>,
    /// What a main alone would have sounded.
    due: Vec<f64>,
    peers: Vec<(i64, PeerNow)>,
    per_second: f64,
}

fn said(set: &mut Set) {
    let count = set.songs.len();
    for (index, song) in set.songs.iter_mut().enumerate() {
        let slot = if count <= 23 { 3600 } else { 600 };
        song.said = SongSaid {
            number: index as u16 + 1,
            base_seconds: (index as u32 + 1) * slot,
            digest: 0x1000 + index as u32,
        };
    }
}

const CLICK: usize = 0;

fn setups(set: &Set, night: &Night) -> (EngineSetup, EngineSetup) {
    let mut main = setup(set, 0);
    let channels = main.outlets.len() as u16;
    let timecode = TimecodeSetup { channel: channels, frames: night.frames, peak: 0.125 };
    main.timecode = Some(timecode);
    let mut backup = main.clone();
    backup.peer = Some(PeerSetup {
        backup: true,
        returning: false,
        timecode: 0,
        click: night.witness.then_some(PeerClick {
            channel: 1,
            click: CLICK as u8,
            passed: night.passed.then(|| night.rate.frames(0.008)),
        }),
        align: Span(0),
        latch: night.rate.frames(0.06),
    });
    (main, backup)
}

/// One engine with its recorded outputs.
struct Machine {
    stepped: Stepped,
    timecode: usize,
}

impl Machine {
    fn new(setup: &EngineSetup, set: &Arc<Set>, inputs: usize) -> Machine {
        let (control, engine) = fogbell::realtime::engine::engine(setup, Arc::clone(set));
        let timecode = setup.timecode.map_or(0, |timecode| usize::from(timecode.channel));
        let io = fogbell::realtime::io::Io::new(inputs, timecode + 1, 2048);
        Machine { stepped: Stepped::of(control, engine, io), timecode }
    }
}

/// A value between samples: cubic (Catmull–Rom), enough for a line of edges.
fn between(samples: &[f32], place: f64) -> f32 {
    let whole = place.floor();
    let part = (place - whole) as f32;
    let at =
        |n: i64| usize::try_from(whole as i64 + n).ok().and_then(|n| samples.get(n)).copied().unwrap_or(0.0);
    let (a, b, c, d) = (at(-1), at(0), at(1), at(2));
    b + 0.5 * part * (c - a + part * (2.0 * a - 5.0 * b + 4.0 * c - d + part * (3.0 * (b - c) + d - a)))
}

fn play(night: &Night, seed: u64) -> Heard {
    let mut set = set(&night.show, night.rate, &impulse(), &[]);
    said(&mut set);
    let set = Arc::new(set);
    let (main_setup, backup_setup) = setups(&set, night);
    let mut heard = Heard { per_second: f64::from(night.rate.hertz()), ..Heard::default() };
    // A main alone: what is due. What goes wrong is done to what left it.
    let (mut line, mut click) = run_main(Machine::new(&main_setup, &set, 0), night);
    let end = night.length as f64 - 0.1 * heard.per_second;
    let late = |frame: f64| frame + night.late_at(frame) as f64;
    heard.due = hits(&click).map(|(frame, _)| late(frame)).filter(|frame| *frame < end).collect();
    break_main(night, &mut line, &mut click);
    heard.main = hits(&click).map(|(frame, level)| (late(frame), level)).collect();
    let mut random = fastrand::Rng::with_seed(seed);
    let mut noise = move || (0..4).map(|_| random.f32()).sum::<f32>() - 2.0;
    let mut backup = Machine::new(&backup_setup, &set, 2);
    let speed = 1.0 + night.ppm * 1e-6;
    let mut pressed = night.pressed.iter().peekable();
    let mut at = 0i64;
    while (at as f64) < night.length as f64 / speed {
        let block = night.block;
        while let Some((_, command)) = pressed.next_if(|(frame, _)| *frame <= at) {
            backup.stepped.send(When::Now, command.clone());
        }
        for n in 0..block {
            let time = (at + n as i64) as f64 * speed - night.way as f64;
            let wrong = time >= night.at as f64;
            let gone = wrong && night.wrong == Wrong::TimecodeLead;
            let mut value = if gone { 0.0 } else { between(&line, time) } + night.noise * 1.73 * noise();
            if let Wrong::Crackle(frames) = night.wrong
                && (0.0..frames as f64).contains(&(time - night.at as f64))
            {
                value = noise();
            }
            backup.stepped.io.input.channel_mut(0, block)[n] = value;
            let no_click = wrong && night.wrong == Wrong::ClickLead;
            backup.stepped.io.input.channel_mut(1, block)[n] =
                if no_click { 0.0 } else { nearest(&click, time - night.late_at(time) as f64, speed) };
        }
        backup.stepped.block(block);
        for event in backup.stepped.events.drain(..) {
            if std::env::var_os("TELL").is_some() && !matches!(event.what, What::Status(_) | What::Peer(_)) {
                println!("backup {} {:?}", event.at.0, event.what);
            }
            if let What::Peer(now) = event.what {
                heard.peers.push((event.at.0, now));
            }
        }
        for n in 0..block {
            let level = backup.stepped.io.output.channel(CLICK, block)[n];
            if level.abs() > 0.02 {
                heard.backup.push(((at + n as i64) as f64 * speed, level));
            }
        }
        at += block as i64;
        backup.stepped.advance(0);
    }
    heard
}

/// Impulses are not interpolated: the nearest sample.
fn nearest(samples: &[f32], time: f64, speed: f64) -> f32 {
    let (from, to) = (time.round() as i64, (time + speed).round() as i64);
    let at = |n: i64| usize::try_from(n).ok().and_then(|n| samples.get(n)).copied().unwrap_or(0.0);
    (from..to.max(from + 1))
        .map(at)
        .fold(0.0, |most, one| if one.abs() > f32::abs(most) { one } else { most })
}

/// Timecode and click of a main with which nothing is wrong.
fn run_main(mut main: Machine, night: &Night) -> (Vec<f32>, Vec<f32>) {
    let (mut line, mut click) = (Vec::new(), Vec::new());
    let mut commands = night.commands.iter().peekable();
    let mut at = 0;
    while at < night.length + 4_000 {
        while let Some((_, when, command)) = commands.next_if(|(frame, ..)| *frame <= at) {
            main.stepped.send(*when, command.clone());
        }
        main.stepped.block(64);
        line.extend_from_slice(main.stepped.io.output.channel(main.timecode, 64));
        click.extend_from_slice(main.stepped.io.output.channel(CLICK, 64));
        at += 64;
        main.stepped.advance(0);
        for event in main.stepped.events.drain(..) {
            if std::env::var_os("TELL").is_some() && !matches!(event.what, What::Status(_) | What::Peer(_)) {
                println!("main {} {:?}", event.at.0, event.what);
            }
        }
    }
    (line, click)
}

fn break_main(night: &Night, line: &mut [f32], click: &mut [f32]) {
    let from = usize::try_from(night.at).unwrap_or(0).min(line.len());
    match night.wrong {
        Wrong::Dies => {
            line[from..].fill(0.0);
            click[from..].fill(0.0);
        }
        Wrong::Repeats => {
            for n in from..line.len() {
                (line[n], click[n]) = (line[n - 128], click[n - 128]);
            }
        }
        Wrong::Nothing | Wrong::TimecodeLead | Wrong::ClickLead | Wrong::Crackle(_) => {}
    }
}

/// Frame and level of each impulse.
fn hits(click: &[f32]) -> impl Iterator<Item = (f64, f32)> {
    let levels = click.iter().enumerate().filter(|(_, level)| level.abs() > 0.02);
    levels.map(|(frame, level)| (frame as f64, *level))
}

/// What the sum of both machines was to the band.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
struct Verdict {
    due: usize,
    missed: usize,
    /// Sounded by both, or where nothing was due.
    doubled: usize,
    /// Sounded more than 0.1 ms and half a frame from its place, at most 6 ms.
    late: usize,
    worst_ms: f64,
}

/// `forgiven`: hits due in this span of the main's time may be missed or late (the blind window).
fn judge(heard: &Heard, repeats_from: f64) -> (Verdict, Vec<f64>) {
    let per_second = heard.per_second;
    let mut verdict = Verdict { due: heard.due.len(), ..Verdict::default() };
    let mut missed = Vec::new();
    // What a machine that repeats its last block sounds is no hit.
    let main: Vec<f64> = heard.main.iter().map(|hit| hit.0).filter(|frame| *frame < repeats_from).collect();
    let mut extra: Vec<f64> = main.iter().copied().chain(heard.backup.iter().map(|hit| hit.0)).collect();
    for due in &heard.due {
        let near: Vec<usize> =
            (0..extra.len()).filter(|n| (extra[*n] - due).abs() <= 0.00625 * per_second).collect();
        let Some(best) =
            near.iter().copied().min_by(|a, b| (extra[*a] - due).abs().total_cmp(&(extra[*b] - due).abs()))
        else {
            verdict.missed += 1;
            missed.push(*due);
            continue;
        };
        let off = (extra[best] - due).abs();
        verdict.worst_ms = verdict.worst_ms.max(off * 1000.0 / per_second);
        // 0.1 ms, and each machine rounds to its own frames.
        if off > 0.0001 * per_second + 1.0 {
            verdict.late += 1;
            missed.push(*due);
        }
        extra.swap_remove(best);
    }
    let end = heard.due.last().copied().unwrap_or(0.0) + 0.05 * per_second;
    verdict.doubled = extra.iter().filter(|frame| **frame < end).count();
    (verdict, missed)
}

fn plain_show(tempo: i64, bars: u32) -> Show {
    let parts = || {
        vec![part(
            style(fogbell::show::model::Subdivision::Notes(fogbell::units::Whole::new(1, 8))),
            style(fogbell::show::model::Subdivision::Beats),
            0,
        )]
    };
    let bars = (0..bars).map(|_| metre(&[1, 1, 1, 1], 4)).collect();
    show(vec![song(vec![section(bars, bpm(tempo), parts())])], false)
}

fn plain(wrong: Wrong, at: i64) -> Night {
    Night {
        show: plain_show(1320, 12),
        frames: FrameRate::Tv25,
        witness: false,
        passed: false,
        rate: SampleRate::standard(),
        ppm: 0.0,
        wrong,
        at,
        length: 20 * 48_000,
        commands: vec![(24_000, When::Now, Command::Start)],
        noise: 0.0,
        block: 64,
        late: vec![],
        way: 0,
        pressed: vec![],
    }
}

/// Blind window: 10 ms, a block, and what the harness rounds.
const WINDOW: f64 = 480.0 + 64.0 + 64.0;

#[test]
fn a_backup_that_follows_a_healthy_main_is_silent_and_locked() {
    for witness in [false, true] {
        for ppm in [-300.0, 0.0, 50.0] {
            let night = Night { witness, ppm, ..plain(Wrong::Nothing, 0) };
            let heard = play(&night, 1);
            let (verdict, _) = judge(&heard, f64::MAX);
            assert!(verdict.due > 75, "{verdict:?}");
            assert_eq!((verdict.missed, verdict.doubled), (0, 0), "{verdict:?}");
            let last = heard.peers.last().unwrap().1;
            assert_eq!((last.line, last.leads), (LineNow::Alive, false));
            assert!((f64::from(last.ppm) - ppm).abs() < 1.0 && last.bound_ms < 0.1, "{last:?}");
        }
    }
}

#[test]
fn when_the_main_dies_every_hit_after_the_blind_window_is_heard_once_in_its_place() {
    for seed in 0..24 {
        let mut random = fastrand::Rng::with_seed(seed);
        let at = random.i64(100_000..700_000);
        let night = Night {
            witness: random.bool(),
            ppm: [-300.0, -20.0, 0.0, 300.0][random.usize(..4)],
            wrong: if random.bool() { Wrong::Dies } else { Wrong::Repeats },
            frames: FrameRate::ALL[random.usize(1..6)],
            ..plain(Wrong::Dies, at)
        };
        let heard = play(&night, seed);
        let from = if night.wrong == Wrong::Repeats { at as f64 } else { f64::MAX };
        let (verdict, missed) = judge(&heard, from);
        // A machine that repeats its last block is found by its missing words, and with two witnesses by a hit.
        let words = if night.wrong == Wrong::Repeats { 0.2 * 48_000.0 } else { 0.0 };
        // With the click as a second witness on a mixer channel of its own, the first hit decides: it may be late.
        let first = heard.due.iter().copied().find(|due| *due >= at as f64).unwrap_or(0.0);
        let inside = |frame: &f64| {
            *frame > at as f64 - 64.0 && *frame < at as f64 + WINDOW + words
                || night.witness && *frame == first
        };
        assert!(
            missed.len() <= 1 && missed.iter().all(inside),
            "seed {seed} {night:?}: {verdict:?} {missed:?} at {at}"
        );
        assert_eq!(verdict.doubled, 0, "seed {seed}: {verdict:?}");
        assert!(heard.peers.last().unwrap().1.leads, "seed {seed}");
    }
}

#[test]
fn a_pulled_lead_with_the_main_alive_doubles_nothing_where_two_witnesses_are_wired() {
    for seed in 0..12 {
        let mut random = fastrand::Rng::with_seed(seed);
        let at = random.i64(100_000..700_000);
        let wrong = [Wrong::TimecodeLead, Wrong::ClickLead][random.usize(..2)];
        let heard = play(&Night { witness: true, ..plain(wrong, at) }, seed);
        let (verdict, _) = judge(&heard, f64::MAX);
        assert_eq!(
            (verdict.missed, verdict.doubled, verdict.late),
            (0, 0, 0),
            "seed {seed} {wrong:?}: {verdict:?}"
        );
    }
}

#[test]
fn a_crackle_of_five_milliseconds_changes_nothing() {
    for seed in 0..24 {
        let mut random = fastrand::Rng::with_seed(seed);
        let at = random.i64(100_000..700_000);
        let night = Night { witness: random.bool(), ..plain(Wrong::Crackle(240), at) };
        let (verdict, _) = judge(&play(&night, seed), f64::MAX);
        assert_eq!((verdict.missed, verdict.doubled, verdict.late), (0, 0, 0), "seed {seed}: {verdict:?}");
    }
}

/// Distance of each hit of the backup from the nearest that was due, in frames, with its place.
fn off(heard: &Heard) -> Vec<(f64, f64)> {
    let away = |frame: f64| heard.due.iter().map(|due| (frame - due).abs()).fold(f64::MAX, f64::min);
    heard.backup.iter().map(|(frame, _)| (*frame, away(*frame))).collect()
}

#[test]
fn an_offset_is_measured_applied_and_heard_and_what_moves_is_told() {
    use fogbell::units::Span;
    let second = 48_000;
    for (ppm, late, way) in [(-80.0, 144, 0), (130.0, -61, 517)] {
        let base =
            Night { witness: true, ppm, way, late: vec![(0, late)], ..plain(Wrong::Dies, 14 * second) };
        // The click moves by 2 ms after it was measured.
        let moves =
            Night { wrong: Wrong::Nothing, late: vec![(0, late), (10 * second, late + 96)], ..base.clone() };
        let heard = play(&moves, 1);
        let at = |seconds: i64| heard.peers.iter().rfind(|(at, _)| *at <= seconds * second).unwrap().1;
        let (measured, moved, settled) = (at(9), at(12), at(19));
        println!("{ppm} ppm, {late} frames late: measured {measured:?}");
        assert!((measured.offset_ms - late as f32 / 48.0).abs() < 0.03 && measured.offset_hits > 16);
        assert!(measured.offset_spread_ms < 0.05 && moved.offset_spread_ms > 0.25, "{measured:?} {moved:?}");
        assert!(settled.offset_ms - measured.offset_ms > 1.0, "{settled:?}");
        // Without it the backup takes over beside the grid.
        let unaligned = play(&base, 1);
        let (_, worst) = *off(&unaligned).iter().max_by(|a, b| a.1.total_cmp(&b.1)).unwrap();
        assert!(worst > 55.0, "{worst} frames");
        // Applied, heard beside the main for two seconds, and after the main is gone.
        let offset = Span::from_f64(f64::from(measured.offset_ms) * 48.0);
        let pressed = vec![
            (9 * second, Command::Align(offset)),
            (9 * second, Command::OwnWay(Span::ratio(i128::from(way), 1))),
            (10 * second, Command::Beside(true)),
            (12 * second, Command::Beside(false)),
        ];
        let heard = play(&Night { pressed, ..base }, 1);
        let off = off(&heard);
        let within = |from: i64, to: i64| {
            let range = from as f64..to as f64;
            off.iter().filter(move |(frame, _)| range.contains(frame)).count()
        };
        let alone = 14 * second;
        assert!(within(10 * second, 12 * second + 4800) >= 8 && within(alone, 20 * second) > 20, "{off:?}");
        assert_eq!(within(0, 10 * second) + within(12 * second + 4800, alone), 0, "{off:?}");
        let on_grid = |(frame, away): &(f64, f64)| {
            // The first hit after the death may have waited for its witness.
            *away <= 5.8 || (*frame > alone as f64 && *frame < alone as f64 + 0.4 * second as f64)
        };
        assert!(off.iter().all(on_grid), "{off:?}");
    }
}

/// A random song or three, commands until a second before the main dies, and a death at any moment.
fn random_night(seed: u64) -> Night {
    let mut random = fastrand::Rng::with_seed(seed);
    let rate = SampleRate::new(24_000).expect("a rate");
    let mut show = random_show(&mut random, 1, false);
    // After a segue a backup that leads keeps its own clock's time.
    show.songs
        .iter_mut()
        .enumerate()
        .for_each(|(index, song)| (song.number, song.segue) = (index + 1, false));
    let second = 24_000;
    let at = random.i64(second * 2..second * 5);
    let witness = random.bool();
    let mut commands = vec![(second / 5, When::Now, Command::Start)];
    let mut when = second / 2;
    while when < at - second {
        let command = match random.usize(..12) {
            0 | 1 => Command::Start,
            2 => Command::OneIsNow,
            3 => Command::ShiftBeats(random.i32(-2..=2)),
            4 => Command::Nudge(fogbell::units::Frames(random.i64(-300..300))),
            5 => Command::Undo,
            6 => Command::Release,
            7 => Command::Tempo(fogbell::click::set::Stretch { over: 97, under: 100 }),
            8 => Command::Choose { song: random.usize(..show.songs.len()) },
            9 => Command::Stop,
            _ => Command::GoTo {
                song: random.usize(..show.songs.len()),
                leg: random.usize(..3),
                count_in: random.bool(),
            },
        };
        let moment = match command {
            Command::GoTo { .. } => [When::Now, When::BarEnd, When::SectionEnd][random.usize(..3)],
            _ => When::Now,
        };
        commands.push((when, moment, command));
        when += random.i64(second / 4..second * 2);
    }
    Night {
        rate,
        show,
        frames: FrameRate::ALL[random.usize(1..6)],
        witness,
        passed: false,
        ppm: random.f64() * 600.0 - 300.0,
        wrong: if random.u8(..) < 200 { Wrong::Dies } else { Wrong::Nothing },
        at,
        length: at + 3 * second / 2,
        commands,
        noise: 0.125 * 10f32.powf(-f32::from(random.u8(15..60)) / 20.0),
        block: [16, 64, 128, 256][random.usize(..4)],
        late: vec![],
        way: 0,
        pressed: vec![],
    }
}

fn night_holds(seed: u64) -> Result<usize, String> {
    let night = random_night(seed);
    let heard = play(&night, seed);
    let (verdict, missed) = judge(&heard, f64::MAX);
    let second = heard.per_second;
    // What noise leaves on a dead line looks like edges for up to 10 ms more.
    let noise = if night.noise > 0.004 { 0.010 * second } else { 0.0 };
    let window = 0.010 * second + night.block as f64 + 0.0025 * second + noise;
    let first = heard.due.iter().copied().find(|due| *due >= night.at as f64).unwrap_or(0.0);
    let inside = |frame: &f64| {
        night.wrong == Wrong::Dies
            && (*frame > night.at as f64 - 0.002 * second && *frame < night.at as f64 + window
                || night.witness && *frame == first)
    };
    let most = usize::from(night.wrong == Wrong::Dies);
    let good = missed.len() <= most && missed.iter().all(inside) && verdict.doubled == 0;
    let facts = Night { show: show(vec![], false), ..night.clone() };
    if good { Ok(heard.due.len()) } else { Err(format!("SEED={seed}: {verdict:?} {missed:?} {facts:?}")) }
}

#[test]
fn random_nights_with_a_main_that_dies_lose_one_hit_at_most_and_double_none() {
    let one = std::env::var("SEED").ok().and_then(|seed| seed.parse::<u64>().ok());
    if let Some(seed) = one {
        night_holds(seed).unwrap_or_else(|why| panic!("{why}"));
        return;
    }
    let number = |key: &str| std::env::var(key).ok().and_then(|value| value.parse::<u64>().ok());
    let (base, nights) = (number("FROM").unwrap_or(0), number("NIGHTS").unwrap_or(10_000));
    let threads = std::thread::available_parallelism().map_or(2, std::num::NonZero::get) as u64;
    let found: Vec<Result<usize, String>> = std::thread::scope(|scope| {
        let work = |first| {
            move || {
                (base + first..base + nights).step_by(threads as usize).map(night_holds).collect::<Vec<_>>()
            }
        };
        let all: Vec<_> = (0..threads).map(|first| scope.spawn(work(first))).collect();
        all.into_iter().flat_map(|one| one.join().expect("a night")).collect()
    });
    let hits: usize = found.iter().flatten().sum();
    let wrong: Vec<&String> = found.iter().filter_map(|one| one.as_ref().err()).collect();
    println!("{nights} nights, {hits} hits due, {} nights fell short", wrong.len());
    assert!(
        hits as u64 > 3 * nights && wrong.is_empty(),
        "{} of {nights}: {:#?}",
        wrong.len(),
        wrong.iter().take(5).collect::<Vec<_>>()
    );
}

#[test]
fn a_backup_decides_the_same_however_time_is_split() {
    let night =
        |block| Night { witness: true, ppm: 40.0, noise: 0.002, block, ..plain(Wrong::Dies, 333_333) };
    let whole = play(&night(64), 5);
    assert!(whole.backup.len() > 20);
    for block in [16, 48, 480] {
        assert_eq!(play(&night(block), 5).backup, whole.backup, "blocks of {block}");
    }
}
