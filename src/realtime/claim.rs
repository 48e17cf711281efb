//! A claim on the click: a stream from the renderer, checked hit by hit against the grid.
//!
//! The stream is read some milliseconds ahead, so that each due hit is decided before its onset: the
//! fallback has been in phase all along and takes the hit over by a splice that ends on the onset.

use super::event::{Cause, Source};
use super::ramp::Ramp;
use super::stream::{STREAM_FRAMES, StreamBlock};
use crate::show::model::{GiveBack, Latch};
use crate::units::{FramePos, Frames, SampleRate};
use ringbuf::HeapCons;
use ringbuf::traits::Consumer;

/// A streamed hit quieter than this part of what the file has there is no hit (−20 dB).
const SILENT: f32 = 0.1;

/// A stream that breaks off above this level is heard to do so (−40 dBFS).
const AUDIBLE: f32 = 0.01;

/// What is known of one due hit when it must be decided.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Evidence {
    /// The primary is whole around this hit and shows it, or what is wrong.
    pub primary: Result<(), Cause>,
    /// The primary has been whole for half a second before this hit.
    pub steady: bool,
    pub bar_line: bool,
    /// The primary is being (re)placed by plan: its absence is no fault yet.
    pub planned: bool,
}

/// What follows for this hit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Decision {
    /// The fallback makes this hit.
    pub cover: bool,
    /// From this hit on the fallback stays, whatever the primary does, until the policy gives back.
    pub latch: bool,
    /// A latched fallback hands over to the primary from this hit on.
    pub give_back: bool,
}

/// The judge of one claim: pure, one step a due hit.
#[derive(Clone, Debug, PartialEq)]
pub struct Judge {
    policy: GiveBack,
    latched: bool,
    by_hand: bool,
    in_row: u32,
    last_eight: u8,
    latch: Latch,
}

impl Judge {
    pub const fn new(policy: GiveBack, latch: Latch) -> Judge {
        Judge { policy, latched: false, by_hand: false, in_row: 0, last_eight: 0, latch }
    }

    pub const fn latched(&self) -> bool {
        self.latched || self.by_hand
    }

    pub const fn hand(&mut self, on: bool) {
        self.by_hand = on;
        if !on {
            self.latched = false;
        }
    }

    /// A new song: only the policy "stay" carries a latch over.
    pub fn new_song(&mut self) {
        self.latched &= self.policy == GiveBack::Stay;
        (self.in_row, self.last_eight) = (0, 0);
    }

    /// Latches after so many covered hits in a row, or so many of eight (two and three unless the show says so).
    /// A planned absence covers and counts nothing.
    pub fn step(&mut self, evidence: Evidence) -> Decision {
        let failed = evidence.primary.is_err();
        if failed && evidence.planned {
            return Decision { cover: true, latch: false, give_back: false };
        }
        self.in_row = if failed { self.in_row.saturating_add(1) } else { 0 };
        self.last_eight = (self.last_eight << 1) | u8::from(failed);
        let give_back = self.latched
            && !failed
            && evidence.steady
            && evidence.bar_line
            && self.policy == GiveBack::NextBar;
        if give_back {
            (self.latched, self.last_eight) = (false, 0);
        }
        let latch = !self.latched
            && failed
            && (self.in_row >= self.latch.in_row || self.last_eight.count_ones() >= self.latch.of_eight);
        self.latched |= latch;
        Decision { cover: failed || self.latched(), latch, give_back }
    }
}

/// What arrived of a stream: a window of samples by frame.
struct Window {
    ring: HeapCons<StreamBlock>,
    samples: Vec<f32>,
    /// Frames below this are decided: arrived, or given up.
    filled: i64,
    /// Whole since this frame (as far as `filled`).
    whole_since: i64,
    why: Cause,
    /// Where a sound of the stream breaks off, or comes back in the middle.
    broken: Option<i64>,
    generation: u32,
    wanted: bool,
    placed_at: i64,
    last: [f32; STREAM_FRAMES],
    last_frames: u16,
    next: Option<StreamBlock>,
}

impl Window {
    fn slot(&self, frame: i64) -> usize {
        frame.rem_euclid(self.samples.len().max(1) as i64) as usize
    }

    fn want(&mut self, generation: u32, from: FramePos) {
        self.clear(self.filled, from.0);
        self.broken = None;
        (self.generation, self.wanted) = (generation, true);
        (self.filled, self.whole_since, self.placed_at) = (from.0, from.0, from.0);
        (self.why, self.last_frames) = (Cause::Late, 0);
    }

