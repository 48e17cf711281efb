//! Tempi, metres, subdivisions and places as a musician writes them, to exact numbers and back.

use super::model::{BarBeat, Metre, Subdivision, Swing, Tempo};
use super::walk::Wrong;
use crate::units::Whole;
use num_rational::Ratio;

/// Slowest and fastest note a minute.
const TEMPI: std::ops::RangeInclusive<i64> = 10..=999;
/// Most units in a bar.
const MOST_UNITS: u32 = 64;

/// Signs and words for note values; the signs are ♩, ♪ and those of the Unicode block Musical Symbols.
static NOTES: &[(&str, i64)] = &[
    ("♩", 4),
    ("♪", 8),
    ("\u{1D15D}", 1),
    ("\u{1D15E}", 2),
    ("\u{1D15F}", 4),
    ("\u{1D160}", 8),
    ("\u{1D161}", 16),
    ("minim", 2),
    ("half", 2),
    ("crotchet", 4),
    ("quarter", 4),
    ("quaver", 8),
    ("eighth", 8),
    ("semiquaver", 16),
    ("sixteenth", 16),
];

/// A decimal as an exact ratio: "137.3" is 1373/10. `None`: anything else, a sign, an exponent, more
/// than 6 digits on a side.
pub(super) fn decimal(text: &str) -> Option<Ratio<i64>> {
    let (whole, part) = text.split_once('.').unwrap_or((text, "0"));
    let digits =
        |digits: &str| !digits.is_empty() && digits.len() <= 6 && digits.bytes().all(|b| b.is_ascii_digit());
    if !digits(whole) || !digits(part) {
        return None;
    }
    let scale = 10i64.pow(part.len() as u32);
    Some(Ratio::new(whole.parse::<i64>().ok()? * scale + part.parse::<i64>().ok()?, scale))
}

/// A note value: "1/4", "1/4." (dotted), "♩.", "quarter".
pub(super) fn note(text: &str) -> Option<Whole> {
    let text = text.trim();
    let (plain, dotted) = match text.strip_suffix('.') {
        Some(plain) => (plain.trim_end(), true),
        None => match text.strip_prefix("dotted ") {
            Some(plain) => (plain.trim_start(), true),
            None => (text, false),
        },
    };
    let unit = match plain.strip_prefix("1/") {
        Some(unit) => unit.parse::<i64>().ok().filter(|unit| [1, 2, 4, 8, 16, 32].contains(unit))?,
        None => NOTES.iter().find(|(sign, _)| *sign == plain)?.1,
    };
    let value = Whole::new(1, unit);
    Some(if dotted { value * Ratio::new(3, 2) } else { value })
}

/// A note value as shown on a screen: ♩, ♩., 1/16.
pub fn note_text(note: Whole) -> String {
    let (plain, dot) = if *note.numer() == 3 { (note * Ratio::new(2, 3), ".") } else { (note, "") };
    match (*plain.numer(), *plain.denom()) {
        (1, 4) => format!("♩{dot}"),
        (1, 8) => format!("♪{dot}"),
        (1, unit) => format!("1/{unit}{dot}"),
        (units, unit) => format!("{units}/{unit}{dot}"),
    }
}

/// A tempo as shown on a screen: "♩ = 132". Reads back to the same tempo.
pub fn tempo_text(tempo: &Tempo) -> String {
    format!("{} = {}", note_text(tempo.note), decimal_text(tempo.per_minute))
}

/// A ratio with a finite decimal, in full; others to 6 places.
pub fn decimal_text(ratio: Ratio<i64>) -> String {
    let micro = (ratio * 1_000_000).round().to_integer();
    let text = format!("{}.{:06}", micro / 1_000_000, (micro % 1_000_000).abs());
    text.trim_end_matches('0').trim_end_matches('.').to_string()
}

/// A metre as shown on a screen: "4/4", "7/8 as 2+2+3". Reads back to the same metre.
pub fn metre_text(metre: &Metre) -> String {
    let units = metre.groups.iter().sum::<u32>();
    let plain = format!("{units}/{}", metre.unit);
    if default_groups(units, metre.unit) == metre.groups {
        return plain;
    }
    let groups: Vec<_> = metre.groups.iter().map(u32::to_string).collect();
    format!("{plain} as {}", groups.join("+"))
}

/// The note that a plain tempo counts: the beat, or the shortest beat where beats differ.
pub fn beat_note(metre: &Metre) -> Whole {
    let shortest = metre.groups.iter().copied().min().unwrap_or(1).max(1);
    Whole::new(i64::from(shortest), i64::from(metre.unit))
}

