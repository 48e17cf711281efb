//! Microphones and talkbacks: what a show says of them, how the room rides, and which feeds must not have them.

use super::keys;
use super::model::{Compression, FeedPart, FeedSource, Input, InputKind, RideTimes, Sides, Talks};
use super::style;
use super::walk::{Node, Place, Table, Walk, Wrong};
use crate::units::Decibels;

/// A delay of 100 ms is 34 m of air.
const LONGEST_DELAY_MS: f64 = 100.0;

/// A gate and a compressor begin somewhere in here.
const THRESHOLDS: std::ops::RangeInclusive<f64> = -80.0..=0.0;

/// Start value of a talkback's gate (common practice, no source).
const VOICE_GATE: Decibels = Decibels(-40.0);

/// In mono this much less of a source is left than on one side (−12 dB): it is gone.
const CANCELS: f64 = 0.25;

/// An input's table to what it says of a microphone.
pub(super) fn input<'t>(walk: &mut Walk<'t>, table: &Table<'t>, name: &str, kind: InputKind) -> Input {
    let usual_in_song = if kind == InputKind::Ambient { -12.0 } else { 0.0 };
    let level = |walk: &mut Walk<'t>, key: &str, usual: f64| {
        table.get(key).and_then(|node| style::level(walk, &node)).unwrap_or(Decibels(usual))
    };
    let number = |walk: &mut Walk<'t>, key: &str, range, unit: &str| {
        table.get(key).and_then(|node| walk.number(&node, range, unit))
    };
    let talks = talks(walk, table);
    let gate = number(walk, "gate", THRESHOLDS, " dBFS").map(Decibels);
    Input {
        name: name.into(),
        kind,
        player: String::new(),
        trim: Decibels(number(walk, "trim", -40.0..=40.0, " dB").unwrap_or(0.0)),
        in_song: level(walk, "in_song", usual_in_song),
        between: level(walk, "between", 0.0),
        high_pass_hertz: table.get("high_pass").and_then(|node| high_pass(walk, &node)).unwrap_or(150.0),
        steep: steep(walk, table),
        low_pass_hertz: number(walk, "low_pass", 1000.0..=20_000.0, " Hz").unwrap_or(0.0),
        inverted: table.get("inverted").and_then(|node| walk.boolean(&node)).unwrap_or(false),
        delay_ms: delay(walk, table).unwrap_or(0.0),
        compress: table.get("compress").and_then(|node| compress(walk, &node)),
        gate: gate.or((talks == Talks::ByVoice).then_some(VOICE_GATE)),
        talks,
        dims: Decibels(number(walk, "dims", -40.0..=0.0, " dB").unwrap_or(-12.0)),
        external: super::model::ExternalClick::default(),
    }
}

fn high_pass<'t>(walk: &mut Walk<'t>, node: &Node<'t>) -> Option<f64> {
    let hertz = walk.number(node, 0.0..=1000.0, " Hz")?;
    if hertz > 0.0 && hertz < 20.0 {
        walk.wrong(node, "`high_pass` is below what can be heard", "20 to 1000 Hz, or 0 for none");
        return None;
    }
    Some(hertz)
}

fn steep<'t>(walk: &mut Walk<'t>, table: &Table<'t>) -> bool {
    let Some(node) = table.get("high_pass_slope") else { return false };
    match walk.whole(&node, 12..=24, " dB an octave") {
        Some(24) => true,
        Some(12) | None => false,
        Some(_) => {
            walk.wrong(&node, "`high_pass_slope` knows two slopes", "12 or 24 dB an octave");
            false
        }
    }
}

/// A delay can only make a microphone later.
fn delay<'t>(walk: &mut Walk<'t>, table: &Table<'t>) -> Option<f64> {
    let node = table.get("delay_ms")?;
    let text = super::walk::number_text(node.value);
    if text.is_some_and(|text| text.starts_with('-')) {
        let wrong = Wrong::new(
            "a delay can only make a microphone later",
            "0 to 100 ms",
            "delay the other one of the two instead",
        );
        walk.fault(node.at, wrong);
        return None;
    }
    walk.number(&node, 0.0..=LONGEST_DELAY_MS, " ms")
}

fn compress<'t>(walk: &mut Walk<'t>, node: &Node<'t>) -> Option<Compression> {
    let table = walk.table(node, &keys::COMPRESS)?;
    let number = |walk: &mut Walk<'t>, key: &str, range, unit: &str| {
        table.get(key).map(|node| walk.number(&node, range, unit))
    };
    let above = number(walk, "above", THRESHOLDS, " dBFS").unwrap_or(Some(-30.0))?;
    let ratio = number(walk, "ratio", 1.0..=20.0, "").unwrap_or(Some(3.0))?;
    Some(Compression { above: Decibels(above), ratio })
}

fn talks<'t>(walk: &mut Walk<'t>, table: &Table<'t>) -> Talks {
    let words = [("by key", Talks::ByKey), ("by voice", Talks::ByVoice), ("always", Talks::Always)];
    table.get("talks").and_then(|node| walk.choice(&node, &words)).unwrap_or(Talks::ByKey)
}

/// `[ride]`.
pub(super) fn ride<'t>(walk: &mut Walk<'t>, show: &Table<'t>) -> RideTimes {
    let usual = RideTimes::default();
    let Some(table) = show.get("ride").and_then(|node| walk.table(&node, &keys::RIDE)) else { return usual };
    let seconds = |walk: &mut Walk<'t>, key: &str, usual: f64| {
        table.get(key).and_then(|node| walk.number(&node, 0.05..=20.0, " s")).unwrap_or(usual)
    };
    RideTimes {
        close_seconds: seconds(walk, "close", usual.close_seconds),
        open_seconds: seconds(walk, "open", usual.open_seconds),
        after_seconds: seconds(walk, "after", usual.after_seconds),
    }
}

