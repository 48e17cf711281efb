//! Promise: a drill says what the band would hear, and calls a failure that falls short by its name.

#[cfg(all(feature = "jack", target_os = "linux"))]
#[path = "common/jack.rs"]
mod jack;

use fogbell::click::prepare::prepare;
use fogbell::drill::cable::{Breaks, Cable, Take as CableTake};
use fogbell::drill::failures::{FAILURES, Failure, Moment, Stage};
use fogbell::drill::pair::{Clean, play};
use fogbell::drill::processes::{Pair, Take};
use fogbell::drill::{Allowance, Bench, Limit, Mishap, Place, Verdict, Wiring};
use fogbell::realtime::command::Command;
use fogbell::realtime::setup::EngineSetup;
use fogbell::realtime::wiring::{Ports, wire};
use fogbell::timecode::FrameRate;
use fogbell::units::{Frames, SampleRate, Span};
use serde_json::Value;
use std::path::Path;
use std::process::Output;
use std::sync::Arc;

fn fogbell(arguments: &[&str]) -> Output {
    let mut command = std::process::Command::new(env!("CARGO_BIN_EXE_fogbell"));
    command.args(arguments).current_dir(env!("CARGO_MANIFEST_DIR")).output().expect("the program runs")
}

fn report(output: &Output) -> Value {
    serde_json::from_slice(&output.stdout).unwrap_or_else(|why| {
        panic!(
            "{why}: {} {}",
            String::from_utf8_lossy(&output.stdout),
            String::from_utf8_lossy(&output.stderr)
        )
    })
}

#[test]
fn every_wiring_of_the_demo_holds_and_each_failure_has_its_figures() {
    let folder = tempfile::tempdir().expect("a folder");
    let kept = folder.path().to_str().unwrap();
    let words =
        ["drill", "demo/saltmarsh.toml", "--short", "--simulated", "--json", "--seed", "3", "--log", kept];
    let output = fogbell(&words);
    let report = report(&output);
    let failures = report["failures"].as_array().expect("failures");
    let short: Vec<&Value> = failures.iter().filter(|failure| failure["passed"] == false).collect();
    assert!(short.is_empty(), "{short:#?}");
    assert_eq!(output.status.code(), Some(0));
    assert!(failures.len() > 100, "{}", failures.len());
    for failure in failures {
        for key in ["name", "passed", "detected_ms", "missed", "doubled", "largest_error_ms", "level_step_db"]
        {
            assert!(failure.get(key).is_some(), "{key} is not in {failure}");
        }
    }
    let of = |name: &str, wiring: &str| {
        let one = failures.iter().find(|f| f["name"] == name && f["wiring"] == wiring);
        one.unwrap_or_else(|| panic!("no {name} in {wiring}"))
    };
    let dead = failures.iter().filter(|failure| failure["name"] == "main-dies");
    assert!(
        dead.clone().count() >= 3 && dead.clone().all(|failure| failure["detected_ms"].as_f64() < Some(20.0))
    );
    // With a safety delay not even the first hit is lost.
    let passed = of("main-dies", "the main's click through the backup");
    assert!(passed["missed"] == 0 && passed["late"] == 0);
    // Two clicks in phase are twice the amplitude: 20 log10 2 = 6.02 dB. With timecode alone that is said; with two
    // witnesses there are none.
    let alone = of("timecode-lead-pulled", "backup on its own channel, timecode only");
    let step = alone["level_step_db"].as_f64().unwrap();
    assert!((5.5..6.1).contains(&step) && alone["in_phase_doubles"].as_u64() > Some(10), "{alone}");
    assert!(alone["known_limit"].as_str().is_some_and(|words| words.contains("two clicks")), "{alone}");
    let witnessed = of("timecode-lead-pulled", "backup on its own channel, timecode and click");
    assert!(witnessed["doubled"] == 0 && witnessed["known_limit"].is_null(), "{witnessed}");
    assert!(witnessed["level_step_db"].as_f64().unwrap().abs() < 0.1);
    for name in ["renderer-dies", "renderer-freezes", "renderer-slow", "renderer-corrupt", "renderer-stale"] {
        let streamed = of(name, "one machine, a click track from disk");
        assert!(streamed["missed"] == 0 && streamed["doubled"] == 0, "{streamed}");
    }
}

