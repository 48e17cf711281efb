//! Promise: what happened is read back from any log, in a musician's words, on one page that needs nothing else.

use fogbell::click::set::HitKind;
use fogbell::exposure::{CAUTION, Calibration, Figures, Meter, Source as Heard, Way};
use fogbell::listener::verdict::Tally;
use fogbell::listener::{Finding, Outcome, Verdict};
use fogbell::log::kept::{self, Kind};
use fogbell::log::{DeviceDid, DeviceTold, Entry, Line, SCHEMA, Start};
use fogbell::realtime::event::{Cause, LineNow, PeerNow, RunState, Source, Why};
use fogbell::report::{Gather, Nights, page, run, text};
use fogbell::telemetry::LoadSummary;
use fogbell::units::SampleRate;
use serde_json::{Value, json};
use std::path::Path;
use std::process::{Command, Output};

/// At 120 a beat is 24,000 frames of 48 kHz, a bar 96,000: every place below is exact.
const SHOW: &str = "show = \"Saltmarsh Five\"\n[click.drums]\nevery = \"eighths\"\n[click.band]\nevery = \"beats\"\n\
    [[song]]\ntitle = \"Low Tide\"\ntempo = 120\nmetre = \"4/4\"\ncount_in = 1\n\
    [[song.section]]\nname = \"verse\"\nbars = 16\n[[song.section]]\nname = \"chorus\"\nbars = 8\n\
    [[song]]\ntitle = \"Eel Net\"\ntempo = 120\nmetre = \"4/4\"\nbars = 8\n\
    [[song]]\ntitle = \"Spring Tide\"\ntempo = 120\nmetre = \"4/4\"\nbars = 8\n";
const BAR: i64 = 96_000;

/// A log that is written line by line.
struct Book {
    /// Seconds since midnight at which it was opened, and the day.
    day: u32,
    opened: u64,
    lines: String,
}

impl Book {
    fn new(day: u32, opened: u64) -> Book {
        Book { day, opened, lines: String::new() }
    }

    fn time(&self, ms: u64) -> String {
        let all = self.opened * 1000 + ms;
        let (s, ms) = (all / 1000, all % 1000);
        format!("2026-11-{:02}T{:02}:{:02}:{:02}.{ms:03}+01:00", self.day, s / 3600, s / 60 % 60, s % 60)
    }

    fn say(&mut self, ms: u64, frame: Option<i64>, entry: Entry) {
        let line = Line { time: self.time(ms), ms, frame, entry };
        self.lines.push_str(&serde_json::to_string(&line).unwrap());
        self.lines.push('\n');
    }

    /// A thing that belongs to a frame of the device, which began with the log.
    fn at(&mut self, frame: i64, entry: Entry) {
        self.say((frame / 48) as u64, Some(frame), entry);
    }

    fn start(&mut self) {
        let start = Start {
            schema: SCHEMA,
            program: "fogbell 0.1.0".into(),
            show: "Saltmarsh Five".into(),
            text: SHOW.into(),
            rig: "our eight-channel box".into(),
            host: "virtual".into(),
            device: "hall.toml".into(),
            rate: 48_000,
            block: 128,
            ..Start::default()
        };
        self.say(0, None, Entry::Start(Box::new(start)));
    }

    fn section(&mut self, song: u16, leg: u16, name: &str, bar: i32, at: i64) {
        let anchor = (i128::from(at) << 48).to_string();
        let (section, stretch, why) = (name.into(), (1, 1), if leg == 0 { Why::Start } else { Why::Follows });
        let entry = Entry::Section {
            song,
            section,
            pass: 0,
            bar,
            anchor,
            stretch,
            leg,
            called: false,
            from_hit: 0,
            why,
        };
        self.at(at, entry);
    }

    /// Low Tide from second 1: a bar counted in, 16 of verse, 8 of chorus; then it stops.
    fn low_tide(&mut self, within: impl FnOnce(&mut Book)) {
        let first = 48_000;
        self.at(first, Entry::Song { song: 0, title: "Low Tide".into() });
        self.section(0, 0, "count-in", 0, first);
        self.section(0, 1, "verse", 1, first + BAR);
        within(self);
        self.section(0, 2, "chorus", 17, first + 17 * BAR);
        self.at(first + 25 * BAR, Entry::Run { state: RunState::Stopped, song: 0, ended: true });
    }

    fn end(&mut self, ms: u64, verdict: Verdict) {
        self.say(ms, None, Entry::Verdict { verdict: Box::new(verdict) });
        self.say(
            ms,
            None,
            Entry::End { reason: "as asked".into(), frames: ms as i64 * 48, device_lost: None },
        );
    }
}

/// The frame of a bar of the verse that `low_tide` plays.
const fn bar(number: i64) -> i64 {
    48_000 + number * BAR
}

fn heard(due: u64, missed: u64) -> Verdict {
    let all = Tally { due, sounded: due - missed, missed, largest_error_frames: 0.48, ..Tally::default() };
    Verdict { all, ..Verdict::default() }
}

fn covered() -> Entry {
    Entry::Covered { click: 1, name: "band".into(), cause: Cause::Absent }
}

