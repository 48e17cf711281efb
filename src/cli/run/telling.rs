//! What the run tells: events through telemetry into log and screen, notes from every thread.

use super::deck::Tale;
use crate::click::set::Set;
use crate::device::Negotiated;
use crate::device::second::{Did, News};
use crate::device::watch::Change;
use crate::log::{self, DeviceDid, DeviceTold, Entry, Log, SCHEMA, Start, Trouble, Writer};
use crate::ready::{Item, State};
use crate::realtime::command::{Command, When};
use crate::realtime::event::Event;
use crate::show::model::{Rig, Show};
use crate::survive::thrift::GivenUp;
use crate::telemetry::{Drain, LastEvent, LoadSummary};
use crate::units::FramePos;
use jiff::ZonedDateTime;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

/// How long the end waits for a slow disk.
const PATIENCE: Duration = Duration::from_secs(2);

/// Time of day as screens show it.
fn clock() -> String {
    ZonedDateTime::now().strftime("%H:%M:%S").to_string()
}

/// For every thread that has something to say; clones share one log.
#[derive(Clone)]
pub struct Notes {
    log: Log,
    last: Arc<Mutex<Option<LastEvent>>>,
}

impl Notes {
    /// A line of the log.
    pub fn note(&self, text: &str) {
        self.log.say(None, Entry::Note { text: text.into() });
    }

    pub fn entry(&self, entry: Entry) {
        self.log.say(None, entry);
    }

    pub fn command(&self, id: u64, when: When, command: &Command, follows: bool) {
        let command = format!("{}{}", words(command), moment(when));
        self.log.say(None, Entry::Command { id, command, follows });
    }

    /// A finding about the computer; what needs mending before doors is shown.
    pub fn item(&self, item: &Item) {
        self.note(&format!("ready: {}: {:?}: {} {}", item.name, item.state, item.finding, item.mend));
        if item.state == State::Alarm {
            self.show(format!("MEND {}: {}. {}", item.name.to_uppercase(), item.finding, item.mend));
        }
    }

    /// Puts a sentence where the screen shows the last event.
    pub fn show(&self, text: String) {
        self.set(LastEvent { at: FramePos(0), clock: clock(), text });
    }

    fn set(&self, event: LastEvent) {
        *self.last.lock().unwrap_or_else(PoisonError::into_inner) = Some(event);
    }

    /// The last event that a person must know of.
    pub fn last(&self) -> Option<LastEvent> {
        self.last.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }
}

/// The desk's end: turns events into lines and a snapshot.
pub struct Telling {
    notes: Notes,
    drain: Drain,
    writer: Writer,
    path: PathBuf,
    priority_told: bool,
    given_up: GivenUp,
}

impl Telling {
    /// Opens the night's log. Errors: the folder or the file cannot be made.
    pub fn open(folder: &Path, show: &Show, set: &Arc<Set>) -> io::Result<Telling> {
        let (path, log, writer) = log::create(folder)?;
        let notes = Notes { log, last: Arc::default() };
        let names = show.clicks.iter().map(|click| click.name.clone()).collect();
        Ok(Telling {
            notes,
            drain: Drain::new(Arc::clone(set), names),
            writer,
            path,
            priority_told: false,
            given_up: GivenUp::Nothing,
        })
    }

    pub fn notes(&self) -> Notes {
        self.notes.clone()
    }

    pub fn path(&self) -> PathBuf {
        self.path.clone()
    }

    /// The first line.
    pub fn start(&self, show: &Show, rig: &Rig, device: &Negotiated) {
        self.notes.entry(Entry::Start(Box::new(Start {
            schema: SCHEMA,
            program: format!("fogbell {}", env!("CARGO_PKG_VERSION")),
            show: show.title.clone(),
            digest: show.digest.clone(),
            text: show.text.clone(),
            rig: rig.title.clone(),
            host: device.host.clone(),
            device: device.device.clone(),
            rate: device.rate.hertz(),
            block: device.block,
            inputs: device.inputs,
            outputs: device.outputs,
            priority: None,
        })));
    }

