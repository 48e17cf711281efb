//! Kept results, as tables that a person reads: what `ready`, `latency`, `drill` and the line check said.

mod line_check;

use super::words::count;
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
    /// What asks to be mended: how soon (the lower, the sooner), what, and how.
    pub mends: Vec<(u8, String, String)>,
}

impl Kept {
    pub fn of(file: &str, kind: Kind, time: &str, result: Value) -> Kept {
        let shown = match kind {
            Kind::Ready => ready(&result),
            Kind::Latency => latency(&result),
            Kind::Drill => drill(&result),
            Kind::LineCheck => line_check::shown(&result),
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
    let mends = items.iter().filter_map(|item| {
        let rank = match item["state"].as_str() {
            Some("alarm") => 45,
            Some("warn") => 56,
            _ => return None,
        };
        Some((rank, format!("{}: {}", text(item, "name"), text(item, "finding")), text(item, "mend")))
    });
    Shown {
        title: "Was the computer fit?",
        sentence,
        good: of("alarm") == 0,
        head: vec!["", "what", "found", "to mend it"],
        rows: rows.collect(),
        mends: mends.take(MOST_ROWS).collect(),
    }
}

fn latency(result: &Value) -> Shown {
    let title = "How late is what comes back?";
    if result["outcome"] == "refused" {
        let (words, mend) = (text(result, "words"), text(result, "mend"));
        let mend = if mend.is_empty() { "measure again; see what it says there".into() } else { mend };
        return Shown {
            title,
            sentence: format!("Not measured: {}.", words.trim_end_matches('.')),
            mends: vec![(48, format!("the round trip was not measured: {words}"), mend)],
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
    let rate = result.get("rate").and_then(Value::as_f64).filter(|rate| *rate > 0.0);
    let total = result["budget"].get("total_frames").and_then(Value::as_f64).zip(rate);
    let total = total.map_or(String::new(), |(frames, rate)| format!("{:.1}", frames * 1000.0 / rate));
    let facts = [
        ("surely, 95 %", number(result, "interval_95_frames", 4), "frames either way"),
        ("spread", number(result, "spread_frames", 3), "frames"),
        ("over the noise", number(result, "snr_db", 0), "dB"),
        ("shots", text(result, "shots"), ""),
        ("polarity", text(result, "polarity"), ""),
        ("from a microphone to an ear", total, "ms"),
        ("on", text(result, "device"), ""),
        ("rate", text(result, "rate"), "Hz"),
        ("block", text(result, "block"), "frames"),
        ("xruns", text(result, "xruns"), ""),
    ];
    let rows = facts.iter().filter(|(_, value, _)| !value.is_empty());
    let mut rows: Vec<Vec<String>> =
        rows.map(|(name, value, unit)| vec![(*name).into(), format!("{value} {unit}")]).collect();
    rows.extend(list(result, "meaning").iter().map(|meant| vec!["it means".into(), text(meant, "sentence")]));
    rows.extend(list(result, "blocks").iter().map(block));
    rows.truncate(MOST_ROWS);
    Shown { title, sentence, good: true, head: vec!["what", "figure"], rows, mends: late(result) }
}

/// One block size of several that were tried.
fn block(row: &Value) -> Vec<String> {
    let median = number(row, "median_frames", 2);
    let clean = if row["clean"] == true { "ran clean" } else { "did not run clean" };
    let refused: Vec<&str> = list(row, "refused").iter().filter_map(Value::as_str).collect();
    let mut parts = vec![clean.to_string()];
    if !median.is_empty() {
        parts.push(format!("{median} frames"));
    }
    parts.extend(refused.iter().map(|why| (*why).to_string()));
    vec![format!("blocks of {}", text(row, "block")), parts.join(", ")]
}

/// What a good measurement shows that is to be mended all the same.
fn late(result: &Value) -> Vec<(u8, String, String)> {
    let mut mends = Vec::new();
    if result["polarity"] == "inverted" {
        let how = "another cable or input: somewhere on the way its two wires are swapped";
        mends.push((52, "the loop turns the polarity over".into(), how.into()));
    }
    let xruns = result["xruns"].as_u64().unwrap_or(0);
    if xruns > 0 {
        let how = "larger blocks; fogbell ready says what is in the way";
        let what = format!(
            "while the round trip was measured the computer was late {}",
            count(xruns, "time", "times")
        );
        mends.push((47, what, how.into()));
    }
    let in_the_way = list(result, "meaning").iter().filter(|meant| meant["verdict"] == "in_the_way");
    let in_the_way: Vec<String> = in_the_way.map(|meant| text(meant, "sentence")).collect();
    if let Some(first) = in_the_way.first() {
        let how = "smaller blocks (fogbell latency --blocks 32,64,128 finds the smallest that runs clean), or monitor \
                   past the computer";
        mends.push((53, first.clone(), how.into()));
    }
    mends
}

fn drill(result: &Value) -> Shown {
    let failures = list(result, "failures");
    let limited = |failure: &Value| failure.get("known_limit").is_some_and(Value::is_string);
    let short: Vec<&Value> = failures.iter().filter(|failure| failure["passed"] == false).collect();
    let limits = failures.iter().filter(|failure| failure["passed"] != false && limited(failure)).count();
    let sentence = match (short.len(), limits) {
        (0, 0) => format!("All {} rehearsed failures held.", failures.len()),
        (0, limits) => {
            let held = failures.len() - limits;
            format!("{held} rehearsed failures held, {limits} met a limit of the wiring; none fell short.")
        }
        (bad, _) => format!("{bad} of {} rehearsed failures FELL SHORT.", failures.len()),
    };
    let word = |failure: &Value| match (failure["passed"] == false, limited(failure)) {
        (true, _) => "FELL SHORT",
        (false, true) => "limit",
        (false, false) => "held",
    };
    let row = |failure: &&Value| {
        let detected = number(failure, "detected_ms", 1);
        vec![
            word(failure).into(),
            text(failure, "what"),
            text(failure, "wiring"),
            if detected.is_empty() { "-".into() } else { format!("{detected} ms") },
            text(failure, "missed"),
            text(failure, "late"),
            text(failure, "doubled"),
            format!("{} ms", number(failure, "largest_error_ms", 3)),
            said(failure),
        ]
    };
    // What fell short first, then what met a limit.
    let mut ordered: Vec<&Value> = failures.iter().collect();
    ordered.sort_by_key(|failure| (failure["passed"] != false, !limited(failure)));
    let mend = |failure: &&Value| {
        let what = format!("rehearsed: {} ({}) fell short", text(failure, "what"), text(failure, "wiring"));
        let said: Vec<&str> = list(failure, "fell_short").iter().filter_map(Value::as_str).collect();
        let said = if said.is_empty() { "look at its figures below".into() } else { said.join("; ") };
        (19, what, format!("{said}; change the wiring or the rig, and drill again"))
    };
    Shown {
        title: "Rehearsed failures",
        sentence,
        good: short.is_empty(),
        head: vec!["", "what failed", "wiring", "noticed", "missed", "late", "doubled", "off by", "in words"],
        rows: ordered.iter().take(MOST_ROWS).map(row).collect(),
        mends: short.iter().map(mend).collect(),
    }
}

/// What fell short, or which limit of the wiring showed.
fn said(failure: &Value) -> String {
    let short = list(failure, "fell_short").iter().filter_map(Value::as_str).map(str::to_owned);
    let limit = failure.get("known_limit").and_then(Value::as_str).map(str::to_owned);
    short.chain(limit).collect::<Vec<_>>().join("; ")
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
