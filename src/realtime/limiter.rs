//! A look-ahead brick-wall limiter for one or two linked channels.
//!
//! The gain a sample needs is held for the look-ahead and smoothed by an equally long average, so that it
//! has arrived when the sample leaves. Gains are whole numbers of 2⁻³⁰: sums do not drift, unity is
//! exactly 1 and any split into blocks gives the same samples.

/// Unity.
const ONE: i64 = 1 << 30;

/// Points of the interpolator before and after the middle.
const TAPS: usize = 12;

/// Sample peaks below this part of the ceiling cannot hide a true peak above it (12 dB and more between
/// samples would need a tone within 2 % of the Nyquist frequency).
const LOOK_CLOSER: f32 = 0.5;

/// ITU-R BS.1770-4 annex 2, the 48-tap, 4-phase interpolating filter (phases 0 and 1; 3 and 2 are their mirror
/// images). Values from memory; the tests hold each phase to near unity and a tone between samples to its peak.
#[rustfmt::skip]
const PHASES: [[f32; TAPS]; 2] = [
    [
        0.001_708_984, 0.010_986_328, -0.019_653_32, 0.033_203_125, -0.059_448_242, 0.137_329_1,
        0.972_167_97, -0.102_294_92, 0.047_607_422, -0.026_611_328, 0.014_892_578, -0.008_300_781,
    ],
    [
        -0.029_174_805, 0.029_296_875, -0.051_757_813, 0.089_111_33, -0.166_503_9, 0.465_087_9,
        0.779_785_16, -0.200_317_38, 0.101_562_5, -0.058_227_54, 0.033_081_055, -0.018_920_898,
    ],
];

/// The limiter's memory. Sized in [`Limiter::new`].
#[derive(Debug)]
pub struct Limiter {
    ceiling: f32,
    /// Frames by which the output is late; also the hold and the length of the average.
    look_ahead: usize,
    delay: [Vec<f32>; 2],
    write: usize,
    /// Peaks that stand in the hold: place (frame count) and gain, rising.
    held: Vec<(u64, i64)>,
    held_first: usize,
    held_len: usize,
    count: u64,
    released: i64,
    release: i64,
    average: Vec<i64>,
    sum: i64,
    history: [[f32; TAPS]; 2],
    deepest: i64,
}

impl Limiter {
    /// Allocates. `ceiling` is linear, `release` the time constant in frames. `look_ahead` 1 or more.
    pub fn new(ceiling: f32, look_ahead: usize, release: f32) -> Limiter {
        let look_ahead = look_ahead.max(1);
        Limiter {
            ceiling,
            look_ahead,
            delay: [vec![0.0; look_ahead], vec![0.0; look_ahead]],
            write: 0,
            held: vec![(0, ONE); look_ahead + 2],
            held_first: 0,
            held_len: 0,
            count: 0,
            released: ONE,
            release: ((1.0 - (-1.0 / release.max(1.0)).exp()) * ONE as f32) as i64,
            average: vec![ONE; look_ahead],
            sum: ONE * look_ahead as i64,
            history: [[0.0; TAPS]; 2],
            deepest: ONE,
        }
    }

    pub fn look_ahead(&self) -> usize {
        self.look_ahead
    }

    /// Replaces the samples by what leaves now: `look_ahead` frames late, no sample above the ceiling.
    ///
    /// Shape: `right` is empty on a mono outlet, else as long as `left`. Panics: never. Real-time: safe.
    pub fn process(&mut self, left: &mut [f32], right: &mut [f32]) {
        if right.is_empty() {
            for l in left.iter_mut() {
                let mut silent = 0.0;
                self.frame(l, &mut silent);
            }
            return;
        }
        for (l, r) in left.iter_mut().zip(right.iter_mut()) {
            self.frame(l, r);
        }
    }

    /// The deepest gain since the last call, linear (1 = nothing was limited).
    pub fn take_deepest(&mut self) -> f32 {
        std::mem::replace(&mut self.deepest, ONE) as f32 / ONE as f32
    }

    fn frame(&mut self, left: &mut f32, right: &mut f32) {
        let peak = self.peak(*left, *right);
        let needed =
            if peak > self.ceiling { (f64::from(self.ceiling / peak) * ONE as f64) as i64 } else { ONE };
        let gain = self.gain(needed);
        self.deepest = self.deepest.min(gain);
        let gain = gain as f32 / ONE as f32;
        let [delay_left, delay_right] = &mut self.delay;
        for (sample, delay) in [(left, delay_left), (right, delay_right)] {
            if let Some(slot) = delay.get_mut(self.write) {
                let leaving = std::mem::replace(slot, *sample) * gain;
                *sample = leaving.clamp(-self.ceiling, self.ceiling);
            }
        }
        self.write = if self.write + 1 >= self.look_ahead { 0 } else { self.write + 1 };
    }

    /// The larger of sample and interpolated peak around the newest samples.
    fn peak(&mut self, left: f32, right: f32) -> f32 {
        let mut peak = left.abs().max(right.abs());
        let mut near = peak;
        for (history, sample) in self.history.iter_mut().zip([left, right]) {
            history.copy_within(1.., 0);
            if let Some(last) = history.last_mut() {
                *last = sample;
            }
            near = history.iter().fold(near, |most, sample| most.max(sample.abs()));
        }
        if near > self.ceiling * LOOK_CLOSER {
            for history in &self.history {
                for phase in &PHASES {
                    let forward: f32 = history.iter().zip(phase).map(|(x, h)| x * h).sum();
                    let mirrored: f32 = history.iter().rev().zip(phase).map(|(x, h)| x * h).sum();
                    peak = peak.max(forward.abs()).max(mirrored.abs());
                }
            }
        }
        peak
    }

