//! A click that another device plays: the input it comes in on, the click it is, and when a fallback stays.

use super::band::{Band, unknown_name};
use super::keys;
use super::model::{ExternalClick, InputKind, Latch};
use super::walk::{Node, Place, Table, Walk, Wrong};

/// The safety delay that is worth having: an onset counts until 2 ms before it ends.
const LEAST_DELAY_MS: f64 = 4.0;
pub const MARGIN_MS: f64 = 2.0;

/// Keys of an input that mean something for a click only, and those that do not.
const OF_A_CLICK: [&str; 3] = ["safety_delay_ms", "starts_song", "tolerance_ms"];
const OF_A_MICROPHONE: [&str; 12] = [
    "trim",
    "in_song",
    "between",
    "high_pass",
    "high_pass_slope",
    "low_pass",
    "inverted",
    "delay_ms",
    "compress",
    "gate",
    "talks",
    "dims",
];
const OF_A_TALKBACK: [&str; 2] = ["talks", "dims"];

/// An input as far as it was read: where its name stands, and its kind when that was understood.
#[derive(Clone, Copy, Debug)]
pub(super) struct Seen {
    pub(super) at: Place,
    pub(super) kind: Option<InputKind>,
}

/// What an input's table says of a click. Keys that mean nothing for its kind are faults.
pub(super) fn settings<'t>(walk: &mut Walk<'t>, table: &Table<'t>, kind: Option<InputKind>) -> ExternalClick {
    match kind {
        Some(InputKind::Click) => {
            refuse(walk, table, &OF_A_MICROPHONE, "with kind = \"click\"", "kind and those of a click");
            click(walk, table)
        }
        Some(kind) => {
            refuse(walk, table, &OF_A_CLICK, "without kind = \"click\"", "those of a microphone");
            if kind == InputKind::Ambient {
                refuse(
                    walk,
                    table,
                    &OF_A_TALKBACK,
                    "without kind = \"talkback\"",
                    "those of a microphone of the room",
                );
            }
            ExternalClick::default()
        }
        None => ExternalClick::default(),
    }
}

fn refuse<'t>(walk: &mut Walk<'t>, table: &Table<'t>, names: &[&str], when: &str, allowed: &str) {
    for node in names.iter().filter_map(|name| table.get(name)) {
        let what = format!("{when} `{}` means nothing", node.key);
        let mend = format!("take `{}` out, or write another kind", node.key);
        walk.fault(node.key_at, Wrong::new(what, format!("keys that mean something: {allowed}"), mend));
    }
}

fn click<'t>(walk: &mut Walk<'t>, table: &Table<'t>) -> ExternalClick {
    let usual = ExternalClick::default();
    let delay = table.get("safety_delay_ms").and_then(|node| delay(walk, &node));
    let safety_delay_ms = delay.unwrap_or(usual.safety_delay_ms);
    let starts_song = table.get("starts_song").and_then(|node| walk.boolean(&node)).unwrap_or(false);
    let delayed = (safety_delay_ms > 0.0).then_some(safety_delay_ms);
    let tolerance_ms = table.get("tolerance_ms").and_then(|node| tolerance(walk, &node, delayed));
    ExternalClick { safety_delay_ms, starts_song, tolerance_ms }
}

fn delay<'t>(walk: &mut Walk<'t>, node: &Node<'t>) -> Option<f64> {
    let delay = walk.number(node, 0.0..=20.0, " ms")?;
    if delay > 0.0 && delay < LEAST_DELAY_MS {
        walk.wrong(node, "this safety delay is too short to fill a hit", "0 for none, or 4 to 20 ms");
        return None;
    }
    Some(delay)
}

/// Range: where there is a safety delay, 2 ms less than that at most: later, a hit could not be filled any more.
fn tolerance<'t>(walk: &mut Walk<'t>, node: &Node<'t>, delay: Option<f64>) -> Option<f64> {
    let tolerance = walk.number(node, 2.0..=50.0, " ms")?;
    let most = delay.map_or(50.0, |delay| delay - MARGIN_MS);
    if tolerance <= most {
        return Some(tolerance);
    }
    let wrong = Wrong::new(
        "an onset that comes so late could not be filled any more",
        format!("2 to {most} ms: {MARGIN_MS} ms less than the safety delay"),
        format!("write tolerance_ms = {most}, or a longer safety_delay_ms"),
    );
    walk.fault(node.at, wrong);
    None
}

