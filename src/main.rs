//! Parse, do one thing, print the error.

use clap::Parser;
use std::process::ExitCode;

fn main() -> ExitCode {
    match fogbell::cli::Cli::try_parse() {
        Ok(cli) => ExitCode::from(fogbell::cli::dispatch(&cli).code()),
        Err(usage) => ExitCode::from(fogbell::cli::not_understood(&usage).code()),
    }
}
