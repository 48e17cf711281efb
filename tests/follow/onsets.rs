//! Where a click is heard: files made and timed by others, and dirt from seeds.

use crate::band::{RATE, Score, backing, clicks, even, frames, heard, hum, leave, noise, score, word};
use fogbell::follow::{Onset, Onsets};
use fogbell::units::{FramePos, Frames, SampleRate};

fn fixture(name: &str) -> (Vec<f32>, Vec<f64>) {
    let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/fixtures/follow/");
    let mut reader = hound::WavReader::open(format!("{folder}{name}.wav")).unwrap();
    let samples = reader.samples::<i16>().map(|sample| f32::from(sample.unwrap()) / 32_768.0).collect();
    let table = std::fs::read_to_string(format!("{folder}{name}.beats.csv")).unwrap();
    let places = table.lines().skip(1).map(|line| line.split(',').nth(2).unwrap().parse().unwrap()).collect();
    (samples, places)
}

/// Precision, recall, mean and standard deviation that a general library's onset detector reached on the whole file.
fn baseline(name: &str) -> [f64; 4] {
    let table = include_str!("../../fixtures/reference/click_follow_librosa_baseline.csv");
    let row = table.lines().find(|line| line.split(',').next() == Some(name)).unwrap();
    let cells: Vec<&str> = row.split(',').collect();
    [3, 4, 5, 6].map(|cell| cells[cell].parse().unwrap())
}

fn show(name: &str, score: Score) {
    let Score { recall, precision, mean_ms, sd_ms, recall_5 } = score;
    println!(
        "{name:32} P {precision:.3} R {recall:.3} R@5ms {recall_5:.3} mean {mean_ms:+.3} ms sd {sd_ms:.3} ms"
    );
}

fn within_a_millisecond(onsets: &[Onset]) {
    for onset in onsets {
        let took = onset.known_at.0 as f64 - frames(onset.at);
        assert!((0.0..=48.0).contains(&took), "known after {took} frames");
    }
}

/// The files and their exact places were made for this project with other tools; baseline: librosa 0.11, hop 64.
#[test]
fn clicks_timed_by_others_are_heard_where_they_are() {
    for name in ["click_120_clean", "click_7_8_at_210_eighths", "click_ramp_100_160"] {
        let (samples, truth) = fixture(name);
        let onsets = heard(&samples);
        let found = score(&truth, &onsets);
        let [precision, recall, mean, sd] = baseline(name);
        leave(name, &truth, &onsets.iter().map(|onset| frames(onset.at)).collect::<Vec<_>>());
        show(name, found);
        println!(
            "{:32} P {precision:.3} R {recall:.3}             mean {mean:+.3} ms sd {sd:.3} ms",
            "  librosa"
        );
        within_a_millisecond(&onsets);
        assert!(found.recall >= 0.99 && found.precision >= 0.95 && found.precision >= precision);
        assert!(found.mean_ms.abs() <= 0.1 && found.sd_ms <= 0.1 && found.mean_ms.abs() < mean);
    }
}

/// As the table's row of the same name was made: 137.3 bpm, white noise 20 dB below the click's mean power.
#[test]
fn a_click_at_137_3_in_noise_is_heard_where_it_is() {
    let truth = even(20.0, 60.0 * 48_000.0 / 137.3);
    let mut samples = clicks(20.0, &truth, 0.5);
    let power = samples.iter().map(|sample| f64::from(*sample).powi(2)).sum::<f64>() / samples.len() as f64;
    noise(&mut samples, &mut fastrand::Rng::with_seed(137), power.sqrt() / 10.0);
    let found = score(&truth, &heard(&samples));
    let [precision, recall, mean, sd] = baseline("click_137.3_snr20");
    show("click_137.3_snr20", found);
    println!("  librosa, on the table's file: P {precision} R {recall} mean {mean} ms sd {sd} ms");
    assert!(found.recall >= recall && found.precision >= precision);
    assert!(found.mean_ms.abs() < mean && found.sd_ms < sd);
}

/// A kit is no click: its off-beat hats are onsets too and not in the table, so precision says nothing.
#[test]
fn the_beats_of_a_kit_are_among_its_onsets() {
    for (name, least) in [("kit_96", 1.0), ("kit_174_snr10", 0.9)] {
        let (samples, truth) = fixture(name);
        let onsets = heard(&samples);
        let found = score(&truth, &onsets);
        leave(name, &truth, &onsets.iter().map(|onset| frames(onset.at)).collect::<Vec<_>>());
        show(name, found);
        within_a_millisecond(&onsets);
        assert!(found.recall >= least && found.mean_ms.abs() <= 1.0 && found.sd_ms <= 1.0);
    }
}

#[test]
fn every_level_from_full_scale_to_minus_60_is_heard() {
    let truth = even(10.0, 20_979.2);
    for db in [0.0, -12.0, -24.0, -36.0, -48.0, -55.0] {
        // The quieter hits of this click lie 4.4 dB lower: the last row's at -59.4 dBFS.
        let found = score(&truth, &heard(&clicks(10.0, &truth, 10f64.powf(db / 20.0))));
        show(&format!("clean at {db} dBFS"), found);
        assert!(found.recall == 1.0 && found.precision == 1.0);
        assert!(found.mean_ms.abs() < 0.05 && found.sd_ms < 0.05);
    }
}

