//! The keys of a rig that say how loud a signal becomes in a player's ears: `[exposure.FEED]`.

use super::keys;
use super::model::{EarLine, Rig};
use super::walk::{Node, Place, Table, Walk, Wrong};
use crate::exposure::calibration::FULL_SCALE_DB;
use crate::exposure::{Calibration, Way};

/// One key of each way, the others it needs, and what they are.
const WAYS: [(&str, &[&str]); 3] = [
    ("sensitivity_db_per_v", &["pack_volts"]),
    ("sensitivity_db_per_mw", &["impedance_ohm", "pack_volts"]),
    ("read_db", &["read_at_dbfs"]),
];

/// Reads all of them; `rig` has its outputs and inputs already.
pub(super) fn read<'t>(walk: &mut Walk<'t>, node: &Node<'t>, rig: &Rig) -> Vec<EarLine> {
    let mut lines: Vec<EarLine> = Vec::new();
    for entry in walk.named(node) {
        let Some(table) = walk.table(&entry, &keys::EXPOSURE) else { continue };
        known_feed(walk, &entry, rig);
        let taken: Vec<u16> = lines.iter().flat_map(|line| line.returns.iter().copied()).collect();
        let returns = returns(walk, &table, rig, &taken);
        let uncertainty = table.get("uncertainty_db").and_then(|node| walk.number(&node, 0.5..=20.0, " dB"));
        let calibration = way(walk, &table, entry.key_at).map(|way| Calibration::new(way, uncertainty));
        lines.push(EarLine { feed: entry.key.into(), returns, calibration });
    }
    lines
}

fn known_feed<'t>(walk: &mut Walk<'t>, entry: &Node<'t>, rig: &Rig) {
    let outlets = rig.outputs.iter().chain(rig.folds.iter().flatten());
    let feeds: Vec<&str> = outlets.flat_map(|outlet| outlet.feeds.iter().map(String::as_str)).collect();
    if !feeds.contains(&entry.key) {
        walk.fault(entry.key_at, super::band::unknown_name("feed", entry.key, feeds.iter().copied()));
    }
}

/// `return = 5`, or `[5, 6]` for left and right.
fn returns<'t>(walk: &mut Walk<'t>, table: &Table<'t>, rig: &Rig, taken: &[u16]) -> Vec<u16> {
    let Some(node) = table.get("return") else { return Vec::new() };
    let items = if node.value.is_array() { walk.list(&node).unwrap_or_default() } else { vec![node] };
    if items.is_empty() || items.len() > 2 {
        walk.wrong(&node, "an ear mix comes back on one input, or on a left and a right", "5, or [5, 6]");
        return Vec::new();
    }
    let mut used = taken.to_vec();
    for item in items {
        used.extend(super::machines::input(walk, &item, rig, &used));
    }
    used.split_off(taken.len())
}

/// The one way that is written whole. Faults: parts of one, more than one, and what no ear piece does.
fn way<'t>(walk: &mut Walk<'t>, table: &Table<'t>, at: Place) -> Option<Way> {
    let begun: Vec<_> = WAYS.iter().filter(|(key, _)| table.get(key).is_some()).collect();
    let (key, needs) = match begun[..] {
        [one] => *one,
        [] => return none(walk, table, at),
        [(first, _), (second, _), ..] => {
            let wrong = Wrong::new(
                format!("`{first}` and `{second}` both say how loud it is"),
                "one way: the ear piece's sensitivity, or one reading",
                format!("take `{second}` out with what belongs to it"),
            );
            walk.fault(table.place(second), wrong);
            return None;
        }
    };
    for other in WAYS.iter().flat_map(|(_, others)| others.iter()).filter(|other| !needs.contains(other)) {
        if table.get(other).is_some() {
            let wrong = Wrong::new(
                format!("`{other}` means nothing beside `{key}`"),
                format!("{key} with {}", needs.join(" and ")),
                format!("take `{other}` out"),
            );
            walk.fault(table.place(other), wrong);
        }
    }
    let lacking: Vec<&str> = needs.iter().copied().filter(|need| table.get(need).is_none()).collect();
    if let Some(lacks) = lacking.first() {
        let wrong = Wrong::new(
            format!("`{key}` alone does not say how loud it is: `{lacks}` is missing"),
            format!("{key} with {}", needs.join(" and ")),
            format!("add {}", example(lacks)),
        );
        walk.missing(table.place(key), wrong);
    }
    let way = numbers(walk, table, key)?;
    plausible(walk, table.place(key), way).then_some(way)
}

/// No way is begun: good where the mix comes back, and shown in dBFS; else the table says nothing.
fn none<'t>(walk: &mut Walk<'t>, table: &Table<'t>, at: Place) -> Option<Way> {
    let part = WAYS.iter().flat_map(|(_, others)| others.iter()).find(|other| table.get(other).is_some());
    if let Some(part) = part {
        let way = WAYS.iter().find(|(_, others)| others.contains(part)).map_or("read_db", |(key, _)| *key);
        let wrong = Wrong::new(
            format!("`{part}` alone does not say how loud it is"),
            "an ear piece's sensitivity with the pack's volts, or one reading",
            format!("add {}", example(way)),
        );
        walk.missing(table.place(part), wrong);
    } else if table.get("return").is_none() {
        let wrong = Wrong::new(
            "this exposure has no calibration and no return: it says nothing",
            "an ear piece's sensitivity with the pack's volts, or one reading, or a return",
            "add for example sensitivity_db_per_mw = 108, impedance_ohm = 32 and pack_volts = 0.2",
        );
        walk.missing(at, wrong);
    }
    None
}

fn example(key: &str) -> &'static str {
    keys::EXPOSURE.key(key).map_or("what is missing", |key| key.example)
}

fn numbers<'t>(walk: &mut Walk<'t>, table: &Table<'t>, way: &str) -> Option<Way> {
    let mut number = |key: &str, least: f64, most: f64, unit: &str| {
        table.get(key).and_then(|node| walk.number(&node, least..=most, unit))
    };
    match way {
        "sensitivity_db_per_v" => {
            let (db, volts) =
                (number(way, 70.0, 150.0, " dB SPL at 1 V"), number("pack_volts", 0.001, 10.0, " V"));
            Some(Way::PerVolt { db: db?, pack_volts: volts? })
        }
        "sensitivity_db_per_mw" => {
            let db = number(way, 70.0, 140.0, " dB SPL at 1 mW");
            let (ohm, volts) =
                (number("impedance_ohm", 2.0, 1_000.0, " Ω"), number("pack_volts", 0.001, 10.0, " V"));
            Some(Way::PerMilliwatt { db: db?, ohm: ohm?, pack_volts: volts? })
        }
        _ => {
            let (db, at) = (number(way, 40.0, 130.0, " dBA"), number("read_at_dbfs", -80.0, 0.0, " dBFS"));
            Some(Way::Read { db: db?, at_dbfs: at? })
        }
    }
}

fn plausible(walk: &mut Walk<'_>, at: Place, way: Way) -> bool {
    let [least, most] = FULL_SCALE_DB;
    let found = way.full_scale_db();
    let good = (least..=most).contains(&found);
    if !good {
        let wrong = Wrong::new(
            format!("with these numbers a full-scale signal would be {found:.0} dB SPL in the ear"),
            format!("{least:.0} to {most:.0} dB SPL: no pair of ear pieces and pack is outside of that"),
            "look at the units: sensitivity in dB SPL (at 1 V, or at 1 mW with the impedance), volts RMS at 0 dBFS",
        );
        walk.fault(at, wrong);
    }
    good
}
