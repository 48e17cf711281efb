//! The thread between the engine and everybody else: events out to screen, log, renderer and ear; retired
//! sets freed; the device's health looked at ten times a second.

use super::back::Told;
use super::deck::{Deck, Tale};
use super::result::Switch;
use super::telling::Telling;
use crate::click::set::Set;
use crate::device::Health;
use crate::device::second;
use crate::device::watch::Watchdog;
use crate::ready::ShowDevice;
use crate::ready::clock;
use crate::realtime::engine::Control;
use crate::realtime::event::{Event, Source, What};
use crate::renderer::Request;
use crate::show::model::Show;
use crate::survive::clock::Sight;
use crate::survive::keeper::Keeper;
use crate::survive::thrift::GivenUp;
use crate::telemetry::LoadMeter;
use crate::units::{FramePos, SampleRate};
use crate::view::conductor::EngineView;
use crate::view::model::EarsLine;
use crossbeam_channel::{Receiver, Sender, bounded};
use ringbuf::HeapCons;
use ringbuf::traits::Consumer;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

const LOOK: Duration = Duration::from_millis(4);
const HEALTH_EVERY: Duration = Duration::from_millis(100);
const LOAD_EVERY: Duration = Duration::from_secs(10);
/// The device's rate is judged from what it asked for between these moments.
const CLOCK_FROM: Duration = Duration::from_millis(500);
const CLOCK_UNTIL: Duration = Duration::from_millis(3500);

/// What the screen and a headless run look at.
#[derive(Clone, Debug)]
pub struct Board {
    pub view: EngineView,
    /// Frame of the last status, and when it was read.
    pub at: FramePos,
    pub read: Option<Instant>,
    pub health: Option<Health>,
    pub sources: Vec<Source>,
    pub switches: Vec<Switch>,
    pub xruns: u64,
    /// Songs that have ended by themselves since the start.
    pub songs_ended: u64,
    /// The device is gone and given up: why.
    pub lost: Option<String>,
    /// There is no device since so long, and why.
    pub away: Option<Duration>,
    pub why: Option<String>,
    /// The device runs at another rate: the set is to be made again.
    pub other_rate: Option<u32>,
    /// What is given up because the computer is slow.
    pub given_up: GivenUp,
    pub finished: bool,
    /// The last set that the engine took.
    pub loaded: u64,
    /// How loud it is in the ears, in a sentence.
    pub ears: Option<EarsLine>,
}

/// The board, shared.
#[derive(Clone, Debug)]
pub struct Shared(Arc<Mutex<Board>>);

impl Shared {
    pub fn new(clicks: usize) -> Shared {
        let view = EngineView {
            muted: vec![false; clicks],
            fallback: vec![false; clicks],
            streamed: vec![false; clicks],
            ..EngineView::default()
        };
        Shared(Arc::new(Mutex::new(Board {
            view,
            at: FramePos(0),
            read: None,
            health: None,
            sources: vec![Source::Own; clicks],
            switches: Vec::new(),
            xruns: 0,
            songs_ended: 0,
            lost: None,
            away: None,
            why: None,
            other_rate: None,
            given_up: GivenUp::Nothing,
            finished: false,
            loaded: 0,
            ears: None,
        })))
    }

