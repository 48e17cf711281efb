//! Right or refused, never wrong: loops of every kind of trouble, from a seed each. `SEED=7` replays one of them,
//! `TRIALS` says how many, `FIRST` from which on.

use crate::world::*;
use fogbell::latency::{Answer, Options, Probe, ProbeKind, analyse};
use fogbell::units::SampleRate;
use std::collections::BTreeMap;

const CONDITIONS: [&str; 11] = [
    "noise",
    "clipped",
    "offset",
    "hum",
    "kick",
    "line check",
    "second arrival",
    "drift",
    "dropped blocks",
    "all quiet",
    "everything",
];

/// What one trial was, and what came of it.
struct Trial {
    condition: &'static str,
    /// Delays that would be right, each from and to: where nothing moved, one.
    truth: Vec<(f64, f64)>,
    words: String,
    answer: Answer,
}

fn probe(random: &mut fastrand::Rng) -> Probe {
    let kind = [ProbeKind::Impulses, ProbeKind::Sweep, ProbeKind::Mls][random.usize(0..3)];
    let shots = if kind == ProbeKind::Impulses { random.usize(6..=16) } else { random.usize(1..=4) };
    let rate = SampleRate::new(if random.bool() { 48_000 } else { 44_100 }).unwrap();
    Probe::with_shots(kind, rate, shots, 1.5)
}

fn trial(seed: u64) -> Trial {
    let mut random = fastrand::Rng::with_seed(seed);
    let probe = probe(&mut random);
    let rate = f64::from(probe.rate.hertz());
    let condition = CONDITIONS[(seed % CONDITIONS.len() as u64) as usize];
    let has = |name: &str| condition == name || condition == "everything";
    let delay = 2.0 * rate * random.f64().powi(2);
    let length = probe.samples.len() + (2.1 * rate) as usize;
    let snr_db = if condition == "noise" { -20.0 + 80.0 * random.f64() } else { 60.0 * random.f64() };
    let sign = if random.bool() { 1.0 } else { -1.0 };
    let sigma = (power(&probe) * 10f64.powf(-snr_db / 10.0)).sqrt();
    let mut words = format!("{:?} x{} delay {delay:.2} snr {snr_db:.1}", probe.kind, probe.shots.len());
    let mut truth = vec![(delay, delay)];
    let mut heard = if condition == "all quiet" && random.bool() {
        vec![0.0; length]
    } else {
        delayed(&probe.samples, delay, length)
    };
    heard.iter_mut().for_each(|x| *x *= sign);
    let chance = |random: &mut fastrand::Rng| condition != "everything" || random.u32(0..4) == 0;
    if has("second arrival") && chance(&mut random) {
        let (later, gain) =
            (1.0 + 3000.0 * random.f64().powi(3), 10f64.powf((-20.0 + 26.0 * random.f64()) / 20.0));
        let gain = if random.bool() { gain } else { -gain };
        let again = delayed(&probe.samples, delay + later, length);
        heard.iter_mut().zip(&again).for_each(|(x, y)| *x += gain * y);
        words += &format!(" second +{later:.1} x{gain:.2}");
    }
    if has("drift") && chance(&mut random) {
        let ppm = (random.f64() - 0.5) * 600.0;
        heard = drifted(&heard, ppm);
        let at = |frame: usize| delay + (frame as f64 + delay) * ppm * 1e-6;
        let ends = (at(0), at(probe.samples.len()));
        truth = vec![(ends.0.min(ends.1), ends.0.max(ends.1))];
        words += &format!(" drift {ppm:.1}");
    }
    if has("kick") && chance(&mut random) {
        let level = 0.05 + 2.0 * random.f64();
        add_kick(&mut heard, rate, level, &mut random);
        words += &format!(" kick {level:.2}");
    }
    if has("line check") && chance(&mut random) {
        let level = 0.02 + random.f64();
        add_line_check(&mut heard, rate, level, &mut random);
        words += &format!(" line check {level:.2}");
    }
    if has("hum") && chance(&mut random) {
        let hertz = [50.0, 60.0][random.usize(0..2)] + 4.0 * (random.f64() - 0.5);
        let level = 10f64.powf(-2.0 + 2.5 * random.f64());
        add_hum(&mut heard, hertz, rate, level, &mut random);
        words += &format!(" hum {hertz:.1} at {level:.3}");
    }
    if has("dropped blocks") && chance(&mut random) {
        let mut came_from: Vec<f64> = (0..length).map(|n| n as f64).collect();
        for _ in 0..random.usize(1..=2) {
            let frames = [64, 128, 256, 512, 37][random.usize(0..5)] * if random.bool() { 1 } else { -1 };
            let at = random.usize(0..length);
            skip(&mut heard, at, frames);
            skip(&mut came_from, at, frames);
            words += &format!(" skip {frames} at {at}");
        }
        // Right is what holds while the first shot sounds: later ones are moved, and earlier losses are part of it.
        let sounds = delay..=delay + probe.shot_frames as f64;
        let moved = came_from.iter().enumerate().filter(|(_, from)| sounds.contains(*from));
        let mut moves: Vec<i64> = moved.map(|(place, from)| place as i64 - *from as i64).collect();
        moves.dedup();
        let still = truth[0];
        truth = moves.iter().map(|moved| (still.0 + *moved as f64, still.1 + *moved as f64)).collect();
    }
    add_noise(&mut heard, sigma, &mut random);
    if has("offset") && chance(&mut random) {
        let offset = (random.f64() - 0.5) * 1.5;
        heard.iter_mut().for_each(|x| *x += offset);
        words += &format!(" offset {offset:.2}");
    }
    if has("clipped") && chance(&mut random) {
        let top = 0.1 + 0.9 * random.f64();
        heard.iter_mut().for_each(|x| *x = x.clamp(-top, top));
        words += &format!(" clipped at {top:.2}");
    }
    let level = 10f64.powf(-60.0 * random.f64() / 20.0);
    let recording: Vec<f32> = heard.iter().map(|x| (x * level) as f32).collect();
    Trial { condition, truth, words, answer: analyse(&probe, &recording, &Options::default()) }
}

