//! `fogbell interfaces`: what this system can play through, and what a rig would use of it.

use super::Outcome;
use super::latency;
use crate::device::second::joined::Sides;
use crate::device::{self, DeviceError, DeviceInfo};
use crate::latency::budget;
use crate::latency::stored::{self, Reading, Stored};
use crate::show;
use crate::show::model::{Host, Rig, Second};
use serde_json::json;
use std::fmt::Write;
use std::path::{Path, PathBuf};

/// List hosts, devices, channels, rates and block sizes, and which the rig would use
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The rig file whose interface to look for
    #[arg(long)]
    rig: Option<PathBuf>,
    /// Print one JSON object
    #[arg(long)]
    json: bool,
}

/// A host and what it said.
struct Row {
    host: &'static str,
    devices: Result<Vec<DeviceInfo>, DeviceError>,
}

/// What a rig would use.
#[derive(Debug, PartialEq, serde::Serialize)]
struct Use {
    host: Host,
    device: String,
    rate: u32,
    block: u32,
    /// Highest channel that the rig names.
    outputs_needed: u16,
    inputs_needed: u16,
    /// The device as listed; `None` when it is not there.
    found: Option<DeviceInfo>,
    /// Frames by which the program itself makes inputs late.
    ring: Vec<Waits>,
    /// Why it cannot be used as it is, each with its mend.
    faults: Vec<String>,
    second: Option<UseSecond>,
}

/// What a rig would use as its second interface.
#[derive(Debug, PartialEq, serde::Serialize)]
struct UseSecond {
    host: Host,
    device: String,
    rate: u32,
    block: u32,
    inputs_needed: u16,
    found: Option<DeviceInfo>,
    ring: Vec<Waits>,
    faults: Vec<String>,
}

/// Frames, at the main interface's rate, and why they are there.
#[derive(Debug, PartialEq, serde::Serialize)]
struct Waits {
    what: &'static str,
    frames: f64,
    why: &'static str,
}

pub fn run(args: &Args) -> Outcome {
    let rig = match args.rig.as_deref().map(read_rig).transpose() {
        Ok(rig) => rig,
        Err(words) => {
            if args.json {
                println!("{}", json!({ "ok": false, "error": words }));
            } else {
                eprint!("{words}");
            }
            return Outcome::NotUnderstood;
        }
    };
    let rows: Vec<Row> = device::all_hosts()
        .iter()
        .map(|interface| Row { host: interface.host(), devices: interface.list() })
        .collect();
    let wanted = rig.as_ref().map(|rig| used_by(rig, &rows));
    let kept = stored::place().map(|place| stored::read(&place)).unwrap_or_default();
    let usable = wanted.as_ref().is_none_or(Use::is_usable);
    if args.json {
        println!("{}", in_json(&rows, wanted.as_ref(), usable, &kept));
    } else {
        print!("{}", in_words(&rows, wanted.as_ref(), &kept));
    }
    if usable { Outcome::Done } else { Outcome::FellShort }
}

fn read_rig(path: &Path) -> Result<Rig, String> {
    let reading = show::read_rig(path).map_err(|fault| {
        let path = path.display();
        format!("error: {path} cannot be read: {fault}\n  to mend it: give the path of a file\n")
    })?;
    let faults = show::render(&reading.faults, &reading.text, &reading.name, false);
    reading.rig.ok_or(faults)
}

impl Use {
    fn is_usable(&self) -> bool {
        self.faults.is_empty() && self.second.as_ref().is_none_or(|second| second.faults.is_empty())
    }
}

