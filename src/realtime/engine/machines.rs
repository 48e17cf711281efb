//! Other machines and devices: what they did, who sounds, what is passed on.

use super::commands::TOLD;
use super::music::Teller;
use super::{Deed, Engine};
use crate::click::set::{Anchor, LegKind, PlaceNow, Stretch};
use crate::realtime::command::{Command, When};
use crate::realtime::event::{Cause, LineNow, RunState, Source, What, WitnessNow};
use crate::realtime::outside::Ask;
use crate::realtime::passed::Passed;
use crate::realtime::peer::{Peer, WAIT_SECONDS, effective};
use crate::realtime::timecode_out::{MusicNow, NextNow};
use crate::timecode::chase::{Here, Order, tracked};
use crate::timecode::gate::Gated;
use crate::timecode::pages::{Run, State};
use crate::units::{Exact, FramePos, Frames, Span};

/// The main's click is let through this long after the last hit of a song.
const LET_THROUGH_SECONDS: f64 = 0.1;

/// A jump of another machine this soon after the end of a pass is at its end.
pub(super) const SAME_END_SECONDS: f64 = 0.002;

impl Engine {
    pub(super) fn here(&self) -> Here {
        let place = self.transport.place();
        Here {
            run: self.transport.run(),
            song: place.song,
            leg: place.leg,
            called: place.called,
            pass: place.pass,
            anchor: place.anchor.at,
            released: self.transport.released(),
            chosen: self.transport.chosen(),
            all_out: self.all_out.target() == 0.0,
            click_out: self.all_clicks.target() == 0.0,
            mutes: self.mutes,
        }
    }

    /// Orders wait for a frame that nothing has been decided for yet, however time is split.
    pub(super) fn take_orders(&mut self, boundary: FramePos) {
        let ahead = self.look_ahead + self.lead;
        let Some(peer) = &mut self.peer else { return };
        let leads = peer.lead.leads();
        if let Some(ratio) = peer.chase.ratio().filter(|_| !leads) {
            self.transport.follow_clock(ratio);
        }
        let soonest = effective(boundary, ahead);
        while let Some(order) = self.peer.as_mut().and_then(Peer::take_order) {
            if leads {
                continue;
            }
            if matches!(order, Order::Announced(_)) {
                // One announcement at a time: the last one holds.
                self.pending.retain(|pending| !matches!(pending.deed, Deed::Told(Order::Announced(_))));
            }
            let at = match order {
                Order::Place(place) | Order::Announced(Some(place)) => {
                    Exact::at(place.anchor.at.nearest()).max(soonest)
                }
                Order::Announced(None) => continue,
                _ => soonest,
            };
            // Without room the next word brings it again.
            let when = When::Frame(at.nearest());
            let _full = self.wait(TOLD, when, at, Deed::Told(order));
        }
    }

    /// What other devices' clicks ask for: a song starts, the grid is a little off.
    pub(super) fn take_asks(&mut self, boundary: FramePos) {
        let ahead = self.look_ahead + self.lead;
        for index in 0..self.outside.len() {
            self.look_for_start(index);
            let Some(Some(outside)) = self.outside.get_mut(index) else { continue };
            if let Some(now) = outside.told() {
                let song = self.transport.song() as u16;
                self.out.tell(boundary, What::Beside { click: index as u8, song, now });
            }
            for ask in std::array::from_fn::<_, 4, _>(|_| outside.take_ask()).into_iter().flatten() {
                let at = effective(boundary, ahead);
                let when = When::Frame(at.nearest());
                let _full = self.wait(TOLD, when, at, Deed::Heard(index, ask));
            }
        }
    }