/// How far outside what would be right; `None` when refused.
fn error(trial: &Trial) -> Option<f64> {
    let measured = trial.answer.measured()?.round_trip_frames;
    let off = |truth: &(f64, f64)| (truth.0 - measured).max(measured - truth.1).max(0.0);
    trial.truth.iter().map(off).min_by(f64::total_cmp)
}

/// Of one condition: trials, refusals, the largest error, refusals by reason.
#[derive(Default)]
struct Row {
    all: u32,
    refused: u32,
    largest: f64,
    why: BTreeMap<&'static str, u32>,
}

fn run(seeds: std::ops::Range<u64>) {
    let seeds: Vec<u64> = match std::env::var("SEED").ok().and_then(|text| text.parse().ok()) {
        Some(seed) => vec![seed],
        None => seeds.collect(),
    };
    let workers = std::thread::available_parallelism().map_or(2, usize::from);
    let trials: Vec<(u64, Trial)> = std::thread::scope(|scope| {
        let work = |worker| {
            let mine: Vec<u64> = seeds.iter().copied().skip(worker).step_by(workers).collect();
            scope.spawn(move || mine.into_iter().map(|seed| (seed, trial(seed))).collect::<Vec<_>>())
        };
        let running: Vec<_> = (0..workers).map(work).collect();
        running.into_iter().flat_map(|thread| thread.join().unwrap()).collect()
    });
    let mut table: BTreeMap<&str, Row> = BTreeMap::new();
    let mut wrong = Vec::new();
    for (seed, trial) in &trials {
        let row = table.entry(trial.condition).or_default();
        row.all += 1;
        if let Some(refusal) = trial.answer.refused() {
            row.refused += 1;
            *row.why.entry(refusal.word()).or_default() += 1;
        }
        let off = error(trial).unwrap_or(0.0);
        row.largest = row.largest.max(off);
        if off > 1.0 {
            wrong.push(format!(
                "SEED={seed}: {} is off by {off:.2} ({}): {:?}",
                trial.words, trial.condition, trial.answer
            ));
        }
        if seeds.len() == 1 {
            println!("{}: {} {:?}", trial.condition, trial.words, trial.answer);
        }
    }
    for (condition, Row { all, refused, largest, why }) in &table {
        let rate = 100.0 * f64::from(*refused) / f64::from(*all);
        println!(
            "{condition:16} {all:6} trials, {rate:5.1} % refused, largest error {largest:.3} frames; {why:?}"
        );
    }
    assert!(wrong.is_empty(), "{} wrong:\n{}", wrong.len(), wrong.join("\n"));
    // Refusing everything would be right too, and of no use: clean loops from 20 dB up are answered.
    if seeds.len() > 1000 {
        let Row { all, refused, .. } = &table["offset"];
        assert!(
            f64::from(*refused) < 0.25 * f64::from(*all),
            "{refused} of {all} with nothing but an offset refused"
        );
    }
}

#[test]
fn five_thousand_loops_are_right_or_refused() {
    let number =
        |name: &str, usual| std::env::var(name).ok().and_then(|text| text.parse().ok()).unwrap_or(usual);
    let first = number("FIRST", 0);
    run(first..first + number("TRIALS", 5000));
}

/// About an hour; `tests/extended` runs it.
#[test]
#[ignore = "a hundred thousand loops"]
fn a_hundred_thousand_loops_are_right_or_refused() {
    run(1_000_000..1_100_000);
}
