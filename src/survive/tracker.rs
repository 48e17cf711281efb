//! Where a device's time is by our own clock, and what it lost that nobody counted. Pure: every reading is an argument.
//!
//! In: each callback's moment and its origin. Out: ten times a second where frame 0 would have been asked for, and by
//! how much the night must move. A device's crystal runs evenly and a callback is never early, so that time lost for
//! good is a step up from a straight line. The line itself is followed slowly, by callbacks of whole seconds: what is
//! followed is not counted, and many small losses would make a night walk.

use super::clock::{SECOND, WORST_PPM, Window};

/// More than this later than it should be in two short windows: lost, and told at once.
pub const STEP: i64 = 3_000_000;

/// More than this in as many short windows: lost, and told then.
const MIDDLE_STEP: i64 = 750_000;
const MIDDLE: usize = 4;

/// More than this in two seconds: lost, too. The earliest callback of a second of a busy computer is less late.
const SMALL_STEP: i64 = 50_000;

/// The line goes after no more than this at a time: a crystal that grows warm needs less.
const FOLLOWED: i64 = 15_000;

/// It goes after twice as much for so many seconds: the rate of the first ones may be off by ten millionths.
const NEW: usize = 24;

/// Small losses are added up until they come to this: each move is a seam.
const MOVES: i64 = 200_000;

/// A night that is ahead by this goes back: a block is silent for that, so less than this waits for the next loss.
const BACK: i64 = 1_000_000;

/// Earlier than this by itself: it does not go by a clock.
const FREEWHEELS: i64 = 20_000_000;

/// Seconds after which the rate is known.
const FIRST: usize = 8;

/// Seconds that count in the line, at most.
const MEMORY: usize = 60;

/// The origin of a callback in time.
#[derive(Clone, Copy, Debug)]
struct Line {
    at: i64,
    origin: f64,
    /// Nanoseconds a nanosecond.
    slope: f64,
}

impl Line {
    fn at(&self, ns: i64) -> i64 {
        (self.origin + (ns - self.at) as f64 * self.slope).round() as i64
    }
}

/// What is known when a short window ends.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Seen {
    /// When frame 0 would have been asked for at the crystal's nominal rate, as it is now.
    pub origin: i64,
    /// The same by the callbacks of this window alone.
    pub alone: i64,
    /// Nanoseconds by which the device is later for good than was counted; less than 0 when a host has counted it too.
    pub late: i64,
}

/// Follows one device.
#[derive(Clone, Copy, Debug)]
pub struct Tracker {
    line: Option<Line>,
    slope: f64,
    /// Seconds that the slope is known by.
    known: usize,
    /// The first seconds: how much later than the one before, and how long.
    first: [(i64, i64); FIRST],
    window: Window,
    /// How late the last short windows were, the newest first, and how many there are.
    short: [i64; MIDDLE],
    shorts: usize,
    second: Second,
    /// How late the last second was, when it was late.
    late_second: Option<i64>,
    /// The line has been followed for a second: before, it is where a few callbacks happened to be.
    is_begun: bool,
    /// The night was laid where those few were.
    is_laid: bool,
    /// Found since the line began.
    found: i64,
    owed: i64,
}

/// Short windows of about a second.
#[derive(Clone, Copy, Debug, Default)]
struct Second {
    began: Option<i64>,
    earliest: Option<i64>,
}

impl Second {
    fn push(&mut self, ns: i64, earliest: i64) -> Option<i64> {
        let began = *self.began.get_or_insert(ns);
        let earliest = self.earliest.map_or(earliest, |before| before.min(earliest));
        self.earliest = Some(earliest);
        (ns - began >= SECOND).then_some(earliest)
    }
}

impl Default for Tracker {
    fn default() -> Tracker {
        Tracker {
            line: None,
            slope: 0.0,
            known: 0,
            first: [(0, 0); FIRST],
            window: Window::default(),
            short: [0; MIDDLE],
            shorts: 0,
            second: Second::default(),
            late_second: None,
            is_begun: false,
            is_laid: false,
            found: 0,
            owed: 0,
        }
    }
}

impl Tracker {
    /// The device was away for a moment: its rate is still known.
    pub fn again(&mut self) {
        let known = if self.known < FIRST { 0 } else { FIRST };
        *self = Tracker { slope: self.slope, known, ..Tracker::default() };
    }

