//! What the command says at its end: a table for a person, an object for a program, an exit.

use crate::cli::Outcome;
use crate::device::Negotiated;
use crate::linecheck::cables::Found;
use crate::linecheck::conduct::Report;
use crate::linecheck::judge::Charger;
use crate::linecheck::plan::Output;
use crate::linecheck::walk::Verdict;
use crate::log::kept;
use crate::show::model::Rig;
use serde_json::{Value, json};
use std::fmt::Write as _;
use std::io::Write as _;
use std::path::Path;
use std::time::Duration;

/// Words and object.
pub struct Told {
    pub outcome: Outcome,
    words: String,
    json: Value,
}

/// Where it was done.
pub struct Place {
    json: Value,
}

impl Place {
    pub fn of(rig: &Rig, at: &Negotiated, mode: &str) -> Place {
        let json = json!({
            "command": "linecheck", "mode": mode, "at": jiff::ZonedDateTime::now().strftime("%Y-%m-%dT%H:%M:%S%:z").to_string(),
            "rig": rig.title,
            "device": { "host": at.host, "name": at.device, "id": at.id, "rate": at.rate.hertz(), "block": at.block },
        });
        Place { json }
    }

    fn with(&self, more: Value) -> Value {
        let mut object = self.json.clone();
        if let (Some(object), Value::Object(more)) = (object.as_object_mut(), more) {
            object.extend(more);
        }
        object
    }
}

impl Told {
    pub fn not_understood(words: String) -> Told {
        Told { outcome: Outcome::NotUnderstood, ..Told::refused("not_understood", &words) }
    }

    /// Nothing could be checked.
    pub fn refused(reason: &str, words: &str) -> Told {
        let json = json!({ "command": "linecheck", "ok": false, "reason": reason, "words": words });
        Told { outcome: Outcome::FellShort, words: format!("Not checked: {words}\n"), json }
    }

    /// The device was gone before the end; what was found until then stays.
    pub fn stopped(mut self, why: &str) -> Told {
        let _ = writeln!(self.words, "NOT FINISHED: {why}");
        self.json["ok"] = false.into();
        self.json["reason"] = "device".into();
        self.json["words"] = why.into();
        self.outcome = Outcome::FellShort;
        self
    }

    /// Keeps the object with the night.
    pub fn keep(&mut self, folder: &Path) {
        let (path, words) = kept::keep_now(folder, kept::Kind::LineCheck, &self.json);
        self.json["log"] = path.map(|path| path.display().to_string()).into();
        let _ = writeln!(self.words, "{words}");
    }

    /// Writes it as the report's page.
    pub fn page(&mut self, path: &Path) {
        let written = crate::cli::report::page_of(path, kept::Kind::LineCheck, &self.json);
        self.json["page"] = written.is_ok().then(|| path.display().to_string()).into();
        let words = written.unwrap_or_else(|why| format!("error: {why}"));
        self.words.push_str(&format!("{words}\n"));
    }

    pub fn print(self, as_json: bool) -> Outcome {
        let _gone = match (as_json, self.outcome) {
            (true, _) => writeln!(std::io::stdout(), "{}", self.json),
            (false, Outcome::NotUnderstood) => {
                write!(std::io::stderr(), "{}", self.words.replacen("Not checked:", "error:", 1))
            }
            (false, _) => write!(std::io::stdout(), "{}", self.words),
        };
        self.outcome
    }
}

fn row(words: &mut String, verdict: &str, channel: &str, name: &str, rest: &str) {
    let name: String = name.chars().take(20).collect();
    let line = format!("{verdict:<10} {channel:<7} {name:<20} {rest}");
    let _ = writeln!(words, "{}", line.trim_end());
}

fn below(words: &mut String, text: &str) {
    let _ = writeln!(words, "    {text}");
}

/// "1 key", "2 keys".
pub fn keys(count: u32) -> String {
    format!("{count} key{}", if count == 1 { "" } else { "s" })
}

