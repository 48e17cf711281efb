//! Frames against the boot-time clock. Pure: every reading is an argument.
//!
//! A callback may come late and is never early: of some callbacks the earliest says where the device is ([`Floor`]).

use super::tracker::STEP;
use crate::units::{FramePos, SampleRate};

/// Nanoseconds a second.
pub const SECOND: i64 = 1_000_000_000;

/// A device's crystal is no worse than this (common practice, no source: ±100 ppm are sold as the worst).
pub(super) const WORST_PPM: f64 = 300.0;

/// Readings further apart than this measure the device's rate.
const MEASURED_OVER: i64 = 20 * SECOND;

/// A frame, and when the device asked for it.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Reading {
    pub frame: FramePos,
    /// By the boot-time clock.
    pub ns: i64,
}

/// A reading by the line that a device has been on, and by the last callbacks alone.
///
/// The line goes no way with a crystal before its rate is known: how fast a device is, callbacks alone can say.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sight {
    pub reading: Reading,
    pub alone: i64,
}

impl From<Reading> for Sight {
    fn from(reading: Reading) -> Sight {
        Sight { reading, alone: reading.ns }
    }
}

/// What is known of a device's time.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Fit {
    pub at: Reading,
    /// Nanoseconds a frame, as measured once that is possible.
    pub frame_ns: f64,
    /// They were measured.
    #[serde(default)]
    pub measured: bool,
    /// Before that: what a row of short runs has learned together.
    #[serde(default)]
    pub row: Row,
}

impl Fit {
    /// By the rate alone.
    pub fn new(at: Reading, rate: SampleRate) -> Fit {
        Fit { at, frame_ns: 1e9 / f64::from(rate.hertz()), measured: false, row: Row::default() }
    }

    /// The frame of a moment, with its fraction.
    pub fn frame_at(&self, ns: i64) -> f64 {
        self.at.frame.0 as f64 + (ns - self.at.ns) as f64 / self.frame_ns
    }

    /// When a frame is asked for. Rounding: to the nearest nanosecond.
    pub fn time_of(&self, frame: FramePos) -> i64 {
        self.at.ns + ((frame - self.at.frame).0 as f64 * self.frame_ns).round() as i64
    }
}

/// Runs of one device that came back one after another, all too short to measure its rate alone.
///
/// Between two runs nobody counts frames, so that a rate is learned within each and the runs are put together.
#[derive(Clone, Copy, Debug, Default, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Row {
    /// Where the first of them ended: their line goes through this.
    pub begun: Option<Reading>,
    slope: Slope,
}

/// How much longer than nominal a device's seconds are: what each run has of it adds up.
#[derive(Clone, Copy, Debug, Default, PartialEq, serde::Serialize, serde::Deserialize)]
struct Slope {
    /// Square deviation of the readings' places, in seconds squared.
    square: f64,
    /// The places' deviation times that of the lateness: seconds by nanoseconds.
    product: f64,
}

impl Slope {
    /// Nanoseconds a second, by least squares, towards nothing as far as readings scatter and crystals do not.
    fn drift(self) -> f64 {
        let drift = self.product / (self.square + SURE);
        if drift.abs() <= WORST_PPM * 1e3 { drift } else { 0.0 }
    }

    fn and(self, other: Slope) -> Slope {
        Slope { square: self.square + other.square, product: self.product + other.product }
    }
}

/// Seconds squared. Source: the mean of a slope given its readings, where both are normal, divides by their square
/// deviation plus (scatter of a reading / spread of crystals)²: 70 µs and 50 ppm.
const SURE: f64 = 2.0;

/// Callbacks alone that are this far off the line say nothing of a crystal: the worst is so far off after two seconds.
const HELD_UP: i64 = 600_000;

/// Readings of one run, about the first of them.
#[derive(Clone, Copy, Debug)]
struct Sums {
    first: Reading,
    count: f64,
    mean: (f64, f64),
    slope: Slope,
}

impl Sums {
    fn new(first: Reading) -> Sums {
        Sums { first, count: 0.0, mean: (0.0, 0.0), slope: Slope::default() }
    }

