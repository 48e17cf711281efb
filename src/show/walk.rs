//! A typed walk over a parsed TOML tree that records faults and carries on.

use super::fault::{Fault, Lines, quote};
use super::keys::Shape;
use std::ops::RangeInclusive;
use toml::de::{DeTable, DeValue};

/// More faults than this are not listed one by one.
const MOST_FAULTS: usize = 500;

/// Bytes of the file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Place {
    pub(super) start: usize,
    pub(super) end: usize,
}

impl From<std::ops::Range<usize>> for Place {
    fn from(range: std::ops::Range<usize>) -> Self {
        Place { start: range.start, end: range.end }
    }
}

/// A value, where it stands, and how its key is spoken of.
#[derive(Clone, Copy, Debug)]
pub(super) struct Node<'t> {
    pub(super) value: &'t DeValue<'t>,
    pub(super) at: Place,
    pub(super) key: &'t str,
    pub(super) key_at: Place,
    /// A line that would be right here.
    pub(super) example: &'static str,
}

/// A table whose unknown keys are already reported.
#[derive(Clone, Copy, Debug)]
pub(super) struct Table<'t> {
    entries: &'t DeTable<'t>,
    pub(super) at: Place,
    shape: &'static Shape,
    /// Bit n: an unknown key was taken for the shape's key n.
    meant: u64,
}

/// Why a text was not understood, without its place.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Wrong {
    pub(super) what: String,
    pub(super) allowed: String,
    pub(super) mend: String,
}

impl Wrong {
    pub(super) fn new(what: impl Into<String>, allowed: impl Into<String>, mend: impl Into<String>) -> Wrong {
        Wrong { what: what.into(), allowed: allowed.into(), mend: mend.into() }
    }
}

/// A fault with what decides its fate when the file also has syntax faults.
#[derive(Clone, Debug)]
pub(super) struct Draft {
    pub(super) fault: Fault,
    pub(super) missing: bool,
}

#[derive(Debug)]
pub(super) struct Walk<'t> {
    pub(super) text: &'t str,
    lines: Lines<'t>,
    pub(super) drafts: Vec<Draft>,
    /// The song that is being read.
    pub(super) song: Option<String>,
    /// Counts on where the list stops.
    pub(super) count: usize,
}

impl<'t> Table<'t> {
    /// The value of a key of this table's shape. `None` when it is absent or the shape has no such key.
    pub(super) fn get(&self, key: &str) -> Option<Node<'t>> {
        let known = self.shape.key(key)?;
        let (name, value) = self.entries.get_key_value(key)?;
        Some(Node {
            value: value.get_ref(),
            at: value.span().into(),
            key: name.get_ref(),
            key_at: name.span().into(),
            example: known.example,
        })
    }

    /// True when a key is there, or a slip that means it: then it is not missing as well.
    pub(super) fn means(&self, key: &str) -> bool {
        let index = self.shape.keys.iter().position(|known| known.name == key);
        self.get(key).is_some() || index.is_some_and(|index| self.meant & (1 << index) != 0)
    }

    /// "`bar` is missing in a tempo move", and an example of the key.
    pub(super) fn lacking(&self, key: &str) -> (String, &'static str) {
        let example = self.shape.key(key).map_or("", |key| key.example);
        (format!("`{key}` is missing in {}", self.shape.name), example)
    }

    /// Where the value of a key stands, else the table.
    pub(super) fn place(&self, key: &str) -> Place {
        self.get(key).map_or(self.at, |node| node.at)
    }
}

impl<'t> Walk<'t> {
    pub(super) fn new(text: &'t str) -> Self {
        Walk { text, lines: Lines::new(text), drafts: Vec::new(), song: None, count: 0 }
    }

    pub(super) fn line(&self, place: Place) -> usize {
        self.lines.place(place.start).0
    }

    pub(super) fn quote(&self, place: Place) -> String {
        quote(self.text.get(place.start..place.end).unwrap_or(""))
    }

    /// Records a fault about the text at a place.
    pub(super) fn fault(&mut self, place: Place, wrong: Wrong) {
        let found = self.quote(place);
        self.record(place, wrong, found, false);
    }

    /// Records that a table lacks something.
    pub(super) fn missing(&mut self, place: Place, wrong: Wrong) {
        self.record(place, wrong, String::new(), true);
    }

