//! A checked show and its sounds to the [`Set`] that the engine plays from.

use super::grid::{self, BeatPlace, Stroke};
use super::set::{BeatMark, ClickLanes, Grid, Hit, HitKind, Leg, LegKind, Set, SongPlan, SongSaid, Sound};
use crate::show::model::{BarBeat, ClickRange, Count, CountIn, Metre, Part, Section, Show, Song, Style};
use crate::show::slots;
use crate::tempo::TempoMap;
use crate::units::{SampleRate, Span, Whole};
use num_traits::Zero;
use std::collections::HashMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// Where the sounds of a show lie in [`Set::sounds`].
pub trait SoundIndex {
    fn sounds(&self) -> Vec<Sound>;
    /// Accent, beat, eighth, sixteenth of an entry of [`Show::sounds`].
    fn kinds(&self, def: usize) -> [u16; 4];
    fn voice(&self, file: &Path) -> Option<u16>;
    /// What a sound is, whatever it is called and at whatever rate it plays: equal where another machine has the same.
    fn content(&self, _sound: u16) -> u64 {
        0
    }
}

/// A plain index, for tests and for sounds made elsewhere.
#[derive(Clone, Debug, Default)]
pub struct PlainIndex {
    pub sounds: Vec<Sound>,
    pub by_def: Vec<[u16; 4]>,
    pub voices: HashMap<PathBuf, u16>,
}

impl SoundIndex for PlainIndex {
    fn sounds(&self) -> Vec<Sound> {
        self.sounds.clone()
    }

    fn kinds(&self, def: usize) -> [u16; 4] {
        self.by_def.get(def).copied().unwrap_or_default()
    }

    fn voice(&self, file: &Path) -> Option<u16> {
        self.voices.get(file).copied()
    }
}

/// Lays out every song as legs with grids. Streams are planned afterwards.
pub fn build(show: &Show, rate: SampleRate, index: &dyn SoundIndex) -> Set {
    let lanes = lanes(show);
    let lane_count = lanes.iter().map(|l| l.own.max(l.fallback) as usize + 1).max().unwrap_or(0);
    let sounds = index.sounds();
    let max_lead = sounds.iter().map(|sound| sound.lead).max().unwrap_or(0);
    let songs =
        show.songs.iter().map(|song| SongBuilder { show, song, rate, index, lanes: &lanes }.plan()).collect();
    let mut set = Set { rate, sounds, lanes, lane_count, songs, max_lead, lane_peaks: Vec::new() };
    set.find_peaks();
    set.find_lateness();
    set
}

/// Own lanes first, in order of the clicks; then a lane for each fallback that differs.
pub fn lanes(show: &Show) -> Vec<ClickLanes> {
    let mut next = show.clicks.len() as u8;
    let lane = |(own, click): (usize, &crate::show::model::Click)| {
        let own = own as u8;
        if !click.separate_fallback {
            return ClickLanes { own, fallback: own };
        }
        next += 1;
        ClickLanes { own, fallback: next - 1 }
    };
    show.clicks.iter().enumerate().map(lane).collect()
}

struct SongBuilder<'a> {
    show: &'a Show,
    song: &'a Song,
    rate: SampleRate,
    index: &'a dyn SoundIndex,
    lanes: &'a [ClickLanes],
}

/// A hit with its musical place, before time.
struct Placed {
    place: Whole,
    hit: Hit,
}

