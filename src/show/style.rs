//! How a click sounds: what a table says of it, laid over what the tables above it say.

use super::keys;
use super::model::{Levels, Metre, Style, Subdivision, Swing};
use super::music;
use super::sounds::Sounds;
use super::walk::{Node, Table, Walk, Wrong, number_text};
use crate::units::Decibels;

/// Loudest and quietest level that may be written, in dB.
pub(super) const LEVELS: std::ops::RangeInclusive<f64> = -80.0..=12.0;

/// What one table says of a click; what it does not say stays as it was.
#[derive(Clone, Debug, Default)]
pub(super) struct Patch {
    pub(super) every: Option<Subdivision>,
    pub(super) accents: Option<Vec<u32>>,
    pub(super) rests: Option<Vec<u32>>,
    pub(super) level: Option<Decibels>,
    pub(super) levels: [Option<f64>; 4],
    pub(super) sound: Option<usize>,
    pub(super) own_metre: Option<Option<Metre>>,
    pub(super) swing: Option<Option<Swing>>,
    pub(super) silent: Option<bool>,
    pub(super) fallback: Option<Box<Patch>>,
}

/// How every click sounds before a show says anything.
pub(super) fn plain() -> Style {
    Style {
        subdivision: Subdivision::Beats,
        accents: vec![1],
        rests: Vec::new(),
        own_metre: None,
        swing: None,
        levels: Levels::default(),
    }
}

impl Patch {
    /// Lays this over a style.
    pub(super) fn over(&self, style: &mut Style) {
        style.subdivision = self.every.unwrap_or(style.subdivision);
        if let Some(accents) = &self.accents {
            style.accents.clone_from(accents);
        }
        if let Some(rests) = &self.rests {
            style.rests.clone_from(rests);
        }
        if let Some(own_metre) = &self.own_metre {
            style.own_metre.clone_from(own_metre);
        }
        style.swing = self.swing.unwrap_or(style.swing);
        let kinds = [
            &mut style.levels.accent,
            &mut style.levels.beat,
            &mut style.levels.eighth,
            &mut style.levels.sixteenth,
        ];
        for (kind, level) in kinds.into_iter().zip(self.levels) {
            *kind = level.map_or(*kind, Decibels);
        }
    }
}

/// Primary and fallback after all the patches, the outermost first. The fallback starts from the primary.
pub(super) fn resolve(patches: &[&Patch]) -> (Style, Style) {
    let mut primary = plain();
    patches.iter().for_each(|patch| patch.over(&mut primary));
    let mut fallback = primary.clone();
    patches.iter().filter_map(|patch| patch.fallback.as_ref()).for_each(|patch| patch.over(&mut fallback));
    (primary, fallback)
}

/// Reads what a table of any click shape says. Keys that the shape lacks stay unsaid.
pub(super) fn patch<'t>(walk: &mut Walk<'t>, table: &Table<'t>, sounds: &Sounds) -> Patch {
    let every = table.get("every").and_then(|node| {
        let text = walk.string(&node)?;
        walk.take(&node, music::subdivision(text))
    });
    let fallback = table.get("fallback").and_then(|node| walk.table(&node, &keys::FALLBACK));
    Patch {
        every,
        accents: table.get("accents").and_then(|node| beats(walk, &node)),
        rests: table.get("rests").and_then(|node| beats(walk, &node)),
        level: table.get("level").and_then(|node| level(walk, &node)),
        levels: table.get("levels").map_or([None; 4], |node| levels(walk, &node)),
        sound: table.get("sound").and_then(|node| sound(walk, &node, sounds)),
        own_metre: table.get("own_metre").and_then(|node| own_metre(walk, &node)),
        swing: table.get("swing").and_then(|node| swing(walk, &node)),
        silent: table.get("silent").and_then(|node| walk.boolean(&node)),
        fallback: fallback.map(|inner| Box::new(patch(walk, &inner, sounds))),
    }
}

pub(super) fn level<'t>(walk: &mut Walk<'t>, node: &Node<'t>) -> Option<Decibels> {
    walk.number(node, LEVELS, " dB").map(Decibels)
}

