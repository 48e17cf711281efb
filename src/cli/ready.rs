//! `fogbell ready`: is this computer fit for the stage?

use super::Outcome;
use crate::device::choose::{choose_in, setup_for};
use crate::log::kept;
use crate::ready::clock::{self, NoReading};
use crate::ready::{self, ReadySetup, ShowDevice};
use crate::show::model::{InterfaceChoice, Rig, Second};
use crate::show::{self, read_rig};
use serde_json::json;
use std::io::IsTerminal;
use std::path::{Path, PathBuf};

/// Say whether this computer is fit for the stage
///
/// Exit 0 when nothing needs mending before doors, 1 when something does. What could not be checked is said.
/// The show device is opened for a few seconds and hears silence.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The rig file: which device the show uses
    #[arg(long, value_name = "RIG")]
    rig: Option<PathBuf>,
    /// How long the device's rate is watched
    #[arg(long, default_value_t = 2.0, value_parser = seconds)]
    seconds: f64,
    /// Where the log and takes will be written
    #[arg(long, value_name = "FOLDER", default_value = ".")]
    folder: PathBuf,
    /// Folder in which the result is kept with the night (default: `logs` beside the rig; without a rig it is not kept)
    #[arg(long, value_name = "DIR")]
    log: Option<PathBuf>,
    /// Write the result as a page, too: the one that `fogbell report` makes of a night
    #[arg(long, value_name = "FILE.html")]
    page: Option<PathBuf>,
    /// Print one JSON object
    #[arg(long)]
    json: bool,
}

fn seconds(text: &str) -> Result<f64, String> {
    let seconds: f64 = text.parse().map_err(|_| "a number of seconds, such as 2".to_string())?;
    if (0.5..=600.0).contains(&seconds) { Ok(seconds) } else { Err("0.5 to 600 seconds".into()) }
}

pub fn run(args: &Args) -> Outcome {
    let rig = match args.rig.as_deref().map(rig_at).transpose() {
        Ok(rig) => rig,
        Err(refusal) => return refuse(&refusal, args.json),
    };
    if let Err(what) = super::report::page_may_be(args.page.as_deref()) {
        let faults = json!([{ "what": what }]);
        return refuse(&Refusal { text: format!("error: {what}\n"), faults }, args.json);
    }
    let items = ready::list(&setup(args, rig.as_ref()));
    let fit = ready::fit(&items);
    let mut result = json!({ "command": "ready", "ok": fit, "items": items });
    let folder = args.log.clone().or_else(|| args.rig.as_deref().map(kept::beside));
    let kept = folder.map(|folder| kept::keep_now(&folder, kept::Kind::Ready, &result));
    let page = args.page.as_ref().map(|page| super::report::page_of(page, kept::Kind::Ready, &result));
    if let Some(Err(why)) = &page {
        eprintln!("error: {why}");
    }
    if args.json {
        result["page"] = json!(args.page.as_ref().filter(|_| matches!(page, Some(Ok(_)))));
        result["kept"] = json!(kept.and_then(|(path, _)| path));
        println!("{result}");
    } else {
        print!("{}", ready::text(&items));
        println!(
            "{}",
            if fit { "Nothing needs mending before doors." } else { "Mend what says MEND before doors." }
        );
        if let Some((_, words)) = kept {
            println!("{words}");
        }
        if let Some(Ok(words)) = page {
            println!("{words}");
        }
    }
    if fit { Outcome::Done } else { Outcome::FellShort }
}

/// A rig file that cannot be used: as text, and as objects.
struct Refusal {
    text: String,
    faults: serde_json::Value,
}

fn rig_at(path: &Path) -> Result<Rig, Refusal> {
    let reading = read_rig(path).map_err(|why| {
        let what = format!("{} cannot be read: {why}", path.display());
        let mend = "give the path of a rig file";
        Refusal {
            text: format!("error: {what}\n  to mend it: {mend}\n"),
            faults: json!([{ "what": what, "mend": mend }]),
        }
    })?;
    let colour = std::io::stderr().is_terminal();
    let refusal = || Refusal {
        text: show::render(&reading.faults, &reading.text, &reading.name, colour),
        faults: json!(reading.faults),
    };
    reading.rig.clone().ok_or_else(refusal)
}

fn refuse(refusal: &Refusal, as_json: bool) -> Outcome {
    if as_json {
        println!("{}", json!({ "command": "ready", "ok": false, "faults": refusal.faults }));
    } else {
        eprint!("{}", refusal.text);
    }
    Outcome::NotUnderstood
}

fn setup(args: &Args, rig: Option<&Rig>) -> ReadySetup {
    let mut setup = ReadySetup::here(&args.folder);
    if let Some(rig) = rig {
        let choice = &rig.interface;
        setup.device = Some(shown(choice));
        setup.clock = watched(rig, args.seconds);
        setup.second = rig
            .second
            .as_ref()
            .map(|second| (shown(&second.choice), second_watched(second, &rig.folder, args.seconds)));
    }
    setup
}

fn shown(choice: &InterfaceChoice) -> ShowDevice {
    ShowDevice { host: choice.host, name: choice.device.clone(), rate: choice.rate, block: choice.block }
}

/// The same of the second interface, by itself.
fn second_watched(second: &Second, folder: &Path, seconds: f64) -> Result<Vec<clock::Reading>, NoReading> {
    let mut interface = choose_in(&second.choice, folder).map_err(NoReading::Failed)?;
    let opening = setup_for(&second.choice, second.highest_input(), 1);
    clock::watch(interface.as_mut(), &opening, seconds).map_err(NoReading::Failed)
}

/// The device's count of frames over time, or why there is none.
fn watched(rig: &Rig, seconds: f64) -> Result<Vec<clock::Reading>, NoReading> {
    let feeds = rig.outputs.iter().flat_map(|outlet| outlet.channels.iter().copied()).max();
    let outputs = feeds.unwrap_or(0).max(rig.highest_line_out());
    let inputs = rig.highest_input();
    let mut interface = choose_in(&rig.interface, &rig.folder).map_err(NoReading::Failed)?;
    let opening = setup_for(&rig.interface, inputs, outputs);
    clock::watch(interface.as_mut(), &opening, seconds).map_err(NoReading::Failed)
}
