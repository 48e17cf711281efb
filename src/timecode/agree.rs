//! Words that agree with each other: timecode has no checksum, so a single word proves nothing.

use super::word::{BITS, HeardWord, Word};

/// Words that may be missing before a following word is a jump.
const MOST_MISSING: u32 = 8;

/// Passes a word only if it counts on from another one that lay where it had to lie: from the last word passed, or,
/// after a jump, from the word before it. A jump is therefore believed at its second word.
#[derive(Clone, Debug, Default)]
pub struct Agreeing {
    passed: Option<HeardWord>,
    before: Option<HeardWord>,
}

impl Agreeing {
    /// The word, when it is believed. Speed and frame rate need not be known. Real-time: safe.
    pub fn word(&mut self, heard: HeardWord) -> Option<HeardWord> {
        let counts_on = |from: &Option<HeardWord>| from.is_some_and(|from| follows(&from, &heard));
        let believed = counts_on(&self.passed) || counts_on(&self.before);
        self.before = Some(heard);
        if believed {
            self.passed = Some(heard);
        }
        believed.then_some(heard)
    }

    /// The line was lost: nothing heard before counts any more.
    pub fn forget(&mut self) {
        *self = Agreeing::default();
    }
}

/// Both lie a whole number of words apart, and the second counts on by that number.
fn follows(from: &HeardWord, to: &HeardWord) -> bool {
    let words = (to.start - from.start).as_f64() / (f64::from(BITS) * from.cell);
    let whole = words.round();
    // 2 cells of 80: more than a fit in noise is off, less than any slip by a word.
    if !(1.0..=f64::from(MOST_MISSING)).contains(&whole) || (words - whole).abs() > 0.025 * whole {
        return false;
    }
    [24, 25, 30].into_iter().any(|counted| {
        let reached = (0..whole as u32).try_fold(from.word, |word, _| next(word, counted));
        reached.is_some_and(|word| Word { user: to.word.user, ..word } == to.word)
    })
}

/// The address after a word's; `None` if it has none at this count.
fn next(word: Word, counted: u8) -> Option<Word> {
    if word.frames >= counted || (word.drop && counted != 30) {
        return None;
    }
    let carry = |value: u8, limit: u8| if value + 1 < limit { (value + 1, false) } else { (0, true) };
    let (mut frames, full) = carry(word.frames, counted);
    let (seconds, full) = if full { carry(word.seconds, 60) } else { (word.seconds, false) };
    let (minutes, hour) = if full { carry(word.minutes, 60) } else { (word.minutes, false) };
    let hours = if hour { carry(word.hours, 24).0 } else { word.hours };
    if word.drop && full && !minutes.is_multiple_of(10) {
        frames = 2;
    }
    Some(Word { hours, minutes, seconds, frames, ..word })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::timecode::{Address, FrameRate};
    use crate::units::{Exact, Span};

    fn heard(rate: FrameRate, number: i64, at: f64) -> HeardWord {
        let start = Exact(0) + Span::from_f64(at * 1920.0);
        let word = Address::of_number(rate, number).word(rate, number as u32);
        HeardWord { word, start, end: start, cell: 24.0, scatter: 0.0 }
    }

    #[test]
    fn the_next_word_is_the_next_frame_of_the_day() {
        for rate in FrameRate::ALL {
            for number in 0..rate.frames_a_day() {
                let word = Address::of_number(rate, number).word(rate, 0);
                let after = Address::of_number(rate, number + 1).word(rate, 0);
                assert_eq!(next(word, rate.counted() as u8), Some(after), "{rate:?} {number}");
            }
        }
    }

    #[test]
    fn a_wrong_word_is_passed_over_and_a_jump_is_believed_at_its_second_word() {
        let rate = FrameRate::Tv25;
        let mut agreeing = Agreeing::default();
        let numbers = [10, 11, 12, 999, 14, 700, 701, 702];
        let passed: Vec<_> = numbers
            .into_iter()
            .enumerate()
            .filter(|(at, number)| agreeing.word(heard(rate, *number, *at as f64)).is_some())
            .map(|(_, number)| number)
            .collect();
        assert_eq!(passed, [11, 12, 14, 701, 702]);
    }

    #[test]
    fn a_word_that_repeats_or_lies_elsewhere_is_not_believed() {
        let rate = FrameRate::Tv25;
        for (number, at) in [(10, 1.0), (11, 1.1), (12, 1.0), (9, 1.0), (11, 0.5), (10 + 9, 9.0)] {
            let mut agreeing = Agreeing::default();
            assert!(agreeing.word(heard(rate, 10, 0.0)).is_none());
            assert!(agreeing.word(heard(rate, number, at)).is_none(), "{number} at {at}");
        }
    }
}
