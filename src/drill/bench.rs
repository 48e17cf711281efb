//! Where a failure is rehearsed: the machines of a wiring, the moment, the verdict.

use super::allowed::Losses;
use super::failures::{FAILURES, Failure, Moment, Stage};
use super::hearing::Hearing;
use super::pair::{BLOCK, CLICK_IN, Clean, Played, TIMECODE_IN, World, channel_of, play};
use super::verdict::{Verdict, verdict};
use crate::click::set::Set;
use crate::listener::Listener;
use crate::realtime::event::{LineNow, Source, What};
use crate::realtime::setup::{EngineSetup, OutsideSetup, PeerClick, PeerSetup, TimecodeSetup};
use crate::timecode::FrameRate;
use crate::timecode::witness::SOUNDED_SECONDS;
use crate::units::{Frames, Span};
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering::Relaxed};

/// How a backup is wired.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Wiring {
    /// There is no second machine.
    Alone,
    /// There is none, and the click is a track from disk.
    Streamed,
    /// Timecode only; mixer channels of its own.
    OneWitness,
    /// Timecode and click; mixer channels of its own.
    TwoWitnesses,
    /// The main's click goes through the backup, with this safety delay.
    Passed(Frames),
    /// Another device's click is passed on, with this safety delay.
    Pad(Frames),
}

impl Wiring {
    /// There is a second machine.
    pub const fn two(self) -> bool {
        matches!(self, Wiring::OneWitness | Wiring::TwoWitnesses | Wiring::Passed(_))
    }

    /// The backup has a mixer channel of its own.
    pub const fn own(self) -> bool {
        matches!(self, Wiring::OneWitness | Wiring::TwoWitnesses)
    }

    /// Timecode and click are heard.
    pub const fn both(self) -> bool {
        matches!(self, Wiring::TwoWitnesses | Wiring::Passed(_))
    }

    pub const fn passed(self) -> bool {
        matches!(self, Wiring::Passed(_))
    }

    pub const fn pad(self) -> bool {
        matches!(self, Wiring::Pad(_))
    }
}

/// What a drill is run with.
#[derive(Clone, Debug)]
pub struct Bench {
    pub set: Arc<Set>,
    /// The show on one machine, as it is wired; timecode and peer are added here.
    pub setup: EngineSetup,
    /// The same at another sample rate, for a main whose interface has that one.
    pub elsewhere: Option<(Arc<Set>, EngineSetup)>,
    /// The click whose feed the ear hears.
    pub click: u8,
    pub wiring: Wiring,
    pub frames: FrameRate,
    pub latch: Frames,
    pub seconds: f64,
    pub seed: u64,
}

/// From an output of one machine to an input of the other.
const CABLE: i64 = 136;

impl Bench {
    /// The machines of the wiring.
    pub fn world(&self) -> World {
        let rate = self.set.rate;
        let main = self.main();
        let passed = match self.wiring {
            Wiring::Passed(delay) => Some(delay),
            _ => None,
        };
        let ear = channel_of(&main, self.click).unwrap_or(0);
        let mut world = World {
            set: Arc::clone(&self.set),
            backup_set: Arc::clone(&self.set),
            main,
            backup: None,
            ear,
            passed: passed.is_some(),
            streamed: self.wiring == Wiring::Streamed,
            cable: CABLE,
            ppm: if self.wiring.two() { 37.0 } else { 0.0 },
            frames: rate.frames(self.seconds).0,
            start: rate.frames(0.3).0,
            seed: self.seed,
        };
        world.backup = self.wiring.two().then(|| EngineSetup {
            peer: Some(self.backup_peer(passed, CABLE as f64)),
            ..world.main.clone()
        });
        world
    }

    /// One machine and nothing else, whatever the wiring.
    pub fn alone(&self) -> World {
        Bench { wiring: Wiring::Alone, ..self.clone() }.world()
    }

    fn main(&self) -> EngineSetup {
        let mut main = self.setup.clone();
        main.record = false;
        main.peer = None;
        main.timecode = self.wiring.two().then(|| self.line(&main));
        if let Wiring::Pad(safety) = self.wiring {
            main.outside = vec![OutsideSetup {
                channel: CLICK_IN,
                click: self.click,
                safety,
                starts_song: true,
                tolerance: None,
                latch: crate::show::model::Latch::default(),
            }];
        }
        main
    }

    /// Timecode on the first channel that is free.
    fn line(&self, main: &EngineSetup) -> TimecodeSetup {
        let channels = main.outlets.iter().flat_map(|outlet| &outlet.channels);
        let channel = channels.max().map_or(0, |channel| channel + 1);
        TimecodeSetup { channel, frames: self.frames, peak: 0.125 }
    }

