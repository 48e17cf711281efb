//! One sound on one output, and all that the inputs hear.
//!
//! In: orders through a ring. Out: stamped blocks of every input through two others. Thread: [`Desk`] on the audio
//! thread, [`Ears`] on an ordinary one. Always: one output at most sounds, never above the ceiling; what stops or
//! changes fades in 5 ms; every other output is silent; what cannot be handed over is dropped and seen as a gap.
#![cfg_attr(
    not(test),
    deny(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::indexing_slicing)
)]

use crate::realtime::io::{Io, Process};
use crate::units::{FramePos, Frames, SampleRate};
use ringbuf::traits::{Consumer, Observer, Producer, Split};
use ringbuf::{HeapCons, HeapProd, HeapRb};
use std::sync::Arc;

/// Seconds of input that may wait for the ordinary side, and that it keeps.
const ROOM_SECONDS: f64 = 4.0;
const KEPT_SECONDS: f64 = 20.0;
const HEADERS: usize = 16_384;
const ORDERS: usize = 8;
const FADE_SECONDS: f64 = 0.005;

/// What may sound and how loud at most.
#[derive(Clone, Debug)]
pub struct DeskSetup {
    pub rate: SampleRate,
    pub inputs: usize,
    /// By number. Peak 1.
    pub sounds: Vec<Arc<[f32]>>,
    /// The largest sample that may leave, linear.
    pub ceiling: f32,
}

/// A sound to begin now.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Play {
    /// From 0.
    pub output: usize,
    pub sound: usize,
    pub gain: f32,
    pub looped: bool,
    /// Frames over which it swells from silence to its gain.
    pub swell: u32,
    /// Names it in what is heard.
    pub number: u32,
}

#[derive(Clone, Copy, Debug)]
enum Order {
    Play(Play),
    Hush,
}

/// One block as it was heard.
#[derive(Clone, Copy, Debug)]
struct Header {
    at: FramePos,
    frames: usize,
    lost: Frames,
    /// Sound and frame of its first sample, once it has begun.
    begun: Option<(u32, FramePos)>,
}

#[derive(Clone, Copy, Debug)]
struct Voice {
    play: Play,
    start: FramePos,
    fading: Option<FramePos>,
}

/// The audio thread's end.
pub struct Desk {
    setup: DeskSetup,
    orders: HeapCons<Order>,
    headers: HeapProd<Header>,
    samples: HeapProd<f32>,
    voice: Option<Voice>,
    next: Option<Play>,
    begun: Option<(u32, FramePos)>,
    fade: i64,
}

/// The ordinary side's end: orders, and what was heard lately.
pub struct Ears {
    orders: HeapProd<Order>,
    headers: HeapCons<Header>,
    samples: HeapCons<f32>,
    heard: Vec<Vec<f32>>,
    from: FramePos,
    now: FramePos,
    begun: Option<(u32, FramePos)>,
    breaks: u32,
    kept: usize,
}

/// Both ends. Allocates: call it before the stream starts.
pub fn desk(setup: DeskSetup) -> (Ears, Desk) {
    let room =
        (setup.rate.frames(ROOM_SECONDS).0.max(0) as usize + crate::device::MAX_BLOCK) * setup.inputs.max(1);
    let (order, orders) = HeapRb::new(ORDERS).split();
    let (header, headers) = HeapRb::new(HEADERS).split();
    let (sample, samples) = HeapRb::new(room).split();
    let ears = Ears {
        orders: order,
        headers,
        samples,
        heard: vec![Vec::new(); setup.inputs],
        from: FramePos(0),
        now: FramePos(0),
        begun: None,
        breaks: 0,
        kept: setup.rate.frames(KEPT_SECONDS).0.max(0) as usize,
    };
    let fade = setup.rate.frames(FADE_SECONDS).0.max(1);
    let desk =
        Desk { setup, orders, headers: header, samples: sample, voice: None, next: None, begun: None, fade };
    (ears, desk)
}