/// A night on which much went wrong.
fn stormy(day: u32) -> String {
    let mut book = Book::new(day, 21 * 3600);
    book.start();
    book.say(5, None, Entry::Command { id: 1, command: "start".into(), follows: false });
    book.say(6, None, Entry::Answer { id: 1, done: false });
    book.low_tide(|book| {
        (0..3).for_each(|beat| book.at(bar(12) + beat * 24_000, covered()));
        book.at(bar(13), Entry::Xrun { lost_frames: 480 });
        book.at(bar(13) + 600, Entry::LateHit { hit: 3, late_frames: 96 });
        book.at(bar(13) + 700, Entry::LostHits { count: 2 });
        let peer = PeerNow { backup: true, line: LineNow::Alive, ..PeerNow::default() };
        book.at(bar(13) + 900, Entry::Machine(peer));
        book.at(bar(14), Entry::Machine(PeerNow { leads: true, line: LineNow::Gone, ..peer }));
        let switch = |source, cause, bar| Entry::Switch {
            click: 1,
            name: "band".into(),
            source,
            cause,
            song: 0,
            bar,
            beat: 2,
        };
        book.at(bar(15) + 24_000, switch(Source::Fallback, Cause::Late, 15));
        book.at(bar(16), Entry::Power { battery_percent: Some(80), charger: Some(false) });
        book.at(bar(16) + 10, Entry::BadInput { channel: 2 });
        book.at(bar(16) + 20, Entry::AllOut { on: true });
        book.at(bar(16) + 30, Entry::Note { text: "DEVICE LOST: the server is gone".into() });
        book.at(bar(16) + 40, Entry::LinesLost { count: 7 });
    });
    for second in 0..55u64 {
        let limiter_db = if second > 20 { -2.5 } else { 0.0 };
        book.say(second * 1000, None, Entry::Levels { peak_db: -12.0 - (second % 5) as f64, limiter_db });
    }
    let mut counts = vec![0; 24];
    (counts[3], counts[9], counts[18], counts[21]) = (900_000, 40_000, 12_000, 3);
    let load = LoadSummary {
        callbacks: 952_003,
        median_percent: 0.28,
        p99_percent: 62.0,
        largest_percent: 180.0,
        counts,
    };
    book.say(55_000, None, Entry::Load(load));
    let finding = Finding {
        outcome: Outcome::Missed,
        frame: bar(13) + 24_000,
        channel: 0,
        click: Some(0),
        song: 0,
        bar: 13,
        beat: 2,
        subdivision: 0,
        kind: Some(HitKind::Beat),
        error_frames: 0.0,
        level_db: -200.0,
    };
    book.end(55_000, Verdict { findings: vec![finding], ..heard(300, 1) });
    book.lines
}

fn calm(day: u32) -> String {
    let mut book = Book::new(day, 21 * 3600);
    book.start();
    book.low_tide(|_| {});
    let load = LoadSummary {
        callbacks: 20_000,
        p99_percent: 4.0,
        counts: vec![0, 20_000],
        ..LoadSummary::default()
    };
    book.say(54_000, None, Entry::Load(load));
    book.end(55_000, heard(300, 0));
    book.lines
}

fn kept_line(day: u32, kind: Kind, result: Value) -> String {
    let mut book = Book::new(day, 18 * 3600);
    book.say(0, None, Entry::Kept { kind, result });
    book.lines
}

fn drill() -> Value {
    let failure = |name: &str, passed: bool| {
        json!({ "name": name, "what": format!("{name} in the middle of a bar"), "wiring": "one machine",
                "passed": passed, "detected_ms": 12.5, "missed": 0, "late": 1, "doubled": 0, "largest_error_ms": 0.01 })
    };
    json!({ "outcome": "fell short", "failures": [failure("main-dies", true), failure("lead-pulled", false)] })
}

fn latency(frames: f64) -> Value {
    json!({ "command": "latency", "outcome": "measured", "round_trip_frames": frames, "round_trip_ms": frames / 48.0,
            "interval_95_frames": 0.01, "spread_frames": 0.02, "snr_db": 60.0, "shots": 8, "device": "hall", "block": 128 })
}

fn ready() -> Value {
    json!({ "command": "ready", "ok": false, "items": [
        { "name": "charger", "state": "alarm", "finding": "the charger is out", "mend": "plug it in" },
        { "name": "disk", "state": "ok", "finding": "49 GB free", "mend": "" } ] })
}

fn report(files: &[&str]) -> Nights {
    let mut gather = Gather::default();
    for (number, file) in files.iter().enumerate() {
        gather.file(&format!("{number}.jsonl"), file.as_bytes());
    }
    gather.nights()
}

/// 100 dBA is NIOSH's limit after fifteen minutes; twice a minute and a half of it is a fifth of a day.
#[test]
fn exposure_of_the_log_is_told_and_nobody_is_told_that_it_was_not_measured() {
    let loud = |known: Option<f64>| {
        let calibration = known.map(|db| Calibration::new(Way::Read { db, at_dbfs: -20.0 }, None));
        let mut meter = Meter::new(SampleRate::standard(), 1, calibration);
        let second: Vec<f32> =
            (0..48_000).map(|n| 0.1 * (std::f64::consts::TAU * f64::from(n) / 48.0).sin() as f32).collect();
        (0..90).for_each(|_| meter.hear(&[&second]));
        vec![Figures::of("drums", Heard::Feed, &meter)]
    };
    let night_of = |from: u64, known: Option<f64>| {
        let mut book = Book::new(25, from);
        book.start();
        book.low_tide(|_| {});
        let entry = |ended| Entry::Exposure { ended, figures: loud(known), caution: CAUTION.into() };
        book.say(53_000, None, entry(false));
        book.say(54_000, None, entry(true));
        book.end(55_000, heard(300, 0));
        book.lines
    };
    let night = |from: u64, known: bool| night_of(from, known.then_some(100.0));
    let twice = report(&[&night(21 * 3600, true), &night(22 * 3600, true)]);
    let said = &twice.nights[0].summary.ears;
    assert!(said.starts_with("drums: at least 100 dBA ± 4 dB on average, at least 20 % of a day"), "{said}");
    assert!(said.ends_with(CAUTION) && !said.contains("not measured"), "{said}");
    for shown in [page::page(&twice), text::text(&twice)] {
        assert!(shown.contains("OSHA 1910.95") && shown.contains("because the mixer adds"), "{shown}");
    }
    // 15 dB more are five doublings, 3 dB each: 32 times a tenth of a day's dose, and that is the first thing to mend.
    let over = &report(&[&night_of(21 * 3600, Some(115.0))]).nights[0].mends;
    assert!(
        over[0].what.starts_with("drums: 3") && over[0].how.contains("hearing professional"),
        "{over:#?}"
    );
    assert!(twice.nights[0].mends.iter().all(|mend| !mend.what.contains("noise dose")));
    let unknown = report(&[&night(21 * 3600, false)]);
    let said = &unknown.nights[0].summary.ears;
    assert!(said.contains("nobody knows how loud") && said.ends_with(CAUTION), "{said}");
    assert!(!said.contains("dBA") && !said.contains("not measured"), "{said}");
    let silent = report(&[&calm(25)]);
    assert!(silent.nights[0].summary.ears.starts_with("Exposure was not measured."));
}

