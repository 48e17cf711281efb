//! A look-ahead brick-wall limiter for one or two linked channels.
//!
//! The gain that a peak needs is held while its surroundings leave, and smoothed by an average that has arrived before
//! them. Gains are whole numbers of 2⁻³⁰: sums do not drift, unity is exactly 1 and any split into blocks gives the
//! same samples.

use super::true_peak::{CHUNK, HALF, TruePeak};

/// Unity.
const ONE: i64 = 1 << 30;

/// The true peak is taken this much below the ceiling (0.3 dB): what a longer meter reads between the places that are
/// looked at stays under it.
const MARGIN: f32 = 0.966;

/// Samples on both sides of a peak that leave at its gain.
const FLAT: usize = 6;

/// What is louder than this is no sound (18 dB over full scale).
const RANGE: f32 = 8.0;

/// The limiter's memory. Sized in [`Limiter::new`].
#[derive(Debug)]
pub struct Limiter {
    ceiling: f32,
    target: f32,
    /// Frames by which the output is late.
    look_ahead: usize,
    delay: [Vec<f32>; 2],
    write: usize,
    peak: TruePeak,
    /// Peaks that stand in the hold: place (frame count) and gain, rising.
    held: Vec<(u64, i64)>,
    held_first: usize,
    held_len: usize,
    hold: u64,
    count: u64,
    released: i64,
    release: i64,
    average: Vec<i64>,
    average_at: usize,
    sum: i64,
    deepest: f32,
}

impl Limiter {
    /// Allocates. `ceiling` is linear, `release` the time constant in frames. `look_ahead` 1 or more; below
    /// 30 frames the true peak is no longer held as closely, the sample peak always is.
    pub fn new(ceiling: f32, look_ahead: usize, release: f32) -> Limiter {
        let look_ahead = look_ahead.max(1);
        let average = look_ahead.saturating_sub(HALF + FLAT).max(1);
        let hold = look_ahead + FLAT;
        Limiter {
            ceiling,
            target: ceiling * MARGIN,
            look_ahead,
            delay: [vec![0.0; look_ahead], vec![0.0; look_ahead]],
            write: 0,
            peak: TruePeak::new(ceiling * MARGIN),
            held: vec![(0, ONE); hold + 2],
            held_first: 0,
            held_len: 0,
            hold: hold as u64,
            count: 0,
            released: ONE,
            release: ((1.0 - (-1.0 / release.max(1.0)).exp()) * ONE as f32) as i64,
            average: vec![ONE; average],
            average_at: 0,
            sum: ONE * average as i64,
            deepest: 1.0,
        }
    }

    pub fn look_ahead(&self) -> usize {
        self.look_ahead
    }

    /// Replaces the samples by what leaves now: `look_ahead` frames late, no sample above the ceiling. What is no
    /// number is silence.
    ///
    /// Shape: `right` is empty on a mono outlet, else as long as `left`. Panics: never. Real-time: safe.
    pub fn process(&mut self, left: &mut [f32], right: &mut [f32]) {
        if right.is_empty() {
            left.chunks_mut(CHUNK).for_each(|left| self.chunk(left, &mut []));
            return;
        }
        for (left, right) in left.chunks_mut(CHUNK).zip(right.chunks_mut(CHUNK)) {
            self.chunk(left, right);
        }
    }

    fn chunk(&mut self, left: &mut [f32], right: &mut [f32]) {
        make_sound(left);
        make_sound(right);
        let loud = [self.peak.take(0, left), !right.is_empty() && self.peak.take(1, right)];
        if loud == [false, false] && self.rests() {
            self.pass(left, right);
        } else {
            let mut peaks = [0.0; CHUNK];
            for (channel, _) in loud.iter().enumerate().filter(|(_, loud)| **loud) {
                self.peak.raise(channel, &mut peaks);
            }
            for (n, (left, peak)) in left.iter_mut().zip(peaks).enumerate() {
                self.frame(peak, left, right.get_mut(n));
            }
        }
        self.peak.keep(0, left.len());
        self.peak.keep(1, right.len());
    }

    /// At rest and with nothing loud near, a chunk is only delayed: what [`Limiter::frame`] would do, at once.
    fn pass(&mut self, left: &mut [f32], right: &mut [f32]) {
        let frames = left.len();
        for (delay, samples) in self.delay.iter_mut().zip([left, right]) {
            delay_by(delay, self.write, self.ceiling, samples);
        }
        self.write = (self.write + frames) % self.look_ahead;
        self.count += frames as u64;
    }

    /// Nothing is limited, held or on its way back.
    fn rests(&self) -> bool {
        self.held_len == 0 && self.released == ONE && self.sum == self.full()
    }