impl Desk {
    fn obey(&mut self, at: FramePos) {
        while let Some(order) = self.orders.try_pop() {
            self.next = match order {
                Order::Play(play) => Some(play),
                Order::Hush => None,
            };
            if let Some(voice) = &mut self.voice {
                voice.fading = voice.fading.or(Some(at));
            }
        }
        if self.voice.is_none()
            && let Some(play) = self.next.take()
        {
            self.voice = Some(Voice { play, start: at, fading: None });
            self.begun = Some((play.number, at));
        }
    }

    fn sound(&mut self, io: &mut Io, frames: usize) {
        let Some(voice) = self.voice else { return };
        let sound = self.setup.sounds.get(voice.play.sound).map_or(&[][..], |sound| sound);
        let output = io.output.channel_mut(voice.play.output, frames);
        for (sample, frame) in output.iter_mut().zip(io.at.0..) {
            let wanted = value(&voice, sound, frame, self.fade);
            *sample =
                if wanted.is_finite() { wanted.clamp(-self.setup.ceiling, self.setup.ceiling) } else { 0.0 };
        }
        let end = io.at + Frames(frames as i64);
        let faded = voice.fading.is_some_and(|from| (end - from).0 >= self.fade);
        let over = !voice.play.looped && (end - voice.start).0 >= sound.len() as i64;
        if faded || over {
            self.voice = None;
        }
    }

    fn hand_over(&mut self, io: &Io, frames: usize) {
        let wanted = frames * self.setup.inputs;
        if self.headers.is_full() || self.samples.vacant_len() < wanted {
            return;
        }
        for input in 0..self.setup.inputs {
            let heard = io.input.channel(input, frames);
            self.samples.push_slice(heard);
            self.samples.push_iter(std::iter::repeat_n(0.0, frames - heard.len().min(frames)));
        }
        let header = Header { at: io.at, frames, lost: io.lost, begun: self.begun };
        let _full = self.headers.try_push(header);
    }
}

fn value(voice: &Voice, sound: &[f32], frame: i64, fade: i64) -> f32 {
    let gone = frame - voice.start.0;
    let place = if voice.play.looped && !sound.is_empty() { gone % sound.len() as i64 } else { gone };
    let sample = usize::try_from(place).ok().and_then(|place| sound.get(place)).copied().unwrap_or(0.0);
    let swell = if gone < i64::from(voice.play.swell) { gone as f32 / voice.play.swell as f32 } else { 1.0 };
    let fading = voice.fading.map_or(0, |from| frame - from.0).clamp(0, fade);
    sample * voice.play.gain * swell * (1.0 - fading as f32 / fade as f32)
}

impl Process for Desk {
    fn process(&mut self, io: &mut Io) {
        let frames = io.frames.min(io.output.capacity().max(io.input.capacity()));
        for channel in 0..io.output.channels() {
            io.output.channel_mut(channel, frames).fill(0.0);
        }
        self.obey(io.at);
        self.sound(io, frames);
        self.hand_over(io, frames);
    }
}

impl Ears {
    /// Begins a sound; what sounds fades out first.
    pub fn play(&mut self, play: Play) {
        let _full = self.orders.try_push(Order::Play(play));
    }

    pub fn hush(&mut self) {
        let _full = self.orders.try_push(Order::Hush);
    }

    /// Takes what came; the frame after the last one heard.
    pub fn drain(&mut self) -> FramePos {
        while let Some(header) = self.headers.try_pop() {
            if header.at != self.now || header.lost != Frames(0) {
                self.breaks += u32::from(self.now != FramePos(0));
                self.heard.iter_mut().for_each(Vec::clear);
                self.from = header.at;
            }
            for heard in &mut self.heard {
                heard.extend(
                    self.samples.pop_iter().take(header.frames).map(|x| if x.is_finite() { x } else { 0.0 }),
                );
            }
            self.now = header.at + Frames(header.frames as i64);
            self.begun = header.begun;
        }
        self.forget();
        self.now
    }

    fn forget(&mut self) {
        let length = self.heard.first().map_or(0, Vec::len);
        if length > 2 * self.kept {
            let gone = length - self.kept;
            self.heard.iter_mut().for_each(|heard| drop(heard.drain(..gone)));
            self.from = self.from + Frames(gone as i64);
        }
    }

