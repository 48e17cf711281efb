//! One section: its bars, its tempo and how that moves, and how each click sounds in it.

use super::band::Band;
use super::bars::Bars;
use super::keys;
use super::model::{Fade, Law, Metre, Part, Section, Tempo, TempoMove};
use super::music;
use super::song_click::SongClick;
use super::style::{self, Patch};
use super::walk::{Node, Table, Walk, Wrong, number_text};
use crate::units::{Decibels, Whole};

pub(super) const MOST_BARS: u32 = 2000;
pub(super) const MOST_REPEATS: u32 = 999;

/// What a section takes over from the end of the one before it.
#[derive(Clone, Debug)]
pub(super) struct Carry {
    pub(super) metre: Metre,
    pub(super) tempo: Option<Tempo>,
}

/// Reads a section. The carry moves on to its end. What is missing is told and made up, so that the rest
/// of it is looked at as well. `None` when it is no table.
pub(super) fn section<'t>(
    walk: &mut Walk<'t>,
    node: &Node<'t>,
    number: usize,
    band: &Band,
    song: &[SongClick<'t>],
    carry: &mut Carry,
) -> Option<Section> {
    let table = walk.table(node, &keys::SECTION)?;
    let name = table.get("name").and_then(|node| walk.label(&node, 60));
    let name = name.map_or_else(|| format!("section {number}"), String::from);
    let metre = table.get("metre").and_then(|node| metre(walk, &node)).unwrap_or_else(|| carry.metre.clone());
    let bars = read_bars(walk, &table, &name, metre);
    let repeats = table.get("repeats").and_then(|node| walk.whole(&node, 1..=MOST_REPEATS, "")).unwrap_or(1);
    let flag =
        |walk: &mut Walk<'t>, key| table.get(key).and_then(|node| walk.boolean(&node)).unwrap_or(false);
    let (vamp, hold) = (flag(walk, "vamp"), flag(walk, "hold"));
    if vamp && repeats > 1 {
        let wrong = Wrong::new(
            "a vamp repeats until it is released",
            "vamp = true or repeats, not both",
            "take `repeats` out, or put the vamp into a section of its own",
        );
        walk.fault(table.place("repeats"), wrong);
    }
    let here = bars.first().cloned().unwrap_or_else(music::common_time);
    let tempo = match table.get("tempo") {
        Some(node) => tempo(walk, &node, &here),
        None if carry.tempo.is_none() && !table.means("tempo") => {
            super::song::no_tempo(walk, table.at);
            None
        }
        None => carry.tempo,
    };
    let tempo = tempo.unwrap_or_else(|| stand_in(&here));
    let places = Bars::new(&bars);
    let moves = tempo_moves(walk, &table, &places);
    let patches = section_clicks(walk, &table, band, &places);
    carry.metre = bars.last().cloned().unwrap_or(here);
    carry.tempo = Some(moves.last().map_or(tempo, |step| step.to));
    let parts = parts(band, song, &patches, &name);
    let ambient = table.get("ambient").and_then(|node| style::level(walk, &node));
    Some(Section { name, repeats, vamp, hold, tempo, moves, parts, bars, ambient })
}

/// A tempo in place of one that a fault has told of.
pub(super) fn stand_in(metre: &Metre) -> Tempo {
    Tempo { note: music::beat_note(metre), per_minute: 120.into() }
}

pub(super) fn metre<'t>(walk: &mut Walk<'t>, node: &Node<'t>) -> Option<Metre> {
    let text = walk.string(node)?;
    walk.take(node, music::metre(text))
}

pub(super) fn tempo<'t>(walk: &mut Walk<'t>, node: &Node<'t>, metre: &Metre) -> Option<Tempo> {
    let text = match number_text(node.value) {
        Some(number) => number,
        None => match node.value.as_str() {
            Some(text) => text,
            None => {
                walk.wrong(node, format!("`{}` must be a tempo", node.key), "132, 137.3, \"1/4. = 88\"");
                return None;
            }
        },
    };
    walk.take(node, music::tempo(text, metre))
}

fn read_bars<'t>(walk: &mut Walk<'t>, table: &Table<'t>, name: &str, metre: Metre) -> Vec<Metre> {
    let count = match table.get("bars") {
        Some(node) => walk.whole(&node, 1..=MOST_BARS, " bars"),
        None if table.means("bars") => None,
        None => {
            let what = format!("\"{name}\" does not say how long it is");
            walk.missing(table.at, Wrong::new(what, "1 to 2,000 bars", "add for example bars = 16"));
            None
        }
    };
    // Where the length is not known, no place lies beyond it.
    let count = count.unwrap_or(MOST_BARS);
    let mut bars = vec![metre; count as usize];
    for (bar, metre) in metre_changes(walk, table, count) {
        bars.iter_mut().skip(bar as usize - 1).for_each(|slot| slot.clone_from(&metre));
    }
    bars
}

