//! The second interface's frames on their way to the main's callback: a ring for each channel, and stamps.
//!
//! In: blocks of the second interface, on its audio thread. Out: frames in their place, on the main's. Always: where
//! frames are missing the sound fades, never breaks off: [`FADE`] frames stay in hand for it, and a gap that is coming
//! is known before it is read; nothing allocates, waits, or panics.
#![cfg_attr(
    not(test),
    deny(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::indexing_slicing)
)]

use crate::realtime::io::{Io, Process};
use ringbuf::traits::{Consumer, Observer, Producer, Split};
use ringbuf::{HeapCons, HeapProd, HeapRb};

/// Frames of a fade, in and out, and of a change of place.
pub const FADE: usize = 64;

/// Gaps on their way at once; with more it fades out and finds its place anew.
const GAPS: usize = 16;

/// One callback of the second interface.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Stamp {
    /// Frames that never came before this block.
    pub lost: i64,
    pub frames: i64,
    /// Of the callback, in seconds.
    pub time: f64,
}

/// The second interface's end.
pub struct Writer<C> {
    rings: Vec<HeapProd<f32>>,
    stamps: HeapProd<Stamp>,
    lost: i64,
    clock: C,
}

/// The main's end.
pub struct Reader {
    rings: Vec<HeapCons<f32>>,
    stamps: HeapCons<Stamp>,
    /// Frames up to here have come, on a count that holds lost ones; the next to be read.
    known: i64,
    next: i64,
    gaps: [Gap; GAPS],
    coming: usize,
    gain: f32,
    open: bool,
    change: Option<Change>,
    envelope: Vec<f32>,
}

/// Frames that never came.
#[derive(Clone, Copy, Debug, Default)]
struct Gap {
    start: i64,
    frames: i64,
}

/// A crossfade to frames that lie `ahead`.
#[derive(Clone, Copy, Debug)]
struct Change {
    ahead: usize,
    done: usize,
}

/// Both ends for channels of a ring of `frames`; pieces are at most `most` frames. `clock` tells the time of a
/// callback. Allocates: before the streams start.
pub fn ends<C: FnMut() -> f64 + Send>(
    channels: usize,
    frames: usize,
    most: usize,
    clock: C,
) -> (Writer<C>, Reader) {
    let (producers, consumers) = (0..channels).map(|_| HeapRb::new(frames).split()).unzip();
    let (stamps_in, stamps) = HeapRb::new(1024).split();
    let reader = Reader {
        rings: consumers,
        stamps,
        known: 0,
        next: 0,
        gaps: [Gap::default(); GAPS],
        coming: 0,
        gain: 0.0,
        open: false,
        change: None,
        envelope: vec![0.0; most],
    };
    (Writer { rings: producers, stamps: stamps_in, lost: 0, clock }, reader)
}

impl<C: FnMut() -> f64 + Send> Process for Writer<C> {
    fn process(&mut self, io: &mut Io) {
        io.output.clear();
        let time = (self.clock)();
        self.lost += io.lost.0.max(0);
        let fits = self.rings.iter().all(|ring| ring.vacant_len() >= io.frames);
        if !fits || self.stamps.is_full() {
            // Nobody reads: what comes later finds its place by the count.
            self.lost += io.frames as i64;
            return;
        }
        for (channel, ring) in self.rings.iter_mut().enumerate() {
            ring.push_slice(io.input.channel(channel, io.frames));
        }
        // After its samples: who sees the stamp sees them.
        let stamp = Stamp { lost: std::mem::take(&mut self.lost), frames: io.frames as i64, time };
        let _there_is_room = self.stamps.try_push(stamp);
    }
}

