//! Real dirt: stage sound and backing beside the click, another level or sound, words, a device that hangs. Each row
//! prints what was judged.

use crate::band::{backing, click, even, hum, leave, leave_samples, noise, word};
use crate::faults::{INTERVAL, judge, played, words};
use fogbell::follow::{Judged, Verdict};
use fogbell::units::Frames;

/// So many frames the grid is early: a hit is not right because it is near to the grid.
const EARLY: f64 = 48.0;

/// Judged against a grid 1 ms early: errors in frames of what was taken for hits, and what the others were called.
fn judged(samples: &[f32], due: &[f64]) -> (Vec<f64>, Vec<&'static str>) {
    let grid: Vec<f64> = due.iter().map(|at| at - EARLY).collect();
    let told = judge(samples, &grid, Frames(384), &[]);
    let errors = told.iter().filter_map(|judged| match judged.verdict {
        Verdict::InTime(error) => Some(error.as_f64() - EARLY),
        _ => None,
    });
    (errors.collect(), words(&told).into_iter().filter(|&word| word != "in time").collect())
}

/// Recall and precision of hits within 0.5 ms.
fn show(name: &str, due: &[f64], errors: &[f64], others: &[&str]) -> (f64, f64) {
    let right = errors.iter().filter(|error| error.abs() <= 24.0).count() as f64;
    let (recall, precision) = (right / due.len() as f64, right / (errors.len() as f64).max(1.0));
    println!("{name:44} P {precision:.3} R {recall:.3} {others:?}");
    (recall, precision)
}

/// What leaves the hits out and keeps the dirt: how many due hits from `from` seconds on are taken for in time.
fn mistaken(name: &str, samples: &[f32], due: &[f64], from: f64) -> f64 {
    let grid: Vec<f64> = due.iter().map(|at| at - EARLY).collect();
    let told = judge(samples, &grid, Frames(384), &[]);
    let after: Vec<Judged> =
        told.into_iter().filter(|judged| judged.due.at.nearest().0 as f64 > from * 48_000.0).collect();
    let good = after.iter().filter(|judged| judged.verdict.good()).count();
    println!(
        "{name:44} {good} of {} taken for hits {:?}",
        after.len(),
        words(&after).iter().take(4).collect::<Vec<_>>()
    );
    good as f64 / after.len() as f64
}

/// Stage in the same line, its peaks up to as loud as the hits: 1 to 11 dB more of it in the mean than of the click. What
/// was heard is left for the oracles, where a general library hears the same files; it reached P 0.279, R 1.000, a mean
/// of 0.49 ms and an SD of 7.58 ms in the reference's row, whose stage is 6 dB below the click.
#[test]
fn hits_are_picked_out_of_stage_bleed() {
    let table = include_str!("../../fixtures/reference/click_follow_librosa_baseline.csv");
    let row = table.lines().find(|line| line.starts_with("click_in_stage_bleed_snr6")).unwrap();
    let [least, mean_most, sd_most] =
        [3, 5, 6].map(|cell| row.split(',').nth(cell).unwrap().parse::<f64>().unwrap());
    for (seed, peak) in [(20, 0.25), (21, 0.25), (22, 0.25), (23, 0.12), (24, 0.12), (25, 0.35), (26, 0.35)] {
        let (mut samples, due) = played(|_, at| vec![at]);
        let alone = power(&samples);
        backing(&mut samples, &mut fastrand::Rng::with_seed(seed), peak);
        let snr = 10.0 * (alone / (power(&samples) - alone)).log10();
        let (errors, others) = judged(&samples, &due);
        let (recall, precision) =
            show(&format!("stage bleed of peak {peak}, seed {seed}"), &due, &errors, &others);
        let (mean, sd) = spread(&errors);
        println!("{:44} mean {mean:+.3} ms sd {sd:.3} ms, click over stage {snr:.1} dB", "");
        assert!(recall >= 0.98 && precision >= 0.98 && precision > least);
        assert!(mean.abs() < mean_most && sd < sd_most);
        if peak >= 0.25 {
            assert_eq!(errors.len(), due.len());
            let name = format!("bleed_{seed}");
            // In frames: a hit's place is its due place and its error. None is missed, so they stand in order.
            let heard: Vec<f64> = due.iter().zip(&errors).map(|(at, error)| at + error).collect();
            leave(&name, &due, &heard);
            leave_samples(&name, &samples);
        }
    }
}

fn power(samples: &[f32]) -> f64 {
    samples.iter().map(|sample| f64::from(*sample).powi(2)).sum::<f64>() / samples.len() as f64
}

/// Mean and standard deviation in milliseconds.
fn spread(errors: &[f64]) -> (f64, f64) {
    let count = errors.len() as f64;
    let mean = errors.iter().sum::<f64>() / count;
    let square = errors.iter().map(|error| (error - mean).powi(2)).sum::<f64>() / count;
    (mean / 48.0, square.sqrt() / 48.0)
}

