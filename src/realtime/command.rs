//! What ordinary threads may ask of the engine. Commands ride a ring; what must be freed rides one back.

use super::event::RunState;
use crate::click::set::{Set, Stretch};
use crate::units::{Exact, FramePos, Frames, Span};
use std::sync::Arc;

/// When a command takes effect. The resolved frame goes to telemetry, so that the log is a replay.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum When {
    Now,
    Frame(FramePos),
    NextBeat,
    BarEnd,
    SectionEnd,
    /// The first beat or bar line that is no earlier than this frame: what was written down before it was sent
    /// means the same for whoever reads it after a crash.
    BeatFrom(FramePos),
    BarFrom(FramePos),
}

#[derive(Clone, Debug)]
pub struct Timed {
    pub when: When,
    pub command: Command,
    /// Given by the sender, returned in telemetry.
    pub id: u64,
}

#[derive(Clone, Debug)]
pub enum Command {
    /// The song that the next start plays. Never touches the one that sounds.
    Choose {
        song: usize,
    },
    /// Plays the chosen song from its count-in; ends a hold with the count-in; nothing while a song plays.
    Start,
    /// Jumps to a leg of a song; `count_in` puts that song's count-in before it, at the leg's own tempo.
    GoTo {
        song: usize,
        leg: usize,
        count_in: bool,
    },
    /// Ties a leg to a place (replay, rejoin, chasing): the hit at local 0 falls there.
    Place {
        song: usize,
        leg: usize,
        /// The count-in that leads to the leg, not the leg itself.
        called: bool,
        pass: u32,
        at: Exact,
        stretch: Stretch,
    },
    Stop,
    /// Every feed silent within 10 ms; place runs on.
    AllOut,
    /// Back on a bar line (or at once when nothing plays).
    AllBack,
    /// Clicks silent, ambient stays; place runs on.
    ClickOut,
    /// Back on a bar line.
    ClickBack,
    /// The nearest bar line of the playing song is moved to this frame.
    OneIsNow,
    /// The place in the song moves by whole beats; the beats stay where they are.
    ShiftBeats(i32),
    /// Everything sounds this much later (negative: earlier).
    Nudge(Frames),
    /// Takes back the last OneIsNow, ShiftBeats or Nudge ([`Undo`]).
    Undo,
    /// Lets a vamp end after this pass.
    Release,
    /// Every microphone of the room silent within 10 ms (howl), until it is taken back. Talkback and clicks stay.
    AmbientKill(bool),
    /// A hand on the room: so many dB louder than it was, and no ride by itself until the next song begins.
    AmbientHand(f32),
    /// The hand lets go: the room rides by itself again.
    AmbientRides,
    /// The talkbacks that a key opens: open, or not.
    Talk(bool),
    MuteClick {
        click: usize,
        muted: bool,
    },
    /// Tempo for tonight of the playing song: the beat goes on from where it is.
    Tempo(Stretch),
    /// Takes the click away from a claim by hand, and gives it back.
    UseFallback {
        click: usize,
        on: bool,
    },
    /// This machine leads from now on, and its clicks sound: a backup takes over, a main that came back muted
    /// begins again.
    TakeOver,
    /// This machine follows the other one from now on, and its clicks are silent (or passed on).
    StandDown,
    /// The other machine's click was measured to lie this much behind its timecode.
    Align(Span),
    /// What this machine's own way out and back in again takes, measured since it started: its click leaves as much
    /// earlier. Nothing where the other machine's click is passed on.
    OwnWay(Span),
    /// A machine that follows sounds beside the other one, so that a person can hear how they lie; and not any more.
    Beside(bool),
    /// Other songs from now on (the playing one is kept to its end). The old set rides back.
    Load(Arc<Set>),
    /// Comes back in the middle of a night, whoever leads: sent before the first block.
    Return(Return),
}

/// What a press of undo takes back.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Undo {
    /// The place moved by this, in local time.
    Move(Span),
    /// Everything sounds this much later.
    Nudge(Frames),
}

impl Undo {
    pub const fn length(self) -> Span {
        match self {
            Undo::Move(moved) => moved,
            Undo::Nudge(later) => Span::frames(later),
        }
    }
}

/// Where a night goes on: what was true, and where the music is on this device's timeline.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Return {
    /// From here on it is true. The first block comes later: what happens until then is caught up on.
    pub since: FramePos,
    pub run: RunState,
    pub song: usize,
    pub leg: usize,
    pub called: bool,
    pub pass: u32,
    pub at: Exact,
    pub stretch: Stretch,
    pub released: bool,
    pub undo: Option<Undo>,
    pub chosen: usize,
    /// Tonight's tempo of the chosen song, set before it starts.
    pub chosen_stretch: Stretch,
    pub all_out: bool,
    pub click_out: bool,
    /// A bit a click.
    pub mutes: u16,
    /// Clicks that a person has put on the fallback.
    pub by_hand: u16,
}
