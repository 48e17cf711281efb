//! Promise: `fogbell latency` on an interface is right or refuses, from the question about ears to the stored result.
//! The virtual interface plays cables of known delay; a JACK server is arithmetic that is not ours.

#[cfg(all(feature = "jack", target_os = "linux"))]
#[path = "common/jack.rs"]
mod jack;

use fogbell::log::read::is_log;
use serde_json::Value;
use std::io::Write;
use std::path::Path;
use std::process::{Command, Output, Stdio};

/// A folder with a rig and what stands around its virtual interface.
fn stage(world: &str) -> tempfile::TempDir {
    let folder = tempfile::tempdir().expect("a folder");
    let rig = "[interface]\nhost = \"virtual\"\ndevice = \"hall.toml\"\nblock = 64\n\
               [outputs]\ndrums = 1\nband = 2\n[inputs]\nroom = 3\n[loop]\noutput = 4\ninput = 4\n";
    std::fs::write(folder.path().join("rig.toml"), rig).expect("a rig");
    std::fs::write(folder.path().join("hall.toml"), world).expect("a world");
    folder
}

fn command(folder: &Path, words: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_fogbell"));
    command.arg("latency").args(words).current_dir(folder).env("XDG_STATE_HOME", folder.join("state"));
    command
}

fn run(folder: &Path, words: &[&str]) -> Output {
    command(folder, words).stdin(Stdio::null()).output().expect("fogbell starts")
}

/// The one object on standard output, and the exit.
fn json(folder: &Path, words: &[&str]) -> (Value, i32) {
    let output = run(folder, &[words, &["--json"]].concat());
    let text = String::from_utf8(output.stdout).expect("text");
    let told = || panic!("{text}\n{}", String::from_utf8_lossy(&output.stderr));
    let value: Value = serde_json::from_str(&text).unwrap_or_else(|_| told());
    if let Some(kept) = value["log"].as_str() {
        let kept = std::fs::read_to_string(folder.join(kept)).expect("the result kept with the night");
        assert!(kept.contains("\"kind\":\"latency\"") && kept.lines().count() == 1, "{kept}");
    } else {
        assert!(output.status.code() == Some(2) || !words.contains(&"--rig"), "not kept: {value}");
    }
    (value, output.status.code().unwrap_or(-1))
}

const QUICK: [&str; 6] = ["--rig", "rig.toml", "--shots", "4", "--longest", "0.1"];

fn quick(world: &str, words: &[&str]) -> (Value, i32) {
    let folder = stage(world);
    json(folder.path(), &[&QUICK, words].concat())
}

fn cable(delay: f64, gain: f64, rest: &str) -> String {
    format!(
        "inputs = 4\noutputs = 4\nclip-inputs = true\n\
         cables = [{{ output = 1, input = 2, delay-frames = {delay}, gain = {gain} }}{rest}"
    )
}

const DRUMS: [&str; 4] = ["--output", "drums", "--input", "2"];

fn number(value: &Value, name: &str) -> f64 {
    value[name].as_f64().unwrap_or_else(|| panic!("no {name} in {value:#}"))
}

#[test]
fn a_cable_of_known_delay_is_measured_to_a_small_part_of_a_frame() {
    for (delay, gain, polarity) in
        [(400.25, 0.5, "normal"), (777.7, -0.3, "inverted"), (128.0, 1.0, "normal")]
    {
        let world = cable(delay, gain, "]\nnoises = [{ input = 2, level = -80, seed = 3 }]\n");
        let (found, code) = quick(&world, &DRUMS);
        assert_eq!((found["outcome"].as_str(), code), (Some("measured"), 0), "{found:#}");
        let error = (number(&found, "round_trip_frames") - delay).abs();
        // The cable's own interpolation is good to about 1e-3 frame.
        assert!(error < 0.005 && error <= number(&found, "interval_95_frames") + 0.002, "{delay}: {found:#}");
        assert!((number(&found, "round_trip_ms") - delay / 48.0).abs() < 2e-4);
        assert_eq!((&found["polarity"], &found["shots"]), (&polarity.into(), &4.into()));
        assert!(number(&found, "snr_db") > 20.0 && found["reason"].is_null());
        // Quiet first, then by steps, never over the ceiling.
        let risen: Vec<f64> =
            found["risen_db"].as_array().unwrap().iter().filter_map(Value::as_f64).collect();
        assert!(risen[0] == -48.0 && risen.windows(2).all(|pair| pair[1] - pair[0] == 6.0), "{risen:?}");
        assert!(risen.iter().all(|level| *level <= -12.0));
        let parts = found["budget"]["parts"].as_array().unwrap();
        let sum: f64 = parts.iter().map(|part| number(part, "frames")).sum();
        assert!((sum - number(&found["budget"], "total_frames")).abs() < 1e-6);
        // 1.5 ms of look-ahead are 72 frames at 48 kHz.
        assert!((sum - 72.0 - number(&found, "round_trip_frames")).abs() < 1e-6);
    }
}

