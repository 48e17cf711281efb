//! The engine: commands, transport, voices, claims, inputs, outlets, in one bounded call a block.

use super::ambient::Inputs;
use super::claim::Claim;
use super::command::{Command, Timed, When};
use super::event::{Event, LineNow, What, WitnessNow};
use super::io::{Io, Piece, Planar, Process};
use super::outlet::Outlet;
use super::outside::{Ask, Outside};
use super::passed::Passed;
use super::peer::Peer;
use super::ramp::Ramp;
use super::setup::ClickSetup;
use super::stream::{StreamBlock, TapHeader};
use super::timecode_out::TimecodeOut;
use super::transport::Transport;
use super::voices::Voices;
use crate::click::set::{Hit, PlaceNow, Set};
use crate::timecode::chase::Order;
use crate::timecode::decode::every;
use crate::units::{Exact, FramePos, Frames};
use ringbuf::traits::Producer;
use ringbuf::{HeapCons, HeapProd};
use std::sync::Arc;

/// Commands that wait for their frame at once; one more is refused.
const MOST_PENDING: usize = 64;
const COMMANDS: usize = 256;
const EVENTS: usize = 8192;
/// What a stream's ring holds: enough to outlast a slow disk.
const STREAM_SECONDS: f64 = 2.0;
/// How slowly the room comes up when the show is loaded.
const ROOM_SECONDS: f64 = 1.5;
/// Frames from one look at who talks to the next.
const TALK_EVERY: i64 = 256;
/// Seconds of every channel that the recorder may be behind.
const TAP_SECONDS: usize = 4;

/// A device that was gone this long comes back as a new one does: its room comes up in [`ARRIVAL_SECONDS`].
const LONG_LOSS_SECONDS: f64 = 0.050;
const ARRIVAL_SECONDS: f64 = 0.020;

/// From which level of [`Io::thrift`] on nothing is recorded, the room is silent, talkback is silent as well.
const NO_RECORDING: u8 = 2;
const NO_ROOM: u8 = 4;
const NO_TALK: u8 = 5;

/// The control side: stays on ordinary threads.
pub struct Control {
    pub commands: HeapProd<Timed>,
    pub events: HeapCons<Event>,
    /// Sets that the engine has done with. Drop them here.
    pub retired: HeapCons<Arc<Set>>,
    /// One per click: where the renderer puts a streamed primary.
    pub streams: Vec<HeapProd<StreamBlock>>,
    /// What went through, when the setup asks for it.
    pub tap: Option<Tap>,
}

/// The recorder's end of what went through: each header's input channels, then its output channels.
pub struct Tap {
    pub headers: HeapCons<TapHeader>,
    pub samples: HeapCons<f32>,
    pub inputs: usize,
    pub outputs: usize,
}

struct TapIn {
    headers: HeapProd<TapHeader>,
    samples: HeapProd<f32>,
    dropped: u32,
    lost: u32,
}

/// Events on their way out; what finds the ring full is counted and told with the next.
struct Outbox {
    ring: HeapProd<Event>,
    dropped: u32,
}

impl Outbox {
    fn tell(&mut self, at: FramePos, what: What) {
        if self.dropped > 0
            && self.ring.try_push(Event { at, what: What::Dropped { count: self.dropped } }).is_ok()
        {
            self.dropped = 0;
        }
        if self.dropped > 0 || self.ring.try_push(Event { at, what }).is_err() {
            self.dropped = self.dropped.saturating_add(1);
        }
    }
}

#[derive(Clone)]
struct Pending {
    id: u64,
    /// Counts what came to wait: what falls together is done in this order, whatever moved in between.
    number: u64,
    when: When,
    at: Exact,
    deed: Deed,
}

/// What waits for its frame.
#[derive(Clone)]
enum Deed {
    Asked(Command),
    /// Another machine did it.
    Told(Order),
    /// Another device's click, this one, was heard to do it.
    Heard(usize, Ask),
}