    /// Before its place is known: the first hits of the song that plays, or that it may start.
    pub(super) fn look_for_start(&mut self, index: usize) {
        let place = self.transport.place();
        let stopped = self.transport.run() == RunState::Stopped;
        let song = if stopped { self.transport.chosen() } else { place.song };
        let (Some(Some(outside)), Some(click)) = (self.outside.get_mut(index), self.clicks.get(index)) else {
            return;
        };
        if stopped && !outside.setup.starts_song {
            return outside.look_anew();
        }
        if !outside.wants(song) {
            return;
        }
        let mut expected = [Span(0); 32];
        let mut count = 0;
        let legs = self.set.songs.get(song).map_or(&[][..], |plan| &plan.legs);
        for leg in legs {
            for hit in leg.grid.hits.iter().filter(|hit| hit.lane == click.own_lane) {
                if let Some(slot) = expected.get_mut(count) {
                    *slot = leg.written + hit.local();
                    count += 1;
                }
            }
            if count == expected.len() {
                break;
            }
        }
        outside.look_for(self.set.rate, song, expected.get(..count).unwrap_or(&[]));
    }

    pub(super) fn follow_click(&mut self, click: usize, ask: Ask, at: FramePos) {
        let place = self.transport.place();
        match ask {
            Ask::Starts(anchor) => {
                let stopped = self.transport.run() == RunState::Stopped;
                let song = if stopped { self.transport.chosen() } else { place.song };
                let anchor = Anchor { at: anchor, stretch: Stretch::ONE };
                let first = PlaceNow { song, leg: 0, called: false, pass: 0, anchor };
                self.with_sink(|transport, set, sink, _| transport.rejoin(set, first, at, sink));
                if stopped {
                    self.transport.choose(&self.set, (song + 1).min(self.set.songs.len().saturating_sub(1)));
                }
            }
            Ask::Retime { pivot, retime } => {
                let local = place.anchor.local(pivot);
                let stretch = tracked(self.transport.tonight(), retime.ratio);
                let moved = pivot + retime.shift - stretch.of(local);
                self.transport.retime(Anchor { at: moved, stretch });
                self.transport.follow_clock(retime.ratio);
            }
            Ask::Silence => self.turn_passed(click, at, Source::Fallback, Cause::LineRepeats),
        }
    }

    pub(super) fn follow_order(&mut self, order: Order, at: FramePos) {
        // What was announced happens, whoever leads by then.
        if self.leads() && !matches!(order, Order::Announced(_)) {
            return;
        }
        match order {
            Order::Announced(None) => {}
            Order::Announced(Some(place)) | Order::Place(place) => {
                self.with_sink(|transport, set, sink, _| transport.rejoin(set, place, at, sink));
            }
            Order::Retime(place) => {
                if self.transport.place().is_same_pass(&place) {
                    self.transport.retime(place.anchor);
                }
            }
            Order::Hold { song, leg } => {
                self.with_sink(|transport, set, sink, _| transport.hold(set, song, leg, at, sink));
            }
            Order::Stop => {
                self.voices.cut(at);
                self.with_sink(|transport, _, sink, _| transport.stop(at, false, sink));
            }
            Order::Released(released) => self.transport.set_released(released),
            Order::Choose(song) => {
                self.transport.choose(&self.set, song);
            }
            Order::AllOut(out) => self.gains(at, if out { Command::AllOut } else { Command::AllBack }),
            Order::ClickOut(out) => self.gains(at, if out { Command::ClickOut } else { Command::ClickBack }),
            Order::Muted { click, muted } if click < self.clicks.len() => {
                self.gains(at, Command::MuteClick { click, muted });
            }
            Order::Muted { .. } => {}
        }
    }

    pub(super) fn gains(&mut self, at: FramePos, command: Command) {
        self.gain_command(TOLD, at, &command);
    }

    /// This machine leads: there is no other one, or it follows.
    pub(super) fn leads(&self) -> bool {
        self.peer.as_ref().is_none_or(|peer| peer.lead.leads())
    }

