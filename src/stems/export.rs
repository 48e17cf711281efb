//! A plan carried out: files written, one thread a processor, and what was done in words.

use super::feeds::{Feeds, widths};
use super::loops::{LoopLength, cannot_loop, loop_length, timeline as loop_timeline};
use super::make::{Lane, Make, Track, peak};
use super::plan::{Kind, Plan, Target, Wish, lane};
use super::timeline::Timeline;
use super::write::{Out, Watch, WriteFault, write};
use super::{events, pads, text_file};
use crate::click::set::Set;
use crate::show::model::Show;
use crate::units::{Frames, SampleRate};
use crate::wav::{Bext, Cue, Encoding, Format, Options};
use std::path::{Path, PathBuf};
use std::sync::Mutex;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};

/// A file as it was written.
#[derive(Clone, Debug, serde::Serialize)]
pub struct Written {
    pub path: PathBuf,
    pub kind: Kind,
    /// In set order; 0 where the file belongs to the whole show.
    pub number: usize,
    pub song: String,
    /// Click or feed.
    pub part: String,
    /// Of a loop.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub section: Option<String>,
    pub frames: u64,
    pub seconds: f64,
    pub rate: u32,
    pub channels: u16,
    pub encoding: Option<Encoding>,
    /// First frame, in frames on the timeline of the whole set.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub time_reference: Option<u64>,
    /// Of a loop.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub bars: Option<u64>,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub notes: Vec<String>,
}

/// What came of it.
#[derive(Debug, Default)]
pub struct Report {
    /// In the order of the plan.
    pub written: Vec<Written>,
    pub notes: Vec<String>,
    /// What could not be written; the first failure ends the rest.
    pub failed: Vec<String>,
    /// Somebody asked it to stop.
    pub stopped: bool,
}

/// Files that come out of one run.
struct Job<'p> {
    targets: Vec<&'p Target>,
}

/// Writes everything. Every file is whole or absent, also after a kill.
pub fn export(
    show: &Show,
    plan: &Plan,
    wish: &Wish,
    cancel: &AtomicBool,
    progress: &(dyn Fn(u64) + Sync),
) -> Report {
    let mut report = Report { notes: plan.notes.clone(), ..Report::default() };
    if let Err(why) = make_room(plan, wish) {
        report.failed.push(why);
        return report;
    }
    let exporter =
        Exporter { show, plan, wish, watch: Watch { cancel, progress }, failed: AtomicBool::new(false) };
    let jobs = jobs(&plan.targets);
    for result in exporter.run_all(&jobs) {
        match result {
            Some(Ok(written)) => report.written.extend(written),
            Some(Err(Failure::Stopped)) | None => {}
            Some(Err(Failure::Words(why))) => report.failed.push(why),
        }
    }
    report.stopped = cancel.load(Ordering::Relaxed);
    if report.failed.is_empty() && !report.stopped {
        exporter.texts(&mut report);
    }
    report.notes.extend(loop_notes(show, plan, wish));
    report
}

enum Failure {
    Stopped,
    Words(String),
}

impl From<WriteFault> for Failure {
    fn from(why: WriteFault) -> Failure {
        match why {
            WriteFault::Stopped => Failure::Stopped,
            WriteFault::Wav(why) => Failure::Words(why.to_string()),
        }
    }
}

impl From<crate::wav::WavError> for Failure {
    fn from(why: crate::wav::WavError) -> Failure {
        Failure::Words(why.to_string())
    }
}

type Outcome = Result<Vec<Written>, Failure>;

/// One target a job; the feeds of a song come out of one run of the engine.
fn jobs(targets: &[Target]) -> Vec<Job<'_>> {
    let mut jobs: Vec<Job<'_>> = Vec::new();
    for target in targets {
        let same = |job: &&mut Job<'_>| {
            job.targets.first().is_some_and(|first| first.kind == Kind::Feed && first.song == target.song)
        };
        match jobs.iter_mut().find(same).filter(|_| target.kind == Kind::Feed) {
            Some(job) => job.targets.push(target),
            None => jobs.push(Job { targets: vec![target] }),
        }
    }
    jobs
}

struct Exporter<'p> {
    show: &'p Show,
    plan: &'p Plan,
    wish: &'p Wish,
    watch: Watch<'p>,
    failed: AtomicBool,
}

