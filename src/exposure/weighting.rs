//! A-weighting, IEC 61672-1.

use crate::units::SampleRate;
use std::f64::consts::{PI, TAU};

/// Poles of the weighting in hertz. Source: IEC 61672-1:2013, Annex E, closed form.
const POLES: [f64; 4] = [20.598_997, 107.652_649, 737.862_231, 12_194.217_148];

/// The weighting in decibels by the closed form, 0 at 1 kHz. Source: IEC 61672-1:2013, Annex E.
pub fn by_formula(hertz: f64) -> f64 {
    let gain = |hertz: f64| {
        let [f1, f2, f3, f4] = POLES.map(|pole| pole * pole);
        let f = hertz * hertz;
        f4 * f * f / ((f + f1) * (f + f4) * ((f + f2) * (f + f3)).sqrt())
    };
    20.0 * (gain(hertz) / gain(1_000.0)).log10()
}

/// One second-order section, transposed direct form II.
#[derive(Clone, Debug)]
struct Section {
    b: [f64; 3],
    a: [f64; 2],
    z: [f64; 2],
}

impl Section {
    fn new(b: [f64; 3], a: [f64; 2]) -> Section {
        Section { b, a, z: [0.0; 2] }
    }

    /// `s² / ((s + ω₁)(s + ω₂))` by the bilinear transform, each pole on its place: low ones, where it bends nothing.
    fn high_pass(hertz: f64, poles: [f64; 2]) -> Section {
        let k = 2.0 * hertz;
        let [one, two] = poles.map(|pole| k * (PI * pole / hertz).tan());
        let a0 = (k + one) * (k + two);
        let b = k * k / a0;
        Section::new([b, -2.0 * b, b], [(2.0 * one * two - 2.0 * k * k) / a0, (k - one) * (k - two) / a0])
    }

    /// `ω² / (s + ω)²` with the poles where the analogue ones fall and the zeros so that the magnitude is exact at 0, at
    /// a quarter of the rate and at half of it.
    ///
    /// The plain bilinear transform would read 2.8 dB low at 12.5 kHz and 6 dB at 16 kHz, at 48 kHz: it squeezes all up
    /// to infinity below half the rate. Source: matched second-order filters after Vicanek 2016 (from memory):
    /// |B(ω)|² = B₀φ₀ + B₁φ₁ + B₂φ₂ with φ₁ = sin²(ω/2), φ₀ = 1 − φ₁, φ₂ = 4φ₀φ₁, and |A|² likewise.
    fn low_pass(hertz: f64, pole: f64) -> Section {
        let p = (-TAU * pole / hertz).exp();
        let (a1, a2) = (-2.0 * p, p * p);
        let a = [(1.0 + a1 + a2).powi(2), (1.0 - a1 + a2).powi(2), -4.0 * a2];
        let power = |at: f64| (1.0 + (at / pole).powi(2)).powi(-2);
        let (b0, b1) = (a[0], a[1] * power(hertz / 2.0));
        // At a quarter of the rate φ₀ = φ₁ = 1/2 and φ₂ = 1.
        let middle = power(hertz / 4.0) * ((a[0] + a[1]) / 2.0 + a[2]);
        let b2 = middle - (b0 + b1) / 2.0;
        let half = (b0.sqrt() + b1.sqrt()) / 2.0;
        let first = (half + (half * half + b2).max(0.0).sqrt()) / 2.0;
        Section::new([first, (b0.sqrt() - b1.sqrt()) / 2.0, -b2 / (4.0 * first)], [a1, a2])
    }

    fn step(&mut self, x: f64) -> f64 {
        let [b0, b1, b2] = self.b;
        let [a1, a2] = self.a;
        let y = b0 * x + self.z[0];
        self.z =
            [b1 * x - a1 * y + self.z[1], b2 * x - a2 * y].map(|z| if z.abs() < 1e-20 { 0.0 } else { z });
        y
    }

    fn power(&self, turn: f64) -> f64 {
        let (c1, s1, c2, s2) = (turn.cos(), turn.sin(), (2.0 * turn).cos(), (2.0 * turn).sin());
        let square = |re: f64, im: f64| re * re + im * im;
        let [b0, b1, b2] = self.b;
        let [a1, a2] = self.a;
        square(b0 + b1 * c1 + b2 * c2, b1 * s1 + b2 * s2) / square(1.0 + a1 * c1 + a2 * c2, a1 * s1 + a2 * s2)
    }
}

/// The weighting as a filter, exactly 0 dB at 1 kHz.
#[derive(Clone, Debug)]
pub struct AWeighting {
    hertz: f64,
    gain: f64,
    sections: [Section; 3],
}