#[test]
fn six_lines_say_how_the_night_went() {
    let nights = report(&[&stormy(25)]);
    let summary = &nights.nights[0].summary;
    // Low Tide: from second 1 to 25 bars of 2 s later.
    assert!(summary.played.starts_with("1 song, 0:50 of music"), "{}", summary.played);
    assert_eq!(summary.lost, "Of 300 hits: 1 missed.");
    let saved = &summary.saved;
    assert_eq!(
        saved,
        "The laptop's own engine, 4 times, in Low Tide; the other laptop, 1 time, in Low Tide."
    );
    // One that was 96 frames late by the engine's own word.
    assert!(summary.worst.starts_with("2.000 ms"), "{}", summary.worst);
    assert!(summary.ears.ends_with("Follow local rules; see a hearing professional."), "{}", summary.ears);
    assert!(summary.mend.starts_with("The interface was lost at bar 16 of Low Tide"), "{}", summary.mend);
    let calm = report(&[&calm(25)]);
    // 0.48 of 48 frames a millisecond.
    assert!(calm.nights[0].summary.worst.starts_with("0.010 ms"), "{}", calm.nights[0].summary.worst);
    let lines: Vec<String> =
        calm.nights[0].summary.lines().iter().map(|(_, line)| line.to_string()).collect();
    assert_eq!(lines[1..3], ["Nothing: all 300 hits sounded.", "Nothing had to be saved."]);
    assert_eq!(lines[5], "Nothing that this log knows of.");
}

#[test]
fn everything_is_told_in_a_musician_s_words_with_its_bar() {
    let nights = report(&[&stormy(25)]);
    let told: Vec<&str> = nights.nights[0].runs[0].events.iter().map(|event| event.words.as_str()).collect();
    for words in [
        "Bar 12 of Low Tide: the click (band) came from the laptop's own engine for 3 hits, because its hit was not heard.",
        "Bar 13 of Low Tide: the computer was late once; 10.0 ms of sound are missing.",
        "Bar 13 of Low Tide: 1 hit sounded late, because the computer was; by 2.0 ms at most.",
        "Bar 13 of Low Tide: 2 hits could not sound, because the interface took no sound at that moment.",
        "Bar 13 of Low Tide: 1 hit did not sound.",
        "Bar 14 of Low Tide: from here the backup made the click, because the main was gone or a person said so.",
        "Bar 15 of Low Tide: from here the click (band) came from this laptop's own engine, because the track did not come in time.",
        "Bar 16 of Low Tide: NO CHARGER, battery 80 %.",
        "Bar 16 of Low Tide: input 3 brought something that is no sound; it was made silence.",
        "Bar 16 of Low Tide: all out.",
        "Bar 16 of Low Tide: the interface was lost: the server is gone.",
        "Bar 16 of Low Tide: 7 lines could not be written to the log.",
        "Between songs: somebody pressed: start; it could not be done there.",
    ] {
        assert!(told.contains(&words), "{words}\nis not in\n{}", told.join("\n"));
    }
    let run = &nights.nights[0].runs[0];
    let covered = run.events.iter().find(|event| event.kind == run::Kind::Covered).unwrap();
    assert_eq!(
        (covered.clock.as_str(), covered.detail.as_str()),
        ("21:00:25", "verse, bar 12, beat 1; Absent")
    );
    let song = &run.songs[0];
    assert_eq!((song.planned_seconds, song.seconds(), song.ended), (Some(50.0), 50.0, true));
    assert_eq!(song.bars.len(), 25);
    assert_eq!(run.not_played, ["Eel Net", "Spring Tide"]);
}

#[test]
fn a_backup_that_waited_and_what_nobody_asked_for_are_told_as_such() {
    let mut book = Book::new(3, 21 * 3600);
    book.start();
    book.low_tide(|book| {
        let peer = PeerNow { backup: true, line: LineNow::Alive, ..PeerNow::default() };
        book.at(bar(7), Entry::Machine(peer));
        let gone = PeerNow { leads: true, line: LineNow::Gone, ..peer };
        book.at(bar(8), Entry::Machine(gone));
        let (click, name, beat) = (0, "drums".to_string(), 1);
        let (source, cause) = (Source::Own, Cause::MainGone);
        book.at(bar(8), Entry::Switch { click, name, source, cause, song: 0, bar: 8, beat });
        book.at(bar(8) + 300, Entry::LateHit { hit: 3, late_frames: 252 });
        // It comes back: for a moment what begins on the line is no timecode yet.
        book.at(bar(12), Entry::Machine(PeerNow { line: LineNow::Implausible, ..gone }));
        book.at(bar(12) + 9_600, Entry::Machine(PeerNow { leads: true, ..peer }));
        let command = "choose song 2".to_string();
        book.at(bar(8) + 900, Entry::Command { id: 1, command, follows: true });
        book.at(bar(8) + 901, Entry::Answer { id: 1, done: false });
    });
    book.end(55_000, heard(300, 0));
    let nights = report(&[&book.lines]);
    let text = fogbell::report::text::text(&nights);
    assert!(text.contains("1 hit sounded 5.2 ms late at most: the backup waited"), "{text}");
    assert!(text.contains("5.250 ms off its place"), "{text}");
    assert!(text.contains("Saved by    The other laptop, 1 time, in Low Tide."), "{text}");
    let mends: Vec<&str> = nights.nights[0].mends.iter().map(|mend| mend.what.as_str()).collect();
    assert_eq!(mends, ["the backup had to take over at bar 8 of Low Tide"]);
    assert!(!text.contains("somebody pressed") && !text.contains("without a late computer"), "{text}");
}

