//! One or two output channels: a mix of clicks, lanes and rooms, limited together.

use super::guard::Guard;
use super::io::{Piece, Planar};
use super::limiter::Limiter;
use super::ramp::Ramp;
use super::setup::{EngineSetup, OutletSetup, PartSetup, PartSource};
use super::true_peak::most;
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
    left: Side,
    right: Side,
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

/// What one of its channels is made of, each in the order of the setup.
#[derive(Debug, Default)]
struct Side {
    clicks: Vec<Part>,
    rooms: Vec<Part>,
    /// Talkbacks that push the rooms down.
    talkbacks: Vec<Part>,
}

/// A source of one channel. Its gain is not 0.
#[derive(Clone, Copy, Debug)]
struct Part {
    from: Bus,
    channel: usize,
    gain: f32,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Bus {
    Click,
    Lane,
    Room,
}

impl Part {
    fn of(part: &PartSetup, gain: f32) -> Part {
        let (from, channel) = match part.source {
            PartSource::Click(click) => (Bus::Click, click),
            PartSource::Lane(lane) => (Bus::Lane, lane),
            PartSource::Input(input) => (Bus::Room, input),
        };
        Part { from, channel: usize::from(channel), gain }
    }
}

impl Side {
    fn new(parts: &[PartSetup], gain: impl Fn(&PartSetup) -> f32, dims: &[Dim]) -> Side {
        let parts = parts.iter().map(|part| Part::of(part, gain(part))).filter(|part| part.gain != 0.0);
        let (rooms, clicks): (Vec<Part>, Vec<Part>) = parts.partition(|part| part.from == Bus::Room);
        let talks = |part: &Part| dims.iter().any(|dim| usize::from(dim.input) == part.channel);
        let (talkbacks, rooms) = rooms.into_iter().partition(talks);
        Side { clicks, rooms, talkbacks }
    }

