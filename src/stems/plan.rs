//! What is to be written, every name of it, before the first byte is.

use super::names::{Taken, slug, suffix};
use super::timeline::Timeline;
use crate::click::build::build;
use crate::click::prepare::{Prepared, prepare};
use crate::click::set::{Set, SongPlan};
use crate::click::sounds::{self, SoundBank};
use crate::renderer::plan_streams;
use crate::show::Reading;
use crate::show::model::{Show, SongKind};
use crate::units::{Frames, SampleRate};
use crate::wav::Encoding;
use std::fmt;
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// Longest part of a name that comes from a title, and from the name of a click or feed.
const TITLE: usize = 32;
const PART: usize = 20;

/// The same for a pad, whose display is small.
const PAD_TITLE: usize = 16;
const PAD_PART: usize = 8;

/// Less than this of a sound is cut off without a word, in seconds.
const WORTH_A_NOTE: f64 = 0.001;

/// What is asked for.
#[derive(Clone, Debug)]
pub struct Wish {
    pub folder: PathBuf,
    pub rate: SampleRate,
    pub encoding: Encoding,
    pub stereo: bool,
    pub count_in: bool,
    /// Seconds of silence before the first beat.
    pub lead_in: f64,
    /// The engine's own fallback of each click instead of the click.
    pub fallback: bool,
    /// Indices into the show.
    pub clicks: Vec<usize>,
    pub feeds: Vec<usize>,
    pub songs: Vec<usize>,
    pub events: Option<PathBuf>,
    /// The rate of the files for a pad, and whether they are wanted.
    pub pad_rate: SampleRate,
    pub pads: bool,
    pub loops: bool,
    /// Most bars of a loop.
    pub loop_bars: u32,
    pub overwrite: bool,
    /// For the files' heads: yyyy-mm-dd and hh:mm:ss.
    pub date: String,
    pub time: String,
}

/// Why nothing was written.
#[derive(Debug)]
pub enum StemFault {
    /// Every sound that cannot be used.
    Sounds(Vec<crate::click::sounds::SoundFault>),
    Exists(Vec<PathBuf>),
    /// A file that the show is made of would be replaced.
    Source(PathBuf),
    /// Two of the files would bear this name.
    Twice(PathBuf),
    Folder(PathBuf, std::io::Error),
    Nothing,
}

impl fmt::Display for StemFault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            StemFault::Sounds(faults) => {
                let all: Vec<String> = faults.iter().map(ToString::to_string).collect();
                write!(f, "{}", all.join("\n"))
            }
            StemFault::Exists(paths) => {
                let (first, more) = (paths.first().map(|path| path.display()), paths.len().saturating_sub(1));
                match first {
                    Some(first) if more > 0 => {
                        write!(f, "{first} and {more} more of the files stand there already")?
                    }
                    Some(first) => write!(f, "{first} stands there already")?,
                    None => write!(f, "a file stands there already")?,
                }
                write!(
                    f,
                    "; nothing was written\n  to mend it: give another folder with --out, or --overwrite"
                )
            }
            StemFault::Source(path) => write!(
                f,
                "{} is part of the show and would be overwritten; nothing was written\n  to mend it: give another place",
                path.display()
            ),
            StemFault::Twice(path) => write!(
                f,
                "{} is the name of two of the files; nothing was written\n  to mend it: give --events another name",
                path.display()
            ),
            StemFault::Folder(path, why) => write!(
                f,
                "{} cannot be used: {why}\n  to mend it: give a folder that may be written to",
                path.display()
            ),
            StemFault::Nothing => write!(
                f,
                "there is nothing to write: none of the songs has a click\n  to mend it: choose other songs, or \
                 give one a click"
            ),
        }
    }
}

impl std::error::Error for StemFault {}

/// What a file is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Kind {
    Click,
    Fallback,
    Feed,
    Pad,
    Loop,
    StartSheet,
    Events,
}

