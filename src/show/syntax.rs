//! Faults of the TOML itself, in a musician's words, and the text that is left without them.
//!
//! A parser that guesses on after a broken line may attach what follows to the wrong table. So the broken
//! lines are made blank, one fault at a time, until the rest is good TOML; every other byte keeps its place.

use super::fault::{Fault, Lines, quote};
use super::walk::{Place, Wrong};
use toml::de::DeTable;

/// Bytes that may be parsed in search of further faults.
const MOST_WORK: usize = 40_000_000;
const MOST_ROUNDS: usize = 64;
/// A text with more faults than this is no show file; the first one says enough.
const MOST_ERRORS: usize = 200;

/// A text whose faulty lines are blank.
#[derive(Debug)]
pub(super) struct Repaired {
    pub(super) text: String,
    /// In file order.
    pub(super) faults: Vec<Fault>,
    /// False when the text could not be made good TOML.
    pub(super) is_good: bool,
}

/// Finds the faults of the TOML and takes the faulty lines out.
pub(super) fn repair(text: &str) -> Repaired {
    let mut repaired = Repaired { text: text.into(), faults: Vec::new(), is_good: false };
    let mut rounds = (MOST_WORK / text.len().max(1)).clamp(1, MOST_ROUNDS);
    loop {
        let (_, errors) = DeTable::parse_recoverable(&repaired.text);
        let Some(found) = first_fault(&repaired.text, &errors) else {
            repaired.is_good = true;
            break;
        };
        let blanked = blank(&repaired.text, found.blank);
        let is_last = rounds == 0 || errors.len() > MOST_ERRORS;
        let wrong = if is_last { and_more(found.wrong) } else { found.wrong };
        repaired.faults.push(placed(text, found.at, wrong));
        if is_last || blanked == repaired.text {
            break;
        }
        repaired.text = blanked;
        rounds -= 1;
    }
    repaired.faults.sort_by_key(|fault| (fault.span.start, fault.span.end));
    repaired
}

/// The fault at which the search ends.
fn and_more(wrong: Wrong) -> Wrong {
    let what = format!("{} (and there are more faults, which are not listed)", wrong.what);
    Wrong { what, mend: format!("{}; then check again", wrong.mend), ..wrong }
}

/// One fault, and the bytes without which the parser may get further.
struct Found {
    at: Place,
    blank: Place,
    wrong: Wrong,
}

fn first_fault(text: &str, errors: &[toml::de::Error]) -> Option<Found> {
    let start_of = |error: &toml::de::Error| error.span().map_or(0, |span| span.start);
    let error = errors.iter().min_by_key(|error| start_of(error))?;
    let span = error.span().unwrap_or(0..0);
    let at = Place {
        start: span.start.min(text.len()),
        end: span.end.min(text.len()).max(span.start.min(text.len())),
    };
    let line = line_around(text, at.start);
    let message = error.message();
    if message.contains("multi-line") {
        let opened = if message.contains("literal") { "'''" } else { "\"\"\"" };
        let start = text.rfind(opened).unwrap_or(at.start);
        let at = Place { start, end: line_around(text, start).end };
        return Some(Found {
            at,
            blank: Place { start: line_around(text, start).start, end: text.len() },
            wrong: open_text(opened),
        });
    }
    if goes_on_from_above(text, line, at, message) {
        return Some(left_open(text, line));
    }
    let content = text.get(line.start..line.end)?.trim_start();
    if let Some(wrong) = one_bracket(content).filter(|_| message.contains("duplicate")) {
        return Some(Found { at: trimmed(text, line), blank: table_around(text, line), wrong });
    }
    let blank = if content.starts_with('[') { table_around(text, line) } else { line };
    Some(Found { at, blank, wrong: words(message, text.get(at.start..at.end).unwrap_or("")) })
}

/// Several songs or sections need the brackets of a list.
fn one_bracket(header: &str) -> Option<Wrong> {
    let name = ["song.section", "song"].into_iter().find(|name| header.starts_with(&format!("[{name}]")))?;
    let what = format!("[{name}] is written twice");
    Some(Wrong::new(what, format!("[[{name}]] for each"), format!("write [[{name}]], with two brackets")))
}

/// A line without the space around it.
fn trimmed(text: &str, line: Place) -> Place {
    let content = text.get(line.start..line.end).unwrap_or("");
    let start = line.start + (content.len() - content.trim_start().len());
    Place { start, end: start + content.trim().len() }
}

