//! How the engine is wired: made on an ordinary thread from show and rig.

pub use super::outside::OutsideSetup;
pub use super::peer::{PeerClick, PeerSetup};
pub use super::timecode_out::TimecodeSetup;
use crate::units::SampleRate;

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
    /// Linear, while a song runs and between songs.
    pub in_song: f32,
    pub between: f32,
    /// 0 for none.
    pub high_pass_hertz: f64,
    pub inverted: bool,
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
