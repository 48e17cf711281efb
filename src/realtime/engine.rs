//! The engine: commands, transport, voices, claims, inputs, outlets, in one bounded call a block.

use super::ambient::Inputs;
use super::claim::{AHEAD_SECONDS, Claim};
use super::command::{Command, Return, Timed, When};
use super::event::{Cause, Event, LineNow, RunState, Source, Status, What, Why, WitnessNow};
use super::io::{Io, Planar, Process};
use super::outlet::{Outlet, Sources};
use super::outside::{Ask, Outside};
use super::passed::Passed;
use super::peer::{Peer, WAIT_SECONDS, effective, onset_bias};
use super::ramp::Ramp;
use super::setup::{ClickSetup, EngineSetup, UNPLACED};
use super::stream::{STREAM_FRAMES, StreamBlock, TapHeader};
use super::timecode_out::{MusicNow, NextNow, TimecodeOut};
use super::transport::{DueHit, Sink, Transport};
use super::voices::{Voice, Voices};
use crate::click::set::{Anchor, LegKind, PlaceNow, Set, Stretch};
use crate::timecode::chase::{Here, Order, tracked};
use crate::timecode::decode::every;
use crate::timecode::gate::Gated;
use crate::timecode::pages::{Run, State};
use crate::units::{Exact, FramePos, Frames, Span};
use ringbuf::traits::{Consumer, Observer, Producer, Split};
use ringbuf::{HeapCons, HeapProd, HeapRb};
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

/// From which level of [`Io::thrift`] on nothing is recorded, and the room is silent.
const NO_RECORDING: u8 = 2;
const NO_ROOM: u8 = 4;

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
    transport: Transport,
    voices: Voices,
    claims: Vec<Claim>,
    clicks: Vec<ClickSetup>,
    click_gain: Vec<Ramp>,
    all_clicks: Ramp,
    all_out: Ramp,
    inputs: Inputs,
    outlets: Vec<Outlet>,
    lanes: Planar,
    buses: Planar,
    rooms: Planar,
    mixes: Planar,
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
    thrift: Ramp,
    /// Per click: what arrives on an input and is passed on.
    passed: Vec<Option<Passed>>,
    /// Per click: another device that plays it.
    outside: Vec<Option<Outside>>,
    mutes: u16,
    /// A machine that follows sounds all the same, by a person's wish.
    beside: bool,
    peer_told: FramePos,
    peer_facts: (LineNow, WitnessNow, bool, bool),
}

