//! What is given up when the computer cannot keep up, and in which order. Pure: every load is an argument.

/// Given up from the first on; the click is not on the list.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord)]
#[repr(u8)]
pub enum GivenUp {
    #[default]
    Nothing,
    /// Screens are drawn twice a second.
    Views,
    /// Recordings and what the listener hears have holes.
    Recordings,
    /// The log leaves out levels and callback times.
    LogDetail,
    /// Room microphones are faded out.
    Ambient,
    /// And talkback.
    Talkback,
}

impl GivenUp {
    pub const ALL: [GivenUp; 6] = [
        GivenUp::Nothing,
        GivenUp::Views,
        GivenUp::Recordings,
        GivenUp::LogDetail,
        GivenUp::Ambient,
        GivenUp::Talkback,
    ];

    pub fn of(level: u8) -> GivenUp {
        GivenUp::ALL.get(usize::from(level)).copied().unwrap_or(GivenUp::Talkback)
    }

    /// For the screen.
    pub const fn words(self) -> &'static str {
        match self {
            GivenUp::Nothing => "the computer keeps up again",
            GivenUp::Views => "THE COMPUTER IS SLOW: the screen is drawn less often",
            GivenUp::Recordings => "THE COMPUTER IS SLOW: the recording has holes",
            GivenUp::LogDetail => "THE COMPUTER IS SLOW: the log leaves out details",
            GivenUp::Ambient => "THE COMPUTER IS TOO SLOW: the room is faded out, the click goes on",
            GivenUp::Talkback => "THE COMPUTER IS TOO SLOW: only the click goes on",
        }
    }
}

/// Load, in parts of a block's time, from which each is given up (start values; no source: above three quarters a busy
/// computer has its first late callbacks).
const FROM: [f32; 5] = [0.70, 0.76, 0.82, 0.88, 0.94];

/// It comes back below this much less, after this long.
const EASE: f32 = 0.20;
const EASED_FOR: i64 = 2_000_000_000;

/// Between two steps down the list.
const STEP: i64 = 100_000_000;

/// The load is a mean over about this time.
const MEAN: i64 = 100_000_000;

/// How late callbacks come is a mean over about this: frames lost once make them late until they are counted.
const LATE_MEAN: i64 = 1_000_000_000;

/// Some hosts ask for blocks in bunches. How late they come in their first time is as usual; later it is the least that
/// was seen, of which as much is forgotten as fits this time.
const USUAL_AFTER: i64 = 3_000_000_000;
const USUAL_FORGOTTEN: i64 = 60_000_000_000;

#[derive(Clone, Copy, Debug, Default)]
pub struct Thrift {
    load: f32,
    late: f32,
    usual: f32,
    /// Since the first callback.
    age: i64,
    level: u8,
    since_step: i64,
    eased: i64,
}