impl Exporter<'_> {
    fn run_all(&self, jobs: &[Job<'_>]) -> Vec<Option<Outcome>> {
        let next = AtomicUsize::new(0);
        let results: Vec<Mutex<Option<Outcome>>> = jobs.iter().map(|_| Mutex::new(None)).collect();
        let threads =
            std::thread::available_parallelism().map_or(1, usize::from).min(jobs.len()).clamp(1, 16);
        let work = || {
            while !self.failed.load(Ordering::Relaxed) {
                let index = next.fetch_add(1, Ordering::Relaxed);
                let (Some(job), Some(slot)) = (jobs.get(index), results.get(index)) else { break };
                let result = self.run(job);
                if result.is_err() {
                    self.failed.store(true, Ordering::Relaxed);
                }
                if let Ok(mut slot) = slot.lock() {
                    *slot = Some(result);
                }
            }
        };
        std::thread::scope(|scope| {
            (1..threads).for_each(|_| drop(scope.spawn(work)));
            work();
        });
        results.into_iter().map(|slot| slot.into_inner().unwrap_or(None)).collect()
    }

    fn run(&self, job: &Job<'_>) -> Outcome {
        let Some(first) = job.targets.first() else { return Ok(Vec::new()) };
        match first.kind {
            Kind::Feed => self.feeds(&job.targets),
            Kind::Pad => self.pad(first),
            Kind::Loop => self.a_loop(first),
            _ => self.click(first),
        }
    }

    fn click(&self, target: &Target) -> Outcome {
        let (set, timeline) = (&self.plan.set, &self.plan.timelines[target.song]);
        let mut made = self.maker(set, timeline, target, 1.0)?;
        let channels = if self.wish.stereo { 2 } else { 1 };
        let out = self.stem(target, timeline, channels, 0..1);
        write(&mut *made.0, 1, timeline.frames, &[out], &self.watch)?;
        let mut written = self.written(target, timeline.frames, channels);
        written.notes = made.1;
        Ok(vec![written])
    }

    /// What fills a click's stem, and what is to be said about it.
    fn maker<'a>(
        &self,
        set: &'a Set,
        timeline: &'a Timeline,
        target: &Target,
        gain: f32,
    ) -> Result<(Box<dyn Make + 'a>, Vec<String>), Failure> {
        let (click, fallback) = (target.index, self.wish.fallback);
        let own = lane(set, click, fallback);
        let stream = set.songs[target.song].streams.get(click).and_then(Option::as_ref).filter(|_| !fallback);
        let Some(stream) = stream else {
            return Ok((Box::new(Lane { timeline, set, lane: own, gain }), Vec::new()));
        };
        let mut note = format!("the click track {}", stream.file.display());
        if timeline.has_called() {
            note.push_str("; count-ins that are called after a hold are made here");
        }
        let track = Track::open(timeline, set, lane(set, click, true), stream, gain)?;
        Ok((Box::new(track), vec![note]))
    }

    fn stem<'a>(
        &self,
        target: &'a Target,
        timeline: &Timeline,
        channels: u16,
        from: std::ops::Range<usize>,
    ) -> Out<'a> {
        let format = Format { rate: self.wish.rate, channels, encoding: self.wish.encoding };
        let bext = self.bext(target, timeline, channels);
        let options = Options { bext: Some(bext), ..self.options(target) };
        Out { path: &target.path, format, options, cues: timeline.cues(), channels: from }
    }

    fn options(&self, target: &Target) -> Options {
        let number = self.plan.numbers.get(target.song).copied().unwrap_or(0) as u64;
        let dither_seed = number * 1_000 + target.index as u64;
        Options { overwrite: self.wish.overwrite, dither_seed, ..Options::default() }
    }

    /// Source: EBU Tech 3285; the coding history as EBU R 98 has it.
    fn bext(&self, target: &Target, timeline: &Timeline, channels: u16) -> Bext {
        let (rate, bits) = (self.wish.rate.hertz(), self.wish.encoding.bytes() * 8);
        let mode = if channels == 2 { "stereo" } else { "mono" };
        Bext {
            description: format!("{}: {}", self.show.songs[target.song].title, self.part(target)),
            originator: concat!("Fogbell ", env!("CARGO_PKG_VERSION")).into(),
            originator_reference: self.show.digest.chars().take(32).collect(),
            date: self.wish.date.clone(),
            time: self.wish.time.clone(),
            time_reference: self.time_reference(target.song, timeline.origin),
            loudness: None,
            coding_history: format!("A=PCM,F={rate},W={bits},M={mode},T=Fogbell\r\n"),
        }
    }

    /// Frames from midnight: each song has an hour of its own up to 23 songs, ten minutes up to 143, else two.
    fn time_reference(&self, song: usize, origin: Frames) -> u64 {
        let numbers = &self.plan.numbers;
        let slot = match numbers.last().copied().unwrap_or(0) {
            ..=23 => 3_600,
            24..=143 => 600,
            _ => 120,
        };
        let number = numbers.get(song).copied().unwrap_or(0) as i64;
        let frames = slot * number * i64::from(self.wish.rate.hertz()) + origin.0;
        frames.max(0) as u64
    }

    fn part(&self, target: &Target) -> &str {
        match target.kind {
            Kind::Feed => self.show.feeds.get(target.index).map_or("", |feed| &feed.name),
            _ => self.show.clicks.get(target.index).map_or("", |click| &click.name),
        }
    }

    fn feeds(&self, targets: &[&Target]) -> Outcome {
        let Some(first) = targets.first() else { return Ok(Vec::new()) };
        let timeline = &self.plan.timelines[first.song];
        let feeds: Vec<usize> = targets.iter().map(|target| target.index).collect();
        let mut run =
            Feeds::new(self.show, &self.plan.set, first.song, timeline, &feeds).map_err(Failure::Words)?;
        let (mut outs, mut start) = (Vec::new(), 0);
        for (target, width) in targets.iter().zip(widths(self.show, &feeds)) {
            let channels = if self.wish.stereo { 2 } else { width as u16 };
            outs.push(self.stem(target, timeline, channels, start..start + width));
            start += width;
        }
        write(&mut run, start, timeline.frames, &outs, &self.watch)?;
        let channels: Vec<u16> = outs.iter().map(|out| out.format.channels).collect();
        let mut notes = run.notes();
        if timeline.has_called() && self.plan.set.songs[first.song].streams.iter().any(Option::is_some) {
            notes.push(
                "count-ins are called in this song: instead of its click track the fallback is heard".into(),
            );
        }
        let each = targets.iter().zip(channels).map(|(target, channels)| {
            let written = self.written(target, timeline.frames, channels);
            Written { notes: notes.clone(), ..written }
        });
        Ok(each.collect())
    }

    fn pad(&self, target: &Target) -> Outcome {
        let Some(pad) = &self.plan.pad else { return Ok(Vec::new()) };
        let timeline =
            Timeline::new(&pad.set.songs[target.song], &pad.set, self.wish.count_in, self.pad_lead_in());
        let loudest =
            peak(&mut *self.maker(&pad.set, &timeline, target, 1.0)?.0, timeline.frames, pad.set.rate)?;
        let gain = pads::matched(loudest, self.show.ceiling);
        let mut made = self.maker(&pad.set, &timeline, target, gain)?;
        self.write_plain(&mut *made.0, target, timeline.frames)?;
        Ok(vec![Written { notes: made.1, ..self.written(target, timeline.frames, 1) }])
    }

    fn pad_lead_in(&self) -> Frames {
        self.wish.pad_rate.frames(self.wish.lead_in)
    }

    /// 16 bits, mono, nothing but samples behind the 44 bytes of the head.
    fn write_plain(&self, make: &mut dyn Make, target: &Target, frames: u64) -> Result<(), WriteFault> {
        let format = Format { rate: self.wish.pad_rate, channels: 1, encoding: Encoding::Pcm16 };
        let out = Out {
            path: &target.path,
            format,
            options: self.options(target),
            cues: Vec::<Cue>::new(),
            channels: 0..1,
        };
        write(make, 1, frames, &[out], &self.watch)
    }

    fn a_loop(&self, target: &Target) -> Outcome {
        let Some(pad) = &self.plan.pad else { return Ok(Vec::new()) };
        let song = &self.show.songs[target.song];
        let section = &song.sections[target.section];
        let rate = pad.set.rate;
        let length = loop_length(section, target.index, rate, self.wish.loop_bars);
        let timeline = loop_timeline(self.show, song, section, &length, &pad.bank, rate);
        let mut make = Lane {
            timeline: &timeline,
            set: &pad.set,
            lane: lane(&pad.set, target.index, self.wish.fallback),
            gain: 1.0,
        };
        make.gain = pads::matched(peak(&mut make, length.frames, rate)?, self.show.ceiling);
        self.write_plain(&mut make, target, length.frames)?;
        Ok(vec![self.loop_written(target, &length, rate)])
    }

    fn loop_written(&self, target: &Target, length: &LoopLength, rate: SampleRate) -> Written {
        Written {
            section: Some(self.show.songs[target.song].sections[target.section].name.clone()),
            bars: Some(length.bars),
            notes: vec![length.words(rate)],
            ..self.written(target, length.frames, 1)
        }
    }

    fn written(&self, target: &Target, frames: u64, channels: u16) -> Written {
        let plain = matches!(target.kind, Kind::Pad | Kind::Loop);
        let rate = if plain { self.wish.pad_rate } else { self.wish.rate };
        let origin = self.plan.timelines[target.song].origin;
        Written {
            path: target.path.clone(),
            kind: target.kind,
            number: self.plan.numbers.get(target.song).copied().unwrap_or(0),
            song: self.show.songs[target.song].title.clone(),
            part: self.part(target).to_owned(),
            section: None,
            frames,
            seconds: frames as f64 / f64::from(rate.hertz()),
            rate: rate.hertz(),
            channels,
            encoding: Some(if plain { Encoding::Pcm16 } else { self.wish.encoding }),
            time_reference: (!plain).then(|| self.time_reference(target.song, origin)),
            bars: None,
            notes: Vec::new(),
        }
    }

    /// The table of hits and the sheet for the pad.
    fn texts(&self, report: &mut Report) {
        let table = self.wish.events.as_deref().map(|path| (path, Kind::Events, self.events()));
        let sheet = self.plan.sheet.as_deref().map(|path| (path, Kind::StartSheet, self.sheet()));
        for (path, kind, text) in table.into_iter().chain(sheet) {
            match text_file::save(path, &text, self.wish.overwrite) {
                Ok(()) => report.written.push(self.text_written(path, kind)),
                Err(why) => report.failed.push(format!("{}: cannot be written: {why}", path.display())),
            }
        }
    }

    fn text_written(&self, path: &Path, kind: Kind) -> Written {
        Written {
            path: path.to_owned(),
            kind,
            number: 0,
            song: String::new(),
            part: String::new(),
            section: None,
            frames: 0,
            seconds: 0.0,
            rate: self.wish.rate.hertz(),
            channels: 0,
            encoding: None,
            time_reference: None,
            bars: None,
            notes: Vec::new(),
        }
    }

    fn events(&self) -> String {
        let mut out = events::HEADER.to_owned();
        for song in &self.wish.songs {
            let title = &self.show.songs[*song].title;
            for click in &self.wish.clicks {
                let lane = lane(&self.plan.set, *click, self.wish.fallback);
                let name = &self.show.clicks[*click].name;
                events::append(&mut out, title, name, &self.plan.timelines[*song], lane, self.wish.rate);
            }
        }
        out
    }

    fn sheet(&self) -> String {
        let rows = self.wish.songs.iter().map(|song| pads::Row {
            number: self.plan.numbers[*song],
            song: &self.show.songs[*song],
            files: self.pad_files(*song),
        });
        pads::sheet(self.show, &rows.collect::<Vec<_>>())
    }

    fn pad_files(&self, song: usize) -> Vec<String> {
        let of_song = |target: &&Target| target.kind == Kind::Pad && target.song == song;
        let name = |target: &Target| Some(target.path.file_name()?.to_string_lossy().into_owned());
        self.plan.targets.iter().filter(of_song).filter_map(name).collect()
    }
}

