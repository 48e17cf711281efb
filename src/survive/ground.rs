//! The ground under the engine: between a device's callbacks and the engine, which outlives any device.
//!
//! In: blocks in the device's own frames. Out: the same blocks on the night's timeline, from which nothing but time
//! itself moves. Thread: the audio callback. Always: no wait and no allocation. A device that begins, or comes back,
//! is listened to for a moment in silence until its time is known; then the engine goes on where the band is.

use super::clock::{Fit, Floor, Reading, SECOND, Sight, origin};
use super::tracker::Tracker;
use crate::device::boot;
use crate::realtime::io::{Io, Process};
use crate::units::{FramePos, Frames, SampleRate};
use ringbuf::traits::{Producer, Split};
use ringbuf::{HeapCons, HeapProd, HeapRb};
use std::sync::atomic::{AtomicI64, AtomicU64, Ordering};
use std::sync::{Arc, Mutex, TryLockError};

/// Callbacks in silence before the place is known: at least so many, over at least this time.
const FEW: u32 = 8;
const LISTEN: i64 = 60_000_000;
/// No more than this, and then what there is must do.
const AT_MOST: i64 = 150_000_000;

/// A stream that calls again after that, and is off the night's time by more than this, is put right.
const OFF: i64 = 1_000_000;

/// Without a callback for so long the device's time is found anew.
const GONE_QUIET: i64 = 250_000_000;

const READINGS: usize = 256;

/// The engine, and who may run it. Nobody ever waits for it: who finds it taken is silent for a block.
pub struct Lease {
    engine: Mutex<Box<dyn Process>>,
    /// The stream that may run it.
    owner: AtomicU64,
    /// The only stream that may become the owner.
    heir: AtomicU64,
    /// End of the last block that it was asked for.
    next: AtomicI64,
}

/// The stand-in that runs the engine while there is no device.
pub const STAND_IN: u64 = u64::MAX;

impl Lease {
    pub fn new(engine: Box<dyn Process>) -> Arc<Lease> {
        Arc::new(Lease {
            engine: Mutex::new(engine),
            owner: AtomicU64::new(0),
            heir: AtomicU64::new(0),
            next: AtomicI64::new(i64::MIN),
        })
    }

    /// Runs the engine for whoever owns it. False: it belongs to another. Real-time: safe (an attempt, never a wait;
    /// nobody sleeps on this lock, so that letting go wakes nobody).
    pub fn run(&self, who: u64, io: &mut Io) -> bool {
        let mut engine = match self.engine.try_lock() {
            Ok(engine) => engine,
            Err(TryLockError::Poisoned(engine)) => engine.into_inner(),
            Err(TryLockError::WouldBlock) => return false,
        };
        // Looked at with the engine in hand: whoever had it before has told where it is by now.
        if self.owner.load(Ordering::Acquire) != who {
            return false;
        }
        engine.process(io);
        self.next.store((io.at + Frames(io.frames as i64)).0, Ordering::Release);
        true
    }

    /// The frame after the last one that was asked for; `None` before the first. Real-time: safe.
    pub fn next(&self) -> Option<FramePos> {
        let next = self.next.load(Ordering::Acquire);
        (next != i64::MIN).then_some(FramePos(next))
    }

    /// Real-time: safe.
    pub fn owner(&self) -> u64 {
        self.owner.load(Ordering::Acquire)
    }

    /// The stand-in runs it from now on, until a stream's time is known.
    pub fn stand_in(&self) {
        self.owner.store(STAND_IN, Ordering::Release);
    }

    /// A new stream, the only one that may take the engine from now on.
    fn heir(&self) -> u64 {
        self.heir.fetch_add(1, Ordering::AcqRel) + 1
    }

    fn take(&self, who: u64) -> bool {
        let heir = self.heir.load(Ordering::Acquire) == who;
        if heir {
            self.owner.store(who, Ordering::Release);
        }
        heir
    }
}

/// How a stream begins.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Begin {
    /// A new night: its first frame is 0, at once.
    Fresh,
    /// The night goes on: where this says.
    From(Fit),
}

/// The process that a device runs.
pub struct Ground {
    lease: Arc<Lease>,
    me: u64,
    rate: SampleRate,
    /// Night's frames minus device's.
    base: i64,
    /// The base holds: this stream has run the engine.
    based: bool,
    from: Option<Fit>,
    listening: Option<Listening>,
    /// Whether time that nobody counted is found by our own clock. A virtual interface's time is its own.
    own_clock: bool,
    tracker: Tracker,
    /// What it found: whole frames of all of it are counted.
    found: i64,
    last: Option<i64>,
    readings: HeapProd<Sight>,
}

/// In silence until the time is known.
#[derive(Clone, Copy, Debug)]
struct Listening {
    began: i64,
    callbacks: u32,
    floor: Floor,
}