    /// One event, in order.
    pub fn take(&mut self, event: &Event) {
        let before = self.drain.snapshot().last_event.clone();
        let log = &self.notes.log;
        let brief = self.given_up >= GivenUp::LogDetail;
        self.drain.take(event, &clock(), &mut |frame, entry| {
            if !brief || !matches!(entry, Entry::Levels { .. }) {
                log.say(Some(frame.0), entry);
            }
        });
        let after = self.drain.snapshot().last_event.clone();
        if let Some(happened) = after.filter(|after| Some(after) != before.as_ref()) {
            self.notes.set(happened);
        }
    }

    /// Other songs from now on.
    pub fn load_set(&mut self, set: Arc<Set>) {
        self.drain.load(set);
    }

    /// How much of its time each callback took so far.
    pub fn load(&self, load: LoadSummary) {
        self.notes.entry(Entry::Load(load));
    }

    /// The audio thread's policy, once it is known.
    pub fn priority(&mut self, policy: &str) {
        if !self.priority_told {
            self.priority_told = true;
            self.notes.note(&format!("audio thread: {policy}"));
        }
    }

    /// The device changed its state.
    pub fn device(&self, change: &Change) {
        match change {
            // These are told with what is done about them.
            Change::Stalled { .. } | Change::Running | Change::Lost(_) | Change::Finished => {}
            Change::Xruns(count) => {
                self.counted(DeviceDid::Xruns, *count, format!("the host counts {count} more xruns"));
            }
            Change::LostFrames(count) => {
                self.counted(DeviceDid::LostFrames, *count, format!("{count} frames nobody asked for"));
            }
        }
    }

    /// What is given up because the computer is slow: said when it changes. Who is held up may look seldom: each step
    /// that was taken meanwhile is in the log.
    pub fn gives_up(&mut self, now: GivenUp) -> bool {
        let before = std::mem::replace(&mut self.given_up, now);
        if before == now {
            return false;
        }
        let between = |step: &&GivenUp| **step > before.min(now) && **step < before.max(now);
        let mut steps: Vec<GivenUp> = GivenUp::ALL.iter().filter(between).copied().collect();
        if now < before {
            steps.reverse();
        }
        steps.iter().chain([&now]).for_each(|step| self.notes.note(step.words()));
        self.notes.show(now.words().into());
        true
    }

    fn counted(&self, what: DeviceDid, count: u64, text: String) {
        self.notes.entry(Entry::Device(DeviceTold {
            what,
            count: Some(count),
            text,
            ..DeviceTold::default()
        }));
    }

    /// The device went, or came back: what happened and what to do.
    pub fn tale(&self, tale: &Tale) {
        let told = told(tale);
        if *tale != Tale::Finished {
            self.notes.show(told.text.clone());
        }
        self.device_told(told);
    }

    /// The second interface changed its state.
    pub fn second(&self, news: &News) {
        self.notes.show(news.words.clone());
        self.device_told(DeviceTold {
            what: match news.did {
                Did::Heard => DeviceDid::Heard,
                Did::HeardAgain => DeviceDid::RunsAgain,
                Did::Drifts => DeviceDid::Drifts,
                Did::Silent => DeviceDid::Silent,
                Did::Lost => DeviceDid::Lost,
            },
            second: true,
            why: news.why.clone(),
            ppm: news.ppm,
            text: news.words.clone(),
            ..DeviceTold::default()
        });
    }

    /// On the frame of the last status: where the music was.
    fn device_told(&self, told: DeviceTold) {
        let at = self.drain.snapshot().at;
        self.notes.log.say((at > FramePos(0)).then_some(at.0), Entry::Device(told));
    }

    /// What is wrong with the log's disk, said on the screen.
    pub fn look_at_disk(&self) {
        for trouble in self.writer.trouble.try_iter() {
            self.notes.show(match trouble {
                Trouble::Lost(why) => format!("LOG NOT WRITTEN: {why}. The show goes on."),
                Trouble::Again(lost) => format!("LOG WRITTEN AGAIN; {lost} lines are lost."),
            });
        }
    }

    /// Writes the last lines and waits a moment for the disk; every [`Notes`] must be gone. False: not all is there.
    pub fn close(self) -> bool {
        let Telling { notes, writer, .. } = self;
        drop(notes);
        writer.finish(PATIENCE)
    }
}

