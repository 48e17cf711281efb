//! Kept results, as tables that a person reads: what `ready`, `latency`, `drill` and the line check said.

use crate::log::kept::Kind;
use serde::Serialize;
use serde_json::Value;

/// Rows of one result that are shown.
const MOST_ROWS: usize = 200;

/// One result.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Kept {
    pub file: String,
    pub kind: Kind,
    /// Time of day with date and offset.
    pub time: String,
    pub result: Value,
    #[serde(skip)]
    pub shown: Shown,
}

/// A result as it is shown.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Shown {
    pub title: &'static str,
    /// The answer.
    pub sentence: String,
    /// Nothing in it asks for a person.
    pub good: bool,
    pub head: Vec<&'static str>,
    pub rows: Vec<Vec<String>>,
    /// What asks to be mended: what, and how.
    pub mends: Vec<(String, String)>,
}

impl Kept {
    pub fn of(file: &str, kind: Kind, time: &str, result: Value) -> Kept {
        let shown = match kind {
            Kind::Ready => ready(&result),
            Kind::Latency => latency(&result),
            Kind::Drill => drill(&result),
            Kind::LineCheck => plain("Line check", &result),
            Kind::Other => plain("A result of a newer version", &result),
        };
        Kept { file: file.into(), kind, time: time.into(), result, shown }
    }
}

/// A member as text: empty for null and for what is not there.
fn text(value: &Value, key: &str) -> String {
    match value.get(key) {
        None | Some(Value::Null) => String::new(),
        Some(Value::String(text)) => text.clone(),
        Some(other) => other.to_string(),
    }
}

fn number(value: &Value, key: &str, digits: usize) -> String {
    value.get(key).and_then(Value::as_f64).map_or(String::new(), |number| format!("{number:.digits$}"))
}

fn list<'v>(value: &'v Value, key: &str) -> &'v [Value] {
    value.get(key).and_then(Value::as_array).map_or(&[], Vec::as_slice)
}

fn ready(result: &Value) -> Shown {
    let items = list(result, "items");
    let of = |state: &str| items.iter().filter(|item| item["state"] == state).count();
    let sentence = match (of("alarm"), of("warn"), of("unchecked")) {
        (0, 0, 0) => format!("All {} items were as they should be.", items.len()),
        (0, warn, unchecked) => {
            format!(
                "Nothing had to be mended before doors; {warn} to look at, {unchecked} could not be checked."
            )
        }
        (alarm, ..) => format!("{alarm} of {} had to be mended before doors.", items.len()),
    };
    let word = |item: &Value| match item["state"].as_str() {
        Some("ok") => "ok",
        Some("warn") => "LOOK",
        Some("alarm") => "MEND",
        _ => "not checked",
    };
    let rows = items
        .iter()
        .take(MOST_ROWS)
        .map(|item| vec![word(item).into(), text(item, "name"), text(item, "finding"), text(item, "mend")]);
    let alarms = items.iter().filter(|item| item["state"] == "alarm");
    Shown {
        title: "Was the computer fit?",
        sentence,
        good: of("alarm") == 0,
        head: vec!["", "what", "found", "to mend it"],
        rows: rows.collect(),
        mends: alarms
            .map(|item| (format!("{}: {}", text(item, "name"), text(item, "finding")), text(item, "mend")))
            .collect(),
    }
}

fn latency(result: &Value) -> Shown {
    let title = "How late is what comes back?";
    if result["outcome"] == "refused" {
        let (words, mend) = (text(result, "words"), text(result, "mend"));
        return Shown {
            title,
            sentence: format!("Not measured: {words}."),
            mends: vec![(format!("the round trip was not measured: {words}"), mend)],
            ..Shown::default()
        };
    }
    let ms = result.get("round_trip_ms").and_then(Value::as_f64).or_else(|| {
        let rate = result.get("rate").and_then(Value::as_f64).filter(|rate| *rate > 0.0)?;
        Some(result.get("round_trip_frames")?.as_f64()? * 1000.0 / rate)
    });
    let sentence = match (ms, result.get("offset_frames").and_then(Value::as_f64)) {
        (Some(ms), _) => {
            format!("The round trip is {} frames ({ms:.2} ms).", number(result, "round_trip_frames", 2))
        }
        (None, Some(frames)) => format!("The second input is {frames:+.2} frames against the first."),
        _ => "No figure was kept.".into(),
    };
    let facts = [
        ("surely, 95 %", number(result, "interval_95_frames", 4), "frames either way"),
        ("spread", number(result, "spread_frames", 3), "frames"),
        ("over the noise", number(result, "snr_db", 0), "dB"),
        ("shots", text(result, "shots"), ""),
        ("polarity", text(result, "polarity"), ""),
        ("on", text(result, "device"), ""),
        ("rate", text(result, "rate"), "Hz"),
        ("block", text(result, "block"), "frames"),
        ("xruns", text(result, "xruns"), ""),
    ];
    let rows = facts.iter().filter(|(_, value, _)| !value.is_empty());
    Shown {
        title,
        sentence,
        good: true,
        head: vec!["what", "figure"],
        rows: rows.map(|(name, value, unit)| vec![(*name).into(), format!("{value} {unit}")]).collect(),
        mends: Vec::new(),
    }
}

fn drill(result: &Value) -> Shown {
    let failures = list(result, "failures");
    let short: Vec<&Value> = failures.iter().filter(|failure| failure["passed"] == false).collect();
    let sentence = match short.len() {
        0 => format!("All {} rehearsed failures held.", failures.len()),
        bad => format!("{bad} of {} rehearsed failures FELL SHORT.", failures.len()),
    };
    let row = |failure: &Value| {
        let detected = number(failure, "detected_ms", 1);
        vec![
            text(failure, "wiring"),
            text(failure, "what"),
            if failure["passed"] == true { "held".into() } else { "FELL SHORT".into() },
            if detected.is_empty() { "-".into() } else { format!("{detected} ms") },
            text(failure, "missed"),
            text(failure, "late"),
            text(failure, "doubled"),
            format!("{} ms", number(failure, "largest_error_ms", 3)),
        ]
    };
    let mend = |failure: &&Value| {
        let what = format!("rehearsed: {} ({}) fell short", text(failure, "what"), text(failure, "wiring"));
        (what, "look at its figures below, change the wiring or the rig, and drill again".to_string())
    };
    Shown {
        title: "Rehearsed failures",
        sentence,
        good: short.is_empty(),
        head: vec!["wiring", "what failed", "", "noticed", "missed", "late", "doubled", "off by"],
        rows: failures.iter().take(MOST_ROWS).map(row).collect(),
        mends: short.iter().map(mend).collect(),
    }
}

/// Any object: a row a member, nested ones as text.
fn plain(title: &'static str, result: &Value) -> Shown {
    let members = result.as_object().into_iter().flatten().take(MOST_ROWS);
    let rows = members.map(|(name, value)| {
        let value = value.as_str().map_or_else(|| value.to_string(), str::to_owned);
        vec![name.replace('_', " "), value.chars().take(400).collect()]
    });
    Shown {
        title,
        sentence: text(result, "words"),
        good: true,
        head: vec!["what", "found"],
        rows: rows.collect(),
        mends: Vec::new(),
    }
}
