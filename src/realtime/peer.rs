//! The other machine, as the audio thread hears it: timecode and click on inputs, and who leads.
//!
//! All of it is brought up to date twice a millisecond, at frames that do not depend on how time is split into blocks.

use super::event::{LineNow, PeerNow, RunState, WitnessNow};
use crate::click::set::Set;
use crate::follow::Onsets;
use crate::timecode::chase::{Chase, Here, Order};
use crate::timecode::gate::{Gated, Lead, Other, gated};
use crate::timecode::line::Line;
use crate::timecode::pages::Run;
use crate::timecode::witness::Witness;
use crate::timecode::{Decoder, Heard, LineReading};
use crate::units::{Exact, FramePos, Frames, SampleRate, Span};
use std::collections::VecDeque;

/// How the other machine is wired.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PeerSetup {
    pub backup: bool,
    /// A main that starts again within a night: it leads only when a person or the backup says so.
    pub returning: bool,
    /// Input channel with its timecode, from 0.
    pub timecode: u16,
    pub click: Option<PeerClick>,
    /// This machine's places minus the timecode's: alignment, minus its own way to the mixer.
    pub align: Span,
    /// How long timecode is bad before a switch stays.
    pub latch: Frames,
}

/// The other machine's click on an input.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct PeerClick {
    /// From 0.
    pub channel: u16,
    /// Index of the click that it is.
    pub click: u8,
    /// It is passed on through this machine, this much later (the safety delay); `None`: it has a mixer channel of
    /// its own, and this machine only listens.
    pub passed: Option<Frames>,
}

const MOST_ORDERS: usize = 64;

/// All that follows another machine. Allocates in [`Peer::new`] only.
#[derive(Debug)]
pub struct Peer {
    pub setup: PeerSetup,
    rate: SampleRate,
    decoder: Decoder,
    line: Line,
    pub chase: Chase,
    pub lead: Lead,
    witness: Option<Witness>,
    offset: Option<Offset>,
    measured: Span,
    way: Span,
    /// Orders that came since they were last taken; never more than [`MOST_ORDERS`].
    orders: VecDeque<Order>,
    /// As of the last reading.
    other: Other,
    click: WitnessNow,
    /// Delay of what is passed on, look-ahead included; 0 where nothing is.
    delay: Frames,
}

impl Peer {
    /// Allocates. `look_ahead`: what everything that leaves is late.
    pub fn new(setup: PeerSetup, rate: SampleRate, look_ahead: Frames) -> Peer {
        let passed = setup.click.and_then(|click| click.passed);
        let delay = passed.map_or(Frames(0), |safety| safety + look_ahead);
        let click = setup.click.map_or(WitnessNow::NotWired, |_| WitnessNow::NotYet);
        Peer {
            setup,
            rate,
            decoder: Decoder::new(rate),
            line: Line::new(rate, setup.latch),
            chase: Chase::new(rate, setup.align + Span::frames(delay)),
            lead: if setup.returning { Lead::returning(rate) } else { Lead::new(setup.backup, rate) },
            witness: setup.click.map(|_| Witness::new(rate)),
            offset: setup.click.map(|_| Offset::new(rate)),
            measured: Span(0),
            way: Span(0),
            orders: VecDeque::with_capacity(MOST_ORDERS),
            other: Other::default(),
            click,
            delay,
        }
    }

    /// From a sample's arrival to where it leaves, when it is passed on.
    pub const fn delay(&self) -> Frames {
        self.delay
    }

    /// The other machine's click lies this much behind its timecode: what was measured since the start.
    pub fn align(&mut self, measured: Span) {
        self.measured = measured;
        self.chase.set_offset(self.own() + self.measured + Span::frames(self.delay));
    }

    /// What leaves this machine is heard, and what the other one sends is heard here, after a way that takes this long
    /// together. What is passed on goes the same way as this machine's own click.
    pub fn own_way(&mut self, way: Span) {
        self.way = if self.delay == Frames(0) { way } else { Span(0) };
        self.align(self.measured);
    }

    /// When this machine's click must leave, minus where the other one's is due on its line.
    fn own(&self) -> Span {
        self.setup.align - self.way
    }

    /// Takes what arrived on the two inputs. Real-time: safe.
    pub fn listen(&mut self, at: FramePos, timecode: &[f32], click: &[f32], here: &Here, set: &Set) {
        let Peer { decoder, line, chase, orders, .. } = self;
        let mut reading: Option<LineReading> = None;
        decoder.push(at, timecode, &mut |heard| match heard {
            Heard::Line(found) => reading = Some(found),
            Heard::Word(word) => {
                let told = &mut |order| {
                    if orders.len() < MOST_ORDERS {
                        orders.push_back(order);
                    }
                };
                if let Some(trusted) = chase.hear(&word, here, set, told) {
                    line.word(trusted.at, trusted.number, trusted.user);
                }
            }
        });
        if let Some(witness) = &mut self.witness {
            witness.push(at, click);
        }
        if let Some(offset) = &mut self.offset {
            offset.push(at, click);
        }
        if let Some(reading) = reading {
            self.bring_up_to_date(&reading, here);
        }
    }

