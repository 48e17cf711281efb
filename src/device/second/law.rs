//! How two clocks are followed: pure, time is an argument.
//!
//! In: when each side called and how many frames it had. Out: where to read the second interface's frames, and how
//! fast. Always: the same calls give the same answers; nothing here looks at a clock.
//!
//! A delay-locked loop on each side's callback times makes a smooth line of frames against time out of calls that
//! come late now and then (F. Adriaensen, "Using a DLL to filter time", Linux Audio Conference 2005). A controller on
//! the raw fill of a ring would never settle: the fill jumps by whole blocks.

/// Bandwidth while the loop is young, in hertz, and how long it is, in seconds.
const YOUNG_HERTZ: f64 = 0.1;
const YOUNG_SECONDS: f64 = 15.0;
/// Bandwidth in the end, and for large blocks a share of their rate; from the first to the last it narrows as one
/// over its age.
const OLD_HERTZ: f64 = 0.01;
const OLD_SHARE: f64 = 1e-4;

/// A call that comes later than this many of its blocks counts as this late: it was held up, time was not.
const LATEST_BLOCKS: f64 = 1.5;

/// Calls that are all as far off as that, for this long, mean that frames were lost and nobody said so.
const ASTRAY_SECONDS: f64 = 0.5;

/// In how many seconds an error of place is made up for: while the lines are young, and when they are old.
const MEND_SECONDS: (f64, f64) = (4.0, 20.0);

/// What is made up for at most, as a share: a hundredth of a semitone.
const MEND_MOST: f64 = 600e-6;

/// The line of one side's frames against time.
#[derive(Clone, Debug)]
pub struct Line {
    /// Seconds a frame.
    step: f64,
    /// A point of it.
    frame: f64,
    time: f64,
    /// Seconds since it was begun, by frames.
    age: f64,
    astray: f64,
    begun: bool,
}

impl Line {
    /// Of a side that has about so many frames a second.
    pub fn new(rate: f64) -> Line {
        Line { step: 1.0 / rate, frame: 0.0, time: 0.0, age: 0.0, astray: 0.0, begun: false }
    }

    /// At `time` (seconds) the side had come to `frame`, on a count that holds lost frames too. False when the
    /// line had to be begun anew there, its slope kept.
    pub fn tick(&mut self, frame: f64, time: f64) -> bool {
        if !self.begun {
            (self.begun, self.frame, self.time) = (true, frame, time);
            return true;
        }
        let blocks = (frame - self.frame).max(0.0);
        if blocks == 0.0 {
            return true;
        }
        let span = blocks * self.step;
        let expected = self.time + span;
        let off = time - expected;
        let most = LATEST_BLOCKS * span;
        self.astray = if off.abs() > most { self.astray + span } else { 0.0 };
        self.age += span;
        if self.astray > ASTRAY_SECONDS {
            (self.frame, self.time, self.age, self.astray) = (frame, time, 0.0, 0.0);
            return false;
        }
        let off = off.clamp(-most, most);
        let turn = (std::f64::consts::TAU * self.hertz(span) * span).min(0.5);
        self.frame = frame;
        self.time = expected + 2.0 * turn * off;
        self.step += turn * turn * off / blocks;
        true
    }

    fn hertz(&self, span: f64) -> f64 {
        let old = OLD_HERTZ.min(OLD_SHARE / span);
        (YOUNG_HERTZ * YOUNG_SECONDS / self.age.max(YOUNG_SECONDS)).max(old)
    }

    /// The frame at a time.
    pub fn frame_at(&self, time: f64) -> f64 {
        self.frame + (time - self.time) / self.step
    }

    /// The smooth time of its last call.
    pub fn time(&self) -> f64 {
        self.time
    }

    /// Frames a second.
    pub fn rate(&self) -> f64 {
        1.0 / self.step
    }

    pub fn age(&self) -> f64 {
        self.age
    }

    pub fn has_begun(&self) -> bool {
        self.begun
    }
}

/// What to do in one block.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Step {
    /// Second's frame that belongs to the block's first frame.
    pub want: f64,
    /// Frames of the second for each of ours, without what makes up for a wrong place.
    pub speed: f64,
}

/// Both lines.
#[derive(Clone, Debug)]
pub struct Law {
    ours: Line,
    theirs: Line,
    nominal: f64,
}

impl Law {
    /// For nominal rates of both sides.
    pub fn new(our_rate: f64, their_rate: f64) -> Law {
        Law { ours: Line::new(our_rate), theirs: Line::new(their_rate), nominal: their_rate / our_rate }
    }

    /// The second interface called: by `time` it had delivered `frames`.
    pub fn heard(&mut self, frames: i64, time: f64) -> bool {
        self.theirs.tick(frames as f64, time)
    }

    /// We are called for a block that begins with `frame`. `None` until both have called. `delay`: how far behind
    /// the second's newest frame to read.
    pub fn asked(&mut self, frame: i64, time: f64, delay: f64) -> Option<Step> {
        self.ours.tick(frame as f64, time);
        if !self.theirs.has_begun() {
            return None;
        }
        let want = self.theirs.frame_at(self.ours.time()) - delay;
        Some(Step { want, speed: self.theirs.rate() / self.ours.rate() })
    }

    /// How much faster than ours the second clock runs.
    pub fn drift_ppm(&self) -> f64 {
        (self.theirs.rate() / self.ours.rate() / self.nominal - 1.0) * 1e6
    }

    /// How fast to read so that `place` comes to where a step wants it, in frames of the second for each of ours.
    pub fn mended(&self, step: Step, place: f64) -> f64 {
        let seconds = (self.age() / 4.0).clamp(MEND_SECONDS.0, MEND_SECONDS.1);
        let off = (step.want - place) / (seconds * self.theirs.rate());
        step.speed * (1.0 + off.clamp(-MEND_MOST, MEND_MOST))
    }

    /// Seconds for which both lines have run undisturbed.
    pub fn age(&self) -> f64 {
        self.theirs.age().min(self.ours.age())
    }
}
