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

/// ITU-R BS.1770-4 annex 2, the 48-tap, 4-phase interpolating filter: tap by tap, its four phases (2 and 3 are 1
/// and 0 mirrored). Values from memory; the tests hold each phase to near unity and a tone between samples to
/// its peak.
#[rustfmt::skip]
const PHASES: [[f32; 4]; TAPS] = [
    [0.001_708_984, -0.029_174_805, -0.018_920_898, -0.008_300_781],
    [0.010_986_328, 0.029_296_875, 0.033_081_055, 0.014_892_578],
    [-0.019_653_32, -0.051_757_813, -0.058_227_54, -0.026_611_328],
    [0.033_203_125, 0.089_111_33, 0.101_562_5, 0.047_607_422],
    [-0.059_448_242, -0.166_503_9, -0.200_317_38, -0.102_294_92],
    [0.137_329_1, 0.465_087_9, 0.779_785_16, 0.972_167_97],
    [0.972_167_97, 0.779_785_16, 0.465_087_9, 0.137_329_1],
    [-0.102_294_92, -0.200_317_38, -0.166_503_9, -0.059_448_242],
    [0.047_607_422, 0.101_562_5, 0.089_111_33, 0.033_203_125],
    [-0.026_611_328, -0.058_227_54, -0.051_757_813, -0.019_653_32],
    [0.014_892_578, 0.033_081_055, 0.029_296_875, 0.010_986_328],
    [-0.008_300_781, -0.018_920_898, -0.029_174_805, 0.001_708_984],
];

