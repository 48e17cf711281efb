//! Inputs on their way from the input callback to the output callback, which drives.
//!
//! The two callbacks of a device have no fixed order, so the reader keeps one input period and 64 frames in
//! hand. Always: an underrun is silence on inputs only; where the reader finds its place again, the offset
//! says so to the frame; lost input frames are silence in their place.

use crate::device::MAX_BLOCK;
use crate::device::convert::{self, Format};
use crate::realtime::io::Planar;
use crate::units::{FramePos, Frames};
use ringbuf::traits::{Consumer, Observer, Producer, Split};
use ringbuf::{HeapCons, HeapProd, HeapRb};
use std::sync::Arc;
use std::sync::atomic::{AtomicI64, AtomicU64, Ordering::Acquire, Ordering::Relaxed, Ordering::Release};

/// Frames that wait beside one input period.
const MARGIN: usize = 64;

/// A stretch of frames in the ring.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Stamp {
    /// On the input's own count, lost frames included.
    first: i64,
    frames: usize,
}

#[derive(Debug, Default)]
struct Shared {
    /// End of what was written, on the input's count.
    until: AtomicI64,
    /// The largest input callback and the margin; 0 until it is known.
    target: AtomicI64,
    /// Underruns and skips of the reader.
    slips: AtomicU64,
    /// Frames that found the ring full.
    dropped: AtomicU64,
}

/// The input callback's end.
pub(super) struct Writer {
    samples: HeapProd<f32>,
    stamps: HeapProd<Stamp>,
    shared: Arc<Shared>,
    channels: usize,
    next: i64,
}

/// The output callback's end.
pub(super) struct Reader {
    samples: HeapCons<f32>,
    stamps: HeapCons<Stamp>,
    shared: Arc<Shared>,
    channels: usize,
    /// What is left of the stretch being read.
    current: Stamp,
    scratch: Vec<f32>,
    next: i64,
    /// False while it waits for enough frames.
    centred: bool,
    /// Added to `next - at`; fixed when the first frames are read.
    origin: Option<i64>,
    offset: Frames,
}

/// Both ends, for `channels` inputs that come in periods of `period`. Allocates: before the stream only.
pub(super) fn ring(channels: usize, period: usize) -> (Writer, Reader) {
    let frames = (8 * period).max(4 * MAX_BLOCK);
    let (samples_in, samples_out) = HeapRb::new(frames * channels.max(1)).split();
    let (stamps_in, stamps_out) = HeapRb::new(1024).split();
    let shared = Arc::new(Shared::default());
    let writer =
        Writer { samples: samples_in, stamps: stamps_in, shared: Arc::clone(&shared), channels, next: 0 };
    let reader = Reader {
        samples: samples_out,
        stamps: stamps_out,
        shared,
        channels,
        current: Stamp { first: 0, frames: 0 },
        scratch: vec![0.0; MAX_BLOCK * channels],
        next: 0,
        centred: false,
        origin: None,
        offset: Frames(0),
    };
    (writer, reader)
}

impl Writer {
    /// One callback's frames of `width` samples each, after `lost` frames that never came. Real-time: safe.
    pub fn write<S: Format>(&mut self, data: &[S], width: usize, lost: i64) {
        let frames = data.len() / width.max(1);
        if self.next > 0 {
            // Some hosts make the first callback larger than any other.
            self.shared.target.fetch_max((frames + MARGIN) as i64, Relaxed);
        }
        let first = self.next + lost.max(0);
        self.next = first + frames as i64;
        let fits = self.samples.vacant_len() >= frames * self.channels && self.stamps.vacant_len() > 0;
        if fits {
            let taken = data.chunks_exact(width.max(1)).flat_map(|frame| frame.iter().take(self.channels));
            self.samples.push_iter(taken.map(|sample| sample.to_f32()));
            let _ = self.stamps.try_push(Stamp { first, frames });
        } else {
            self.shared.dropped.fetch_add(frames as u64, Relaxed);
        }
        self.shared.until.store(self.next, Release);
    }
}

