//! What is due: decided ahead, handed to the voices, mixed one look-ahead early.

use super::machines::SAME_END_SECONDS;
use super::{Deed, Engine, Outbox, Pending};
use crate::click::set::{Set, Sound, Stretch};
use crate::realtime::event::{Cause, RunState, Source, What};
use crate::realtime::io::{Io, Piece};
use crate::realtime::outside::Outside;
use crate::realtime::peer::Peer;
use crate::realtime::setup::ClickSetup;
use crate::realtime::transport::{DueHit, Sink, Transport};
use crate::realtime::voices::{Voice, Voices};
use crate::timecode::chase::Order;
use crate::units::{FramePos, Frames};
use std::sync::Arc;

/// What the transport hands out, put where it belongs.
struct Dispatch<'a> {
    voices: &'a mut Voices,
    /// The other machine's click is due on its line, too.
    peer: Option<(&'a mut Peer, u8)>,
    outside: &'a mut [Option<Outside>],
    clicks: &'a [ClickSetup],
    sounds: &'a [Sound],
    out: &'a mut Outbox,
    expected: &'a dyn Fn(&DueHit) -> f32,
    /// Placings of this dispatch (at most a few a piece; the last one counts).
    placed: Option<FramePos>,
    ended: Option<FramePos>,
}

impl Sink for Dispatch<'_> {
    fn hit(&mut self, due: DueHit) {
        let expected = (self.expected)(&due);
        if let Some((peer, _)) = self.peer.as_mut().filter(|(_, lane)| *lane == due.hit.lane) {
            let sound = self.sounds.get(usize::from(due.hit.sound));
            peer.expect(due.onset, sound.map_or(0.0, |sound| sound.heard_late));
        }
        for (outside, click) in self.outside.iter_mut().zip(self.clicks) {
            if let Some(outside) = outside.as_mut().filter(|_| click.own_lane == due.hit.lane) {
                outside.expect(due.onset);
            }
        }
        self.voices.add(Voice::new(&due, expected));
    }

    fn event(&mut self, at: FramePos, what: What) {
        match what {
            What::Placed { .. } => (self.placed, self.ended) = (Some(at), None),
            What::Stopped { .. } | What::Holding { .. } => (self.placed, self.ended) = (None, Some(at)),
            _ => {}
        }
        self.out.tell(at, what);
    }
}

/// Takes a placing that is told again: no hit of it.
pub(super) struct Teller<'a>(pub(super) &'a mut Outbox);

impl Sink for Teller<'_> {
    fn hit(&mut self, _: DueHit) {}

    fn event(&mut self, at: FramePos, what: What) {
        self.0.tell(at, what);
    }
}

impl Engine {
    pub(super) fn lose_voices(&mut self, asked: FramePos) {
        let out = &mut self.out;
        self.voices.lose(self.left, asked, self.late, &mut |index, onset, late| match late {
            Some(late) => out.tell(asked, What::LateHit { hit: index, late }),
            None => out.tell(onset, What::LostHits { from: index, to: index.saturating_add(1) }),
        });
    }

    /// Renders `frames` frames of the timeline, behind what was made of this block. [`Engine::settle`] mixes them.
    pub(super) fn render(
        &mut self,
        io: Option<(&Io, usize)>,
        asked: FramePos,
        start: FramePos,
        frames: usize,
    ) {
        let end = start + Frames(frames as i64);
        self.claims.iter_mut().filter(|claim| claim.is_wanted()).for_each(|claim| claim.read(start, frames));
        self.foresee(start, end);
        self.decide(end + self.lead, asked);
        self.open_after_last(start, end);
        // Before a short sound has come and gone within the piece.
        for index in 0..self.claims.len() {
            self.judge_hits(index, end, false);
        }
        self.stand(end);
        self.pass_on(end);
        let piece = Piece { from: self.made, frames };
        let Engine { set, voices, lanes, .. } = self;
        lanes.silence(piece);
        voices.mix(set, start, piece, lanes);
        self.room(io, start, piece);
        self.click_buses(start, piece);
        (self.made, self.rendered) = (self.made + frames, end);
    }

