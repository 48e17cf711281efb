//! Which failures there are, for which wiring, and what the contract allows.

use super::allowed::{Allowance, Limit, Place};
use super::bench::Wiring;
use super::mishap::{FOREVER, Mishap};
use crate::click::set::Stretch;
use crate::realtime::command::Command;
use crate::renderer::{Corruption, Fault};
use crate::units::Frames;
use std::time::Duration;

/// When it happens, about the middle of the music.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Moment {
    /// 40 ms after a hit.
    BetweenHits,
    /// 4 ms into one.
    InAHit,
    /// 0.5 ms into one, before it has sounded.
    AsAHitBegins,
    /// Between two edges of timecode, as well as between two hits.
    InABit,
    /// It is so from the start of the song.
    FromTheStart,
}

/// What is otherwise than the wiring has it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Stage {
    Usual,
    /// The backup's timecode comes back to the main.
    ReturnLine,
    /// The backup has another show.
    OtherShow,
    /// The main's timecode has another frame rate than the backup's.
    OtherFrames,
    /// The main's interface runs at another sample rate.
    OtherRate,
}

/// A failure and what it does.
pub struct Failure {
    pub name: &'static str,
    pub what: &'static str,
    /// For which wirings it is rehearsed.
    pub applies: fn(Wiring) -> bool,
    /// The mishaps of a failure at a frame; `f` is frames a second.
    pub mishaps: fn(at: i64, f: i64) -> Vec<Mishap>,
    pub allowed: fn(Wiring) -> Allowance,
    pub moment: Moment,
    pub stage: Stage,
}

const fn failure(
    (name, what): (&'static str, &'static str),
    applies: fn(Wiring) -> bool,
    mishaps: fn(i64, i64) -> Vec<Mishap>,
    allowed: fn(Wiring) -> Allowance,
) -> Failure {
    Failure { name, what, applies, mishaps, allowed, moment: Moment::BetweenHits, stage: Stage::Usual }
}

impl Failure {
    const fn at(self, moment: Moment) -> Failure {
        Failure { moment, ..self }
    }

    const fn on(self, stage: Stage) -> Failure {
        Failure { stage, ..self }
    }
}

const NOTHING: Allowance = Allowance {
    lost: 0,
    place: Place { unknown_ms: 0.0, first: false },
    with_device: 0,
    clipped: 0,
    doubled: 0,
    error_ms: 0.0,
    noticed: false,
    limit: None,
};

const fn nothing(_: Wiring) -> Allowance {
    NOTHING
}

const fn limit(words: &'static str, lost: u64, unknown_ms: f64, doubled: u64) -> Option<Limit> {
    Some(Limit { words, lost, unknown_ms, doubled })
}

/// So many that no count is a shortfall.
const ANY: u64 = 1_000_000;

/// A dead main: one hit inside the blind window, none with a safety delay; one that sounds is cut.
pub const fn death(wiring: Wiring) -> Allowance {
    let lost = !matches!(wiring, Wiring::Passed(delay) if delay.0 > 0) as u64;
    let place = Place { unknown_ms: 0.0, first: matches!(wiring, Wiring::TwoWitnesses) };
    Allowance { lost, place, clipped: 1, noticed: true, ..NOTHING }
}

/// What is passed through is filled in until the backup knows what a person did.
const fn unannounced(wiring: Wiring) -> Option<Limit> {
    match wiring {
        Wiring::Passed(_) => limit(
            "what a person changes unannounced is known to this wiring within 0.4 s: until then hits of the old grid may \
             sound, and one of the new may not",
            3,
            400.0,
            3,
        ),
        _ => None,
    }
}

/// A machine that repeats a short buffer is known by its missing words only: up to 180 ms.
const fn frozen(wiring: Wiring) -> Allowance {
    let death = death(wiring);
    let lost = if death.lost > 0 { 2 } else { 0 };
    let buzz = limit("a hung main buzzes on until its mixer channel is muted", 0, 0.0, ANY);
    Allowance { lost, place: Place { unknown_ms: 180.0, ..death.place }, limit: buzz, ..death }
}

