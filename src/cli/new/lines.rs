//! Pasted lines to songs: what a band writes in a message or on a set list, read as it stands.

use num_rational::Ratio;

/// What one line says.
#[derive(Clone, Debug, PartialEq)]
pub struct Entry {
    /// Line of the paste, from 1.
    pub line: usize,
    pub title: String,
    pub tempo: TempoText,
    pub metre: MetreText,
    pub bars: u32,
    pub bars_from: BarsFrom,
    pub encore: bool,
    pub note: String,
}

/// A tempo as written: the number stays text, so that 137.3 stays 137.3.
#[derive(Clone, Debug, PartialEq)]
pub struct TempoText {
    /// "♩", "♩.", "1/2", …; `None` when the line gave a number alone.
    pub note: Option<&'static str>,
    pub number: String,
    pub per_minute: Ratio<i64>,
}

#[derive(Clone, Debug, PartialEq)]
pub struct MetreText {
    pub text: String,
    pub units: u32,
    pub unit: u32,
    pub assumed: bool,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum BarsFrom {
    Line,
    /// From a length such as 3:45.
    Length {
        seconds: u32,
    },
    /// About four minutes.
    Assumed,
}

/// A line that could not be read.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize)]
pub struct Fault {
    pub line: usize,
    pub found: String,
    pub what: String,
    pub mend: String,
}

/// The paste as read: songs in order, or every line that could not be read.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Paste {
    /// From a heading line ("# Friday").
    pub title: Option<String>,
    pub songs: Vec<Entry>,
    pub faults: Vec<Fault>,
}

const EXAMPLE: &str = "Low Tide 132 4/4";
/// Seconds that a song is given when its line names neither bars nor a length.
const USUAL_SECONDS: u32 = 240;
/// What the checker allows.
const MOST_BARS: u32 = 2000;
const MOST_SONGS: usize = 500;
pub const LONGEST_TITLE: usize = 80;
const LONGEST_NOTE: usize = 200;

/// Reads a whole paste. An empty paste has neither songs nor faults.
pub fn read(text: &str) -> Paste {
    let mut paste = Paste::default();
    let plain = |c: char| if c.is_control() && c != '\t' && c != '\n' { ' ' } else { c };
    let text: String = text.trim_start_matches('\u{feff}').replace("\r\n", "\n").chars().map(plain).collect();
    let lines: Vec<&str> = text.lines().map(str::trim).collect();
    let numbered = numbered_throughout(&lines);
    let encores_from = encore_line(&lines);
    for (index, text) in lines.iter().enumerate() {
        let line = index + 1;
        if text.is_empty() || is_rule(text) {
            continue;
        }
        if let Some(heading) = text.strip_prefix('#') {
            let heading = heading.trim_start_matches('#').trim();
            if paste.title.is_none() && !heading.is_empty() {
                paste.title = Some(heading.to_string());
            }
            continue;
        }
        match song(text, numbered) {
            Ok(_) if paste.songs.len() == MOST_SONGS => {
                let what = format!("is one song more than the {MOST_SONGS} of a show");
                let mend = "make two shows of it".to_string();
                paste.faults.push(Fault { line, found: (*text).to_string(), what, mend });
                return paste;
            }
            Ok(mut entry) => {
                entry.line = line;
                entry.encore = encores_from.is_some_and(|from| line > from);
                paste.songs.push(entry);
            }
            Err((what, mend)) => {
                paste.faults.push(Fault { line, found: (*text).to_string(), what, mend });
            }
        }
    }
    paste
}

/// A ruled line or the word itself: encores follow.
fn is_rule(text: &str) -> bool {
    let ruled =
        text.chars().count() >= 3 && text.chars().all(|c| matches!(c, '-' | '–' | '—' | '_' | '=' | '*'));
    let word = text.trim_matches(|c: char| !c.is_alphanumeric()).to_lowercase();
    ruled || matches!(word.as_str(), "encore" | "encores")
}

