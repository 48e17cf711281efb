//! Promise: every hit of every click lies within half a frame of exact arithmetic, for a day, at any rate, under
//! every law of a ramp, through every move that a show allows.
//!
//! The exact side is computed here from musical places alone: fractions in i128, ramps by Gauss-Legendre
//! quadrature of 60 / T(b). It shares no formula with the tempo map.

mod common;

use common::*;
use fogbell::click::set::{Anchor, Grid, Hit, Stretch};
use fogbell::realtime::command::{Command, When};
use fogbell::realtime::event::{Event, What, Why};
use fogbell::show::model::*;
use fogbell::units::{Exact, FRACTION_BITS, FramePos, Frames, SampleRate, Whole};
use num_rational::Ratio;
use std::collections::BTreeMap;
use std::sync::Arc;

const RATES: [u32; 5] = [44_100, 48_000, 88_200, 96_000, 192_000];
/// Tenths of a beat a minute: none of them divides a rate.
const TEMPI: [i64; 4] = [617, 999, 1_373, 1_735];
const DAY_SECONDS: i64 = 86_400;

fn rate(hertz: u32) -> SampleRate {
    SampleRate::new(hertz).expect("a rate in range")
}

/// `place × 60 × rate / tempo` in frames as a fraction; the tempo in tenths of crotchets a minute.
fn exact(place: (i128, i128), hertz: u32, tenths: i64) -> (i128, i128) {
    (place.0 * 60 * i128::from(hertz) * 40, place.1 * i128::from(tenths))
}

/// The nearest whole number to a fraction, halves up.
fn nearest((over, under): (i128, i128)) -> i64 {
    (2 * over + under).div_euclid(2 * under) as i64
}

fn one_grid(bars: Vec<Metre>, tenths: i64, style: Style, hertz: u32) -> Arc<Grid> {
    let section = section(bars, bpm(tenths), vec![part(style.clone(), style, 0)]);
    let mut song = song(vec![section]);
    song.count_in = None;
    let set = set(&show(vec![song], false), rate(hertz), &impulse(), &[]);
    Arc::clone(&set.songs[0].legs[0].grid)
}

/// What is written, and the place of its n-th hit in whole notes.
type Written = (Metre, Style, fn(i128) -> (i128, i128));

fn written() -> [Written; 4] {
    let mut swung = style(Subdivision::Notes(Whole::new(1, 8)));
    swung.swing = Some(Swing { note: Whole::new(1, 8), ratio: Ratio::new(2, 3) });
    [
        (metre(&[2, 2, 3], 8), style(Subdivision::Notes(Whole::new(1, 8))), |n| (n, 8)),
        (metre(&[1, 1, 1, 1], 4), style(Subdivision::PerBeat(3)), |n| (n, 12)),
        (metre(&[1, 1, 1, 1, 1], 4), style(Subdivision::PerBeat(5)), |n| (n, 20)),
        // Beats straight, the note between at two thirds of the beat.
        (metre(&[1, 1, 1, 1], 4), swung, |n| (n / 2 * 3 + n % 2 * 2, 12)),
    ]
}

#[test]
fn every_hit_of_a_day_is_on_the_nearest_frame() {
    let mut hits = 0u64;
    for ((metre, style, place), tenths) in written().into_iter().zip(TEMPI) {
        let bar = metre.length();
        let bars = DAY_SECONDS * tenths * *bar.denom() / (60 * 40 * *bar.numer());
        for hertz in RATES {
            let grid = one_grid(vec![metre.clone(); bars as usize], tenths, style.clone(), hertz);
            let anchor = Anchor { at: Exact(0), stretch: Stretch::ONE };
            for (n, hit) in grid.hits.iter().enumerate() {
                let want = nearest(exact(place(n as i128), hertz, tenths));
                assert_eq!(anchor.frame(hit.local()).0, want, "hit {n} at {tenths}/10, {hertz}");
            }
            let last = grid.hits.last().map_or(0, |hit| hit.frame);
            assert!(last > (DAY_SECONDS - 10) * i64::from(hertz), "the day is {last} frames short");
            hits += grid.hits.len() as u64;
        }
    }
    println!("{hits} hits");
}

