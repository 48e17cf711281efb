//! `fogbell man`.

use super::{Cli, Outcome, completions};
use clap::CommandFactory;

/// Print the manual page
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The command to print the page of; the program's own page when left out
    command: Option<String>,
    /// Print one JSON object with the text in it
    #[arg(long)]
    json: bool,
}

pub fn run(args: &Args) -> Outcome {
    let mut program = Cli::command();
    program.build();
    let Some(page) = page_of(&program, args.command.as_deref()) else {
        return no_such(&program, args);
    };
    let mut text = Vec::new();
    // Writing to memory cannot fail.
    _ = clap_mangen::Man::new(page).render(&mut text);
    completions::print("man", &text, args.json)
}

fn page_of(program: &clap::Command, name: Option<&str>) -> Option<clap::Command> {
    let Some(name) = name else { return Some(program.clone()) };
    program.find_subcommand(name).cloned()
}

fn no_such(program: &clap::Command, args: &Args) -> Outcome {
    let names: Vec<&str> = program.get_subcommands().map(clap::Command::get_name).collect();
    let what = format!("there is no command \"{}\"", args.command.as_deref().unwrap_or_default());
    let mend = format!("choose one of {}", names.join(", "));
    if args.json {
        let faults = serde_json::json!([{ "what": what, "mend": mend }]);
        println!("{}", serde_json::json!({ "command": "man", "ok": false, "faults": faults }));
    } else {
        eprintln!("error: {what}\n  to mend it: {mend}");
    }
    Outcome::NotUnderstood
}
