//! `fogbell drill`: every failure that applies, rehearsed before doors and judged from what came out.

use super::Outcome;
use crate::click::prepare::prepare;
use crate::drill::{Bench, Verdict, Wiring, all};
use crate::log::kept;
use crate::realtime::wiring::{Ports, wire};
use crate::show;
use crate::show::model::{Rig, Role, Show};
use crate::timecode::FrameRate;
use crate::units::Frames;
use crate::view::machines::blind_to;
use serde_json::json;
use std::path::PathBuf;
use std::sync::Arc;

/// Rehearse every failure on simulated machines, and judge each from the sound that comes out
///
/// No device is opened and nothing sounds.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The show file
    show: PathBuf,
    /// The rig file: its wiring is rehearsed (default: every wiring of two machines)
    #[arg(long)]
    rig: Option<PathBuf>,
    /// Seconds of music a failure is played in, 8 to 60; without it 20
    #[arg(long, value_name = "SECONDS")]
    music: Option<u32>,
    /// A short drill for a sound check: 10 seconds of music a failure
    #[arg(long)]
    short: bool,
    /// The moment of each failure follows from this number
    #[arg(long, default_value_t = 7)]
    seed: u64,
    /// Folder in which the result is kept with the night (default: `logs` beside the show)
    #[arg(long, value_name = "DIR")]
    log: Option<PathBuf>,
    /// Print one JSON object
    #[arg(long)]
    json: bool,
}

pub fn run(args: &Args) -> Outcome {
    match drill(args) {
        Ok(passed) if passed => Outcome::Done,
        Ok(_) => Outcome::FellShort,
        Err(why) => {
            if args.json {
                println!("{}", json!({ "outcome": "not started", "error": why }));
            } else {
                eprintln!("{why}");
            }
            Outcome::NotUnderstood
        }
    }
}

fn read(args: &Args) -> Result<(Show, Option<Rig>), String> {
    let reading = show::read_show(&args.show).map_err(|error| {
        format!("error: {}: {error}\n  to mend it: give the path of a show file", args.show.display())
    })?;
    let told = show::render(&reading.faults, &reading.text, &reading.name, false);
    let show =
        reading.show.filter(|show| show.songs.iter().any(|song| !song.sections.is_empty())).ok_or(told)?;
    let Some(path) = &args.rig else { return Ok((show, None)) };
    let reading = show::read_rig(path).map_err(|error| {
        format!("error: {}: {error}\n  to mend it: give the path of a rig file", path.display())
    })?;
    let mut faults = reading.faults.clone();
    if faults.is_empty() {
        faults = reading.faults_against(&show);
    }
    let told = show::render(&faults, &reading.text, &reading.name, false);
    let rig = reading.rig.filter(|_| faults.is_empty()).ok_or(told)?;
    Ok((show, Some(rig)))
}

/// The wirings to rehearse, with the click that the ear hears, timecode's rate and the latch.
struct Plan {
    wirings: Vec<Wiring>,
    click: u8,
    frames: FrameRate,
    latch_ms: f64,
}

fn plan(show: &Show, rig: Option<&Rig>) -> Plan {
    let ms = |ms: f64| Frames((ms * 48.0) as i64);
    let mut plan = Plan {
        wirings: vec![
            Wiring::Alone,
            Wiring::OneWitness,
            Wiring::TwoWitnesses,
            Wiring::Passed(ms(8.0)),
            Wiring::Pad(ms(8.0)),
        ],
        click: 0,
        frames: FrameRate::Tv25,
        latch_ms: 60.0,
    };
    let Some(rig) = rig else { return plan };
    plan.frames = rig.timecode.map_or(FrameRate::Tv25, |line| line.frames);
    plan.wirings = vec![Wiring::Alone];
    let outside = show.clicks.iter().enumerate().find_map(|(index, click)| Some((index, click.external?)));
    if let Some((index, input)) = outside {
        plan.click = index as u8;
        let delay = show.inputs.get(input).map_or(8.0, |input| input.external.safety_delay_ms);
        plan.wirings.push(Wiring::Pad(ms(delay)));
    }
    if let Some(main) = &rig.main {
        plan.latch_ms = main.latch_ms;
        plan.click = main.click.as_ref().map_or(plan.click, |(_, name)| {
            show.clicks.iter().position(|click| click.name == *name).unwrap_or(0) as u8
        });
        plan.wirings.push(match (&main.click, main.wiring) {
            (None, _) => Wiring::OneWitness,
            (Some(_), show::model::Wiring::OwnChannel) => Wiring::TwoWitnesses,
            (Some(_), show::model::Wiring::PassThrough) => Wiring::Passed(ms(main.safety_delay_ms)),
        });
    } else if rig.machine == Role::Main {
        // The main does not know how its backup is wired.
        plan.wirings.extend([Wiring::OneWitness, Wiring::TwoWitnesses]);
    }
    plan
}