    /// The night was laid by this origin at a moment: it was heard in a few callbacks, and when all of them were late, the
    /// night goes back with the line. Real-time: safe.
    pub fn laid(&mut self, ns: i64, origin: i64) {
        self.begin(ns, origin);
        self.is_laid = true;
    }

    fn begin(&mut self, ns: i64, origin: i64) {
        self.line = Some(Line { at: ns, origin: origin as f64, slope: self.slope });
        self.second = Second { began: Some(ns), earliest: None };
    }

    /// Nanoseconds by which a callback comes later than the line has it; 0 before there is one. Real-time: safe.
    pub fn late(&self, ns: i64, origin: i64) -> i64 {
        self.line.map_or(0, |line| origin.saturating_sub(line.at(ns)).max(0))
    }

    /// A callback at a moment. Real-time: safe.
    pub fn push(&mut self, ns: i64, origin: i64) -> Option<Seen> {
        let line = self.line.map_or(0, |line| line.at(ns));
        let floor = self.window.push(ns, origin.wrapping_sub(line))?;
        if self.line.is_none() {
            let origin = floor.get();
            self.begin(ns, origin);
            return Some(Seen { origin, alone: origin, late: 0 });
        }
        let stepped = self.short_window(floor.earliest());
        // What was read against the line as it was says nothing of the line as it is.
        let second = if stepped { None } else { self.second.push(ns, floor.earliest()) };
        if let Some(late) = second {
            self.second(ns, late);
        }
        let origin = self.line.map_or(0, |line| line.at(ns));
        Some(Seen { origin, alone: line + floor.get(), late: self.moves() })
    }

    fn moves(&mut self) -> i64 {
        if self.owed >= MOVES || self.owed <= -BACK { std::mem::take(&mut self.owed) } else { 0 }
    }

    /// Some must agree on a loss: a busy computer is late for a while, and some hosts count a loss themselves later.
    /// Gives whether the line was elsewhere.
    fn short_window(&mut self, late: i64) -> bool {
        self.short.rotate_right(1);
        self.short[0] = late;
        self.shorts += 1;
        let least = |of: usize| self.short.iter().take(of).fold(i64::MAX, |least, late| least.min(*late));
        let (two, all) = (least(2), least(MIDDLE));
        let found = if late < -BACK {
            Some(late)
        } else if self.shorts >= 2 && two > STEP {
            Some(two)
        } else if self.shorts >= MIDDLE && all > MIDDLE_STEP {
            Some(all)
        } else {
            None
        };
        if let Some(late) = found {
            self.step(late);
        }
        found.is_some()
    }

    /// The line was elsewhere. A callback is never early: where this is, the night is too far by what was found here or
    /// counted by a host. Neither, when the line is not sure or frames pass without regard to the clock.
    fn step(&mut self, late: i64) {
        let line_is_sure = self.is_laid || (self.known >= FIRST && self.is_begun);
        let counts = if line_is_sure && late > -FREEWHEELS { late } else { late.max(-self.found.max(0)) };
        if let Some(line) = &mut self.line {
            line.origin += late as f64;
        }
        self.found += counts;
        self.owed += counts;
        (self.shorts, self.late_second, self.second) = (0, None, Second::default());
    }

    fn second(&mut self, ns: i64, late: i64) {
        self.second = Second { began: Some(ns), earliest: None };
        self.is_begun = true;
        if self.known < FIRST {
            return self.first_second(ns, late);
        }
        match self.late_second.take() {
            _ if late < -SMALL_STEP => self.step(late),
            Some(before) if late > SMALL_STEP => self.step(before.min(late)),
            None if late > SMALL_STEP => self.late_second = Some(late),
            _ => self.follow(ns, late),
        }
    }

    /// A straight line through the last seconds, each of which counts as in a fit of all of them until they are too many.
    ///
    /// Source: E. Brookner, Tracking and Kalman Filtering Made Easy (Wiley, 1998), the expanding-memory g-h filter: g =
    /// 2(2n + 1) / ((n + 2)(n + 1)), h = 6 / ((n + 2)(n + 1)).
    fn follow(&mut self, ns: i64, late: i64) {
        let Some(line) = self.line else { return };
        // Late may be lost, and then the next loss tells it.
        let late = late.min(if self.known < NEW { 2 * FOLLOWED } else { FOLLOWED });
        self.known = (self.known + 1).min(MEMORY);
        let n = self.known as f64;
        let both = (n + 2.0) * (n + 1.0);
        let (g, h) = (2.0 * (2.0 * n + 1.0) / both, 6.0 / both);
        let slope = line.slope + h * late as f64 / ((ns - line.at) as f64).max(1.0);
        self.slope = slope.clamp(-WORST_PPM * 1e-6, WORST_PPM * 1e-6);
        let origin = line.at(ns) as f64 + g * late as f64;
        self.line = Some(Line { at: ns, origin, slope: self.slope });
    }

