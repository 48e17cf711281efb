//! A line check in words: each output and input in a row, what is wrong with it and how to mend it.

use super::{MOST_ROWS, Shown, list, number, text};
use crate::linecheck::cables::Wrong;
use crate::linecheck::judge::{Charger, Fault};
use crate::linecheck::walk::Verdict;
use crate::report::words::{capital, count, quiet};
use serde_json::Value;

/// An output that reaches the wrong place is heard by everybody …
const OUTPUT: u8 = 26;
/// … an input that is dead, crossed or clips by those who hear it …
const INPUT: u8 = 34;
/// … and hum or a turned polarity is in the way.
const UNCLEAN: u8 = 36;
const UNFINISHED: u8 = 54;
const UNCHECKED: u8 = 55;

/// What is wrong with one line: in words, how to mend it, and how soon.
struct Fell {
    words: String,
    how: &'static str,
    rank: u8,
}

const PATCH: &str = "its plug, cable and mixer channel; then the channel in the rig file";

pub fn shown(result: &Value) -> Shown {
    let title = "Did everything arrive?";
    let reason = text(result, "reason");
    let tables = ["outputs", "inputs", "charger", "crossed"];
    if tables.iter().all(|table| list(result, table).is_empty()) {
        let words = text(result, "words");
        let sentence =
            if words.is_empty() { "Nothing was checked.".into() } else { format!("Not checked: {words}.") };
        let what = sentence.trim_end_matches('.').to_string();
        let how = "fogbell linecheck before doors";
        return Shown { title, sentence, mends: vec![(UNFINISHED, what, how.into())], ..Shown::default() };
    }
    if result["mode"] == "tone" {
        return tone(title, result);
    }
    let mut shown =
        Shown { title, head: vec!["", "line", "name", "found", "to mend it"], ..Shown::default() };
    let mut unchecked = Vec::new();
    let mut checked = 0;
    let lines = list(result, "outputs").iter().map(|output| (true, output));
    for (out, one) in lines.chain(list(result, "inputs").iter().map(|input| (false, input))) {
        let (line, name) = name(out, one);
        let fell = fell(out, one);
        let verdict = verdict(one, fell.is_empty());
        match verdict {
            Verdict::Right | Verdict::Wrong => checked += 1,
            Verdict::Skipped | Verdict::Unchecked => unchecked.push(line.clone()),
        }
        let found = if fell.is_empty() {
            measured(out, one)
        } else {
            fell.iter().map(|fell| quiet(&fell.words)).collect::<Vec<_>>().join("; ")
        };
        let how: Vec<&str> = fell.iter().map(|fell| fell.how).collect();
        shown.rows.push(vec![word(verdict).into(), line.clone(), name.clone(), found, how.join("; ")]);
        let named = if name.is_empty() { line } else { format!("{line} ({name})") };
        let mend = |fell: Fell| (fell.rank, format!("{named}: {}", quiet(&fell.words)), fell.how.to_string());
        shown.mends.extend(fell.into_iter().map(mend));
    }
    for pair in list(result, "crossed") {
        let [one, two] = [&pair[0], &pair[1]].map(Value::to_string);
        let words = format!("outputs {one} and {two} are crossed");
        shown.rows.push(vec![
            "WRONG".into(),
            String::new(),
            String::new(),
            words.clone(),
            "swap the two plugs".into(),
        ]);
        shown.mends.push((
            OUTPUT - 1,
            words,
            "swap the two plugs, or the two channels in the rig file".into(),
        ));
    }
    charger(result, &mut shown);
    proofs(result, &mut shown);
    if reason == "device" {
        let why = text(result, "words");
        shown.mends.push((
            UNFINISHED,
            format!("the line check was not finished: {why}"),
            "do it again".into(),
        ));
    }
    if !unchecked.is_empty() {
        let what = format!("not checked: {}", crate::report::words::list(&unchecked));
        shown.mends.push((UNCHECKED, what, "fogbell linecheck, at the next change-over".into()));
    }
    shown.sentence = sentence(result, &shown, checked, unchecked.len());
    shown.good = shown.mends.iter().all(|(rank, ..)| *rank >= UNFINISHED);
    shown.rows.truncate(MOST_ROWS);
    shown.mends.truncate(MOST_ROWS);
    shown
}

fn sentence(result: &Value, shown: &Shown, checked: usize, unchecked: usize) -> String {
    let wrong = shown.mends.iter().filter(|(rank, ..)| *rank < UNFINISHED).count();
    let mut sentence = match (wrong, checked) {
        (0, 0) => "Nothing was checked.".to_string(),
        (0, 1) => "The one line that was checked was right.".into(),
        (0, all) => format!("All {all} lines that were checked were right."),
        (wrong, _) => format!(
            "NOT RIGHT: {} in {}.",
            count(wrong as u64, "fault", "faults"),
            count(checked as u64, "line", "lines")
        ),
    };
    if unchecked > 0 {
        sentence.push_str(&format!(
            " {} skipped or unchecked.",
            capital(&count(unchecked as u64, "was", "were"))
        ));
    }
    let seconds = number(result, "seconds", 0);
    if !seconds.is_empty() {
        sentence
            .push_str(&format!(" It took {seconds} s and {} keys.", result["keys"].as_u64().unwrap_or(0)));
    }
    sentence
}