fn metre_changes<'t>(walk: &mut Walk<'t>, table: &Table<'t>, count: u32) -> Vec<(u32, Metre)> {
    let items = table.get("metre_changes").and_then(|node| walk.list(&node)).unwrap_or_default();
    let mut changes: Vec<(u32, Metre)> = Vec::new();
    for item in items {
        let Some(table) = walk.table(&item, &keys::METRE_CHANGE) else { continue };
        let bar = need(walk, &table, "bar").and_then(|node| bar_in(walk, &node, count));
        let metre = need(walk, &table, "metre").and_then(|node| metre(walk, &node));
        let Some((bar, metre)) = bar.zip(metre) else { continue };
        if changes.last().is_some_and(|(last, _)| *last >= bar) {
            let wrong = Wrong::new(
                format!("the metre change at bar {bar} does not come after the one before it"),
                "changes in the order of their bars",
                "put the changes in order, one for each bar at most",
            );
            walk.fault(table.place("bar"), wrong);
            continue;
        }
        changes.push((bar, metre));
    }
    changes
}

/// A key that its table must have.
pub(super) fn need<'t>(walk: &mut Walk<'t>, table: &Table<'t>, key: &'static str) -> Option<Node<'t>> {
    let found = table.get(key);
    if !table.means(key) {
        let (what, example) = table.lacking(key);
        walk.missing(table.at, Wrong::new(what, format!("`{key}` must be there"), format!("add {example}")));
    }
    found
}

fn bar_in<'t>(walk: &mut Walk<'t>, node: &Node<'t>, count: u32) -> Option<u32> {
    let bar = walk.whole(node, 1..=1_000_000, "")?;
    if bar > count {
        let wrong = Wrong::new(
            format!("there is no bar {bar} in this section"),
            format!("bars 1 to {count}, counted from the section's start"),
            format!("write a bar from 1 to {count}"),
        );
        walk.fault(node.at, wrong);
        return None;
    }
    Some(bar)
}

fn tempo_moves<'t>(walk: &mut Walk<'t>, table: &Table<'t>, places: &Bars<'_>) -> Vec<TempoMove> {
    let items = table.get("tempo_moves").and_then(|node| walk.list(&node)).unwrap_or_default();
    let mut moves: Vec<(TempoMove, Node<'t>)> = Vec::new();
    for item in items {
        if let Some(step) = tempo_move(walk, &item, places) {
            moves.push((step, item));
        }
    }
    moves.sort_by_key(|(step, _)| step.from);
    for pair in moves.windows(2) {
        let [(first, _), (second, node)] = pair else { continue };
        if second.from < first.from + first.over || second.from == first.from {
            let wrong = Wrong::new(
                "this tempo move begins before the one before it has ended",
                "one move at a time",
                "begin it later, or shorten the one before it",
            );
            walk.fault(node.at, wrong);
        }
    }
    moves.into_iter().map(|(step, _)| step).collect()
}

fn tempo_move<'t>(walk: &mut Walk<'t>, node: &Node<'t>, places: &Bars<'_>) -> Option<TempoMove> {
    let table = walk.table(node, &keys::TEMPO_MOVE)?;
    let laws = [
        ("linear in beats", Law::LinearInBeats),
        ("linear in time", Law::LinearInTime),
        ("exponential in beats", Law::ExponentialInBeats),
    ];
    let law = table.get("law").and_then(|node| walk.choice(&node, &laws)).unwrap_or(Law::LinearInBeats);
    let bar = need(walk, &table, "bar").and_then(|node| bar_in(walk, &node, places.bars.len() as u32));
    let to = need(walk, &table, "to");
    let bar = bar?;
    let metre = places.bars.get(bar as usize - 1)?;
    let to = to.and_then(|node| tempo(walk, &node, metre));
    let beat = match table.get("beat") {
        Some(node) => beat_in(walk, &node, metre)?,
        None => 1,
    };
    let from = places.beat(bar, beat)?;
    let over = over(walk, &table, places, bar, beat, from)?;
    Some(TempoMove { from, over, to: to?, law })
}

fn beat_in<'t>(walk: &mut Walk<'t>, node: &Node<'t>, metre: &Metre) -> Option<u32> {
    let beat = walk.whole(node, 1..=64, "")?;
    let beats = metre.groups.len() as u32;
    if beat > beats {
        let wrong = Wrong::new(
            format!("a bar of {} has no beat {beat}", music::metre_text(metre)),
            format!("beats 1 to {beats}"),
            format!("write a beat from 1 to {beats}"),
        );
        walk.fault(node.at, wrong);
        return None;
    }
    Some(beat)
}

