//! Sentences about figures, each with its uncertainty and the caution.

use super::ears::foremost;
use super::figures::{Calibrated, Figures};

/// Stands wherever a figure stands.
pub const CAUTION: &str = "Follow local rules; see a hearing professional.";

/// Why a figure of a feed is less than what is in the ear.
const UNSEEN: &str = "the mixer adds voices and instruments that Fogbell does not see";

/// For the last lines of a screen: one sentence and the caution.
pub fn short(figures: &Figures) -> String {
    let feed = &figures.feed;
    match (&figures.calibrated, figures.now_dbfs) {
        (_, None) => format!("Ears {feed}: silent. {CAUTION}"),
        (None, Some(level)) => {
            format!(
                "Ears {feed}: {level:.0} dBFS (A); without a calibration nobody knows how loud. {CAUTION}"
            )
        }
        (Some(known), Some(_)) => {
            let least = if figures.at_least() { "at least " } else { "" };
            let now = known.now_dba.unwrap_or_default();
            let left = known
                .minutes_left
                .niosh
                .map(|left| format!(", {}", left_words(figures, left)))
                .unwrap_or_default();
            let (off, day) = (known.plus_minus_db, known.niosh_percent);
            format!(
                "Ears {feed}: {least}{now:.0} dBA ±{off:.0} dB, NIOSH day {least}{day:.0} %{left}. {CAUTION}"
            )
        }
    }
}

/// The same in one row of eighty columns; nothing without a calibration.
pub fn small(figures: &Figures) -> Option<String> {
    let known = figures.calibrated.as_ref()?;
    let least = if figures.at_least() { "≥" } else { "" };
    let level = known.now_dba.map_or_else(|| "silent".into(), |now| format!("{least}{now:.0} dBA"));
    let (feed, off, day) = (&figures.feed, known.plus_minus_db, known.niosh_percent);
    Some(format!("{feed} {level} ±{off:.0}, day {least}{day:.0} %. {CAUTION}"))
}

/// One sentence and the caution over several runs of a night: the feed with the largest dose, and what it comes to in all
/// of them. `None`: nothing was heard.
pub fn together(runs: &[&Figures]) -> Option<String> {
    let foremost = foremost(runs.iter().copied())?;
    let feed = &foremost.feed;
    let Some(known) = &foremost.calibrated else {
        let level =
            foremost.mean_dbfs.map_or_else(|| "silent".into(), |level| format!("{level:.0} dBFS (A)"));
        return Some(format!(
            "{feed}: {level} on average; without a calibration nobody knows how loud that is. {CAUTION}"
        ));
    };
    let same = || runs.iter().filter(|one| one.feed == *feed);
    let least = if same().any(|one| one.at_least()) { "at least " } else { "" };
    let day: f64 = same().filter_map(|one| Some(one.calibrated.as_ref()?.niosh_percent)).sum();
    let level = known.mean_dba.map_or_else(|| "silent".into(), |dba| format!("{least}{dba:.0} dBA"));
    let off = known.plus_minus_db;
    Some(format!("{feed}: {level} ± {off:.0} dB on average, {least}{day:.0} % of a day by NIOSH. {CAUTION}"))
}

/// Where the level is *at least*, what is left is *at most*.
fn left_words(figures: &Figures, left: f64) -> String {
    if figures.at_least() && left > 0.0 { format!("at most {}", minutes(left)) } else { minutes(left) }
}

fn minutes(left: f64) -> String {
    match left {
        left if left <= 0.0 => "used up".into(),
        left if left < 120.0 => format!("{left:.0} min left"),
        left => format!("{:.0} h left", left / 60.0),
    }
}

/// The whole account of one ear mix, a line each; the caution is the last.
pub fn account(figures: &Figures) -> Vec<String> {
    let span = span(figures.seconds);
    let db = |level: Option<f64>| level.map_or_else(|| "silence".into(), |level| format!("{level:.1} dBFS"));
    let mut lines = Vec::new();
    match &figures.calibrated {
        None => {
            lines.push(format!(
                "{}: {} A-weighted on average over {span}, loudest sample {}",
                figures.feed,
                db(figures.mean_dbfs),
                db(figures.peak_dbfs)
            ));
            lines.push("  how loud that is in the ear cannot be known without a calibration".into());
            lines.push(format!(
                "  to mend it: in the rig file, [exposure.{}] with the ear piece's sensitivity and the pack's volts, or one \
                 reading",
                figures.feed
            ));
        }
        Some(known) => calibrated(&mut lines, figures, known, &span),
    }
    lines.push(format!("  {CAUTION}"));
    lines
}