fn name(out: bool, one: &Value) -> (String, String) {
    let channel = one.get("channel").or(one.get("output")).map_or(String::new(), Value::to_string);
    let player = text(one, "player");
    let name = match (text(one, "name"), player.is_empty()) {
        (name, true) => name,
        (name, false) => format!("{name}, {player}"),
    };
    (format!("{} {channel}", if out { "output" } else { "input" }), name)
}

const fn word(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Unchecked => "not checked",
        Verdict::Right => "right",
        Verdict::Wrong => "WRONG",
        Verdict::Skipped => "skipped",
    }
}

/// Of a walk as a person said; of cables and of older results by what is wrong.
fn verdict(one: &Value, right: bool) -> Verdict {
    let said = one.get("verdict").and_then(|said| serde_json::from_value(said.clone()).ok());
    said.unwrap_or(if right { Verdict::Right } else { Verdict::Wrong })
}

fn fell(out: bool, one: &Value) -> Vec<Fell> {
    let mut all: Vec<Fell> = list(one, "faults").iter().map(input).collect();
    all.extend(list(one, "wrong").iter().map(output));
    if out && all.is_empty() && one["verdict"] == "wrong" {
        all.push(Fell { words: "not where it belongs, a person said".into(), how: PATCH, rank: OUTPUT });
    }
    all
}

/// A fault that this version does not know stays as it stands.
fn input(fault: &Value) -> Fell {
    match serde_json::from_value::<Fault>(fault.clone()) {
        Ok(known) => {
            let unclean = matches!(
                known,
                Fault::Hum { .. } | Fault::Noise { .. } | Fault::Dc { .. } | Fault::Inverted { .. }
            );
            Fell { words: known.words(), how: known.mend(), rank: if unclean { UNCLEAN } else { INPUT } }
        }
        Err(_) => Fell {
            words: text(fault, "fault").replace('_', " "),
            how: "look at this line again",
            rank: INPUT,
        },
    }
}

fn output(wrong: &Value) -> Fell {
    match serde_json::from_value::<Wrong>(wrong.clone()) {
        Ok(known) => {
            let unclean = matches!(known, Wrong::Inverted { .. } | Wrong::Weak { .. } | Wrong::Clips { .. });
            Fell { words: known.words(), how: known.mend(), rank: if unclean { UNCLEAN } else { OUTPUT } }
        }
        Err(_) => Fell { words: text(wrong, "fault").replace('_', " "), how: PATCH, rank: OUTPUT },
    }
}

/// What a right line showed.
fn measured(out: bool, one: &Value) -> String {
    let level = |value: &Value, key: &str, words: &str| {
        let db = number(value, key, 0);
        if db.is_empty() { String::new() } else { format!("{words} {db} dBFS") }
    };
    let mut parts = Vec::new();
    if out {
        parts.push(level(one, "level_db", "sent up to"));
        parts.extend(
            list(one, "arrivals").iter().map(|arrival| format!("heard on input {}", text(arrival, "input"))),
        );
    } else {
        parts.push(level(&one["still"], "level_db", "still"));
        parts.push(level(&one["clap"], "peak_db", "clap peaks at"));
    }
    parts.retain(|part| !part.is_empty());
    parts.join(", ")
}

fn charger(result: &Value, shown: &mut Shown) {
    for one in list(result, "charger") {
        let Ok(verdict) = serde_json::from_value::<Charger>(one["verdict"].clone()) else { continue };
        let line = format!("input {}", text(one, "channel"));
        let words = quiet(verdict.words());
        let (what, how) = words
            .split_once(": ")
            .map_or((words.clone(), String::new()), |(what, how)| (what.into(), how.into()));
        let quiet = verdict == Charger::Quiet;
        shown.rows.push(vec![
            if quiet { "right" } else { "WRONG" }.into(),
            line.clone(),
            "charger".into(),
            what.clone(),
            how.clone(),
        ]);
        if !quiet {
            shown.mends.push((UNCLEAN, format!("{line}: {what}"), how));
        }
    }
}

/// What cables prove, and what they do not.
fn proofs(result: &Value, shown: &mut Shown) {
    for (key, word) in [("proves", "proves"), ("does_not_prove", "does not prove")] {
        let said = list(result, key).iter().filter_map(Value::as_str);
        shown.rows.extend(
            said.map(|said| vec![word.into(), String::new(), String::new(), said.into(), String::new()]),
        );
    }
}

fn tone(title: &'static str, result: &Value) -> Shown {
    let outputs = list(result, "outputs");
    let rows = outputs.iter().map(|one| {
        let (line, name) = name(true, one);
        vec![line, name, format!("1 kHz at {} dBFS ({})", number(one, "level_db", 0), text(result, "source"))]
    });
    Shown {
        title,
        sentence: format!(
            "A line-up tone was sent on {}; what arrived is what the mixer's meter said.",
            count(outputs.len() as u64, "output", "outputs")
        ),
        good: true,
        head: vec!["line", "name", "sent"],
        rows: rows.take(MOST_ROWS).collect(),
        mends: Vec::new(),
    }
}