/// What kind of pack a feed is for.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Pack {
    pub(super) stereo: bool,
    pub(super) mono_pack: bool,
    pub(super) loudspeaker: bool,
}

/// `stereo`, `pack` and `to` of a feed.
pub(super) fn pack<'t>(walk: &mut Walk<'t>, table: &Table<'t>) -> Pack {
    let stereo = table.get("stereo").and_then(|node| walk.boolean(&node));
    let packs = [("stereo", false), ("mono", true)];
    let mono_pack = table.get("pack").and_then(|node| walk.choice(&node, &packs)).unwrap_or(false);
    let places = [("ears", false), ("loudspeaker", true)];
    let loudspeaker = table.get("to").and_then(|node| walk.choice(&node, &places)).unwrap_or(false);
    if mono_pack && stereo == Some(false) {
        let wrong = Wrong::new(
            "a mono pack takes two sides: left the mix, right the click",
            "pack = \"mono\" without stereo = false",
            "take stereo = false out, or pack = \"mono\"",
        );
        walk.fault(table.place("stereo"), wrong);
    }
    Pack { stereo: stereo.unwrap_or(false) || mono_pack, mono_pack, loudspeaker }
}

/// What a part's table says besides its level.
pub(super) fn part<'t>(walk: &mut Walk<'t>, table: &Table<'t>, name: &str, pack: Pack, part: &mut FeedPart) {
    let pan =
        table.get("pan").and_then(|node| Some((node, walk.number(&node, -1.0..=1.0, " (left to right)")?)));
    if let Some((node, pan)) = pan {
        part.pan = pan;
        let what = match (pack.stereo, pack.mono_pack) {
            (false, _) => Some(("a mono feed has no left and right", "add stereo = true to the feed")),
            (_, true) => Some(("a mono pack has the mix left and the click right", "take `pan` out")),
            _ => None,
        };
        if let Some((what, mend)) = what.filter(|_| pan != 0.0) {
            walk.fault(node.at, Wrong::new(what, "pan = 0, or a stereo feed", mend));
        }
    }
    if let Some(node) = table.get("inverted") {
        part.inverted = sides(walk, &node);
        if !pack.stereo && matches!(part.inverted, Sides::Left | Sides::Right) {
            let what = "a mono feed has no left and right";
            walk.fault(node.at, Wrong::new(what, "\"both\" or \"none\"", "write inverted = \"both\""));
        } else if pack.stereo && !pack.mono_pack && cancels(part) {
            let wrong = Wrong::new(
                format!("\"{name}\" leaves left and right in opposite polarity: heard in mono it is gone"),
                "one polarity on both sides, or one side only",
                "write inverted = \"both\" or take it out; for one earpiece or a mono pack, pack = \"mono\" puts the \
                 mix left and the click right",
            );
            walk.fault(node.at, wrong);
        }
    }
    part.may_howl = table.get("may_howl").and_then(|node| walk.boolean(&node)).unwrap_or(false);
}

fn sides<'t>(walk: &mut Walk<'t>, node: &Node<'t>) -> Sides {
    let words =
        [("none", Sides::None), ("left", Sides::Left), ("right", Sides::Right), ("both", Sides::Both)];
    walk.choice(node, &words).unwrap_or(Sides::None)
}

/// The two sides of a part on a stereo feed: linear, below 0 where its polarity is turned round.
pub fn sides_of(part: &FeedPart) -> (f64, f64) {
    let gain = f64::from(part.level.gain());
    let sign = |turned: bool| if turned { -1.0 } else { 1.0 };
    let left = gain * (1.0 - part.pan).min(1.0) * sign(matches!(part.inverted, Sides::Left | Sides::Both));
    let right = gain * (1.0 + part.pan).min(1.0) * sign(matches!(part.inverted, Sides::Right | Sides::Both));
    (left, right)
}

/// Heard in mono, little is left of it.
fn cancels(part: &FeedPart) -> bool {
    let (left, right) = sides_of(part);
    left * right < 0.0 && (left + right).abs() < CANCELS * left.abs().max(right.abs())
}

/// A microphone in a loudspeaker that it hears howls.
pub(super) fn check_howl<'t>(walk: &mut Walk<'t>, pack: Pack, part: &FeedPart, inputs: &[Input], at: Place) {
    let FeedSource::Input(index) = part.source else { return };
    if !pack.loudspeaker || part.may_howl {
        return;
    }
    let name = inputs.get(index).map_or("", |input| input.name.as_str());
    let wrong = Wrong::new(
        format!("the microphone \"{name}\" would be heard from a loudspeaker: it may howl"),
        "clicks; a microphone only with may_howl = true beside it",
        format!(
            "take it out, or write {name} = {{ level = -12, may_howl = true }} when it cannot hear that loudspeaker"
        ),
    );
    walk.fault(at, wrong);
}

/// Feeds that are folded onto one channel, of which one has a source turned round and another not.
pub(super) fn fold_cancels(parts: &[(&str, &FeedPart)]) -> Option<String> {
    for (index, (name, part)) in parts.iter().enumerate() {
        let turned = |part: &FeedPart| part.inverted == Sides::Both;
        let other = parts.iter().skip(index + 1);
        let mut other =
            other.filter(|(_, other)| other.source == part.source && turned(other) != turned(part));
        if let Some((other, _)) = other.next() {
            return Some(format!("{name} and {other}"));
        }
    }
    None
}