fn is_song(text: &str) -> bool {
    !text.is_empty() && !is_rule(text) && !text.starts_with('#')
}

/// The line below which encores stand: the last rule, else the last gap in a list that is not
/// simply double-spaced.
fn encore_line(lines: &[&str]) -> Option<usize> {
    if let Some(rule) = lines.iter().rposition(|text| is_rule(text)) {
        return Some(rule + 1);
    }
    let songs: Vec<usize> = (0..lines.len()).filter(|i| is_song(lines[*i])).collect();
    let gaps: Vec<usize> = songs
        .windows(2)
        .filter(|pair| lines[pair[0]..pair[1]].contains(&""))
        .map(|pair| pair[0] + 1)
        .collect();
    let double_spaced = songs.len() > 2 && gaps.len() + 1 == songs.len();
    gaps.last().copied().filter(|_| !double_spaced)
}

/// Every song line begins with its own number in the list, without a full stop behind it.
fn numbered_throughout(lines: &[&str]) -> bool {
    let songs: Vec<&&str> = lines.iter().filter(|text| is_song(text)).collect();
    songs.len() > 1
        && songs.iter().enumerate().all(|(index, text)| {
            text.split_whitespace().next().and_then(|word| word.parse::<usize>().ok()) == Some(index + 1)
        })
}

/// One field of a line.
#[derive(Clone, Debug, PartialEq)]
enum Field {
    Tempo(TempoText),
    Number(String),
    Metre(MetreText),
    Bars(u32),
    Seconds(u32),
    Note(String),
    Word(String),
    /// A tab, a semicolon, an upright: what stands before the first one is the title.
    Fence,
}

type Wrong = (String, String);

fn wrong(what: impl Into<String>, mend: impl Into<String>) -> Wrong {
    (what.into(), mend.into())
}

fn song(text: &str, numbered: bool) -> Result<Entry, Wrong> {
    let body = without_number(text, numbered);
    let (fenced_title, rest) = match body.split_once(['\t', ';', '|']) {
        Some((title, rest)) if !title.trim().is_empty() => (Some(title.trim().to_string()), rest),
        _ => (None, body),
    };
    let fields = fields(rest)?;
    let split = if fenced_title.is_some() { 0 } else { title_words(&fields) };
    let title = fenced_title.unwrap_or_else(|| words(&fields[..split]));
    let title = title.trim_matches(|c: char| c.is_whitespace() || "-–—,:\"“”".contains(c)).to_string();
    if title.is_empty() {
        return Err(wrong("has no title", format!("write the title first, as in \"{EXAMPLE}\"")));
    }
    entry(title, &fields[split..])
}

fn without_number(text: &str, numbered: bool) -> &str {
    let text = text.trim_start_matches(['•', '*', '·']).trim_start();
    let text = text.strip_prefix("- ").unwrap_or(text).trim_start();
    let digits = text.len() - text.trim_start_matches(|c: char| c.is_ascii_digit()).len();
    if digits == 0 || digits > 3 {
        return text;
    }
    let rest = &text[digits..];
    let marked = rest.strip_prefix(['.', ')', ':']).filter(|after| after.starts_with(char::is_whitespace));
    let tabbed = rest.strip_prefix(['\t', ';']);
    let bare = if numbered && rest.starts_with(char::is_whitespace) { Some(rest) } else { None };
    marked.or(tabbed).or(bare).unwrap_or(text).trim_start()
}

/// How many fields from the left are the title: up to the first that is a tempo, a metre, bars, a length,
/// or the number that must be the tempo.
fn title_words(fields: &[Field]) -> usize {
    let firm = fields.iter().position(|field| !matches!(field, Field::Word(_) | Field::Number(_)));
    let firm = firm.unwrap_or(fields.len());
    let has_tempo = fields.iter().any(|field| matches!(field, Field::Tempo(_)));
    if has_tempo {
        return firm;
    }
    let after_metre = fields[firm..].iter().any(|field| matches!(field, Field::Number(_)));
    match fields[..firm].iter().rposition(|field| matches!(field, Field::Number(_))) {
        Some(tempo) if tempo > 0 && (!after_metre || tempo + 1 == firm && plausible(&fields[tempo])) => tempo,
        _ => firm,
    }
}