#[test]
fn a_rig_is_rehearsed_as_it_is_wired() {
    let folder = tempfile::tempdir().expect("a folder");
    let rig = folder.path().join("backup.toml");
    let text = "machine = \"backup\"\n[outputs]\ndrums = 1\nband = 2\n[timecode]\noutput = 3\n[main]\ntimecode = 1\n";
    std::fs::write(&rig, text).expect("a rig");
    let logs = folder.path().join("logs");
    let [rig, logs] = [&rig, &logs].map(|path| path.to_str().expect("a path"));
    let page = folder.path().join("page.html");
    let page = page.to_str().expect("a path");
    let words = ["drill", "demo/saltmarsh.toml", "--rig", rig, "--short", "--log", logs, "--page", page];
    let output = fogbell(&words);
    let said = String::from_utf8_lossy(&output.stdout).to_string();
    let drawn = std::fs::read_to_string(page).expect("a page");
    // Whether the killed process held hangs on what else this computer does; that it is told does not.
    assert!(drawn.contains("<dt>Drill</dt><dd>") && drawn.contains("rehearsed failures"), "{said}");
    assert!(drawn.contains("two clicks"), "the limit of the wiring is told");
    assert!(said.contains("TIMECODE ONLY") && !said.contains("TIMECODE AND CLICK"), "{said}");
    assert!(said.contains("two clicks") && said.contains("Blind window"), "{said}");
    let wrong = fogbell(&["drill", "demo/saltmarsh.toml", "--rig", "demo/nowhere.toml"]);
    assert_eq!(wrong.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&wrong.stderr).contains("to mend it"));
}

fn bench(wiring: Wiring) -> Bench {
    let rate = SampleRate::standard();
    let reading = fogbell::show::read_show(Path::new("demo/saltmarsh.toml")).expect("the demo's show");
    let mut show = reading.show.expect("a good show");
    let streamed = wiring == Wiring::Streamed;
    show.songs.retain(|song| streamed == song.streams.iter().any(Option::is_some));
    show.songs.iter_mut().for_each(|song| song.segue = false);
    let mut rig = fogbell::show::default_rig(&show);
    rig.inputs.clear();
    let ports = Ports { rate, max_block: 1024, inputs: 8, outputs: 64 };
    let mut set = prepare(&show, rate).expect("sounds").set;
    fogbell::renderer::plan_streams(&show, &mut set);
    Bench {
        setup: wire(&show, &rig, ports, false).expect("a wired show"),
        set: Arc::new(set),
        elsewhere: None,
        click: u8::from(streamed),
        wiring,
        frames: FrameRate::Tv30,
        latch: rate.frames(0.06),
        seconds: 10.0,
        seed: 5,
    }
}

/// A failure that is planted, and what is allowed for it.
fn planted(
    name: &'static str,
    mishaps: fn(i64, i64) -> Vec<Mishap>,
    allowed: fn(Wiring) -> Allowance,
) -> Failure {
    let (moment, stage) = (Moment::BetweenHits, Stage::Usual);
    Failure { name, what: name, applies: |_| true, mishaps, allowed, moment, stage }
}

fn strict(_: Wiring) -> Allowance {
    Allowance { lost: 1, clipped: 1, ..Allowance::default() }
}

fn told(verdict: &Verdict) -> String {
    verdict.fell_short.join("; ")
}

