//! One action, carried out.

use super::ask::{Ask, Open};
use super::tonight::Steps;
use super::{Conductor, EngineView, Out};
use crate::realtime::command::{Command, When};
use crate::realtime::event::{LineNow, PeerNow, RunState};
use crate::units::Span;
use crate::view::keys::Action;
use crate::view::programme::decimal;
use std::time::Duration;

impl Conductor {
    pub(super) fn act(
        &mut self,
        now: Duration,
        action: Action,
        certain: bool,
        engine: &EngineView,
        out: &mut Vec<Out>,
    ) {
        if engine.follows() && moves_the_music(action) {
            let key = self.keys.name(Action::TakeOver);
            return out.push(Out::Say(format!("The other laptop leads. {key} takes over.")));
        }
        match action {
            Action::Start => self.start(now, engine, out),
            Action::Stop => self.ask_stop(now, When::Now, certain, engine, out),
            Action::StopAtBar => self.ask_stop(now, When::BarEnd, certain, engine, out),
            Action::StopAtSection => self.ask_stop(now, When::SectionEnd, certain, engine, out),
            Action::AllOut => out.push(Out::Send(When::Now, Command::AllOut)),
            Action::AllBack => self.all_back(engine, out),
            Action::ClickOut => out.push(Out::Send(When::Now, Command::ClickOut)),
            Action::ClickIn => out.push(Out::Send(When::Now, Command::ClickBack)),
            Action::OneIsNow => self.one_is_now(engine, out),
            Action::BeatMinus => self.mend(Command::ShiftBeats(-1), "One beat less.", engine, out),
            Action::BeatPlus => self.mend(Command::ShiftBeats(1), "One beat more.", engine, out),
            Action::Earlier => self.nudge(-1.0, engine, out),
            Action::Later => self.nudge(1.0, engine, out),
            Action::Undo => self.mend(Command::Undo, "Taken back.", engine, out),
            Action::Release => self.release(engine, out),
            Action::Up => self.up_or_down(now, false, out),
            Action::Down => self.up_or_down(now, true, out),
            Action::Skip => self.skip(out),
            Action::Faster => self.tempo(Steps { halves: 1, percents: 0 }, engine, out),
            Action::Slower => self.tempo(Steps { halves: -1, percents: 0 }, engine, out),
            Action::FasterPercent => self.tempo(Steps { halves: 0, percents: 1 }, engine, out),
            Action::SlowerPercent => self.tempo(Steps { halves: 0, percents: -1 }, engine, out),
            Action::WrittenTempo => self.written_tempo(engine, out),
            Action::GoTo => self.open_sections(now, engine, out),
            Action::Mute => self.open(now, Open::Mute),
            Action::AmbientKill => self.ambient_kill(engine, out),
            Action::AmbientUp => self.ambient_hand(HAND_DB, engine, out),
            Action::AmbientDown => self.ambient_hand(-HAND_DB, engine, out),
            Action::AmbientRides => self.ambient_rides(engine, out),
            Action::Talk => self.talk(out),
            Action::Fallback => self.open(now, Open::Fallback),
            Action::Help => self.help(now),
            Action::TakeOver => self.take_over(engine, out),
            Action::Align => self.align(engine, out),
            Action::Beside => self.beside(engine, out),
            Action::StandDown => self.stand_down(now, certain, engine, out),
            Action::Reload => self.reload(engine, out),
            Action::Acknowledge => out.push(Out::Acknowledge),
            Action::Confirm => self.confirm(engine, out),
            Action::Cancel => self.cancel(),
            Action::Quit => self.ask(now, Ask::Quit, certain, engine, out),
        }
    }

    fn ask_stop(
        &mut self,
        now: Duration,
        when: When,
        certain: bool,
        engine: &EngineView,
        out: &mut Vec<Out>,
    ) {
        match engine.status.run {
            RunState::Stopped => out.push(Out::Say("Nothing plays.".into())),
            _ => self.ask(now, Ask::Stop(when), certain, engine, out),
        }
    }

    /// The engine may be ahead of what telemetry told, so this is sent whatever the screen says.
    fn all_back(&mut self, engine: &EngineView, out: &mut Vec<Out>) {
        out.push(Out::Send(When::Now, Command::AllBack));
        if engine.status.click_out {
            out.push(Out::Send(When::Now, Command::ClickBack));
        }
    }

    /// Moves of the place: only while something plays.
    fn mend(&mut self, command: Command, said: &str, engine: &EngineView, out: &mut Vec<Out>) {
        if engine.status.run != RunState::Playing {
            out.push(Out::Say("Nothing plays.".into()));
            return;
        }
        out.push(Out::Send(When::Now, command));
        out.push(Out::Say(said.into()));
    }

    fn nudge(&mut self, direction: f64, engine: &EngineView, out: &mut Vec<Out>) {
        let frames = self.programme.rate().frames(direction * self.step_ms / 1000.0);
        let words = if direction < 0.0 { "earlier" } else { "later" };
        self.mend(Command::Nudge(frames), &format!("{} ms {words}.", self.step_ms), engine, out);
    }

