//! The bars of click before bar 1.

use super::band::Band;
use super::keys;
use super::model::{Count, CountIn, Metre, Section};
use super::music;
use super::style;
use super::walk::{Node, Table, Walk, Wrong};
use crate::units::{Decibels, Whole};
use std::path::PathBuf;

const MOST_BARS: u32 = 16;
const MOST_VOICES: usize = 64;
/// Below this many beats a minute one bar is enough (common practice, no source).
const SLOW: i64 = 80;

/// The counts of one bar: a number per beat, `None` for a rest.
type Cells = Vec<Option<u32>>;

/// The count-in of a song whose first section is given. `None`: the song has none.
pub(super) fn read<'t>(
    walk: &mut Walk<'t>,
    song: &Table<'t>,
    first: &Section,
    band: &mut Band,
) -> Option<CountIn> {
    let metre = first.bars.first()?.clone();
    let usual = usual_bars(&metre, first);
    let all: Vec<usize> = (0..band.clicks.len()).collect();
    let plain = |bars| count_in(&metre, default_pattern(&metre, bars), all.clone());
    let Some(node) = song.get("count_in") else { return Some(plain(usual)) };
    match node.value.as_bool() {
        Some(true) => return Some(plain(usual)),
        Some(false) => return None,
        None => {}
    }
    if node.value.is_integer() {
        let bars = walk.whole(&node, 0..=MOST_BARS, " bars")?;
        return (bars > 0).then(|| plain(bars));
    }
    if !node.value.is_table() {
        walk.wrong(&node, "`count_in` must be bars, false or a table", "0 to 16, false, { bars = 2 }");
        return None;
    }
    let table = walk.table(&node, &keys::COUNT_IN)?;
    let cells = pattern(walk, &table, &metre, usual)?;
    let clicks = table.get("clicks").and_then(|node| clicks(walk, &node, band)).unwrap_or(all);
    let voice = table.get("voice").and_then(|node| voice(walk, &node, band));
    let level = table.get("level").and_then(|node| style::level(walk, &node)).unwrap_or(Decibels(0.0));
    let count_in = count_in(&metre, cells, clicks);
    if let Some(voice) = &voice {
        enough_voices(walk, &table, &count_in, voice.len());
    }
    Some(CountIn { voice, voice_level: level, ..count_in })
}

/// 4/4: two bars, one when slow. Other metres: one bar by its grouping, two where it has fewer than
/// three beats.
fn usual_bars(metre: &Metre, first: &Section) -> u32 {
    let beat = music::beat_note(metre);
    let slow = first.tempo.wholes_per_minute() / beat < Whole::from_integer(SLOW);
    match metre.groups.len() {
        1 | 2 => 2,
        4 if *metre == music::common_time() && !slow => 2,
        _ => 1,
    }
}

/// Every beat counted; in 4/4 each bar before the last counts "1 - 2 -".
fn default_pattern(metre: &Metre, bars: u32) -> Vec<Cells> {
    let full: Cells = (1..=metre.groups.len() as u32).map(Some).collect();
    let early =
        if *metre == music::common_time() { vec![Some(1), None, Some(2), None] } else { full.clone() };
    let mut cells = vec![early; bars.saturating_sub(1) as usize];
    cells.push(full);
    cells
}

fn count_in(metre: &Metre, cells: Vec<Cells>, clicks: Vec<usize>) -> CountIn {
    let starts = metre.beat_starts();
    let mut counts = Vec::new();
    for (bar, cells) in cells.iter().enumerate() {
        let bar_start = metre.length() * Whole::from_integer(bar as i64);
        for (beat, (cell, start)) in cells.iter().zip(&starts).enumerate() {
            counts.extend(cell.map(|number| Count { at: bar_start + start, number, accent: beat == 0 }));
        }
    }
    let bars = vec![metre.clone(); cells.len()];
    CountIn { bars, counts, clicks, voice: None, voice_level: Decibels(0.0) }
}

