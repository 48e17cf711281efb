//! Both ends of an engine, made before the stream starts.

use super::{
    COMMANDS, Control, EVENTS, Engine, MOST_PENDING, Outbox, ROOM_SECONDS, STREAM_SECONDS, TAP_SECONDS, Tap,
    TapIn,
};
use crate::click::set::Set;
use crate::realtime::ambient::Inputs;
use crate::realtime::claim::{AHEAD_SECONDS, Claim};
use crate::realtime::event::{Cause, Source};
use crate::realtime::io::Planar;
use crate::realtime::outlet::Outlet;
use crate::realtime::outside::Outside;
use crate::realtime::passed::Passed;
use crate::realtime::peer::Peer;
use crate::realtime::ramp::Ramp;
use crate::realtime::setup::{EngineSetup, UNPLACED};
use crate::realtime::stream::STREAM_FRAMES;
use crate::realtime::timecode_out::TimecodeOut;
use crate::realtime::transport::Transport;
use crate::realtime::voices::Voices;
use crate::units::{FramePos, Frames};
use ringbuf::HeapRb;
use ringbuf::traits::Split;
use std::sync::Arc;

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
        number: 0,
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
        timecode_made: Planar::new(1, piece),
        made: 0,
        mixed: 0,
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
        thrift: [Ramp::steady(1.0); 2],
        talkbacks: setup
            .inputs
            .iter()
            .take(64)
            .zip(0..)
            .fold(0, |mask, (input, bit)| mask | u64::from(input.talks.is_some()) << bit),
        unheard: false,
        passed: passed(setup, piece),
        outside: outside(setup),
        mutes: 0,
        beside: false,
        lets_through: None,
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
    let Engine { inputs, out, .. } = &mut engine;
    let room = rate.frames(ROOM_SECONDS).0 as u32;
    inputs.rider.load(FramePos(0), room, &mut |at, what| out.tell(at, what));
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

/// The other devices, per click.
fn outside(setup: &EngineSetup) -> Vec<Option<Outside>> {
    let make = |index: usize| {
        let one = setup.outside.iter().find(|one| usize::from(one.click) == index)?;
        Some(Outside::new(*one, setup.rate, setup.give_back, Frames(setup.look_ahead as i64)))
    };
    (0..setup.clicks.len()).map(make).collect()
}

pub(super) fn lead(set: &Set) -> Frames {
    let streams = set.songs.iter().any(|song| song.streams.iter().any(Option::is_some));
    let judge = if streams { set.rate.frames(AHEAD_SECONDS) } else { Frames(0) };
    Frames(i64::from(set.max_lead).max(judge.0))
}

impl Engine {
    /// What arrives is taken to play this click's beats: what the follower hears late of them is taken off.
    pub(super) fn calibrate(&mut self) {
        let Engine { set, clicks, outside, .. } = self;
        for (outside, click) in outside.iter_mut().zip(clicks.iter()) {
            if let (Some(outside), Some(sound)) = (outside, beat_sound(set, click.own_lane)) {
                outside.calibrate(f64::from(sound.heard_late));
            }
        }
    }
}
