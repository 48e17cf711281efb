//! Under rising load one thing after the other is given up, in order, and never the click. The virtual interface says
//! of each callback how much of its time it took itself; everything behind that is the program as it is on stage.

use super::run::{FOGBELL, only_log};
use fogbell::device::boot;
use fogbell::log::Entry;
use fogbell::survive::thrift::GivenUp;
use std::path::Path;
use std::process::{Command, Stdio};

const SHOW: &str = r#"
show = "Saltmarsh Five, out of breath"
[click.drums]
player = "Wren"
every = "eighths"
[input.room]
kind = "ambient"
[input.wren]
kind = "talkback"
talks = "always"
[feed.drums]
hears = { drums = 0 }
[feed.band]
hears = { room = 0 }
[feed.crew]
hears = { wren = 0 }
[[song]]
title = "Low Tide"
tempo = 132
bars = 400
"#;

const RIG: &str = r#"
[interface]
host = "virtual"
device = "world.toml"
rate = 48000
block = 128
[outputs]
drums = 1
band = 2
crew = 3
[inputs]
room = 1
wren = 2
"#;

/// From a frame on, each a little more than the next thing is given up at.
const LOADS: [(i64, f64); 5] =
    [(96_000, 0.72), (144_000, 0.78), (192_000, 0.84), (240_000, 0.90), (336_000, 0.97)];
const END_SECONDS: f64 = 9.5;

fn tone(path: &Path) {
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: 48_000,
        bits_per_sample: 32,
        sample_format: hound::SampleFormat::Float,
    };
    let mut wav = hound::WavWriter::create(path, spec).unwrap();
    // 300 Hz, so that a second of it goes round without a seam; it moves by 0.008 a frame at most.
    (0..48_000).for_each(|n| {
        let phase = f64::from(n) * 300.0 / 48_000.0 * std::f64::consts::TAU;
        wav.write_sample((0.2 * phase.sin()) as f32).unwrap();
    });
    wav.finalize().unwrap();
}

struct Taped {
    drums: Vec<f32>,
    band: Vec<f32>,
    crew: Vec<f32>,
}

/// Runs it; the log and the tapes.
fn play(folder: &Path) -> (Vec<fogbell::log::Line>, Taped) {
    let write = |name: &str, text: &str| std::fs::write(folder.join(name), text).unwrap();
    write("show.toml", SHOW);
    write("rig.toml", RIG);
    tone(&folder.join("tone.wav"));
    let starts = boot::now();
    let tape = |output: u16, name: &str| {
        format!("{{ output = {output}, file = \"{name}.f32\", starts-ns = {starts} }}")
    };
    let loads: Vec<String> =
        LOADS.iter().map(|(at, share)| format!("{{ at = {at}, share = {share} }}")).collect();
    let mic = |input: u16| format!("{{ input = {input}, file = \"tone.wav\", looped = true }}");
    write(
        "world.toml",
        &format!(
            "loads = [{}]\nmics = [{}, {}]\ntapes = [{}, {}, {}]\n",
            loads.join(", "),
            mic(1),
            mic(2),
            tape(1, "drums"),
            tape(2, "band"),
            tape(3, "crew")
        ),
    );
    let output = Command::new(FOGBELL)
        .args(["run", "show.toml", "--rig", "rig.toml", "--headless", "--no-ready", "--start", "1"])
        .args(["--record", "take.wav", "--for", &END_SECONDS.to_string()])
        .current_dir(folder)
        .stdin(Stdio::null())
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(output.status.code().is_some_and(|code| code < 2), "{said}");
    let log = fogbell::log::read::read(&only_log(folder)).unwrap();
    assert!(log.faults.is_empty(), "{:?}", log.faults);
    let tape = |name: &str| -> Vec<f32> {
        let bytes = std::fs::read(folder.join(name)).unwrap();
        bytes.chunks_exact(4).map(|four| f32::from_le_bytes(four.try_into().unwrap())).collect()
    };
    let taped = Taped { drums: tape("drums.f32"), band: tape("band.f32"), crew: tape("crew.f32") };
    (log.lines.into_iter().map(|(_, line)| line).collect(), taped)
}

/// The last frame on which it is heard.
fn last_loud(samples: &[f32]) -> usize {
    samples.iter().rposition(|sample| sample.abs() > 0.005).expect("it was heard")
}

fn onsets(samples: &[f32]) -> Vec<usize> {
    let mut silent = 0;
    let mut found = Vec::new();
    for (frame, sample) in samples.iter().enumerate() {
        if sample.abs() > 1e-4 {
            if silent >= 960 {
                found.push(frame);
            }
            silent = 0;
        } else {
            silent += 1;
        }
    }
    found
}

#[test]
fn under_rising_load_one_thing_after_the_other_is_given_up_and_never_the_click() {
    let folder = tempfile::tempdir().unwrap();
    let (lines, taped) = play(folder.path());
    let given_up: Vec<GivenUp> = lines
        .iter()
        .filter_map(|line| match &line.entry {
            Entry::Note { text } => GivenUp::ALL.into_iter().skip(1).find(|what| text == what.words()),
            _ => None,
        })
        .collect();
    assert_eq!(given_up, GivenUp::ALL[1..], "each once, in this order");
    // The log's detail: no level is told any more.
    let at = |what: GivenUp| {
        let says =
            |line: &fogbell::log::Line| matches!(&line.entry, Entry::Note { text } if text == what.words());
        lines.iter().position(says).unwrap()
    };
    let levels = |lines: &[fogbell::log::Line]| {
        lines.iter().filter(|line| matches!(line.entry, Entry::Levels { .. })).count()
    };
    assert!(levels(&lines[..at(GivenUp::Views)]) >= 1);
    assert_eq!(levels(&lines[at(GivenUp::LogDetail)..]), 0);
    // The recording has holes, and the listener says that it was not there.
    let verdict = lines.iter().find_map(|line| match &line.entry {
        Entry::Verdict { verdict } => Some(verdict),
        _ => None,
    });
    let all = &verdict.unwrap().all;
    assert!(all.unheard > 0 && (all.missed, all.doubled, all.late) == (0, 0, 0), "{all:?}");
    // Room, then talkback, each faded: no step where a sine of 0.2 moves by 0.008 a frame.
    let (room, talk) = (last_loud(&taped.band), last_loud(&taped.crew));
    let end = taped.drums.len();
    assert!(room + 24_000 < talk && talk + 24_000 < end, "room {room}, talkback {talk}, end {end}");
    for (name, samples) in [("room", &taped.band), ("talkback", &taped.crew)] {
        let loudest = samples.iter().fold(0.0f32, |most, sample| most.max(sample.abs()));
        // The room comes up with the device, and talkback at once.
        let from = samples.len().min(end).saturating_sub(8 * 48_000);
        let step = samples[from..].windows(2).map(|pair| (pair[1] - pair[0]).abs()).fold(0.0f32, f32::max);
        println!("{name}: at most {loudest:.3}, largest step from a frame to the next {step:.4}");
        assert!(loudest > 0.02 && step <= 0.05, "{name}");
    }
    // 60 / 132 / 2 s, on every frame from the first count to the end.
    let onsets = onsets(&taped.drums);
    let count_in = onsets.len().min(8);
    let due = 60.0 / 132.0 / 2.0 * 48_000.0;
    for pair in onsets[count_in..].windows(2) {
        assert!(((pair[1] - pair[0]) as f64 - due).abs() <= 1.0, "{pair:?}");
    }
    assert!(onsets.len() > 25 && end - onsets[onsets.len() - 1] < 24_000, "{onsets:?}");
}
