//! `fogbell schema`.

use super::Outcome;

/// Print the JSON Schema of the show or rig format
#[derive(Debug, clap::Args)]
pub struct Args {}

pub fn run(_args: &Args) -> Outcome {
    eprintln!("error: schema is not built yet");
    Outcome::FellShort
}
