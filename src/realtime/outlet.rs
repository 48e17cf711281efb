//! One or two output channels: a mix of clicks, lanes and rooms, limited together.

use super::guard::Guard;
use super::io::Planar;
use super::limiter::Limiter;
use super::ramp::Ramp;
use super::setup::{EngineSetup, OutletSetup, PartSetup, PartSource};
use crate::units::{FramePos, SampleRate};

/// Release of the limiters in seconds (start value; common practice, no source).
const RELEASE_SECONDS: f32 = 0.150;

/// How quickly a talkback pushes the rest down, and lets it up again.
const DIM_SECONDS: f64 = 0.05;
const BACK_SECONDS: f64 = 0.3;

/// A talkback never dims the click by more than this (−6 dB).
const CLICK_DIM: f32 = 0.501_187_2;

#[derive(Debug)]
pub struct Outlet {
    setup: OutletSetup,
    limiter: Limiter,
    peak: f32,
    /// Rooms and talkbacks together stay under what the click leaves free.
    guard: Guard,
    dims: Vec<Dim>,
    rooms_down: Ramp,
    clicks_down: Ramp,
    down: u32,
    back: u32,
}

/// A talkback in this outlet, and how far it pushes the rest down.
#[derive(Clone, Copy, Debug)]
struct Dim {
    input: u8,
    to: f32,
}

/// What an outlet mixes, each a channel per source.
#[derive(Clone, Copy, Debug)]
pub struct Sources<'s> {
    pub lanes: &'s Planar,
    pub clicks: &'s Planar,
    pub rooms: &'s Planar,
}

impl Outlet {
    /// Allocates: one limiter an outlet, all with the same look-ahead.
    pub fn all(setup: &EngineSetup) -> Vec<Outlet> {
        setup.outlets.iter().map(|outlet| Outlet::new(setup, outlet)).collect()
    }

    fn new(setup: &EngineSetup, outlet: &OutletSetup) -> Outlet {
        let release = RELEASE_SECONDS * setup.rate.hertz() as f32;
        let frames = |rate: SampleRate, seconds: f64| rate.frames(seconds).0 as u32;
        let dim = |part: &PartSetup| {
            let PartSource::Input(input) = part.source else { return None };
            let setup = setup.inputs.get(usize::from(input))?;
            setup.talks.map(|_| Dim { input, to: setup.dims })
        };
        Outlet {
            setup: outlet.clone(),
            limiter: Limiter::new(setup.ceiling, setup.look_ahead, release),
            peak: 0.0,
            guard: Guard::new(setup.ceiling, release),
            dims: outlet.parts.iter().filter_map(dim).collect(),
            rooms_down: Ramp::steady(1.0),
            clicks_down: Ramp::steady(1.0),
            down: frames(setup.rate, DIM_SECONDS),
            back: frames(setup.rate, BACK_SECONDS),
        }
    }

    /// The loudest that the clicks of this outlet become by plan: the rest is kept under what that leaves. `click` and
    /// `lane` give the peak of one. Real-time: safe.
    pub fn expect(&mut self, click: impl Fn(u8) -> f32, lane: impl Fn(u8) -> f32) {
        let loudest = self.setup.parts.iter().map(|part| {
            let gain = part.left.abs().max(part.right.abs());
            gain * match part.source {
                PartSource::Click(index) => click(index),
                PartSource::Lane(index) => lane(index),
                PartSource::Input(_) => 0.0,
            }
        });
        self.guard.leave_room_for(loudest.sum());
    }

    /// Somebody talks into these inputs from `at` on: the rest steps back, or forward again. Real-time: safe.
    pub fn talked(&mut self, talking: u64, at: FramePos) {
        let open = self.dims.iter().filter(|dim| talking >> dim.input & 1 == 1);
        let to = open.map(|dim| dim.to).fold(1.0, f32::min);
        let frames = if to < self.rooms_down.target() { self.down } else { self.back };
        for (ramp, to) in [(&mut self.rooms_down, to), (&mut self.clicks_down, to.max(CLICK_DIM))] {
            if ramp.target() != to {
                ramp.go(to, at, frames);
            }
        }
    }

