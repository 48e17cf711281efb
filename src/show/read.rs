//! A file's text to a checked show or rig, with every fault in file order.

use super::band::{self, Band, too_many};
use super::fault::Fault;
use super::keys;
use super::limits::Used;
use super::model::{Click, Show, Song};
use super::song;
use super::syntax::{self, Region, region_of};
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
    // Absolute, so that a file it names is found from wherever.
    let folder = std::path::absolute(path)?.parent().unwrap_or(Path::new("/")).to_path_buf();
    Ok((text, path.display().to_string(), folder))
}

/// Checks a show's text. With an empty `folder` the files that it names are not looked at: it was played already, and
/// is read again from a log. Panics: never.
pub fn parse_show(text: &str, name: &str, folder: &Path) -> Reading {
    let bare = text.strip_prefix('\u{feff}').map_or_else(|| text.to_string(), |rest| format!("   {rest}"));
    let mut reading =
        Reading { show: None, faults: Vec::new(), refused: Vec::new(), text: bare, name: name.into() };
    if let Some(fault) = unreadable(&reading.text) {
        reading.faults.push(fault);
        return reading;
    }
    let repaired = syntax::repair(&reading.text);
    let regions = if repaired.faults.is_empty() { Vec::new() } else { syntax::regions(&reading.text) };
    let broken = Broken::new(&reading.text, &regions, repaired.faults);
    // What could not be made good TOML is not looked at further.
    let rest = if repaired.is_good { repaired.text.as_str() } else { "" };
    let (tree, _) = DeTable::parse_recoverable(rest);
    let pass = Pass::over(rest, tree.get_ref(), name, folder, &broken);
    reading.show = pass.show.filter(|_| repaired.is_good && !broken.outside);
    reading.refused = pass.refused.into_iter().map(|song| broken.titled(song)).collect();
    reading.refused.extend(broken.missing_in(&reading.refused));
    reading.faults = pass
        .drafts
        .into_iter()
        .filter(|draft| broken.lets_stand(draft))
        .map(|draft| broken.named(draft.fault))
        .collect();
    reading.faults.extend(broken.faults);
    reading.faults.sort_by_key(|fault| (fault.span.start, fault.span.end));
    reading.faults.dedup();
    reading.refused.sort_by_key(|song| song.line);
    if let Some(show) = &mut reading.show {
        let before = |line: usize| reading.refused.iter().filter(|song| song.line < line).count();
        for (index, song) in show.songs.iter_mut().enumerate() {
            song.number = index + 1 + before(song.line);
        }
    }
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

/// What broken lines cost: the songs they lie in, or the whole show.
struct Broken<'r> {
    regions: &'r [Region],
    /// One for each region.
    is_broken: Vec<bool>,
    outside: bool,
    end: usize,
    faults: Vec<Fault>,
}

