//! What the conductor knows, put on the screen.

use super::ask::{Ask, Asked, Open};
use super::{Conductor, EngineView};
use crate::click::set::LegKind;
use crate::realtime::command::When;
use crate::realtime::event::{RoomNow, RunState, Status};
use crate::view::keys::Action;
use crate::view::machines;
use crate::view::model::{KeyNames, Panel, Run, ScreenModel};
use crate::view::programme::{Entry, Kind, LegEntry, decimal, tempo_words};
use num_rational::Ratio;

impl Conductor {
    /// What the start key will do next, as a sentence.
    pub fn start_sentence(&self, engine: &EngineView) -> String {
        let key = self.keys.name(Action::Start);
        let song = usize::from(engine.status.song);
        if engine.follows() {
            let take_over = self.keys.name(Action::TakeOver);
            return format!("{key} does nothing while the other laptop leads. {take_over} takes over.");
        }
        match engine.status.run {
            RunState::Stopped => self.stopped_sentence(&key, engine),
            RunState::Playing => format!(
                "{key} does nothing while {} plays.{}",
                self.programme.name(song),
                self.after_it(song)
            ),
            RunState::Holding => {
                let entry = self.programme.songs.get(song);
                let count_in = entry.map(|entry| entry.count_in.as_str()).unwrap_or_default();
                let then = held_name(entry, engine).map(|name| format!(", then {name}")).unwrap_or_default();
                format!("{key} ends the hold of {}: {count_in}{then}.", self.programme.name(song))
            }
        }
    }

    fn stopped_sentence(&self, key: &str, engine: &EngineView) -> String {
        let found = self.chosen.and_then(|song| Some((song, self.programme.songs.get(song)?)));
        let Some((song, entry)) = found else {
            let (up, down) = (self.keys.name(Action::Up), self.keys.name(Action::Down));
            return format!("{key} does nothing: no song is chosen. {up} and {down} choose one.");
        };
        let name = self.programme.name(song);
        if !entry.plays() {
            let next = self.programme.after(song, &self.skipped);
            let next = next.map_or("then the set is over".into(), |next| {
                format!("then {} is next", self.programme.name(next))
            });
            return format!(
                "{key} passes over {name} ({}): {next}.",
                if entry.kind == Kind::Talk { "talk" } else { "no click" }
            );
        }
        let encore = if entry.encore { "the encore " } else { "" };
        let note = if entry.note.is_empty() { String::new() } else { format!(", {}", entry.note) };
        let out = match (engine.status.all_out, engine.status.click_out) {
            (true, _) => " IN SILENCE (all out)",
            (false, true) => " WITHOUT CLICK (click out)",
            (false, false) => "",
        };
        format!("{key} starts {encore}{name}{out}: {}{note}.", entry.count_in)
    }

    fn after_it(&self, song: usize) -> String {
        let segue = self.programme.songs.get(song).is_some_and(|entry| entry.segue);
        match self.chosen {
            _ if segue && song + 1 < self.programme.songs.len() => {
                format!(" It runs into {}.", self.programme.name(song + 1))
            }
            Some(next) => format!(" After it: {}.", self.programme.name(next)),
            None => " It is the last one.".into(),
        }
    }

    /// Fills everything of a screen that keys and programme decide. Left to the caller: beat phase, words of
    /// the clicks, backup, power, clock, last event, meters, xruns, device, whether the keyboard is lost.
    pub fn fill(&self, engine: &EngineView, model: &mut ScreenModel) {
        model.show.clone_from(&self.programme.show);
        model.songs = self.programme.lines(|song| self.tonight(song));
        for (line, _) in model.songs.iter_mut().zip(&self.skipped).filter(|(_, skipped)| **skipped) {
            line.remark = "skipped".into();
        }
        model.song = engine.sounding();
        model.chosen = self.chosen;
        model.start = self.start_sentence(engine);
        model.asked = self.asked_words(engine);
        model.message = self.message.as_ref().map(|(text, _)| text.clone());
        model.panel = self.panel();
        model.names = self.names();
        (model.room, model.room_alarm) = self.room_words(&engine.status.room);
        model.all_out = engine.status.all_out;
        model.click_out = engine.status.click_out;
        if let Some(peer) = &engine.peer {
            let (take_over, stand_down) =
                (self.keys.name(Action::TakeOver), self.keys.name(Action::StandDown));
            let differing = self.programme.numbered(usize::from(peer.differing));
            let differing = differing
                .map_or_else(|| format!("song {}", peer.differing), |song| self.programme.name(song));
            let words = machines::words(peer, &take_over, &stand_down, &differing);
            (model.stands, model.backup) = (words.sign, words.line);
            if self.beside
                && let Some((_, sentence)) = &mut model.stands
            {
                let key = self.keys.name(Action::Beside);
                *sentence = format!("BOTH LAPTOPS SOUND, to be compared. {key} silences this one.");
            }
        }
        self.fill_place(engine, model);
        for (click, muted) in model.clicks.iter_mut().zip(&engine.muted) {
            click.muted = *muted;
        }
    }

