//! A click that another device plays (a pad, a laptop without timecode): heard on an input, judged against the grid,
//! tracked, passed on; the engine's own click fills in where it fails.

use super::claim::{Evidence, Judge as Latch};
use super::event::{Cause, Source};
use crate::follow::{
    Acquire, Beside, BesideNow, DueHit, Judge, Judged, Line, Onsets, Retime, Starts, Tracker, Verdict,
};
use crate::show::model::{self, GiveBack};
use crate::units::{Exact, FramePos, Frames, SampleRate, Span};

/// How another device's click is wired.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct OutsideSetup {
    /// Input channel, from 0.
    pub channel: u16,
    /// Index of the click that it is.
    pub click: u8,
    /// What is passed on is this much later, so that a missing hit can still be filled; 0 for none.
    pub safety: Frames,
    /// Its count-in starts the chosen song.
    pub starts_song: bool,
    /// An onset counts so far from its place; `None`: what the interval allows.
    pub tolerance: Option<Frames>,
    pub latch: model::Latch,
}

/// Onsets that have to agree before the place of the music is believed.
pub const AGREEING: usize = 4;
const VERDICTS: usize = 32;

/// What an external click asks of the transport.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Ask {
    /// The song begins (or began) here: local 0 of its first leg, as it leaves.
    Starts(Exact),
    /// The grid is a little off at `pivot`.
    Retime { pivot: Exact, retime: Retime },
    /// The other device hangs and plays its last buffer over and over: its line is to be silent at once.
    Silence,
}

/// One click from outside. Allocates in [`Outside::new`] only.
#[derive(Debug)]
pub struct Outside {
    pub setup: OutsideSetup,
    /// From arrival to where it leaves.
    delay: Span,
    /// Where an onset of this click's sound is heard, minus where it is.
    bias: Span,
    onsets: Onsets,
    line: Line,
    judge: Judge,
    tracker: Tracker,
    beside: Beside,
    acquire: Option<Acquire>,
    latch: Latch,
    last_due: Option<Exact>,
    verdicts: [Option<(FramePos, Result<(), Cause>)>; VERDICTS],
    slot: usize,
    asks: [Option<Ask>; 4],
    /// The first hit that was expected since its place is known.
    first: Option<Exact>,
    /// Its place in the music is known.
    known: bool,
    /// The song whose start is looked for, or was.
    sought: Option<usize>,
    hangs: bool,
}

impl Outside {
    /// `look_ahead`: what everything that leaves is late.
    pub fn new(setup: OutsideSetup, rate: SampleRate, policy: GiveBack, look_ahead: Frames) -> Outside {
        // Without a safety delay a hit is known to be absent only after it was due: one is enough.
        let latch = match setup.safety.0 {
            0 => model::Latch { in_row: 1, of_eight: 1 },
            _ => setup.latch,
        };
        Outside {
            setup,
            delay: Span::frames(setup.safety + look_ahead),
            bias: Span(0),
            onsets: Onsets::new(rate),
            line: Line::new(rate),
            judge: Judge::new(rate, setup.safety).with_tolerance(setup.tolerance),
            tracker: Tracker::new(rate),
            beside: Beside::default(),
            acquire: None,
            latch: Latch::new(policy, latch),
            last_due: None,
            verdicts: [None; VERDICTS],
            slot: 0,
            asks: [None; 4],
            first: None,
            known: false,
            sought: None,
            hangs: false,
        }
    }

    /// The other device is taken to play this sound (a stem of this show does): what the follower hears late of it is
    /// taken off.
    pub fn calibrate(&mut self, bias: f64) {
        self.bias = Span::from_f64(bias);
    }

    pub fn delay(&self) -> Frames {
        self.delay.nearest()
    }

    /// Whether the first hits of `song` are to be given to [`Outside::look_for`]: its place is not known, and another
    /// song or none was looked for. Real-time: safe.
    pub fn wants(&self, song: usize) -> bool {
        !self.known && self.sought != Some(song)
    }

    /// Looks for the start of a song whose first hits lie at `expected` from its local 0. Real-time: safe.
    ///
    /// Fewer than [`AGREEING`] start nothing.
    pub fn look_for(&mut self, rate: SampleRate, song: usize, expected: &[Span]) {
        self.acquire = (expected.len() >= AGREEING).then(|| Acquire::new(rate, expected, AGREEING));
        self.sought = Some(song);
    }

    /// What was looked for is another song by now, or none.
    pub fn look_anew(&mut self) {
        (self.acquire, self.sought) = (None, None);
    }

    /// The music was placed anew, or ended. Real-time: safe.
    pub fn clear(&mut self, plays: bool) {
        self.judge.clear();
        self.tracker.clear();
        (self.last_due, self.first, self.verdicts) = (None, None, [None; VERDICTS]);
        if !plays {
            self.known = false;
            self.look_anew();
            self.judge.forget_sounds();
            self.beside.clear();
            self.latch.new_song();
        }
    }

