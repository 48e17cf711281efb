//! The other machine's clock, seen from this one: where its words begin, how fast they come, and how sure that is.

use crate::units::{Exact, SampleRate, Span};

/// Words that the fit looks back over: 20 s at 25 frames.
const WINDOW: usize = 512;
/// A word this many standard errors off its place is not counted.
const OUTLIER: f64 = 6.0;
/// … at least this many samples.
const OUTLIER_LEAST: f64 = 1.0;
/// … and at least this many while the fit is young: two or three words say little of their scatter.
const OUTLIER_YOUNG: f64 = 5.0;
/// Words of a young fit.
const YOUNG: f64 = 25.0;
/// So many outliers in a row are a new clock.
const NEW_CLOCK: u32 = 4;
/// No line is steadier than this, in samples.
const LEAST_SCATTER: f64 = 0.02;

#[derive(Clone, Copy, Debug, Default)]
struct Point {
    count: i64,
    /// Samples since `origin`.
    place: f64,
}

#[derive(Clone, Copy, Debug)]
struct Fit {
    points: f64,
    /// Means of count and place, and the period.
    count: f64,
    place: f64,
    period: f64,
    /// Sum of squared count deviations.
    spread: f64,
    scatter: f64,
}

/// A regression of word starts on word counts. Memory is taken in [`Clock::new`].
#[derive(Clone, Debug)]
pub struct Clock {
    origin: Option<Exact>,
    points: Vec<Point>,
    next: usize,
    last: Point,
    outliers: u32,
    fit: Option<Fit>,
}

impl Default for Clock {
    fn default() -> Clock {
        Clock::new()
    }
}

impl Clock {
    /// Allocates.
    pub fn new() -> Clock {
        let points = Vec::with_capacity(WINDOW);
        Clock { origin: None, points, next: 0, last: Point::default(), outliers: 0, fit: None }
    }

    /// Takes the place at which a word begins; `period` is its own length in samples. Returns its count: words since
    /// the first one, those that were not heard included. `None`: it does not belong to this clock.
    /// Real-time: safe.
    pub fn hear(&mut self, start: Exact, period: f64) -> Option<i64> {
        let Some(origin) = self.origin else {
            self.begin(start);
            return Some(0);
        };
        let place = (start - origin).as_f64();
        let length = self.fit.map_or(period, |fit| fit.period);
        let steps = ((place - self.last.place) / length).round();
        if !(1.0..1e9).contains(&steps) {
            return self.odd(start);
        }
        let count = self.last.count + steps as i64;
        if self.fit.is_some_and(|fit| {
            let least = if fit.points < YOUNG { OUTLIER_YOUNG } else { OUTLIER_LEAST };
            let most = (OUTLIER * fit.error(count as f64).hypot(fit.scatter)).max(least);
            (place - fit.at(count as f64)).abs() > most
        }) {
            return self.odd(start);
        }
        self.outliers = 0;
        self.keep(Point { count, place });
        Some(count)
    }

    fn begin(&mut self, start: Exact) {
        self.points.clear();
        (self.origin, self.next, self.outliers, self.fit) = (Some(start), 0, 0, None);
        self.keep(Point::default());
    }

    fn odd(&mut self, start: Exact) -> Option<i64> {
        self.outliers += 1;
        if self.outliers < NEW_CLOCK {
            return None;
        }
        self.begin(start);
        Some(0)
    }

    fn keep(&mut self, point: Point) {
        self.last = point;
        if self.points.len() < WINDOW {
            self.points.push(point);
        } else if let Some(slot) = self.points.get_mut(self.next) {
            *slot = point;
        }
        self.next = (self.next + 1) % WINDOW;
        self.fit = Fit::of(&self.points, point);
    }

    /// The place of a count, fractions included. `None` before two words. Real-time: safe.
    pub fn at(&self, count: f64) -> Option<Exact> {
        Some(self.origin? + Span::from_f64(self.fit?.at(count)))
    }

    /// Samples from word to word, as fitted. Real-time: safe.
    pub fn period(&self) -> Option<f64> {
        self.fit.map(|fit| fit.period)
    }

    /// Words in the fit.
    pub fn words(&self) -> usize {
        self.points.len()
    }

    /// How far the place of a count may be off: three standard errors, in samples.
    ///
    /// Source: variance of a prediction by linear regression, σ² (1/n + (x − x̄)² / Σ(x − x̄)²). Real-time: safe.
    pub fn bound(&self, count: f64) -> Option<f64> {
        Some(3.0 * self.fit?.error(count))
    }

    /// The same for the last word. Real-time: safe.
    pub fn bound_now(&self) -> Option<f64> {
        self.bound(self.last.count as f64)
    }
}