/// All that the audio callback runs.
pub struct Engine {
    set: Arc<Set>,
    loading: Option<(u64, Arc<Set>)>,
    commands: HeapCons<Timed>,
    retire: HeapProd<Arc<Set>>,
    out: Outbox,
    pending: Vec<Pending>,
    /// Of the next to wait.
    number: u64,
    transport: Transport,
    voices: Voices,
    claims: Vec<Claim>,
    clicks: Vec<ClickSetup>,
    click_gain: Vec<Ramp>,
    all_clicks: Ramp,
    all_out: Ramp,
    inputs: Inputs,
    outlets: Vec<Outlet>,
    /// Of the frames that have been made and have not left: lanes, clicks, rooms, timecode, and the outlets' mixes.
    lanes: Planar,
    buses: Planar,
    rooms: Planar,
    timecode_made: Planar,
    mixes: Planar,
    /// How many these are, and how many of them the outlets have mixed.
    made: usize,
    mixed: usize,
    /// For the part of a mix that is rooms.
    spare: Planar,
    tap: Option<TapIn>,
    tap_channels: (usize, usize),
    peak: f32,
    deepest: f32,
    look_ahead: Frames,
    /// Hits are decided this long before they sound: the longest lead, or what a stream's judge needs.
    lead: Frames,
    /// What is passed on is judged this long before it leaves.
    least_lead: Frames,
    late: Frames,
    max_piece: usize,
    /// Timeline up to which the mix has been made.
    rendered: FramePos,
    decided: FramePos,
    /// End of the last block that left.
    left: FramePos,
    generation: u32,
    /// The song that the streams play, and where it begins.
    stream_origin: Option<(usize, Exact)>,
    status_every: Frames,
    status_at: FramePos,
    /// The song that the room rides with.
    rides_with: Option<usize>,
    /// Inputs, bit by bit, into which somebody talks.
    talking: u64,
    timecode: Option<TimecodeOut>,
    peer: Option<Peer>,
    /// 1 = this machine's clicks sound; 0 = it stands by.
    gate: Ramp,
    gate_open: bool,
    /// The room of a machine that stands by is the other machine's.
    room_gate: Ramp,
    /// The room comes up when a device does.
    arrival: Ramp,
    unheard: bool,
    /// The room is given up when the computer is slow: faded, and no work any more once it is silent.
    /// What is spared of the room, and of talkback.
    thrift: [Ramp; 2],
    /// Inputs, bit by bit, that are talkbacks.
    talkbacks: u64,
    /// Per click: what arrives on an input and is passed on.
    passed: Vec<Option<Passed>>,
    /// Per click: another device that plays it.
    outside: Vec<Option<Outside>>,
    mutes: u16,
    /// A machine that follows sounds all the same, by a person's wish.
    beside: bool,
    /// From here on a main's click that is passed on is let through.
    lets_through: Option<FramePos>,
    peer_told: FramePos,
    peer_facts: (LineNow, WitnessNow, bool, bool, bool),
}

impl Process for Engine {
    fn process(&mut self, io: &mut Io) {
        let frames = io.frames.min(io.output.capacity());
        self.receive(io.at);
        if io.lost.0 > 0 {
            self.out.tell(io.at, What::Xrun { lost: io.lost });
        }
        let back = std::mem::replace(&mut self.unheard, io.unheard) && !io.unheard;
        if back || io.lost > self.set.rate.frames(LONG_LOSS_SECONDS) {
            self.arrive_softly(io.at);
        }
        self.spare_the_room(io);
        self.catch_up(io);
        let mut done = 0;
        while done < frames {
            let piece = self.max_piece.min(frames - done).min(self.to_boundary(io.at + Frames(done as i64)));
            if self.made + piece > self.max_piece {
                self.leave(io, done - self.made);
            }
            self.piece(io, done, piece);
            done += piece;
        }
        self.leave(io, done - self.made);
        self.left = io.at + Frames(frames as i64);
        self.record(io, frames);
        self.tell_status(io.at, frames);
        self.tell_peer(io.at);
    }
}

impl Engine {
    /// Makes the part of the timeline that lies between what was rendered and what leaves next: the
    /// look-ahead at the start, and after frames that nobody asked for.
    fn catch_up(&mut self, io: &Io) {
        let target = io.at + self.look_ahead;
        if self.rendered == target {
            return;
        }
        // All of the look-ahead is made again: a late hit moves inside what was made already.
        self.rendered = io.at;
        self.lose_voices(io.at);
        while self.rendered < target {
            let piece = usize::try_from((target - self.rendered).0).unwrap_or(0).min(self.max_piece);
            self.render(None, io.at, self.rendered, piece);
            self.settle();
            // What leaves the limiters here is from before this block.
            (self.made, self.mixed) = (0, 0);
        }
    }

    fn piece(&mut self, io: &mut Io, done: usize, frames: usize) {
        let at = io.at + Frames(done as i64);
        let start = self.rendered;
        self.arrive(io, at, done, frames);
        self.render(Some((io, done)), at, start, frames);
        if let Some(timecode) = &mut self.timecode {
            let piece = Piece { from: self.made - frames, frames };
            timecode.leave(at, self.timecode_made.part_mut(0, piece));
        }
        self.hear_talk(at + Frames(frames as i64));
        self.listen(io, at, done, frames);
    }

