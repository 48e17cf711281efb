//! `fogbell man`.

use super::Outcome;

/// Print the manual page
#[derive(Debug, clap::Args)]
pub struct Args {}

pub fn run(_args: &Args) -> Outcome {
    eprintln!("error: man is not built yet");
    Outcome::FellShort
}