    /// A panic elsewhere leaves the board readable.
    pub fn lock(&self) -> MutexGuard<'_, Board> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// What the desk works with.
pub struct Parts {
    pub events: HeapCons<Event>,
    pub retired: HeapCons<Arc<Set>>,
    pub deck: Deck,
    pub give_up_after: Option<Duration>,
    pub requests: Sender<Request>,
    pub to_ear: Sender<Event>,
    pub telling: Telling,
    /// A show that was read again.
    pub shows: Receiver<(Show, Arc<Set>)>,
    pub shared: Shared,
    pub clicks: Vec<String>,
    pub songs: Vec<String>,
    pub rate: SampleRate,
    pub device: ShowDevice,
    pub load: Arc<LoadMeter>,
    pub keeper: Keeper,
    /// A night that is gone on with: told once its place is known.
    pub back: Option<Told>,
}

/// The running desk.
pub struct Desk {
    stop: Sender<()>,
    done: Receiver<(Deck, Telling)>,
}

/// Splits what the desk needs off the control side.
pub fn take_events(control: &mut Control) -> (HeapCons<Event>, HeapCons<Arc<Set>>) {
    use ringbuf::{HeapRb, traits::Split};
    let events = std::mem::replace(&mut control.events, HeapRb::new(1).split().1);
    let retired = std::mem::replace(&mut control.retired, HeapRb::new(1).split().1);
    (events, retired)
}

impl Desk {
    /// Errors: no thread to be had.
    pub fn spawn(parts: Parts) -> std::io::Result<Desk> {
        let (stop, stopped) = bounded(1);
        let (done_in, done) = bounded(1);
        std::thread::Builder::new().name("desk".into()).stack_size(512 * 1024).spawn(move || {
            let _gone = done_in.send(work(parts, &stopped));
        })?;
        Ok(Desk { stop, done })
    }

    /// Takes the last events in and hands the stream back. `None`: the desk has died or hangs.
    pub fn finish(self) -> Option<(Deck, Telling)> {
        let _gone = self.stop.send(());
        self.done.recv_timeout(Duration::from_secs(3)).ok()
    }
}

fn work(mut parts: Parts, stopped: &Receiver<()>) -> (Deck, Telling) {
    let mut watchdog = (Watchdog::default(), second::Watch::default());
    let mut looked: Option<Instant> = None;
    let mut clock = ClockWatch::new();
    let mut load_told = Instant::now();
    loop {
        let over = stopped.recv_timeout(LOOK).is_ok();
        parts.drain();
        if looked.is_none_or(|at| at.elapsed() >= HEALTH_EVERY) {
            looked = Some(Instant::now());
            parts.look(&mut watchdog);
        }
        clock.read(&mut parts);
        if load_told.elapsed() >= LOAD_EVERY || over {
            load_told = Instant::now();
            parts.telling.load(parts.load.summary());
        }
        if over {
            parts.look(&mut watchdog);
            return (parts.deck, parts.telling);
        }
    }
}

/// The device's rate against this computer's clock, once at the start of a run.
struct ClockWatch {
    began: Instant,
    readings: Vec<clock::Reading>,
    over: bool,
}

impl ClockWatch {
    fn new() -> ClockWatch {
        ClockWatch { began: Instant::now(), readings: Vec::new(), over: false }
    }

    fn read(&mut self, parts: &mut Parts) {
        let gone = self.began.elapsed();
        if self.over || gone < CLOCK_FROM {
            return;
        }
        let Some(frames) = parts.deck.health().map(|health| health.frames) else { return };
        self.readings.push(clock::Reading { frames, seconds: self.began.elapsed().as_secs_f64() });
        if gone >= CLOCK_UNTIL {
            self.over = true;
            let item = clock::item(Some(&parts.device), &Ok(std::mem::take(&mut self.readings)));
            parts.telling.notes().item(&item);
        }
    }
}

impl Parts {
    fn drain(&mut self) {
        while self.retired.try_pop().is_some() {}
        while let Ok((show, set)) = self.shows.try_recv() {
            self.songs = show.songs.iter().map(|song| song.title.clone()).collect();
            self.keeper.loaded(&show.digest, self.songs.clone());
            self.telling.load_set(set);
        }
        let events: Vec<Event> = self.events.pop_iter().collect();
        let readings: Vec<Sight> = self.deck.readings.pop_iter().collect();
        self.keeper.told(&events, &readings);
        if let Some(first) = readings.first()
            && let Some(back) = self.back.take()
        {
            back.tell(&first.reading, self.telling.notes());
        }
        for event in events {
            // An ear that is gone judges no more; the show goes on.
            let _gone = self.to_ear.send(event);
            self.ask_renderer(&event);
            self.telling.take(&event);
            self.note(&event);
        }
    }

