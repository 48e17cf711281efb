//! What the engine plays from: grids of hits per pass of a section, at the device's rate, and sounds.

use crate::follow::{Played, heard_late};
use crate::units::{Exact, FramePos, SampleRate, Span};
use std::sync::Arc;

/// Everything of a night that must be in memory before "next up" is shown.
#[derive(Debug)]
pub struct Set {
    pub rate: SampleRate,
    /// Sounds at `rate`; a [`Hit`] names one by index.
    pub sounds: Vec<Sound>,
    /// For each click of the show: the lane its own primary plays in, and its fallback's (may be the same).
    pub lanes: Vec<ClickLanes>,
    pub lane_count: usize,
    pub songs: Vec<SongPlan>,
    /// The largest [`Sound::lead`] of the set.
    pub max_lead: u32,
    /// The loudest sample of each lane by plan; empty where nobody has looked ([`Set::find_peaks`]).
    pub lane_peaks: Vec<f32>,
}

impl Set {
    /// Looks at every hit and every track.
    pub fn find_peaks(&mut self) {
        let peak = |sound: &Sound| sound.samples.iter().fold(0.0f32, |most, sample| most.max(sample.abs()));
        let sounds: Vec<f32> = self.sounds.iter().map(peak).collect();
        let mut peaks = vec![0.0f32; self.lane_count];
        let legs = self.songs.iter().flat_map(|song| &song.legs);
        let grids = legs.flat_map(|leg| leg.count_in.iter().chain([&leg.grid]));
        for hit in grids.flat_map(|grid| grid.hits.iter()) {
            let sound = sounds.get(usize::from(hit.sound)).copied().unwrap_or(0.0);
            if let Some(most) = peaks.get_mut(usize::from(hit.lane)) {
                *most = most.max(sound * hit.gain);
            }
        }
        for (stream, lanes) in self.songs.iter().flat_map(|song| song.streams.iter().zip(&self.lanes)) {
            let expected = stream.iter().flat_map(|stream| stream.expected.iter().flat_map(|leg| leg.iter()));
            if let Some(most) = peaks.get_mut(usize::from(lanes.own)) {
                *most = expected.fold(*most, |most, peak| most.max(*peak));
            }
        }
        self.lane_peaks = peaks;
    }

    /// How late a follower hears each sound, beside the loudest hit of the first grid in which its click plays it.
    pub fn find_lateness(&mut self) {
        let mut pairs: Vec<Option<[(u16, f32); 2]>> = vec![None; self.sounds.len()];
        let level = |hit: &Hit| {
            self.sounds.get(usize::from(hit.sound)).map_or(0.0, |sound| sound.onset_peak) * hit.gain
        };
        for grid in self.songs.iter().flat_map(|song| &song.legs).map(|leg| &leg.grid) {
            for hit in grid.hits.iter().filter(|hit| hit.gain > 0.0) {
                let Some(pair @ None) = pairs.get_mut(usize::from(hit.sound)) else { continue };
                let same_click = grid.hits.iter().filter(|other| other.lane == hit.lane);
                let loudest = same_click.max_by(|a, b| level(a).total_cmp(&level(b))).unwrap_or(hit);
                *pair = Some([loudest, hit].map(|hit| (hit.sound, hit.gain)));
            }
        }
        let played = |(sound, gain): (u16, f32)| {
            let sound = self.sounds.get(usize::from(sound))?;
            Some(Played { samples: &sound.samples, lead: sound.lead as usize, gain })
        };
        let late = |pair: Option<[(u16, f32); 2]>| {
            let [loudest, sound] = pair?.map(played);
            Some(heard_late(self.rate, loudest?, sound?) as f32)
        };
        let late: Vec<f32> = pairs.into_iter().map(|pair| late(pair).unwrap_or(0.0)).collect();
        self.sounds.iter_mut().zip(late).for_each(|(sound, late)| sound.heard_late = late);
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ClickLanes {
    pub own: u8,
    pub fallback: u8,
}

/// A short mono buffer. Its onset is at frame `lead`, which is placed on the hit's frame.
#[derive(Clone, Debug)]
pub struct Sound {
    pub name: String,
    pub samples: Arc<[f32]>,
    pub lead: u32,
    /// Peak of the first 5 ms from the onset, for the judge of a streamed primary.
    pub onset_peak: f32,
    /// Frames from the onset to where a follower of its click hears it ([`Set::find_lateness`]).
    pub heard_late: f32,
}

/// One song, laid out as the legs that are played in order.
#[derive(Clone, Debug)]
pub struct SongPlan {
    pub title: String,
    /// Empty for a talk spot or a song without click.
    pub legs: Vec<Leg>,
    pub segue: bool,
    pub encore: bool,
    /// Index of the first leg that is not the count-in.
    pub first_section_leg: usize,
    /// A streamed primary per click of the show.
    pub streams: Vec<Option<StreamPlan>>,
    pub said: SongSaid,
}

/// What timecode tells another machine of a song.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct SongSaid {
    /// As printed.
    pub number: u16,
    /// Where its slot of addresses begins, in counted seconds from 00:00:00:00.
    pub base_seconds: u32,
    /// Of everything that makes its clicks: equal on two machines when they would play the same.
    pub digest: u32,
}

/// One pass of a section (or the count-in, or the pickup).
#[derive(Clone, Debug)]
pub struct Leg {
    pub kind: LegKind,
    /// Index of the section in the song (0 for count-in and pickup).
    pub section: u16,
    pub section_name: Arc<str>,
    /// From 0.
    pub pass: u16,
    pub grid: Arc<Grid>,
    /// Number of the first bar as printed; 0 for the pickup; the count-in counts up to 0: −1, 0.
    pub first_bar: i32,
    /// Plays again until released.
    pub vamp: bool,
    /// The click stops at its end until a count-in is called.
    pub hold: bool,
    /// The count-in that leads to this leg when it is called (after a hold, or going to a section).
    pub count_in: Option<Arc<Grid>>,
    /// Level of the room in this section instead of each microphone's own, linear.
    pub ambient: Option<f32>,
    /// Where this leg starts in the song as written (vamps once), from the start of the count-in.
    pub written: Span,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum LegKind {
    CountIn,
    Pickup,
    Section,
}

/// Hits and beats of one pass, in local time from its first frame.
#[derive(Debug)]
pub struct Grid {
    pub length: Span,
    /// By time, then lane; each identity sounds once.
    pub hits: Box<[Hit]>,
    /// Every beat, whether a click sounds on it or not, by time.
    pub beats: Box<[BeatMark]>,
}

/// One sounding instant of one lane.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Hit {
    /// Local time: whole frames and 2⁻³² frames.
    pub frame: i64,
    pub part: u32,
    /// Linear, everything of the plan included (level, kind, fade).
    pub gain: f32,
    /// From 0 within the pass.
    pub bar: u32,
    /// From 1.
    pub beat: u16,
    /// 0 on the beat, then counting.
    pub subdivision: u16,
    pub sound: u16,
    pub lane: u8,
    pub kind: HitKind,
}

impl Hit {
    /// Local time from the pass's start. Real-time: safe.
    pub const fn local(&self) -> Span {
        Span(((self.frame as i128) << 48) + ((self.part as i128) << 16))
    }