/// A tempo: "132", "1/4. = 88", "♩ = 137.3"; a plain number counts the metre's beat.
pub(super) fn tempo(text: &str, metre: &Metre) -> Result<Tempo, Wrong> {
    let bare = text.trim();
    let bare = bare.strip_suffix("bpm").or(bare.strip_suffix("BPM")).unwrap_or(bare).trim_end();
    let (note_part, number) = match bare.split_once('=') {
        Some((left, right)) => (Some(left.trim()), right.trim()),
        None => (None, bare),
    };
    let note = match note_part {
        None => beat_note(metre),
        Some(left) => note(left).ok_or_else(|| {
            Wrong::new(
                "the note value of this tempo is not understood",
                "1/1, 1/2, 1/4, 1/8, 1/16, 1/32, with a dot or without, ♩, ♩., ♪",
                "write for example \"1/4 = 132\" or \"1/4. = 88\"",
            )
        })?,
    };
    let per_minute = decimal(number).ok_or_else(|| tempo_wrong("this is no tempo"))?;
    if per_minute < Ratio::from_integer(*TEMPI.start()) || per_minute > Ratio::from_integer(*TEMPI.end()) {
        return Err(tempo_wrong("this tempo is out of range"));
    }
    Ok(Tempo { note, per_minute })
}

fn tempo_wrong(what: &str) -> Wrong {
    Wrong::new(
        what,
        "10 to 999 a minute, 6 decimals at most, of the metre's beat or of a note value",
        "write for example tempo = 132, tempo = 137.3 or tempo = \"1/4. = 88\"",
    )
}

/// The grouping when none is written: n/4 and slower, every unit a beat; 6/8, 9/8, 12/8 by threes;
/// 5/8 as 2+3, 7/8 as 2+2+3, 8/8 as 3+3+2; the rest in twos, the last of three when odd.
pub(super) fn default_groups(units: u32, unit: u32) -> Vec<u32> {
    match (units, unit) {
        (_, 1..=4) => vec![1; units as usize],
        (1, _) => vec![1],
        (8, 8) => vec![3, 3, 2],
        (6 | 9 | 12 | 15 | 18, _) => vec![3; units as usize / 3],
        _ => {
            let mut groups = vec![2; units as usize / 2];
            if let Some(last) = groups.last_mut().filter(|_| units % 2 == 1) {
                *last = 3;
            }
            groups
        }
    }
}

/// 4/4 with four beats.
pub fn common_time() -> Metre {
    Metre { groups: vec![1; 4], unit: 4 }
}

/// A metre: "4/4", "6/8", "7/8 as 2+2+3", "3+2/8".
pub(super) fn metre(text: &str) -> Result<Metre, Wrong> {
    let (fraction, grouping) = match text.split_once(" as ") {
        Some((fraction, grouping)) => (fraction.trim(), Some(grouping.trim())),
        None => (text.trim(), None),
    };
    let (upper, lower) = fraction.split_once('/').ok_or_else(metre_wrong)?;
    let unit = lower.trim().parse::<u32>().ok().filter(|unit| [1, 2, 4, 8, 16, 32].contains(unit));
    let unit = unit.ok_or_else(metre_wrong)?;
    let upper = groups(upper).ok_or_else(metre_wrong)?;
    let units = upper.iter().sum::<u32>();
    let groups = match grouping {
        Some(grouping) => groups(grouping).ok_or_else(metre_wrong)?,
        None if upper.len() > 1 => upper,
        None => default_groups(units, unit),
    };
    let grouped = groups.iter().sum::<u32>();
    if grouped != units {
        return Err(Wrong::new(
            format!("the groups add up to {grouped}, and the metre has {units}"),
            format!("groups that add up to {units}"),
            format!("write {units}/{unit}, or groups that add up to {units}"),
        ));
    }
    Ok(Metre { groups, unit })
}

/// "2+2+3" as numbers; each at least 1, their sum at most [`MOST_UNITS`].
fn groups(text: &str) -> Option<Vec<u32>> {
    let parse = |part: &str| part.trim().parse::<u32>().ok().filter(|n| (1..=MOST_UNITS).contains(n));
    let groups = text.split('+').take(MOST_UNITS as usize + 1).map(parse).collect::<Option<Vec<_>>>()?;
    (groups.iter().sum::<u32>() <= MOST_UNITS && groups.len() <= MOST_UNITS as usize).then_some(groups)
}

fn metre_wrong() -> Wrong {
    Wrong::new(
        "this is no metre",
        "1 to 64 over 1, 2, 4, 8, 16 or 32, with groups or without",
        "write for example \"4/4\", \"6/8\", \"7/8 as 2+2+3\" or \"3+2/8\"",
    )
}

