//! Where a song started, from the first hits of its count-in or first bar.

use super::judge::Ring;
use super::onset::Onset;
use super::tolerance::tolerance;
use crate::units::{Exact, Frames, SampleRate, Span};

const EXPECTED: usize = 32;
const IDEAS: usize = 8;
/// Two expected hits unheard in a row end an idea.
const UNHEARD: usize = 2;
/// An onset this far below the idea's loudest is not counted against it.
const COUNTS: f32 = 0.4;

/// A device's click is even: from hit to hit its place moves by no more than this and this part of the interval. Two
/// crystals and the ear's own scatter make less; a hand's intervals scatter by 2 % and more (common practice, no source).
const EVEN_SECONDS: f64 = 0.000_5;
const EVEN_PART: f64 = 0.000_7;
/// A count-in comes after a pause of more than a beat. Without one, this many times as many hits have to agree.
const PAUSE: f64 = 1.15;
const WITHOUT_PAUSE: usize = 2;

/// The chosen song started.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Starts {
    /// Where the place is that the expected hits were given from (bar one, or the count-in's first hit).
    pub anchor: Exact,
    /// So many onsets agreed.
    pub agreeing: usize,
}

/// "The first onset heard was the first expected hit."
#[derive(Clone, Copy, Debug)]
struct Idea {
    /// The last onset that fitted, and which expected hit that was.
    last: Exact,
    hit: usize,
    /// Per fitted onset, its place less its expected place.
    anchors: Ring<Exact, EXPECTED>,
    loudest: f32,
    beside: usize,
    /// Hits that followed on evenly, the first one included.
    even: usize,
    /// Hits that fitted at all.
    fitted: usize,
    /// All of it was even, and nothing as loud came in the beat before the first hit.
    paused: bool,
}

/// Compares onsets with the first hits of the chosen song.
///
/// An even count-in fits one beat later just as well: the earliest onset that explains the rest is taken for the first
/// hit, so choose the song before the other device starts. Twice the tempo does not fit: as many loud onsets
/// beside the pattern as in it refuse it. A drummer who warms up at just that tempo starts nothing: a hand is not even
/// enough, and does not begin after a pause at each hit.
#[derive(Clone, Debug)]
pub struct Acquire {
    rate: SampleRate,
    expected: [Span; EXPECTED],
    count: usize,
    enough: usize,
    ideas: Ring<Idea, IDEAS>,
    /// The onsets heard last, to know a pause.
    lately: Ring<Onset, 8>,
}

impl Acquire {
    /// `expected`: places of the first hits from the anchor, rising; the first 32 are used. `enough`: how many onsets
    /// have to agree, at least 3.
    pub fn new(rate: SampleRate, expected: &[Span], enough: usize) -> Acquire {
        let mut kept = [Span(0); EXPECTED];
        for (slot, &place) in kept.iter_mut().zip(expected) {
            *slot = place;
        }
        let count = expected.len().min(EXPECTED);
        Acquire {
            rate,
            expected: kept,
            count,
            enough: enough.clamp(3, EXPECTED),
            ideas: Ring::new(),
            lately: Ring::new(),
        }
    }

    /// Forgets what it heard.
    pub fn clear(&mut self) {
        self.ideas = Ring::new();
    }

    /// Takes an onset in; says once that the song started, then forgets. Real-time: safe.
    pub fn heard(&mut self, onset: Onset) -> Option<Starts> {
        let mut kept = Ring::new();
        let mut starts = None;
        for idea in self.ideas.iter() {
            let Some(idea) = self.fit(idea, onset) else { continue };
            if starts.is_none() {
                starts = self.starts(&idea);
            }
            kept.push(idea);
        }
        if kept.count() < IDEAS
            && let Some(&first) = self.expected.first().filter(|_| self.count > 0)
        {
            let mut anchors = Ring::new();
            anchors.push(onset.at - first);
            let paused = self.paused(onset);
            kept.push(Idea {
                last: onset.at,
                hit: 0,
                anchors,
                loudest: onset.level,
                beside: 0,
                even: 1,
                fitted: 1,
                paused,
            });
        }
        self.lately.push(onset);
        self.ideas = if starts.is_some() { Ring::new() } else { kept };
        starts
    }

