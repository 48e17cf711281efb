//! `fogbell new`.

use super::Outcome;

/// Turn pasted lines such as `Low Tide 132 4/4` into a working show
#[derive(Debug, clap::Args)]
pub struct Args {}

pub fn run(_args: &Args) -> Outcome {
    eprintln!("error: new is not built yet");
    Outcome::FellShort
}
