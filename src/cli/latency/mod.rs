//! `fogbell latency`: how late is what comes back, is it steady, and is it good enough to sing to?

mod consent;
mod from_file;
mod live;
mod measure;
mod save;
mod sweep;
mod target;
mod told;
mod words;

pub use consent::given as consent;
pub use measure::{Aim, quiet_of};
pub use sweep::history;
pub use target::{Channel, input as input_of, output as output_of};

use super::Outcome;
use crate::latency::ProbeKind;
use crate::latency::session::CEILING;
use crate::log::kept;
use std::path::PathBuf;
use told::Told;

/// Measure the round trip from an output back to an input
///
/// Join a spare output and a spare input with a cable, then name both. Exit 0 measured, 1 refused with a reason, 2 not
/// understood. On a real device it first asks that ears be out, or that channel muted.
#[derive(Debug, clap::Args)]
#[command(after_help = super::run::CAUTION)]
pub struct Args {
    /// The rig file: which interface, at which rate and block
    #[arg(long, value_name = "RIG", required_unless_present = "from")]
    pub rig: Option<PathBuf>,
    /// The output that plays: a feed's name or a channel from 1 (default: the rig's [loop])
    #[arg(long, value_name = "OUTPUT", conflicts_with = "from")]
    pub output: Option<String>,
    /// The input that hears: a name or a channel from 1 (default: the rig's [loop])
    #[arg(long, value_name = "INPUT")]
    pub input: Option<String>,
    /// What is played: impulses, sweep or mls (for noise); with --from the WAV file that was played
    #[arg(long, value_name = "KIND")]
    pub probe: Option<String>,
    /// Shots of the probe, 2 to 16
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(2..=16))]
    pub shots: Option<u16>,
    /// The longest round trip looked for, in seconds
    #[arg(long, value_name = "SECONDS", default_value_t = 0.5, value_parser = longest)]
    pub longest: f64,
    /// Try these block sizes, each started several times, and recommend the smallest that ran clean
    #[arg(long, value_name = "LIST", value_delimiter = ',', value_parser = clap::value_parser!(u32).range(8..=8192),
        conflicts_with_all = ["from", "compare", "mic", "save"])]
    pub blocks: Vec<u32>,
    /// With --blocks: starts of each size
    #[arg(long, value_name = "N", default_value_t = 4, value_parser = clap::value_parser!(u32).range(1..=50))]
    pub starts: u32,
    /// A second input that carries the same click: how far apart are they?
    #[arg(long, value_name = "INPUT", conflicts_with = "mic")]
    pub compare: Option<String>,
    /// The input is a microphone in front of a loudspeaker: how far away is it?
    #[arg(long)]
    pub mic: bool,
    /// With --mic: the air's temperature in °C
    #[arg(long, value_name = "CELSIUS", default_value_t = 20.0, value_parser = temperature, allow_hyphen_values = true)]
    pub temperature: f64,
    /// Frames that the same loop takes over a cable: with --mic they are taken off
    #[arg(long, value_name = "FRAMES", requires = "mic", value_parser = frames)]
    pub less: Option<f64>,
    /// The loudest that a shot may be, in dBFS, -60 to -6
    #[arg(long, value_name = "DB", default_value_t = CEILING.0, value_parser = ceiling, allow_hyphen_values = true)]
    pub ceiling: f64,
    /// Ears are out, or that channel is muted: do not ask (for scripts)
    #[arg(long)]
    pub ears_out: bool,
    /// Keep probe.wav, recording.wav, correlation.csv and result.json in this folder
    #[arg(long, value_name = "DIR")]
    pub save: Option<PathBuf>,
    /// Judge a recording made anywhere; it starts with the frame on which the probe started
    #[arg(long, value_name = "RECORDING.wav", conflicts_with = "save")]
    pub from: Option<PathBuf>,
    /// Folder in which the result is kept with the night (default: `logs` beside the rig)
    #[arg(long, value_name = "DIR")]
    pub log: Option<PathBuf>,
    /// Write the result as a page, too: the one that `fogbell report` makes of a night
    #[arg(long, value_name = "FILE.html")]
    pub page: Option<PathBuf>,
    /// Print one JSON object
    #[arg(long)]
    pub json: bool,
}

fn number(text: &str, from: f64, to: f64, what: &str) -> Result<f64, String> {
    let value = text.parse::<f64>().map_err(|_| format!("a number, {what}"))?;
    if (from..=to).contains(&value) { Ok(value) } else { Err(what.into()) }
}

fn longest(text: &str) -> Result<f64, String> {
    number(text, 0.01, 2.0, "0.01 to 2 seconds")
}

fn temperature(text: &str) -> Result<f64, String> {
    number(text, -30.0, 60.0, "-30 to 60 degrees Celsius")
}

fn frames(text: &str) -> Result<f64, String> {
    number(text, 0.0, 1e6, "0 to 1,000,000 frames")
}

fn ceiling(text: &str) -> Result<f64, String> {
    number(text, -60.0, -6.0, "-60 to -6 dBFS")
}

pub fn run(args: &Args) -> Outcome {
    if let Err(why) = super::report::page_may_be(args.page.as_deref()) {
        return Told::not_understood(why).print(args.json);
    }
    let told = match &args.from {
        Some(_) if args.probe.is_none() && args.compare.is_none() => {
            Err("--from needs the probe that was played\n  to mend it: add --probe PROBE.wav".into())
        }
        Some(recording) => from_file::judge(args, recording),
        None => live::measure(args),
    };
    let mut told = told.unwrap_or_else(Told::not_understood);
    let folder = args.log.clone().or_else(|| args.rig.as_deref().map(kept::beside));
    if let Some(folder) = folder.filter(|_| told.outcome != Outcome::NotUnderstood) {
        told.keep(&folder);
    }
    if let Some(page) = args.page.as_ref().filter(|_| told.outcome != Outcome::NotUnderstood) {
        told.page(page);
    }
    told.print(args.json)
}

/// The kind that `--probe` names: clicks on a cable, a sequence through the air.
fn kind(args: &Args) -> Result<ProbeKind, String> {
    match args.probe.as_deref() {
        None if args.mic => Ok(ProbeKind::Mls),
        None | Some("impulses") => Ok(ProbeKind::Impulses),
        Some("sweep") => Ok(ProbeKind::Sweep),
        Some("mls") => Ok(ProbeKind::Mls),
        Some(other) => Err(format!(
            "--probe knows no `{other}`\n  to mend it: write impulses, sweep or mls; a file goes with --from"
        )),
    }
}
