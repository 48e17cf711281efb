//! Stems hold what the engine plays, to the sample; files are whole or absent and bear names anyone can use.

use fogbell::click::prepare::prepare;
use fogbell::realtime::command::{Command, Timed, When};
use fogbell::realtime::engine::engine;
use fogbell::realtime::event::What;
use fogbell::realtime::io::{Io, Process};
use fogbell::realtime::wiring::{Ports, wire};
use fogbell::show::{default_rig, read_show};
use fogbell::units::{FramePos, Frames, SampleRate};
use fogbell::wav;
use ringbuf::traits::{Consumer, Producer};
use std::path::{Path, PathBuf};
use std::process::{Command as Program, Output};

const SHOW: &str = r#"
show = "Render"

[click.drums]
every = "sixteenths"

[click.band]
every = "eighths"
swing = "62.5%"
fallback = { every = "beats" }

[feed.drums]
hears = { drums = 0 }

[feed.band]
hears = { band = 0 }

[[song]]
title = "Every Way"
tempo = 137.3
metre = "4/4"
pickup = "1/4"
count_in = 2

[song.click.band]
from = "3"
until = "8.3"

[[song.section]]
name = "verse"
bars = 2
repeats = 2

[[song.section]]
name = "bridge"
bars = 3
metre = "7/8 as 2+2+3"
tempo_moves = [{ bar = 2, to = 100, over_bars = 1, law = "linear in time" }]

[[song.section]]
name = "round"
bars = 2
metre = "4/4"
vamp = true

[[song.section]]
name = "end"
bars = 1

[[song]]
title = "Talk"
kind = "talk"

[[song]]
title = "Slack"
tempo = 90
metre = "6/8"

[[song.section]]
name = "calm"
bars = 1
hold = true

[[song.section]]
name = "back"
bars = 2
"#;

struct Folder(tempfile::TempDir);

impl Folder {
    fn with(show: &str) -> Folder {
        let folder = Folder(tempfile::tempdir().expect("a folder"));
        std::fs::write(folder.path("show.toml"), show).expect("written");
        folder
    }

    fn path(&self, name: &str) -> PathBuf {
        self.0.path().join(name)
    }

    fn stems(&self, args: &[&str]) -> Output {
        let mut program = Program::new(env!("CARGO_BIN_EXE_fogbell"));
        program.current_dir(self.0.path()).args(["stems", "show.toml", "--out", "out"]).args(args);
        program.output().expect("the program starts")
    }

    /// Stems that must succeed, as the JSON object.
    fn done(&self, args: &[&str]) -> serde_json::Value {
        let output = self.stems(&[args, &["--json"]].concat());
        let value = serde_json::from_slice(&output.stdout).expect("one JSON value");
        assert_eq!(output.status.code(), Some(0), "{value}");
        value
    }

    fn samples(&self, name: &str) -> Vec<f32> {
        wav::read(&self.path("out").join(name)).expect(name).channels.remove(0)
    }

    /// All files below "out", hidden ones too.
    fn names(&self) -> Vec<String> {
        let mut names = Vec::new();
        let mut folders = vec![self.path("out")];
        while let Some(folder) = folders.pop() {
            for entry in std::fs::read_dir(folder).into_iter().flatten() {
                let path = entry.expect("an entry").path();
                if path.is_dir() {
                    folders.push(path);
                } else {
                    let below =
                        path.strip_prefix(self.path("out")).expect("below").to_string_lossy().into_owned();
                    names.push(below);
                }
            }
        }
        names.sort();
        names
    }
}

/// A row of the table of hits.
#[derive(Debug)]
struct Row {
    song: String,
    section: String,
    click: String,
    bar: i32,
    beat: u32,
    subdivision: u32,
    kind: String,
    frame: usize,
    seconds: f64,
}

