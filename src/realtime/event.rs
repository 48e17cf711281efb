//! What the engine tells: each with the frame it belongs to on the device's timeline. Plain data,
//! so that the telemetry ring never allocates.

use super::command::Undo;
use crate::click::set::Stretch;
use crate::units::{Exact, FramePos, Frames};

#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Event {
    pub at: FramePos,
    pub what: What,
}

#[derive(Clone, Copy, Debug, PartialEq)]
pub enum What {
    /// A command took effect (`id` as sent).
    Done {
        id: u64,
    },
    /// A command could not be carried out where it stood (start while playing, no such song).
    Refused {
        id: u64,
    },
    /// A pass of a leg is tied to the device. Hits of the pass before `from_hit` are not of this placing.
    /// It holds until the next `Placed`, `Holding` or `Stopped`: hits whose frame is before that event's `at`
    /// are due on `max(frame, this event's at)`, all others are not due. With `called` the grid is the
    /// count-in that leads to the leg ([`crate::click::set::Leg::count_in`]), not the leg's own.
    Placed {
        song: u16,
        leg: u16,
        called: bool,
        pass: u32,
        anchor_at: Exact,
        stretch: Stretch,
        from_hit: u32,
        why: Why,
        /// What undo takes back from here on; after `Holding` or `Stopped` it takes back nothing.
        undo: Option<Undo>,
    },
    /// The click rests until a count-in is called.
    Holding {
        song: u16,
        leg: u16,
    },
    /// Nothing plays.
    Stopped {
        song: u16,
        ended: bool,
    },
    /// A hit fell into frames nobody asked for and sounded at this event's frame, this much late (≤ 5 ms). It is
    /// of the placing that held at that frame minus `late`.
    LateHit {
        hit: u32,
        late: Frames,
    },
    /// Hits `from .. to` of the placing that holds at this event's frame fell into frames nobody asked for:
    /// lost with the device. Where whole passes of a vamp went by, `to` counts on over all of them.
    LostHits {
        from: u32,
        to: u32,
    },
    /// The click's source changed at this frame.
    Switched {
        click: u8,
        source: Source,
        cause: Cause,
        song: u16,
        bar: i32,
        beat: u16,
    },
    /// A due hit was covered by the fallback before any latch.
    Covered {
        click: u8,
        cause: Cause,
    },
    AllOut(bool),
    ClickOut(bool),
    Muted {
        click: u8,
        muted: bool,
    },
    /// An input's level moves from this frame on: linear, its trim included. Once a ride, never once a block.
    Ride {
        input: u8,
        from: f32,
        to: f32,
        frames: u32,
        why: RideWhy,
    },
    Talk(bool),
    Xrun {
        lost: Frames,
    },
    /// Not a number or an infinity arrived on an input and was made silence.
    BadInput {
        channel: u16,
    },
    /// Once a block at most: where the music is and how loud the outlets are.
    Status(Status),
    /// A placing's stream is wanted from the renderer.
    StreamWanted {
        click: u8,
        song: u16,
        leg: u16,
        generation: u32,
        anchor_at: Exact,
        stretch: Stretch,
    },
    StreamEnd {
        click: u8,
    },
    /// How a click from outside lies beside the grid, since its song began: after every sixteenth of its hits.
    Beside {
        click: u8,
        song: u16,
        now: crate::follow::BesideNow,
    },
    /// How the other machine is heard: when it changes, and ten times a second.
    Peer(PeerNow),
    /// The ring was full: this many events before this one are lost.
    Dropped {
        count: u32,
    },
}

/// Why a placing came.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Why {
    Start,
    /// The leg before it ended.
    Follows,
    Vamp,
    Jump,
    OneIsNow,
    Beats,
    Nudge,
    Undo,
    Tempo,
    Rejoin,
}

/// Why an input's level moves.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum RideWhy {
    /// The show is loaded: up to the level between songs.
    Load,
    /// A song begins.
    Song,
    /// A section has a level of its own, or the next one has none.
    Section,
    /// The music rests.
    Between,
    Hand,
    /// The hand let go.
    Released,
    Killed,
    BackFromKill,
    /// Of a newer version.
    #[serde(other)]
    Other,
}

/// How the room and the talkbacks stand.
#[derive(Clone, Copy, Debug, PartialEq, Default)]
pub struct RoomNow {
    /// There is a microphone of the room.
    pub rides: bool,
    /// At the level of a song, not of the pause between songs.
    pub in_song: bool,
    pub killed: bool,
    pub by_hand: bool,
    /// What the hand added.
    pub hand_db: f32,
    /// Somebody talks: the rest has stepped back.
    pub talking: bool,
}