impl AWeighting {
    /// Range: from 32 kHz on within IEC 61672-1 class 1 as far as the rate carries.
    pub fn new(rate: SampleRate) -> AWeighting {
        let hertz = f64::from(rate.hertz());
        let [f1, f2, f3, f4] = POLES;
        let sections = [
            Section::high_pass(hertz, [f1, f1]),
            Section::high_pass(hertz, [f2, f3]),
            Section::low_pass(hertz, f4),
        ];
        let mut weighting = AWeighting { hertz, gain: 1.0, sections };
        weighting.gain = 10f64.powf(-weighting.magnitude_db(1_000.0) / 20.0);
        weighting
    }

    /// One sample. Not a number counts as silence.
    pub fn step(&mut self, sample: f32) -> f64 {
        let x = if sample.is_finite() { f64::from(sample) } else { 0.0 };
        self.gain * self.sections.iter_mut().fold(x, |x, section| section.step(x))
    }

    /// What the filter does to a sine, in decibels.
    pub fn magnitude_db(&self, hertz: f64) -> f64 {
        let turn = TAU * hertz / self.hertz;
        let power: f64 = self.sections.iter().map(|section| section.power(turn)).product();
        10.0 * power.log10() + 20.0 * self.gain.log10()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Frequency, table, closed form, class 1 of 2013 (from memory there) and type 0 limits.
    type Row = (f64, f64, f64, [f64; 2], [f64; 2]);

    /// Each third octave.
    fn table() -> Vec<Row> {
        let text = include_str!("../../fixtures/reference/a_weighting.csv");
        let rows = text.lines().skip(1).map(|line| {
            let cells: Vec<f64> = line.split(',').map(|cell| cell.parse().unwrap_or(f64::NAN)).collect();
            (cells[1], cells[2], cells[4], [cells[7], cells[6]], [cells[11], cells[10]])
        });
        rows.collect()
    }

    /// IEC 61672-1:2013 Table 3: the closed form rounds to every cell.
    #[test]
    fn the_closed_form_is_the_table() {
        for (hertz, nominal, formula, ..) in table() {
            // The table's frequencies are rounded to a tenth of a millihertz, where the curve is steep.
            assert!((by_formula(hertz) - formula).abs() < 2e-4, "{hertz}");
            assert!((by_formula(hertz) - nominal).abs() <= 0.050_1, "{hertz}");
        }
    }

    /// Class 1 limits of IEC 61672-1:2013 (in the table from memory) and the stricter type 0 of ANSI S1.4-1983, which
    /// leaves ± 0.7 dB from 100 Hz to 4 kHz, hold from 10 Hz to 20 kHz.
    #[test]
    fn the_filter_is_within_class_1_and_type_0_at_every_rate() {
        for hertz in [44_100, 48_000, 88_200, 96_000, 192_000] {
            let filter = AWeighting::new(SampleRate::new(hertz).unwrap());
            assert!(filter.magnitude_db(1_000.0).abs() < 1e-9);
            let mut worst = (0.0f64, 0.0);
            for (at, _, formula, class, zero) in table() {
                let error = filter.magnitude_db(at) - formula;
                assert!(class[0] <= error && error <= class[1], "{hertz}: {at} Hz off by {error:+.2} dB");
                assert!(zero[0] <= error && error <= zero[1], "{hertz}: {at} Hz off by {error:+.2} dB");
                if error.abs() > worst.0.abs() {
                    worst = (error, at);
                }
            }
            println!("{hertz} Hz: at most {:+.2} dB off, at {:.0} Hz", worst.0, worst.1);
        }
    }

    /// The trap: the plain transform at 48 kHz reads −7.06 dB at 12.5 kHz where the table has −4.3.
    #[test]
    fn cymbals_are_not_read_low() {
        for hertz in [44_100, 48_000, 96_000] {
            let filter = AWeighting::new(SampleRate::new(hertz).unwrap());
            assert!((filter.magnitude_db(12_589.254) + 4.317).abs() < 0.2);
            assert!((filter.magnitude_db(15_848.932) + 6.603).abs() < 0.6);
        }
    }

    /// What the filter does to samples is what its magnitude says.
    #[test]
    fn a_sine_comes_out_as_its_magnitude_says() {
        for at in [63.0, 250.0, 1_000.0, 4_000.0, 12_000.0] {
            let mut filter = AWeighting::new(SampleRate::standard());
            let mut power = 0.0;
            for frame in 0..96_000 {
                let y = filter.step((TAU * at * f64::from(frame) / 48_000.0).sin() as f32);
                power += if frame < 48_000 { 0.0 } else { 2.0 * y * y / 48_000.0 };
            }
            assert!((10.0 * power.log10() - filter.magnitude_db(at)).abs() < 1e-3, "{at}");
        }
    }
}
