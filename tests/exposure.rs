//! Promise: how loud it was in the ears is said as far as it can be known, with its uncertainty and its caution; what
//! cannot be known is not said.

use fogbell::exposure::{CAUTION, Loudness};
use fogbell::log::read::is_log;
use fogbell::show::parse_rig;
use fogbell::units::SampleRate;
use serde_json::Value;
use std::f64::consts::TAU;
use std::path::Path;
use std::process::Command;

const RATE: f64 = 48_000.0;

/// A 1 kHz sine at `dbfs` peak on both channels, for so many seconds, phase running on.
fn tone(into: &mut Vec<f32>, dbfs: f64, seconds: f64) {
    let peak = 10f64.powf(dbfs / 20.0);
    for _ in 0..(seconds * RATE) as usize {
        into.push((peak * (TAU * 1_000.0 * into.len() as f64 / RATE).sin()) as f32);
    }
}

fn hear(channels: &[&[f32]]) -> Loudness {
    let mut loudness = Loudness::new(SampleRate::standard(), channels.len()).unwrap();
    loudness.hear(channels).unwrap();
    loudness
}

/// Expected values and tolerances: EBU Tech 3341 (2023), Table 1. The signals' recipes are from memory, as in the
/// reference, where libebur128 and pyloudnorm confirmed them; the last column is libebur128's reading there.
#[test]
fn loudness_reads_the_ebus_signals_as_it_should() {
    let table = include_str!("../fixtures/reference/ebu3341_signals_measured.csv");
    let reference = |test: &str| -> f64 {
        let row = table.lines().find(|line| line.split(',').next() == Some(test)).unwrap();
        let rest = row
            .split('"')
            .nth(2)
            .unwrap_or_else(|| row.split_once(',').unwrap().1.split_once(',').unwrap().1);
        rest.trim_start_matches(',').split(',').next().unwrap().parse().unwrap()
    };
    type Stretches<'a> = (&'a str, &'a [(f64, f64)], f64);
    let stretches: [Stretches<'_>; 5] = [
        ("1", &[(-23.0, 20.0)], -23.0),
        ("2", &[(-33.0, 20.0)], -33.0),
        ("3", &[(-36.0, 10.0), (-23.0, 60.0), (-36.0, 10.0)], -23.0),
        ("4", &[(-72.0, 10.0), (-36.0, 10.0), (-23.0, 60.0), (-36.0, 10.0), (-72.0, 10.0)], -23.0),
        ("5", &[(-26.0, 20.0), (-20.0, 20.1), (-26.0, 20.0)], -23.0),
    ];
    for (name, parts, expected) in stretches {
        let mut signal = Vec::new();
        parts.iter().for_each(|(dbfs, seconds)| tone(&mut signal, *dbfs, *seconds));
        let found = hear(&[&signal, &signal]).integrated().unwrap();
        println!("EBU test {name}: {found:.3} LUFS, to be {expected} ± 0.1, libebur128 {}", reference(name));
        assert!(
            (found - expected).abs() <= 0.1 && (found - reference(name)).abs() <= 0.02,
            "{name}: {found}"
        );
    }
}

/// Tests 9 and 12: short-term and momentary loudness stand still on signals whose level changes within their windows.
#[test]
fn short_term_and_momentary_loudness_stand_still_where_they_should() {
    let loudest = |seconds: [f64; 2], times: usize, settles: f64, read: fn(&Loudness) -> Option<f64>| {
        let mut signal = Vec::new();
        for _ in 0..times {
            tone(&mut signal, -20.0, seconds[0]);
            tone(&mut signal, -30.0, seconds[1]);
        }
        let mut loudness = Loudness::new(SampleRate::standard(), 2).unwrap();
        let mut heard = 0;
        // Each tenth of a second, as the standard's update rate asks.
        for part in signal.chunks(4_800) {
            loudness.hear(&[part, part]).unwrap();
            heard += part.len();
            if heard as f64 >= settles * RATE {
                let found = read(&loudness).unwrap();
                assert!((found + 23.0).abs() <= 0.1, "{found} after {} s", heard as f64 / RATE);
            }
        }
        read(&loudness).unwrap()
    };
    let short = loudest([1.34, 1.66], 5, 3.0, Loudness::short_term);
    assert!((short + 23.0).abs() <= 0.1, "test 9: {short}");
    loudest([0.18, 0.22], 25, 1.0, Loudness::momentary);
}