    /// Source: B. P. Welford, Note on a method for calculating corrected sums of squares and products (Technometrics
    /// 4, 1962).
    fn push(&mut self, reading: Reading, rate: SampleRate) {
        let place = (reading.frame - self.first.frame).0 as f64 / f64::from(rate.hertz());
        let late = (reading.ns - self.first.ns) as f64 - place * SECOND as f64;
        self.count += 1.0;
        let off = place - self.mean.0;
        self.mean.0 += off / self.count;
        self.mean.1 += (late - self.mean.1) / self.count;
        self.slope.square += off * (place - self.mean.0);
        self.slope.product += off * (late - self.mean.1);
    }
}

/// A run that comes back is no further than this off the line that it came back by.
const OFF_LINE: i64 = 1_000_000;

/// Readings to a fit. A step (frames lost, a device that came back) begins the measuring of the rate anew.
///
/// A run that came back goes by the line of the run that measured it until it has measured its own: else the errors of
/// a row of comebacks add up, each of which puts its frames a little beside the line that it finds. Where none has
/// measured yet, the line goes through the end of the first run, and every run makes its slope surer.
#[derive(Clone, Copy, Debug)]
pub struct Fitting {
    rate: SampleRate,
    line: Option<Fit>,
    /// What runs before this one learned.
    before: Slope,
    sums: Option<Sums>,
    fit: Option<Fit>,
}

impl Fitting {
    pub fn new(rate: SampleRate) -> Fitting {
        Fitting { rate, line: None, before: Slope::default(), sums: None, fit: None }
    }

    /// Of a run that comes back by this.
    pub fn going_on(rate: SampleRate, line: Option<Fit>) -> Fitting {
        let before = line.map_or(Slope::default(), |line| line.row.slope);
        Fitting { line, before, ..Fitting::new(rate) }
    }

    pub const fn fit(&self) -> Option<Fit> {
        self.fit
    }

    pub fn push(&mut self, sight: impl Into<Sight>) {
        let Sight { reading, alone } = sight.into();
        let nominal = 1e9 / f64::from(self.rate.hertz());
        let off = self.fit.map_or(0, |fit| (reading.ns - fit.time_of(reading.frame)).abs());
        if off > STEP {
            (self.sums, self.before) = (None, Slope::default());
        }
        let sums = self.sums.get_or_insert(Sums::new(reading));
        // The first of a run that came back is of few callbacks, and scatters more than those that follow.
        let few = self.fit.is_none() && self.line.is_some();
        if !few && (alone - reading.ns).abs() <= HELD_UP {
            sums.push(Reading { ns: alone, ..reading }, self.rate);
        }
        let (first, slope) = (sums.first, self.before.and(sums.slope));
        let mut fit = Fit::new(reading, self.rate);
        fit.frame_ns = nominal * (1.0 + slope.drift() / SECOND as f64);
        fit.row.slope = slope;
        let frames = (reading.frame - first.frame).0;
        if reading.ns - first.ns >= MEASURED_OVER && frames > 0 {
            let measured = (reading.ns - first.ns) as f64 / frames as f64;
            if (measured / nominal - 1.0).abs() * 1e6 <= WORST_PPM {
                (fit.frame_ns, fit.measured, fit.row) = (measured, true, Row::default());
                self.line = None;
            }
        }
        if let Some(line) = self.line {
            let line = if line.measured { line } else { line.through_its_beginning(&fit) };
            let ns = line.time_of(reading.frame);
            if (reading.ns - ns).abs() <= OFF_LINE {
                fit = Fit { at: Reading { ns, ..reading }, ..line };
            } else {
                // Another device, or time that went by uncounted: this run alone.
                (self.line, self.before) = (None, Slope::default());
            }
        }
        self.fit = Some(fit);
    }
}

impl Fit {
    /// The line of a row by what is known of its slope now.
    fn through_its_beginning(self, now: &Fit) -> Fit {
        let begun = self.row.begun.unwrap_or(self.at);
        let row = Row { begun: Some(begun), ..now.row };
        Fit { at: begun, frame_ns: now.frame_ns, measured: false, row }
    }
}