fn plausible(field: &Field) -> bool {
    matches!(field, Field::Number(text) if number_tempo(text, None).is_ok())
}

fn words(fields: &[Field]) -> String {
    let words: Vec<&str> = fields
        .iter()
        .filter_map(|field| match field {
            Field::Word(text) | Field::Number(text) => Some(text.as_str()),
            _ => None,
        })
        .collect();
    words.join(" ")
}

fn entry(title: String, fields: &[Field]) -> Result<Entry, Wrong> {
    let (mut tempo, mut metre, mut bars, mut seconds) = (None, None, None, None);
    let mut note: Vec<String> = Vec::new();
    for field in fields {
        match field {
            Field::Tempo(found) => once(&mut tempo, found.clone(), "tempo")?,
            Field::Number(text) => once(&mut tempo, number_tempo(text, None)?, "tempo")?,
            Field::Metre(found) => once(&mut metre, found.clone(), "metre")?,
            Field::Bars(count) => once(&mut bars, *count, "number of bars")?,
            Field::Seconds(length) => once(&mut seconds, *length, "length")?,
            Field::Note(text) => note.push(text.clone()),
            Field::Word(text) if text.chars().any(|c| c.is_ascii_digit()) => {
                return Err(wrong(
                    format!("says \"{text}\", which is no tempo, metre, bars or length"),
                    format!("put a remark in brackets: \"{EXAMPLE} ({text})\""),
                ));
            }
            Field::Word(text) if text.chars().any(char::is_alphanumeric) => note.push(text.clone()),
            Field::Word(_) | Field::Fence => {}
        }
    }
    let Some(tempo) = tempo else {
        if is_number(&title) {
            return Err(wrong("has no title, or no tempo", format!("write both, as in \"{EXAMPLE}\"")));
        }
        return Err(wrong("has no tempo", format!("write it behind the title: \"{title} 132 4/4\"")));
    };
    let metre = metre.unwrap_or(MetreText { text: "4/4".into(), units: 4, unit: 4, assumed: true });
    let (bars, bars_from) = match (bars, seconds) {
        (Some(count), _) => (count, BarsFrom::Line),
        (None, Some(seconds)) => (bars_for(seconds, &tempo, &metre), BarsFrom::Length { seconds }),
        (None, None) => (bars_for(USUAL_SECONDS, &tempo, &metre), BarsFrom::Assumed),
    };
    let note = note.join(" ");
    for (text, most, name) in [(&title, LONGEST_TITLE, "title"), (&note, LONGEST_NOTE, "remark")] {
        if text.chars().count() > most {
            return Err(wrong(
                format!("has a {name} of more than {most} characters"),
                format!("shorten the {name}"),
            ));
        }
    }
    Ok(Entry { line: 0, title, tempo, metre, bars, bars_from, encore: false, note })
}

fn once<T>(slot: &mut Option<T>, value: T, name: &str) -> Result<(), Wrong> {
    if slot.replace(value).is_some() {
        return Err(wrong(
            format!("gives a second {name}"),
            format!("keep one: \"{EXAMPLE}\"; put a remark in brackets; bars are \"96 bars\""),
        ));
    }
    Ok(())
}

/// Seconds as whole bars, to the nearest four; four at least, and no more than a section may have.
fn bars_for(seconds: u32, tempo: &TempoText, metre: &MetreText) -> u32 {
    let bars = f64::from(seconds) / bar_seconds(tempo, metre);
    (((bars / 4.0).round() as u32).max(1) * 4).min(MOST_BARS)
}

