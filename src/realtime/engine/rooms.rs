//! Inputs: how loud the room is, and when.

use super::{ARRIVAL_SECONDS, Deed, Engine, NO_ROOM, NO_TALK, TALK_EVERY};
use crate::realtime::command::Command;
use crate::realtime::event::What;
use crate::realtime::io::{Io, Piece};
use crate::realtime::ramp::Ramp;
use crate::units::FramePos;

impl Engine {
    /// How loud the clicks of each outlet become by plan.
    pub(super) fn expect_clicks(&mut self) {
        self.settle();
        let Engine { set, outlets, clicks, .. } = self;
        let lane = |lane: u8| set.lane_peaks.get(usize::from(lane)).copied().unwrap_or(0.0);
        let click = |click: u8| {
            clicks
                .get(usize::from(click))
                .map_or(0.0, |click| lane(click.own_lane).max(lane(click.fallback_lane)))
        };
        outlets.iter_mut().for_each(|outlet| outlet.expect(click, lane));
    }

    /// Whoever talks makes the rest of their feeds step back: looked at where no block size moves it.
    pub(super) fn hear_talk(&mut self, end: FramePos) {
        if self.inputs.talks() == 0 || end.0.rem_euclid(TALK_EVERY) != 0 {
            return;
        }
        let talking = self.inputs.talking(self.rendered);
        if talking != self.talking {
            self.settle();
            self.talking = talking;
            self.outlets.iter_mut().for_each(|outlet| outlet.talked(talking, self.rendered));
        }
    }

    /// The room begins to close in time for a count that is ordered for later.
    pub(super) fn foresee(&mut self, start: FramePos, end: FramePos) {
        let starts = |deed: &Deed| matches!(deed, Deed::Asked(Command::Start | Command::GoTo { .. }));
        let Some(pending) = self.pending.iter().find(|pending| starts(&pending.deed)) else { return };
        let count = pending.at.nearest() + self.transport.count_after_start(&self.set);
        let Some(from) = self.inputs.rider.closes_at(count).filter(|from| (start..end).contains(from)) else {
            return;
        };
        let fresh = self.rides_with.is_none();
        let Engine { inputs, out, .. } = self;
        inputs.rider.song(None, fresh, from, count, &mut |at, what| out.tell(at, what));
    }

    /// The room opens a moment after the last hit, where that comes before the music's end.
    pub(super) fn open_after_last(&mut self, start: FramePos, end: FramePos) {
        if !self.inputs.rider.is_in_song() {
            return;
        }
        let Some(last) = self.transport.last_hit(&self.set) else { return };
        let from = last + self.inputs.rider.wait();
        if (start..end).contains(&from) {
            let Engine { inputs, out, .. } = self;
            inputs.rider.between(from, last, &mut |at, what| out.tell(at, what));
        }
    }

    /// The first bar line at least 10 ms away, or that moment itself when nothing plays.
    pub(super) fn bar_line_after(&self, from: FramePos) -> FramePos {
        let soon = from + self.set.rate.frames(0.010);
        self.transport.next_beat(&self.set, soon, true).map_or(soon, |line| line.nearest().max(soon))
    }

    pub(super) fn spare_the_room(&mut self, io: &Io) {
        for (ramp, from) in self.thrift.iter_mut().zip([NO_ROOM, NO_TALK]) {
            let wanted = if io.thrift >= from { 0.0 } else { 1.0 };
            if ramp.target() != wanted {
                let fade = self.set.rate.frames(if wanted == 0.0 { 0.2 } else { 1.0 }).0 as u32;
                ramp.go(wanted, io.at + self.look_ahead, fade);
            }
        }
    }

    /// A device has come back: its room comes up. Clicks are at plan from their first hit: they begin in silence.
    pub(super) fn arrive_softly(&mut self, at: FramePos) {
        self.arrival = Ramp::steady(0.0);
        self.arrival.go(1.0, at, self.set.rate.frames(ARRIVAL_SECONDS).0 as u32);
    }

    /// Inputs: cleaned, filtered, ridden, limited, before they meet the click.
    pub(super) fn room(&mut self, io: Option<(&Io, usize)>, start: FramePos, piece: Piece) {
        let frames = piece.frames;
        let [room, talk] = self.thrift.map(|ramp| ramp.constant(start, frames) == Some(0.0));
        if room && talk {
            return self.rooms.silence(piece);
        }
        let talkbacks = self.talkbacks;
        let unheard = if room { !talkbacks } else { 0 } | if talk { talkbacks } else { 0 };
        let Engine { inputs, rooms, out, .. } = self;
        let input = |channel: usize| {
            io.map_or(&[][..], |(io, done)| {
                io.input.channel(channel, io.frames).get(done..done + frames).unwrap_or(&[])
            })
        };
        inputs.process(start, piece, unheard, input, rooms, &mut |channel| {
            out.tell(start, What::BadInput { channel: channel as u16 });
        });
        for input in 0..self.rooms.channels() {
            self.room_gate.apply(start, self.rooms.part_mut(input, piece));
            self.arrival.apply(start, self.rooms.part_mut(input, piece));
            let [room, talk] = &self.thrift;
            let talks = talkbacks.checked_shr(input as u32).unwrap_or(0) & 1 == 1;
            let spared = if talks { talk } else { room };
            spared.apply(start, self.rooms.part_mut(input, piece));
        }
    }
}
