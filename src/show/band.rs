//! Who plays to what: clicks, inputs, feeds, and what holds for the whole night.

use super::ambient::{self, Pack};
use super::external::{self, Seen};
use super::keys;
use super::model::{Feed, FeedPart, FeedSource, GiveBack, Input, InputKind, Latch};
use super::sounds::Sounds;
use super::style::{self, Patch};
use super::walk::{Node, Place, Table, Walk, Wrong, label_fault};
use crate::units::Decibels;
use std::path::{Path, PathBuf};

pub(super) const MOST_CLICKS: usize = 32;
pub(super) const MOST_FEEDS: usize = 64;
pub(super) const MOST_INPUTS: usize = 64;
const LONGEST_NAME: usize = 40;
const FALLBACK: &str = " fallback";

/// A click while a show is read.
#[derive(Debug)]
pub(super) struct ClickDraft {
    pub(super) name: String,
    pub(super) player: String,
    pub(super) patch: Patch,
    /// A feed names the fallback, or the primary is streamed or comes in.
    pub(super) separate: bool,
    /// Index of the input it comes in on.
    pub(super) external: Option<usize>,
}

impl ClickDraft {
    fn named(name: &str) -> ClickDraft {
        ClickDraft {
            name: name.into(),
            player: String::new(),
            patch: Patch::default(),
            separate: false,
            external: None,
        }
    }
}

/// Everything that songs refer to.
#[derive(Debug)]
pub(super) struct Band {
    pub(super) clicks: Vec<ClickDraft>,
    pub(super) inputs: Vec<Input>,
    pub(super) sounds: Sounds,
    pub(super) folder: PathBuf,
}

/// Records a name that cannot stand on a screen or in a file name.
pub(super) fn name_is_good<'t>(walk: &mut Walk<'t>, node: &Node<'t>, kind: &str) -> bool {
    let fault = label_fault(node.key, kind, LONGEST_NAME).or_else(|| {
        node.key
            .ends_with(FALLBACK)
            .then(|| format!("the name of this {kind} ends in \"fallback\", which is taken"))
    });
    let Some(what) = fault else { return true };
    let allowed = format!("1 to {LONGEST_NAME} characters, not ending in \"fallback\"");
    let mend = format!("give it another name, for example {}", node.example);
    walk.fault(node.key_at, Wrong::new(what, allowed, mend));
    false
}