fn used_by(rig: &Rig, rows: &[Row]) -> Use {
    let choice = &rig.interface;
    let feeds = rig.outputs.iter().flat_map(|outlet| &outlet.channels).copied().max().unwrap_or(0);
    let outputs_needed = feeds.max(rig.highest_line_out());
    let inputs_needed = rig.highest_input();
    let mut faults = Vec::new();
    let found = match device::choose_in(choice, &rig.folder) {
        Err(error) => {
            faults.push(error.to_string());
            None
        }
        Ok(interface) if choice.host == Host::Virtual => {
            interface.list().ok().and_then(|devices| devices.into_iter().next())
        }
        Ok(interface) => find(rows, interface.host(), &choice.device, &mut faults),
    };
    let rate = choice.rate.hertz();
    if let Some(info) = &found {
        faults.extend(misfits(rig, info, rate, outputs_needed, inputs_needed));
    }
    let device = choice.device.clone();
    let duplex = matches!(choice.host, Host::Virtual | Host::Jack);
    let (frames, why) = match duplex {
        true => (0.0, budget::ONE_CALLBACK),
        false => (f64::from(choice.block) + 64.0, budget::TWO_CALLBACKS),
    };
    Use {
        host: choice.host,
        device,
        rate,
        block: choice.block,
        outputs_needed,
        inputs_needed,
        found,
        ring: vec![Waits { what: "ring", frames, why }],
        faults,
        second: rig.second.as_ref().map(|second| second_used_by(rig, second, rows)),
    }
}

fn second_used_by(rig: &Rig, second: &Second, rows: &[Row]) -> UseSecond {
    let choice = &second.choice;
    let mut faults = Vec::new();
    let found = match device::choose_in(choice, &rig.folder) {
        Err(error) => {
            faults.push(error.to_string());
            None
        }
        Ok(interface) if choice.host == Host::Virtual => {
            interface.list().ok().and_then(|devices| devices.into_iter().next())
        }
        Ok(interface) => find(rows, interface.host(), &choice.device, &mut faults),
    };
    let inputs_needed = second.highest_input();
    if let Some(info) = &found {
        let other_side = choice.device.contains('|');
        faults.extend(
            (inputs_needed > info.inputs && !other_side).then(|| too_few_inputs(inputs_needed, info)),
        );
        faults.extend(wrong_rate(info, choice.rate.hertz(), "[second]"));
    }
    let sides = Sides {
        rate: rig.interface.rate,
        block: rig.interface.block,
        second_rate: choice.rate,
        second_block: choice.block,
        inputs: rig.highest_input(),
        second_inputs: inputs_needed,
    };
    let ring = vec![
        Waits {
            what: "ring between the two clocks",
            frames: sides.delay_frames() / sides.nominal(),
            why: budget::TWO_CLOCKS,
        },
        Waits {
            what: "filter between the two clocks",
            frames: Sides::filter_frames() / sides.nominal(),
            why: budget::FILTER,
        },
    ];
    let (device, rate, block) = (choice.device.clone(), choice.rate.hertz(), choice.block);
    UseSecond { host: choice.host, device, rate, block, inputs_needed, found, ring, faults }
}

fn too_few_inputs(wanted: u16, info: &DeviceInfo) -> String {
    format!(
        "the rig needs {wanted} inputs and {} has {}\n  to mend it: use lower channels, or fewer inputs",
        info.name, info.inputs
    )
}

fn wrong_rate(info: &DeviceInfo, rate: u32, table: &str) -> Option<String> {
    let can = info.rates.is_empty() || info.host == "virtual" || info.rates.contains(&rate);
    (!can).then(|| {
        format!(
            "{} does not run at {rate}\n  to mend it: write rate = {} in {table} of the rig",
            info.name,
            list_of(&info.rates)
        )
    })
}