impl Reader {
    /// Fills frames `0..frames` of `to` for the output frames from `at` on; says where they lie beside those.
    ///
    /// Rounding: the first offset is what waits in the ring, the true one is a matter of measurement; every
    /// change of it is exact. Real-time: safe.
    pub fn read(&mut self, at: FramePos, to: &mut Planar, frames: usize) -> Frames {
        let waiting = self.shared.until.load(Acquire) - self.next;
        self.centre(waiting, frames as i64, at);
        let waiting = self.shared.until.load(Acquire) - self.next;
        if !self.centred || waiting < frames as i64 {
            self.slip_if(self.centred);
            self.centred = false;
            silence(to, 0, frames);
            return self.offset;
        }
        self.offset = Frames(self.next - at.0 + self.origin.unwrap_or(0));
        self.take(to, frames);
        self.offset
    }

    /// Underruns, skips and frames that found no room, so far.
    pub fn slips(&self) -> u64 {
        self.shared.slips.load(Relaxed)
    }

    fn slip_if(&self, slipped: bool) {
        self.shared.slips.fetch_add(u64::from(slipped), Relaxed);
    }

    /// Goes back to the target when it lost its place, or when far more waits than should.
    fn centre(&mut self, waiting: i64, frames: i64, at: FramePos) {
        let target = self.shared.target.load(Relaxed);
        let enough = frames + target;
        let far_too_much = waiting > enough + 4 * target;
        if target == 0 || waiting < enough || (self.centred && !far_too_much) {
            return;
        }
        self.slip_if(self.centred);
        self.centred = true;
        self.skip_to(self.next + waiting - enough);
        self.origin.get_or_insert(at.0 - self.next - enough);
    }

    fn skip_to(&mut self, place: i64) {
        while self.next < place {
            let Some(gap) = self.next_stretch() else { break };
            let step = if gap > 0 { gap } else { self.current.frames as i64 };
            let step = step.min(place - self.next);
            if gap <= 0 {
                self.samples.skip(step as usize * self.channels);
                self.consume(step as usize);
            }
            self.next += step;
        }
        self.next = place;
    }

    /// Silent frames before the stretch that comes next; `None` when nothing waits.
    fn next_stretch(&mut self) -> Option<i64> {
        if self.current.frames == 0 {
            self.current = self.stamps.try_pop()?;
        }
        Some(self.current.first - self.next)
    }

    fn consume(&mut self, frames: usize) {
        self.current.first += frames as i64;
        self.current.frames -= frames;
    }

    fn take(&mut self, to: &mut Planar, frames: usize) {
        let mut done = 0;
        while done < frames {
            let left = frames - done;
            let gap = self.next_stretch().unwrap_or(i64::MAX);
            let step = if gap > 0 {
                let step = left.min(usize::try_from(gap).unwrap_or(left));
                silence(to, done, step);
                step
            } else {
                let step = left.min(self.current.frames).min(MAX_BLOCK);
                self.hand_over(to, done, step);
                step
            };
            self.next += step as i64;
            done += step;
        }
    }

    fn hand_over(&mut self, to: &mut Planar, at: usize, frames: usize) {
        if let Some(scratch) = self.scratch.get_mut(..frames * self.channels) {
            let read = self.samples.pop_slice(scratch);
            if let Some(samples) = scratch.get(..read) {
                convert::deinterleave(samples, self.channels, to, at);
            }
        }
        self.consume(frames);
    }
}

