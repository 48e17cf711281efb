//! One device and its world, a callback at a time, on whatever thread asks.

use super::ills::Ills;
use super::lines::{Lines, Trouble};
use super::sinc::{self, Weights};
use super::tape::Tapes;
use super::world::{Blocks, Fault, FaultKind, Mic, MicSound, Noise, World};
use crate::device::{DeviceError, MAX_BLOCK, OpenSetup};
use crate::realtime::io::{Io, Planar, Process};
use crate::units::{FramePos, Frames, SampleRate};

/// The device: what left its outputs lately, what its inputs are patched to, and its time.
#[derive(Debug)]
pub(super) struct Simulation {
    io: Io,
    /// The first frame that was neither asked for nor lost.
    next: FramePos,
    lost: Frames,
    history: History,
    wires: Vec<Wire>,
    noises: Vec<Noise>,
    sources: Vec<Source>,
    ills: Ills,
    faults: Vec<Fault>,
    fault: usize,
    /// In the order of their frames.
    loads: Vec<super::world::Load>,
    rate: f64,
    sizes: Sizes,
    /// Longest block that the shortest cable allows.
    reach: usize,
    clip_inputs: bool,
    /// To and from other processes; only in real time.
    lines: Option<Lines>,
    tapes: Option<Tapes>,
    repeating: Option<Repeat>,
}

/// The last block, played over and over.
#[derive(Clone, Copy, Debug)]
struct Repeat {
    length: i64,
    until: Option<FramePos>,
}

/// What one call of [`Simulation::cycle`] did.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Cycle {
    /// So many frames were processed.
    Ran(usize),
    /// An xrun: frames are lost, the next block says so.
    Late(Frames),
    /// So many frames were played without a callback, from the last block.
    Repeated(usize),
    /// Callbacks pause, for good when `frames` is `None`. The pace waits, then calls [`Simulation::lose`].
    Paused { gone: bool, frames: Option<Frames> },
}

/// A cable with its arithmetic done.
#[derive(Debug)]
struct Wire {
    output: usize,
    input: usize,
    whole: i64,
    /// `None` when the delay is whole.
    weights: Option<Box<Weights>>,
    gain: f32,
}

impl Wire {
    /// Frames after which the first sample that has not left yet would be read.
    fn reach(&self) -> usize {
        let ahead = if self.weights.is_some() { sinc::AHEAD as i64 + 1 } else { 0 };
        usize::try_from(self.whole - ahead).unwrap_or(0).max(1)
    }
}

/// A microphone's recording at the device's rate.
#[derive(Debug)]
struct Source {
    input: usize,
    at: i64,
    samples: Vec<f32>,
    looped: bool,
    gain: f32,
}

impl Simulation {
    pub(super) fn new(world: &World, setup: &OpenSetup) -> Result<Simulation, DeviceError> {
        let blocks = world.blocks.clone().unwrap_or(Blocks::Fixed(setup.block));
        world.check(&blocks)?;
        has("input", world.inputs, setup.inputs)?;
        has("output", world.outputs, setup.outputs)?;
        let longest = world.cables.iter().map(|cable| cable.delay_frames as usize).max().unwrap_or(0);
        let mut faults = world.faults.clone();
        faults.sort_by_key(|fault| fault.at);
        let mut loads = world.loads.clone();
        loads.sort_by_key(|load| load.at);
        let wires = wires(world, setup);
        let reach = wires.iter().map(Wire::reach).min().unwrap_or(MAX_BLOCK).min(MAX_BLOCK);
        Ok(Simulation {
            io: Io::new(usize::from(setup.inputs), usize::from(setup.outputs), MAX_BLOCK),
            next: FramePos(0),
            lost: Frames(0),
            history: History::new(usize::from(setup.outputs), longest + 2 * sinc::AHEAD + MAX_BLOCK),
            wires,
            noises: world.noises.iter().filter(|noise| noise.input <= setup.inputs).copied().collect(),
            sources: sources(world, setup)?,
            ills: Ills::new(world, setup.rate),
            faults,
            fault: 0,
            loads,
            rate: f64::from(setup.rate.hertz()),
            sizes: Sizes::new(blocks),
            reach,
            clip_inputs: world.clip_inputs,
            lines: None,
            tapes: None,
            repeating: None,
        })
    }

    /// From now on in time with other processes.
    pub(super) fn connect(&mut self, lines: Option<Lines>) {
        self.lines = lines;
    }

    /// What leaves is taken down from now on.
    pub(super) fn tapes(&mut self, tapes: Option<Tapes>) {
        self.tapes = tapes;
    }

