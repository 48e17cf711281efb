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
}

/// Compares onsets with the first hits of the chosen song.
///
/// An even count-in fits one beat later just as well: the earliest onset that explains the rest is taken for the first
/// hit, so choose the song before the other device starts. Twice the tempo does not fit: as many loud onsets
/// beside the pattern as in it refuse it.
#[derive(Clone, Debug)]
pub struct Acquire {
    rate: SampleRate,
    expected: [Span; EXPECTED],
    count: usize,
    enough: usize,
    ideas: Ring<Idea, IDEAS>,
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
        Acquire { rate, expected: kept, count, enough: enough.clamp(3, EXPECTED), ideas: Ring::new() }
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
            kept.push(Idea { last: onset.at, hit: 0, anchors, loudest: onset.level, beside: 0 });
        }
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
                return Some(Idea::with(idea, onset, hit, onset.at - self.expected.get(hit).copied()?));
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

    fn shortest(&self, hit: usize) -> Frames {
        let at = self.expected.get(hit).copied().unwrap_or_default();
        let before = hit.checked_sub(1).and_then(|hit| self.expected.get(hit)).copied();
        before.map_or(Frames(0), |before| (at - before).nearest())
    }

    fn starts(&self, idea: &Idea) -> Option<Starts> {
        let agreeing = idea.anchors.count();
        // Every second hit unheard is half the tempo, not this song.
        let unheard = (idea.hit + 1).saturating_sub(agreeing);
        if agreeing < self.enough || idea.beside + 1 >= agreeing || 2 * unheard >= agreeing {
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
    fn with(self, onset: Onset, hit: usize, anchor: Exact) -> Idea {
        let mut anchors = self.anchors;
        anchors.push(anchor);
        Idea { last: onset.at, hit, anchors, loudest: self.loudest.max(onset.level), beside: self.beside }
    }
}
