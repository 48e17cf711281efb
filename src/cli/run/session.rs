//! One run, from the open interface to the last line of its report.

use super::back::{Back, Returned};
use super::deck::{Deck, Plan};
use super::desk::{Desk, Parts, Shared, take_events};
use super::ear::Ear;
use super::fitness::{Fitness, show_device};
use super::metered::Metered;
use super::night::{Night, Refusal};
use super::result::{End, Report};
use super::spare_loop::{self, Watch};
use super::telling::{Notes, Telling};
use super::{Args, headless, screen};
use crate::cli::{Outcome, latency};
use crate::click::set::Set;
use crate::device::{Negotiated, OpenSetup, virtual_interface};
use crate::latency::stored::{self, Stored};
use crate::log::Entry;
use crate::realtime::command::{Command, Timed, When};
use crate::realtime::engine::engine;
use crate::renderer::{self, Renderer, Request};
use crate::show::model::{Role, Show};
use crate::survive::ground::{self, Lease};
use crate::survive::keeper::{self, Keeper};
use crate::telemetry::LoadMeter;
use crate::units::Frames;
use crate::view::conductor::Conductor;
use crate::view::keys::Keymap;
use crate::view::programme::Programme;
use crossbeam_channel::{Sender, unbounded};
use ringbuf::HeapProd;
use ringbuf::traits::Producer;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;
use std::time::Instant;

/// What both kinds of run steer with.
pub struct Stage<'a> {
    pub args: &'a Args,
    pub show: Show,
    pub set: Arc<Set>,
    pub keys: Keymap,
    pub commands: Commands,
    pub shared: Shared,
    pub renderer: Renderer,
    pub requests: Sender<Request>,
    pub to_ear: Sender<(u64, Arc<Set>)>,
    pub to_desk: Sender<(Show, Arc<Set>)>,
    pub started: Instant,
    /// A signal asked for the end.
    pub signalled: Arc<AtomicBool>,
    pub device: String,
    pub role: Role,
    pub offers: Vec<String>,
    pub log: Notes,
    /// This run goes on with a night.
    pub returned: Option<Returned>,
}

impl Stage<'_> {
    pub fn programme(&self) -> Programme {
        Programme::of(&self.show, &self.set)
    }

    /// Who carries out keys, knowing what a night before this run's start has set.
    pub fn conductor(&self) -> Conductor {
        let mut conductor = Conductor::new(self.programme(), self.keys.clone());
        if let Some(returned) = &self.returned {
            conductor.returned(returned.chosen, returned.sounds, &returned.tonight);
        }
        conductor
    }
}

/// The way to the engine.
pub struct Commands {
    ring: HeapProd<Timed>,
    next: u64,
    notes: Notes,
    keeper: Keeper,
    /// Not written down in time: said once.
    unkept: bool,
}

impl Commands {
    /// The number the next command will have.
    pub fn next_id(&self) -> u64 {
        self.next + 1
    }

    pub fn keeper(&self) -> &Keeper {
        &self.keeper
    }

    /// The command's number; `None` when the ring is full: the engine takes nothing (the device has stopped).
    pub fn send(&mut self, when: When, command: Command) -> Option<u64> {
        self.give(when, command, false)
    }

    /// The same for what nobody asked for: it follows from what was asked before.
    pub fn settle(&mut self, command: Command) -> Option<u64> {
        self.give(When::Now, command, true)
    }

    fn give(&mut self, when: When, command: Command, follows: bool) -> Option<u64> {
        self.next += 1;
        // Written down first: whatever happens from here on, a program that comes back knows of it.
        let (when, kept) = self.keeper.ask(self.next, when, &command);
        if !kept && !std::mem::replace(&mut self.unkept, true) {
            let why = self.keeper.trouble().unwrap_or_else(|| "the disk is too slow".into());
            self.notes.note(&format!("a command went out before its position record was written: {why}"));
        }
        self.notes.command(self.next, when, &command, follows);
        self.ring.try_push(Timed { when, command, id: self.next }).is_ok().then_some(self.next)
    }
}

pub fn run(args: &Args, night: Night) -> Outcome {
    match play(args, night) {
        Ok(report) if matches!(report.end, End::OtherRate(_)) => go_on(args, &report),
        Ok(report) => tell(args, &report),
        Err(refusal) => refusal.tell(args.json),
    }
}

/// What `fogbell latency` last gave on this device at this rate and block, and how much it still means.
fn kept_round_trip(negotiated: &Negotiated) -> Option<String> {
    let kept = stored::read(&stored::place()?);
    let alike = |stored: &&Stored| (stored.rate, stored.block) == (negotiated.rate.hertz(), negotiated.block);
    let here: Vec<&Stored> = kept.of(&negotiated.host, &negotiated.id).filter(alike).collect();
    latency::history(&here).map(|words| format!("kept from before: {words}"))
}

