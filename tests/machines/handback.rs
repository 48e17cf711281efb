//! Lines both ways: the main dies, the backup sounds, the main comes back from its position record, silent, and a key
//! gives it the click again. Whatever happens in whatever order, no hit sounds twice.

use super::*;
use fogbell::survive;
use fogbell::survive::clock::Reading;
use fogbell::survive::keeper::{Draft, fresh};
use fogbell::survive::record::Record;
use fogbell::survive::resume::{Comeback, Moment, resume};
use fogbell::units::FramePos;

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Act {
    MainDies,
    /// Its guard starts it again.
    MainBack,
    /// T on the main: the hand-back.
    MainTakes,
    BackupTakes,
    /// D on the backup.
    BackupStandsDown,
    BackupDies,
    BackupBack,
    /// By hand, as for a new night: it knows nothing.
    BackupNew,
    MainNew,
    /// A song on the main, by a key.
    MainStarts,
}

use Act::*;

const ACTS: [Act; 7] = [MainDies, MainBack, MainTakes, BackupTakes, BackupStandsDown, BackupDies, BackupBack];

const BLOCK: usize = 64;
const FIRST: i64 = 48_000 * 4;
const BETWEEN: i64 = 48_000 * 2;
/// From a death to the first hit that must be heard: the line is gone after 10 ms, a block on the way each side, and a
/// hit waits 5 ms for its witness.
const BLIND: i64 = 48 * 25;
/// Two machines round to frames of their own, and a late hit of the blind window is still that hit.
const NEAR: i64 = 48 * 6;

struct Stage {
    set: Arc<Set>,
    main_setup: EngineSetup,
    backup_setup: EngineSetup,
    main: Option<Machine>,
    backup: Option<Machine>,
    /// The position record of each.
    drafts: [Draft; 2],
    at: i64,
    /// What each sent in the last block: timecode, click.
    sent: [[Vec<f32>; 2]; 2],
    heard: Vec<(i64, usize)>,
    /// Nobody leads, or the one that did has just died.
    nobody: Vec<std::ops::Range<i64>>,
    leads: [bool; 2],
    /// What each said last of the other.
    peers: [PeerNow; 2],
    /// The main hears nothing of the backup.
    return_cut: bool,
}

fn ns(frame: i64) -> i64 {
    frame * 1_000_000 / 48
}

/// In the words of a night: a plain show over two witnesses, and a return line.
fn stage() -> Stage {
    let mut night = plain(Wrong::Nothing, 0);
    (night.witness, night.show) = (true, plain_show(1320, 60));
    let mut set = set(&night.show, night.rate, &impulse(), &[]);
    said(&mut set);
    let set = Arc::new(set);
    let (mut main_setup, mut backup_setup) = setups(&set, &night);
    let back = backup_setup.peer.map(|peer| PeerSetup { backup: false, click: None, ..peer });
    main_setup.peer = back;
    // Its own place is the main's, not where the main's timecode arrives.
    for setup in [&mut main_setup, &mut backup_setup] {
        if let Some(peer) = &mut setup.peer {
            peer.align = Span::from_f64(-(BLOCK as f64));
        }
    }
    let main = Machine::new(&main_setup, &set, 2);
    let backup = Machine::new(&backup_setup, &set, 2);
    let silent = || [vec![0.0; BLOCK], vec![0.0; BLOCK]];
    Stage {
        drafts: [(); 2].map(|()| Draft::new(fresh("Saltmarsh Five", "digest"), night.rate, Vec::new())),
        set,
        main_setup,
        backup_setup,
        main: Some(main),
        backup: Some(backup),
        at: 0,
        sent: [silent(), silent()],
        heard: Vec::new(),
        nobody: Vec::new(),
        leads: [false; 2],
        peers: [PeerNow::default(); 2],
        return_cut: false,
    }
}

