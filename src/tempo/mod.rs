//! Bars and beats to frames.
//!
//! In: a section's tempo and its moves. Out: the local time of any place in it, at the device's rate, and seconds.
//! Thread: ordinary. Always: rational inside a constant stretch, closed form in f64 inside a moving one,
//! each place computed from its stretch's start, never summed beat by beat.

pub mod length;

use crate::show::model::{Law, Tempo, TempoMove};
use crate::units::{SampleRate, Span, Whole};
use num_rational::Ratio;
use num_traits::{ToPrimitive, Zero};

/// The tempo of one pass of a section, laid out in stretches.
#[derive(Clone, Debug)]
pub struct TempoMap {
    rate: SampleRate,
    stretches: Vec<Stretch>,
    length: Whole,
}

/// A piece with one law.
#[derive(Clone, Debug)]
struct Stretch {
    from: Whole,
    /// Local time of `from`.
    start: Span,
    pace: Pace,
}

#[derive(Clone, Debug)]
enum Pace {
    Constant(Tempo),
    Moving { from: Tempo, to: Tempo, over: Whole, law: Law },
}

impl TempoMap {
    /// `moves` in order, not overlapping, inside `length` (the checker has seen to it; a move that reaches
    /// over the end is cut there).
    pub fn new(length: Whole, tempo: Tempo, moves: &[TempoMove], rate: SampleRate) -> TempoMap {
        let first = Stretch { from: Whole::zero(), start: Span(0), pace: Pace::Constant(tempo) };
        let mut map = TempoMap { rate, stretches: vec![first], length };
        for change in moves {
            let before = map.tempo_at(change.from);
            if change.over > Whole::zero() {
                map.push(
                    change.from,
                    Pace::Moving { from: before, to: change.to, over: change.over, law: change.law },
                );
            }
            map.push(change.from + change.over, Pace::Constant(change.to));
        }
        map
    }

    fn push(&mut self, from: Whole, pace: Pace) {
        let start = self.at(from);
        self.stretches.push(Stretch { from, start, pace });
    }

    fn stretch_at(&self, place: Whole) -> &Stretch {
        let after = self.stretches.partition_point(|stretch| stretch.from <= place);
        &self.stretches[after.max(1) - 1]
    }

    /// Local time of a place, from the section's start. Rounding: 2⁻⁴⁹ frame a constant stretch; inside a
    /// moving one the error of an f64 of that size.
    pub fn at(&self, place: Whole) -> Span {
        let stretch = self.stretch_at(place);
        stretch.start + stretch.pace.after(place - stretch.from, self.rate)
    }

    /// Local time of the section's end.
    pub fn length(&self) -> Span {
        self.at(self.length)
    }

    /// The tempo at a place, exact where it is constant, else the nearest 1/1,000,000 a minute.
    pub fn tempo_at(&self, place: Whole) -> Tempo {
        let stretch = self.stretch_at(place);
        stretch.pace.tempo(place - stretch.from)
    }
}

impl Pace {
    /// Frames from the start of this stretch to `place` after it.
    fn after(&self, place: Whole, rate: SampleRate) -> Span {
        match self {
            Pace::Constant(tempo) => constant_frames(place, *tempo, rate),
            Pace::Moving { from, to, over, law } => {
                let seconds = moving_seconds(
                    *law,
                    float(from.wholes_per_minute()),
                    float(to.wholes_per_minute()),
                    float(*over),
                    float(place),
                );
                Span::from_f64(seconds * f64::from(rate.hertz()))
            }
        }
    }

    fn tempo(&self, place: Whole) -> Tempo {
        match self {
            Pace::Constant(tempo) => *tempo,
            Pace::Moving { to, over, .. } if place >= *over => *to,
            Pace::Moving { from, to, over, law } => {
                let wholes = moving_tempo(
                    *law,
                    float(from.wholes_per_minute()),
                    float(to.wholes_per_minute()),
                    float(*over),
                    float(place),
                );
                let per_minute = wholes / float(from.note);
                Tempo {
                    note: from.note,
                    per_minute: Ratio::new((per_minute * 1e6).round().max(1.0) as i64, 1_000_000),
                }
            }
        }
    }
}

fn float(value: Ratio<i64>) -> f64 {
    value.to_f64().unwrap_or(0.0)
}

/// Source: `place × 60 × rate / tempo` (60 s a minute), place and tempo in whole notes, as one fraction.
fn constant_frames(place: Whole, tempo: Tempo, rate: SampleRate) -> Span {
    let pace = tempo.wholes_per_minute();
    let numerator = i128::from(*place.numer()) * 60 * i128::from(rate.hertz()) * i128::from(*pace.denom());
    Span::ratio(numerator, i128::from(*place.denom()) * i128::from(*pace.numer()))
}

/// Seconds from the start of a move to `b`, with tempi `t0` → `t1` a minute over `over` (all in one unit).
///
/// Source: `t(b) = ∫ 60 / T db`. Linear in beats: `60B/(T1−T0) · ln(1 + (T1−T0)b/(B·T0))`. Linear in time:
/// `120b / (T0 + √(T0² + (T1²−T0²)b/B))`. Exponential in beats: `−60B/(T0·ln r) · (e^(−b·ln r/B) − 1)`,
/// `r = T1/T0`. Written with `ln_1p` and `exp_m1` over their argument, so that a nearly flat move loses nothing.
pub fn moving_seconds(law: Law, t0: f64, t1: f64, over: f64, b: f64) -> f64 {
    let flat = 60.0 * b / t0;
    match law {
        Law::LinearInBeats => {
            let x = (t1 - t0) * b / (over * t0);
            flat * if x == 0.0 { 1.0 } else { x.ln_1p() / x }
        }
        Law::LinearInTime => 120.0 * b / (t0 + moving_tempo(law, t0, t1, over, b)),
        Law::ExponentialInBeats => {
            let y = -b / over * ((t1 - t0) / t0).ln_1p();
            flat * if y == 0.0 { 1.0 } else { y.exp_m1() / y }
        }
    }
}

