//! `fogbell ready`: is this computer fit for the stage?

use super::Outcome;
use crate::ready::{self, ReadySetup};
use serde_json::json;
use std::path::PathBuf;

/// Say whether this computer is fit for the stage
///
/// Exit 0 when nothing needs mending before doors, 1 when something does. What could not be checked is said.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Where the log and takes will be written
    #[arg(long, value_name = "FOLDER", default_value = ".")]
    folder: PathBuf,
    /// Print one JSON object
    #[arg(long)]
    json: bool,
}

pub fn run(args: &Args) -> Outcome {
    let items = ready::list(&ReadySetup::here(&args.folder));
    let fit = ready::fit(&items);
    if args.json {
        println!("{}", json!({ "command": "ready", "ok": fit, "items": items }));
    } else {
        print!("{}", ready::text(&items));
        println!(
            "{}",
            if fit { "Nothing needs mending before doors." } else { "Mend what says MEND before doors." }
        );
    }
    if fit { Outcome::Done } else { Outcome::FellShort }
}