    /// A hit of this click is due to leave at `onset`. Real-time: safe.
    pub fn expect(&mut self, onset: FramePos) {
        if !self.known {
            return;
        }
        let at = Exact::at(onset) - self.delay;
        let interval = self.last_due.map_or(Frames(i64::from(u32::MAX)), |last| (at - last).nearest());
        if interval.0 > 0 {
            self.last_due = Some(at);
            self.first = self.first.or(Some(Exact::at(onset)));
            self.judge.expect(DueHit { at, interval });
        }
    }

    /// Takes samples that arrived at `at`. Real-time: safe.
    pub fn listen(&mut self, at: FramePos, samples: &[f32]) {
        let Outside { onsets, line, judge, acquire, known, bias, .. } = self;
        let mut told = [None::<Judged>; 16];
        let mut count = 0;
        let mut keep = |one: Judged| {
            if let Some(slot) = told.get_mut(count) {
                *slot = Some(one);
                count += 1;
            }
        };
        let mut started: Option<Starts> = None;
        judge.see(at, samples);
        onsets.push(at, samples, &mut |mut onset| {
            onset.at = onset.at - *bias;
            judge.heard(onset, &mut keep);
            if let Some(acquire) = acquire {
                started = started.or(acquire.heard(onset));
            }
        });
        line.push(at, samples, &mut |window| judge.line(window, &mut keep));
        judge.step(at + Frames(samples.len() as i64 - 1), &mut keep);
        if let Some(Starts { anchor, .. }) = started {
            (*acquire, *known) = (None, true);
            self.ask(Ask::Starts(anchor + self.delay));
        }
        for one in told.into_iter().flatten() {
            self.judged(one);
        }
        let hangs = self.known && self.judge.repeats();
        if !std::mem::replace(&mut self.hangs, hangs) && hangs {
            self.ask(Ask::Silence);
        }
    }

    /// One that finds no room is made up for by the next hit's.
    fn ask(&mut self, ask: Ask) {
        if let Some(slot) = self.asks.iter_mut().find(|slot| slot.is_none()) {
            *slot = Some(ask);
        }
    }

    fn judged(&mut self, one: Judged) {
        let found = match one.verdict {
            Verdict::InTime(error) => {
                let retime = self.tracker.heard(one.due, error);
                self.beside.heard(error.as_f64(), retime.ratio);
                self.ask(Ask::Retime { pivot: one.due.at + self.delay, retime });
                Ok(())
            }
            Verdict::Early(_) => Err(Cause::Early),
            Verdict::Doubled => Err(Cause::Doubled),
            Verdict::Absent => Err(Cause::Absent),
            Verdict::Drowned => Err(Cause::Drowned),
            Verdict::Repeats => Err(Cause::LineRepeats),
            // Told in addition, after the hit was decided.
            Verdict::Late(_) => return,
        };
        if self.setup.safety.0 == 0 {
            self.step(found, false);
            return;
        }
        let onset = (one.due.at + self.delay).nearest();
        if let Some(slot) = self.verdicts.get_mut(self.slot % VERDICTS) {
            *slot = Some((onset, found));
        }
        self.slot = (self.slot + 1) % VERDICTS;
    }

    fn step(&mut self, found: Result<(), Cause>, bar_line: bool) -> bool {
        let evidence = Evidence { primary: found, steady: true, bar_line, planned: !self.known };
        self.latch.step(evidence).cover
    }

    /// Where a hit that leaves at `onset` comes from. Real-time: safe.
    pub fn decide(&mut self, onset: FramePos, bar_line: bool) -> (Source, Cause) {
        if !self.known {
            return (Source::External, Cause::Plan);
        }
        let cover = |cover: bool, cause: Cause| {
            if cover { (Source::Fallback, cause) } else { (Source::External, Cause::Plan) }
        };
        if self.setup.safety.0 == 0 {
            return cover(self.latch.latched(), Cause::Absent);
        }
        let verdict = self.verdicts.iter().flatten().find(|(at, _)| (*at - onset).0.abs() <= 1);
        // Of a hit that was expected nothing is known: then it is not relied on.
        let expected = self.first.is_some_and(|first| Exact::at(onset) >= first);
        let unknown = if expected { Err(Cause::Absent) } else { Ok(()) };
        let found = verdict.map_or(unknown, |(_, found)| *found);
        let covers = self.step(found, bar_line);
        cover(covers, found.err().unwrap_or(Cause::Absent))
    }

    /// How its hits lie beside the grid, now and then. Real-time: safe.
    pub fn told(&mut self) -> Option<BesideNow> {
        self.beside.told()
    }

    /// What it asks of the transport since the last call. Real-time: safe.
    pub fn take_ask(&mut self) -> Option<Ask> {
        self.asks.iter_mut().find_map(Option::take)
    }

    /// The click is taken away by hand, or given back.
    pub fn hand(&mut self, on: bool) {
        self.latch.hand(on);
    }
}
