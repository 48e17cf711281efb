//! Which hits a click makes of a run of bars, in exact musical places.

use super::set::HitKind;
use crate::show::model::{Fade, Metre, Part, Style, Subdivision, Swing};
use crate::units::{Decibels, Whole};
use num_traits::{ToPrimitive, Zero};

/// One hit of a style, before it has a time.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Stroke {
    /// From the run's start, swing included.
    pub place: Whole,
    /// From 0 within the run.
    pub bar: u32,
    /// From 1.
    pub beat: u16,
    /// 0 on the beat, then counting.
    pub subdivision: u16,
    pub kind: HitKind,
}

/// Start of each bar, then the end of the run.
pub fn bar_starts(bars: &[Metre]) -> Vec<Whole> {
    let mut starts = vec![Whole::zero()];
    let mut end = Whole::zero();
    for bar in bars {
        end += bar.length();
        starts.push(end);
    }
    starts
}

/// The strokes of `style` over `bars`, in order of place, each place once.
pub fn strokes(bars: &[Metre], style: &Style) -> Vec<Stroke> {
    match &style.own_metre {
        None => own_bars(bars, style),
        Some(metre) => relabelled(bars, polymetre(bars, metre, style)),
    }
}

fn own_bars(bars: &[Metre], style: &Style) -> Vec<Stroke> {
    let mut all = Vec::new();
    for (index, (bar, start)) in bars.iter().zip(bar_starts(bars)).enumerate() {
        bar_strokes(bar, index as u32, start, style, &mut all);
    }
    all
}

/// The click's own metre counted on from the run's start, cut at its end.
fn polymetre(bars: &[Metre], metre: &Metre, style: &Style) -> Vec<Stroke> {
    let end = bar_starts(bars).last().copied().unwrap_or_default();
    let count = (end / metre.length()).ceil().to_integer().max(0) as usize;
    let mut all = own_bars(&vec![metre.clone(); count], style);
    all.retain(|stroke| stroke.place < end);
    all
}

/// Gives strokes the bar and beat of the run they sound in.
fn relabelled(bars: &[Metre], mut strokes: Vec<Stroke>) -> Vec<Stroke> {
    let beats = beat_places(bars);
    let mut last = None;
    let mut count = 0;
    for stroke in &mut strokes {
        let index = beats.partition_point(|beat| beat.place <= stroke.place).max(1) - 1;
        let Some(beat) = beats.get(index) else { continue };
        count = match last {
            Some(same) if same == index => count + 1,
            _ => u16::from(beat.place != stroke.place),
        };
        last = Some(index);
        (stroke.bar, stroke.beat, stroke.subdivision) = (beat.bar, beat.beat, count);
    }
    strokes
}

/// A beat of the metre.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BeatPlace {
    pub place: Whole,
    pub bar: u32,
    /// From 1.
    pub beat: u16,
    pub of: u16,
}

/// Every beat of a run of bars.
pub fn beat_places(bars: &[Metre]) -> Vec<BeatPlace> {
    let mut all = Vec::new();
    for (index, (bar, start)) in bars.iter().zip(bar_starts(bars)).enumerate() {
        let of = bar.groups.len() as u16;
        for (beat, at) in bar.beat_starts().into_iter().take(bar.groups.len()).enumerate() {
            all.push(BeatPlace { place: start + at, bar: index as u32, beat: beat as u16 + 1, of });
        }
    }
    all
}

fn bar_strokes(bar: &Metre, index: u32, start: Whole, style: &Style, all: &mut Vec<Stroke>) {
    let starts = bar.beat_starts();
    for (beat, edges) in starts.windows(2).enumerate() {
        let number = beat as u16 + 1;
        let silent = style.rests.contains(&u32::from(number));
        if silent || (style.subdivision == Subdivision::Bars && beat > 0) {
            continue;
        }
        let length = edges[1] - edges[0];
        let accented = style.accents.contains(&u32::from(number));
        for (subdivision, offset) in offsets(style.subdivision, length).into_iter().enumerate() {
            let place = edges[0] + offset;
            all.push(Stroke {
                place: start + style.swing.map_or(place, |swing| swung(place, edges[0], length, swing)),
                bar: index,
                beat: number,
                subdivision: subdivision as u16,
                kind: kind(style.subdivision, offset, length, accented),
            });
        }
    }
}

/// Places within a beat of this length.
fn offsets(subdivision: Subdivision, length: Whole) -> Vec<Whole> {
    match subdivision {
        Subdivision::Bars | Subdivision::Beats => vec![Whole::zero()],
        Subdivision::Notes(note) => {
            let count = (length / note).ceil().to_integer().clamp(1, 4096);
            (0..count).map(|k| note * k).collect()
        }
        Subdivision::PerBeat(parts) => {
            let parts = i64::from(parts.max(1));
            (0..parts).map(|k| length * Whole::new(k, parts)).collect()
        }
    }
}

fn kind(subdivision: Subdivision, offset: Whole, length: Whole, accented: bool) -> HitKind {
    if offset.is_zero() {
        return if accented { HitKind::Accent } else { HitKind::Beat };
    }
    let on_eighths = match subdivision {
        Subdivision::PerBeat(parts) => parts <= 3 || (offset * 2) == length,
        _ => (offset / Whole::new(1, 8)).is_integer(),
    };
    if on_eighths { HitKind::Eighth } else { HitKind::Sixteenth }
}