fn rows(path: &Path) -> Vec<Row> {
    let text = std::fs::read_to_string(path).expect("a table");
    let mut lines = text.lines();
    assert_eq!(lines.next(), Some("song,section,click,bar,beat,subdivision,kind,frame,seconds"));
    let row = |line: &str| {
        let cells: Vec<&str> = line.split(',').collect();
        let [song, section, click, bar, beat, subdivision, kind, frame, seconds] = cells[..] else {
            panic!("{line}")
        };
        Row {
            song: song.into(),
            section: section.into(),
            click: click.into(),
            bar: bar.parse().expect(line),
            beat: beat.parse().expect(line),
            subdivision: subdivision.parse().expect(line),
            kind: kind.into(),
            frame: frame.parse().expect(line),
            seconds: seconds.parse().expect(line),
        }
    };
    lines.map(row).collect()
}

/// Id and body of each chunk; the sizes must fit the file.
fn chunks(path: &Path) -> Vec<([u8; 4], Vec<u8>)> {
    let bytes = std::fs::read(path).expect("a file");
    let long = |at: usize| u32::from_le_bytes(bytes[at..at + 4].try_into().expect("four bytes")) as usize;
    assert_eq!((&bytes[..4], &bytes[8..12], long(4) + 8), (&b"RIFF"[..], &b"WAVE"[..], bytes.len()));
    assert!(bytes.len().is_multiple_of(2));
    let (mut at, mut all) = (12, Vec::new());
    while at < bytes.len() {
        let size = long(at + 4);
        all.push((bytes[at..at + 4].try_into().expect("four bytes"), bytes[at + 8..at + 8 + size].to_vec()));
        at += 8 + size + size % 2;
    }
    assert_eq!(at, bytes.len());
    all
}

fn cue_frames(path: &Path) -> Vec<usize> {
    let all = chunks(path);
    let (_, body) = all.iter().find(|(id, _)| id == b"cue ").expect("a cue chunk");
    body[4..]
        .chunks_exact(24)
        .map(|cue| u32::from_le_bytes(cue[20..24].try_into().expect("four")) as usize)
        .collect()
}

fn time_reference(path: &Path) -> u64 {
    let all = chunks(path);
    let (_, body) = all.iter().find(|(id, _)| id == b"bext").expect("a bext chunk");
    // EBU Tech 3285: 256 + 32 + 32 + 10 + 8 bytes before it.
    u64::from_le_bytes(body[338..346].try_into().expect("eight bytes"))
}

/// What the engine plays of the first song when it is started as on stage, in ragged blocks, vamps released
/// at once: from the count-in's first frame on, one vector a feed.
fn live(show: &Path, rate: SampleRate, frames: usize) -> Vec<Vec<f32>> {
    let show = read_show(show).expect("read").show.expect("a show");
    let set = std::sync::Arc::new(prepare(&show, rate).expect("sounds").set);
    let outputs = show.feeds.len() as u16;
    let ports = Ports { rate, max_block: 700, inputs: 0, outputs };
    let setup = wire(&show, &default_rig(&show), ports, false).expect("wired");
    let (mut control, mut engine) = engine(&setup, set.clone());
    let mut io = Io::new(0, outputs.into(), 700);
    let mut played = vec![Vec::new(); outputs.into()];
    let mut first = None;
    let mut random = fastrand::Rng::with_seed(7);
    let send = |command, control: &mut fogbell::realtime::engine::Control| {
        assert!(control.commands.try_push(Timed { when: When::Now, command, id: 1 }).is_ok());
    };
    while first.is_none_or(|first: i64| played[0].len() < first as usize + frames) {
        // Gains rise after loading; a band starts later than that.
        if io.at == FramePos(9_600) {
            send(Command::Start, &mut control);
        }
        io.frames = if io.at.0 < 9_600 { 480 } else { random.usize(1..=700) };
        engine.process(&mut io);
        for (channel, played) in played.iter_mut().enumerate() {
            played.extend_from_slice(io.output.channel(channel, io.frames));
        }
        io.at = io.at + Frames(io.frames as i64);
        while let Some(event) = control.events.try_pop() {
            if let What::Placed { leg, anchor_at, .. } = event.what {
                first = first.or(Some(anchor_at.nearest().0));
                if set.songs[0].legs[leg as usize].vamp {
                    send(Command::Release, &mut control);
                }
            }
        }
    }
    let first = first.expect("placed") as usize;
    played.into_iter().map(|samples| samples[first..first + frames].to_vec()).collect()
}

