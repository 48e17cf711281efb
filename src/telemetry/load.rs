//! How long callbacks take: counted on the audio thread, read by anybody.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::sync::atomic::{AtomicU8, AtomicU64, Ordering};

/// Upper ends of the buckets, in millionths of the block's time: two a doubling from 0.1 %; then all above.
pub const EDGES_PPM: [u64; 23] = [
    1_000, 1_414, 2_000, 2_828, 4_000, 5_657, 8_000, 11_314, 16_000, 22_627, 32_000, 45_255, 64_000, 90_510,
    128_000, 181_019, 256_000, 362_039, 512_000, 724_077, 1_000_000, 2_000_000, 4_000_000,
];
const BUCKETS: usize = EDGES_PPM.len() + 1;

/// Counts callbacks by the part of their time that they took.
#[derive(Debug, Default)]
pub struct LoadMeter {
    buckets: [AtomicU64; BUCKETS],
    largest_ppm: AtomicU64,
    /// What is given up because of it.
    thrift: AtomicU8,
}

impl LoadMeter {
    pub fn new() -> LoadMeter {
        LoadMeter::default()
    }

    /// One callback took `took_ns` of `block_ns`. Real-time: safe (fixed work, atomics only).
    pub fn record(&self, took_ns: u64, block_ns: u64) {
        let ppm = (u128::from(took_ns) * 1_000_000 / u128::from(block_ns.max(1))).min(u128::from(u64::MAX));
        let ppm = ppm as u64;
        let bucket = EDGES_PPM.partition_point(|edge| *edge < ppm);
        if let Some(count) = self.buckets.get(bucket) {
            count.fetch_add(1, Ordering::Relaxed);
        }
        self.largest_ppm.fetch_max(ppm, Ordering::Relaxed);
    }

    /// What is given up, as the audio thread has it. Real-time: safe.
    pub fn give_up(&self, level: u8) {
        self.thrift.store(level, Ordering::Relaxed);
    }

    /// See [`LoadMeter::give_up`].
    pub fn given_up(&self) -> u8 {
        self.thrift.load(Ordering::Relaxed)
    }

    /// Everything so far.
    pub fn summary(&self) -> LoadSummary {
        let counts: Vec<u64> = self.buckets.iter().map(|count| count.load(Ordering::Relaxed)).collect();
        let callbacks = counts.iter().sum();
        let largest = self.largest_ppm.load(Ordering::Relaxed);
        let percent = |part: f64| quantile(&counts, part, largest) as f64 / 10_000.0;
        LoadSummary {
            callbacks,
            median_percent: percent(0.5),
            p99_percent: percent(0.99),
            largest_percent: largest as f64 / 10_000.0,
            counts,
        }
    }
}

/// The upper end of the bucket that holds this part of the callbacks; never above the largest seen.
fn quantile(counts: &[u64], part: f64, largest: u64) -> u64 {
    let total: u64 = counts.iter().sum();
    let wanted = (total as f64 * part).ceil() as u64;
    let mut sum = 0;
    for (count, edge) in counts.iter().zip(EDGES_PPM) {
        sum += count;
        if sum >= wanted && sum > 0 {
            return edge.min(largest);
        }
    }
    largest
}

/// Callback times, in percent of the time a callback has.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default)]
pub struct LoadSummary {
    pub callbacks: u64,
    /// Upper end of the bucket it lies in, as the next one.
    pub median_percent: f64,
    pub p99_percent: f64,
    pub largest_percent: f64,
    /// Callbacks up to 0.1 %, 0.14 %, 0.2 % … 100 %, 200 %, 400 % of the block's time, and above.
    pub counts: Vec<u64>,
}

impl LoadSummary {
    /// Callbacks that took longer than their time.
    pub fn too_late(&self) -> u64 {
        let within = EDGES_PPM.iter().filter(|edge| **edge <= 1_000_000).count();
        self.counts.iter().skip(within).sum()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn callbacks_are_counted_by_the_part_of_their_time() {
        let meter = LoadMeter::new();
        let block = 1_333_333; // 64 frames at 48 kHz
        (0..98).for_each(|_| meter.record(13_333, block)); // 1 %
        meter.record(400_000, block); // 30 %
        meter.record(2_000_000, block); // 150 %
        let summary = meter.summary();
        assert_eq!(summary.callbacks, 100);
        assert!((summary.median_percent - 1.1314).abs() < 1e-9, "{summary:?}");
        assert!((summary.p99_percent - 36.2039).abs() < 1e-9, "{summary:?}");
        assert!((summary.largest_percent - 150.0).abs() < 0.1, "{summary:?}");
        assert_eq!(summary.counts.iter().sum::<u64>(), 100);
        assert_eq!(summary.too_late(), 1);
    }

    #[test]
    fn nothing_measured_is_nothing_said() {
        assert_eq!(LoadMeter::new().summary().median_percent, 0.0);
        LoadMeter::new().record(5, 0);
    }
}
