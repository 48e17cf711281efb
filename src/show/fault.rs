//! Faults of a file: what is wrong, where, what was found, what is allowed, how to mend it.

use annotate_snippets::renderer::DecorStyle;
use annotate_snippets::{AnnotationKind, Group, Level, Origin, Renderer, Snippet};
use serde::Serialize;
use std::ops::Range;

/// One fault in a show or rig file.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Fault {
    /// From 1; 0 when the fault has no place in a file.
    pub line: usize,
    /// In characters, from 1.
    pub column: usize,
    /// Bytes of the file.
    pub span: Range<usize>,
    /// What is wrong, in one sentence without a full stop.
    pub what: String,
    /// The value found; empty when something is missing.
    pub found: String,
    /// The values allowed.
    pub allowed: String,
    /// What to write instead.
    pub mend: String,
    /// Title of the song it lies in, as far as it is known.
    pub song: Option<String>,
}

/// Longest line and longest quotation of a file that a message repeats, in characters.
const LONGEST_LINE: usize = 160;
const LONGEST_QUOTE: usize = 48;

/// All faults as text, in the order given, a blank line between two.
///
/// Edges: no faults give an empty text; a very long line is named and not repeated.
pub fn render(faults: &[Fault], text: &str, name: &str, color: bool) -> String {
    let renderer = if color { Renderer::styled() } else { Renderer::plain() };
    let renderer = renderer.decor_style(DecorStyle::Ascii).term_width(LONGEST_LINE + 20);
    let mut out = String::new();
    for fault in faults {
        out.push_str(&renderer.render(&[group(fault, text, name)]));
        out.push_str("\n\n");
    }
    out.truncate(out.trim_end().len());
    if !out.is_empty() {
        out.push('\n');
    }
    out
}

fn group<'a>(fault: &'a Fault, text: &'a str, name: &'a str) -> Group<'a> {
    let title = Level::ERROR.primary_title(fault.what.as_str());
    let mut group = match line_of(fault, text) {
        Some((line, within)) => title.element(
            Snippet::source(line)
                .path(name)
                .line_start(fault.line)
                .annotation(AnnotationKind::Primary.span(within).label(label(fault))),
        ),
        None if fault.line > 0 => {
            title.element(Origin::path(name).line(fault.line).char_column(fault.column))
        }
        None => Group::with_title(title),
    };
    if let Some(song) = &fault.song {
        group = group.element(Level::NOTE.with_name("song").message(song.as_str()));
    }
    if !fault.allowed.is_empty() {
        group = group.element(Level::NOTE.with_name("allowed").message(fault.allowed.as_str()));
    }
    group.element(Level::HELP.with_name("to mend it").message(fault.mend.as_str()))
}

fn label(fault: &Fault) -> String {
    if fault.found.is_empty() { "here".into() } else { format!("found {}", fault.found) }
}

/// The line of a fault and the fault's bytes within it; `None` where it cannot be shown.
fn line_of<'a>(fault: &Fault, text: &'a str) -> Option<(&'a str, Range<usize>)> {
    if fault.line == 0 {
        return None;
    }
    let before = text.get(..fault.span.start)?;
    let start = before.rfind('\n').map_or(0, |at| at + 1);
    let line = text.get(start..)?.split('\n').next()?.trim_end_matches('\r');
    if line.chars().count() > LONGEST_LINE {
        return None;
    }
    let from = (fault.span.start - start).min(line.len());
    let to = fault.span.end.saturating_sub(start).clamp(from, line.len());
    Some((line, from..to))
}

/// A piece of the file, short enough for a message: one line, whole characters.
pub(super) fn quote(text: &str) -> String {
    let line = text.trim().lines().next().unwrap_or("");
    let clean: String = line.chars().map(|c| if c.is_control() { ' ' } else { c }).collect();
    if clean.chars().count() <= LONGEST_QUOTE && line.len() == text.trim().len() {
        return clean;
    }
    clean.chars().take(LONGEST_QUOTE).chain(" ...".chars()).collect()
}

/// Lines and columns of byte offsets.
#[derive(Debug)]
pub(super) struct Lines<'t> {
    text: &'t str,
    starts: Vec<usize>,
}

impl<'t> Lines<'t> {
    pub(super) fn new(text: &'t str) -> Self {
        let starts = std::iter::once(0).chain(text.match_indices('\n').map(|(at, _)| at + 1)).collect();
        Lines { text, starts }
    }

    /// First byte of a line, from 1. Edges: a line that is not there gives the start.
    pub(super) fn start(&self, line: usize) -> usize {
        self.starts.get(line.max(1) - 1).copied().unwrap_or(0)
    }

    /// Line and column (in characters), both from 1. Edges: past the end gives the end.
    pub(super) fn place(&self, offset: usize) -> (usize, usize) {
        let offset = offset.min(self.text.len());
        let line = self.starts.partition_point(|start| *start <= offset).max(1);
        let start = self.starts.get(line - 1).copied().unwrap_or(0);
        let column = self.text.get(start..offset).map_or(offset - start, |part| part.chars().count());
        (line, column + 1)
    }
}
