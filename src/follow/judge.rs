//! What an input has to show for each due hit.
//!
//! A due hit is judged at one frame: its own plus the tolerance plus 1 ms (an onset is known that late). What comes
//! after is told as late, once, so that a pass-through can mute it. An onset belongs to the due hit it is nearest to;
//! one far from all of them (a subdivision that this grid lacks) is nobody's. Where no onset says that a hit is in time
//! (it is much quieter than the others were, or stage sound lies over it), its shape is looked for where it is due.

use super::line::{LineKind, LineWindow};
use super::onset::Onset;
use super::shapes::{Seen, Shapes};
use super::tolerance::tolerance;
use crate::units::{Exact, FramePos, Frames, SampleRate, Span};

/// An onset is known at most this long after it began.
const KNOWN_SECONDS: f64 = 0.001;
/// An onset within this part of the interval belongs to a due hit.
const NEAR: f64 = 0.25;
/// A second onset this near in level (6 dB) and brightness doubles a hit: the same sound again.
const DOUBLES: f32 = 0.5;
const SAME_SOUND: f32 = 0.75;
/// And this near in time, or two tolerances. Nearer than 25 ms no second onset is heard.
const DOUBLES_SECONDS: f64 = 0.045;
/// Where shapes are known: onsets more alike than this are the same sound, less than that another one.
const SAME_SHAPE: f32 = 0.75;
const OTHER_SHAPE: f32 = 0.5;
/// Another sound counts as the hit when it is about as loud as hits are (12 dB).
const OTHER_SOUND: f32 = 0.25;
/// Below this part of the usual level (−22 dB) a click is as good as silent.
pub(super) const QUIET: f32 = 0.08;
/// A repeated buffer has something of a hit's level (10 dB below) in it.
const REPEATS: f32 = 0.3;
/// Steady sound at this part of the hits' usual level hides them.
const DROWNS: f32 = 0.12;
const DUE: usize = 16;
const HEARD: usize = 32;

/// A hit that should sound.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct DueHit {
    pub at: Exact,
    /// To the nearer of its neighbours.
    pub interval: Frames,
}

/// What became of a due hit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Verdict {
    /// By how much it was late (negative: early).
    InTime(Span),
    /// It came before its window.
    Early(Span),
    /// It came after its window: told in addition to `Absent` or `Drowned`.
    Late(Span),
    /// It came twice within 45 ms: told in addition to `InTime` when the second one came after the judgement.
    Doubled,
    Absent,
    /// Absent, and the line carries so much hum or noise that a hit would not be heard.
    Drowned,
    /// The line plays the same few milliseconds over and over: what sounds at the due place is no hit.
    Repeats,
}

impl Verdict {
    /// Whether the hit has sounded where it was due.
    pub const fn good(self) -> bool {
        matches!(self, Verdict::InTime(_))
    }
}

/// A verdict and the frame with which it fell.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Judged {
    pub due: DueHit,
    pub verdict: Verdict,
    pub at: FramePos,
}

#[derive(Clone, Copy, Debug)]
struct Waiting {
    due: DueHit,
    state: State,
}

#[derive(Clone, Copy, Debug, PartialEq)]
enum State {
    Open,
    /// In time, with this onset.
    Good(Onset),
    Missed,
    /// Nothing more is said of it.
    Closed,
}

/// Judges due hits. Give it everything in the order of frames: onsets by `known_at`, windows by `at`, due hits before
/// their window opens.
#[derive(Clone, Debug)]
pub struct Judge {
    rate: SampleRate,
    safety_delay: Frames,
    /// Instead of the usual one.
    fixed: Option<Frames>,
    known: Frames,
    due: Ring<Waiting, DUE>,
    heard: Ring<Onset, HEARD>,
    usual: f32,
    drowned: bool,
    repeats: bool,
    shapes: Shapes,
}

impl Judge {
    pub fn new(rate: SampleRate, safety_delay: Frames) -> Judge {
        Judge {
            rate,
            safety_delay,
            fixed: None,
            known: rate.frames(KNOWN_SECONDS),
            due: Ring::new(),
            heard: Ring::new(),
            usual: 0.0,
            drowned: false,
            repeats: false,
            shapes: Shapes::new(rate),
        }
    }

    /// A tolerance for every interval, where one is given. It is 2 ms less than the safety delay at most.
    pub fn with_tolerance(self, fixed: Option<Frames>) -> Judge {
        Judge { fixed, ..self }
    }

    /// How far from its place a hit with this interval may be.
    pub fn tolerance(&self, interval: Frames) -> Frames {
        self.fixed.unwrap_or_else(|| tolerance(self.rate, interval, self.safety_delay))
    }

    /// The frame with which `due` is judged.
    pub fn deadline(&self, due: DueHit) -> FramePos {
        due.at.nearest() + self.tolerance(due.interval) + self.known
    }

    /// Expects a hit. The oldest one is dropped when sixteen wait.
    pub fn expect(&mut self, due: DueHit) {
        self.due.push(Waiting { due, state: State::Open });
    }