fn calibrated(lines: &mut Vec<String>, figures: &Figures, known: &Calibrated, span: &str) {
    let least = if figures.at_least() { "at least " } else { "" };
    let level = known.mean_dba.map_or_else(|| "silence".into(), |dba| format!("{least}{dba:.1} dBA"));
    let (off, because) = (known.plus_minus_db, &known.because);
    let feed = &figures.feed;
    lines.push(format!("{feed}: {level} ± {off:.0} dB on average over {span} ({because})"));
    if figures.at_least() {
        lines.push(format!("  at least, because {UNSEEN}"));
    }
    let left = &known.minutes_left;
    let row = |rule: &str, measure: &str, used: String, left: Option<f64>| {
        let left = left.map_or_else(|| "that level adds nothing".into(), |left| left_words(figures, left));
        format!("  {rule:<16} {measure:<26} {used:<27} {left}")
    };
    let percent = |part: f64, of: &str| format!("{least}{part:.0} % of a {of}");
    let lex = known.lex_8h_db;
    lines.push(row("NIOSH 98-126", "85 dBA over 8 h, 3 dB", percent(known.niosh_percent, "day"), left.niosh));
    lines.push(row("OSHA 1910.95", "90 dBA over 8 h, 5 dB", percent(known.osha_percent, "day"), left.osha));
    let daily = lex.map_or_else(|| "nothing".into(), |lex| format!("LEX,8h {least}{lex:.1} dB(A)"));
    lines.push(row("EU 2003/10/EC", "action 80 and 85, limit 87", daily, left.eu_limit));
    lines.push(row("ITU-T H.870", "80 dBA over 40 h a week", percent(known.week_percent, "week"), left.week));
    let sensitive = percent(known.sensitive_week_percent, "week");
    lines.push(format!("  {:<16} {:<26} {sensitive}", "  sensitive ears", "75 dBA over 40 h a week"));
    let factor = 10f64.powf(off / 10.0);
    lines.push(format!(
        "  ± {off:.0} dB is a dose of {:.0} to {:.0} % of each percentage by energy",
        100.0 / factor,
        100.0 * factor
    ));
    if let Some(lex) = lex.filter(|lex| *lex >= 80.0) {
        lines.push(format!("  {}", action(lex)));
    }
    lines.push("  as if nothing else were heard that day; time left is at the average level".into());
}

/// What the directive asks at a daily level.
fn action(lex: f64) -> &'static str {
    match lex {
        lex if lex > 87.0 => "over the EU's limit (87): down at once, and find out why",
        lex if lex >= 85.0 => {
            "over the EU's upper action value (85): hearing protection and a programme are due"
        }
        _ => "over the EU's lower action value (80): information and protection are due",
    }
}

fn span(seconds: f64) -> String {
    let whole = seconds.round() as u64;
    match (whole / 3_600, whole / 60 % 60, whole % 60) {
        (0, 0, seconds) => format!("{seconds} s"),
        (0, minutes, seconds) => format!("{minutes} min {seconds} s"),
        (hours, minutes, _) => format!("{hours} h {minutes} min"),
    }
}

#[cfg(test)]
mod tests {
    use super::super::calibration::{Calibration, Way};
    use super::super::figures::Source;
    use super::super::meter::Meter;
    use super::*;
    use crate::units::SampleRate;

    fn figures(source: Source, calibration: Option<Calibration>) -> Figures {
        let tone: Vec<f32> = (0..480_000).map(|n| 0.1 * (f64::from(n) * 0.130_899_69).sin() as f32).collect();
        let mut meter = Meter::new(SampleRate::standard(), 1, calibration);
        meter.hear(&[&tone]);
        Figures::of("drums", source, &meter)
    }

    fn known() -> Option<Calibration> {
        Some(Calibration::new(Way::Read { db: 100.0, at_dbfs: -20.0 }, None))
    }

    #[test]
    fn every_account_and_every_line_ends_with_the_caution() {
        for calibration in [None, known()] {
            for source in [Source::Feed, Source::Return] {
                let figures = figures(source, calibration);
                assert!(short(&figures).ends_with(CAUTION));
                assert_eq!(small(&figures).map(|text| text.ends_with(CAUTION)), calibration.map(|_| true));
                assert!(account(&figures).last().unwrap().ends_with(CAUTION));
            }
        }
    }

    #[test]
    fn a_feed_says_at_least_a_return_does_not_and_without_a_calibration_there_are_no_decibels_of_sound() {
        let feed = figures(Source::Feed, known());
        assert!(
            short(&feed).starts_with(
                "Ears drums: at least 100 dBA ±4 dB, NIOSH day at least 1 %, at most 15 min left."
            )
        );
        assert!(account(&feed).join("\n").contains("at least, because the mixer adds"));
        let back = figures(Source::Return, known());
        assert!(!account(&back).join("\n").contains("at least"));
        let unknown = figures(Source::Feed, None);
        let text = account(&unknown).join("\n") + &short(&unknown);
        assert!(
            text.contains("-20 dBFS") && !text.contains("dBA ") && text.contains("cannot be known"),
            "{text}"
        );
    }

    /// Ten seconds at 100 dBA of NIOSH's fifteen minutes.
    #[test]
    fn the_account_sets_the_rules_side_by_side() {
        let lines = account(&figures(Source::Return, known())).join("\n");
        for part in [
            "NIOSH 98-126",
            "OSHA 1910.95",
            "EU 2003/10/EC",
            "ITU-T H.870",
            "± 4 dB",
            "1 % of a day",
            "15 min left",
        ] {
            assert!(lines.contains(part), "{part} in\n{lines}");
        }
    }

    #[test]
    fn minutes_left_are_words() {
        assert_eq!(minutes(0.0), "used up");
        assert_eq!(minutes(12.3), "12 min left");
        assert_eq!(minutes(600.0), "10 h left");
    }
}
