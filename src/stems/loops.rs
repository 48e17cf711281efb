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
    wide(length) * Ratio::from_integer(60 * i128::from(rate.hertz()))
        / wide(section.tempo.wholes_per_minute())
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
        bars.len().is_multiple_of(*period)
            && bars.iter().zip(bars.iter().cycle().skip(*period)).all(|(a, b)| a == b)
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
        number: 1,
        click_ranges: vec![ClickRange::default(); show.clicks.len()],
        streams: vec![None; show.clicks.len()],
        title: song.title.clone(),
        note: String::new(),
        encore: false,
        timecode: None,
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
        latch: show.latch,
        ride: show.ride,
        ceiling: show.ceiling,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::click::build::lanes;
    use crate::click::sounds;
    use crate::show::parse_show;
    use std::path::Path;

    const SHOW: &str = r#"
show = "Loops"
[click.drums]
every = "sixteenths"
swing = "60%"
[click.band]
every = "beats"
own_metre = "3/4"
[feed.drums]
hears = { drums = 0 }
[[song]]
title = "Low Tide"
tempo = 132
metre = "4/4"
[[song.section]]
name = "verse"
bars = 8
[[song.section]]
name = "turns"
bars = 4
metre_changes = [{ bar = 2, metre = "3/4" }, { bar = 3, metre = "4/4" }, { bar = 4, metre = "3/4" }]
[[song.section]]
name = "odd"
tempo = 137.3
metre = "4/4"
bars = 8
[[song.section]]
name = "fast"
tempo = 399
bars = 1
"#;

    fn show() -> Show {
        let reading = parse_show(SHOW, "loops.toml", Path::new(""));
        assert!(reading.faults.is_empty(), "{:?}", reading.faults);
        reading.show.expect("a show")
    }

    fn rate(hertz: u32) -> SampleRate {
        SampleRate::new(hertz).expect("a rate")
    }

    /// 4 beats at 132 are 4 × 60 / 132 × 44,100 = 80,181 9/11 frames: whole after 11 bars, 882,000 frames.
    #[test]
    fn at_132_a_loop_of_eleven_bars_is_whole() {
        let show = show();
        let verse = &show.songs[0].sections[0];
        let found = loop_length(verse, 0, rate(44_100), 32);
        assert_eq!((found.bars, found.frames, found.whole_after), (11, 882_000, 11));
        assert_eq!(found.off, Ratio::from_integer(0));
        // 3/4 against 4/4 comes round after three bars: 33 of them are whole, one more than allowed.
        let against = loop_length(verse, 1, rate(44_100), 33);
        assert_eq!((against.bars, against.frames), (33, 2_646_000));
        assert_eq!(loop_length(verse, 1, rate(44_100), 32).bars % 3, 0);
    }

    #[test]
    fn a_section_that_alternates_metres_loops_both() {
        let show = show();
        // 7 beats at 132 and 48 kHz: 7 × 60 / 132 × 48,000 = 152,727 3/11 frames, two bars each.
        let found = loop_length(&show.songs[0].sections[1], 0, rate(48_000), 32);
        assert_eq!((found.bars, found.frames, found.whole_after), (22, 1_680_000, 22));
    }

    /// 4 beats at 137.3 and 48 kHz are 115,200,000 / 1,373 frames; 1,373 is prime.
    #[test]
    fn at_137_3_no_short_loop_is_whole_and_the_loop_says_by_how_much() {
        let show = show();
        let found = loop_length(&show.songs[0].sections[2], 0, rate(48_000), 32);
        assert_eq!(found.whole_after, 1_373);
        let exact = Ratio::new(115_200_000i128, 1_373) * i128::from(found.bars as i64);
        assert_eq!(found.off, exact - i128::from(found.frames as i64));
        let drift = |bars: i128| {
            let total = Ratio::new(115_200_000i128, 1_373) * bars;
            let off = total - total.round();
            (if *off.numer() < 0 { -off } else { off }) / bars
        };
        assert!((1..=32).all(|bars| drift(i128::from(found.bars as i64)) <= drift(bars)));
        assert!(found.words(rate(48_000)).contains("whole after 1373 bars"));
    }

    #[test]
    fn loops_put_end_to_end_are_the_straight_render() {
        let show = show();
        let (song, rate) = (&show.songs[0], rate(44_100));
        let bank = sounds::build(&show, rate).expect("made sounds");
        for (index, section) in song.sections.iter().enumerate() {
            for click in 0..2 {
                let length = loop_length(section, click, rate, 40);
                if *length.off.numer() != 0 {
                    continue;
                }
                let lane = lanes(&show)[click].own;
                let frames = length.frames as usize;
                let mut once = vec![0.0; frames];
                timeline(&show, song, section, &length, &bank, rate).mix(
                    lane,
                    &bank.sounds,
                    FramePos(0),
                    &mut once,
                );
                // What rings into the loop rang for up to 2 s before.
                let rounds = 88_200usize.div_ceil(frames) + 1;
                let bars =
                    section.bars.iter().cycle().take(length.bars as usize * (rounds + 2)).cloned().collect();
                let straight = build(&alone(&show, song, section, bars), rate, &bank);
                let grid = &straight.songs[0].legs[0].grid;
                let anchor = Anchor { at: Exact(0), stretch: Stretch::ONE };
                let mut played = vec![0.0; frames * 2];
                let start = FramePos((rounds * frames) as i64);
                crate::realtime::kernel::mix_hits(grid, anchor, lane, &bank.sounds, start, &mut played);
                assert!(once.iter().any(|x| *x != 0.0), "section {index}");
                assert_eq!(played[..frames], once, "section {index}, click {click}");
                assert_eq!(played[frames..], once, "section {index}, click {click}");
            }
        }
    }
}
