//! Tempi, metres and places: from text to exact numbers and back.

use super::read;
use fogbell::show::model::{Metre, Subdivision, Swing, Tempo};
use fogbell::show::music::{decimal_text, metre_text, subdivision_text, tempo_text};
use fogbell::units::Whole;
use num_rational::Ratio;
use proptest::prelude::*;

/// The first section of a song with this tempo and metre, as TOML values.
fn section(tempo: &str, metre: &str) -> Option<fogbell::show::model::Section> {
    let click = "[click.drums]\nevery = \"bars\"\n";
    let text = format!("{click}[[song]]\ntitle = \"a\"\ntempo = {tempo}\nmetre = {metre}\nbars = 2\n");
    read(&text).show?.songs.first()?.sections.first().cloned()
}

fn tempo(text: &str, metre: &str) -> Option<Tempo> {
    section(text, &format!("\"{metre}\"")).map(|section| section.tempo)
}

fn metre(text: &str) -> Option<Metre> {
    section("120", &format!("\"{text}\"")).map(|section| section.bars[0].clone())
}

fn style(line: &str) -> Option<fogbell::show::model::Style> {
    let text = format!("[[song]]\ntitle = \"a\"\ntempo = 60\nbars = 2\n[song.click.drums]\n{line}\n");
    Some(read(&text).show?.songs.first()?.sections.first()?.parts.first()?.primary.clone())
}

fn of(note: (i64, i64), per_minute: (i64, i64)) -> Tempo {
    Tempo { note: Whole::new(note.0, note.1), per_minute: Ratio::new(per_minute.0, per_minute.1) }
}

#[test]
fn a_tempo_is_exact_as_written() {
    assert_eq!(tempo("132", "4/4"), Some(of((1, 4), (132, 1))));
    assert_eq!(tempo("137.3", "4/4"), Some(of((1, 4), (1373, 10))));
    assert_eq!(tempo("\"137.30\"", "4/4"), Some(of((1, 4), (1373, 10))));
    assert_eq!(tempo("\"132 bpm\"", "4/4"), Some(of((1, 4), (132, 1))));
    assert_eq!(tempo("\"1/4. = 88\"", "6/8"), Some(of((3, 8), (88, 1))));
    assert_eq!(tempo("\"♩. = 88\"", "6/8"), Some(of((3, 8), (88, 1))));
    assert_eq!(tempo("\"♩=88.125\"", "6/8"), Some(of((1, 4), (705, 8))));
    assert_eq!(tempo("\"dotted quarter = 88\"", "6/8"), Some(of((3, 8), (88, 1))));
    assert_eq!(tempo("\"minim = 66\"", "4/4"), Some(of((1, 2), (66, 1))));
    assert_eq!(tempo("10", "4/4"), Some(of((1, 4), (10, 1))));
    assert_eq!(tempo("999", "4/4"), Some(of((1, 4), (999, 1))));
}

/// A plain number counts the beat; where beats differ, the shortest.
#[test]
fn a_plain_tempo_counts_the_beat_of_the_metre() {
    assert_eq!(tempo("88", "6/8"), Some(of((3, 8), (88, 1))));
    assert_eq!(tempo("66", "2/2"), Some(of((1, 2), (66, 1))));
    assert_eq!(tempo("132", "7/8"), Some(of((1, 4), (132, 1))));
    assert_eq!(tempo("132", "3+3+2/8"), Some(of((1, 4), (132, 1))));
    assert_eq!(tempo("60", "4/4 as 2+2"), Some(of((1, 2), (60, 1))));
}

