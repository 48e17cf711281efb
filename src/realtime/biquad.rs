//! Second-order filters of the W3C "Audio EQ Cookbook" (Working Group Note, 8 June 2021), eight inputs side by side.

use crate::units::SampleRate;

/// Inputs that are worked on side by side.
pub const LANES: usize = 8;

/// Filter states below this are silence: no denormal ever slows a block.
const TINY: f64 = 1e-20;

/// `y = b0 x + b1 x₁ + b2 x₂ − a1 y₁ − a2 y₂`, everything divided by a0.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Biquad {
    pub b: [f64; 3],
    pub a: [f64; 2],
}

/// What lies below is a direct current, and nobody hears it.
pub const DC_HERTZ: f64 = 5.0;

/// Changes nothing.
pub const THROUGH: Biquad = Biquad { b: [1.0, 0.0, 0.0], a: [0.0, 0.0] };

/// Q of the one section of a second-order Butterworth filter, and of the two of a fourth-order one:
/// `1 / (2 cos θ)` for poles at θ = 45°, and at 22.5° and 67.5°.
pub const SECOND_ORDER: [f64; 1] = [std::f64::consts::FRAC_1_SQRT_2];
pub const FOURTH_ORDER: [f64; 2] = [0.541_196_100_146_197, 1.306_562_964_876_376_5];

/// Range: `hertz` above 0 and below half the rate. Source: the Note's HPF, `α = sin ω₀ / 2Q`.
pub fn high_pass(hertz: f64, q: f64, rate: SampleRate) -> Biquad {
    let (cos, alpha, a0) = parts(hertz, q, rate);
    let side = (1.0 + cos) / 2.0 / a0;
    Biquad { b: [side, -(1.0 + cos) / a0, side], a: [-2.0 * cos / a0, (1.0 - alpha) / a0] }
}

/// Range: `hertz` above 0 and below half the rate. Source: the Note's LPF.
pub fn low_pass(hertz: f64, q: f64, rate: SampleRate) -> Biquad {
    let (cos, alpha, a0) = parts(hertz, q, rate);
    let side = (1.0 - cos) / 2.0 / a0;
    Biquad { b: [side, (1.0 - cos) / a0, side], a: [-2.0 * cos / a0, (1.0 - alpha) / a0] }
}

fn parts(hertz: f64, q: f64, rate: SampleRate) -> (f64, f64, f64) {
    let (sin, cos) = (std::f64::consts::TAU * hertz / f64::from(rate.hertz())).sin_cos();
    let alpha = sin / (2.0 * q);
    (cos, alpha, 1.0 + alpha)
}

/// One section of one signal. In f64, as [`Section`].
#[derive(Clone, Debug)]
pub struct Single {
    biquad: Biquad,
    state: [f64; 2],
}

impl Single {
    pub const fn new(biquad: Biquad) -> Single {
        Single { biquad, state: [0.0; 2] }
    }

    /// Transposed direct form II. Real-time: safe.
    pub fn work(&mut self, x: f64) -> f64 {
        let ([b0, b1, b2], [a1, a2], [one, two]) = (self.biquad.b, self.biquad.a, self.state);
        let y = b0 * x + one;
        self.state = [b1 * x - a1 * y + two, b2 * x - a2 * y];
        y
    }

    /// Call it at frames that do not depend on how time is split. Real-time: safe.
    pub fn flush(&mut self) {
        self.state = self.state.map(|value| if value.abs() < TINY { 0.0 } else { value });
    }
}

/// One section of eight inputs. In f64: at 20 Hz and 192 kHz the coefficients of f32 would be another filter's.
#[derive(Clone, Debug)]
pub struct Section {
    coefficients: [[f64; LANES]; 5],
    state: [[f64; LANES]; 2],
}

impl Section {
    pub fn new(biquads: &[Biquad]) -> Section {
        let of = |lane: usize| biquads.get(lane).copied().unwrap_or(THROUGH);
        let row = |value: &dyn Fn(Biquad) -> f64| std::array::from_fn(|lane| value(of(lane)));
        let [b0, b1, b2] = [0, 1, 2].map(|n| row(&move |one: Biquad| one.b.get(n).copied().unwrap_or(0.0)));
        let [a1, a2] = [0, 1].map(|n| row(&move |one: Biquad| one.a.get(n).copied().unwrap_or(0.0)));
        Section { coefficients: [b0, b1, b2, a1, a2], state: [[0.0; LANES]; 2] }
    }

    /// Transposed direct form II. Real-time: safe.
    #[expect(clippy::indexing_slicing, reason = "arrays of LANES, indexed below LANES")]
    pub fn work(&mut self, rows: &mut [[f64; LANES]]) {
        let [b0, b1, b2, a1, a2] = self.coefficients;
        let [mut one, mut two] = self.state;
        for x in rows {
            let y: [f64; LANES] = std::array::from_fn(|n| b0[n] * x[n] + one[n]);
            one = std::array::from_fn(|n| b1[n] * x[n] - a1[n] * y[n] + two[n]);
            two = std::array::from_fn(|n| b2[n] * x[n] - a2[n] * y[n]);
            *x = y;
        }
        self.state = [one, two];
    }

