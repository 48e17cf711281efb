//! What may go wrong in a rehearsal, on the main's time in frames.

use crate::realtime::command::Command;
use crate::renderer::Fault;

/// Something that goes wrong, or that a person does.
#[derive(Clone, Debug)]
pub enum Mishap {
    /// Every output is silent from here on, inside of a block.
    MainDies(i64),
    /// It repeats its last block for ever.
    MainRepeats(i64),
    /// Its callback is this much late: frames that nobody asked for.
    MainLate(i64, i64),
    /// It is there again, as a new start within the night.
    MainReturns(i64),
    BackupDies(i64),
    /// The lead is out from .. to.
    TimecodeOut(i64, i64),
    ClickOut(i64, i64),
    ReturnOut(i64, i64),
    /// White noise on the timecode line, dB below the timecode.
    Noise(f64),
    /// The line's gain; below 0 it is upside down.
    Gain(f32),
    /// Loud noise for so many frames.
    Crackle(i64, i64),
    /// Infinities and not-numbers on every input of the main for so many frames.
    NotANumber(i64, i64),
    /// Another device's click from here on so many frames later (negative: earlier).
    PadShifts(i64, i64),
    /// Each of its hits twice for a second.
    PadDoubles(i64),
    /// Hum, and no click any more.
    PadHums(i64),
    /// The thread that streams a click track ends without a word.
    RendererDies(i64),
    /// It goes on, and does this.
    Renderer(i64, Fault),
    /// The ear's own cable is out from .. to: no machine can mend that, and none should be believed to have.
    EarOut(i64, i64),
    /// A person at the main.
    Pressed(i64, Command),
    /// A person at the backup.
    PressedBackup(i64, Command),
}

/// For ever, as a frame that can be added to.
pub const FOREVER: i64 = i64::MAX / 4;

impl Mishap {
    /// When it happens; `None` for what is so from the start.
    pub const fn at(&self) -> Option<i64> {
        match self {
            Mishap::Noise(_) | Mishap::Gain(_) => None,
            Mishap::MainDies(at)
            | Mishap::MainRepeats(at)
            | Mishap::MainLate(at, _)
            | Mishap::MainReturns(at)
            | Mishap::BackupDies(at)
            | Mishap::TimecodeOut(at, _)
            | Mishap::ClickOut(at, _)
            | Mishap::ReturnOut(at, _)
            | Mishap::Crackle(at, _)
            | Mishap::NotANumber(at, _)
            | Mishap::PadShifts(at, _)
            | Mishap::PadDoubles(at)
            | Mishap::PadHums(at)
            | Mishap::RendererDies(at)
            | Mishap::Renderer(at, _)
            | Mishap::EarOut(at, _)
            | Mishap::Pressed(at, _)
            | Mishap::PressedBackup(at, _) => Some(*at),
        }
    }
}