/// Tests 15 to 19: tones near a quarter, a sixth and an eighth of the rate whose samples miss their peak. Tolerance +0.2
/// and −0.4 dB.
#[test]
fn true_peak_finds_what_lies_between_the_samples() {
    for (name, part, degrees, peak, expected) in [
        ("15", 4.0, 0.0, 0.5, -6.0),
        ("16", 4.0, 45.0, 0.5, -6.0),
        ("17", 6.0, 60.0, 0.5, -6.0),
        ("18", 8.0, 67.5, 0.5, -6.0),
        ("19", 4.0, 45.0, 1.41, 3.0),
    ] {
        let long = 48_000usize;
        let signal: Vec<f32> = (0..long)
            .map(|n| {
                // Edges of 10 ms, so that the signal's own start does not ring.
                let edge = (n.min(long - 1 - n) as f64 / 480.0).min(1.0);
                let fade = 0.5 - 0.5 * (edge * TAU / 2.0).cos();
                (peak * fade * (TAU * n as f64 / part + f64::to_radians(degrees)).sin()) as f32
            })
            .collect();
        let found = hear(&[&signal, &signal]).true_peak().unwrap();
        let sample = signal.iter().fold(0.0f32, |most, x| most.max(x.abs()));
        println!("EBU test {name}: {found:.2} dBTP, largest sample {:.2} dBFS", 20.0 * sample.log10());
        assert!(found <= expected + 0.2 && found >= expected - 0.4, "{name}: {found}");
    }
}

struct Told {
    code: Option<i32>,
    out: String,
    err: String,
}

fn fogbell(folder: &Path, args: &[&str]) -> Told {
    let output = Command::new(env!("CARGO_BIN_EXE_fogbell")).args(args).current_dir(folder).output().unwrap();
    let text = |bytes: Vec<u8>| String::from_utf8_lossy(&bytes).into_owned();
    Told { code: output.status.code(), out: text(output.stdout), err: text(output.stderr) }
}

fn folder() -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    let show = "show = \"Saltmarsh Five\"\n[click.drums]\n[click.band]\n[[song]]\ntitle = \"Low Tide\"\ntempo = 132\nbars = 8\n";
    std::fs::write(folder.path().join("friday.toml"), show).unwrap();
    let rig = "[outputs]\ndrums = 1\nband = 2\n[exposure.drums]\nsensitivity_db_per_mw = 108\nimpedance_ohm = 32\n\
               pack_volts = 0.3\n";
    std::fs::write(folder.path().join("box.toml"), rig).unwrap();
    folder
}

fn recording(path: &Path, channels: &[Vec<f32>]) {
    let spec = hound::WavSpec {
        channels: channels.len() as u16,
        sample_rate: 48_000,
        bits_per_sample: 32,
        sample_format: hound::SampleFormat::Float,
    };
    let mut writer = hound::WavWriter::create(path, spec).unwrap();
    for frame in 0..channels[0].len() {
        channels.iter().for_each(|channel| writer.write_sample(channel[frame]).unwrap());
    }
    writer.finalize().unwrap();
}