impl Thrift {
    /// One callback came `late` and took `took` of `block` nanoseconds. Gives what is given up from now on. Real-time: safe.
    pub fn step(&mut self, late: i64, took: i64, block: i64) -> GivenUp {
        let block = block.clamp(1, 1_000_000_000);
        // A block that was held up once is no lasting load.
        let part = |ns: i64| (ns as f32 / block as f32).clamp(0.0, 1.5);
        let toward =
            |mean: f32, now: f32, over: i64| mean + (now - mean) * (block as f32 / over as f32).min(1.0);
        self.load = toward(self.load, part(took), MEAN);
        self.late = toward(self.late, part(late), LATE_MEAN);
        self.age = self.age.saturating_add(block);
        self.usual = match self.age < USUAL_AFTER {
            true => self.late,
            false => toward(self.usual, self.late, USUAL_FORGOTTEN).min(self.late),
        };
        // What a computer does before it asks, and after, is not seen in its callbacks: they come late.
        let load = self.load + self.late - self.usual;
        self.since_step = self.since_step.saturating_add(block);
        let next = FROM.get(usize::from(self.level)).copied();
        let here = self.level.checked_sub(1).and_then(|below| FROM.get(usize::from(below))).copied();
        self.eased = match here {
            Some(here) if load < here - EASE => self.eased.saturating_add(block),
            _ => 0,
        };
        if next.is_some_and(|next| load > next) && self.since_step >= STEP {
            (self.level, self.since_step) = (self.level + 1, 0);
        } else if self.eased >= EASED_FOR {
            (self.level, self.eased) = (self.level.saturating_sub(1), 0);
        }
        GivenUp::of(self.level)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const BLOCK: i64 = 2_666_667;

    fn after(thrift: &mut Thrift, load: f64, seconds: f64) -> Vec<GivenUp> {
        late(thrift, 0, load, seconds)
    }

    fn late(thrift: &mut Thrift, late: i64, load: f64, seconds: f64) -> Vec<GivenUp> {
        let blocks = (seconds * 1e9 / BLOCK as f64) as usize;
        let mut seen = vec![];
        for _ in 0..blocks {
            let now = thrift.step(late, (load * BLOCK as f64) as i64, BLOCK);
            if seen.last() != Some(&now) {
                seen.push(now);
            }
        }
        seen
    }

    #[test]
    fn under_rising_load_one_after_the_other_is_given_up_and_never_the_click() {
        let mut thrift = Thrift::default();
        assert_eq!(after(&mut thrift, 0.5, 10.0), [GivenUp::Nothing]);
        assert_eq!(after(&mut thrift, 0.99, 3.0), GivenUp::ALL, "in this order");
        assert_eq!(after(&mut thrift, 0.99, 100.0), [GivenUp::Talkback]);
        let back = after(&mut thrift, 0.1, 30.0);
        assert_eq!(back, GivenUp::ALL.into_iter().rev().collect::<Vec<_>>(), "and comes back the other way");
    }

    #[test]
    fn one_block_that_was_held_up_gives_up_nothing() {
        let mut thrift = Thrift::default();
        after(&mut thrift, 0.2, 1.0);
        assert_eq!(thrift.step(0, 50 * BLOCK, BLOCK), GivenUp::Nothing);
        assert_eq!(after(&mut thrift, 0.2, 5.0), [GivenUp::Nothing]);
    }

    #[test]
    fn callbacks_that_come_late_are_a_load_as_well() {
        let mut thrift = Thrift::default();
        assert_eq!(late(&mut thrift, BLOCK / 20, 0.2, 10.0), [GivenUp::Nothing]);
        assert_eq!(late(&mut thrift, BLOCK, 0.2, 4.0), GivenUp::ALL, "each a block late");
        let back = late(&mut thrift, BLOCK / 20, 0.2, 30.0);
        assert_eq!(back, GivenUp::ALL.into_iter().rev().collect::<Vec<_>>());
    }

    #[test]
    fn what_is_late_as_usual_or_for_a_moment_gives_up_nothing() {
        let mut bunches = Thrift::default();
        for _ in 0..10_000 {
            for of_four in (0..4).rev() {
                assert_eq!(bunches.step(of_four * BLOCK, BLOCK / 5, BLOCK), GivenUp::Nothing);
            }
        }
        // Until they are counted, lost frames make each callback late.
        let mut thrift = Thrift::default();
        after(&mut thrift, 0.2, 10.0);
        for (lost, seconds) in [(15 * BLOCK, 0.3), (BLOCK, 0.5), (BLOCK / 4, 3.0)] {
            assert_eq!(late(&mut thrift, lost, 0.2, seconds), [GivenUp::Nothing], "{lost}");
            assert_eq!(after(&mut thrift, 0.2, 10.0), [GivenUp::Nothing]);
        }
    }

    #[test]
    fn a_load_at_the_edge_does_not_flap() {
        let mut thrift = Thrift::default();
        let mut seen = Vec::new();
        for round in 0..200 {
            seen.extend(after(&mut thrift, if round % 2 == 0 { 0.76 } else { 0.66 }, 0.3));
        }
        seen.dedup();
        assert!(seen.len() <= 3, "{seen:?}");
    }
}
