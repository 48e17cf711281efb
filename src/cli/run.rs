//! `fogbell run`.

use super::Outcome;

/// Run the show: the click sounds
#[derive(Debug, clap::Args)]
pub struct Args {}

pub fn run(_args: &Args) -> Outcome {
    eprintln!("error: run is not built yet");
    Outcome::FellShort
}
