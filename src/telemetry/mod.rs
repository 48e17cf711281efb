//! What the engine tells, made readable: a snapshot for screens, entries for the log.
//!
//! In: [`Event`]s, in the order of the ring. Out: a [`Snapshot`] of now, and log [`Entry`]s. Thread: an
//! ordinary one ([`load::LoadMeter`] alone is filled by the audio thread). Always: no clock is read here; the
//! time of day is an argument.

pub mod load;

pub mod snapshot;

pub mod words;

pub use load::{LoadMeter, LoadSummary};
pub use snapshot::{ClickNow, LastEvent, Snapshot};

use crate::click::set::{LegKind, Set};
use crate::log::Entry;
use crate::log::entry::decibels;
use crate::realtime::event::{Cause, Event, PeerNow, RunState, Source, Status, What};
use crate::units::{FramePos, Frames};
use std::sync::Arc;

/// Levels go to the log this often, in seconds of the device.
const LEVELS_EVERY: f64 = 1.0;

/// Turns events into a snapshot and into log entries.
pub struct Drain {
    set: Arc<Set>,
    names: Vec<String>,
    snapshot: Snapshot,
    levels_at: Option<FramePos>,
    peak: f32,
    limiter: f32,
    switches: u64,
}

impl Drain {
    /// `names` are the clicks' names as the show has them.
    pub fn new(set: Arc<Set>, names: Vec<String>) -> Drain {
        let clicks = names.iter().map(|name| ClickNow::own(name)).collect();
        let snapshot = Snapshot { clicks, ..Snapshot::default() };
        Drain { set, names, snapshot, levels_at: None, peak: 0.0, limiter: 1.0, switches: 0 }
    }

    /// Other songs, from when the engine says that it loaded them.
    pub fn load(&mut self, set: Arc<Set>) {
        self.set = set;
    }

    pub fn snapshot(&self) -> &Snapshot {
        &self.snapshot
    }

    /// For what others fill in: device, power, latency, load.
    pub fn snapshot_mut(&mut self) -> &mut Snapshot {
        &mut self.snapshot
    }

    /// Switches that were faults: neither planned nor asked for.
    pub fn switches(&self) -> u64 {
        self.switches
    }

    /// Takes one event. `clock` is the time of day as screens show it ("21:14"); `log` gets frame and entry.
    pub fn take(&mut self, event: &Event, clock: &str, log: &mut dyn FnMut(FramePos, Entry)) {
        let mut say = |entry| log(event.at, entry);
        match event.what {
            What::Status(status) => self.status(event.at, status, log),
            What::Done { id } => say(Entry::Answer { id, done: true }),
            What::Refused { id } => say(Entry::Answer { id, done: false }),
            What::Placed { .. } => self.placed(event, log),
            What::Holding { song, .. } => say(Entry::Run { state: RunState::Holding, song, ended: false }),
            What::Stopped { song, ended } => say(Entry::Run { state: RunState::Stopped, song, ended }),
            What::LateHit { hit, late } => say(Entry::LateHit { hit, late_frames: late.0 }),
            What::LostHits { from, to } => say(Entry::LostHits { count: to.saturating_sub(from) }),
            What::Switched { .. } => self.switched(event, clock, log),
            What::Covered { click, cause } => say(Entry::Covered { click, name: self.name(click), cause }),
            What::AllOut(on) => say(Entry::AllOut { on }),
            What::ClickOut(on) => say(Entry::ClickOut { on }),
            What::Muted { click, muted } => {
                say(Entry::Mute { click, name: self.name(click), on: muted });
                if let Some(now) = self.snapshot.clicks.get_mut(usize::from(click)) {
                    now.muted = muted;
                }
            }
            What::Xrun { lost } => {
                say(Entry::Xrun { lost_frames: lost.0 });
                self.snapshot.xruns += 1;
                self.snapshot.lost_frames += lost.0;
                self.happened(event.at, clock, words::xrun(lost, self.set.rate));
            }
            What::Ride { input, from, to, frames, why } => say(Entry::Ride {
                input,
                from_db: decibels(from),
                to_db: decibels(to),
                seconds: self.set.rate.seconds(Frames(i64::from(frames))),
                why,
            }),
            What::Talk(on) => say(Entry::Talk { on }),
            What::BadInput { channel } => say(Entry::BadInput { channel }),
            What::Dropped { count } => {
                say(Entry::EventsLost { count: u64::from(count) });
                self.snapshot.events_lost += u64::from(count);
            }
            What::Beside { click, song, now } => {
                let ms = |frames: f32| self.set.rate.seconds(Frames(1)) * 1000.0 * f64::from(frames);
                let (mean_ms, spread_ms, drift_ppm) = (ms(now.mean), ms(now.spread), f64::from(now.ppm));
                let (name, hits) = (self.name(click), now.hits);
                say(Entry::External { click, name, song, hits, mean_ms, spread_ms, drift_ppm });
            }
            What::Peer(now) => self.peer(event.at, clock, now, log),
            What::StreamWanted { .. } | What::StreamEnd { .. } => {}
        }
    }