/// Seconds from the start of a move to `b`: ∫ 60 / T, by five-point Gauss-Legendre over 400 pieces.
///
/// Source of nodes and weights: Abramowitz & Stegun, table 25.4, n = 5 (from memory; the weights sum to 2).
fn quadrature(tempo: impl Fn(f64) -> f64, b: f64) -> f64 {
    const NODES: [(f64, f64); 3] = [
        (0.0, 0.568_888_888_888_888_9),
        (0.538_469_310_105_683_1, 0.478_628_670_499_366_47),
        (0.906_179_845_938_664, 0.236_926_885_056_189_08),
    ];
    let pieces = 400;
    let half = b / f64::from(pieces) / 2.0;
    let piece = |k: i32| {
        let middle = half * f64::from(2 * k + 1);
        let pair = |(node, weight): (f64, f64)| {
            let value = |x: f64| 60.0 / tempo(middle + half * x);
            if node == 0.0 { weight * value(0.0) } else { weight * (value(node) + value(-node)) }
        };
        NODES.into_iter().map(pair).sum::<f64>() * half
    };
    (0..pieces).map(piece).sum()
}

#[test]
fn every_hit_of_every_ramp_is_within_half_a_frame() {
    let mut worst = 0.0f64;
    let sixteenths = style(Subdivision::Notes(Whole::new(1, 16)));
    for (from, to, beats) in [(617, 1_373, 16), (1_735, 999, 64), (1_200, 1_201, 8), (400, 2_400, 128)] {
        for law in [Law::LinearInBeats, Law::LinearInTime, Law::ExponentialInBeats] {
            for hertz in RATES {
                let bars = vec![metre(&[1, 1, 1, 1], 4); beats / 4];
                let mut section =
                    section(bars, bpm(from), vec![part(sixteenths.clone(), sixteenths.clone(), 0)]);
                let over = section.length();
                section.moves.push(TempoMove { from: Whole::from_integer(0), over, to: bpm(to), law });
                let mut song = song(vec![section]);
                song.count_in = None;
                let set = set(&show(vec![song], false), rate(hertz), &impulse(), &[]);
                let (t0, t1, all) = (from as f64 / 10.0, to as f64 / 10.0, beats as f64);
                let tempo = |b: f64| match law {
                    Law::LinearInBeats => t0 + (t1 - t0) * b / all,
                    Law::LinearInTime => (t0 * t0 + (t1 * t1 - t0 * t0) * b / all).sqrt(),
                    Law::ExponentialInBeats => t0 * (t1 / t0).powf(b / all),
                };
                let anchor = Anchor { at: Exact(0), stretch: Stretch::ONE };
                for (n, hit) in set.songs[0].legs[0].grid.hits.iter().enumerate() {
                    let want = quadrature(tempo, n as f64 / 4.0) * f64::from(hertz);
                    worst = worst.max((anchor.frame(hit.local()).0 as f64 - want).abs());
                }
            }
        }
    }
    println!("worst {worst:.6} frames");
    assert!(worst <= 0.5 + 1e-5, "{worst}");
}

/// Three constant sections, a vamp and a segue: all that a move may land in.
fn moving_show(random: &mut fastrand::Rng) -> Show {
    let mut sections: Vec<Section> = (0..3)
        .map(|n| {
            let style =
                style([Subdivision::Beats, Subdivision::Notes(Whole::new(1, 8)), Subdivision::PerBeat(3)][n]);
            let bars = (0..random.usize(1..=3)).map(|_| random_metre(random)).collect();
            section(bars, bpm(TEMPI[random.usize(..4)]), vec![part(style.clone(), style, 0)])
        })
        .collect();
    sections[1].vamp = true;
    let mut first = song(sections.clone());
    first.segue = true;
    show(vec![first, song(sections)], false)
}

/// The exact place of a hit in its leg, from its identity alone.
fn place(bars: &[Metre], hit: &Hit, subdivision: Subdivision) -> (i128, i128) {
    let before: Whole = bars[..hit.bar as usize].iter().map(Metre::length).sum();
    let starts = bars[hit.bar as usize].beat_starts();
    let beat = usize::from(hit.beat) - 1;
    let step = match subdivision {
        Subdivision::Notes(note) => note,
        Subdivision::PerBeat(parts) => (starts[beat + 1] - starts[beat]) / i64::from(parts),
        _ => Whole::from_integer(0),
    };
    let place = before + starts[beat] + step * i64::from(hit.subdivision);
    (i128::from(*place.numer()), i128::from(*place.denom()))
}