    fn record(&mut self, place: Place, wrong: Wrong, found: String, missing: bool) {
        self.count += 1;
        if self.is_full() {
            return;
        }
        let wrong = match self.drafts.len() + 1 {
            MOST_FAULTS => {
                Wrong { what: format!("{} (faults after this one are not listed)", wrong.what), ..wrong }
            }
            _ => wrong,
        };
        let (line, column) = self.lines.place(place.start);
        let fault = Fault {
            line,
            column,
            span: place.start..place.end.max(place.start),
            what: wrong.what,
            found,
            allowed: wrong.allowed,
            mend: wrong.mend,
            song: self.song.clone(),
        };
        self.drafts.push(Draft { fault, missing });
    }

    /// Records a fault about a node's value, mended by its example.
    pub(super) fn wrong(&mut self, node: &Node<'t>, what: impl Into<String>, allowed: impl Into<String>) {
        let mend = format!("write for example: {}", node.example);
        self.fault(node.at, Wrong::new(what, allowed, mend));
    }

    /// Passes a good value on and records a bad one at the node.
    pub(super) fn take<T>(&mut self, node: &Node<'t>, result: Result<T, Wrong>) -> Option<T> {
        result.map_err(|wrong| self.fault(node.at, wrong)).ok()
    }

    fn kind(&mut self, node: &Node<'t>, wanted: &str) {
        let what = format!("`{}` must be {wanted}, and this is {}", node.key, spoken(node.value));
        self.wrong(node, what, wanted);
    }