/// One flaw for each thing that is counted: the drill must not hold, and must say which it was.
#[test]
fn what_falls_short_is_called_so() {
    let two = bench(Wiring::TwoWitnesses);
    let beside =
        planted("both-sound", |at, _| vec![Mishap::PressedBackup(at, Command::Beside(true))], strict);
    let verdict = two.rehearse(&beside);
    assert!(!verdict.passed && verdict.in_phase_doubles > 5 && verdict.flams == 0, "{verdict:?}");
    assert!(
        told(&verdict).contains("too many") && told(&verdict).contains("a level step of +6"),
        "{verdict:?}"
    );

    let flam = planted(
        "flam",
        |at, _| {
            let moved = Command::Align(Span::frames(Frames(960)));
            vec![Mishap::PressedBackup(at / 2, moved), Mishap::PressedBackup(at, Command::Beside(true))]
        },
        strict,
    );
    let verdict = two.rehearse(&flam);
    assert!(!verdict.passed && verdict.flams > 5 && verdict.in_phase_doubles == 0, "{verdict:?}");

    let deaf = planted("deaf", |at, f| vec![Mishap::TimecodeOut(0, at + f), Mishap::MainDies(at)], strict);
    let verdict = two.rehearse(&deaf);
    assert!(
        !verdict.passed && verdict.missed > 5 && told(&verdict).contains("missed or late"),
        "{verdict:?}"
    );

    let off = planted(
        "off",
        |at, _| {
            let moved = Command::Align(Span::frames(Frames(144)));
            vec![Mishap::PressedBackup(at / 2, moved), Mishap::MainDies(at)]
        },
        strict,
    );
    let verdict = two.rehearse(&off);
    assert!(!verdict.passed && verdict.late > 5, "{verdict:?}");

    let cut = planted(
        "cut",
        |at, _| vec![Mishap::MainDies(at)],
        |_| Allowance { clipped: 0, ..strict(Wiring::Alone) },
    );
    let verdict = two.rehearse(&Failure { moment: Moment::InAHit, ..cut });
    assert!(!verdict.passed && told(&verdict).contains("cut short"), "{verdict:?}");

    let unnoticed =
        planted("unnoticed", |_, _| vec![], |_| Allowance { noticed: true, ..Allowance::default() });
    let verdict = two.rehearse(&unnoticed);
    assert!(!verdict.passed && told(&verdict) == "nobody noticed", "{verdict:?}");

    let lost = planted("lost", |at, f| vec![Mishap::MainLate(at, f / 2)], strict);
    let verdict = bench(Wiring::Alone).rehearse(&lost);
    assert!(!verdict.passed && told(&verdict).contains("lost with the device"), "{verdict:?}");
}

/// One hit may be lost, but not long after the loss: its place is held against the blind window.
#[test]
fn a_hit_that_is_lost_in_the_wrong_place_falls_short() {
    // All of the hits within 0.25 s, 1.6 s later: one, as they are 0.227 s apart.
    fn later(at: i64, f: i64) -> Vec<Mishap> {
        vec![Mishap::MainDies(at), Mishap::EarOut(at + 8 * f / 5, at + 9 * f / 5)]
    }
    // Its moment is that of the death alone.
    let only = |figures: &Verdict| figures.missed + figures.late == 1;
    let bench = bench(Wiring::OneWitness);
    let verdict =
        bench.rehearse(&planted("a-hole", later, |_| Allowance { clipped: 2, ..strict(Wiring::Alone) }));
    assert!(only(&verdict) && !verdict.passed, "{verdict:?}");
    assert!(told(&verdict).contains("after the loss, not within"), "{verdict:?}");
    // The same hit is no flaw where so much time is allowed.
    let wide = planted("a-hole", later, |_| Allowance {
        clipped: 2,
        place: Place { unknown_ms: 2000.0, first: false },
        ..strict(Wiring::Alone)
    });
    let verdict = bench.rehearse(&wide);
    assert!(only(&verdict) && verdict.passed, "{verdict:?}");
}

/// A limit of a wiring excuses what it names and nothing else.
#[test]
fn a_known_limit_covers_what_it_names_and_nothing_else() {
    fn limited(_: Wiring) -> Allowance {
        let limit = Limit { words: "two clicks", lost: 0, unknown_ms: 0.0, doubled: 1000 };
        Allowance { limit: Some(limit), ..Allowance::default() }
    }
    let pulled = planted("pulled", |at, _| vec![Mishap::TimecodeOut(at, i64::MAX / 4)], limited);
    let verdict = bench(Wiring::OneWitness).rehearse(&pulled);
    assert!(verdict.passed && verdict.known_limit.as_deref() == Some("two clicks"), "{verdict:?}");
    let worse = planted(
        "pulled-and-cut",
        |at, f| vec![Mishap::TimecodeOut(at, i64::MAX / 4), Mishap::EarOut(at + f, at + 2 * f)],
        limited,
    );
    let verdict = bench(Wiring::OneWitness).rehearse(&worse);
    assert!(!verdict.passed && verdict.known_limit.is_none() && verdict.missed > 1, "{verdict:?}");
}

#[test]
fn a_track_and_a_pad_that_are_not_replaced_fall_short() {
    let silent = |at, f| vec![Mishap::RendererDies(at), Mishap::EarOut(at + f, at + 2 * f)];
    let verdict = bench(Wiring::Streamed).rehearse(&planted("track", silent, strict));
    assert!(!verdict.passed && verdict.missed > 1, "{verdict:?}");
    let silent = |at, f| vec![Mishap::PadHums(at), Mishap::EarOut(at + f, at + 2 * f)];
    let verdict = bench(Wiring::Pad(Frames(384))).rehearse(&planted("pad", silent, strict));
    assert!(!verdict.passed && verdict.missed > 1, "{verdict:?}");
}