    /// Everything that is decided for hits before `until`: commands, hits, ends of passes, in order of frame.
    pub(super) fn decide(&mut self, until: FramePos, asked: FramePos) {
        for _ in 0..4096 {
            let command_at = self.pending.first().map_or(until, |pending| pending.at.nearest());
            let pass_at = self.transport.end_frame(&self.set).map_or(until, |end| self.jump_instead(end));
            let next = command_at.min(pass_at).min(until);
            self.dispatch(next, asked);
            if command_at < until && command_at <= pass_at {
                self.execute_first(command_at.max(self.decided));
            } else if pass_at < until {
                self.with_sink(|transport, set, sink, late| {
                    transport.end_pass(set, pass_at, asked, late, sink)
                });
            } else {
                break;
            }
        }
        self.decided = self.decided.max(until);
    }

    /// Where another machine jumps as a pass ends, this one's reckoning of the two may be a frame apart: what would
    /// follow the pass never begins. Returns the pass's end, moved to the jump.
    pub(super) fn jump_instead(&self, end: FramePos) -> FramePos {
        let jump = |pending: &&Pending| matches!(pending.deed, Deed::Told(Order::Announced(Some(_))));
        let at = self.pending.iter().find(jump).map_or(end, |pending| pending.at.nearest());
        let near = self.set.rate.frames(SAME_END_SECONDS);
        if (end..=end + near).contains(&at) { at } else { end }
    }

    pub(super) fn dispatch(&mut self, until: FramePos, asked: FramePos) {
        self.with_sink(|transport, set, sink, late| transport.dispatch(set, until, asked, late, sink));
        self.decided = self.decided.max(until);
    }

    /// Runs something of the transport and follows up on what it placed or ended.
    pub(super) fn with_sink<T>(
        &mut self,
        act: impl FnOnce(&mut Transport, &Set, &mut dyn Sink, Frames) -> T,
    ) -> T {
        let Engine { set, transport, voices, out, clicks, peer, outside, .. } = self;
        let set = Arc::clone(set);
        let now = transport.playing();
        let clicks: &[ClickSetup] = clicks;
        let expected = |due: &DueHit| {
            let streams = now.filter(|now| !now.called).and_then(|now| Some((now, set.songs.get(now.song)?)));
            let Some((now, plan)) = streams else { return 0.0 };
            let click = clicks.iter().position(|click| click.fallback_lane == due.hit.lane);
            let stream = click.and_then(|click| plan.streams.get(click)?.as_ref());
            let leg = stream.and_then(|stream| stream.expected.get(now.leg));
            leg.and_then(|leg| leg.get(due.index as usize)).copied().unwrap_or(0.0)
        };
        let lane = peer.as_ref().and_then(|peer| peer.setup.click);
        let lane = lane.and_then(|click| clicks.get(usize::from(click.click))).map(|click| click.own_lane);
        let peer = peer.as_mut().zip(lane);
        let sounds = &set.sounds;
        let mut sink = Dispatch {
            voices,
            peer,
            outside,
            clicks,
            sounds,
            out,
            expected: &expected,
            placed: None,
            ended: None,
        };
        let result = act(transport, &set, &mut sink, self.late);
        let Dispatch { placed, ended, .. } = sink;
        match (placed, ended) {
            (Some(at), _) => self.placed(&set, at),
            (None, Some(at)) => self.rested(at),
            _ => {}
        }
        result
    }

