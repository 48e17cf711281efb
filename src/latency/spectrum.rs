//! Fourier transforms of real signals, and the band in which the search listens.

use realfft::num_complex::Complex;
use realfft::{ComplexToReal, RealFftPlanner, RealToComplex};
use std::sync::Arc;

pub type Bin = Complex<f64>;

/// Transforms of one length, there and back.
pub struct Transform {
    pub size: usize,
    forward: Arc<dyn RealToComplex<f64>>,
    inverse: Arc<dyn ComplexToReal<f64>>,
}

impl Transform {
    /// Of at least `frames`, rounded up to a length that transforms fast.
    pub fn of_at_least(frames: usize) -> Transform {
        let size = fast_size(frames);
        let mut planner = RealFftPlanner::new();
        Transform { size, forward: planner.plan_fft_forward(size), inverse: planner.plan_fft_inverse(size) }
    }

    /// The spectrum of `samples` followed by zeros.
    pub fn spectrum(&self, samples: impl Iterator<Item = f64>) -> Vec<Bin> {
        let mut time = self.forward.make_input_vec();
        time.iter_mut().zip(samples).for_each(|(slot, sample)| *slot = sample);
        let mut bins = self.forward.make_output_vec();
        // The lengths are the planner's own, so this cannot fail; a failure would leave silence.
        let _ = self.forward.process(&mut time, &mut bins);
        bins
    }

    /// The same, of which only what lies above `edges` is heard.
    pub fn heard(&self, samples: impl Iterator<Item = f64>, rate: f64, edges: Edges) -> Vec<Bin> {
        let mut bins = self.spectrum(samples);
        weigh(&mut bins, self.size, rate, edges);
        bins
    }

    /// Back to samples, scaled so that there and back changes nothing.
    pub fn samples(&self, bins: &mut [Bin]) -> Vec<f64> {
        let mut time = self.inverse.make_output_vec();
        // Both ends of a real signal's spectrum are real; rounding is taken off, or the transform refuses.
        bins[0].im = 0.0;
        if self.size.is_multiple_of(2) {
            bins[self.size / 2].im = 0.0;
        }
        let _ = self.inverse.process(bins, &mut time);
        let scale = 1.0 / self.size as f64;
        time.iter_mut().for_each(|sample| *sample *= scale);
        time
    }
}

/// The smallest 2ⁿ or 3 × 2ⁿ that holds `frames`.
fn fast_size(frames: usize) -> usize {
    let power = frames.max(16).next_power_of_two();
    let three = power / 4 * 3;
    if three >= frames { three } else { power }
}

/// The low edges of a band: nothing is heard below the first, everything above the second.
pub type Edges = (f64, f64);

/// The search: hum, kick drums and handling noise live below, and hardly any timing does (it weighs with the square
/// of frequency).
pub const SEARCH: Edges = (250.0, 500.0);

/// The fine search, which hears more, so that a path's own delay is that of all its band.
pub const FINE: Edges = (60.0, 150.0);

/// How much of a frequency is heard, 0 to 1: a raised cosine between the two edges.
pub fn heard(hertz: f64, edges: Edges) -> f64 {
    let place = ((hertz - edges.0) / (edges.1 - edges.0)).clamp(0.0, 1.0);
    0.5 - 0.5 * (std::f64::consts::PI * place).cos()
}

/// Multiplies a spectrum of transform length `size` by [`heard`].
pub fn weigh(bins: &mut [Bin], size: usize, rate: f64, edges: Edges) {
    for (index, bin) in bins.iter_mut().enumerate() {
        *bin *= heard(index as f64 * rate / size as f64, edges);
    }
}

/// `Σ |bin|²` over both sides, as energy of the samples.
pub fn energy(bins: &[Bin], size: usize) -> f64 {
    bins.iter().enumerate().map(|(index, bin)| sides(index, size) * bin.norm_sqr()).sum::<f64>() / size as f64
}

/// 2 for a bin that stands for itself and its mirror, 1 for the two at the ends.
pub fn sides(index: usize, size: usize) -> f64 {
    if index == 0 || index * 2 == size { 1.0 } else { 2.0 }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn there_and_back_changes_nothing() {
        let transform = Transform::of_at_least(700);
        assert_eq!(transform.size, 768);
        let wave: Vec<f64> = (0..700).map(|n| (n as f64 * 0.37).sin()).collect();
        let mut bins = transform.spectrum(wave.iter().copied());
        assert!((energy(&bins, 768) - wave.iter().map(|x| x * x).sum::<f64>()).abs() < 1e-9);
        let back = transform.samples(&mut bins);
        assert!(wave.iter().zip(&back).all(|(a, b)| (a - b).abs() < 1e-12));
    }

    #[test]
    fn hum_and_its_fourth_harmonic_are_not_heard() {
        assert_eq!(heard(62.0, SEARCH), 0.0);
        assert_eq!(heard(248.0, SEARCH), 0.0);
        assert_eq!(heard(1000.0, SEARCH), 1.0);
    }
}