impl Reader {
    /// Looks at what came; `each` is told where a block ended, and when it came. Real-time: safe.
    pub fn look(&mut self, mut each: impl FnMut(i64, Stamp)) {
        // As many as there are room for: a writer that is faster than this loop cannot hold it.
        for _ in 0..1024 {
            let Some(stamp) = self.stamps.try_pop() else { return };
            if stamp.lost > 0 {
                self.gap(Gap { start: self.known, frames: stamp.lost });
                self.known += stamp.lost;
            }
            self.known += stamp.frames;
            each(self.known, stamp);
        }
    }

    fn gap(&mut self, gap: Gap) {
        match self.gaps.get_mut(self.coming) {
            Some(slot) => {
                *slot = gap;
                self.coming += 1;
            }
            // Lengthening the last keeps the count right; its sound is lost a little early.
            None => {
                if let Some(last) = self.gaps.last_mut() {
                    last.frames += gap.frames;
                }
                self.close();
            }
        }
    }

    /// The next frame to be read.
    pub fn next(&self) -> i64 {
        self.next
    }

    /// Frames that are there, gaps counted.
    pub fn waiting(&self) -> i64 {
        self.known - self.next
    }

    /// Reading, or about to; not while it fades out or is silent.
    pub fn is_open(&self) -> bool {
        self.open
    }

    /// Faded out: it may begin anywhere.
    pub fn is_silent(&self) -> bool {
        !self.open && self.gain == 0.0
    }

    pub fn is_changing(&self) -> bool {
        self.change.is_some()
    }

    /// Fades out and stays silent.
    pub fn close(&mut self) {
        (self.open, self.change) = (false, None);
    }

    /// From silence: reads from a frame on, fading in. Frames before it are dropped.
    pub fn open_at(&mut self, frame: i64) {
        self.skip_to(frame);
        (self.open, self.change) = (true, None);
    }

    /// Crosses over to frames that lie `ahead`. False when a gap lies between, or too little waits.
    pub fn jump(&mut self, ahead: usize) -> bool {
        let enough = self.waiting() > (ahead + 2 * FADE) as i64;
        if self.coming > 0 || !enough || self.change.is_some() || self.gain < 1.0 {
            return false;
        }
        self.change = Some(Change { ahead, done: 0 });
        true
    }

    fn skip_to(&mut self, frame: i64) {
        let target = frame.min(self.known);
        for _ in 0..=GAPS {
            if self.next >= target {
                break;
            }
            let (in_gap, run) = self.run();
            let step = run.min(target - self.next);
            self.advance(in_gap, step);
        }
    }

    /// Whether the next frame lies in a gap, and how many like it follow; at most all that wait.
    fn run(&self) -> (bool, i64) {
        match self.gaps.first().filter(|_| self.coming > 0) {
            Some(gap) if gap.start <= self.next => (true, gap.start + gap.frames - self.next),
            Some(gap) => (false, gap.start - self.next),
            None => (false, self.waiting()),
        }
    }

    fn advance(&mut self, in_gap: bool, frames: i64) {
        self.next += frames;
        if !in_gap {
            let count = usize::try_from(frames).unwrap_or(0);
            self.rings.iter_mut().for_each(|ring| _ = ring.skip(count));
        }
        let over = self.gaps.first().is_some_and(|gap| gap.start + gap.frames <= self.next);
        if self.coming > 0 && over {
            self.gaps.copy_within(1.., 0);
            self.coming -= 1;
        }
    }

    /// The next `frames` of every channel, silence where there is nothing. Shape: one buffer a channel, at least as
    /// long. Real-time: safe.
    pub fn read(&mut self, to: &mut [Vec<f32>], frames: usize) {
        let mut done = 0;
        while done < frames {
            let left = frames - done;
            if self.is_silent() {
                silence(to, done, left);
                return;
            }
            let (in_gap, run) = self.run();
            let run = usize::try_from(run).unwrap_or(0).min(left);
            if run == 0 {
                // Nothing is left to fade with; it does not come to this while FADE frames are kept.
                self.close();
                self.gain = 0.0;
                continue;
            }
            if in_gap {
                silence(to, done, run);
                self.gain = 0.0;
                self.advance(true, run as i64);
                done += run;
            } else {
                done += self.sound(to, done, run);
            }
        }
    }

