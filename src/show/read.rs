//! A file's text to a checked show or rig, with every fault in file order.

use super::band::{self, Band, too_many};
use super::fault::Fault;
use super::keys;
use super::model::{Click, Show, Song};
use super::song::{self, Used};
use super::syntax::{self, Region};
use super::walk::{Draft, Node, Place, Walk, Wrong};
use sha2::{Digest, Sha256};
use std::path::Path;
use toml::de::{DeTable, DeValue};

pub(super) const MOST_BYTES: usize = 4_000_000;
pub(super) const MOST_SONGS: usize = 500;

/// A show file as far as it was understood.
#[derive(Clone, Debug)]
pub struct Reading {
    /// The songs without a fault; `None` when a fault outside the songs concerns them all.
    pub show: Option<Show>,
    /// All of them, in file order.
    pub faults: Vec<Fault>,
    /// Songs that are left out of `show`.
    pub refused: Vec<RefusedSong>,
    pub text: String,
    pub name: String,
}

/// A song with a fault.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize)]
pub struct RefusedSong {
    pub title: String,
    pub line: usize,
}

/// Reads a show file. Errors: the file cannot be read at all.
pub fn read_show(path: &Path) -> Result<Reading, std::io::Error> {
    let (text, name, folder) = load(path)?;
    Ok(parse_show(&text, &name, &folder))
}

/// Text, name and folder of a file. Text that is not UTF-8 keeps its good parts; the rest is a fault later.
pub(super) fn load(path: &Path) -> Result<(String, String, std::path::PathBuf), std::io::Error> {
    use std::io::Read;
    let mut bytes = Vec::new();
    std::fs::File::open(path)?.take(MOST_BYTES as u64 + 1).read_to_end(&mut bytes)?;
    let text = String::from_utf8_lossy(&bytes).into_owned();
    // Absolute, so that a file it names is found whoever joins it to the folder, and from wherever.
    let folder = std::path::absolute(path)?.parent().unwrap_or(Path::new("/")).to_path_buf();
    Ok((text, path.display().to_string(), folder))
}

/// Checks a show's text. Panics: never.
pub fn parse_show(text: &str, name: &str, folder: &Path) -> Reading {
    let bare = text.strip_prefix('\u{feff}').map_or_else(|| text.to_string(), |rest| format!("   {rest}"));
    let mut reading =
        Reading { show: None, faults: Vec::new(), refused: Vec::new(), text: bare, name: name.into() };
    if let Some(fault) = unreadable(&reading.text) {
        reading.faults.push(fault);
        return reading;
    }
    let regions = syntax::regions(&reading.text);
    let (whole, errors) = DeTable::parse_recoverable(&reading.text);
    if errors.is_empty() {
        let pass = Pass::over(&reading.text, whole.get_ref(), name, folder);
        (reading.show, reading.refused) = (pass.show, pass.refused);
        reading.faults = pass.drafts.into_iter().map(|draft| draft.fault).collect();
    } else {
        let syntax = syntax::faults(&reading.text, &errors, &regions);
        let around = Pass::over(&reading.text, whole.get_ref(), name, folder);
        let (show, refused, faults) =
            beside_syntax(&reading.text, name, folder, &regions, syntax, around.drafts);
        (reading.show, reading.refused, reading.faults) = (show, refused, faults);
    }
    reading.faults.sort_by_key(|fault| (fault.span.start, fault.span.end));
    reading.faults.dedup();
    reading.refused.sort_by_key(|song| song.line);
    if let Some(show) = &mut reading.show {
        show.text.clone_from(&reading.text);
        show.digest = digest(&reading.text);
    }
    reading
}

/// What makes it useless to look further.
pub(super) fn unreadable(text: &str) -> Option<Fault> {
    let mut walk = Walk::new(text);
    if text.len() > MOST_BYTES {
        let wrong = Wrong::new("this file is too long", "4 MB at most", "is it the right file?");
        walk.missing(Place { start: 0, end: 0 }, wrong);
    } else if let Some(at) = text.find('\u{fffd}') {
        let wrong = Wrong::new(
            "this is not UTF-8 text",
            "UTF-8 text",
            "save the file as UTF-8, or retype this letter",
        );
        walk.fault(Place { start: at, end: at + '\u{fffd}'.len_utf8() }, wrong);
    }
    walk.drafts.pop().map(|draft| draft.fault)
}

/// Syntax faults inside songs cost these songs only: their text is blanked and the rest read again, so
/// that nothing depends on how a parser guesses on. What the first look found stays in the list.
fn beside_syntax(
    text: &str,
    name: &str,
    folder: &Path,
    regions: &[Region],
    syntax: Vec<(Fault, Option<usize>)>,
    around: Vec<Draft>,
) -> (Option<Show>, Vec<RefusedSong>, Vec<Fault>) {
    let lines: Vec<usize> = syntax.iter().map(|(fault, _)| fault.line).collect();
    let broken: Vec<&Region> = regions
        .iter()
        .enumerate()
        .filter(|(index, _)| syntax.iter().any(|(_, at)| *at == Some(*index)))
        .map(|(_, region)| region)
        .collect();
    let outside = syntax.iter().any(|(_, at)| at.is_none());
    let mut faults: Vec<Fault> = syntax.into_iter().map(|(fault, _)| fault).collect();
    let mut refused: Vec<RefusedSong> =
        broken.iter().map(|region| RefusedSong { title: region.title.clone(), line: region.line }).collect();
    let blanked = syntax::blanked(text, &broken);
    let (rest, errors) = DeTable::parse_recoverable(&blanked);
    let in_broken = |fault: &Fault| {
        broken
            .iter()
            .any(|region| region.place.start <= fault.span.start && fault.span.start < region.place.end)
    };
    let mut show = None;
    if !outside && errors.is_empty() {
        let pass = Pass::over(&blanked, rest.get_ref(), name, folder);
        faults.extend(pass.drafts.into_iter().map(|draft| draft.fault));
        refused.extend(pass.refused);
        show = pass.show;
        faults.extend(
            around
                .into_iter()
                .filter(|draft| in_broken(&draft.fault))
                .filter_map(|draft| certain(draft, &lines)),
        );
    } else {
        faults.extend(around.into_iter().filter_map(|draft| certain(draft, &lines)));
    }
    (show, refused, faults)
}

