//! From key presses to what the engine is asked: a pure state machine.
//!
//! In: presses with their time, the engine's state. Out: commands, sentences, notes for the log. Thread: the
//! control thread, which also calls [`Conductor::tick`] some 20 times a second. Always: the start key stops
//! nothing, choosing touches nothing that sounds, one press of one key never ends a song.

mod act;
mod ask;
mod choice;
mod held;
mod show;
pub mod tonight;

#[cfg(test)]
mod tests;

use self::ask::{Asked, Open};
use self::held::Held;
use self::tonight::Steps;
use super::keys::{Input, Keymap, Press};
use super::programme::Programme;
use crate::click::set::Stretch;
use crate::realtime::command::{Command, When};
use crate::realtime::event::{PeerNow, RunState, Status};
use crate::survive::record::Tonight;
use std::time::Duration;

/// What came of a key press.
#[derive(Clone, Debug)]
pub enum Out {
    Send(When, Command),
    /// At once, and nobody asked for it: what follows from what was asked before.
    Settle(Command),
    /// For the player; the screen shows it, too ([`Conductor::fill`]).
    Say(String),
    /// For the log.
    Note(String),
    /// The last event is seen.
    Acknowledge,
    /// Read the show file again; answer with [`Conductor::loaded`].
    Reload,
    Quit,
}

/// What the conductor must know of the engine, as telemetry last told.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct EngineView {
    pub status: Status,
    /// While the click rests: the leg that follows, as the event said.
    pub held_leg: Option<u16>,
    /// Of the last placing.
    pub stretch: Option<Stretch>,
    /// One per click.
    pub muted: Vec<bool>,
    /// One per click: the fallback sounds.
    pub fallback: Vec<bool>,
    /// One per click: its primary in this song is a track.
    pub streamed: Vec<bool>,
    /// The other machine, where this rig has one.
    pub peer: Option<PeerNow>,
    /// Frames from an output back to an input, as last measured on the rig's spare loop since the start.
    pub round_trip: Option<f64>,
}

impl EngineView {
    /// Another machine leads: the keys that move the music do nothing here.
    pub(super) fn follows(&self) -> bool {
        self.peer.is_some_and(|peer| !peer.leads)
    }

    fn sounding(&self) -> Option<usize> {
        (self.status.run != RunState::Stopped).then_some(usize::from(self.status.song))
    }
}

/// Holds what the keys have chosen, asked and changed tonight.
#[derive(Debug)]
pub struct Conductor {
    programme: Programme,
    keys: Keymap,
    /// Step of earlier and later.
    step_ms: f64,
    chosen: Option<usize>,
    by_hand: bool,
    /// The choice the engine was last told.
    told: Option<usize>,
    skipped: Vec<bool>,
    steps: Vec<Steps>,
    asked: Option<Asked>,
    open: Open,
    opened: Duration,
    typed: Option<(usize, Duration)>,
    message: Option<(String, Duration)>,
    held: Held,
    /// The song that sounded at the last look.
    sounded: Option<usize>,
    stopped_by_hand: bool,
    passed_over: Option<Duration>,
    /// A machine that follows sounds beside the other one.
    beside: bool,
    /// The talkback's key is latched.
    talks: bool,
}

/// Start value of the step of earlier and later.
pub const STEP_MS: f64 = 5.0;

/// How long a list stays open, a typed number waits, a message is shown.
const LIST: Duration = Duration::from_secs(20);
const TYPED: Duration = Duration::from_secs(5);
const MESSAGE: Duration = Duration::from_secs(6);

impl Conductor {
    pub fn new(programme: Programme, keys: Keymap) -> Conductor {
        let songs = programme.songs.len();
        Conductor {
            programme,
            keys,
            step_ms: STEP_MS,
            chosen: (songs > 0).then_some(0),
            by_hand: false,
            told: None,
            skipped: vec![false; songs],
            steps: vec![Steps::default(); songs],
            asked: None,
            open: Open::Nothing,
            opened: Duration::ZERO,
            typed: None,
            message: None,
            held: Held::default(),
            sounded: None,
            stopped_by_hand: false,
            passed_over: None,
            beside: false,
            talks: false,
        }
    }

    /// The step of earlier and later, in milliseconds; 0.1 to 100.
    pub fn set_step_ms(&mut self, step_ms: f64) {
        self.step_ms = step_ms.clamp(0.1, 100.0);
    }