/// Counted from the second click on: before, nothing says which of the two is the click.
#[test]
fn backing_beside_the_click_is_not_taken_for_it() {
    for (seed, db) in [(1, -20.0), (2, -20.0), (3, -30.0), (4, -40.0), (5, -20.0), (6, -25.0)] {
        let mut rng = fastrand::Rng::with_seed(seed);
        let truth = even(30.0, 18_000.0 + 500.0 * seed as f64);
        let mut samples = clicks(30.0, &truth, 0.5);
        backing(&mut samples, &mut rng, 0.5 * 10f64.powf(db / 20.0));
        let mut onsets = heard(&samples);
        onsets.retain(|onset| frames(onset.at) > truth[1] - 1_000.0);
        let found = score(&truth[1..], &onsets);
        show(&format!("backing at {db} dB, seed {seed}"), found);
        within_a_millisecond(&onsets);
        assert!(found.recall_5 >= 0.99 && found.precision >= 0.95);
        assert!(found.mean_ms.abs() <= 1.0 && found.sd_ms <= 1.0);
    }
}

#[test]
fn hum_noise_and_spoken_counts_beside_the_click_are_not_taken_for_it() {
    for seed in 0..6 {
        let mut rng = fastrand::Rng::with_seed(seed);
        let truth = even(30.0, 22_000.0);
        let mut samples = clicks(30.0, &truth, 0.4);
        hum(&mut samples, 0.05);
        noise(&mut samples, &mut rng, 0.01);
        for &at in &truth[..8] {
            word(&mut samples, at as usize, 0.12);
        }
        let found = score(&truth, &heard(&samples));
        show(&format!("hum, noise, counts, seed {seed}"), found);
        assert!(found.recall_5 >= 0.99 && found.precision >= 0.95 && found.sd_ms <= 1.0);
    }
}

#[test]
fn another_sound_and_level_from_song_to_song_is_heard_after_three_seconds() {
    let truth = even(30.0, 24_000.0);
    let mut samples = clicks(30.0, &truth, 0.8);
    for sample in &mut samples[720_000..] {
        *sample *= 0.05;
    }
    let onsets = heard(&samples);
    let late: Vec<f64> = truth.iter().copied().filter(|&at| at > 720_000.0 + 4.0 * 48_000.0).collect();
    let after: Vec<Onset> =
        onsets.iter().copied().filter(|onset| onset.at.nearest() > FramePos(912_000)).collect();
    assert_eq!(score(&late, &after).recall, 1.0);
}

#[test]
fn any_split_into_blocks_hears_the_same() {
    let mut rng = fastrand::Rng::with_seed(9);
    let truth = even(10.0, 19_000.0);
    let mut samples = clicks(10.0, &truth, 0.4);
    backing(&mut samples, &mut rng, 0.1);
    let whole = heard(&samples);
    assert!(whole.len() >= truth.len());
    for most in [1, 7, 64, 480, 4_096] {
        let (mut onsets, mut told, mut at) = (Onsets::new(RATE), Vec::new(), 0);
        while at < samples.len() {
            let count = rng.usize(1..=most).min(samples.len() - at);
            onsets.push(FramePos(at as i64), &samples[at..at + count], &mut |onset| told.push(onset));
            at += count;
        }
        assert_eq!(told, whole, "blocks of up to {most}");
    }
}

/// The rate changes what a frame is, not what is heard.
#[test]
fn every_sample_rate_hears_the_same_click() {
    for hertz in [8_000, 22_050, 44_100, 96_000, 192_000, 384_000] {
        let rate = SampleRate::new(hertz).unwrap();
        let mut samples = vec![0.0f32; 3 * hertz as usize];
        let places: Vec<f64> = (0..8).map(|beat| f64::from(hertz) * (0.3 + 0.3 * f64::from(beat))).collect();
        for &at in &places {
            for (frame, sample) in
                samples.iter_mut().enumerate().skip(at.ceil() as usize).take(hertz as usize / 20)
            {
                let time = (frame as f64 - at) / f64::from(hertz);
                *sample +=
                    (0.5 * (std::f64::consts::TAU * 1_000.0 * time).sin() * (-time / 0.006).exp()) as f32;
            }
        }
        let mut told = Vec::new();
        Onsets::new(rate).push(FramePos(0), &samples, &mut |onset| told.push(onset));
        assert_eq!(told.len(), places.len(), "{hertz} Hz");
        for (onset, at) in told.iter().zip(&places) {
            let error = (frames(onset.at) - at) * 1_000.0 / f64::from(hertz);
            assert!(error.abs() <= 0.1, "{hertz} Hz: {error} ms");
            let took = onset.known_at.0 as f64 - frames(onset.at);
            assert!(took <= f64::from(hertz) / 1_000.0, "{hertz} Hz: known after {took} frames");
        }
    }
}

#[test]
fn broken_samples_and_gaps_neither_panic_nor_deafen() {
    let truth = even(4.0, 12_000.0);
    let mut samples = clicks(4.0, &truth, 0.5);
    for at in (0..60_000).step_by(97) {
        samples[at] = [f32::NAN, f32::INFINITY, f32::NEG_INFINITY, 1e30][at % 4];
    }
    let (mut onsets, mut told) = (Onsets::new(RATE), Vec::new());
    onsets.push(FramePos(i64::MAX - 10), &samples[..100], &mut |_| {});
    onsets.push(FramePos(0), &samples[..80_000], &mut |_| {});
    onsets.push(FramePos(90_000), &samples[90_000..], &mut |onset| told.push(onset));
    let late: Vec<f64> = truth.iter().copied().filter(|&at| at > 150_000.0).collect();
    told.retain(|onset| onset.at.nearest() > FramePos(149_000));
    assert!(!late.is_empty() && Frames(late.len() as i64) <= Frames(told.len() as i64));
}
