//! What a streamed click track must show at each hit, read from the file once, before the show.

use super::source::Source;
use crate::click::set::{Leg, LegKind, Set, SongPlan, StreamPlan};
use crate::show::model::{Show, StreamDef, StreamStart};
use crate::units::{Frames, SampleRate, Span};
use crate::wav::WavError;
use std::sync::Arc;

/// A hit's peak is looked for from this much before it to this much after it.
const BEFORE_SECONDS: f64 = 0.001;
const AFTER_SECONDS: f64 = 0.005;

/// A hit that lies this far (−30 dB) below the file's median hit is not expected.
const EXPECTED: f32 = 0.031_623;

/// Peaks this far (−60 dB) below the loudest are silence and have no part in the median.
const SILENCE: f32 = 0.001;

/// A track that comes late is looked for this far around its hits, at this many of them at most.
const SEARCH_SECONDS: f64 = 0.03;
const MOST_SEARCHED: usize = 100;

/// A hit has risen at a quarter of its peak.
const RISEN: f32 = 0.25;

/// A smaller distance is how sounds differ, not a wrong offset.
const WORTH_A_NOTE_MS: f64 = 2.0;

/// Fills [`SongPlan::streams`] of every song from the show's click tracks. Returns what a person should
/// know, in words: a file that is resampled, that comes late, that is silent at many hits, or that cannot be used (then the
/// click is made here, as if no file were named).
///
/// Shape: `set` was built from `show`, song by song.
pub fn plan_streams(show: &Show, set: &mut Set) -> Vec<String> {
    let mut notes = Vec::new();
    let (rate, lanes) = (set.rate, set.lanes.clone());
    for (song, plan) in show.songs.iter().zip(&mut set.songs) {
        plan.streams.resize_with(show.clicks.len(), || None);
        let defs = song.streams.iter().enumerate().take(show.clicks.len());
        for (click, def) in defs.filter_map(|(click, def)| Some((click, def.as_ref()?))) {
            let lane = lanes.get(click).map_or(0, |lanes| lanes.fallback);
            let names = (plan.title.clone(), show.clicks[click].name.as_str());
            plan.streams[click] = match plan_stream(show, def, plan, lane, rate) {
                Ok((stream, note)) => {
                    notes.extend(note);
                    Some(stream)
                }
                Err(why) => {
                    let (title, click) = names;
                    notes.push(format!(
                        "{why}\n  until then the click \"{click}\" of \"{title}\" is made here"
                    ));
                    None
                }
            };
        }
    }
    set.find_peaks();
    notes
}

fn plan_stream(
    show: &Show,
    def: &StreamDef,
    song: &SongPlan,
    lane: u8,
    rate: SampleRate,
) -> Result<(StreamPlan, Option<String>), WavError> {
    let file = show.folder.join(&def.file);
    let mut source = Source::open(&file, def.channel, rate)?;
    let origin = origin(def, &song.legs, rate);
    let gain = def.level.gain();
    let standing = source.standing()?;
    source.take_off(standing);
    let peaks = hit_peaks(&mut source, &song.legs, origin, lane, rate)?;
    let (expected, silent) = expectations(&peaks, gain);
    let late = lateness(&mut source, &song.legs, origin, lane, rate)?;
    let mut parts = Vec::new();
    if source.rate() != rate {
        parts.push(format!("is at {} Hz: resampled to {} Hz", source.rate().hertz(), rate.hertz()));
    }
    if standing != 0.0 {
        parts.push(format!("stands at {:+.1} % of full scale: taken off", 100.0 * standing));
    }
    parts.extend(late_words(late, def.offset_ms));
    parts.extend(silent_words(silent, peaks.iter().flatten().flatten().count()));
    let note = (!parts.is_empty()).then(|| format!("{} {}", def.file.display(), parts.join("; ")));
    Ok((StreamPlan { file, channel: def.channel, gain, standing, origin, expected }, note))
}

/// The file's frame that belongs to the start of the count-in.
fn origin(def: &StreamDef, legs: &[Leg], rate: SampleRate) -> Span {
    let offset = Span::from_f64(def.offset_ms / 1_000.0 * f64::from(rate.hertz()));
    let bar_one = legs.iter().find(|leg| leg.kind == LegKind::Section).map_or(Span(0), |leg| leg.written);
    match def.starts {
        StreamStart::CountIn => offset,
        StreamStart::BarOne => offset - bar_one,
    }
}