#[test]
fn what_to_mend_stands_in_order_with_its_remedy() {
    let night =
        &report(&[&stormy(25), &kept_line(25, Kind::Ready, ready()), &kept_line(25, Kind::Drill, drill())])
            .nights[0];
    let whats: Vec<&str> = night.mends.iter().map(|mend| mend.what.as_str()).collect();
    let place = |part: &str| {
        whats
            .iter()
            .position(|what| what.contains(part))
            .unwrap_or_else(|| panic!("{part} is not in {whats:#?}"))
    };
    let order = [
        "interface was lost",
        "backup had to take over",
        "its hit was not heard",
        "charger was out",
        "computer was late",
        "no sound",
        "log is not whole",
        "one callback in a hundred",
        "3 callbacks took longer",
        "charger: the charger is out",
        "a limiter worked for 34 s, by up to 2.5 dB",
    ];
    let places: Vec<usize> = order.iter().map(|part| place(part)).collect();
    assert!(places.is_sorted(), "{places:?} {whats:#?}");
    assert!(place("lead-pulled in the middle of a bar (one machine) fell short") > 0);
    assert!(night.mends.iter().all(|mend| !mend.how.is_empty()), "{:#?}", night.mends);
}

#[test]
fn a_click_from_outside_is_told_song_by_song() {
    let mut book = Book::new(25, 21 * 3600);
    book.start();
    let external = |song: u16, hits: u32, drift_ppm: f64| {
        let (name, mean_ms, spread_ms) = ("band".into(), 0.25, 1.5);
        Entry::External { click: 1, name, song, hits, mean_ms, spread_ms, drift_ppm }
    };
    book.low_tide(|book| {
        (1..4).for_each(|n| book.at(bar(4 * n), external(0, 16 * n as u32, 20.0 * n as f64)))
    });
    book.at(60 * 48_000, Entry::Song { song: 1, title: "Eel Net".into() });
    book.at(62 * 48_000, external(1, 16, -35.0));
    let nights = report(&[&book.lines]);
    let told: Vec<(&str, u32, f64)> = nights.nights[0].runs[0]
        .external
        .iter()
        .map(|one| (one.song.as_str(), one.hits, one.drift_ppm))
        .collect();
    assert_eq!(told, [("Low Tide", 48, 60.0), ("Eel Net", 16, -35.0)]);
    assert!(text::text(&nights).contains("late by +0.25 ms on average, spread 1.50 ms, -35 ppm fast"));
}

/// What an interface does has a line of its own; older logs say it in the words of a note. Both are told alike.
#[test]
fn what_an_interface_did_is_read_from_its_fields_and_from_older_words() {
    let told = |what, text: &str| DeviceTold { what, text: text.into(), ..DeviceTold::default() };
    let why = |told: DeviceTold, why: &str| DeviceTold { why: Some(why.into()), ..told };
    let events = [
        why(
            told(
                DeviceDid::Lost,
                "DEVICE LOST: the server is gone. The place runs on; it is opened again as soon as it is there.",
            ),
            "the server is gone",
        ),
        why(
            told(
                DeviceDid::CannotOpen,
                "NO DEVICE: no such card. Plug it in, start its server; it is tried all the time.",
            ),
            "no such card",
        ),
        told(DeviceDid::SparePlays, "THE SPARE DEVICE PLAYS: hall.toml, after 1.5 s, in the band's time."),
        told(DeviceDid::OtherRate, "THE DEVICE RUNS AT 44100 NOW: the set is made again for it."),
        DeviceTold { count: Some(3), ..told(DeviceDid::Xruns, "the host counts 3 more xruns") },
        DeviceTold { count: Some(128), ..told(DeviceDid::LostFrames, "128 frames nobody asked for") },
        DeviceTold {
            second: true,
            ..told(DeviceDid::Silent, "SECOND INTERFACE SILENT: it has stopped calling.")
        },
    ];
    let night = |say: &dyn Fn(&DeviceTold) -> Entry| {
        let mut book = Book::new(25, 21 * 3600);
        book.start();
        book.low_tide(|book| {
            for (number, told) in (3..).zip(&events) {
                book.at(bar(number), say(told));
            }
        });
        book.end(55_000, heard(300, 0));
        report(&[&book.lines])
    };
    let new = night(&|told| Entry::Device(told.clone()));
    let old = night(&|told| Entry::Note { text: told.text.clone() });
    let words = |nights: &Nights| {
        let events = &nights.nights[0].runs[0].events;
        assert!(events.iter().all(|event| event.kind == run::Kind::Device), "{events:#?}");
        events.iter().map(|event| event.words.clone()).collect::<Vec<_>>()
    };
    assert_eq!(words(&new), words(&old));
    assert_eq!(words(&new)[0], "Bar 3 of Low Tide: the interface was lost: the server is gone.");
    assert_eq!(words(&new)[5], "Bar 8 of Low Tide: 128 frames went by unheard.");
    for nights in [&new, &old] {
        let mends: Vec<&str> = nights.nights[0].mends.iter().map(|mend| mend.what.as_str()).collect();
        assert_eq!(mends[0], "the interface was lost at bar 3 of Low Tide", "{mends:?}");
        assert!(
            mends.iter().any(|what| what.starts_with("another program set the interface to")),
            "{mends:?}"
        );
    }
    // With its facts a sentence says more than the words of the screen.
    let back = DeviceTold {
        device: Some("hall.toml".into()),
        away_seconds: Some(1.25),
        ..told(DeviceDid::Back, "DEVICE BACK: hall.toml, after 1.2 s, in the band's time.")
    };
    let mut book = Book::new(25, 21 * 3600);
    book.start();
    book.low_tide(|book| book.at(bar(5), Entry::Device(back)));
    let device_lost = Some("the server is gone".to_string());
    book.say(
        55_000,
        None,
        Entry::End { reason: "the device no longer plays".into(), frames: 0, device_lost },
    );
    let nights = report(&[&book.lines]);
    let run = &nights.nights[0].runs[0];
    assert_eq!(
        run.events[0].words,
        "Bar 5 of Low Tide: the interface (hall.toml) was back after 1.2 s, in the band's time."
    );
    assert_eq!(nights.nights[0].mends[0].what, "the interface was lost");
    // A deed of tomorrow is no fault of the line.
    let line = r#"{"time":"t","ms":0,"event":"device","what":"of-tomorrow","text":"IT HUMS"}"#;
    let line: Line = serde_json::from_str(line).unwrap();
    assert_eq!(line.entry, Entry::Device(told(DeviceDid::Other, "IT HUMS")));
}

