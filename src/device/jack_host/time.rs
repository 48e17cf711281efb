//! How many frames a JACK server lost between two callbacks.
//!
//! Two witnesses. The server's frame time jumps after some xruns (a client that died) and at another block
//! size. Others only a clock of our own shows: a server that was held up for 0.4 s and said one xrun kept its
//! frame time, and its cycle times went back by as much (seen with jackd 1.9.21). A callback is never early,
//! so the earliest of a few is the one to go by.

use crate::units::Frames;

/// What is known of a callback.
#[derive(Clone, Copy, Debug)]
pub(super) struct Cycle {
    /// The server's frame of its first sample, wrapping at 2³².
    pub frame_time: u32,
    /// When it began, by our own clock.
    pub microseconds: u64,
    pub frames: u32,
    /// Told by the server so far, from another thread: maybe some callbacks late.
    pub xruns: u64,
    /// Frames pass without regard to the clock.
    pub freewheel: bool,
}

/// Callbacks that are remembered: an xrun may be told up to 24 callbacks after it happened.
const REMEMBERED: usize = 32;

/// Callbacks of which the earliest counts.
const FEW: usize = 8;

/// Callbacks after which a loss is told although xruns go on.
const AT_LAST: u32 = 64;

/// What was, as far as it is needed.
#[derive(Debug)]
pub(super) struct Time {
    microseconds_a_frame: f64,
    /// The last callback.
    last: Option<Cycle>,
    /// Frames so far, lost ones counted.
    frame: i64,
    /// How late the last callbacks were in microseconds, from one origin; a ring.
    lateness: [f64; REMEMBERED],
    filled: usize,
    doubt: Option<Doubt>,
}

/// An xrun was told: was time lost?
#[derive(Clone, Copy, Debug)]
struct Doubt {
    lateness_before: f64,
    since_first: u32,
    since_last: u32,
}

impl Time {
    pub fn new(rate: f64) -> Time {
        Time {
            microseconds_a_frame: 1e6 / rate,
            last: None,
            frame: 0,
            lateness: [0.0; REMEMBERED],
            filled: 0,
            doubt: None,
        }
    }

    /// Frames to count as lost before this callback. Real-time: safe.
    pub fn lost_before(&mut self, cycle: Cycle) -> Frames {
        let mut lost = self.jump_of_frame_time(cycle);
        self.remember(cycle, self.frame + lost);
        lost += self.shown_by_the_clock(cycle);
        self.frame += lost + i64::from(cycle.frames);
        self.last = Some(cycle);
        Frames(lost)
    }

    /// A server's time that went back (it left freewheel) loses nothing.
    fn jump_of_frame_time(&self, cycle: Cycle) -> i64 {
        let Some(last) = self.last else { return 0 };
        let expected = last.frame_time.wrapping_add(last.frames);
        i64::from(cycle.frame_time.wrapping_sub(expected).cast_signed().max(0))
    }

    fn remember(&mut self, cycle: Cycle, frame: i64) {
        if cycle.freewheel {
            (self.filled, self.doubt) = (0, None);
            return;
        }
        let lateness = cycle.microseconds as f64 - frame as f64 * self.microseconds_a_frame;
        if let Some(place) = self.lateness.get_mut(self.filled % REMEMBERED) {
            *place = lateness;
        }
        self.filled += 1;
    }

    fn shown_by_the_clock(&mut self, cycle: Cycle) -> i64 {
        if self.filled == 0 {
            return 0;
        }
        let told = self.last.is_some_and(|last| last.xruns != cycle.xruns || last.frames != cycle.frames);
        let doubt = self.doubt.map(|doubt| Doubt { since_first: doubt.since_first + 1, ..doubt });
        self.doubt = match doubt {
            None if told => {
                Some(Doubt { lateness_before: self.oldest_lateness(), since_first: 0, since_last: 0 })
            }
            doubt => doubt.map(|d| Doubt { since_last: if told { 0 } else { d.since_last + 1 }, ..d }),
        };
        match self.doubt {
            Some(doubt) if doubt.since_last >= FEW as u32 || doubt.since_first >= AT_LAST => {
                self.doubt = None;
                self.settle(self.newest_lateness() - doubt.lateness_before, cycle.frames)
            }
            _ => 0,
        }
    }