/// True when the parser still is inside a list or a table in { } that a line above opened.
fn goes_on_from_above(text: &str, line: Place, at: Place, message: &str) -> bool {
    let inside =
        ["array elements", "key-value pairs", "table element", "must be quoted", "boolean", "in array"];
    let before = text.get(line.start..at.start).unwrap_or("");
    let is_first = before.chars().all(|c| c.is_whitespace() || c == '[');
    line.start > 0 && is_first && inside.iter().any(|part| message.contains(part))
}

/// The list or table that is still open before a line, or else a comma that is missing there.
fn left_open(text: &str, line: Place) -> Found {
    let mut end = line.start;
    let mut closing = 0usize;
    while end > 0 {
        let above = line_around(text, end - 1);
        let content = text.get(above.start..above.end).unwrap_or("");
        if let Some((at, bracket)) = open_bracket(content, &mut closing) {
            let at = Place { start: above.start + at, end: above.start + content.trim_end().len() };
            return Found {
                at,
                blank: Place { start: above.start, end: line.start },
                wrong: open_list(bracket),
            };
        }
        if content.trim_start().starts_with('[') && closing == 0 {
            break;
        }
        end = above.start;
    }
    let before = text.get(..line.start).unwrap_or("").trim_end().len();
    let wrong =
        Wrong::new("a comma is missing", "a comma between two values", "put a comma at the end of this line");
    Found { at: Place { start: before, end: before }, blank: line_around(text, before), wrong }
}

/// The innermost bracket of a line that is not closed on it, reading from its end; `closing` carries
/// brackets closed further down. Brackets in texts and remarks do not count.
fn open_bracket(line: &str, closing: &mut usize) -> Option<(usize, char)> {
    let mut quoted = None;
    let mut brackets = Vec::new();
    for (at, c) in line.char_indices() {
        match (quoted, c) {
            (Some(mark), c) if mark == c => quoted = None,
            (Some(_), _) => {}
            (None, '"' | '\'') => quoted = Some(c),
            (None, '#') => break,
            (None, '[' | '{' | ']' | '}') => brackets.push((at, c)),
            _ => {}
        }
    }
    for (at, c) in brackets.into_iter().rev() {
        match c {
            ']' | '}' => *closing += 1,
            _ if *closing == 0 => return (line.contains('=')).then_some((at, c)),
            _ => *closing -= 1,
        }
    }
    None
}

fn open_list(bracket: char) -> Wrong {
    match bracket {
        '[' => Wrong::new("this list is not closed", "[1, 2, 3]", "close it with ]"),
        _ => Wrong::new("this table in { } is not closed", "{ key = value, key = value }", "close it with }"),
    }
}

fn open_text(opened: &str) -> Wrong {
    let mend = format!("close it with {opened}, or write it on one line between two \"");
    Wrong::new("this text is not closed", "text in quotes", mend)
}

/// The line that holds a byte, its line break included.
fn line_around(text: &str, at: usize) -> Place {
    let start = text.get(..at).and_then(|before| before.rfind('\n')).map_or(0, |at| at + 1);
    let end = text.get(at..).and_then(|after| after.find('\n')).map_or(text.len(), |length| at + length + 1);
    Place { start, end }
}

/// A header's line and the lines up to the next header.
fn table_around(text: &str, header: Place) -> Place {
    let mut end = header.end;
    for line in text.get(header.end..).unwrap_or("").split_inclusive('\n') {
        if line.trim_start().starts_with('[') {
            break;
        }
        end += line.len();
    }
    Place { start: header.start, end }
}

fn blank(text: &str, place: Place) -> String {
    let mut out = String::with_capacity(text.len());
    for (at, c) in text.char_indices() {
        if c != '\n' && place.start <= at && at < place.end {
            (0..c.len_utf8()).for_each(|_| out.push(' '));
        } else {
            out.push(c);
        }
    }
    out
}

fn placed(text: &str, at: Place, wrong: Wrong) -> Fault {
    let (line, column) = Lines::new(text).place(at.start);
    Fault {
        line,
        column,
        span: at.start..at.end,
        what: wrong.what,
        found: quote(text.get(at.start..at.end).unwrap_or("")),
        allowed: wrong.allowed,
        mend: wrong.mend,
        song: None,
    }
}

