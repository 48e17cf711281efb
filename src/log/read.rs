//! The reader: whole lines in order, what cannot be read named by its line, a torn end passed over.

use super::entry::Line;
use std::fs::File;
use std::io::{self, BufRead, BufReader, Read};
use std::path::Path;

/// Longest line that is read; a show is 4 MB at most.
const LONGEST: u64 = 32 << 20;

/// A line that is not one.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ReadFault {
    /// From 1.
    pub line: usize,
    pub why: String,
    /// It is the file's last and has no end: a kill or a power cut tore it.
    pub torn: bool,
}

/// Iterates over the lines of a log.
pub struct Reader<R> {
    from: R,
    number: usize,
}

impl<R: BufRead> Reader<R> {
    pub fn new(from: R) -> Reader<R> {
        Reader { from, number: 0 }
    }
}

impl<R: BufRead> Iterator for Reader<R> {
    type Item = Result<Line, ReadFault>;

    fn next(&mut self) -> Option<Self::Item> {
        loop {
            self.number += 1;
            let mut bytes = Vec::new();
            let fault = |why: String, torn| Some(Err(ReadFault { line: self.number, why, torn }));
            match (&mut self.from).take(LONGEST).read_until(b'\n', &mut bytes) {
                Ok(0) => return None,
                Ok(_) => {}
                Err(error) => return fault(error.to_string(), true),
            }
            let whole = bytes.ends_with(b"\n");
            if bytes.iter().all(u8::is_ascii_whitespace) {
                continue;
            }
            return match serde_json::from_slice(&bytes) {
                Ok(line) => Some(Ok(line)),
                Err(error) => fault(error.to_string(), !whole),
            };
        }
    }
}

/// All lines of a log and what could not be read of it. Errors: the file cannot be opened.
pub fn read(path: &Path) -> io::Result<(Vec<Line>, Vec<ReadFault>)> {
    let (mut lines, mut faults) = (Vec::new(), Vec::new());
    for line in Reader::new(BufReader::new(File::open(path)?)) {
        match line {
            Ok(line) => lines.push(line),
            Err(fault) => faults.push(fault),
        }
    }
    Ok((lines, faults))
}
