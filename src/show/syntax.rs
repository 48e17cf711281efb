//! Faults of the TOML itself, in a musician's words, and which song they lie in.

use super::fault::{Fault, Lines, quote};
use super::walk::Place;

/// The text of one `[[song]]`, up to the next table that is not part of it.
#[derive(Clone, Debug)]
pub(super) struct Region {
    pub(super) place: Place,
    pub(super) title: String,
    pub(super) line: usize,
}

/// The songs of a text by their headers alone; no tree is needed.
pub(super) fn regions(text: &str) -> Vec<Region> {
    let mut regions: Vec<Region> = Vec::new();
    let mut open = false;
    let mut start = 0;
    for (index, line) in text.split_inclusive('\n').enumerate() {
        let header = line.trim_start();
        if header.starts_with('[') && !is_nested(header) {
            open = header.replace([' ', '\t'], "").starts_with("[[song]]");
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

/// A header of a table inside a song. Any other line that begins like a header ends the song, so that
/// blanking a song never swallows what follows it.
fn is_nested(header: &str) -> bool {
    header.trim_start_matches('[').replace([' ', '\t'], "").starts_with("song.")
}

fn title_in(line: &str) -> Option<String> {
    let (key, value) = line.split_once('=')?;
    let title = value.trim().trim_matches(['"', '\'']);
    (key.trim() == "title" && !title.is_empty()).then(|| quote(title))
}

/// The text with some songs made blank, every other byte in its place.
pub(super) fn blanked(text: &str, songs: &[&Region]) -> String {
    let inside = |at: usize| songs.iter().any(|song| song.place.start <= at && at < song.place.end);
    let mut out = String::with_capacity(text.len());
    for (at, c) in text.char_indices() {
        match c {
            '\n' => out.push('\n'),
            c if inside(at) => (0..c.len_utf8()).for_each(|_| out.push(' ')),
            c => out.push(c),
        }
    }
    out
}

/// The faults of a parser, each with the index of its song's region.
pub(super) fn faults(
    text: &str,
    errors: &[toml::de::Error],
    regions: &[Region],
) -> Vec<(Fault, Option<usize>)> {
    let lines = Lines::new(text);
    let mut out: Vec<(Fault, Option<usize>)> = Vec::new();
    for error in errors.iter().take(500) {
        let span = error.span().unwrap_or(0..0);
        let (start, end) = (span.start.min(text.len()), span.end.min(text.len()));
        let (line, column) = lines.place(start);
        if out.iter().any(|(fault, _)| fault.line == line) {
            // One broken line gives one fault; the rest is how the parser tripped over it.
            continue;
        }
        let region = regions.iter().position(|region| {
            region.place.start <= start && start < region.place.end.max(region.place.start + 1)
        });
        let region = region.or_else(|| last_if_at_end(text, regions, start));
        let (what, allowed, mend) = words(error.message(), text.get(start..end).unwrap_or(""));
        let song = region.and_then(|index| regions.get(index)).map(|region| region.title.clone());
        let found = quote(text.get(start..end).unwrap_or(""));
        out.push((Fault { line, column, span: start..end, what, found, allowed, mend, song }, region));
    }
    out
}

/// A fault at the very end belongs to the last song when the text ends inside it.
fn last_if_at_end(text: &str, regions: &[Region], start: usize) -> Option<usize> {
    let last = regions.last()?;
    (start >= text.len() && last.place.end == text.len()).then(|| regions.len() - 1)
}

/// What, allowed, mend, for a parser's message.
fn words(message: &str, found: &str) -> (String, String, String) {
    let of = |what: &str, allowed: &str, mend: &str| (what.into(), allowed.into(), mend.into());
    let lower = message.to_lowercase();
    let has = |part: &str| lower.contains(part);
    if has("duplicate key") {
        let key = quote(found);
        return (
            format!("`{key}` is written twice"),
            "each key once in a table, each [table] once".into(),
            format!("take one `{key}` out, or give one another name"),
        );
    }
    if has("basic string") || has("literal string") || has("quote") {
        return of(
            "a text is not closed",
            "text in quotes, closed on its line",
            "put a \" at the end of the text",
        );
    }
    if has("array") || has("`]`") && !has("table") {
        return of(
            "a list is not as it should be",
            "[1, 2, 3]",
            "close the list with ], with a comma between two values",
        );
    }
    if has("inline table") || has("`}`") {
        return of(
            "a table in { } is not as it should be",
            "{ key = value, key = value }",
            "close it with }, with a comma between two keys",
        );
    }
    if has("table") {
        return of(
            "a table's header is not as it should be",
            "[feed.drums], [[song]]",
            "write the header alone on its line, with its brackets closed",
        );
    }
    if has("key") && (has("value") || has("`=`")) || has("equal") {
        return of("a line is not \"key = value\"", "key = value", "write for example tempo = 132");
    }
    (
        format!("this is not understood: {message}"),
        "key = value, [table], [[song]], # a remark".into(),
        "mend this line, or put a # before it".into(),
    )
}
