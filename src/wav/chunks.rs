//! The chunks around the samples: broadcast extension, cue points, labels.

/// Where a file belongs in time, and who made it. Text beyond its field's length is cut; what is not ASCII
/// becomes "?".
///
/// Source: EBU Tech 3285, version 2.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Bext {
    /// 256 characters.
    pub description: String,
    /// 32 characters.
    pub originator: String,
    /// 32 characters.
    pub originator_reference: String,
    /// yyyy-mm-dd.
    pub date: String,
    /// hh:mm:ss.
    pub time: String,
    /// First frame of the file, in frames since midnight.
    pub time_reference: u64,
    /// 100 × loudness, range, true peak, momentary and short-term maxima, where they were measured.
    pub loudness: Option<[i16; 5]>,
    /// Lines that end with CR LF.
    pub coding_history: String,
}

/// A loudness field without a value (EBU Tech 3285 v2, from memory).
const NOT_MEASURED: i16 = 0x7fff;

impl Bext {
    /// 602 bytes and the coding history.
    pub(super) fn body(&self) -> Vec<u8> {
        let mut body = Vec::with_capacity(602 + self.coding_history.len());
        push_text(&mut body, &self.description, 256);
        push_text(&mut body, &self.originator, 32);
        push_text(&mut body, &self.originator_reference, 32);
        push_text(&mut body, &self.date, 10);
        push_text(&mut body, &self.time, 8);
        body.extend(self.time_reference.to_le_bytes());
        body.extend(2u16.to_le_bytes());
        body.extend([0; 64]);
        body.extend(self.loudness.unwrap_or([NOT_MEASURED; 5]).iter().flat_map(|v| v.to_le_bytes()));
        body.extend([0; 180]);
        body.extend(ascii(&self.coding_history));
        body
    }
}

fn push_text(body: &mut Vec<u8>, text: &str, length: usize) {
    let end = body.len() + length;
    body.extend(ascii(text).take(length));
    body.resize(end, 0);
}

fn ascii(text: &str) -> impl Iterator<Item = u8> {
    text.chars().map(|c| if c.is_ascii() { c as u8 } else { b'?' })
}

/// A named place in a file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Cue {
    /// From the file's first frame.
    pub frame: u64,
    pub label: String,
}

/// The chunks `cue ` and `LIST adtl`; nothing without cues. Places beyond 32 bits are left out: the format
/// has no room for them. Source: RIFF (Microsoft and IBM, 1991); ids count from 1.
pub(super) fn cue_chunks(cues: &[Cue]) -> Vec<u8> {
    let points: Vec<(u32, u32, &str)> = cues
        .iter()
        .filter_map(|cue| Some((u32::try_from(cue.frame).ok()?, cue.label.as_str())))
        .zip(1..)
        .map(|((frame, label), id)| (id, frame, label))
        .collect();
    if points.is_empty() {
        return Vec::new();
    }
    let mut list = b"adtl".to_vec();
    let mut body = (points.len() as u32).to_le_bytes().to_vec();
    for (id, frame, label) in points {
        body.extend(id.to_le_bytes());
        body.extend(frame.to_le_bytes());
        body.extend(b"data");
        body.extend([0; 8]);
        body.extend(frame.to_le_bytes());
        let mut text = id.to_le_bytes().to_vec();
        text.extend(label.bytes().filter(|b| *b != 0));
        text.push(0);
        push_chunk(&mut list, b"labl", &text);
    }
    let mut chunks = Vec::new();
    push_chunk(&mut chunks, b"cue ", &body);
    push_chunk(&mut chunks, b"LIST", &list);
    chunks
}

/// A chunk with its size, filled up to an even length.
pub(super) fn push_chunk(into: &mut Vec<u8>, id: &[u8; 4], body: &[u8]) {
    into.extend(id);
    into.extend((body.len() as u32).to_le_bytes());
    into.extend(body);
    if body.len() % 2 == 1 {
        into.push(0);
    }
}
