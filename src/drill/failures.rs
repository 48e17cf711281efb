//! Which failures there are, for which wiring, and what the contract allows.

use super::pair::{CLICK_IN, Mishap, TIMECODE_IN, World, channel_of};
use super::verdict::{Allowance, Verdict, judge};
use crate::click::set::Set;
use crate::realtime::command::Command;
use crate::realtime::setup::{EngineSetup, OutsideSetup, PeerClick, PeerSetup, TimecodeSetup};
use crate::timecode::FrameRate;
use crate::units::{Frames, Span};
use std::sync::Arc;

/// How a backup is wired.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Wiring {
    /// There is no second machine.
    Alone,
    /// Timecode only; mixer channels of its own.
    OneWitness,
    /// Timecode and click; mixer channels of its own.
    TwoWitnesses,
    /// The main's click goes through the backup, with this safety delay.
    Passed(Frames),
    /// Another device's click is passed on, with this safety delay.
    Pad(Frames),
}

/// What a drill is run with.
#[derive(Clone, Debug)]
pub struct Bench {
    pub set: Arc<Set>,
    /// The show on one machine, as it is wired; timecode and peer are added here.
    pub setup: EngineSetup,
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

/// A failure and what it does.
pub struct Failure {
    pub name: &'static str,
    pub what: &'static str,
    /// For which wirings it is rehearsed.
    pub applies: fn(Wiring) -> bool,
    /// The mishaps of a failure at a frame; `f` is frames a second.
    pub mishaps: fn(at: i64, f: i64) -> Vec<Mishap>,
    pub allowed: fn(Wiring) -> Allowance,
}

const fn two(wiring: Wiring) -> bool {
    !matches!(wiring, Wiring::Alone | Wiring::Pad(_))
}

const fn pad(wiring: Wiring) -> bool {
    matches!(wiring, Wiring::Pad(_))
}

/// Without a safety delay the first hit is lost. A hit that is early or double has left before it is known to be wrong.
const fn pads(wiring: Wiring, doubled: u64) -> Allowance {
    let lost = matches!(wiring, Wiring::Pad(Frames(0))) as u64;
    Allowance { lost, with_device: 0, doubled, error_ms: 1.0, noticed: true }
}

const fn own(wiring: Wiring) -> bool {
    matches!(wiring, Wiring::OneWitness | Wiring::TwoWitnesses)
}

const fn both(wiring: Wiring) -> bool {
    matches!(wiring, Wiring::TwoWitnesses | Wiring::Passed(_))
}

const fn nothing(_: Wiring) -> Allowance {
    Allowance { lost: 0, with_device: 0, doubled: 0, error_ms: 0.0, noticed: false }
}

/// A dead main: one hit inside the blind window, none with a safety delay.
const fn death(wiring: Wiring) -> Allowance {
    let lost = match wiring {
        Wiring::Passed(delay) if delay.0 > 0 => 0,
        _ => 1,
    };
    Allowance { lost, with_device: 0, doubled: 0, error_ms: 0.0, noticed: true }
}

/// What is passed through is filled in until the backup knows that a person stopped, moved or sped up the music: for
/// up to 0.3 s, in which hits of the old grid may sound beside those of the new one.
const fn unannounced(wiring: Wiring) -> u64 {
    if matches!(wiring, Wiring::Passed(_)) { 3 } else { 0 }
}

/// A machine that repeats a short buffer is known by its missing words only: up to 180 ms.
const fn frozen(wiring: Wiring) -> Allowance {
    let lost = match wiring {
        Wiring::Passed(delay) if delay.0 > 0 => 0,
        _ => 2,
    };
    Allowance { lost, with_device: 0, doubled: 1000, error_ms: 0.0, noticed: true }
}

const fn late(_: Wiring) -> Allowance {
    Allowance { lost: 0, with_device: 3, doubled: 0, error_ms: 0.0, noticed: false }
}

const fn pulled_timecode(wiring: Wiring) -> Allowance {
    // With one witness a pulled lead looks like a dead main: the program says so, and both sound in phase.
    let doubled = if matches!(wiring, Wiring::OneWitness) { 1000 } else { 0 };
    Allowance { lost: 0, with_device: 0, doubled, error_ms: 0.0, noticed: true }
}

const FOREVER: i64 = i64::MAX / 4;

/// Every failure, in the order in which a player would think of them.
pub const FAILURES: &[Failure] = &[
    Failure {
        name: "nothing-fails",
        what: "nothing fails: for comparison",
        applies: |_| true,
        mishaps: |_, _| vec![],
        allowed: nothing,
    },
    Failure {
        name: "callback-5-ms-late",
        what: "the computer is late by 5 ms",
        applies: |wiring| matches!(wiring, Wiring::Alone),
        mishaps: |at, f| vec![Mishap::MainLate(at, f / 200)],
        allowed: late,
    },
    Failure {
        name: "callback-50-ms-late",
        what: "the computer is late by 50 ms",
        applies: |wiring| matches!(wiring, Wiring::Alone),
        mishaps: |at, f| vec![Mishap::MainLate(at, f / 20)],
        allowed: late,
    },
    Failure {
        name: "callback-500-ms-late",
        what: "the computer is late by 500 ms",
        applies: |wiring| matches!(wiring, Wiring::Alone),
        mishaps: |at, f| vec![Mishap::MainLate(at, f / 2)],
        allowed: |_| Allowance { lost: 0, with_device: 12, doubled: 0, error_ms: 0.0, noticed: true },
    },
    Failure {
        name: "bad-input",
        what: "a microphone input brings what is no sound",
        applies: |wiring| matches!(wiring, Wiring::Alone),
        mishaps: |at, f| vec![Mishap::NotANumber(at, f / 2)],
        allowed: nothing,
    },
    Failure {
        name: "main-dies",
        what: "the main laptop dies between two hits",
        applies: two,
        mishaps: |at, _| vec![Mishap::MainDies(at)],
        allowed: death,
    },
    Failure {
        name: "main-dies-in-a-hit",
        what: "the main laptop dies in the middle of a hit",
        applies: two,
        mishaps: |at, _| vec![Mishap::MainDies(at)],
        allowed: death,
    },
    Failure {
        name: "main-hangs",
        what: "the main repeats its last buffer for ever",
        applies: own,
        mishaps: |at, _| vec![Mishap::MainRepeats(at)],
        allowed: frozen,
    },
    Failure {
        name: "main-stops",
        what: "a person stops the song: no failure",
        applies: two,
        mishaps: |at, _| vec![Mishap::Pressed(at, Command::Stop)],
        allowed: |wiring| Allowance { doubled: unannounced(wiring), ..nothing(wiring) },
    },
    Failure {
        name: "main-jumps-then-dies",
        what: "one is now, and a second later the main dies",
        applies: two,
        mishaps: |at, f| vec![Mishap::Pressed(at - f, Command::OneIsNow), Mishap::MainDies(at)],
        allowed: |wiring| {
            let death = death(wiring);
            Allowance { lost: death.lost + unannounced(wiring), doubled: unannounced(wiring), ..death }
        },
    },
    Failure {
        name: "main-faster-tonight-then-dies",
        what: "a faster tempo tonight, and two seconds later the main dies",
        applies: two,
        mishaps: |at, f| {
            let stretch = crate::click::set::Stretch { over: 132, under: 135 };
            vec![Mishap::Pressed(at - 2 * f, Command::Tempo(stretch)), Mishap::MainDies(at)]
        },
        allowed: |wiring| {
            let death = death(wiring);
            Allowance { lost: death.lost + unannounced(wiring), doubled: unannounced(wiring), ..death }
        },
    },
    Failure {
        name: "main-is-late",
        what: "the main's callback is late by 50 ms, and it plays on",
        applies: own,
        mishaps: |at, f| vec![Mishap::MainLate(at, f / 20)],
        allowed: |_| Allowance { lost: 1, with_device: 1, doubled: 0, error_ms: 0.0, noticed: false },
    },
    Failure {
        name: "main-returns",
        what: "the main dies and is started again: it stays silent",
        applies: own,
        mishaps: |at, f| vec![Mishap::MainDies(at), Mishap::MainReturns(at + 3 * f)],
        allowed: death,
    },
    Failure {
        name: "main-returns-and-takes-back",
        what: "the main dies, returns silent, and takes the click back by key",
        applies: own,
        mishaps: |at, f| {
            vec![
                Mishap::MainDies(at),
                Mishap::MainReturns(at + 2 * f),
                Mishap::Pressed(at + 6 * f, Command::TakeOver),
            ]
        },
        // Between the one that lets go and the one that takes it a hit may be missing; never two clicks.
        allowed: |wiring| Allowance { lost: 3, ..death(wiring) },
    },
    Failure {
        name: "backup-dies",
        what: "the backup dies while the main plays",
        applies: own,
        mishaps: |at, _| vec![Mishap::BackupDies(at)],
        allowed: nothing,
    },
    Failure {
        name: "timecode-lead-pulled",
        what: "the timecode lead is pulled, the main plays on",
        applies: two,
        mishaps: |at, _| vec![Mishap::TimecodeOut(at, FOREVER)],
        allowed: pulled_timecode,
    },
    Failure {
        name: "timecode-lead-kicked",
        what: "the timecode lead is out for 100 ms",
        applies: both,
        mishaps: |at, f| vec![Mishap::TimecodeOut(at, at + f / 10)],
        allowed: nothing,
    },
    Failure {
        name: "click-lead-pulled",
        what: "the main's click lead to the backup is pulled, timecode goes on",
        applies: |wiring| matches!(wiring, Wiring::TwoWitnesses),
        mishaps: |at, _| vec![Mishap::ClickOut(at, FOREVER)],
        allowed: nothing,
    },
    Failure {
        name: "passed-click-lost",
        what: "the main's click is lost on its way: this machine fills in",
        applies: |wiring| matches!(wiring, Wiring::Passed(_)),
        mishaps: |at, _| vec![Mishap::ClickOut(at, FOREVER)],
        allowed: death,
    },
    Failure {
        name: "one-passed-hit-lost",
        what: "one hit of the main's click is lost on its way",
        applies: |wiring| matches!(wiring, Wiring::Passed(_)),
        mishaps: |at, f| vec![Mishap::ClickOut(at, at + f / 5)],
        allowed: |wiring| Allowance { noticed: false, ..death(wiring) },
    },
    Failure {
        name: "crackle",
        what: "the timecode lead crackles for 5 ms",
        applies: two,
        mishaps: |at, f| vec![Mishap::Crackle(at, f / 200)],
        allowed: nothing,
    },
    Failure {
        name: "timecode-noisy",
        what: "timecode 15 dB above noise, then the main dies",
        applies: two,
        mishaps: |at, _| vec![Mishap::Noise(15.0), Mishap::MainDies(at)],
        // What is left on the line is noise, in which silence is known later than 10 ms.
        allowed: |wiring| Allowance { lost: 1, ..death(wiring) },
    },
    Failure {
        name: "timecode-upside-down",
        what: "timecode arrives upside down, then the main dies",
        applies: two,
        mishaps: |at, _| vec![Mishap::Gain(-1.0), Mishap::MainDies(at)],
        allowed: death,
    },
    Failure {
        name: "timecode-quiet",
        what: "timecode arrives 24 dB too low, then the main dies",
        applies: two,
        mishaps: |at, _| vec![Mishap::Gain(0.063), Mishap::MainDies(at)],
        allowed: death,
    },
    Failure {
        name: "pad-cut",
        what: "the other device's click is cut",
        applies: pad,
        mishaps: |at, _| vec![Mishap::ClickOut(at, FOREVER)],
        allowed: |wiring| pads(wiring, 0),
    },
    Failure {
        name: "pad-early",
        what: "the other device's click comes 25 ms early",
        applies: pad,
        mishaps: |at, f| vec![Mishap::PadShifts(at, -f / 40)],
        allowed: |wiring| pads(wiring, 2),
    },
    Failure {
        name: "pad-late",
        what: "the other device's click comes 20 ms late",
        applies: pad,
        mishaps: |at, f| vec![Mishap::PadShifts(at, f / 50)],
        allowed: |wiring| pads(wiring, 2),
    },
    Failure {
        name: "pad-doubled",
        what: "each of its hits comes twice",
        applies: pad,
        mishaps: |at, _| vec![Mishap::PadDoubles(at)],
        allowed: |wiring| Allowance { noticed: false, ..pads(wiring, 6) },
    },
    Failure {
        name: "pad-drowned",
        what: "the other device's line turns to hum",
        applies: pad,
        mishaps: |at, _| vec![Mishap::PadHums(at)],
        allowed: |wiring| pads(wiring, 0),
    },
    Failure {
        name: "by-hand",
        what: "the main dies, and a person at the backup takes over at once",
        applies: own,
        mishaps: |at, _| vec![Mishap::MainDies(at), Mishap::PressedBackup(at, Command::TakeOver)],
        allowed: death,
    },
];

impl Bench {
    /// The two machines of a wiring.
    pub fn world(&self) -> World {
        let rate = self.set.rate;
        let mut main = self.setup.clone();
        let channels = main.outlets.iter().flat_map(|outlet| &outlet.channels);
        let free = channels.max().map_or(0, |channel| channel + 1);
        main.record = false;
        let two = two(self.wiring);
        let timecode = TimecodeSetup { channel: free, frames: self.frames, peak: 0.125 };
        main.timecode = two.then_some(timecode);
        main.peer = None;
        let ear = channel_of(&main, self.click).unwrap_or(0);
        let passed = match self.wiring {
            Wiring::Passed(delay) => Some(delay),
            _ => None,
        };
        let click = PeerClick { channel: CLICK_IN, click: self.click, passed };
        let peer = |backup: bool| PeerSetup {
            backup,
            returning: false,
            timecode: TIMECODE_IN,
            click: (backup && both(self.wiring)).then_some(click),
            // Its own place is the main's, not where the main's timecode arrives; what is passed on is later anyway.
            align: if passed.is_some() { Span(0) } else { Span::frames(Frames(-CABLE)) },
            latch: self.latch,
        };
        let backup = two.then(|| EngineSetup { peer: Some(peer(true)), ..main.clone() });
        if let Wiring::Pad(safety) = self.wiring {
            let latch = crate::show::model::Latch::default();
            main.outside = vec![OutsideSetup {
                channel: CLICK_IN,
                click: self.click,
                safety,
                starts_song: true,
                tolerance: None,
                latch,
            }];
        }
        World {
            set: Arc::clone(&self.set),
            backup_set: Arc::clone(&self.set),
            main,
            backup,
            ear,
            passed: passed.is_some(),
            cable: CABLE,
            ppm: if two { 37.0 } else { 0.0 },
            frames: rate.frames(self.seconds).0,
            start: rate.frames(0.3).0,
            seed: self.seed,
        }
    }

