//! Keeps the record true: what is asked for is written down before it is sent, what the engine tells afterwards.

use super::clock::{Fit, Fitting, Sight};
use super::record::{Asked, Deed, Night, Record, Tonight};
use super::store::Store;
use crate::click::set::Stretch;
use crate::device::boot;
use crate::realtime::command::{Command, When};
use crate::realtime::event::{Event, RunState, What, Why};
use crate::units::{FramePos, Frames, SampleRate};
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

/// A command waits so long for the disk, and no longer: then it goes unrecorded, and that is counted.
const PATIENCE: Duration = Duration::from_millis(20);

/// A command takes effect no sooner than this after it was written down.
const AHEAD_SECONDS: f64 = 0.010;

/// More than this waits for a frame: the engine takes no more either.
const MOST_ASKED: usize = 64;

/// The record is made safe from a power cut this often.
const SYNC_EVERY: Duration = Duration::from_secs(2);

/// The record in the making. Pure: no clock, no file.
#[derive(Clone, Debug)]
pub struct Draft {
    record: Record,
    fitting: Fitting,
    titles: Vec<String>,
    /// A placing that a command made: it holds once its command is answered, so that none counts twice.
    staged: Option<Event>,
}

impl Draft {
    pub fn new(record: Record, rate: SampleRate, titles: Vec<String>) -> Draft {
        let record = Record { rate: rate.hertz(), ..record };
        let fitting = Fitting::going_on(rate, record.clock);
        Draft { record, fitting, titles, staged: None }
    }

    pub fn fit(&self) -> Option<Fit> {
        self.fitting.fit()
    }

    pub fn record(&self) -> &Record {
        &self.record
    }

    pub fn reading(&mut self, reading: impl Into<Sight>) {
        self.fitting.push(reading);
        self.record.clock = self.fitting.fit();
    }

    /// The show was read again.
    pub fn loaded(&mut self, digest: &str, titles: Vec<String>) {
        self.record.digest = digest.into();
        self.titles = titles;
    }

    /// A command is about to be sent.
    pub fn asked(&mut self, id: u64, when: When, deed: Deed) {
        if matches!(deed, Deed::GoTo { .. }) {
            // The last jump that was asked for holds.
            self.record.asked.retain(|asked| !matches!(asked.deed, Deed::GoTo { .. }));
        }
        if self.record.asked.len() >= MOST_ASKED {
            self.record.asked.remove(0);
        }
        self.record.asked.push(Asked { id, when, deed });
    }

    /// One event, in order.
    pub fn event(&mut self, event: &Event) {
        let night = &mut self.record.night;
        match event.what {
            What::Placed { why: Why::Follows | Why::Vamp, .. } => {
                self.settle();
                self.placed(event);
            }
            What::Placed { .. } | What::Holding { .. } | What::Stopped { .. } => {
                self.settle();
                let own = matches!(event.what, What::Stopped { ended: true, .. } | What::Holding { .. });
                if own { self.placed(event) } else { self.staged = Some(*event) }
            }
            What::Done { id } => self.answered(id, true),
            What::Refused { id } => self.answered(id, false),
            What::AllOut(on) => night.all_out = on,
            What::ClickOut(on) => night.click_out = on,
            What::Muted { click, muted } => night.mutes = with(night.mutes, usize::from(click), muted),
            What::Peer(now) => self.record.leads = now.leads,
            What::Status(status) => {
                self.settle();
                let night = &mut self.record.night;
                (night.chosen, night.released) = (status.next_song, status.released);
            }
            _ => {}
        }
    }

    /// What a command placed holds from now on.
    fn settle(&mut self) {
        if let Some(event) = self.staged.take() {
            self.placed(&event);
        }
    }

    fn placed(&mut self, event: &Event) {
        let night = &mut self.record.night;
        match event.what {
            What::Placed { song, leg, called, pass, anchor_at, stretch, why, undo, .. } => {
                let begins = night.run == RunState::Stopped || night.song != song;
                // A jump leaves what was chosen, and its tempo, for the next start.
                if begins && matches!(why, Why::Start | Why::OneIsNow | Why::Follows) {
                    night.chosen_stretch = Stretch::ONE;
                }
                night.run = RunState::Playing;
                (night.song, night.leg, night.called, night.pass) = (song, leg, called, pass);
                (night.anchor, night.stretch, night.since, night.undo) =
                    (anchor_at.0, stretch, event.at, undo);
                night.released &=
                    matches!(why, Why::Vamp | Why::Nudge | Why::Tempo | Why::Beats | Why::OneIsNow);
                night.title = self.titles.get(usize::from(song)).cloned().unwrap_or_default();
            }
            What::Holding { song, leg } => {
                night.run = RunState::Holding;
                (night.song, night.leg, night.called, night.pass, night.since, night.undo) =
                    (song, leg, false, 0, event.at, None);
            }
            What::Stopped { .. } => {
                (night.run, night.since, night.undo) = (RunState::Stopped, event.at, None);
            }
            _ => {}
        }
    }

