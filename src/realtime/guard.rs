//! Keeps rooms and talkbacks under what the click of a feed leaves free, so that a roaring crowd cannot push it down.

use super::true_peak::most;

/// A full-scale crowd lowers the click by no more than this (1 dB).
const AT_MOST: f32 = 1.122_018_5;

/// Between its samples a roar that is held rises by a fifth and more; and the limiter aims 0.3 dB below the ceiling.
const RISES: f32 = 0.65;

/// Where nothing is known of the clicks: half of the ceiling.
const UNKNOWN: f32 = 0.5;

/// Instant attack and slow release, on a mix of one or two channels.
#[derive(Debug)]
pub struct Guard {
    ceiling: f32,
    most: f32,
    envelope: f32,
    release: f32,
}

impl Guard {
    /// `ceiling` is the feed's, linear; `release` the time constant in frames.
    pub fn new(ceiling: f32, release: f32) -> Guard {
        let mut guard = Guard { ceiling, most: 0.0, envelope: 0.0, release: (-1.0 / release.max(1.0)).exp() };
        guard.leave_room_for(0.0);
        guard
    }

    /// `click` is the click's peak as planned, 0 where that is not known.
    ///
    /// Source: the limiter lowers the sum of a click C and a room A to the ceiling c. Without A it lowers C to c where C
    /// is above. So A takes at most 1 dB where C + A ≤ 1.122 max(C, c).
    pub fn leave_room_for(&mut self, click: f32) {
        let c = self.ceiling;
        let click = if click > 0.0 { click } else { UNKNOWN * c };
        self.most = (AT_MOST * c.max(click) - click) * RISES;
    }

    /// Real-time: safe. Shape: `right` empty or as long as `left`.
    pub fn hold(&mut self, left: &mut [f32], right: &mut [f32]) {
        if self.envelope <= self.most && most(left).max(most(right)) <= self.most {
            // An envelope below what is held changes nothing, now or later.
            self.envelope = 0.0;
            return;
        }
        for n in 0..left.len() {
            let (one, two) = (left.get_mut(n), right.get_mut(n));
            let peak = [&one, &two].into_iter().flatten().fold(0.0f32, |most, sample| most.max(sample.abs()));
            self.envelope = peak.max(self.envelope * self.release);
            if self.envelope > self.most {
                let gain = self.most / self.envelope;
                [one, two].into_iter().flatten().for_each(|sample| *sample *= gain);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn any_split_gives_the_same_samples_and_none_above() {
        let mut random = fastrand::Rng::with_seed(2);
        let level = |n: usize| if n / 3000 % 2 == 1 { 3.0 } else { 0.1 };
        let noise: Vec<f32> = (0..20_000).map(|n| (random.f32() - 0.5) * level(n)).collect();
        let (mut whole, mut parts) = (noise.clone(), noise);
        Guard::new(0.5, 700.0).hold(&mut whole, &mut []);
        let mut guard = Guard::new(0.5, 700.0);
        parts.chunks_mut(37).for_each(|part| guard.hold(part, &mut []));
        assert_eq!(whole, parts);
        assert!(most(&whole) <= guard.most * 1.000_001 && most(&whole) > guard.most * 0.9);
    }

    /// Worked: ceiling 0.5, click 0.25: 0.561 − 0.25 = 0.311; a click at the ceiling leaves 0.061.
    #[test]
    fn a_louder_click_leaves_the_crowd_less() {
        let mut guard = Guard::new(0.5, 7200.0);
        for (click, free) in [(0.25, 0.311), (0.5, 0.061), (1.0, 0.122)] {
            guard.leave_room_for(click);
            assert!((guard.most - free * RISES).abs() < 1e-3, "{click}: {}", guard.most);
        }
    }
}