    pub fn now(&self) -> FramePos {
        self.now
    }

    /// The frame on which a sound of that number began.
    pub fn begun(&self, number: u32) -> Option<FramePos> {
        self.begun.filter(|(begun, _)| *begun == number).map(|(_, at)| at)
    }

    /// Times that frames were lost between what was heard.
    pub fn breaks(&self) -> u32 {
        self.breaks
    }

    pub fn inputs(&self) -> usize {
        self.heard.len()
    }

    /// What an input (from 0) heard from a frame on. `None` when not all of it is there (yet, or any more).
    pub fn slice(&self, input: usize, from: FramePos, frames: usize) -> Option<&[f32]> {
        let start = usize::try_from((from - self.from).0).ok()?;
        self.heard.get(input)?.get(start..start.checked_add(frames)?)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::device::OpenSetup;
    use crate::device::virtual_interface::{Capture, Fault, FaultKind, Stepper, World};

    fn bench(world: &World) -> (Ears, Stepper<Desk>, Capture) {
        let rate = SampleRate::standard();
        let tone: Vec<f32> = crate::linecheck::pattern::tone(rate);
        let (ears, desk) = desk(DeskSetup { rate, inputs: 2, sounds: vec![tone.into()], ceiling: 0.3 });
        let capture = Capture::default();
        let stepper = Stepper::new(world, &OpenSetup::new(rate, 64, 2, 3), desk).unwrap();
        (ears, stepper.captured_by(&capture), capture)
    }

    fn play(output: usize, gain: f32, number: u32) -> Play {
        Play { output, sound: 0, gain, looped: true, swell: 4_800, number }
    }

    #[test]
    fn one_output_sounds_it_swells_fades_and_is_held_to_the_ceiling() {
        let (mut ears, mut stepper, capture) = bench(&World::default());
        ears.play(play(1, 0.25, 1));
        stepper.step(20_000);
        ears.play(play(2, 9.0, 2));
        stepper.step(20_000);
        ears.hush();
        stepper.step(2_000);
        let outputs = capture.take().outputs;
        let peak = |x: &[f32]| x.iter().fold(0.0f32, |most, x| most.max(x.abs()));
        assert_eq!(peak(&outputs[0]), 0.0);
        assert!((peak(&outputs[1]) - 0.25).abs() < 1e-3 && peak(&outputs[2]) == 0.3);
        assert!(peak(&outputs[1][..480]) < 0.03, "it starts in silence");
        let step = |x: &[f32]| x.windows(2).map(|pair| (pair[1] - pair[0]).abs()).fold(0.0f32, f32::max);
        assert!(step(&outputs[1]) < 0.05, "{}", step(&outputs[1]));
        let both = outputs[1].iter().zip(&outputs[2]).any(|(a, b)| *a != 0.0 && *b != 0.0);
        assert!(!both, "one at a time");
        assert!(peak(&outputs[2][41_000..]) == 0.0);
        ears.drain();
        assert!(ears.begun(2).is_some() && ears.begun(1).is_none() && ears.breaks() == 0);
    }

    #[test]
    fn what_is_heard_has_its_frames_and_a_gap_is_seen() {
        let faults = vec![Fault { at: FramePos(30_000), kind: FaultKind::LateBy, frames: Some(100) }];
        let world = World::from_toml("noises = [{ input = 2, level = -40, seed = 3 }]").unwrap();
        let (mut ears, mut stepper, capture) = bench(&World { faults, ..world });
        stepper.step(20_000);
        assert_eq!(ears.drain(), FramePos(20_000));
        let heard = ears.slice(1, FramePos(5_000), 1_000).unwrap().to_vec();
        assert_eq!(heard, capture.so_far().inputs[1][5_000..6_000]);
        assert!(ears.slice(1, FramePos(19_500), 1_000).is_none());
        stepper.step(20_000);
        ears.drain();
        assert_eq!((ears.breaks(), ears.slice(0, FramePos(29_000), 10)), (1, None));
    }
}
