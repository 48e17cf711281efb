//! `fogbell completions`.

use super::{Cli, Outcome};
use clap::CommandFactory;
use clap_complete::Shell;
use std::io::Write;

/// Print shell completions
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The shell to print them for
    #[arg(value_enum)]
    shell: Shell,
    /// Print one JSON object with the text in it
    #[arg(long)]
    json: bool,
}

pub fn run(args: &Args) -> Outcome {
    let mut text = Vec::new();
    clap_complete::generate(args.shell, &mut Cli::command(), "fogbell", &mut text);
    print("completions", &text, args.json)
}

/// A text on standard output, or in a JSON object there. A closed pipe is no failure of ours.
pub(super) fn print(command: &str, text: &[u8], json: bool) -> Outcome {
    let object =
        || serde_json::json!({ "command": command, "ok": true, "text": String::from_utf8_lossy(text) });
    let bytes = if json { format!("{}\n", object()).into_bytes() } else { text.to_vec() };
    match std::io::stdout().lock().write_all(&bytes) {
        Ok(()) => Outcome::Done,
        Err(e) if e.kind() == std::io::ErrorKind::BrokenPipe => Outcome::Done,
        Err(e) => {
            eprintln!("error: standard output: {e}\n  to mend it: check where the output is sent");
            Outcome::FellShort
        }
    }
}