fn find(rows: &[Row], host: &str, device: &str, faults: &mut Vec<String>) -> Option<DeviceInfo> {
    let row = rows.iter().find(|row| row.host == host)?;
    let devices = match &row.devices {
        Ok(devices) => devices,
        Err(error) => {
            faults.push(error.to_string());
            return None;
        }
    };
    // With JACK nobody's ports may be wanted; "OUT | IN" names two.
    let wanted = match device.split('|').next().unwrap_or_default().trim() {
        "" | "none" if host == "jack" => "system",
        wanted => wanted,
    };
    let found = devices.iter().find(|info| info.id == wanted || info.name == wanted).cloned();
    if found.is_none() {
        let ids: Vec<&str> = devices.iter().map(|info| info.id.as_str()).collect();
        let there = if ids.is_empty() { "there is none at all".into() } else { ids.join(", ") };
        faults.push(format!(
            "{host} has no device \"{wanted}\"\n  to mend it: plug it in, or choose one of: {there}"
        ));
    }
    found
}

fn misfits(rig: &Rig, info: &DeviceInfo, rate: u32, outputs: u16, inputs: u16) -> Vec<String> {
    let mut faults = Vec::new();
    let folds = |fold: &Vec<show::model::Outlet>| {
        fold.iter().flat_map(|outlet| &outlet.channels).all(|channel| *channel <= info.outputs)
    };
    let (name, has, line) = (&info.name, info.outputs, rig.highest_line_out());
    if line > has {
        faults.push(format!(
            "the rig has timecode or a loop on output {line} and {name} has {has}\n  to mend it: use lower channels there"
        ));
    }
    if outputs > has && !rig.folds.iter().any(folds) {
        faults.push(format!(
            "the rig needs {outputs} outputs and {name} has {has}\n  to mend it: add a [[fold]] for {has} outputs to the rig"
        ));
    }
    if inputs > info.inputs && !rig.interface.device.contains('|') {
        faults.push(too_few_inputs(inputs, info));
    }
    faults.extend(wrong_rate(info, rate, "[interface]"));
    faults
}

fn list_of(rates: &[u32]) -> String {
    rates.iter().map(u32::to_string).collect::<Vec<_>>().join(", ")
}

/// Results of a device. A pair of devices is named after both.
fn measured<'k>(kept: &'k Reading, host: &'k str, id: &'k str) -> Vec<&'k Stored> {
    let is =
        |stored: &&Stored| stored.id == id || stored.id.split('|').next().is_some_and(|out| out.trim() == id);
    kept.results.iter().rev().filter(|stored| stored.host == host).filter(is).collect()
}

fn in_json(rows: &[Row], wanted: Option<&Use>, usable: bool, kept: &Reading) -> serde_json::Value {
    let host = |row: &Row| match &row.devices {
        Ok(devices) => json!({ "host": row.host, "devices": devices, "error": null }),
        Err(error) => {
            let error = json!({ "what": error.what, "mend": error.mend });
            json!({ "host": row.host, "devices": [], "error": error })
        }
    };
    let latencies: Vec<_> = kept.results.iter().rev().collect();
    json!({
        "ok": usable, "hosts": rows.iter().map(host).collect::<Vec<_>>(), "rig": wanted, "latencies": latencies,
    })
}

fn in_words(rows: &[Row], wanted: Option<&Use>, kept: &Reading) -> String {
    let mut out = String::new();
    for row in rows {
        let _ = writeln!(out, "host = \"{}\"", row.host);
        match &row.devices {
            Ok(devices) if devices.is_empty() => out.push_str("  no devices\n"),
            Ok(devices) => devices.iter().for_each(|info| device_in_words(&mut out, info, kept)),
            Err(error) => {
                let _ = writeln!(out, "  {}", error.to_string().replace('\n', "\n  "));
            }
        }
        out.push('\n');
    }
    match wanted {
        Some(wanted) => use_in_words(&mut out, wanted, kept),
        None => out.push_str("A rig names one of them: [interface] host = \"…\", device = \"…\".\n"),
    }
    out
}

