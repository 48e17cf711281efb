//! Why there is no figure, in values and in words.

use serde::{Deserialize, Serialize};
use std::fmt;

/// A measurement that would not be true, and what was seen instead.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(tag = "reason", rename_all = "snake_case")]
pub enum Refusal {
    /// The recording holds nothing at all, or nothing of the probe.
    NothingCameBack { peak_db: f64 },
    /// Something of the probe is there, at a level that proves nothing.
    TooQuiet { peak_db: f64, floor_db: f64 },
    /// Samples lie flat at the top.
    Clipped { samples: usize, peak_db: f64 },
    /// Shots stand out of the noise too seldom, or do not agree with each other.
    TooNoisy { found: usize, shots: usize, snr_db: Option<f64> },
    /// A long trail of sound behind each shot: a microphone in a room, where a cable was to be measured.
    AcousticPickUp { trail_db: f64 },
    /// Mains hum carries most of what was recorded.
    Hum { hertz: f64, level_db: f64 },
    /// The probe came back twice, and either could be meant.
    TwoArrivals { first_frames: f64, second_frames: f64, second_below_db: f64 },
    /// Shots came back later and later: two clocks, or a resampler between them.
    ClocksDiffer { ppm: f64, first_frames: f64, last_frames: f64 },
    /// From one shot to the next the delay was another: blocks were lost or put in.
    DelayJumped { after_shot: usize, frames: f64 },
    /// Two inputs that do not carry the same click.
    NotAlike { likeness: f64 },
}

impl Refusal {
    /// The reason as one word, as in JSON.
    pub fn word(&self) -> &'static str {
        match self {
            Refusal::NothingCameBack { .. } => "nothing_came_back",
            Refusal::TooQuiet { .. } => "too_quiet",
            Refusal::Clipped { .. } => "clipped",
            Refusal::TooNoisy { .. } => "too_noisy",
            Refusal::AcousticPickUp { .. } => "acoustic_pick_up",
            Refusal::Hum { .. } => "hum",
            Refusal::TwoArrivals { .. } => "two_arrivals",
            Refusal::ClocksDiffer { .. } => "clocks_differ",
            Refusal::DelayJumped { .. } => "delay_jumped",
            Refusal::NotAlike { .. } => "not_alike",
        }
    }

    /// What to do about it.
    pub fn mend(&self) -> &'static str {
        match self {
            Refusal::NothingCameBack { .. } => {
                "check the cable, the channel numbers, the input's gain and that direct monitoring is off"
            }
            Refusal::TooQuiet { .. } => "raise the level of the probe, or the input's gain",
            Refusal::Clipped { .. } => "turn the input's gain or the probe down",
            Refusal::TooNoisy { .. } => {
                "raise the level, wait until the stage is quiet, or measure with a longer probe (sequence or sweep)"
            }
            Refusal::AcousticPickUp { .. } => {
                "put a cable between output and input, or say that a microphone is being measured"
            }
            Refusal::Hum { .. } => {
                "use a balanced cable, lift the earth at a DI box, and keep away from power leads"
            }
            Refusal::TwoArrivals { .. } => {
                "take away the second path: direct monitoring, a mixer's send, a second cable, or a near wall"
            }
            Refusal::ClocksDiffer { .. } => {
                "give both ends one clock: the same interface, or word clock; and switch resampling off"
            }
            Refusal::NotAlike { .. } => {
                "check that both inputs carry the same click; a wireless path's compander bends it: send clicks of one \
                 level only"
            }
            Refusal::DelayJumped { .. } => {
                "make blocks larger, close what else uses the computer, and measure again"
            }
        }
    }
}

impl fmt::Display for Refusal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Refusal::NothingCameBack { peak_db } => {
                write!(
                    f,
                    "nothing came back: the loudest sample is at {peak_db:.1} dBFS, and the probe is not in it"
                )
            }
            Refusal::TooQuiet { peak_db, floor_db } => {
                write!(
                    f,
                    "too quiet: the probe came back at {peak_db:.1} dBFS, over a floor of {floor_db:.1} dBFS"
                )
            }
            Refusal::Clipped { samples, peak_db } => {
                write!(f, "clipped: {samples} samples lie flat at {peak_db:.1} dBFS")
            }
            Refusal::TooNoisy { found, shots, snr_db } => {
                write!(f, "too noisy: {found} of {shots} shots agree")?;
                snr_db.map_or(Ok(()), |snr| write!(f, ", {snr:.0} dB over the noise"))
            }
            Refusal::AcousticPickUp { trail_db } => write!(
                f,
                "acoustic pick-up: behind each shot comes a trail of {trail_db:.0} dB against the shot, as from a room"
            ),
            Refusal::Hum { hertz, level_db } => {
                write!(f, "hum: {hertz:.1} Hz at {level_db:.1} dBFS drowns what came back")
            }
            Refusal::TwoArrivals { first_frames, second_frames, second_below_db } => write!(
                f,
                "two arrivals: after {first_frames:.1} and {second_frames:.1} frames, the weaker one \
                 {second_below_db:.1} dB below the other"
            ),
            Refusal::ClocksDiffer { ppm, first_frames, last_frames } => write!(
                f,
                "the delay changed from {first_frames:.2} to {last_frames:.2} frames, steadily: the clocks of output \
                 and input differ by {ppm:+.1} ppm"
            ),
            Refusal::NotAlike { likeness } => {
                write!(f, "not alike: the two inputs have {:.0} % in common", likeness * 100.0)
            }
            Refusal::DelayJumped { after_shot, frames } => {
                write!(f, "the delay jumped by {frames:+.1} frames after shot {after_shot}")
            }
        }
    }
}
