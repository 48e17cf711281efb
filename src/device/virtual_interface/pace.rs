//! The thread that drives a virtual interface: in real time, or as fast as it can.

use super::Capture;
use super::simulation::{Cycle, Simulation};
use crate::device::boot;
use crate::device::pulse::Pulse;
use crate::device::{DeviceError, Health, HealthState, Running, priority};
use crate::realtime::io::Process;
use crate::units::{FramePos, Frames, SampleRate};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU8, Ordering::Relaxed};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

/// How fast a virtual interface's time passes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Pace {
    /// As on a device: blocks are asked for at absolute times. When the computer sleeps through more
    /// than [`CATCH_UP`], no frames are lost: the interface runs behind, and its health says by how much.
    RealTime,
    /// As fast as it can, then [`HealthState::Finished`].
    Free { frames: u64 },
}

/// Up to this much the real-time pace catches up with short pauses; more is given up.
pub const CATCH_UP: Duration = Duration::from_millis(100);

/// Longest sleep without a look at whether to stop.
const NAP: Duration = Duration::from_millis(20);

pub(super) struct Drive {
    pub simulation: Simulation,
    pub process: Box<dyn Process>,
    pub capture: Option<Capture>,
    pub rate: SampleRate,
    pub block: u32,
    pub drift_ppm: f64,
    /// Share of a block by which a callback may come late.
    pub jitter: f64,
    pub late_is_lost: bool,
}

#[derive(Debug, Default)]
struct Shared {
    pulse: Pulse,
    stop: AtomicBool,
    state: AtomicU8,
}

const RUNNING: u8 = 0;
const STALLED: u8 = 1;
const GONE: u8 = 2;
const FINISHED: u8 = 3;

struct RunningVirtual {
    shared: Arc<Shared>,
    thread: Option<JoinHandle<Box<dyn Process>>>,
}

pub(super) fn start(drive: Drive, pace: Pace) -> Result<impl Running, DeviceError> {
    let shared = Arc::new(Shared::default());
    let theirs = Arc::clone(&shared);
    let body = move || match pace {
        Pace::RealTime => drive.real_time(&theirs),
        Pace::Free { frames } => drive.free(&theirs, frames),
    };
    let thread = std::thread::Builder::new().name("fogbell-audio".into()).spawn(body).map_err(|fault| {
        let what = format!("the virtual interface's thread did not start: {fault}");
        DeviceError::new(what, "close other programs and try again")
    })?;
    Ok(RunningVirtual { shared, thread: Some(thread) })
}

impl Running for RunningVirtual {
    fn health(&mut self) -> Health {
        let state = match self.shared.state.load(Relaxed) {
            RUNNING => HealthState::Running,
            STALLED => HealthState::Stalled,
            GONE => HealthState::Lost("the virtual interface was pulled, as its world is written".into()),
            _ => HealthState::Finished,
        };
        let died = self.thread.as_ref().is_some_and(JoinHandle::is_finished);
        let state = match state {
            HealthState::Running if died => HealthState::Lost("its thread ended by a bug".into()),
            state => state,
        };
        self.shared.pulse.health(state)
    }

    fn stop(mut self: Box<Self>) {
        self.shared.stop.store(true, Relaxed);
        // The process comes back with the thread and is dropped here.
        let _ = self.thread.take().map(JoinHandle::join);
    }
}

impl Drop for RunningVirtual {
    fn drop(&mut self) {
        self.shared.stop.store(true, Relaxed);
    }
}

impl Drive {
    fn free(mut self, shared: &Shared, frames: u64) -> Box<dyn Process> {
        priority::note_this_thread(&shared.pulse);
        let end = FramePos(i64::try_from(frames).unwrap_or(i64::MAX));
        while self.simulation.next() < end && !shared.stop.load(Relaxed) {
            let left = (end - self.simulation.next()).0;
            match self.cycle(shared, usize::try_from(left).unwrap_or(usize::MAX)) {
                Cycle::Ran(_) | Cycle::Late(_) | Cycle::Repeated(_) => {}
                Cycle::Paused { frames: Some(frames), .. } => {
                    shared.pulse.lost(frames.0.unsigned_abs());
                    self.simulation.lose(frames);
                }
                Cycle::Paused { gone, frames: None } => {
                    shared.state.store(if gone { GONE } else { STALLED }, Relaxed);
                    return self.process;
                }
            }
        }
        shared.state.store(FINISHED, Relaxed);
        self.process
    }

