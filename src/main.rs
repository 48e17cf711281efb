//! Parse, do one thing, print the error.

use clap::Parser;
use std::process::ExitCode;

fn main() -> ExitCode {
    // The usage error of clap ends with 2 by itself.
    ExitCode::from(fogbell::cli::dispatch(&fogbell::cli::Cli::parse()).code())
}
