//! Where the time of a way from a microphone to an ear goes, in parts that add up.

use crate::device::Negotiated;
use crate::units::Frames;
use serde::Serialize;

/// Where a figure comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Source {
    /// Measured, less the parts that are known.
    Rest,
    /// What the driver says of itself.
    Claimed,
    /// The program's own way.
    Known,
}

#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Part {
    pub name: &'static str,
    pub frames: f64,
    pub source: Source,
}

/// A microphone's way into an ear through the program.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Budget {
    /// In the order of the way; their sum is `total_frames`.
    pub parts: Vec<Part>,
    pub total_frames: f64,
    /// The part of it that a loop measures: all but the limiter.
    pub round_trip_frames: f64,
}

/// The parts of a measured round trip, and the limiters' look-ahead, which a loop does not pass.
///
/// Source: one block is filled before the program gets it, one plays while the next is made; the ring holds what
/// the program counted (`input_offset`, below zero); the rest is converters and the driver's own buffers. A way
/// shorter than its blocks never left the computer and is not split.
pub fn budget(round_trip: f64, negotiated: &Negotiated, input_offset: Frames, look_ahead: Frames) -> Budget {
    let ring = (-input_offset.0).max(0) as f64;
    let ring = ring.min(round_trip);
    let block = f64::from(negotiated.block);
    let rest = round_trip - ring - 2.0 * block;
    let part = |name, frames, source| Part { name, frames, source };
    let mut parts = if rest >= 0.0 {
        vec![
            part("converters and driver, in and out together", rest, Source::Rest),
            part("block in: filled before the program has it", block, Source::Known),
        ]
    } else {
        vec![part("blocks, in and out together; no converter", round_trip - ring, Source::Rest)]
    };
    if !negotiated.duplex {
        parts.push(part("ring: waits for the output's turn", ring, Source::Known));
    }
    parts.push(part("limiter: looks ahead, so that nothing is cut", look_ahead.0 as f64, Source::Known));
    if rest >= 0.0 {
        parts.push(part("block out: plays while the next is made", block, Source::Known));
    }
    let total_frames = parts.iter().map(|part| part.frames).sum();
    Budget { parts, total_frames, round_trip_frames: round_trip }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::SampleRate;

    fn negotiated(block: u32, duplex: bool) -> Negotiated {
        Negotiated {
            host: "alsa".into(),
            device: "Harbour 8".into(),
            id: "hw:CARD=Harbour,DEV=0".into(),
            rate: SampleRate::standard(),
            block,
            max_block: 8192,
            inputs: 2,
            outputs: 2,
            duplex,
            claimed_latency: None,
        }
    }

    #[test]
    fn parts_add_up_and_without_the_limiter_are_the_round_trip() {
        for (round_trip, offset) in [(611.25, -192), (256.0, 0), (100.5, 0), (80.0, -192), (0.0, 0)] {
            let budget = budget(round_trip, &negotiated(128, false), Frames(offset), Frames(72));
            let sum: f64 = budget.parts.iter().map(|part| part.frames).sum();
            assert!((sum - budget.total_frames).abs() < 1e-9);
            assert!((sum - 72.0 - round_trip).abs() < 1e-9, "{budget:?}");
            assert!(budget.parts.iter().all(|part| part.frames >= 0.0), "{budget:?}");
        }
    }

    #[test]
    fn known_parts_are_what_the_program_counts() {
        let budget = budget(611.25, &negotiated(128, false), Frames(-192), Frames(72));
        let frames: Vec<f64> = budget.parts.iter().map(|part| part.frames).collect();
        // 611.25 − 192 − 2 × 128 is left for the converters.
        assert_eq!(frames, [163.25, 128.0, 192.0, 72.0, 128.0]);
    }
}
