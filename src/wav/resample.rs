//! Another rate, with the delay taken out: output frame `n` is the input at `n × from / to` exactly.
//!
//! rubato's synchronous resampler does the work. It is asked for blocks by number, so that a seek and a
//! straight run give the same samples.

use crate::units::SampleRate;
use rubato::audioadapter_buffers::direct::SequentialSliceOfVecs;
use rubato::{Fft, FixedSync, Resampler as _, WindowFunction};
use std::convert::Infallible;

/// Input frames a block at least; the filter is as long as a block (quality against delay).
const SHORTEST_BLOCK: usize = 512;

/// One channel at another rate, block by block.
pub struct Resampler {
    inner: Fft<f32>,
    from: usize,
    to: usize,
    /// The block that follows without a seek.
    next: Option<i64>,
    input: [Vec<f32>; 1],
    output: [Vec<f32>; 1],
}

impl Resampler {
    /// `None` when the rates are equal. Allocates.
    pub fn new(from: SampleRate, to: SampleRate) -> Option<Resampler> {
        let (hertz_from, hertz_to) = (from.hertz() as usize, to.hertz() as usize);
        if from == to {
            return None;
        }
        // Even sizes on both sides make the delay a whole number of frames on both sides.
        let divisor = num_integer::gcd(hertz_from, hertz_to);
        let (unit_from, unit_to) = (2 * hertz_from / divisor, 2 * hertz_to / divisor);
        let units = SHORTEST_BLOCK.div_ceil(unit_from);
        let (from, to) = (units * unit_from, units * unit_to);
        let window = WindowFunction::BlackmanHarris2;
        let inner = Fft::new_custom(hertz_from, hertz_to, from, 1, 1, window, FixedSync::Both).ok()?;
        debug_assert_eq!((inner.input_frames_next(), inner.output_frames_next()), (from, to));
        let (input, output) = ([vec![0.0; from]], [vec![0.0; to]]);
        Some(Resampler { inner, from, to, next: None, input, output })
    }

    /// The block that holds an output frame, and the output frame at its start.
    pub fn block_of(&self, frame: i64) -> (i64, i64) {
        let half = self.to as i64 / 2;
        let block = (frame + half).div_euclid(self.to as i64);
        (block, block * self.to as i64 - half)
    }

    /// The samples of a block. `fetch(first, into)` gives input frames, silence outside of the input.
    pub fn block<E>(
        &mut self,
        block: i64,
        mut fetch: impl FnMut(i64, &mut [f32]) -> Result<(), E>,
    ) -> Result<&[f32], E> {
        if self.next != Some(block) {
            self.inner.reset();
            self.step(block - 1, &mut fetch)?;
        }
        self.step(block, &mut fetch)?;
        Ok(&self.output[0])
    }

    fn step<E>(
        &mut self,
        block: i64,
        fetch: &mut impl FnMut(i64, &mut [f32]) -> Result<(), E>,
    ) -> Result<(), E> {
        self.next = None;
        self.input[0].fill(0.0);
        fetch(block * self.from as i64, &mut self.input[0])?;
        let input = SequentialSliceOfVecs::new(&self.input[..], 1, self.from);
        let output = SequentialSliceOfVecs::new_mut(&mut self.output[..], 1, self.to);
        let worked = match (input, output) {
            (Ok(input), Ok(mut output)) => self.inner.process_into_buffer(&input, &mut output, None).is_ok(),
            _ => false,
        };
        if !worked {
            debug_assert!(worked, "block sizes are those that the resampler asked for");
            self.output[0].fill(0.0);
        }
        self.next = Some(block + 1);
        Ok(())
    }
}

/// A whole buffer at another rate, as long as it was (rounded up to a frame).
pub fn resample(samples: &[f32], from: SampleRate, to: SampleRate) -> Vec<f32> {
    let Some(mut resampler) = Resampler::new(from, to) else { return samples.to_vec() };
    let length = (samples.len() as u64 * u64::from(to.hertz())).div_ceil(u64::from(from.hertz())) as usize;
    let mut out = Vec::with_capacity(length);
    let (mut block, mut first) = resampler.block_of(0);
    while out.len() < length {
        let got = resampler.block(block, |at, into| copy_within(samples, at, into));
        let Ok(got) = got;
        let skip = (-first).max(0) as usize;
        let wanted = length - out.len();
        out.extend(got.iter().skip(skip).take(wanted));
        block += 1;
        first = 0;
    }
    out
}

/// Copies the frames from `at` on that exist; the rest stays as it was.
fn copy_within(samples: &[f32], at: i64, into: &mut [f32]) -> Result<(), Infallible> {
    let begin = at.clamp(0, samples.len() as i64);
    let end = (at + into.len() as i64).clamp(begin, samples.len() as i64);
    let to = (begin - at) as usize;
    let source = &samples[begin as usize..end as usize];
    if let Some(into) = into.get_mut(to..to + source.len()) {
        into.copy_from_slice(source);
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::TAU;

    fn tone(hertz: f64, rate: u32, frames: usize) -> Vec<f32> {
        (0..frames).map(|n| (TAU * hertz * n as f64 / f64::from(rate)).sin() as f32).collect()
    }

    #[test]
    fn a_tone_keeps_its_phase_at_every_pair_of_rates() {
        // Known answer: a sine sampled at the other rate is the same sine.
        for from in [11_025, 22_050, 44_100, 48_000, 88_200, 96_000, 192_000, 44_101] {
            for to in [44_100, 48_000, 96_000] {
                let (from_rate, to_rate) = (SampleRate::new(from).unwrap(), SampleRate::new(to).unwrap());
                let got = resample(&tone(1_000.0, from, from as usize / 4), from_rate, to_rate);
                let wanted = tone(1_000.0, to, got.len());
                let inside = got.len() / 3..got.len() * 2 / 3;
                let worst = inside.map(|n| (got[n] - wanted[n]).abs()).fold(0.0, f32::max);
                assert!(worst < 2e-3, "{from} to {to}: {worst}");
            }
        }
    }

    #[test]
    fn a_seek_gives_the_same_samples_as_a_straight_run() {
        let (from, to) = (SampleRate::new(44_100).unwrap(), SampleRate::standard());
        let samples = tone(777.0, 44_100, 20_000);
        let straight = resample(&samples, from, to);
        let mut seeking = Resampler::new(from, to).unwrap();
        for frame in [9_000i64, 137, 15_555, 15_556] {
            let (block, first) = seeking.block_of(frame);
            let Ok(got) = seeking.block(block, |at, into| copy_within(&samples, at, into));
            let difference = got[(frame - first) as usize] - straight[frame as usize];
            assert!(difference.abs() < 1e-6, "{frame}: {difference}");
        }
    }

    #[test]
    fn nothing_stays_nothing() {
        let (from, to) = (SampleRate::new(44_100).unwrap(), SampleRate::standard());
        assert!(resample(&[], from, to).is_empty());
    }
}