impl Stage {
    fn block(&mut self) {
        let mut sent = [[vec![0.0; BLOCK], vec![0.0; BLOCK]], [vec![0.0; BLOCK], vec![0.0; BLOCK]]];
        for (who, sent) in sent.iter_mut().enumerate() {
            let machine = if who == 0 { &mut self.main } else { &mut self.backup };
            let Some(machine) = machine else { continue };
            let Machine { stepped, timecode } = machine;
            for channel in 0..2 {
                let samples = &self.sent[1 - who][channel];
                let input = stepped.io.input.channel_mut(channel, BLOCK);
                if who == 0 && self.return_cut { input.fill(0.0) } else { input.copy_from_slice(samples) }
            }
            stepped.block(BLOCK);
            sent[0].copy_from_slice(stepped.io.output.channel(*timecode, BLOCK));
            sent[1].copy_from_slice(stepped.io.output.channel(CLICK, BLOCK));
            stepped.advance(0);
            for event in stepped.events.drain(..) {
                if let What::Peer(now) = event.what {
                    (self.leads[who], self.peers[who]) = (now.leads, now);
                }
                self.drafts[who].event(&event);
            }
            let end = self.at + BLOCK as i64;
            self.drafts[who].reading(Reading { frame: FramePos(end), ns: ns(end) });
            for (frame, sample) in sent[1].iter().enumerate() {
                if sample.abs() > 0.02 {
                    self.heard.push((self.at + frame as i64, who));
                }
            }
        }
        self.sent = sent;
        if self.leads == [false, false] {
            self.nobody.push(self.at - NEAR..self.at + BLOCK as i64 + BLIND);
        }
        self.at += BLOCK as i64;
    }

    fn run(&mut self, frames: i64) {
        let until = self.at + frames;
        while self.at < until {
            self.block();
        }
    }

    fn press(&mut self, who: usize, command: Command) {
        let machine = if who == 0 { &mut self.main } else { &mut self.backup };
        if let Some(machine) = machine {
            machine.stepped.send(When::Now, command);
        }
    }

    fn dies(&mut self, who: usize) {
        let machine = if who == 0 { &mut self.main } else { &mut self.backup };
        if machine.take().is_some() && std::mem::take(&mut self.leads[who]) {
            self.nobody.push(self.at - NEAR..self.at + BLIND);
        }
    }

    /// A process that its guard starts again: from its record, on the timeline that was, and muted.
    fn back(&mut self, who: usize) {
        let mut setup = if who == 0 { self.main_setup.clone() } else { self.backup_setup.clone() };
        if let Some(peer) = &mut setup.peer {
            peer.returning = who == 0;
        }
        let boot = fogbell::device::boot::id();
        let now = Moment { ns: ns(self.at), boot: &boot, digest: "digest" };
        let Comeback::InTime { place, asked, .. } = resume(self.drafts[who].record(), &self.set, &now) else {
            panic!("the record says nothing");
        };
        let mut machine = Machine::new(&setup, &self.set, 2);
        machine.stepped.io.at = FramePos(self.at);
        machine.stepped.send(When::Now, Command::Return(place));
        asked.iter().for_each(|asked| {
            machine.stepped.send(asked.when, asked.deed.command());
        });
        let record = Record {
            night: survive::record::Night::of(&place, ""),
            clock: self.drafts[who].record().clock,
            ..fresh("Saltmarsh Five", "digest")
        };
        self.drafts[who] = Draft::new(record, SampleRate::standard(), Vec::new());
        *(if who == 0 { &mut self.main } else { &mut self.backup }) = Some(machine);
    }

    fn begins_anew(&mut self, who: usize) {
        let setup = if who == 0 { &self.main_setup } else { &self.backup_setup };
        let mut machine = Machine::new(setup, &self.set, 2);
        machine.stepped.io.at = FramePos(self.at);
        self.drafts[who] = Draft::new(fresh("Saltmarsh Five", "digest"), SampleRate::standard(), Vec::new());
        *(if who == 0 { &mut self.main } else { &mut self.backup }) = Some(machine);
    }

    /// False: it cannot happen now.
    fn act(&mut self, act: Act) -> bool {
        let can = match act {
            MainDies | MainTakes | MainStarts => self.main.is_some(),
            MainBack | MainNew => self.main.is_none(),
            BackupDies | BackupTakes | BackupStandsDown => self.backup.is_some(),
            BackupBack | BackupNew => self.backup.is_none(),
        };
        match act {
            _ if !can => {}
            MainDies => self.dies(0),
            BackupDies => self.dies(1),
            MainBack => self.back(0),
            BackupBack => self.back(1),
            BackupNew => self.begins_anew(1),
            MainNew => self.begins_anew(0),
            MainStarts => self.press(0, Command::Start),
            MainTakes => self.press(0, Command::TakeOver),
            BackupTakes => self.press(1, Command::TakeOver),
            BackupStandsDown => self.press(1, Command::StandDown),
        }
        can
    }
}

/// What the band heard of one order of acts.
#[derive(Debug, Default)]
struct Band {
    due: usize,
    doubled: Vec<i64>,
    missed: Vec<i64>,
}

