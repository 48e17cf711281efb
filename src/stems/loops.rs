//! Loops of a section: a whole number of bars, so that a pad repeats them without drift.

use super::timeline::{Pass, Timeline};
use crate::click::build::build;
use crate::click::set::{Anchor, LegKind, Stretch};
use crate::click::sounds::SoundBank;
use crate::show::model::{ClickRange, Metre, Section, Show, Song, SongKind};
use crate::units::{Exact, FramePos, SampleRate, Span, Whole};
use num_integer::Integer;
use num_rational::Ratio;
use std::sync::Arc;

/// How long a loop is.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LoopLength {
    pub bars: u64,
    pub frames: u64,
    /// Exact length minus `frames`: what each pass lacks (negative: has too much). 0 for most tempi.
    pub off: Ratio<i128>,
    /// Bars after which the length is a whole number of frames.
    pub whole_after: u64,
}

/// Why a section cannot be a loop.
pub(super) fn cannot_loop(section: &Section) -> Option<&'static str> {
    (!section.moves.is_empty()).then_some("its tempo moves")
}

/// Bars and frames of the loop of one click: the fewest bars that are whole, and that hold the click's own
/// metre a whole number of times; where these are more than `most`, the number of bars with the least drift.
pub fn loop_length(section: &Section, click: usize, rate: SampleRate, most: u32) -> LoopLength {
    let unit = period(&section.bars);
    let length: Whole = section.bars[..unit].iter().map(Metre::length).sum();
    let own = section.parts.get(click).and_then(|part| part.primary.own_metre.as_ref());
    // Units after which the click's own metre comes round.
    let round = own.map_or(1, |own| *(length / own.length()).denom() as i128);
    let exact = frames_of(length, section, rate);
    let whole = exact.denom().lcm(&round);
    let unit = unit as i128;
    let units = if whole * unit <= i128::from(most) { whole } else { least_drift(exact, round, unit, most) };
    let total = exact * units;
    let frames = total.round().to_integer();
    LoopLength {
        bars: (units * unit) as u64,
        frames: frames.max(1) as u64,
        off: total - frames,
        whole_after: u64::try_from(whole * unit).unwrap_or(u64::MAX),
    }
}

/// Frames of a length at the section's tempo, exact.
fn frames_of(length: Whole, section: &Section, rate: SampleRate) -> Ratio<i128> {
    let wide = |ratio: Whole| Ratio::new(i128::from(*ratio.numer()), i128::from(*ratio.denom()));
    wide(length) * Ratio::from_integer(60 * i128::from(rate.hertz())) / wide(section.tempo.wholes_per_minute())
}

fn least_drift(exact: Ratio<i128>, round: i128, unit: i128, most: u32) -> i128 {
    let drift = |units: i128| {
        let total = exact * units;
        let off = total - total.round();
        (if off < Ratio::from_integer(0) { -off } else { off }) / units
    };
    let candidates = (1..).map(|times| times * round).take_while(|units| units * unit <= i128::from(most));
    candidates.min_by_key(|units| drift(*units)).unwrap_or(round)
}

/// The fewest bars that the section repeats (2 for 4/4, 3/4, 4/4, 3/4).
fn period(bars: &[Metre]) -> usize {
    let repeats = |period: &usize| {
        bars.len().is_multiple_of(*period) && bars.iter().zip(bars.iter().cycle().skip(*period)).all(|(a, b)| a == b)
    };
    (1..=bars.len()).find(repeats).unwrap_or(bars.len())
}

impl LoopLength {
    /// What a person should know: exact, or by how much off.
    pub fn words(&self, rate: SampleRate) -> String {
        let bars = if self.bars == 1 { "1 bar is".into() } else { format!("{} bars are", self.bars) };
        if *self.off.numer() == 0 {
            return format!("{bars} {} frames exactly", self.frames);
        }
        let off = *self.off.numer() as f64 / *self.off.denom() as f64;
        let passes_an_hour = 3_600.0 * f64::from(rate.hertz()) / self.frames as f64;
        let drift = off.abs() * passes_an_hour / f64::from(rate.hertz()) * 1_000.0;
        format!(
            "{bars} {} frames, {:.4} of a frame too {}: after an hour the pad is {drift:.2} ms {}; whole after {} bars",
            self.frames,
            off.abs(),
            if off > 0.0 { "short" } else { "long" },
            if off > 0.0 { "early" } else { "late" },
            self.whole_after
        )
    }
}

/// The loop as it sounds when it goes round: tails of its end ring at its start.
pub(super) fn timeline(
    show: &Show,
    song: &Song,
    section: &Section,
    length: &LoopLength,
    bank: &SoundBank,
    rate: SampleRate,
) -> Timeline {
    let bars: Vec<Metre> = section.bars.iter().cycle().take(length.bars as usize).cloned().collect();
    let alone = alone(show, song, section, bars);
    let plan = build(&alone, rate, bank).songs.pop();
    let Some(leg) = plan.and_then(|plan| plan.legs.into_iter().next()) else {
        return Timeline::of_passes(Vec::new(), length.frames, &bank.sounds);
    };
    let longest = bank.sounds.iter().map(|sound| sound.samples.len()).max().unwrap_or(0) as u64;
    let before = longest.div_ceil(length.frames) as i64;
    let pass = |round: i64| Pass {
        leg: 0,
        called: false,
        kind: LegKind::Section,
        section_name: leg.section_name.clone(),
        number: 0,
        grid: Arc::clone(&leg.grid),
        anchor: Anchor { at: Exact::at(FramePos(round * length.frames as i64)), stretch: Stretch::ONE },
        first_bar: 1,
        written: Span(0),
    };
    // A sound may be longer before its onset than the loop.
    Timeline::of_passes((-before..=before.max(1)).map(pass).collect(), length.frames, &bank.sounds)
}

/// A show of one song of one section, played once, without fades.
fn alone(show: &Show, song: &Song, section: &Section, bars: Vec<Metre>) -> Show {
    let mut section = Section { bars, repeats: 1, vamp: false, hold: false, ..section.clone() };
    section.parts.iter_mut().for_each(|part| part.fade = None);
    let song = Song {
        kind: SongKind::Click,
        count_in: None,
        pickup: Whole::from_integer(0),
        sections: vec![section],
        click_ranges: vec![ClickRange::default(); show.clicks.len()],
        streams: vec![None; show.clicks.len()],
        title: song.title.clone(),
        note: String::new(),
        encore: false,
        segue: false,
        line: song.line,
    };
    Show {
        songs: vec![song],
        sounds: show.sounds.clone(),
        clicks: show.clicks.clone(),
        inputs: Vec::new(),
        feeds: Vec::new(),
        title: String::new(),
        text: String::new(),
        digest: String::new(),
        folder: show.folder.clone(),
        give_back: show.give_back,
        ceiling: show.ceiling,
    }
}
