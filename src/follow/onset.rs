//! Onsets of a click in the samples of an input.
//!
//! A high-pass takes hum away; a sample that stands well above what sounded in the last 20 ms, and not far below
//! the clicks heard lately, opens an onset; half a millisecond later its level is known and its start is looked up
//! in the samples kept. Every decision falls on a frame.

use crate::units::{Exact, FramePos, Frames, SampleRate, Span};

/// Hum and its strong harmonics lie below, the sounds of clicks above.
const HIGH_PASS_HERTZ: f64 = 250.0;
/// An onset stands this far above what sounded just before.
const ABOVE_BEFORE: f32 = 2.2;
/// An onset reaches this part of the loudest click heard lately (−17 dB): backing beside a click lies lower.
const OF_USUAL: f32 = 0.14;
/// One that is this much louder than the second loudest is a pop and counts no more than this.
const POP: f32 = 3.0;
/// An onset this much louder than the one before it is another one, however soon it comes.
const LOUDER: f32 = 2.5;
/// Nothing below −63 dBFS is an onset.
const LEAST: f32 = 0.0007;
/// The start is where the rise reached this part of its peak.
const START_OF_PEAK: f32 = 0.15;
const REFRACTORY_SECONDS: f64 = 0.025;
/// What sounds before is not known sooner after a start or a gap.
const SETTLES_SECONDS: f64 = 0.005;
/// What sounded fades from memory with this time constant.
const BEFORE_SECONDS: f64 = 0.020;
/// How long after it opened an onset's peak is looked for; the rest of 1 ms is for its start.
const RISE_SECONDS: f64 = 0.000_5;
const LONGEST_SECONDS: f64 = 0.001;
/// The usual level holds for this long without an onset, then falls.
const USUAL_HOLDS_SECONDS: f64 = 2.0;
const USUAL_FALLS_DB_A_SECOND: f64 = 10.0;
const LEVELS: usize = 16;

/// One onset.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Onset {
    /// Where the rise began.
    pub at: Exact,
    /// The frame with which it was known, at most 1 ms after `at`.
    pub known_at: FramePos,
    /// Peak of the rise, linear, after the high-pass.
    pub level: f32,
    /// Mean step from frame to frame over mean magnitude of the rise: from 0 (low) to 2 (noise). One sound keeps it.
    pub brightness: f32,
}

#[derive(Clone, Copy, Debug)]
struct Opened {
    at: FramePos,
    peak: f32,
    before: f32,
    steps: f32,
    sum: f32,
}

impl Opened {
    fn with(self, magnitude: f32, step: f32) -> Opened {
        let (steps, sum) = (self.steps + step, self.sum + magnitude);
        Opened { peak: self.peak.max(magnitude), steps, sum, ..self }
    }
}

/// Hears onsets.
#[derive(Clone, Debug)]
pub struct Onsets {
    high_pass: HighPass,
    last: f32,
    /// The newest magnitudes; the next one goes to `write`.
    kept: Box<[f32]>,
    write: usize,
    before: f32,
    before_falls: f32,
    mean: f32,
    mean_follows: f32,
    usual: Usual,
    opened: Option<Opened>,
    free_from: FramePos,
    /// Until then only an onset above this is another one.
    louder: f32,
    rise: Frames,
    refractory: Frames,
    settles: Frames,
    next: Option<FramePos>,
}

impl Onsets {
    /// Allocates: call it before the stream starts.
    pub fn new(rate: SampleRate) -> Onsets {
        let hertz = f64::from(rate.hertz());
        let kept = ((LONGEST_SECONDS * hertz) as usize).max(4);
        Onsets {
            high_pass: HighPass::new(hertz),
            last: 0.0,
            kept: vec![0.0; kept].into_boxed_slice(),
            write: 0,
            before: 0.0,
            before_falls: (-1.0 / (BEFORE_SECONDS * hertz)).exp() as f32,
            mean: 0.0,
            mean_follows: (1.0 / (0.1 * hertz)) as f32,
            usual: Usual::new(rate),
            opened: None,
            free_from: FramePos(i64::MIN),
            louder: f32::INFINITY,
            rise: rate.frames(RISE_SECONDS),
            refractory: rate.frames(REFRACTORY_SECONDS),
            settles: rate.frames(SETTLES_SECONDS),
            next: None,
        }
    }