    /// How the room stands, and whether a person should notice.
    fn room_words(&self, room: &RoomNow) -> (String, bool) {
        let key = |action| self.keys.name(action);
        if room.talking {
            return (format!("TALKBACK OPEN, rest is down; {} shuts it", key(Action::Talk)), true);
        }
        if !room.rides {
            return (String::new(), false);
        }
        if room.killed {
            return (format!("ROOM KILLED: {} brings it back", key(Action::AmbientKill)), true);
        }
        let level = if room.in_song { "song" } else { "between songs" };
        match room.by_hand {
            true => {
                (format!("Room by hand {:+.0} dB; {} lets go", room.hand_db, key(Action::AmbientRides)), true)
            }
            false => (format!("Room rides by itself: {level}"), false),
        }
    }

    fn fill_place(&self, engine: &EngineView, model: &mut ScreenModel) {
        let status = &engine.status;
        let entry = self.programme.songs.get(usize::from(status.song));
        let entry = entry.filter(|_| status.run != RunState::Stopped);
        let leg = entry.and_then(|entry| entry.legs.get(usize::from(status.leg)));
        let leg = leg.filter(|_| status.run == RunState::Playing);
        // A section's own bars count from 1: before that the count-in that leads to it sounds.
        let counting = |leg: &LegEntry| leg.kind == LegKind::CountIn || status.bar < leg.first_bar.min(1);
        let counts = leg.is_some_and(counting);
        model.run = match status.run {
            RunState::Stopped => Run::Stopped,
            RunState::Holding => Run::Holding,
            RunState::Playing if counts => Run::CountIn,
            RunState::Playing => Run::Playing,
        };
        (model.bar, model.beat, model.beats_in_bar) = (status.bar, status.beat, status.beats_in_bar);
        model.bars_left = Some(status.bars_left);
        model.vamp = leg.is_some_and(|leg| leg.vamp) && !counts;
        model.released = status.released;
        model.section = match (entry, leg) {
            (Some(_), Some(_)) if counts => "Count-in".into(),
            // A song without sections is one section of its own name.
            (Some(entry), Some(leg)) if leg.name == entry.title && !leg.vamp => String::new(),
            (Some(entry), Some(leg)) => section_words(entry, leg, status.pass),
            _ => String::new(),
        };
        model.next_section = match (entry, leg) {
            (Some(_), Some(leg)) if counts && leg.kind != LegKind::CountIn => Some(leg.name.clone()),
            (Some(entry), Some(_)) => Some(self.next_words(usize::from(status.song), entry, status)),
            (entry, _) => held_name(entry, engine).map(str::to_string),
        };
        let song = model.song.or(model.chosen);
        model.tempo = song.map(|song| self.tempo_words(song, leg)).unwrap_or_default();
    }

    fn next_words(&self, song: usize, entry: &Entry, status: &Status) -> String {
        let now = entry.legs.get(usize::from(status.leg));
        match (now, entry.legs.get(usize::from(status.leg) + 1)) {
            (Some(now), _) if now.vamp && !status.released => {
                format!("{} again, until {}", now.name, self.keys.name(Action::Release))
            }
            (Some(now), _) if now.hold && status.run == RunState::Playing => "hold: the click rests".into(),
            (Some(now), Some(next)) if next.kind == now.kind && next.section == now.section => {
                format!("{} again", next.name)
            }
            (_, Some(next)) => next.name.clone(),
            (_, None) if entry.segue => format!("runs into {}", self.programme.name(song + 1)),
            (_, None) => "none, the song ends".into(),
        }
    }

    fn tonight(&self, song: usize) -> Option<Ratio<i64>> {
        let written = self.programme.songs.get(song)?.tempo.as_ref()?;
        Some(self.steps.get(song)?.tempo(written))
    }

    /// The tempo of the section that sounds (at its first bar), else of the song; and tonight's.
    fn tempo_words(&self, song: usize, leg: Option<&LegEntry>) -> String {
        let entry = self.programme.songs.get(song);
        let written = entry.and_then(|entry| entry.tempo.as_ref());
        let (Some(written), Some(tonight)) = (written, self.tonight(song)) else { return String::new() };
        let tempo = leg.and_then(|leg| leg.tempo).unwrap_or(written.tempo);
        let words = tempo_words(tempo.note, tempo.per_minute);
        match tonight == written.tempo.per_minute {
            true => words,
            false => {
                let scaled = tempo.per_minute * tonight / written.tempo.per_minute;
                format!("{words} → {} tonight", decimal(scaled))
            }
        }
    }