impl<'r> Broken<'r> {
    fn new(text: &str, regions: &'r [Region], mut faults: Vec<Fault>) -> Broken<'r> {
        let (mut is_broken, mut outside) = (vec![false; regions.len()], false);
        for fault in &mut faults {
            match region_of(regions, fault.span.start, text.len())
                .and_then(|at| regions.get(at).zip(is_broken.get_mut(at)))
            {
                Some((region, flag)) => {
                    *flag = true;
                    fault.song = Some(region.title.clone());
                }
                None => outside = true,
            }
        }
        Broken { regions, is_broken, outside, end: text.len(), faults }
    }

    fn is_none(&self) -> bool {
        self.faults.is_empty()
    }

    fn songs(&self) -> impl Iterator<Item = &Region> {
        self.regions.iter().zip(&self.is_broken).filter(|(_, broken)| **broken).map(|(region, _)| region)
    }

    /// A song whose title stands on a broken line is called by it all the same.
    fn titled(&self, song: RefusedSong) -> RefusedSong {
        let region = self.songs().find(|region| region.line == song.line);
        region.map_or(song, |region| RefusedSong { title: region.title.clone(), line: region.line })
    }

    fn named(&self, fault: Fault) -> Fault {
        let region = region_of(self.regions, fault.span.start, self.end).and_then(|at| self.regions.get(at));
        let song = region.map(|region| region.title.clone()).or(fault.song);
        Fault { song, ..fault }
    }

    fn has_song_at(&self, line: usize) -> bool {
        self.songs().any(|region| region.line == line)
    }

    /// Broken songs that a list does not hold (their headers are broken).
    fn missing_in(&self, refused: &[RefusedSong]) -> Vec<RefusedSong> {
        let missing = self.songs().filter(|region| refused.iter().all(|song| song.line != region.line));
        missing.map(|region| RefusedSong { title: region.title.clone(), line: region.line }).collect()
    }

    /// Nothing is called missing where a broken line may have said it.
    fn lets_stand(&self, draft: &Draft) -> bool {
        let region = region_of(self.regions, draft.fault.span.start, self.end);
        let may_be_there = region.map_or(self.outside, |at| self.is_broken.get(at) == Some(&true));
        !draft.missing || !may_be_there
    }
}

/// One walk over a whole tree.
struct Pass {
    show: Option<Show>,
    refused: Vec<RefusedSong>,
    drafts: Vec<Draft>,
}

impl Pass {
    fn over<'t>(
        text: &'t str,
        tree: &'t DeTable<'t>,
        name: &str,
        folder: &Path,
        broken: &Broken<'_>,
    ) -> Pass {
        let mut walk = Walk::new(text);
        let show = walk.enter(tree, Place { start: 0, end: 0 }, &keys::SHOW);
        let title = show.get("show").and_then(|node| walk.label(&node, 80)).map(String::from);
        let mut band = Band::read(&mut walk, &show, folder);
        let feeds = band.read_feeds(&mut walk, &show);
        let (ceiling, give_back, latch) = band::night(&mut walk, &show);
        let ride = super::ambient::ride(&mut walk, &show);
        let items = match show.get("song") {
            Some(node) => walk.list(&node),
            None => Some(Vec::new()),
        };
        if items.as_ref().is_some_and(Vec::is_empty) && broken.is_none() {
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
        let (songs, refused) = songs(&mut walk, &items, &mut band, broken);
        let show = top_is_good.then(|| Show {
            title: title.unwrap_or_else(|| stem(name)),
            clicks: band.clicks.into_iter().map(click).collect(),
            sounds: band.sounds.list,
            inputs: band.inputs,
            feeds,
            songs,
            give_back,
            latch,
            ceiling,
            ride,
            folder: folder.into(),
            text: String::new(),
            digest: String::new(),
        });
        Pass { show, refused, drafts: walk.drafts }
    }
}

fn click(draft: band::ClickDraft) -> Click {
    Click {
        name: draft.name,
        player: draft.player,
        separate_fallback: draft.separate,
        external: draft.external,
    }
}

/// SHA-256 in hex.
pub(super) fn digest(text: &str) -> String {
    Sha256::digest(text.as_bytes()).iter().map(|byte| format!("{byte:02x}")).collect()
}

fn stem(name: &str) -> String {
    Path::new(name).file_stem().map_or_else(|| "show".into(), |stem| stem.to_string_lossy().into_owned())
}

fn songs<'t>(
    walk: &mut Walk<'t>,
    items: &[Node<'t>],
    band: &mut Band,
    broken: &Broken<'_>,
) -> (Vec<Song>, Vec<RefusedSong>) {
    let mut used = Used::default();
    let mut seen: Vec<(String, usize, usize)> = Vec::new();
    let (mut good, mut refused) = (Vec::<Song>::new(), Vec::new());
    for (index, node) in items.iter().take(MOST_SONGS).enumerate() {
        let line = walk.line(node.at);
        let mut song = song::song(walk, node, index + 1, band, &mut used);
        if !only_title(walk, node, &mut seen, index + 1) || broken.has_song_at(line) {
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