/// A take over a cable as it would come back: 300 frames later, 20 dB down, upside down.
fn cable_take(spoil: impl Fn(&mut [f32], i64)) -> (Cable, CableTake) {
    let bench = bench(Wiring::Streamed);
    let world = bench.world();
    let failed_at = 4 * 48_000;
    let played = play(&world, &[Mishap::RendererDies(failed_at)]);
    let mut back = vec![0.0; 300];
    back.extend(played.ear.iter().map(|sample| -0.1 * sample));
    // The third hit after the switch.
    let hits = Clean::play(&world, &[]).dues;
    let hit = hits.iter().map(|due| due.frame.0).filter(|frame| *frame > failed_at + 48_000).nth(2).unwrap();
    spoil(&mut back, hit + 300);
    let open = fogbell::device::OpenSetup::new(SampleRate::standard(), 64, 1, 2);
    let setup = EngineSetup { outlets: vec![bench.setup.outlets[world.ear].clone()], ..bench.setup };
    let cable = Cable { set: bench.set, setup, open, output: world.ear, input: 0 };
    let take =
        CableTake { sent: played.ear, back, lost: vec![], events: played.main, failed_at: Some(failed_at) };
    (cable, take)
}

#[test]
fn what_comes_back_over_a_cable_is_judged_and_a_flaw_in_it_found() {
    let judged = |spoil: &dyn Fn(&mut [f32], i64)| {
        let (cable, take) = cable_take(spoil);
        cable.judge(&take, Breaks::Dies)
    };
    let verdict = judged(&|_, _| {}).expect("a verdict");
    assert!(verdict.passed && verdict.due > 10 && verdict.detected_ms.is_some(), "{verdict:?}");
    let missing =
        judged(&|back, hit| back[hit as usize - 240..hit as usize + 4000].fill(0.0)).expect("a verdict");
    assert!(!missing.passed && missing.missed == 1, "{missing:?}");
    let twice = judged(&|back, hit| {
        let hit = hit as usize;
        let copy = back[hit - 48..hit + 2000].to_vec();
        back[hit + 2352..hit + 4400].iter_mut().zip(copy).for_each(|(sample, extra)| *sample += extra);
    })
    .expect("a verdict");
    assert!(!twice.passed && twice.flams == 1, "{twice:?}");
    let nothing = judged(&|back, _| back.fill(0.0)).expect_err("nothing came back");
    assert!(nothing.contains("to mend it"), "{nothing}");
}

/// Frames by which the recording of two processes lies behind the main's.
const LATER: usize = 1777;

/// Two processes' recording, made by hand: the main until a frame, the backup from there on.
fn killed(backup: impl Fn(&[f32], usize) -> Vec<f32>) -> Result<Verdict, String> {
    killed_at(5 * 48_000, backup)
}

fn killed_at(dead: usize, backup: impl Fn(&[f32], usize) -> Vec<f32>) -> Result<Verdict, String> {
    let bench = Bench { seconds: 9.0, ..bench(Wiring::TwoWitnesses) };
    let clean = Clean::play(&bench.alone(), &[]).ear;
    let moved: Vec<f32> = std::iter::repeat_n(0.0, LATER).chain(clean).collect();
    let main = moved.iter().enumerate().map(|(n, sample)| if n < dead { *sample } else { 0.0 }).collect();
    let timecode = (0..moved.len()).map(|n| if n < dead { 0.1 } else { 0.0 }).collect();
    let take = Take { backup: backup(&moved, dead), main, timecode, log: vec![] };
    let show = Path::new("demo/saltmarsh.toml");
    let feeds = [("drums".to_string(), false)];
    take.judge(&Pair { program: show, show, song: 1, feeds: &feeds, click: "drums", bench: &bench })
}

#[test]
fn a_killed_process_is_judged_and_a_flaw_in_its_backup_found() {
    // It is known by its log alone, which is not written here.
    let but_for_the_log = |verdict: &Verdict| verdict.fell_short == ["nobody noticed"];
    let from = |at: usize, by: usize| {
        move |moved: &[f32], dead: usize| -> Vec<f32> {
            let late = |n: usize| n.checked_sub(by).map_or(0.0, |n| moved[n]);
            (0..moved.len()).map(|n| if n < dead + at { 0.0 } else { late(n) }).collect()
        }
    };
    let good = killed(from(0, 0)).expect("a verdict");
    assert!(but_for_the_log(&good) && good.missed == 0 && good.doubled == 0 && good.due > 20, "{good:?}");
    let late = killed(from(0, 144)).expect("a verdict");
    assert!(late.late > 3 && !but_for_the_log(&late), "{late:?}");
    let silent = killed(|moved, _| vec![0.0; moved.len()]).expect("a verdict");
    assert!(silent.missed > 3 && !but_for_the_log(&silent), "{silent:?}");
    let both = killed(|moved, _| moved.to_vec()).expect("a verdict");
    assert!(both.in_phase_doubles > 5 && both.level_step_db > 5.5, "{both:?}");
}