/// Which hits a click makes of a bar.
pub(super) fn subdivision(text: &str) -> Result<Subdivision, Wrong> {
    let text = text.trim();
    let known = match text {
        "bars" => Some(Subdivision::Bars),
        "beats" => Some(Subdivision::Beats),
        "halves" => Some(Subdivision::Notes(Whole::new(1, 2))),
        "quarters" => Some(Subdivision::Notes(Whole::new(1, 4))),
        "eighths" => Some(Subdivision::Notes(Whole::new(1, 8))),
        "sixteenths" => Some(Subdivision::Notes(Whole::new(1, 16))),
        "triplets" => Some(Subdivision::PerBeat(3)),
        _ => None,
    };
    let in_a_beat = || {
        let count = text.strip_suffix("in a beat")?.trim().parse::<u32>().ok()?;
        (1..=16).contains(&count).then_some(Subdivision::PerBeat(count))
    };
    let note_value = || {
        let unit = text.strip_prefix("1/")?.parse::<i64>().ok()?;
        [1, 2, 4, 8, 16, 32, 64].contains(&unit).then(|| Subdivision::Notes(Whole::new(1, unit)))
    };
    known.or_else(in_a_beat).or_else(note_value).ok_or_else(|| subdivision_wrong(text))
}

fn subdivision_wrong(text: &str) -> Wrong {
    let words = ["bars", "beats", "halves", "quarters", "eighths", "sixteenths", "triplets"];
    let mend = match super::keys::nearest(text, words.into_iter()) {
        Some(near) => format!("write \"{near}\""),
        None => "write for example every = \"eighths\"".into(),
    };
    let allowed = "\"bars\", \"beats\", \"halves\", \"quarters\", \"eighths\", \"sixteenths\", \"triplets\", \
                   \"1/32\", \"5 in a beat\" (1 to 16)";
    Wrong::new("this is no subdivision", allowed, mend)
}

/// A subdivision as shown on a screen. Reads back to the same subdivision.
pub fn subdivision_text(subdivision: Subdivision) -> String {
    match subdivision {
        Subdivision::Bars => "bars".into(),
        Subdivision::Beats => "beats".into(),
        Subdivision::PerBeat(3) => "triplets".into(),
        Subdivision::PerBeat(count) => format!("{count} in a beat"),
        Subdivision::Notes(note) => match *note.denom() {
            2 => "halves".into(),
            4 => "quarters".into(),
            8 => "eighths".into(),
            16 => "sixteenths".into(),
            unit => format!("1/{unit}"),
        },
    }
}

/// Where the second of a pair falls: "62.5%", "2/3". Range: a half or more, less than the whole pair.
pub(super) fn swing_ratio(text: &str) -> Result<Ratio<i64>, Wrong> {
    let text = text.trim();
    let fraction = || {
        let (upper, lower) = text.split_once('/')?;
        let small = |part: &str| part.trim().parse::<i64>().ok().filter(|n| (1..=1000).contains(n));
        Some(Ratio::new(small(upper)?, small(lower)?))
    };
    let percent = || Some(decimal(text.strip_suffix('%')?.trim_end())? / 100);
    let ratio = fraction().or_else(percent).or_else(|| decimal(text).filter(|_| text.starts_with("0.")));
    let in_range = |ratio: &Ratio<i64>| *ratio >= Ratio::new(1, 2) && *ratio <= Ratio::new(9, 10);
    ratio.filter(in_range).ok_or_else(|| {
        Wrong::new(
            "this is no swing",
            "50% (straight) to 90%, or a fraction such as 2/3 (triplets)",
            "write for example swing = \"62.5%\" or swing = { note = \"1/8\", at = \"2/3\" }",
        )
    })
}

/// The note that swings: an eighth or a sixteenth.
pub(super) fn swing_note(text: &str) -> Result<Whole, Wrong> {
    note(text)
        .filter(|note| *note == Whole::new(1, 8) || *note == Whole::new(1, 16))
        .ok_or_else(|| Wrong::new("this note cannot swing", "\"1/8\" or \"1/16\"", "write note = \"1/8\""))
}

/// Swing of eighths by a ratio.
pub(super) fn eighths_swung(ratio: Ratio<i64>) -> Swing {
    Swing { note: Whole::new(1, 8), ratio }
}

/// A bar, or a bar and a beat: "17", "88.3". `None` for the beat when only a bar is written.
pub(super) fn bar_beat(text: &str) -> Result<(u32, Option<u32>), Wrong> {
    let number = |part: &str| part.trim().parse::<u32>().ok().filter(|n| (1..=1_000_000).contains(n));
    let parsed = match text.split_once('.') {
        Some((bar, beat)) => number(bar).zip(number(beat)).map(|(bar, beat)| (bar, Some(beat))),
        None => number(text).map(|bar| (bar, None)),
    };
    parsed.ok_or_else(|| {
        Wrong::new(
            "this is no place in the song",
            "a bar, or a bar and a beat, both from 1",
            "write for example \"17\" or \"88.3\"",
        )
    })
}

/// A place as shown on a screen.
pub fn bar_beat_text(place: BarBeat) -> String {
    format!("{}.{}", place.bar, place.beat)
}