impl SongBuilder<'_> {
    fn plan(&self) -> SongPlan {
        let mut legs = Vec::new();
        legs.extend(self.count_in());
        legs.extend(self.pickup());
        let first_section_leg = legs.iter().filter(|leg: &&Leg| leg.kind == LegKind::CountIn).count();
        let mut bar = 1u32;
        for (number, section) in self.song.sections.iter().enumerate() {
            self.section_legs(number, section, &mut bar, &mut legs);
        }
        let mut written = Span(0);
        for leg in &mut legs {
            leg.written = written;
            written += leg.grid.length;
        }
        SongPlan {
            said: SongSaid {
                number: self.song.number as u16,
                base_seconds: slots::base_seconds(self.show, self.song),
                digest: slots::digest(self.show, self.song, &self.contents()),
            },
            title: self.song.title.clone(),
            legs,
            segue: self.song.segue,
            encore: self.song.encore,
            first_section_leg,
            streams: vec![None; self.show.clicks.len()],
        }
    }

    /// What the song's sounds are: of each click in each section, then the spoken counts.
    fn contents(&self) -> Vec<u64> {
        let parts = self.song.sections.iter().flat_map(|section| &section.parts);
        let kinds = parts.flat_map(|part| self.index.kinds(part.sound));
        let files = self.song.count_in.iter().flat_map(|count_in| count_in.voice.iter().flatten());
        let voices = files.filter_map(|file| self.index.voice(file));
        kinds.chain(voices).map(|sound| self.index.content(sound)).collect()
    }

    fn count_in(&self) -> Option<Leg> {
        let (count_in, first) = (self.song.count_in.as_ref()?, self.song.sections.first()?);
        let grid = self.count_grid(count_in, first, self.song.pickup)?;
        Some(leg(LegKind::CountIn, "count-in".into(), grid, 1 - count_in.bars.len() as i32))
    }

    /// A count-in at a section's first tempo, `pickup` shorter than its bars.
    fn count_grid(&self, count_in: &CountIn, section: &Section, pickup: Whole) -> Option<Arc<Grid>> {
        let full: Whole = count_in.bars.iter().map(Metre::length).sum();
        let length = full - pickup;
        if length <= Whole::zero() {
            return None;
        }
        let map = TempoMap::new(length, section.tempo, &[], self.rate);
        let beats: Vec<BeatPlace> =
            grid::beat_places(&count_in.bars).into_iter().filter(|beat| beat.place < length).collect();
        let hits = self.count_hits(count_in, section, length, &beats);
        Some(self.grid(&map, hits, &beats))
    }

    /// The count-in that leads to a section when it is called: the song's own where the metre is the same,
    /// else one bar of the section's metre, a count on each beat.
    fn called_count_in(&self, section: &Section) -> Option<Arc<Grid>> {
        let bar = section.bars.first()?;
        match &self.song.count_in {
            Some(own) if own.bars.first() == Some(bar) => self.count_grid(own, section, Whole::zero()),
            own => {
                let starts = bar.beat_starts().into_iter().take(bar.groups.len());
                let plain = CountIn {
                    bars: vec![bar.clone()],
                    counts: starts
                        .zip(1..)
                        .map(|(at, number)| Count { at, number, accent: number == 1 })
                        .collect(),
                    clicks: own
                        .as_ref()
                        .map_or_else(|| (0..self.lanes.len()).collect(), |own| own.clicks.clone()),
                    voice: own.as_ref().and_then(|own| own.voice.clone()),
                    voice_level: own.as_ref().map_or(crate::units::Decibels(0.0), |own| own.voice_level),
                };
                self.count_grid(&plain, section, Whole::zero())
            }
        }
    }

    fn count_hits(
        &self,
        count_in: &CountIn,
        first: &Section,
        length: Whole,
        beats: &[BeatPlace],
    ) -> Vec<Placed> {
        let mut hits = Vec::new();
        for count in count_in.counts.iter().filter(|count| count.at < length) {
            let at = beats.partition_point(|beat| beat.place <= count.at).max(1) - 1;
            let Some(beat) = beats.get(at) else { continue };
            let stroke = Stroke {
                place: count.at,
                bar: beat.bar,
                beat: beat.beat,
                subdivision: u16::from(beat.place != count.at),
                kind: if count.accent { HitKind::Accent } else { HitKind::Beat },
            };
            let voice = count_in.voice.as_ref().and_then(|files| files.get(count.number.max(1) as usize - 1));
            for click in &count_in.clicks {
                let Some(part) = first.parts.get(*click) else { continue };
                for (lane, style) in self.styles(*click, part) {
                    let hit = match voice.and_then(|file| self.index.voice(file)) {
                        Some(sound) => Hit {
                            gain: count_in.voice_level.gain(),
                            sound,
                            kind: HitKind::Count,
                            ..self.hit(lane, part, style, &stroke)
                        },
                        None => self.hit(lane, part, style, &stroke),
                    };
                    hits.push(Placed { place: count.at, hit });
                }
            }
        }
        hits
    }

    /// The last part of a bar before bar 1, in the style of the first section.
    fn pickup(&self) -> Option<Leg> {
        let first = self.song.sections.first()?;
        let bar = first.bars.first()?;
        if self.song.pickup.is_zero() {
            return None;
        }
        let skipped = bar.length() - self.song.pickup;
        let map = TempoMap::new(self.song.pickup, first.tempo, &[], self.rate);
        let bars = std::slice::from_ref(bar);
        let mut hits = self.section_hits(bars, first, 0);
        hits.retain(|placed| placed.place >= skipped);
        hits.iter_mut().for_each(|placed| placed.place -= skipped);
        let mut beats: Vec<BeatPlace> = grid::beat_places(bars);
        beats.retain(|beat| beat.place >= skipped);
        beats.iter_mut().for_each(|beat| beat.place -= skipped);
        Some(leg(LegKind::Pickup, "pickup".into(), self.grid(&map, hits, &beats), 0))
    }

    fn section_legs(&self, number: usize, section: &Section, bar: &mut u32, legs: &mut Vec<Leg>) {
        let name: Arc<str> = section.name.as_str().into();
        let map = TempoMap::new(section.length(), section.tempo, &section.moves, self.rate);
        let beats = grid::beat_places(&section.bars);
        let mut shared: Option<Arc<Grid>> = None;
        let called = self.called_count_in(section);
        for pass in 0..section.repeats {
            let cut = self.is_cut(*bar, section.bars.len() as u32);
            let grid = match &shared {
                Some(grid) if !cut => grid.clone(),
                _ => self.grid(&map, self.section_hits(&section.bars, section, *bar), &beats),
            };
            if !cut {
                shared = Some(grid.clone());
            }
            let last = pass + 1 == section.repeats;
            legs.push(Leg {
                section: number as u16,
                pass: pass as u16,
                vamp: section.vamp && last,
                hold: section.hold && last,
                count_in: called.clone(),
                ambient: section.ambient.map(|level| level.gain()),
                ..leg(LegKind::Section, name.clone(), grid, *bar as i32)
            });
            *bar += section.bars.len() as u32;
        }
    }

    /// True when a click's range begins or ends inside (or leaves out) these bars.
    fn is_cut(&self, first: u32, count: u32) -> bool {
        let inside =
            |edge: Option<BarBeat>| edge.is_some_and(|edge| edge.bar >= first && edge.bar < first + count);
        let outside = |range: &ClickRange| {
            range.from.is_some_and(|from| from.bar >= first + count)
                || range.until.is_some_and(|until| until.bar < first)
        };
        self.song.click_ranges.iter().any(|range| inside(range.from) || inside(range.until) || outside(range))
    }

    /// Hits of every click and lane in a run of bars whose first is `first_bar` of the song (0: no ranges).
    fn section_hits(&self, bars: &[Metre], section: &Section, first_bar: u32) -> Vec<Placed> {
        let mut hits = Vec::new();
        for (click, part) in section.parts.iter().enumerate().filter(|(_, part)| part.sounds) {
            let range = self.song.click_ranges.get(click).copied().unwrap_or_default();
            for (lane, style) in self.styles(click, part) {
                let strokes = grid::strokes(bars, style);
                let kept =
                    strokes.iter().filter(|stroke| first_bar == 0 || in_range(range, first_bar, stroke));
                hits.extend(
                    kept.map(|stroke| Placed {
                        place: stroke.place,
                        hit: self.hit(lane, part, style, stroke),
                    }),
                );
            }
        }
        hits
    }

    fn styles<'p>(&self, click: usize, part: &'p Part) -> impl Iterator<Item = (u8, &'p Style)> + use<'p> {
        let lanes = self.lanes[click];
        let fallback = (lanes.fallback != lanes.own).then_some((lanes.fallback, &part.fallback));
        std::iter::once((lanes.own, &part.primary)).chain(fallback)
    }

    fn hit(&self, lane: u8, part: &Part, style: &Style, stroke: &Stroke) -> Hit {
        let kinds = self.index.kinds(part.sound);
        let sound = match stroke.kind {
            HitKind::Accent => kinds[0],
            HitKind::Beat | HitKind::Count => kinds[1],
            HitKind::Eighth => kinds[2],
            HitKind::Sixteenth => kinds[3],
        };
        Hit {
            frame: 0,
            part: 0,
            gain: grid::level(part, style, stroke).gain(),
            bar: stroke.bar,
            beat: stroke.beat,
            subdivision: stroke.subdivision,
            sound,
            lane,
            kind: stroke.kind,
        }
    }

    fn grid(&self, map: &TempoMap, placed: Vec<Placed>, beats: &[BeatPlace]) -> Arc<Grid> {
        let mut hits: Vec<Hit> = placed
            .into_iter()
            .map(|Placed { place, mut hit }| {
                hit.set_local(map.at(place));
                hit
            })
            .collect();
        hits.sort_by_key(|hit| (hit.frame, hit.part, hit.lane));
        let mark = |beat: &BeatPlace| BeatMark {
            local: map.at(beat.place),
            bar: beat.bar,
            beat: beat.beat,
            of: beat.of,
        };
        Arc::new(Grid { length: map.length(), hits: hits.into(), beats: beats.iter().map(mark).collect() })
    }
}

fn leg(kind: LegKind, section_name: Arc<str>, grid: Arc<Grid>, first_bar: i32) -> Leg {
    Leg {
        kind,
        section: 0,
        section_name,
        pass: 0,
        grid,
        first_bar,
        vamp: false,
        hold: false,
        count_in: None,
        ambient: None,
        written: Span(0),
    }
}

/// `until` is the last hit: nothing of its beat after it.
fn in_range(range: ClickRange, first_bar: u32, stroke: &Stroke) -> bool {
    let at = BarBeat { bar: first_bar + stroke.bar, beat: u32::from(stroke.beat) };
    range.from.is_none_or(|from| at >= from)
        && range.until.is_none_or(|until| at < until || (at == until && stroke.subdivision == 0))
}
