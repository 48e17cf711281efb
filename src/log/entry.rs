//! The one definition of what a log line holds: writer, reader and report share it.

use crate::realtime::command::When;
use crate::realtime::event::{Cause, RunState, Source, Why};
use serde::{Deserialize, Serialize};

/// Version of the lines' form. A reader takes newer ones and passes over what it does not know.
pub const SCHEMA: u32 = 1;

/// One line: when it was written, where the device was, and what happened.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Line {
    /// Time of day with its zone (RFC 9557, which is RFC 3339 with a zone's name).
    pub time: String,
    /// Milliseconds since the run began, by a clock that never runs backwards.
    pub ms: u64,
    #[serde(flatten)]
    pub entry: Entry,
}

/// What happened.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "event")]
pub enum Entry {
    Start {
        schema: u32,
        program: String,
        show: String,
        /// SHA-256 of the show file.
        digest: String,
        /// The show as played, whole.
        text: String,
        rig: String,
        songs: Vec<String>,
        clicks: Vec<String>,
        host: String,
        device: String,
        rate: u32,
        block: u32,
    },
    /// Real-time policy of the audio thread, as read back.
    Priority {
        policy: String,
    },
    /// A command was sent.
    Command {
        id: u64,
        when: When,
        what: String,
    },
    /// A command took effect on this frame (or was refused there).
    Done {
        id: u64,
        frame: i64,
        refused: bool,
    },
    /// A pass of a leg was tied to the device: these are a replay of the night.
    Placed {
        frame: i64,
        song: u16,
        title: String,
        leg: u16,
        section: String,
        called: bool,
        pass: u32,
        /// Frame of the pass's start and its part of 2⁻⁴⁸ frames.
        anchor: i64,
        anchor_part: u64,
        over: i64,
        under: i64,
        from_hit: u32,
        why: Why,
    },
    Holding {
        frame: i64,
        song: u16,
    },
    Stopped {
        frame: i64,
        song: u16,
        ended: bool,
    },
    /// A click's source changed.
    Switch {
        frame: i64,
        click: String,
        source: Source,
        cause: Cause,
        title: String,
        bar: i32,
        beat: u16,
        /// The same in a player's words.
        words: String,
    },
    LateHit {
        frame: i64,
        late_frames: i64,
    },
    LostHits {
        frame: i64,
        count: u32,
    },
    AllOut {
        frame: i64,
        on: bool,
    },
    ClickOut {
        frame: i64,
        on: bool,
    },
    Muted {
        frame: i64,
        click: String,
        on: bool,
    },
    Xrun {
        frame: i64,
        lost_frames: i64,
    },
    BadInput {
        frame: i64,
        channel: u16,
    },
    /// Each second: highest peak of all outlets and deepest limiter gain since the last one, in dB.
    Level {
        frame: i64,
        run: RunState,
        peak_db: f64,
        limiter_db: f64,
    },
    /// Each ten seconds and at the end: how much of its time each callback took, in tenths of a block's time.
    Load {
        callbacks: u64,
        /// Callbacks up to 10 %, 20 %, … 100 % of the block's time, then those above.
        tenths: Vec<u64>,
        worst_percent: f64,
    },
    /// The device changed its state ("stalled", "lost", "back").
    Device {
        state: String,
        why: String,
    },
    /// Charger, battery.
    Power {
        charger: Option<bool>,
        percent: Option<u8>,
    },
    /// Anything a person should read.
    Note {
        text: String,
    },
    /// Events or lines that found their queue full.
    Dropped {
        what: String,
        count: u64,
    },
    End {
        report: serde_json::Value,
    },
    /// A line of a newer program.
    #[serde(other)]
    Unknown,
}