    /// Frames without a gap between them; how many were read.
    fn sound(&mut self, to: &mut [Vec<f32>], at: usize, run: usize) -> usize {
        let until_gap = if self.coming > 0 { self.run().1 } else { i64::MAX };
        let rest = self.change.map_or(run, |change| FADE - change.done.min(FADE));
        // Closed, it reads no further than the fade goes.
        let fades = if self.open { run } else { (self.gain * FADE as f32).ceil() as usize };
        let run = run.min(rest).min(fades).min(self.envelope.len()).max(1);
        for (n, slot) in self.envelope.iter_mut().take(run).enumerate() {
            let ends = !self.open || until_gap - n as i64 <= FADE as i64;
            let step = if ends { -1.0 } else { 1.0 } / FADE as f32;
            self.gain = (self.gain + step).clamp(0.0, 1.0);
            *slot = self.gain;
        }
        for (ring, channel) in self.rings.iter_mut().zip(to) {
            let Some(target) = channel.get_mut(at..at + run) else { continue };
            if let Some(change) = self.change {
                cross(ring, target, change);
            } else {
                ring.peek_slice(target);
            }
            target.iter_mut().zip(&self.envelope).for_each(|(x, gain)| *x = sane(*x) * gain);
        }
        self.advance(false, run as i64);
        if let Some(change) = &mut self.change {
            change.done += run;
            if change.done >= FADE {
                let ahead = change.ahead as i64;
                self.change = None;
                self.skip_to(self.next + ahead);
            }
        }
        run
    }
}

/// From the frames at the ring's front to those further ahead.
fn cross(ring: &HeapCons<f32>, target: &mut [f32], change: Change) {
    let (one, two) = ring.as_slices();
    let at = |place: usize| one.get(place).or_else(|| two.get(place - one.len().min(place))).copied();
    for (n, x) in target.iter_mut().enumerate() {
        let share = (change.done + n + 1) as f32 / FADE as f32;
        let (old, new) = (at(n).unwrap_or(0.0), at(n + change.ahead).unwrap_or(0.0));
        *x = sane(old) * (1.0 - share) + sane(new) * share;
    }
}

fn silence(to: &mut [Vec<f32>], at: usize, frames: usize) {
    to.iter_mut().filter_map(|channel| channel.get_mut(at..at + frames)).for_each(|x| x.fill(0.0));
}

