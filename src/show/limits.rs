//! Limits of a show, so that its grids fit in memory and a click stays a click.

use super::band::Band;
use super::model::{Metre, Part, Section, Style, Subdivision};
use super::music;
use super::walk::{Place, Walk, Wrong};
use crate::units::Whole;

/// Hits of all clicks of a show, each section counted once.
pub(super) const MOST_HITS: u64 = 2_000_000;
/// Bars of a show, each section counted once.
pub(super) const MOST_BARS_OF_SHOW: u64 = 200_000;
/// Passes of sections in a show.
pub(super) const MOST_PASSES: u64 = 20_000;
/// Nearer hits of one click would be a tone.
const NEAREST_SECONDS: f64 = 0.02;

/// What a show has taken up of its limits.
#[derive(Debug, Default)]
pub(super) struct Used {
    hits: u64,
    bars: u64,
    passes: u64,
}

/// Counts a song and tells what is too much or too near.
pub(super) fn hold<'t>(walk: &mut Walk<'t>, at: Place, sections: &[Section], band: &Band, used: &mut Used) {
    for section in sections {
        used.bars += section.bars.len() as u64;
        used.passes += u64::from(section.repeats);
        for (part, click) in section.parts.iter().zip(&band.clicks) {
            used.hits += hits(section, part);
            let styles = [&part.primary, &part.fallback];
            let nearest = styles.iter().map(|style| nearest_hits(section, style)).fold(f64::MAX, f64::min);
            if part.sounds && nearest < NEAREST_SECONDS {
                let what = format!(
                    "in \"{}\" the hits of \"{}\" lie {:.0} ms apart, which is a tone and no click",
                    section.name,
                    click.name,
                    nearest * 1000.0
                );
                walk.fault(
                    at,
                    Wrong::new(what, "20 ms or more", "write a plainer `every`, or a slower tempo"),
                );
            }
        }
    }
    let over = |used: u64, most: u64| used > most;
    let what = match () {
        () if over(used.bars, MOST_BARS_OF_SHOW) => "with this song the show has more than 200,000 bars",
        () if over(used.passes, MOST_PASSES) => "with this song the show repeats more than 20,000 sections",
        () if over(used.hits, MOST_HITS) => "with this song the show has more than 2,000,000 hits",
        () => return,
    };
    let allowed = "200,000 bars, 20,000 passes of sections, 2,000,000 hits in a show";
    walk.fault(at, Wrong::new(what, allowed, "split the show, or use repeats instead of long sections"));
}

/// Hits that one pass of a section holds for a part, roughly and never too few.
fn hits(section: &Section, part: &Part) -> u64 {
    let in_bar = |metre: &Metre, subdivision: Subdivision| match subdivision {
        Subdivision::Bars => 1,
        Subdivision::Beats => metre.groups.len() as u64,
        Subdivision::PerBeat(count) => metre.groups.len() as u64 * u64::from(count),
        Subdivision::Notes(note) => (metre.length() / note).ceil().to_integer().max(1) as u64,
    };
    let style = |style: &Style| match &style.own_metre {
        None => section.bars.iter().map(|bar| in_bar(bar, style.subdivision)).sum(),
        Some(own) => {
            (section.length() / own.length()).ceil().to_integer().max(1) as u64
                * in_bar(own, style.subdivision)
        }
    };
    if part.sounds { style(&part.primary) + style(&part.fallback) } else { 0 }
}

/// Seconds between the nearest two hits of a style at the fastest tempo of a section.
fn nearest_hits(section: &Section, style: &Style) -> f64 {
    let metres = style.own_metre.as_ref().map_or(section.bars.as_slice(), std::slice::from_ref);
    let shortest_beat = metres.iter().map(music::beat_note).min().unwrap_or(Whole::new(1, 4));
    let spacing = match style.subdivision {
        Subdivision::Bars => metres.iter().map(Metre::length).min().unwrap_or(Whole::new(1, 1)),
        Subdivision::Beats => shortest_beat,
        Subdivision::PerBeat(count) => shortest_beat / i64::from(count),
        Subdivision::Notes(note) => note,
    };
    let tempi = section.moves.iter().map(|step| step.to).chain([section.tempo]);
    let fastest = tempi.map(|tempo| tempo.wholes_per_minute()).max().unwrap_or(Whole::new(30, 1));
    let ratio = spacing / fastest;
    60.0 * *ratio.numer() as f64 / *ratio.denom() as f64
}
