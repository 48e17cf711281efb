//! What is rehearsed for a show and a rig: one bench a wiring.

use crate::cli::check::machines::blind_window_ms;
use crate::click::prepare::prepare;
use crate::click::set::Set;
use crate::drill::{Bench, Wiring};
use crate::realtime::setup::EngineSetup;
use crate::realtime::wiring::{Ports, wire};
use crate::renderer::plan_streams;
use crate::show;
use crate::show::model::{Feed, FeedSource, InterfaceChoice, Rig, Role, Show, Song};
use crate::tempo::length::song_seconds;
use crate::timecode::FrameRate;
use crate::units::{Frames, SampleRate};
use std::sync::Arc;

/// The benches of a drill, in the order in which they are told.
pub struct Plan {
    pub benches: Vec<Bench>,
    /// Of the rig that is rehearsed.
    pub interface: Option<InterfaceChoice>,
    /// What is not rehearsed, and why.
    pub notes: Vec<String>,
}

/// How the rig is wired.
struct Wired {
    wirings: Vec<Wiring>,
    click: u8,
    frames: FrameRate,
    latch_ms: f64,
}

impl Plan {
    /// Errors: sounds that cannot be used, or a show that cannot be wired.
    pub fn of(show: &Show, rig: Option<&Rig>, seconds: f64, seed: u64) -> Result<Plan, String> {
        let interface = rig.map(|rig| rig.interface.clone());
        let rate = interface.as_ref().map_or(SampleRate::standard(), |interface| interface.rate);
        let wired = wired(show, rig, rate);
        let plain = without_tracks(show);
        let (set, setup) = engine(&plain, rate, false)?;
        let elsewhere = engine(&plain, another(rate), false)?;
        let bench = |wiring| Bench {
            set: Arc::clone(&set),
            setup: setup.clone(),
            elsewhere: wiring_needs(wiring).then(|| elsewhere.clone()),
            click: wired.click,
            wiring,
            frames: wired.frames,
            latch: rate.frames(wired.latch_ms / 1000.0),
            seconds,
            seed,
        };
        let mut benches: Vec<Bench> = wired.wirings.iter().map(|wiring| bench(*wiring)).collect();
        let mut notes = Vec::new();
        match streamed(show, rate) {
            None => {}
            Some(Ok((click, set, setup))) => {
                let place = benches.len().min(1);
                let streamed = Bench { set, setup, click, ..bench(Wiring::Streamed) };
                benches.insert(place, streamed);
            }
            Some(Err(why)) => notes.push(format!("No failure of a click track was rehearsed: {why}")),
        }
        Ok(Plan { benches, interface, notes })
    }

    /// Of a backup on mixer channels of its own, on this rig's interface.
    pub fn blind_window_ms(&self) -> Option<f64> {
        self.interface.as_ref().map(|interface| blind_window_ms(interface).0)
    }
}

fn wiring_needs(wiring: Wiring) -> bool {
    wiring.two()
}

fn another(rate: SampleRate) -> SampleRate {
    let standard = SampleRate::standard();
    if rate == standard { SampleRate::new(44_100).unwrap_or(standard) } else { standard }
}

/// Microphones and tracks are not what fails there; the click is made by the engines.
fn without_tracks(show: &Show) -> Show {
    let mut show = show.clone();
    show.songs.retain(|song| !song.sections.is_empty());
    for song in &mut show.songs {
        song.streams.iter_mut().for_each(|stream| *stream = None);
    }
    show
}

/// Sounds, grids and wiring of a show on one machine, with the click tracks or without. Errors: sounds that cannot be used.
pub fn engine(show: &Show, rate: SampleRate, tracks: bool) -> Result<(Arc<Set>, EngineSetup), String> {
    let prepared = prepare(show, rate).map_err(|faults| {
        faults.iter().map(|fault| format!("error: {fault}")).collect::<Vec<_>>().join("\n")
    })?;
    let mut set = prepared.set;
    if tracks {
        plan_streams(show, &mut set);
    }
    let ports = Ports { rate, max_block: 1024, inputs: 8, outputs: 256 };
    let mut wired = show::default_rig(show);
    wired.inputs.clear();
    let setup = wire(show, &wired, ports, false).map_err(|fault| format!("error: {fault}"))?;
    Ok((Arc::new(set), setup))
}

/// A song of a show by itself, in which no click but this one may be a track.
pub fn alone(show: &Show, song: &Song, click: usize) -> Show {
    let mut song = Song { segue: false, ..song.clone() };
    song.streams.iter_mut().enumerate().filter(|(other, _)| *other != click).for_each(|(_, s)| *s = None);
    Show { songs: vec![song], ..show.clone() }
}