/// A click that falls by 20 dB is still the click; below that it is as good as silent, and told to be absent at once.
#[test]
fn a_step_in_level_loses_no_hit() {
    for db in [-40.0, -30.0, -20.0, -12.0, 6.0, 12.0] {
        let (mut samples, due) = played(|_, at| vec![at]);
        samples.iter_mut().for_each(|sample| *sample *= 0.25);
        samples[720_000..].iter_mut().for_each(|sample| *sample *= 10f32.powf(db / 20.0));
        noise(&mut samples, &mut fastrand::Rng::with_seed(1), 0.000_1);
        let (errors, others) = judged(&samples, &due);
        let (recall, precision) = show(&format!("a step of {db} dB"), &due, &errors, &others);
        let silent = due.iter().filter(|at| **at > 720_000.0).count();
        if db < -25.0 {
            assert!(
                errors.len() == due.len() - silent && others.iter().take(3).all(|word| *word == "absent")
            );
        } else {
            assert!(recall == 1.0 && precision == 1.0);
        }
    }
}

#[test]
fn backing_beside_the_click_changes_no_verdict() {
    for db in [-20.0, -25.0, -30.0, -40.0] {
        let (mut samples, due) = played(|_, at| vec![at]);
        backing(&mut samples, &mut fastrand::Rng::with_seed(30), 0.5 * 10f64.powf(db / 20.0));
        let (errors, others) = judged(&samples, &due);
        let (recall, precision) = show(&format!("backing at {db} dB"), &due, &errors, &others);
        assert!(recall == 1.0 && precision == 1.0);
    }
}

/// The click dies at 15 s, what lies beside it goes on.
#[test]
fn what_lies_beside_a_click_is_not_taken_for_it_when_it_is_gone() {
    for (name, db) in [("backing at -20 dB", -20.0), ("backing at -30 dB", -30.0), ("bleed at -12 dB", -12.0)]
    {
        for seed in [40, 41, 42] {
            let (mut samples, due) = played(|_, at| vec![at]);
            samples[720_000..].fill(0.0);
            backing(&mut samples, &mut fastrand::Rng::with_seed(seed), 0.5 * 10f64.powf(db / 20.0));
            let wrong = mistaken(&format!("gone, {name} alone, seed {seed}"), &samples, &due, 15.2);
            assert!(wrong <= if db < -15.0 { 0.0 } else { 0.1 });
        }
    }
    let mut worst = 0.0f64;
    for seed in 43..49 {
        let (mut samples, due) = played(|_, at| vec![at]);
        samples[720_000..].fill(0.0);
        backing(&mut samples, &mut fastrand::Rng::with_seed(seed), 0.25);
        worst = worst.max(mistaken(&format!("gone, bleed as loud, seed {seed}"), &samples, &due, 15.2));
    }
    assert!(worst <= 0.2, "{worst}");
}

/// Songs with another sound and another level, from song to song; the grid goes on.
#[test]
fn sounds_and_levels_that_change_are_taken_for_hits() {
    let due = even(60.0, INTERVAL);
    let mut samples = vec![0.0; 2_880_000];
    let songs = [(1_200.0, 0.5), (2_400.0, 0.3), (700.0, 0.4), (1_800.0, 0.12), (1_000.0, 0.6)];
    for (index, &at) in due.iter().enumerate() {
        let (hertz, peak) = songs[index / 24];
        click(&mut samples, at, hertz, if index % 4 == 0 { peak } else { 0.6 * peak });
    }
    backing(&mut samples, &mut fastrand::Rng::with_seed(50), 0.01);
    let (errors, others) = judged(&samples, &due);
    let (recall, precision) = show("five songs, five sounds", &due, &errors, &others);
    assert!(recall >= 0.97 && precision == 1.0);
}

#[test]
fn words_hum_and_noise_beside_the_click_change_no_verdict() {
    for seed in 0..4 {
        let mut rng = fastrand::Rng::with_seed(seed);
        let (mut samples, due) = played(|_, at| vec![at]);
        hum(&mut samples, 0.03);
        noise(&mut samples, &mut rng, 0.005);
        for &at in due.iter().step_by(3) {
            word(&mut samples, at as usize, 0.15);
        }
        let (errors, others) = judged(&samples, &due);
        let (recall, precision) = show(&format!("hum, noise, words, seed {seed}"), &due, &errors, &others);
        assert!(recall >= 0.98 && precision >= 0.98);
    }
}

/// From 15 s on the device plays its last buffer over and over: it holds the attack of a hit.
#[test]
fn a_device_that_repeats_its_last_buffer_is_taken_for_nothing() {
    for size in [128, 256, 480, 512, 941, 1_024, 2_048] {
        for into in [0.2, 0.9] {
            let (mut samples, due) = played(|_, at| vec![at]);
            let hit = due[30] as usize;
            let first = hit + 60 - (into * size as f64) as usize;
            let buffer: Vec<f32> = samples[first..first + size].to_vec();
            for (index, sample) in samples[first + size..].iter_mut().enumerate() {
                *sample = buffer[index % size];
            }
            noise(&mut samples, &mut fastrand::Rng::with_seed(2), 0.000_5);
            let wrong = mistaken(
                &format!("a buffer of {size}, again and again"),
                &samples,
                &due,
                due[30] / 48_000.0 + 0.1,
            );
            assert_eq!(wrong, 0.0);
        }
    }
}
