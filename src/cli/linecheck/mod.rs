//! `fogbell linecheck`: does every output reach the right place, and does every input hear what it should?

mod bench;
mod hands;
mod screen;
mod told;

use super::Outcome;
use crate::log::kept;
use std::path::PathBuf;
use told::Told;

/// Check that every output and input reaches the right place
///
/// Walks the outputs with a counted pattern (or a spoken name), then the inputs: the drummer's click first, what is there for a failure, one room microphone, then the rest. Exit 0 no fault, 1 a fault, 2 not understood.
#[derive(Debug, clap::Args)]
#[command(after_help = super::run::CAUTION, after_long_help = after_long())]
pub struct Args {
    /// The show file: who plays to what, and the quietest level to start from
    pub show: Option<PathBuf>,
    /// The rig file: which interface, and what is on which channel
    #[arg(long, value_name = "RIG")]
    pub rig: PathBuf,
    /// Only these outputs and inputs, by name or channel
    #[arg(long, value_name = "NAMES", value_delimiter = ',')]
    pub only: Vec<String>,
    /// Only what a short change-over has time for: the drummer's click, the backup's lines, one ambient
    #[arg(long)]
    pub short: bool,
    /// Cables join outputs to inputs: find out alone what arrives where. Straight (1 to 1, 2 to 2), or PAIRS such as 1=3,2=4
    #[arg(long, value_name = "PAIRS", num_args = 0..=1, require_equals = true, default_missing_value = "straight",
        conflicts_with_all = ["short", "tone", "charger"])]
    pub cables: Option<String>,
    /// Send a steady 1 kHz line-up tone instead: ebu (-18 dBFS, EBU R 68) or smpte (-20 dBFS, SMPTE RP 155). It is LOUD: ears out
    #[arg(long, value_name = "STANDARD", value_parser = ["ebu", "smpte"])]
    pub tone: Option<String>,
    /// Also listen for hum with the charger in, then out
    #[arg(long)]
    pub charger: bool,
    /// The loudest that a pattern or a sweep may be, in dBFS, -60 to -6
    #[arg(long, value_name = "DB", default_value_t = -12.0, value_parser = ceiling, allow_hyphen_values = true)]
    pub ceiling: f64,
    /// Nobody is there: every step goes on by itself (for scripts); an output to whose pattern nobody answers stays unchecked
    #[arg(long)]
    pub yes: bool,
    /// Ears are out, or the channels muted: do not ask (for scripts)
    #[arg(long)]
    pub ears_out: bool,
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

fn after_long() -> String {
    format!("{}\n\n{}", hands::HELP, super::run::CAUTION)
}

fn ceiling(text: &str) -> Result<f64, String> {
    let value = text.parse::<f64>().map_err(|_| "a number, -60 to -6 dBFS".to_string())?;
    if (-60.0..=-6.0).contains(&value) { Ok(value) } else { Err("-60 to -6 dBFS".into()) }
}

pub fn run(args: &Args) -> Outcome {
    if let Err(why) = super::report::page_may_be(args.page.as_deref()) {
        return Told::not_understood(why).print(args.json);
    }
    let mut told = bench::check(args).unwrap_or_else(Told::not_understood);
    if told.outcome != Outcome::NotUnderstood {
        let folder = args.log.clone().unwrap_or_else(|| kept::beside(&args.rig));
        told.keep(&folder);
        if let Some(page) = &args.page {
            told.page(page);
        }
    }
    told.print(args.json)
}