/// A list of beats, from 1.
fn beats<'t>(walk: &mut Walk<'t>, node: &Node<'t>) -> Option<Vec<u32>> {
    let mut beats = Vec::new();
    for item in walk.list(node)? {
        let beat = walk.whole(&item, 1..=64, "")?;
        if beats.contains(&beat) {
            let wrong = Wrong::new(
                format!("beat {beat} is named twice"),
                "each beat once",
                format!("take one {beat} out"),
            );
            walk.fault(item.at, wrong);
            return None;
        }
        beats.push(beat);
    }
    Some(beats)
}

fn levels<'t>(walk: &mut Walk<'t>, node: &Node<'t>) -> [Option<f64>; 4] {
    let Some(table) = walk.table(node, &keys::LEVELS) else { return [None; 4] };
    ["accent", "beat", "eighth", "sixteenth"]
        .map(|kind| table.get(kind).and_then(|node| walk.number(&node, LEVELS, " dB")))
}

fn sound<'t>(walk: &mut Walk<'t>, node: &Node<'t>, sounds: &Sounds) -> Option<usize> {
    let name = walk.string(node)?;
    if let Some(index) = sounds.index(name) {
        return Some(index);
    }
    let names = || sounds.list.iter().map(|sound| sound.name.as_str());
    let allowed = names().map(|name| format!("\"{name}\"")).collect::<Vec<_>>().join(", ");
    let mend = match keys::nearest(name, names()) {
        Some(near) => format!("write sound = \"{near}\""),
        None if name.to_lowercase().ends_with(".wav") => {
            "write a table [sound.NAME] with beat = the file, and here the NAME".into()
        }
        None => "write one of these, or a table [sound.NAME] with sounds of your own".into(),
    };
    let what = format!("there is no sound {}", super::fault::quote(&format!("\"{name}\"")));
    walk.fault(node.at, Wrong::new(what, allowed, mend));
    None
}

fn own_metre<'t>(walk: &mut Walk<'t>, node: &Node<'t>) -> Option<Option<Metre>> {
    if node.value.as_bool() == Some(false) {
        return Some(None);
    }
    let text = walk.string(node)?;
    walk.take(node, music::metre(text)).map(Some)
}

fn swing<'t>(walk: &mut Walk<'t>, node: &Node<'t>) -> Option<Option<Swing>> {
    if node.value.as_bool() == Some(false) {
        return Some(None);
    }
    if !node.value.is_table() {
        return swing_at(walk, node).map(|ratio| Some(music::eighths_swung(ratio)));
    }
    let table = walk.table(node, &keys::SWING)?;
    let note = match table.get("note") {
        Some(node) => {
            let text = walk.string(&node)?;
            walk.take(&node, music::swing_note(text))?
        }
        None => crate::units::Whole::new(1, 8),
    };
    let Some(at) = table.get("at") else {
        let wrong =
            Wrong::new("this swing does not say how much", "50% to 90%, or a fraction", "add at = \"2/3\"");
        walk.missing(table.at, wrong);
        return None;
    };
    swing_at(walk, &at).map(|ratio| Some(Swing { note, ratio }))
}

fn swing_at<'t>(walk: &mut Walk<'t>, node: &Node<'t>) -> Option<num_rational::Ratio<i64>> {
    let text = match number_text(node.value) {
        Some(number) => number,
        None => walk.string(node)?,
    };
    walk.take(node, music::swing_ratio(text))
}

/// Accents and rests on beats that no bar has are slips.
pub(super) fn check_beats<'t>(walk: &mut Walk<'t>, table: &Table<'t>, patch: &Patch, beats: usize, of: &str) {
    let own = patch.own_metre.as_ref().and_then(Option::as_ref).map(|metre| metre.groups.len());
    let most = own.unwrap_or(beats) as u32;
    for (key, list) in [("accents", &patch.accents), ("rests", &patch.rests)] {
        let Some(beat) = list.iter().flatten().find(|beat| **beat > most) else { continue };
        let wrong = Wrong::new(
            format!("no bar of {of} has a beat {beat}"),
            format!("beats 1 to {most}"),
            format!("write beats from 1 to {most}"),
        );
        walk.fault(table.place(key), wrong);
    }
}