/// The tempo after `b` of a move. Source: see [`moving_seconds`].
pub fn moving_tempo(law: Law, t0: f64, t1: f64, over: f64, b: f64) -> f64 {
    let part = b / over;
    match law {
        Law::LinearInBeats => t0 + (t1 - t0) * part,
        Law::LinearInTime => (t0 * t0 + (t1 - t0) * (t1 + t0) * part).sqrt(),
        Law::ExponentialInBeats => t0 * (t1 / t0).powf(part),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::FRACTION_BITS;

    fn rate(hertz: u32) -> SampleRate {
        SampleRate::new(hertz).expect("a rate in range")
    }

    fn crotchets(per_minute: Ratio<i64>) -> Tempo {
        Tempo { note: Whole::new(1, 4), per_minute }
    }

    fn table(name: &str) -> Vec<Vec<String>> {
        let path = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/reference").join(name);
        let text = std::fs::read_to_string(path).expect("the reference table is in fixtures");
        text.lines().skip(1).map(|line| line.split(',').map(str::to_owned).collect()).collect()
    }

    fn decimal(text: &str) -> Ratio<i64> {
        let (whole, part) = text.split_once('.').unwrap_or((text, ""));
        let scale = 10i64.pow(part.len() as u32);
        Ratio::new(format!("{whole}{part}").parse().expect("digits"), scale)
    }

    #[test]
    fn beat_8_at_128_bpm_falls_on_frame_165_375() {
        let map = TempoMap::new(Whole::new(4, 1), crotchets(Ratio::from_integer(128)), &[], rate(44_100));
        assert_eq!(map.at(Whole::new(2, 1)), Span(165_375 << FRACTION_BITS)); // 8 × 60 × 44,100 / 128
    }

    /// Source: table `click_frames_137_3` (exact rationals, computed for the project's references).
    #[test]
    fn every_row_of_137_3_bpm_is_the_nearest_frame() {
        let rows = table("click_frames_137_3.csv");
        assert!(rows.len() > 40);
        for row in rows {
            let map = TempoMap::new(
                Whole::new(8238, 1),
                crotchets(decimal(&row[0])),
                &[],
                rate(row[1].parse().unwrap()),
            );
            let beat = Whole::new(row[2].parse().unwrap(), 4);
            assert_eq!(map.at(beat).nearest().0, row[4].parse::<i64>().unwrap(), "{row:?}");
        }
    }

    /// Source: table `long_run_drift_4h`: the last beat within four hours at five tempi and four rates.
    #[test]
    fn after_four_hours_the_last_beat_is_exact() {
        for row in table("long_run_drift_4h.csv") {
            let beats: i64 = row[2].parse().unwrap();
            let map = TempoMap::new(
                Whole::new(beats, 4),
                crotchets(decimal(&row[0])),
                &[],
                rate(row[1].parse().unwrap()),
            );
            assert_eq!(map.length().nearest().0, row[5].parse::<i64>().unwrap(), "{row:?}");
        }
    }

    /// Source: table `tempo_ramps` (closed forms proven against 50-digit quadrature). Law (d) is not offered.
    #[test]
    fn every_row_of_the_ramp_table_is_within_a_nanosecond_and_on_its_frame() {
        let mut seen = 0;
        for row in table("tempo_ramps.csv") {
            let law = match row[0].as_str() {
                "linear_in_beats" => Law::LinearInBeats,
                "linear_in_time" => Law::LinearInTime,
                "exponential_in_beats" => Law::ExponentialInBeats,
                _ => continue,
            };
            let beats = |text: &str| decimal(text) * Ratio::new(1, 4);
            let over = beats(&row[3]);
            let change = TempoMove { from: Whole::zero(), over, to: crotchets(decimal(&row[2])), law };
            for (hertz, column) in [(48_000, 7), (44_100, 8)] {
                let map = TempoMap::new(over, crotchets(decimal(&row[1])), &[change], rate(hertz));
                let place = map.at(beats(&row[4]));
                assert!(
                    (place.as_f64() / f64::from(hertz) - row[5].parse::<f64>().unwrap()).abs() < 1e-9,
                    "{row:?}"
                );
                assert_eq!(place.nearest().0, row[column].parse::<i64>().unwrap(), "{row:?}");
            }
            seen += 1;
        }
        assert!(seen > 150, "only {seen} rows");
    }

    #[test]
    fn a_step_and_a_move_begin_where_the_last_stretch_ended() {
        let to = crotchets(Ratio::from_integer(60));
        let step = TempoMove { from: Whole::new(1, 1), over: Whole::zero(), to, law: Law::LinearInBeats };
        let map = TempoMap::new(Whole::new(2, 1), crotchets(Ratio::from_integer(120)), &[step], rate(48_000));
        assert_eq!(map.length().nearest().0, 4 * 24_000 + 4 * 48_000);
        assert_eq!(map.tempo_at(Whole::new(3, 2)), to);
    }
}
