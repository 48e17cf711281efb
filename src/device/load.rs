//! How much of its time each callback took: counted by the audio thread in a fixed table of atomics.

use crate::realtime::io::{Io, Process};
use crate::units::SampleRate;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering::Relaxed};
use std::time::Instant;

/// Tenths of a block's time, and one for what took longer than the block.
const BUCKETS: usize = 11;

/// The histogram; read from any thread.
#[derive(Debug, Default)]
pub struct Load {
    tenths: [AtomicU64; BUCKETS],
    /// Worst part of a block's time, in parts of a million.
    worst: AtomicU64,
}

/// A copy of the histogram.
#[derive(Clone, Debug, Default, PartialEq, Eq, serde::Serialize)]
pub struct LoadSeen {
    pub callbacks: u64,
    /// Callbacks up to 10 %, 20 %, … 100 % of the block's time, then those above.
    pub tenths: Vec<u64>,
    pub worst_ppm: u64,
}

impl Load {
    /// Counts one callback. Real-time: safe.
    pub fn count(&self, part_ppm: u64) {
        let bucket = usize::try_from(part_ppm.saturating_sub(1) / 100_000).unwrap_or(BUCKETS).min(BUCKETS - 1);
        if let Some(slot) = self.tenths.get(bucket) {
            slot.fetch_add(1, Relaxed);
        }
        self.worst.fetch_max(part_ppm, Relaxed);
    }

    pub fn seen(&self) -> LoadSeen {
        let tenths: Vec<u64> = self.tenths.iter().map(|slot| slot.load(Relaxed)).collect();
        LoadSeen { callbacks: tenths.iter().sum(), tenths, worst_ppm: self.worst.load(Relaxed) }
    }
}

/// A process with its load counted. The clock is read twice a callback (on Linux without a system call).
pub struct Metered<P> {
    inner: P,
    load: Arc<Load>,
    rate: SampleRate,
}

impl<P: Process> Metered<P> {
    pub fn new(inner: P, load: &Arc<Load>, rate: SampleRate) -> Metered<P> {
        Metered { inner, load: Arc::clone(load), rate }
    }
}

impl<P: Process> Process for Metered<P> {
    fn process(&mut self, io: &mut Io) {
        let began = Instant::now();
        self.inner.process(io);
        let took = began.elapsed().as_nanos() as u64;
        let whole = io.frames as u64 * 1_000_000_000 / u64::from(self.rate.hertz());
        if whole > 0 {
            self.load.count(took.saturating_mul(1_000_000) / whole);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn callbacks_fall_into_tenths_of_their_time() {
        let load = Load::default();
        [1, 100_000, 100_001, 999_999, 1_000_000, 1_000_001, u64::MAX].into_iter().for_each(|p| load.count(p));
        let seen = load.seen();
        assert_eq!(seen.tenths, [2, 1, 0, 0, 0, 0, 0, 0, 0, 2, 2]);
        assert_eq!((seen.callbacks, seen.worst_ppm), (7, u64::MAX));
    }
}