/// What happened to the device, as facts and in words.
fn told(tale: &Tale) -> DeviceTold {
    let of = |what| DeviceTold { what, ..DeviceTold::default() };
    match tale {
        Tale::Gone(why) => DeviceTold {
            why: Some(why.clone()),
            text: format!("DEVICE LOST: {why}. The place runs on; it is opened again by itself."),
            ..of(DeviceDid::Lost)
        },
        Tale::Again { away } => DeviceTold {
            away_seconds: Some(away.as_secs_f64()),
            text: format!("DEVICE RUNS AGAIN, {:.1} s later, in the band's time.", away.as_secs_f64()),
            ..of(DeviceDid::RunsAgain)
        },
        Tale::Back { device, spare, away } => {
            let which = if *spare { "THE SPARE DEVICE PLAYS" } else { "DEVICE BACK" };
            DeviceTold {
                device: Some(device.clone()),
                away_seconds: Some(away.as_secs_f64()),
                text: format!("{which}: {device}, after {:.1} s, in the band's time.", away.as_secs_f64()),
                ..of(if *spare { DeviceDid::SparePlays } else { DeviceDid::Back })
            }
        }
        Tale::CannotOpen(why) => DeviceTold {
            why: Some(why.clone()),
            text: format!("NO DEVICE: {why}. It is tried all the time."),
            ..of(DeviceDid::CannotOpen)
        },
        Tale::OtherRate(rate) => DeviceTold {
            count: Some(u64::from(*rate)),
            text: format!("THE DEVICE RUNS AT {rate} NOW: the set is made again for it."),
            ..of(DeviceDid::OtherRate)
        },
        Tale::Finished => {
            DeviceTold { text: "the device has reached its end".into(), ..of(DeviceDid::Finished) }
        }
    }
}

fn moment(when: When) -> String {
    match when {
        When::Now => String::new(),
        When::Frame(frame) => format!(" on frame {}", frame.0),
        When::NextBeat | When::BeatFrom(_) => " at the next beat".into(),
        When::BarEnd | When::BarFrom(_) => " at the bar's end".into(),
        When::SectionEnd => " at the section's end".into(),
    }
}

/// A command as a player would say it.
fn words(command: &Command) -> String {
    let out = |out: bool| if out { "out" } else { "in" };
    match command {
        Command::Choose { song } => format!("choose song {}", song + 1),
        Command::Start => "start".into(),
        Command::GoTo { song, leg, count_in } => {
            format!("go to song {}, leg {leg}{}", song + 1, if *count_in { ", counted in" } else { "" })
        }
        Command::Place { song, leg, .. } => format!("place song {}, leg {leg}", song + 1),
        Command::Stop => "stop".into(),
        Command::AllOut => "all out".into(),
        Command::AllBack => "all back".into(),
        Command::ClickOut => "click out".into(),
        Command::ClickBack => "click back".into(),
        Command::OneIsNow => "one is now".into(),
        Command::ShiftBeats(beats) => format!("beats {beats:+}"),
        Command::Nudge(frames) => format!("{:+} frames", frames.0),
        Command::Undo => "undo".into(),
        Command::Release => "release".into(),
        Command::AmbientKill(killed) => format!("ambient {}", if *killed { "killed" } else { "back" }),
        Command::AmbientHand(step) => format!("ambient {step:+} dB by hand"),
        Command::AmbientRides => "ambient rides by itself".into(),
        Command::Talk(on) => format!("talkback {}", if *on { "open" } else { "shut" }),
        Command::MuteClick { click, muted } => format!("click {} {}", click + 1, out(*muted)),
        Command::Tempo(stretch) => format!("tempo: durations times {}/{}", stretch.over, stretch.under),
        Command::UseFallback { click, on } => {
            format!("click {} {}", click + 1, if *on { "from the fallback" } else { "from its primary" })
        }
        Command::TakeOver => "take over".into(),
        Command::StandDown => "stand down".into(),
        Command::Align(later) => format!("align: {:+.2} frames", later.as_f64()),
        Command::OwnWay(way) => format!("own way out and back: {:.2} frames", way.as_f64()),
        Command::Beside(on) => format!("sound beside the other laptop: {}", if *on { "on" } else { "off" }),
        Command::Load(_) => "load the show again".into(),
        Command::Return(_) => "come back".into(),
    }
}