/// How long a tempo move takes; 0 when it does not say, which is a step.
fn over<'t>(
    walk: &mut Walk<'t>,
    table: &Table<'t>,
    places: &Bars<'_>,
    bar: u32,
    beat: u32,
    from: Whole,
) -> Option<Whole> {
    let (in_bars, in_beats) = (table.get("over_bars"), table.get("over_beats"));
    let (node, end) = match (in_bars, in_beats) {
        (None, None) => return Some(Whole::from_integer(0)),
        (Some(_), Some(node)) => {
            let wrong =
                Wrong::new("a move takes bars or beats, not both", "over_bars or over_beats", "take one out");
            walk.fault(node.at, wrong);
            return None;
        }
        (Some(node), None) => {
            (node, places.bars_after(bar, from, walk.whole(&node, 1..=MOST_BARS, " bars")?))
        }
        (None, Some(node)) => {
            (node, places.beats_after(bar, beat, walk.whole(&node, 1..=128_000, " beats")?))
        }
    };
    if end.is_none() {
        let bars = places.bars.len();
        let wrong = Wrong::new(
            format!("this move runs past the end of its section, which has {bars} bars"),
            "a move ends in the section it begins in",
            "shorten it, begin it earlier, or split it at the section's end",
        );
        walk.fault(node.at, wrong);
    }
    end.map(|end| end - from)
}

/// What `[song.section.click]` says, per click of the show.
fn section_clicks<'t>(
    walk: &mut Walk<'t>,
    table: &Table<'t>,
    band: &Band,
    places: &Bars<'_>,
) -> Vec<(Patch, Option<Fade>)> {
    let mut patches = vec![(Patch::default(), None); band.clicks.len()];
    let Some(node) = table.get("click") else { return patches };
    let beats = places.bars.iter().map(|bar| bar.groups.len()).max().unwrap_or(1);
    for entry in walk.named(&node) {
        let Some(index) = band.known_click(walk, entry.key, entry.key_at) else { continue };
        let Some(table) = walk.table(&entry, &keys::SECTION_CLICK) else { continue };
        let patch = style::patch(walk, &table, &band.sounds);
        style::check_beats(walk, &table, &patch, beats, "this section");
        let fade = table.get("fade").and_then(|node| fade(walk, &node, places));
        if let Some(slot) = patches.get_mut(index) {
            *slot = (patch, fade);
        }
    }
    patches
}

fn fade<'t>(walk: &mut Walk<'t>, node: &Node<'t>, places: &Bars<'_>) -> Option<Fade> {
    let table = walk.table(node, &keys::FADE)?;
    let start = table.get("from").and_then(|node| style::level(walk, &node)).unwrap_or(Decibels(0.0));
    let end = need(walk, &table, "to").and_then(|node| style::level(walk, &node));
    let bar = match table.get("bar") {
        Some(node) => bar_in(walk, &node, places.bars.len() as u32)?,
        None => 1,
    };
    let from = places.start(bar)?;
    let until = match table.get("over_bars") {
        None => places.length(),
        Some(node) => {
            let bars = walk.whole(&node, 1..=MOST_BARS, " bars")?;
            let end = places.bars_after(bar, from, bars);
            if end.is_none() {
                let left = places.bars.len() as u32 + 1 - bar;
                let wrong = Wrong::new(
                    "this fade runs past the end of its section",
                    format!("1 to {left} bars"),
                    format!("write over_bars = {left}"),
                );
                walk.fault(node.at, wrong);
            }
            end?
        }
    };
    Some(Fade { from, over: until - from, start, end: end? })
}

/// How each click sounds in a section of this name.
pub(super) fn parts<'t>(
    band: &Band,
    song: &[SongClick<'t>],
    section: &[(Patch, Option<Fade>)],
    name: &str,
) -> Vec<Part> {
    let none = (Patch::default(), None);
    let part = |(index, (click, song)): (usize, (&super::band::ClickDraft, &SongClick<'t>))| {
        let (patch, fade) = section.get(index).unwrap_or(&none);
        let layers = [&click.patch, &song.patch, patch];
        let (primary, fallback) = style::resolve(&layers);
        let rests = patch.silent.unwrap_or(song.patch.silent == Some(true) || song.leaves_out(name));
        Part {
            sounds: !rests,
            primary,
            fallback,
            level: layers.iter().rev().find_map(|layer| layer.level).unwrap_or(Decibels(0.0)),
            sound: layers.iter().rev().find_map(|layer| layer.sound).unwrap_or(0),
            fade: *fade,
        }
    };
    band.clicks.iter().zip(song).enumerate().map(part).collect()
}