fn device_in_words(out: &mut String, info: &DeviceInfo, kept: &Reading) {
    let default = if info.is_default { ", the default" } else { "" };
    let _ = writeln!(out, "  {}{default}", info.name);
    let _ = writeln!(out, "    device = \"{}\"", info.id);
    let blocks = match info.blocks {
        Some((least, most)) if least == most => format!(", blocks of {least} frames"),
        Some((least, most)) => format!(", blocks of {least} to {most} frames"),
        None => String::new(),
    };
    let rates = match info.rates.as_slice() {
        [] => "rates unknown: busy, or not to be opened".to_string(),
        rates => format!("{} Hz", list_of(rates)),
    };
    let _ = writeln!(out, "    {} in, {} out, {rates}{blocks}", info.inputs, info.outputs);
    if let Some(line) = latency::history(&measured(kept, &info.host, &info.id)) {
        let _ = writeln!(out, "    {line}");
    }
}

fn use_in_words(out: &mut String, wanted: &Use, kept: &Reading) {
    let host = serde_json::to_value(wanted.host).unwrap_or_default();
    let _ = writeln!(
        out,
        "The rig would use: host {}, device \"{}\", {} Hz, blocks of {} frames, {} outputs, {} inputs",
        host.as_str().unwrap_or_default(),
        wanted.device,
        wanted.rate,
        wanted.block,
        wanted.outputs_needed,
        wanted.inputs_needed
    );
    if let (Some(info), []) = (&wanted.found, wanted.faults.as_slice()) {
        let _ = writeln!(out, "  found: {}, {} out, {} in", info.name, info.outputs, info.inputs);
    }
    let host = host.as_str().unwrap_or_default();
    let here: Vec<&Stored> = measured(kept, host, &wanted.device)
        .into_iter()
        .filter(|stored| (stored.rate, stored.block) == (wanted.rate, wanted.block))
        .collect();
    match latency::history(&here) {
        Some(line) => {
            let _ = writeln!(out, "  {line}");
        }
        None => out.push_str("  round trip not measured at this rate and block: fogbell latency --rig RIG\n"),
    }
    waits_in_words(out, &wanted.ring, wanted.rate);
    faults_in_words(out, &wanted.faults);
    let Some(second) = &wanted.second else { return };
    let host = serde_json::to_value(second.host).unwrap_or_default();
    let _ = writeln!(
        out,
        "Its second interface: host {}, device \"{}\", {} Hz, blocks of {} frames, {} inputs",
        host.as_str().unwrap_or_default(),
        second.device,
        second.rate,
        second.block,
        second.inputs_needed
    );
    if let (Some(info), []) = (&second.found, second.faults.as_slice()) {
        let _ = writeln!(out, "  found: {}, {} in", info.name, info.inputs);
    }
    waits_in_words(out, &second.ring, wanted.rate);
    faults_in_words(out, &second.faults);
}

fn waits_in_words(out: &mut String, waits: &[Waits], rate: u32) {
    for Waits { what, frames, why } in waits {
        let ms = 1000.0 * frames / f64::from(rate);
        let _ = writeln!(out, "  inputs wait {frames:.0} frames ({ms:.1} ms), {what}: {why}");
    }
}