    fn bring_up_to_date(&mut self, reading: &LineReading, here: &Here) {
        self.line.reading(reading);
        let line = self.line.now();
        if self.line.latched() && self.chase.place().is_some() {
            self.chase.forget();
        }
        let handed = self.lead.handed().map(|at| at - self.delay - self.own().nearest());
        if let Some(witness) = &mut self.witness {
            witness.judge(reading.at, line == LineNow::Alive);
            // A bad line is known to be bad only some time after its last word: what was due since then counts.
            self.click = match (self.line.bad_since(), self.line.last_word()) {
                (Some(_), Some(word)) => witness.since(handed.map_or(word, |handed| handed.max(word))),
                _ => witness.last(),
            };
        }
        let witnessless = matches!(self.click, WitnessNow::NotWired | WitnessNow::Absent);
        self.other = Other {
            line,
            leads: self.chase.leads(),
            hears: self.chase.state().is_some_and(|state| state.hears),
            idle: self.is_other_stopped() && here.run != RunState::Stopped,
            sounds: self.chase.state().map(|state| state.sounds),
            lets_go: self.chase.lets_go(),
            gone: self.line.latched() && witnessless,
        };
        self.lead.step(reading.at, self.other, here.run == RunState::Playing);
    }

    fn is_other_stopped(&self) -> bool {
        self.chase.place().is_some_and(|place| place.run == Run::Stopped)
    }

    /// Both lead, and nothing plays there.
    fn is_other_idle(&self) -> bool {
        self.lead.leads() && self.other.leads == Some(true) && self.is_other_stopped()
    }

    /// The oldest order that has not been taken. Real-time: safe.
    pub fn take_order(&mut self) -> Option<Order> {
        self.orders.pop_front()
    }

    /// A hit of the click that arrives here is due; `onset` is where this machine would sound it, `heard_late` its
    /// sound's.
    pub fn expect(&mut self, onset: FramePos, heard_late: f32) {
        let arrives = onset - self.delay - self.own().nearest();
        if let Some(witness) = &mut self.witness {
            witness.due(arrives);
        }
        if let Some(offset) = &mut self.offset {
            offset.due(arrives - self.measured.nearest(), heard_late);
        }
    }

    /// A due hit of a machine that stands by. Real-time: safe.
    pub fn gate(&self, onset: FramePos, again: bool) -> Gated {
        if self.lead.sounds_at(onset) {
            return Gated::Cover;
        }
        if !self.setup.backup || self.lead.leads() {
            return Gated::Silent;
        }
        gated(self.other.line, self.click_at(onset, again), again)
    }

    /// The click at this hit where it is known, else what was due last since timecode went bad. That it was heard then says
    /// nothing of now, as long as this hit can wait for its own answer.
    fn click_at(&self, onset: FramePos, again: bool) -> WitnessNow {
        let Some(witness) = &self.witness else { return WitnessNow::NotWired };
        let waited = if again { WAIT_SECONDS } else { 0.0 };
        let arrives = onset - self.delay - self.own().nearest() - self.rate.frames(waited);
        match witness.of(arrives) {
            WitnessNow::NotYet if self.click == WitnessNow::Heard && !again => WitnessNow::NotYet,
            WitnessNow::NotYet => self.click,
            known => known,
        }
    }

    /// Whether the click's own hit at `onset` (where it leaves) has arrived: for what is passed on.
    pub fn arrived(&self, onset: FramePos) -> WitnessNow {
        self.witness
            .as_ref()
            .map_or(WitnessNow::NotWired, |witness| witness.of(onset - self.delay - self.own().nearest()))
    }

    pub fn now(&self, set: &Set) -> PeerNow {
        let differing = self.chase.differing(set);
        let ms = |frames: f64| (frames * 1000.0 / f64::from(self.rate.hertz())) as f32;
        let offset = self.offset.as_ref().filter(|offset| offset.count > 0);
        PeerNow {
            backup: self.setup.backup,
            leads: self.lead.leads(),
            line: self.other.line,
            click: self.click,
            other_leads: self.other.leads == Some(true),
            other_idle: self.is_other_idle(),
            other_out: self.chase.state().is_some_and(|state| state.all_out),
            differs: differing.is_some_and(|page| !page.next),
            differing: differing.map_or(0, |page| page.song),
            bound_ms: self.chase.bound_ms(),
            ppm: self.chase.ppm(),
            offset_ms: offset.map_or(0.0, |offset| ms(offset.mean)),
            offset_hits: offset.map_or(0, |offset| offset.count),
            offset_spread_ms: offset.map_or(0.0, |offset| ms(offset.square.sqrt())),
            align_ms: ms(self.measured.as_f64()),
            way_ms: ms(self.way.as_f64()),
        }
    }

