//! `fogbell ready`.

use super::Outcome;

/// Is this computer fit for the show? Charger, sleep, device, clock, disk, priority
#[derive(Debug, clap::Args)]
pub struct Args {}

pub fn run(_args: &Args) -> Outcome {
    eprintln!("error: ready is not built yet");
    Outcome::FellShort
}
