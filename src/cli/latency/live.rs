//! A measurement on the rig's interface, from the question to the stored result.

use super::from_file::answer_told;
use super::measure::{self, Aim, Outcome as Heard};
use super::save::{self, Evidence};
use super::told::{Told, add};
use super::{Args, consent, kind, sweep, target, words};
use crate::cli::{Outcome, files};
use crate::device::{self, Interface, OpenSetup};
use crate::latency::budget::budget;
use crate::latency::session::Failure;
use crate::latency::stored::{self, Holds, Stored};
use crate::latency::{Answer, air, compare, meaning};
use crate::realtime::wiring::LOOK_AHEAD_SECONDS;
use crate::show::model::Rig;
use crate::units::SampleRate;
use serde_json::{Value, json};
use std::fmt::Write;

/// Errors: options or the rig are wrong.
pub fn measure(args: &Args) -> Result<Told, String> {
    let path = args.rig.as_deref().ok_or("no rig is given\n  to mend it: add --rig RIG")?;
    let rig = files::lone_rig(path)?.0;
    let kind = kind(args)?;
    let listens = args.compare.is_some() && args.output.is_none();
    let output = match target::output(&rig, args.output.as_deref()) {
        // Only listening: the stream needs an output, which stays silent.
        Err(_) if listens => target::Channel { number: 1, name: None, second: false },
        output => output?,
    };
    let mut inputs = vec![target::input(&rig, "input", args.input.as_deref())?];
    if let Some(other) = &args.compare {
        inputs.push(target::input(&rig, "compare", Some(other))?);
    }
    if let Some(folder) = &args.save {
        save::check(folder)?;
    }
    let second = inputs.iter().any(|input| input.second);
    let chosen = if second { device::for_rig(&rig) } else { device::choose_in(&rig.interface, &rig.folder) };
    let aim = Aim::of(args, output, inputs, kind);
    let mut interface = match chosen {
        Ok(interface) => interface,
        Err(error) => return Ok(Told::refused("device", &error.to_string())),
    };
    let caution = consent::caution(&aim.output, &aim.inputs[0], args.ceiling);
    if !listens && !consent::given(rig.interface.host, args.ears_out, &caution, "is that channel muted") {
        let why = "nobody said yes, so nothing was played\n  to mend it: take ears out or mute that channel, then \
                   type yes; in a script add --ears-out";
        return Ok(Told::refused("not_confirmed", why));
    }
    let open = aim.open_setup(device::setup_for(&rig.interface, 0, 0));
    if args.blocks.is_empty() {
        Ok(once(args, &rig, &aim, interface.as_mut(), &open))
    } else {
        Ok(swept(args, &aim, interface.as_mut(), &open))
    }
}

fn once(args: &Args, rig: &Rig, aim: &Aim, interface: &mut dyn Interface, open: &OpenSetup) -> Told {
    let heard = match aim.measure(interface, open, measure::quiet_of(args.ceiling)) {
        Ok(heard) => heard,
        Err(failure) => return failed(&failure),
    };
    let rate = heard.series.negotiated.rate;
    let mut told = answer_told(&heard.answer, rate);
    let place = place(aim, &heard);
    let about = words::about(&heard.series, heard.answer.measured(), &place);
    let _ = write!(told.words, "{about}");
    add(&mut told.json, figures(aim, &heard));
    if aim.inputs.len() == 2 {
        let names = [aim.inputs[0].words(), aim.inputs[1].words()];
        if let [one, two] = heard.series.take.heard.as_slice() {
            told = compared([one, two], [&names[0], &names[1]], rate);
        }
        let _ = write!(told.words, "\n{}", words::about(&heard.series, None, &place));
        add(&mut told.json, figures(aim, &heard));
    } else if args.mic {
        let less = args.less.or_else(|| over_cable(&heard));
        distance(&mut told, &heard.answer, less, args.temperature, rate);
    } else if let Answer::Measured(_) = heard.answer {
        means(&mut told, aim, &heard, rate);
        keep(&[result(aim, &heard)], &mut told);
    }
    let _ = rig;
    if let Some(folder) = &args.save {
        keep_evidence(folder, &heard, &mut told);
    }
    told
}

