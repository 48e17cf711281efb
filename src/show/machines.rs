//! The keys of a rig that has a second machine: timecode out, the main's lines, the return line, a spare loop.

use super::keys;
use super::model::{MainLine, Rig, Role, TimecodeLine, Wiring};
use super::section::need;
use super::walk::{Node, Place, Table, Walk, Wrong};
use crate::timecode::FrameRate;
use crate::units::Decibels;

/// The frame rates that may be sent.
pub(super) const FRAMES: &[(&str, FrameRate)] = &[
    ("24", FrameRate::Film),
    ("25", FrameRate::Tv25),
    ("29.97", FrameRate::Ntsc),
    ("29.97 drop", FrameRate::NtscDrop),
    ("30", FrameRate::Tv30),
];

const WIRINGS: &[(&str, Wiring)] =
    &[("own channel", Wiring::OwnChannel), ("pass through", Wiring::PassThrough)];

/// Reads all of them into a rig that is whole otherwise.
pub(super) fn read<'t>(walk: &mut Walk<'t>, table: &Table<'t>, rig: &mut Rig) {
    let roles = [("alone", Role::Alone), ("main", Role::Main), ("backup", Role::Backup)];
    rig.machine = table.get("machine").and_then(|node| walk.choice(&node, &roles)).unwrap_or_default();
    rig.timecode = table.get("timecode").and_then(|node| timecode(walk, &node, rig));
    rig.main = table.get("main").and_then(|node| main(walk, &node, rig));
    rig.return_line = table.get("return").and_then(|node| returns(walk, &node, rig));
    rig.spare_loop = table.get("loop").and_then(|node| spare_loop(walk, &node, rig));
    fits(walk, table, rig);
}

/// What one key asks of another.
fn fits<'t>(walk: &mut Walk<'t>, table: &Table<'t>, rig: &Rig) {
    let place = |key: &str| if table.get(key).is_some() { table.place(key) } else { table.place("machine") };
    let mut wrong = |at: Place, what: &str, allowed: &str, mend: &str| {
        walk.missing(at, Wrong::new(what, allowed, mend));
    };
    let backup = rig.machine == Role::Backup;
    if backup && table.get("main").is_none() {
        wrong(
            place("main"),
            "a backup hears nothing of its main",
            "[main] with the input of its timecode",
            "add [main] and for example timecode = 1",
        );
    }
    if !backup && table.get("main").is_some() {
        wrong(
            place("main"),
            "only a backup has a [main]",
            "machine = \"backup\"",
            "write machine = \"backup\"",
        );
    }
    let main = rig.machine == Role::Main;
    if main && table.get("timecode").is_none() {
        wrong(
            place("timecode"),
            "a main sends no timecode",
            "[timecode] with an output of its own",
            "add [timecode] and for example output = 8",
        );
    }
    if !main && table.get("return").is_some() {
        wrong(
            place("return"),
            "only a main has a [return]",
            "machine = \"main\"",
            "write machine = \"main\"",
        );
    }
}

/// An output that nothing else uses.
fn output<'t>(walk: &mut Walk<'t>, node: &Node<'t>, rig: &Rig) -> Option<u16> {
    let channel = super::rig::channel(walk, node)?;
    let outlets = rig.outputs.iter().chain(rig.folds.iter().flatten());
    let sounds = outlets.flat_map(|outlet| &outlet.channels).any(|other| *other == channel);
    if sounds || rig.timecode.as_ref().is_some_and(|line| line.output == channel) {
        let wrong = Wrong::new(
            format!("output {channel} is taken already"),
            "an output of its own: nobody may hear it",
            "give it an output that no feed uses",
        );
        walk.fault(node.at, wrong);
        return None;
    }
    Some(channel)
}

/// An input that nothing else uses.
pub(super) fn input<'t>(walk: &mut Walk<'t>, node: &Node<'t>, rig: &Rig, others: &[u16]) -> Option<u16> {
    let channel = super::rig::channel(walk, node)?;
    let main = rig.main.iter().flat_map(|main| [Some(main.timecode), main.click.as_ref().map(|c| c.0)]);
    let used = main.flatten().chain(rig.return_line).chain(others.iter().copied());
    if rig.inputs.iter().any(|(_, other)| *other == channel) || used.into_iter().any(|other| other == channel)
    {
        let wrong = Wrong::new(
            format!("input channel {channel} is taken already"),
            "each channel once",
            "give it another channel",
        );
        walk.fault(node.at, wrong);
        return None;
    }
    Some(channel)
}

