//! The device that the night plays on, and the next one when it is gone.
//!
//! In: the stream's health, ten times a second. Out: a stream again, on the same engine, in the band's time. Threads:
//! opening and closing run on one that may be left behind; while there is no device, the engine is run by a stand-in,
//! so that keys, vamps and song ends go on. Always: one attempt at a time, never more often than [`EVERY`]; the
//! log hears of what changes, not of every attempt.

use super::metered::Metered;
use crate::device::{
    self, Health, HealthState, Negotiated, OpenSetup, Opened, Running, boot, virtual_interface,
};
use crate::realtime::io::Io;
use crate::show::model::{Host, InterfaceChoice, Rig};
use crate::survive::clock::{Fit, Sight};
use crate::survive::ground::{self, Begin, Lease, STAND_IN};
use crate::telemetry::LoadMeter;
use crate::units::{FramePos, Frames, SampleRate};
use crossbeam_channel::{Receiver, Sender, bounded};
use ringbuf::HeapCons;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering::Relaxed};
use std::time::{Duration, Instant};

/// Between two attempts: a device that is back is found within this and what opening takes.
const EVERY: Duration = Duration::from_millis(150);

/// A device that stopped calling without an error may come back by itself; after this it is opened anew.
const PATIENCE: Duration = Duration::from_secs(2);

/// The stand-in stays this far behind time, so that a device that comes back never finds its frames already made.
const BEHIND: Duration = Duration::from_millis(8);
const STEP: usize = 256;

/// How to open devices for this night.
#[derive(Clone)]
pub struct Plan {
    pub setup: OpenSetup,
    /// Its device, then its spare one; beside either its second interface.
    pub rig: Rig,
    pub lease: Arc<Lease>,
    pub load: Arc<LoadMeter>,
    /// Channels of the engine: for the stand-in.
    pub inputs: usize,
    pub outputs: usize,
    /// A machine that follows another by ear hears nothing without a device: then frames are lost instead.
    pub may_stand_in: bool,
}

/// What is worth telling, once each.
#[derive(Clone, Debug, PartialEq)]
pub enum Tale {
    /// No device: why.
    Gone(String),
    /// It called again by itself.
    Again {
        away: Duration,
    },
    /// A device plays again, by name; `spare`: not the one of the rig.
    Back {
        device: String,
        spare: bool,
        away: Duration,
    },
    /// Opening fails; told when the reason changes.
    CannotOpen(String),
    /// The device is there, at another rate: the set must be made again.
    OtherRate(u32),
    Finished,
}

struct New {
    running: Box<dyn Running>,
    readings: HeapCons<Sight>,
    negotiated: Negotiated,
    spare: bool,
}

enum Worked {
    Opened(Box<New>),
    Failed(String),
    OtherRate(u32),
}

pub struct Deck {
    plan: Plan,
    running: Option<Box<dyn Running>>,
    pub readings: HeapCons<Sight>,
    gone: Option<Instant>,
    told: Option<String>,
    worker: Option<Receiver<Worked>>,
    stop: Arc<AtomicBool>,
    stand_in: Option<Arc<AtomicBool>>,
    last: Option<Health>,
    /// Of streams that are over.
    before: (u64, u64, u64),
}

impl Deck {
    pub fn new(plan: Plan, running: Box<dyn Running>, readings: HeapCons<Sight>) -> Deck {
        Deck {
            plan,
            running: Some(running),
            readings,
            gone: None,
            told: None,
            worker: None,
            stop: Arc::default(),
            stand_in: None,
            last: None,
            before: (0, 0, 0),
        }
    }

    /// Since when there is no device.
    pub fn gone(&self) -> Option<Duration> {
        self.gone.map(|since| since.elapsed())
    }

    /// The stream's health, counts of former streams included.
    pub fn health(&mut self) -> Option<Health> {
        if let Some(running) = &mut self.running {
            let mut health = running.health();
            let (frames, xruns, lost) = self.before;
            health.frames += frames;
            health.xruns += xruns;
            health.lost += lost;
            self.last = Some(health);
        }
        self.last.clone()
    }