    /// Less than half a block is the scatter of callbacks.
    fn settle(&mut self, later: f64, block: u32) -> i64 {
        let lost = (later / self.microseconds_a_frame).round() as i64;
        if lost * 2 <= i64::from(block) {
            return 0;
        }
        let made_good = lost as f64 * self.microseconds_a_frame;
        // What is older than the loss would now look early.
        let mended = self.newest_lateness() - made_good;
        self.lateness.fill(mended);
        self.filled = FEW;
        lost
    }

    /// Of the oldest few that are remembered, or of all when there are fewer.
    fn oldest_lateness(&self) -> f64 {
        let first = self.filled.saturating_sub(REMEMBERED);
        self.earliest(first, first + FEW)
    }

    fn newest_lateness(&self) -> f64 {
        self.earliest(self.filled.saturating_sub(FEW), self.filled)
    }

    fn earliest(&self, from: usize, to: usize) -> f64 {
        let places = from..to.min(self.filled);
        let lateness = places.filter_map(|place| self.lateness.get(place % REMEMBERED));
        lateness.fold(f64::INFINITY, |earliest, lateness| earliest.min(*lateness))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A server of 48 kHz and blocks of 48 frames: a millisecond each.
    struct Server {
        time: Time,
        cycle: Cycle,
    }

    impl Server {
        fn new() -> Server {
            let cycle =
                Cycle { frame_time: u32::MAX - 100, microseconds: 5, frames: 48, xruns: 0, freewheel: false };
            Server { time: Time::new(48_000.0), cycle }
        }

        fn run(&mut self, callbacks: usize) -> i64 {
            let mut lost = 0;
            for _ in 0..callbacks {
                lost += self.time.lost_before(self.cycle).0;
                self.cycle.frame_time = self.cycle.frame_time.wrapping_add(48);
                self.cycle.microseconds += 1000;
            }
            lost
        }
    }

    #[test]
    fn nothing_is_lost_where_nothing_happens() {
        assert_eq!(Server::new().run(100), 0);
    }

    #[test]
    fn a_jump_of_the_frame_time_is_lost_and_not_counted_again_by_the_clock() {
        let mut server = Server::new();
        server.run(50);
        server.cycle.frame_time = server.cycle.frame_time.wrapping_add(384);
        server.cycle.microseconds += 8000;
        server.cycle.xruns = 1;
        assert_eq!(server.run(50), 384);
    }

    #[test]
    fn a_pause_that_only_the_clock_shows_is_lost_even_when_the_xrun_is_told_late() {
        for told_after in [0, 1, 5, 23] {
            let mut server = Server::new();
            server.run(50);
            server.cycle.microseconds += 400_000;
            let before = server.run(told_after);
            server.cycle.xruns = 1;
            assert_eq!(before + server.run(50), 19_200, "{told_after}");
        }
    }

    #[test]
    fn a_late_callback_that_the_server_catches_up_with_loses_nothing() {
        let mut server = Server::new();
        server.run(50);
        server.cycle.microseconds += 20_000;
        server.run(1);
        server.cycle.microseconds -= 20_000;
        server.cycle.xruns = 1;
        assert_eq!(server.run(50), 0);
    }

    #[test]
    fn what_many_xruns_in_a_row_lose_adds_up() {
        let mut server = Server::new();
        let mut lost = server.run(50);
        for _ in 0..40 {
            server.cycle.microseconds += 5_000;
            server.cycle.xruns += 1;
            lost += server.run(5);
        }
        assert_eq!(lost + server.run(20), 40 * 240);
    }

    #[test]
    fn freewheel_and_a_time_that_goes_back_lose_nothing() {
        let mut server = Server::new();
        server.run(50);
        server.cycle.freewheel = true;
        server.cycle.microseconds += 9_000_000;
        assert_eq!(server.run(50), 0);
        server.cycle.freewheel = false;
        server.cycle.xruns = 1;
        server.cycle.frame_time = server.cycle.frame_time.wrapping_sub(5000);
        assert_eq!(server.run(50), 0);
    }
}