/// The verse of the new show has three beats a bar, so that bar 3 begins after six beats of 24,000 frames and not eight.
#[test]
fn after_the_show_was_read_again_bars_are_those_of_the_new_show() {
    let again = SHOW.replacen("metre = \"4/4\"", "metre = \"3/4\"", 1);
    let night = |done: bool| {
        let mut book = Book::new(25, 21 * 3600);
        book.start();
        book.low_tide(|book| book.at(bar(1) + 8 * 24_000, covered()));
        let (show, text) = ("Saltmarsh Five".into(), again.clone());
        book.say(52_000, None, Entry::Show { id: 9, show, digest: "d".into(), text });
        book.say(52_010, None, Entry::Answer { id: 9, done });
        let first = 60 * 48_000;
        book.at(first, Entry::Song { song: 0, title: "Low Tide".into() });
        book.section(0, 1, "verse", 1, first);
        book.at(first + 6 * 24_000, covered());
        book.at(first + 8 * 24_000, Entry::Run { state: RunState::Stopped, song: 0, ended: false });
        book.end(70_000, heard(300, 0));
        report(&[&book.lines])
    };
    let places = |nights: &Nights| {
        let covered = nights.nights[0].runs[0].events.iter().filter(|event| event.kind == run::Kind::Covered);
        covered
            .map(|event| event.place.clone().and_then(|place| Some((place.bar?, place.beat?))))
            .collect::<Vec<_>>()
    };
    // A bar of four is bar 3 after eight beats in both; the new one's after six.
    assert_eq!(places(&night(true)), [Some((3, 1)), Some((3, 1))]);
    assert_eq!(
        places(&night(false)),
        [Some((3, 1)), Some((2, 3))],
        "a show that was not taken changes nothing"
    );
    let nights = night(true);
    let run = &nights.nights[0].runs[0];
    // 16 bars of verse and 8 of chorus of three beats each, without the count-in of one bar: 36 s; before: 48 s and 2 s.
    assert_eq!(
        run.songs.iter().map(|song| song.planned_seconds).collect::<Vec<_>>(),
        [Some(50.0), Some(36.0)]
    );
    assert!(run.events.iter().any(|event| event.words.contains("the show file was read again")));
}

/// Faults as `fogbell linecheck --json` says them.
fn line_check() -> Value {
    json!({ "command": "linecheck", "mode": "walk", "ok": false, "unchecked": 1, "keys": 9, "seconds": 48.2, "outputs": [
        { "channel": 2, "name": "drums", "player": "Wren", "verdict": "right", "level_db": -24.0 },
        { "channel": 1, "name": "band", "player": "", "verdict": "wrong", "level_db": -12.0 },
        { "channel": 3, "name": "keys", "player": "", "verdict": "skipped" } ],
      "inputs": [
        { "channel": 1, "name": "kit", "verdict": "wrong", "still": { "level_db": -45.0 },
          "faults": [{ "fault": "hum", "hertz": 50.0, "level_db": -45.0, "strongest": 1 }] },
        { "channel": 2, "name": "room", "verdict": "wrong", "faults": [{ "fault": "dead" }, { "fault": "of_tomorrow" }] },
        { "channel": 3, "name": "aisle", "verdict": "right", "still": { "level_db": -70.0 }, "clap": { "peak_db": -12.0 } } ],
      "charger": [{ "channel": 1, "verdict": "hums_with_it" }] })
}

#[test]
fn a_line_check_is_told_in_words_and_what_is_wrong_stands_among_what_to_mend() {
    let night = &report(&[&calm(25), &kept_line(25, Kind::LineCheck, line_check())]).nights[0];
    let shown = &night.kept[0].shown;
    assert_eq!(
        shown.sentence,
        "NOT RIGHT: 5 faults in 5 lines. 1 was skipped or unchecked. It took 48 s and 9 keys."
    );
    assert!(!shown.good);
    let rows: Vec<String> = shown.rows.iter().map(|row| row.join(" | ")).collect();
    for row in [
        "right | output 2 | drums, Wren | sent up to -24 dBFS | ",
        "WRONG | output 1 | band | not where it belongs, a person said | its plug, cable and mixer channel; then the channel in the rig file",
        "skipped | output 3 | keys |  | ",
        "WRONG | input 1 | kit | hum: 50.0 Hz at -45 dBFS | another cable; power from one socket; an isolating transformer",
        "right | input 3 | aisle | still -70 dBFS, clap peaks at -12 dBFS | ",
    ] {
        assert!(rows.iter().any(|other| other == row), "{row}\nis not in\n{}", rows.join("\n"));
    }
    let mends: Vec<&str> = night.mends.iter().map(|mend| mend.what.as_str()).collect();
    assert_eq!(
        mends,
        [
            "output 1 (band): not where it belongs, a person said",
            "input 2 (room): dead: nothing comes in, not even noise",
            "input 2 (room): of tomorrow",
            "input 1 (kit): hum: 50.0 Hz at -45 dBFS",
            "input 1: hum comes with the charger",
            "not checked: output 3",
        ]
    );
    assert!(night.mends.iter().all(|mend| !mend.how.is_empty()), "{:#?}", night.mends);
    // Cables: what is wrong, what that proves.
    let cables = json!({ "command": "linecheck", "mode": "cables", "ok": false, "keys": 0, "seconds": 3.0, "crossed": [[1, 2]],
        "outputs": [{ "output": 1, "name": "drums", "expected": 1, "arrivals": [{ "input": 2 }],
                      "wrong": [{ "fault": "elsewhere", "expected": 1, "input": 2 }] }],
        "inputs": [{ "channel": 1, "faults": [], "still": { "level_db": -90.0 } }],
        "proves": ["the cable carries"], "does_not_prove": ["the mixer's channel"] });
    let night =
        &report(&[&kept_line(25, Kind::LineCheck, cables), &kept_line(25, Kind::LineCheck, line_check())])
            .nights[0];
    let crossed = night.mends.iter().position(|mend| mend.what == "outputs 1 and 2 are crossed").unwrap();
    assert!(
        crossed == 0 && night.mends.len() == 8,
        "two ways of checking replace each other: {:#?}",
        night.mends
    );
    let page = page::page(&report(&[&kept_line(25, Kind::LineCheck, line_check())]));
    assert!(
        page.contains("<dt>Line check</dt><dd>NOT RIGHT") && page.contains("what was found before doors")
    );
    let refused = json!({ "command": "linecheck", "ok": false, "reason": "device", "words": "no such card" });
    let night = &report(&[&kept_line(25, Kind::LineCheck, refused)]).nights[0];
    assert_eq!(night.kept[0].shown.sentence, "Not checked: no such card.");
}