/// 108 dB at 1 mW in 32 Ω and 0.3 V: P = 0.09 / 32 W = 2.8125 mW, 4.49 dB over 1 mW, so full scale is 112.49 dB SPL and
/// a 1 kHz tone at −20 dBFS 92.49 dBA. Of that NIOSH allows 8 h · 2^((85 − 92.49)/3) = 1.417 h: 60 s are 1.176 %.
#[test]
fn a_recording_is_read_through_the_rigs_calibration() {
    let folder = folder();
    let mut drums = Vec::new();
    tone(&mut drums, -20.0, 60.0);
    let band: Vec<f32> = drums.iter().map(|sample| 0.1 * sample).collect();
    recording(&folder.path().join("take.wav"), &[drums, band]);
    let told = fogbell(folder.path(), &["exposure", "take.wav", "--rig", "box.toml", "--json"]);
    assert_eq!(told.code, Some(0), "{}", told.err);
    let object: Value = serde_json::from_str(&told.out).unwrap();
    assert_eq!(object["caution"], CAUTION);
    let drums = &object["figures"][0];
    assert_eq!((drums["feed"].as_str(), drums["source"].as_str()), (Some("drums"), Some("feed")));
    let known = &drums["calibrated"];
    assert!((known["mean_dba"].as_f64().unwrap() - 92.5).abs() < 0.11, "{known}");
    assert!((known["niosh_percent"].as_f64().unwrap() - 1.176).abs() < 0.01, "{known}");
    assert_eq!(known["plus_minus_db"], 6.0);
    let band = &object["figures"][1];
    assert!(
        band["calibrated"].is_null() && (band["mean_dbfs"].as_f64().unwrap() + 40.0).abs() < 0.11,
        "{band}"
    );
    let words = fogbell(folder.path(), &["exposure", "take.wav", "--rig", "box.toml"]).out;
    for part in [
        "drums: at least 92.5 dBA ± 6 dB",
        "the mixer adds voices and instruments",
        "NIOSH 98-126",
        "LUFS",
        CAUTION,
    ] {
        assert!(words.contains(part), "{part} in\n{words}");
    }
    assert!(
        words.contains("band: -40.0 dBFS") && words.contains("cannot be known without a calibration"),
        "{words}"
    );
    // The ear mix of one player, recorded whole: nothing is added any more.
    let whole = fogbell(
        folder.path(),
        &["exposure", "take.wav", "--rig", "box.toml", "--feed", "drums", "--channels", "1"],
    );
    assert!(whole.out.contains("drums: 92.5 dBA") && !whole.out.contains("at least"), "{}", whole.out);
    // Without a rig there is no level of sound.
    let bare = fogbell(folder.path(), &["exposure", "take.wav"]).out;
    assert!(bare.contains("cannot be known") && !bare.contains("dBA"), "{bare}");
}

#[test]
fn what_does_not_fit_is_refused_with_a_mend() {
    let folder = folder();
    let mut short = Vec::new();
    tone(&mut short, -20.0, 0.1);
    recording(&folder.path().join("mono.wav"), &[short]);
    for (args, part) in [
        (vec!["exposure", "mono.wav", "--rig", "box.toml"], "was not made with this rig"),
        (vec!["exposure", "mono.wav", "--rig", "box.toml", "--feed", "keys"], "no exposure of a feed"),
        (vec!["exposure", "mono.wav", "--rig", "box.toml", "--feed", "drums", "--channels", "2"], "has 1"),
        (vec!["exposure", "none.wav"], "none.wav"),
        (vec!["exposure", "--logs", "nowhere"], "cannot be read"),
    ] {
        let told = fogbell(folder.path(), &args);
        assert_eq!(told.code, Some(2), "{args:?}");
        assert!(told.err.contains(part) && told.out.is_empty(), "{args:?}: {}", told.err);
    }
}

/// The run itself meters, logs its account and says it at the end; the week adds up what the logs hold.
#[test]
fn a_run_logs_how_loud_it_was_and_a_week_of_logs_adds_up() {
    let folder = folder();
    for _ in 0..2 {
        let run = [
            "run",
            "friday.toml",
            "--rig",
            "box.toml",
            "--headless",
            "--no-ready",
            "--for",
            "3",
            "--log",
            "logs",
        ];
        let told = fogbell(folder.path(), &run);
        assert_eq!(told.code, Some(0), "{}{}", told.out, told.err);
        assert!(told.out.contains("drums: at least") && told.out.contains(CAUTION), "{}", told.out);
        assert!(!told.out.contains("band: "), "{}", told.out);
    }
    let mut doses = Vec::new();
    for entry in std::fs::read_dir(folder.path().join("logs")).unwrap() {
        let path = entry.unwrap().path();
        if !is_log(&path) {
            continue; // the position record
        }
        let text = std::fs::read_to_string(path).unwrap();
        let last = text.lines().rev().find(|line| line.contains("\"event\":\"exposure\"")).unwrap();
        let line: Value = serde_json::from_str(last).unwrap();
        assert_eq!((line["ended"].as_bool(), line["caution"].as_str()), (Some(true), Some(CAUTION)));
        doses.push(line["figures"][0]["calibrated"]["pascal_squared_hours"].as_f64().unwrap());
    }
    assert!(doses.len() == 2 && doses.iter().all(|dose| *dose > 0.0), "{doses:?}");
    let week = fogbell(folder.path(), &["exposure", "--logs", "logs", "--json"]);
    let object: Value = serde_json::from_str(&week.out).unwrap();
    let drums = object["feeds"].as_array().unwrap().iter().find(|feed| feed["feed"] == "drums").unwrap();
    assert_eq!(drums["nights"], 2);
    assert!((drums["pascal_squared_hours"].as_f64().unwrap() - doses.iter().sum::<f64>()).abs() < 1e-12);
    assert!(fogbell(folder.path(), &["exposure", "--logs", "logs"]).out.contains("at least"));
}

