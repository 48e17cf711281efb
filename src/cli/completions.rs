//! `fogbell completions`.

use super::Outcome;

/// Print shell completions
#[derive(Debug, clap::Args)]
pub struct Args {}

pub fn run(_args: &Args) -> Outcome {
    eprintln!("error: completions is not built yet");
    Outcome::FellShort
}