    fn backup_peer(&self, passed: Option<Frames>, cable: f64) -> PeerSetup {
        let click = PeerClick { channel: CLICK_IN, click: self.click, passed };
        // Its own place is the main's, not where the main's timecode arrives; what is passed on is later anyway.
        let align = if passed.is_some() { Span(0) } else { Span::from_f64(-cable) };
        let click = self.wiring.both().then_some(click);
        PeerSetup { backup: true, returning: false, timecode: TIMECODE_IN, click, align, latch: self.latch }
    }

    /// The world of a failure that needs another one than usual.
    fn staged(&self, stage: Stage) -> World {
        let mut world = self.world();
        let second = i64::from(self.set.rate.hertz());
        match stage {
            Stage::Usual => {}
            Stage::ReturnLine => {
                let peer = world.backup.as_ref().and_then(|backup| backup.peer);
                world.main.peer = peer.map(|peer| PeerSetup { backup: false, click: None, ..peer });
                // A main with a return line is silent until it knows that it may lead.
                world.start = 2 * second;
                world.frames += 4 * second;
            }
            Stage::OtherShow => world.backup_set = Arc::new(other_show(&self.set)),
            Stage::OtherFrames => {
                if let Some(line) = &mut world.main.timecode {
                    let drop = FrameRate::NtscDrop;
                    line.frames = if line.frames == drop { FrameRate::Film } else { drop };
                }
            }
            Stage::OtherRate => self.at_another_rate(&mut world),
        }
        world
    }

    fn at_another_rate(&self, world: &mut World) {
        let Some((set, setup)) = &self.elsewhere else { return };
        let timecode = world.main.timecode;
        world.main = EngineSetup { timecode, record: false, peer: None, ..setup.clone() };
        world.set = Arc::clone(set);
        world.frames = set.rate.frames(self.seconds).0;
        world.start = set.rate.frames(0.3).0;
        let passed = world.backup.as_ref().and_then(|backup| backup.peer?.click?.passed);
        let cable = CABLE as f64 / world.speed();
        if let Some(backup) = &mut world.backup {
            backup.peer = Some(self.backup_peer(passed, cable));
        }
    }

    /// Everything that leaves is this much later than the main's own, in its frames.
    fn shift(&self, world: &World) -> i64 {
        let scaled = |frames: i64| (frames as f64 * world.speed()).round() as i64;
        match self.wiring {
            Wiring::Passed(delay) => CABLE + scaled(delay.0 + self.setup.look_ahead as i64),
            Wiring::Pad(delay) => delay.0 + self.setup.look_ahead as i64,
            _ => 0,
        }
    }

    /// The blind window of this wiring in milliseconds: 10 ms, a block and the way.
    pub fn blind_ms(&self) -> f64 {
        10.0 + (BLOCK as i64 + CABLE) as f64 * 1000.0 / f64::from(self.set.rate.hertz())
    }

    /// Plays one failure. Where it happens follows from the seed.
    pub fn rehearse(&self, failure: &Failure) -> Verdict {
        let world = self.staged(failure.stage);
        let second = i64::from(world.set.rate.hertz());
        let usual = Clean::play(&world, &[]);
        let at = self.moment(&world, failure, &usual);
        let mishaps = (failure.mishaps)(at, second);
        let pressed = mishaps.iter().any(|mishap| matches!(mishap, super::Mishap::Pressed(..)));
        let clean = if pressed { Clean::play(&world, &mishaps) } else { usual };
        let played = play(&world, &mishaps);
        let shift = self.shift(&world);
        let allowed = (failure.allowed)(self.wiring);
        let two = world.backup.is_some();
        let end = (world.frames - second * 3 / 10).min(played.ear.len() as i64);
        let samples = &played.ear[..end as usize];
        let dues = clean.dues.iter().filter(|due| due.frame.0 + shift < end).cloned().map(|mut due| {
            due.frame = due.frame + Frames(shift);
            due.cut = due.cut.map(|cut| cut + Frames(shift));
            due
        });
        let planned: Vec<f32> = std::iter::repeat_n(0.0, shift as usize).chain(clean.ear).collect();
        let hearing = Hearing {
            samples,
            rate: world.set.rate,
            templates: Listener::templates(&world.set),
            dues: dues.collect(),
            lost: &played.lost,
            clean: two.then_some(&planned[..]),
            most_error_ms: allowed.most_error_ms(),
        };
        let figures = hearing.figures();
        let from = played.stream_ends.unwrap_or(at);
        let mut moments: Vec<i64> = mishaps.iter().filter_map(super::Mishap::at).chain([from]).collect();
        moments.iter_mut().for_each(|moment| *moment += shift);
        let cut = world.set.rate.frames(SOUNDED_SECONDS).0;
        let window = (self.blind_ms() * second as f64 / 1000.0).ceil() as i64;
        let losses = Losses { moments, cut, window, frames_a_second: second as f64 };
        let detected = noticed(&played, from).map(|frames| frames as f64 * 1000.0 / second as f64);
        let loss = (!mishaps.is_empty()).then_some(from + shift);
        verdict((failure.name, failure.what), &figures, detected, loss, &losses, &allowed)
    }