    fn name(&self, click: u8) -> String {
        self.names.get(usize::from(click)).cloned().unwrap_or_default()
    }

    fn happened(&mut self, at: FramePos, clock: &str, text: String) {
        self.snapshot.last_event = Some(LastEvent { at, clock: clock.into(), text });
    }

    fn placed(&mut self, event: &Event, log: &mut dyn FnMut(FramePos, Entry)) {
        let What::Placed { song, leg, called, pass, anchor_at, stretch, from_hit, why, .. } = event.what
        else {
            return;
        };
        self.snapshot.stretch = stretch;
        let Some(plan) = self.set.songs.get(usize::from(song)) else { return };
        if self.snapshot.logged_song != Some(song) {
            self.snapshot.logged_song = Some(song);
            log(event.at, Entry::Song { song, title: plan.title.clone() });
        }
        let Some(here) = plan.legs.get(usize::from(leg)) else { return };
        let section = if called { words::section(LegKind::CountIn, "") } else { words::leg(here) };
        let (anchor, stretch) = (anchor_at.0.to_string(), (stretch.over, stretch.under));
        let bar = here.first_bar;
        log(
            event.at,
            Entry::Section { song, section, pass, bar, anchor, stretch, leg, called, from_hit, why },
        );
    }

    fn switched(&mut self, event: &Event, clock: &str, log: &mut dyn FnMut(FramePos, Entry)) {
        let What::Switched { click, source, cause, song, bar, beat } = event.what else { return };
        let name = self.name(click);
        log(event.at, Entry::Switch { click, name: name.clone(), source, cause, song, bar, beat });
        if let Some(now) = self.snapshot.clicks.get_mut(usize::from(click)) {
            (now.source, now.cause, now.since) = (source, cause, event.at);
        }
        let fault = !matches!(cause, Cause::Plan | Cause::ByHand);
        self.switches += u64::from(fault);
        if fault || cause == Cause::ByHand || (source == Source::Streamed && self.was_fault(click)) {
            self.happened(event.at, clock, words::switch(&name, source, cause, clock));
        }
        if let Some(now) = self.snapshot.clicks.get_mut(usize::from(click)) {
            now.fault = fault || (source == Source::Fallback && now.fault);
        }
    }

    /// Changes go to the log; what a person must know of goes to the screen.
    fn peer(&mut self, at: FramePos, clock: &str, now: PeerNow, log: &mut dyn FnMut(FramePos, Entry)) {
        let before = self.snapshot.peer.replace(now);
        let facts = |peer: PeerNow| PeerNow {
            bound_ms: 0.0,
            ppm: 0.0,
            offset_ms: 0.0,
            offset_hits: 0,
            offset_spread_ms: 0.0,
            ..peer
        };
        if before.map(facts) == Some(facts(now)) {
            return;
        }
        log(at, Entry::Machine(now));
        if let Some(text) = before.and_then(|before| words::machine(&before, &now, clock)) {
            self.happened(at, clock, text);
        }
    }

    fn was_fault(&self, click: u8) -> bool {
        self.snapshot.clicks.get(usize::from(click)).is_some_and(|now| now.fault)
    }

    fn status(&mut self, at: FramePos, status: Status, log: &mut dyn FnMut(FramePos, Entry)) {
        let set = Arc::clone(&self.set);
        self.snapshot.update(at, status, &set);
        if status.run == RunState::Stopped {
            self.snapshot.logged_song = None;
        }
        (self.peak, self.limiter) = (self.peak.max(status.peak), self.limiter.min(status.limiter));
        let every = self.set.rate.frames(LEVELS_EVERY);
        let due = *self.levels_at.get_or_insert(at) + every;
        if at >= due {
            self.levels_at = Some(at - Frames((at - due).0.rem_euclid(every.0.max(1))));
            let (peak_db, limiter_db) = (decibels(self.peak), decibels(self.limiter));
            log(at, Entry::Levels { peak_db, limiter_db });
            (self.peak, self.limiter) = (0.0, 1.0);
        }
    }
}

#[cfg(test)]
mod tests;