    /// The night goes on: what is next and what sounds, which the engine knows, and what was set for tonight.
    pub fn returned(&mut self, chosen: usize, sounds: Option<usize>, tonight: &Tonight) {
        self.chosen = Some(chosen).filter(|chosen| *chosen < self.programme.songs.len());
        (self.told, self.sounded) = (self.chosen, sounds);
        for (song, halves, percents) in &tonight.tempi {
            if let Some(steps) = self.steps.get_mut(usize::from(*song)) {
                *steps = Steps { halves: *halves, percents: *percents };
            }
        }
        for song in &tonight.skipped {
            if let Some(skipped) = self.skipped.get_mut(usize::from(*song)) {
                *skipped = true;
            }
        }
    }

    /// What is set for tonight, for whoever goes on after a crash.
    pub fn for_tonight(&self) -> Tonight {
        let changed = self.steps.iter().zip(0..).filter(|(steps, _)| **steps != Steps::default());
        Tonight {
            tempi: changed.map(|(steps, song)| (song, steps.halves, steps.percents)).collect(),
            skipped: self.skipped.iter().zip(0..).filter(|(on, _)| **on).map(|(_, song)| song).collect(),
        }
    }

    /// The song the start key plays, from 0.
    pub fn chosen(&self) -> Option<usize> {
        self.chosen
    }

    /// A key went down at `now` (any origin, never running backwards).
    pub fn on_key(&mut self, now: Duration, press: Press, engine: &EngineView) -> Vec<Out> {
        let mut out = self.tick(now, engine);
        if self.held.is_repeat(now, press) {
            self.held_key(press.input, &mut out);
        } else {
            match press.input {
                Input::Digit(digit) => self.digit(now, digit, engine, &mut out),
                Input::Action(action) => self.act(now, action, press.certain, engine, &mut out),
            }
        }
        self.tell_choice(&mut out);
        self.keep_message(now, &out);
        out
    }

    /// Time passes: things lapse, the song that sounds changes, a second press is found to be one.
    pub fn tick(&mut self, now: Duration, engine: &EngineView) -> Vec<Out> {
        let mut out = Vec::new();
        self.follow(engine, &mut out);
        self.settle(now, engine, &mut out);
        self.lapse(now);
        self.tell_choice(&mut out);
        self.keep_message(now, &out);
        out
    }

    /// The show was read again. Choices and tempi for tonight stay with songs of the same title.
    pub fn loaded(&mut self, programme: Programme) {
        let title = |song: usize| self.programme.songs.get(song).map(|entry| entry.title.clone());
        let chosen = self.chosen.and_then(title);
        let find = |title: &Option<String>| {
            programme.songs.iter().position(|entry| Some(&entry.title) == title.as_ref())
        };
        let moved = |from: &Programme, entry: &super::programme::Entry| {
            from.songs.iter().position(|old| old.title == entry.title)
        };
        let old: Vec<Option<usize>> =
            programme.songs.iter().map(|entry| moved(&self.programme, entry)).collect();
        self.steps = old.iter().map(|old| old.map(|old| self.steps[old]).unwrap_or_default()).collect();
        self.skipped = old.iter().map(|old| old.is_some_and(|old| self.skipped[old])).collect();
        self.chosen = find(&chosen).or((!programme.songs.is_empty()).then_some(0));
        self.told = None;
        self.asked = None;
        self.open = Open::Nothing;
        self.typed = None;
        self.programme = programme;
    }

    /// Tempi changed tonight, each with how to keep it; for the end of the run.
    pub fn offers(&self) -> Vec<String> {
        let changed = self.steps.iter().enumerate().filter(|(_, steps)| **steps != Steps::default());
        changed.filter_map(|(song, steps)| tonight::offer(&self.programme, song, *steps)).collect()
    }

    fn lapse(&mut self, now: Duration) {
        let over = |since: Duration, limit: Duration| now.saturating_sub(since) > limit;
        self.typed = self.typed.filter(|(_, at)| !over(*at, TYPED));
        self.message = self.message.take().filter(|(_, at)| !over(*at, MESSAGE));
        if over(self.opened, LIST) {
            self.open = Open::Nothing;
        }
    }

    fn keep_message(&mut self, now: Duration, out: &[Out]) {
        let said = out.iter().rev().find_map(|out| match out {
            Out::Say(text) => Some(text.clone()),
            _ => None,
        });
        self.message = said.map(|text| (text, now)).or(self.message.take());
    }
}
