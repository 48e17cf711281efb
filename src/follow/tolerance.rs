//! How far from its due frame a hit may sound and still be the hit.

use crate::units::{Frames, SampleRate};

/// Below this a displacement is not noticed even between fast beats.
const LEAST_SECONDS: f64 = 0.006;
/// Of the interval, above about 240 ms.
const OF_INTERVAL: f64 = 0.025;
/// Of a safety delay, kept for hearing the onset (1 ms) and for making the hit that fills in (1 ms).
const KEPT_SECONDS: f64 = 0.002;

/// The larger of 6 ms and 2.5 % of the interval, with a safety delay above 2 ms at most that delay less 2 ms.
///
/// Source: Friberg & Sundberg 1995, J. Acoust. Soc. Am. 98(5): a displaced tone is noticed from 6 ms (intervals
/// under 240 ms) or 2.5 % (up to 1 s). Longer intervals are capped at 1 s: no figure was measured there.
/// Rounding: to the nearest frame. Real-time: safe.
pub fn tolerance(rate: SampleRate, interval: Frames, safety_delay: Frames) -> Frames {
    let seconds = rate.seconds(interval).clamp(0.0, 1.0);
    let heard = rate.frames((OF_INTERVAL * seconds).max(LEAST_SECONDS));
    let kept = safety_delay + Frames(-rate.frames(KEPT_SECONDS).0);
    if safety_delay.0 > 0 { Frames(heard.0.min(kept.0.max(0))) } else { heard }
}

#[cfg(test)]
mod tests {
    use super::*;

    const RATE: SampleRate = SampleRate::standard();

    /// 48 frames a millisecond: 6 ms is 288 frames, 2.5 % of 500 ms is 12.5 ms, 600 frames.
    #[test]
    fn six_milliseconds_or_two_and_a_half_percent_of_the_interval() {
        assert_eq!(tolerance(RATE, Frames(4_800), Frames(0)), Frames(288));
        assert_eq!(tolerance(RATE, Frames(24_000), Frames(0)), Frames(600));
        assert_eq!(tolerance(RATE, Frames(480_000), Frames(0)), Frames(1_200));
    }

    #[test]
    fn a_safety_delay_leaves_two_milliseconds_to_fill_in() {
        assert_eq!(tolerance(RATE, Frames(24_000), Frames(384)), Frames(288));
        assert_eq!(tolerance(RATE, Frames(24_000), Frames(48)), Frames(0));
        assert_eq!(tolerance(RATE, Frames(24_000), Frames(4_800)), Frames(600));
    }
}