const fn late(_: Wiring) -> Allowance {
    Allowance { with_device: 3, clipped: 1, ..NOTHING }
}

const fn pulled_timecode(wiring: Wiring) -> Allowance {
    let limit = match wiring {
        Wiring::OneWitness => limit(
            "with timecode alone a pulled lead looks like a dead main: the band hears two clicks in phase, 6 dB louder, \
             until D is pressed twice on the backup. Wire the main's click to a second input",
            0,
            0.0,
            ANY,
        ),
        _ => None,
    };
    Allowance { noticed: true, limit, ..NOTHING }
}

/// Without a safety delay the first hit is lost.
const fn pads(wiring: Wiring) -> Allowance {
    let lost = matches!(wiring, Wiring::Pad(Frames(0))) as u64;
    Allowance {
        lost,
        place: Place { unknown_ms: 0.0, first: true },
        clipped: 1,
        error_ms: 1.0,
        noticed: true,
        ..NOTHING
    }
}

const fn stray_pad(wiring: Wiring) -> Allowance {
    let words = "a hit that comes early, late or twice has left before it is known to be wrong";
    Allowance { limit: limit(words, 0, 0.0, 6), ..pads(wiring) }
}

/// It must be noticed, and nothing may be heard of it.
pub const fn noticed(_: Wiring) -> Allowance {
    Allowance { noticed: true, ..NOTHING }
}

const fn streamed(wiring: Wiring) -> bool {
    matches!(wiring, Wiring::Streamed)
}

const fn alone(wiring: Wiring) -> bool {
    matches!(wiring, Wiring::Alone)
}

