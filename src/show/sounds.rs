//! What hits sound like: built-in sounds and those of the show.

use super::built_in::{BUILT_IN, FALL_60_DB, built_in as named};
use super::keys;
use super::model::{SoundDef, SoundSource};
use super::walk::{Node, Walk, Wrong};
use crate::units::Decibels;
use std::path::Path;

/// Memory of all the sounds of a show, in seconds of mono 32-bit float at 48 kHz (16 MB).
const MOST_SECONDS: f64 = 16e6 / (4.0 * 48_000.0);

/// The sounds that every show has, in their order.
pub(super) fn built_in() -> Vec<SoundDef> {
    BUILT_IN.iter().filter_map(|name| named(name)).collect()
}

/// Sounds while a show is read.
#[derive(Debug)]
pub(super) struct Sounds {
    pub(super) list: Vec<SoundDef>,
    seconds: f64,
    full: bool,
}

impl Sounds {
    pub(super) fn new() -> Sounds {
        Sounds { list: built_in(), seconds: 0.0, full: false }
    }

    pub(super) fn index(&self, name: &str) -> Option<usize> {
        self.list.iter().position(|sound| sound.name == name)
    }

    /// Counts a file against the memory of the show.
    pub(super) fn keep<'t>(&mut self, walk: &mut Walk<'t>, node: &Node<'t>, seconds: f64) {
        self.seconds += seconds;
        if self.seconds > MOST_SECONDS && !self.full {
            self.full = true;
            let what = "with this file the sounds of the show take more than 16 MB";
            walk.fault(
                node.at,
                Wrong::new(what, "16 MB for all sounds and spoken counts", "use fewer or shorter files"),
            );
        }
    }
}

/// Reads `[sound]`.
pub(super) fn read<'t>(walk: &mut Walk<'t>, node: &Node<'t>, folder: &Path, sounds: &mut Sounds) {
    for entry in walk.named(node) {
        if !super::band::name_is_good(walk, &entry, "sound") {
            continue;
        }
        if sounds.index(entry.key).is_some() {
            let wrong = Wrong::new(
                format!("the sound \"{}\" is built in", entry.key),
                "a name that is not built in",
                format!("call it [sound.my_{}]", entry.key),
            );
            walk.fault(entry.key_at, wrong);
            continue;
        }
        // A faulty sound keeps its name, so that the clicks that use it are not called faulty too.
        let sound = sound(walk, &entry, folder, sounds).or_else(|| built_in().into_iter().next());
        sounds.list.extend(sound.map(|sound| SoundDef { name: entry.key.into(), ..sound }));
    }
}

fn sound<'t>(walk: &mut Walk<'t>, node: &Node<'t>, folder: &Path, sounds: &mut Sounds) -> Option<SoundDef> {
    let table = walk.table(node, &keys::SOUND)?;
    let wood = built_in().into_iter().next()?;
    let mut read = |key: &str, base: &SoundSource| {
        table.get(key).map(|node| source(walk, &node, folder, sounds, base).unwrap_or_else(|| base.clone()))
    };
    let (accent, beat) = (read("accent", &wood.accent), read("beat", &wood.beat));
    let (eighth, sixteenth) = (read("eighth", &wood.eighth), read("sixteenth", &wood.sixteenth));
    if accent.is_none() && beat.is_none() && eighth.is_none() && sixteenth.is_none() {
        let wrong = Wrong::new(
            format!("the sound \"{}\" says nothing", node.key),
            "accent, beat, eighth, sixteenth: a WAV file or numbers",
            "write for example: beat = \"bell.wav\"",
        );
        walk.missing(node.at, wrong);
        return None;
    }
    let beat = beat.or_else(|| accent.clone()).unwrap_or(wood.beat);
    let eighth = eighth.unwrap_or_else(|| beat.clone());
    Some(SoundDef {
        name: node.key.into(),
        accent: accent.unwrap_or_else(|| beat.clone()),
        sixteenth: sixteenth.unwrap_or_else(|| eighth.clone()),
        beat,
        eighth,
    })
}

fn source<'t>(
    walk: &mut Walk<'t>,
    node: &Node<'t>,
    folder: &Path,
    sounds: &mut Sounds,
    base: &SoundSource,
) -> Option<SoundSource> {
    if node.value.is_str() {
        let (path, seconds) = walk.short_wav(node, folder)?;
        sounds.keep(walk, node, seconds);
        return Some(SoundSource::Wav(path));
    }
    if !node.value.is_table() {
        walk.wrong(
            node,
            format!("`{}` must be a WAV file or numbers", node.key),
            "\"bell.wav\" or { hertz = 1000 }",
        );
        return None;
    }
    let table = walk.table(node, &keys::SYNTH)?;
    let SoundSource::Synth(mut synth) = *base else { return None };
    let mut number = |key: &str, range, unit| table.get(key).and_then(|node| walk.number(&node, range, unit));
    synth.hertz = number("hertz", 100.0..=8000.0, " Hz").unwrap_or(synth.hertz);
    synth.decay_ms = number("decay_ms", 2.0..=1500.0, " ms").map_or(synth.decay_ms, |ms| ms / FALL_60_DB);
    synth.attack_ms = number("attack_ms", 0.2..=20.0, " ms").unwrap_or(synth.attack_ms);
    synth.edge = number("edge", 0.0..=1.0, "").unwrap_or(synth.edge);
    synth.peak = number("peak", -60.0..=-6.0, " dBFS").map_or(synth.peak, Decibels);
    Some(SoundSource::Synth(synth))
}
