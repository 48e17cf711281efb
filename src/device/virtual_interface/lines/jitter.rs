//! What came over a line, put in its place in this device's time.
//!
//! In: stamped pieces as they come. Out: samples for this device's frames. Always: the delay is constant while
//! pieces come; what is missing is silence; a place is found anew only after a gap, and never so that something
//! is heard twice.

use super::super::sinc::{self, Weights};
use super::datagram::Head;
use crate::device::virtual_interface::world::ReceiveFrom;
use crate::realtime::io::Planar;

/// Frames of each channel that are kept; a power of two.
const KEPT: usize = 1 << 16;

/// Fractions of a frame that have weights of their own.
const PHASES: usize = 512;

/// Seconds without a single whole block before a line's place is given up.
const PATIENCE: f64 = 0.2;

/// Seconds after which the silence of one process lets another take its line.
const SUCCESSION: f64 = 0.1;

/// Seconds of sound that may wait beyond the delay: as much as the paces of both sides may be apart.
const SPARE: f64 = 0.25;

/// One channel of the line.
struct Lane {
    tag: u16,
    samples: Vec<f32>,
    /// The first frame that has not come yet.
    end: i64,
}

/// An own frame, and the sender's frame that is heard there.
#[derive(Clone, Copy, Debug)]
struct Place {
    own: i64,
    theirs: i64,
}

pub(super) struct Jitter {
    receives: Vec<ReceiveFrom>,
    lanes: Vec<Lane>,
    frames_a_second: f64,
    delay: i64,
    run: Option<u64>,
    /// Frames of the sender for one of this device.
    step: f64,
    place: Option<Place>,
    /// Nothing before this frame of the sender may be heard (again).
    fresh: i64,
    /// Own frame of the last whole block, and of the last piece that came.
    whole_at: i64,
    heard_at: i64,
    starving: bool,
    slips: u64,
    strangers: u64,
    table: Vec<Weights>,
}

impl Jitter {
    /// Allocates: call it before the stream starts.
    pub(super) fn new(receives: Vec<ReceiveFrom>, frames_a_second: f64) -> Jitter {
        let mut lanes: Vec<Lane> = Vec::new();
        for receive in &receives {
            if lanes.iter().all(|lane| lane.tag != receive.channel) {
                lanes.push(Lane { tag: receive.channel, samples: vec![0.0; KEPT], end: 0 });
            }
        }
        let table = (0..=PHASES).map(|phase| sinc::weights(phase as f64 / PHASES as f64, 1.0)).collect();
        Jitter {
            delay: receives.iter().map(|receive| i64::from(receive.delay_frames)).max().unwrap_or(0),
            receives,
            lanes,
            frames_a_second,
            run: None,
            step: 1.0,
            place: None,
            fresh: 0,
            whole_at: 0,
            heard_at: i64::MIN / 2,
            starving: false,
            slips: 0,
            strangers: 0,
            table,
        }
    }

    /// So far: a block was not whole where it should have been, or a place was found anew.
    pub(super) fn slips(&self) -> u64 {
        self.slips
    }

    /// Pieces of another process while one is on the line, or of another rate.
    pub(super) fn strangers(&self) -> u64 {
        self.strangers
    }

    /// A piece that came before own frame `at` was played. Real-time: safe.
    pub(super) fn take(&mut self, at: i64, head: Head, samples: &[f32]) {
        let step = head.frames_a_second / self.frames_a_second;
        let silent_for = (at - self.heard_at) as f64;
        let succeeds = self.run.is_none() || silent_for > SUCCESSION * self.frames_a_second;
        if (step - 1.0).abs() > 0.03 || (self.run != Some(head.run) && !succeeds) {
            self.strangers += 1;
            return;
        }
        if self.run != Some(head.run) {
            self.run = Some(head.run);
            self.step = step;
            self.forget(head.first);
        }
        self.heard_at = at;
        let fresh = self.fresh;
        if let Some(lane) = self.lanes.iter_mut().find(|lane| lane.tag == head.tag) {
            lane.write(head.first, samples, fresh);
        }
    }

    /// Gives up the place; what came before `fresh` is not heard any more.
    fn forget(&mut self, fresh: i64) {
        self.slips += u64::from(self.place.take().is_some());
        self.fresh = fresh;
        self.starving = false;
        for lane in &mut self.lanes {
            lane.samples.fill(0.0);
            lane.end = fresh;
        }
    }