#[test]
fn a_drill_tells_first_what_fell_short_and_what_a_limit_is() {
    let mut limited = drill();
    limited["failures"][1]["passed"] = true.into();
    limited["failures"][1]["known_limit"] = "two clicks, 6 dB louder".into();
    let shown = &report(&[&kept_line(25, Kind::Drill, limited)]).nights[0].kept[0].shown;
    assert_eq!(shown.sentence, "1 rehearsed failures held, 1 met a limit of the wiring; none fell short.");
    let first = (shown.rows[0][0].as_str(), shown.rows[0].last().map(String::as_str));
    assert_eq!(first, ("limit", Some("two clicks, 6 dB louder")));
    let shown = &report(&[&kept_line(25, Kind::Drill, drill())]).nights[0].kept[0].shown;
    assert!(shown.rows[0][0] == "FELL SHORT" && !shown.good && shown.mends.len() == 1, "{shown:?}");
}

#[test]
fn a_song_that_runs_on_into_the_next_is_two_songs() {
    let mut book = Book::new(25, 21 * 3600);
    book.start();
    book.at(48_000, Entry::Song { song: 0, title: "Low Tide".into() });
    book.section(0, 1, "verse", 1, 48_000);
    book.section(1, 1, "Eel Net", 1, 48_000 + 16 * BAR);
    book.at(48_000 + 24 * BAR, Entry::Run { state: RunState::Stopped, song: 1, ended: true });
    let nights = report(&[&book.lines]);
    let songs: Vec<(&str, f64)> =
        nights.nights[0].runs[0].songs.iter().map(|song| (song.title.as_str(), song.seconds())).collect();
    assert_eq!(songs, [("Low Tide", 32.0), ("Eel Net", 16.0)]);
}

#[test]
fn a_log_torn_anywhere_gives_what_came_before() {
    let whole = stormy(25);
    let events = report(&[&whole]).nights[0].runs[0].events.len();
    let mut most = 0;
    for cut in (0..whole.len()).step_by(97).filter(|cut| whole.is_char_boundary(*cut)) {
        let nights = report(&[&whole[..cut]]);
        let lines = whole[..cut].lines().count();
        let ended = whole[..cut].ends_with('\n');
        let run = nights.nights.first().map(|night| &night.runs[0]);
        assert!(run.map_or(0, |run| run.lines) >= (lines as u64).saturating_sub(1), "cut at {cut}");
        assert!(!nights.left_out.is_empty(), "a log without an end is said: cut at {cut}");
        let torn = nights.left_out.iter().flat_map(|left| &left.what).any(|what| what.contains("torn"));
        assert!(!torn || !ended, "cut at {cut}");
        most = most.max(run.map_or(0, |run| run.events.len()));
        assert!(!page::page(&nights).is_empty() && !text::text(&nights).is_empty());
    }
    // All but what the listener said at the end.
    assert!(most >= events - 2, "{most} of {events}");
}

#[test]
fn two_logs_that_lie_in_each_other_are_two_runs() {
    let (one, mut other) = (stormy(25), Book::new(25, 21 * 3600 + 40));
    other.start();
    other.low_tide(|book| book.at(bar(3), Entry::Xrun { lost_frames: 64 }));
    other.end(55_000, heard(300, 0));
    let mut mixed = String::new();
    let (mut a, mut b) = (one.lines(), other.lines.lines());
    loop {
        let pair = [a.next(), b.next(), b.next()];
        pair.iter().flatten().for_each(|line| mixed.push_str(&format!("{line}\n")));
        if pair.iter().all(Option::is_none) {
            break;
        }
    }
    let (apart, together) = (report(&[&one, &other.lines]), report(&[&mixed]));
    let counts = |nights: &Nights| {
        let runs = &nights.nights[0].runs;
        runs.iter()
            .map(|run| (run.began.clone(), run.lines, run.counts.clone(), run.songs.len()))
            .collect::<Vec<_>>()
    };
    assert_eq!(counts(&apart).len(), 2);
    assert_eq!(counts(&apart), counts(&together));
}

#[test]
fn a_clock_that_is_set_in_the_middle_of_a_night_makes_no_second_run() {
    let mut book = Book::new(25, 21 * 3600);
    book.start();
    book.low_tide(|book| {
        book.opened += 600;
        (4..36).for_each(|second| {
            book.say(second * 1000, None, Entry::Levels { peak_db: -12.0, limiter_db: 0.0 })
        });
    });
    book.end(55_000, heard(300, 0));
    let nights = report(&[&book.lines]);
    assert_eq!((nights.nights[0].runs.len(), nights.left_out.len()), (1, 0), "{:?}", nights.left_out);
}