    /// The idea with this onset in it; nothing when it has come to an end.
    fn fit(&self, idea: Idea, onset: Onset) -> Option<Idea> {
        let from = self.expected.get(idea.hit).copied()?;
        for hit in idea.hit + 1..self.count.min(idea.hit + 1 + UNHEARD) {
            let interval = self.expected.get(hit).copied()? - from;
            let error = onset.at - (idea.last + interval);
            let least = self.shortest(hit);
            if error.0.abs() <= Span::frames(tolerance(self.rate, least, Frames(0))).0 {
                let even = self.is_even(error, interval);
                return Some(idea.with(onset, hit, onset.at - self.expected.get(hit).copied()?, even));
            }
        }
        let until =
            self.expected.get(idea.hit + UNHEARD).or(self.expected.get(self.count.wrapping_sub(1)))?;
        let patience = Span::frames(self.rate.frames(0.1));
        if onset.at - idea.last > *until - from + patience {
            return None;
        }
        let beside = idea.beside + usize::from(onset.level > COUNTS * idea.loudest);
        Some(Idea { beside, ..idea })
    }

    fn is_even(&self, error: Span, interval: Span) -> bool {
        let most = EVEN_SECONDS * f64::from(self.rate.hertz()) + EVEN_PART * interval.as_f64();
        error.as_f64().abs() <= most
    }

    /// Whether nothing of that level came in the beat before.
    fn paused(&self, onset: Onset) -> bool {
        let (Some(first), Some(second)) = (self.expected.first(), self.expected.get(1)) else { return false };
        let beat = PAUSE * (*second - *first).as_f64();
        let near = |before: Onset| (onset.at - before.at).as_f64() < beat;
        !self.lately.iter().any(|before| before.level > COUNTS * onset.level && near(before))
    }

    fn shortest(&self, hit: usize) -> Frames {
        let at = self.expected.get(hit).copied().unwrap_or_default();
        let before = hit.checked_sub(1).and_then(|hit| self.expected.get(hit)).copied();
        before.map_or(Frames(0), |before| (at - before).nearest())
    }

    fn starts(&self, idea: &Idea) -> Option<Starts> {
        let agreeing = idea.anchors.count();
        // Every second hit unheard is half the tempo, not this song.
        let unheard = (idea.hit + 1).saturating_sub(idea.fitted);
        let enough = if idea.paused { self.enough } else { WITHOUT_PAUSE * self.enough };
        // What is shorter than that is asked for as a whole.
        if idea.even < enough.min(self.count) || idea.beside + 1 >= idea.fitted || 2 * unheard >= idea.fitted
        {
            return None;
        }
        let mut places = [0i128; EXPECTED];
        for (slot, anchor) in places.iter_mut().zip(idea.anchors.iter()) {
            *slot = anchor.0;
        }
        let places = places.get_mut(..agreeing)?;
        places.sort_unstable();
        let (low, high) = (*places.get((agreeing - 1) / 2)?, *places.get(agreeing / 2)?);
        Some(Starts { anchor: Exact(low + (high - low) / 2), agreeing })
    }
}

impl Idea {
    fn with(self, onset: Onset, hit: usize, anchor: Exact, even: bool) -> Idea {
        let mut anchors = if even { self.anchors } else { Ring::new() };
        anchors.push(anchor);
        Idea {
            last: onset.at,
            hit,
            anchors,
            loudest: self.loudest.max(onset.level),
            even: if even { self.even + 1 } else { 1 },
            fitted: self.fitted + 1,
            paused: self.paused && even,
            beside: self.beside,
        }
    }
}