fn play(args: &Args, night: Night) -> Result<Report, Refusal> {
    let cannot = |what: &str, error: std::io::Error| Refusal::world(format!("error: {what}: {error}"));
    let Night { show, rig, ears, refused, notes, set, setup, negotiated, opened, open, launched, opened_in } =
        night;
    let keys = Keymap::new(&rig.keys).map_err(|faults| Refusal {
        text: faults.iter().map(|fault| format!("error: [keys] {fault}")).collect::<Vec<_>>().join("\n"),
        outcome: Outcome::NotUnderstood,
    })?;
    let signalled = Arc::new(AtomicBool::new(false));
    watch_signals(&signalled);
    let telling = Telling::open(&args.log_folder(), &show, &set)
        .map_err(|error| cannot("the log cannot be written", error))?;
    telling.start(&show, &rig, &negotiated);
    let (log_path, log_notes) = (telling.path(), telling.notes());
    notes.iter().for_each(|note| log_notes.note(note));
    if let Ok(why) = std::env::var(super::guard::WHY) {
        log_notes.note(&why);
    }
    if let Some(kept) = kept_round_trip(&negotiated) {
        log_notes.note(&kept);
        if rig.spare_loop.is_none() {
            log_notes.show(kept);
        }
    }
    let (mut control, process) = engine(&setup, Arc::clone(&set));
    let ahead = keeper::ahead(process.ahead(), negotiated.block, negotiated.rate);
    let (requests, asked) = unbounded();
    let streams = std::mem::take(&mut control.streams);
    let renderer = renderer::spawn(Arc::clone(&set), asked, streams).map_err(|e| cannot("no renderer", e))?;
    let shared = Shared::new(show.clicks.len());
    let tell = (shared.clone(), log_notes.clone());
    let ear = Ear::spawn(&setup, Arc::clone(&set), control.tap.take(), args.record.as_deref(), ears, tell)?;
    let (events, retired) = take_events(&mut control);
    let device = format!(
        "{}: {}, {} Hz, {} frames",
        negotiated.host,
        negotiated.device,
        negotiated.rate.hertz(),
        negotiated.block
    );
    let load = Arc::new(LoadMeter::new());
    let (process, spare) = spare_loop::beside(process, &rig, &negotiated);
    let lease = Lease::new(process);
    let back = Back::look(args, &show, &set, negotiated.rate, ahead, &log_notes)
        .map_err(|e| cannot("no thread for the position record", e))?;
    let mut commands = Commands {
        ring: control.commands,
        next: 0,
        notes: log_notes.clone(),
        keeper: back.keeper.clone(),
        unkept: false,
    };
    back.send(&mut commands);
    let own_clock = negotiated.host != virtual_interface::HOST;
    let (ground, readings) = ground::ground(&lease, negotiated.rate, back.begin, own_clock);
    let running = opened.start(Box::new(Metered::new(ground, &load, negotiated.rate)))?;
    let tap = (usize::from(negotiated.inputs), usize::from(negotiated.outputs));
    let plan = Plan {
        setup: OpenSetup { rate: negotiated.rate, ..open },
        rig: rig.clone(),
        lease: Arc::clone(&lease),
        load: Arc::clone(&load),
        inputs: tap.0,
        outputs: tap.1,
        may_stand_in: setup.peer.is_none() && setup.outside.is_empty(),
    };
    let deck = Deck::new(plan, running, readings);
    let quiet = args.json || !args.headless;
    let fitness = (!args.no_ready).then(|| Fitness::look(&args.log_folder(), &rig, &log_notes, !quiet));
    let (to_desk, shows) = unbounded();
    let desk = Desk::spawn(Parts {
        shows,
        events,
        retired,
        deck,
        give_up_after: args.give_up_after,
        requests: requests.clone(),
        to_ear: ear.events(),
        telling,
        shared: shared.clone(),
        clicks: show.clicks.iter().map(|click| click.name.clone()).collect(),
        songs: show.songs.iter().map(|song| song.title.clone()).collect(),
        rate: negotiated.rate,
        device: show_device(&rig),
        load: Arc::clone(&load),
        keeper: back.keeper.clone(),
        back: back.told(launched, opened_in),
    })
    .map_err(|error| cannot("no thread for the desk", error))?;
    let spare = spare.and_then(|spare| Watch::spawn(spare, shared.clone(), log_notes.clone()).ok());
    let title = show.title.clone();
    let mut stage = Stage {
        args,
        show,
        set,
        keys,
        commands,
        shared: shared.clone(),
        renderer,
        requests,
        to_ear: ear.sets(),
        to_desk,
        started: Instant::now(),
        signalled,
        device: device.clone(),
        role: rig.machine,
        offers: Vec::new(),
        log: log_notes.clone(),
        returned: back.returned(),
    };
    let end = if args.headless { headless::drive(&mut stage) } else { screen::drive(&mut stage)? };
    let health = shared.lock().health.clone();
    // What a signal or a lost device ended can be gone on with.
    back.keeper.end(end == End::AsAsked);
    if let Some(spare) = spare {
        spare.end();
    }
    let finished = desk.finish();
    let telling = finished.map(|(deck, telling)| {
        deck.end();
        telling
    });
    let heard = ear.finish();
    if let Some(fitness) = fitness {
        fitness.end();
    }
    let _gone = stage.requests.send(Request::Quit);
    let board = shared.lock().clone();
    let frames = health.as_ref().map_or(0, |health| health.frames);
    let report = Report {
        show: title,
        device,
        rate: negotiated.rate,
        seconds: negotiated.rate.seconds(Frames(frames as i64)),
        end,
        verdict: heard.verdict,
        switches: board.switches.iter().filter(|switch| switch.is_fault()).count(),
        switched: board.switches,
        xruns: board.xruns,
        tap_dropped: heard.dropped,
        load: load.summary(),
        second: health.as_ref().and_then(|health| health.second.clone()),
        priority: health.and_then(|health| health.priority),
        log: Some(log_path),
        record: heard.record,
        exposure: heard.figures,
        calibrated: rig.exposure.iter().map(|line| line.feed.clone()).collect(),
        wanted: args.headless,
        refused_songs: refused.into_iter().map(|song| song.title).collect(),
        offers: std::mem::take(&mut stage.offers),
    };
    log_notes.entry(Entry::Verdict { verdict: Box::new(report.verdict.clone()) });
    let device_lost = report.end.device_lost().map(str::to_owned);
    log_notes.entry(Entry::End { reason: report.end.words(), frames: frames as i64, device_lost });
    drop((stage, log_notes));
    if telling.is_some_and(|telling| !telling.close()) {
        super::complain("error: the disk is too slow: the end of the log may be missing");
    }
    Ok(report)
}