/// Bars, tempo and subdivision of what a placing plays.
fn music(song: &Song, leg: &fogbell::click::set::Leg, called: bool) -> (Vec<Metre>, i64, Subdivision) {
    use fogbell::click::set::LegKind;
    let section = &song.sections[usize::from(leg.section)];
    let tenths = (section.tempo.per_minute * 10).to_integer();
    if !called && leg.kind == LegKind::Section {
        return (section.bars.clone(), tenths, section.parts[0].primary.subdivision);
    }
    (vec![section.bars[0].clone()], tenths, Subdivision::Beats)
}

/// Where a place of a placing falls, in units of 2⁻⁴⁸ frame, rounded down once.
fn falls(anchor: Exact, stretch: Stretch, at: (i128, i128)) -> i128 {
    let over = at.0 * i128::from(stretch.over);
    let under = at.1 * i128::from(stretch.under);
    let whole = over.div_euclid(under);
    anchor.0 + (whole << FRACTION_BITS) + (over.rem_euclid(under) << FRACTION_BITS).div_euclid(under)
}

struct Placed<'a> {
    event: &'a Event,
    until: i64,
}

fn placings(events: &[Event]) -> Vec<Placed<'_>> {
    let ends =
        |what: &What| matches!(what, What::Placed { .. } | What::Holding { .. } | What::Stopped { .. });
    let all: Vec<&Event> = events.iter().filter(|event| ends(&event.what)).collect();
    let next = all.iter().skip(1).map(|event| event.at.0).chain([i64::MAX]);
    let placed = all.iter().zip(next).filter(|(event, _)| matches!(event.what, What::Placed { .. }));
    placed.map(|(event, until)| Placed { event, until }).collect()
}

/// Plays a night of moves and holds every onset against exact arithmetic. Returns hits heard and the worst error.
fn night(seed: u64, hertz: u32, from: i64) -> (usize, f64) {
    let mut random = fastrand::Rng::with_seed(seed);
    let show = moving_show(&mut random);
    let set = Arc::new(set(&show, rate(hertz), &impulse(), &[]));
    let setup = setup(&set, 0);
    let mut bench = Stepped::new(&setup, Arc::clone(&set));
    bench.io.at = FramePos(from);
    let mut heard = BTreeMap::new();
    let mut note = |channel: usize, frame: i64, level: f32| {
        if channel == 0 {
            heard.insert(frame, level);
        }
    };
    bench.run(i64::from(hertz) / 10, &mut note);
    match random.bool() {
        true => bench.send(When::Now, Command::Start),
        false => {
            let at = Exact((i128::from(from + i64::from(hertz) / 5) << FRACTION_BITS) + 12_345_678_901_234);
            bench.send(
                When::Now,
                Command::Place { song: 0, leg: 0, called: false, pass: 0, at, stretch: Stretch::ONE },
            )
        }
    };
    for _ in 0..12 {
        bench.run(random.i64(i64::from(hertz) / 8..i64::from(hertz)), &mut note);
        let command = match random.usize(..9) {
            0 => Command::OneIsNow,
            1 => Command::ShiftBeats(random.i32(-2..=2)),
            2 | 3 => Command::Nudge(Frames(random.i64(-2_000..2_000))),
            4 => Command::Undo,
            5 => Command::Tempo(Stretch { over: random.i64(90..110), under: random.i64(90..110) }),
            6 => Command::GoTo { song: random.usize(..2), leg: random.usize(..4), count_in: random.bool() },
            7 => Command::Release,
            _ => Command::Start,
        };
        let when = random_when(&mut random, bench.io.at);
        bench.send(when, command);
    }
    bench.run(i64::from(hertz), &mut note);
    let end = bench.io.at.0;
    let mut worst = 0i128;
    let mut due = BTreeMap::new();
    for Placed { event, until } in placings(&bench.events) {
        let What::Placed { song, leg, called, anchor_at, stretch, from_hit, why, .. } = event.what else {
            continue;
        };
        let written = &show.songs[usize::from(song)];
        let leg = &set.songs[usize::from(song)].legs[usize::from(leg)];
        let grid = if called { leg.count_in.as_ref().unwrap() } else { &leg.grid };
        let (bars, tenths, subdivision) = music(written, leg, called);
        let mut lines = vec![];
        for (index, hit) in grid.hits.iter().enumerate() {
            let place = exact(place(&bars, hit, subdivision), hertz, tenths);
            let falls = falls(anchor_at, stretch, place);
            if hit.beat == 1 && hit.subdivision == 0 {
                lines.push(falls);
            }
            let frame = ((falls + (1 << (FRACTION_BITS - 1))) >> FRACTION_BITS) as i64;
            if index >= from_hit as usize && frame.max(event.at.0) < until {
                due.insert(frame.max(event.at.0), (falls, frame < event.at.0));
            }
        }
        if why == Why::OneIsNow && from_hit < grid.hits.len() as u32 {
            let now = Exact::at(event.at).0;
            let end = falls(anchor_at, stretch, (grid.length.0, 1 << FRACTION_BITS));
            let off = lines.iter().chain([&end]).map(|line| (line - now).abs()).min().unwrap_or(i128::MAX);
            assert!(off <= 1 << 20, "seed {seed}: one is {off} units from its frame");
        }
    }
    due.retain(|frame, _| *frame < end && *frame > from + 2_400);
    let missing: Vec<&i64> = due.keys().filter(|frame| !heard.contains_key(*frame)).collect();
    let stray: Vec<&i64> = heard.keys().filter(|frame| !due.contains_key(*frame)).collect();
    assert!(
        missing.is_empty() && stray.is_empty(),
        "seed {seed} at {hertz}: missing {missing:?}, stray {stray:?}"
    );
    // A hit that a move left behind sounds at once: nothing else is off its place.
    for (frame, (falls, _)) in due.iter().filter(|(_, (_, left_behind))| !left_behind) {
        worst = worst.max((falls - Exact::at(FramePos(*frame)).0).abs());
    }
    (due.len(), worst as f64 / (1i128 << FRACTION_BITS) as f64)
}