#[test]
fn what_cannot_be_trusted_is_refused_with_its_reason() {
    let cases = [
        (cable(300.0, 0.0, "]"), "nothing_came_back"),
        (cable(300.0, 1e5, "]"), "clipped"),
        (cable(300.0, 0.5, ", { output = 1, input = 2, delay-frames = 700, gain = 0.45 }]"), "two_arrivals"),
    ];
    for (world, reason) in cases {
        let (found, code) = quick(&world, &DRUMS);
        assert_eq!((found["outcome"].as_str(), code), (Some("refused"), 1), "{found:#}");
        assert_eq!(found["reason"], reason, "{found:#}");
        for name in
            ["round_trip_frames", "round_trip_ms", "interval_95_frames", "snr_db", "polarity", "shots"]
        {
            assert!(found[name].is_null(), "{name} of a refusal: {found:#}");
        }
        assert!(found["mend"].as_str().is_some_and(|mend| !mend.is_empty()));
    }
}

/// Noise and hum from little to far too much: whatever is answered is within a frame.
#[test]
fn among_noise_and_hum_it_is_right_or_refuses() {
    let mut measured = 0;
    let mut refused = 0;
    for (level, hum, probe) in [
        (-50, 0.0, "impulses"),
        (-20, 0.0, "mls"),
        (-10, 0.0, "impulses"),
        (-70, 0.3, "sweep"),
        (0, 0.3, "sweep"),
    ] {
        let mics = "]\nmics = [{ input = 2, file = \"hum.wav\", looped = true }]\n";
        let world =
            cable(512.5, 0.25, mics) + &format!("noises = [{{ input = 2, level = {level}, seed = 5 }}]\n");
        let folder = stage(&world);
        write_hum(&folder.path().join("hum.wav"), hum);
        let (found, code) = json(folder.path(), &[&QUICK[..], &DRUMS, &["--probe", probe]].concat());
        match found["outcome"].as_str() {
            Some("measured") => {
                measured += 1;
                assert!((number(&found, "round_trip_frames") - 512.5).abs() < 1.0 && code == 0, "{found:#}");
            }
            _ => {
                refused += 1;
                assert!(code == 1 && found["reason"].is_string(), "{found:#}");
            }
        }
        println!("noise {level} dB, hum {hum}, {probe}: {} {}", found["outcome"], found["round_trip_frames"]);
    }
    assert!(measured >= 2 && refused >= 1, "{measured} measured, {refused} refused");
}

/// The trial's few clicks may stand out where the whole probe's do not all: then it is played louder, not refused.
#[test]
fn default_clicks_in_a_little_noise_are_played_louder_until_they_are_heard() {
    let world = cable(640.5, 0.5, "]\nnoises = [{ input = 2, level = -70, seed = 7 }]\n");
    let (found, code) = json(
        stage(&world).path(),
        &["--rig", "rig.toml", "--longest", "0.1", DRUMS[0], DRUMS[1], DRUMS[2], DRUMS[3]],
    );
    assert_eq!((found["outcome"].as_str(), code), (Some("measured"), 0), "{found:#}");
    assert!((number(&found, "round_trip_frames") - 640.5).abs() < 0.02, "{found:#}");
    assert!(number(&found, "played_at_db") > -48.0 && number(&found, "shots") >= 12.0, "{found:#}");
}

