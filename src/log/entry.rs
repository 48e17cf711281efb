//! The one definition of what a log line holds: writer, reader, schema and table come from it.

use crate::listener::Verdict;
use crate::realtime::event::{Cause, PeerNow, RideWhy, RunState, Source, Why};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Version of the lines' form. A reader takes newer ones and passes over what it does not know.
pub const SCHEMA: u32 = 1;

/// One line of the log.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Line {
    /// Time of day with its offset (RFC 3339).
    pub time: String,
    /// Milliseconds since the log was opened, by a clock that never runs backwards.
    pub ms: u64,
    /// Frame on the device's timeline, where the line belongs to one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub frame: Option<i64>,
    #[serde(flatten)]
    pub entry: Entry,
}

/// What a line says.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", tag = "event")]
pub enum Entry {
    /// The run began: everything that is needed to read the rest.
    Start(Box<Start>),
    /// A song began.
    Song { song: u16, title: String },
    /// A pass of a section (or count-in, or pickup) was tied to the device.
    Section {
        song: u16,
        section: String,
        pass: u32,
        /// As printed.
        bar: i32,
        /// Device frame of the pass's start, unrounded, in frames × 2⁴⁸ as a decimal text.
        anchor: String,
        /// Written tempo over tonight's, as two whole numbers.
        stretch: (i64, i64),
        /// Index of the leg in the song, count-in first.
        #[serde(default)]
        leg: u16,
        /// It is the count-in that leads to the leg, not the leg.
        #[serde(default)]
        called: bool,
        /// The first hit that belongs to this placing: with the show, these lines are a replay of the night.
        #[serde(default)]
        from_hit: u32,
        why: Why,
    },
    /// The show file was read again, between songs: from here on songs are as this one has them.
    Show {
        /// Of the command that loads it; where that is refused, the show before it stays.
        id: u64,
        show: String,
        /// SHA-256 of the show file, in hexadecimal digits.
        digest: String,
        text: String,
    },
    /// Somebody asked for something; with `follows` nobody did: it follows from what was asked before.
    Command {
        id: u64,
        command: String,
        /// Nobody did: it follows from what was asked before.
        #[serde(default, skip_serializing_if = "std::ops::Not::not")]
        follows: bool,
    },
    /// A command took effect on this line's frame, or could not.
    Answer { id: u64, done: bool },
    /// The click of a player comes from somewhere else from this frame on.
    Switch { click: u8, name: String, source: Source, cause: Cause, song: u16, bar: i32, beat: u16 },
    /// One hit was taken over by the fallback.
    Covered { click: u8, name: String, cause: Cause },
    /// The music stopped, holds or goes on.
    Run {
        state: RunState,
        song: u16,
        /// The song came to its end.
        ended: bool,
    },
    /// All out, or back.
    AllOut { on: bool },
    /// Clicks out, or back.
    ClickOut { on: bool },
    /// One click muted, or back.
    Mute { click: u8, name: String, on: bool },
    /// An input's level moves in a straight line (of gain, not of decibels) from this line's frame on; −200 dB is
    /// silence. While the room is killed it is silent whatever else these lines say.
    Ride {
        /// Place of the input in the show file, from 0.
        input: u8,
        from_db: f64,
        to_db: f64,
        seconds: f64,
        #[schemars(with = "String")]
        why: RideWhy,
    },
    /// The talkbacks that a key opens: open, or not.
    Talk { on: bool },
    /// A callback was late or short: frames that nobody asked for.
    Xrun { lost_frames: i64 },
    /// A hit whose frame nobody asked for, or for which a backup waited, sounded this much late.
    LateHit { hit: u32, late_frames: i64 },
    /// Hits that fell into frames nobody asked for.
    LostHits { count: u32 },
    /// An input brought something that is no sound; it was made silence.
    BadInput { channel: u16 },
    /// Each second: loudest sample that left, and the deepest limiter.
    Levels { peak_db: f64, limiter_db: f64 },
    /// How long callbacks took, in parts of the time they had: each ten seconds, and at the end.
    Load(crate::telemetry::LoadSummary),
    /// How loud each feed was in the ears so far, as far as that can be known: each minute, and at the end.
    Exposure {
        ended: bool,
        figures: Vec<crate::exposure::Figures>,
        /// Stands wherever such a figure stands.
        caution: String,
    },
    /// Charger or battery changed.
    Power {
        #[serde(default)]
        battery_percent: Option<u8>,
        #[serde(default)]
        charger: Option<bool>,
    },
    /// A click from outside beside the grid, over all its hits since the song began: after every sixteenth of them.
    External {
        click: u8,
        name: String,
        song: u16,
        hits: u32,
        /// After the place where the grid, corrected so far, had them.
        mean_ms: f64,
        /// Standard deviation.
        spread_ms: f64,
        /// How much faster than written it runs.
        drift_ppm: f64,
    },
    /// What is heard of the other machine, and which of the two leads; when it changes.
    Machine(PeerNow),
    /// An interface was lost, came back, or counts what it lost.
    Device(DeviceTold),
    /// Something worth knowing, in words.
    Note { text: String },
    /// Events that the engine could not hand over.
    EventsLost { count: u64 },
    /// Lines that could not be written before this one.
    LinesLost { count: u64 },
    /// What the listener heard.
    Verdict { verdict: Box<Verdict> },
    /// A result that belongs to the night: what `fogbell ready`, `latency`, `drill` or a line check says with `--json`.
    Kept { kind: super::kept::Kind, result: serde_json::Value },
    /// The run ended.
    End {
        reason: String,
        frames: i64,
        /// Why the interface no longer played, where that ended the run.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        device_lost: Option<String>,
    },
    /// A line of a newer version: read, never written.
    #[serde(other)]
    #[schemars(skip)]
    Unknown,
}