    /// What is told at once when it changes.
    pub fn facts(&self) -> (LineNow, WitnessNow, bool, bool, bool) {
        let other_leads = self.other.leads == Some(true);
        (self.other.line, self.click, self.lead.leads(), other_leads, self.is_other_idle())
    }

    pub const fn other(&self) -> Other {
        self.other
    }
}

/// Where the other machine's click lies against its timecode: the mean of the last hits, to a part of a frame.
#[derive(Debug)]
struct Offset {
    onsets: Onsets,
    /// Where a hit is due, and how late the follower hears its sound: that is taken off.
    dues: [Option<(FramePos, f32)>; 16],
    slot: usize,
    near: f64,
    mean: f64,
    /// Mean square about the mean.
    square: f64,
    count: u32,
}

impl Offset {
    fn new(rate: SampleRate) -> Offset {
        Offset {
            onsets: Onsets::new(rate),
            dues: [None; 16],
            slot: 0,
            near: 0.02 * f64::from(rate.hertz()),
            mean: 0.0,
            square: 0.0,
            count: 0,
        }
    }

    fn due(&mut self, at: FramePos, heard_late: f32) {
        if let Some(slot) = self.dues.get_mut(self.slot % 16) {
            *slot = Some((at, heard_late));
        }
        self.slot = (self.slot + 1) % 16;
    }

    fn push(&mut self, at: FramePos, samples: &[f32]) {
        let Offset { onsets, dues, near, mean, square, count, .. } = self;
        onsets.push(at, samples, &mut |onset| {
            let off = |(due, heard_late): &(FramePos, f32)| {
                (onset.at - Exact::at(*due)).as_f64() - f64::from(*heard_late)
            };
            let nearest = dues.iter().flatten().map(off).min_by(|a, b| a.abs().total_cmp(&b.abs()));
            let Some(off) = nearest.filter(|off| off.abs() < *near) else { return };
            *count = count.saturating_add(1);
            // All hits weigh the same until 32; then the last ones count.
            let (weight, before) = (1.0 / f64::from((*count).min(32)), *mean);
            *mean += (off - before) * weight;
            *square += ((off - before) * (off - *mean) - *square) * weight;
        });
    }
}

/// A hit that waited for its witness sounds this late: the verdict is there after 3 ms and a reading of 0.5 ms, and a hit
/// is decided by a look-ahead of 1.5 ms and as much as a reading before it leaves.
pub const WAIT_SECONDS: f64 = 0.00525;

/// The frame at which an order takes effect: after all that was decided when it came.
pub const fn effective(boundary: FramePos, ahead: Frames) -> Exact {
    Exact::at(FramePos(boundary.0 + ahead.0))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::follow::{Played, heard_late};

    /// A sine of 1 kHz that dies away, behind `silent` frames that nobody hears.
    fn sound(silent: usize) -> Vec<f32> {
        let one = |n: usize| {
            let n = n as f32;
            0.4 * (n / 4.0).min(1.0) * (-n / 400.0).exp() * (n * std::f32::consts::TAU / 48.0).sin()
        };
        let mut samples = vec![1e-4; silent];
        samples.extend((0..1800 - silent).map(one));
        samples
    }

    #[test]
    fn sounds_that_are_heard_late_by_different_times_give_one_offset() {
        let rate = SampleRate::standard();
        let sounds = [sound(0), sound(14)];
        let late = [0, 1].map(|index: usize| {
            let played = |index: usize| Played { samples: &sounds[index], lead: 0, gain: 1.0 };
            heard_late(rate, played(0), played(index)) as f32
        });
        assert!((late[0] - late[1]).abs() > 5.0, "the test needs two that differ: {late:?}");
        let (first, step, later) = (30_000, 12_000, 31);
        let mut line = vec![0.0; 500_000];
        let mut offset = Offset::new(rate);
        for hit in 0..36 {
            let at = first + hit * step;
            line[at + later..][..1800].copy_from_slice(&sounds[hit % 2]);
        }
        for (index, block) in line.chunks(128).enumerate() {
            let at = index * 128;
            for hit in (0..36).filter(|hit| (at..at + 128).contains(&(first + hit * step - 256))) {
                offset.due(FramePos((first + hit * step) as i64), late[hit % 2]);
            }
            offset.push(FramePos(at as i64), block);
        }
        assert_eq!(offset.count, 36);
        assert!((offset.mean - 31.0).abs() < 1.0 && offset.square.sqrt() < 1.0, "{offset:?}");
    }
}
