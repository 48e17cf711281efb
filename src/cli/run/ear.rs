//! The thread that hears what left: it judges with the listener and writes the recording.

use super::night::Refusal;
use crate::click::set::Set;
use crate::listener::{Listener, Plan, Verdict, WavClips};
use crate::realtime::engine::Tap;
use crate::realtime::event::Event;
use crate::realtime::setup::EngineSetup;
use crate::realtime::stream::TapHeader;
use crate::units::{FramePos, Frames};
use crate::wav::{Encoding, Format, LiveWriter, Options, WavError};
use crossbeam_channel::{Receiver, Sender, bounded, unbounded};
use ringbuf::traits::{Consumer, Observer};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::{Duration, Instant};

const LOOK: Duration = Duration::from_millis(10);
/// A recording is synced this often: a kill loses no more.
const SYNC_EVERY: Duration = Duration::from_secs(1);

/// What was heard by the end.
pub struct Heard {
    pub verdict: Verdict,
    /// Pieces that found the tap full.
    pub dropped: u64,
    pub record: Option<PathBuf>,
}

pub struct Ear {
    events: Sender<Event>,
    sets: Sender<(u64, Arc<Set>)>,
    stop: Sender<()>,
    done: Receiver<Heard>,
}

impl Ear {
    /// Errors: the recording cannot be made, no thread to be had.
    pub fn spawn(
        setup: &EngineSetup,
        set: Arc<Set>,
        tap: Option<Tap>,
        record: Option<&Path>,
    ) -> Result<Ear, Refusal> {
        let (events, told) = unbounded();
        let (sets, loaded) = unbounded();
        let (stop, stopped) = bounded(1);
        let (done_in, done) = bounded(1);
        let channels = tap.as_ref().map_or(0, |tap| tap.outputs);
        let inputs = tap.as_ref().map_or(0, |tap| tap.inputs);
        let path = record.map(Path::to_path_buf);
        let record = record.map(|path| recording(path, setup, channels + inputs)).transpose()?;
        let listener = Listener::new(Listener::templates(&set), setup.rate, channels);
        let plan = Plan::new(set, setup, Box::new(WavClips::new(setup.rate.hertz())));
        let mut head = Head {
            listener,
            plan,
            tap,
            record,
            inputs,
            samples: Vec::new(),
            next: FramePos(0),
            dropped: 0,
            problem: None,
            path,
        };
        let body = move || {
            let mut synced = Instant::now();
            loop {
                let over = stopped.recv_timeout(LOOK).is_ok();
                loaded.try_iter().for_each(|(id, set)| head.load(id, set));
                told.try_iter().for_each(|event| head.plan.take(&event, &mut head.listener));
                head.hear();
                if synced.elapsed() >= SYNC_EVERY {
                    synced = Instant::now();
                    head.sync();
                }
                if over {
                    let _gone = done_in.send(head.finish());
                    return;
                }
            }
        };
        std::thread::Builder::new()
            .name("ear".into())
            .stack_size(1 << 20)
            .spawn(body)
            .map_err(|error| Refusal::world(format!("error: no thread for the listener: {error}")))?;
        Ok(Ear { events, sets, stop, done })
    }

    pub fn events(&self) -> Sender<Event> {
        self.events.clone()
    }

    pub fn sets(&self) -> Sender<(u64, Arc<Set>)> {
        self.sets.clone()
    }

    /// Hears the rest and judges it. A listener that does not come back within a minute has heard nothing.
    pub fn finish(self) -> Heard {
        let _gone = self.stop.send(());
        self.done.recv_timeout(Duration::from_secs(60)).unwrap_or_else(|_| Heard {
            verdict: Verdict::default(),
            dropped: 0,
            record: None,
        })
    }
}

fn recording(path: &Path, setup: &EngineSetup, channels: usize) -> Result<LiveWriter, Refusal> {
    let format = Format { rate: setup.rate, channels: channels.max(1) as u16, encoding: Encoding::Pcm24 };
    LiveWriter::create(path, format, &Options::default()).map_err(|error| {
        Refusal::world(format!("error: {}: {error}\n  to mend it: record to another place", path.display()))
    })
}

struct Head {
    listener: Listener,
    plan: Plan,
    tap: Option<Tap>,
    record: Option<LiveWriter>,
    inputs: usize,
    samples: Vec<f32>,
    /// End of what was heard.
    next: FramePos,
    dropped: u64,
    problem: Option<String>,
    path: Option<PathBuf>,
}

/// Frames that nobody asked for, as silence.
fn silence(record: &mut LiveWriter, mut frames: u64, channels: usize) -> Result<(), WavError> {
    let nothing = [0.0f32; 4096];
    while frames > 0 {
        let some = frames.min(nothing.len() as u64);
        record.write(&vec![&nothing[..some as usize]; channels])?;
        frames -= some;
    }
    Ok(())
}

impl Head {
    /// The set that the engine takes with command `id`.
    fn load(&mut self, id: u64, set: Arc<Set>) {
        let first = self.listener.add_sounds(Listener::templates(&set));
        self.plan.load(id, set, first);
    }

    fn hear(&mut self) {
        while let Some(header) = self.next_piece() {
            let frames = header.frames as usize;
            let channels: Vec<&[f32]> = self.samples.chunks_exact(frames.max(1)).collect();
            let outputs = channels.get(self.inputs..).unwrap_or(&[]);
            self.listener.hear(header.at, Frames(i64::from(header.lost)), outputs);
            if let Some(record) = &mut self.record {
                let gap = (header.at - self.next).0.max(0) as u64;
                // The recording's frames are the device's: what was lost is silence, outputs come first.
                let inputs = channels.get(..self.inputs).unwrap_or(&[]);
                let order: Vec<&[f32]> = outputs.iter().chain(inputs).copied().collect();
                if let Err(error) = silence(record, gap, order.len()).and_then(|()| record.write(&order)) {
                    self.problem.get_or_insert(error.to_string());
                }
            }
            self.next = header.at + Frames(frames as i64);
        }
    }

    /// The next header with its samples in `self.samples`, channel by channel.
    fn next_piece(&mut self) -> Option<TapHeader> {
        let tap = self.tap.as_mut()?;
        let header = *tap.headers.try_peek()?;
        let count = header.frames as usize * (tap.inputs + tap.outputs);
        if tap.samples.occupied_len() < count {
            return None;
        }
        self.samples.resize(count, 0.0);
        tap.samples.pop_slice(&mut self.samples);
        self.dropped += u64::from(header.dropped);
        tap.headers.try_pop()
    }

    fn sync(&mut self) {
        if let Some(record) = &mut self.record
            && let Err(error) = record.sync(true)
        {
            self.problem.get_or_insert(error.to_string());
        }
    }

    fn finish(mut self) -> Heard {
        self.hear();
        self.plan.finish(self.next, &mut self.listener);
        let record = self.record.take().and_then(|record| match record.finish(&[]) {
            Ok(_) => self.path.clone(),
            Err(error) => {
                self.problem.get_or_insert(error.to_string());
                None
            }
        });
        if let Some(problem) = &self.problem {
            eprintln!("error: the recording is not whole: {problem}");
        }
        Heard { verdict: self.listener.finish(), dropped: self.dropped, record }
    }
}