    /// The gain for the sample that leaves now.
    fn gain(&mut self, needed: i64) -> i64 {
        if needed == ONE
            && self.held_len == 0
            && self.released == ONE
            && self.sum == ONE * self.look_ahead as i64
        {
            self.count += 1;
            return ONE;
        }
        let held = self.hold(needed);
        let up = ((i128::from(ONE - self.released) * i128::from(self.release)) >> 30) as i64 + 1;
        self.released = held.min(self.released.saturating_add(up)).min(ONE);
        if let Some(slot) = self.average.get_mut(self.write) {
            self.sum += self.released - std::mem::replace(slot, self.released);
        }
        self.sum / self.look_ahead as i64
    }

    /// The least gain of the last `look_ahead + 1` frames: a queue of rising gains.
    fn hold(&mut self, needed: i64) -> i64 {
        let size = self.held.len();
        while self.held_len > 0 && self.held_at(self.held_len - 1).1 >= needed {
            self.held_len -= 1;
        }
        if needed < ONE {
            let slot = (self.held_first + self.held_len) % size.max(1);
            if let Some(entry) = self.held.get_mut(slot) {
                *entry = (self.count, needed);
                self.held_len += 1;
            }
        }
        self.count += 1;
        while self.held_len > 0 && self.held_at(0).0 + (self.look_ahead as u64) < self.count {
            self.held_first = (self.held_first + 1) % size.max(1);
            self.held_len -= 1;
        }
        if self.held_len > 0 { self.held_at(0).1 } else { ONE }
    }

    fn held_at(&self, index: usize) -> (u64, i64) {
        self.held.get((self.held_first + index) % self.held.len().max(1)).copied().unwrap_or((0, ONE))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn noise(seed: u64, level: f32, frames: usize) -> Vec<f32> {
        let mut random = fastrand::Rng::with_seed(seed);
        (0..frames).map(|_| (random.f32() * 2.0 - 1.0) * level).collect()
    }

    #[test]
    fn below_the_ceiling_it_is_a_pure_delay() {
        let mut limiter = Limiter::new(0.5, 72, 7200.0);
        let input = noise(1, 0.2, 1000);
        let mut output = input.clone();
        limiter.process(&mut output, &mut []);
        assert_eq!(output[..72], [0.0; 72]);
        assert_eq!(output[72..], input[..928]);
    }

    #[test]
    fn a_sudden_peak_is_held_at_the_ceiling_without_the_clamp() {
        let mut limiter = Limiter::new(0.5, 72, 7200.0);
        let mut signal = vec![0.1f32; 400];
        signal[200] = 0.9;
        let input = signal.clone();
        limiter.process(&mut signal, &mut []);
        let gain_at_peak = signal[272] / input[200];
        assert!(gain_at_peak <= 0.5 / 0.9 + 1e-3, "{gain_at_peak}");
        assert!(gain_at_peak >= 0.5 / 0.98 * 0.9, "{gain_at_peak}");
        for pair in signal.windows(2).take(270) {
            assert!((pair[1] - pair[0]).abs() < 0.2);
        }
    }

    #[test]
    fn no_sample_passes_the_ceiling_and_it_returns_to_exactly_one() {
        let mut limiter = Limiter::new(0.5, 72, 480.0);
        let (mut left, mut right) = (noise(2, 4.0, 20_000), noise(3, 1.0, 20_000));
        limiter.process(&mut left, &mut right);
        assert!(left.iter().chain(&right).all(|sample| sample.abs() <= 0.5));
        let mut quiet = vec![0.125f32; 40_000];
        limiter.process(&mut quiet, &mut vec![0.0; 40_000]);
        assert_eq!(quiet[39_999], 0.125);
    }

    #[test]
    fn any_split_gives_the_same_samples() {
        let (mut a, mut b) = (Limiter::new(0.3, 40, 900.0), Limiter::new(0.3, 40, 900.0));
        let mut whole = noise(4, 1.0, 5000);
        let mut parts = whole.clone();
        a.process(&mut whole, &mut []);
        parts.chunks_mut(17).for_each(|piece| b.process(piece, &mut []));
        assert_eq!(whole, parts);
    }

    /// Source: unity at DC is what an interpolator must have; the table's phases miss it by 2.8 % at most.
    #[test]
    fn each_phase_of_the_interpolator_is_near_unity() {
        for phase in PHASES {
            let sum: f32 = phase.iter().sum();
            assert!((sum - 1.0).abs() < 0.03, "{sum}");
        }
    }

    /// A full-scale tone at a quarter of the rate, 45° off, has samples at −3 dB (EBU Tech 3341 test 15's idea).
    #[test]
    fn a_peak_between_samples_is_seen() {
        let mut limiter = Limiter::new(0.5, 72, 7200.0);
        let tone =
            |n: usize| (std::f32::consts::FRAC_PI_2 * n as f32 + std::f32::consts::FRAC_PI_4).sin() * 0.6;
        let mut signal: Vec<f32> = (0..4000).map(tone).collect();
        limiter.process(&mut signal, &mut []);
        let peak = signal[2000..].iter().fold(0.0f32, |most, sample| most.max(sample.abs()));
        assert!(
            peak * std::f32::consts::SQRT_2 <= 0.5 * 1.024,
            "true peak {}",
            peak * std::f32::consts::SQRT_2
        );
    }
}