    /// Reads up to `until`; what has not come is given up once it lies before `now`.
    fn fill(&mut self, now: FramePos, until: FramePos) {
        self.skip_to(now.0);
        let mut budget = 4096;
        while self.filled < until.0 && budget > 0 {
            budget -= 1;
            let Some(block) = self.next.take().or_else(|| self.ring.try_pop()) else { return };
            self.take(block);
        }
    }

    /// Frames before `frame` that never came are silence and a failure.
    fn skip_to(&mut self, frame: i64) {
        if self.filled >= frame {
            return;
        }
        self.clear(self.filled, frame);
        (self.filled, self.whole_since, self.why) = (frame, frame, Cause::Late);
    }

    fn clear(&mut self, from: i64, to: i64) {
        let most = self.samples.len() as i64;
        for frame in from.max(to - most)..to {
            let slot = self.slot(frame);
            if let Some(sample) = self.samples.get_mut(slot) {
                *sample = 0.0;
            }
        }
    }

    fn take(&mut self, block: StreamBlock) {
        let frames = i64::from(block.frames).min(STREAM_FRAMES as i64);
        let end = block.first.0.saturating_add(frames);
        if !self.wanted || block.generation != self.generation || frames == 0 {
            return; // of a placing that is over
        }
        if end <= self.filled {
            // A frame that was already here: stale. It changes nothing that was decided.
            (self.whole_since, self.why) = (self.filled, Cause::Stale);
            return;
        }
        if block.first.0 > self.filled {
            // A gap: what is missing is silence, the block waits for its turn.
            let gap = block.first.0.min(self.filled.saturating_add(self.samples.len() as i64 / 4));
            self.breaks_off();
            self.clear(self.filled, gap);
            (self.filled, self.whole_since, self.why) = (gap, gap, Cause::Stale);
            self.next = Some(block);
            return;
        }
        match self.fault(&block) {
            Some(why) => {
                self.breaks_off();
                self.clear(self.filled, end);
                (self.whole_since, self.why) = (end, why);
            }
            None => self.keep(&block, end),
        }
        self.filled = end;
        (self.last, self.last_frames) = (block.samples, block.frames);
    }

    /// Nothing follows on what is there.
    fn breaks_off(&mut self) {
        if self.broken.is_none() && self.peak(self.filled - 96, self.filled) > AUDIBLE {
            self.broken = Some(self.filled);
        }
    }

    fn keep(&mut self, block: &StreamBlock, end: i64) {
        let skip = usize::try_from(self.filled - block.first.0).unwrap_or(0);
        let kept = block.samples.get(skip..usize::from(block.frames)).unwrap_or(&[]);
        let comes_back = self.whole_since == self.filled && self.filled > self.placed_at;
        if comes_back && kept.first().is_some_and(|sample| sample.abs() > AUDIBLE) {
            self.broken = self.broken.or(Some(self.filled));
        }
        for (frame, value) in (self.filled..end).zip(kept) {
            let slot = self.slot(frame);
            if let Some(sample) = self.samples.get_mut(slot) {
                *sample = *value;
            }
        }
    }

    fn fault(&self, block: &StreamBlock) -> Option<Cause> {
        let samples = block.samples.get(..usize::from(block.frames)).unwrap_or(&[]);
        let peak = samples.iter().fold(0.0f32, |most, sample| most.max(sample.abs()));
        let finite = samples.iter().all(|sample| sample.is_finite());
        if !finite || peak > 1.0 || (peak - block.peak).abs() > 1e-6 {
            return Some(Cause::Corrupt);
        }
        let before = self.last.get(..usize::from(self.last_frames)).unwrap_or(&[]);
        (peak > 1e-4 && samples == before).then_some(Cause::Repeating)
    }

    fn peak(&self, from: i64, to: i64) -> f32 {
        (from..to)
            .filter_map(|frame| self.samples.get(self.slot(frame)))
            .fold(0.0, |most, sample| most.max(sample.abs()))
    }
}

/// One click's claim: window, judge, and the splice between the two.
pub struct Claim {
    window: Window,
    judge: Judge,
    source: Source,
    /// 1 = the stream sounds, 0 = the fallback.
    mix: Ramp,
    splice: u32,
    ahead: Frames,
    before: i64,
    after: i64,
    steady: i64,
    grace: i64,
    cannot_follow: bool,
    /// From here on the click is what [`Claim::is_wanted`] says; before it, the other.
    since: FramePos,
    /// A hit of this placing has been whole: from now on absence is a fault.
    arrived: bool,
    /// The fault behind the fallback that sounds now has been told.
    told: bool,
}