    fn has_rooms(&self) -> bool {
        !self.rooms.is_empty() || !self.talkbacks.is_empty()
    }
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
        let dims: Vec<Dim> = outlet.parts.iter().filter_map(dim).collect();
        let right = if outlet.channels.len() > 1 { &outlet.parts[..] } else { &[] };
        Outlet {
            setup: outlet.clone(),
            left: Side::new(&outlet.parts, |part| part.left, &dims),
            right: Side::new(right, |part| part.right, &dims),
            limiter: Limiter::new(setup.ceiling, setup.look_ahead, release),
            peak: 0.0,
            guard: Guard::new(setup.ceiling, release),
            dims,
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

    /// Mixes a piece that begins at `start` into channels `first ..` of `mixes` and limits; returns the channel after its own. `spare` holds two
    /// channels. Real-time: safe.
    pub fn mix(
        &mut self,
        from: Sources<'_>,
        start: FramePos,
        mixes: &mut Planar,
        first: usize,
        piece: Piece,
        spare: &mut Planar,
    ) -> usize {
        let stereo = self.setup.channels.len() > 1;
        let (left, right) = mixes.pair_mut(first, piece, stereo);
        left.fill(0.0);
        right.fill(0.0);
        add(&self.left.clicks, from, piece, left);
        add(&self.right.clicks, from, piece, right);
        self.clicks_down.apply(start, left);
        self.clicks_down.apply(start, right);
        self.mix_rooms(from, start, piece, left, right, spare);
        self.limiter.process(left, right);
        self.peak = self.peak.max(most(left)).max(most(right));
        first + if stereo { 2 } else { 1 }
    }

    /// Rooms, stepped back where somebody talks, and the talkback, kept together under what the click leaves free.
    fn mix_rooms(
        &mut self,
        from: Sources<'_>,
        start: FramePos,
        piece: Piece,
        left: &mut [f32],
        right: &mut [f32],
        spare: &mut Planar,
    ) {
        if !self.left.has_rooms() && !self.right.has_rooms() {
            return;
        }
        let (one, two) = spare.pair_mut(0, piece, !right.is_empty());
        one.fill(0.0);
        two.fill(0.0);
        for (side, out) in [(&self.left, &mut *one), (&self.right, &mut *two)] {
            add(&side.rooms, from, piece, out);
            self.rooms_down.apply(start, out);
            add(&side.talkbacks, from, piece, out);
        }
        self.guard.hold(one, two);
        left.iter_mut().zip(one.iter()).for_each(|(to, from)| *to += from);
        right.iter_mut().zip(two.iter()).for_each(|(to, from)| *to += from);
    }

    /// Puts what the limiter let out on its output channels, a piece of `output` from the first of `mixes`. Real-time:
    /// safe.
    pub fn leave(&self, mixes: &Planar, first: usize, output: &mut Planar, piece: Piece) -> usize {
        for (index, channel) in self.setup.channels.iter().enumerate() {
            let mix = mixes.channel(first + index, piece.frames);
            let out = output.part_mut(usize::from(*channel), piece);
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

/// Adds parts in their order, four at a time: each sample is fetched once for four sources, and rounded as if they came
/// one by one.
fn add(parts: &[Part], from: Sources<'_>, piece: Piece, out: &mut [f32]) {
    let source = |part: &Part| {
        let bus = match part.from {
            Bus::Click => from.clicks,
            Bus::Lane => from.lanes,
            Bus::Room => from.rooms,
        };
        bus.part(part.channel, piece)
    };
    let (fours, rest) = parts.as_chunks::<4>();
    for [a, b, c, d] in fours {
        let sources = [source(a), source(b), source(c), source(d)];
        add_four(sources, [a.gain, b.gain, c.gain, d.gain], out);
    }
    for part in rest {
        add_one(source(part), part.gain, out);
    }
}

fn add_four([a, b, c, d]: [&[f32]; 4], gains: [f32; 4], out: &mut [f32]) {
    let frames = out.len();
    // A source that is not there.
    if a.len() != frames || b.len() != frames || c.len() != frames || d.len() != frames {
        return [a, b, c, d].into_iter().zip(gains).for_each(|(source, gain)| add_one(source, gain, out));
    }
    let [ga, gb, gc, gd] = gains;
    for ((((to, a), b), c), d) in out.iter_mut().zip(a).zip(b).zip(c).zip(d) {
        *to = (((*to + ga * a) + gb * b) + gc * c) + gd * d;
    }
}

fn add_one(source: &[f32], gain: f32, out: &mut [f32]) {
    for (to, from) in out.iter_mut().zip(source) {
        *to += gain * from;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn four_at_a_time_are_one_by_one_to_the_bit() {
        let mut random = fastrand::Rng::with_seed(4);
        let mut planar = || {
            let mut planar = Planar::new(9, 61);
            (0..9).for_each(|channel| planar.channel_mut(channel, 61).fill_with(|| random.f32() - 0.5));
            planar
        };
        let (lanes, clicks, rooms) = (planar(), planar(), planar());
        let from = Sources { lanes: &lanes, clicks: &clicks, rooms: &rooms };
        let mut random = fastrand::Rng::with_seed(5);
        for count in 0..13 {
            let parts: Vec<Part> = (0..count)
                .map(|n| Part {
                    from: [Bus::Click, Bus::Lane, Bus::Room][n % 3],
                    // Of which one is not there.
                    channel: random.usize(0..10),
                    gain: random.f32() - 0.3,
                })
                .collect();
            for (from_frame, frames) in [(0, 1), (2, 7), (0, 61), (40, 21)] {
                let piece = Piece { from: from_frame, frames };
                let (mut four, mut one) = (vec![0.25; frames], vec![0.25; frames]);
                add(&parts, from, piece, &mut four);
                for part in &parts {
                    let bus = [&clicks, &lanes, &rooms][part.from as usize];
                    add_one(bus.part(part.channel, piece), part.gain, &mut one);
                }
                assert_eq!(four, one, "{count} parts, {frames} frames");
            }
        }
    }
}
