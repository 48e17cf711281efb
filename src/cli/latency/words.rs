//! What a person reads: the answer first, then the figures.

use crate::latency::budget::{Budget, Source};
use crate::latency::session::Series;
use crate::latency::{Measurement, Polarity};
use crate::units::SampleRate;
use std::fmt::Write;

/// Milliseconds of frames.
pub fn ms(frames: f64, rate: SampleRate) -> f64 {
    frames * 1000.0 / f64::from(rate.hertz())
}

/// The answer in a sentence.
pub fn sentence(found: &Measurement, rate: SampleRate) -> String {
    let steady = if found.spread_frames < 0.1 {
        format!("steady to {}", frames_word(found.spread_frames.max(0.001), 3))
    } else {
        format!("moving by {}", frames_word(found.spread_frames, 2))
    };
    format!(
        "The round trip is {:.2} frames ({:.2} ms), {steady} over {} shots.",
        found.round_trip_frames,
        ms(found.round_trip_frames, rate),
        found.shots
    )
}

fn frames_word(frames: f64, digits: usize) -> String {
    format!("{frames:.digits$} frame{}", if frames > 1.0 { "s" } else { "" })
}

/// One aligned line a figure.
pub fn figures(found: &Measurement, rate: SampleRate) -> String {
    let mut out = String::new();
    let mut line = |name: &str, frames: f64, rest: &str| {
        let row = format!("  {name:<16}{frames:>12.3} frames {:>9.4} ms  {rest}", ms(frames, rate));
        let _ = writeln!(out, "{}", row.trim_end());
    };
    let surely = format!("± {:.4} frames (95 %)", found.interval_95_frames);
    line("round trip", found.round_trip_frames, &surely);
    line("median", found.median_frames, "");
    line("worst", found.worst_frames, "the latest shot");
    line("spread", found.spread_frames, "latest less earliest");
    let mut fact = |name: &str, rest: String| {
        let _ = writeln!(out, "  {name:<16}{rest}");
    };
    let polarity = match found.polarity {
        Polarity::Normal => "normal",
        Polarity::Inverted => "INVERTED: a cable or a box on the way swaps the two wires",
    };
    fact("polarity", polarity.into());
    fact("came back at", format!("{:.1} dBFS, {:.0} dB over the noise", found.level_db, found.snr_db));
    fact("shots", format!("{} of {} agree", found.shots, found.shots_played));
    if let Some(echo) = &found.echo {
        let after =
            format!("{:.1} frames behind, {:.1} dB against the first", echo.after_frames, echo.level_db);
        fact("second arrival", after);
    }
    out
}

/// The level it was played at, what the driver says, and where.
pub fn about(series: &Series, found: Option<&Measurement>, place: &str) -> String {
    let mut out = String::new();
    let mut fact = |name: &str, rest: String| {
        let _ = writeln!(out, "  {name:<16}{rest}");
    };
    let tried = series.risen.len();
    let first = series.risen.first().map_or(series.level.0, |level| level.0);
    fact(
        "played at",
        match tried {
            1 => format!("{:.0} dBFS", series.level.0),
            _ => format!("{:.0} dBFS, from {first:.0} in {tried} steps", series.level.0),
        },
    );
    if let Some(found) = found {
        let rate = series.negotiated.rate;
        fact(
            "driver claims",
            match series.negotiated.claimed_latency {
                None => "nothing".into(),
                Some(claimed) => {
                    let beyond = found.round_trip_frames - claimed.0 as f64;
                    let word = if beyond < 0.0 { "fewer" } else { "more" };
                    format!(
                        "{} frames; {:.2} {word} ({:.2} ms) are measured",
                        claimed.0,
                        beyond.abs(),
                        ms(beyond.abs(), rate)
                    )
                }
            },
        );
    }
    fact("on", place.into());
    let trouble = [
        (series.xruns, "xruns"),
        (series.slips, "slips of the input"),
        (u64::from(series.spoilt), "shots played again"),
    ];
    let told: Vec<String> = trouble
        .iter()
        .filter(|(count, _)| *count > 0)
        .map(|(count, what)| format!("{count} {what}"))
        .collect();
    fact("trouble", if told.is_empty() { "none".into() } else { told.join(", ") });
    out
}

/// The way from a microphone to an ear, in parts that add up.
pub fn budget(budget: &Budget, rate: SampleRate) -> String {
    let mut out = String::from("A microphone's way to an ear through this program:\n");
    for part in &budget.parts {
        let source = match part.source {
            Source::Rest => "measured, less the known parts",
            Source::Claimed => "claimed by the driver",
            Source::Known => "known",
        };
        row(&mut out, part.name, part.frames, rate, source);
        if let Some(why) = part.why {
            let _ = writeln!(out, "    ({why})");
        }
    }
    row(&mut out, "in all", budget.total_frames, rate, "");
    out.push_str("  A wireless pack and a digital mixer add their own: measure them with --compare.\n");
    out
}

fn row(out: &mut String, name: &str, frames: f64, rate: SampleRate, source: &str) {
    let row = format!("  {name:<46}{frames:>9.2} frames {:>7.2} ms  {source}", ms(frames, rate));
    let _ = writeln!(out, "{}", row.trim_end());
}

#[cfg(test)]
mod tests {
    use super::*;

    fn found() -> Measurement {
        Measurement {
            round_trip_frames: 400.25,
            round_trip_ms: 8.3385,
            interval_95_frames: 0.0011,
            median_frames: 400.25,
            spread_frames: 0.004,
            worst_frames: 400.252,
            polarity: Polarity::Inverted,
            level_db: -24.0,
            snr_db: 62.0,
            shots: 15,
            shots_played: 16,
            drift_ppm: 0.0,
            bound_frames: 0.001,
            echo: None,
            each: Vec::new(),
        }
    }

    #[test]
    fn the_answer_is_one_sentence_and_figures_are_aligned() {
        let rate = SampleRate::standard();
        let sentence = sentence(&found(), rate);
        let expected = "The round trip is 400.25 frames (8.34 ms), steady to 0.004 frame over 15 shots.";
        assert_eq!(sentence, expected);
        let figures = figures(&found(), rate);
        let ends: Vec<usize> = figures.lines().filter_map(|line| line.find(" frames ")).collect();
        assert!(ends.len() == 4 && ends.iter().all(|end| *end == ends[0]), "{figures}");
        assert!(
            figures.contains("INVERTED") && figures.lines().all(|line| line.chars().count() <= 80),
            "{figures}"
        );
    }
}