impl Claim {
    /// Allocates. `most` is the largest piece that is processed at once.
    pub fn new(
        ring: HeapCons<StreamBlock>,
        rate: SampleRate,
        policy: GiveBack,
        latch: Latch,
        most: usize,
    ) -> Claim {
        let ahead = rate.frames(AHEAD_SECONDS);
        let size = (ahead.0 as usize + most + STREAM_FRAMES * 2).next_power_of_two() * 2;
        let window = Window {
            ring,
            samples: vec![0.0; size],
            filled: 0,
            whole_since: 0,
            why: Cause::Late,
            broken: None,
            generation: 0,
            wanted: false,
            placed_at: 0,
            last: [0.0; STREAM_FRAMES],
            last_frames: 0,
            next: None,
        };
        Claim {
            window,
            judge: Judge::new(policy, latch),
            source: Source::Own,
            mix: Ramp::steady(0.0),
            splice: rate.frames(0.002).0 as u32,
            ahead,
            before: rate.frames(0.001).0,
            after: rate.frames(0.005).0,
            steady: rate.frames(0.5).0,
            grace: rate.frames(1.0).0,
            cannot_follow: false,
            since: FramePos(i64::MIN / 2),
            arrived: false,
            told: false,
        }
    }

    pub const fn source(&self) -> Source {
        self.source
    }

    pub const fn generation(&self) -> u32 {
        self.window.generation
    }

    pub const fn judge_mut(&mut self) -> &mut Judge {
        &mut self.judge
    }

    /// A song (or a jump) wants the stream from `from` on.
    pub fn want(&mut self, generation: u32, from: FramePos, follows: bool) {
        self.window.want(generation, from);
        (self.cannot_follow, self.arrived, self.told) = (!follows, false, false);
        if self.source == Source::Own {
            (self.source, self.mix, self.since) = (Source::Fallback, Ramp::steady(0.0), from);
        } else {
            // What the stream has where it is moved to may have sounded just now: hits decide when it is back.
            self.source = Source::Fallback;
            self.mix.arrive(0.0, from, 1);
        }
    }

    /// No song with a stream plays from `at` on.
    pub fn rest(&mut self, at: FramePos) {
        if self.source != Source::Own {
            (self.source, self.since) = (Source::Own, at);
            self.mix.arrive(0.0, at, self.splice);
        }
        self.window.wanted = false;
    }

    /// How many of `frames` frames from `start` still are what they were before the last change.
    pub fn unchanged(&self, start: FramePos, frames: usize) -> usize {
        usize::try_from((self.since - start).0).unwrap_or(0).min(frames)
    }

    pub const fn is_wanted(&self) -> bool {
        self.window.wanted
    }

    /// Reads what a piece of `frames` frames from `start` needs. Real-time: safe.
    pub fn read(&mut self, start: FramePos, frames: usize) {
        let end = start + Frames(frames as i64);
        self.window.fill(start, end + self.ahead);
        let soon = end.0 + i64::from(self.splice);
        if self.window.filled < soon {
            self.window.breaks_off();
        }
        // The fallback's own ringing takes the place of a sound that breaks off; hits are decided apart.
        if let Some(broken) = self.window.broken.filter(|broken| *broken < soon) {
            self.window.broken = None;
            if self.mix.target() > 0.0 {
                let from = (broken - i64::from(self.splice)).max(start.0);
                self.mix.go(0.0, FramePos(from), self.splice);
            }
        }
    }

    /// False for a hit from before this claim: whatever fed the click then made it.
    pub fn concerns(&self, onset: FramePos) -> bool {
        onset >= self.since
    }

    /// The frame by which a hit must be decided: where its splice begins.
    pub fn decides_at(&self, onset: FramePos) -> FramePos {
        onset - Frames(i64::from(self.splice))
    }

