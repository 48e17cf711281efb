//! What waits for a second press or a yes, and what lists are open.

use super::held::{FIRST_REPEAT, GUARD};
use super::{Conductor, EngineView, Out};
use crate::click::set::Stretch;
use crate::realtime::command::{Command, When};
use crate::realtime::event::RunState;
use crate::view::keys::{Action, Input};
use std::time::Duration;

/// A question that names the thing and lapses.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Asked {
    pub what: Ask,
    pub at: Duration,
    /// The second press came at this time; it counts once the key has been quiet (it may be held).
    pub again: Option<Duration>,
    /// A second press came too soon to be told from a held key, and did not count.
    pub hurried: bool,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Ask {
    Stop(When),
    Quit,
    Jump { song: usize, leg: usize },
    StandDown,
}

/// What is laid over the lower part of the screen.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Open {
    Nothing,
    Help(usize),
    Sections { song: usize, picked: Option<usize> },
    Mute,
    Fallback,
}

/// A question lapses after this.
pub const LAPSE: Duration = Duration::from_secs(3);

impl Ask {
    /// The key whose second press is a yes.
    pub fn action(self) -> Option<Action> {
        match self {
            Ask::Stop(When::BarEnd) => Some(Action::StopAtBar),
            Ask::Stop(When::SectionEnd) => Some(Action::StopAtSection),
            Ask::Stop(_) => Some(Action::Stop),
            Ask::Quit => Some(Action::Quit),
            Ask::StandDown => Some(Action::StandDown),
            Ask::Jump { .. } => None,
        }
    }
}

impl Conductor {
    /// First press of a key that needs two: asks. Second press: yes, at once where the terminal tells held
    /// keys apart, else once the key has been quiet.
    pub(super) fn ask(
        &mut self,
        now: Duration,
        what: Ask,
        certain: bool,
        engine: &EngineView,
        out: &mut Vec<Out>,
    ) {
        let waiting = self.asked.as_mut().filter(|asked| asked.what == what);
        let Some(asked) = waiting else {
            self.asked = Some(Asked { what, at: now, again: None, hurried: false });
            return;
        };
        if certain {
            self.asked = None;
            self.carry_out(what, engine, out);
        } else if now.saturating_sub(asked.at) >= FIRST_REPEAT {
            asked.again = Some(now);
        } else {
            asked.hurried = true;
        }
    }

    /// A key turned out to be held: a second press that was waiting to count is none.
    pub(super) fn held_key(&mut self, input: Input, out: &mut Vec<Out>) {
        let Some(asked) = &self.asked else { return };
        let Input::Action(action) = input else { return };
        if asked.what.action() == Some(action) && asked.again.is_some() {
            self.asked = None;
            out.push(Out::Say(format!("{} is held down: nothing is done.", self.keys.name(action))));
        }
    }

    /// Second presses that were quiet count; questions lapse.
    pub(super) fn settle(&mut self, now: Duration, engine: &EngineView, out: &mut Vec<Out>) {
        let Some(asked) = self.asked.clone() else { return };
        match asked.again {
            Some(again) if now.saturating_sub(again) >= GUARD => {
                self.asked = None;
                self.carry_out(asked.what, engine, out);
            }
            None if now.saturating_sub(asked.at) > LAPSE => self.asked = None,
            _ => {}
        }
    }

    pub(super) fn confirm(&mut self, engine: &EngineView, out: &mut Vec<Out>) {
        if let Some(asked) = self.asked.take() {
            return self.carry_out(asked.what, engine, out);
        }
        match self.typed.take() {
            Some((number, _)) if self.open == Open::Nothing => self.choose_number(number, out),
            Some((number, _)) => self.pick_click(number, engine, out),
            None => out.push(Out::Say("Nothing is asked.".into())),
        }
    }

    fn carry_out(&mut self, what: Ask, engine: &EngineView, out: &mut Vec<Out>) {
        match what {
            Ask::Quit => out.push(Out::Quit),
            Ask::StandDown => out.push(Out::Send(When::Now, Command::StandDown)),
            Ask::Stop(when) => {
                // In a hold no bar and no section ends.
                let when = if engine.status.run == RunState::Holding { When::Now } else { when };
                self.stopped_by_hand = when == When::Now;
                out.push(Out::Send(when, Command::Stop));
            }
            Ask::Jump { song, leg } => {
                self.open = Open::Nothing;
                let when = if engine.status.run == RunState::Playing { When::BarEnd } else { When::Now };
                out.push(Out::Send(when, Command::GoTo { song, leg, count_in: true }));
                // Out of a hold or a stop the engine jumps at the written tempo.
                let wanted = self.stretch(song);
                if engine.status.run != RunState::Playing && wanted != Stretch::ONE {
                    out.push(Out::Send(when, Command::Tempo(wanted)));
                }
            }
        }
    }

    /// A digit: of a section's number, a click's, or a song's.
    pub(super) fn digit(&mut self, now: Duration, digit: u8, engine: &EngineView, out: &mut Vec<Out>) {
        let before = self.typed.map_or(0, |(number, _)| number);
        let number = (before * 10 + usize::from(digit)) % 1000;
        self.typed = Some((number, now));
        match self.open {
            Open::Sections { song, .. } => self.pick_section(now, song, number, out),
            Open::Mute | Open::Fallback if number * 10 > self.programme.clicks.len() => {
                self.typed = None;
                self.pick_click(number, engine, out);
            }
            _ => {}
        }
    }

    /// Picks section `number` (from 1) and asks whether to go there.
    pub(super) fn pick_section(&mut self, now: Duration, song: usize, number: usize, out: &mut Vec<Out>) {
        let sections = self.programme.songs.get(song).map(|entry| entry.sections()).unwrap_or_default();
        self.opened = now;
        match number.checked_sub(1).and_then(|index| sections.get(index)) {
            Some((leg, _)) => {
                self.open = Open::Sections { song, picked: Some(number) };
                let what = Ask::Jump { song, leg: *leg };
                self.asked = Some(Asked { what, at: now, again: None, hurried: false });
            }
            None => {
                self.asked = None;
                self.typed = None;
                out.push(Out::Say(format!("{} has no section {number}.", self.programme.name(song))));
            }
        }
    }

    fn pick_click(&mut self, number: usize, engine: &EngineView, out: &mut Vec<Out>) {
        let open = std::mem::replace(&mut self.open, Open::Nothing);
        let found = number.checked_sub(1).and_then(|index| Some((index, self.programme.clicks.get(index)?)));
        let Some((click, name)) = found else {
            out.push(Out::Say(format!("There is no click {number}.")));
            return;
        };
        if matches!(open, Open::Fallback) && !engine.streamed.get(click).copied().unwrap_or(false) {
            out.push(Out::Say(format!(
                "{name} is made by this laptop already: there is no track to take it from."
            )));
            return;
        }
        let now_on = |states: &[bool]| states.get(click).copied().unwrap_or(false);
        let (command, words) = match open {
            Open::Mute if now_on(&engine.muted) => {
                (Command::MuteClick { click, muted: false }, "sounds again")
            }
            Open::Mute => (Command::MuteClick { click, muted: true }, "is muted"),
            _ if now_on(&engine.fallback) => (Command::UseFallback { click, on: false }, "is given back"),
            _ => (Command::UseFallback { click, on: true }, "comes from the fallback"),
        };
        out.push(Out::Say(format!("{name} {words}.")));
        out.push(Out::Send(When::Now, command));
    }
}
