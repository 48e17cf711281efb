//! `fogbell schema`: the format as JSON Schema, for editors that check while typing.

use super::Outcome;
use crate::show::schema::{rig_schema, show_schema};

/// Print the JSON Schema of the show or rig format, or of the log's lines
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Which file's format
    #[arg(value_enum, default_value_t = Which::Show)]
    which: Which,
    /// Print it on one line
    #[arg(long)]
    json: bool,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
enum Which {
    Show,
    Rig,
    Log,
    /// Not a schema: the log's events as a table in Markdown
    Events,
}

pub fn run(args: &Args) -> Outcome {
    let schema = match args.which {
        Which::Show => show_schema(),
        Which::Rig => rig_schema(),
        Which::Log => crate::log::entry::schema(),
        Which::Events => {
            super::check::put(&crate::log::entry::table());
            return Outcome::Done;
        }
    };
    let text = if args.json { schema.to_string() } else { format!("{schema:#}") };
    super::check::put(&format!("{text}\n"));
    Outcome::Done
}
