//! Two interfaces with clocks of their own, and a sound between them, without a thread or a clock of the computer.

use fogbell::device::second::feed::{Writer, ends};
use fogbell::device::second::joined::{Follow, Sides};
use fogbell::device::second::{State, Status};
use fogbell::realtime::io::{Io, Process};
use fogbell::units::{FramePos, Frames, SampleRate};
use std::f64::consts::TAU;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering::Relaxed};

pub const TONE_HERTZ: f64 = 997.0;
pub const PEAK: f64 = 0.5;

/// How two interfaces differ.
#[derive(Clone, Copy, Debug)]
pub struct Apart {
    pub ppm: f64,
    /// Share of a block by which each callback may come late.
    pub jitter: f64,
    pub block: u32,
    pub second_block: u32,
    pub second_rate: u32,
}

pub const USUAL: Apart =
    Apart { ppm: 300.0, jitter: 0.2, block: 128, second_block: 128, second_rate: 48_000 };

type Clock = Box<dyn FnMut() -> f64 + Send>;

pub struct Pair {
    apart: Apart,
    /// Frames a second, as they truly are.
    rates: [f64; 2],
    /// Frames so far, lost ones counted; of ours, of theirs.
    frames: [i64; 2],
    late: [f64; 2],
    time: Arc<AtomicU64>,
    writer: Writer<Clock>,
    follow: Follow,
    pub status: Arc<Status>,
    io: [Io; 2],
    random: fastrand::Rng,
    /// Seconds from which on, and until which, the second does not call.
    pub silent: (f64, f64),
    pub heard: Vec<f32>,
}

impl Pair {
    pub fn new(apart: Apart, seed: u64) -> Pair {
        let sides = Sides {
            rate: SampleRate::standard(),
            block: apart.block,
            second_rate: SampleRate::new(apart.second_rate).expect("a rate"),
            second_block: apart.second_block,
            inputs: 0,
            second_inputs: 1,
        };
        let time = Arc::new(AtomicU64::new(0));
        let theirs = Arc::clone(&time);
        let clock: Clock = Box::new(move || f64::from_bits(theirs.load(Relaxed)));
        let (writer, reader) = ends(1, 32_768, 8192, clock);
        let status = Arc::new(Status::default());
        let follow = Follow::new(sides, reader, Arc::clone(&status)).expect("a resampler");
        Pair {
            apart,
            rates: [48_000.0, f64::from(apart.second_rate) * (1.0 + apart.ppm * 1e-6)],
            frames: [0, 0],
            late: [0.0, 0.0],
            time,
            writer,
            follow,
            status,
            io: [Io::new(1, 1, 8192), Io::new(1, 1, 8192)],
            random: fastrand::Rng::with_seed(seed),
            silent: (f64::INFINITY, f64::INFINITY),
            heard: Vec::new(),
        }
    }

    /// Plays on until our clock shows so many seconds.
    pub fn until(&mut self, seconds: f64) {
        while (self.frames[0] as f64) < seconds * self.rates[0] {
            self.call();
        }
    }

    /// Frames of ours that nobody asked for.
    pub fn lose(&mut self, frames: i64) {
        self.frames[0] += frames;
        self.io[0].lost = Frames(frames);
    }

    /// The next callback, of whoever is due.
    pub fn call(&mut self) {
        let (ours, theirs) = (f64::from(self.apart.block), f64::from(self.apart.second_block));
        // A block of input comes when it is full; both sides began at different times.
        let at = (self.frames[0] as f64 + self.late[0] * ours) / self.rates[0] + 0.05;
        let comes = (self.frames[1] as f64 + theirs + self.late[1] * theirs) / self.rates[1] + 0.0003;
        if comes <= at {
            self.time.store(comes.to_bits(), Relaxed);
            self.theirs(comes);
        } else {
            self.ours(at);
        }
    }

    fn theirs(&mut self, time: f64) {
        let (io, frames) = (&mut self.io[1], self.apart.second_block as usize);
        self.late[1] = self.apart.jitter * self.random.f64();
        if (self.silent.0..self.silent.1).contains(&time) {
            self.frames[1] += frames as i64;
            io.lost = io.lost + Frames(frames as i64);
            return;
        }
        (io.at, io.frames) = (FramePos(self.frames[1]), frames);
        for (x, frame) in io.input.channel_mut(0, frames).iter_mut().zip(self.frames[1]..) {
            *x = (PEAK * (TAU * TONE_HERTZ * frame as f64 / self.rates[1]).sin()) as f32;
        }
        self.writer.process(io);
        io.lost = Frames(0);
        self.frames[1] += frames as i64;
    }

    fn ours(&mut self, time: f64) {
        let (io, frames) = (&mut self.io[0], self.apart.block as usize);
        (io.at, io.frames) = (FramePos(self.frames[0]), frames);
        self.late[0] = self.apart.jitter * self.random.f64();
        self.follow.process(io, 0, time);
        self.heard.extend_from_slice(io.input.channel(0, frames));
        io.lost = Frames(0);
        self.frames[0] += frames as i64;
    }

    /// How far the drift that it says is from the true one.
    pub fn off_ppm(&self) -> f64 {
        self.status.drift_ppm() - self.apart.ppm
    }

    pub fn follows(&self) -> bool {
        self.status.state() == State::Following
    }
}

/// The steepest step between two samples.
pub fn steepest(samples: &[f32]) -> f64 {
    samples.windows(2).map(|pair| f64::from((pair[1] - pair[0]).abs())).fold(0.0, f64::max)
}

/// Everything but the tone, against the tone, in dB: the power beyond 20 Hz on both sides of it.
///
/// Source: AES17-2015, 6.3: THD+N is what a notch at the tone leaves. Its notch has a Q of 1.2 to 3, hundreds of
/// hertz wide here; this one is narrower. Window: four-term Blackman and Harris, side lobes below −92 dB (Harris 1978).
pub fn thd_n_db(samples: &[f32], rate: f64) -> f64 {
    let n = samples.len();
    let window = |k: usize| {
        let turn = TAU * k as f64 / n as f64;
        0.35875 - 0.48829 * turn.cos() + 0.14128 * (2.0 * turn).cos() - 0.01168 * (3.0 * turn).cos()
    };
    let mut planner = realfft::RealFftPlanner::<f64>::new();
    let forward = planner.plan_fft_forward(n);
    let mut time: Vec<f64> = samples.iter().enumerate().map(|(k, x)| f64::from(*x) * window(k)).collect();
    let mut bins = forward.make_output_vec();
    forward.process(&mut time, &mut bins).expect("the planned size");
    let (mut tone, mut rest) = (0.0, 0.0);
    for (k, bin) in bins.iter().enumerate() {
        let off = (k as f64 * rate / n as f64 - TONE_HERTZ).abs();
        *(if off <= 20.0 { &mut tone } else { &mut rest }) += bin.norm_sqr();
    }
    10.0 * (rest / tone).log10()
}