#[test]
fn every_move_of_a_show_leaves_every_hit_within_half_a_frame() {
    let (mut hits, mut worst) = (0, 0.0f64);
    for seed in 0..200 {
        // From the start, over the edge of 32 bits, and after a day.
        let hertz = RATES[seed as usize % RATES.len()];
        let from = [0, (1 << 32) - 100_000, DAY_SECONDS * i64::from(hertz)][seed as usize % 3];
        let (count, off) = night(seed, hertz, from);
        hits += count;
        worst = worst.max(off);
    }
    println!("{hits} hits, worst {worst:.9} frames");
    assert!(hits > 2_000, "{hits}");
    assert!(worst <= 0.5 + 1e-6, "{worst}");
}

/// A vamp of one bar for a day: the engine goes there by lost frames, and is still on exact arithmetic.
#[test]
fn a_vamp_is_exact_after_a_day() {
    for (hertz, tenths) in RATES.into_iter().zip([617, 999, 1_373, 1_735, 1_373]) {
        let bar = metre(&[2, 2, 3], 8);
        let mut section = section(
            vec![bar.clone()],
            bpm(tenths),
            vec![part(style(Subdivision::Notes(Whole::new(1, 8))), style(Subdivision::Beats), 0)],
        );
        section.vamp = true;
        let mut song = song(vec![section]);
        song.count_in = None;
        let set = Arc::new(set(&show(vec![song], false), rate(hertz), &impulse(), &[]));
        let mut bench = Stepped::new(&setup(&set, 0), Arc::clone(&set));
        bench.send(When::Now, Command::Start);
        let mut heard = vec![];
        let mut note = |channel: usize, frame: i64, _: f32| {
            if channel == 0 {
                heard.push(frame);
            }
        };
        bench.run(i64::from(hertz), &mut note);
        let Some(What::Placed { anchor_at, .. }) =
            bench.events.iter().map(|event| event.what).find(|what| matches!(what, What::Placed { .. }))
        else {
            panic!("nothing was placed");
        };
        bench.io.lost = Frames(DAY_SECONDS * i64::from(hertz));
        bench.io.at = bench.io.at + bench.io.lost;
        let back = bench.io.at.0;
        bench.run(4 * i64::from(hertz), &mut note);
        let eighth = |n: i128| {
            let at = exact((n, 8), hertz, tenths);
            ((falls(anchor_at, Stretch::ONE, at) + (1 << (FRACTION_BITS - 1))) >> FRACTION_BITS) as i64
        };
        let after: Vec<i64> = heard.iter().copied().filter(|frame| *frame >= back).collect();
        let frames = i128::from(back) - i128::from(anchor_at.nearest().0);
        let first = (frames * 8 * i128::from(tenths)).div_euclid(60 * 40 * i128::from(hertz)) - 1;
        let want: Vec<i64> =
            (first..).map(eighth).skip_while(|frame| *frame < after[0]).take(after.len()).collect();
        assert!(after.len() > 6 && after[0] - back < i64::from(hertz), "{after:?}");
        assert_eq!(after, want, "{tenths} at {hertz}");
    }
}