/// What feeds a click.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Source {
    /// Made by the engine as the primary.
    Own,
    Streamed,
    /// Made by the engine because a claim failed, or because the other machine is gone.
    Fallback,
    /// From outside: passed on from an input, or left to the other machine while this one is silent.
    External,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Cause {
    /// Not a fault: the song begins or ends, the policy gives back, or a person said so.
    Plan,
    ByHand,
    Late,
    Stale,
    Repeating,
    SilentWhenDue,
    Corrupt,
    /// An onset from outside did not come.
    Absent,
    /// It came outside of its tolerance.
    Early,
    BehindTime,
    /// Two onsets for one hit.
    Doubled,
    /// Hum, noise or speech where clicks should be.
    Drowned,
    /// The device outside hangs: it plays the same few milliseconds over and over.
    LineRepeats,
    /// The other machine is gone, by every witness there is.
    MainGone,
    /// The other machine repeats its last buffer.
    MainFrozen,
    /// The place moved in a way that the stream cannot follow (tempo for tonight).
    CannotFollow,
}

/// What is heard of the other machine, and which of the two leads.
#[derive(
    Clone, Copy, Debug, PartialEq, Default, serde::Serialize, serde::Deserialize, schemars::JsonSchema,
)]
pub struct PeerNow {
    /// This machine is the backup (else: the main).
    pub backup: bool,
    /// This machine leads: its clicks sound and its keys count.
    pub leads: bool,
    /// The other machine's timecode.
    pub line: LineNow,
    /// The other machine's click, where it is wired to an input.
    pub click: WitnessNow,
    /// The other machine says that it leads.
    pub other_leads: bool,
    /// The other machine says that it leads, too, and that nothing plays there: it was started a moment ago.
    #[serde(default)]
    pub other_idle: bool,
    /// The other machine says that it is in all out.
    pub other_out: bool,
    /// The song that it plays is not the same on this machine.
    pub differs: bool,
    /// Number as printed of the song that is not the same: the one that it plays, else the one that it would start next;
    /// 0: none.
    #[serde(default)]
    pub differing: u8,
    /// What this machine's place may be off by, in milliseconds; below 0 before it is known.
    pub bound_ms: f32,
    /// How much faster the other machine's clock runs.
    pub ppm: f32,
    /// The other machine's click minus its place by timecode, in milliseconds: the mean of the last hits.
    pub offset_ms: f32,
    /// Hits that it was measured from; they start again with the stream.
    #[serde(default)]
    pub offset_hits: u32,
    /// How those hits scatter, root mean square.
    #[serde(default)]
    pub offset_spread_ms: f32,
    /// What is applied.
    #[serde(default)]
    pub align_ms: f32,
    /// This machine's own way out and back in, where that is taken off.
    #[serde(default)]
    pub way_ms: f32,
}

/// A line with timecode.
#[derive(
    Clone, Copy, Debug, PartialEq, Eq, Default, serde::Serialize, serde::Deserialize, schemars::JsonSchema,
)]
#[serde(rename_all = "kebab-case")]
pub enum LineNow {
    #[default]
    NeverHeard,
    Alive,
    /// No edges: nothing, a pulled lead or a dead machine.
    Gone,
    /// Something is there that is no timecode: hum, noise, a machine that repeats its last buffer.
    Implausible,
    /// Words come, and do not go on.
    Frozen,
}

/// A click that is a second witness.
#[derive(
    Clone, Copy, Debug, PartialEq, Eq, Default, serde::Serialize, serde::Deserialize, schemars::JsonSchema,
)]
#[serde(rename_all = "kebab-case")]
pub enum WitnessNow {
    #[default]
    NotWired,
    /// Nothing was due yet.
    NotYet,
    Heard,
    Absent,
}

#[derive(Clone, Copy, Debug, PartialEq, Default)]
pub struct Status {
    pub run: RunState,
    pub song: u16,
    pub next_song: u16,
    pub leg: u16,
    pub pass: u32,
    /// As printed: 1 …; 0 pickup; negative or 0 in the count-in.
    pub bar: i32,
    pub beat: u16,
    pub beats_in_bar: u16,
    /// Bars left in this pass after this one.
    pub bars_left: u16,
    /// Frame of the current beat's start and of the next one.
    pub beat_at: FramePos,
    pub next_beat_at: FramePos,
    pub all_out: bool,
    pub click_out: bool,
    pub released: bool,
    /// Peak of all outlets in this block, linear, and the deepest limiter gain (1 = none).
    pub peak: f32,
    pub limiter: f32,
    pub frames: u32,
    pub room: RoomNow,
}

#[derive(
    Clone, Copy, Debug, PartialEq, Eq, Default, serde::Serialize, serde::Deserialize, schemars::JsonSchema,
)]
#[serde(rename_all = "kebab-case")]
pub enum RunState {
    #[default]
    Stopped,
    Playing,
    Holding,
}