/// A second of 50 Hz with two harmonics.
fn write_hum(path: &Path, level: f64) {
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: 48_000,
        bits_per_sample: 32,
        sample_format: hound::SampleFormat::Float,
    };
    let mut wav = hound::WavWriter::create(path, spec).expect("a file");
    for frame in 0..48_000 {
        let phase = std::f64::consts::TAU * 50.0 * f64::from(frame) / 48_000.0;
        let wave = phase.sin() + 0.3 * (2.0 * phase).sin() + 0.2 * (3.0 * phase).sin();
        wav.write_sample((level * wave) as f32).expect("a sample");
    }
    wav.finalize().expect("a file");
}

#[test]
fn lost_frames_cost_a_shot_and_not_the_answer() {
    let faults = "]\nfaults = [{ at = 9600, kind = \"late-by\", frames = 100 }, { at = 26000, kind = \"late-by\", frames = 64 }]\n";
    let (found, code) = quick(&cable(300.0, 0.5, faults), &DRUMS);
    assert_eq!((found["outcome"].as_str(), code), (Some("measured"), 0), "{found:#}");
    assert!((number(&found, "round_trip_frames") - 300.0).abs() < 0.002);
    assert!(number(&found, "shots_played_again") >= 1.0 && number(&found, "xruns") >= 1.0, "{found:#}");
    let (found, code) =
        quick(&cable(300.0, 0.5, "]\nfaults = [{ at = 12000, kind = \"vanish\" }]\n"), &DRUMS);
    assert_eq!((found["reason"].as_str(), code), (Some("device"), 1), "{found:#}");
}

#[test]
fn evidence_is_kept_whole_can_be_judged_again_and_is_not_written_over() {
    let folder = stage(&cable(640.75, 0.5, "]\nnoises = [{ input = 2, level = -70, seed = 3 }]\n"));
    let words = [&QUICK[..], &DRUMS, &["--save", "kept", "--page", "how late.html"]].concat();
    let (found, code) = json(folder.path(), &words);
    assert_eq!(code, 0, "{found:#}");
    let page = std::fs::read_to_string(folder.path().join("how late.html")).expect("a page");
    assert!(page.contains("<dt>Latency</dt><dd>The round trip is 640.75 frames (13.35 ms).</dd>"), "{page}");
    assert!(page.contains("own voice in ears") && !page.contains("<script"), "{page}");
    let (taken, code) = json(folder.path(), &[&QUICK[..], &DRUMS, &["--page", "how late.html"]].concat());
    assert!(code == 2 && taken["words"].as_str().unwrap().contains("is there already"), "{taken:#}");
    let kept = folder.path().join("kept");
    let result: Value = serde_json::from_slice(&std::fs::read(kept.join("result.json")).unwrap()).unwrap();
    assert_eq!(result["round_trip_frames"], found["round_trip_frames"]);
    // The largest correlation lies at the nearest frame.
    let csv = std::fs::read_to_string(kept.join("correlation.csv")).unwrap();
    let rows = csv.lines().skip(1).filter_map(|line| line.split_once(','));
    let rows = rows.map(|(delay, value)| (delay.parse::<i64>().unwrap(), value.parse::<f64>().unwrap()));
    let best = rows.max_by(|a, b| a.1.abs().total_cmp(&b.1.abs())).unwrap();
    assert!((best.0 - 641).abs() <= 1 && best.1 > 0.5, "{best:?}");
    let files = ["--from", "kept/recording.wav", "--probe", "kept/probe.wav", "--longest", "0.1"];
    let (again, code) = json(folder.path(), &files);
    assert_eq!(code, 0, "{again:#}");
    let apart = number(&again, "round_trip_frames") - number(&found, "round_trip_frames");
    assert!(apart.abs() < 1e-3, "{apart}");
    let (refused, code) = json(folder.path(), &words);
    assert_eq!((refused["outcome"].as_str(), code), (Some("refused"), 2), "{refused:#}");
    let words = String::from_utf8(run(folder.path(), &files).stdout).unwrap();
    assert!(words.starts_with("The round trip is 640.75 frames (13.35 ms)"), "{words}");
}