#[test]
fn stems_events_feeds_and_the_engine_agree_to_the_sample() {
    for hertz in ["44100", "48000", "96000"] {
        let folder = Folder::with(SHOW);
        let args = ["--format", "float", "--rate", hertz, "--feeds", "drums,band", "--events", "hits.csv"];
        folder.done(&args);
        let rate = SampleRate::new(hertz.parse().expect("a number")).expect("a rate");
        let stems = ["drums", "band"].map(|click| folder.samples(&format!("01-every-way.{click}.wav")));
        let frames = stems[0].len();
        assert_eq!(stems[1].len(), frames);
        let played = live(&folder.path("show.toml"), rate, frames);
        for (index, click) in ["drums", "band"].iter().enumerate() {
            let differs = (0..frames).find(|frame| stems[index][*frame] != played[index][*frame]);
            assert_eq!(differs, None, "{click} at {hertz}: the engine live");
            let feed = folder.samples(&format!("01-every-way.{click}-feed.wav"));
            assert!(feed == stems[index], "{click} at {hertz}: the feed");
        }
        let rows = rows(&folder.path("hits.csv"));
        for (index, click) in ["drums", "band"].iter().enumerate() {
            let mine: Vec<&Row> =
                rows.iter().filter(|r| r.song == "Every Way" && r.click == *click).collect();
            check_onsets(&stems[index], &mine, rate);
        }
    }
}

/// Each listed hit begins on its frame: silence right before it where nothing rings, sound right after it.
fn check_onsets(samples: &[f32], rows: &[&Row], rate: SampleRate) {
    let mut free = 0;
    for row in rows {
        assert_eq!((row.seconds * f64::from(rate.hertz())).round() as usize, row.frame);
        assert!(samples[row.frame..row.frame + 8].iter().any(|x| *x != 0.0), "{row:?}");
        let quiet = samples[row.frame.saturating_sub(32)..row.frame].iter().all(|x| *x == 0.0);
        free += usize::from(quiet);
    }
    // The other way round: after real silence sound begins only at listed hits.
    let mut silent = 32;
    for (frame, x) in samples.iter().enumerate() {
        if *x != 0.0 && silent >= 32 {
            let near = rows.iter().any(|row| row.frame <= frame && frame < row.frame + 8);
            assert!(near, "sound begins at {frame} without a hit");
        }
        silent = if *x == 0.0 { silent + 1 } else { 0 };
    }
    assert!(free > 0, "no hit stands alone: this check saw nothing");
}