/// A WAV file to be written.
#[derive(Clone, Debug)]
pub struct Target {
    pub path: PathBuf,
    pub kind: Kind,
    /// Index into the show's songs.
    pub song: usize,
    /// Click, or feed of a feed.
    pub index: usize,
    /// Of a loop.
    pub section: usize,
}

/// Sounds and grids at the pad's rate.
pub struct PadSet {
    pub set: Set,
    pub bank: SoundBank,
}

/// Everything that is to be written.
pub struct Plan {
    pub set: Set,
    /// When pads or loops are wanted.
    pub pad: Option<PadSet>,
    /// Number in set order of each song of the show.
    pub numbers: Vec<usize>,
    pub timelines: Vec<Timeline>,
    pub targets: Vec<Target>,
    /// The table of events and the start sheet.
    pub sheet: Option<PathBuf>,
    pub notes: Vec<String>,
}

/// The songs' numbers as printed. Songs that were refused keep theirs, so that a mended song finds its place.
pub fn song_numbers(show: &Show) -> Vec<usize> {
    show.songs.iter().map(|song| song.number).collect()
}

/// Lays everything out and looks at every name. Errors: sounds, and names that are taken: nothing is
/// written then, no folder made.
pub fn plan(reading: &Reading, show: &Show, wish: &Wish) -> Result<Plan, StemFault> {
    let (set, mut notes) = prepared(show, wish.rate)?;
    let pad = match wish.pads || wish.loops {
        true => Some(pad_set(show, wish.pad_rate)?),
        false => None,
    };
    let lead_in = wish.rate.frames(wish.lead_in);
    let timelines: Vec<Timeline> =
        set.songs.iter().map(|song| Timeline::new(song, &set, wish.count_in, lead_in)).collect();
    notes.extend(cut_notes(show, &set, &timelines, wish));
    let numbers = song_numbers(show);
    let (targets, sheet) = targets(show, &numbers, wish);
    let plan = Plan { set, pad, numbers, timelines, targets, sheet, notes };
    if plan.targets.is_empty() {
        return Err(StemFault::Nothing);
    }
    check_names(&plan, reading, show, wish)?;
    Ok(plan)
}

fn prepared(show: &Show, rate: SampleRate) -> Result<(Set, Vec<String>), StemFault> {
    let Prepared { mut set, mut notes } = prepare(show, rate).map_err(StemFault::Sounds)?;
    notes.extend(plan_streams(show, &mut set));
    Ok((set, notes))
}

fn pad_set(show: &Show, rate: SampleRate) -> Result<PadSet, StemFault> {
    let bank = sounds::build(show, rate).map_err(StemFault::Sounds)?;
    let mut set = build(show, rate, &bank);
    plan_streams(show, &mut set);
    Ok(PadSet { set, bank })
}

/// The same sounds and lanes with other songs.
pub(super) fn with_songs(set: &Set, songs: Vec<SongPlan>) -> Set {
    let (sounds, lanes) = (set.sounds.clone(), set.lanes.clone());
    Set {
        rate: set.rate,
        sounds,
        lanes,
        lane_count: set.lane_count,
        songs,
        max_lead: set.max_lead,
        lane_peaks: Vec::new(),
    }
}

/// A sound whose first part lies before the stem's first frame loses that part.
fn cut_notes(show: &Show, set: &Set, timelines: &[Timeline], wish: &Wish) -> Vec<String> {
    let cut = |timeline: &Timeline| -> Frames {
        let hits = timeline.passes.first().into_iter().flat_map(|pass| {
            pass.grid.hits.iter().filter_map(|hit| {
                let lead = i64::from(set.sounds.get(hit.sound as usize)?.lead);
                Some(lead - pass.anchor.frame(hit.local()).0)
            })
        });
        Frames(hits.max().unwrap_or(0))
    };
    let worst = wish.songs.iter().filter_map(|song| Some((*song, cut(timelines.get(*song)?))));
    let Some((song, frames)) =
        worst.max_by_key(|(_, frames)| *frames).filter(|(_, cut)| set.rate.seconds(*cut) >= WORTH_A_NOTE)
    else {
        return Vec::new();
    };
    let (ms, title) = (set.rate.seconds(frames) * 1000.0, show.songs.get(song).map_or("", |s| &s.title));
    vec![format!(
        "stems begin on the first beat: up to {ms:.0} ms of a sound before it are cut off (\"{title}\"); \
         --lead-in {:.2} keeps them",
        (ms / 10.0).ceil() / 100.0
    )]
}