#[test]
fn metres_group_as_musicians_expect() {
    for (text, groups, unit) in [
        ("4/4", vec![1, 1, 1, 1], 4),
        ("3/4", vec![1, 1, 1], 4),
        ("2/2", vec![1, 1], 2),
        ("5/4", vec![1; 5], 4),
        ("6/8", vec![3, 3], 8),
        ("9/8", vec![3, 3, 3], 8),
        ("12/8", vec![3, 3, 3, 3], 8),
        ("3/8", vec![3], 8),
        ("4/8", vec![2, 2], 8),
        ("5/8", vec![2, 3], 8),
        ("7/8", vec![2, 2, 3], 8),
        ("8/8", vec![3, 3, 2], 8),
        ("11/8", vec![2, 2, 2, 2, 3], 8),
        ("7/16", vec![2, 2, 3], 16),
        ("7/8 as 3+2+2", vec![3, 2, 2], 8),
        ("3+2/8", vec![3, 2], 8),
        ("3 + 2 / 8", vec![3, 2], 8),
        ("1/4", vec![1], 4),
    ] {
        assert_eq!(metre(text), Some(Metre { groups, unit }), "{text}");
    }
}

#[test]
fn subdivisions_and_swing_are_exact() {
    for (text, wanted) in [
        ("bars", Subdivision::Bars),
        ("beats", Subdivision::Beats),
        ("eighths", Subdivision::Notes(Whole::new(1, 8))),
        ("sixteenths", Subdivision::Notes(Whole::new(1, 16))),
        ("1/32", Subdivision::Notes(Whole::new(1, 32))),
        ("triplets", Subdivision::PerBeat(3)),
        ("5 in a beat", Subdivision::PerBeat(5)),
    ] {
        let found = style(&format!("every = \"{text}\"")).map(|style| style.subdivision);
        assert_eq!(found, Some(wanted), "{text}");
        assert_eq!(subdivision_text(wanted), text);
    }
    let eighths = |upper, lower| Some(Swing { note: Whole::new(1, 8), ratio: Ratio::new(upper, lower) });
    assert_eq!(style("swing = \"62.5%\"").unwrap().swing, eighths(5, 8));
    assert_eq!(style("swing = \"2/3\"").unwrap().swing, eighths(2, 3));
    assert_eq!(style("swing = 0.625").unwrap().swing, eighths(5, 8));
    assert_eq!(
        style("swing = { note = \"1/16\", at = \"2/3\" }").unwrap().swing,
        Some(Swing { note: Whole::new(1, 16), ratio: Ratio::new(2, 3) })
    );
    assert_eq!(style("swing = false").unwrap().swing, None);
}

proptest! {
    #[test]
    fn every_decimal_tempo_is_its_exact_ratio_and_reads_back(
        whole in 10i64..999, part in 0i64..1_000_000, digits in 1u32..=6, dotted: bool, unit in 0usize..5,
    ) {
        let part = part % 10i64.pow(digits);
        let units = [2, 4, 8, 16, 32];
        let dot = if dotted { "." } else { "" };
        let text = format!("\"1/{}{dot} = {whole}.{part:0width$}\"", units[unit], width = digits as usize);
        let found = tempo(&text, "4/4").expect("a tempo in range");
        prop_assert_eq!(found.per_minute, Ratio::new(whole * 10i64.pow(digits) + part, 10i64.pow(digits)));
        prop_assert_eq!(found.note, Whole::new(if dotted { 3 } else { 2 }, 2 * units[unit] as i64));
        let again = tempo(&format!("\"{}\"", tempo_text(&found)), "4/4");
        prop_assert_eq!(again, Some(found));
    }

    #[test]
    fn every_metre_reads_back_from_its_text(groups in prop::collection::vec(1u32..=7, 1..9), unit in 0usize..6) {
        let unit = [1, 2, 4, 8, 16, 32][unit];
        let wanted = Metre { groups, unit };
        prop_assert_eq!(metre(&metre_text(&wanted)), Some(wanted));
    }

    #[test]
    fn a_decimal_has_no_needless_noughts(micro in 0i64..1_000_000_000) {
        let text = decimal_text(Ratio::new(micro, 1_000_000));
        prop_assert!(!text.contains('.') || !text.ends_with(['0', '.']));
        prop_assert_eq!(text.parse::<f64>().unwrap(), micro as f64 / 1e6);
    }
}