fn pattern<'t>(walk: &mut Walk<'t>, table: &Table<'t>, metre: &Metre, usual: u32) -> Option<Vec<Cells>> {
    let bars = match table.get("bars") {
        Some(node) => Some(walk.whole(&node, 1..=MOST_BARS, " bars")?),
        None => None,
    };
    let Some(node) = table.get("pattern") else { return Some(default_pattern(metre, bars.unwrap_or(usual))) };
    let text = walk.string(&node)?;
    let cells = walk.take(&node, cells(text, metre))?;
    if let Some(bars) = bars.filter(|bars| *bars as usize != cells.len()) {
        let wrong = Wrong::new(
            format!("the pattern has {} bars, and `bars` says {bars}", cells.len()),
            "the same number, or no `bars`",
            "take `bars` out; the pattern says it",
        );
        walk.fault(table.place("bars"), wrong);
        return None;
    }
    Some(cells)
}

/// "1 - 2 - / 1 2 3 4": bars by "/", one cell a beat.
fn cells(text: &str, metre: &Metre) -> Result<Vec<Cells>, Wrong> {
    let beats = metre.groups.len();
    let example =
        default_pattern(metre, 1).concat().iter().flatten().map(u32::to_string).collect::<Vec<_>>().join(" ");
    let wrong = |what: String| {
        Wrong::new(
            what,
            format!(
                "{beats} cells a bar (the first bar is {}): numbers 1 to 64 or -, bars parted by /",
                music::metre_text(metre)
            ),
            format!("write for example pattern = \"{example}\""),
        )
    };
    let cell = |cell: &str| match cell {
        "-" | "\u{2013}" | "\u{2212}" => Some(None),
        number => number.parse::<u32>().ok().filter(|n| (1..=64).contains(n)).map(Some),
    };
    let bars: Vec<&str> = text.split('/').collect();
    if bars.len() > MOST_BARS as usize {
        return Err(wrong(format!("this pattern has {} bars; 16 are the most", bars.len())));
    }
    let mut out = Vec::new();
    for (index, bar) in bars.iter().enumerate() {
        let cells = bar.split_whitespace().map(cell).collect::<Option<Cells>>();
        let cells = cells.ok_or_else(|| wrong("this pattern holds more than numbers, - and /".into()))?;
        if cells.len() != beats {
            return Err(wrong(format!("bar {} of this pattern has {} cells", index + 1, cells.len())));
        }
        out.push(cells);
    }
    if out.iter().flatten().all(Option::is_none) {
        return Err(wrong("this pattern counts nothing".into()));
    }
    Ok(out)
}

fn clicks<'t>(walk: &mut Walk<'t>, node: &Node<'t>, band: &Band) -> Option<Vec<usize>> {
    let mut clicks = Vec::new();
    for item in walk.list(node)? {
        let Some(name) = walk.string(&item) else { continue };
        let Some(index) = band.known_click(walk, name, item.at) else { continue };
        if clicks.contains(&index) {
            walk.fault(
                item.at,
                Wrong::new(format!("\"{name}\" is named twice"), "each click once", "take one out"),
            );
            continue;
        }
        clicks.push(index);
    }
    if clicks.is_empty() && node.value.as_array().is_some_and(|list| list.is_empty()) {
        walk.wrong(node, "nobody would hear this count-in", "names of clicks, or count_in = false");
    }
    Some(clicks)
}

fn voice<'t>(walk: &mut Walk<'t>, node: &Node<'t>, band: &mut Band) -> Option<Vec<PathBuf>> {
    let items = walk.list(node)?;
    if items.is_empty() || items.len() > MOST_VOICES {
        walk.wrong(node, "`voice` needs a file for each number that is said", "1 to 64 WAV files");
        return None;
    }
    let folder = band.folder.clone();
    let mut files = Vec::new();
    for item in &items {
        let Some((path, seconds)) = walk.short_wav(item, &folder) else { continue };
        band.sounds.keep(walk, item, seconds);
        files.push(path);
    }
    (files.len() == items.len()).then_some(files)
}

fn enough_voices<'t>(walk: &mut Walk<'t>, table: &Table<'t>, count_in: &CountIn, files: usize) {
    let highest = count_in.counts.iter().map(|count| count.number).max().unwrap_or(0);
    if highest as usize > files {
        let wrong = Wrong::new(
            format!("the count-in says {highest}, and `voice` has files up to {files}"),
            format!("{highest} files, the first for \"one\""),
            format!("add files up to {highest}, or count no further than {files}"),
        );
        walk.fault(table.place("voice"), wrong);
    }
}
