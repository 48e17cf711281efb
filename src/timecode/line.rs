//! Is timecode there? One answer at any frame, from readings twice a millisecond and from words.

use super::decode::LineReading;
use crate::realtime::event::LineNow;
use crate::units::{FramePos, Frames, SampleRate};

/// Without any edge for this long the line is bad. A zero at 23.976 frames lasts 0.52 ms, so that a silent crackle of
/// 5 ms leaves 5 + 2 × 0.52 = 6.04 ms without an edge.
const EDGELESS_SECONDS: f64 = 0.007;
/// Without a run of good edges for this long it is bad, too: a crackle of 5 ms, a cell before and one after it that are
/// not whole, and the [`super::decode::GOOD_RUN`] half cells until timecode is believed again leave at most
/// 5 + 2 × 0.52 + 12 × 0.26 = 9.2 ms.
pub const PATIENCE_SECONDS: f64 = 0.010;
/// … and without a word for this long. A silent crackle across two words costs both, a loud one now and then the next
/// as well, so that a word ends 4 words after the last good one: 4.25 words at 23.976 frames.
const WORDLESS_SECONDS: f64 = 4.25 * 1001.0 / 24_000.0;
/// Words that are remembered to know a machine that repeats itself.
const MEMORY: usize = 16;

/// The judge of one line with timecode.
#[derive(Clone, Debug)]
pub struct Line {
    edgeless: Frames,
    patience: Frames,
    wordless: Frames,
    latch: Frames,
    /// End of the last word that followed on its predecessor.
    word: Option<FramePos>,
    reading: Option<LineReading>,
    bad_since: Option<FramePos>,
    memory: [(i64, u32); MEMORY],
    slot: usize,
    repeats: bool,
}

impl Line {
    /// `latch`: how long it is bad before a switch stays.
    pub fn new(rate: SampleRate, latch: Frames) -> Line {
        Line {
            edgeless: rate.frames(EDGELESS_SECONDS),
            patience: rate.frames(PATIENCE_SECONDS),
            wordless: rate.frames(WORDLESS_SECONDS),
            latch,
            word: None,
            reading: None,
            bad_since: None,
            memory: [(i64::MIN, 0); MEMORY],
            slot: 0,
            repeats: false,
        }
    }

    /// A reading, in order of frames. Good edges mend a bad line, unless words are missing or come again: a crackle
    /// costs a word, and is over before the next one is whole. Real-time: safe.
    pub fn reading(&mut self, reading: &LineReading) {
        self.reading = Some(*reading);
        let Some(word) = self.word else { return };
        let edgeless = reading.at - reading.last_edge >= self.edgeless;
        let implausible = reading.at - reading.good_at >= self.patience;
        let wordless = reading.at - word >= self.wordless;
        let bad = edgeless || implausible || wordless || self.repeats;
        self.bad_since = if bad { self.bad_since.or(Some(reading.at)) } else { None };
    }

    /// A word that ends at `at` and follows on the one before. It mends a bad line. Real-time: safe.
    pub fn word(&mut self, at: FramePos, number: i64, user: u32) {
        self.repeats = self.memory.contains(&(number, user));
        if let Some(slot) = self.memory.get_mut(self.slot % MEMORY) {
            *slot = (number, user);
        }
        self.slot = (self.slot + 1) % MEMORY;
        if self.repeats {
            self.bad_since = self.bad_since.or(Some(at));
        } else {
            (self.word, self.bad_since) = (Some(at), None);
        }
    }

    /// What the line is, and since when it is bad. Real-time: safe.
    pub fn now(&self) -> LineNow {
        match (self.word, self.bad_since, self.reading) {
            (None, ..) => LineNow::NeverHeard,
            (_, None, _) => LineNow::Alive,
            _ if self.repeats => LineNow::Frozen,
            (_, _, Some(reading)) if reading.at - reading.last_edge >= self.edgeless => LineNow::Gone,
            _ => LineNow::Implausible,
        }
    }

    /// End of the last word that could be trusted.
    pub const fn last_word(&self) -> Option<FramePos> {
        self.word
    }

    /// First frame at which it was known to be bad.
    pub const fn bad_since(&self) -> Option<FramePos> {
        self.bad_since
    }

    /// It has been bad for long enough that a switch stays. Real-time: safe.
    pub fn latched(&self) -> bool {
        let bad = self.bad_since.zip(self.reading);
        bad.is_some_and(|(since, reading)| reading.at - since >= self.latch)
    }
}