fn band(stage: &Stage, due: &[i64]) -> Band {
    let end = stage.at - 4800;
    let mut band = Band::default();
    let mut extra: Vec<i64> = stage.heard.iter().map(|(frame, _)| *frame).collect();
    for due in due.iter().copied().filter(|due| *due < end) {
        band.due += 1;
        let near = |frame: &i64| (frame - due).abs() <= NEAR;
        let nearest = extra.iter().copied().filter(near).min_by_key(|frame| (frame - due).abs());
        match nearest {
            // One of them is this hit; another one would be left over.
            Some(nearest) => {
                extra.remove(extra.iter().position(|frame| *frame == nearest).unwrap());
            }
            None if stage.nobody.iter().any(|range| range.contains(&due)) => {}
            None => band.missed.push(due),
        }
    }
    band.doubled = extra.into_iter().filter(|frame| *frame < end - NEAR).collect();
    band
}

fn dues() -> Vec<i64> {
    let mut stage = stage();
    stage.main_setup.peer = None;
    stage.main = Some(Machine::new(&stage.main_setup, &stage.set, 0));
    let mut main = stage.main.take().unwrap();
    let mut due = Vec::new();
    while main.stepped.io.at.0 < FIRST + 8 * BETWEEN {
        if main.stepped.io.at.0 == START {
            main.stepped.send(When::Now, Command::Start);
        }
        main.stepped.block(BLOCK);
        let at = main.stepped.io.at.0;
        let click = main.stepped.io.output.channel(CLICK, BLOCK);
        let loud = click.iter().enumerate().filter(|(_, sample)| sample.abs() > 0.02);
        due.extend(loud.map(|(frame, _)| at + frame as i64));
        main.stepped.advance(0);
        main.stepped.events.clear();
    }
    due
}

/// The main leads by then.
const START: i64 = 48_000 * 2;

fn played(acts: &[Act], due: &[i64]) -> Option<Band> {
    let mut stage = stage();
    stage.run(START);
    assert!(stage.leads[0] && !stage.leads[1], "the main leads at the start");
    stage.press(0, Command::Start);
    stage.run(FIRST - START);
    for act in acts {
        // Between two blocks, each at another place in the beat.
        stage.run(BETWEEN / 40 * (acts.len() as i64 + *act as i64));
        if !stage.act(*act) {
            return None;
        }
        stage.run(BETWEEN);
    }
    Some(band(&stage, due))
}

fn check(length: usize) {
    let due = dues();
    let codes: Vec<usize> = (0..ACTS.len().pow(length as u32)).collect();
    let acts = |code: &usize| -> Vec<Act> {
        (0..length).map(|place| ACTS[code / ACTS.len().pow(place as u32) % ACTS.len()]).collect()
    };
    let half = codes.len() / 2;
    let play = |codes: &[usize]| -> Vec<(Vec<Act>, Band)> {
        codes.iter().filter_map(|code| Some((acts(code), played(&acts(code), &due)?))).collect()
    };
    let all = std::thread::scope(|scope| {
        let play = &play;
        let halves = [&codes[..half], &codes[half..]].map(|codes| scope.spawn(move || play(codes)));
        halves.map(|half| half.join().unwrap()).into_iter().flatten().collect::<Vec<_>>()
    });
    let hits: usize = all.iter().map(|(_, band)| band.due).sum();
    let doubled: Vec<_> = all.iter().filter(|(_, band)| !band.doubled.is_empty()).collect();
    let missed: Vec<_> = all.iter().filter(|(_, band)| !band.missed.is_empty()).collect();
    println!(
        "{} orders of {length} acts, {hits} hits due: {} orders with a doubled hit, {} with a missed one",
        all.len(),
        doubled.len(),
        missed.len()
    );
    assert!(all.len() > 20 && hits > 1000);
    assert!(doubled.is_empty(), "{:#?}", &doubled[..doubled.len().min(6)]);
    assert!(missed.is_empty(), "{:#?}", &missed[..missed.len().min(6)]);
}

#[test]
fn killed_rejoined_and_handed_back_in_every_order_no_hit_sounds_twice() {
    check(3);
}