    /// Mixes into channels `first ..` of `mixes` and limits; returns the channel after its own. `spare` holds two
    /// channels. Real-time: safe.
    pub fn mix(
        &mut self,
        from: Sources<'_>,
        start: FramePos,
        mixes: &mut Planar,
        first: usize,
        frames: usize,
        spare: &mut Planar,
    ) -> usize {
        let stereo = self.setup.channels.len() > 1;
        let (left, right) = mixes.pair_mut(first, frames, stereo);
        left.fill(0.0);
        right.fill(0.0);
        for part in &self.setup.parts {
            let source = match part.source {
                PartSource::Click(click) => from.clicks.channel(click as usize, frames),
                PartSource::Lane(lane) => from.lanes.channel(lane as usize, frames),
                PartSource::Input(_) => continue,
            };
            add(source, part.left, left);
            add(source, part.right, right);
        }
        self.clicks_down.apply(start, left);
        self.clicks_down.apply(start, right);
        self.mix_rooms(from.rooms, start, left, right, spare);
        self.limiter.process(left, right);
        for sample in left.iter().chain(right.iter()) {
            self.peak = self.peak.max(sample.abs());
        }
        first + if stereo { 2 } else { 1 }
    }

    /// Rooms, stepped back where somebody talks, and the talkback, kept together under what the click leaves free.
    fn mix_rooms(
        &mut self,
        rooms: &Planar,
        start: FramePos,
        left: &mut [f32],
        right: &mut [f32],
        spare: &mut Planar,
    ) {
        let is_input = |part: &&PartSetup| matches!(part.source, PartSource::Input(_));
        if !self.setup.parts.iter().any(|part| is_input(&part)) {
            return;
        }
        let frames = left.len();
        let (one, two) = spare.pair_mut(0, frames, !right.is_empty());
        one.fill(0.0);
        two.fill(0.0);
        for talks in [false, true] {
            for part in self.setup.parts.iter() {
                let PartSource::Input(input) = part.source else { continue };
                if self.dims.iter().any(|dim| dim.input == input) == talks {
                    let source = rooms.channel(usize::from(input), frames);
                    add(source, part.left, one);
                    add(source, part.right, two);
                }
            }
            if !talks {
                self.rooms_down.apply(start, one);
                self.rooms_down.apply(start, two);
            }
        }
        self.guard.hold(one, two);
        add(one, 1.0, left);
        add(two, 1.0, right);
    }

    /// Puts what the limiter let out on its output channels. Real-time: safe.
    pub fn leave(
        &self,
        mixes: &mut Planar,
        first: usize,
        frames: usize,
        output: &mut Planar,
        done: usize,
        fade: impl Fn(&mut [f32]),
    ) -> usize {
        for (index, channel) in self.setup.channels.iter().enumerate() {
            let mix = mixes.channel_mut(first + index, frames);
            fade(mix);
            let out = output.channel_mut(*channel as usize, done + frames).get_mut(done..).unwrap_or(&mut []);
            for (to, from) in out.iter_mut().zip(mix.iter()) {
                *to = *from;
            }
        }
        first + self.setup.channels.len()
    }

    /// Adds what left since the last call to the meters.
    pub fn meter(&mut self, peak: &mut f32, deepest: &mut f32) {
        *peak = peak.max(std::mem::replace(&mut self.peak, 0.0));
        *deepest = deepest.min(self.limiter.take_deepest());
    }
}

fn add(source: &[f32], gain: f32, out: &mut [f32]) {
    if gain == 0.0 {
        return;
    }
    for (to, from) in out.iter_mut().zip(source) {
        *to += gain * from;
    }
}
