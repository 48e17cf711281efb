//! `fogbell stems`.

use super::Outcome;

/// Render each song and click to WAV
#[derive(Debug, clap::Args)]
pub struct Args {}

pub fn run(_args: &Args) -> Outcome {
    eprintln!("error: stems is not built yet");
    Outcome::FellShort
}
