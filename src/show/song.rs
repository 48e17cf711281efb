//! One song: title, tempo, metre, count-in, sections.

use super::band::Band;
use super::count_in;
use super::keys;
use super::limits::{self, Used};
use super::model::{Section, Song, SongKind};
use super::music;
use super::section::{self, Carry, MOST_BARS};
use super::song_click::{self, SongClick};
use super::walk::{Node, Place, Table, Walk, Wrong};
use crate::units::Whole;

pub(super) const MOST_SECTIONS: usize = 200;
/// The title of a song as messages give it.
pub(super) fn title_of(node: &Node<'_>, number: usize) -> String {
    let title = node.value.get("title").and_then(|title| title.get_ref().as_str());
    let title = title.map(super::fault::quote).filter(|title| !title.is_empty());
    title.unwrap_or_else(|| format!("song {number}"))
}

/// Reads a song. `None` when a fault lies in it.
pub(super) fn song<'t>(
    walk: &mut Walk<'t>,
    node: &Node<'t>,
    number: usize,
    band: &mut Band,
    used: &mut Used,
) -> Option<Song> {
    let before = walk.count;
    walk.song = Some(title_of(node, number));
    let song = read(walk, node, number, band, used);
    walk.song = None;
    song.filter(|_| walk.count == before)
}

fn read<'t>(
    walk: &mut Walk<'t>,
    node: &Node<'t>,
    number: usize,
    band: &mut Band,
    used: &mut Used,
) -> Option<Song> {
    let table = walk.table(node, &keys::SONG)?;
    let title = match table.get("title") {
        Some(node) => walk.label(&node, 80).unwrap_or_default().to_string(),
        None => {
            if !table.means("title") {
                let wrong =
                    Wrong::new(format!("song {number} has no title"), "a title", "add title = \"Low Tide\"");
                walk.missing(table.at, wrong);
            }
            String::new()
        }
    };
    let note = table.get("note").and_then(|node| walk.label(&node, 200)).unwrap_or_default().to_string();
    let kinds = [("click", SongKind::Click), ("no click", SongKind::NoClick), ("talk", SongKind::Talk)];
    let kind = match table.get("kind") {
        // Which keys are right depends on it.
        Some(node) => walk.choice(&node, &kinds)?,
        None => SongKind::Click,
    };
    let flag =
        |walk: &mut Walk<'t>, key| table.get(key).and_then(|node| walk.boolean(&node)).unwrap_or(false);
    let (encore, segue) = (flag(walk, "encore"), flag(walk, "segue"));
    let timecode = table.get("timecode").and_then(|node| timecode(walk, &node));
    let line = walk.line(table.at);
    let clicks = band.clicks.len();
    let silent = Song {
        title,
        note,
        kind,
        encore,
        segue,
        timecode,
        count_in: None,
        pickup: Whole::from_integer(0),
        sections: Vec::new(),
        number: 1,
        click_ranges: vec![Default::default(); clicks],
        streams: vec![None; clicks],
        line,
    };
    if kind != SongKind::Click {
        refuse_music(walk, &table);
        return Some(silent);
    }
    music_of(walk, &table, silent, band, used)
}

fn timecode<'t>(walk: &mut Walk<'t>, node: &Node<'t>) -> Option<u32> {
    let text = walk.string(node)?;
    match super::slots::parse(text) {
        Ok(seconds) => Some(seconds),
        Err(what) => {
            let what = format!("\"{}\": {what}", super::fault::quote(text));
            walk.fault(
                node.at,
                Wrong::new(what, "00:10:00 to 23:59:59", "write for example timecode = \"01:00:00\""),
            );
            None
        }
    }
}

/// Keys that mean nothing where no click sounds.
fn refuse_music<'t>(walk: &mut Walk<'t>, table: &Table<'t>) {
    for key in ["tempo", "metre", "pickup", "count_in", "bars", "vamp", "click", "section"] {
        if let Some(node) = table.get(key) {
            let wrong = Wrong::new(
                format!("without click `{key}` means nothing"),
                "title, note, encore, segue",
                format!("take `{key}` out (a note may say it), or write kind = \"click\""),
            );
            walk.fault(node.at, wrong);
        }
    }
}

fn music_of<'t>(
    walk: &mut Walk<'t>,
    table: &Table<'t>,
    mut song: Song,
    band: &mut Band,
    used: &mut Used,
) -> Option<Song> {
    let clicks = song_click::read(walk, table, band);
    let items = match table.get("section") {
        Some(node) => walk.list(&node)?,
        None => Vec::new(),
    };
    let (mut carry, mut metre_is_good) = start(walk, table, &items);
    if let Some(metre) = items.first().and_then(|first| first.value.get("metre")) {
        metre_is_good = metre.get_ref().as_str().is_some_and(|text| music::metre(text).is_ok());
    }
    let before = walk.count;
    song.sections = if table.get("section").is_some() {
        several(walk, table, &items, band, &clicks, &mut carry)
    } else {
        vec![single(walk, table, &song.title, band, &clicks, &carry)]
    };
    if walk.count == before {
        song.click_ranges = song_click::ranges(walk, &clicks, &song.sections);
    }
    song.streams = clicks.iter().map(|click| click.stream.clone()).collect();
    let first = song.sections.first()?;
    if metre_is_good {
        song.count_in = count_in::read(walk, table, first, band);
        song.pickup = pickup(walk, table, first);
    }
    if walk.count == before {
        limits::hold(walk, table.at, &song.sections, band, used);
        mark_separate(band, &song);
    }
    Some(song)
}

