//! Where the time of a way from a microphone to an ear goes, in parts that add up.

use crate::device::Negotiated;
use crate::device::second::Side;
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
    /// Why it is there, where that is not plain.
    pub why: Option<&'static str>,
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

pub const ONE_CALLBACK: &str = "both directions come in one callback: nothing has to wait";
pub const TWO_CALLBACKS: &str = "this host calls for inputs and for outputs in no fixed order: one input block and 64 frames \
                             keep them apart";
pub const TWO_CLOCKS: &str =
    "a block of each interface, half of both for calls that come late, and 128 frames to fade with";
pub const FILTER: &str = "what is read between two samples needs 64 of them on each side";

/// The parts of a measured round trip, and the limiters' look-ahead, which a loop does not pass.
///
/// Source: one block is filled before the program gets it, one plays while the next is made; the ring holds what
/// the program counted (`input_offset`, below zero); the rest is converters and the driver's own buffers. A way
/// shorter than its blocks never left the computer and is not split. On a second interface, whose block is part of
/// what its ring holds, see [`Sides::delay_frames`](crate::device::second::joined::Sides::delay_frames).
pub fn budget(
    round_trip: f64,
    negotiated: &Negotiated,
    input_offset: Frames,
    look_ahead: Frames,
    second: Option<&Side>,
) -> Budget {
    let block = f64::from(negotiated.block);
    let part = |name, frames, source, why| Part { name, frames, source, why };
    let known = |name, frames, why| part(name, frames, Source::Known, why);
    let before = match second {
        Some(side) => vec![
            known("ring: from the second interface's clock to ours", side.ring_frames, Some(TWO_CLOCKS)),
            known("filter between the two clocks", side.filter_frames, Some(FILTER)),
        ],
        None => {
            let ring = ((-input_offset.0).max(0) as f64).min(round_trip);
            let why = if negotiated.duplex { ONE_CALLBACK } else { TWO_CALLBACKS };
            vec![
                known("block in: filled before the program has it", block, None),
                known("ring: waits for the output's turn", ring, Some(why)),
            ]
        }
    };
    let after = known("block out: plays while the next is made", block, None);
    let limiter = known("limiter: looks ahead, so that nothing is cut", look_ahead.0 as f64, None);
    let rest = round_trip - after.frames - before.iter().map(|part| part.frames).sum::<f64>();
    let mut parts = Vec::new();
    if rest >= 0.0 {
        parts.push(part("converters and driver, in and out together", rest, Source::Rest, None));
        parts.extend(before);
        parts.extend([limiter, after]);
    } else {
        let ring = before.into_iter().filter(|part| part.why.is_some() && second.is_none());
        let ring: Vec<Part> = ring.collect();
        let rest = round_trip - ring.iter().map(|part| part.frames).sum::<f64>();
        parts.push(part("blocks, in and out together; no converter", rest, Source::Rest, None));
        parts.extend(ring);
        parts.push(limiter);
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
            second: None,
        }
    }

    #[test]
    fn parts_add_up_and_without_the_limiter_are_the_round_trip() {
        for (round_trip, offset) in [(611.25, -192), (256.0, 0), (100.5, 0), (80.0, -192), (0.0, 0)] {
            let budget = budget(round_trip, &negotiated(128, false), Frames(offset), Frames(72), None);
            let sum: f64 = budget.parts.iter().map(|part| part.frames).sum();
            assert!((sum - budget.total_frames).abs() < 1e-9);
            assert!((sum - 72.0 - round_trip).abs() < 1e-9, "{budget:?}");
            assert!(budget.parts.iter().all(|part| part.frames >= 0.0), "{budget:?}");
        }
    }

    #[test]
    fn known_parts_are_what_the_program_counts() {
        let budget = budget(611.25, &negotiated(128, false), Frames(-192), Frames(72), None);
        let frames: Vec<f64> = budget.parts.iter().map(|part| part.frames).collect();
        // 611.25 − 192 − 2 × 128 is left for the converters.
        assert_eq!(frames, [163.25, 128.0, 192.0, 72.0, 128.0]);
    }

    #[test]
    fn a_second_interface_s_way_is_split_into_its_own_parts() {
        let side = Side {
            host: "alsa".into(),
            device: "Balcony".into(),
            block: 128,
            first_input: 2,
            inputs: 1,
            ring_frames: 512.0,
            filter_frames: 64.0,
            fault: None,
        };
        let budget = budget(800.0, &negotiated(128, true), Frames(0), Frames(72), Some(&side));
        let frames: Vec<f64> = budget.parts.iter().map(|part| part.frames).collect();
        // 800 − 512 − 64 − 128 is left for the converters.
        assert_eq!(frames, [96.0, 512.0, 64.0, 72.0, 128.0]);
        assert_eq!(budget.total_frames, 872.0);
        assert!(budget.parts[1].why.is_some_and(|why| why.contains("block of each")));
    }
}