/// The same night in a new program: the set is made for the rate that the device has now.
fn go_on(args: &Args, report: &Report) -> Outcome {
    let End::OtherRate(rate) = report.end else { return tell(args, report) };
    let mut words = super::guard::again(&std::env::args_os().skip(1).collect::<Vec<_>>(), args);
    let old = words.iter().position(|word| word == "--at-rate");
    old.into_iter().for_each(|place| drop(words.drain(place..(place + 2).min(words.len()))));
    words.extend(["--at-rate".into(), rate.to_string().into()]);
    let Ok(program) = std::env::current_exe() else { return tell(args, report) };
    let mut program = std::process::Command::new(program);
    program.args(words).env(super::guard::WHY, format!("the device runs at {rate} frames a second now"));
    #[cfg(unix)]
    {
        // It does not come back but by an error.
        let why = std::os::unix::process::CommandExt::exec(&mut program);
        super::complain(&format!("error: the program cannot be started again: {why}"));
        tell(args, report)
    }
    #[cfg(not(unix))]
    match program.status().map(|status| status.code()) {
        Ok(Some(0)) => Outcome::Done,
        Ok(_) => Outcome::FellShort,
        Err(_) => tell(args, report),
    }
}

fn watch_signals(flag: &Arc<AtomicBool>) {
    for signal in [signal_hook::consts::SIGINT, signal_hook::consts::SIGTERM] {
        // Without a handler the signal ends the program as it always does.
        let _without = signal_hook::flag::register(signal, Arc::clone(flag));
    }
}

fn tell(args: &Args, report: &Report) -> Outcome {
    if args.json {
        super::say(&serde_json::to_string(report).unwrap_or_default());
    } else {
        if let End::DeviceLost(why) = &report.end {
            super::complain(&format!(
                "error: the device no longer plays: {why}\n  to mend it: bring the device or its server back, then \
                 start again"
            ));
        }
        report.lines().iter().chain(&report.ears()).for_each(|line| super::say(line));
        for (what, path) in [("log", &report.log), ("recording", &report.record)] {
            if let Some(path) = path {
                super::say(&format!("{what}: {}", path.display()));
            }
        }
        report.offers.iter().for_each(|offer| super::say(&format!("keep it? {offer}")));
    }
    if report.good() && report.refused_songs.is_empty() { Outcome::Done } else { Outcome::FellShort }
}