    /// Frame 0 was due then, by the boot-time clock.
    pub(super) fn begins(&mut self, origin: i64) {
        if let Some(tapes) = &mut self.tapes {
            tapes.begin(origin);
        }
    }

    /// Real-time: safe.
    pub(super) fn trouble(&self) -> Option<Trouble> {
        self.lines.as_ref().map(Lines::trouble)
    }

    pub(super) fn next(&self) -> FramePos {
        self.next
    }

    pub(super) fn io(&self) -> &Io {
        &self.io
    }

    /// Frames of the next callback as the world's script has it.
    pub(super) fn next_size(&mut self) -> usize {
        self.sizes.next()
    }

    /// Time goes on without a callback. Real-time: safe.
    pub(super) fn lose(&mut self, frames: Frames) {
        self.history.silence(self.next, frames.0);
        self.next = self.next + frames;
        self.lost = self.lost + frames;
    }

    /// Runs the fault that is due, or else one callback of at most `frames`: a block ends where a fault
    /// begins. `touch` sees the inputs when the world has filled them. Real-time: safe.
    pub(super) fn cycle(
        &mut self,
        frames: usize,
        process: &mut dyn Process,
        touch: &mut dyn FnMut(&mut Planar),
    ) -> Cycle {
        let mut frames = frames.clamp(1, self.reach);
        if let Some(fault) = self.faults.get(self.fault) {
            let away = (fault.at - self.next).0;
            if away <= 0 {
                let Fault { kind, frames: length, .. } = *fault;
                self.fault += 1;
                if kind == FaultKind::Repeat {
                    self.repeat(length);
                } else {
                    return fail(kind, length);
                }
            } else {
                frames = frames.min(usize::try_from(away).unwrap_or(frames));
            }
        }
        if let Some(repeat) = self.repeating {
            return Cycle::Repeated(self.play_again(repeat, frames));
        }
        self.run(frames, process, touch);
        Cycle::Ran(frames)
    }

    fn repeat(&mut self, frames: Option<u32>) {
        let until = frames.map(|frames| self.next + Frames(i64::from(frames)));
        let length = i64::from(self.sizes.blocks.largest());
        self.repeating = Some(Repeat { length, until });
    }

    /// What a card does whose computer no longer fills its buffer.
    fn play_again(&mut self, repeat: Repeat, frames: usize) -> usize {
        let left = repeat.until.map_or(i64::MAX, |until| (until - self.next).0);
        let length = usize::try_from(repeat.length).unwrap_or(1);
        let frames = frames.min(length).min(usize::try_from(left).unwrap_or(frames)).max(1);
        (self.io.at, self.io.lost, self.io.frames) = (self.next, Frames(0), frames);
        for channel in 0..self.io.output.channels() {
            let output = self.io.output.channel_mut(channel, frames);
            for (sample, frame) in output.iter_mut().zip(self.next.0..) {
                *sample = self.history.at(channel, frame - repeat.length);
            }
        }
        self.fill_inputs(frames);
        self.leave(frames);
        self.lost = self.lost + Frames(frames as i64);
        if repeat.until == Some(self.next) {
            self.repeating = None;
        }
        frames
    }

    /// What was played goes where the outputs are patched to.
    fn leave(&mut self, frames: usize) {
        self.history.write(self.next, &self.io.output, frames);
        if let Some(lines) = &mut self.lines {
            lines.write(&self.io);
        }
        if let Some(tapes) = &mut self.tapes {
            tapes.write(self.next, &self.io.output, frames);
        }
        self.next = self.next + Frames(frames as i64);
    }

    fn run(&mut self, frames: usize, process: &mut dyn Process, touch: &mut dyn FnMut(&mut Planar)) {
        self.io.at = self.next;
        self.io.lost = std::mem::take(&mut self.lost);
        self.io.frames = frames;
        self.io.input_offset = Frames(0);
        self.io.spent_ns = self.spent_ns(frames);
        self.fill_inputs(frames);
        touch(&mut self.io.input);
        process.process(&mut self.io);
        self.leave(frames);
    }

    fn spent_ns(&self, frames: usize) -> u64 {
        let load = self.loads.iter().rev().find(|load| load.at <= self.next);
        load.map_or(0, |load| (load.share * frames as f64 * 1e9 / self.rate) as u64)
    }