fn faults_in_words(out: &mut String, faults: &[String]) {
    for fault in faults {
        let _ = writeln!(out, "  not as it is: {}", fault.replace('\n', "\n  "));
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::show::parse_rig;

    fn device(inputs: u16, outputs: u16) -> DeviceInfo {
        DeviceInfo {
            host: "alsa".into(),
            name: "Harbour 8".into(),
            id: "hw:CARD=Harbour,DEV=0".into(),
            inputs,
            outputs,
            rates: vec![44_100, 48_000],
            blocks: Some((32, 4096)),
            is_default: false,
        }
    }

    fn rig(text: &str) -> Rig {
        let reading = parse_rig(text, "rig.toml", Path::new(""));
        reading.rig.unwrap_or_else(|| panic!("{:?}", reading.faults))
    }

    const ALSA: &str = "[interface]\nhost = \"alsa\"\ndevice = \"hw:CARD=Harbour,DEV=0\"\n";

    #[cfg(all(target_os = "linux", feature = "cpal"))]
    #[test]
    fn a_rigs_device_is_found_by_its_id() {
        let rows = [Row { host: "alsa", devices: Ok(vec![device(8, 8)]) }];
        let wanted = used_by(&rig(&format!("{ALSA}[outputs]\ndrums = 1\nband = [2, 3]\n")), &rows);
        assert_eq!(wanted.found, Some(device(8, 8)));
        assert_eq!((wanted.outputs_needed, wanted.faults.len()), (3, 0));
        assert!(in_words(&rows, Some(&wanted), &Reading::default()).contains("found: Harbour 8"));
    }

    #[cfg(all(target_os = "linux", feature = "cpal"))]
    #[test]
    fn what_the_device_lacks_is_said_with_the_mend() {
        let text = format!("{}rate = 96000\n[outputs]\ndrums = 1\nband = [2, 3]\n", ALSA);
        let rows = [Row { host: "alsa", devices: Ok(vec![device(0, 2)]) }];
        let faults = used_by(&rig(&text), &rows).faults.join("\n");
        assert!(faults.contains("needs 3 outputs and Harbour 8 has 2"), "{faults}");
        assert!(faults.contains("write rate = 44100, 48000 in [interface]"), "{faults}");
        let none = [Row { host: "alsa", devices: Ok(Vec::new()) }];
        let faults = used_by(&rig(&text), &none).faults.join("\n");
        assert!(faults.contains("has no device \"hw:CARD=Harbour,DEV=0\""), "{faults}");
    }

    #[test]
    fn a_second_interface_is_looked_for_and_what_it_adds_is_said() {
        let text = |inputs: u16| {
            format!(
                "[outputs]\ndrums = 1\n[second]\nhost = \"alsa\"\ndevice = \"hw:CARD=Harbour,DEV=0\"\nblock = 128\n\
                 inputs = {{ room = {inputs} }}\n"
            )
        };
        let wanted = |inputs: u16, rows: &[Row]| used_by(&rig(&text(inputs)), rows);
        let rows = [Row { host: "alsa", devices: Ok(vec![device(8, 8)]) }];
        let good = wanted(8, &rows);
        let second = good.second.as_ref().unwrap();
        // A block of each side and half of both, two fades; half of the filter's taps.
        let frames: Vec<f64> = second.ring.iter().map(|waits| waits.frames).collect();
        assert_eq!(frames, [1.5 * 256.0 + 128.0, 64.0]);
        assert_eq!(good.ring[0].frames, 0.0, "the virtual interface has one callback");
        let words = in_words(&rows, Some(&good), &Reading::default());
        assert!(words.contains("inputs wait 512 frames (10.7 ms), ring between the two clocks"), "{words}");
        let lacking = wanted(9, &rows);
        assert!(!lacking.is_usable());
        if cfg!(all(target_os = "linux", feature = "cpal")) {
            assert!(good.is_usable() && words.contains("  found: Harbour 8, 8 in"), "{words}");
            let faults = &lacking.second.unwrap().faults;
            assert!(faults[0].contains("needs 9 inputs and Harbour 8 has 8"), "{faults:?}");
            let gone = wanted(8, &[Row { host: "alsa", devices: Ok(Vec::new()) }]);
            assert!(gone.second.unwrap().faults[0].contains("has no device"));
        }
    }

    #[test]
    fn a_host_that_fails_is_told_and_does_not_hide_the_others() {
        let error = DeviceError::new("no server runs", "start one");
        let rows = [
            Row { host: "jack", devices: Err(error) },
            Row { host: "alsa", devices: Ok(vec![device(2, 2)]) },
        ];
        let words = in_words(&rows, None, &Reading::default());
        assert!(words.contains("no server runs") && words.contains("Harbour 8"), "{words}");
        let json = in_json(&rows, None, true, &Reading::default());
        assert_eq!(json["hosts"][0]["error"]["mend"], "start one");
        assert_eq!(json["hosts"][1]["devices"][0]["outputs"], 2);
    }
}