    /// Rounding: down to 2⁻³² frame (a tie at half a frame stays exact).
    pub fn set_local(&mut self, local: Span) {
        self.frame = (local.0 >> 48) as i64;
        self.part = ((local.0 >> 16) & 0xffff_ffff) as u32;
    }
}

#[derive(
    Clone,
    Copy,
    Debug,
    PartialEq,
    Eq,
    PartialOrd,
    Ord,
    serde::Serialize,
    serde::Deserialize,
    schemars::JsonSchema,
)]
#[serde(rename_all = "kebab-case")]
pub enum HitKind {
    Accent,
    Beat,
    Eighth,
    Sixteenth,
    /// A spoken count.
    Count,
}

/// A beat of the metre: what the screen shows and what "bar end" refers to.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BeatMark {
    pub local: Span,
    /// From 0 within the pass.
    pub bar: u32,
    /// From 1.
    pub beat: u16,
    /// Beats of this bar.
    pub of: u16,
}

/// A streamed primary of one click in one song.
#[derive(Clone, Debug)]
pub struct StreamPlan {
    pub file: std::path::PathBuf,
    pub channel: u16,
    pub gain: f32,
    /// The file's standing voltage, which is taken off; 0 for none worth it.
    pub standing: f32,
    /// Frame of the file (at the device's rate) that belongs to the start of the count-in; may be negative.
    pub origin: Span,
    /// Per leg: the peak expected within 5 ms of each hit of the click's fallback lane, in hit order of the
    /// whole grid; 0 where the file is silent or the hit is of another lane.
    pub expected: Vec<Arc<[f32]>>,
}

/// Ties a pass of a leg to the device: `frame(hit) = at + local × stretch`, rounded once.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Anchor {
    pub at: Exact,
    pub stretch: Stretch,
}

/// A pass of a leg, or the count-in that leads to it, tied to the device.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct PlaceNow {
    pub song: usize,
    pub leg: usize,
    /// The count-in that leads to `leg`, not the leg itself.
    pub called: bool,
    pub pass: u32,
    pub anchor: Anchor,
}

impl PlaceNow {
    /// Wherever it is tied to.
    pub fn is_same_pass(&self, other: &PlaceNow) -> bool {
        (self.song, self.leg, self.called, self.pass) == (other.song, other.leg, other.called, other.pass)
    }
}

/// Tempo for tonight as an exact ratio of durations (written tempo / tonight's); 1/1 unless changed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct Stretch {
    pub over: i64,
    pub under: i64,
}

impl Stretch {
    pub const ONE: Stretch = Stretch { over: 1, under: 1 };

    /// True for a ratio that time can be scaled by.
    pub const fn is_positive(self) -> bool {
        self.over > 0 && self.under > 0
    }

    /// Real-time: safe (`under` is never 0: it is built on an ordinary thread from a positive tempo).
    pub const fn of(self, local: Span) -> Span {
        if self.over == self.under || self.under == 0 {
            return local;
        }
        Span(local.0.wrapping_mul(self.over as i128).div_euclid(self.under as i128))
    }

    /// The local time of a device length.
    pub const fn undo(self, length: Span) -> Span {
        Stretch { over: self.under, under: self.over }.of(length)
    }
}

impl Anchor {
    /// The device frame of a local time. Rounding: to the nearest, halves up. Real-time: safe.
    pub const fn frame(self, local: Span) -> FramePos {
        Exact(self.at.0.wrapping_add(self.stretch.of(local).0)).nearest()
    }

    /// The local time that falls on a place. Real-time: safe.
    pub const fn local(self, place: Exact) -> Span {
        self.stretch.undo(Span(place.0.wrapping_sub(self.at.0)))
    }
}
