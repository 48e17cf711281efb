//! What is asked of the engine: received, put on its frame, done there.

use super::make::lead;
use super::{COMMANDS, Deed, Engine, MOST_PENDING, Pending};
use crate::click::set::{Anchor, PlaceNow, Stretch};
use crate::realtime::command::{Command, Return, Timed, When};
use crate::realtime::event::{RunState, What, Why};
use crate::realtime::outside::Outside;
use crate::realtime::ramp::Ramp;
use crate::realtime::transport::Transport;
use crate::units::{Exact, FramePos, Frames};
use ringbuf::traits::{Consumer, Observer, Producer};

/// The id of what another machine did.
pub(super) const TOLD: u64 = u64::MAX;

impl Engine {
    /// Takes what has come in; what is due now and needs no place is done at once.
    pub(super) fn receive(&mut self, at: FramePos) {
        let mut back = None;
        for _ in 0..COMMANDS {
            let Some(Timed { when, command, id }) = self.commands.try_pop() else { break };
            if let Command::Return(night) = &command {
                self.return_gains(night, at);
                back = Some(night.since);
            }
            if when == When::Now && self.gain_command(id, at, &command) {
                continue;
            }
            let soonest = self.decided.max(at + self.look_ahead + self.lead);
            let place = match (back, when) {
                (Some(since), _) if matches!(command, Command::Return(_)) => Exact::at(since.min(soonest)),
                // What waited through a kill happens on its own frame, although nobody asked for that one.
                (Some(since), When::Frame(_) | When::BeatFrom(_) | When::BarFrom(_) | When::SectionEnd) => {
                    self.resolve(when, since.min(soonest))
                }
                _ => self.resolve(when, soonest),
            };
            if matches!(command, Command::GoTo { .. }) {
                self.drop_jumps(at);
            }
            if let Some(full) = self.wait(id, when, place, Deed::Asked(command)) {
                self.out.tell(at, What::Refused { id });
                if let Deed::Asked(command) = full {
                    self.give_back(command);
                }
            }
        }
        self.load_when_quiet(at);
    }

    /// The last jump that was asked for holds: one that still waits is refused.
    pub(super) fn drop_jumps(&mut self, at: FramePos) {
        let out = &mut self.out;
        self.pending.retain(|pending| {
            let jump = matches!(pending.deed, Deed::Asked(Command::GoTo { .. }));
            if jump {
                out.tell(at, What::Refused { id: pending.id });
            }
            !jump
        });
    }

    /// Puts something in its place among what waits; gives it back where there is no room.
    pub(super) fn wait(&mut self, id: u64, when: When, at: Exact, deed: Deed) -> Option<Deed> {
        if self.pending.len() >= MOST_PENDING {
            return Some(deed);
        }
        let after = self.pending.iter().position(|other| other.at > at);
        let pending = Pending { id, number: self.number, when, at, deed };
        self.number += 1;
        self.pending.insert(after.unwrap_or(self.pending.len()), pending);
        None
    }

    pub(super) fn resolve(&self, when: When, earliest: FramePos) -> Exact {
        let soonest = match when {
            When::BeatFrom(from) | When::BarFrom(from) => earliest.max(from),
            _ => earliest,
        };
        let now = Exact::at(soonest);
        let musical = match when {
            When::Now => None,
            When::Frame(frame) => return Exact::at(frame.max(earliest)),
            When::NextBeat | When::BeatFrom(_) => self.transport.next_beat(&self.set, soonest, false),
            When::BarEnd | When::BarFrom(_) => self.transport.next_beat(&self.set, soonest, true),
            When::SectionEnd => self.transport.section_end(&self.set),
        };
        musical.filter(|place| *place >= now).unwrap_or(now)
    }

