//! How the engine is wired: made on an ordinary thread from show and rig.

pub use super::outside::OutsideSetup;
pub use super::peer::{PeerClick, PeerSetup};
pub use super::timecode_out::TimecodeSetup;
pub use crate::show::model::Talks;
use crate::units::{Frames, SampleRate};

/// Everything the engine's memory is sized by.
#[derive(Clone, Debug, PartialEq)]
pub struct EngineSetup {
    pub rate: SampleRate,
    /// Larger blocks are worked through in pieces of this.
    pub max_block: usize,
    /// Limiter look-ahead in frames (72 at 48 kHz); everything is rendered this much early.
    pub look_ahead: usize,
    pub lanes: usize,
    pub clicks: Vec<ClickSetup>,
    pub inputs: Vec<InputSetup>,
    pub outlets: Vec<OutletSetup>,
    /// True-peak ceiling of every outlet, linear.
    pub ceiling: f32,
    pub give_back: crate::show::model::GiveBack,
    /// Frames of input and output go to the record ring when true.
    pub record: bool,
    /// Input channels that are recorded even when no input of the show uses them.
    pub tap_inputs: usize,
    /// Timecode on an output of its own.
    pub timecode: Option<TimecodeSetup>,
    /// Another machine, main or backup.
    pub peer: Option<PeerSetup>,
    /// Clicks that other devices play.
    pub outside: Vec<OutsideSetup>,
    /// After how many failed hits a fallback stays.
    pub latch: crate::show::model::Latch,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ClickSetup {
    pub own_lane: u8,
    pub fallback_lane: u8,
}

/// The channel of an input that the rig does not place: silence.
pub const UNPLACED: u16 = u16::MAX;

/// An ambient or talkback input.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct InputSetup {
    /// Channel of the interface, from 0.
    pub channel: u16,
    /// A talkback, and when it is heard. `None`: a microphone of the room, which rides and can be killed.
    pub talks: Option<Talks>,
    /// Linear, at all times.
    pub trim: f32,
    /// Linear, over the trim, while a song runs and between songs.
    pub in_song: f32,
    pub between: f32,
    /// How long the ride down takes, how long the ride up, and how long after the last hit that begins.
    pub close: Frames,
    pub open: Frames,
    pub wait: Frames,
    /// 0 for none: then a direct current is kept off, and no more.
    pub high_pass_hertz: f64,
    /// The high-pass falls by 24 dB an octave instead of 12.
    pub steep: bool,
    /// 0 for none.
    pub low_pass_hertz: f64,
    pub inverted: bool,
    /// It is made later by this.
    pub delay: Frames,
    pub compress: Option<Compress>,
    /// Linear level at which its gate opens.
    pub gate_opens: Option<f32>,
    /// A talkback: what it leaves of the rest, linear.
    pub dims: f32,
}

/// Start values at 48 kHz (common practice, no source): −12 and 0 dB, 0.6 s and 1.5 s, 0.5 s after the last hit.
impl Default for InputSetup {
    fn default() -> Self {
        InputSetup {
            channel: 0,
            talks: None,
            trim: 1.0,
            in_song: 0.25,
            between: 1.0,
            close: Frames(28_800),
            open: Frames(72_000),
            wait: Frames(24_000),
            high_pass_hertz: 150.0,
            steep: false,
            low_pass_hertz: 0.0,
            inverted: false,
            delay: Frames(0),
            compress: None,
            gate_opens: None,
            dims: 0.25,
        }
    }
}

/// What is above a level is divided.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Compress {
    /// Linear.
    pub above: f32,
    /// 3 for 3:1.
    pub ratio: f32,
}

/// What leaves on one or two output channels, limited together.
#[derive(Clone, Debug, PartialEq)]
pub struct OutletSetup {
    /// Channels of the interface, from 0: one, or left and right.
    pub channels: Vec<u16>,
    pub parts: Vec<PartSetup>,
}

#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PartSetup {
    pub source: PartSource,
    /// Below 0 where its polarity is turned round.
    pub left: f32,
    /// Unused on a mono outlet.
    pub right: f32,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PartSource {
    /// A click as it should be heard: index into `clicks`.
    Click(u8),
    /// A lane by itself, whatever the claims say.
    Lane(u8),
    /// Index into `inputs`.
    Input(u8),
}