    /// Call it at frames that do not depend on how time is split. Real-time: safe.
    pub fn flush(&mut self) {
        for value in self.state.iter_mut().flatten() {
            *value = if value.abs() < TINY { 0.0 } else { *value };
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_signal_by_itself_is_one_of_eight_to_the_bit() {
        let biquad = high_pass(80.0, SECOND_ORDER[0], SampleRate::standard());
        let mut single = Single::new(biquad);
        let alone = (0..2_000).map(|n| single.work(if n == 0 { 1.0 } else { 0.0 }));
        assert!(alone.eq(impulse(biquad, 2_000)));
    }

    fn table() -> Vec<Vec<String>> {
        let text = std::fs::read_to_string("fixtures/reference/rbj_biquads.csv").expect("table");
        text.lines().map(|line| line.split(',').map(String::from).collect()).collect()
    }

    fn number(text: &str) -> f64 {
        text.parse().expect("a number")
    }

    fn made(row: &[String]) -> Biquad {
        let rate = SampleRate::new(row[1].parse().expect("rate")).expect("rate");
        let q = if row[3] == "1/sqrt2" { SECOND_ORDER[0] } else { number(&row[3]) };
        let make = if row[0] == "highpass" { high_pass } else { low_pass };
        make(number(&row[2]), q, rate)
    }

    /// What a running section makes of a unit impulse.
    fn impulse(biquad: Biquad, frames: usize) -> Vec<f64> {
        let mut section = Section::new(&[THROUGH, biquad]);
        let mut rows = vec![[0.0; LANES]; frames];
        rows[0][1] = 1.0;
        section.work(&mut rows);
        rows.iter().map(|row| row[1]).collect()
    }

    /// `rbj_biquads.csv`: the Note's formulas in 30 digits, 36 filters at three rates.
    #[test]
    fn coefficients_are_those_of_the_cookbook() {
        let rows = table();
        for row in &rows[1..] {
            let Biquad { b, a } = made(row);
            for (value, text) in b.iter().chain(&a).zip([&row[4], &row[5], &row[6], &row[8], &row[9]]) {
                assert!((value - number(text)).abs() < 1e-12, "{row:?}: {value}");
                assert!((f64::from(*value as f32) - number(text)).abs() < 1e-7, "{row:?}: {value}");
            }
        }
        assert_eq!(rows.len(), 37);
    }

    /// Magnitudes of the running filter, from its impulse response, at the table's eight places.
    #[test]
    fn the_running_filter_has_the_cookbooks_magnitudes() {
        let rows = table();
        let places: Vec<f64> =
            rows[0][10..].iter().map(|text| number(text.trim_start_matches("dB@"))).collect();
        for row in &rows[1..] {
            let response = impulse(made(row), 96_000);
            for (hertz, text) in places.iter().zip(&row[10..]) {
                let step = std::f64::consts::TAU * hertz / number(&row[1]);
                let sum = response.iter().enumerate().fold((0.0, 0.0), |(re, im), (n, y)| {
                    let (sin, cos) = (step * n as f64).sin_cos();
                    (re + y * cos, im - y * sin)
                });
                let db = 20.0 * f64::hypot(sum.0, sum.1).log10();
                assert!((db - number(text)).abs() < 0.001, "{row:?} at {hertz} Hz: {db}");
            }
        }
    }

    /// `rbj_hp80_q0.7071_48k_impulse.csv`: by another implementation (scipy.signal.lfilter).
    #[test]
    fn the_impulse_response_is_the_published_one() {
        let text =
            std::fs::read_to_string("fixtures/reference/rbj_hp80_q0.7071_48k_impulse.csv").expect("table");
        let expected: Vec<f64> =
            text.lines().skip(1).filter_map(|line| line.split(',').nth(1)).map(number).collect();
        #[expect(clippy::approx_constant, reason = "the published table was made with Q written so")]
        let response = impulse(high_pass(80.0, 0.7071, SampleRate::standard()), expected.len());
        assert!(expected.len() > 20);
        for (ours, theirs) in response.iter().zip(&expected) {
            assert!((ours - theirs).abs() < 1e-12, "{ours} {theirs}");
        }
    }

    /// A fourth-order Butterworth high-pass is −3.01 dB at its corner and falls by 24 dB an octave.
    #[test]
    fn two_sections_fall_twice_as_steeply() {
        let rate = SampleRate::standard();
        let at = |hertz: f64| -> f64 {
            let both = FOURTH_ORDER.map(|q| high_pass(160.0, q, rate));
            let db = both.iter().map(|biquad| {
                let step = std::f64::consts::TAU * hertz / 48_000.0;
                let response = impulse(*biquad, 48_000);
                let sum = response.iter().enumerate().fold((0.0, 0.0), |(re, im), (n, y)| {
                    (re + y * (step * n as f64).cos(), im - y * (step * n as f64).sin())
                });
                20.0 * f64::hypot(sum.0, sum.1).log10()
            });
            db.sum()
        };
        assert!((at(160.0) + 3.0103).abs() < 0.001, "{}", at(160.0));
        assert!((at(20.0) - at(10.0) - 24.0).abs() < 0.1, "{}", at(20.0) - at(10.0));
    }
}