/// What `check` says of each nonsense calibration: the line, and how to mend it.
#[test]
fn nonsense_calibrations_are_refused_where_they_stand() {
    let faults = |lines: &str| -> Vec<(usize, String, String)> {
        let text = format!("[outputs]\ndrums = 1\n[exposure.drums]\n{lines}");
        let reading = parse_rig(&text, "rig.toml", Path::new("."));
        assert_eq!(reading.rig.is_some(), reading.faults.is_empty());
        reading.faults.into_iter().map(|fault| (fault.line, fault.what, fault.mend)).collect()
    };
    let good = "sensitivity_db_per_mw = 108\nimpedance_ohm = 32\npack_volts = 0.3\n";
    assert_eq!(faults(good), []);
    assert_eq!(faults("return = [2, 3]\n"), []);
    for (lines, line, what) in [
        ("uncertainty_db = 3\n", 3, "says nothing"),
        ("sensitivity_db_per_mw = 108\npack_volts = 0.3\n", 4, "`impedance_ohm` is missing"),
        ("sensitivity_db_per_v = 120\n", 4, "`pack_volts` is missing"),
        ("read_db = 94\n", 4, "`read_at_dbfs` is missing"),
        ("pack_volts = 0.3\n", 4, "`pack_volts` alone"),
        ("sensitivity_db_per_v = 120\npack_volts = 0.3\nread_db = 94\nread_at_dbfs = -20\n", 6, "both say"),
        ("sensitivity_db_per_v = 120\npack_volts = 0.3\nimpedance_ohm = 32\n", 6, "means nothing beside"),
        ("sensitivity_db_per_v = 12\npack_volts = 0.3\n", 4, "out of range"),
        ("sensitivity_db_per_v = 120\npack_volts = -1\n", 5, "out of range"),
        ("sensitivity_db_per_v = 120\npack_volts = nan\n", 5, "out of range"),
        // Millivolts written as volts, or a sensitivity at 1 V taken for one at 1 mW.
        ("sensitivity_db_per_v = 149\npack_volts = 9\n", 4, "would be 168 dB SPL"),
        ("read_db = 50\nread_at_dbfs = -3\n", 4, "would be 53 dB SPL"),
        ("sensitivity_db_per_v = 120\npack_volts = 0.3\nuncertainty_db = 0\n", 6, "out of range"),
        ("return = [2, 2]\n", 4, "taken already"),
        ("return = [2, 3, 4]\n", 4, "comes back on one input"),
        ("sensitivty_db_per_v = 120\npack_volts = 0.3\n", 4, "no key"),
    ] {
        let found = faults(lines);
        let fault = found.first().unwrap_or_else(|| panic!("no fault in {lines}"));
        assert!(fault.0 == line && fault.1.contains(what) && !fault.2.is_empty(), "{lines}: {found:?}");
    }
    let other = parse_rig("[outputs]\ndrums = 1\n[exposure.durms]\nreturn = 2\n", "rig.toml", Path::new("."));
    assert_eq!(other.faults.len(), 1);
    assert!(other.faults[0].what.contains("durms") && other.faults[0].mend.contains("drums"));
}