    /// Before the rate is known the line is level, and goes where each second is.
    fn first_second(&mut self, ns: i64, late: i64) {
        let Some(line) = &mut self.line else { return };
        if let Some(first) = self.first.get_mut(self.known) {
            *first = (late, ns - line.at);
        }
        *line = Line { at: ns, origin: line.origin + late as f64, slope: 0.0 };
        self.known += 1;
        if self.known == FIRST {
            self.rate_is_known(ns);
        }
    }

    /// What a few of the first seconds lost stands out from the middle one, and is counted. The others' rate is that of
    /// the straight line with the least squares: of few callbacks a second the middle one says too little.
    fn rate_is_known(&mut self, ns: i64) {
        // The first began where the first callbacks happened to be.
        let mut slopes = self.first.map(|(late, time)| late as f64 / (time as f64).max(1.0));
        let Some((_, seconds)) = slopes.split_first_mut() else { return };
        seconds.sort_unstable_by(f64::total_cmp);
        let middle = seconds.get(seconds.len() / 2).copied().unwrap_or(0.0);
        let lost = |(late, time): &(i64, i64)| {
            let off = late - (*time as f64 * middle) as i64;
            if off.abs() > SMALL_STEP { off } else { 0 }
        };
        let (mut at, mut origin) = (0.0, 0.0);
        let (mut ats, mut origins, mut squares, mut products) = (0.0, 0.0, 0.0, 0.0);
        for second in self.first.iter().skip(1) {
            at += second.1 as f64;
            origin += (second.0 - lost(second)) as f64;
            (ats, origins) = (ats + at, origins + origin);
            (squares, products) = (squares + at * at, products + at * origin);
        }
        let n = FIRST as f64;
        let slope = (n * products - ats * origins) / (n * squares - ats * ats).max(1.0);
        self.slope = slope.clamp(-WORST_PPM * 1e-6, WORST_PPM * 1e-6);
        let lost: i64 = self.first.iter().skip(1).map(lost).sum();
        self.found += lost.max(0);
        self.owed += lost.max(0);
        // Of a slow device's second the first callbacks are the earliest.
        let at = if self.slope > 0.0 { ns - self.first.last().map_or(0, |(_, time)| *time) } else { ns };
        self.line = self.line.map(|line| Line { at, slope: self.slope, ..line });
    }
}

#[cfg(test)]
mod tests {
    use super::super::clock::origin;
    use super::*;
    use crate::units::{FramePos, SampleRate};

    const RATE: SampleRate = SampleRate::standard();

    /// A device of 48 kHz, whose every callback is at an exact time, and a computer that is late for it.
    struct Device {
        ppm: f64,
        block: i64,
        callbacks: i64,
        /// Time lost for good that nobody counted, and what the tracker told of it.
        lost: i64,
        told: i64,
        tracker: Tracker,
    }

    impl Device {
        fn new(ppm: f64, block: i64) -> Device {
            Device { ppm, block, callbacks: 0, lost: 0, told: 0, tracker: Tracker::default() }
        }

        /// One callback, so late.
        fn call(&mut self, late: i64) -> Option<Seen> {
            let frame = FramePos(self.callbacks * self.block);
            let due = frame.0 as f64 * 1e9 / 48_000.0 * (1.0 + self.ppm * 1e-6);
            self.callbacks += 1;
            let ns = 5_000_000_000 + due as i64 + self.lost + late;
            let seen = self.tracker.push(ns, origin(frame, ns, RATE));
            self.told += seen.map_or(0, |seen| seen.late);
            seen
        }

        fn run(&mut self, seconds: f64, mut late: impl FnMut() -> i64) {
            let callbacks = (seconds * 48_000.0) as i64 / self.block;
            for _ in 0..callbacks {
                self.call(late());
            }
        }
    }

    /// As waking a thread is late: seldom by much.
    fn exponential(random: &mut fastrand::Rng, mean: f64) -> i64 {
        (-mean * (1.0 - random.f64()).ln()) as i64
    }