    /// Adds what is heard in own frames `at..at + frames` to the inputs. Real-time: safe.
    pub(super) fn add_to(&mut self, at: i64, input: &mut Planar, frames: usize) {
        self.centre(at, frames as i64);
        let Some(place) = self.place else { return };
        let whole_step = self.step == 1.0;
        for n in 0..frames {
            let past = (at - place.own + n as i64) as f64 * self.step;
            let frame = place.theirs + past.floor() as i64;
            let weights = (!whole_step).then(|| weights_between(&self.table, past.fract()));
            for receive in &self.receives {
                let Some(lane) = self.lanes.iter().find(|lane| lane.tag == receive.channel) else { continue };
                let value = match &weights {
                    None => lane.at(frame),
                    Some(weights) => lane.around(frame, weights),
                };
                let channel = input.channel_mut(usize::from(receive.input) - 1, frames);
                if let Some(sample) = channel.get_mut(n) {
                    *sample += value * receive.gain as f32;
                }
            }
        }
    }

    /// The first frame of the sender that a block does not need.
    fn needed(&self, place: Place, until: i64) -> i64 {
        let ahead = if self.step == 1.0 { 0 } else { sinc::AHEAD as i64 + 1 };
        place.theirs + ((until - place.own) as f64 * self.step).ceil() as i64 + ahead
    }

    fn centre(&mut self, at: i64, frames: i64) {
        let end = self.lanes.iter().map(|lane| lane.end).max().unwrap_or(0);
        if let Some(place) = self.place {
            let waiting = end - self.needed(place, at + frames);
            if waiting < 0 {
                self.starve(at, end);
            } else if waiting > self.delay + (SPARE * self.frames_a_second) as i64 {
                self.slips += 1;
                self.place = None;
            } else {
                (self.starving, self.whole_at) = (false, at);
            }
        }
        let first = end - self.delay - frames;
        if self.place.is_none() && self.run.is_some() && first >= self.fresh {
            self.place = Some(Place { own: at, theirs: first });
            (self.starving, self.whole_at) = (false, at);
        }
    }

    fn starve(&mut self, at: i64, end: i64) {
        self.slips += u64::from(!self.starving);
        self.starving = true;
        if (at - self.whole_at) as f64 > PATIENCE * self.frames_a_second {
            self.place = None;
            self.forget(end);
        }
    }
}

impl Lane {
    fn write(&mut self, first: i64, samples: &[f32], fresh: i64) {
        let mask = KEPT as i64 - 1;
        let until = first + samples.len() as i64;
        // What never came is silence, not what lay there a second ago.
        for frame in self.end.max(until - KEPT as i64)..first {
            if let Some(place) = self.samples.get_mut((frame & mask) as usize) {
                *place = 0.0;
            }
        }
        self.end = self.end.max(until);
        let oldest = fresh.max(self.end - KEPT as i64);
        for (sample, frame) in samples.iter().zip(first..).filter(|(_, frame)| *frame >= oldest) {
            if let Some(place) = self.samples.get_mut((frame & mask) as usize) {
                *place = *sample;
            }
        }
    }

    /// Silence where nothing came, yet or any more.
    fn at(&self, frame: i64) -> f32 {
        if frame >= self.end || frame < self.end - KEPT as i64 {
            return 0.0;
        }
        self.samples.get((frame & (KEPT as i64 - 1)) as usize).copied().unwrap_or(0.0)
    }

    fn around(&self, frame: i64, weights: &Weights) -> f32 {
        weights.iter().zip(frame - sinc::AHEAD as i64..).map(|(weight, frame)| weight * self.at(frame)).sum()
    }
}

/// Straight lines between neighbours of the table: the error is below 1e-5 of the signal.
fn weights_between(table: &[Weights], fraction: f64) -> Weights {
    let phase = fraction * PHASES as f64;
    let (low, part) = (phase as usize, phase.fract() as f32);
    let mut weights = [0.0; 2 * (sinc::AHEAD + 1)];
    if let (Some(one), Some(two)) = (table.get(low), table.get(low + 1)) {
        for ((weight, one), two) in weights.iter_mut().zip(one).zip(two) {
            *weight = one + part * (two - one);
        }
    }
    weights
}