/// When the device would ask for frame 0, by a callback: later than that by how late the callback is.
pub fn origin(frame: FramePos, ns: i64, rate: SampleRate) -> i64 {
    let before = i128::from(frame.0) * i128::from(SECOND) / i128::from(rate.hertz());
    ns.wrapping_sub(before as i64)
}

/// Where callbacks would begin if one came in time: the earliest of them, less by how much the second one is later.
///
/// Source: D. S. Robson and J. H. Whitlock, Estimation of a truncation point (Biometrika 51, 1964): of n values the
/// earliest is late by a part in n, and this by a part in n². Many and few callbacks then give the same on the mean.
#[derive(Clone, Copy, Debug)]
pub struct Floor {
    earliest: i64,
    second: i64,
}

/// The correction is no more than this: of a busy computer's callbacks few say anything.
const MOST_EARLIER: i64 = 200_000;

impl Default for Floor {
    fn default() -> Floor {
        Floor { earliest: i64::MAX, second: i64::MAX }
    }
}

impl Floor {
    /// The origin of one callback. Real-time: safe.
    pub fn push(&mut self, origin: i64) {
        self.second = self.second.min(origin.max(self.earliest));
        self.earliest = self.earliest.min(origin);
    }

    /// Of one callback, however late. Real-time: safe.
    pub fn earliest(&self) -> i64 {
        self.earliest
    }

    /// After two callbacks or more. Real-time: safe.
    pub fn get(&self) -> i64 {
        self.earliest - self.second.saturating_sub(self.earliest).min(MOST_EARLIER)
    }
}

/// Callbacks of about a tenth of a second: the earliest count.
#[derive(Clone, Copy, Debug, Default)]
pub struct Window {
    began: i64,
    floor: Floor,
    callbacks: u32,
}

/// A window is no shorter, in time and in callbacks.
const WINDOW: i64 = SECOND / 10;
/// Two windows are longer than the 32 callbacks after which a host may still count a loss itself.
const FEW: u32 = 20;

