//! One or two output channels: a mix of clicks, lanes and rooms, limited together.

use super::io::Planar;
use super::limiter::Limiter;
use super::setup::{EngineSetup, OutletSetup, PartSource};

/// Release of the limiters in seconds (start value; common practice, no source).
const RELEASE_SECONDS: f32 = 0.150;

#[derive(Debug)]
pub struct Outlet {
    setup: OutletSetup,
    limiter: Limiter,
    peak: f32,
}

impl Outlet {
    /// Allocates: one limiter an outlet, all with the same look-ahead.
    pub fn all(setup: &EngineSetup) -> Vec<Outlet> {
        let release = RELEASE_SECONDS * setup.rate.hertz() as f32;
        let limiter = || Limiter::new(setup.ceiling, setup.look_ahead, release);
        setup.outlets.iter().map(|o| Outlet { setup: o.clone(), limiter: limiter(), peak: 0.0 }).collect()
    }

    /// Mixes into channels `first ..` of `mixes` and limits; returns the channel after its own. Real-time: safe.
    pub fn mix(
        &mut self,
        lanes: &Planar,
        clicks: &Planar,
        rooms: &Planar,
        mixes: &mut Planar,
        first: usize,
        frames: usize,
    ) -> usize {
        let stereo = self.setup.channels.len() > 1;
        let (left, right) = mixes.pair_mut(first, frames, stereo);
        left.fill(0.0);
        right.fill(0.0);
        for part in &self.setup.parts {
            let source = match part.source {
                PartSource::Click(click) => clicks.channel(click as usize, frames),
                PartSource::Lane(lane) => lanes.channel(lane as usize, frames),
                PartSource::Input(input) => rooms.channel(input as usize, frames),
            };
            add(source, part.left, left);
            add(source, part.right, right);
        }
        self.limiter.process(left, right);
        for sample in left.iter().chain(right.iter()) {
            self.peak = self.peak.max(sample.abs());
        }
        first + if stereo { 2 } else { 1 }
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