#[test]
fn ranges_pickups_swing_and_markers_are_where_the_song_has_them() {
    let folder = Folder::with(SHOW);
    let report = folder.done(&["--events", "hits.csv"]);
    let rows = rows(&folder.path("hits.csv"));
    let band: Vec<&Row> = rows.iter().filter(|r| r.song == "Every Way" && r.click == "band").collect();
    let after = band.iter().find(|row| row.bar > 0).expect("hits");
    assert_eq!((after.bar, after.beat, after.subdivision), (3, 1, 0));
    let last = band.last().expect("hits");
    assert_eq!((last.bar, last.beat, last.subdivision, last.section.as_str()), (8, 3, 0, "round"));
    // Two bars of count-in at 137.3: 8 × 60 / 137.3 × 48,000 = 167,807.7 frames; a pickup of one beat sounds
    // in its last beat.
    let drums: Vec<&Row> = rows.iter().filter(|r| r.song == "Every Way" && r.click == "drums").collect();
    let one = drums.iter().find(|row| (row.bar, row.beat) == (1, 1)).expect("bar 1");
    assert_eq!((one.frame, one.kind.as_str()), (167_808, "accent"));
    let pickup: Vec<&&Row> = drums.iter().filter(|row| row.section == "pickup").collect();
    assert_eq!((pickup.len(), pickup[0].bar, pickup[0].beat), (4, 0, 4));
    // 7 × 60 / 137.3 × 48,000 = 146,831.8.
    assert_eq!(pickup[0].frame, 146_832);
    // Swing 62.5 % of a beat of 20,975.97 frames after bar 3, beat 1.
    let third = band.iter().find(|row| (row.bar, row.beat, row.subdivision) == (3, 1, 1)).expect("swung");
    let beat = 60.0f64 / 137.3 * 48_000.0;
    assert_eq!(third.frame, (16.0 * beat + 0.625 * beat).round() as usize);
    // Markers lie on the first hit of each pass.
    let path = folder.path("out/01-every-way.drums.wav");
    let mut starts: Vec<usize> = vec![0, 146_832];
    let first_bars = [1, 3, 5, 8, 10];
    starts.extend(first_bars.map(|bar| {
        drums.iter().find(|row| (row.bar, row.beat, row.subdivision) == (bar, 1, 0)).expect("a bar").frame
    }));
    assert_eq!(cue_frames(&path), starts);
    let labels: Vec<&str> = report["songs"][0]["markers"]
        .as_array()
        .expect("markers")
        .iter()
        .map(|marker| marker["label"].as_str().expect("a label"))
        .collect();
    assert_eq!(labels, ["count-in", "pickup", "verse", "verse, time 2", "bridge", "round", "end"]);
}

#[test]
fn a_hold_takes_no_time_and_its_count_in_leads_on() {
    let folder = Folder::with(SHOW);
    folder.done(&["--events", "hits.csv", "--songs", "slack"]);
    let rows = rows(&folder.path("hits.csv"));
    let drums: Vec<&Row> = rows.iter().filter(|row| row.click == "drums").collect();
    // ♩. = 90 in 6/8: a bar is two beats of 32,000 frames. Two bars of count-in, "calm", one count-in, "back".
    let calm = drums.iter().find(|row| row.section == "calm").expect("calm");
    let counted = drums.iter().position(|row| row.section == "calm").expect("calm");
    let called = drums[counted..].iter().find(|row| row.section == "count-in").expect("called");
    assert_eq!(called.frame - calm.frame, 64_000);
    let back = drums.iter().find(|row| row.section == "back").expect("back");
    assert_eq!((back.frame - called.frame) % 64_000, 0);
    assert!(back.frame > called.frame);
    assert_eq!((back.bar, called.bar <= 0), (2, true));
}

#[test]
fn without_its_count_in_a_stem_is_the_tail_of_the_whole_one() {
    let folder = Folder::with(SHOW);
    folder.done(&["--format", "float"]);
    let whole = folder.samples("01-every-way.drums.wav");
    let whole_reference = time_reference(&folder.path("out/01-every-way.drums.wav"));
    // Song 1 of 3 starts at one o'clock.
    assert_eq!(whole_reference, 3_600 * 48_000);
    folder.done(&["--format", "float", "--no-count-in", "--overwrite"]);
    let tail = folder.samples("01-every-way.drums.wav");
    let cut = (time_reference(&folder.path("out/01-every-way.drums.wav")) - whole_reference) as usize;
    assert_eq!(cut, 146_832, "the pickup begins there");
    assert_eq!(tail.len() + cut, whole.len());
    // Half a second on, the last count has rung out.
    assert!(tail[24_000..] == whole[cut + 24_000..]);
    folder.done(&["--format", "float", "--lead-in", "0.25", "--overwrite"]);
    let later = folder.samples("01-every-way.drums.wav");
    assert!(later[..12_000].iter().all(|x| *x == 0.0) && later[12_000..] == whole[..]);
    assert_eq!(time_reference(&folder.path("out/01-every-way.drums.wav")), whole_reference - 12_000);
}