/// A parser's message in a musician's words.
fn words(message: &str, found: &str) -> Wrong {
    let has = |part: &str| message.contains(part);
    let key = quote(found);
    match () {
        () if has("duplicate key") => Wrong::new(
            format!("`{key}` is written twice"),
            "each key once in a table, each [table] once",
            format!("take one `{key}` out, or give one another name"),
        ),
        () if has("basic string") || has("literal string, expected `'`") => Wrong::new(
            "a text is not closed",
            "text in quotes, closed on its line",
            "put a \" at the end of the text",
        ),
        () if has("must be quoted") && found.is_empty() => Wrong::new(
            "this key has no value",
            "key = value",
            "write a value after the =, or take the line out",
        ),
        () if has("must be quoted") || has("boolean") => Wrong::new(
            format!("{key} is neither a number nor text in quotes"),
            "132, 137.3, \"text\", true, false, [1, 2]",
            "put text between two \", or mend the number",
        ),
        () if has("escaped value") => Wrong::new(
            "a \\ in a text begins a sign that does not exist",
            "\\\\ for one \\",
            "write \\\\ or /, or put the text between two '",
        ),
        () if has("unclosed table") || has("unclosed array table") => Wrong::new(
            "this table's header is not closed",
            "[feed.drums], [[song]]",
            "close it with as many ] as it has [",
        ),
        () if has("comma") && has("extra") => {
            Wrong::new("there is a comma too many", "one comma between two values", "take one comma out")
        }
        () if has("array") && !has("table") => Wrong::new(
            "this list is not as it should be",
            "[1, 2, 3]",
            "put a comma between two values, and ] at its end",
        ),
        () if has("inline table") || has("key-value pairs") => Wrong::new(
            "this table in { } is not as it should be",
            "{ key = value, key = value }",
            "put a comma between two keys, and } at its end",
        ),
        () if has("no value") || has("extra `=`") || has("key-value pair") => Wrong::new(
            "this line is not \"key = value\"",
            "key = value",
            "write one = between the key and its value",
        ),
        () if has("key") && has("newline") => Wrong::new(
            "this line goes on after its value",
            "one key and one value on a line; texts in quotes; a point in numbers",
            "take out what follows the value, or put a # before it",
        ),
        () if has("key") => Wrong::new(
            "this is no key",
            "letters, digits, - and _, then = and a value",
            "write for example tempo = 132, or put a # before a remark",
        ),
        () if has("leading zero") => Wrong::new("a number begins with 0", "132, 0.5", "take the 0 out"),
        () => Wrong::new(
            format!("this is not understood ({message})"),
            "key = value, [table], [[song]], # a remark",
            "mend this line, or put a # before it",
        ),
    }
}

/// The text of one `[[song]]`, up to the next table that is not part of it.
#[derive(Clone, Debug)]
pub(super) struct Region {
    pub(super) place: Place,
    pub(super) title: String,
    pub(super) line: usize,
}

/// The songs of a text by their headers alone, closed or not.
pub(super) fn regions(text: &str) -> Vec<Region> {
    let mut regions: Vec<Region> = Vec::new();
    let mut open = false;
    let mut start = 0;
    for (index, line) in text.split_inclusive('\n').enumerate() {
        let header = line.replace([' ', '\t'], "");
        let inner = header.trim_start_matches('[');
        if header.starts_with('[') && !inner.starts_with("song.") {
            open = header.starts_with("[[song]") || header.trim_end() == "[[song";
            if open {
                let place = Place { start, end: start };
                regions.push(Region { place, title: format!("song {}", regions.len() + 1), line: index + 1 });
            }
        }
        start += line.len();
        if let Some(region) = regions.last_mut().filter(|_| open) {
            region.place.end = start;
            if let Some(title) = title_in(line) {
                region.title = title;
            }
        }
    }
    regions
}

/// Index of the region that a byte lies in; the end of the text belongs to a song that goes on to it.
pub(super) fn region_of(regions: &[Region], at: usize, end: usize) -> Option<usize> {
    let inside = |region: &Region| {
        region.place.start <= at && (at < region.place.end || at == end && region.place.end == end)
    };
    regions.iter().position(inside)
}

fn title_in(line: &str) -> Option<String> {
    let (key, value) = line.split_once('=')?;
    let value = value.trim();
    let mark = value.chars().next().filter(|c| ['"', '\''].contains(c))?;
    let title = value.trim_start_matches(mark).split(mark).next()?.trim();
    (key.trim() == "title" && !title.is_empty()).then(|| quote(title))
}