    /// Drops what is expected and heard: after a jump, a stop or a new anchor. What is known of levels stays.
    pub fn clear(&mut self) {
        self.due = Ring::new();
        self.heard = Ring::new();
    }

    /// Another song begins, which may have other sounds and another level.
    pub fn forget_sounds(&mut self) {
        self.shapes.forget();
        self.usual = 0.0;
    }

    /// Takes in the samples themselves, before what was heard in them. Real-time: safe.
    ///
    /// Without them hits are judged by their onsets alone.
    pub fn see(&mut self, at: FramePos, samples: &[f32]) {
        self.shapes.push(at, samples);
    }

    /// The line was heard to repeat itself when its last window ended.
    pub const fn repeats(&self) -> bool {
        self.repeats
    }

    /// Takes an onset in. Real-time: safe.
    pub fn heard(&mut self, onset: Onset, told: &mut dyn FnMut(Judged)) {
        self.step(onset.known_at - Frames(1), told);
        self.heard.push(onset);
        let Some((index, error)) = self.nearest(onset.at) else { return };
        let Some(waiting) = self.due.get(index) else { return };
        let verdict = match waiting.state {
            State::Missed if error.0 > 0 => Verdict::Late(error),
            State::Good(one) if self.doubles(waiting.due, error, onset, one, onset.known_at) => {
                Verdict::Doubled
            }
            _ => return,
        };
        self.due.set(index, Waiting { state: State::Closed, ..waiting });
        told(Judged { due: waiting.due, verdict, at: onset.known_at });
    }

    /// Takes in what the line carried. Real-time: safe.
    pub fn line(&mut self, window: LineWindow, told: &mut dyn FnMut(Judged)) {
        self.step(window.at - Frames(1), told);
        let steady = matches!(window.kind, LineKind::Hum | LineKind::Noise);
        self.drowned = steady && window.level > DROWNS * self.usual.max(1e-6);
        self.repeats = self.shapes.repeats(window.at, REPEATS * self.usual);
    }

    /// Tells every verdict that falls up to and with frame `now`. Real-time: safe.
    pub fn step(&mut self, now: FramePos, told: &mut dyn FnMut(Judged)) {
        for index in 0..self.due.count() {
            let Some(waiting) = self.due.get(index) else { return };
            let deadline = self.deadline(waiting.due);
            if waiting.state != State::Open || deadline > now {
                continue;
            }
            let (verdict, state) = self.verdict(index, waiting.due);
            self.due.set(index, Waiting { state, ..waiting });
            told(Judged { due: waiting.due, verdict, at: deadline });
        }
    }

    fn verdict(&mut self, index: usize, due: DueHit) -> (Verdict, State) {
        let deadline = self.deadline(due);
        if self.shapes.repeats(deadline, REPEATS * self.usual) {
            return (if self.drowned { Verdict::Drowned } else { Verdict::Repeats }, State::Missed);
        }
        let by_onset = self.by_onset(index, due, deadline);
        if matches!(by_onset.0, Verdict::Doubled) {
            return by_onset;
        }
        let in_time = if let State::Good(onset) = by_onset.1 { Some(onset) } else { None };
        let is_shaped = in_time.is_some_and(|onset| self.is_shaped(onset, deadline));
        if !is_shaped && let Some(seen) = self.by_shape(due, deadline) {
            return seen;
        }
        if let Some(onset) = in_time {
            self.usual = follow(self.usual, onset.level);
            self.shapes.learn(onset.at, deadline);
        }
        by_onset
    }

    /// Whether an onset looks like a hit, as far as that is known.
    fn is_shaped(&self, onset: Onset, until: FramePos) -> bool {
        !self.shapes.knows() || self.shapes.likeness(onset.at, until) >= SAME_SHAPE
    }

    fn by_shape(&self, due: DueHit, deadline: FramePos) -> Option<(Verdict, State)> {
        let Seen { error, part } = self.shapes.find(due.at, deadline)?;
        let level = self.usual * part;
        let onset = Onset { at: due.at + error, known_at: deadline, level, brightness: 0.0 };
        Some((Verdict::InTime(error), State::Good(onset)))
    }

    fn by_onset(&self, index: usize, due: DueHit, deadline: FramePos) -> (Verdict, State) {
        let window = Span::frames(self.tolerance(due.interval)).0;
        let mut best = None::<(Span, Onset)>;
        for (error, onset) in self.of(index) {
            if best.is_none_or(|(kept, _)| error.0.abs() < kept.0.abs()) {
                best = Some((error, onset));
            }
        }
        let absent = (if self.drowned { Verdict::Drowned } else { Verdict::Absent }, State::Missed);
        let Some((error, onset)) = best else { return absent };
        let doubles = |late: Span, other: Onset| self.doubles(due, late, other, onset, deadline);
        if self.of(index).any(|(late, other)| other.at != onset.at && doubles(late, other)) {
            return (Verdict::Doubled, State::Closed);
        }
        if error.0 < -window {
            return (Verdict::Early(error), State::Closed);
        }
        if onset.level < QUIET * self.usual {
            return absent;
        }
        let strange = self.shapes.knows() && self.shapes.likeness(onset.at, deadline) < OTHER_SHAPE;
        if strange && onset.level < OTHER_SOUND * self.usual {
            return absent;
        }
        (Verdict::InTime(error), State::Good(onset))
    }