#[test]
fn two_inputs_are_compared_and_levelled() {
    let other = ", { output = 1, input = 3, delay-frames = 540.5, gain = -0.4 }]\n";
    let (found, code) =
        quick(&cable(300.0, 0.5, other), &["--output", "drums", "--input", "2", "--compare", "room"]);
    assert_eq!((found["outcome"].as_str(), code), (Some("measured"), 0), "{found:#}");
    assert!((number(&found, "offset_frames") - 240.5).abs() < 0.1, "{found:#}");
    assert!((number(&found, "delay_first_frames") - 240.5).abs() <= 0.6);
    assert_eq!((number(&found, "delay_second_frames"), found["inverted"].as_bool()), (0.0, Some(true)));
}

/// Noise on either input, between short clicks: only the clicks' own moments tell.
#[test]
fn two_inputs_are_compared_though_one_of_them_is_noisy() {
    let other = ", { output = 1, input = 3, delay-frames = 322.75, gain = 0.4 }]\n";
    for noisy in [2, 3] {
        let world =
            cable(300.0, 0.5, other) + &format!("noises = [{{ input = {noisy}, level = -70, seed = 9 }}]\n");
        let (found, code) = quick(&world, &["--output", "drums", "--input", "2", "--compare", "room"]);
        assert_eq!((found["outcome"].as_str(), code), (Some("measured"), 0), "{noisy}: {found:#}");
        let apart = (number(&found, "offset_frames") - 22.75).abs();
        assert!(apart < 0.1 && apart <= number(&found, "interval_95_frames"), "{noisy}: {found:#}");
    }
}

#[test]
fn a_microphone_s_distance_is_the_air_s_delay() {
    // 10 m at 21 °C: c = 343.2 √(294.15 / 293.15) = 343.785 m/s (ISO 9613-1), 29.088 ms, 1396.22 frames; the cable
    // takes 300 of them.
    let (found, code) = quick(
        &cable(1696.22, 0.3, "]\n"),
        &["--output", "1", "--input", "2", "--mic", "--temperature", "21", "--less", "300"],
    );
    assert_eq!((found["outcome"].as_str(), code), (Some("measured"), 0), "{found:#}");
    assert!((number(&found["microphone"], "metres") - 10.0).abs() < 0.01, "{found:#}");
    let row = found["distances"].as_array().unwrap().iter().find(|row| row["metres"] == 15.0).unwrap();
    assert!((number(row, "milliseconds") - 15_000.0 / 343.785).abs() < 0.01);
}

#[test]
fn block_sizes_are_tried_each_several_times_and_the_smallest_clean_one_recommended() {
    let folder = stage(&cable(300.0, 0.5, "]\n"));
    let words = ["--rig", "rig.toml", "--output", "1", "--input", "2", "--longest", "0.05", "--starts", "2"];
    let (found, code) = json(folder.path(), &[&words[..], &["--blocks", "512,64,32"]].concat());
    // A cable of 300 frames cannot be behind a block of 512: the world refuses it, and the rest goes on.
    assert_eq!(
        (found["outcome"].as_str(), code, number(&found, "block")),
        (Some("measured"), 0, 32.0),
        "{found:#}"
    );
    let rows = found["blocks"].as_array().unwrap();
    let clean: Vec<bool> = rows.iter().filter_map(|row| row["clean"].as_bool()).collect();
    assert_eq!(clean, [false, true, true]);
    assert!(
        rows[1]["starts"].as_array().unwrap().iter().all(|x| (x.as_f64().unwrap() - 300.0).abs() < 0.002)
    );
    let shown = Command::new(env!("CARGO_BIN_EXE_fogbell"))
        .args(["interfaces", "--rig", "rig.toml"])
        .current_dir(folder.path())
        .env("XDG_STATE_HOME", folder.path().join("state"))
        .output()
        .unwrap();
    let shown = String::from_utf8(shown.stdout).unwrap();
    assert!(shown.contains("round trip 300.00 frames (6.25 ms) at 48000 Hz, 64 frames a block"), "{shown}");
    let kept: Value =
        serde_json::from_slice(&std::fs::read(folder.path().join("state/fogbell/latency.json")).unwrap())
            .unwrap();
    assert_eq!(kept["results"].as_array().unwrap().len(), 4);
}