    fn asked_words(&self, engine: &EngineView) -> Option<String> {
        let yes = self.keys.name(Action::Confirm);
        let Some(asked) = &self.asked else { return self.typed_words(&yes) };
        let again = asked.what.action().map(|action| self.again_words(action, asked));
        let again = again.unwrap_or_default();
        let sounding = engine.sounding().map(|song| self.programme.name(song));
        Some(match asked.what {
            Ask::Stop(when) => {
                let song = sounding.unwrap_or_default();
                let at = match when {
                    _ if engine.status.run == RunState::Holding => " now",
                    When::BarEnd => " at the end of this bar",
                    When::SectionEnd => " at the end of this section",
                    _ => " now",
                };
                format!("{again}{yes} stops {song}{at}")
            }
            Ask::Quit => match sounding {
                Some(song) => format!("{again}{yes} quits and ends {song}"),
                None => format!("{again}{yes} quits"),
            },
            Ask::StandDown => format!("{again}{yes} silences this laptop: it follows the other one"),
            Ask::Jump { song, leg } => self.jump_words(&yes, song, leg, engine),
        })
    }

    /// "S again or ", which says so where the second press came too soon.
    fn again_words(&self, action: Action, asked: &Asked) -> String {
        let key = self.keys.name(action);
        match asked.hurried && asked.again.is_none() {
            true => format!("Too quick. {key} once more or "),
            false => format!("{key} again or "),
        }
    }

    fn jump_words(&self, yes: &str, song: usize, leg: usize, engine: &EngineView) -> String {
        let sections = self.programme.songs.get(song).map(|entry| entry.sections()).unwrap_or_default();
        let section = sections.into_iter().find(|(index, _)| *index == leg).map(|(_, words)| words);
        let when = if engine.status.run == RunState::Playing { " at the end of this bar" } else { "" };
        format!("{yes} goes to {}{when}, counted in", section.unwrap_or_default())
    }

    fn typed_words(&self, yes: &str) -> Option<String> {
        let (number, _) = self.typed.filter(|_| self.open == Open::Nothing)?;
        let song = number.checked_sub(1).filter(|song| *song < self.programme.songs.len());
        Some(match song {
            Some(song) => format!("{yes} chooses {} as next", self.programme.name(song)),
            None => format!("there is no song {number}"),
        })
    }

    fn panel(&self) -> Panel {
        match self.open {
            Open::Nothing => Panel::None,
            Open::Help(page) => Panel::Help { keys: self.keys.lines(), page },
            Open::Sections { song, picked } => {
                let sections =
                    self.programme.songs.get(song).map(|entry| entry.sections()).unwrap_or_default();
                let rows =
                    sections.into_iter().enumerate().map(|(index, (_, words))| (index + 1, words)).collect();
                let title = format!("Sections of {}: type a number", self.programme.name(song));
                Panel::List { title, rows, picked }
            }
            Open::Mute => self.click_list("Mute a click, or let it sound: type its number"),
            Open::Fallback => self.click_list("Use a click's fallback, or give it back: type its number"),
        }
    }

    fn click_list(&self, title: &str) -> Panel {
        let rows =
            self.programme.clicks.iter().enumerate().map(|(index, name)| (index + 1, name.clone())).collect();
        Panel::List { title: title.into(), rows, picked: None }
    }

    fn names(&self) -> KeyNames {
        KeyNames {
            start: self.keys.name(Action::Start),
            all_back: self.keys.name(Action::AllBack),
            click_in: self.keys.name(Action::ClickIn),
            release: self.keys.name(Action::Release),
            acknowledge: self.keys.name(Action::Acknowledge),
            help: self.keys.name(Action::Help),
        }
    }
}

/// The section that follows the hold.
fn held_name<'e>(entry: Option<&'e Entry>, engine: &EngineView) -> Option<&'e str> {
    let leg = engine.held_leg.filter(|_| engine.status.run == RunState::Holding)?;
    entry?.legs.get(usize::from(leg)).map(|leg| leg.name.as_str())
}

fn section_words(entry: &Entry, leg: &LegEntry, pass: u32) -> String {
    let same = |other: &&LegEntry| other.kind == leg.kind && other.section == leg.section;
    match entry.legs.iter().filter(same).count() {
        _ if leg.vamp => format!("{}, round {}", leg.name, pass + 1),
        0 | 1 => leg.name.clone(),
        times => format!("{}, {} of {times}", leg.name, leg.pass + 1),
    }
}
