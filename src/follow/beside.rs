//! An external click beside the grid: how far off its hits are, and how much faster its clock runs.

/// Told again after so many hits.
const EVERY: u32 = 16;

/// What its hits were, since the song began.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct BesideNow {
    pub hits: u32,
    /// Frames after the place where the grid, corrected so far, had them.
    pub mean: f32,
    /// Standard deviation, in frames.
    pub spread: f32,
    /// How much faster it runs than written, in parts per million.
    pub ppm: f32,
}

/// Mean and spread, hit by hit. Real-time: safe, never grows.
///
/// Source: Welford 1962, "Note on a method for calculating corrected sums of squares and products".
#[derive(Clone, Copy, Debug, Default)]
pub struct Beside {
    hits: u32,
    mean: f64,
    squares: f64,
    ratio: f64,
    told: u32,
}

impl Beside {
    /// A hit `error` frames behind its place; intervals are those written times `ratio` from here on.
    pub fn heard(&mut self, error: f64, ratio: f64) {
        self.hits = self.hits.saturating_add(1);
        let off = error - self.mean;
        self.mean += off / f64::from(self.hits);
        self.squares += off * (error - self.mean);
        self.ratio = ratio;
    }

    /// After every so many hits, what they were; nothing between.
    pub fn told(&mut self) -> Option<BesideNow> {
        if self.hits < self.told.saturating_add(EVERY) {
            return None;
        }
        self.told = self.hits;
        let spread = (self.squares / f64::from(self.hits.saturating_sub(1).max(1))).sqrt();
        let ppm = if self.ratio > 0.0 { (1.0 / self.ratio - 1.0) * 1e6 } else { 0.0 };
        Some(BesideNow { hits: self.hits, mean: self.mean as f32, spread: spread as f32, ppm: ppm as f32 })
    }

    /// A song begins.
    pub fn clear(&mut self) {
        *self = Beside::default();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Mean 5 and standard deviation √(32 / 7) of 2, 4, 4, 4, 5, 5, 7, 9: by hand; twice over it is √(64 / 15).
    #[test]
    fn mean_spread_and_rate_are_what_they_are_by_hand() {
        let mut beside = Beside::default();
        for error in [2.0, 4.0, 4.0, 4.0, 5.0, 5.0, 7.0, 9.0] {
            beside.heard(error, 1.0);
            assert_eq!(beside.told(), None);
        }
        for error in [2.0, 4.0, 4.0, 4.0, 5.0, 5.0, 7.0, 9.0] {
            beside.heard(error, 1.0 / 1.000_1);
        }
        let now = beside.told().unwrap();
        assert_eq!((now.hits, now.mean), (16, 5.0));
        assert!((f64::from(now.spread) - (64.0f64 / 15.0).sqrt()).abs() < 1e-6, "{now:?}");
        assert!((now.ppm - 100.0).abs() < 0.01, "{now:?}");
        assert_eq!(beside.told(), None);
        beside.clear();
        assert_eq!(beside.told(), None);
    }
}