/// The length of one bar. Source: units of 1/unit of a whole note, at `per_minute` notes a minute.
pub fn bar_seconds(tempo: &TempoText, metre: &MetreText) -> f64 {
    let note = note_value(tempo.note.unwrap_or_else(|| counted_note(metre)));
    let wholes = Ratio::new(i64::from(metre.units), i64::from(metre.unit));
    let minutes = wholes / (note * tempo.per_minute);
    60.0 * *minutes.numer() as f64 / *minutes.denom() as f64
}

/// What a bare number counts: the beat, or the shortest beat where beats differ. The checker reads a plain
/// number the same way.
pub fn counted_note(metre: &MetreText) -> &'static str {
    let shortest = match (metre.text.split_once(" as "), metre.units, metre.unit) {
        (Some((_, groups)), ..) => {
            groups.split('+').filter_map(|group| group.parse().ok()).min().unwrap_or(1)
        }
        (None, _, 1..=4) | (None, 1, _) => 1,
        (None, 3 | 6 | 9 | 12 | 15 | 18, _) => 3,
        _ => 2,
    };
    let value = Ratio::new(shortest, i64::from(metre.unit));
    let same = NOTES.iter().find(|(_, units, unit)| Ratio::new(*units, *unit) == value);
    same.map_or("1/4", |(sign, ..)| sign)
}

/// Note values as written into a show: sign, numerator, denominator.
const NOTES: [(&str, i64, i64); 12] = [
    ("♩", 1, 4),
    ("♩.", 3, 8),
    ("♪", 1, 8),
    ("♪.", 3, 16),
    ("1/1", 1, 1),
    ("1/1.", 3, 2),
    ("1/2", 1, 2),
    ("1/2.", 3, 4),
    ("1/16", 1, 16),
    ("1/16.", 3, 32),
    ("1/32", 1, 32),
    ("1/32.", 3, 64),
];

fn note_value(note: &str) -> Ratio<i64> {
    NOTES
        .iter()
        .find(|(sign, ..)| *sign == note)
        .map_or(Ratio::new(1, 4), |(_, units, unit)| Ratio::new(*units, *unit))
}

/// A note as people write it: the sign, the word, or the fraction; a dot behind it or not.
fn note(text: &str) -> Option<&'static str> {
    let (plain, dot) = text.strip_suffix('.').map_or((text, ""), |plain| (plain, "."));
    let plain = match plain.to_lowercase().as_str() {
        "♩" | "𝅘𝅥" | "\u{1d15f}" | "1/4" | "crotchet" | "quarter" | "q" => "♩",
        "♪" | "𝅘𝅥𝅮" | "\u{1d160}" | "1/8" | "quaver" | "eighth" | "e" => "♪",
        "𝅗𝅥" | "\u{1d15e}" | "1/2" | "½" | "minim" | "half" | "h" => "1/2",
        "\u{1d161}" | "1/16" | "semiquaver" | "sixteenth" => "1/16",
        "3/8" if dot.is_empty() => return Some("♩."),
        "3/16" if dot.is_empty() => return Some("♪."),
        "3/4" if dot.is_empty() => return Some("1/2."),
        _ => return None,
    };
    NOTES.iter().map(|(sign, ..)| *sign).find(|sign| sign.strip_prefix(plain) == Some(dot))
}

/// Splits into fields; brackets become notes, or the grouping of the metre before them.
fn fields(text: &str) -> Result<Vec<Field>, Wrong> {
    let text = joined(text);
    let mut fields: Vec<Field> = Vec::new();
    let mut rest = text.as_str();
    while let Some(start) = rest.find(|c: char| !c.is_whitespace()) {
        rest = &rest[start..];
        if let Some((inside, after)) = bracketed(rest) {
            rest = after;
            bracket(&mut fields, inside)?;
            continue;
        }
        let end = rest.find(char::is_whitespace).unwrap_or(rest.len());
        let (word, after) = rest.split_at(end);
        rest = after;
        push(&mut fields, word)?;
    }
    Ok(fields)
}

