//! Precision beside the Cramér–Rao bound: a known signal in white noise, its delay by a phase ramp.

use crate::world::*;
use fogbell::latency::{Options, Polarity, Probe, ProbeKind, analyse};
use fogbell::units::SampleRate;

/// `σ² / Σ s′²` of all shots together, from the probe alone: the derivative by central differences of the probe
/// delayed by a small step, so that no line of the program's own bound is shared.
fn bound(probe: &Probe, sigma: f64) -> f64 {
    let step = 1e-3;
    let (early, late) = (
        delayed(&probe.samples, 64.0 - step, probe.samples.len() + 256),
        delayed(&probe.samples, 64.0 + step, probe.samples.len() + 256),
    );
    let slope: f64 = early.iter().zip(&late).map(|(a, b)| ((a - b) / (2.0 * step)).powi(2)).sum();
    sigma / slope.sqrt()
}

/// RMS error over the bound; every trial must be measured and its polarity right.
fn ratio(probe: &Probe, snr_db: f64, trials: u32, seed: u64) -> (f64, f64) {
    let mut random = fastrand::Rng::with_seed(seed);
    let sigma = (power(probe) * 10f64.powf(-snr_db / 10.0)).sqrt();
    let options = Options { longest_delay: 0.1, ..Options::default() };
    let mut square = 0.0;
    let mut covered = 0;
    for _ in 0..trials {
        let delay = 100.0 + 3900.0 * random.f64();
        let sign = if random.bool() { 1.0 } else { -1.0 };
        let mut heard = delayed(&probe.samples, delay, probe.samples.len() + 4800);
        heard.iter_mut().for_each(|x| *x *= sign);
        add_noise(&mut heard, sigma, &mut random);
        let answer = analyse(probe, &as_f32(&heard), &options);
        let measured = answer.measured().unwrap_or_else(|| panic!("{snr_db} dB, {delay}: {answer:?}"));
        assert_eq!(measured.polarity == Polarity::Normal, sign > 0.0);
        let error = measured.round_trip_frames - delay;
        square += error * error;
        covered += u32::from(error.abs() <= measured.interval_95_frames);
        assert!((measured.snr_db - snr_db).abs() < 3.0, "{} for {snr_db} dB", measured.snr_db);
    }
    // Half widths called 95 % hold the truth at least nearly that often.
    assert!(f64::from(covered) >= 0.92 * f64::from(trials), "{covered} of {trials} covered at {snr_db} dB");
    let rms = (square / f64::from(trials)).sqrt();
    (rms, bound(probe, sigma))
}

#[test]
fn the_rms_error_reaches_the_bound_from_20_to_50_db() {
    // 3 probes × 4 levels × 100 trials: 1,200.
    for (kind, shots) in [(ProbeKind::Impulses, 8), (ProbeKind::Sweep, 1), (ProbeKind::Mls, 1)] {
        let probe = Probe::with_shots(kind, SampleRate::standard(), shots, 0.4);
        for snr_db in [20.0, 30.0, 40.0, 50.0] {
            let (rms, bound) = ratio(&probe, snr_db, 100, snr_db as u64);
            println!("{kind:?} {snr_db} dB: rms {rms:.6}, bound {bound:.6}, ratio {:.2}", rms / bound);
            assert!(rms <= (1.2 * bound).max(2e-4), "{kind:?} {snr_db} dB: rms {rms}, bound {bound}");
        }
    }
}

#[test]
fn at_0_db_sweep_and_sequence_stay_within_twice_the_bound() {
    for kind in [ProbeKind::Sweep, ProbeKind::Mls] {
        for shots in [1, 3] {
            let probe = Probe::with_shots(kind, SampleRate::standard(), shots, 0.4);
            let (rms, bound) = ratio(&probe, 0.0, 60, 5);
            println!("{kind:?} x{shots} 0 dB: rms {rms:.6}, bound {bound:.6}, ratio {:.2}", rms / bound);
            assert!(rms <= 2.0 * bound);
        }
    }
}