fn verdict(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Unchecked => "unchecked",
        Verdict::Right => "right",
        Verdict::Wrong => "WRONG",
        Verdict::Skipped => "skipped",
    }
}

/// A walk.
pub fn walked(report: &Report, place: &Place) -> Told {
    let mut words = String::new();
    for output in &report.outputs {
        let mut level = output.level_db.map_or(String::new(), |db| format!("pattern up to {db:.0} dBFS"));
        if let Some(input) = output.confirmed_on {
            let _ = write!(level, ", word on in {input}");
        }
        row(&mut words, verdict(output.verdict), &format!("out {}", output.channel), &output.name, &level);
        match output.verdict {
            Verdict::Wrong => {
                below(&mut words, "a person said: NOT WHERE IT BELONGS. Patch, mixer channel, cable?");
            }
            Verdict::Unchecked if output.rounds > 0 => below(&mut words, "nobody said that it arrives"),
            _ => {}
        }
    }
    for input in &report.inputs {
        let mut rest = input.still.map_or(String::new(), |still| format!("still {:.0}", still.level_db));
        if let Some(clap) = input.clap {
            let _ = write!(rest, ", peak {:.0}", clap.peak_db);
        }
        if !rest.is_empty() {
            rest.push_str(" dBFS");
        }
        row(&mut words, verdict(input.verdict), &format!("in {}", input.channel), &input.name, &rest);
        if input.never_still {
            below(&mut words, "it was never still: what is said of noise and hum may be the stage's");
        }
        for fault in &input.faults {
            below(&mut words, &fault.words());
            below(&mut words, &format!("  {}", fault.mend()));
        }
    }
    for charger in &report.charger {
        if charger.verdict != Charger::Quiet || report.charger.len() == 1 {
            row(&mut words, "charger", &format!("in {}", charger.channel), "", "");
            wrapped(&mut words, charger.verdict.words());
        }
    }
    if report.charger.len() > 1 && report.charger.iter().all(|charger| charger.verdict == Charger::Quiet) {
        let _ = writeln!(words, "charger: {}", Charger::Quiet.words());
    }
    let verdicts = || report.outputs.iter().map(|o| o.verdict).chain(report.inputs.iter().map(|i| i.verdict));
    let count = |wanted: Verdict| verdicts().filter(|verdict| *verdict == wanted).count();
    let hums = report.charger.iter().filter(|charger| charger.verdict != Charger::Quiet).count();
    let checked = count(Verdict::Right) + count(Verdict::Wrong) + report.charger.len();
    let ok = count(Verdict::Wrong) == 0 && hums == 0 && checked > 0;
    let left = count(Verdict::Skipped) + count(Verdict::Unchecked);
    let _ = writeln!(
        words,
        "\n{}{}\n{}, {} answered by mic, {:.0} s.",
        if ok {
            "NO FAULT in what was checked."
        } else if checked == 0 {
            "NOTHING WAS CHECKED."
        } else {
            "NOT RIGHT: see above."
        },
        if left > 0 { format!(" {left} skipped or unchecked.") } else { String::new() },
        keys(report.keys),
        report.confirmed_by_mic,
        report.seconds
    );
    let mut object = json!({ "ok": ok, "unchecked": left });
    add(&mut object, json!(report));
    Told { outcome: outcome(ok), words, json: place.with(object) }
}

fn outcome(ok: bool) -> Outcome {
    if ok { Outcome::Done } else { Outcome::FellShort }
}

fn add(object: &mut Value, more: Value) {
    if let (Some(object), Value::Object(more)) = (object.as_object_mut(), more) {
        object.extend(more);
    }
}