/// Connects clicks with the inputs they come from. `wired`: the clicks that say `input`; `seen`: one per input.
pub(super) fn connect<'t>(walk: &mut Walk<'t>, band: &mut Band, wired: &[(usize, Node<'t>)], seen: &[Seen]) {
    for (click, node) in wired {
        let Some(input) = source(walk, band, node, seen) else { continue };
        if let Some(click) = band.clicks.get_mut(*click) {
            (click.external, click.separate) = (Some(input), true);
        }
    }
    unused(walk, band, wired, seen);
    one_starter(walk, band, seen);
}

/// The input that a click comes from, when it can.
fn source<'t>(walk: &mut Walk<'t>, band: &Band, node: &Node<'t>, seen: &[Seen]) -> Option<usize> {
    let name = walk.string(node)?;
    let Some(input) = band.inputs.iter().position(|input| input.name == name) else {
        let names = band.inputs.iter().filter(|input| input.kind == InputKind::Click);
        walk.fault(node.at, unknown_name("input", name, names.map(|input| input.name.as_str())));
        return None;
    };
    let taken = band.clicks.iter().find(|click| click.external == Some(input));
    let wrong = match (seen.get(input).and_then(|seen| seen.kind), taken) {
        (None, _) => return None,
        (Some(InputKind::Click), None) => return Some(input),
        (Some(InputKind::Click), Some(other)) => Wrong::new(
            format!("the click \"{}\" comes from this input already", other.name),
            "an input of its own for each click",
            "give it another input, or take it out: then this click is made here",
        ),
        (Some(_), _) => Wrong::new(
            format!("the input \"{name}\" is no click"),
            "an input of kind = \"click\"",
            format!("write kind = \"click\" in [input.{name}]"),
        ),
    };
    walk.fault(node.at, wrong);
    None
}

/// A click comes in and is heard nowhere.
fn unused<'t>(walk: &mut Walk<'t>, band: &Band, wired: &[(usize, Node<'t>)], seen: &[Seen]) {
    let known = |node: &Node<'_>| band.inputs.iter().any(|input| node.value.as_str() == Some(&input.name));
    // A name that was misspelled may have meant it.
    if wired.iter().any(|(_, node)| !known(node)) {
        return;
    }
    for (input, seen) in band.inputs.iter().zip(seen) {
        let named = wired.iter().any(|(_, node)| node.value.as_str() == Some(input.name.as_str()));
        if seen.kind != Some(InputKind::Click) || named {
            continue;
        }
        let click = band.clicks.first().map_or("drums", |click| click.name.as_str());
        let wrong = Wrong::new(
            format!("no click comes from the input \"{}\"", input.name),
            "one click of the show for each input of this kind",
            format!("write for example input = \"{}\" in [click.{click}]", input.name),
        );
        walk.fault(seen.at, wrong);
    }
}

/// Two devices that both start songs would start each other's.
fn one_starter(walk: &mut Walk<'_>, band: &Band, seen: &[Seen]) {
    let starters = band.inputs.iter().zip(seen).filter(|(input, _)| input.external.starts_song);
    let mut first: Option<&str> = None;
    for (input, seen) in starters {
        if let Some(first) = first {
            let wrong = Wrong::new(
                format!("the input \"{first}\" starts songs already"),
                "starts_song = true on one input",
                format!("take it out of [input.{}]", input.name),
            );
            walk.fault(seen.at, wrong);
        }
        first = first.or(Some(input.name.as_str()));
    }
}

/// Why a click's input is no part of a feed, and what is heard instead.
pub(super) fn no_part(band: &Band, input: usize) -> Wrong {
    let name = band.inputs.get(input).map_or("", |input| input.name.as_str());
    let click = band.clicks.iter().find(|click| click.external == Some(input));
    let mend = match click {
        Some(click) => format!("write \"{}\": it passes \"{name}\" on, and fills in", click.name),
        None => format!("write input = \"{name}\" in a [click.NAME], and hear that click"),
    };
    Wrong::new(
        format!("\"{name}\" is a click that comes in, and no feed hears it by itself"),
        "clicks, their fallbacks and microphones",
        mend,
    )
}

/// A click that comes in needs no file beside it.
pub(super) fn refuse_stream<'t>(walk: &mut Walk<'t>, band: &Band, click: usize, node: &Node<'t>) {
    let Some(click) = band.clicks.get(click) else { return };
    let Some(input) = click.external.and_then(|input| band.inputs.get(input)) else { return };
    let wrong = Wrong::new(
        format!(
            "\"{}\" comes from the input \"{}\", and a stream would be a second one",
            click.name, input.name
        ),
        "an input or a stream",
        format!("take `stream` out, or `input` out of [click.{}]", click.name),
    );
    walk.fault(node.key_at, wrong);
}

/// `latch` of [failover].
pub(super) fn latch<'t>(walk: &mut Walk<'t>, node: &Node<'t>) -> Latch {
    let usual = Latch::default();
    let Some(table) = walk.table(node, &keys::LATCH) else { return usual };
    let count = |walk: &mut Walk<'t>, key: &str| table.get(key).map(|node| walk.whole(&node, 1..=8, " hits"));
    let (in_row, of_eight) = (count(walk, "in_row"), count(walk, "of_eight"));
    // A number that was not understood is one fault, not two.
    let (Some(in_row), Some(of_eight)) =
        (in_row.unwrap_or(Some(2)), of_eight.unwrap_or(Some(in_row.flatten().unwrap_or(2).max(3))))
    else {
        return usual;
    };
    if of_eight < in_row {
        let wrong = Wrong::new(
            format!("with {of_eight} of eight, {in_row} in a row would never count"),
            format!("of_eight from {in_row} to 8"),
            format!("write of_eight = {in_row}, or a smaller in_row"),
        );
        walk.fault(table.place("of_eight"), wrong);
        return usual;
    }
    Latch { in_row, of_eight }
}
