//! What a song says of one click: its style, where it sounds, and a click track that is streamed.

use super::band::{Band, unknown_name};
use super::keys;
use super::model::{BarBeat, ClickRange, Section, StreamDef, StreamStart};
use super::music;
use super::style::{self, Patch};
use super::walk::{Node, Table, Walk, Wrong, number_text};
use crate::units::Decibels;
use std::path::Path;

/// `[song.click.NAME]` as read; everything that needs the sections is kept with its place.
#[derive(Clone, Debug, Default)]
pub(super) struct SongClick<'t> {
    pub(super) patch: Patch,
    pub(super) stream: Option<StreamDef>,
    table: Option<Table<'t>>,
    from: Option<(Node<'t>, u32, Option<u32>)>,
    until: Option<(Node<'t>, u32, Option<u32>)>,
    only_in: Option<Vec<(Node<'t>, &'t str)>>,
}

impl<'t> SongClick<'t> {
    /// True when `only_in` names other sections than this one.
    pub(super) fn leaves_out(&self, section: &str) -> bool {
        self.only_in.as_ref().is_some_and(|names| names.iter().all(|(_, name)| *name != section))
    }
}

/// Reads `[song.click]`: one entry per click of the show.
pub(super) fn read<'t>(walk: &mut Walk<'t>, song: &Table<'t>, band: &Band) -> Vec<SongClick<'t>> {
    let mut clicks = vec![SongClick::default(); band.clicks.len()];
    let Some(node) = song.get("click") else { return clicks };
    for entry in walk.named(&node) {
        let Some(index) = band.known_click(walk, entry.key, entry.key_at) else { continue };
        let Some(table) = walk.table(&entry, &keys::SONG_CLICK) else { continue };
        let click = SongClick {
            patch: style::patch(walk, &table, &band.sounds),
            stream: table.get("stream").and_then(|node| {
                super::external::refuse_stream(walk, band, index, &node);
                stream(walk, &node, &band.folder)
            }),
            from: table.get("from").and_then(|node| place(walk, &node)),
            until: table.get("until").and_then(|node| place(walk, &node)),
            only_in: table.get("only_in").and_then(|node| names(walk, &node)),
            table: Some(table),
        };
        if let Some(slot) = clicks.get_mut(index) {
            *slot = click;
        }
    }
    clicks
}

/// A place in the song, written as a number or a text.
fn place<'t>(walk: &mut Walk<'t>, node: &Node<'t>) -> Option<(Node<'t>, u32, Option<u32>)> {
    let text = match number_text(node.value) {
        Some(number) => number,
        None => walk.string(node)?,
    };
    walk.take(node, music::bar_beat(text)).map(|(bar, beat)| (*node, bar, beat))
}

fn names<'t>(walk: &mut Walk<'t>, node: &Node<'t>) -> Option<Vec<(Node<'t>, &'t str)>> {
    let items = walk.list(node)?;
    if items.is_empty() {
        walk.wrong(node, "`only_in` names no section", "names of sections");
        return None;
    }
    Some(items.iter().filter_map(|item| walk.string(item).map(|name| (*item, name))).collect())
}

fn stream<'t>(walk: &mut Walk<'t>, node: &Node<'t>, folder: &Path) -> Option<StreamDef> {
    if node.value.is_str() {
        let (file, _) = walk.wav(node, folder)?;
        let (starts, level) = (StreamStart::CountIn, Decibels(0.0));
        return Some(StreamDef { file, starts, offset_ms: 0.0, channel: 0, level });
    }
    if !node.value.is_table() {
        walk.wrong(
            node,
            "`stream` must be a WAV file or a table",
            "\"low_tide.wav\" or { file = \"low_tide.wav\" }",
        );
        return None;
    }
    let table = walk.table(node, &keys::STREAM)?;
    let file = super::section::need(walk, &table, "file").and_then(|node| walk.wav(&node, folder));
    let starts = [("count in", StreamStart::CountIn), ("bar 1", StreamStart::BarOne)];
    let starts =
        table.get("starts").and_then(|node| walk.choice(&node, &starts)).unwrap_or(StreamStart::CountIn);
    let offset = table.get("offset_ms").and_then(|node| walk.number(&node, -600_000.0..=600_000.0, " ms"));
    let level = table.get("level").and_then(|node| style::level(walk, &node)).unwrap_or(Decibels(0.0));
    let most = file.as_ref().map_or(u32::from(u16::MAX), |(_, header)| u32::from(header.channels));
    let channel = table.get("channel").and_then(|node| walk.whole(&node, 1..=most, " (the file's channels)"));
    let channel = channel.unwrap_or(1) as u16 - 1;
    Some(StreamDef { file: file?.0, starts, offset_ms: offset.unwrap_or(0.0), channel, level })
}