    /// Looks at the device and does what is to be done next; `fit` says where the night is. Never waits.
    pub fn look(&mut self, fit: Option<Fit>) -> Vec<Tale> {
        let mut tales = Vec::new();
        if self.worker.is_some() {
            self.hear_worker(&mut tales);
            return tales;
        }
        let Some(health) = self.health() else { return tales };
        match health.state {
            HealthState::Running => {
                if let Some(since) = self.gone.take() {
                    tales.push(Tale::Again { away: since.elapsed() });
                    // The stand-in goes by itself once the stream knows where it is.
                    (self.stand_in, self.told) = (None, None);
                }
            }
            HealthState::Finished => tales.push(Tale::Finished),
            HealthState::Stalled => {
                let why = "it has stopped calling, although no error came";
                let since = self.is_gone(why, fit, &mut tales);
                if since.elapsed() >= PATIENCE {
                    self.open_anew(fit);
                }
            }
            HealthState::Lost(why) => {
                self.is_gone(&why, fit, &mut tales);
                self.open_anew(fit);
            }
        }
        tales
    }

    fn is_gone(&mut self, why: &str, fit: Option<Fit>, tales: &mut Vec<Tale>) -> Instant {
        let fresh = self.gone.is_none();
        let since = *self.gone.get_or_insert_with(Instant::now);
        if fresh || self.told.as_deref() != Some(why) {
            self.told = Some(why.into());
            tales.push(Tale::Gone(why.into()));
        }
        if let Some(fit) = fit.filter(|_| self.stand_in.is_none() && self.plan.may_stand_in) {
            self.stand_in = stand_in(&self.plan, fit);
        }
        since
    }

    /// Without a fit nothing is known of the night's time: then it begins where the engine is.
    fn open_anew(&mut self, fit: Option<Fit>) {
        let (send, worked) = bounded(4);
        let (plan, old, stop) = (self.plan.clone(), self.running.take(), Arc::clone(&self.stop));
        if let Some(health) = &self.last {
            self.before = (health.frames, health.xruns, health.lost);
        }
        let begin = fit.map_or(Begin::Fresh, Begin::From);
        let body = move || {
            if let Some(old) = old {
                // A host that hangs is left behind after a second.
                old.stop();
            }
            try_again(&plan, begin, &send, &stop);
        };
        if std::thread::Builder::new().name("device".into()).spawn(body).is_ok() {
            self.worker = Some(worked);
        }
    }

    fn hear_worker(&mut self, tales: &mut Vec<Tale>) {
        let Some(worker) = &self.worker else { return };
        for worked in worker.try_iter().collect::<Vec<_>>() {
            match worked {
                Worked::Opened(new) => {
                    let away = self.gone.take().map_or(Duration::ZERO, |since| since.elapsed());
                    tales.push(Tale::Back { device: new.negotiated.device, spare: new.spare, away });
                    (self.running, self.readings) = (Some(new.running), new.readings);
                    (self.worker, self.told) = (None, None);
                    self.stand_in = None;
                }
                Worked::Failed(why) if self.told.as_ref() != Some(&why) => {
                    self.told = Some(why.clone());
                    tales.push(Tale::CannotOpen(why));
                }
                Worked::Failed(_) => {}
                Worked::OtherRate(rate) => tales.push(Tale::OtherRate(rate)),
            }
        }
    }

    /// The run is over.
    pub fn end(mut self) {
        self.stop.store(true, Relaxed);
        if let Some(stop) = self.stand_in.take() {
            stop.store(true, Relaxed);
        }
        if let Some(running) = self.running.take() {
            running.stop();
        }
    }
}

fn try_again(plan: &Plan, begin: Begin, worked: &Sender<Worked>, stop: &AtomicBool) {
    while !stop.load(Relaxed) {
        let mut failed = Vec::new();
        let choices = std::iter::once(&plan.rig.interface).chain(&plan.rig.spare);
        for (index, choice) in choices.enumerate() {
            if choice.host == Host::Jack && device::jack_is_attached() {
                failed.push("the JACK server hangs and does not let go; restart it".into());
                continue;
            }
            match open(plan, choice, index > 0, begin) {
                Ok(new) => {
                    // Nobody waits any more: the run is over.
                    let _over = worked.send(Worked::Opened(Box::new(new)));
                    return;
                }
                Err(why) => failed.push(why),
            }
            if let Some(rate) = other_rate(plan, choice) {
                let _over = worked.send(Worked::OtherRate(rate));
                return;
            }
        }
        if let Some(why) = failed.into_iter().next() {
            let _full = worked.try_send(Worked::Failed(why));
        }
        std::thread::sleep(EVERY);
    }
}