/// "♩ = 88" becomes one word, fences stand alone, invisible spaces become plain ones.
fn joined(text: &str) -> String {
    let text =
        text.replace(['\u{a0}', '\u{202f}'], " ").replace("½", "2").replace("𝅘𝅥𝅮", "♪").replace("𝅘𝅥", "♩");
    let mut text = text.replace(['\t', ';', '|'], " ; ");
    for (from, to) in [(" =", "="), ("= ", "=")] {
        while text.contains(from) {
            text = text.replace(from, to);
        }
    }
    text
}

fn bracketed(text: &str) -> Option<(&str, &str)> {
    let close = match text.chars().next()? {
        '(' => ')',
        '[' => ']',
        _ => return None,
    };
    let end = text.find(close)?;
    Some((text[1..end].trim(), &text[end + 1..]))
}

fn bracket(fields: &mut Vec<Field>, inside: &str) -> Result<(), Wrong> {
    if let (Some(Field::Metre(metre)), Some(groups)) = (fields.last_mut(), groups(inside)) {
        return grouped(metre, inside, &groups);
    }
    fields.push(Field::Note(inside.to_string()));
    Ok(())
}

fn push(fields: &mut Vec<Field>, word: &str) -> Result<(), Wrong> {
    if word == ";" {
        fields.push(Field::Fence);
        return Ok(());
    }
    let bare = word.trim_end_matches([',', ':']);
    let lower = bare.to_lowercase();
    match (fields.last_mut(), lower.as_str()) {
        (Some(Field::Number(number)), "bpm") => {
            let tempo = number_tempo(number, None)?;
            *fields.last_mut().expect("just matched") = Field::Tempo(tempo);
            return Ok(());
        }
        (Some(Field::Number(number)), "bars" | "bar") => {
            let count = bars_count(number)?;
            *fields.last_mut().expect("just matched") = Field::Bars(count);
            return Ok(());
        }
        (Some(Field::Metre(_)), "as") => {
            fields.push(Field::Word("as".into()));
            return Ok(());
        }
        _ => {}
    }
    if let Some(groups) = groups(bare)
        && let [.., Field::Metre(metre), Field::Word(link)] = fields.as_mut_slice()
        && link == "as"
    {
        grouped(metre, bare, &groups)?;
        fields.pop();
        return Ok(());
    }
    fields.push(field(bare, &lower, word)?);
    Ok(())
}

fn field(bare: &str, lower: &str, word: &str) -> Result<Field, Wrong> {
    if let Some(tempo) = noted_tempo(bare)? {
        return Ok(Field::Tempo(tempo));
    }
    if let Some(number) = lower.strip_suffix("bpm").filter(|number| is_number(number)) {
        return Ok(Field::Tempo(number_tempo(number, None)?));
    }
    if let Some(metre) = metre(bare)? {
        return Ok(Field::Metre(metre));
    }
    if let Some(seconds) = length(bare) {
        return Ok(Field::Seconds(seconds));
    }
    if let Some(number) = lower.strip_suffix("bars").filter(|number| is_number(number)) {
        return Ok(Field::Bars(bars_count(number)?));
    }
    if is_number(bare) {
        return Ok(Field::Number(bare.to_string()));
    }
    Ok(Field::Word(word.to_string()))
}

fn is_number(text: &str) -> bool {
    let digits = text.chars().filter(char::is_ascii_digit).count();
    let marks = text.chars().filter(|c| matches!(c, '.' | ',')).count();
    digits > 0 && marks <= 1 && digits + marks == text.chars().count() && !text.ends_with(['.', ','])
}