    /// Decides one due hit. Tells the switch when the source changes. A stream that is `forgiven` may be absent.
    pub fn hit(
        &mut self,
        onset: FramePos,
        expected: f32,
        bar_line: bool,
        late: bool,
        forgiven: bool,
    ) -> (Decision, Option<(Source, Cause)>) {
        // What should have begun before the first frame asked for, a stream cannot begin again.
        let primary = if late { Err(Cause::Late) } else { self.evidence(onset.0, expected) };
        self.arrived |= primary.is_ok() && expected > 0.0;
        let evidence = Evidence {
            primary,
            steady: self.window.whole_since <= onset.0 - self.steady,
            bar_line,
            planned: late
                || forgiven
                || self.cannot_follow
                || (!self.arrived && onset.0 < self.window.placed_at + self.grace),
        };
        let decision = self.judge.step(evidence);
        let next = if decision.cover { Source::Fallback } else { Source::Streamed };
        let cause = match primary {
            Err(cause) if !evidence.planned || cause == Cause::CannotFollow => cause,
            _ if self.judge.by_hand => Cause::ByHand,
            _ => Cause::Plan,
        };
        let changed = next != self.source;
        let target = if decision.cover { 0.0 } else { 1.0 };
        if changed || self.mix.target() != target {
            self.source = next;
            self.mix.arrive(target, onset, self.splice);
        }
        // A planned absence that turns out to be a fault is told, although the source stays.
        let found = decision.cover && !self.told && !matches!(cause, Cause::Plan | Cause::ByHand);
        self.told = decision.cover && (self.told || found);
        (decision, (changed || found).then_some((next, cause)))
    }

    fn evidence(&self, onset: i64, expected: f32) -> Result<(), Cause> {
        let (from, to) = (onset - self.before, onset + self.after);
        if self.cannot_follow {
            return Err(Cause::CannotFollow);
        }
        if self.window.whole_since > from.max(self.window.placed_at) {
            return Err(self.window.why);
        }
        if self.window.filled < to {
            return Err(Cause::Late);
        }
        if expected > 0.0 && self.window.peak(from, to) < expected * SILENT {
            return Err(Cause::SilentWhenDue);
        }
        Ok(())
    }

    /// Puts the click of a piece into `bus`, which holds the fallback. Real-time: safe.
    pub fn mix(&self, start: FramePos, bus: &mut [f32]) {
        if self.mix.constant(start, bus.len()) == Some(0.0) {
            return;
        }
        let end = start.0 + bus.len() as i64;
        for (sample, frame) in bus.iter_mut().zip(start.0..end) {
            // What a stream had before it was wanted is another song's.
            let ours = !self.window.wanted || frame >= self.since.0;
            let stream = if ours { self.mix.at(FramePos(frame)) } else { 0.0 };
            let streamed = self.window.samples.get(self.window.slot(frame)).copied().unwrap_or(0.0);
            let arrived = if frame < self.window.filled { streamed } else { 0.0 };
            *sample = *sample * (1.0 - stream) + arrived * stream;
        }
    }
}

/// How far ahead of its sounding a stream is read and judged.
pub const AHEAD_SECONDS: f64 = 0.012;

#[cfg(test)]
mod tests {
    use super::*;

    const GOOD: Evidence = Evidence { primary: Ok(()), steady: true, bar_line: false, planned: false };
    const LATE: Evidence = Evidence { primary: Err(Cause::Late), ..GOOD };

    #[test]
    fn one_failed_hit_is_covered_and_two_in_a_row_latch() {
        let mut judge = Judge::new(GiveBack::Stay, Latch { in_row: 2, of_eight: 3 });
        assert_eq!(judge.step(LATE), Decision { cover: true, latch: false, give_back: false });
        assert_eq!(judge.step(GOOD), Decision { cover: false, latch: false, give_back: false });
        judge.step(LATE);
        assert!(judge.step(LATE).latch);
        assert!(judge.step(GOOD).cover, "latched: the primary stays out");
    }

    #[test]
    fn three_of_eight_latch() {
        let mut judge = Judge::new(GiveBack::Stay, Latch { in_row: 2, of_eight: 3 });
        let failed = [true, false, false, true, false, true];
        let latched: Vec<bool> = failed.map(|bad| judge.step(if bad { LATE } else { GOOD }).latch).to_vec();
        assert_eq!(latched, [false, false, false, false, false, true]);
    }

    #[test]
    fn the_way_back_at_the_next_bar_needs_a_steady_primary_and_a_bar_line() {
        let mut judge = Judge::new(GiveBack::NextBar, Latch { in_row: 2, of_eight: 3 });
        judge.step(LATE);
        judge.step(LATE);
        assert!(!judge.step(GOOD).give_back);
        assert!(!judge.step(Evidence { bar_line: true, steady: false, ..GOOD }).give_back);
        let back = judge.step(Evidence { bar_line: true, ..GOOD });
        assert_eq!(back, Decision { cover: false, latch: false, give_back: true });
    }

    #[test]
    fn a_planned_absence_never_latches() {
        let mut judge = Judge::new(GiveBack::Stay, Latch { in_row: 2, of_eight: 3 });
        for _ in 0..10 {
            assert!(!judge.step(Evidence { planned: true, ..LATE }).latch);
        }
        assert!(!judge.step(GOOD).cover);
    }
}