#[test]
fn every_format_holds_the_same_hits() {
    let folder = Folder::with(SHOW);
    let songs = ["--songs", "3", "--clicks", "drums"];
    folder.done(&[&songs[..], &["--format", "float"]].concat());
    let exact = folder.samples("03-slack.drums.wav");
    for (format, step) in [("16", 1.6 / 32_768.0), ("24", 0.51 / 8_388_608.0)] {
        for stereo in [false, true] {
            let mut args = [&songs[..], &["--format", format, "--overwrite"]].concat();
            args.extend(stereo.then_some("--stereo"));
            folder.done(&args);
            let audio = wav::read(&folder.path("out/03-slack.drums.wav")).expect("read");
            assert_eq!(audio.channels.len(), if stereo { 2 } else { 1 });
            for channel in &audio.channels {
                assert_eq!(channel.len(), exact.len());
                let worst = channel.iter().zip(&exact).map(|(a, b)| (a - b).abs()).fold(0.0, f32::max);
                assert!(worst <= step, "{format}: {worst}");
            }
            chunks(&folder.path("out/03-slack.drums.wav"));
        }
    }
}

#[test]
fn fallback_stems_hold_the_plainer_click() {
    let folder = Folder::with(SHOW);
    folder.done(&["--fallback", "--clicks", "band", "--events", "hits.csv"]);
    assert!(folder.names().contains(&"01-every-way.band-fallback.wav".to_string()), "{:?}", folder.names());
    let rows = rows(&folder.path("hits.csv"));
    assert!(rows.iter().all(|row| row.subdivision == 0 && row.click == "band"));
    assert!(rows.iter().any(|row| row.section == "verse"));
}

#[test]
fn files_for_a_pad_are_plain_equally_loud_and_numbered() {
    let show = format!("{SHOW}\n[song.click.drums]\nlevel = -9\n");
    let folder = Folder::with(&show);
    let report = folder.done(&["--pads", "--loops", "--rate", "96000"]);
    let names: Vec<String> = folder.names().into_iter().filter(|name| name.starts_with("pad")).collect();
    assert_eq!(
        names,
        [
            "pad/01-every-way-band.wav",
            "pad/01-every-way-drums.wav",
            "pad/03-slack-band.wav",
            "pad/03-slack-drums.wav",
            "pad/start-sheet.txt"
        ]
    );
    for name in names.iter().filter(|name| name.ends_with(".wav")) {
        let path = folder.path("out").join(name);
        let all = chunks(&path);
        assert_eq!(all.iter().map(|(id, _)| id).collect::<Vec<_>>(), [b"fmt ", b"data"]);
        assert_eq!(all[0].1.len(), 16, "44 bytes before the samples");
        let audio = wav::read(&path).expect("read");
        assert_eq!((audio.rate.hertz(), audio.channels.len()), (44_100, 1));
        let peak = audio.channels[0].iter().fold(0.0f32, |peak, x| peak.max(x.abs()));
        // −12 dBFS is 0.2512; dither and rounding move it by two steps of 16 bits at most.
        assert!((peak - 0.251_19).abs() < 2.0 / 32_768.0, "{name}: {peak}");
    }
    let sheet = std::fs::read_to_string(folder.path("out/pad/start-sheet.txt")).expect("a sheet");
    assert!(sheet.contains("  3  Slack") && sheet.contains("03-slack-drums.wav"), "{sheet}");
    assert!(sheet.contains("  2  Talk"), "{sheet}");
    let loops: Vec<&serde_json::Value> =
        report["files"].as_array().expect("files").iter().filter(|file| file["kind"] == "loop").collect();
    assert!(!loops.is_empty());
    for file in loops {
        let path = folder.0.path().join(file["path"].as_str().expect("a path"));
        let audio = wav::read(&path).expect("a loop");
        assert_eq!(audio.frames() as u64, file["frames"].as_u64().expect("frames"));
        assert!(file["bars"].as_u64().expect("bars") >= 1);
    }
    let notes = report["notes"].to_string();
    assert!(notes.contains("bridge: no loop, its tempo moves"), "{notes}");
}

