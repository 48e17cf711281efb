//! The main's callback with the second interface's inputs beside its own.
//!
//! In: the main's block, what the second's callbacks left in the rings. Out: the same block with more input channels,
//! at the main's clock. Thread: the main's audio thread. Always: outputs and the main's own inputs pass untouched; a
//! second interface that stops is silence on its inputs, faded, and nothing else.
#![cfg_attr(
    not(test),
    deny(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::indexing_slicing)
)]

use super::feed::{FADE, Reader};
use super::law::{Law, Step};
use super::status::{State, Status};
use crate::device::MAX_BLOCK;
use crate::realtime::io::{Io, Process};
use crate::units::SampleRate;
use rubato::audioadapter_buffers::direct::SequentialSliceOfVecs;
use rubato::{
    Adjustable as _, Async, FixedAsync, Resampler as _, Resizable as _, SincInterpolationParameters,
    SincInterpolationType, WindowFunction,
};
use std::sync::Arc;
use std::sync::atomic::Ordering::Relaxed;

/// Taps: half of them are the delay.
const TAPS: usize = 128;
/// Far more than two clocks differ.
const MOST_APART: f64 = 1.01;
/// What is followed: five thousandths, and the resampler has some room to go there.
const WITHIN: f64 = 1.005;
/// Off its place by more than this many frames it goes there at once, with a crossfade.
const ASTRAY: f64 = 96.0;
/// A line is good enough to begin with after so many seconds, and counts as locked after so many.
const BEGIN_SECONDS: f64 = 0.3;
const LOCK_SECONDS: f64 = 15.0;
/// Calls of the second after which its largest block is believed: on some hosts the first is larger.
const SETTLED_CALLS: u32 = 4;

/// What is known of both sides before they start.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Sides {
    pub rate: SampleRate,
    pub block: u32,
    pub second_rate: SampleRate,
    pub second_block: u32,
    /// Input channels of each.
    pub inputs: u16,
    pub second_inputs: u16,
}

impl Sides {
    /// Frames of the second interface that wait before they are read: a block of it and one of ours, because each
    /// side may have been called just before the other; half of both against calls that come late; and what a fade
    /// needs.
    pub fn delay_frames(&self) -> f64 {
        delay(f64::from(self.second_block), f64::from(self.block) * self.nominal())
    }

    /// Frames of the second for each of ours.
    pub fn nominal(&self) -> f64 {
        f64::from(self.second_rate.hertz()) / f64::from(self.rate.hertz())
    }

    /// Of the filter between the clocks, in the second's frames.
    pub fn filter_frames() -> f64 {
        TAPS as f64 / 2.0
    }
}

fn delay(their_block: f64, our_block: f64) -> f64 {
    1.5 * (their_block + our_block) + 2.0 * FADE as f64
}

/// The main's process with more inputs.
pub struct Joined<C> {
    inner: Box<dyn Process>,
    wide: Io,
    inputs: usize,
    follow: Follow,
    clock: C,
}

/// Reads the second interface at the main's clock.
pub struct Follow {
    law: Law,
    reader: Reader,
    resampler: Async<f32>,
    sides: Sides,
    status: Arc<Status>,
    chunk: Vec<Vec<f32>>,
    made: Vec<Vec<f32>>,
    /// Place of the next output frame less the reader's next frame: below zero, what the filter holds.
    phase: f64,
    their_block: f64,
    our_block: f64,
    calls: u32,
}

impl<C: FnMut() -> f64 + Send> Joined<C> {
    /// `clock` tells the time of a callback, in seconds from the same origin as the writer's. Allocates: before the
    /// streams start.
    pub fn new(inner: Box<dyn Process>, outputs: usize, follow: Follow, clock: C) -> Joined<C> {
        let inputs = usize::from(follow.sides.inputs);
        let wide = Io::new(inputs + usize::from(follow.sides.second_inputs), outputs, MAX_BLOCK);
        Joined { inner, wide, inputs, follow, clock }
    }
}

impl<C: FnMut() -> f64 + Send> Process for Joined<C> {
    fn process(&mut self, io: &mut Io) {
        let time = (self.clock)();
        let wide = &mut self.wide;
        (wide.at, wide.lost, wide.frames, wide.input_offset) = (io.at, io.lost, io.frames, io.input_offset);
        for channel in 0..self.inputs {
            let heard = io.input.channel(channel, io.frames);
            wide.input.channel_mut(channel, heard.len()).copy_from_slice(heard);
        }
        self.follow.process(wide, self.inputs, time);
        // Buffers change owners: nothing is copied, and whatever is written lands where the host looks.
        std::mem::swap(&mut wide.output, &mut io.output);
        self.inner.process(wide);
        std::mem::swap(&mut wide.output, &mut io.output);
    }
}