fn failed(failure: &Failure) -> Told {
    match failure {
        Failure::Device(error) => Told::refused("device", &error.to_string()),
        Failure::Stopped(why) => Told::refused(
            "device",
            &format!(
                "the device stopped: {why}\n  to mend it: bring it or its server back, then measure again"
            ),
        ),
        Failure::Unsteady { spoilt } => Told::refused(
            "frames_lost",
            &format!(
                "frames were lost in {spoilt} shots\n  to mend it: use a larger block, and close what else uses the \
                 computer (see fogbell ready)"
            ),
        ),
    }
}

fn place(aim: &Aim, heard: &Heard) -> String {
    let at = &heard.series.negotiated;
    let inputs: Vec<String> = aim.inputs.iter().map(target::Channel::words).collect();
    format!(
        "{} \"{}\", {} Hz, blocks of {}, output {} to input {}",
        at.host,
        at.device,
        at.rate.hertz(),
        at.block,
        aim.output.words(),
        inputs.join(" and ")
    )
}

fn figures(aim: &Aim, heard: &Heard) -> Value {
    let series = &heard.series;
    let claimed = series.negotiated.claimed_latency.map(|frames| frames.0);
    let beyond =
        heard.answer.measured().zip(claimed).map(|(found, claimed)| found.round_trip_frames - claimed as f64);
    json!({
        "host": series.negotiated.host, "device": series.negotiated.device, "id": series.negotiated.id,
        "rate": series.negotiated.rate.hertz(), "block": series.negotiated.block,
        "output": aim.output, "inputs": aim.inputs, "probe": aim.kind,
        "played_at_db": series.level.0, "risen_db": series.risen.iter().map(|level| level.0).collect::<Vec<_>>(),
        "claimed_frames": claimed, "beyond_claim_frames": beyond,
        "input_offset_frames": series.input_offset.0, "start": series.started.to_string(),
        "xruns": series.xruns, "input_slips": series.slips, "shots_played_again": series.spoilt,
        "ceiling_db": aim.ceiling.0,
    })
}

/// What the round trip means for players, and where its time goes.
fn means(told: &mut Told, aim: &Aim, heard: &Heard, rate: SampleRate) {
    let Answer::Measured(found) = &heard.answer else { return };
    let series = &heard.series;
    let second =
        series.negotiated.second.as_ref().filter(|_| aim.inputs.first().is_some_and(|input| input.second));
    let parts = budget(
        found.round_trip_frames,
        &series.negotiated,
        series.input_offset,
        rate.frames(LOOK_AHEAD_SECONDS),
        second,
    );
    let _ = write!(told.words, "\n{}", words::budget(&parts, rate));
    told.json["budget"] = serde_json::to_value(&parts).unwrap_or_default();
    let total = words::ms(parts.total_frames, rate);
    let meant = meaning::of(total);
    let _ = writeln!(told.words, "\nWhat {total:.1} ms from microphone to ear means ({}):", meant[0].source);
    meant.iter().for_each(|meaning| {
        let _ = writeln!(told.words, "  {}", meaning.sentence);
    });
    let _ = writeln!(told.words, "  {}\n  ({})", meaning::by_the_study(total), meaning::LIVE_MONITORING);
    told.json["meaning"] = json!(meant);
}