    /// About the middle of what is due.
    fn moment(&self, world: &World, failure: &Failure, clean: &Clean) -> i64 {
        // Each failure has a moment of its own.
        let mixed =
            failure.name.bytes().fold(self.seed, |mixed, byte| mixed.wrapping_mul(31) ^ u64::from(byte));
        let mut random = fastrand::Rng::with_seed(mixed);
        let mut hits: Vec<i64> = clean.dues.iter().map(|due| due.frame.0).collect();
        hits.sort_unstable();
        let (first, last) = (hits.first().copied().unwrap_or(0), hits.last().copied().unwrap_or(0));
        let from = first + ((last - first) as f64 * (0.4 + 0.15 * random.f64())) as i64;
        let hit = hits.iter().copied().find(|frame| *frame >= from).unwrap_or(from);
        let ms = i64::from(world.set.rate.hertz()) / 1000;
        match failure.moment {
            Moment::FromTheStart => world.start,
            Moment::BetweenHits => hit + 40 * ms,
            Moment::InAHit => hit + 4 * ms,
            Moment::AsAHitBegins => hit + ms / 2,
            Moment::InABit => in_a_bit(&clean.timecode, hit + 40 * ms),
        }
    }
}

/// A quarter of a bit after the next edge of timecode: an edge comes at least twice a bit or once, so that this is never
/// one.
fn in_a_bit(timecode: &[f32], from: i64) -> i64 {
    let from = usize::try_from(from).unwrap_or(0).min(timecode.len());
    let edge = timecode[from..].windows(2).position(|pair| (pair[0] < 0.0) != (pair[1] < 0.0));
    // At 30 frames a second and 44,100 Hz a bit has 18 frames, and half a bit 9.
    (from + edge.unwrap_or(0)) as i64 + 5
}

/// The same songs, of which timecode says that they are others.
fn other_show(set: &Set) -> Set {
    let mut songs = set.songs.clone();
    songs.iter_mut().for_each(|song| song.said.digest = !song.said.digest);
    Set {
        rate: set.rate,
        sounds: set.sounds.clone(),
        lanes: set.lanes.clone(),
        lane_count: set.lane_count,
        songs,
        max_lead: set.max_lead,
        lane_peaks: set.lane_peaks.clone(),
    }
}

/// Frames from the failure to the first word about it.
fn noticed(played: &Played, at: i64) -> Option<i64> {
    let mut told: Vec<i64> = Vec::new();
    let (mut alive, mut differs) = (false, false);
    for event in &played.backup {
        match event.what {
            What::Peer(now) => {
                if (alive && now.line != LineNow::Alive) || (now.differs && !differs) {
                    told.push(event.at.0);
                }
                (alive, differs) = (now.line == LineNow::Alive, now.differs);
            }
            What::Switched { source: Source::Own, .. } => told.push(event.at.0),
            _ => {}
        }
    }
    told.extend(played.main.iter().filter(|event| is_trouble(&event.what)).map(|event| event.at.0));
    told.iter().filter(|frame| **frame >= at).min().map(|frame| frame - at)
}

const fn is_trouble(what: &What) -> bool {
    matches!(
        what,
        What::Switched { source: Source::Fallback, .. } | What::Xrun { .. } | What::BadInput { .. }
    )
}

/// Rehearses every failure that applies to a wiring, on as many processors as there are; `each` sees the verdicts in the
/// order of the list.
pub fn all(bench: &Bench, mut each: impl FnMut(&Verdict)) -> Vec<Verdict> {
    let applying: Vec<&Failure> = FAILURES.iter().filter(|failure| (failure.applies)(bench.wiring)).collect();
    let next = AtomicUsize::new(0);
    let workers = std::thread::available_parallelism().map_or(1, usize::from).min(applying.len());
    let (done, verdicts) = crossbeam_channel::unbounded();
    std::thread::scope(|scope| {
        for _ in 0..workers {
            let (done, next, applying) = (done.clone(), &next, &applying);
            scope.spawn(move || {
                while let Some((index, failure)) =
                    Some(next.fetch_add(1, Relaxed)).and_then(|index| Some((index, applying.get(index)?)))
                {
                    let _gone = done.send((index, bench.rehearse(failure)));
                }
            });
        }
        drop(done);
        let mut waiting = std::collections::BTreeMap::new();
        let mut in_order = Vec::new();
        for (index, verdict) in verdicts {
            waiting.insert(index, verdict);
            while let Some(verdict) = waiting.remove(&in_order.len()) {
                each(&verdict);
                in_order.push(verdict);
            }
        }
        in_order
    })
}
