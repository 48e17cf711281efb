//! Correlation of a stretch of samples with a template at every place, by FFT.

use super::template::Template;
use realfft::num_complex::Complex;
use realfft::{ComplexToReal, RealFftPlanner, RealToComplex};
use std::collections::HashMap;
use std::sync::Arc;

/// Dot product; 16 running sums, so that it runs in SIMD lanes and rounds little.
pub fn dot(a: &[f32], b: &[f32]) -> f64 {
    let mut total = 0.0f64;
    for (a, b) in a.chunks(256).zip(b.chunks(256)) {
        let mut lanes = [0.0f32; 16];
        let (a_parts, b_parts) = (a.chunks_exact(16), b.chunks_exact(16));
        let rest: f32 = a_parts.remainder().iter().zip(b_parts.remainder()).map(|(a, b)| a * b).sum();
        for (a, b) in a_parts.zip(b_parts) {
            for lane in 0..16 {
                lanes[lane] += a[lane] * b[lane];
            }
        }
        total += f64::from(lanes.iter().sum::<f32>()) + f64::from(rest);
    }
    total
}

/// Energy; see [`dot`].
pub fn energy(a: &[f32]) -> f64 {
    dot(a, a)
}

/// FFTs of one size with the spectra of the templates met so far.
pub struct Correlator {
    size: usize,
    forward: Arc<dyn RealToComplex<f32>>,
    inverse: Arc<dyn ComplexToReal<f32>>,
    spectra: HashMap<usize, (Arc<Template>, Vec<Complex<f32>>)>,
    /// How much one template is like another at each distance; see [`Correlator::likeness`].
    pairs: HashMap<(usize, usize), Arc<Vec<f32>>>,
    time: Vec<f32>,
    work: Vec<Complex<f32>>,
}

/// Spectra kept at most; streamed files bring a template a hit.
const KEPT_SPECTRA: usize = 64;

impl Correlator {
    /// For stretches of at most `size` samples (rounded up to a power of two).
    pub fn new(size: usize) -> Correlator {
        let size = size.next_power_of_two();
        let mut planner = RealFftPlanner::new();
        let forward = planner.plan_fft_forward(size);
        let inverse = planner.plan_fft_inverse(size);
        let work = forward.make_output_vec();
        let time = vec![0.0; size];
        Correlator { size, forward, inverse, spectra: HashMap::new(), pairs: HashMap::new(), time, work }
    }

    pub fn size(&self) -> usize {
        self.size
    }

    /// The spectrum of a stretch, to be matched with several templates.
    pub fn spectrum(&mut self, stretch: &[f32]) -> Vec<Complex<f32>> {
        let frames = stretch.len().min(self.size);
        self.time[..frames].copy_from_slice(&stretch[..frames]);
        self.time[frames..].fill(0.0);
        let mut out = self.forward.make_output_vec();
        // The lengths are the planner's own, so this cannot fail; a failure would leave silence.
        let _ = self.forward.process(&mut self.time, &mut out);
        out
    }

    /// `Σ stretch[place + n] × head[n]` for each place up to `places`.
    pub fn matched(
        &mut self,
        spectrum: &[Complex<f32>],
        template: &Arc<Template>,
        places: usize,
    ) -> Vec<f32> {
        self.learn(template);
        let Some((_, known)) = self.spectra.get(&key(template)) else { return vec![0.0; places] };
        for ((work, a), b) in self.work.iter_mut().zip(spectrum).zip(known) {
            *work = a * b.conj();
        }
        let last = self.work.len() - 1;
        self.work[0].im = 0.0;
        self.work[last].im = 0.0;
        let _ = self.inverse.process(&mut self.work, &mut self.time);
        let scale = 1.0 / self.size as f32;
        self.time.iter().take(places).map(|value| value * scale).collect()
    }

    /// What `head` of `template` would match of the whole sound `near`, placed `reach` after the first value.
    pub fn likeness(
        &mut self,
        near: &Arc<Template>,
        template: &Arc<Template>,
        reach: usize,
    ) -> Arc<Vec<f32>> {
        self.learn(near);
        self.learn(template);
        let pair = (key(near), key(template));
        if let Some(known) = self.pairs.get(&pair) {
            return Arc::clone(known);
        }
        let mut alone = vec![0.0; reach];
        alone.extend_from_slice(near.samples());
        alone.resize(alone.len().max(2 * reach + 1 + template.judged()), 0.0);
        let spectrum = self.spectrum(&alone[..2 * reach + 1 + template.judged()]);
        let values = Arc::new(self.matched(&spectrum, template, 2 * reach + 1));
        self.pairs.insert(pair, Arc::clone(&values));
        values
    }

    /// Makes room for stretches of `size` samples.
    pub fn grow(&mut self, size: usize) {
        if size > self.size {
            *self = Correlator::new(size);
        }
    }

    fn learn(&mut self, template: &Arc<Template>) {
        if self.spectra.contains_key(&key(template)) {
            return;
        }
        if self.spectra.len() >= KEPT_SPECTRA {
            self.spectra.clear();
            self.pairs.clear();
        }
        let spectrum = self.spectrum(template.head());
        self.spectra.insert(key(template), (Arc::clone(template), spectrum));
    }
}

/// A template is known by its address; the map holds it, so that the address stays its own.
pub fn key(template: &Arc<Template>) -> usize {
    Arc::as_ptr(template) as usize
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn by_fft_and_by_hand_are_the_same() {
        let mut random = fastrand::Rng::with_seed(1);
        let stretch: Vec<f32> = (0..700).map(|_| random.f32() - 0.5).collect();
        let template = Template::new(&stretch[100..164], 0, 48_000);
        let mut correlator = Correlator::new(1000);
        let spectrum = correlator.spectrum(&stretch);
        let matched = correlator.matched(&spectrum, &template, 600);
        for (place, value) in matched.iter().enumerate() {
            let by_hand = dot(&stretch[place..], template.head());
            assert!((f64::from(*value) - by_hand).abs() < 1e-4, "{place}: {value} {by_hand}");
        }
    }
}