/// The song's own metre and tempo. A plain tempo counts the beat of the song's metre, else of the
/// first section's. Also tells whether the metre stands.
fn start<'t>(walk: &mut Walk<'t>, table: &Table<'t>, items: &[Node<'t>]) -> (Carry, bool) {
    let own = table.get("metre").and_then(|node| section::metre(walk, &node));
    let of_first = || {
        let text = items.first()?.value.get("metre")?.get_ref().as_str()?;
        music::metre(text).ok()
    };
    let is_good = own.is_some() || !table.means("metre");
    let metre = own.or_else(of_first).unwrap_or_else(music::common_time);
    let tempo = match table.get("tempo") {
        // A tempo that is wrong is one fault, not one more in each section.
        Some(node) => Some(section::tempo(walk, &node, &metre).unwrap_or_else(|| section::stand_in(&metre))),
        None => table.means("tempo").then(|| section::stand_in(&metre)),
    };
    (Carry { metre, tempo }, is_good)
}

pub(super) fn no_tempo(walk: &mut Walk<'_>, at: Place) {
    let wrong = Wrong::new("this song has no tempo", "10 to 999 a minute", "add for example tempo = 132");
    walk.missing(at, wrong);
}

fn several<'t>(
    walk: &mut Walk<'t>,
    table: &Table<'t>,
    items: &[Node<'t>],
    band: &Band,
    clicks: &[SongClick<'t>],
    carry: &mut Carry,
) -> Vec<Section> {
    for key in ["bars", "vamp"] {
        if let Some(node) = table.get(key) {
            let what = format!("this song has sections, and they say `{key}`");
            walk.fault(node.at, Wrong::new(what, "`bars` and `vamp` in the sections", "take it out here"));
        }
    }
    if items.is_empty() {
        walk.missing(
            table.place("section"),
            Wrong::new("this song has no sections", "[[song.section]]", "write bars = 64"),
        );
    }
    super::band::too_many(walk, items, MOST_SECTIONS, "sections");
    let mut sections = Vec::new();
    for (index, item) in items.iter().take(MOST_SECTIONS).enumerate() {
        sections.extend(section::section(walk, item, index + 1, band, clicks, carry));
    }
    sections
}

/// A song without sections is one section.
fn single<'t>(
    walk: &mut Walk<'t>,
    table: &Table<'t>,
    title: &str,
    band: &Band,
    clicks: &[SongClick<'t>],
    carry: &Carry,
) -> Section {
    let bars = match table.get("bars") {
        Some(node) => walk.whole(&node, 1..=MOST_BARS, " bars"),
        None if table.means("bars") || table.means("section") => None,
        None => {
            let wrong = Wrong::new(
                "this song does not say how long it is",
                "1 to 2,000 bars, or sections",
                "add for example bars = 64 (or vamp = true beside it: it repeats until released)",
            );
            walk.missing(table.at, wrong);
            None
        }
    };
    let vamp = table.get("vamp").and_then(|node| walk.boolean(&node)).unwrap_or(false);
    if carry.tempo.is_none() {
        no_tempo(walk, table.at);
    }
    Section {
        name: title.into(),
        bars: vec![carry.metre.clone(); bars.unwrap_or(1) as usize],
        repeats: 1,
        vamp,
        hold: false,
        tempo: carry.tempo.unwrap_or_else(|| section::stand_in(&carry.metre)),
        moves: Vec::new(),
        parts: section::parts(band, clicks, &[], title),
        ambient: None,
    }
}

/// Range: shorter than the first bar.
fn pickup<'t>(walk: &mut Walk<'t>, table: &Table<'t>, first: &Section) -> Whole {
    let none = Whole::from_integer(0);
    let Some(node) = table.get("pickup") else { return none };
    if super::walk::number_text(node.value) == Some("0") || node.value.as_bool() == Some(false) {
        return none;
    }
    let Some(text) = walk.string(&node) else { return none };
    let length = first.bars.first().map_or(none, |bar| bar.length());
    match note_sum(text) {
        Some(pickup) if pickup < length => pickup,
        found => {
            let what =
                if found.is_some() { "this pickup is not shorter than a bar" } else { "this is no pickup" };
            let allowed = format!("a note value shorter than {}", music::note_text(length));
            let mend = "write for example pickup = \"1/8\", \"1/4\" or \"3/8\"";
            walk.fault(node.at, Wrong::new(what, allowed, mend));
            none
        }
    }
}

/// A length: "1/8", "3/8", "♪", "1/4."
fn note_sum(text: &str) -> Option<Whole> {
    let fraction = || {
        let (upper, lower) = text.trim().split_once('/')?;
        let upper = upper.trim().parse::<i64>().ok().filter(|n| (1..=64).contains(n))?;
        let lower = lower.trim().parse::<i64>().ok().filter(|n| [1, 2, 4, 8, 16, 32].contains(n))?;
        Some(Whole::new(upper, lower))
    };
    music::note(text).or_else(fraction)
}

fn mark_separate(band: &mut Band, song: &Song) {
    for (index, click) in band.clicks.iter_mut().enumerate() {
        let streamed = song.streams.get(index).is_some_and(Option::is_some);
        let differs = song.sections.iter().filter_map(|section| section.parts.get(index));
        click.separate |= streamed || differs.into_iter().any(|part| part.primary != part.fallback);
    }
}