/// A fault that stands whatever the broken lines were meant to say.
fn certain(draft: Draft, broken_lines: &[usize]) -> Option<Fault> {
    (!draft.missing && !broken_lines.contains(&draft.fault.line)).then_some(draft.fault)
}

/// One walk over a whole tree.
struct Pass {
    show: Option<Show>,
    refused: Vec<RefusedSong>,
    drafts: Vec<Draft>,
}

impl Pass {
    fn over<'t>(text: &'t str, tree: &'t DeTable<'t>, name: &str, folder: &Path) -> Pass {
        let mut walk = Walk::new(text);
        let show = walk.enter(tree, Place { start: 0, end: 0 }, &keys::SHOW);
        let title = show.get("show").and_then(|node| walk.label(&node, 80)).map(String::from);
        let mut band = Band::read(&mut walk, &show, folder);
        let feeds = band.read_feeds(&mut walk, &show);
        let (ceiling, give_back) = band::night(&mut walk, &show);
        let items = match show.get("song") {
            Some(node) => walk.list(&node),
            None => Some(Vec::new()),
        };
        if items.as_ref().is_some_and(Vec::is_empty) && !text.contains("[[song") {
            let wrong = Wrong::new(
                "this show has no songs",
                "[[song]] tables",
                "add [[song]] with title, tempo and bars",
            );
            walk.missing(Place { start: 0, end: 0 }, wrong);
        }
        let items = items.unwrap_or_default();
        too_many(&mut walk, &items, MOST_SONGS, "songs");
        let top_is_good = walk.count == 0;
        let (songs, refused) = songs(&mut walk, &items, &mut band);
        let show = top_is_good.then(|| Show {
            title: title.unwrap_or_else(|| stem(name)),
            clicks: band.clicks.into_iter().map(click).collect(),
            sounds: band.sounds.list,
            inputs: band.inputs,
            feeds,
            songs,
            give_back,
            ceiling,
            folder: folder.into(),
            text: String::new(),
            digest: String::new(),
        });
        Pass { show, refused, drafts: walk.drafts }
    }
}

fn click(draft: band::ClickDraft) -> Click {
    Click { name: draft.name, player: draft.player, separate_fallback: draft.separate }
}

/// SHA-256 in hex.
pub(super) fn digest(text: &str) -> String {
    Sha256::digest(text.as_bytes()).iter().map(|byte| format!("{byte:02x}")).collect()
}

fn stem(name: &str) -> String {
    Path::new(name).file_stem().map_or_else(|| "show".into(), |stem| stem.to_string_lossy().into_owned())
}

fn songs<'t>(walk: &mut Walk<'t>, items: &[Node<'t>], band: &mut Band) -> (Vec<Song>, Vec<RefusedSong>) {
    let mut used = Used::default();
    let mut seen: Vec<(String, usize, usize)> = Vec::new();
    let (mut good, mut refused) = (Vec::<Song>::new(), Vec::new());
    for (index, node) in items.iter().take(MOST_SONGS).enumerate() {
        let line = walk.line(node.at);
        let mut song = song::song(walk, node, index + 1, band, &mut used);
        if !only_title(walk, node, &mut seen, index + 1) {
            song = None;
        }
        match song {
            Some(song) => good.push(song),
            None => {
                // A segue must not run into the song after a refused one.
                good.last_mut().into_iter().for_each(|before| before.segue = false);
                refused.push(RefusedSong { title: song::title_of(node, index + 1), line });
            }
        }
    }
    good.last_mut().into_iter().for_each(|last| last.segue = false);
    (good, refused)
}

/// Two songs of one title cannot be told apart when one is called for.
fn only_title<'t>(
    walk: &mut Walk<'t>,
    node: &Node<'t>,
    seen: &mut Vec<(String, usize, usize)>,
    number: usize,
) -> bool {
    let Some(title) = node.value.get("title") else { return true };
    let DeValue::String(text) = title.get_ref() else { return true };
    let key = text.trim().to_lowercase();
    let line = walk.line(node.at);
    let Some((_, first, first_line)) = seen.iter().find(|(other, ..)| *other == key) else {
        seen.push((key, number, line));
        return true;
    };
    let wrong = Wrong::new(
        format!("song {first} (line {first_line}) has the same title"),
        "titles that differ, so that a song can be called by its title",
        format!("write for example \"{} (reprise)\"", super::fault::quote(text.trim())),
    );
    walk.song = Some(song::title_of(node, number));
    walk.fault(title.span().into(), wrong);
    walk.song = None;
    false
}