/// Cables from outputs to inputs.
pub fn cabled(found: &Found, place: &Place) -> Told {
    let mut words = String::new();
    for way in &found.ways {
        let arrives: Vec<String> = way
            .arrivals
            .iter()
            .map(|arrival| {
                format!(
                    "input {} at {:+.1} dB, {} frames",
                    arrival.input, arrival.gain_db, arrival.delay_frames
                )
            })
            .collect();
        let verdict = if way.wrong.is_empty() { "right" } else { "WRONG" };
        row(&mut words, verdict, &format!("out {}", way.output), &way.name, &arrives.join("; "));
        for wrong in &way.wrong {
            below(&mut words, &wrong.words());
            below(&mut words, &format!("  {}", wrong.mend()));
        }
    }
    for (one, two) in &found.crossed {
        let _ = writeln!(words, "CROSSED: outputs {one} and {two} arrive in each other's place.");
    }
    for rest in &found.inputs {
        let verdict = match rest.faults.is_empty() {
            false => "WRONG",
            true if found.reaches(rest.channel) => "right",
            true => "unproven",
        };
        let still = format!("still {:.0} dBFS", rest.still.level_db);
        row(&mut words, verdict, &format!("in {}", rest.channel), "", &still);
        for fault in &rest.faults {
            below(&mut words, &fault.words());
            below(&mut words, &format!("  {}", fault.mend()));
        }
    }
    let (proves, not) = found.proves();
    let _ = writeln!(words, "\nThis proves:");
    proves.iter().for_each(|line| wrapped(&mut words, line));
    let _ = writeln!(words, "It does not prove:");
    not.iter().for_each(|line| wrapped(&mut words, line));
    let ok = found.is_right() && !found.ways.is_empty();
    let _ = writeln!(
        words,
        "\n{} {:.0} s.",
        if ok { "NO FAULT." } else { "NOT RIGHT: see above." },
        found.seconds
    );
    let json = json!({
        "ok": ok, "outputs": found.ways, "inputs": found.inputs, "crossed": found.crossed, "seconds": found.seconds,
        "keys": 0, "proves": proves, "does_not_prove": not,
    });
    Told { outcome: outcome(ok), words, json: place.with(json) }
}

/// A sentence in lines of 78.
fn wrapped(words: &mut String, sentence: &str) {
    let mut line = String::from("  -");
    for word in sentence.split(' ') {
        if line.chars().count() + word.chars().count() >= 78 {
            let _ = writeln!(words, "{line}");
            line = "   ".into();
        }
        line.push(' ');
        line.push_str(word);
    }
    let _ = writeln!(words, "{line}");
}

/// Tones that were sent.
pub fn toned(
    outputs: &[&Output],
    level_db: f64,
    source: &str,
    keys: u32,
    took: Duration,
    place: &Place,
) -> Told {
    let mut words = String::new();
    for output in outputs {
        let rest = format!("1 kHz at {level_db:.0} dBFS ({source})");
        row(&mut words, "sent", &format!("out {}", output.channel), &output.name, &rest);
    }
    let _ = writeln!(
        words,
        "\n{}, {:.0} s. What arrived is what the mixer's meter says.",
        self::keys(keys),
        took.as_secs_f64()
    );
    let sent: Vec<Value> = outputs
        .iter()
        .map(|output| json!({ "channel": output.channel, "name": output.name, "level_db": level_db, "hertz": 1000 }))
        .collect();
    let json = json!({ "ok": !outputs.is_empty(), "outputs": sent, "inputs": [], "source": source, "keys": keys, "seconds": took.as_secs_f64() });
    Told { outcome: outcome(!outputs.is_empty()), words, json: place.with(json) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::linecheck::conduct::ChargerReport;

    #[test]
    fn what_is_said_of_the_charger_fits_80_columns() {
        use Charger::{HumsEitherWay, HumsWithIt, HumsWithout};
        let verdicts = [HumsWithIt, HumsWithout, HumsEitherWay];
        let charger =
            verdicts.map(|verdict| ChargerReport { channel: 12, with: None, without: None, verdict });
        let report = Report {
            outputs: Vec::new(),
            inputs: Vec::new(),
            charger: charger.to_vec(),
            keys: 0,
            confirmed_by_mic: 0,
            seconds: 9.0,
        };
        let told = walked(&report, &Place { json: json!({}) });
        assert!(told.words.contains("Never cut an earth wire"), "{}", told.words);
        assert!(told.words.lines().all(|line| line.chars().count() <= 80), "{}", told.words);
    }
}