/// Bars of a song as they are performed.
#[derive(Debug)]
pub(super) struct Performed<'s> {
    sections: &'s [Section],
}

impl<'s> Performed<'s> {
    pub(super) fn new(sections: &'s [Section]) -> Self {
        Performed { sections }
    }

    pub(super) fn bars(&self) -> u32 {
        self.sections.iter().map(|section| section.bars.len() as u32 * section.repeats).sum()
    }

    /// Beats of a performed bar, from 1.
    fn beats(&self, bar: u32) -> Option<u32> {
        let mut left = bar.checked_sub(1)?;
        for section in self.sections {
            let bars = section.bars.len() as u32;
            if left < bars * section.repeats {
                return section.bars.get((left % bars) as usize).map(|metre| metre.groups.len() as u32);
            }
            left -= bars * section.repeats;
        }
        None
    }
}

/// Checks places and names against the finished sections and gives each click's range.
pub(super) fn ranges<'t>(
    walk: &mut Walk<'t>,
    clicks: &[SongClick<'t>],
    sections: &[Section],
) -> Vec<ClickRange> {
    let performed = Performed::new(sections);
    let beats =
        sections.iter().flat_map(|section| &section.bars).map(|bar| bar.groups.len()).max().unwrap_or(1);
    let mut ranges = Vec::new();
    for click in clicks {
        if let Some(table) = &click.table {
            style::check_beats(walk, table, &click.patch, beats, "this song");
        }
        for (node, name) in click.only_in.iter().flatten() {
            if !sections.iter().any(|section| section.name == *name) {
                let names = sections.iter().map(|section| section.name.as_str());
                walk.fault(node.at, unknown_name("section", name, names));
            }
        }
        ranges.push(range(walk, click, &performed));
    }
    ranges
}

fn range<'t>(walk: &mut Walk<'t>, click: &SongClick<'t>, performed: &Performed<'_>) -> ClickRange {
    let from = click.from.and_then(|place| bar_beat(walk, performed, place, false));
    let until = click.until.and_then(|place| bar_beat(walk, performed, place, true));
    if let (Some(from), Some(until), Some((node, ..))) = (from, until, click.until)
        && until < from
    {
        let wrong = Wrong::new(
            format!(
                "this click ends at {} and begins at {}",
                music::bar_beat_text(until),
                music::bar_beat_text(from)
            ),
            "`until` at or after `from`",
            "exchange them, or mend one",
        );
        walk.fault(node.at, wrong);
    }
    ClickRange { from, until }
}

/// A written place as bar and beat. Without a beat, `from` means the first, `until` the last of its bar.
fn bar_beat<'t>(
    walk: &mut Walk<'t>,
    performed: &Performed<'_>,
    (node, bar, beat): (Node<'t>, u32, Option<u32>),
    last: bool,
) -> Option<BarBeat> {
    let Some(beats) = performed.beats(bar) else {
        let bars = performed.bars();
        let wrong = Wrong::new(
            format!("this song has no bar {bar}"),
            format!("bars 1 to {bars}, repeats counted, vamps once"),
            format!("write a bar from 1 to {bars}"),
        );
        walk.fault(node.at, wrong);
        return None;
    };
    let beat = beat.unwrap_or(if last { beats } else { 1 });
    if beat > beats {
        let wrong = Wrong::new(
            format!("bar {bar} has no beat {beat}"),
            format!("beats 1 to {beats} in bar {bar}"),
            format!("write \"{bar}.{beats}\", or another beat from 1 to {beats}"),
        );
        walk.fault(node.at, wrong);
        return None;
    }
    Some(BarBeat { bar, beat })
}