#[test]
fn what_is_foreign_newer_or_headless_is_said_and_the_rest_is_read() {
    let mut newer = stormy(25).replacen("\"schema\":1", "\"schema\":9", 1);
    newer.push_str(
        "{\"time\":\"2026-11-25T21:00:55.000+01:00\",\"ms\":55001,\"event\":\"of-tomorrow\",\"x\":[1]}\n",
    );
    newer.insert_str(newer.find('\n').unwrap() + 1, "no line of a log\n");
    let headless: String = calm(26).lines().skip(1).map(|line| format!("{line}\n")).collect();
    let nights = report(&[&newer, &headless, "dear diary\n\u{0}\u{1}", ""]);
    let said: Vec<String> = nights
        .left_out
        .iter()
        .flat_map(|left| left.what.iter().map(|what| format!("{} {what}", left.file)))
        .collect();
    for part in [
        "0.jsonl it was written by a newer version",
        "0.jsonl 1 lines of a kind that this version does not know",
        "0.jsonl 1 lines could not be read; line 2, column",
        "1.jsonl the beginning of the run at 21:00:01 is missing",
        "2.jsonl it is no log of this program",
        "3.jsonl it is empty",
    ] {
        assert!(said.iter().any(|what| what.starts_with(part)), "{part} is not in {said:#?}");
    }
    let dates: Vec<&str> = nights.nights.iter().map(|night| night.date.as_str()).collect();
    assert_eq!(dates, ["2026-11-25", "2026-11-26"]);
    let [newer, headless] = [0, 1].map(|night: usize| &nights.nights[night].runs[0]);
    assert_eq!(newer.count(run::Kind::Covered), 3);
    // Without its show a song has neither a plan nor bars, but it was played.
    assert_eq!((headless.songs.len(), headless.songs[0].planned_seconds), (1, None));
}

/// Bytes that flip, lines that go, come twice or change places, files that end anywhere: a report comes of it, and none
/// of it stops one. The seeds are fixed; a failure prints its own.
#[test]
fn a_log_that_was_damaged_at_random_gives_a_report_all_the_same() {
    let whole = [stormy(25), calm(26)].concat();
    let lines: Vec<&str> = whole.lines().collect();
    let all = report(&[&whole]);
    let runs = |nights: &Nights| nights.nights.iter().map(|night| night.runs.len()).sum::<usize>();
    let mut read = 0;
    for seed in 0..150 {
        let mut random = fastrand::Rng::with_seed(seed);
        let mut bytes: Vec<u8> = Vec::new();
        for number in 0..lines.len() {
            let other = random.u8(..) < 20;
            let line = if other { random.usize(..lines.len()) } else { number };
            bytes.extend_from_slice(lines[line].as_bytes());
            bytes.push(b'\n');
        }
        for _ in 0..random.usize(..40) {
            let at = random.usize(..bytes.len());
            bytes[at] = random.u8(..);
        }
        bytes.truncate(bytes.len() - random.usize(..bytes.len() / 4));
        let mut gather = Gather::default();
        gather.file("damaged.jsonl", &bytes[..]);
        let nights = gather.nights();
        let said = nights.left_out.iter().map(|left| left.what.len()).sum::<usize>();
        assert!(said > 0, "seed {seed}: nothing was left out");
        assert!(!page::page(&nights).is_empty() && !text::text(&nights).is_empty(), "seed {seed}");
        read += usize::from(runs(&nights) > 0);
    }
    assert!(read == 150 && runs(&all) == 2, "{read}");
}

#[test]
fn a_long_and_bad_night_stays_small() {
    let mut book = Book::new(25, 12 * 3600);
    book.start();
    book.low_tide(|book| {
        for n in 0..60_000i64 {
            let frame = bar(1) + n * 48_000;
            book.at(frame, if n % 2 == 0 { Entry::Xrun { lost_frames: 64 } } else { covered() });
            let name = format!("click {}", n % 1000);
            book.at(frame, Entry::Covered { click: 2, name, cause: Cause::Early });
            book.at(frame, Entry::Levels { peak_db: -12.0, limiter_db: 0.0 });
        }
    });
    let nights = report(&[&book.lines]);
    let run = &nights.nights[0].runs[0];
    assert_eq!(run.count(run::Kind::Covered) + run.count(run::Kind::Xrun), 120_000);
    assert!(run.events.len() <= 900, "{}", run.events.len());
    let told: u64 = run.events.iter().map(|event| event.count).sum();
    assert_eq!(told + run.more_events, 120_000);
    let (page, json) = (page::page(&nights), json!(nights).to_string());
    assert!(page.len() < 2_000_000 && json.len() < 2_000_000, "{} {}", page.len(), json.len());
}

#[test]
fn the_last_of_several_nights_is_held_against_the_others() {
    let files = [
        calm(23),
        calm(24),
        stormy(25),
        kept_line(23, Kind::Latency, latency(400.0)),
        kept_line(25, Kind::Latency, latency(640.0)),
    ];
    let files: Vec<&str> = files.iter().map(String::as_str).collect();
    let nights = report(&files);
    assert_eq!(nights.nights.len(), 3);
    let worse = nights.worse.join("; ");
    for part in [
        "Hits not as planned: 1 on the last night, 0 as a rule before (0 \u{2192} 0 \u{2192} 1)",
        "one in a hundred: 62.0 % on the last night, 4.0 % as a rule before (4.0 \u{2192} 4.0 \u{2192} 62.0)",
        "Round trip: 640.00 frames on the last night, 400.00 frames as a rule before (400.00 \u{2192} - \u{2192} 640.00)",
        "Times an interface was lost: 1 on the last night",
    ] {
        assert!(worse.contains(part), "{part} is not in {worse}");
    }
    let page = page::page(&nights);
    assert!(page.contains("Getting worse") && page.contains("Nights side by side"));
    assert!(report(&[&calm(25)]).compared.is_empty());
    let calm = report(&[&calm(23), &calm(24), &calm(25)]);
    assert!(
        calm.worse.is_empty() && page::page(&calm).contains("Nothing is getting worse"),
        "{:?}",
        calm.worse
    );
}