    fn fill_inputs(&mut self, frames: usize) {
        let at = self.next.0;
        for channel in 0..self.io.input.channels() {
            self.io.input.channel_mut(channel, frames).fill(0.0);
        }
        for wire in &self.wires {
            let input = self.io.input.channel_mut(wire.input, frames);
            self.history.add_to(input, at, wire);
        }
        for source in &self.sources {
            source.add_to(self.io.input.channel_mut(source.input, frames), at);
        }
        for noise in &self.noises {
            let gain = noise.level.gain();
            let input = self.io.input.channel_mut(usize::from(noise.input) - 1, frames);
            for (sample, frame) in input.iter_mut().zip(at..) {
                *sample += gain * gaussian(noise.seed, frame);
            }
        }
        if let Some(lines) = &mut self.lines {
            lines.add_to(self.next, &mut self.io.input, frames);
        }
        self.ills.befall(self.next, &mut self.io.input, frames);
        if self.clip_inputs {
            for channel in 0..self.io.input.channels() {
                self.io.input.channel_mut(channel, frames).iter_mut().for_each(|x| *x = x.clamp(-1.0, 1.0));
            }
        }
    }
}

fn fail(kind: FaultKind, frames: Option<u32>) -> Cycle {
    let frames = frames.map(|frames| Frames(i64::from(frames)));
    match kind {
        FaultKind::LateBy => Cycle::Late(frames.unwrap_or_default()),
        FaultKind::Stall => Cycle::Paused { gone: false, frames },
        // A repeat is played and never comes here.
        FaultKind::Vanish | FaultKind::Repeat => Cycle::Paused { gone: true, frames },
    }
}

fn has(name: &str, there: u16, asked: u16) -> Result<(), DeviceError> {
    if asked <= there {
        return Ok(());
    }
    let what = format!("the virtual interface has {there} {name}s and {asked} are asked for");
    Err(DeviceError::new(what, format!("use fewer in the rig, or write {name}s = {asked} in its world")))
}

fn wires(world: &World, setup: &OpenSetup) -> Vec<Wire> {
    let inside = world.cables.iter().filter(|c| c.input <= setup.inputs && c.output <= setup.outputs);
    inside
        .map(|cable| {
            // Reading `delay` behind a frame is reading `1 - fraction` after an older one.
            let whole = cable.delay_frames.ceil();
            let fraction = whole - cable.delay_frames;
            Wire {
                output: usize::from(cable.output) - 1,
                input: usize::from(cable.input) - 1,
                whole: whole as i64,
                weights: (fraction != 0.0).then(|| Box::new(sinc::weights(fraction, 1.0))),
                gain: cable.gain as f32,
            }
        })
        .collect()
}

fn sources(world: &World, setup: &OpenSetup) -> Result<Vec<Source>, DeviceError> {
    let inside = world.mics.iter().filter(|mic| mic.input <= setup.inputs);
    inside.map(|mic| source(mic, setup.rate, world.drift_ppm)).collect()
}

fn source(mic: &Mic, rate: SampleRate, drift_ppm: f64) -> Result<Source, DeviceError> {
    // A device that runs fast takes more frames of the same sound.
    let own = f64::from(rate.hertz()) * (1.0 + drift_ppm * 1e-6);
    let samples = match &mic.sound {
        MicSound::Samples(samples) => sinc::resample(samples, f64::from(rate.hertz()) / own),
        MicSound::File(path) => {
            let (samples, hertz) = read_wav(path).map_err(|fault| {
                let what = format!("the microphone's file {} cannot be read: {fault}", path.display());
                DeviceError::new(what, "name a WAV of 16, 24 or 32 bits that is there")
            })?;
            sinc::resample(&samples, f64::from(hertz) / own)
        }
    };
    let input = usize::from(mic.input) - 1;
    Ok(Source { input, at: mic.at.0, samples, looped: mic.looped, gain: mic.gain as f32 })
}

fn read_wav(path: &std::path::Path) -> Result<(Vec<f32>, u32), hound::Error> {
    let mut wav = hound::WavReader::open(path)?;
    let spec = wav.spec();
    let step = usize::from(spec.channels.max(1));
    let samples: Result<Vec<f32>, _> = match spec.sample_format {
        hound::SampleFormat::Float => wav.samples::<f32>().step_by(step).collect(),
        hound::SampleFormat::Int => {
            let scale = 1.0 / (1u64 << (spec.bits_per_sample.max(1) - 1)) as f32;
            wav.samples::<i32>().step_by(step).map(|s| s.map(|s| s as f32 * scale)).collect()
        }
    };
    Ok((samples?, spec.sample_rate))
}

impl Source {
    fn add_to(&self, input: &mut [f32], at: i64) {
        let length = self.samples.len() as i64;
        if length == 0 {
            return;
        }
        for (sample, frame) in input.iter_mut().zip(at..) {
            let place = frame.wrapping_sub(self.at);
            let place = if self.looped && place >= 0 { place % length } else { place };
            let heard = usize::try_from(place).ok().and_then(|place| self.samples.get(place));
            *sample += self.gain * heard.copied().unwrap_or(0.0);
        }
    }
}