/// Builds both ends. Allocates: call it before the stream starts.
pub fn engine(setup: &EngineSetup, set: Arc<Set>) -> (Control, Engine) {
    let (commands_in, commands) = HeapRb::new(COMMANDS).split();
    let (ring, events) = HeapRb::new(EVENTS).split();
    let (retire, retired) = HeapRb::new(8).split();
    let piece = setup.max_block.clamp(16, 4096);
    let rate = setup.rate;
    let mut streams = Vec::new();
    let mut claims = Vec::new();
    for _ in &setup.clicks {
        let (producer, consumer) =
            HeapRb::new(rate.frames(STREAM_SECONDS).0 as usize / STREAM_FRAMES + 1).split();
        streams.push(producer);
        claims.push(Claim::new(consumer, rate, setup.give_back, setup.latch, piece));
    }
    let timecode = setup.timecode.map(|timecode| timecode.channel);
    let outputs = setup.outlets.iter().flat_map(|outlet| &outlet.channels).chain(&timecode);
    let outputs = outputs.map(|c| *c as usize + 1).max();
    let placed = setup.inputs.iter().filter(|input| input.channel != UNPLACED);
    let inputs = placed.map(|input| input.channel as usize + 1).max();
    let (tap_in, tap) = match setup.record {
        true => {
            let (inputs, outputs) = (setup.tap_inputs.max(inputs.unwrap_or(0)), outputs.unwrap_or(0));
            let size = (inputs + outputs).max(1) * rate.hertz() as usize * TAP_SECONDS;
            let (headers_in, headers) = HeapRb::new(16_384).split();
            let (samples_in, samples) = HeapRb::new(size).split();
            let end = TapIn { headers: headers_in, samples: samples_in, dropped: 0, lost: 0 };
            (Some((end, inputs, outputs)), Some(Tap { headers, samples, inputs, outputs }))
        }
        false => (None, None),
    };
    let mixes = setup.outlets.iter().map(|outlet| outlet.channels.len()).sum::<usize>().max(1);
    let passes = setup.peer.and_then(|peer| peer.click).is_some_and(|click| click.passed.is_some());
    let passes = passes || !setup.outside.is_empty();
    let least_lead = if passes { rate.frames(AHEAD_SECONDS) } else { Frames(0) };
    let mut all_out = Ramp::steady(0.0);
    all_out.go(1.0, FramePos(0), rate.frames(0.050).0 as u32);
    let mut engine = Engine {
        transport: Transport::new(&set),
        lead: lead(&set).max(least_lead),
        least_lead,
        loading: None,
        commands,
        retire,
        out: Outbox { ring, dropped: 0 },
        pending: Vec::with_capacity(MOST_PENDING),
        voices: Voices::new(rate.frames(0.005), Frames(setup.look_ahead as i64)),
        claims,
        clicks: setup.clicks.clone(),
        click_gain: vec![Ramp::steady(1.0); setup.clicks.len()],
        all_clicks: Ramp::steady(1.0),
        all_out,
        inputs: Inputs::new(&setup.inputs, rate, setup.ceiling * 0.5),
        outlets: Outlet::all(setup),
        lanes: Planar::new(setup.lanes.max(1), piece),
        buses: Planar::new(setup.clicks.len().max(1), piece),
        rooms: Planar::new(setup.inputs.len().max(1), piece),
        mixes: Planar::new(mixes, piece),
        spare: Planar::new(2, piece),
        tap_channels: tap_in.as_ref().map_or((0, 0), |(_, inputs, outputs)| (*inputs, *outputs)),
        tap: tap_in.map(|(end, ..)| end),
        peak: 0.0,
        deepest: 1.0,
        look_ahead: Frames(setup.look_ahead as i64),
        late: rate.frames(0.005),
        max_piece: piece,
        rendered: FramePos(0),
        decided: FramePos(0),
        left: FramePos(0),
        generation: 0,
        stream_origin: None,
        status_every: rate.frames(0.010),
        status_at: FramePos(i64::MIN / 2),
        rides_with: None,
        talking: 0,
        timecode: setup.timecode.map(|timecode| TimecodeOut::new(timecode, rate)),
        peer: setup.peer.map(|peer| Peer::new(peer, rate, Frames(setup.look_ahead as i64))),
        gate: Ramp::steady(if setup.peer.is_some() { 0.0 } else { 1.0 }),
        gate_open: setup.peer.is_none(),
        room_gate: Ramp::steady(if setup.peer.is_some() { 0.0 } else { 1.0 }),
        arrival: Ramp::steady(1.0),
        thrift: Ramp::steady(1.0),
        unheard: false,
        passed: passed(setup, piece),
        outside: outside(setup),
        mutes: 0,
        beside: false,
        peer_told: FramePos(i64::MIN / 2),
        peer_facts: Default::default(),
        set,
    };
    engine.calibrate();
    for click in 0..setup.clicks.len() {
        if engine.peer.is_some() || matches!(engine.outside.get(click), Some(Some(_))) {
            engine.tell_switch(click, FramePos(0), Source::External, Cause::Plan);
        }
    }
    engine.inputs.rider.load(FramePos(0), rate.frames(ROOM_SECONDS).0 as u32);
    engine.expect_clicks();
    (Control { commands: commands_in, events, retired, streams, tap }, engine)
}

/// What is passed on from inputs, per click.
fn passed(setup: &EngineSetup, piece: usize) -> Vec<Option<Passed>> {
    let main = setup.peer.and_then(|peer| peer.click);
    let passes = |index: usize| {
        let main = main.filter(|click| usize::from(click.click) == index).and_then(|click| click.passed);
        let outside = setup.outside.iter().find(|one| usize::from(one.click) == index).map(|one| one.safety);
        let delay = main.or(outside)? + Frames(setup.look_ahead as i64);
        Some(Passed::new(setup.rate, delay, piece))
    };
    (0..setup.clicks.len()).map(passes).collect()
}

