//! The chosen song: what the start key plays. Choosing never touches the song that sounds.

use super::ask::Ask;
use super::{Conductor, EngineView, Out};
use crate::click::set::Stretch;
use crate::realtime::command::{Command, When};
use crate::realtime::event::RunState;
use std::time::Duration;

impl Conductor {
    /// Follows the song that sounds: once it begins, the one after it is chosen, unless a hand chose.
    pub(super) fn follow(&mut self, engine: &EngineView, out: &mut Vec<Out>) {
        let sounding = engine.sounding();
        if sounding == self.sounded {
            return;
        }
        // A question named the song that sounded then.
        self.asked = self.asked.take().filter(|asked| asked.what == Ask::Quit);
        match (self.sounded, sounding) {
            (_, Some(song)) => self.began(song, engine, out),
            (Some(song), None) => self.ended(song),
            (None, None) => {}
        }
        self.sounded = sounding;
    }

    fn began(&mut self, song: usize, engine: &EngineView, out: &mut Vec<Out>) {
        if let Some(skipped) = self.skipped.get_mut(song) {
            *skipped = false;
        }
        if !self.by_hand || self.chosen == Some(song) {
            self.chosen = self.programme.after(song, &self.skipped);
            self.by_hand = false;
        }
        self.stopped_by_hand = false;
        // A start or a segue moves the engine's own choice on.
        self.told = None;
        self.send_tempo(song, engine, out);
    }

    /// A song stopped at once by hand is most often started again: it stays chosen.
    fn ended(&mut self, song: usize) {
        if std::mem::take(&mut self.stopped_by_hand) && !self.by_hand {
            self.chosen = Some(song);
        }
    }

    /// Tells the engine a changed choice.
    pub(super) fn tell_choice(&mut self, out: &mut Vec<Out>) {
        if let Some(song) = self.chosen
            && self.told != self.chosen
        {
            out.push(Out::Settle(Command::Choose { song }));
            self.told = self.chosen;
        }
    }

    /// Sends tonight's tempo of a song that began otherwise than by a start, where the engine has another.
    fn send_tempo(&mut self, song: usize, engine: &EngineView, out: &mut Vec<Out>) {
        let wanted = self.stretch(song);
        if engine.stretch.unwrap_or(Stretch::ONE) != wanted {
            out.push(Out::Settle(Command::Tempo(wanted)));
        }
    }

    pub(super) fn stretch(&self, song: usize) -> Stretch {
        let written = self.programme.songs.get(song).and_then(|entry| entry.tempo.as_ref());
        match (written, self.steps.get(song)) {
            (Some(written), Some(steps)) => steps.stretch(written),
            _ => Stretch::ONE,
        }
    }

    pub(super) fn choose(&mut self, song: usize, out: &mut Vec<Out>) {
        self.chosen = Some(song);
        self.by_hand = true;
        if let Some(skipped) = self.skipped.get_mut(song) {
            *skipped = false;
        }
        let name = self.programme.name(song);
        out.push(Out::Say(format!("{name} is next.")));
    }

    pub(super) fn choose_number(&mut self, number: usize, out: &mut Vec<Out>) {
        match self.programme.numbered(number) {
            Some(song) => self.choose(song, out),
            None => out.push(Out::Say(format!("There is no song {number}."))),
        }
    }

    /// Up or down in the set list.
    pub(super) fn step_choice(&mut self, down: bool, out: &mut Vec<Out>) {
        let last = self.programme.songs.len().checked_sub(1);
        let wanted = match (self.chosen, down) {
            (Some(song), true) => Some(song + 1),
            (Some(song), false) => song.checked_sub(1),
            (None, true) => None,
            (None, false) => last,
        };
        match wanted.filter(|song| Some(*song) <= last) {
            Some(song) => self.choose(song, out),
            None => out.push(Out::Say("The set list ends here.".into())),
        }
    }

    pub(super) fn skip(&mut self, out: &mut Vec<Out>) {
        let Some(song) = self.chosen else {
            out.push(Out::Say("No song is chosen: nothing to skip.".into()));
            return;
        };
        if let Some(skipped) = self.skipped.get_mut(song) {
            *skipped = true;
        }
        self.chosen = self.programme.after(song, &self.skipped);
        self.by_hand = self.chosen.is_some();
        let name = self.programme.name(song);
        out.push(Out::Note(format!("skipped {name}")));
        out.push(Out::Say(match self.chosen {
            Some(next) => format!("{name} is skipped; {} is next.", self.programme.name(next)),
            None => format!("{name} is skipped; no song is left."),
        }));
    }

    /// The start key: counts a song in, ends a hold, passes over a talk spot. It stops nothing.
    pub(super) fn start(&mut self, now: Duration, engine: &EngineView, out: &mut Vec<Out>) {
        let just_passed =
            self.passed_over.is_some_and(|at| now.saturating_sub(at) < super::held::FIRST_REPEAT);
        match (engine.status.run, self.chosen) {
            (RunState::Playing, _) => {
                let name = self.programme.name(usize::from(engine.status.song));
                out.push(Out::Say(format!("{name} plays on: the start key stops nothing.")));
            }
            (RunState::Holding, _) => out.push(Out::Send(When::Now, Command::Start)),
            (RunState::Stopped, None) => out.push(Out::Say("The set is over: choose a song.".into())),
            // The key may be held: one press passes over one talk spot and starts nothing.
            (RunState::Stopped, Some(_)) if just_passed => {}
            (RunState::Stopped, Some(song)) => self.start_song(now, song, engine, out),
        }
    }

    fn start_song(&mut self, now: Duration, song: usize, engine: &EngineView, out: &mut Vec<Out>) {
        if self.programme.songs.get(song).is_some_and(|entry| entry.plays()) {
            self.prepare_start(song, engine, out);
            out.push(Out::Send(When::Now, Command::Start));
        } else {
            self.passed_over = Some(now);
            self.chosen = self.programme.after(song, &self.skipped);
            self.by_hand = false;
            out.push(Out::Note(format!("passed over {}", self.programme.name(song))));
        }
    }

    /// Before a start: the engine knows the choice and, after it (a choice resets it), tonight's tempo.
    fn prepare_start(&mut self, song: usize, engine: &EngineView, out: &mut Vec<Out>) {
        if usize::from(engine.status.next_song) != song {
            self.told = None;
        }
        self.tell_choice(out);
        let wanted = self.stretch(song);
        if wanted != Stretch::ONE {
            out.push(Out::Settle(Command::Tempo(wanted)));
        }
    }

    /// "One is now": the nearest bar line of what plays; out of a hold or a stop, the first bar, at once.
    pub(super) fn one_is_now(&mut self, engine: &EngineView, out: &mut Vec<Out>) {
        if engine.status.run == RunState::Stopped {
            let plays = |song: &usize| self.programme.songs.get(*song).is_some_and(|entry| entry.plays());
            let Some(song) = self.chosen.filter(plays) else {
                out.push(Out::Say("No song with a click is chosen.".into()));
                return;
            };
            self.prepare_start(song, engine, out);
            out.push(Out::Say(format!("One is now: bar 1 of {}.", self.programme.name(song))));
        } else {
            out.push(Out::Say("One is now.".into()));
        }
        out.push(Out::Send(When::Now, Command::OneIsNow));
    }
}