#[test]
fn the_first_hit_after_a_death_is_the_one_that_was_not_heard() {
    let clean = Clean::play(&Bench { seconds: 9.0, ..bench(Wiring::TwoWitnesses) }.alone(), &[]);
    let mut hits: Vec<usize> = clean.dues.iter().map(|due| due.frame.0 as usize + LATER).collect();
    hits.sort_unstable();
    let cut = hits.iter().position(|hit| *hit > 5 * 48_000).expect("a hit");
    // The main dies 4.2 ms into a hit. The backup cannot know of it; it is late with one hit after it.
    let late_hit = |which: usize| {
        let late = hits[cut + which];
        killed_at(hits[cut] + 202, |moved, dead| {
            let mut backup: Vec<f32> =
                (0..moved.len()).map(|n| if n < dead { 0.0 } else { moved[n] }).collect();
            backup[dead..hits[cut + 1] - 100].fill(0.0);
            backup[late - 100..late + 9_000].copy_from_slice(&moved[late - 340..late + 8_760]);
            backup
        })
        .expect("a verdict")
    };
    let first = late_hit(1);
    assert!(first.late == 1 && first.clipped == 1 && first.missed == 0, "{first:?}");
    assert_eq!(first.fell_short, ["nobody noticed"], "{first:?}");
    let second = late_hit(2);
    assert!(
        second.late == 1 && second.fell_short.iter().any(|why| why.contains("not the first")),
        "{second:?}"
    );
}

/// The real thing: the program starts itself twice and kills the first, in both wirings of an own channel.
#[test]
fn the_main_s_process_is_killed_by_the_drill_itself() {
    std::thread::scope(|scope| {
        for click in ["", "click = 2\nclick_is = \"drums\"\n"] {
            scope.spawn(move || the_main_s_process_is_killed(click));
        }
    });
}

fn the_main_s_process_is_killed(click: &str) {
    let folder = tempfile::tempdir().expect("a folder");
    let rig = folder.path().join("backup.toml");
    let text = "machine = \"backup\"\n[outputs]\ndrums = 1\nband = 2\n[timecode]\noutput = 3\n[main]\ntimecode = 1\n";
    std::fs::write(&rig, format!("{text}{click}")).expect("a rig");
    let (rig, kept) = (rig.to_str().unwrap(), folder.path().to_str().unwrap());
    let words = ["drill", "demo/saltmarsh.toml", "--rig", rig, "--music", "8", "--json", "--log", kept];
    let report = report(&fogbell(&words));
    let failures = report["failures"].as_array().expect("failures");
    let killed = failures.iter().find(|failure| failure["name"] == "main-process-killed").expect("the kill");
    // A computer that cannot carry the main's own click in time says nothing of two laptops: then this has not passed.
    assert!(killed["passed"] == true && killed["due"].as_u64() > Some(15), "{killed:#}");
    assert!(killed["missed"].as_u64() <= Some(1) && killed["doubled"] == 0, "{killed:#}");
    assert!(killed["detected_ms"].as_f64().is_some(), "{killed:#}");
}

fn hall(folder: &Path, cables: &str) {
    let rig = "[interface]\nhost = \"virtual\"\ndevice = \"hall.toml\"\nblock = 64\n[outputs]\ndrums = 1\nband = 2\n\
               [loop]\noutput = 4\ninput = 3\n";
    std::fs::write(folder.join("rig.toml"), rig).expect("a rig");
    let world = format!("inputs = 4\noutputs = 4\nclip-inputs = true\n{cables}");
    std::fs::write(folder.join("hall.toml"), world).expect("a world");
}