#[test]
fn nothing_is_written_when_one_name_is_taken() {
    let folder = Folder::with(SHOW);
    std::fs::create_dir(folder.path("out")).expect("made");
    std::fs::write(folder.path("out/03-slack.band.wav"), "mine").expect("written");
    let output = folder.stems(&["--pads"]);
    assert_eq!(output.status.code(), Some(2));
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(said.contains("03-slack.band.wav") && said.contains("to mend it"), "{said}");
    assert_eq!(folder.names(), ["03-slack.band.wav"]);
    assert_eq!(std::fs::read(folder.path("out/03-slack.band.wav")).expect("there"), b"mine");
    folder.done(&["--pads", "--overwrite"]);
    assert!(wav::read(&folder.path("out/03-slack.band.wav")).is_ok());
}

#[test]
fn the_show_itself_is_never_overwritten() {
    let folder = Folder::with(SHOW);
    let output = folder.stems(&["--events", "show.toml", "--overwrite"]);
    assert_eq!(output.status.code(), Some(2), "{}", String::from_utf8_lossy(&output.stderr));
    assert_eq!(std::fs::read_to_string(folder.path("show.toml")).expect("there"), SHOW);
    assert!(folder.names().is_empty());
}

#[test]
fn titles_become_names_that_any_disk_takes_and_numbers_stay_when_a_song_is_faulty() {
    let long = "a very long title that goes on and on and never comes to an end";
    let song =
        |title: &str| format!("[[song]]\ntitle = \"{title}\"\ntempo = 120\nbars = 1\ncount_in = false\n");
    let show = [
        "show = \"Names\"\n[click.Schlagwerk-Ä]\n[click.band]\n[click.Band]\n[feed.band]\nhears = { band = 0 }\n".into(),
        song("Über die Brücke / Straße"),
        "[[song]]\ntitle = \"Broken\"\ntempo = 120\nbears = 1\n".to_string(),
        song("Île d'Été"),
        song(long),
        song("..\\\\..\\\\x"),
        song("海"),
    ]
    .concat()
    .replace("[click.Schlagwerk-Ä]", "[click.\"Schlagwerk Ä\"]");
    let folder = Folder::with(&show);
    let output = folder.stems(&["--json", "--feeds", "band"]);
    let report: serde_json::Value = serde_json::from_slice(&output.stdout).expect("JSON");
    assert_eq!(output.status.code(), Some(1), "{report}");
    assert_eq!(report["refused"][0]["title"], "Broken");
    assert!(report["faults"][0]["mend"].is_string(), "{report}");
    let names = folder.names();
    for name in &names {
        assert!(
            name.len() <= 64 && name.bytes().all(|b| b.is_ascii_alphanumeric() || b"-.".contains(&b)),
            "{name}"
        );
    }
    for wanted in [
        "01-ueber-die-bruecke-strasse.schlagwerk-ae.wav",
        "01-ueber-die-bruecke-strasse.band.wav",
        "01-ueber-die-bruecke-strasse.band-2.wav",
        "01-ueber-die-bruecke-strasse.band-feed.wav",
        "03-ile-dete.band.wav",
        "04-a-very-long-title-that-goes-on.band.wav",
        "05-x.band.wav",
        "06-hai.band.wav",
    ] {
        assert!(names.contains(&wanted.to_string()), "{wanted} in {names:?}");
    }
    assert!(names.iter().all(|name| !name.starts_with("02")), "{names:?}");
}