    /// Hears `samples`, the first of which is at frame `at`; tells each onset when it is known.
    ///
    /// A gap in the frames forgets what was half heard. A sample that is not a number is silence.
    /// Panics: never. Real-time: safe.
    pub fn push(&mut self, at: FramePos, samples: &[f32], told: &mut dyn FnMut(Onset)) {
        if self.next != Some(at) {
            self.forget(at);
        }
        let mut frame = at;
        for &sample in samples {
            if let Some(onset) = self.sample(frame, sample) {
                told(onset);
            }
            frame = frame + Frames(1);
        }
        self.next = Some(frame);
    }

    /// Mean magnitude of what sounds beside the onsets, after the high-pass, linear.
    pub const fn beside(&self) -> f32 {
        self.mean
    }

    /// The level that an onset is measured against; 0 before the first.
    pub fn usual(&self) -> f32 {
        self.usual.level
    }

    /// What is known of levels stays; the place of what was half heard is lost.
    fn forget(&mut self, at: FramePos) {
        self.opened = None;
        self.high_pass.clear();
        self.kept.fill(0.0);
        self.free_from = at + self.settles;
        self.louder = f32::INFINITY;
    }

    fn sample(&mut self, frame: FramePos, sample: f32) -> Option<Onset> {
        let clean = if sample.is_finite() { sample.clamp(-8.0, 8.0) } else { 0.0 };
        let passed = self.high_pass.step(clean);
        let magnitude = passed.abs();
        let step = (passed - std::mem::replace(&mut self.last, passed)).abs();
        let oldest = self.keep(magnitude);
        self.before = oldest.max(self.before * self.before_falls);
        self.usual.step(frame);
        if frame >= self.free_from {
            self.mean += (magnitude - self.mean) * self.mean_follows;
        }
        if let Some(opened) = self.opened {
            return self.rising(frame, opened.with(magnitude, step));
        }
        let least = LEAST.max(self.usual.level * OF_USUAL).max(self.before * ABOVE_BEFORE);
        let soon = frame < self.free_from;
        if magnitude > if soon { least.max(self.louder) } else { least } {
            self.opened =
                Some(Opened { at: frame, peak: magnitude, before: self.before, steps: step, sum: magnitude });
            self.free_from = frame + self.refractory;
        }
        None
    }

    /// Keeps the newest magnitude and gives the one it replaces.
    fn keep(&mut self, magnitude: f32) -> f32 {
        let oldest = self.kept.get_mut(self.write).map_or(0.0, |slot| std::mem::replace(slot, magnitude));
        self.write = if self.write + 1 >= self.kept.len() { 0 } else { self.write + 1 };
        oldest
    }

    fn rising(&mut self, frame: FramePos, opened: Opened) -> Option<Onset> {
        if frame - opened.at < self.rise {
            self.opened = Some(opened);
            return None;
        }
        self.opened = None;
        self.louder = LOUDER * opened.peak;
        self.usual.heard(frame, opened.peak);
        Some(Onset {
            at: self.start(frame, opened),
            known_at: frame,
            level: opened.peak,
            brightness: opened.steps / opened.sum.max(1e-12),
        })
    }

    /// Where the rise crossed a part of its peak, between two frames, looked up among the magnitudes kept.
    fn start(&self, newest: FramePos, opened: Opened) -> Exact {
        let least = (START_OF_PEAK * opened.peak).max(1.3 * opened.before).min(opened.peak);
        let count = self.kept.len();
        let mut last = 0.0f32;
        // The oldest only serves as the sample before: the start stays within 1 ms.
        for age in (0..count).rev() {
            let slot = (self.write + count - 1 - age) % count;
            let magnitude = self.kept.get(slot).copied().unwrap_or(0.0);
            if age + 1 < count && magnitude >= least {
                let part = ((least - last) / (magnitude - last).max(1e-12)).clamp(0.0, 1.0);
                let back = age as f64 + 1.0 - f64::from(part);
                return Exact::at(newest) - Span::from_f64(back.max(0.0));
            }
            last = magnitude;
        }
        Exact::at(opened.at)
    }
}