/// Every failure, in the order in which a player would think of them.
pub const FAILURES: &[Failure] = &[
    failure(("nothing-fails", "nothing fails: for comparison"), |_| true, |_, _| vec![], nothing),
    failure(
        ("callback-5-ms-late", "the computer is late by 5 ms"),
        alone,
        |at, f| vec![Mishap::MainLate(at, f / 200)],
        late,
    ),
    failure(
        ("callback-50-ms-late", "the computer is late by 50 ms"),
        alone,
        |at, f| vec![Mishap::MainLate(at, f / 20)],
        late,
    ),
    failure(
        ("callback-500-ms-late", "the computer is late by 500 ms"),
        alone,
        |at, f| vec![Mishap::MainLate(at, f / 2)],
        |wiring| Allowance { with_device: 12, noticed: true, ..late(wiring) },
    ),
    failure(
        ("bad-input", "a microphone input brings what is no sound"),
        alone,
        |at, f| vec![Mishap::NotANumber(at, f / 2)],
        nothing,
    ),
    failure(
        ("renderer-dies", "what reads the click track is killed"),
        streamed,
        |at, _| vec![Mishap::RendererDies(at)],
        noticed,
    ),
    failure(
        ("renderer-freezes", "what reads the click track freezes"),
        streamed,
        |at, _| vec![Mishap::Renderer(at, Fault::Stop)],
        noticed,
    ),
    failure(
        ("renderer-slow", "the disk is slow: a block each 0.4 s"),
        streamed,
        |at, _| vec![Mishap::Renderer(at, Fault::Slow(Duration::from_millis(400)))],
        noticed,
    ),
    failure(
        ("renderer-repeats", "the click track repeats its last block"),
        streamed,
        |at, _| vec![Mishap::Renderer(at, Fault::Repeat)],
        noticed,
    ),
    failure(
        ("renderer-corrupt", "the click track is no numbers any more"),
        streamed,
        |at, _| vec![Mishap::Renderer(at, Fault::Corrupt(Corruption::NotANumber))],
        noticed,
    ),
    failure(
        ("renderer-too-loud", "the click track is far above full scale"),
        streamed,
        |at, _| vec![Mishap::Renderer(at, Fault::Corrupt(Corruption::OverFullScale))],
        noticed,
    ),
    failure(
        ("renderer-silent", "the click track is silence any more"),
        streamed,
        |at, _| vec![Mishap::Renderer(at, Fault::Corrupt(Corruption::Silent))],
        noticed,
    ),
    failure(
        ("renderer-stale", "the click track is that of the place before"),
        streamed,
        |at, _| vec![Mishap::Renderer(at, Fault::Corrupt(Corruption::OldGeneration))],
        noticed,
    ),
    failure(
        ("renderer-misplaced", "the click track is stamped a tenth of a second late"),
        streamed,
        |at, _| vec![Mishap::Renderer(at, Fault::Corrupt(Corruption::Misplaced(Frames(4800))))],
        noticed,
    ),
    failure(
        ("main-dies", "the main laptop dies between two hits"),
        Wiring::two,
        |at, _| vec![Mishap::MainDies(at)],
        death,
    ),
    failure(
        ("main-dies-in-a-hit", "the main laptop dies in the middle of a hit"),
        Wiring::two,
        |at, _| vec![Mishap::MainDies(at)],
        death,
    )
    .at(Moment::InAHit),
    failure(
        ("main-dies-as-a-hit-begins", "the main laptop dies as a hit begins, before that is heard"),
        Wiring::two,
        |at, _| vec![Mishap::MainDies(at)],
        death,
    )
    .at(Moment::AsAHitBegins),
    failure(
        ("main-dies-in-a-bit", "the main laptop dies in the middle of a bit of timecode"),
        Wiring::two,
        |at, _| vec![Mishap::MainDies(at)],
        death,
    )
    .at(Moment::InABit),
    failure(
        ("main-hangs", "the main repeats its last buffer for ever"),
        Wiring::two,
        |at, _| vec![Mishap::MainRepeats(at)],
        frozen,
    ),
    failure(
        ("main-stops", "a person stops the song: no failure"),
        Wiring::two,
        |at, _| vec![Mishap::Pressed(at, Command::Stop)],
        |wiring| Allowance { clipped: 1, limit: unannounced(wiring), ..NOTHING },
    ),
    failure(
        ("main-jumps", "one is now: no failure"),
        Wiring::two,
        |at, _| vec![Mishap::Pressed(at, Command::OneIsNow)],
        |wiring| Allowance { limit: unannounced(wiring), ..NOTHING },
    ),
    failure(
        ("main-jumps-then-dies", "one is now, and a second later the main dies"),
        Wiring::two,
        |at, f| vec![Mishap::Pressed(at - f, Command::OneIsNow), Mishap::MainDies(at)],
        |wiring| Allowance { limit: unannounced(wiring), ..death(wiring) },
    ),
    failure(
        ("main-faster-tonight-then-dies", "a faster tempo tonight, and two seconds later the main dies"),
        Wiring::two,
        |at, f| {
            let stretch = Stretch { over: 132, under: 135 };
            vec![Mishap::Pressed(at - 2 * f, Command::Tempo(stretch)), Mishap::MainDies(at)]
        },
        |wiring| Allowance { limit: unannounced(wiring), ..death(wiring) },
    ),
    failure(
        ("main-is-5-ms-late", "the main's callback is late by 5 ms, and it plays on"),
        Wiring::two,
        |at, f| vec![Mishap::MainLate(at, f / 200)],
        late,
    ),
    failure(
        ("main-is-50-ms-late", "the main's callback is late by 50 ms, and it plays on"),
        Wiring::two,
        |at, f| vec![Mishap::MainLate(at, f / 20)],
        |wiring| Allowance { lost: 1, ..late(wiring) },
    ),
    failure(
        ("main-is-500-ms-late", "the main's callback is late by 500 ms, and it plays on"),
        Wiring::two,
        |at, f| vec![Mishap::MainLate(at, f / 2)],
        |wiring| {
            let words = "a main that stands still for half a second looks dead: when it goes on, it sounds beside the \
                         backup until the two have heard over the return line which of them leads, within 2 s";
            let beside = if wiring.own() { limit(words, 3, 2000.0, 8) } else { None };
            Allowance { with_device: 12, limit: beside, ..death(wiring) }
        },
    )
    .on(Stage::ReturnLine),
    failure(
        ("main-returns", "the main dies and is started again: it stays silent"),
        Wiring::own,
        |at, f| vec![Mishap::MainDies(at), Mishap::MainReturns(at + 3 * f)],
        death,
    )
    .on(Stage::ReturnLine),
    failure(
        ("main-returns-and-takes-back", "the main dies, returns silent, and takes the click back by key"),
        Wiring::own,
        |at, f| {
            vec![
                Mishap::MainDies(at),
                Mishap::MainReturns(at + 2 * f),
                Mishap::Pressed(at + 6 * f, Command::TakeOver),
            ]
        },
        // Between the one that lets go and the one that takes it a hit may be missing; never two clicks.
        |wiring| {
            let death = death(wiring);
            Allowance { lost: 3, place: Place { unknown_ms: 1000.0, ..death.place }, ..death }
        },
    )
    .on(Stage::ReturnLine),
    failure(
        ("return-line-cut", "the backup's return line to the main is cut, both play on"),
        Wiring::own,
        |at, _| vec![Mishap::ReturnOut(at, FOREVER)],
        nothing,
    )
    .on(Stage::ReturnLine),
    failure(
        ("main-returns-without-return-line", "the same without a return line: it stays silent as well"),
        Wiring::own,
        |at, f| {
            vec![
                Mishap::MainDies(at),
                Mishap::ReturnOut(at + f, FOREVER),
                Mishap::MainReturns(at + 3 * f),
            ]
        },
        death,
    )
    .on(Stage::ReturnLine),
    failure(
        ("backup-dies", "the backup dies while the main plays"),
        Wiring::two,
        |at, _| vec![Mishap::BackupDies(at)],
        |wiring| match wiring {
            Wiring::Passed(_) => {
                let words = "the main's click goes through the backup: without it there is silence until the main is \
                             patched straight to the mixer";
                Allowance { clipped: 1, limit: limit(words, ANY, f64::INFINITY, 0), ..NOTHING }
            }
            _ => NOTHING,
        },
    ),
    failure(
        ("timecode-lead-pulled", "the timecode lead is pulled, the main plays on"),
        Wiring::two,
        |at, _| vec![Mishap::TimecodeOut(at, FOREVER)],
        pulled_timecode,
    ),
    failure(
        ("timecode-cut-in-a-bit", "timecode is cut in the middle of a bit, the main plays on"),
        Wiring::two,
        |at, _| vec![Mishap::TimecodeOut(at, FOREVER)],
        pulled_timecode,
    )
    .at(Moment::InABit),
    failure(
        ("timecode-cut-in-a-hit", "timecode is cut in the middle of a hit, the main plays on"),
        Wiring::two,
        |at, _| vec![Mishap::TimecodeOut(at, FOREVER)],
        pulled_timecode,
    )
    .at(Moment::InAHit),
    failure(
        ("timecode-cut-between-songs", "timecode is cut between songs, and the main starts the next one"),
        Wiring::two,
        |at, f| {
            vec![
                Mishap::Pressed(at - f, Command::Stop),
                Mishap::TimecodeOut(at, FOREVER),
                Mishap::Pressed(at + f, Command::Start),
            ]
        },
        |wiring| Allowance { clipped: 1, limit: unannounced(wiring), ..noticed(wiring) },
    ),
    failure(
        ("timecode-lead-kicked", "the timecode lead is out for 100 ms"),
        Wiring::both,
        |at, f| vec![Mishap::TimecodeOut(at, at + f / 10)],
        nothing,
    ),
    failure(
        ("click-lead-pulled", "the main's click lead to the backup is pulled, timecode goes on"),
        |wiring| matches!(wiring, Wiring::TwoWitnesses),
        |at, _| vec![Mishap::ClickOut(at, FOREVER)],
        nothing,
    ),
    failure(
        ("passed-click-lost", "the main's click is lost on its way: this machine fills in"),
        Wiring::passed,
        |at, _| vec![Mishap::ClickOut(at, FOREVER)],
        death,
    ),
    failure(
        ("one-passed-hit-lost", "one hit of the main's click is lost on its way"),
        Wiring::passed,
        |at, f| vec![Mishap::ClickOut(at, at + f / 5)],
        |wiring| Allowance { noticed: false, ..death(wiring) },
    ),
    failure(
        ("crackle", "the timecode lead crackles for 5 ms"),
        Wiring::two,
        |at, f| vec![Mishap::Crackle(at, f / 200)],
        nothing,
    ),
    failure(
        ("timecode-noisy", "timecode 15 dB above noise, then the main dies"),
        Wiring::two,
        |at, _| vec![Mishap::Noise(15.0), Mishap::MainDies(at)],
        // What is left on the line is noise, in which silence is known later than 10 ms.
        |wiring| Allowance { lost: 1, place: Place { unknown_ms: 10.0, first: true }, ..death(wiring) },
    ),
    failure(
        ("timecode-upside-down", "timecode arrives upside down, then the main dies"),
        Wiring::two,
        |at, _| vec![Mishap::Gain(-1.0), Mishap::MainDies(at)],
        death,
    ),
    failure(
        ("timecode-too-low", "timecode arrives 40 dB too low, then the main dies"),
        Wiring::two,
        |at, _| vec![Mishap::Gain(0.01), Mishap::MainDies(at)],
        death,
    ),
    failure(
        ("timecode-at-another-frame-rate", "the main's timecode has another frame rate, then it dies"),
        Wiring::two,
        |at, _| vec![Mishap::MainDies(at)],
        death,
    )
    .on(Stage::OtherFrames),
    failure(
        ("main-at-another-sample-rate", "the main runs at another sample rate, then it dies"),
        Wiring::two,
        |at, _| vec![Mishap::MainDies(at)],
        death,
    )
    .on(Stage::OtherRate),
    failure(
        ("timecode-of-another-show", "the main plays another version of the show"),
        Wiring::two,
        |_, _| vec![],
        noticed,
    )
    .at(Moment::FromTheStart)
    .on(Stage::OtherShow),
    failure(
        ("another-show-then-main-dies", "the main plays another version of the show, and dies"),
        Wiring::two,
        |at, _| vec![Mishap::MainDies(at)],
        |wiring| {
            let words = "a song that differs on the two machines is not covered; the backup names it when it is chosen";
            Allowance { limit: limit(words, ANY, f64::INFINITY, 0), ..death(wiring) }
        },
    )
    .on(Stage::OtherShow),
    failure(
        ("pad-cut", "the other device's click is cut"),
        Wiring::pad,
        |at, _| vec![Mishap::ClickOut(at, FOREVER)],
        pads,
    ),
    failure(
        ("pad-early", "the other device's click comes 25 ms early"),
        Wiring::pad,
        |at, f| vec![Mishap::PadShifts(at, -f / 40)],
        stray_pad,
    ),
    failure(
        ("pad-late", "the other device's click comes 20 ms late"),
        Wiring::pad,
        |at, f| vec![Mishap::PadShifts(at, f / 50)],
        stray_pad,
    ),
    failure(
        ("pad-doubled", "each of its hits comes twice"),
        Wiring::pad,
        |at, _| vec![Mishap::PadDoubles(at)],
        |wiring| Allowance { noticed: false, ..stray_pad(wiring) },
    ),
    failure(
        ("pad-drowned", "the other device's line turns to hum"),
        Wiring::pad,
        |at, _| vec![Mishap::PadHums(at)],
        pads,
    ),
    failure(
        ("by-hand", "the main dies, and a person at the backup takes over at once"),
        Wiring::own,
        |at, _| vec![Mishap::MainDies(at), Mishap::PressedBackup(at, Command::TakeOver)],
        death,
    ),
];