#[test]
fn a_streamed_click_is_its_track_from_the_file() {
    let demo = Path::new(env!("CARGO_MANIFEST_DIR")).join("demo");
    let folder = Folder(tempfile::tempdir().expect("a folder"));
    let mut program = Program::new(env!("CARGO_BIN_EXE_fogbell"));
    program.current_dir(demo.parent().expect("a folder"));
    program.args(["stems", "demo/saltmarsh.toml", "--format", "float", "--feeds", "band", "--json", "--out"]);
    let output = program.arg(folder.path("out")).output().expect("the program starts");
    assert_eq!(output.status.code(), Some(0), "{}", String::from_utf8_lossy(&output.stdout));
    let track = wav::read(&demo.join("sounds/eel-net-band-track.wav")).expect("the track").channels.remove(0);
    let stem = folder.samples("02-eel-net.band.wav");
    // One bar of count-in and four of 7/8 at 126 crotchets: 5 × 3.5 × 60 / 126 s = 400,000 frames.
    assert_eq!(stem.len(), 400_000);
    let heard = stem.len() - 96;
    assert!(stem[..heard] == track[..heard], "the stem is the track");
    let feed = folder.samples("02-eel-net.band-feed.wav");
    let worst = feed[..heard].iter().zip(&stem).map(|(a, b)| (a - b).abs()).fold(0.0, f32::max);
    assert!(worst < 1e-6, "the engine plays the track: {worst}");
    let report: serde_json::Value = serde_json::from_slice(&output.stdout).expect("JSON");
    let file = report["files"]
        .as_array()
        .expect("files")
        .iter()
        .find(|file| file["part"] == "band" && file["number"] == 2);
    assert!(file.expect("the stem")["notes"][0].as_str().expect("a note").contains("eel-net-band-track.wav"));
}

/// Long enough that it cannot be done before it is killed.
fn long_show() -> String {
    let song = |n| format!("[[song]]\ntitle = \"Long {n}\"\ntempo = 60\nbars = 120\n");
    let songs: String = (0..6).map(song).collect();
    format!("show = \"Long\"\n[click.drums]\n[click.band]\n[feed.band]\nhears = {{ band = 0 }}\n{songs}")
}

#[test]
fn a_kill_leaves_only_whole_files() {
    let folder = Folder::with(&long_show());
    let mut program = Program::new(env!("CARGO_BIN_EXE_fogbell"));
    program.current_dir(folder.0.path()).args(["stems", "show.toml", "--out", "out", "--rate", "96000"]);
    program.stdout(std::process::Stdio::null());
    let mut child = program.spawn().expect("the program starts");
    let begun = || folder.names().iter().any(|name| name.ends_with(".part"));
    while !begun() {
        assert!(child.try_wait().expect("a state").is_none(), "it ended before it was killed");
        std::thread::sleep(std::time::Duration::from_millis(1));
    }
    child.kill().expect("killed");
    child.wait().expect("gone");
    let (parts, whole): (Vec<_>, Vec<_>) =
        folder.names().into_iter().partition(|name| name.ends_with(".part"));
    assert!(!parts.is_empty() && parts.iter().all(|name| name.starts_with('.')), "{parts:?}");
    assert!(whole.len() < 12, "nothing was left to kill");
    for name in whole {
        // 120 bars of 4 s, and one of count-in below 80 bpm.
        assert!(
            wav::Reader::open(&folder.path("out").join(&name)).expect(&name).frames() >= 484 * 96_000,
            "{name}"
        );
    }
}

#[cfg(unix)]
#[test]
fn a_disk_that_takes_no_more_leaves_nothing_half_written() {
    let folder = Folder::with(SHOW);
    let program = env!("CARGO_BIN_EXE_fogbell");
    // Files may grow to 100 blocks of 512 or 1,024 bytes; the signal that tells of it is ignored.
    let line = format!("trap '' XFSZ; ulimit -f 100; exec '{program}' stems show.toml --out out --json");
    let output =
        Program::new("sh").args(["-c", &line]).current_dir(folder.0.path()).output().expect("a shell");
    assert_eq!(output.status.code(), Some(1), "{}", String::from_utf8_lossy(&output.stderr));
    let report: serde_json::Value = serde_json::from_slice(&output.stdout).expect("JSON");
    assert!(report["faults"][0]["what"].as_str().expect("words").contains("cannot be written"), "{report}");
    assert_eq!(folder.names(), Vec::<String>::new());
}
