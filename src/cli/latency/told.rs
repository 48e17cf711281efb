//! What the command says at its end: words for a person, an object for a program, an exit.

use crate::cli::Outcome;
use crate::latency::{Answer, Measurement};
use crate::log::kept;
use serde_json::{Value, json};
use std::io::Write;
use std::path::Path;

/// Words and object of one answer.
pub struct Told {
    pub outcome: Outcome,
    pub words: String,
    pub json: Value,
}

impl Told {
    /// The input is wrong; nothing was done.
    pub fn not_understood(words: String) -> Told {
        Told { outcome: Outcome::NotUnderstood, ..Told::refused("not_understood", &words) }
    }

    /// Nothing could be measured, for a reason in one word and in a sentence with its mend.
    pub fn refused(reason: &str, words: &str) -> Told {
        let json = refused(reason, words);
        Told { outcome: Outcome::FellShort, words: format!("No answer: {words}\n"), json }
    }

    /// Keeps the object with the night; a refusal is worth knowing, too.
    pub fn keep(&mut self, folder: &Path) {
        let (path, words) = kept::keep_now(folder, kept::Kind::Latency, &self.json);
        self.json["log"] = path.map(|path| path.display().to_string()).into();
        self.words.push_str(&format!("{words}\n"));
    }

    /// Writes it as the report's page.
    pub fn page(&mut self, path: &Path) {
        let written = crate::cli::report::page_of(path, kept::Kind::Latency, &self.json);
        self.json["page"] = written.is_ok().then(|| path.display().to_string()).into();
        let words = written.unwrap_or_else(|why| format!("error: {why}"));
        self.words.push_str(&format!("{words}\n"));
    }

    /// Answers go to standard output, refusals to standard error; with JSON the object alone.
    pub fn print(self, as_json: bool) -> Outcome {
        let _gone = match (as_json, self.outcome) {
            (true, _) => writeln!(std::io::stdout(), "{}", self.json),
            (false, Outcome::Done) => write!(std::io::stdout(), "{}", self.words),
            (false, Outcome::NotUnderstood) => {
                write!(std::io::stderr(), "{}", self.words.replacen("No answer:", "error:", 1))
            }
            (false, Outcome::FellShort) => write!(std::io::stderr(), "{}", self.words),
        };
        self.outcome
    }
}

fn refused(reason: &str, words: &str) -> Value {
    json!({
        "command": "latency", "outcome": "refused", "reason": reason, "words": words,
        "round_trip_frames": null, "round_trip_ms": null, "interval_95_frames": null,
        "snr_db": null, "polarity": null, "shots": null,
    })
}

/// The object of an answer: every field is there, null where there is no figure.
pub fn object(answer: &Answer) -> Value {
    match answer {
        Answer::Measured(found) => {
            let mut object = json!({ "command": "latency", "outcome": "measured", "reason": null });
            add(&mut object, figures(found));
            object
        }
        Answer::Refused(refusal) => {
            let mut object = refused(refusal.word(), &refusal.to_string());
            object["mend"] = refusal.mend().into();
            object["seen"] = serde_json::to_value(refusal).unwrap_or_default();
            object
        }
    }
}

fn figures(found: &Measurement) -> Value {
    serde_json::to_value(found).unwrap_or_default()
}

/// Puts the members of one object into another.
pub fn add(object: &mut Value, more: Value) {
    if let (Some(object), Value::Object(more)) = (object.as_object_mut(), more) {
        object.extend(more);
    }
}