/// The sound of a click's beats.
fn beat_sound(set: &Set, lane: u8) -> Option<crate::click::set::Sound> {
    let legs = set.songs.iter().flat_map(|song| &song.legs);
    let mut hits = legs.flat_map(|leg| leg.grid.hits.iter()).filter(|hit| hit.lane == lane);
    let beat = hits.find(|hit| hit.kind == crate::click::set::HitKind::Beat)?;
    set.sounds.get(usize::from(beat.sound)).cloned()
}

impl Engine {
    /// What arrives is taken to play the sounds of this show: what a follower hears late of them is taken off.
    /// Allocates.
    fn calibrate(&mut self) {
        let Engine { set, clicks, peer, outside, .. } = self;
        let main = peer.as_ref().and_then(|peer| peer.setup.click).map(|click| usize::from(click.click));
        for (index, click) in clicks.iter().enumerate() {
            let outside = outside.get_mut(index).and_then(Option::as_mut);
            let peer = peer.as_mut().filter(|_| main == Some(index));
            if outside.is_none() && peer.is_none() {
                continue;
            }
            let Some(sound) = beat_sound(set, click.own_lane) else { continue };
            let bias = onset_bias(set.rate, &sound.samples, sound.lead);
            outside.into_iter().for_each(|outside| outside.calibrate(bias));
            peer.into_iter().for_each(|peer| peer.calibrate(bias));
        }
    }
}

/// The other devices, per click.
fn outside(setup: &EngineSetup) -> Vec<Option<Outside>> {
    let make = |index: usize| {
        let one = setup.outside.iter().find(|one| usize::from(one.click) == index)?;
        Some(Outside::new(*one, setup.rate, setup.give_back, Frames(setup.look_ahead as i64)))
    };
    (0..setup.clicks.len()).map(make).collect()
}

fn lead(set: &Set) -> Frames {
    let streams = set.songs.iter().any(|song| song.streams.iter().any(Option::is_some));
    let judge = if streams { set.rate.frames(AHEAD_SECONDS) } else { Frames(0) };
    Frames(i64::from(set.max_lead).max(judge.0))
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
            self.piece(io, done, piece);
            done += piece;
        }
        self.left = io.at + Frames(frames as i64);
        self.record(io, frames);
        self.tell_status(io.at, frames);
        self.tell_peer(io.at);
    }
}