impl Window {
    /// A callback. Gives the window when it ends. Real-time: safe.
    pub fn push(&mut self, ns: i64, origin: i64) -> Option<Floor> {
        if self.callbacks == 0 {
            *self = Window { began: ns, ..Window::default() };
        }
        self.callbacks += 1;
        self.floor.push(origin);
        let over = ns - self.began >= WINDOW && self.callbacks >= FEW;
        over.then(|| std::mem::take(self).floor)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const RATE: SampleRate = SampleRate::standard();

    #[test]
    fn a_fit_runs_on_and_measures_the_rate_after_twenty_seconds() {
        let mut fitting = Fitting::new(RATE);
        // 100 ppm slow: a frame takes 20,833.333 × 1.0001 ns.
        let frame_ns = 1e9 / 48_000.0 * 1.0001;
        let reading =
            |frame: i64| Reading { frame: FramePos(frame), ns: 7_000 + (frame as f64 * frame_ns) as i64 };
        fitting.push(reading(0));
        assert_eq!(fitting.fit().unwrap().frame_ns, 1e9 / 48_000.0);
        (1..=300).for_each(|n| fitting.push(reading(n * 4800)));
        let fit = fitting.fit().unwrap();
        // A minute later the guess is off by less than a tenth of a frame.
        let later = reading(300 * 4800 + 60 * 48_000);
        assert!((fit.frame_at(later.ns) - later.frame.0 as f64).abs() < 0.1, "{fit:?}");
        assert!((fit.time_of(later.frame) - later.ns).abs() < 2000);
    }

    #[test]
    fn the_earliest_callback_of_a_window_counts() {
        let mut window = Window::default();
        let mut found = Vec::new();
        for n in 0..100i64 {
            let late = [0, 700_000, 20_000_000, 90_000][(n % 4) as usize];
            let ns = n * 2_666_667 + late;
            found.extend(window.push(ns, origin(FramePos(n * 128), ns, RATE)));
        }
        assert!(found.len() >= 2 && found.iter().all(|floor: &Floor| floor.get().abs() < 1000), "{found:?}");
    }

    #[test]
    fn few_callbacks_and_many_say_the_same_on_the_mean() {
        let mut random = fastrand::Rng::with_seed(1);
        let mut mean = |callbacks: usize| {
            let one = |_| {
                let mut floor = Floor::default();
                (0..callbacks).for_each(|_| floor.push(random.i64(0..300_000)));
                floor.get()
            };
            (0..20_000).map(one).sum::<i64>() / 20_000
        };
        // The earliest alone is late by 300 µs / (callbacks + 1): 33 and 8 µs.
        let (few, many) = (mean(8), mean(37));
        assert!(few.abs() < 1_000 && many.abs() < 1_000, "{few} {many}");
    }

    #[test]
    fn a_short_run_that_came_back_hands_on_the_line_it_came_back_by() {
        let reading = |frame: i64, late: i64| Reading {
            frame: FramePos(frame),
            ns: (frame as f64 * 1e9 / 48_000.0 * 1.0001) as i64 + late,
        };
        let mut first = Fitting::new(RATE);
        (0..300).for_each(|n| first.push(reading(n * 4800, 0)));
        let line = first.fit();
        let mut second = Fitting::going_on(RATE, line);
        assert_eq!(second.fit(), None, "before it runs");
        second.push(reading(2_000_000, 50_000));
        assert!((second.fit().unwrap().at.ns - reading(2_000_000, 0).ns).abs() < 3_000, "50 µs stay behind");
        // Another device's line is another one.
        second.push(reading(2_100_000, 2_000_000));
        assert_eq!(second.fit().unwrap().at, reading(2_100_000, 2_000_000));
        let mut long = Fitting::going_on(RATE, line);
        (0..300).for_each(|n| long.push(reading(2_000_000 + n * 4800, 50_000)));
        assert_eq!(long.fit().unwrap().at, reading(2_000_000 + 299 * 4800, 50_000), "it measured its own");
    }

    #[test]
    fn runs_too_short_to_measure_the_rate_learn_it_together() {
        // 80 ppm slow; nobody counts frames between the runs, so that those of the second begin anywhere.
        let frame_ns = 1e9 / 48_000.0 * (1.0 + 80e-6);
        let reading = |frame: i64, ns: i64| Reading {
            frame: FramePos(frame),
            ns: ns + (frame as f64 * frame_ns).round() as i64,
        };
        let mut first = Fitting::new(RATE);
        (0..=20).for_each(|n| first.push(reading(n * 4800, 0)));
        let end = first.fit().unwrap();
        let off = |fit: Fit| (fit.frame_ns / frame_ns - 1.0).abs() * 1e6;
        assert!(!end.measured && off(end) < 20.0, "{}", off(end));
        let mut second = Fitting::going_on(RATE, Some(end));
        (0..=30).for_each(|n| second.push(reading(200_000 + n * 4800, 90_000)));
        let later = second.fit().unwrap();
        assert!(off(later) < off(end) / 3.0, "{} {}", off(end), off(later));
        assert_eq!(later.row.begun, Some(end.at));
        // It stays on the first one's line, and not where it was put beside that.
        assert!((later.time_of(end.at.frame) - end.at.ns).abs() < 10);
        assert!((later.at.ns - reading(344_000, 0).ns).abs() < 30_000, "{later:?}");
        // A device with another crystal is not on that line for long, and begins one of its own.
        let mut other = Fitting::going_on(RATE, Some(later));
        let fast = |n: i64| Reading { frame: FramePos(344_000 + n * 4800), ns: later.at.ns + n * 99_970_000 };
        (0..=100).for_each(|n| other.push(fast(n)));
        let own = other.fit().unwrap();
        assert_eq!((own.at, own.row.begun), (fast(100), None));
        assert!((own.frame_ns * 0.048 - 999.7).abs() < 0.05, "{own:?}");
    }

    #[test]
    fn frames_of_a_time_are_the_nearest() {
        assert_eq!(RATE.frames_of_ns(1_000_000_000).0, 48_000);
        assert_eq!(RATE.frames_of_ns(31_250).0, 2); // 1.5 frames
        assert_eq!(origin(FramePos(48_000), 1_500_000_000, RATE), 500_000_000);
    }
}
