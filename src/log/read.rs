//! Reads a log back, whatever state a crash left it in.

use super::entry::Line;
use std::path::Path;

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

/// Errors: the file cannot be read at all.
pub fn read(path: &Path) -> std::io::Result<Reading> {
    Ok(parse(&std::fs::read(path)?))
}

/// Reads what there is. The last line may be torn; fields and events of a newer version are passed over.
pub fn parse(bytes: &[u8]) -> Reading {
    let mut reading = Reading::default();
    let mut rest = bytes;
    let mut number = 0;
    while !rest.is_empty() {
        number += 1;
        let end = rest.iter().position(|byte| *byte == b'\n');
        let (line, after) = match end {
            Some(end) => (&rest[..end], &rest[end + 1..]),
            None => (rest, &[][..]),
        };
        rest = after;
        match serde_json::from_slice::<Line>(line) {
            Ok(line) => reading.lines.push((number, line)),
            Err(_) if line.iter().all(u8::is_ascii_whitespace) => {}
            Err(_) if end.is_none() => reading.torn = Some(number),
            Err(why) => {
                let (column, what) = (why.column().max(1), why.to_string());
                reading.faults.push(Fault { line: number, column, what });
            }
        }
    }
    reading
}