/// The longest song with a click from disk, alone, and that click; `None` when there is none.
#[allow(clippy::type_complexity)]
fn streamed(show: &Show, rate: SampleRate) -> Option<Result<(u8, Arc<Set>, EngineSetup), String>> {
    let with_track = |song: &&Song| !song.sections.is_empty() && song.streams.iter().any(Option::is_some);
    let songs = show.songs.iter().filter(with_track);
    let song = songs.max_by(|one, two| song_seconds(one).total_cmp(&song_seconds(two)))?;
    let click = song.streams.iter().position(Option::is_some)?;
    Some(engine(&alone(show, song, click), rate, true).and_then(|(set, setup)| {
        let there = set.songs.first().and_then(|song| song.streams.get(click)?.as_ref()).is_some();
        match there {
            true => Ok((click as u8, set, setup)),
            false => Err(format!("the track of \"{}\" cannot be read; see fogbell check", song.title)),
        }
    }))
}

/// What two real processes play for a wiring.
pub struct Killed {
    pub bench: Bench,
    /// As printed.
    pub song: usize,
    /// The one that is heard comes first.
    pub feeds: Vec<(String, bool)>,
    pub click: String,
}

impl Killed {
    /// `None` when no song has this click made here, or no feed has it.
    pub fn of(show: &Show, bench: &Bench) -> Option<Killed> {
        let click = usize::from(bench.click);
        let made_here =
            |song: &&Song| !song.sections.is_empty() && song.streams.get(click).is_none_or(Option::is_none);
        let songs = show.songs.iter().filter(made_here);
        let song = songs.max_by(|one, two| song_seconds(one).total_cmp(&song_seconds(two)))?;
        let hears = |feed: &&Feed| feed.parts.iter().any(|part| part.source == FeedSource::Click(click));
        let feed = show.feeds.iter().find(hears)?;
        let others = show.feeds.iter().filter(|other| other.name != feed.name);
        let feeds = [feed].into_iter().chain(others).map(|feed| (feed.name.clone(), feed.stereo)).collect();
        // Both processes are started at the usual rate.
        let mut one = without_tracks(&alone(show, song, click));
        one.feeds.retain(|other| other.name == feed.name);
        let (set, setup) = engine(&one, SampleRate::standard(), false).ok()?;
        Some(Killed {
            bench: Bench { set, setup, elsewhere: None, seconds: 14.0, ..bench.clone() },
            song: song.number,
            feeds,
            click: show.clicks.get(click)?.name.clone(),
        })
    }
}

fn wired(show: &Show, rig: Option<&Rig>, rate: SampleRate) -> Wired {
    let ms = |ms: f64| rate.frames(ms / 1000.0);
    let mut wired = Wired {
        wirings: vec![
            Wiring::Alone,
            Wiring::OneWitness,
            Wiring::TwoWitnesses,
            Wiring::Passed(ms(8.0)),
            Wiring::Pad(ms(8.0)),
        ],
        click: 0,
        frames: FrameRate::Tv25,
        latch_ms: 60.0,
    };
    let Some(rig) = rig else { return wired };
    wired.frames = rig.timecode.map_or(FrameRate::Tv25, |line| line.frames);
    wired.wirings = vec![Wiring::Alone];
    let outside = show.clicks.iter().enumerate().find_map(|(index, click)| Some((index, click.external?)));
    if let Some((index, input)) = outside {
        wired.click = index as u8;
        let delay = show.inputs.get(input).map_or(8.0, |input| input.external.safety_delay_ms);
        wired.wirings.push(Wiring::Pad(ms(delay)));
    }
    if let Some(main) = &rig.main {
        wired.latch_ms = main.latch_ms;
        wired.click = main.click.as_ref().map_or(wired.click, |(_, name)| {
            show.clicks.iter().position(|click| click.name == *name).unwrap_or(0) as u8
        });
        wired.wirings.push(wiring_of(main, ms));
    } else if rig.machine == Role::Main {
        // The main does not know how its backup is wired.
        wired.wirings.extend([Wiring::OneWitness, Wiring::TwoWitnesses]);
    }
    wired
}

fn wiring_of(main: &crate::show::model::MainLine, ms: impl Fn(f64) -> Frames) -> Wiring {
    match (&main.click, main.wiring) {
        (None, _) => Wiring::OneWitness,
        (Some(_), show::model::Wiring::OwnChannel) => Wiring::TwoWitnesses,
        (Some(_), show::model::Wiring::PassThrough) => Wiring::Passed(ms(main.safety_delay_ms)),
    }
}
