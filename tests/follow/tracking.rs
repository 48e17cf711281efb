//! The grid goes with the click: drift, ramps, wild hits, and where a song started.

use crate::band::{RATE, backing, click, clicks, frames, heard, place};
use fogbell::follow::{Acquire, DueHit, Judge, Onset, Onsets, Tracker, Verdict, tolerance};
use fogbell::units::{FramePos, Frames, Span};

/// A grid that takes each correction as an engine would: from the last due hit on.
struct Grid {
    at: f64,
    ratio: f64,
}

/// Follows clicks heard at `sounds` while the show has `written` frames between them; gives, per hit, how far the
/// grid was from the click, and what each correction moved.
fn follow(written: &[f64], sounds: &[f64]) -> (Vec<f64>, Vec<f64>, f64) {
    let mut tracker = Tracker::new(RATE);
    let mut grid = Grid { at: sounds[0], ratio: 1.0 };
    let (mut errors, mut moves) = (Vec::new(), Vec::new());
    for (index, &sound) in sounds.iter().enumerate() {
        if index > 0 {
            grid.at += written[index - 1] * grid.ratio;
        }
        let due =
            DueHit { at: place(grid.at), interval: Frames(written[index.min(written.len() - 1)] as i64) };
        let error = sound - grid.at;
        errors.push(error);
        if error.abs() <= tolerance(RATE, due.interval, Frames(0)).0 as f64 {
            let retime = tracker.heard(due, place(sound) - due.at);
            grid.at += retime.shift.as_f64();
            grid.ratio = retime.ratio;
            moves.push(retime.shift.as_f64());
        }
    }
    (errors, moves, tracker.ratio())
}

fn sounds(written: &[f64], ratio: f64) -> Vec<f64> {
    let mut at = 10_000.0;
    let mut all = vec![at];
    for interval in written {
        at += interval * ratio;
        all.push(at);
    }
    all
}

/// ± 300 ppm: what two crystals differ by. Half a second drifts by 7.2 frames.
#[test]
fn drift_of_300_ppm_is_followed_and_found() {
    for ppm in [-300.0, -100.0, 0.0, 300.0] {
        let written = vec![24_000.0; 120];
        let mut rng = fastrand::Rng::with_seed(1);
        let jitter = |rng: &mut fastrand::Rng| 10.0 * (rng.f64() - 0.5);
        let heard: Vec<f64> =
            sounds(&written, 1.0 + ppm * 1e-6).iter().map(|at| at + jitter(&mut rng)).collect();
        let (errors, moves, ratio) = follow(&written, &heard);
        let worst = errors[20..].iter().fold(0.0f64, |worst, error| worst.max(error.abs()));
        println!(
            "drift {ppm} ppm: found {:.1}, worst error from hit 20 on {worst:.1} frames",
            (ratio - 1.0) * 1e6
        );
        assert!(((ratio - 1.0) * 1e6 - ppm).abs() < 40.0);
        assert!(worst < 15.0);
        assert!(moves.iter().all(|step| step.abs() <= 48.0));
    }
}

/// The grid follows a written ramp by itself; the tracker only sees what differs from it.
#[test]
fn a_written_ramp_with_drift_is_followed() {
    let written: Vec<f64> = (0..100).map(|beat| 60.0 * 48_000.0 / (100.0 + 0.6 * f64::from(beat))).collect();
    let (errors, moves, ratio) = follow(&written, &sounds(&written, 1.000_2));
    assert!((ratio - 1.000_2).abs() < 1e-6, "{ratio}");
    assert!(errors[20..].iter().all(|error| error.abs() < 2.0));
    assert!(moves.iter().all(|step| step.abs() <= 48.0));
}

#[test]
fn wild_hits_move_nothing_and_a_new_place_is_slewed_to() {
    let written = vec![24_000.0; 200];
    let mut heard = sounds(&written, 1.0);
    for index in [30, 41, 52] {
        heard[index] += 400.0;
    }
    for at in &mut heard[100..] {
        *at += 300.0;
    }
    let (errors, moves, _) = follow(&written, &heard);
    for index in [31, 42, 53] {
        assert!(errors[index].abs() < 1.0, "hit {index}: {}", errors[index]);
    }
    assert!(moves.iter().all(|step| step.abs() <= 48.0));
    assert!(errors[103].abs() > 250.0, "three hits elsewhere are not yet the new truth");
    assert!(errors[180..].iter().all(|error| error.abs() < 10.0), "{:?}", &errors[100..]);
}

fn onset(at: f64, level: f32) -> Onset {
    Onset { at: place(at), known_at: FramePos(at as i64 + 40), level, brightness: 0.15 }
}

fn starts(expected: &[f64], onsets: &[Onset]) -> Option<(f64, usize)> {
    let expected: Vec<Span> = expected.iter().map(|&at| Span::from_f64(at)).collect();
    let mut acquire = Acquire::new(RATE, &expected, 4);
    onsets.iter().find_map(|&onset| acquire.heard(onset)).map(|found| (frames(found.anchor), found.agreeing))
}