fn targets(show: &Show, numbers: &[usize], wish: &Wish) -> (Vec<Target>, Option<PathBuf>) {
    let digits = numbers.last().map_or(2, |last| last.to_string().len().max(2));
    let mut names = Names { wish, digits, numbers, show, taken: Taken::default(), targets: Vec::new() };
    for song in wish.songs.iter().copied() {
        let sounds =
            |song: &&crate::show::model::Song| song.kind == SongKind::Click && !song.sections.is_empty();
        if show.songs.get(song).filter(sounds).is_some() {
            names.song(song);
        }
    }
    let pads = names.targets.iter().any(|target| target.kind == Kind::Pad);
    (names.targets, pads.then(|| wish.folder.join("pad").join("start-sheet.txt")))
}

struct Names<'a> {
    wish: &'a Wish,
    show: &'a Show,
    numbers: &'a [usize],
    digits: usize,
    taken: Taken,
    targets: Vec<Target>,
}

impl Names<'_> {
    fn song(&mut self, song: usize) {
        let kind = if self.wish.fallback { Kind::Fallback } else { Kind::Click };
        let title = self.title(song, TITLE);
        let ending = if self.wish.fallback { "-fallback" } else { "" };
        for click in self.wish.clicks.clone() {
            let part = slug(&self.show.clicks[click].name, PART, "click");
            self.add(kind, song, click, 0, |more| format!("{title}.{part}{ending}{more}.wav"));
        }
        for feed in self.wish.feeds.clone() {
            let part = slug(&self.show.feeds[feed].name, PART, "feed");
            self.add(Kind::Feed, song, feed, 0, |more| format!("{title}.{part}-feed{more}.wav"));
        }
        if self.wish.pads {
            self.pads(song);
        }
        if self.wish.loops {
            self.loops(song);
        }
    }

    /// "03-low-tide".
    fn title(&self, song: usize, most: usize) -> String {
        let number = self.numbers.get(song).copied().unwrap_or(0);
        let width = self.digits;
        format!("{number:0width$}-{}", slug(&self.show.songs[song].title, most, "song"))
    }

    fn pads(&mut self, song: usize) {
        let title = self.title(song, PAD_TITLE);
        let only = self.wish.clicks.len() == 1;
        for click in self.wish.clicks.clone() {
            let part = slug(&self.show.clicks[click].name, PAD_PART, "click");
            self.add(Kind::Pad, song, click, 0, |more| match only {
                true => format!("pad/{title}{more}.wav"),
                false => format!("pad/{title}-{part}{more}.wav"),
            });
        }
    }

    fn loops(&mut self, song: usize) {
        let title = self.title(song, PAD_TITLE);
        for (section, def) in self.show.songs[song].sections.iter().enumerate() {
            if super::loops::cannot_loop(def).is_some() {
                continue;
            }
            let name = slug(&def.name, PAD_PART, "section");
            for click in self.wish.clicks.clone() {
                let sounds = def.parts.get(click).is_some_and(|part| part.sounds);
                let part = slug(&self.show.clicks[click].name, PAD_PART, "click");
                let place = section + 1;
                if sounds {
                    let name = |more| format!("loops/{title}-{place}-{name}-{part}{more}.wav");
                    self.add(Kind::Loop, song, click, section, name);
                }
            }
        }
    }

    fn add(
        &mut self,
        kind: Kind,
        song: usize,
        index: usize,
        section: usize,
        name: impl Fn(String) -> String,
    ) {
        let name = self.taken.first_free(|number| name(suffix(number)));
        self.targets.push(Target { path: self.wish.folder.join(name), kind, song, index, section });
    }
}