    /// A table of a shape; its unknown keys are faults.
    pub(super) fn table(&mut self, node: &Node<'t>, shape: &'static Shape) -> Option<Table<'t>> {
        let Some(entries) = node.value.as_table() else {
            self.kind(node, "a table");
            return None;
        };
        Some(self.enter(entries, node.at, shape))
    }

    /// True when further faults are counted and not listed.
    fn is_full(&self) -> bool {
        self.drafts.len() >= MOST_FAULTS
    }

    pub(super) fn enter(&mut self, entries: &'t DeTable<'t>, at: Place, shape: &'static Shape) -> Table<'t> {
        let mut meant = 0;
        for (key, _) in entries.iter().filter(|(key, _)| shape.key(key.get_ref()).is_none()) {
            if self.is_full() {
                self.count += 1;
                continue;
            }
            let (wrong, index) = shape.unknown(key.get_ref());
            meant |= index.map_or(0, |index| 1 << index);
            self.fault(key.span().into(), wrong);
        }
        Table { entries, at, shape, meant }
    }

    /// The entries of a table whose keys are names, in file order; a fault when it is no table.
    pub(super) fn named(&mut self, node: &Node<'t>) -> Vec<Node<'t>> {
        let Some(entries) = node.value.as_table() else {
            self.kind(node, "a table");
            return Vec::new();
        };
        let mut nodes: Vec<_> =
            entries.iter().map(|(key, value)| (Place::from(key.span()), key, value)).collect();
        nodes.sort_by_key(|(place, ..)| place.start);
        let node_of =
            |(key_at, key, value): (Place, &'t toml::Spanned<_>, &'t toml::Spanned<DeValue<'t>>)| {
                let key: &'t std::borrow::Cow<'t, str> = key.get_ref();
                Node {
                    value: value.get_ref(),
                    at: value.span().into(),
                    key: key.as_ref(),
                    key_at,
                    example: node.example,
                }
            };
        nodes.into_iter().map(node_of).collect()
    }

    pub(super) fn list(&mut self, node: &Node<'t>) -> Option<Vec<Node<'t>>> {
        let Some(items) = node.value.as_array() else {
            self.kind(node, "a list in [ ]");
            return None;
        };
        let item = |value: &'t toml::Spanned<DeValue<'t>>| Node {
            value: value.get_ref(),
            at: value.span().into(),
            ..*node
        };
        Some(items.iter().map(item).collect())
    }

    pub(super) fn string(&mut self, node: &Node<'t>) -> Option<&'t str> {
        let text = node.value.as_str();
        if text.is_none() {
            self.kind(node, "text in quotes");
        }
        text
    }

    /// Text that a screen can show: 1 to `most` characters, none of them a control character.
    pub(super) fn label(&mut self, node: &Node<'t>, most: usize) -> Option<&'t str> {
        let text = self.string(node)?;
        match label_fault(text, node.key, most) {
            None => Some(text),
            Some(what) => {
                self.wrong(node, what, format!("1 to {most} characters"));
                None
            }
        }
    }

    pub(super) fn boolean(&mut self, node: &Node<'t>) -> Option<bool> {
        let found = node.value.as_bool();
        if found.is_none() {
            self.kind(node, "true or false");
        }
        found
    }

    /// A number in a range. Errors: not a number, NaN and infinity included, or outside.
    pub(super) fn number(&mut self, node: &Node<'t>, range: RangeInclusive<f64>, unit: &str) -> Option<f64> {
        let allowed = format!("{} to {}{unit}", signed(*range.start()), signed(*range.end()));
        let Some(text) = number_text(node.value) else {
            self.kind(node, &format!("a number from {allowed}"));
            return None;
        };
        match text.parse::<f64>() {
            Ok(number) if range.contains(&number) => Some(number),
            _ => {
                self.wrong(node, format!("`{}` is out of range", node.key), allowed);
                None
            }
        }
    }

    pub(super) fn whole(&mut self, node: &Node<'t>, range: RangeInclusive<u32>, of: &str) -> Option<u32> {
        let allowed =
            format!("a whole number from {} to {}{of}", grouped(*range.start()), grouped(*range.end()));
        let Some(integer) = node.value.as_integer() else {
            self.kind(node, &allowed);
            return None;
        };
        let number = i128::from_str_radix(integer.as_str(), integer.radix()).ok();
        match number.and_then(|number| u32::try_from(number).ok()).filter(|number| range.contains(number)) {
            Some(number) => Some(number),
            None => {
                self.wrong(node, format!("`{}` is out of range", node.key), allowed);
                None
            }
        }
    }

    /// One of a few words; a near miss is named.
    pub(super) fn choice<T: Copy>(&mut self, node: &Node<'t>, words: &[(&str, T)]) -> Option<T> {
        let allowed = words.iter().map(|(word, _)| format!("\"{word}\"")).collect::<Vec<_>>().join(", ");
        let Some(text) = node.value.as_str() else {
            self.kind(node, &format!("one of {allowed}"));
            return None;
        };
        if let Some((_, value)) = words.iter().find(|(word, _)| *word == text) {
            return Some(*value);
        }
        let what = format!("`{}` knows no {}", node.key, quote(&format!("\"{text}\"")));
        let mend = match super::keys::nearest(text, words.iter().map(|(word, _)| *word)) {
            Some(near) => format!("write \"{near}\""),
            None => format!("write one of {allowed}"),
        };
        self.fault(node.at, Wrong::new(what, allowed, mend));
        None
    }
}

/// Why a text cannot stand on a screen or in a file name.
pub(super) fn label_fault(text: &str, key: &str, most: usize) -> Option<String> {
    if text.trim().is_empty() {
        Some(format!("`{key}` is empty"))
    } else if text.chars().count() > most {
        Some(format!("`{key}` is longer than {most} characters"))
    } else if text.chars().any(char::is_control) {
        Some(format!("`{key}` holds a control character (a line break or a tab)"))
    } else {
        None
    }
}

/// A number as written ("137.30" keeps its nought).
pub(super) fn number_text<'t>(value: &'t DeValue<'t>) -> Option<&'t str> {
    match value {
        DeValue::Integer(integer) if integer.radix() == 10 => Some(integer.as_str()),
        DeValue::Float(float) => Some(float.as_str()),
        _ => None,
    }
}

fn spoken(value: &DeValue<'_>) -> &'static str {
    match value {
        DeValue::String(_) => "text",
        DeValue::Integer(_) => "a whole number",
        DeValue::Float(_) => "a number",
        DeValue::Boolean(_) => "true or false",
        DeValue::Datetime(_) => "a date or time",
        DeValue::Array(_) => "a list",
        DeValue::Table(_) => "a table",
    }
}

fn signed(number: f64) -> String {
    if number < 0.0 { format!("\u{2212}{}", -number) } else { format!("{number}") }
}

/// 2000 as "2,000".
pub(super) fn grouped(number: u32) -> String {
    let digits = number.to_string();
    let mut out = String::new();
    for (index, digit) in digits.chars().enumerate() {
        if index > 0 && (digits.len() - index).is_multiple_of(3) {
            out.push(',');
        }
        out.push(digit);
    }
    out
}