fn timecode<'t>(walk: &mut Walk<'t>, node: &Node<'t>, rig: &Rig) -> Option<TimecodeLine> {
    let table = walk.table(node, &keys::TIMECODE)?;
    let output = need(walk, &table, "output").and_then(|node| output(walk, &node, rig));
    let frames = table.get("frames").map_or(Some(FrameRate::Tv25), |node| walk.choice(&node, FRAMES));
    let level = table.get("level").map_or(Some(-18.0), |node| walk.number(&node, -30.0..=-6.0, " dBFS"));
    Some(TimecodeLine { output: output?, frames: frames?, level: Decibels(level?) })
}

fn main<'t>(walk: &mut Walk<'t>, node: &Node<'t>, rig: &Rig) -> Option<MainLine> {
    let table = walk.table(node, &keys::MAIN)?;
    let timecode = need(walk, &table, "timecode").and_then(|node| input(walk, &node, rig, &[]));
    let used: Vec<u16> = timecode.into_iter().collect();
    let channel = table.get("click").map(|node| input(walk, &node, rig, &used));
    let name = table.get("click_is").map(|node| walk.label(&node, 80));
    let wiring = table.get("wiring").map_or(Some(Wiring::OwnChannel), |node| walk.choice(&node, WIRINGS));
    let number = |walk: &mut Walk<'t>, key: &str, least: f64, most: f64, usual: f64| {
        table.get(key).map_or(Some(usual), |node| walk.number(&node, least..=most, " ms"))
    };
    let safety_delay_ms = number(walk, "safety_delay_ms", 0.0, 20.0, 8.0);
    let align_ms = number(walk, "align_ms", -50.0, 50.0, 0.0);
    let latch_ms = number(walk, "latch_ms", 20.0, 500.0, 60.0);
    if channel.is_some() != name.is_some() {
        let (has, lacks) = if channel.is_some() { ("click", "click_is") } else { ("click_is", "click") };
        let wrong = Wrong::new(
            format!("[main] has `{has}` and no `{lacks}`"),
            "both: the input, and which click of the show arrives there",
            "write for example click = 2 and click_is = \"drums\"",
        );
        walk.missing(table.place(has), wrong);
    }
    if wiring == Some(Wiring::PassThrough) && channel.is_none() {
        let wrong = Wrong::new(
            "nothing is there to pass through",
            "click with the input on which the main's click arrives",
            "add click = 2 and click_is = \"drums\"",
        );
        walk.missing(table.place("wiring"), wrong);
    }
    if let Some(node) = table.get("safety_delay_ms").filter(|_| wiring == Some(Wiring::OwnChannel)) {
        let wrong = Wrong::new(
            "nothing is passed through here, so `safety_delay_ms` means nothing",
            "with wiring = \"pass through\" only",
            "take it out, or write wiring = \"pass through\"",
        );
        walk.fault(node.key_at, wrong);
    }
    let click = channel.flatten().zip(name.flatten()).map(|(channel, name)| (channel, name.to_string()));
    Some(MainLine {
        timecode: timecode?,
        click,
        wiring: wiring?,
        safety_delay_ms: safety_delay_ms?,
        align_ms: align_ms?,
        latch_ms: latch_ms?,
    })
}

fn returns<'t>(walk: &mut Walk<'t>, node: &Node<'t>, rig: &Rig) -> Option<u16> {
    let table = walk.table(node, &keys::RETURN)?;
    need(walk, &table, "timecode").and_then(|node| input(walk, &node, rig, &[]))
}

fn spare_loop<'t>(walk: &mut Walk<'t>, node: &Node<'t>, rig: &Rig) -> Option<(u16, u16)> {
    let table = walk.table(node, &keys::LOOP)?;
    let output = need(walk, &table, "output").and_then(|node| output(walk, &node, rig));
    let input = need(walk, &table, "input").and_then(|node| input(walk, &node, rig, &[]));
    output.zip(input)
}