/// The level of the clicks heard lately: the loudest of the last sixteen, pops aside.
#[derive(Clone, Debug)]
struct Usual {
    levels: [f32; LEVELS],
    write: usize,
    level: f32,
    falls: f32,
    holds: Frames,
    until: FramePos,
}

impl Usual {
    fn new(rate: SampleRate) -> Usual {
        let per_frame = 10f64.powf(-USUAL_FALLS_DB_A_SECOND / 20.0 / f64::from(rate.hertz()));
        Usual {
            levels: [0.0; LEVELS],
            write: 0,
            level: 0.0,
            falls: per_frame as f32,
            holds: rate.frames(USUAL_HOLDS_SECONDS),
            until: FramePos(i64::MAX),
        }
    }

    fn heard(&mut self, frame: FramePos, level: f32) {
        if let Some(slot) = self.levels.get_mut(self.write) {
            *slot = level;
        }
        self.write = (self.write + 1) % LEVELS;
        let (mut first, mut second) = (0.0f32, 0.0f32);
        for &heard in &self.levels {
            (first, second) = if heard > first { (heard, first) } else { (first, second.max(heard)) };
        }
        self.level = if second > 0.0 { first.min(POP * second) } else { first };
        self.until = frame + self.holds;
    }

    fn step(&mut self, frame: FramePos) {
        if frame <= self.until || self.level <= LEAST {
            return;
        }
        self.level *= self.falls;
        for level in &mut self.levels {
            *level *= self.falls;
        }
    }
}

/// Second order, Butterworth. Source: W3C Audio EQ Cookbook, HPF, Q = 1/√2.
#[derive(Clone, Debug)]
pub(super) struct HighPass {
    b0: f64,
    b1: f64,
    a1: f64,
    a2: f64,
    z1: f64,
    z2: f64,
}

impl HighPass {
    pub(super) fn new(hertz: f64) -> HighPass {
        let w0 = std::f64::consts::TAU * HIGH_PASS_HERTZ / hertz;
        let alpha = w0.sin() / std::f64::consts::SQRT_2;
        let a0 = 1.0 + alpha;
        HighPass {
            b0: (1.0 + w0.cos()) / 2.0 / a0,
            b1: -(1.0 + w0.cos()) / a0,
            a1: -2.0 * w0.cos() / a0,
            a2: (1.0 - alpha) / a0,
            z1: 0.0,
            z2: 0.0,
        }
    }

    pub(super) const fn clear(&mut self) {
        self.z1 = 0.0;
        self.z2 = 0.0;
    }

    pub(super) fn step(&mut self, sample: f32) -> f32 {
        let x = f64::from(sample);
        let y = self.b0 * x + self.z1;
        self.z1 = flushed(self.b1 * x - self.a1 * y + self.z2);
        self.z2 = flushed(self.b0 * x - self.a2 * y);
        y as f32
    }
}

/// No denormal number runs in a filter.
fn flushed(state: f64) -> f64 {
    if state.abs() < 1e-20 { 0.0 } else { state }
}
/// A sound as a click plays it: its onset is at frame `lead`.
#[derive(Clone, Copy, Debug)]
pub struct Played<'a> {
    pub samples: &'a [f32],
    pub lead: usize,
    pub gain: f32,
}

/// Where the follower hears the onset of a sound, minus where it is, in frames, after it has heard the loudest sound of
/// the same click: what opens an onset hangs on that. 0 where it hears none. Allocates.
pub fn heard_late(rate: SampleRate, loudest: Played, sound: Played) -> f64 {
    let silence = rate.frames(0.2).0 as usize;
    let mut line = vec![0.0; silence];
    let mut place = 0;
    for played in [loudest, loudest, sound] {
        place = line.len() + played.lead;
        line.extend(played.samples.iter().map(|sample| sample * played.gain));
        line.resize(line.len() + silence, 0.0);
    }
    let (place, near) = (Exact::at(FramePos(place as i64)), rate.frames(0.02).0 as f64);
    let mut found = 0.0;
    let mut nearest = near;
    Onsets::new(rate).push(FramePos(0), &line, &mut |onset| {
        let off = (onset.at - place).as_f64();
        if off.abs() < nearest {
            (nearest, found) = (off.abs(), off);
        }
    });
    found
}