#[test]
fn an_output_must_be_named_or_be_the_rig_s_spare_loop() {
    let world = cable(300.0, 0.5, ", { output = 4, input = 4, delay-frames = 200.5, gain = 0.5 }]\n");
    let (found, code) = quick(&world, &[]);
    assert_eq!(code, 0, "{found:#}");
    assert!((number(&found, "round_trip_frames") - 200.5).abs() < 0.005, "{found:#}");
    let folder = stage(&world);
    std::fs::write(folder.path().join("rig.toml"), "[outputs]\ndrums = 1\n").unwrap();
    for words in [&["--input", "2"][..], &["--output", "1"], &["--output", "kit", "--input", "2"]] {
        let output = run(folder.path(), &[&["--rig", "rig.toml"], words].concat());
        assert_eq!(output.status.code(), Some(2));
        assert!(String::from_utf8_lossy(&output.stderr).contains("to mend it"), "{output:?}");
    }
    for words in [&["--output", "1"][..], &["--rig", "rig.toml", "--ceiling", "0"], &["--from", "a.wav"]] {
        assert_eq!(run(folder.path(), words).status.code(), Some(2));
    }
}

#[test]
fn a_run_measures_its_spare_loop_beside_the_show_and_tells_log_and_store() {
    let folder = stage(
        "inputs = 4\noutputs = 4\ncables = [{ output = 4, input = 4, delay-frames = 480.5, gain = 0.5 }]\n",
    );
    let show = "show = \"Coast run\"\n[click.drums]\n[feed.drums]\nhears = { drums = 0 }\n[feed.band]\n\
                hears = { drums = -6 }\n[[song]]\ntitle = \"Low Tide\"\ntempo = 240\nbars = 2\n";
    std::fs::write(folder.path().join("show.toml"), show).unwrap();
    let rig = "[interface]\nhost = \"virtual\"\ndevice = \"hall.toml\"\n[outputs]\ndrums = 1\nband = 2\n\
               [loop]\noutput = 4\ninput = 4\n";
    std::fs::write(folder.path().join("rig.toml"), rig).unwrap();
    let output = Command::new(env!("CARGO_BIN_EXE_fogbell"))
        .args(["run", "show.toml", "--rig", "rig.toml", "--headless", "--no-ready", "--for", "7", "--json"])
        .args(["--press", "4 start", "--log", "logs", "--record", "take.wav"])
        .current_dir(folder.path())
        .env("XDG_STATE_HOME", folder.path().join("state"))
        .stdin(Stdio::null())
        .output()
        .unwrap();
    let report: Value = serde_json::from_slice(&output.stdout)
        .unwrap_or_else(|_| panic!("{}", String::from_utf8_lossy(&output.stderr)));
    assert_eq!(output.status.code(), Some(0), "{report:#}");
    let mut kept = std::fs::read_dir(folder.path().join("logs")).unwrap().flatten().map(|entry| entry.path());
    let log = kept.find(|path| is_log(path)).unwrap();
    let log = std::fs::read_to_string(log).unwrap();
    assert!(log.contains("ROUND TRIP 480.50 frames (10.01 ms)"), "{log}");
    let kept: Value =
        serde_json::from_slice(&std::fs::read(folder.path().join("state/fogbell/latency.json")).unwrap())
            .unwrap();
    assert!((number(&kept["results"][0], "round_trip_frames") - 480.5).abs() < 0.005, "{kept:#}");
}

#[cfg(all(feature = "jack", target_os = "linux"))]
mod on_a_server {
    use super::*;
    use crate::jack::Server;
    use std::time::{Duration, Instant};