/// The two agree on where: no hit falls between them, wherever in the beat it is asked for.
#[test]
fn the_lead_goes_back_by_key_and_no_hit_is_missed() {
    let due = dues();
    let mut random = fastrand::Rng::with_seed(1);
    for night in 0..100 {
        // Words lie elsewhere against the beat each night.
        let later = random.i64(0..200) * BLOCK as i64;
        let due: Vec<i64> = due.iter().map(|due| due + later).collect();
        let mut stage = stage();
        stage.run(START + later);
        stage.press(0, Command::Start);
        stage.run(FIRST - START);
        for act in [MainDies, MainBack] {
            assert!(stage.act(act), "{act:?}");
            stage.run(BETWEEN);
        }
        stage.nobody.clear();
        let acts = [MainTakes, BackupTakes, MainTakes, BackupTakes, MainTakes];
        for act in acts {
            stage.run(random.i64(1..20_000));
            assert!(stage.act(act), "{act:?}");
            stage.run(BETWEEN / 4 * 3);
            assert_eq!(stage.leads, [act == MainTakes, act == BackupTakes], "{act:?}");
        }
        assert!(stage.nobody.is_empty(), "somebody leads at any time");
        let band = band(&stage, &due);
        let since = FIRST + later + 2 * BETWEEN;
        let missed: Vec<_> = band.missed.iter().filter(|due| **due > since).collect();
        assert!(band.doubled.is_empty() && missed.is_empty(), "{night}: {band:?}");
    }
}

/// The main is back and muted, and follows; then the backup that leads is gone, and another one begins that says
/// "stopped", of the first song, with nothing muted.
#[test]
fn a_backup_that_knows_nothing_of_the_night_stops_nobody() {
    let due = dues();
    let mut stage = stage();
    stage.run(START);
    stage.press(0, Command::Start);
    stage.run(FIRST - START);
    for act in [MainDies, MainBack, BackupDies, BackupNew] {
        assert!(stage.act(act), "{act:?}");
        stage.run(BETWEEN);
    }
    assert_eq!(stage.leads, [true, false], "the main leads again as the backup says that it does not");
    let band = band(&stage, &due);
    assert!(band.doubled.is_empty() && band.missed.is_empty(), "{band:?}");
    let last = stage.at - 48_000;
    let late = stage.heard.iter().filter(|(frame, who)| *frame > last && *who == 0).count();
    assert!(late >= 2, "{late} hits in the last second");
}

/// A main that was started by hand and hears no backup leads at once, says "stopped", and knows nothing of the song that
/// the backup sounds: without a return line, and with one that is cut.
fn main_begins_anew(cut: bool) -> Stage {
    let mut stage = stage();
    if cut {
        stage.return_cut = true;
    } else {
        stage.main_setup.peer = None;
        stage.main = Some(Machine::new(&stage.main_setup, &stage.set, 2));
    }
    stage.run(START);
    stage.press(0, Command::Start);
    stage.run(FIRST - START);
    for act in [MainDies, MainNew] {
        assert!(stage.act(act), "{act:?}");
        stage.run(BETWEEN);
    }
    stage.run(BETWEEN);
    stage
}

#[test]
fn a_main_that_knows_nothing_of_the_song_does_not_silence_the_backup_in_it() {
    let due = dues();
    for cut in [false, true] {
        let stage = main_begins_anew(cut);
        assert!(stage.leads[1], "cut {cut}");
        assert!(stage.peers[1].other_idle && stage.peers[1].other_leads, "it is told: {:?}", stage.peers[1]);
        let band = band(&stage, &due);
        assert!(band.doubled.is_empty() && band.missed.is_empty(), "cut {cut}: {band:?}");
        assert!(band.due > 8, "{band:?}");
    }
}

#[test]
fn then_a_person_decides_by_a_key_on_either() {
    for cut in [false, true] {
        let mut stage = main_begins_anew(cut);
        let (last, told) = (stage.at, BETWEEN / 4);
        assert!(stage.act(BackupStandsDown));
        stage.run(BETWEEN);
        assert!(!stage.leads[1] && stage.heard.iter().all(|(frame, _)| *frame < last + told), "cut {cut}");
        let mut stage = main_begins_anew(cut);
        let last = stage.at;
        assert!(stage.act(MainStarts));
        stage.run(BETWEEN);
        assert!(!stage.leads[1], "cut {cut}");
        let from =
            |who: usize| stage.heard.iter().filter(|(frame, by)| *frame > last + told && *by == who).count();
        assert!(from(0) >= 2 && from(1) == 0, "cut {cut}: {} {}", from(0), from(1));
    }
}

#[test]
#[ignore = "slow: minutes, for tests/extended"]
fn killed_rejoined_and_handed_back_in_every_longer_order() {
    check(5);
}