    fn answered(&mut self, id: u64, done: bool) {
        let found = self.record.asked.iter().position(|asked| asked.id == id);
        if let Some(index) = found {
            let Asked { deed, .. } = self.record.asked.remove(index);
            if done {
                self.carried_out(deed);
            }
        }
        self.settle();
    }

    /// What no event of its own tells.
    fn carried_out(&mut self, deed: Deed) {
        let night = &mut self.record.night;
        match deed {
            Deed::Choose { song } => (night.chosen, night.chosen_stretch) = (song as u16, Stretch::ONE),
            // A song without a click is over as it starts.
            Deed::Start if night.run == RunState::Stopped => night.chosen_stretch = Stretch::ONE,
            Deed::Release => night.released = true,
            Deed::UseFallback { click, on } => night.by_hand = with(night.by_hand, click, on),
            Deed::Tempo { stretch } => match night.run {
                RunState::Stopped => night.chosen_stretch = stretch,
                RunState::Holding => night.stretch = stretch,
                RunState::Playing => {}
            },
            _ => {}
        }
    }
}

fn with(bits: u16, click: usize, on: bool) -> u16 {
    let bit = 1u16.checked_shl(click as u32).unwrap_or(0);
    if on { bits | bit } else { bits & !bit }
}

/// From when a command of this moment holds: a frame that is written down with it.
pub fn not_before(when: When, now: FramePos, ahead: Frames, rate: SampleRate) -> When {
    let from = now + ahead + rate.frames(AHEAD_SECONDS);
    match when {
        When::Now => When::Frame(from),
        When::NextBeat => When::BeatFrom(from),
        When::BarEnd => When::BarFrom(from),
        When::Frame(frame) => When::Frame(frame.max(from)),
        when => when,
    }
}

struct Desk {
    draft: Draft,
    wanted: u64,
    written: u64,
    over: bool,
    /// Why the last writing failed.
    failed: Option<String>,
}

struct Shared {
    desk: Mutex<Desk>,
    wake: Condvar,
    done: Condvar,
}

impl Shared {
    fn lock(&self) -> MutexGuard<'_, Desk> {
        self.desk.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// The way to the record, for the threads that ask and the one that is told. Clones share one record.
#[derive(Clone)]
pub struct Keeper {
    shared: Arc<Shared>,
    rate: SampleRate,
    /// There is a file.
    kept: bool,
    /// From a command's sending to the first frame that it can change: a block, and what is decided ahead.
    ahead: Frames,
}

impl Keeper {
    /// Starts the thread that writes. Without a `store` the record is kept in memory only (for a device that goes and
    /// comes back). Errors: no thread to be had.
    pub fn spawn(
        draft: Draft,
        store: Option<Store>,
        rate: SampleRate,
        ahead: Frames,
    ) -> std::io::Result<Keeper> {
        let desk = Desk { draft, wanted: 0, written: 0, over: false, failed: None };
        let shared = Arc::new(Shared { desk: Mutex::new(desk), wake: Condvar::new(), done: Condvar::new() });
        let kept = store.is_some();
        if let Some(store) = store {
            let theirs = Arc::clone(&shared);
            std::thread::Builder::new()
                .name("position".into())
                .stack_size(256 * 1024)
                .spawn(move || write(&theirs, store))?;
        } else {
            shared.lock().over = true;
        }
        Ok(Keeper { shared, rate, kept, ahead })
    }

    /// Writes a command down, waits for the disk a moment, and says when it is to take effect. False: it is not
    /// written down.
    pub fn ask(&self, id: u64, when: When, command: &Command) -> (When, bool) {
        let Some(deed) = Deed::of(command) else { return (when, true) };
        let mut desk = self.shared.lock();
        let fit = desk.draft.fit();
        let when = match fit {
            Some(fit) if !deed.is_gain() => {
                let now = FramePos(fit.frame_at(boot::now()).ceil() as i64);
                not_before(when, now, self.ahead, self.rate)
            }
            _ => when,
        };
        desk.draft.asked(id, when, deed);
        desk.wanted += 1;
        let ticket = desk.wanted;
        if desk.over {
            return (when, !self.kept);
        }
        self.shared.wake.notify_one();
        let end = Instant::now() + PATIENCE;
        while desk.written < ticket && !desk.over {
            let left = end.saturating_duration_since(Instant::now());
            if left.is_zero() {
                return (when, false);
            }
            desk = self.shared.done.wait_timeout(desk, left).unwrap_or_else(PoisonError::into_inner).0;
        }
        let written = desk.failed.is_none();
        (when, written)
    }

    /// Takes in what the engine told, all at once; nothing is waited for.
    pub fn told(&self, events: &[Event], readings: &[Sight]) {
        if events.is_empty() && readings.is_empty() {
            return;
        }
        let mut desk = self.shared.lock();
        let before = desk.draft.record().clone();
        events.iter().for_each(|event| desk.draft.event(event));
        readings.iter().for_each(|reading| desk.draft.reading(*reading));
        if *desk.draft.record() != before {
            desk.wanted += 1;
            self.shared.wake.notify_one();
        }
    }