    pub(super) fn note_timecode(&mut self) {
        if self.timecode.is_none() {
            return;
        }
        let place = self.transport.place();
        let run = match self.transport.run() {
            RunState::Stopped => Run::Stopped,
            RunState::Playing => Run::Playing,
            RunState::Holding => Run::Holding,
        };
        let claims = self.peer.as_ref().is_none_or(|peer| peer.lead.claims());
        let music = MusicNow {
            run,
            song: place.song,
            leg: place.leg,
            called: place.called && run == Run::Playing,
            pass: place.pass,
            anchor: place.anchor.at,
            began: self.transport.began(&self.set),
            stretch: place.anchor.stretch,
            leads: claims,
            state: State {
                all_out: self.all_out.target() == 0.0,
                click_out: self.all_clicks.target() == 0.0,
                released: self.transport.released(),
                sounds: self.leads(),
                hears: self.peer.as_ref().is_some_and(|peer| peer.other().line == LineNow::Alive),
                mutes: self.mutes,
                ..State::default()
            },
            lets_go: self.peer.as_ref().and_then(|peer| peer.lead.lets_go()).map(Exact::at),
            chosen: self.transport.chosen(),
            next: self.announced(),
        };
        let Engine { timecode: Some(timecode), set, .. } = self else { return };
        timecode.note(set, &music);
    }

    /// The first jump that waits for its place in the music.
    pub(super) fn announced(&self) -> Option<NextNow> {
        self.pending.iter().find_map(|pending| match pending.deed {
            Deed::Asked(Command::GoTo { song, leg, count_in }) => {
                let target = self.set.songs.get(song)?.legs.get(leg)?;
                let called = count_in && target.kind != LegKind::CountIn && target.count_in.is_some();
                let keeps_tempo = self.transport.playing().is_some_and(|now| now.song == song);
                Some(NextNow { song, leg, called, at: pending.at, keeps_tempo })
            }
            _ => None,
        })
    }

    /// The gate of a machine that follows: every due hit is decided before its onset, or waits for its witness.
    pub(super) fn stand(&mut self, end: FramePos) {
        let rate = self.set.rate;
        let (splice, quick, wait) = (rate.frames(0.0005), rate.frames(0.00025), rate.frames(WAIT_SECONDS));
        while let Some(peer) = &self.peer
            && let Some(hit) = self.voices.first(|voice| !voice.stood)
        {
            let splice = if hit.waited { quick } else { splice };
            if hit.onset - splice >= end {
                return;
            }
            let decision = if self.beside { Gated::Cover } else { peer.gate(hit.onset, hit.waited) };
            for voice in self.voices.iter_mut().filter(|v| !v.stood && v.onset == hit.onset) {
                if decision == Gated::Wait {
                    (voice.onset, voice.waited) = (voice.onset + wait, true);
                } else {
                    voice.stood = true;
                }
            }
            if decision != Gated::Wait {
                self.turn(
                    decision == Gated::Cover,
                    hit.onset,
                    splice,
                    hit.waited.then_some((hit.index, wait)),
                );
            }
        }
    }

    /// Opens or shuts the gate on an onset.
    pub(super) fn turn(&mut self, open: bool, onset: FramePos, splice: Frames, late: Option<(u32, Frames)>) {
        if let Some((hit, late)) = late.filter(|_| open) {
            self.out.tell(onset, What::LateHit { hit, late });
        }
        if self.gate_open == open {
            return;
        }
        self.gate_open = open;
        self.gate.arrive(if open { 1.0 } else { 0.0 }, onset, splice.0 as u32);
        if open {
            let from = onset - splice - late.map_or(Frames(0), |(_, late)| late);
            let Engine { transport, set, out, .. } = self;
            transport.tell_again(set, from, &mut Teller(out));
        }
        let (source, cause) = match (open, self.peer.as_ref().map(|peer| peer.other())) {
            (true, Some(other)) if other.line == LineNow::Frozen => (Source::Own, Cause::MainFrozen),
            (true, Some(other)) if other.line != LineNow::NeverHeard && other.line != LineNow::Alive => {
                (Source::Own, Cause::MainGone)
            }
            (true, _) if self.beside => (Source::Own, Cause::ByHand),
            (true, Some(other)) if other.leads == Some(true) => (Source::Own, Cause::ByHand),
            (true, _) => (Source::Own, Cause::Plan),
            (false, _) => (Source::External, Cause::Plan),
        };
        for click in 0..self.clicks.len() {
            if self.passed.get(click).is_none_or(Option::is_none) {
                self.tell_switch(click, onset, source, cause);
            }
        }
    }