    const RIG: &str =
        "[interface]\nhost = \"jack\"\ndevice = \"loopback\"\nblock = 128\n[outputs]\ndrums = 1\n";

    fn folder() -> tempfile::TempDir {
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join("rig.toml"), RIG).unwrap();
        folder
    }

    fn on(server: &Server, folder: &Path, words: &[&str]) -> Command {
        let mut command = command(folder, words);
        command.env("JACK_DEFAULT_SERVER", &server.name).env("JACK_NO_AUDIO_RESERVATION", "1");
        command
    }

    fn wait_for(server: &Server) {
        let begun = Instant::now();
        loop {
            let mut list = Command::new("jack_lsp");
            list.env("JACK_DEFAULT_SERVER", &server.name);
            if list.output().is_ok_and(|output| output.status.success()) {
                return;
            }
            assert!(begun.elapsed() < Duration::from_secs(20), "{}", server.words());
            std::thread::sleep(Duration::from_millis(50));
        }
    }

    /// What `jackd -L 2` plays on loopback:playback_1 it captures on loopback:capture_1 one period later, by the way
    /// its loopback driver works: seen with numbered frames at each of these periods, too.
    #[test]
    fn the_round_trip_is_the_server_s_period_to_the_frame_at_every_start() {
        std::thread::scope(|scope| {
            for period in [64u32, 128, 256] {
                scope.spawn(move || twenty_starts_are_one_period_each(period));
            }
        });
    }

    fn twenty_starts_are_one_period_each(period: u32) {
        let server = Server::looped(period);
        wait_for(&server);
        let folder = folder();
        let words = ["--rig", "rig.toml", "--output", "drums", "--input", "1", "--ears-out", "--json"];
        let more = ["--longest", "0.05", "--blocks", &period.to_string(), "--starts", "20"];
        let output =
            on(&server, folder.path(), &[&words[..], &more].concat()).stdin(Stdio::null()).output().unwrap();
        let found: Value = serde_json::from_slice(&output.stdout).unwrap_or_default();
        let row = &found["blocks"][0];
        let starts: Vec<f64> =
            row["starts"].as_array().into_iter().flatten().filter_map(Value::as_f64).collect();
        println!(
            "period {period}: {} starts at {:?}, {} frames between, {} within, {} xruns, {} spoilt",
            starts.len(),
            starts.first(),
            row["between_frames"],
            row["within_frames"],
            row["xruns"],
            row["spoilt"]
        );
        assert_eq!((row["block"].as_u64(), starts.len()), (Some(u64::from(period)), 20), "{found:#}");
        assert!(starts.iter().all(|found| (found - f64::from(period)).abs() < 0.001), "{starts:?}");
    }

    #[test]
    fn a_real_device_is_not_played_to_before_somebody_says_yes() {
        let server = Server::looped(512);
        wait_for(&server);
        let folder = folder();
        let words =
            ["--rig", "rig.toml", "--output", "drums", "--input", "1", "--shots", "4", "--longest", "0.1"];
        for (answer, code) in [("", 1), ("no\n", 1), ("y\n", 1), ("yes\n", 0)] {
            let mut child = on(&server, folder.path(), &[&words[..], &["--json"]].concat())
                .stdin(Stdio::piped())
                .stdout(Stdio::piped())
                .stderr(Stdio::piped())
                .spawn()
                .unwrap();
            _ = child.stdin.take().unwrap().write_all(answer.as_bytes());
            let output = child.wait_with_output().unwrap();
            let said = String::from_utf8_lossy(&output.stderr);
            assert_eq!(output.status.code(), Some(code), "{answer:?}: {said}");
            assert!(
                said.contains("output 1 (drums) and no other") && said.contains("phantom power"),
                "{said}"
            );
            assert!(said.contains("Are ears out"), "{said}");
            let found: Value = serde_json::from_slice(&output.stdout).unwrap();
            let reason = if code == 1 { Value::from("not_confirmed") } else { Value::Null };
            assert_eq!(found["reason"], reason);
        }
    }
}
