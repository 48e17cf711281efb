//! The thread that hears what left: it judges with the listener and writes the recording.

use super::desk::Shared;
use super::night::Refusal;
use super::telling::Notes;
use crate::click::set::Set;
use crate::exposure::{CAUTION, Ears, Figures, foremost, words};
use crate::listener::{Listener, Plan, Verdict, WavClips};
use crate::log::{Entry, Recorder};
use crate::realtime::engine::Tap;
use crate::realtime::event::Event;
use crate::realtime::setup::EngineSetup;
use crate::units::FramePos;
use crate::view::model::EarsLine;
use crate::wav::{Encoding, Format, LiveWriter, Options};
use crossbeam_channel::{Receiver, Sender, bounded, unbounded};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::{Duration, Instant};

const LOOK: Duration = Duration::from_millis(10);
/// A recording is synced this often: a kill loses no more.
const SYNC_EVERY: Duration = Duration::from_secs(1);

/// The log learns how loud it was this often, in seconds.
const TELL_EVERY: f64 = 60.0;

/// Judgement stays this far behind hearing.
const PATIENCE_SECONDS: f64 = 10.0;

/// What was heard by the end.
pub struct Heard {
    pub verdict: Verdict,
    /// Pieces that found the tap full.
    pub dropped: u64,
    pub record: Option<PathBuf>,
    /// How loud it was in the ears.
    pub figures: Vec<Figures>,
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
        ears: Ears,
        (shared, notes): (Shared, Notes),
    ) -> Result<Ear, Refusal> {
        let (events, told) = unbounded();
        let (sets, loaded) = unbounded();
        let (stop, stopped) = bounded(1);
        let (done_in, done) = bounded(1);
        let channels = tap.as_ref().map_or(0, |tap| tap.outputs);
        let inputs = tap.as_ref().map_or(0, |tap| tap.inputs);
        let path = record.map(Path::to_path_buf);
        let record = record.map(|path| recording(path, setup, channels + inputs)).transpose()?;
        let mut listener = Listener::new(Listener::templates(&set), setup.rate, channels);
        // A busy computer may bring the engine's account long after the sound.
        listener.set_patience(setup.rate.frames(PATIENCE_SECONDS));
        listener.told(FramePos(i64::MIN));
        let plan = Plan::new(set, setup, Box::new(WavClips::new(setup.rate.hertz())));
        let recorder =
            tap.map(|tap| Recorder::new(tap.headers, tap.samples, tap.inputs, tap.outputs, record));
        let loud = Loud { ears, shared, notes, shown: 0.0, told: 0.0 };
        let mut head = Head { listener, plan, recorder, path, loud, failed: None };
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
            figures: Vec::new(),
        })
    }
}

fn recording(path: &Path, setup: &EngineSetup, channels: usize) -> Result<LiveWriter, Refusal> {
    let format = Format { rate: setup.rate, channels: channels.max(1) as u16, encoding: Encoding::Pcm24 };
    LiveWriter::create(path, format, &Options::default()).map_err(|error| {
        Refusal::world(format!("error: {}: {error}\n  to mend it: record to another place", path.display()))
    })
}

/// How loud it is in the ears, told each second on the screen and each minute in the log.
struct Loud {
    ears: Ears,
    shared: Shared,
    notes: Notes,
    /// Seconds of the ears' own time.
    shown: f64,
    told: f64,
}

impl Loud {
    fn look(&mut self) {
        let seconds = self.ears.seconds();
        if seconds - self.shown >= 1.0 {
            self.shown = seconds;
            let figures = self.ears.figures();
            self.shared.lock().ears = foremost(&figures)
                .map(|figures| EarsLine { long: words::short(figures), small: words::small(figures) });
        }
        if seconds - self.told >= TELL_EVERY {
            self.told = seconds;
            self.tell(false);
        }
    }

    fn tell(&self, ended: bool) -> Vec<Figures> {
        let figures = self.ears.figures();
        let entry = Entry::Exposure { ended, figures: figures.clone(), caution: CAUTION.into() };
        self.notes.entry(entry);
        figures
    }

    fn finish(&self) -> Vec<Figures> {
        self.tell(true)
    }
}

struct Head {
    listener: Listener,
    plan: Plan,
    recorder: Option<Recorder<LiveWriter>>,
    path: Option<PathBuf>,
    loud: Loud,
    failed: Option<String>,
}

impl Head {
    /// The set that the engine takes with command `id`.
    fn load(&mut self, id: u64, set: Arc<Set>) {
        let first = self.listener.add_sounds(Listener::templates(&set));
        self.plan.load(id, set, first);
    }

    fn hear(&mut self) {
        if let Some(recorder) = &mut self.recorder {
            let ears = &mut self.loud.ears;
            recorder.take_with(Some(&mut self.listener), &mut |lost, inputs, outputs| {
                ears.hear(lost, inputs, outputs);
            });
        }
        self.loud.look();
    }

    fn sync(&mut self) {
        let sink = self.recorder.as_mut().and_then(Recorder::sink_mut);
        if let Some(Err(why)) = sink.map(|sink| sink.sync(true)) {
            self.failed.get_or_insert(why.to_string());
        }
    }

    fn finish(mut self) -> Heard {
        self.hear();
        let (sink, taken) = self.recorder.take().map(Recorder::into_sink).unwrap_or_default();
        self.plan.finish(taken.end, &mut self.listener);
        let finished = sink.map(|sink| sink.finish(&[]));
        let failed = self.failed.or(taken.failed);
        let record = match (finished, failed) {
            (Some(Ok(_)), None) => self.path,
            (None, None) => None,
            (Some(Err(why)), None) => {
                super::complain(&format!("error: the recording is not whole: {why}"));
                None
            }
            (_, Some(why)) => {
                super::complain(&format!("error: the recording is not whole: {why}"));
                None
            }
        };
        let figures = self.loud.finish();
        Heard { verdict: self.listener.finish(), dropped: taken.dropped_blocks, record, figures }
    }
}