/// The last samples of every output, addressed by frame.
#[derive(Debug)]
struct History {
    channels: Vec<Vec<f32>>,
    mask: i64,
}

impl History {
    fn new(channels: usize, frames: usize) -> History {
        let length = frames.next_power_of_two();
        History { channels: vec![vec![0.0; length]; channels], mask: length as i64 - 1 }
    }

    fn write(&mut self, at: FramePos, output: &Planar, frames: usize) {
        for (index, channel) in self.channels.iter_mut().enumerate() {
            for (sample, frame) in output.channel(index, frames).iter().zip(at.0..) {
                if let Some(place) = channel.get_mut((frame & self.mask) as usize) {
                    *place = *sample;
                }
            }
        }
    }

    fn at(&self, channel: usize, frame: i64) -> f32 {
        let samples = self.channels.get(channel);
        samples.and_then(|samples| samples.get((frame & self.mask) as usize)).copied().unwrap_or(0.0)
    }

    fn silence(&mut self, at: FramePos, frames: i64) {
        for channel in &mut self.channels {
            for frame in at.0..at.0 + frames.min(self.mask + 1) {
                if let Some(place) = channel.get_mut((frame & self.mask) as usize) {
                    *place = 0.0;
                }
            }
        }
    }

    fn add_to(&self, input: &mut [f32], at: i64, wire: &Wire) {
        let Some(channel) = self.channels.get(wire.output) else { return };
        let read = |frame: i64| channel.get((frame & self.mask) as usize).copied().unwrap_or(0.0);
        for (sample, frame) in input.iter_mut().zip(at - wire.whole..) {
            *sample += wire.gain
                * match &wire.weights {
                    None => read(frame),
                    Some(weights) => {
                        let first = frame - sinc::AHEAD as i64;
                        weights.iter().zip(first..).map(|(weight, frame)| weight * read(frame)).sum()
                    }
                };
        }
    }
}

/// The script of block sizes.
#[derive(Debug)]
struct Sizes {
    blocks: Blocks,
    random: fastrand::Rng,
    index: usize,
}

impl Sizes {
    fn new(blocks: Blocks) -> Sizes {
        let seed = if let Blocks::Ragged { seed, .. } = blocks { seed } else { 0 };
        Sizes { blocks, random: fastrand::Rng::with_seed(seed), index: 0 }
    }

    fn next(&mut self) -> usize {
        let frames = match &self.blocks {
            Blocks::Fixed(frames) => *frames,
            Blocks::Ragged { smallest, largest, .. } => self.random.u32(*smallest..=*largest),
            Blocks::Listed(list) => {
                let frames = list.get(self.index % list.len().max(1)).copied();
                self.index += 1;
                frames.unwrap_or(1)
            }
        };
        frames as usize
    }
}

/// Of unit variance, a function of seed and frame only.
///
/// Source: Box and Muller (1958), fed by the output function of splitmix64 (Steele, Lea and Flood 2014).
fn gaussian(seed: u64, frame: i64) -> f32 {
    let place = mix(seed).wrapping_add((frame as u64).wrapping_mul(2));
    let unit = |bits: u64| ((bits >> 11) as f64 + 0.5) / (1u64 << 53) as f64;
    let (a, b) = (unit(mix(place)), unit(mix(place.wrapping_add(1))));
    ((-2.0 * a.ln()).sqrt() * (std::f64::consts::TAU * b).cos()) as f32
}

fn mix(value: u64) -> u64 {
    let mut z = value.wrapping_add(1).wrapping_mul(0x9e37_79b9_7f4a_7c15);
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    z ^ (z >> 31)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn noise_is_gaussian_of_unit_variance() {
        let draws: Vec<f64> = (0..200_000).map(|n| f64::from(gaussian(5, n))).collect();
        let moment = |power: i32| draws.iter().map(|x| x.powi(power)).sum::<f64>() / draws.len() as f64;
        // Standard errors at 200,000 draws: 0.0022, 0.0032, 0.022; five of them are allowed.
        assert!(moment(1).abs() < 0.011, "{}", moment(1));
        assert!((moment(2) - 1.0).abs() < 0.016, "{}", moment(2));
        assert!((moment(4) - 3.0).abs() < 0.11, "{}", moment(4));
        let next: f64 = draws.windows(2).map(|pair| pair[0] * pair[1]).sum();
        assert!((next / draws.len() as f64).abs() < 0.011);
    }
}
