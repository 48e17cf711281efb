//! How long a song lasts, for set lists and schedules.

use super::moving_seconds;
use crate::show::model::{CountIn, Law, Section, Song, Tempo};
use crate::units::Whole;

/// Seconds of a song as written: stated repeats counted, vamps once, count-in and pickup apart.
pub fn song_seconds(song: &Song) -> f64 {
    song.sections.iter().map(|section| section_seconds(section) * f64::from(section.repeats)).sum()
}

/// Seconds of the count-in at the tempo of the first section.
pub fn count_in_seconds(count_in: &CountIn, first: &Section) -> f64 {
    let length: Whole = count_in.bars.iter().map(|bar| bar.length()).sum();
    constant(length, &first.tempo)
}

/// Seconds of one pass of a section.
///
/// Source: the closed forms of t(b) = ∫ 60/T db over each stretch (see [`ramp`]); each stretch is
/// computed from its own start.
pub fn section_seconds(section: &Section) -> f64 {
    let (mut at, mut tempo, mut seconds) = (Whole::from_integer(0), section.tempo, 0.0);
    for step in &section.moves {
        seconds += constant(step.from - at, &tempo);
        seconds += ramp(step.over, &tempo, &step.to, step.law);
        at = step.from + step.over;
        tempo = step.to;
    }
    seconds + constant(section.length() - at, &tempo)
}

fn real(ratio: Whole) -> f64 {
    *ratio.numer() as f64 / *ratio.denom() as f64
}

fn constant(length: Whole, tempo: &Tempo) -> f64 {
    real(length * 60 / tempo.wholes_per_minute())
}

/// Seconds of a whole move from one tempo to the next; a step takes none. Source: [`moving_seconds`].
fn ramp(over: Whole, from: &Tempo, to: &Tempo, law: Law) -> f64 {
    if over == Whole::from_integer(0) {
        return 0.0;
    }
    let (length, start, end) = (real(over), real(from.wholes_per_minute()), real(to.wholes_per_minute()));
    moving_seconds(law, start, end, length, length)
}

/// Minutes and seconds as a set list has them: "3:38".
pub fn minutes(seconds: f64) -> String {
    let whole = seconds.max(0.0).round() as u64;
    format!("{}:{:02}", whole / 60, whole % 60)
}

#[cfg(test)]
mod tests {
    use super::*;
    use num_rational::Ratio;

    fn quarters(per_minute: i64) -> Tempo {
        Tempo { note: Whole::new(1, 4), per_minute: Ratio::from_integer(per_minute) }
    }

    /// 120 → 160 over 16 beats: the figures are those of a table computed with 40 digits from
    /// t(b) = ∫ 60/T db, each proven against quadrature.
    #[test]
    fn a_ramp_from_120_to_160_over_16_beats_lasts_as_its_law_says() {
        let total = |law| ramp(Whole::new(16, 4), &quarters(120), &quarters(160), law);
        assert!((total(Law::LinearInBeats) - 6.904_369_738_842_7).abs() < 1e-12);
        assert!((total(Law::LinearInTime) - 6.857_142_857_142_9).abs() < 1e-12);
        assert!((total(Law::ExponentialInBeats) - 6.952_118_993_564_4).abs() < 1e-12);
    }

    #[test]
    fn four_hours_at_137_3_are_32_952_beats() {
        let tempo = Tempo { note: Whole::new(1, 4), per_minute: Ratio::new(1373, 10) };
        assert_eq!(constant(Whole::new(32_952, 4), &tempo), 14_400.0);
    }
}