impl Band {
    /// Reads sounds, clicks and inputs.
    pub(super) fn read<'t>(walk: &mut Walk<'t>, show: &Table<'t>, folder: &Path) -> Band {
        let mut band =
            Band { clicks: Vec::new(), inputs: Vec::new(), sounds: Sounds::new(), folder: folder.into() };
        if let Some(node) = show.get("sound") {
            super::sounds::read(walk, &node, folder, &mut band.sounds);
        }
        let mut wired = Vec::new();
        match show.get("click") {
            Some(node) => wired = band.read_clicks(walk, &node),
            None => band.clicks = default_clicks(),
        }
        let seen = show.get("input").map(|node| band.read_inputs(walk, &node)).unwrap_or_default();
        external::connect(walk, &mut band, &wired, &seen);
        band
    }

    /// Gives the clicks that say which input they come from.
    fn read_clicks<'t>(&mut self, walk: &mut Walk<'t>, node: &Node<'t>) -> Vec<(usize, Node<'t>)> {
        let mut wired = Vec::new();
        let entries = walk.named(node);
        if entries.is_empty() && node.value.is_table() {
            walk.missing(
                node.at,
                Wrong::new("[click] names no click", "[click.NAME]", "write [click.drums]"),
            );
        }
        too_many(walk, &entries, MOST_CLICKS, "clicks");
        for entry in entries.iter().take(MOST_CLICKS) {
            if !name_is_good(walk, entry, "click") {
                continue;
            }
            let Some(table) = walk.table(entry, &keys::CLICK) else {
                self.clicks.push(ClickDraft::named(entry.key));
                continue;
            };
            let player = table.get("player").and_then(|node| walk.label(&node, LONGEST_NAME));
            let patch = style::patch(walk, &table, &self.sounds);
            let player = player.unwrap_or_default().into();
            wired.extend(table.get("input").map(|node| (self.clicks.len(), node)));
            self.clicks.push(ClickDraft { player, patch, ..ClickDraft::named(entry.key) });
        }
        wired
    }

    /// Gives what is known of each input.
    fn read_inputs<'t>(&mut self, walk: &mut Walk<'t>, node: &Node<'t>) -> Vec<Seen> {
        let mut seen = Vec::new();
        let entries = walk.named(node);
        too_many(walk, &entries, MOST_INPUTS, "inputs");
        for entry in entries.iter().take(MOST_INPUTS) {
            if !name_is_good(walk, entry, "input") {
                continue;
            }
            if self.click(entry.key).is_some() {
                let wrong = Wrong::new(
                    format!("\"{}\" is already the name of a click", entry.key),
                    "names that differ from those of the clicks",
                    format!("call it [input.{}_mic]", entry.key),
                );
                walk.fault(entry.key_at, wrong);
                continue;
            }
            if let Some((input, kind)) = input(walk, entry, &self.clicks) {
                self.inputs.push(input);
                seen.push(Seen { at: entry.key_at, kind });
            }
        }
        seen
    }

    pub(super) fn click(&self, name: &str) -> Option<usize> {
        self.clicks.iter().position(|click| click.name == name)
    }

    /// The index of a click that is named at a place; an unknown one is a fault.
    pub(super) fn known_click<'t>(&self, walk: &mut Walk<'t>, name: &str, at: Place) -> Option<usize> {
        let found = self.click(name);
        if found.is_none() {
            let names = self.clicks.iter().map(|click| click.name.as_str());
            walk.fault(at, unknown_name("click", name, names));
        }
        found
    }

    fn source(&self, name: &str) -> Option<FeedSource> {
        let fallback = || self.click(name.strip_suffix(FALLBACK)?).map(FeedSource::Fallback);
        let input = || self.inputs.iter().position(|input| input.name == name).map(FeedSource::Input);
        self.click(name).map(FeedSource::Click).or_else(fallback).or_else(input)
    }

    /// Reads `[feed]`; without it each click has a feed of its own.
    pub(super) fn read_feeds<'t>(&mut self, walk: &mut Walk<'t>, show: &Table<'t>) -> Vec<Feed> {
        let Some(node) = show.get("feed") else { return self.default_feeds() };
        let entries = walk.named(&node);
        if entries.is_empty() && node.value.is_table() {
            walk.missing(node.at, Wrong::new("[feed] names no feed", "[feed.NAME]", "write [feed.drums]"));
        }
        too_many(walk, &entries, MOST_FEEDS, "feeds");
        let mut feeds = Vec::new();
        for entry in entries.iter().take(MOST_FEEDS) {
            if name_is_good(walk, entry, "feed") {
                feeds.extend(self.feed(walk, entry));
            }
        }
        self.mark_fallbacks(&feeds);
        feeds
    }

    fn mark_fallbacks(&mut self, feeds: &[Feed]) {
        for part in feeds.iter().flat_map(|feed| &feed.parts) {
            if let FeedSource::Fallback(click) = part.source
                && let Some(click) = self.clicks.get_mut(click)
            {
                click.separate = true;
            }
        }
    }

    fn default_feeds(&self) -> Vec<Feed> {
        let rooms = self.inputs.iter().enumerate().filter(|(_, input)| input.kind != InputKind::Click);
        let room = rooms.map(|(index, _)| FeedPart::plain(FeedSource::Input(index), Decibels(-12.0)));
        let feed = |(index, click): (usize, &ClickDraft)| Feed {
            name: click.name.clone(),
            stereo: false,
            mono_pack: false,
            loudspeaker: false,
            parts: std::iter::once(click_part(index)).chain(room.clone()).collect(),
        };
        self.clicks.iter().enumerate().map(feed).collect()
    }

    fn feed<'t>(&self, walk: &mut Walk<'t>, node: &Node<'t>) -> Option<Feed> {
        let table = walk.table(node, &keys::FEED)?;
        let pack = ambient::pack(walk, &table);
        let parts = match table.get("hears") {
            Some(hears) => self.parts(walk, &hears, pack),
            None => match self.click(node.key) {
                Some(click) => vec![click_part(click)],
                None if table.means("hears") => return None,
                None => {
                    let wrong = Wrong::new(
                        format!("the feed \"{}\" does not say what it hears", node.key),
                        "clicks, their fallbacks and inputs, with levels",
                        format!("add {}", keys::FEED.key("hears").map_or("", |key| key.example)),
                    );
                    walk.missing(table.at, wrong);
                    return None;
                }
            },
        };
        let Pack { stereo, mono_pack, loudspeaker } = pack;
        Some(Feed { name: node.key.into(), stereo, mono_pack, loudspeaker, parts })
    }

    fn parts<'t>(&self, walk: &mut Walk<'t>, hears: &Node<'t>, pack: Pack) -> Vec<FeedPart> {
        let mut parts: Vec<FeedPart> = Vec::new();
        if !hears.value.is_array() && !hears.value.is_table() {
            walk.wrong(
                hears,
                "`hears` must be a list of names or a table of levels",
                "names of clicks and inputs",
            );
            return parts;
        }
        let is_empty = |value: &toml::de::DeValue<'_>| {
            value.as_array().map_or_else(
                || value.as_table().is_some_and(|table| table.is_empty()),
                |list| list.is_empty(),
            )
        };
        if is_empty(hears.value) {
            walk.wrong(hears, "this feed hears nothing", "clicks, their fallbacks and inputs");
        }
        if hears.value.is_array() {
            for item in walk.list(hears).unwrap_or_default() {
                let Some(name) = walk.string(&item) else { continue };
                let Some(source) = self.known_source(walk, name, item.at) else { continue };
                if parts.iter().any(|part| part.source == source) {
                    let wrong =
                        Wrong::new(format!("\"{name}\" is named twice"), "each name once", "take one out");
                    walk.fault(item.at, wrong);
                    continue;
                }
                let part = FeedPart::plain(source, Decibels(0.0));
                ambient::check_howl(walk, pack, &part, &self.inputs, item.at);
                parts.push(part);
            }
            return parts;
        }
        for entry in walk.named(hears) {
            let source = self.known_source(walk, entry.key, entry.key_at);
            // A name that was not understood: the rest of it is looked at all the same.
            let part = part(walk, &entry, pack, source.unwrap_or(FeedSource::Click(0)));
            if source.is_some() {
                ambient::check_howl(walk, pack, &part, &self.inputs, entry.at);
                parts.push(part);
            }
        }
        parts
    }

    fn known_source<'t>(&self, walk: &mut Walk<'t>, name: &str, at: Place) -> Option<FeedSource> {
        let found = self.source(name);
        if let Some(FeedSource::Input(index)) = found
            && self.inputs.get(index).is_some_and(|input| input.kind == InputKind::Click)
        {
            walk.fault(at, external::no_part(self, index));
            return None;
        }
        if found.is_none() {
            let clicks = self.clicks.iter().map(|click| click.name.clone());
            let heard = self.inputs.iter().filter(|input| input.kind != InputKind::Click);
            let inputs = heard.map(|input| input.name.clone());
            let fallbacks = self.clicks.iter().map(|click| format!("{}{FALLBACK}", click.name));
            let names: Vec<_> = clicks.chain(inputs).chain(fallbacks).collect();
            walk.fault(at, unknown_name("click or input", name, names.iter().map(String::as_str)));
        }
        found
    }
}