/// What the transport hands out, put where it belongs.
struct Dispatch<'a> {
    voices: &'a mut Voices,
    /// The other machine's click is due on its line, too.
    peer: Option<(&'a mut Peer, u8)>,
    outside: &'a mut [Option<Outside>],
    clicks: &'a [ClickSetup],
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
            peer.expect(due.onset);
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

impl Engine {
    /// Takes what has come in; what is due now and needs no place is done at once.
    fn receive(&mut self, at: FramePos) {
        for _ in 0..COMMANDS {
            let Some(Timed { when, command, id }) = self.commands.try_pop() else { break };
            if let Command::Return(night) = &command {
                self.return_gains(night, at);
            }
            if when == When::Now && self.gain_command(id, at, &command) {
                continue;
            }
            let earliest = self.decided.max(at + self.look_ahead + self.lead);
            let place = self.resolve(when, earliest);
            if matches!(command, Command::GoTo { .. }) {
                self.drop_jumps(at);
            }
            if let Some(full) = self.wait(Pending { id, when, at: place, deed: Deed::Asked(command) }) {
                self.out.tell(at, What::Refused { id });
                if let Deed::Asked(command) = full.deed {
                    self.give_back(command);
                }
            }
        }
        self.load_when_quiet(at);
    }

    /// The last jump that was asked for holds: one that still waits is refused.
    fn drop_jumps(&mut self, at: FramePos) {
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
    fn wait(&mut self, pending: Pending) -> Option<Pending> {
        if self.pending.len() >= MOST_PENDING {
            return Some(pending);
        }
        let after = self.pending.iter().position(|other| other.at > pending.at);
        self.pending.insert(after.unwrap_or(self.pending.len()), pending);
        None
    }

    fn resolve(&self, when: When, earliest: FramePos) -> Exact {
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
    fn resolve_again(&mut self, from: FramePos) {
        for index in 0..self.pending.len() {
            let Some(when) = self.pending.get(index).map(|pending| pending.when) else { break };
            if !matches!(when, When::Now | When::Frame(_)) {
                let at = self.resolve(when, from);
                if let Some(pending) = self.pending.get_mut(index) {
                    pending.at = at;
                }
            }
        }
        // Insertion sort: stable, in place, at most MOST_PENDING entries.
        for index in 1..self.pending.len() {
            let mut slot = index;
            while slot > 0 && self.order(slot - 1) > self.order(slot) {
                self.pending.swap(slot - 1, slot);
                slot -= 1;
            }
        }
    }

    fn order(&self, index: usize) -> Exact {
        self.pending.get(index).map_or(Exact(i128::MAX), |pending| pending.at)
    }

    fn give_back(&mut self, command: Command) {
        if let Command::Load(set) = command
            && let Err(set) = self.retire.try_push(set)
        {
            // The control side has not taken eight sets back: keep this one from being freed here.
            std::mem::forget(set);
        }
    }

    /// Gains move on the frame that leaves now: they need no place in the music.
    fn gain_command(&mut self, id: u64, at: FramePos, command: &Command) -> bool {
        let soon = at + self.look_ahead;
        let quick = self.set.rate.frames(0.008).0 as u32;
        match command {
            Command::AllOut => {
                self.all_out.go(0.0, at, quick);
                self.out.tell(at, What::AllOut(true));
            }
            Command::AllBack if self.all_out.target() == 1.0 => {}
            Command::AllBack => {
                let back = self.bar_line_after(at + self.look_ahead + self.late);
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
    fn room_command(&mut self, id: u64, at: FramePos, command: &Command) -> bool {
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

    /// How loud the clicks of each outlet become by plan.
    fn expect_clicks(&mut self) {
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
    fn hear_talk(&mut self, end: FramePos) {
        if self.inputs.talks() == 0 || end.0.rem_euclid(TALK_EVERY) != 0 {
            return;
        }
        let talking = self.inputs.talking(self.rendered);
        if talking != self.talking {
            self.talking = talking;
            self.outlets.iter_mut().for_each(|outlet| outlet.talked(talking, self.rendered));
        }
    }

    /// The room begins to close in time for a count that is ordered for later.
    fn foresee(&mut self, start: FramePos, end: FramePos) {
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
    fn open_after_last(&mut self, start: FramePos, end: FramePos) {
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
    fn bar_line_after(&self, from: FramePos) -> FramePos {
        let soon = from + self.set.rate.frames(0.010);
        self.transport.next_beat(&self.set, soon, true).map_or(soon, |line| line.nearest().max(soon))
    }

    fn load_when_quiet(&mut self, at: FramePos) {
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
        }
    }

    fn lose_voices(&mut self, asked: FramePos) {
        let out = &mut self.out;
        self.voices.lose(self.left, asked, self.late, &mut |index, onset, late| match late {
            Some(late) => out.tell(asked, What::LateHit { hit: index, late }),
            None => out.tell(onset, What::LostHits { from: index, to: index.saturating_add(1) }),
        });
    }

    fn piece(&mut self, io: &mut Io, done: usize, frames: usize) {
        let at = io.at + Frames(done as i64);
        let start = self.rendered;
        self.arrive(io, at, done, frames);
        self.render(Some((io, done)), at, start, frames);
        self.leave(io, at, done, frames);
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
        let before = peer.lead.leads();
        peer.listen(at, part(peer.setup.timecode), click, &here, set);
        let leads = peer.lead.leads();
        if before != leads {
            let end = at + Frames(frames as i64) + self.look_ahead;
            let fade = self.set.rate.frames(0.3).0 as u32;
            self.room_gate.go(if leads { 1.0 } else { 0.0 }, end, fade);
        }
    }

    fn here(&self) -> Here {
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
    fn take_orders(&mut self, boundary: FramePos) {
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
            let _full = self.wait(Pending { id: TOLD, when, at, deed: Deed::Told(order) });
        }
    }

    /// What other devices' clicks ask for: a song starts, the grid is a little off.
    fn take_asks(&mut self, boundary: FramePos) {
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
                let _full = self.wait(Pending { id: TOLD, when, at, deed: Deed::Heard(index, ask) });
            }
        }
    }

    /// Before its place is known: the first hits of the song that plays, or that it may start.
    fn look_for_start(&mut self, index: usize) {
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

    fn follow_click(&mut self, click: usize, ask: Ask, at: FramePos) {
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

    fn follow_order(&mut self, order: Order, at: FramePos) {
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

    fn gains(&mut self, at: FramePos, command: Command) {
        self.gain_command(TOLD, at, &command);
    }

    /// This machine leads: there is no other one, or it follows.
    fn leads(&self) -> bool {
        self.peer.as_ref().is_none_or(|peer| peer.lead.leads())
    }

    fn note_timecode(&mut self) {
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
                next_song: 0,
                mutes: self.mutes,
            },
            chosen: self.transport.chosen(),
            next: self.announced(),
        };
        let Engine { timecode: Some(timecode), set, .. } = self else { return };
        timecode.note(set, &music);
    }

    /// The first jump that waits for its place in the music.
    fn announced(&self) -> Option<NextNow> {
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
    fn stand(&mut self, end: FramePos) {
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
    fn turn(&mut self, open: bool, onset: FramePos, splice: Frames, late: Option<(u32, Frames)>) {
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
    fn pass_on(&mut self, end: FramePos) {
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

    fn pass_hit(&mut self, index: usize, onset: FramePos, bar_line: bool) {
        if let Some(Some(outside)) = self.outside.get_mut(index) {
            let (source, cause) = outside.decide(onset, bar_line);
            return self.turn_passed(index, onset, source, cause);
        }
        let Some(peer) = &self.peer else { return };
        let other = peer.other();
        let muted = self.mutes >> index & 1 == 1;
        let (source, cause) = match (peer.arrived(onset), peer.gate(onset, true)) {
            _ if peer.lead.leads() => (Source::Own, Cause::MainGone),
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

    /// A click that is passed on comes from `source` from this hit on.
    fn turn_passed(&mut self, index: usize, onset: FramePos, source: Source, cause: Cause) {
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
    fn tell_peer(&mut self, at: FramePos) {
        let Engine { peer: Some(peer), set, out, peer_told, peer_facts, .. } = self else { return };
        let facts = peer.facts();
        if at - *peer_told >= set.rate.frames(0.1) || facts != *peer_facts {
            (*peer_told, *peer_facts) = (at, facts);
            out.tell(at, What::Peer(peer.now(set)));
        }
    }

    /// Renders `frames` frames of the timeline into the outlets' limiters.
    fn render(&mut self, io: Option<(&Io, usize)>, asked: FramePos, start: FramePos, frames: usize) {
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
        let Engine { set, voices, lanes, .. } = self;
        lanes.clear();
        voices.mix(set, start, frames, lanes);
        self.room(io, start, frames);
        self.click_buses(start, frames);
        let from = Sources { lanes: &self.lanes, clicks: &self.buses, rooms: &self.rooms };
        let mut first = 0;
        for outlet in &mut self.outlets {
            first = outlet.mix(from, start, &mut self.mixes, first, frames, &mut self.spare);
        }
        self.rendered = end;
    }

    /// Everything that is decided for hits before `until`: commands, hits, ends of passes, in order of frame.
    fn decide(&mut self, until: FramePos, asked: FramePos) {
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
    fn jump_instead(&self, end: FramePos) -> FramePos {
        let jump = |pending: &&Pending| matches!(pending.deed, Deed::Told(Order::Announced(Some(_))));
        let at = self.pending.iter().find(jump).map_or(end, |pending| pending.at.nearest());
        let near = self.set.rate.frames(SAME_END_SECONDS);
        if (end..=end + near).contains(&at) { at } else { end }
    }

    fn dispatch(&mut self, until: FramePos, asked: FramePos) {
        self.with_sink(|transport, set, sink, late| transport.dispatch(set, until, asked, late, sink));
        self.decided = self.decided.max(until);
    }

    /// Runs something of the transport and follows up on what it placed or ended.
    fn with_sink<T>(&mut self, act: impl FnOnce(&mut Transport, &Set, &mut dyn Sink, Frames) -> T) -> T {
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
        let mut sink =
            Dispatch { voices, peer, outside, clicks, out, expected: &expected, placed: None, ended: None };
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
    fn placed(&mut self, set: &Set, at: FramePos) {
        let Some(now) = self.transport.playing() else { return };
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
    fn ride_with(&mut self, set: &Set, at: FramePos) {
        let Some(now) = self.transport.playing() else { return };
        let leg = set.songs.get(now.song).and_then(|plan| plan.legs.get(now.leg));
        let section = leg.and_then(|leg| leg.ambient);
        let fresh = self.rides_with.replace(now.song) != Some(now.song);
        let count = now.anchor.at.nearest().max(at);
        let Engine { inputs, out, lead, .. } = self;
        inputs.rider.song(section, fresh, at - *lead, count, &mut |at, what| out.tell(at, what));
    }

    fn want_stream(&mut self, click: usize, at: FramePos, follows: bool, streamed: bool) {
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

    fn tell_switch(&mut self, click: usize, at: FramePos, source: Source, cause: Cause) {
        let (bar, beat) = self.bar_beat(at);
        let song = self.transport.song() as u16;
        self.out.tell(at, What::Switched { click: click as u8, source, cause, song, bar, beat });
    }

    fn bar_beat(&self, at: FramePos) -> (i32, u16) {
        self.transport
            .beat_at(&self.set, at)
            .map_or((0, 0), |(mark, ..)| (self.transport.first_bar(&self.set) + mark.bar as i32, mark.beat))
    }

    /// Nothing plays (or the click holds) from `at` on: the room opens, streams end.
    fn rested(&mut self, at: FramePos) {
        self.stream_origin = None;
        if self.transport.run() == RunState::Stopped {
            self.rides_with = None;
        }
        let last = self.transport.last_onset();
        let Engine { inputs, out, lead, .. } = self;
        inputs.rider.between(at - *lead, last, &mut |at, what| out.tell(at, what));
        self.outside.iter_mut().flatten().for_each(|outside| outside.clear(false));
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

    fn execute_first(&mut self, at: FramePos) {
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

    fn execute(&mut self, id: u64, command: Command, at: FramePos, place: Exact) -> bool {
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

    fn spare_the_room(&mut self, io: &Io) {
        let wanted = if io.thrift >= NO_ROOM { 0.0 } else { 1.0 };
        if self.thrift.target() != wanted {
            let fade = self.set.rate.frames(if wanted == 0.0 { 0.2 } else { 1.0 }).0 as u32;
            self.thrift.go(wanted, io.at + self.look_ahead, fade);
        }
    }

    /// A device has come back: its room comes up. Clicks are at plan from their first hit: they begin in silence.
    fn arrive_softly(&mut self, at: FramePos) {
        self.arrival = Ramp::steady(0.0);
        self.arrival.go(1.0, at, self.set.rate.frames(ARRIVAL_SECONDS).0 as u32);
    }

    /// What was silent stays silent, from the first sample on; the room comes up.
    fn return_gains(&mut self, night: &Return, at: FramePos) {
        self.arrive_softly(at);
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
    fn return_to(&mut self, night: &Return, at: FramePos) -> bool {
        let Return { run, song, leg, called, pass, stretch, .. } = *night;
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
                transport.rejoin(set, PlaceNow { song, leg, called, pass, anchor }, at, sink)
            }),
        };
        if placed && run != RunState::Stopped {
            self.transport.set_released(night.released);
        }
        self.transport.set_chosen_stretch(night.chosen_stretch);
        placed
    }

    /// Hits are decided this long before they leave.
    pub fn ahead(&self) -> Frames {
        self.look_ahead + self.lead
    }

    fn jump(&mut self, song: usize, leg: usize, count_in: bool, place: Exact, at: FramePos) -> bool {
        let same_song = self.transport.playing().filter(|now| now.song == song);
        let stretch = same_song.map_or(Stretch::ONE, |now| now.anchor.stretch);
        self.with_sink(|transport, set, sink, _| {
            transport.go_to(set, song, leg, count_in, stretch, place, at, Why::Jump, sink)
        })
    }

    /// Inputs: cleaned, filtered, ridden, limited, before they meet the click.
    fn room(&mut self, io: Option<(&Io, usize)>, start: FramePos, frames: usize) {
        if self.thrift.constant(start, frames) == Some(0.0) {
            return self.rooms.clear();
        }
        let Engine { inputs, rooms, out, .. } = self;
        let input = |channel: usize| {
            io.map_or(&[][..], |(io, done)| {
                io.input.channel(channel, io.frames).get(done..done + frames).unwrap_or(&[])
            })
        };
        inputs.process(start, frames, input, rooms, &mut |channel| {
            out.tell(start, What::BadInput { channel: channel as u16 });
        });
        for input in 0..self.rooms.channels() {
            self.room_gate.apply(start, self.rooms.channel_mut(input, frames));
            self.arrival.apply(start, self.rooms.channel_mut(input, frames));
            self.thrift.apply(start, self.rooms.channel_mut(input, frames));
        }
    }

    /// Each click's bus: its own lane, or the judged claim over its fallback's lane.
    fn click_buses(&mut self, start: FramePos, frames: usize) {
        for index in 0..self.claims.len() {
            let (Some(claim), Some(click)) = (self.claims.get(index), self.clicks.get(index)) else { break };
            let (before, after) = match claim.is_wanted() {
                true => (click.own_lane, click.fallback_lane),
                false => (click.fallback_lane, click.own_lane),
            };
            // What fills in for another device's click is the fallback.
            let after =
                if matches!(self.outside.get(index), Some(Some(_))) { click.fallback_lane } else { after };
            let bus = self.buses.channel_mut(index, frames);
            bus.fill(0.0);
            for (lane, frames) in [(after, frames), (before, claim.unchanged(start, frames))] {
                let lane = self.lanes.channel(lane as usize, frames);
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
            let lane = self.lanes.channel_mut(lane, frames);
            self.all_clicks.apply(start, lane);
            self.gate.apply(start, lane);
        }
    }

    /// Decides the due hits whose splice begins before `end`. Where the stream is about to be `moved` at `end`:
    /// all hits before it, while what it had there is still known.
    fn judge_hits(&mut self, index: usize, end: FramePos, moved: bool) {
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

    /// What leaves: the outlets' limited mixes, faded by all out, on their channels; silence elsewhere.
    fn leave(&mut self, io: &mut Io, at: FramePos, done: usize, frames: usize) {
        let total = done + frames;
        for channel in 0..io.output.channels() {
            let out = io.output.channel_mut(channel, total).get_mut(done..).unwrap_or(&mut []);
            out.fill(0.0);
        }
        let mut first = 0;
        for outlet in &self.outlets {
            first = outlet.leave(&mut self.mixes, first, frames, &mut io.output, done, |mix| {
                self.all_out.apply(at, mix);
            });
        }
        if let Some(timecode) = &mut self.timecode {
            let channel = usize::from(timecode.setup.channel);
            let out = io.output.channel_mut(channel, total).get_mut(done..).unwrap_or(&mut []);
            timecode.leave(at, out);
        }
    }

    fn record(&mut self, io: &Io, frames: usize) {
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

    fn tell_status(&mut self, at: FramePos, frames: usize) {
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

/// A jump of another machine this soon after the end of a pass is at its end.
const SAME_END_SECONDS: f64 = 0.002;

/// The id of what another machine did.
const TOLD: u64 = u64::MAX;

/// Takes a placing that is told again: no hit of it.
struct Teller<'a>(&'a mut Outbox);

impl Sink for Teller<'_> {
    fn hit(&mut self, _: DueHit) {}

    fn event(&mut self, at: FramePos, what: What) {
        self.0.tell(at, what);
    }
}

/// What only a machine that leads may do.
const fn moves_the_music(command: &Command) -> bool {
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

#[cfg(test)]
mod tests;