    fn ask_renderer(&self, event: &Event) {
        let request = match event.what {
            What::StreamWanted { click, song, leg, generation, anchor_at, .. } => {
                Request::Play { click, song, leg, generation, anchor_at, from: event.at }
            }
            What::StreamEnd { click } => Request::Stop { click },
            _ => return,
        };
        // A dead renderer is what the fallback is for.
        let _gone = self.requests.send(request);
    }

    fn note(&self, event: &Event) {
        let mut board = self.shared.lock();
        match event.what {
            What::Status(status) => {
                board.view.status = status;
                board.at = event.at;
                board.read = Some(Instant::now());
            }
            What::Placed { stretch, .. } => (board.view.stretch, board.view.held_leg) = (Some(stretch), None),
            What::Holding { leg, .. } => board.view.held_leg = Some(leg),
            What::Stopped { ended, .. } => {
                (board.view.stretch, board.view.held_leg) = (None, None);
                board.songs_ended += u64::from(ended);
            }
            What::Muted { click, muted } => {
                if let Some(slot) = board.view.muted.get_mut(usize::from(click)) {
                    *slot = muted;
                }
            }
            What::Switched { click, source, cause, song, bar, beat } => {
                let index = usize::from(click);
                if let Some(slot) = board.sources.get_mut(index) {
                    *slot = source;
                }
                if let Some(slot) = board.view.fallback.get_mut(index) {
                    *slot = source == Source::Fallback;
                }
                if let Some(slot) = board.view.streamed.get_mut(index) {
                    *slot = source != Source::Own;
                }
                board.switches.push(Switch {
                    seconds: self.rate.seconds(event.at - FramePos(0)),
                    click: self.clicks.get(index).cloned().unwrap_or_default(),
                    source,
                    cause,
                    song: self.songs.get(usize::from(song)).cloned().unwrap_or_default(),
                    bar,
                    beat,
                });
            }
            What::Peer(now) => board.view.peer = Some(now),
            What::Xrun { .. } => board.xruns += 1,
            What::Done { id } => board.loaded = board.loaded.max(id),
            _ => {}
        }
    }

    fn look(&mut self, (watchdog, second): &mut (Watchdog, second::Watch)) {
        self.telling.look_at_disk();
        let given_up = GivenUp::of(self.load.given_up());
        if self.telling.gives_up(given_up) {
            self.shared.lock().given_up = given_up;
        }
        for tale in self.deck.look(self.keeper.fit()) {
            self.hear(&tale);
        }
        let gone = self.deck.gone();
        self.shared.lock().away = gone;
        if let (Some(gone), Some(limit)) = (gone, self.give_up_after)
            && gone >= limit
        {
            let mut board = self.shared.lock();
            board.lost = board.why.clone().or(Some("it is gone".into()));
        }
        let Some(health) = self.deck.health() else { return };
        if let Some(policy) = &health.priority {
            self.telling.priority(policy);
        }
        for change in watchdog.look(&health) {
            self.telling.device(&change);
        }
        if let Some(told) = health.second.as_ref().and_then(|health| second.look(health)) {
            self.telling.second(&told);
        }
        self.shared.lock().health = Some(health);
    }

    /// What happened to the device: said once, with what to do.
    fn hear(&mut self, tale: &Tale) {
        self.telling.tale(tale);
        let mut board = self.shared.lock();
        match tale {
            Tale::Gone(why) | Tale::CannotOpen(why) => board.why = Some(why.clone()),
            Tale::Again { .. } | Tale::Back { .. } => board.why = None,
            Tale::OtherRate(rate) => board.other_rate = Some(*rate),
            Tale::Finished => board.finished = true,
        }
    }
}