fn click_part(click: usize) -> FeedPart {
    FeedPart::plain(FeedSource::Click(click), Decibels(0.0))
}

/// The fault of a name that nothing in the file bears.
pub(super) fn unknown_name<'n>(
    kind: &str,
    name: &str,
    names: impl Iterator<Item = &'n str> + Clone,
) -> Wrong {
    let what = format!("there is no {kind} {}", super::fault::quote(&format!("\"{name}\"")));
    let allowed = names.clone().map(|name| format!("\"{name}\"")).collect::<Vec<_>>().join(", ");
    match keys::nearest(name, names) {
        Some(near) => Wrong::new(what, allowed, format!("did you mean \"{near}\"?")),
        None if allowed.is_empty() => {
            let mend = format!("take it out, or add one of that name ([{kind}.{name}])");
            Wrong::new(what, format!("nothing: the show has no {kind}"), mend)
        }
        None => Wrong::new(what, allowed, "write one of the names allowed, or add what is missing"),
    }
}

pub(super) fn too_many<'t>(walk: &mut Walk<'t>, entries: &[Node<'t>], most: usize, of: &str) {
    if let Some(first) = entries.get(most) {
        let wrong = Wrong::new(
            format!("{} {of} are too many", entries.len()),
            format!("{most} {of} at most"),
            format!("take {} {of} out", entries.len() - most),
        );
        walk.fault(first.at, wrong);
    }
}