/// Two inputs that carry one click.
pub fn compared(heard: [&[f32]; 2], names: [&str; 2], rate: SampleRate) -> Told {
    let found = match compare(heard[0], heard[1], rate, measure::WIDEST_MS) {
        Ok(found) => found,
        Err(refusal) => return answer_told(&Answer::Refused(refusal), rate),
    };
    let (late, early) = if found.offset_frames >= 0.0 { (names[1], names[0]) } else { (names[0], names[1]) };
    let apart = found.offset_frames.abs();
    let mut text = format!(
        "Input {late} is {apart:.2} frames ({:.3} ms) later than input {early}.\n\n",
        words::ms(apart, rate)
    );
    let mut fact = |name: &str, rest: String| {
        let _ = writeln!(text, "  {name:<16}{rest}");
    };
    fact(
        "surely",
        format!("± {:.3} frames (95 %), over {} stretches", found.interval_95_frames, found.stretches),
    );
    let delay = found.delay_first_frames.max(found.delay_second_frames);
    fact("to level them", format!("delay what feeds input {early} by {delay:.0} frames"));
    fact("level", format!("input {} is {:+.1} dB against input {}", names[1], found.level_db, names[0]));
    fact("alike", format!("{:.0} %", 100.0 * found.likeness));
    if found.inverted {
        fact("polarity", "DIFFERS: together they cancel; swap it on one of them".into());
    }
    let mut json = json!({
        "command": "latency", "outcome": "measured", "reason": null, "round_trip_frames": null,
        "round_trip_ms": null, "snr_db": null, "shots": null,
        "polarity": if found.inverted { "inverted" } else { "normal" },
    });
    add(&mut json, serde_json::to_value(&found).unwrap_or_default());
    Told { outcome: Outcome::Done, words: text, json }
}

/// The last round trip over a cable on this device, where it still holds.
fn over_cable(heard: &Heard) -> Option<f64> {
    let at = &heard.series.negotiated;
    if Holds::of(at).is_stale_after_a_start() {
        return None;
    }
    let kept = stored::read(&stored::place()?);
    let alike = |stored: &&Stored| (stored.rate, stored.block) == (at.rate.hertz(), at.block);
    kept.of(&at.host, &at.id).find(alike).map(|stored| stored.round_trip_frames)
}

/// How far away a microphone is, and what distances cost.
pub fn distance(told: &mut Told, answer: &Answer, less: Option<f64>, celsius: f64, rate: SampleRate) {
    let Answer::Measured(found) = answer else { return };
    let over_cable = words::ms(less.unwrap_or(0.0), rate);
    let interval = words::ms(found.interval_95_frames, rate);
    let Some(mic) = air::to_microphone(found.round_trip_ms, over_cable, interval, celsius) else {
        let words = "the way through the air is shorter than the one over the cable\n  to mend it: measure both on \
                     this interface, at this block, on the same start";
        *told = Told::refused("shorter_than_cable", words);
        return;
    };
    let mut text = format!(
        "The microphone is {:.2} m away (± {:.2} m), {:.2} ms at {celsius} °C.\n",
        mic.metres, mic.plus_or_minus_metres, mic.delay_ms
    );
    let _ = match less {
        Some(less) => writeln!(text, "{less:.2} frames are taken off: the way over a cable."),
        None => writeln!(
            text,
            "That counts the interface's own time as air: measure it over a cable, then give --less FRAMES."
        ),
    };
    let _ = writeln!(
        text,
        "To bring a near microphone in line with it, delay the near one by {:.0} frames.\n",
        mic.delay_ms * f64::from(rate.hertz()) / 1e3
    );
    text.push_str("  distance      delay      there and back   frames\n");
    let table = air::table(celsius, f64::from(rate.hertz()));
    for row in &table {
        let _ = writeln!(
            text,
            "  {:>6.0} m  {:>7.2} ms  {:>12.2} ms  {:>9.0}",
            row.metres,
            row.milliseconds,
            2.0 * row.milliseconds,
            row.frames
        );
    }
    let _ = writeln!(
        text,
        "  Sound goes {:.1} m in a second at {celsius} °C; humidity is left out (at most 1 %).\n",
        air::speed_of_sound(celsius)
    );
    told.words = text + &told.words;
    told.json["microphone"] = json!(mic);
    told.json["distances"] = json!(table);
    told.json["temperature_celsius"] = celsius.into();
    told.json["less_frames"] = less.into();
}