/// Builds the two ends: what a device runs, and its readings. Allocates: call it before the stream starts. From now
/// on no older stream takes the engine.
pub fn ground(
    lease: &Arc<Lease>,
    rate: SampleRate,
    begin: Begin,
    own_clock: bool,
) -> (Ground, HeapCons<Sight>) {
    let (readings, out) = HeapRb::new(READINGS).split();
    let me = lease.heir();
    let from = match begin {
        Begin::Fresh => None,
        Begin::From(fit) => Some(fit),
    };
    // A device that is gone before its time was known: the next one goes on where the engine is.
    let base = lease.next().filter(|_| from.is_none()).map_or(0, |next| next.0);
    if from.is_none() {
        lease.take(me);
    }
    let ground = Ground {
        lease: Arc::clone(lease),
        me,
        rate,
        base,
        based: from.is_none(),
        from,
        listening: None,
        own_clock,
        tracker: Tracker::default(),
        found: 0,
        last: None,
        readings,
    };
    (ground, out)
}

impl Process for Ground {
    fn process(&mut self, io: &mut Io) {
        let now = boot::now();
        self.block(now, io);
    }
}

impl Ground {
    /// One block at a moment of the boot-time clock. Real-time: safe.
    pub fn block(&mut self, now: i64, io: &mut Io) {
        let device = io.at;
        io.late_ns = 0;
        let quiet = self.last.replace(now).is_some_and(|last| now - last > GONE_QUIET);
        let taken = self.lease.owner() != self.me;
        if (taken || (quiet && self.own_clock)) && self.listening.is_none() {
            self.listening = Some(Listening { began: now, callbacks: 0, floor: Floor::default() });
            self.tracker.again();
        }
        if self.listening.is_some() {
            self.listen(now, device);
        } else {
            let origin = origin(device, now, self.rate);
            if self.own_clock {
                io.late_ns = self.tracker.late(now, origin);
            }
            self.watch(now, origin, device);
        }
        if self.listening.is_some() {
            return io.output.clear();
        }
        io.at = device + Frames(self.base);
        self.go_on(io);
        io.at = device;
    }

    /// Never over what has been asked for already: a block that would begin there is silent.
    fn go_on(&mut self, io: &mut Io) {
        let next = self.lease.next();
        if next.is_some_and(|next| io.at < next) {
            return io.output.clear();
        }
        if let Some(next) = next {
            io.lost = io.at - next;
        }
        if !self.lease.run(self.me, io) {
            io.output.clear();
        }
    }

    fn listen(&mut self, now: i64, device: FramePos) {
        let Some(listening) = &mut self.listening else { return };
        listening.callbacks += 1;
        listening.floor.push(origin(device, now, self.rate));
        let heard = now - listening.began;
        let known =
            (listening.callbacks >= FEW && heard >= LISTEN) || (listening.callbacks > 1 && heard >= AT_MOST);
        if !known {
            return;
        }
        let earliest = listening.floor.get();
        // When this block's frame is truly due, and which frame of the night that is.
        let due = earliest + due_after(device, self.rate);
        if let Some(fit) = self.from {
            let base = (fit.frame_at(due) - device.0 as f64).round() as i64;
            // What a host has counted itself stays exact.
            if !self.based || (base - self.base).abs() > self.rate.frames_of_ns(OFF).0 {
                self.base = base;
                self.tracker.laid(now, earliest);
            }
        }
        if self.lease.take(self.me) {
            (self.listening, self.based) = (None, true);
            self.tell(Reading { frame: device + Frames(self.base), ns: due }, due);
        }
    }

    fn watch(&mut self, now: i64, origin: i64, device: FramePos) {
        let Some(seen) = self.tracker.push(now, origin) else { return };
        if self.own_clock {
            // The device is later for good: the night has moved on by as much.
            let found = self.found + seen.late;
            self.base += self.rate.frames_of_ns(found).0 - self.rate.frames_of_ns(self.found).0;
            self.found = found;
        }
        let due = due_after(device, self.rate);
        let reading = Reading { frame: device + Frames(self.base), ns: seen.origin + due };
        self.tell(reading, seen.alone + due);
    }

    /// `alone`: the same by the last callbacks alone.
    fn tell(&mut self, reading: Reading, alone: i64) {
        let nominal = Fit::new(reading, self.rate);
        self.from = Some(Fit { at: reading, ..self.from.unwrap_or(nominal) });
        // Nobody reads: the next one is as good.
        let _full = self.readings.try_push(Sight { reading, alone });
    }
}

/// Nanoseconds from the device's frame 0 to this one.
fn due_after(device: FramePos, rate: SampleRate) -> i64 {
    (i128::from(device.0) * i128::from(SECOND) / i128::from(rate.hertz())) as i64
}