/// For each leg and hit the file's peak around it; `None` for hits of other lanes.
fn hit_peaks(
    source: &mut Source,
    legs: &[Leg],
    origin: Span,
    lane: u8,
    rate: SampleRate,
) -> Result<Vec<Vec<Option<f32>>>, WavError> {
    let (before, after) = (rate.frames(BEFORE_SECONDS).0, rate.frames(AFTER_SECONDS).0);
    let mut window = vec![0.0; (before + after) as usize + 1];
    let mut peak_at = |place: Span| -> Result<f32, WavError> {
        source.fill(place.nearest().0 - before, &mut window)?;
        Ok(window.iter().fold(0.0, |m: f32, x| m.max(x.abs())))
    };
    let mut peaks = Vec::with_capacity(legs.len());
    for leg in legs {
        let hits = leg.grid.hits.iter().map(|hit| match hit.lane == lane {
            true => peak_at(origin + leg.written + hit.local()).map(Some),
            false => Ok(None),
        });
        peaks.push(hits.collect::<Result<Vec<_>, _>>()?);
    }
    Ok(peaks)
}

/// Peaks times gain where a hit is to be seen, 0 elsewhere; and the hits of the lane at which it is silent.
fn expectations(peaks: &[Vec<Option<f32>>], gain: f32) -> (Vec<Arc<[f32]>>, usize) {
    let floor = median(peaks) * EXPECTED;
    let seen = |peak: &Option<f32>| peak.filter(|peak| *peak > floor).map_or(0.0, |peak| peak * gain);
    let silent = peaks.iter().flatten().flatten().filter(|peak| **peak <= floor).count();
    (peaks.iter().map(|leg| leg.iter().map(seen).collect()).collect(), silent)
}

/// The median of the hits that are not silence; 0 when there are none.
fn median(peaks: &[Vec<Option<f32>>]) -> f32 {
    let all = || peaks.iter().flatten().flatten().copied().filter(|peak| peak.is_finite());
    let loudest = all().fold(0.0, f32::max);
    let mut loud: Vec<f32> = all().filter(|peak| *peak > loudest * SILENCE).collect();
    loud.sort_by(f32::total_cmp);
    loud.get(loud.len() / 2).copied().unwrap_or(0.0)
}

/// How much later than the grid the file's hits rise, in ms: the median over the first ones that rise alone
/// within the search; `None` when no three do.
fn lateness(
    source: &mut Source,
    legs: &[Leg],
    origin: Span,
    lane: u8,
    rate: SampleRate,
) -> Result<Option<f64>, WavError> {
    let reach = rate.frames(SEARCH_SECONDS).0;
    let mut window = vec![0.0; 2 * reach as usize + 1];
    let mut found = Vec::new();
    let hits = legs.iter().flat_map(|leg| leg.grid.hits.iter().map(move |hit| (leg.written, hit)));
    for (written, hit) in hits.filter(|(_, hit)| hit.lane == lane).take(MOST_SEARCHED) {
        source.fill((origin + written + hit.local()).nearest().0 - reach, &mut window)?;
        let peak = window.iter().fold(0.0, |m: f32, x| m.max(x.abs()));
        let rise = window.iter().position(|x| peak > 0.0 && x.abs() >= RISEN * peak);
        found.extend(rise.filter(|at| *at > 0).map(|at| at as i64 - reach));
    }
    found.sort_unstable();
    let median = found.get(found.len() / 2).filter(|_| found.len() >= 3);
    Ok(median.map(|frames| rate.seconds(Frames(*frames)) * 1_000.0))
}

fn late_words(late: Option<f64>, offset: f64) -> Option<String> {
    let late = late.filter(|late| late.abs() >= WORTH_A_NOTE_MS)?;
    let (by, than) = (late.abs(), if late > 0.0 { "later" } else { "earlier" });
    Some(format!("speaks {by:.1} ms {than} than the grid: an offset of {:.1} ms mends it", offset + late))
}

fn silent_words(silent: usize, hits: usize) -> Option<String> {
    let words = "it may belong to another song or start elsewhere";
    (2 * silent > hits).then(|| format!("is silent at {silent} of {hits} hits: {words}"))
}
