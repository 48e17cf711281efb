//! Recordings with known delays, made elsewhere (fixtures/latency, by scipy), and published tables.

use fogbell::latency::{Answer, Options, Polarity, Probe, air, analyse, compare, meaning};
use fogbell::units::SampleRate;
use std::path::Path;

fn wav(name: &str) -> Vec<f32> {
    let path = Path::new("fixtures/latency").join(name);
    let mut reader =
        hound::WavReader::open(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
    let scale = 1.0 / (1u32 << (reader.spec().bits_per_sample - 1)) as f32;
    reader.samples::<i32>().map(|x| x.unwrap() as f32 * scale).collect()
}

struct Row {
    file: String,
    reference: String,
    delay: f64,
    speaker: bool,
    snr_db: f64,
}

fn manifest() -> Vec<Row> {
    let text = std::fs::read_to_string("fixtures/latency/manifest.csv").unwrap();
    let row = |line: &str| {
        let cells: Vec<&str> = line.split(',').collect();
        Row {
            file: cells[0].into(),
            reference: cells[1].into(),
            delay: cells[2].parse().unwrap(),
            speaker: cells[4] == "speaker",
            snr_db: cells[5].parse().unwrap(),
        }
    };
    text.lines().skip(1).map(row).collect()
}

fn answer(row: &Row) -> Answer {
    let probe = Probe::from_samples(SampleRate::standard(), &wav(&row.reference)).unwrap();
    analyse(&probe, &wav(&row.file), &Options::default())
}

#[test]
fn known_delays_are_found_to_a_fiftieth_of_a_frame() {
    let rows = manifest();
    assert_eq!(rows.len(), 48);
    for row in rows {
        let answer = answer(&row);
        println!(
            "{:36} {:?}",
            row.file,
            answer.measured().map(|m| (m.round_trip_frames - row.delay, m.interval_95_frames, m.snr_db))
        );
        let Some(measured) = answer.measured() else {
            // Below 20 dB a single click may be refused, and only that.
            assert!(row.snr_db < 20.0 && row.file.starts_with("click"), "{}: {answer:?}", row.file);
            continue;
        };
        let error = measured.round_trip_frames - row.delay;
        assert_eq!(measured.polarity, Polarity::Normal, "{}", row.file);
        // The loudspeaker-like path is later by its own group delay, 0.56 frame for a sweep (tde_rmse_vs_crlb.csv).
        let allowed = match (row.speaker, row.snr_db >= 20.0) {
            (false, true) => -0.02..=0.02,
            (false, false) => -0.3..=0.3,
            (true, true) => 0.5..=0.7,
            (true, false) => 0.3..=1.0,
        };
        assert!(allowed.contains(&error), "{}: {error}", row.file);
    }
}

#[test]
fn the_loudspeakers_group_delay_is_the_same_at_every_level_of_noise() {
    for name in ["ess", "mls14", "click"] {
        let rows: Vec<Row> = manifest()
            .into_iter()
            .filter(|row| row.speaker && row.snr_db >= 20.0 && row.file.starts_with(name))
            .collect();
        let errors: Vec<f64> =
            rows.iter().map(|row| answer(row).measured().unwrap().round_trip_frames - row.delay).collect();
        let clean = errors[rows.iter().position(|row| row.snr_db.is_infinite()).unwrap()];
        assert!(errors.iter().all(|error| (error - clean).abs() < 0.05), "{name}: {errors:?}");
    }
}

#[test]
fn an_inverted_recording_gives_the_same_delay() {
    for row in manifest().iter().filter(|row| row.snr_db == 40.0) {
        let probe = Probe::from_samples(SampleRate::standard(), &wav(&row.reference)).unwrap();
        let turned: Vec<f32> = wav(&row.file).iter().map(|x| -x).collect();
        let (plain, turned) = (answer(row), analyse(&probe, &turned, &Options::default()));
        let (plain, turned) = (plain.measured().unwrap(), turned.measured().unwrap());
        assert_eq!(turned.polarity, Polarity::Inverted);
        assert!((plain.round_trip_frames - turned.round_trip_frames).abs() < 1e-9);
    }
}

fn table(name: &str) -> Vec<Vec<f64>> {
    let text = std::fs::read_to_string(Path::new("fixtures/reference").join(name)).unwrap();
    text.lines()
        .skip(1)
        .map(|line| line.split(',').map(|cell| cell.parse().unwrap_or(f64::NAN)).collect())
        .collect()
}

#[test]
fn the_speed_of_sound_is_iso_9613_1s() {
    for row in table("speed_of_sound.csv") {
        assert!((air::speed_of_sound(row[0]) - row[1]).abs() <= 0.01, "{} °C", row[0]);
        // Humid air (Cramer 1993, the table's last columns) stays within the 1 % that is stated, −10 to 40 °C.
        for cramer in &row[4..7] {
            assert!((cramer / air::speed_of_sound(row[0]) - 1.0).abs() < air::DISTANCE_UNCERTAINTY + 0.002);
        }
    }
}

#[test]
fn distances_cost_what_the_table_says() {
    for row in table("distance_latency.csv") {
        let ms = air::delay_ms(row[0], row[1]);
        assert!((ms / row[2] - 1.0).abs() < 1e-6 && (ms * 48.0 / row[3] - 1.0).abs() < 1e-5, "{row:?}: {ms}");
    }
    let ten = air::table(20.0, 48_000.0).into_iter().find(|row| row.metres == 10.0).unwrap();
    assert!((ten.milliseconds - 29.1375).abs() < 1e-4 && (ten.frames - 1398.60).abs() < 0.01);
}

#[test]
fn what_is_noticed_between_hits_is_friberg_and_sundbergs() {
    for row in table("jnd_timing.csv") {
        assert!((meaning::noticed_ms(row[2]) - row[3]).abs() < 2e-3, "{row:?}");
    }
}

#[test]
fn two_inputs_of_one_click_are_levelled() {
    use crate::world::*;
    let probe = fogbell::latency::Probe::with_shots(
        fogbell::latency::ProbeKind::Impulses,
        SampleRate::standard(),
        16,
        4.0,
    );
    let length = probe.samples.len() + 9600;
    let mut random = fastrand::Rng::with_seed(3);
    for offset in [0.0, 37.25, -512.6, 3000.4] {
        let (mut one, mut other) =
            (delayed(&probe.samples, 4000.0, length), delayed(&probe.samples, 4000.0 + offset, length));
        other.iter_mut().for_each(|x| *x *= -0.4);
        add_noise(&mut one, 1e-3, &mut random);
        add_noise(&mut other, 1e-3, &mut random);
        let result = compare(&as_f32(&one), &as_f32(&other), SampleRate::standard(), 100.0).unwrap();
        assert!((result.offset_frames - offset).abs() < 0.02, "{result:?}");
        assert!(result.inverted && (result.level_db + 7.96).abs() < 0.3);
        let levelled = offset + result.delay_second_frames - result.delay_first_frames;
        assert!(levelled.abs() < 0.02);
        let apart = (result.offset_frames - offset).abs();
        assert!(apart <= result.interval_95_frames);
        // Companded 4 : 1 and another noise: less alike, so wider, or refused.
        let bent: Vec<f32> = other.iter().map(|x| (x.signum() * x.abs().powf(0.5)) as f32).collect();
        match compare(&as_f32(&one), &bent, SampleRate::standard(), 100.0) {
            Ok(wide) => {
                assert!(wide.interval_95_frames > result.interval_95_frames);
                assert!((wide.offset_frames - offset).abs() < 1.0);
            }
            Err(refusal) => println!("companded: {refusal}"),
        }
        let mut alone = vec![0.0; length];
        add_noise(&mut alone, 0.1, &mut random);
        assert!(compare(&as_f32(&one), &as_f32(&alone), SampleRate::standard(), 100.0).is_err());
    }
}

/// Where noise is far stronger than short clicks, their own moments tell; another click is still no answer.
#[test]
fn two_noisy_inputs_are_compared_or_refused_never_wrong() {
    use crate::world::*;
    let rate = SampleRate::standard();
    let probe =
        fogbell::latency::Probe::with_shots(fogbell::latency::ProbeKind::Impulses, rate, 5, 3.5).samples;
    let strange: Vec<f32> = probe.iter().enumerate().map(|(n, x)| x * (n as f32 * 0.9).sin()).collect();
    let length = probe.len() + 9600;
    let mut random = fastrand::Rng::with_seed(11);
    let mut measured = 0;
    for trial in 0..60 {
        let offset = random.f64() * 2000.0 - 1000.0;
        let levels = [1e-4, 10f64.powf(-4.0 + 3.0 * random.f64())];
        let sent = if trial % 3 == 2 { &strange } else { &probe };
        let (mut one, mut other) = (delayed(&probe, 4000.0, length), delayed(sent, 4000.0 + offset, length));
        add_noise(&mut one, levels[trial % 2], &mut random);
        add_noise(&mut other, levels[1 - trial % 2], &mut random);
        match compare(&as_f32(&one), &as_f32(&other), rate, 50.0) {
            Ok(found) => {
                assert!((found.offset_frames - offset).abs() < 1.0, "{levels:?}, {offset}: {found:?}");
                measured += usize::from(trial % 3 != 2);
            }
            Err(_) => assert!(trial % 3 == 2 || levels[1] > 3e-3, "{levels:?} refused"),
        }
    }
    assert!(measured >= 20, "{measured} of 40");
}

#[test]
fn scipy_finds_the_same_delays() {
    // fixtures/latency/scipy.csv: scipy.signal.correlate, upsampled 64 times (tests/oracles/latency.py --table).
    let text = std::fs::read_to_string("fixtures/latency/scipy.csv").unwrap();
    let mut compared = 0;
    for (row, line) in manifest().iter().zip(text.lines().skip(1)) {
        let (file, found) = line.split_once(',').unwrap();
        assert_eq!(file, row.file);
        let Some(measured) = answer(row).measured().map(|m| m.round_trip_frames) else { continue };
        let apart = measured - found.parse::<f64>().unwrap();
        println!("{file:36} {apart:+.4}");
        assert!(apart.abs() <= 0.01, "{file}: {measured}, scipy {found}");
        compared += 1;
    }
    assert!(compared >= 44, "{compared}");
}
