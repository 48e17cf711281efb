//! Reads a log back, whatever state a crash left it in.

use super::entry::{Entry, Line};
use serde::Deserialize;
use std::borrow::Cow;
use std::io::{self, BufRead};
use std::path::Path;

/// A longer line is none of ours: the longest holds a show file.
pub const MOST_LINE: usize = 8 << 20;

/// A log as read.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Reading {
    /// Number of the line in the file, from 1, and what it says.
    pub lines: Vec<(usize, Line)>,
    /// Lines that are no lines of a log.
    pub faults: Vec<Fault>,
    /// Number of the last line, when the run was killed while it was being written.
    pub torn: Option<usize>,
}

/// A line that cannot be read.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Fault {
    pub line: usize,
    /// From 1.
    pub column: usize,
    pub what: String,
}

impl std::fmt::Display for Fault {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(
            f,
            "line {}:{}: {}\n  to mend it: take the line out; the others are read without it",
            self.line, self.column, self.what
        )
    }
}

/// One line of a file.
#[derive(Clone, Debug, PartialEq)]
pub enum Told {
    Line(Line),
    Fault(Fault),
    /// The last line, without its end, when it cannot be read.
    Torn,
}

/// Of a folder's files, a run's log: beside it lie a position record and results that were kept.
pub fn is_log(path: &Path) -> bool {
    path.extension().is_some_and(|ends| ends == "jsonl")
}

/// Errors: the file cannot be read at all.
pub fn read(path: &Path) -> io::Result<Reading> {
    Ok(parse(&std::fs::read(path)?))
}

/// Reads what there is. The last line may be torn; fields and events of a newer version are passed over.
pub fn parse(bytes: &[u8]) -> Reading {
    let mut reading = Reading::default();
    // Memory does not fail to be read.
    let _read = each(bytes, |number, told| match told {
        Told::Line(line) => reading.lines.push((number, line)),
        Told::Fault(fault) => reading.faults.push(fault),
        Told::Torn => reading.torn = Some(number),
    });
    reading
}

/// Calls `take` with the number of every line that is not empty, and what it says. Memory: one line.
///
/// Errors: the file cannot be read on; what came before it was taken.
pub fn each(mut input: impl BufRead, mut take: impl FnMut(usize, Told)) -> io::Result<()> {
    let mut line = Vec::new();
    for number in 1.. {
        line.clear();
        let length = up_to_its_end(&mut input, &mut line)?;
        if length == 0 {
            break;
        }
        let ended = line.last() == Some(&b'\n');
        if length > line.len() {
            let what = format!("a line of {length} bytes, where {MOST_LINE} are the most");
            take(number, Told::Fault(Fault { line: number, column: 1, what }));
        } else if let Some(told) = judge(&line, number, ended) {
            let broken = !matches!(told, Told::Line(_));
            take(number, told);
            // Two programs wrote to one file, or a full disk took the end of a line: what follows may be whole.
            let whole = if broken { glued(&line).and_then(|rest| judge(rest, number, ended)) } else { None };
            if let Some(whole @ Told::Line(_)) = whole {
                take(number, whole);
            }
        }
    }
    Ok(())
}

/// Reads a line with its end; beyond [`MOST_LINE`] it is read and not kept. Returns its true length.
fn up_to_its_end(input: &mut impl BufRead, line: &mut Vec<u8>) -> io::Result<usize> {
    let mut length = 0;
    loop {
        let there = match input.fill_buf() {
            Ok(there) => there,
            Err(why) if why.kind() == io::ErrorKind::Interrupted => continue,
            Err(why) => return Err(why),
        };
        let end = there.iter().position(|byte| *byte == b'\n');
        let piece = end.map_or(there.len(), |end| end + 1);
        line.extend_from_slice(&there[..piece.min(MOST_LINE.saturating_sub(line.len()))]);
        input.consume(piece);
        length += piece;
        if end.is_some() || piece == 0 {
            return Ok(length);
        }
    }
}

/// What every line has; what else it holds is its entry's.
#[derive(Deserialize)]
struct Head<'l> {
    #[serde(borrow)]
    time: Cow<'l, str>,
    ms: u64,
    #[serde(default)]
    frame: Option<i64>,
}

/// How a line begins that this program wrote.
const BEGINS: &[u8] = b"{\"time\":\"";

/// The last line of those that lie in one.
fn glued(line: &[u8]) -> Option<&[u8]> {
    let inside = line.get(1..)?;
    let at = inside.windows(BEGINS.len()).rposition(|begins| begins == BEGINS)?;
    inside.get(at..)
}

/// In two passes: a flattened struct would put every line into maps first.
fn judge(text: &[u8], number: usize, ended: bool) -> Option<Told> {
    let head = serde_json::from_slice::<Head>(text);
    let whole = head.and_then(|head| Ok((serde_json::from_slice::<Entry>(text)?, head)));
    match whole {
        Ok((entry, head)) => {
            let Head { time, ms, frame } = head;
            Some(Told::Line(Line { time: time.into_owned(), ms, frame, entry }))
        }
        Err(_) if text.iter().all(u8::is_ascii_whitespace) => None,
        Err(_) if !ended => Some(Told::Torn),
        Err(why) => {
            let (column, what) = (why.column().max(1), why.to_string());
            Some(Told::Fault(Fault { line: number, column, what }))
        }
    }
}