impl Fit {
    fn of(points: &[Point], last: Point) -> Option<Fit> {
        let n = points.len() as f64;
        if points.len() < 2 {
            return None;
        }
        // Around the last word, so that nothing large is squared.
        let (mut x, mut y) = (0.0, 0.0);
        for point in points {
            x += (point.count - last.count) as f64;
            y += point.place - last.place;
        }
        let (x, y) = (x / n, y / n);
        let (mut xx, mut xy, mut yy) = (0.0, 0.0, 0.0);
        for point in points {
            let dx = (point.count - last.count) as f64 - x;
            let dy = point.place - last.place - y;
            xx += dx * dx;
            xy += dx * dy;
            yy += dy * dy;
        }
        if xx <= 0.0 {
            return None;
        }
        let period = xy / xx;
        let left = (yy - period * xy).max(0.0) / (n - 2.0).max(1.0);
        Some(Fit {
            points: n,
            count: x + last.count as f64,
            place: y + last.place,
            period,
            spread: xx,
            scatter: left.sqrt().max(LEAST_SCATTER),
        })
    }

    fn at(&self, count: f64) -> f64 {
        self.place + (count - self.count) * self.period
    }

    fn error(&self, count: f64) -> f64 {
        let away = count - self.count;
        self.scatter * (1.0 / self.points + away * away / self.spread).sqrt()
    }
}

/// How much faster a clock runs than this machine's, from its period in this machine's samples.
pub fn ppm(period: f64, nominal: f64) -> f64 {
    (nominal / period - 1.0) * 1e6
}

/// Samples of a word at a rate, as a number. Real-time: safe.
pub fn nominal(frames: super::FrameRate, rate: SampleRate) -> f64 {
    let (over, under) = frames.exact();
    f64::from(rate.hertz()) * f64::from(under) / f64::from(over)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::FramePos;

    /// Word starts every 1,920 samples at `ppm`, each off by a normal error of `scatter` samples.
    fn locked(words: i64, ppm: f64, scatter: f64, seed: u64) -> (Clock, impl Fn(i64) -> f64) {
        let period = 1920.0 / (1.0 + ppm * 1e-6);
        let mut random = fastrand::Rng::with_seed(seed);
        let mut normal = move || (0..12).map(|_| random.f64()).sum::<f64>() - 6.0;
        let mut clock = Clock::new();
        let truth = move |count: i64| 1000.25 + count as f64 * period;
        for count in 0..words {
            let start = Exact::at(FramePos(0)) + Span::from_f64(truth(count) + scatter * normal());
            assert_eq!(clock.hear(start, 1920.0), Some(count));
        }
        (clock, truth)
    }

    #[test]
    fn holdover_stays_within_its_bound_and_within_a_millisecond_after_ten_seconds_of_lock() {
        // A word's start is fitted over some 100 edges: edges that scatter by 0.3 sample put it 0.06 off.
        let mut told = Vec::new();
        for words in [25i64, 75, 250] {
            let mut worst: f64 = 0.0;
            let mut bound: f64 = 0.0;
            for seed in 0..200 {
                let ppm = (seed as f64 - 100.0) * 3.0;
                let (clock, truth) = locked(words, ppm, 0.06, seed);
                let later = words + 15_000;
                let at = clock.at(later as f64).unwrap();
                let off = ((at - Exact(0)).as_f64() - truth(later)).abs() / 48.0;
                worst = worst.max(off);
                bound = bound.max(clock.bound(later as f64).unwrap() / 48.0);
            }
            assert!(worst <= bound, "{words}: {worst} ms, {bound} ms");
            told.push((words, worst, bound));
        }
        println!("words, worst of 200 after ten minutes, bound in ms: {told:?}");
        assert!(told[2].1 < 0.1 && told[2].2 < 0.2, "{told:?}");
        assert!(told[0].2 < 4.0);
    }

    #[test]
    fn a_word_out_of_place_is_left_out_and_a_new_clock_is_found() {
        let (mut clock, truth) = locked(100, 20.0, 0.02, 1);
        let place = |count: i64, off: f64| Exact(0) + Span::from_f64(truth(count) + off);
        assert_eq!(clock.hear(place(100, 40.0), 1920.0), None);
        assert_eq!(clock.hear(place(101, 0.0), 1920.0), Some(101));
        assert_eq!(clock.hear(place(130, 0.0), 1920.0), Some(130));
        for count in 131..134 {
            assert_eq!(clock.hear(place(count, 700.0), 1920.0), None);
        }
        assert_eq!(clock.hear(place(134, 700.0), 1920.0), Some(0));
    }
}
