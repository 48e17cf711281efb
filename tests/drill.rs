//! Promise: a drill says what the band would hear, and calls a failure that falls short by its name.

use fogbell::click::prepare::prepare;
use fogbell::drill::failures::{FAILURES, Failure};
use fogbell::drill::pair::Mishap;
use fogbell::drill::{Allowance, Bench, Wiring};
use fogbell::realtime::command::Command;
use fogbell::realtime::wiring::{Ports, wire};
use fogbell::timecode::FrameRate;
use fogbell::units::{Frames, SampleRate};
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
    let logs = folder.path().to_str().expect("a path");
    let output =
        fogbell(&["drill", "demo/saltmarsh.toml", "--short", "--json", "--seed", "3", "--log", logs]);
    let report = report(&output);
    let kept = fogbell::log::read::read(Path::new(report["kept"].as_str().expect("kept"))).expect("a file");
    let fogbell::log::Entry::Kept { kind: fogbell::log::kept::Kind::Drill, result } = &kept.lines[0].1.entry
    else {
        panic!("{kept:?}")
    };
    assert_eq!(result["failures"], report["failures"]);
    let failures = report["failures"].as_array().expect("failures");
    let short: Vec<&Value> = failures.iter().filter(|failure| failure["passed"] == false).collect();
    assert!(short.is_empty(), "{short:#?}");
    assert_eq!(output.status.code(), Some(0));
    assert!(failures.len() > 50, "{}", failures.len());
    for failure in failures {
        for key in ["name", "passed", "detected_ms", "missed", "doubled", "largest_error_ms", "level_step_db"]
        {
            assert!(failure.get(key).is_some(), "{key} is not in {failure}");
        }
    }
    let dead = failures.iter().filter(|failure| failure["name"] == "main-dies");
    assert!(
        dead.clone().count() >= 3 && dead.clone().all(|failure| failure["detected_ms"].as_f64() < Some(20.0))
    );
    // With a safety delay not even the first hit is lost.
    let passed = dead.filter(|failure| failure["wiring"] == "the main's click through the backup");
    assert!(passed.clone().count() == 1 && passed.clone().all(|f| f["missed"] == 0 && f["late"] == 0));
}

#[test]
fn a_rig_is_rehearsed_as_it_is_wired() {
    let folder = tempfile::tempdir().expect("a folder");
    let rig = folder.path().join("backup.toml");
    let text = "machine = \"backup\"\n[outputs]\ndrums = 1\nband = 2\n[timecode]\noutput = 3\n[main]\ntimecode = 1\n";
    std::fs::write(&rig, text).expect("a rig");
    let logs = folder.path().join("logs");
    let [rig, logs] = [&rig, &logs].map(|path| path.to_str().expect("a path"));
    let output = fogbell(&["drill", "demo/saltmarsh.toml", "--rig", rig, "--short", "--log", logs]);
    let said = String::from_utf8_lossy(&output.stdout).to_string();
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
    show.songs.iter_mut().flat_map(|song| &mut song.streams).for_each(|stream| *stream = None);
    let mut rig = fogbell::show::default_rig(&show);
    rig.inputs.clear();
    let ports = Ports { rate, max_block: 1024, inputs: 8, outputs: 64 };
    Bench {
        setup: wire(&show, &rig, ports, false).expect("a wired show"),
        set: Arc::new(prepare(&show, rate).expect("sounds").set),
        click: 0,
        wiring,
        frames: FrameRate::Tv30,
        latch: rate.frames(0.06),
        seconds: 10.0,
        seed: 5,
    }
}

/// Two machines that both sound, a backup that never follows, and one that is off: the drill must not hold.
#[test]
fn what_falls_short_is_called_so() {
    fn strict(_: Wiring) -> Allowance {
        Allowance { lost: 1, ..Allowance::default() }
    }
    let failure = |name, mishaps| Failure { name, what: name, applies: |_| true, mishaps, allowed: strict };
    let both = failure("both-sound", |at, _| vec![Mishap::PressedBackup(at, Command::Beside(true))]);
    let verdict = bench(Wiring::TwoWitnesses).rehearse(&both);
    assert!(!verdict.passed && verdict.doubled > 5, "{verdict:?}");
    let pulled = failure("deaf", |at, f| vec![Mishap::TimecodeOut(0, at + f), Mishap::MainDies(at)]);
    let verdict = bench(Wiring::TwoWitnesses).rehearse(&pulled);
    assert!(!verdict.passed && verdict.missed > 5, "{verdict:?}");
    let off = failure("off", |at, _| {
        vec![
            Mishap::PressedBackup(at / 2, Command::Align(fogbell::units::Span::frames(Frames(144)))),
            Mishap::MainDies(at),
        ]
    });
    let verdict = bench(Wiring::TwoWitnesses).rehearse(&off);
    assert!(!verdict.passed && verdict.late > 5, "{verdict:?}");
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
