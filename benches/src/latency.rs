//! A recording of two seconds at 96 kHz, judged: 50 ms at most is the aim.

use criterion::Criterion;
use fogbell::latency::{Options, Probe, ProbeKind, analyse};
use fogbell::units::SampleRate;

const DELAY: usize = 1234;

pub fn bench(criterion: &mut Criterion) {
    let mut group = criterion.benchmark_group("round trip, 2 s at 96 kHz");
    group.sample_size(20);
    let Some(rate) = SampleRate::new(96_000) else { return };
    for (kind, shots) in [(ProbeKind::Impulses, 16), (ProbeKind::Sweep, 3), (ProbeKind::Mls, 3)] {
        let probe = Probe::with_shots(kind, rate, shots, 1.8);
        let recording = recording(&probe, 2 * rate.hertz() as usize);
        assert!(analyse(&probe, &recording, &Options::default()).measured().is_some(), "{kind:?}");
        group.bench_function(format!("{kind:?}"), |bench| {
            bench.iter(|| analyse(&probe, &recording, &Options::default()));
        });
    }
    group.finish();
}

/// The probe at −12 dB, 25 ms late, over noise 60 dB below it.
fn recording(probe: &Probe, frames: usize) -> Vec<f32> {
    let mut random = fastrand::Rng::with_seed(1);
    let mut out: Vec<f32> = (0..frames).map(|_| (random.f32() - 0.5) * 5e-4).collect();
    for (slot, sample) in out.iter_mut().skip(DELAY).zip(&probe.samples) {
        *slot += sample * 0.25;
    }
    out
}