/// Moves a place inside its pair of notes: the second note falls at `ratio` of the pair and what lies
/// between is stretched evenly. Pairs are counted from the beat, or from the bar where a beat is shorter.
fn swung(place: Whole, beat: Whole, length: Whole, swing: Swing) -> Whole {
    let pair = swing.note * 2;
    let origin = if length >= pair { beat } else { Whole::zero() };
    let within = place - origin;
    let start = (within / pair).floor() * pair;
    if length >= pair && start + pair > length {
        return place; // a lone note at the beat's end has no partner
    }
    let x = (within - start) / pair;
    let half = Whole::new(1, 2);
    let moved = if x < half {
        x * 2 * swing.ratio
    } else {
        swing.ratio + (x - half) * 2 * (Whole::from_integer(1) - swing.ratio)
    };
    origin + start + moved * pair
}

/// The level of a stroke in a section, fade included.
pub fn level(part: &Part, style: &Style, stroke: &Stroke) -> Decibels {
    let levels = &style.levels;
    let kind = match stroke.kind {
        HitKind::Accent => levels.accent,
        HitKind::Beat | HitKind::Count => levels.beat,
        HitKind::Eighth => levels.eighth,
        HitKind::Sixteenth => levels.sixteenth,
    };
    kind + part.level + part.fade.map_or(Decibels(0.0), |fade| faded(fade, stroke.place))
}

/// Linear in decibels over the fade, held outside it.
fn faded(fade: Fade, place: Whole) -> Decibels {
    let part = if fade.over.is_zero() {
        if place < fade.from { 0.0 } else { 1.0 }
    } else {
        ((place - fade.from) / fade.over).to_f64().unwrap_or(0.0).clamp(0.0, 1.0)
    };
    if part <= 0.0 {
        return fade.start;
    }
    if part >= 1.0 {
        return fade.end;
    }
    Decibels(fade.start.0 + (fade.end.0 - fade.start.0) * part)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::show::model::Levels;

    fn style(subdivision: Subdivision) -> Style {
        Style {
            subdivision,
            accents: vec![1],
            rests: vec![],
            own_metre: None,
            swing: None,
            levels: Levels::default(),
        }
    }

    fn four_four() -> Metre {
        Metre { groups: vec![1; 4], unit: 4 }
    }

    fn places(strokes: &[Stroke]) -> Vec<String> {
        strokes.iter().map(|stroke| stroke.place.to_string()).collect()
    }

    #[test]
    fn seven_eight_as_two_two_three_has_three_beats_and_seven_eighths() {
        let bar = Metre { groups: vec![2, 2, 3], unit: 8 };
        assert_eq!(
            places(&strokes(std::slice::from_ref(&bar), &style(Subdivision::Beats))),
            ["0", "1/4", "1/2"]
        );
        let eighths = strokes(&[bar], &style(Subdivision::Notes(Whole::new(1, 8))));
        assert_eq!(places(&eighths), ["0", "1/8", "1/4", "3/8", "1/2", "5/8", "3/4"]);
        assert_eq!(eighths[6].subdivision, 2);
        assert_eq!(eighths[6].beat, 3);
    }

    /// Source: table `swing_tuplets`; its places are in beats, ours in whole notes, at crotchet beats.
    #[test]
    fn swing_and_tuplets_fall_where_the_table_has_them() {
        let path =
            std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/reference/swing_tuplets.csv");
        let text = std::fs::read_to_string(path).expect("the reference table is in fixtures");
        let mut seen = 0;
        for line in text.lines().filter(|line| line.contains("swing")) {
            let place: Whole = line.rsplit(',').nth(5).unwrap().parse().unwrap();
            let sixteenth = line.contains("16th");
            let eighth_ratio: Whole = match (sixteenth, line.contains("4th")) {
                (false, _) => place,
                (true, false) => place * 2,
                (true, true) => (place - Whole::new(1, 2)) * 2,
            };
            let note = if sixteenth { Whole::new(1, 16) } else { Whole::new(1, 8) };
            let mut swinging = style(Subdivision::Notes(note));
            swinging.swing = Some(Swing { note, ratio: eighth_ratio });
            let found = strokes(&[four_four()], &swinging);
            assert!(found.iter().any(|stroke| stroke.place == place / 4), "{line}: {:?}", places(&found));
            seen += 1;
        }
        assert!(seen >= 24, "only {seen} rows");
        for parts in [3u32, 5, 6, 7] {
            let found = strokes(&[four_four()], &style(Subdivision::PerBeat(parts)));
            assert_eq!(found[2].place, Whole::new(2, i64::from(parts) * 4));
        }
    }

    #[test]
    fn a_click_in_three_over_four_accents_every_third_beat() {
        let mut three = style(Subdivision::Beats);
        three.own_metre = Some(Metre { groups: vec![1; 3], unit: 4 });
        let found = strokes(&[four_four(), four_four()], &three);
        let accents: Vec<_> =
            found.iter().filter(|s| s.kind == HitKind::Accent).map(|s| (s.bar, s.beat)).collect();
        assert_eq!(accents, [(0, 1), (0, 4), (1, 3)]);
        assert_eq!(found.len(), 8);
    }

    #[test]
    fn a_rest_silences_its_beat_with_its_subdivisions() {
        let mut resting = style(Subdivision::Notes(Whole::new(1, 16)));
        resting.rests = vec![2];
        let found = strokes(&[four_four()], &resting);
        assert_eq!(found.len(), 12);
        assert!(found.iter().all(|stroke| stroke.beat != 2));
    }
}