    fn real_time(mut self, shared: &Shared) -> Box<dyn Process> {
        priority::promote_this_thread(&shared.pulse, self.block, self.rate.hertz());
        let mut clock = Clock::new(self.rate, self.drift_ppm, self.late_is_lost);
        self.simulation.begins(clock.origin_ns);
        let block = f64::from(self.block) / f64::from(self.rate.hertz());
        let mut random = fastrand::Rng::with_seed(1);
        while !shared.stop.load(Relaxed) {
            let lost = clock.wait(self.simulation.next(), shared);
            if lost.0 > 0 {
                shared.pulse.xrun();
                shared.pulse.lost(lost.0.unsigned_abs());
                self.simulation.lose(lost);
            }
            self.simulation.begins(clock.origin_ns);
            if self.jitter > 0.0 {
                std::thread::sleep(Duration::from_secs_f64(self.jitter * block * random.f64()));
            }
            match self.cycle(shared, usize::MAX) {
                Cycle::Ran(_) | Cycle::Late(_) | Cycle::Repeated(_) => {}
                Cycle::Paused { gone, frames } => {
                    shared.state.store(if gone { GONE } else { STALLED }, Relaxed);
                    let Some(frames) = frames else {
                        wait_for_stop(shared);
                        break;
                    };
                    shared.pulse.lost(frames.0.unsigned_abs());
                    self.simulation.lose(frames);
                    clock.wait(self.simulation.next(), shared);
                    shared.state.store(RUNNING, Relaxed);
                }
            }
        }
        self.process
    }

    fn cycle(&mut self, shared: &Shared, at_most: usize) -> Cycle {
        let frames = self.simulation.next_size().min(at_most);
        let cycle = self.simulation.cycle(frames, &mut *self.process, &mut |_| {});
        match cycle {
            Cycle::Ran(frames) => {
                shared.pulse.beat(frames as u64);
                shared.state.store(RUNNING, Relaxed);
                self.take_down();
            }
            Cycle::Repeated(frames) => {
                shared.state.store(STALLED, Relaxed);
                shared.pulse.lost(frames as u64);
                self.take_down();
            }
            Cycle::Late(frames) => {
                shared.pulse.xrun();
                shared.pulse.lost(frames.0.unsigned_abs());
                self.simulation.lose(frames);
            }
            Cycle::Paused { .. } => {}
        }
        if let Some(trouble) = self.simulation.trouble() {
            shared.pulse.input_slips(trouble.slips);
            shared.pulse.input_refused(trouble.refused);
        }
        cycle
    }

    fn take_down(&self) {
        if let Some(capture) = &self.capture {
            capture.block(self.simulation.io());
        }
    }
}

fn wait_for_stop(shared: &Shared) {
    while !shared.stop.load(Relaxed) {
        std::thread::sleep(NAP);
    }
}

/// One moment by both clocks, as close together as a busy computer lets them be.
fn both_clocks() -> (Instant, i64) {
    let pair = || {
        let before = Instant::now();
        let ns = boot::now();
        (before.elapsed(), before, ns)
    };
    let closest = (0..16).map(|_| pair()).min_by_key(|(apart, ..)| *apart);
    closest.map_or_else(|| (Instant::now(), boot::now()), |(_, at, ns)| (at, ns))
}

/// Absolute times of frames; drift makes them come sooner or later than the rate says.
struct Clock {
    origin: Instant,
    /// The same moment by the boot-time clock.
    origin_ns: i64,
    frames_a_second: f64,
    late_is_lost: bool,
}

impl Clock {
    fn new(rate: SampleRate, drift_ppm: f64, late_is_lost: bool) -> Clock {
        let frames_a_second = f64::from(rate.hertz()) * (1.0 + drift_ppm * 1e-6);
        let (origin, origin_ns) = both_clocks();
        Clock { origin, origin_ns, frames_a_second, late_is_lost }
    }

    /// Sleeps until a frame is due, or until it is time to stop.
    /// Gives the frames that were lost by being late.
    fn wait(&mut self, frame: FramePos, shared: &Shared) -> Frames {
        let due = self.origin + Duration::from_secs_f64(frame.0.max(0) as f64 / self.frames_a_second);
        while !shared.stop.load(Relaxed) {
            let now = Instant::now();
            if now >= due {
                return self.forgive(now - due, shared);
            }
            std::thread::sleep((due - now).min(NAP));
        }
        Frames(0)
    }

    fn forgive(&mut self, late: Duration, shared: &Shared) -> Frames {
        if late > CATCH_UP && self.late_is_lost {
            return Frames((late.as_secs_f64() * self.frames_a_second) as i64);
        }
        if late > CATCH_UP {
            self.origin += late;
            self.origin_ns += i64::try_from(late.as_nanos()).unwrap_or(0);
            let behind = Frames((late.as_secs_f64() * self.frames_a_second).round() as i64);
            shared.pulse.behind(behind.0.unsigned_abs());
        }
        Frames(0)
    }
}