fn silence(to: &mut Planar, from: usize, frames: usize) {
    for channel in 0..to.channels() {
        to.channel_mut(channel, from + frames).iter_mut().skip(from).for_each(|sample| *sample = 0.0);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A device of periods of 128: inputs carry their own frame (from 1), in two channels of which one is
    /// asked for.
    struct Device {
        writer: Writer,
        reader: Reader,
        captured: i64,
        at: i64,
        to: Planar,
    }

    impl Device {
        fn new() -> Device {
            let (writer, reader) = ring(1, 128);
            Device { writer, reader, captured: 0, at: 0, to: Planar::new(1, 512) }
        }

        fn input(&mut self, frames: i64, lost: i64) {
            self.captured += lost;
            let numbers = self.captured + 1..=self.captured + frames;
            let data: Vec<f32> = numbers.flat_map(|frame| [frame as f32, -1.0]).collect();
            self.writer.write(&data, 2, lost);
            self.captured += frames;
        }

        fn output(&mut self, frames: usize) -> (Vec<f32>, i64) {
            let offset = self.reader.read(FramePos(self.at), &mut self.to, frames);
            self.at += frames as i64;
            (self.to.channel(0, frames).to_vec(), offset.0)
        }

        /// Until inputs are heard; hands back the first frame heard.
        fn settle(&mut self) -> f32 {
            for _ in 0..10 {
                self.input(128, 0);
                let (heard, _) = self.output(128);
                if heard[0] != 0.0 {
                    return heard[0];
                }
            }
            panic!("it never settles");
        }
    }

    #[test]
    fn frames_come_out_in_order_and_the_offset_stays() {
        let mut device = Device::new();
        let mut expected = device.settle();
        let (_, first_offset) = (device.input(128, 0), device.output(128).1);
        expected += 256.0;
        for _ in 0..100 {
            device.input(128, 0);
            let (heard, offset) = device.output(128);
            assert_eq!(offset, first_offset);
            assert!(heard.iter().enumerate().all(|(n, x)| *x == expected + n as f32));
            expected += 128.0;
        }
        assert_eq!(first_offset, -(128 + 128 + 64));
        assert_eq!(device.reader.slips(), 0);
    }

    #[test]
    fn callbacks_may_swap_their_order_without_a_slip() {
        let mut device = Device::new();
        device.settle();
        for round in 0..50 {
            if round % 3 == 0 {
                device.output(128);
                device.input(128, 0);
            } else {
                device.input(128, 0);
                device.output(128);
            }
        }
        assert_eq!(device.reader.slips(), 0);
    }

    #[test]
    fn an_underrun_is_silence_and_the_new_offset_is_exact() {
        let mut device = Device::new();
        device.settle();
        device.input(128, 0);
        let (heard, before) = device.output(128);
        let relation = heard[0] as i64 - (device.at - 128) - before;
        device.output(128);
        let (silent, _) = device.output(128);
        assert!(silent.iter().all(|x| *x == 0.0));
        device.settle();
        device.input(128, 0);
        let (heard, after) = device.output(128);
        assert!(after < before);
        assert_eq!(heard[0] as i64 - (device.at - 128) - after, relation);
        assert_eq!(device.reader.slips(), 1);
    }

    #[test]
    fn lost_input_frames_are_silence_in_their_place() {
        let mut device = Device::new();
        device.settle();
        device.input(128, 0);
        let (heard, offset) = device.output(128);
        let mut next = heard[127] + 1.0;
        // 40 frames never came; the device's clock ran on, so that a shorter period makes up for them.
        let gap_at = device.captured as f32 + 1.0;
        device.input(88, 40);
        for _ in 0..4 {
            let (heard, now) = device.output(128);
            assert_eq!(now, offset);
            for x in heard {
                let lost = next >= gap_at && next < gap_at + 40.0;
                assert_eq!(x, if lost { 0.0 } else { next });
                next += 1.0;
            }
            device.input(128, 0);
        }
        assert!(next > gap_at + 40.0);
    }

    #[test]
    fn too_many_frames_are_skipped_and_told_by_the_offset() {
        let mut device = Device::new();
        device.settle();
        device.input(128, 0);
        let (heard, before) = device.output(128);
        let relation = heard[0] as i64 - (device.at - 128) - before;
        for _ in 0..20 {
            device.input(128, 0);
        }
        let (heard, after) = device.output(128);
        assert_eq!(heard[0] as i64 - (device.at - 128) - after, relation);
        assert_eq!(device.captured - (heard[0] as i64 - 1), 128 + 128 + 64);
        assert_eq!(device.reader.slips(), 1);
    }

    #[test]
    fn a_full_ring_drops_and_finds_its_place_again() {
        let mut device = Device::new();
        device.settle();
        device.input(128, 0);
        let (heard, before) = device.output(128);
        let relation = heard[0] as i64 - (device.at - 128) - before;
        for _ in 0..1000 {
            device.input(128, 0);
        }
        for _ in 0..400 {
            device.output(128);
            device.input(128, 0);
        }
        let (heard, after) = device.output(128);
        assert_eq!(heard[0] as i64 - (device.at - 128) - after, relation);
    }
}