    fn full(&self) -> i64 {
        ONE * self.average.len() as i64
    }

    /// The deepest gain since the last call, linear (1 = nothing was limited).
    pub fn take_deepest(&mut self) -> f32 {
        std::mem::replace(&mut self.deepest, 1.0)
    }

    fn frame(&mut self, peak: f32, left: &mut f32, right: Option<&mut f32>) {
        let over = peak > self.target;
        let needed = if over { (f64::from(self.target) / f64::from(peak) * ONE as f64) as i64 } else { ONE };
        let gain = self.gain(needed);
        self.deepest = self.deepest.min(gain);
        for (sample, delay) in [Some(left), right].into_iter().flatten().zip(&mut self.delay) {
            if let Some(slot) = delay.get_mut(self.write) {
                let leaving = std::mem::replace(slot, *sample) * gain;
                *sample = leaving.clamp(-self.ceiling, self.ceiling);
            }
        }
        self.write = if self.write + 1 >= self.look_ahead { 0 } else { self.write + 1 };
    }

    /// The gain for the sample that leaves now.
    fn gain(&mut self, needed: i64) -> f32 {
        if needed == ONE && self.rests() {
            self.count += 1;
            return 1.0;
        }
        let held = self.hold(needed);
        let up = (((ONE - self.released) * self.release) >> 30) + 1;
        self.released = held.min(self.released.saturating_add(up)).min(ONE);
        if let Some(slot) = self.average.get_mut(self.average_at) {
            self.sum += self.released - std::mem::replace(slot, self.released);
        }
        self.average_at = if self.average_at + 1 >= self.average.len() { 0 } else { self.average_at + 1 };
        (self.sum as f64 / self.full() as f64) as f32
    }

    /// The least gain of the last frames: a queue of rising gains.
    fn hold(&mut self, needed: i64) -> i64 {
        while self.held_len > 0 && self.held_at(self.held_len - 1).1 >= needed {
            self.held_len -= 1;
        }
        if needed < ONE {
            let slot = self.slot(self.held_len);
            if let Some(entry) = self.held.get_mut(slot) {
                *entry = (self.count, needed);
                self.held_len += 1;
            }
        }
        self.count += 1;
        while self.held_len > 0 && self.held_at(0).0 + self.hold < self.count {
            self.held_first = self.slot(1);
            self.held_len -= 1;
        }
        if self.held_len > 0 { self.held_at(0).1 } else { ONE }
    }

    fn slot(&self, index: usize) -> usize {
        let slot = self.held_first + index;
        if slot >= self.held.len() { slot - self.held.len() } else { slot }
    }

    fn held_at(&self, index: usize) -> (u64, i64) {
        self.held.get(self.slot(index)).copied().unwrap_or((0, ONE))
    }
}

/// What is no number is silence, what is out of any range is brought into it.
fn make_sound(samples: &mut [f32]) {
    // All are looked at, eight at once, instead of up to the first.
    if samples.iter().fold(true, |sound, sample| sound & (sample.abs() <= RANGE)) {
        return;
    }
    for sample in samples {
        *sample = if sample.is_nan() { 0.0 } else { sample.clamp(-RANGE, RANGE) };
    }
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
            frames.chunks_mut(1).for_each(|sample| by_frame.process(sample, &mut []));
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

    /// A full-scale tone at a quarter of the rate, 45° off, has samples at −3 dB (EBU Tech 3341 test 15's idea).
    #[test]
    fn a_peak_between_samples_is_seen() {
        let mut limiter = Limiter::new(0.5, 72, 7200.0);
        let tone =
            |n: usize| (std::f32::consts::FRAC_PI_2 * n as f32 + std::f32::consts::FRAC_PI_4).sin() * 0.6;
        let mut signal: Vec<f32> = (0..4000).map(tone).collect();
        limiter.process(&mut signal, &mut []);
        let peak = signal[2000..].iter().fold(0.0f32, |most, sample| most.max(sample.abs()));
        assert!(peak * std::f32::consts::SQRT_2 <= 0.5, "true peak {}", peak * std::f32::consts::SQRT_2);
    }

    #[test]
    fn what_is_no_number_leaves_as_silence_and_what_is_far_too_loud_at_the_ceiling() {
        let mut limiter = Limiter::new(0.5, 72, 7200.0);
        let mut signal = vec![0.1f32; 400];
        (signal[100], signal[101], signal[102]) = (f32::NAN, f32::INFINITY, -1e30);
        limiter.process(&mut signal, &mut []);
        assert_eq!(signal[172], 0.0);
        assert!(signal.iter().all(|sample| sample.abs() <= 0.5));
        assert!(signal[399] > 0.0);
    }
}