    fn release(&mut self, engine: &EngineView, out: &mut Vec<Out>) {
        match engine.status.run {
            RunState::Stopped => out.push(Out::Say("Nothing plays.".into())),
            RunState::Holding => out.push(Out::Send(When::Now, Command::Start)),
            RunState::Playing => out.push(Out::Send(When::Now, Command::Release)),
        }
    }

    fn up_or_down(&mut self, now: Duration, down: bool, out: &mut Vec<Out>) {
        match self.open {
            Open::Sections { song, picked } => {
                let count = self.programme.songs.get(song).map_or(0, |entry| entry.sections().len());
                let at = picked.unwrap_or(0);
                let wanted = if down { at + 1 } else { at.saturating_sub(1) };
                self.pick_section(now, song, wanted.clamp(1, count.max(1)), out);
            }
            _ => self.step_choice(down, out),
        }
    }

    /// Tempo for tonight of the song that sounds, else of the chosen one.
    fn tempo(&mut self, change: Steps, engine: &EngineView, out: &mut Vec<Out>) {
        let Some(song) = engine.sounding().or(self.chosen) else { return };
        let before = self.steps.get(song).copied().unwrap_or_default();
        let steps =
            Steps { halves: before.halves + change.halves, percents: before.percents + change.percents };
        self.set_tempo(song, steps, engine, out);
    }

    fn written_tempo(&mut self, engine: &EngineView, out: &mut Vec<Out>) {
        if let Some(song) = engine.sounding().or(self.chosen) {
            self.set_tempo(song, Steps::default(), engine, out);
        }
    }

    fn set_tempo(&mut self, song: usize, steps: Steps, engine: &EngineView, out: &mut Vec<Out>) {
        let name = self.programme.name(song);
        let written = self.programme.songs.get(song).and_then(|entry| entry.tempo.as_ref());
        let (Some(written), Some(slot)) = (written, self.steps.get_mut(song)) else {
            out.push(Out::Say(format!("{name} has no tempo.")));
            return;
        };
        if !steps.allowed(written) {
            out.push(Out::Say("Not further: between half and double the written tempo.".into()));
            return;
        }
        *slot = steps;
        let (before, after) = (decimal(written.tempo.per_minute), decimal(steps.tempo(written)));
        let words = match steps == Steps::default() {
            true => format!("{name}: {before} as written"),
            false => format!("{name}: {before} → {after} tonight"),
        };
        out.push(Out::Note(format!("tempo: {words}")));
        out.push(Out::Say(words));
        if engine.sounding() == Some(song) {
            out.push(Out::Send(When::Now, Command::Tempo(self.stretch(song))));
        }
    }

    fn open_sections(&mut self, now: Duration, engine: &EngineView, out: &mut Vec<Out>) {
        let song = engine.sounding().or(self.chosen);
        let plays = |song: &usize| self.programme.songs.get(*song).is_some_and(|entry| entry.plays());
        match song.filter(plays) {
            Some(song) => self.open(now, Open::Sections { song, picked: None }),
            None => out.push(Out::Say("No song with sections is chosen.".into())),
        }
    }

    fn open(&mut self, now: Duration, what: Open) {
        self.asked = None;
        self.typed = None;
        self.opened = now;
        self.open = what;
    }

    fn help(&mut self, now: Duration) {
        let page = if let Open::Help(page) = self.open { page + 1 } else { 0 };
        self.open(now, Open::Help(page));
    }

    fn reload(&mut self, engine: &EngineView, out: &mut Vec<Out>) {
        match engine.sounding() {
            Some(song) => {
                let name = self.programme.name(song);
                out.push(Out::Say(format!("The show is read again when nothing plays: {name} plays.")));
            }
            None => out.push(Out::Reload),
        }
    }

    /// At once, whatever the screen says: the engine may be ahead of what telemetry told.
    fn take_over(&mut self, engine: &EngineView, out: &mut Vec<Out>) {
        match engine.peer {
            None => out.push(Out::Say("There is no other laptop in this rig.".into())),
            Some(peer) => {
                out.push(Out::Send(When::Now, Command::TakeOver));
                let asks = peer.line == LineNow::Alive && peer.other_leads;
                let said = match (peer.leads, asks) {
                    (true, _) => "This laptop leads already.",
                    (false, true) => "The other laptop is asked for the click.",
                    (false, false) => "This laptop leads.",
                };
                out.push(Out::Say(said.into()));
            }
        }
    }

    /// What was measured of the main's click is applied; it holds until the streams start again.
    fn align(&mut self, engine: &EngineView, out: &mut Vec<Out>) {
        let said = match engine.peer {
            Some(peer) if peer.backup && !peer.leads => match not_to_be_applied(&peer) {
                Some(why) => why,
                None => self.apply(&peer, engine, out),
            },
            Some(_) => "Only a backup that follows is aligned.".into(),
            None => "There is no other laptop in this rig.".into(),
        };
        out.push(Out::Say(said));
    }