    /// Whether an onset `error` behind its place doubles a hit that sounded as `one`, by what is known at `until`.
    fn doubles(&self, due: DueHit, error: Span, other: Onset, one: Onset, until: FramePos) -> bool {
        let near = (2 * self.tolerance(due.interval).0).max(self.rate.frames(DOUBLES_SECONDS).0);
        let alike = |a: f32, b: f32, part: f32| a >= part * b && b >= part * a;
        error.0.abs() <= Span::frames(Frames(near)).0
            && alike(other.level, one.level, DOUBLES)
            && (one.brightness == 0.0 || alike(other.brightness, one.brightness, SAME_SOUND))
            && (!self.shapes.knows() || self.shapes.alike(other.at, one.at, until) >= SAME_SHAPE)
    }

    /// The onsets that belong to a due hit, and how late they are for it.
    fn of(&self, index: usize) -> impl Iterator<Item = (Span, Onset)> + '_ {
        self.heard.iter().filter_map(move |onset| {
            let (near, error) = self.nearest(onset.at)?;
            (near == index).then_some((error, onset))
        })
    }

    /// The due hit that a place belongs to, and how late the place is for it.
    fn nearest(&self, at: Exact) -> Option<(usize, Span)> {
        let mut best = None::<(usize, Span)>;
        for (index, waiting) in self.due.iter().enumerate() {
            let error = at - waiting.due.at;
            let reach = Span::from_f64(NEAR * waiting.due.interval.0 as f64)
                .0
                .max(Span::frames(self.tolerance(waiting.due.interval)).0);
            if error.0.abs() <= reach && best.is_none_or(|(_, kept)| error.0.abs() < kept.0.abs()) {
                best = Some((index, error));
            }
        }
        best
    }
}

/// The usual level goes a quarter of the way to a new one.
fn follow(usual: f32, level: f32) -> f32 {
    if usual > 0.0 { usual + (level - usual) * 0.25 } else { level }
}

/// The newest `N` of something, oldest first, without allocating.
#[derive(Clone, Copy, Debug)]
pub(super) struct Ring<T, const N: usize> {
    slots: [Option<T>; N],
    first: usize,
    count: usize,
}

impl<T: Copy, const N: usize> Ring<T, N> {
    pub(super) const fn new() -> Ring<T, N> {
        Ring { slots: [None; N], first: 0, count: 0 }
    }

    pub(super) const fn count(&self) -> usize {
        self.count
    }

    pub(super) fn push(&mut self, value: T) {
        if self.count == N {
            self.first = (self.first + 1) % N;
            self.count -= 1;
        }
        if let Some(slot) = self.slots.get_mut((self.first + self.count) % N) {
            *slot = Some(value);
            self.count += 1;
        }
    }

    pub(super) fn get(&self, index: usize) -> Option<T> {
        if index >= self.count {
            return None;
        }
        self.slots.get((self.first + index) % N).copied().flatten()
    }

    pub(super) fn set(&mut self, index: usize, value: T) {
        if index < self.count
            && let Some(slot) = self.slots.get_mut((self.first + index) % N)
        {
            *slot = Some(value);
        }
    }

    pub(super) fn iter(&self) -> impl Iterator<Item = T> + '_ {
        (0..self.count).filter_map(|index| self.get(index))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const RATE: SampleRate = SampleRate::standard();

    /// What is said of a hit half a second after the one before it that sounds 4 ms late.
    fn four_ms_late(fixed: Option<Frames>) -> Vec<Verdict> {
        let mut judge = Judge::new(RATE, RATE.frames(0.010)).with_tolerance(fixed);
        let mut told = Vec::new();
        judge.expect(DueHit { at: Exact::at(FramePos(10_000)), interval: Frames(24_000) });
        let at = FramePos(10_192);
        let onset = Onset { at: Exact::at(at), known_at: at + Frames(40), level: 0.3, brightness: 0.5 };
        judge.heard(onset, &mut |judged| told.push(judged.verdict));
        judge.step(FramePos(20_000), &mut |judged| told.push(judged.verdict));
        told
    }

    #[test]
    fn a_tolerance_that_is_given_takes_the_place_of_the_usual_one() {
        let late = Span::frames(Frames(192));
        assert_eq!(four_ms_late(None), [Verdict::InTime(late)]);
        assert_eq!(four_ms_late(Some(RATE.frames(0.003))), [Verdict::Absent, Verdict::Late(late)]);
        assert_eq!(four_ms_late(Some(RATE.frames(0.005))), [Verdict::InTime(late)]);
    }
}