    /// Everything that leaves is this much later than the main's own.
    fn shift(&self) -> i64 {
        match self.wiring {
            Wiring::Passed(delay) => CABLE + delay.0 + self.setup.look_ahead as i64,
            Wiring::Pad(delay) => delay.0 + self.setup.look_ahead as i64,
            _ => 0,
        }
    }

    /// The blind window of this wiring in milliseconds.
    pub fn blind_ms(&self) -> f64 {
        10.0 + (64 + CABLE) as f64 * 1000.0 / f64::from(self.set.rate.hertz())
    }

    /// Plays one failure. Where it happens follows from the seed: between two hits, or inside one.
    pub fn rehearse(&self, failure: &Failure) -> Verdict {
        let mut world = self.world();
        let second = i64::from(self.set.rate.hertz());
        let returns = failure.name.starts_with("main-returns");
        if returns && let Some(backup) = &world.backup {
            let peer = backup.peer.as_ref().map(|peer| PeerSetup { backup: false, click: None, ..*peer });
            world.main.peer = peer;
            // A main with a return line is silent until it knows that it may lead.
            world.start = 2 * second;
            world.frames += 4 * second;
        }
        let at = self.moment(&world, failure.name);
        let mishaps = (failure.mishaps)(at, second);
        judge(failure.name, failure.what, &world, &mishaps, at, self.shift(), (failure.allowed)(self.wiring))
    }

    /// About the middle: 40 ms after a hit, or 4 ms into one.
    fn moment(&self, world: &World, name: &str) -> i64 {
        // Each failure has a moment of its own.
        let mixed = name.bytes().fold(self.seed, |mixed, byte| mixed.wrapping_mul(31) ^ u64::from(byte));
        let mut random = fastrand::Rng::with_seed(mixed);
        let dues = super::pair::due(world, &[]);
        let from = (world.frames as f64 * (0.4 + 0.15 * random.f64())) as i64;
        let hit = dues.iter().map(|due| due.frame.0).find(|frame| *frame >= from).unwrap_or(from);
        let ms = i64::from(self.set.rate.hertz()) / 1000;
        hit + if name.ends_with("in-a-hit") { 4 * ms } else { 40 * ms }
    }
}

/// Rehearses every failure that applies to a wiring.
pub fn all(bench: &Bench, mut each: impl FnMut(&Verdict)) -> Vec<Verdict> {
    let applying = FAILURES.iter().filter(|failure| (failure.applies)(bench.wiring));
    applying
        .map(|failure| {
            let verdict = bench.rehearse(failure);
            each(&verdict);
            verdict
        })
        .collect()
}