/// One bar of count-in at 120: bar one lies 96,000 frames after the first count.
const COUNT_IN: [f64; 6] = [-96_000.0, -72_000.0, -48_000.0, -24_000.0, 0.0, 24_000.0];

/// The same with the song behind it.
const LONG: [f64; 32] = {
    let mut places = [0.0; 32];
    let mut index = 0;
    while index < 32 {
        places[index] = -96_000.0 + 24_000.0 * index as f64;
        index += 1;
    }
    places
};

#[test]
fn four_counts_give_bar_one() {
    let onsets: Vec<Onset> = (0..4).map(|count| onset(5_000.25 + 24_000.0 * f64::from(count), 0.5)).collect();
    let (anchor, agreeing) = starts(&COUNT_IN, &onsets).unwrap();
    assert!((anchor - 101_000.25).abs() < 0.01 && agreeing == 4);
    assert_eq!(starts(&COUNT_IN, &onsets[..3]), None);
}

#[test]
fn a_knock_before_a_missed_count_and_noises_between_are_seen_through() {
    let onsets = [
        onset(1_000.0, 0.4),
        onset(30_000.0, 0.5),
        onset(41_000.0, 0.1),
        onset(54_010.0, 0.5),
        onset(88_000.0, 0.15),
        onset(102_000.0, 0.5),
        onset(126_000.0, 0.5),
    ];
    let (anchor, _) = starts(&COUNT_IN, &onsets).unwrap();
    assert!((anchor - 126_000.0).abs() < 12.0, "{anchor}");
}

#[test]
fn another_tempo_twice_the_tempo_and_random_noises_start_nothing() {
    let at = |bpm: f64| -> Vec<Onset> {
        (0..16).map(|count| onset(9_000.0 + f64::from(count) * 60.0 * 48_000.0 / bpm, 0.5)).collect()
    };
    for bpm in [90.0, 100.0, 113.0, 128.0, 150.0, 240.0] {
        assert_eq!(starts(&COUNT_IN, &at(bpm)), None, "{bpm}");
    }
    for seed in 0..200 {
        let mut rng = fastrand::Rng::with_seed(seed);
        let mut place = 0.0;
        let onsets: Vec<Onset> = (0..20)
            .map(|_| {
                place += 2_000.0 + 40_000.0 * rng.f64();
                onset(place, 0.2 + 0.3 * rng.f32())
            })
            .collect();
        assert_eq!(starts(&COUNT_IN, &onsets), None, "seed {seed}");
    }
}

/// A hand scatters by 2 % of the interval and more, a very steady one by 1 % (common practice, no source): 600 drummers
/// warm up for a minute at just the song's tempo, with a rest now and then.
#[test]
fn a_drummer_who_warms_up_at_the_songs_tempo_starts_nothing() {
    for scatter in [0.01, 0.02, 0.04] {
        let mut started = 0;
        for seed in 0..200 {
            let mut rng = fastrand::Rng::with_seed(seed);
            let mut place = 9_000.0;
            let onsets: Vec<Onset> = (0..120)
                .map(|_| {
                    let normal: f64 = (0..12).map(|_| rng.f64()).sum::<f64>() - 6.0;
                    let rest = if rng.u32(0..16) == 0 { 4.0 * 24_000.0 } else { 0.0 };
                    place += 24_000.0 * (1.0 + scatter * normal) + rest;
                    onset(place, 0.3 + 0.2 * rng.f32())
                })
                .collect();
            started += usize::from(starts(&LONG, &onsets).is_some());
        }
        println!("a drummer whose intervals scatter by {scatter}: {started} of 200 warm-ups start the song");
        assert!(started as f64 <= 200.0 * 0.02 + if scatter < 0.02 { 6.0 } else { 0.0 });
    }
}

/// Words at the first bar's beats, a few milliseconds off; the clicks from bar one on tell where it is.
#[test]
fn a_spoken_count_in_is_seen_through_in_the_first_bars() {
    let off = [300.0, -250.0, 200.0, -300.0];
    let at = |count: usize| 5_000.0 + 24_000.0 * count as f64 + off.get(count).copied().unwrap_or(0.0);
    let onsets: Vec<Onset> = (0..14).map(|count| onset(at(count), 0.5)).collect();
    let (anchor, _) = starts(&LONG, &onsets).unwrap();
    assert!((anchor - 101_000.0).abs() < 1.0, "{anchor}");
    assert_eq!(starts(&LONG, &onsets[..8]), None);
}