    /// A leg was placed: streams are asked for where they do not simply run on, and the room closes.
    pub(super) fn placed(&mut self, set: &Set, at: FramePos) {
        let Some(now) = self.transport.playing() else { return };
        self.lets_through = None;
        self.ride_with(set, at);
        let Some(leg) = set.songs.get(now.song).and_then(|plan| plan.legs.get(now.leg)) else { return };
        // A machine that follows makes streamed clicks itself: a track runs at its own rate only.
        let follows_other = self.peer.as_ref().is_some_and(|peer| peer.setup.backup || !peer.lead.leads());
        let streams = set.songs.get(now.song).filter(|_| !follows_other);
        let streams = streams.map_or(&[][..], |plan| &plan.streams);
        let origin = now.anchor.at - leg.written;
        let follows = now.anchor.stretch == Stretch::ONE && !now.called;
        let runs_on = follows
            && self
                .stream_origin
                .is_some_and(|(song, old)| song == now.song && (old - origin).0.unsigned_abs() <= 1 << 40)
            && self.claims.iter().zip(streams).all(|(claim, stream)| claim.is_wanted() || stream.is_none());
        if !runs_on {
            self.stream_origin = follows.then_some((now.song, origin));
            self.generation = self.generation.wrapping_add(1);
            for click in 0..self.claims.len() {
                self.want_stream(click, at, follows, streams.get(click).is_some_and(Option::is_some));
            }
        }
        self.resolve_again(at + Frames(1));
    }

    /// The room rides with the leg that was placed at `at`: nothing before a lead ahead of it has been rendered.
    pub(super) fn ride_with(&mut self, set: &Set, at: FramePos) {
        let Some(now) = self.transport.playing() else { return };
        let leg = set.songs.get(now.song).and_then(|plan| plan.legs.get(now.leg));
        let section = leg.and_then(|leg| leg.ambient);
        let fresh = self.rides_with.replace(now.song) != Some(now.song);
        let count = now.anchor.at.nearest().max(at);
        let Engine { inputs, out, lead, .. } = self;
        inputs.rider.song(section, fresh, at - *lead, count, &mut |at, what| out.tell(at, what));
    }

    pub(super) fn want_stream(&mut self, click: usize, at: FramePos, follows: bool, streamed: bool) {
        self.judge_hits(click, at, true);
        let (Some(now), Some(claim)) = (self.transport.playing(), self.claims.get_mut(click)) else { return };
        let before = claim.source();
        if !streamed {
            claim.rest(at);
        } else {
            claim.want(self.generation, at, follows);
            if follows {
                let what = What::StreamWanted {
                    click: click as u8,
                    song: now.song as u16,
                    leg: now.leg as u16,
                    generation: self.generation,
                    anchor_at: now.anchor.at,
                    stretch: now.anchor.stretch,
                };
                self.out.tell(at, what);
            }
        }
        let after = claim.source();
        if before != after {
            self.tell_switch(click, at, after, Cause::Plan);
        }
    }

    pub(super) fn tell_switch(&mut self, click: usize, at: FramePos, source: Source, cause: Cause) {
        let (bar, beat) = self.bar_beat(at);
        let song = self.transport.song() as u16;
        self.out.tell(at, What::Switched { click: click as u8, source, cause, song, bar, beat });
    }

    pub(super) fn bar_beat(&self, at: FramePos) -> (i32, u16) {
        self.transport
            .beat_at(&self.set, at)
            .map_or((0, 0), |(mark, ..)| (self.transport.first_bar(&self.set) + mark.bar as i32, mark.beat))
    }

    /// Nothing plays (or the click holds) from `at` on: the room opens, streams end.
    pub(super) fn rested(&mut self, at: FramePos) {
        self.stream_origin = None;
        if self.transport.run() == RunState::Stopped {
            self.rides_with = None;
        }
        let last = self.transport.last_onset();
        let Engine { inputs, out, lead, .. } = self;
        inputs.rider.between(at - *lead, last, &mut |at, what| out.tell(at, what));
        self.outside.iter_mut().flatten().for_each(|outside| outside.clear(false));
        self.let_through(at);
        for click in 0..self.claims.len() {
            self.judge_hits(click, at, true);
            let Some(claim) = self.claims.get_mut(click) else { break };
            if claim.is_wanted() {
                claim.rest(at);
                claim.judge_mut().new_song();
                self.out.tell(at, What::StreamEnd { click: click as u8 });
                self.tell_switch(click, at, Source::Own, Cause::Plan);
            }
        }
        self.resolve_again(at);
    }
}