impl Follow {
    /// `None`: a rate that no resampler does. Allocates.
    pub fn new(sides: Sides, reader: Reader, status: Arc<Status>) -> Option<Follow> {
        let nominal = sides.nominal();
        let channels = usize::from(sides.second_inputs);
        let parameters = SincInterpolationParameters::new(TAPS, WindowFunction::BlackmanHarris2)
            .oversampling_factor(256)
            .interpolation(SincInterpolationType::Cubic);
        let resampler =
            Async::new_sinc(1.0 / nominal, MOST_APART, &parameters, MAX_BLOCK, channels, FixedAsync::Output)
                .ok()?;
        let chunk = vec![vec![0.0; resampler.input_frames_max() + FADE]; channels];
        let made = vec![vec![0.0; MAX_BLOCK]; channels];
        let law = Law::new(f64::from(sides.rate.hertz()), f64::from(sides.second_rate.hertz()));
        let (their_block, our_block) = (f64::from(sides.second_block), f64::from(sides.block) * nominal);
        Some(Follow {
            law,
            reader,
            resampler,
            sides,
            status,
            chunk,
            made,
            phase: 0.0,
            their_block,
            our_block,
            calls: 0,
        })
    }

    /// Fills the channels from `first` on. `time`: of this callback, in seconds. Real-time: safe.
    pub fn process(&mut self, io: &mut Io, first: usize, time: f64) {
        let frames = io.frames.min(MAX_BLOCK);
        if frames == 0 {
            return;
        }
        self.listen();
        self.our_block = self.our_block.max(frames as f64 * self.sides.nominal());
        let step = self.law.asked(io.at.0, time, delay(self.their_block, self.our_block));
        let speed = self.speed(step);
        let needed = self.set(speed, frames);
        if let Some(step) = step {
            self.find_place(step, needed);
        }
        self.resample(needed, frames, speed);
        for (channel, made) in self.made.iter().enumerate() {
            let target = io.input.channel_mut(first + channel, frames);
            made.iter().zip(target).for_each(|(from, to)| *to = *from);
        }
        self.tell(step);
    }

    fn listen(&mut self) {
        let Follow { reader, law, their_block, calls, .. } = self;
        reader.look(|known, stamp| {
            law.heard(known, stamp.time);
            *calls = calls.saturating_add(1);
            if *calls > SETTLED_CALLS {
                *their_block = their_block.max(stamp.frames as f64);
            }
        });
    }

    fn place(&self) -> f64 {
        self.reader.next() as f64 + self.phase
    }

    fn speed(&self, step: Option<Step>) -> f64 {
        let nominal = self.sides.nominal();
        let speed = match step {
            Some(step) if self.reader.is_open() && !self.reader.is_changing() => {
                self.law.mended(step, self.place())
            }
            Some(step) => step.speed,
            None => nominal,
        };
        speed.clamp(nominal / WITHIN, nominal * WITHIN)
    }

    /// Tells the resampler; the frames that it will take.
    fn set(&mut self, speed: f64, frames: usize) -> usize {
        let _within_bounds = self.resampler.set_chunk_size(frames);
        let _within_bounds = self.resampler.set_resample_ratio(1.0 / speed, true);
        self.resampler.input_frames_next()
    }

    /// Begins, stops, or changes place.
    fn find_place(&mut self, step: Step, needed: usize) {
        let enough = (needed + FADE) as i64;
        if self.reader.is_open() {
            let off = step.want - self.place();
            let starved = self.reader.waiting() < enough;
            let astray = off.abs() > ASTRAY && !self.reader.is_changing();
            let jumps = || usize::try_from(off.round() as i64).ok();
            if starved || (astray && !jumps().is_some_and(|ahead| self.reader.jump(ahead))) {
                self.reader.close();
            }
            self.status.slips.fetch_add(u64::from(starved || astray), Relaxed);
        } else if self.reader.is_silent() && self.law.age() > BEGIN_SECONDS {
            let frame = (step.want - self.phase).round() as i64;
            let waits = self.reader.next() + self.reader.waiting() - frame;
            if frame >= self.reader.next() && waits >= enough {
                self.reader.open_at(frame);
            }
        }
    }

    fn resample(&mut self, needed: usize, frames: usize, speed: f64) {
        let before = 1.0 / self.resampler.resample_ratio();
        self.reader.read(&mut self.chunk, needed);
        let (channels, room) = (self.made.len(), self.made.first().map_or(0, Vec::len));
        let input = SequentialSliceOfVecs::new(&self.chunk, channels, needed);
        let output = SequentialSliceOfVecs::new_mut(&mut self.made, channels, room);
        if let (Ok(input), Ok(mut output)) = (input, output) {
            let _sizes_fit = self.resampler.process_into_buffer(&input, &mut output, None);
        }
        // The resampler's own sum: speed goes from the last one to this in a straight line.
        let (n, last) = (frames as f64, before);
        self.phase += n * last + (speed - last) * (n + 1.0) / 2.0 - needed as f64;
    }

    fn tell(&self, step: Option<Step>) {
        let state = match step {
            None => State::Waiting,
            Some(_) if !self.reader.is_open() => State::Silent,
            Some(_) if self.law.age() < LOCK_SECONDS => State::Settling,
            Some(_) => State::Following,
        };
        self.status.tell(state, self.law.drift_ppm());
    }
}