fn number_tempo(text: &str, note: Option<&'static str>) -> Result<TempoText, Wrong> {
    let number = text.replace(',', ".");
    let out_of_range = || {
        wrong(
            format!("gives a tempo of {text}"),
            format!("a tempo lies between 20 and 400 a minute, with six decimals at most: \"{EXAMPLE}\""),
        )
    };
    let (whole, part) = number.split_once('.').unwrap_or((&number, ""));
    if !is_number(text) || part.len() > 6 || whole.len() > 6 {
        return Err(out_of_range());
    }
    let scale = 10i64.pow(part.len() as u32);
    let digits: i64 = format!("{whole}{part}").parse().map_err(|_| out_of_range())?;
    let per_minute = Ratio::new(digits, scale);
    if per_minute < Ratio::from_integer(20) || per_minute > Ratio::from_integer(400) {
        return Err(out_of_range());
    }
    Ok(TempoText { note, number, per_minute })
}

/// "♩.=88": a note sign, an equals sign, a number.
fn noted_tempo(text: &str) -> Result<Option<TempoText>, Wrong> {
    let Some((sign, number)) = text.split_once('=') else { return Ok(None) };
    let note = note(sign).ok_or_else(|| {
        wrong(
            format!("counts its tempo in \"{sign}\""),
            "write one of ♩ ♩. ♪ ♪. 1/2 1/2. (a dot makes it half as long again) before the equals sign",
        )
    })?;
    let number = number.strip_suffix("bpm").unwrap_or(number);
    number_tempo(number, Some(note)).map(Some)
}

fn metre(text: &str) -> Result<Option<MetreText>, Wrong> {
    let Some((upper, lower)) = text.split_once('/') else { return Ok(None) };
    let whole = |text: &str| text.parse::<u32>().ok();
    let groups = groups(upper);
    let (Some(units), Some(unit)) =
        (groups.as_ref().map(|groups| groups.iter().sum()).or(whole(upper)), whole(lower))
    else {
        return Ok(None);
    };
    if !(1..=64).contains(&units) || !matches!(unit, 1 | 2 | 4 | 8 | 16 | 32) {
        return Err(wrong(
            format!("gives a metre of {text}"),
            "a metre is a count of 1 to 64 over 1, 2, 4, 8, 16 or 32: 4/4, 6/8, 7/8 as 2+2+3",
        ));
    }
    let mut metre = MetreText { text: format!("{units}/{unit}"), units, unit, assumed: false };
    if let Some(groups) = groups {
        grouped(&mut metre, upper, &groups)?;
    }
    Ok(Some(metre))
}

fn groups(text: &str) -> Option<Vec<u32>> {
    let parts: Option<Vec<u32>> =
        text.split('+').map(|part| part.trim().parse().ok().filter(|n| *n > 0 && *n < 65)).collect();
    parts.filter(|parts| parts.len() > 1)
}

fn grouped(metre: &mut MetreText, text: &str, groups: &[u32]) -> Result<(), Wrong> {
    let sum: u32 = groups.iter().sum();
    if sum != metre.units {
        return Err(wrong(
            format!("groups {} as {text}, which is {sum}", metre.text),
            format!("the groups add up to {}, as in \"7/8 as 2+2+3\"", metre.units),
        ));
    }
    let groups: Vec<String> = groups.iter().map(u32::to_string).collect();
    metre.text = format!("{}/{} as {}", metre.units, metre.unit, groups.join("+"));
    Ok(())
}

fn bars_count(text: &str) -> Result<u32, Wrong> {
    text.parse::<u32>().ok().filter(|count| (1..=MOST_BARS).contains(count)).ok_or_else(|| {
        wrong(format!("gives {text} bars"), "a song has 1 to 2000 whole bars: \"Low Tide 132 4/4 96 bars\"")
    })
}