    fn apply(&self, peer: &PeerNow, engine: &EngineView, out: &mut Vec<Out>) -> String {
        let rate = f64::from(self.programme.rate().hertz());
        let frames = f64::from(peer.offset_ms) / 1000.0 * rate;
        out.push(Out::Send(When::Now, Command::Align(Span::from_f64(frames))));
        let way = engine.round_trip.map_or(String::new(), |way| {
            out.push(Out::Send(When::Now, Command::OwnWay(Span::from_f64(way))));
            format!(", and {:.2} ms earlier for its own way out and in", way * 1000.0 / rate)
        });
        out.push(Out::Note(format!(
            "aligned by {:+.3} ms{way}, for this start; {} hits, ± {:.3} ms",
            peer.offset_ms, peer.offset_hits, peer.offset_spread_ms
        )));
        format!("Aligned by {:+.2} ms{way}, for this start. Hear it beside the main.", peer.offset_ms)
    }

    fn beside(&mut self, engine: &EngineView, out: &mut Vec<Out>) {
        let said = match engine.peer {
            Some(peer) if !peer.leads => {
                self.beside = !self.beside;
                out.push(Out::Send(When::Now, Command::Beside(self.beside)));
                match self.beside {
                    true => "Both laptops sound: one click when they are aligned, a flam when not.",
                    false => "This laptop is silent again.",
                }
            }
            Some(_) => "This laptop leads: it sounds already.",
            None => "There is no other laptop in this rig.",
        };
        out.push(Out::Say(said.into()));
    }

    fn stand_down(&mut self, now: Duration, certain: bool, engine: &EngineView, out: &mut Vec<Out>) {
        match engine.peer {
            None => out.push(Out::Say("There is no other laptop in this rig.".into())),
            Some(peer) if !peer.leads => out.push(Out::Say("This laptop follows already.".into())),
            Some(_) => self.ask(now, Ask::StandDown, certain, engine, out),
        }
    }

    /// Sent whatever the screen says: with howl in the ears nobody waits for telemetry. Pressed again within a moment it
    /// still kills; only a kill that is shown is taken back.
    fn ambient_kill(&mut self, engine: &EngineView, out: &mut Vec<Out>) {
        let back = engine.status.room.killed;
        out.push(Out::Send(When::Now, Command::AmbientKill(!back)));
        let said =
            if back { "The room comes back." } else { "The room is killed. Clicks and talkback stay." };
        out.push(Out::Say(said.into()));
    }

    fn ambient_hand(&mut self, step_db: f32, engine: &EngineView, out: &mut Vec<Out>) {
        if !engine.status.room.rides {
            return out.push(Out::Say("There is no room microphone in this show.".into()));
        }
        out.push(Out::Send(When::Now, Command::AmbientHand(step_db)));
        out.push(Out::Say(format!("Room {step_db:+} dB, by hand until the next song.")));
    }

    fn ambient_rides(&mut self, engine: &EngineView, out: &mut Vec<Out>) {
        let said = match engine.status.room.by_hand {
            true => "The room rides by itself again.",
            false => "The room rides by itself.",
        };
        out.push(Out::Send(When::Now, Command::AmbientRides));
        out.push(Out::Say(said.into()));
    }

    fn talk(&mut self, out: &mut Vec<Out>) {
        self.talks = !self.talks;
        out.push(Out::Send(When::Now, Command::Talk(self.talks)));
        let said = if self.talks { "Talkback is open." } else { "Talkback is shut." };
        out.push(Out::Say(said.into()));
    }

    fn cancel(&mut self) {
        self.asked = None;
        self.typed = None;
        self.open = Open::Nothing;
    }
}

/// Why an offset is no alignment, in words.
fn not_to_be_applied(peer: &PeerNow) -> Option<String> {
    let PeerNow { offset_hits: hits, offset_ms: offset, offset_spread_ms: spread, .. } = *peer;
    if hits < ENOUGH_HITS {
        Some(format!("Not measured yet: {hits} of {ENOUGH_HITS} hits of the main heard."))
    } else if offset.abs() > MOST_ALIGN_MS {
        Some(format!("Not applied: {offset:+.2} ms is no alignment. Look at the leads."))
    } else if spread > MOST_SPREAD_MS {
        Some(format!("Not applied: the main's click moves, ± {spread:.2} ms. Wait until it lies still."))
    } else {
        None
    }
}

/// A step of a hand on the room.
const HAND_DB: f32 = 3.0;

/// An alignment is measured from so many hits, is no larger than this, and lies still.
const ENOUGH_HITS: u32 = 16;
const MOST_ALIGN_MS: f32 = 20.0;
const MOST_SPREAD_MS: f32 = 0.25;

/// What only the machine that leads may do.
const fn moves_the_music(action: Action) -> bool {
    use Action::*;
    !matches!(
        action,
        AllOut
            | AllBack
            | ClickOut
            | ClickIn
            | Mute
            | AmbientKill
            | AmbientUp
            | AmbientDown
            | AmbientRides
            | Talk
            | Fallback
            | Help
            | TakeOver
            | StandDown
            | Align
            | Beside
            | Reload
            | Acknowledge
            | Confirm
            | Cancel
            | Quit
    )
}
