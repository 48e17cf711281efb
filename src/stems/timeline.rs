//! A song laid straight: every pass that a stem holds, on frames from the stem's first one.

use crate::click::set::{Anchor, Grid, Leg, LegKind, Set, SongPlan, Sound, Stretch};
use crate::realtime::kernel::mix_hits;
use crate::units::{Exact, FramePos, Frames, Span};
use crate::wav::Cue;
use std::sync::Arc;

/// One pass of a leg, or the count-in that is called after a hold.
#[derive(Clone, Debug)]
pub struct Pass {
    /// Index of the leg in the song.
    pub leg: usize,
    /// The count-in that leads to `leg`, not the leg itself.
    pub called: bool,
    pub kind: LegKind,
    pub section_name: Arc<str>,
    /// From 0: repeats of a section.
    pub number: u16,
    pub grid: Arc<Grid>,
    pub anchor: Anchor,
    /// As printed.
    pub first_bar: i32,
    /// Where it starts in the song as written, from the start of the count-in.
    pub written: Span,
}

impl Pass {
    /// The frame after its last.
    pub fn end(&self) -> FramePos {
        (self.anchor.at + self.grid.length).nearest()
    }

    pub fn start(&self) -> FramePos {
        self.anchor.at.nearest()
    }
}

/// All passes of a song in order. Vamps are played once; a hold lasts no time: the count-in that leads on
/// from it follows at once.
#[derive(Clone, Debug)]
pub struct Timeline {
    pub passes: Vec<Pass>,
    /// Of every stem of the song, the tail of the last hit of any click included.
    pub frames: u64,
    /// Where the last pass ends.
    pub end: FramePos,
    /// The stem's first frame, from the start of the count-in (negative: silence before it).
    pub origin: Frames,
    /// Longest sound, and the longest part of one before its onset.
    longest: i64,
    lead: i64,
}

impl Timeline {
    /// `lead_in` frames of silence, then the song, with its count-in when wanted.
    ///
    /// Rounding: the first frame is a whole one, and what was left out keeps its fraction, so that a stem
    /// without its count-in is the tail of the one with it, frame by frame.
    pub fn new(plan: &SongPlan, set: &Set, count_in: bool, lead_in: Frames) -> Timeline {
        let first = if count_in { 0 } else { plan.first_section_leg };
        let written = plan.legs.get(first).map_or(Span(0), |leg| leg.written);
        let origin = Frames(written.nearest().0 - lead_in.0);
        let mut at = Exact::at(FramePos(0)) + written - Span::frames(origin);
        let mut passes = Vec::new();
        let mut held = false;
        for (index, leg) in plan.legs.iter().enumerate().skip(first) {
            if let (true, Some(grid)) = (held, &leg.count_in) {
                passes.push(called(index, leg, grid, at));
                at = at + grid.length;
            }
            passes.push(pass(index, leg, at));
            at = at + leg.grid.length;
            held = leg.hold;
        }
        let (longest, lead) = reach(&set.sounds);
        let end = at.nearest();
        let mut timeline = Timeline { passes, frames: 0, end, origin, longest, lead };
        timeline.frames = timeline.length(&set.sounds);
        timeline
    }

    /// Passes at given places, for a loop.
    pub(super) fn of_passes(passes: Vec<Pass>, frames: u64, sounds: &[Sound]) -> Timeline {
        let (longest, lead) = reach(sounds);
        Timeline { passes, frames, end: FramePos(frames as i64), origin: Frames(0), longest, lead }
    }

    /// The song's end, or the last sample of the last sound.
    fn length(&self, sounds: &[Sound]) -> u64 {
        let tails = self.passes.iter().flat_map(|pass| {
            pass.grid.hits.iter().filter_map(|hit| {
                let sound = sounds.get(hit.sound as usize)?;
                let onset = pass.anchor.frame(hit.local());
                Some(onset.0 - i64::from(sound.lead) + sound.samples.len() as i64)
            })
        });
        tails.max().unwrap_or(0).max(self.end.0).max(0) as u64
    }

    /// Adds one lane to `out`, whose first sample lies at `start`.
    pub fn mix(&self, lane: u8, sounds: &[Sound], start: FramePos, out: &mut [f32]) {
        let end = start.0 + out.len() as i64;
        let from = self.passes.partition_point(|pass| pass.end().0 + self.longest < start.0);
        let near = self.passes.get(from..).unwrap_or(&[]);
        for pass in near.iter().take_while(|pass| pass.start().0 - self.lead <= end) {
            mix_hits(&pass.grid, pass.anchor, lane, sounds, start, out);
        }
    }

    /// Start of each pass with its name ("verse", then "verse, time 2").
    pub fn cues(&self) -> Vec<Cue> {
        self.passes
            .iter()
            .map(|pass| Cue { frame: pass.start().0.max(0) as u64, label: label(pass) })
            .collect()
    }

    /// True when it contains a count-in that was called after a hold.
    pub fn has_called(&self) -> bool {
        self.passes.iter().any(|pass| pass.called)
    }
}

fn reach(sounds: &[Sound]) -> (i64, i64) {
    let longest = sounds.iter().map(|sound| sound.samples.len()).max().unwrap_or(0) as i64;
    let lead = sounds.iter().map(|sound| i64::from(sound.lead)).max().unwrap_or(0);
    (longest, lead)
}

fn label(pass: &Pass) -> String {
    let name = &pass.section_name;
    match (pass.called, pass.number) {
        (true, _) => format!("count-in to {name}"),
        (false, 0) => name.to_string(),
        (false, number) => format!("{name}, time {}", number + 1),
    }
}

fn pass(index: usize, leg: &Leg, at: Exact) -> Pass {
    Pass {
        leg: index,
        called: false,
        kind: leg.kind,
        section_name: leg.section_name.clone(),
        number: leg.pass,
        grid: leg.grid.clone(),
        anchor: Anchor { at, stretch: Stretch::ONE },
        first_bar: leg.first_bar,
        written: leg.written,
    }
}

fn called(index: usize, leg: &Leg, grid: &Arc<Grid>, at: Exact) -> Pass {
    let bars = grid.beats.last().map_or(0, |beat| beat.bar as i32 + 1);
    Pass {
        called: true,
        kind: LegKind::CountIn,
        number: 0,
        grid: grid.clone(),
        first_bar: 1 - bars,
        written: leg.written - grid.length,
        ..pass(index, leg, at)
    }
}