#[test]
fn a_page_needs_nothing_but_itself_and_a_log_cannot_put_anything_into_it() {
    let evil = "<script>alert(1)</script><img src=http://x.invalid/y>";
    let mut book = Book::new(25, 21 * 3600);
    book.start();
    book.at(48_000, Entry::Song { song: 7, title: evil.into() });
    book.section(7, 0, evil, 1, 48_000);
    book.at(96_000, Entry::Xrun { lost_frames: 5 });
    book.at(96_000, Entry::Note { text: evil.into() });
    let kept = json!({ "outcome": "refused", "words": evil, evil: evil });
    let page = page::page(&report(&[
        &book.lines,
        &kept_line(25, Kind::LineCheck, kept.clone()),
        &kept_line(25, Kind::Latency, kept),
    ]));
    for tag in ["<script", "<img", "<iframe", "<object", "@import", "url("] {
        assert!(!page.contains(tag), "{tag}");
    }
    // Nothing is fetched: every address that is one names a namespace or is data.
    let links = page.match_indices("href=").map(|(at, _)| &page[at..at + 12]);
    assert!(links.into_iter().all(|link| link == "href=\"data:,"), "a link leads out");
    assert_eq!(page.matches("src=").count(), page.matches("src=http://x.invalid/y&gt;").count());
}

/// Pages that the browser judges (tests/oracles/page.py).
#[test]
fn pages_for_the_browser() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("target/tests/report");
    std::fs::create_dir_all(&folder).unwrap();
    let results = [
        kept_line(25, Kind::Ready, ready()),
        kept_line(25, Kind::Drill, drill()),
        kept_line(25, Kind::Latency, latency(400.25)),
        kept_line(25, Kind::LineCheck, line_check()),
    ];
    let results: Vec<&str> = results.iter().map(String::as_str).collect();
    let (stormy, calm23, calm24) = (stormy(25), calm(23), calm(24));
    let pages = [
        ("stormy", report(&[&[stormy.as_str()], results.as_slice()].concat())),
        ("nights", report(&[&calm23, &calm24, &stormy])),
        ("results", report(&results)),
        ("torn", report(&[&stormy[..stormy.len() / 2], "dear diary"])),
    ];
    for (name, nights) in pages {
        let page = page::page(&nights);
        assert!(page.contains("Follow local rules; see a hearing professional."), "{name}");
        std::fs::write(folder.join(format!("{name}.html")), page).unwrap();
    }
}

fn fogbell(folder: &Path, arguments: &[&str]) -> (String, String, Option<i32>) {
    let mut command = Command::new(env!("CARGO_BIN_EXE_fogbell"));
    let Output { stdout, stderr, status } =
        command.args(arguments).current_dir(folder).output().expect("it runs");
    let [out, err] = [stdout, stderr].map(|bytes| String::from_utf8(bytes).expect("text"));
    (out, err, status.code())
}

#[test]
fn the_command_writes_a_page_beside_the_log_and_overwrites_none() {
    let folder = tempfile::tempdir().unwrap();
    let logs = folder.path().join("logs");
    std::fs::create_dir(&logs).unwrap();
    std::fs::write(logs.join("2026-11-25_21-00-00.jsonl"), stormy(25)).unwrap();
    let at: jiff::ZonedDateTime = "2026-11-25T18:00:00+01:00[+01:00]".parse().unwrap();
    kept::keep(&logs, Kind::Drill, &at, &drill()).unwrap();
    let name = "logs/2026-11-25_21-00-00.jsonl";
    let (out, err, code) = fogbell(folder.path(), &["report", name]);
    assert_eq!((err.as_str(), code), ("", Some(0)));
    assert!(
        out.contains("Lost        Of 300 hits: 1 missed.") && out.contains("logs/2026-11-25_21-00-00.html"),
        "{out}"
    );
    let page = std::fs::read_to_string(logs.join("2026-11-25_21-00-00.html")).unwrap();
    assert!(
        page.starts_with("<!DOCTYPE html>") && page.contains("1 of 2 rehearsed failures FELL SHORT."),
        "no drill"
    );
    let (again, ..) = fogbell(folder.path(), &["report", "logs"]);
    assert!(again.contains("2026-11-25_21-00-00_2.html"), "{again}");
    let (_, err, code) = fogbell(folder.path(), &["report", name, "--out", "logs/2026-11-25_21-00-00.html"]);
    assert!(code == Some(1) && err.contains("to mend it"), "{err}");
    assert_eq!(std::fs::read_to_string(logs.join("2026-11-25_21-00-00.html")).unwrap(), page);
    let (text, ..) = fogbell(folder.path(), &["report", name, "--text"]);
    assert!(text.contains("MEND BEFORE TOMORROW") && text.contains("Bar 12 of Low Tide"), "{text}");
    let (json, ..) = fogbell(folder.path(), &["report", name, "--json"]);
    let json: Value = serde_json::from_str(&json).expect("one object");
    assert_eq!(json["report"]["nights"][0]["summary"]["lost"], "Of 300 hits: 1 missed.");
    assert_eq!(
        json["report"]["nights"][0]["kept"][0]["result"]["failures"].as_array().map(Vec::len),
        Some(2)
    );
    assert_eq!(std::fs::read_dir(&logs).unwrap().count(), 4, "text and JSON write no page");
}

#[test]
fn what_cannot_be_reported_is_said_with_its_mend() {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("diary.txt"), "dear diary\n").unwrap();
    let (_, err, code) = fogbell(folder.path(), &["report", "none.jsonl"]);
    assert!(code == Some(2) && err.contains("none.jsonl") && err.contains("to mend it"), "{err}");
    let (_, err, code) = fogbell(folder.path(), &["report", "diary.txt"]);
    assert!(code == Some(1) && err.contains("no log of this program"), "{err}");
    let (_, err, code) = fogbell(folder.path(), &["report", "."]);
    assert!(code == Some(2) && err.contains("holds no log"), "{err}");
}
