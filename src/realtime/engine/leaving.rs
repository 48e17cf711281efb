//! What leaves: clicks, mixes, the record of it, and what is told.

use super::{Engine, NO_RECORDING};
use crate::realtime::event::{Cause, Source, Status, What};
use crate::realtime::io::{Io, Piece};
use crate::realtime::outlet::Sources;
use crate::realtime::stream::TapHeader;
use crate::units::{FramePos, Frames};
use ringbuf::traits::{Observer, Producer};

impl Engine {
    /// Each click's bus: its own lane, or the judged claim over its fallback's lane.
    pub(super) fn click_buses(&mut self, start: FramePos, piece: Piece) {
        for index in 0..self.claims.len() {
            let (Some(claim), Some(click)) = (self.claims.get(index), self.clicks.get(index)) else { break };
            let (before, after) = match claim.is_wanted() {
                true => (click.own_lane, click.fallback_lane),
                false => (click.fallback_lane, click.own_lane),
            };
            // What fills in for another device's click is the fallback.
            let after =
                if matches!(self.outside.get(index), Some(Some(_))) { click.fallback_lane } else { after };
            let bus = self.buses.part_mut(index, piece);
            bus.fill(0.0);
            for (lane, frames) in [(after, piece.frames), (before, claim.unchanged(start, piece.frames))] {
                let lane = self.lanes.part(lane as usize, Piece { frames, ..piece });
                bus.iter_mut().zip(lane).for_each(|(to, from)| *to = *from);
            }
            claim.mix(start, bus);
            match self.passed.get(index) {
                Some(Some(passed)) => passed.mix(start, bus),
                _ => self.gate.apply(start, bus),
            }
            self.all_clicks.apply(start, bus);
            if let Some(gain) = self.click_gain.get(index) {
                gain.apply(start, bus);
            }
        }
        for lane in 0..self.lanes.channels() {
            let lane = self.lanes.part_mut(lane, piece);
            self.all_clicks.apply(start, lane);
            self.gate.apply(start, lane);
        }
    }

    /// Decides the due hits whose splice begins before `end`. Where the stream is about to be `moved` at `end`:
    /// all hits before it, while what it had there is still known.
    pub(super) fn judge_hits(&mut self, index: usize, end: FramePos, moved: bool) {
        let (Some(claim), Some(click)) = (self.claims.get_mut(index), self.clicks.get(index)) else { return };
        if !claim.is_wanted() {
            return;
        }
        let mut said: [Option<(FramePos, Source, Cause)>; 8] = [None; 8];
        let mut count = 0;
        for voice in self.voices.iter_mut() {
            let mine = voice.lane == click.fallback_lane && !voice.judged && claim.concerns(voice.onset);
            let by = if moved { voice.onset } else { claim.decides_at(voice.onset) };
            if !mine || by >= end {
                continue;
            }
            voice.judged = true;
            let (_, switch) = claim.hit(voice.onset, voice.expected, voice.bar_line, voice.late, moved);
            if let (Some((source, cause)), Some(slot)) = (switch, said.get_mut(count)) {
                *slot = Some((voice.onset, source, cause));
                count += 1;
            }
        }
        for (at, source, cause) in said.into_iter().flatten() {
            self.tell_switch(index, at, source, cause);
        }
    }

    /// Mixes and limits what was rendered since it was last done, faded by all out: pieces together as long as nothing
    /// that the outlets mix by changes. Call it before that does.
    pub(super) fn settle(&mut self) {
        let piece = Piece { from: self.mixed, frames: self.made - self.mixed };
        if piece.frames == 0 {
            return;
        }
        self.mixed = self.made;
        let start = self.rendered - Frames(piece.frames as i64);
        let from = Sources { lanes: &self.lanes, clicks: &self.buses, rooms: &self.rooms };
        let mut first = 0;
        for outlet in &mut self.outlets {
            first = outlet.mix(from, start, &mut self.mixes, first, piece, &mut self.spare);
        }
        for channel in 0..first {
            self.all_out.apply(start - self.look_ahead, self.mixes.part_mut(channel, piece));
        }
    }

    /// What was made leaves, from frame `done` of the block on: the outlets' mixes on their channels, timecode on its
    /// own, silence elsewhere.
    pub(super) fn leave(&mut self, io: &mut Io, done: usize) {
        self.settle();
        let piece = Piece { from: done, frames: self.made };
        io.output.silence(piece);
        let mut first = 0;
        for outlet in &self.outlets {
            first = outlet.leave(&self.mixes, first, &mut io.output, piece);
        }
        if let Some(timecode) = &self.timecode {
            let out = io.output.part_mut(usize::from(timecode.setup.channel), piece);
            let made = self.timecode_made.channel(0, piece.frames);
            out.iter_mut().zip(made).for_each(|(to, from)| *to = *from);
        }
        (self.made, self.mixed) = (0, 0);
    }

    pub(super) fn record(&mut self, io: &Io, frames: usize) {
        let Some(tap) = &mut self.tap else { return };
        tap.lost = tap.lost.saturating_add(u32::try_from(io.lost.0.max(0)).unwrap_or(u32::MAX));
        if io.thrift >= NO_RECORDING {
            tap.dropped = tap.dropped.saturating_add(1);
            return;
        }
        if io.unheard {
            tap.lost = tap.lost.saturating_add(frames as u32);
            return;
        }
        let channels = self.tap_channels;
        let inputs = (0..channels.0).map(|channel| io.input.channel(channel, frames));
        let outputs = (0..channels.1).map(|channel| io.output.channel(channel, frames));
        if tap.headers.vacant_len() == 0 || tap.samples.vacant_len() < (channels.0 + channels.1) * frames {
            tap.dropped = tap.dropped.saturating_add(1);
            return;
        }
        for samples in inputs.chain(outputs) {
            tap.samples.push_slice(samples);
            for _ in samples.len()..frames {
                let _ = tap.samples.try_push(0.0);
            }
        }
        let header = TapHeader { at: io.at, frames: frames as u32, lost: tap.lost, dropped: tap.dropped };
        if tap.headers.try_push(header).is_ok() {
            (tap.lost, tap.dropped) = (0, 0);
        }
    }

    pub(super) fn tell_status(&mut self, at: FramePos, frames: usize) {
        let run = self.transport.run();
        for outlet in &mut self.outlets {
            outlet.meter(&mut self.peak, &mut self.deepest);
        }
        if at - self.status_at < self.status_every {
            return;
        }
        self.status_at = at;
        let here = self.transport.beat_at(&self.set, at);
        let playing = self.transport.playing();
        let mut status = Status {
            run,
            song: self.transport.song() as u16,
            next_song: self.transport.chosen() as u16,
            leg: playing.map_or(0, |now| now.leg as u16),
            pass: playing.map_or(0, |now| now.pass),
            all_out: self.all_out.target() == 0.0,
            click_out: self.all_clicks.target() == 0.0,
            released: self.transport.released(),
            peak: std::mem::replace(&mut self.peak, 0.0),
            limiter: std::mem::replace(&mut self.deepest, 1.0),
            frames: frames as u32,
            room: self.inputs.rider.now(self.talking != 0),
            ..Status::default()
        };
        if let Some((mark, beat_at, next_beat_at)) = here {
            status.bar = self.transport.first_bar(&self.set) + mark.bar as i32;
            (status.beat, status.beats_in_bar) = (mark.beat, mark.of);
            status.bars_left = self.transport.bars(&self.set).saturating_sub(mark.bar + 1) as u16;
            (status.beat_at, status.next_beat_at) = (beat_at, next_beat_at);
        }
        self.out.tell(at, What::Status(status));
    }
}