/// "3:45", also "1:02:03".
fn length(text: &str) -> Option<u32> {
    let parts: Vec<&str> = text.split(':').collect();
    if !(2..=3).contains(&parts.len()) || parts.iter().any(|part| part.is_empty() || part.len() > 2) {
        return None;
    }
    let seconds = parts.iter().try_fold(0u32, |sum, part| Some(sum * 60 + part.parse::<u32>().ok()?))?;
    Some(seconds).filter(|seconds| *seconds > 0)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn one(text: &str) -> Entry {
        let paste = read(text);
        assert_eq!(paste.faults, [], "{text}");
        assert_eq!(paste.songs.len(), 1, "{text}");
        paste.songs[0].clone()
    }

    fn fault(text: &str) -> Fault {
        let paste = read(text);
        assert_eq!(paste.faults.len(), 1, "{text}: {paste:?}");
        paste.faults[0].clone()
    }

    /// title, tempo as written, metre, bars
    fn told(text: &str) -> (String, String, String, u32) {
        let entry = one(text);
        let note = entry.tempo.note.unwrap_or("");
        (entry.title, format!("{note}{}", entry.tempo.number), entry.metre.text, entry.bars)
    }

    fn says(title: &str, tempo: &str, metre: &str, bars: u32) -> (String, String, String, u32) {
        (title.into(), tempo.into(), metre.into(), bars)
    }

    #[test]
    fn the_usual_ways_to_write_a_line_are_read() {
        // 4 minutes at 132 in 4/4: 240 s / (4 * 60 / 132 s) = 132 bars.
        let low_tide = says("Low Tide", "132", "4/4", 132);
        for text in [
            "Low Tide 132 4/4",
            "Low Tide 132",
            "3. Low Tide 132",
            "3) Low Tide 132 4/4",
            "12: Low Tide, 132, 4/4",
            "Low Tide - 132 bpm",
            "Low Tide – 132BPM",
            "Low Tide — 4/4 132",
            "- Low Tide 132 bpm 4/4",
            "• Low Tide 132",
            "Low Tide\t132\t4/4",
            "3\tLow Tide\t132\t4/4",
            "Low Tide | 132 | 4/4",
            "\"Low Tide\" 132",
            "Low Tide: 132",
        ] {
            assert_eq!(told(text), low_tide, "{text}");
        }
    }

    #[test]
    fn metres_groupings_bars_and_lengths_are_read() {
        assert_eq!(told("Low Tide; 132; 7/8 as 2+2+3; 96 bars"), says("Low Tide", "132", "7/8 as 2+2+3", 96));
        assert_eq!(told("Eel Net 132 7/8 (2+2+3) 96bars"), says("Eel Net", "132", "7/8 as 2+2+3", 96));
        assert_eq!(told("Eel Net 132 2+2+3/8 96 bars"), says("Eel Net", "132", "7/8 as 2+2+3", 96));
        assert_eq!(told("Slack ♩. = 88 6/8 40 bars"), says("Slack", "♩.88", "6/8", 40));
        assert_eq!(told("Slack 6/8 ♩.=88"), says("Slack", "♩.88", "6/8", 176));
        assert_eq!(told("Slack minim = 60 2/2 8 bars"), says("Slack", "1/260", "2/2", 8));
        assert_eq!(told("Slack q. = 60 6/8 8 bars"), says("Slack", "♩.60", "6/8", 8));
        // 3:00 at 120 in 4/4 is 2 s a bar: 90 bars, to the nearest four 92 (halves away from zero).
        assert_eq!(told("Ebb 120 3:00"), says("Ebb", "120", "4/4", 92));
        assert_eq!(told("Ebb 137,3 4/4 8 bars"), says("Ebb", "137.3", "4/4", 8));
    }

    #[test]
    fn a_number_in_the_title_stays_there() {
        assert_eq!(told("99 Lanterns 120 4/4 8 bars").0, "99 Lanterns");
        assert_eq!(told("Route 12 104").0, "Route 12");
        assert_eq!(told("Route 12 4/4 104").0, "Route 12");
        assert_eq!(told("Seven 77; 104; 8 bars"), says("Seven 77", "104", "4/4", 8));
        assert_eq!(told("Lantern 99 ♩ = 104 8 bars").0, "Lantern 99");
    }

    #[test]
    fn bare_list_numbers_go_when_every_line_has_its_own() {
        let paste = read("1 Low Tide 132\n2 Eel Net 96\n3 Slack 88 6/8");
        let titles: Vec<&str> = paste.songs.iter().map(|song| song.title.as_str()).collect();
        assert_eq!(titles, ["Low Tide", "Eel Net", "Slack"]);
    }

    #[test]
    fn six_eight_counts_dotted_crotchets() {
        // 88 dotted crotchets a minute, two a bar: 60 / 44 s a bar.
        let entry = one("Slack 88 6/8");
        assert_eq!(counted_note(&entry.metre), "♩.");
        for (line, counted) in [
            ("A 88 4/4", "♩"),
            ("A 88 2/2", "1/2"),
            ("A 88 7/8 as 2+2+3", "♩"),
            ("A 88 3/8", "♩."),
            ("A 88 7/16", "♪"),
        ] {
            let paste = read(line);
            assert_eq!(paste.songs.first().map_or("", |song| counted_note(&song.metre)), counted, "{line}");
        }
        assert!((bar_seconds(&entry.tempo, &entry.metre) - 60.0 / 44.0).abs() < 1e-12);
    }

    #[test]
    fn encores_stand_below_a_rule_or_a_gap() {
        let encores = |text: &str| -> Vec<bool> { read(text).songs.iter().map(|s| s.encore).collect() };
        assert_eq!(encores("A 100\nB 100\n---\nC 100"), [false, false, true]);
        assert_eq!(encores("A 100\nB 100\nEncore:\nC 100"), [false, false, true]);
        assert_eq!(encores("A 100\nB 100\n\nC 100\n"), [false, false, true]);
        assert_eq!(encores("A 100\n\nB 100\n\nC 100\n"), [false, false, false], "double-spaced");
        assert_eq!(encores("\n\nA 100\nB 100\n\n\n"), [false, false]);
    }

    #[test]
    fn remarks_become_the_note_and_the_heading_the_title() {
        let paste = read("# Friday, two halls up\nLow Tide 132 4/4 (Wren counts)\nEbb 96 quietly");
        assert_eq!(paste.title.as_deref(), Some("Friday, two halls up"));
        assert_eq!(paste.songs[0].note, "Wren counts");
        assert_eq!(paste.songs[1].note, "quietly");
    }

    #[test]
    fn every_line_that_cannot_be_read_is_named_with_its_mend() {
        assert!(fault("Low Tide").what.contains("no tempo"));
        assert!(fault("132 4/4").what.contains("no title"));
        assert!(fault("Low Tide 1320").what.contains("1320"));
        assert!(fault("Low Tide 12 4/4").what.contains("tempo of 12"));
        assert!(fault("Low Tide 132 4/5").what.contains("4/5"));
        assert!(fault("Low Tide 132 7/8 as 2+2+2").what.contains("which is 6"));
        assert!(fault("Low Tide 132 4/4 96").what.contains("second tempo"));
        assert!(fault("Low Tide 132 0 bars").what.contains("0 bars"));
        assert!(fault("Low Tide x = 132").what.contains('x'));
        assert!(fault("Low Tide 132 4/4 capo3").mend.contains("brackets"));
        let paste = read("A 100\nB\nC 100\nD 9/9 100");
        assert_eq!(paste.faults.iter().map(|f| f.line).collect::<Vec<_>>(), [2, 4]);
    }

    proptest::proptest! {
        #[test]
        fn no_paste_panics(text in "[ -~♩♪.=\t\n;/+()0-9]{0,200}") {
            read(&text);
        }

        #[test]
        fn what_is_written_plainly_is_read_back(title in "[A-Z][a-z]{1,9}( [A-Z][a-z]{1,9}){0,2}",
                                                tempo in 20u32..=400, units in 1u32..=16, bars in 1u32..999) {
            let entry = one(&format!("{title} {tempo} {units}/8 {bars} bars"));
            proptest::prop_assert_eq!(entry.title, title);
            proptest::prop_assert_eq!(entry.tempo.number, tempo.to_string());
            proptest::prop_assert_eq!((entry.metre.units, entry.metre.unit, entry.bars), (units, 8, bars));
        }
    }
}