    #[test]
    fn time_lost_is_told_within_a_quarter_of_a_second_and_once() {
        for (ppm, before) in [(0.0, 1.0), (100.0, 30.0), (-300.0, 4.0)] {
            let mut device = Device::new(ppm, 128);
            device.run(before, || 20_000);
            device.lost = 40_000_000;
            device.run(0.35, || 20_000);
            assert!((device.told - 40_000_000).abs() < 500_000, "{ppm} {}", device.told);
            device.run(30.0, || 20_000);
            assert!((device.told - 40_000_000).abs() < 500_000, "{ppm} {}", device.told);
        }
    }

    #[test]
    fn a_busy_computer_is_not_lost_time() {
        let mut device = Device::new(40.0, 128);
        device.run(20.0, || 0);
        for late in [150_000_000, 2_500_000, 20_000_000] {
            device.run(0.12, || late);
            device.run(5.0, || 0);
        }
        assert_eq!(device.told, 0);
        // Busy for so long that nothing else shows: told, and taken back.
        device.run(1.0, || 20_000_000);
        assert!((device.told - 20_000_000).abs() < 100_000, "{}", device.told);
        device.run(1.0, || 0);
        assert!(device.told.abs() < 100_000, "{}", device.told);
    }

    #[test]
    fn a_loss_that_a_host_counts_as_well_is_taken_back() {
        let mut device = Device::new(-20.0, 128);
        device.run(20.0, || 0);
        device.lost = 20_000_000;
        device.run(0.5, || 0);
        assert!((device.told - 20_000_000).abs() < 100_000, "{}", device.told);
        // Where this side has moved on, the device's frames are later by as much.
        device.lost = 0;
        device.run(0.5, || 0);
        assert!(device.told.abs() < 100_000, "{}", device.told);
        for _ in 0..300 {
            device.run(0.02, || 0);
            assert!(device.told.abs() < 100_000, "and stays so: {}", device.told);
        }
    }

    #[test]
    fn a_host_that_counts_too_much_is_put_right() {
        let mut device = Device::new(80.0, 128);
        device.run(20.0, || 0);
        device.lost = -2_000_000;
        device.run(1.0, || 0);
        assert!((device.told + 2_000_000).abs() < 100_000, "{}", device.told);
    }

    #[test]
    fn freewheel_moves_nothing() {
        let mut device = Device::new(0.0, 128);
        device.run(20.0, || 0);
        device.ppm = -900_000.0;
        device.callbacks *= 10;
        device.run(600.0, || 0);
        assert_eq!(device.told, 0);
    }

    #[test]
    fn no_crystal_is_lost_time() {
        for ppm in [-300.0, -100.0, -3.0, 50.0, 300.0] {
            for block in [64, 480, 2048] {
                let mut device = Device::new(ppm, block);
                device.run(1800.0, || 0);
                assert_eq!(device.told, 0, "{ppm} {block}");
            }
        }
    }

    #[test]
    fn a_crystal_that_grows_warm_is_not_lost_time() {
        // 10 ppm within ten minutes (common practice, no source: a stage that warms by 20 K moves one by a few).
        let mut device = Device::new(0.0, 128);
        let mut warm = 0.0;
        for _ in 0..600 {
            // Its rate alone changes: the time that has passed stands.
            let frames = (device.callbacks * device.block) as f64;
            device.ppm += 10.0 / 600.0;
            warm -= frames * 1e9 / 48_000.0 * 10.0 / 600.0 * 1e-6;
            device.lost = warm as i64;
            device.run(1.0, || 0);
        }
        assert_eq!(device.told, 0);
    }

    #[test]
    fn an_hour_of_small_losses_does_not_walk() {
        for (seed, ppm) in [(1, -80.0), (2, 0.0), (3, 80.0)] {
            let mut random = fastrand::Rng::with_seed(seed);
            let mut device = Device::new(ppm, 128);
            let (mut worst, mut busy) = (0, 0);
            device.run(15.0, || exponential(&mut random, 30_000.0));
            for _ in 0..600 {
                device.lost += random.i64(50_000..1_300_000);
                busy = if busy == 0 && random.u8(0..20) == 0 { random.u8(1..10) } else { busy - busy.min(1) };
                let mean = if busy > 0 { 800_000.0 } else { 40_000.0 };
                let seconds = 1.0 + random.f64() * 10.0;
                device.run(seconds, || exponential(&mut random, mean));
                // Two whole seconds after the one in which it happened.
                let told = seconds > 4.0;
                worst = worst.max(if told { (device.told - device.lost).abs() } else { 0 });
            }
            assert!(worst < 1_000_000, "{ppm}: {worst}");
        }
    }
}