#[test]
fn over_a_cable_the_drill_plays_for_real_and_without_one_it_says_so() {
    let folder = tempfile::tempdir().expect("a folder");
    let (rig, kept) = (folder.path().join("rig.toml"), folder.path().to_str().unwrap());
    let rig = rig.to_str().unwrap();
    let words = ["drill", "demo/saltmarsh.toml", "--rig", rig, "--cable", "--short", "--json", "--log", kept];
    hall(
        folder.path(),
        "cables = [{ output = 4, input = 3, delay-frames = 411.5, gain = -0.2 }]\n\
         noises = [{ input = 3, level = -75, seed = 4 }]\n",
    );
    let output = fogbell(&words);
    let report = report(&output);
    let failures = report["failures"].as_array().unwrap_or_else(|| panic!("{report:#}"));
    let names: Vec<&str> = failures.iter().filter_map(|failure| failure["name"].as_str()).collect();
    assert_eq!(names, ["cable-nothing-fails", "cable-renderer-dies", "cable-renderer-corrupt"]);
    assert!(failures.iter().all(|failure| failure["passed"] == true), "{failures:#?}");
    assert!(failures.iter().all(|failure| failure["due"].as_u64() > Some(5)), "{failures:#?}");
    assert!(failures[1]["detected_ms"].as_f64().is_some() && failures[0]["detected_ms"].is_null());
    assert_eq!(output.status.code(), Some(0));
    hall(folder.path(), "");
    let output = fogbell(&words);
    let said = String::from_utf8_lossy(&output.stdout).to_string();
    assert!(output.status.code() == Some(1) && said.contains("no click comes back"), "{said}");
    let wrong = fogbell(&["drill", "demo/saltmarsh.toml", "--rig", rig, "--cable", "4"]);
    assert_eq!(wrong.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&wrong.stderr).contains("OUT:IN"));
}

#[cfg(all(feature = "jack", target_os = "linux"))]
#[test]
#[ignore = "slow: fifty seconds of real time on a JACK server"]
fn on_a_server_nothing_sounds_before_somebody_says_yes_and_then_it_is_measured() {
    let server = jack::Server::looped(256);
    let there = || {
        let mut list = std::process::Command::new("jack_lsp");
        list.env("JACK_DEFAULT_SERVER", &server.name).output().is_ok_and(|output| output.status.success())
    };
    let begun = std::time::Instant::now();
    while !there() {
        assert!(begun.elapsed().as_secs() < 20, "{}", server.words());
        std::thread::sleep(std::time::Duration::from_millis(50));
    }
    let folder = tempfile::tempdir().expect("a folder");
    let text = "[interface]\nhost = \"jack\"\ndevice = \"loopback\"\nblock = 256\n[outputs]\ndrums = 1\n";
    std::fs::write(folder.path().join("rig.toml"), text).expect("a rig");
    let rig = folder.path().join("rig.toml");
    let words =
        ["drill", "demo/saltmarsh.toml", "--rig", rig.to_str().unwrap(), "--cable", "drums:1", "--json"];
    let run = |more: &[&str]| {
        let mut command = std::process::Command::new(env!("CARGO_BIN_EXE_fogbell"));
        command.args(words).args(more).args(["--log", folder.path().to_str().unwrap()]);
        command.env("JACK_DEFAULT_SERVER", &server.name).env("JACK_NO_AUDIO_RESERVATION", "1");
        command.current_dir(env!("CARGO_MANIFEST_DIR")).stdin(std::process::Stdio::null()).output().unwrap()
    };
    let silent = run(&[]);
    let said = String::from_utf8_lossy(&silent.stderr).to_string();
    assert!(silent.status.code() == Some(1) && said.contains("Are ears out"), "{said}");
    assert!(said.contains("output 1 (drums) and no other") && said.contains("phantom power"), "{said}");
    let output = run(&["--ears-out"]);
    let report = report(&output);
    let failures = report["failures"].as_array().unwrap_or_else(|| panic!("{report:#}"));
    println!("{failures:#?}");
    assert_eq!(failures.len(), 6);
    assert!(failures.iter().all(|failure| failure["passed"] == true), "{failures:#?}");
}

#[test]
fn the_same_seed_gives_the_same_verdict_and_every_name_is_its_own() {
    let dies = FAILURES.iter().find(|failure| failure.name == "main-dies").expect("a failure");
    let bench = bench(Wiring::OneWitness);
    assert_eq!(bench.rehearse(dies), bench.rehearse(dies));
    let mut names: Vec<&str> = FAILURES.iter().map(|failure| failure.name).collect();
    names.sort_unstable();
    names.dedup();
    assert_eq!(names.len(), FAILURES.len());
}