/// A count-in of dotted beats, from the samples on: 7/8 as 2+2+3 quavers at 210.
#[test]
fn an_uneven_bar_is_told_from_its_second_group_from_the_samples_on() {
    let quaver = 60.0 * 48_000.0 / 210.0;
    let groups: Vec<f64> =
        (0..3).flat_map(|bar| [0.0, 2.0, 4.0].map(|at| quaver * (7.0 * f64::from(bar) + at))).collect();
    for seed in 0..10 {
        let mut rng = fastrand::Rng::with_seed(seed);
        let first = 30_000.0 + 1_000.0 * rng.f64();
        let places: Vec<f64> = groups.iter().map(|at| first + at).collect();
        let mut samples = clicks(8.0, &places, 0.6);
        backing(&mut samples, &mut rng, 0.03);
        click(&mut samples, 5_000.0, 900.0, 0.3);
        let (anchor, _) = starts(&groups, &heard(&samples)).unwrap();
        assert!((anchor - first).abs() < 10.0, "seed {seed}: {anchor} for {first}");
    }
}

/// Hears, judges and tracks samples in blocks of 64 frames, as an engine would, and gives how far the grid was from
/// each hit's true place, in frames.
fn followed(samples: &[f32], truth: &[f64], written: &[f64], block: usize) -> (Vec<f64>, f64) {
    let (mut onsets, mut judge, mut tracker) =
        (Onsets::new(RATE), Judge::new(RATE, Frames(384)), Tracker::new(RATE));
    let mut grid = Grid { at: truth[0], ratio: 1.0 };
    let (mut next, mut errors) = (0, Vec::new());
    let mut told = Vec::new();
    for (index, part) in samples.chunks(block).enumerate() {
        let at = (index * block) as i64;
        let end = FramePos(at + part.len() as i64 - 1);
        if next < truth.len() && grid.at - 5_000.0 < (at + part.len() as i64) as f64 {
            judge.expect(DueHit {
                at: place(grid.at),
                interval: Frames(written[next.min(written.len() - 1)] as i64),
            });
            errors.push(grid.at - truth[next]);
            next += 1;
            grid.at += written.get(next - 1).copied().unwrap_or(1e12) * grid.ratio;
        }
        onsets.push(FramePos(at), part, &mut |onset| judge.heard(onset, &mut |judged| told.push(judged)));
        judge.step(end, &mut |judged| told.push(judged));
        for judged in told.drain(..) {
            if let Verdict::InTime(error) = judged.verdict {
                // The next due place was computed from the last one and is not yet expected: both move.
                let ahead = grid.at - frames(judged.due.at);
                let retime = tracker.heard(judged.due, error);
                grid.at += retime.shift.as_f64() + ahead * (retime.ratio / grid.ratio - 1.0);
                grid.ratio = retime.ratio;
            }
        }
    }
    (errors, tracker.ratio())
}

#[test]
fn a_drifting_click_with_backing_is_followed_from_the_samples_on() {
    for (seed, ppm) in [(1, -300.0), (2, 0.0), (3, 300.0)] {
        let written = vec![24_000.0; 100];
        let truth = sounds(&written, 1.0 + ppm * 1e-6);
        let mut samples = clicks(51.0, &truth, 0.5);
        backing(&mut samples, &mut fastrand::Rng::with_seed(seed), 0.04);
        let (errors, ratio) = followed(&samples, &truth, &written, 64);
        let worst = errors[20..].iter().fold(0.0f64, |worst, error| worst.max(error.abs()));
        println!(
            "samples, {ppm} ppm: found {:.2}, grid within {worst:.2} frames from hit 20 on",
            (ratio - 1.0) * 1e6
        );
        assert_eq!(errors.len(), truth.len());
        assert!(((ratio - 1.0) * 1e6 - ppm).abs() < 10.0 && worst < 5.0);
    }
}

/// A ramp of 100 to 200 bpm, in samples that run 200 ppm slow.
#[test]
fn a_ramp_is_followed_from_the_samples_on() {
    let written: Vec<f64> = (0..100).map(|beat| 60.0 * 48_000.0 / (100.0 + f64::from(beat))).collect();
    let truth = sounds(&written, 1.000_2);
    let samples = clicks(43.0, &truth, 0.5);
    let (errors, ratio) = followed(&samples, &truth, &written, 64);
    let worst = errors[20..].iter().fold(0.0f64, |worst, error| worst.max(error.abs()));
    println!("samples, ramp: ratio {ratio:.6}, grid within {worst:.2} frames from hit 20 on");
    assert!((ratio - 1.000_2).abs() < 20e-6 && worst < 5.0);
}

/// A click at half the tempo has every second hit of the pattern: it is another song's.
#[test]
fn a_click_at_half_the_tempo_starts_nothing() {
    use fogbell::follow::{Acquire, Onset};
    use fogbell::units::{Exact, FramePos, SampleRate, Span};
    let rate = SampleRate::standard();
    let beat = 24_000i64;
    let expected: Vec<Span> = (0..32).map(|n| Span::ratio(i128::from(n * beat), 1)).collect();
    for (every, starts) in [(1, true), (2, false), (3, false)] {
        let mut acquire = Acquire::new(rate, &expected, 4);
        let heard = (0..20).any(|n| {
            let at = FramePos(48_000 + n * beat * every);
            let onset = Onset { at: Exact::at(at), known_at: at, level: 0.2, brightness: 0.5 };
            acquire.heard(onset).is_some()
        });
        assert_eq!(heard, starts, "every {every} beats");
    }
}