    /// A click that is passed on: each of its hits comes from outside where it has arrived, else from here.
    pub(super) fn pass_on(&mut self, end: FramePos) {
        self.passes_all(end);
        for index in 0..self.passed.len() {
            let (Some(Some(passed)), Some(click)) = (self.passed.get(index), self.clicks.get(index).copied())
            else {
                continue;
            };
            let lead = passed.decides_at(FramePos(0));
            while let Some(hit) = self.voices.first(|voice| !voice.passed && voice.lane == click.own_lane) {
                if hit.onset + (lead - FramePos(0)) >= end {
                    break;
                }
                for voice in
                    self.voices.iter_mut().filter(|v| v.lane == click.own_lane && v.onset == hit.onset)
                {
                    voice.passed = true;
                }
                self.pass_hit(index, hit.onset, hit.bar_line);
            }
        }
    }

    pub(super) fn pass_hit(&mut self, index: usize, onset: FramePos, bar_line: bool) {
        if let Some(Some(outside)) = self.outside.get_mut(index) {
            let (source, cause) = outside.decide(onset, bar_line);
            return self.turn_passed(index, onset, source, cause);
        }
        let Some(peer) = &self.peer else { return };
        let other = peer.other();
        let muted = self.mutes >> index & 1 == 1;
        let (source, cause) = match (peer.arrived(onset), peer.gate(onset, true)) {
            _ if peer.lead.sounds_at(onset) => (Source::Own, Cause::MainGone),
            (_, Gated::Cover) if other.line == LineNow::Frozen => (Source::Own, Cause::MainFrozen),
            (_, Gated::Cover) => (Source::Own, Cause::MainGone),
            (WitnessNow::Absent, _) if !muted => (Source::Own, Cause::Absent),
            _ => (Source::External, Cause::Plan),
        };
        let cause = if source == Source::Own
            && other.leads == Some(true)
            && other.line == LineNow::Alive
            && peer.lead.leads()
        {
            Cause::ByHand
        } else {
            cause
        };
        self.turn_passed(index, onset, source, cause);
    }

    /// Between songs what the main sends is let through, whatever became of its last hit: its timecode may be cut
    /// before the next one. A main that is gone or hangs is not.
    pub(super) fn let_through(&mut self, at: FramePos) {
        let alive = self.peer.as_ref().is_some_and(|peer| peer.other().line == LineNow::Alive);
        let last = self.transport.last_onset().max(at);
        self.lets_through = alive.then(|| last + self.set.rate.frames(LET_THROUGH_SECONDS));
    }

    /// Once the last hit of this machine's own is over.
    fn passes_all(&mut self, end: FramePos) {
        let Some(at) = self.lets_through.filter(|at| *at < end) else { return };
        self.lets_through = None;
        let main = self.peer.as_ref().filter(|peer| !peer.lead.leads()).and_then(|peer| peer.setup.click);
        if let Some(click) = main {
            let index = usize::from(click.click);
            let splice = self.passed.get(index).and_then(Option::as_ref).map_or(Frames(0), Passed::splice);
            self.turn_passed(index, at + splice, Source::External, Cause::Plan);
        }
    }

    /// A click that is passed on comes from `source` from this hit on.
    pub(super) fn turn_passed(&mut self, index: usize, onset: FramePos, source: Source, cause: Cause) {
        let changed =
            self.passed.get_mut(index).and_then(Option::as_mut).is_some_and(|p| p.turn(onset, source));
        if changed {
            if source != Source::External {
                let Engine { transport, set, out, .. } = self;
                transport.tell_again(set, onset - Frames(1), &mut Teller(out));
            }
            self.tell_switch(index, onset, source, cause);
        }
    }

    /// How the other machine is heard: ten times a second, and at once when it matters.
    pub(super) fn tell_peer(&mut self, at: FramePos) {
        let Engine { peer: Some(peer), set, out, peer_told, peer_facts, .. } = self else { return };
        let facts = peer.facts();
        if at - *peer_told >= set.rate.frames(0.1) || facts != *peer_facts {
            (*peer_told, *peer_facts) = (at, facts);
            out.tell(at, What::Peer(peer.now(set)));
        }
    }
}