    pub fn loaded(&self, digest: &str, titles: Vec<String>) {
        self.shared.lock().draft.loaded(digest, titles);
    }

    /// What a person set for songs to come.
    pub fn tonight(&self, tonight: Tonight) {
        let mut desk = self.shared.lock();
        if desk.draft.record.tonight != tonight {
            desk.draft.record.tonight = tonight;
            desk.wanted += 1;
            self.shared.wake.notify_one();
        }
    }

    /// Where the device's time is, once it is known.
    pub fn fit(&self) -> Option<Fit> {
        self.shared.lock().draft.fit()
    }

    /// Why the record is not being written, when it is not.
    pub fn trouble(&self) -> Option<String> {
        self.shared.lock().failed.clone()
    }

    /// The frame that the device asks for about now.
    pub fn now(&self) -> Option<FramePos> {
        self.fit().map(|fit| FramePos(fit.frame_at(boot::now()) as i64))
    }

    /// The run is over, as it should be (or is to be gone on with: then the record stays one to come back to).
    pub fn end(&self, ended: bool) {
        let mut desk = self.shared.lock();
        desk.draft.record.ended = ended;
        desk.wanted += 1;
        let ticket = desk.wanted;
        self.shared.wake.notify_one();
        let end = Instant::now() + Duration::from_secs(1);
        while desk.written < ticket && !desk.over && Instant::now() < end {
            desk = self.shared.done.wait_timeout(desk, PATIENCE).unwrap_or_else(PoisonError::into_inner).0;
        }
        desk.over = true;
        self.shared.wake.notify_one();
    }
}

fn write(shared: &Shared, mut store: Store) {
    let sync = syncing(&store);
    let mut synced = Instant::now();
    loop {
        let mut desk = shared.lock();
        while desk.wanted == desk.written && !desk.over {
            desk = shared.wake.wait(desk).unwrap_or_else(PoisonError::into_inner);
        }
        if desk.over {
            return;
        }
        let ticket = desk.wanted;
        let mut record = desk.draft.record().clone();
        drop(desk);
        record.sequence = store.sequence + 1;
        let failed = store.write(&record).err().map(|why| why.to_string());
        let mut desk = shared.lock();
        (desk.written, desk.failed) = (ticket, failed);
        drop(desk);
        shared.done.notify_all();
        if synced.elapsed() >= SYNC_EVERY {
            synced = Instant::now();
            sync.as_ref().map(|ask| ask.try_send(()));
        }
    }
}

/// A thread that makes the file safe when asked: the disk may take its time there.
fn syncing(store: &Store) -> Option<crossbeam_channel::Sender<()>> {
    let file = store.twin().ok()?;
    let (ask, asked) = crossbeam_channel::bounded::<()>(1);
    let body = move || {
        while asked.recv().is_ok() {
            // A disk that cannot sync still keeps the record through a kill.
            let _without = file.sync_data();
        }
    };
    std::thread::Builder::new().name("position sync".into()).stack_size(64 * 1024).spawn(body).ok()?;
    Some(ask)
}

/// A night that nothing is known of yet.
pub fn fresh(show: &str, digest: &str) -> Record {
    Record {
        sequence: 0,
        program: format!("fogbell {}", env!("CARGO_PKG_VERSION")),
        show: show.into(),
        digest: digest.into(),
        boot: boot::id(),
        rate: 0,
        clock: None,
        ended: false,
        leads: true,
        night: Night::default(),
        tonight: Tonight::default(),
        asked: Vec::new(),
    }
}

/// Frames from sending a command to the first frame that it can change.
pub fn ahead(engine: Frames, block: u32, rate: SampleRate) -> Frames {
    let block = Frames(i64::from(block).min(rate.frames_of_ns(100_000_000).0));
    engine + block
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Exact;

    #[test]
    fn a_jump_leaves_the_tempo_of_the_chosen_song_and_a_start_takes_it() {
        let slow = Stretch { over: 3, under: 2 };
        let placed = |why| {
            let at = Exact(0);
            let what = What::Placed {
                song: 0,
                leg: 0,
                called: false,
                pass: 0,
                anchor_at: at,
                stretch: slow,
                from_hit: 0,
                why,
                undo: None,
            };
            Event { at: FramePos(0), what }
        };
        for (why, deed, left) in [
            (Why::Jump, Deed::GoTo { song: 0, leg: 0, count_in: false }, slow),
            (Why::Start, Deed::Start, Stretch::ONE),
        ] {
            let mut draft = Draft::new(fresh("Saltmarsh Five", "ab"), SampleRate::standard(), vec![]);
            draft.record.night.chosen_stretch = slow;
            draft.asked(1, When::Now, deed);
            draft.event(&placed(why));
            draft.event(&Event { at: FramePos(0), what: What::Done { id: 1 } });
            assert_eq!(
                (draft.record.night.run, draft.record.night.chosen_stretch),
                (RunState::Playing, left)
            );
        }
    }
}