/// Frames that are looked at together: where all of them are quiet, nothing is computed for each.
const CHUNK: usize = 32;

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
    /// The newest samples of each channel, written twice so that the last [`TAPS`] lie in a row.
    history: [[f32; TAPS * 2]; 2],
    history_at: usize,
    /// Frames until the last loud sample has left the history.
    loud: usize,
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
            history: [[0.0; TAPS * 2]; 2],
            history_at: 0,
            loud: 0,
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
            for left in left.chunks_mut(CHUNK) {
                if !self.pass_quiet(left, &mut []) {
                    left.iter_mut().for_each(|l| self.frame(l, None));
                }
            }
            return;
        }
        for (left, right) in left.chunks_mut(CHUNK).zip(right.chunks_mut(CHUNK)) {
            if !self.pass_quiet(left, right) {
                left.iter_mut().zip(right.iter_mut()).for_each(|(l, r)| self.frame(l, Some(r)));
            }
        }
    }

    /// At rest and with nothing loud near, a chunk is only delayed: what [`Limiter::frame`] would do, at once.
    fn pass_quiet(&mut self, left: &mut [f32], right: &mut [f32]) -> bool {
        if self.loud > 0 || !self.rests() || most(left).max(most(right)) > self.ceiling * LOOK_CLOSER {
            return false;
        }
        let frames = left.len();
        for (channel, samples) in [left, right].into_iter().enumerate() {
            self.remember(channel, samples);
            let Some(delay) = self.delay.get_mut(channel) else { continue };
            delay_by(delay, self.write, self.ceiling, samples);
        }
        self.history_at = (self.history_at + frames) % TAPS;
        self.write = (self.write + frames) % self.look_ahead;
        self.count += frames as u64;
        true
    }

    /// Nothing is limited, held or on its way back.
    fn rests(&self) -> bool {
        self.held_len == 0 && self.released == ONE && self.sum == ONE * self.look_ahead as i64
    }

    /// Puts a chunk's last samples where [`Limiter::peak`] would have put them.
    fn remember(&mut self, channel: usize, samples: &[f32]) {
        let skipped = samples.len().saturating_sub(TAPS);
        let Some(history) = self.history.get_mut(channel) else { return };
        for (index, sample) in samples.iter().enumerate().skip(skipped) {
            write_twice(history, (self.history_at + index) % TAPS, *sample);
        }
    }

    /// The deepest gain since the last call, linear (1 = nothing was limited).
    pub fn take_deepest(&mut self) -> f32 {
        std::mem::replace(&mut self.deepest, ONE) as f32 / ONE as f32
    }

    fn frame(&mut self, left: &mut f32, right: Option<&mut f32>) {
        let peak = self.peak(*left, right.as_deref().copied());
        let needed =
            if peak > self.ceiling { (f64::from(self.ceiling / peak) * ONE as f64) as i64 } else { ONE };
        let gain = self.gain(needed);
        self.deepest = self.deepest.min(gain);
        let gain = gain as f32 / ONE as f32;
        for (sample, delay) in [Some(left), right].into_iter().flatten().zip(&mut self.delay) {
            if let Some(slot) = delay.get_mut(self.write) {
                let leaving = std::mem::replace(slot, *sample) * gain;
                *sample = leaving.clamp(-self.ceiling, self.ceiling);
            }
        }
        self.write = if self.write + 1 >= self.look_ahead { 0 } else { self.write + 1 };
    }

    /// The larger of sample and interpolated peak around the newest samples.
    fn peak(&mut self, left: f32, right: Option<f32>) -> f32 {
        let mut peak = left.abs().max(right.unwrap_or(0.0).abs());
        self.loud = if peak > self.ceiling * LOOK_CLOSER { TAPS } else { self.loud.saturating_sub(1) };
        let at = self.history_at;
        self.history_at = (at + 1) % TAPS;
        for (history, sample) in self.history.iter_mut().zip([Some(left), right].into_iter().flatten()) {
            write_twice(history, at, sample);
            if self.loud > 0 {
                peak = peak.max(between(history.get(at + 1..).unwrap_or(&[])));
            }
        }
        peak
    }

    /// The gain for the sample that leaves now.
    fn gain(&mut self, needed: i64) -> i64 {
        if needed == ONE && self.rests() {
            self.count += 1;
            return ONE;
        }
        let held = self.hold(needed);
        let up = (((ONE - self.released) * self.release) >> 30) + 1;
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

fn most(samples: &[f32]) -> f32 {
    samples.iter().fold(0.0, |most, sample| if sample.abs() > most { sample.abs() } else { most })
}

fn write_twice(history: &mut [f32; TAPS * 2], at: usize, sample: f32) {
    for slot in [at, at + TAPS] {
        if let Some(slot) = history.get_mut(slot) {
            *slot = sample;
        }
    }
}

/// Largest interpolated value at the four phases around the middle of the last [`TAPS`] samples, oldest first.
fn between(samples: &[f32]) -> f32 {
    let mut phases = [0.0f32; 4];
    for (sample, taps) in samples.iter().zip(&PHASES) {
        for (phase, tap) in phases.iter_mut().zip(taps) {
            *phase += sample * tap;
        }
    }
    most(&phases)
}

/// Swaps samples with what went into the delay line a look-ahead ago, from `write` on, never above the ceiling.
fn delay_by(delay: &mut [f32], write: usize, ceiling: f32, samples: &mut [f32]) {
    let (wrapped, straight) = delay.split_at_mut(write.min(delay.len()));
    let (first, rest) = samples.split_at_mut(samples.len().min(straight.len()));
    swap(straight, ceiling, first);
    for samples in rest.chunks_mut(wrapped.len() + straight.len()) {
        let (first, second) = samples.split_at_mut(samples.len().min(wrapped.len()));
        swap(wrapped, ceiling, first);
        swap(straight, ceiling, second);
    }
}

fn swap(delay: &mut [f32], ceiling: f32, samples: &mut [f32]) {
    for (sample, slot) in samples.iter_mut().zip(delay) {
        let leaving = std::mem::replace(slot, *sample);
        *sample = leaving.clamp(-ceiling, ceiling);
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

    #[test]
    fn quiet_chunks_and_loud_frames_join_without_a_seam() {
        let mut random = fastrand::Rng::with_seed(5);
        let level = |n: usize| if n / 700 % 3 == 2 { 1.5 } else { 0.1 };
        let input: Vec<f32> = (0..40_000).map(|n| (random.f32() * 2.0 - 1.0) * level(n)).collect();
        for look_ahead in [1, 7, 40, 72] {
            let mut whole = input.clone();
            Limiter::new(0.3, look_ahead, 30.0).process(&mut whole, &mut []);
            let mut by_frame = Limiter::new(0.3, look_ahead, 30.0);
            let mut frames = input.clone();
            frames.iter_mut().for_each(|sample| by_frame.frame(sample, None));
            assert_eq!(whole, frames, "look-ahead {look_ahead}");
            let mut ragged = Limiter::new(0.3, look_ahead, 30.0);
            let mut pieces = input.clone();
            let mut rest = &mut pieces[..];
            while !rest.is_empty() {
                let (piece, after) = rest.split_at_mut(random.usize(1..=90).min(rest.len()));
                ragged.process(piece, &mut []);
                rest = after;
            }
            assert_eq!(whole, pieces, "look-ahead {look_ahead}");
            let mut twin = (input.clone(), vec![0.0; input.len()]);
            Limiter::new(0.3, look_ahead, 30.0).process(&mut twin.0, &mut twin.1);
            assert_eq!(whole, twin.0, "a silent right channel changes nothing");
        }
    }

    /// Source: unity at DC is what an interpolator must have; the table's phases miss it by 2.8 % at most.
    #[test]
    fn each_phase_of_the_interpolator_is_near_unity() {
        for phase in 0..4 {
            let sum: f32 = PHASES.iter().map(|taps| taps[phase]).sum();
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