    /// The music moved: what waits for a beat, a bar or a section's end waits for the new one.
    pub(super) fn resolve_again(&mut self, from: FramePos) {
        for index in 0..self.pending.len() {
            let Some(when) = self.pending.get(index).map(|pending| pending.when) else { break };
            if !matches!(when, When::Now | When::Frame(_)) {
                let at = self.resolve(when, from);
                if let Some(pending) = self.pending.get_mut(index) {
                    pending.at = at;
                }
            }
        }
        // Insertion sort: in place, at most MOST_PENDING entries.
        for index in 1..self.pending.len() {
            let mut slot = index;
            while slot > 0 && self.order(slot - 1) > self.order(slot) {
                self.pending.swap(slot - 1, slot);
                slot -= 1;
            }
        }
    }

    /// By place; what falls together, in the order in which it came.
    pub(super) fn order(&self, index: usize) -> (Exact, u64) {
        self.pending.get(index).map_or((Exact(i128::MAX), u64::MAX), |pending| (pending.at, pending.number))
    }

    pub(super) fn give_back(&mut self, command: Command) {
        if let Command::Load(set) = command
            && let Err(set) = self.retire.try_push(set)
        {
            // The control side has not taken eight sets back: keep this one from being freed here.
            std::mem::forget(set);
        }
    }

    /// Gains move on the frame that leaves now: they need no place in the music.
    pub(super) fn gain_command(&mut self, id: u64, at: FramePos, command: &Command) -> bool {
        let soon = at + self.look_ahead;
        let quick = self.set.rate.frames(0.008).0 as u32;
        match command {
            Command::AllOut => {
                self.settle();
                self.all_out.go(0.0, at, quick);
                self.out.tell(at, What::AllOut(true));
            }
            Command::AllBack if self.all_out.target() == 1.0 => {}
            Command::AllBack => {
                let back = self.bar_line_after(at + self.look_ahead + self.late);
                self.settle();
                self.all_out.arrive(1.0, back, quick);
                self.out.tell(back, What::AllOut(false));
            }
            Command::ClickOut => {
                self.all_clicks.go(0.0, soon, quick);
                self.out.tell(soon, What::ClickOut(true));
            }
            Command::ClickBack if self.all_clicks.target() == 1.0 => {}
            Command::ClickBack => {
                let back = self.bar_line_after(soon + self.late);
                self.all_clicks.arrive(1.0, back, quick);
                self.out.tell(back, What::ClickOut(false));
            }
            Command::MuteClick { click, muted } => {
                if let Some(gain) = self.click_gain.get_mut(*click) {
                    gain.go(if *muted { 0.0 } else { 1.0 }, soon, quick);
                    let bit = 1u16.checked_shl(*click as u32).unwrap_or(0);
                    self.mutes = if *muted { self.mutes | bit } else { self.mutes & !bit };
                    self.out.tell(soon, What::Muted { click: *click as u8, muted: *muted });
                }
            }
            _ => return self.room_command(id, at, command),
        }
        if id != TOLD {
            self.out.tell(at, What::Done { id });
        }
        true
    }

    /// The room and the talkbacks, on the frame that leaves a look-ahead later.
    pub(super) fn room_command(&mut self, id: u64, at: FramePos, command: &Command) -> bool {
        let now = at + self.look_ahead;
        let Engine { inputs, out, .. } = self;
        let mut told = |at: FramePos, what: What| out.tell(at, what);
        match command {
            Command::AmbientKill(killed) => inputs.rider.kill(*killed, now, &mut told),
            Command::AmbientHand(step) => inputs.rider.hand(*step, now, &mut told),
            Command::AmbientRides => inputs.rider.release(now, &mut told),
            Command::Talk(on) => {
                inputs.rider.talk(*on, now);
                told(now, What::Talk(*on));
            }
            _ => return false,
        }
        self.out.tell(at, What::Done { id });
        true
    }