impl Plan {
    /// Frames of all files that a song's length gives, for a progress bar.
    pub fn frames(&self) -> u64 {
        let long = self.targets.iter().filter(|target| target.kind != Kind::Loop);
        long.filter_map(|target| self.timelines.get(target.song)).map(|timeline| timeline.frames).sum()
    }

    /// Every file that will be written.
    pub fn paths<'a>(&'a self, wish: &'a Wish) -> impl Iterator<Item = &'a Path> {
        let wavs = self.targets.iter().map(|target| target.path.as_path());
        wavs.chain(self.sheet.as_deref()).chain(wish.events.as_deref())
    }
}

fn check_names(plan: &Plan, reading: &Reading, show: &Show, wish: &Wish) -> Result<(), StemFault> {
    let mut seen = std::collections::HashSet::new();
    if let Some(twice) = plan.paths(wish).find(|path| !seen.insert(std::path::absolute(path).ok())) {
        return Err(StemFault::Twice(twice.to_owned()));
    }
    let sources: Vec<PathBuf> =
        sources(reading, show).iter().filter_map(|path| path.canonicalize().ok()).collect();
    let is_source = |path: &&Path| path.canonicalize().is_ok_and(|path| sources.contains(&path));
    if let Some(source) = plan.paths(wish).find(is_source) {
        return Err(StemFault::Source(source.to_owned()));
    }
    let is_folder = |path: &&Path| path.is_dir();
    let there = |path: &&Path| path.symlink_metadata().is_ok() && (!wish.overwrite || is_folder(path));
    let exist: Vec<PathBuf> = plan.paths(wish).filter(there).map(Path::to_owned).collect();
    if exist.is_empty() { Ok(()) } else { Err(StemFault::Exists(exist)) }
}

/// The show file and every file that it names.
fn sources(reading: &Reading, show: &Show) -> Vec<PathBuf> {
    use crate::show::model::SoundSource;
    let mut all = vec![PathBuf::from(&reading.name)];
    let sounds = show.sounds.iter().flat_map(|def| [&def.accent, &def.beat, &def.eighth, &def.sixteenth]);
    all.extend(sounds.filter_map(|source| match source {
        SoundSource::Wav(path) => Some(show.folder.join(path)),
        SoundSource::Synth(_) => None,
    }));
    for song in &show.songs {
        let voices = song.count_in.iter().filter_map(|count| count.voice.as_ref()).flatten();
        all.extend(voices.map(|path| show.folder.join(path)));
        all.extend(song.streams.iter().flatten().map(|stream| show.folder.join(&stream.file)));
    }
    all
}

/// The lane of a click that a file holds.
pub(super) fn lane(set: &Set, click: usize, fallback: bool) -> u8 {
    set.lanes.get(click).map_or(0, |lanes| if fallback { lanes.fallback } else { lanes.own })
}

/// A song's plan laid straight, as the engine is to play it: no vamp, no hold, no count-in to be called.
pub(super) fn straight(plan: &SongPlan, timeline: &Timeline) -> SongPlan {
    let legs = timeline.passes.iter().map(|pass| crate::click::set::Leg {
        kind: pass.kind,
        section: plan.legs.get(pass.leg).map_or(0, |leg| leg.section),
        section_name: pass.section_name.clone(),
        pass: pass.number,
        grid: Arc::clone(&pass.grid),
        first_bar: pass.first_bar,
        vamp: false,
        hold: false,
        count_in: None,
        ambient: None,
        written: pass.written,
    });
    // A stream does not hold the count-ins that are called: with those in, the engine makes the click.
    let streams = plan.streams.iter().map(|stream| match timeline.has_called() {
        true => None,
        false => stream.as_ref().map(|stream| {
            let expected = timeline.passes.iter().filter_map(|pass| stream.expected.get(pass.leg).cloned());
            crate::click::set::StreamPlan { expected: expected.collect(), ..stream.clone() }
        }),
    });
    SongPlan {
        said: plan.said,
        title: plan.title.clone(),
        streams: streams.collect(),
        legs: legs.collect(),
        segue: false,
        encore: plan.encore,
        first_section_leg: 0,
    }
}