/// What is no number would stay in a filter for as long as it is.
fn sane(x: f32) -> f32 {
    if x.is_finite() { x.clamp(-8.0, 8.0) } else { 0.0 }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::{FramePos, Frames};

    struct Bench {
        writer: Writer<fn() -> f64>,
        reader: Reader,
        io: Io,
        wrote: i64,
        out: Vec<Vec<f32>>,
    }

    impl Bench {
        fn new() -> Bench {
            let clock: fn() -> f64 = || 0.0;
            let (writer, reader) = ends(1, 4096, 512, clock);
            Bench { writer, reader, io: Io::new(1, 1, 512), wrote: 0, out: vec![vec![0.0; 8192]] }
        }

        /// Frames that carry a steady 1: whatever is not 1 is a fade.
        fn write(&mut self, frames: usize, lost: i64) {
            (self.io.frames, self.io.lost, self.io.at) = (frames, Frames(lost), FramePos(self.wrote));
            self.io.input.channel_mut(0, frames).fill(1.0);
            self.writer.process(&mut self.io);
            self.wrote += frames as i64 + lost;
            self.reader.look(|_, _| {});
        }

        fn read(&mut self, frames: usize) -> Vec<f32> {
            self.reader.read(&mut self.out, frames);
            self.out[0][..frames].to_vec()
        }
    }

    fn steepest(samples: &[f32]) -> f32 {
        samples.windows(2).map(|pair| (pair[1] - pair[0]).abs()).fold(0.0, f32::max)
    }

    #[test]
    fn it_is_silent_until_it_is_opened_and_then_fades_in() {
        let mut bench = Bench::new();
        bench.write(256, 0);
        assert!(bench.read(10).iter().all(|x| *x == 0.0) && bench.reader.next() == 0);
        bench.reader.open_at(100);
        let heard = bench.read(100);
        assert_eq!((heard[0], heard[63], heard[99]), (1.0 / 64.0, 1.0, 1.0));
        assert_eq!((bench.reader.next(), bench.reader.waiting()), (200, 56));
    }

    #[test]
    fn a_gap_is_silence_of_its_own_length_with_a_fade_on_each_side() {
        let mut bench = Bench::new();
        bench.write(256, 0);
        bench.write(256, 40);
        bench.reader.open_at(0);
        let heard = bench.read(500);
        assert_eq!(heard[190], 1.0);
        assert!(heard[256..296].iter().all(|x| *x == 0.0), "{heard:?}");
        assert_eq!((heard[255], heard[296], heard[359]), (0.0, 1.0 / 64.0, 1.0));
        assert!(steepest(&heard[64..]) <= 1.0 / 64.0 + 1e-6);
        assert_eq!((bench.reader.next(), bench.reader.waiting()), (500, 52));
    }

    #[test]
    fn closing_fades_and_what_is_left_is_dropped_on_opening() {
        let mut bench = Bench::new();
        bench.write(512, 0);
        bench.reader.open_at(0);
        bench.read(100);
        bench.reader.close();
        let heard = bench.read(100);
        assert_eq!((heard[63], heard[99]), (0.0, 0.0));
        assert!(steepest(&heard) <= 1.0 / 64.0 + 1e-6 && bench.reader.is_silent());
        assert_eq!(bench.reader.next(), 164);
        bench.write(512, 0);
        bench.reader.open_at(800);
        assert_eq!((bench.read(64)[63], bench.reader.next()), (1.0, 864));
    }

    #[test]
    fn a_jump_crosses_over_and_lands_exactly() {
        let mut bench = Bench::new();
        for _ in 0..6 {
            bench.write(512, 0);
        }
        bench.reader.open_at(0);
        bench.read(200);
        assert!(bench.reader.jump(1000));
        // In pieces, as small blocks would have it.
        let heard: Vec<f32> = (0..30).flat_map(|_| bench.read(10)).collect();
        assert!(heard.iter().all(|x| (*x - 1.0).abs() < 1e-6), "two alike add up to the same");
        assert_eq!(bench.reader.next(), 200 + 300 + 1000);
        assert!(!bench.reader.jump(5000), "so much does not wait");
    }

    #[test]
    fn a_ring_that_nobody_reads_keeps_its_count() {
        let mut bench = Bench::new();
        for _ in 0..20 {
            bench.write(512, 0);
        }
        // Room was for 4,096: the rest is a gap that the next stamp tells.
        assert_eq!(bench.reader.waiting(), 4096);
        bench.reader.open_at(4000);
        bench.read(90);
        bench.write(256, 0);
        assert_eq!(bench.reader.next() + bench.reader.waiting(), 20 * 512 + 256);
        let mut heard = bench.read(6 + 20 * 512 - 4096);
        heard.extend(bench.read(256));
        assert_eq!(*heard.last().unwrap(), 1.0);
    }

    #[test]
    fn what_is_no_number_is_silence() {
        let mut bench = Bench::new();
        (bench.io.frames, bench.io.lost) = (256, Frames(0));
        bench.io.input.channel_mut(0, 256).fill(f32::NAN);
        bench.writer.process(&mut bench.io);
        bench.reader.look(|_, _| {});
        bench.reader.open_at(0);
        assert!(bench.read(200).iter().all(|x| *x == 0.0));
    }
}
