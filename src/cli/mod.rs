//! One file a subcommand: parse, do one thing, print the error.
//!
//! In: the command line. Out: exit 0 done, 1 it ran and fell short, 2 not understood. Thread: main.
//! Always: with `--json` one JSON object on standard output and nothing else there.

use clap::{Parser, Subcommand};

pub mod check;
pub mod completions;
pub mod drill;
pub mod exposure;
mod files;
pub mod interfaces;
pub mod latency;
pub mod linecheck;
pub mod man;
pub mod new;
pub mod ready;
pub mod report;
pub mod run;
pub mod schema;
pub mod stems;
pub mod timecode;

/// The click for a touring band on in-ear monitors: a primary, and a fallback already in phase.
#[derive(Debug, Parser)]
#[command(name = "fogbell", version, about, max_term_width = 100)]
pub struct Cli {
    #[command(subcommand)]
    pub command: Command,
}

#[derive(Debug, Subcommand)]
pub enum Command {
    New(new::Args),
    Check(check::Args),
    Stems(stems::Args),
    Run(run::Args),
    Drill(drill::Args),
    Ready(ready::Args),
    Report(report::Args),
    Interfaces(interfaces::Args),
    Timecode(timecode::Args),
    Latency(latency::Args),
    Exposure(exposure::Args),
    Linecheck(linecheck::Args),
    Schema(schema::Args),
    Completions(completions::Args),
    Man(man::Args),
}

/// How a command ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Outcome {
    Done,
    FellShort,
    NotUnderstood,
}

impl Outcome {
    pub const fn code(self) -> u8 {
        match self {
            Outcome::Done => 0,
            Outcome::FellShort => 1,
            Outcome::NotUnderstood => 2,
        }
    }
}

/// A command line that clap refused, or a wish for help. With `--json` on it the refusal is an object, too.
pub fn not_understood(usage: &clap::Error) -> Outcome {
    let _closed = usage.print();
    if !usage.use_stderr() {
        return Outcome::Done;
    }
    if std::env::args_os().any(|word| word == "--json") {
        let error = usage.to_string();
        println!("{}", serde_json::json!({ "ok": false, "error": error.trim_end() }));
    }
    Outcome::NotUnderstood
}

/// Runs one command to its end.
pub fn dispatch(cli: &Cli) -> Outcome {
    match &cli.command {
        Command::New(args) => new::run(args),
        Command::Check(args) => check::run(args),
        Command::Stems(args) => stems::run(args),
        Command::Run(args) => run::run(args),
        Command::Drill(args) => drill::run(args),
        Command::Ready(args) => ready::run(args),
        Command::Report(args) => report::run(args),
        Command::Interfaces(args) => interfaces::run(args),
        Command::Timecode(args) => timecode::run(args),
        Command::Latency(args) => latency::run(args),
        Command::Exposure(args) => exposure::run(args),
        Command::Linecheck(args) => linecheck::run(args),
        Command::Schema(args) => schema::run(args),
        Command::Completions(args) => completions::run(args),
        Command::Man(args) => man::run(args),
    }
}