fn open(plan: &Plan, choice: &InterfaceChoice, spare: bool, begin: Begin) -> Result<New, String> {
    let setup = OpenSetup { device: choice.device.clone(), block: choice.block, ..plan.setup.clone() };
    let opened = paired(plan, choice, &setup).map_or_else(|| single(plan, choice, &setup), Ok)?;
    let negotiated = opened.negotiated().clone();
    let own_clock = negotiated.host != virtual_interface::HOST;
    let (ground, readings) = ground::ground(&plan.lease, negotiated.rate, begin, own_clock);
    let process = Box::new(Metered::new(ground, &plan.load, negotiated.rate));
    let running = opened.start(process).map_err(|error| error.what)?;
    Ok(New { running, readings, negotiated, spare })
}

/// With the rig's second interface beside it; its inputs may be gone, the click must not wait for them.
fn paired(plan: &Plan, choice: &InterfaceChoice, setup: &OpenSetup) -> Option<Box<dyn Opened>> {
    let second = plan.rig.second.as_ref()?;
    device::with_second(choice, second, &plan.rig.folder).ok()?.open(setup).ok()
}

fn single(plan: &Plan, choice: &InterfaceChoice, setup: &OpenSetup) -> Result<Box<dyn Opened>, String> {
    let mut interface = device::choose_in(choice, &plan.rig.folder).map_err(|error| error.what)?;
    interface.open(setup).map_err(|error| error.what)
}

/// The device is there and does not do the night's rate any more: one that it does.
fn other_rate(plan: &Plan, choice: &InterfaceChoice) -> Option<u32> {
    let interface = device::choose_in(choice, &plan.rig.folder).ok()?;
    let info = device::listed(interface.as_ref(), choice, device::Side::Out)?;
    let night = plan.setup.rate.hertz();
    // Of all that it can do, the nearest to what was.
    let nearest = info.rates.iter().copied().min_by_key(|rate| rate.abs_diff(night))?;
    (nearest != night && SampleRate::new(nearest).is_some()).then_some(nearest)
}

/// Runs the engine to nowhere, in the band's time, until a stream takes it.
fn stand_in(plan: &Plan, fit: Fit) -> Option<Arc<AtomicBool>> {
    let stop = Arc::new(AtomicBool::new(false));
    let (lease, theirs) = (Arc::clone(&plan.lease), Arc::clone(&stop));
    let mut io = Io::new(plan.inputs, plan.outputs, STEP);
    io.unheard = true;
    lease.stand_in();
    let slept = i64::from(plan.setup.rate.hertz());
    let body = move || {
        while !theirs.load(Relaxed) {
            let now = fit.frame_at(boot::now() - BEHIND.as_nanos() as i64) as i64;
            if !catch_up(&lease, &mut io, now, slept) {
                return;
            }
            std::thread::sleep(Duration::from_millis(4));
        }
    };
    std::thread::Builder::new().name("stand-in".into()).spawn(body).ok()?;
    Some(stop)
}

/// False: a stream has taken over. `slept`: so many frames behind, a second of them, are no delay.
fn catch_up(lease: &Lease, io: &mut Io, now: i64, slept: i64) -> bool {
    let Some(mut next) = lease.next() else { return true };
    // The computer slept: what went by is lost, not made.
    let far = Frames(now - next.0);
    io.lost = Frames(0);
    if far.0 > slept {
        (io.lost, next) = (far, FramePos(now));
    }
    while next.0 + STEP as i64 <= now {
        (io.at, io.frames) = (next, STEP);
        if !lease.run(STAND_IN, io) {
            return lease.owner() == STAND_IN;
        }
        io.lost = Frames(0);
        next = next + Frames(STEP as i64);
    }
    true
}