fn default_clicks() -> Vec<ClickDraft> {
    let click = |name: &str, every: &str| ClickDraft {
        patch: Patch { every: super::music::subdivision(every).ok(), ..Patch::default() },
        ..ClickDraft::named(name)
    };
    vec![click("drums", "eighths"), click("band", "beats")]
}

fn part<'t>(walk: &mut Walk<'t>, node: &Node<'t>, pack: Pack, source: FeedSource) -> FeedPart {
    let mut part = FeedPart::plain(source, Decibels(0.0));
    if !node.value.is_table() {
        part.level = style::level(walk, node).unwrap_or(part.level);
    } else if let Some(table) = walk.table(node, &keys::HEARS) {
        let level = table.get("level").and_then(|node| style::level(walk, &node));
        part.level = level.unwrap_or(part.level);
        ambient::part(walk, &table, node.key, pack, &mut part);
    }
    part
}

/// An input, and its kind when that was understood.
fn input<'t>(
    walk: &mut Walk<'t>,
    node: &Node<'t>,
    clicks: &[ClickDraft],
) -> Option<(Input, Option<InputKind>)> {
    let table = walk.table(node, &keys::INPUT)?;
    let kinds =
        [("ambient", InputKind::Ambient), ("talkback", InputKind::Talkback), ("click", InputKind::Click)];
    let known = table.get("kind").map_or(Some(InputKind::Ambient), |node| walk.choice(&node, &kinds));
    let kind = known.unwrap_or(InputKind::Ambient);
    let external = external::settings(walk, &table, known);
    let player = owner(walk, &table, clicks);
    let input = Input { external, player, ..ambient::input(walk, &table, node.key, kind) };
    Some((input, known))
}

/// Whose microphone it is: a player whom a click names.
fn owner<'t>(walk: &mut Walk<'t>, table: &Table<'t>, clicks: &[ClickDraft]) -> String {
    let Some(node) = table.get("player") else { return String::new() };
    let Some(player) = walk.label(&node, LONGEST_NAME) else { return String::new() };
    let players = clicks.iter().map(|click| click.player.as_str()).filter(|player| !player.is_empty());
    if !players.clone().any(|other| other == player) {
        let quoted = |name: &str| format!("\"{}\"", super::fault::quote(name));
        let what = format!("no click has the player {}", quoted(player));
        let allowed = players.clone().map(quoted).collect::<Vec<_>>().join(", ");
        let mend = match keys::nearest(player, players) {
            Some(near) => format!("did you mean {}?", quoted(near)),
            None => format!("write player = {} at that player's click", quoted(player)),
        };
        let allowed =
            if allowed.is_empty() { "the players of clicks, and no click names one".into() } else { allowed };
        walk.fault(node.at, Wrong::new(what, allowed, mend));
    }
    player.into()
}

/// `[ears]` and `[failover]`.
pub(super) fn night<'t>(walk: &mut Walk<'t>, show: &Table<'t>) -> (Decibels, GiveBack, Latch) {
    let ears = show.get("ears").and_then(|node| walk.table(&node, &keys::EARS));
    let ceiling = ears.and_then(|table| table.get("ceiling"));
    let ceiling = ceiling.and_then(|node| walk.number(&node, -40.0..=-1.0, " dBTP")).unwrap_or(-6.0);
    let policies =
        [("stay", GiveBack::Stay), ("next bar", GiveBack::NextBar), ("next song", GiveBack::NextSong)];
    let failover = show.get("failover").and_then(|node| walk.table(&node, &keys::FAILOVER));
    let give_back = failover.and_then(|table| table.get("give_back"));
    let give_back = give_back.and_then(|node| walk.choice(&node, &policies)).unwrap_or(GiveBack::Stay);
    let latch = failover.and_then(|table| table.get("latch"));
    let latch = latch.map(|node| external::latch(walk, &node)).unwrap_or_default();
    (Decibels(ceiling), give_back, latch)
}
