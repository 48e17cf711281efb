//! `fogbell interfaces`.

use super::Outcome;

/// List hosts, devices, channels, rates and block sizes, and which the rig would use
#[derive(Debug, clap::Args)]
pub struct Args {}

pub fn run(_args: &Args) -> Outcome {
    eprintln!("error: interfaces is not built yet");
    Outcome::FellShort
}