/// As it is stored.
fn result(aim: &Aim, heard: &Heard) -> Stored {
    let at = &heard.series.negotiated;
    let found = heard.answer.measured();
    Stored {
        host: at.host.clone(),
        device: at.device.clone(),
        id: at.id.clone(),
        rate: at.rate.hertz(),
        block: at.block,
        output: aim.output.number,
        input: aim.inputs.first().map_or(0, |input| input.number),
        start: heard.series.started,
        measured: jiff::Timestamp::now(),
        round_trip_frames: found.map_or(f64::NAN, |found| found.round_trip_frames),
        interval_95_frames: found.map_or(f64::NAN, |found| found.interval_95_frames),
        spread_frames: found.map_or(f64::NAN, |found| found.spread_frames),
        shots: found.map_or(0, |found| found.shots as u32),
        holds: Holds::of(at),
    }
}

/// Stores results; that it cannot is said and is no failure of the measurement.
fn keep(results: &[Stored], told: &mut Told) {
    let kept = match stored::place() {
        None => Err("this user has no folder for it".to_string()),
        Some(path) => stored::add(&path, results)
            .map(|()| path.clone())
            .map_err(|why| format!("{}: {why}", path.display())),
    };
    let holds = results.first().map_or("", |result| result.holds.words());
    let words = match &kept {
        Ok(path) => format!("\nKept in {}; {holds}.\n", path.display()),
        Err(why) => format!("\nNot kept: {why}\n"),
    };
    told.words.push_str(&words);
    told.json["kept"] = kept.ok().map(|path| path.display().to_string()).into();
}

fn keep_evidence(folder: &std::path::Path, heard: &Heard, told: &mut Told) {
    let series = &heard.series;
    let gain = series.take.gain;
    let probe: Vec<f32> = heard.probe.samples.iter().map(|sample| sample * gain).collect();
    let evidence = Evidence {
        rate: series.negotiated.rate,
        probe: &probe,
        recording: &series.take.heard,
        result: &told.json,
    };
    match save::save(folder, &evidence) {
        Ok(()) => {
            let _ = writeln!(told.words, "Evidence: {}", folder.display());
        }
        Err(why) => {
            let _ = writeln!(told.words, "The evidence is not kept: {why}");
            told.json["save_error"] = why.into();
            told.outcome = Outcome::FellShort;
        }
    }
}

fn swept(args: &Args, aim: &Aim, interface: &mut dyn Interface, open: &OpenSetup) -> Told {
    let mut results = Vec::new();
    let quiet = measure::quiet_of(args.ceiling);
    let rows = sweep::sweep(interface, aim, open, &args.blocks, args.starts, quiet, &mut |aim, heard| {
        results.push(result(aim, heard));
    });
    let best = sweep::recommended(&rows);
    let sentence = match best {
        Some(row) => format!(
            "The smallest block that ran clean is {}: {:.2} frames ({:.2} ms) there and back.\n\n",
            row.block,
            row.median(),
            words::ms(row.median(), open.rate)
        ),
        None => "No block size ran clean.\n\n".into(),
    };
    let mut text = sentence + &sweep::text(&rows, open.rate);
    if rows.iter().any(|row| row.block != row.asked) {
        text.push_str(
            "This device keeps a block of its own: change it where the device or its server is set up.\n",
        );
    }
    let refused: Vec<&String> = rows.iter().flat_map(|row| &row.refused).collect();
    refused.iter().for_each(|why| {
        let _ = writeln!(text, "  {why}");
    });
    let measured = best.is_some();
    let json = json!({
        "command": "latency", "outcome": if measured { "measured" } else { "refused" },
        "reason": if measured { Value::Null } else { "no_clean_block".into() },
        "round_trip_frames": best.map(sweep::Row::median),
        "round_trip_ms": best.map(|row| words::ms(row.median(), open.rate)),
        "interval_95_frames": null, "snr_db": null, "polarity": null,
        "shots": null, "block": best.map(|row| row.block), "rate": open.rate.hertz(),
        "blocks": rows.iter().map(|row| {
            let mut object = serde_json::to_value(row).unwrap_or_default();
            add(&mut object, json!({
                "median_frames": row.median(), "between_frames": row.between_frames(), "clean": row.is_clean(),
            }));
            object
        }).collect::<Vec<_>>(),
    });
    let outcome = if measured { Outcome::Done } else { Outcome::FellShort };
    let mut told = Told { outcome, words: text, json };
    if !results.is_empty() {
        keep(&results, &mut told);
    }
    told
}