    pub(super) fn load_when_quiet(&mut self, at: FramePos) {
        if self.loading.is_none() || self.transport.run() != RunState::Stopped || !self.voices.is_empty() {
            return;
        }
        if self.retire.vacant_len() == 0 {
            return;
        }
        let Some((id, set)) = self.loading.take() else { return };
        let fits = set.rate == self.set.rate && set.lane_count <= self.lanes.channels();
        let (done, old) = if fits {
            self.lead = lead(&set).max(self.least_lead);
            self.transport = Transport::new(&set);
            self.outside.iter_mut().flatten().for_each(Outside::look_anew);
            let old = std::mem::replace(&mut self.set, set);
            self.expect_clicks();
            (What::Done { id }, old)
        } else {
            (What::Refused { id }, set)
        };
        self.give_back(Command::Load(old));
        self.out.tell(at, done);
    }

    pub(super) fn execute_first(&mut self, at: FramePos) {
        if self.pending.is_empty() {
            return;
        }
        let Pending { id, deed, at: place, .. } = self.pending.remove(0);
        let done = match deed {
            Deed::Told(order) => return self.follow_order(order, at),
            Deed::Heard(click, ask) => return self.follow_click(click, ask, at),
            Deed::Asked(Command::Return(night)) => self.return_to(&night, at),
            Deed::Asked(command) if !self.leads() && moves_the_music(&command) => false,
            Deed::Asked(command) => self.execute(id, command, at, place),
        };
        self.out.tell(at, if done { What::Done { id } } else { What::Refused { id } });
        if !done && self.transport.run() != RunState::Playing {
            // A start that came to nothing opens the room again.
            let Engine { inputs, out, lead, .. } = self;
            inputs.rider.between(at - *lead, at, &mut |at, what| out.tell(at, what));
        }
    }

    pub(super) fn execute(&mut self, id: u64, command: Command, at: FramePos, place: Exact) -> bool {
        let place = if place.nearest() == at { place } else { Exact::at(at) };
        match command {
            Command::Choose { song } => self.transport.choose(&self.set, song),
            Command::Start => self.with_sink(|transport, set, sink, _| transport.start(set, at, sink)),
            Command::GoTo { song, leg, count_in } => self.jump(song, leg, count_in, place, at),
            Command::Place { stretch, .. } | Command::Tempo(stretch) if !stretch.is_positive() => false,
            Command::Place { song, leg, called, pass, at: place, stretch } => {
                let place = PlaceNow { song, leg, called, pass, anchor: Anchor { at: place, stretch } };
                self.with_sink(|transport, set, sink, _| transport.rejoin(set, place, at, sink))
            }
            Command::Stop => {
                let plays = self.transport.run() != RunState::Stopped;
                self.voices.cut(at);
                self.with_sink(|transport, _, sink, _| transport.stop(at, false, sink));
                plays
            }
            Command::OneIsNow => {
                self.with_sink(|transport, set, sink, _| transport.one_is_now(set, at, sink))
            }
            Command::ShiftBeats(beats) => {
                self.with_sink(|transport, set, sink, _| transport.shift_beats(set, at, beats, sink))
            }
            Command::Nudge(later) => {
                self.with_sink(|transport, set, sink, _| transport.nudge(set, at, later, Why::Nudge, sink))
            }
            Command::Undo => self.with_sink(|transport, set, sink, _| transport.undo(set, at, sink)),
            Command::Release => self.transport.release(&self.set),
            Command::Tempo(stretch) => {
                self.with_sink(|transport, set, sink, _| transport.tempo(set, at, stretch, sink));
                true
            }
            Command::UseFallback { click, on } if matches!(self.outside.get(click), Some(Some(_))) => {
                if let Some(Some(outside)) = self.outside.get_mut(click) {
                    outside.hand(on);
                }
                true
            }
            Command::UseFallback { click, on } => self.claims.get_mut(click).is_some_and(|claim| {
                // Without a claim there is nothing to take the click from.
                let can = claim.is_wanted() || !on;
                if can {
                    claim.judge_mut().hand(on);
                }
                can
            }),
            Command::TakeOver => self.peer.as_mut().is_some_and(|peer| {
                peer.lead.take_over(at, peer.other());
                true
            }),
            Command::StandDown => self.peer.as_mut().is_some_and(|peer| {
                peer.lead.stand_down();
                true
            }),
            Command::Beside(on) => {
                self.beside = on;
                self.peer.is_some()
            }
            Command::Align(later) => self.peer.as_mut().is_some_and(|peer| {
                peer.align(later);
                true
            }),
            Command::OwnWay(way) => self.peer.as_mut().is_some_and(|peer| {
                peer.own_way(way);
                true
            }),
            Command::Load(set) => {
                if let Some((old, set)) = self.loading.replace((id, set)) {
                    self.out.tell(at, What::Refused { id: old });
                    self.give_back(Command::Load(set));
                }
                true
            }
            gain => self.gain_command(id, at, &gain),
        }
    }

