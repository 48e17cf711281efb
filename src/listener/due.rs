//! What should have left an output: one hit on one output channel.

use super::template::Template;
use crate::click::set::HitKind;
use crate::units::FramePos;
use std::sync::Arc;

/// What a due hit sounds like.
#[derive(Clone, Debug)]
pub enum Shape {
    /// Index into the listener's templates.
    Sound(usize),
    /// The sound of this one hit (cut from a streamed file), at gain 1.
    Own(Arc<Template>),
}

/// One hit on one output channel. A stereo outlet has two of them.
#[derive(Clone, Debug)]
pub struct Due {
    pub frame: FramePos,
    /// Output channel of the interface, from 0.
    pub channel: u16,
    /// The click it belongs to; `None` for a lane that leaves by itself.
    pub click: Option<u8>,
    pub lane: u8,
    pub kind: HitKind,
    pub song: u16,
    pub leg: u16,
    pub pass: u32,
    /// As printed.
    pub bar: i32,
    pub beat: u16,
    pub subdivision: u16,
    pub shape: Shape,
    /// Linear, the hit's gain times its level in this channel.
    pub gain: f32,
    /// Another sound that is as good (a streamed hit that the fallback may have covered).
    pub or: Option<(Shape, f32)>,
    /// False: taken out of the remainder when it sounds, and not counted.
    pub judged: bool,
    /// Its tail is cut from here on, by plan.
    pub cut: Option<FramePos>,
}

impl Due {
    /// A plain due hit, for tests and recordings judged against an event list.
    pub fn plain(frame: i64, channel: u16, sound: usize, gain: f32) -> Due {
        Due {
            frame: FramePos(frame),
            channel,
            click: Some(0),
            lane: 0,
            kind: HitKind::Beat,
            song: 0,
            leg: 0,
            pass: 0,
            bar: 1,
            beat: 1,
            subdivision: 0,
            shape: Shape::Sound(sound),
            gain,
            or: None,
            judged: true,
            cut: None,
        }
    }
}