fn drill(args: &Args) -> Result<bool, String> {
    let (mut show, rig) = read(args)?;
    let seconds = match (args.music, args.short) {
        (Some(music @ 8..=60), _) => f64::from(music),
        (Some(music), _) => {
            return Err(format!("error: --music {music}\n  to mend it: write 8 to 60 seconds"));
        }
        (None, true) => 10.0,
        (None, false) => 20.0,
    };
    // Microphones and tracks are not what fails here; the click is made by the engines.
    show.songs.retain(|song| !song.sections.is_empty());
    for song in &mut show.songs {
        song.streams.iter_mut().for_each(|stream| *stream = None);
    }
    let plan = plan(&show, rig.as_ref());
    let rate = crate::units::SampleRate::standard();
    let prepared = prepare(&show, rate).map_err(|faults| {
        faults.iter().map(|fault| format!("error: {fault}")).collect::<Vec<_>>().join("\n")
    })?;
    let ports = Ports { rate, max_block: 1024, inputs: 8, outputs: 256 };
    let mut wired = show::default_rig(&show);
    wired.inputs.clear();
    let setup = wire(&show, &wired, ports, false).map_err(|fault| format!("error: {fault}"))?;
    let set = Arc::new(prepared.set);
    let mut failures = Vec::new();
    let mut passed = true;
    for wiring in plan.wirings {
        let bench = Bench {
            set: Arc::clone(&set),
            setup: setup.clone(),
            click: plan.click,
            wiring,
            frames: plan.frames,
            latch: rate.frames(plan.latch_ms / 1000.0),
            seconds,
            seed: args.seed,
        };
        if !args.json {
            heading(&bench);
        }
        let verdicts = all(&bench, |verdict| {
            if !args.json {
                println!("{}", line(verdict));
            }
        });
        passed &= verdicts.iter().all(|verdict| verdict.passed);
        failures.extend(verdicts.iter().map(|verdict| with_wiring(verdict, wiring, &bench)));
    }
    let mut result = json!({
        "outcome": if passed { "held" } else { "fell short" }, "show": show.title,
        "rig": rig.as_ref().map(|rig| &rig.title), "seed": args.seed, "failures": failures,
    });
    let folder = args.log.clone().unwrap_or_else(|| kept::beside(&args.show));
    let (path, kept) = kept::keep_now(&folder, kept::Kind::Drill, &result);
    if args.json {
        result["kept"] = json!(path);
        println!("{result}");
    } else {
        let bad = failures.iter().filter(|failure| failure["passed"] == false).count();
        println!();
        match bad {
            0 => println!("All {} failures held.", failures.len()),
            _ => println!("{bad} of {} failures FELL SHORT.", failures.len()),
        }
        println!("{kept}");
    }
    Ok(passed)
}

fn with_wiring(verdict: &Verdict, wiring: Wiring, bench: &Bench) -> serde_json::Value {
    let mut value = json!(verdict);
    value["wiring"] = json!(wiring_words(wiring));
    value["blind_window_ms"] = json!(bench.blind_ms());
    value
}

fn wiring_words(wiring: Wiring) -> &'static str {
    match wiring {
        Wiring::Alone => "one machine",
        Wiring::OneWitness => "backup on its own channel, timecode only",
        Wiring::TwoWitnesses => "backup on its own channel, timecode and click",
        Wiring::Passed(_) => "the main's click through the backup",
        Wiring::Pad(_) => "another device's click through this laptop",
    }
}

fn heading(bench: &Bench) {
    println!("\n{}", wiring_words(bench.wiring).to_uppercase());
    match bench.wiring {
        Wiring::Alone => {}
        Wiring::Pad(delay) => println!(
            "Its click starts the song and is passed on {:.1} ms later.",
            (delay.0 + bench.setup.look_ahead as i64) as f64 / 48.0
        ),
        wiring => {
            let passed = matches!(wiring, Wiring::Passed(_));
            let witnesses = if wiring == Wiring::OneWitness { 1 } else { 2 };
            println!("{}", blind_to(witnesses, passed));
            println!("Blind window {:.1} ms.", bench.blind_ms());
        }
    }
    println!(
        "{:<66} {:<10} {:>8} {:>6} {:>6} {:>5} {:>6} {:>8} {:>7}",
        "", "", "noticed", "first", "missed", "late", "double", "off ms", "step dB"
    );
}

fn line(verdict: &Verdict) -> String {
    let noticed = verdict.detected_ms.map_or("-".into(), |ms| format!("{ms:.1} ms"));
    format!(
        "{:<66} {:<10} {noticed:>8} {:>6} {:>6} {:>5} {:>6} {:>8.3} {:>7.2}",
        verdict.what,
        if verdict.passed { "held" } else { "FELL SHORT" },
        verdict.first_hit.as_deref().unwrap_or("-"),
        verdict.missed,
        verdict.late + verdict.lost_with_device,
        verdict.doubled,
        verdict.largest_error_ms,
        verdict.level_step_db,
    )
}