/// What an interface did.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum DeviceDid {
    /// Its stream ended, or its clock stands still.
    Lost,
    /// The same stream goes on after it stood still.
    RunsAgain,
    /// It was opened again.
    Back,
    /// The rig's spare one plays instead.
    SparePlays,
    /// None can be opened; it is tried all the time.
    CannotOpen,
    /// It runs at another rate than the rig says.
    OtherRate,
    /// It has reached its end, as a scripted one does.
    Finished,
    /// It counts xruns.
    Xruns,
    /// It counts frames that nobody asked for.
    LostFrames,
    /// A second one is heard, with a clock of its own.
    Heard,
    /// A second one's clock drifts in another way than was said before.
    Drifts,
    /// A second one has stopped calling, or lost its place.
    Silent,
    /// Of a newer version.
    #[default]
    #[serde(other)]
    Other,
}

/// What happened to an interface: facts, and the sentence that the screen showed.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct DeviceTold {
    pub what: DeviceDid,
    /// It is the second one, which has inputs alone.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub second: bool,
    /// Its name, where one was opened.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub device: Option<String>,
    /// As the host says it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub why: Option<String>,
    /// How long there was none.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub away_seconds: Option<f64>,
    /// Xruns, frames or Hz.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub count: Option<u64>,
    /// How much faster than the first one's clock it runs.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub ppm: Option<f64>,
    pub text: String,
}

/// What a run began with.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default)]
pub struct Start {
    /// Version of the lines' form.
    pub schema: u32,
    /// "fogbell 0.1.0".
    pub program: String,
    pub show: String,
    /// SHA-256 of the show file, in hexadecimal digits.
    pub digest: String,
    /// The show file as played.
    pub text: String,
    pub rig: String,
    pub host: String,
    pub device: String,
    pub rate: u32,
    pub block: u32,
    pub inputs: u16,
    pub outputs: u16,
    /// Real-time policy of the audio thread as read back.
    pub priority: Option<String>,
}

/// JSON Schema of one line.
pub fn schema() -> serde_json::Value {
    schemars::schema_for!(Line).to_value()
}

/// The table of events for the documentation, in Markdown: name, fields beside `time`, `ms` and `frame`, meaning.
pub fn table() -> String {
    let schema = schema();
    let mut out = String::from("| event | fields | meaning |\n|---|---|---|\n");
    for variant in schema["oneOf"].as_array().into_iter().flatten() {
        let name = variant["properties"]["event"]["const"].as_str().unwrap_or("?");
        let own = variant["properties"].as_object();
        let shared = variant["$ref"].as_str().and_then(|path| schema.pointer(path.trim_start_matches('#')));
        let shared = shared.and_then(|shared| shared["properties"].as_object());
        let fields: Vec<&str> = own
            .into_iter()
            .chain(shared)
            .flat_map(|fields| fields.keys())
            .map(String::as_str)
            .filter(|field| *field != "event")
            .collect();
        let meaning = variant["description"].as_str().unwrap_or("").replace('\n', " ");
        out.push_str(&format!("| `{name}` | {} | {meaning} |\n", fields.join(", ")));
    }
    out
}

/// A level for a log: silence is −200, because JSON has no infinity.
pub fn decibels(gain: f32) -> f64 {
    (20.0 * f64::from(gain.abs()).max(1e-10).log10() * 10.0).round() / 10.0
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_table_names_every_event_with_its_meaning() {
        let table = table();
        for name in ["start", "switch", "xrun", "load", "verdict", "end"] {
            assert!(table.contains(&format!("| `{name}` |")), "{name} is not in\n{table}");
        }
        let switch = table.lines().find(|line| line.starts_with("| `switch`")).unwrap();
        assert!(switch.contains("cause") && switch.contains("somewhere else"), "{switch}");
        assert!(table.lines().skip(2).all(|line| !line.ends_with("|  |")), "{table}");
    }

    #[test]
    fn a_line_reads_back_as_it_was_written() {
        let line = Line {
            time: "2026-11-25T21:14:03+01:00".into(),
            ms: 3,
            frame: Some(-72),
            entry: Entry::Levels { peak_db: decibels(0.0), limiter_db: 0.0 },
        };
        let text = serde_json::to_string(&line).unwrap();
        assert_eq!(serde_json::from_str::<Line>(&text).unwrap(), line, "{text}");
    }
}