/// Sections that have no loop, and why.
fn loop_notes(show: &Show, plan: &Plan, wish: &Wish) -> Vec<String> {
    let songs = wish.songs.iter().filter(|_| wish.loops && plan.pad.is_some());
    let sections = songs.flat_map(|song| {
        let song = &show.songs[*song];
        song.sections.iter().map(move |section| (song, section))
    });
    sections
        .filter_map(|(song, section)| {
            let why = cannot_loop(section)?;
            Some(format!("\"{}\", {}: no loop, {why}", song.title, section.name))
        })
        .collect()
}

/// Makes the folders, and asks whether the disk has room for all of it.
fn make_room(plan: &Plan, wish: &Wish) -> Result<(), String> {
    let folders = plan.paths(wish).filter_map(Path::parent).filter(|folder| !folder.as_os_str().is_empty());
    for folder in folders {
        std::fs::create_dir_all(folder).map_err(|why| {
            format!(
                "{} cannot be made: {why}\n  to mend it: give --out a folder that may be written to",
                folder.display()
            )
        })?;
    }
    let (needed, free) = (needed(plan, wish), free(&wish.folder));
    match free.filter(|free| *free < needed) {
        None => Ok(()),
        Some(free) => Err(format!(
            "{} has room for {} MB, {} MB are needed; nothing was written\n  to mend it: choose fewer songs or \
             clicks, or another disk",
            wish.folder.display(),
            free / 1_000_000,
            needed.div_ceil(1_000_000)
        )),
    }
}

/// Bytes of all samples.
fn needed(plan: &Plan, wish: &Wish) -> u64 {
    let bytes = |target: &Target| {
        let frames = plan.timelines.get(target.song).map_or(0, |timeline| timeline.frames);
        match target.kind {
            Kind::Click | Kind::Fallback | Kind::Feed => {
                let channels = if wish.stereo || target.kind == Kind::Feed { 2 } else { 1 };
                frames * channels * wish.encoding.bytes() as u64
            }
            Kind::Pad => frames * 2 * u64::from(wish.pad_rate.hertz()) / u64::from(wish.rate.hertz()),
            _ => 0,
        }
    };
    plan.targets.iter().map(bytes).sum()
}

#[cfg(unix)]
fn free(folder: &Path) -> Option<u64> {
    let about = rustix::fs::statvfs(folder).ok()?;
    Some(about.f_bavail.saturating_mul(about.f_frsize))
}

#[cfg(not(unix))]
fn free(_folder: &Path) -> Option<u64> {
    None
}