    /// Frames until the next moment at which timecode or the other machine is looked at.
    fn to_boundary(&self, at: FramePos) -> usize {
        let until = |every: i64| usize::try_from(every - at.0.rem_euclid(every)).unwrap_or(1);
        let talk = if self.inputs.talks() == 0 { usize::MAX } else { until(TALK_EVERY) };
        if self.peer.is_none() && self.timecode.is_none() && self.outside.iter().all(Option::is_none) {
            return talk;
        }
        until(every(self.set.rate).0).min(talk)
    }

    fn is_boundary(&self, at: FramePos) -> bool {
        at.0.rem_euclid(every(self.set.rate).0) == 0
    }

    /// What is passed on is taken in; twice a millisecond timecode learns what is true, and orders are queued.
    fn arrive(&mut self, io: &Io, at: FramePos, done: usize, frames: usize) {
        if let Some(click) = self.peer.as_ref().and_then(|peer| peer.setup.click)
            && let Some(Some(passed)) = self.passed.get_mut(usize::from(click.click))
        {
            let samples = io.input.channel(usize::from(click.channel), io.frames);
            passed.feed(at, samples.get(done..).unwrap_or(&[]), frames);
        }
        for index in 0..self.outside.len() {
            let Some(Some(outside)) = self.outside.get_mut(index) else { continue };
            let samples = io.input.channel(usize::from(outside.setup.channel), io.frames);
            let samples = samples.get(done..done + frames).unwrap_or(&[]);
            outside.listen(at, samples);
            if let Some(Some(passed)) = self.passed.get_mut(index) {
                passed.feed(at, samples, frames);
            }
        }
        if self.is_boundary(at) {
            self.take_orders(at);
            self.take_asks(at);
            self.note_timecode();
        }
    }

    /// The other machine's inputs, after what leaves: what they say is acted on from the next reading on.
    fn listen(&mut self, io: &Io, at: FramePos, done: usize, frames: usize) {
        let here = self.here();
        let Engine { peer: Some(peer), set, .. } = self else { return };
        let part = |channel: u16| {
            let samples = io.input.channel(usize::from(channel), io.frames);
            samples.get(done..done + frames).unwrap_or(&[])
        };
        let click = peer.setup.click.map_or(&[][..], |click| part(click.channel));
        let before = (peer.lead.leads(), peer.lead.lets_go());
        peer.listen(at, part(peer.setup.timecode), click, &here, set);
        let leads = peer.lead.leads();
        if before.1.is_none()
            && let Some(until) = peer.lead.lets_go()
        {
            let place = self.transport.place();
            peer.lead.let_go_at(between_hits(set, &place, until, set.rate.frames(CLEAR_SECONDS)));
        }
        if before.0 != leads {
            let end = at + Frames(frames as i64) + self.look_ahead;
            let fade = self.set.rate.frames(0.3).0 as u32;
            self.room_gate.go(if leads { 1.0 } else { 0.0 }, end, fade);
        }
    }

    /// Hits are decided this long before they leave.
    pub fn ahead(&self) -> Frames {
        self.look_ahead + self.lead
    }
}

/// The lead goes over no nearer to a hit than this.
const CLEAR_SECONDS: f64 = 0.008;

/// The first place from `at` on that is clear of every hit of the leg that plays. Real-time: safe.
fn between_hits(set: &Set, place: &PlaceNow, at: FramePos, clear: Frames) -> FramePos {
    let leg = set.songs.get(place.song).and_then(|song| song.legs.get(place.leg));
    let Some(grid) = leg.map(|leg| &leg.grid) else { return at };
    let mut at = at;
    // Denser than this no click is.
    for _ in 0..8 {
        let from = place.anchor.local(Exact::at(at - clear));
        let next = grid.hits.partition_point(|hit| hit.local() < from);
        // Behind the last hit comes the first one of what follows.
        let next = grid.hits.get(next).map_or(grid.length, Hit::local);
        let hit = place.anchor.frame(next);
        if hit < at - clear || hit > at + clear {
            return at;
        }
        at = hit + clear + Frames(1);
    }
    at
}

mod commands;
mod leaving;
mod machines;
mod make;
mod music;
mod rooms;

pub use make::engine;

#[cfg(test)]
mod tests;