    /// What was silent stays silent, from the first sample on; the room comes up.
    pub(super) fn return_gains(&mut self, night: &Return, at: FramePos) {
        self.arrive_softly(at);
        self.settle();
        self.all_out = Ramp::steady(if night.all_out { 0.0 } else { 1.0 });
        self.all_clicks = Ramp::steady(if night.click_out { 0.0 } else { 1.0 });
        self.mutes = night.mutes;
        for (index, gain) in self.click_gain.iter_mut().enumerate() {
            let muted = night.mutes.checked_shr(index as u32).is_some_and(|bits| bits & 1 == 1);
            *gain = Ramp::steady(if muted { 0.0 } else { 1.0 });
            if muted {
                self.out.tell(at, What::Muted { click: index as u8, muted });
            }
        }
        for index in (0..16).filter(|index| night.by_hand >> index & 1 == 1) {
            if let Some(claim) = self.claims.get_mut(index) {
                claim.judge_mut().hand(true);
            }
        }
        for what in
            [night.all_out.then_some(What::AllOut(true)), night.click_out.then_some(What::ClickOut(true))]
        {
            what.into_iter().for_each(|what| self.out.tell(at, what));
        }
    }

    /// The place is where the band is by now: what passed since is passed over.
    pub(super) fn return_to(&mut self, night: &Return, at: FramePos) -> bool {
        let Return { run, song, leg, called, pass, stretch, undo, .. } = *night;
        if !stretch.is_positive() || !night.chosen_stretch.is_positive() {
            return false;
        }
        self.transport.choose(&self.set, night.chosen);
        let anchor = Anchor { at: night.at, stretch };
        let placed = match run {
            RunState::Stopped => true,
            RunState::Holding => {
                self.with_sink(|transport, set, sink, _| transport.hold_at(set, song, leg, stretch, at, sink))
            }
            RunState::Playing => self.with_sink(|transport, set, sink, _| {
                transport.go_on(set, PlaceNow { song, leg, called, pass, anchor }, undo, at, sink)
            }),
        };
        if placed && run != RunState::Stopped {
            self.transport.set_released(night.released);
        }
        self.transport.set_chosen_stretch(night.chosen_stretch);
        // What waits for a beat waits for one on this frame, too: the music was there before.
        self.resolve_again(at - Frames(1));
        placed
    }

    pub(super) fn jump(
        &mut self,
        song: usize,
        leg: usize,
        count_in: bool,
        place: Exact,
        at: FramePos,
    ) -> bool {
        let same_song = self.transport.playing().filter(|now| now.song == song);
        let stretch = same_song.map_or(Stretch::ONE, |now| now.anchor.stretch);
        self.with_sink(|transport, set, sink, _| {
            transport.go_to(set, song, leg, count_in, stretch, place, at, Why::Jump, sink)
        })
    }
}

/// What only a machine that leads may do.
pub(super) const fn moves_the_music(command: &Command) -> bool {
    use Command::*;
    !matches!(
        command,
        AllOut
            | AllBack
            | ClickOut
            | ClickBack
            | MuteClick { .. }
            | TakeOver
            | StandDown
            | Align(_)
            | OwnWay(_)
            | Beside(_)
            | UseFallback { .. }
            | AmbientKill(_)
            | AmbientHand(_)
            | AmbientRides
            | Talk(_)
            | Load(_)
            | Return(_)
    )
}
