//! Frames that an xrun lost, from the times a device gives its callbacks.
//!
//! After an xrun the first callback's time, less the last one's before it, less the frames asked for in
//! between, is what was lost. A device may repeat a time after a glitch (cpal never lets it go back): so the
//! second callback is asked as well.

/// One direction of a device. Times of two directions have different origins and never meet.
#[derive(Clone, Copy, Debug)]
pub(super) struct Gap {
    rate: f64,
    /// Nanoseconds and frame of the last callback before any xrun in question.
    anchor: Option<(u64, i64)>,
    frame: i64,
    xruns: u64,
    /// Callbacks still to be asked.
    asks: u8,
}

impl Gap {
    pub fn new(rate: f64) -> Gap {
        Gap { rate, anchor: None, frame: 0, xruns: 0, asks: 0 }
    }

    /// Frames lost before a callback of `frames` at `nanoseconds`; `xruns` as told so far. Real-time: safe.
    pub fn lost_before(&mut self, nanoseconds: u64, frames: usize, xruns: u64) -> i64 {
        if xruns != self.xruns {
            self.xruns = xruns;
            self.asks = 2;
        }
        let mut lost = 0;
        if self.asks > 0 {
            self.asks -= 1;
            lost = self.since_anchor(nanoseconds, frames);
            self.frame += lost;
        }
        if self.asks == 0 {
            self.anchor = Some((nanoseconds, self.frame));
        }
        self.frame += frames as i64;
        lost
    }

    /// Less than a quarter of a block is the scatter of a device's times.
    fn since_anchor(&self, nanoseconds: u64, frames: usize) -> i64 {
        let Some((then, frame)) = self.anchor else { return 0 };
        let passed = nanoseconds.saturating_sub(then) as f64 * self.rate / 1e9;
        let lost = passed.round() as i64 - (self.frame - frame);
        if lost * 4 <= frames as i64 { 0 } else { lost }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Callbacks of 48 frames at 48 kHz, a millisecond each; the time of some is given.
    fn lost(times: &[(u64, u64)]) -> Vec<i64> {
        let mut gap = Gap::new(48_000.0);
        let lost = |(ms, xruns): &(u64, u64)| gap.lost_before(ms * 1_000_000, 48, *xruns);
        times.iter().map(lost).collect()
    }

    #[test]
    fn nothing_is_lost_without_an_xrun_however_times_scatter() {
        assert_eq!(lost(&[(0, 0), (1, 0), (9, 0), (9, 0), (10, 0)]), [0; 5]);
    }

    #[test]
    fn an_xrun_loses_what_passed_and_the_refill_is_not_counted_twice() {
        assert_eq!(lost(&[(0, 0), (1, 0), (12, 1), (13, 1), (14, 1)]), [0, 0, 480, 0, 0]);
    }

    #[test]
    fn a_time_that_repeats_after_the_glitch_is_made_good_by_the_next() {
        assert_eq!(lost(&[(0, 0), (1, 0), (1, 1), (13, 1), (14, 1)]), [0, 0, 0, 480, 0]);
    }

    #[test]
    fn two_xruns_in_a_row_lose_both_times() {
        assert_eq!(lost(&[(0, 0), (1, 0), (12, 1), (33, 2), (34, 2), (35, 2)]), [0, 0, 480, 960, 0, 0]);
    }

    #[test]
    fn an_xrun_before_the_first_callback_loses_nothing() {
        assert_eq!(lost(&[(5, 1), (6, 1), (7, 1)]), [0; 3]);
    }
}
