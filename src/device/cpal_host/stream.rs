//! A pair of cpal's streams as one interface.

use super::gap::Gap;
use super::input_ring::{self, Reader, Writer};
use super::negotiate::{self, Choice, Direction};
use crate::device::convert::{self, Format};
use crate::device::pulse::Pulse;
use crate::device::{
    DeviceError, Health, HealthState, MAX_BLOCK, Negotiated, OpenSetup, Opened, Running, abandon, priority,
};
use crate::realtime::io::{Io, Process};
use crate::units::{FramePos, Frames};
use cpal::traits::{DeviceTrait, StreamTrait};
use cpal::{BufferSize, ErrorKind, SampleFormat, SizedSample, StreamInstant};
use ringbuf::traits::{Consumer, Producer, Split};
use ringbuf::{HeapCons, HeapProd, HeapRb};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering::Relaxed};
use std::time::Duration;

/// How long closing may take before it is left behind.
const CLOSE: Duration = Duration::from_secs(1);

/// Errors between two looks after which a device is given up: some hosts report a lasting fault as fast as
/// the processor can.
const FLOOD: u64 = 100;

/// Calls `$body` with `$S` as the sample type of a format.
macro_rules! with_sample_type {
    ($format:expr, $S:ident => $body:expr) => {
        match $format {
            SampleFormat::I8 => with_sample_type!(@ i8, $S, $body),
            SampleFormat::I16 => with_sample_type!(@ i16, $S, $body),
            SampleFormat::I24 => with_sample_type!(@ cpal::I24, $S, $body),
            SampleFormat::I32 => with_sample_type!(@ i32, $S, $body),
            SampleFormat::I64 => with_sample_type!(@ i64, $S, $body),
            SampleFormat::U8 => with_sample_type!(@ u8, $S, $body),
            SampleFormat::U16 => with_sample_type!(@ u16, $S, $body),
            SampleFormat::U24 => with_sample_type!(@ cpal::U24, $S, $body),
            SampleFormat::U32 => with_sample_type!(@ u32, $S, $body),
            SampleFormat::U64 => with_sample_type!(@ u64, $S, $body),
            SampleFormat::F32 => with_sample_type!(@ f32, $S, $body),
            SampleFormat::F64 => with_sample_type!(@ f64, $S, $body),
            // One-bit audio is never chosen.
            _ => Err(cpal::Error::new(ErrorKind::UnsupportedConfig)),
        }
    };
    (@ $type:ty, $S:ident, $body:expr) => {{
        type $S = $type;
        $body
    }};
}

/// Opens both directions, paused: callbacks begin with [`Opened::start`].
///
/// Errors: see [`negotiate::choose`]; the device is busy or refuses.
pub(super) fn open(
    host: &'static str,
    output: &cpal::Device,
    input: Option<&cpal::Device>,
    setup: &OpenSetup,
) -> Result<OpenedCpal, DeviceError> {
    let wanted = negotiate::choose(output, Direction::Output, setup, setup.outputs)?;
    let wanted_in = match input {
        Some(device) => Some((device, negotiate::choose(device, Direction::Input, setup, setup.inputs)?)),
        None => None,
    };
    let streams = Streams::build(output, wanted, wanted_in, setup).or_else(|fault| match fault.kind() {
        // A size within what the device says may still be refused: then its own is taken.
        ErrorKind::UnsupportedConfig | ErrorKind::InvalidInput => {
            let own = |choice: Choice| {
                let config = cpal::StreamConfig { buffer_size: BufferSize::Default, ..choice.config };
                Choice { config, ..choice }
            };
            let input = wanted_in.map(|(device, choice)| (device, own(choice)));
            Streams::build(output, own(wanted), input, setup)
        }
        _ => Err(fault),
    });
    let streams = streams.map_err(|fault| refused(&negotiate::name(output), &fault))?;
    let negotiated = negotiated(host, output, input, setup, streams.block);
    Ok(OpenedCpal { negotiated, streams })
}

fn negotiated(
    host: &str,
    output: &cpal::Device,
    input: Option<&cpal::Device>,
    setup: &OpenSetup,
    block: u32,
) -> Negotiated {
    let id =
        |device: &cpal::Device| device.id().map_or_else(|_| String::new(), |id| negotiate::stable(id.id()));
    let (mut name, mut stored) = (negotiate::name(output), id(output));
    if let Some(input) = input.filter(|input| id(input) != stored) {
        name = format!("{name}, inputs from {}", negotiate::name(input));
        stored = format!("{stored} | {}", id(input));
    }
    Negotiated {
        host: host.into(),
        device: name,
        id: stored,
        rate: setup.rate,
        block,
        max_block: MAX_BLOCK as u32,
        inputs: if input.is_some() { setup.inputs } else { 0 },
        outputs: setup.outputs,
        duplex: false,
        claimed_latency: None,
        second: None,
    }
}

fn refused(name: &str, fault: &cpal::Error) -> DeviceError {
    let mend = match fault.kind() {
        ErrorKind::DeviceBusy => "close the program that uses it: only one may have a device",
        ErrorKind::PermissionDenied => "allow this user to use audio (on Linux: the group audio)",
        ErrorKind::DeviceNotAvailable => "plug it in and switch it on, or choose another device",
        _ => "try another block size in the rig, or another device",
    };
    DeviceError::new(format!("{name} cannot be opened: {fault}"), mend)
}

/// Written by the audio threads, read by the control side.
#[derive(Debug, Default)]
struct Shared {
    pulse: Pulse,
    /// Told by the host, a count for each direction.
    output_xruns: AtomicU64,
    input_xruns: AtomicU64,
    errors: AtomicU64,
}

/// Both streams and what reaches into them.
struct Streams {
    output: cpal::Stream,
    input: Option<cpal::Stream>,
    shared: Arc<Shared>,
    process: HeapProd<Box<dyn Process>>,
    errors: HeapCons<cpal::Error>,
    input_errors: HeapCons<cpal::Error>,
    block: u32,
}

impl Streams {
    fn build(
        device: &cpal::Device,
        choice: Choice,
        input: Option<(&cpal::Device, Choice)>,
        setup: &OpenSetup,
    ) -> Result<Streams, cpal::Error> {
        let shared = Arc::new(Shared::default());
        let (input_errors_in, input_errors) = HeapRb::new(16).split();
        // The input first: where both directions share a buffer switch, it comes first in it.
        let (input, reader) = match input {
            Some((device, choice)) => {
                let (writer, reader) = input_ring::ring(usize::from(setup.inputs), setup.block as usize);
                let ear = Ear::new(writer, &choice, Arc::clone(&shared), paced(device));
                let report = Report::new(Direction::Input, &shared, input_errors_in);
                (Some(build_input(device, choice, ear, report)?), Some(reader))
            }
            None => (None, None),
        };
        let (process, arriving) = HeapRb::new(1).split();
        let (errors_in, errors) = HeapRb::new(16).split();
        let mouth = Mouth::new(arriving, reader, &choice, setup, Arc::clone(&shared), paced(device));
        let report = Report::new(Direction::Output, &shared, errors_in);
        let output = build_output(device, choice, mouth, report)?;
        let block = output.buffer_size().unwrap_or(setup.block);
        Ok(Streams { output, input, shared, process, errors, input_errors, block })
    }
}

fn build_output(
    device: &cpal::Device,
    choice: Choice,
    mouth: Mouth,
    mut report: Report,
) -> Result<cpal::Stream, cpal::Error> {
    fn build<S: Format + SizedSample>(
        device: &cpal::Device,
        choice: Choice,
        mut mouth: Mouth,
        report: impl FnMut(cpal::Error) + Send + 'static,
    ) -> Result<cpal::Stream, cpal::Error> {
        let speak = move |data: &mut [S], info: &cpal::OutputCallbackInfo| {
            mouth.speak(data, nanoseconds(info.timestamp().playback));
        };
        device.build_output_stream(choice.config, speak, report, None)
    }
    with_sample_type!(choice.format, S => build::<S>(device, choice, mouth, move |error| report.take(error)))
}

fn build_input(
    device: &cpal::Device,
    choice: Choice,
    ear: Ear,
    mut report: Report,
) -> Result<cpal::Stream, cpal::Error> {
    fn build<S: Format + SizedSample>(
        device: &cpal::Device,
        choice: Choice,
        mut ear: Ear,
        report: impl FnMut(cpal::Error) + Send + 'static,
    ) -> Result<cpal::Stream, cpal::Error> {
        let hear = move |data: &[S], info: &cpal::InputCallbackInfo| {
            ear.hear(data, nanoseconds(info.timestamp().capture));
        };
        device.build_input_stream(choice.config, hear, report, None)
    }
    with_sample_type!(choice.format, S => build::<S>(device, choice, ear, move |error| report.take(error)))
}

/// Whether a clock of hardware holds the thread back: with ALSA's other devices (null, file, a sound
/// server's) it may spin, and at real-time priority it would take the processor from everybody.
fn paced(device: &cpal::Device) -> bool {
    let id = device.id().map(|id| id.id().to_owned()).unwrap_or_default();
    !cfg!(target_os = "linux") || id.starts_with("hw:") || id.starts_with("plughw:")
}

fn nanoseconds(instant: StreamInstant) -> u64 {
    u64::try_from(instant.as_nanos()).unwrap_or(u64::MAX)
}

/// The output callback: it drives.
struct Mouth {
    io: Io,
    process: Option<Box<dyn Process>>,
    arriving: HeapCons<Box<dyn Process>>,
    reader: Option<Reader>,
    shared: Arc<Shared>,
    gap: Gap,
    next: FramePos,
    /// Samples of a frame, as the device has it.
    width: usize,
    rate: u32,
    block: u32,
    promote: bool,
}

impl Mouth {
    fn new(
        arriving: HeapCons<Box<dyn Process>>,
        reader: Option<Reader>,
        choice: &Choice,
        setup: &OpenSetup,
        shared: Arc<Shared>,
        promote: bool,
    ) -> Mouth {
        let inputs = if reader.is_some() { usize::from(setup.inputs) } else { 0 };
        Mouth {
            io: Io::new(inputs, usize::from(setup.outputs), MAX_BLOCK),
            process: None,
            arriving,
            reader,
            shared,
            gap: Gap::new(f64::from(choice.config.sample_rate)),
            next: FramePos(0),
            width: usize::from(choice.config.channels.max(1)),
            rate: choice.config.sample_rate,
            block: setup.block,
            promote,
        }
    }

    fn speak<S: Format>(&mut self, data: &mut [S], playback: u64) {
        if self.shared.pulse.is_first() {
            if self.promote {
                priority::promote_this_thread(&self.shared.pulse, self.block, self.rate);
            } else {
                priority::note_this_thread(&self.shared.pulse);
            }
        }
        if self.process.is_none() {
            self.process = self.arriving.try_pop();
        }
        let frames = data.len() / self.width;
        let lost = self.gap.lost_before(playback, frames, self.shared.output_xruns.load(Relaxed));
        self.next = self.next + Frames(lost);
        self.io.lost = Frames(lost);
        self.shared.pulse.lost(lost.unsigned_abs());
        for piece in data.chunks_mut(MAX_BLOCK * self.width) {
            self.piece(piece);
        }
        self.shared.pulse.beat(frames as u64);
    }

    fn piece<S: Format>(&mut self, data: &mut [S]) {
        let frames = data.len() / self.width;
        self.io.at = self.next;
        self.io.frames = frames;
        if let Some(reader) = &mut self.reader {
            self.io.input_offset = reader.read(self.next, &mut self.io.input, frames);
            self.shared.pulse.input_slips(reader.slips());
        }
        match &mut self.process {
            Some(process) => process.process(&mut self.io),
            None => self.io.output.clear(),
        }
        convert::interleave(&self.io.output, data, self.width);
        self.next = self.next + Frames(frames as i64);
        self.io.lost = Frames(0);
    }
}

/// The input callback.
struct Ear {
    writer: Writer,
    gap: Gap,
    shared: Arc<Shared>,
    width: usize,
    rate: u32,
    /// True until it is done.
    promote: bool,
}

impl Ear {
    fn new(writer: Writer, choice: &Choice, shared: Arc<Shared>, promote: bool) -> Ear {
        let rate = choice.config.sample_rate;
        let width = usize::from(choice.config.channels.max(1));
        Ear { writer, gap: Gap::new(f64::from(rate)), shared, width, rate, promote }
    }

    fn hear<S: Format>(&mut self, data: &[S], capture: u64) {
        let frames = data.len() / self.width;
        if std::mem::take(&mut self.promote) {
            priority::promote(frames as u32, self.rate);
        }
        let lost = self.gap.lost_before(capture, frames, self.shared.input_xruns.load(Relaxed));
        self.writer.write(data, self.width, lost);
    }
}

/// The error callback, which with some hosts runs on the audio thread.
struct Report {
    direction: Direction,
    shared: Arc<Shared>,
    errors: HeapProd<cpal::Error>,
}

impl Report {
    fn new(direction: Direction, shared: &Arc<Shared>, errors: HeapProd<cpal::Error>) -> Report {
        Report { direction, shared: Arc::clone(shared), errors }
    }

    /// Xruns are counted: they own no memory. The rest is handed over whole, because its words may.
    /// Where the ring is full, the device fails faster than anybody looks: then nothing is left to save.
    fn take(&mut self, error: cpal::Error) {
        if error.kind() == ErrorKind::Xrun {
            self.shared.pulse.xrun();
            let xruns = match self.direction {
                Direction::Output => &self.shared.output_xruns,
                Direction::Input => &self.shared.input_xruns,
            };
            xruns.fetch_add(1, Relaxed);
        } else {
            self.shared.errors.fetch_add(1, Relaxed);
            let _ = self.errors.try_push(error);
        }
    }
}

pub(super) struct OpenedCpal {
    negotiated: Negotiated,
    streams: Streams,
}

impl Opened for OpenedCpal {
    fn negotiated(&self) -> &Negotiated {
        &self.negotiated
    }

    fn start(self: Box<Self>, process: Box<dyn Process>) -> Result<Box<dyn Running>, DeviceError> {
        let OpenedCpal { negotiated, mut streams } = *self;
        let _ = streams.process.try_push(process);
        let input = streams.input.as_ref().map_or(Ok(()), StreamTrait::play);
        input.and_then(|()| streams.output.play()).map_err(|fault| refused(&negotiated.device, &fault))?;
        Ok(Box::new(RunningCpal {
            shared: Arc::clone(&streams.shared),
            device: negotiated.device,
            streams: Some(streams),
            words: None,
            lost: None,
            errors_seen: 0,
        }))
    }
}

struct RunningCpal {
    shared: Arc<Shared>,
    device: String,
    streams: Option<Streams>,
    /// The last error that alone does not end the stream.
    words: Option<String>,
    lost: Option<String>,
    errors_seen: u64,
}

impl RunningCpal {
    fn drain(&mut self) {
        let Some(streams) = &mut self.streams else { return };
        while let Some(error) = streams.errors.try_pop() {
            match fatal(error.kind()) {
                Some(words) => self.lost = Some(format!("{}: {words}", self.device)),
                None => self.words = Some(error.to_string()),
            }
        }
        while let Some(error) = streams.input_errors.try_pop() {
            self.words = Some(format!("inputs: {error}"));
        }
        let errors = self.shared.errors.load(Relaxed);
        if errors - self.errors_seen > FLOOD {
            let words = self.words.take().unwrap_or_default();
            self.lost = Some(format!("{} fails again and again: {words}", self.device));
            self.close();
        }
        self.errors_seen = errors;
    }

    fn close(&mut self) {
        if let Some(streams) = self.streams.take() {
            let _ = abandon::within(CLOSE, "fogbell-close", move || drop(streams));
        }
    }
}

/// Errors after which a stream never calls again.
fn fatal(kind: ErrorKind) -> Option<&'static str> {
    match kind {
        ErrorKind::DeviceNotAvailable => Some("it was unplugged or switched off"),
        ErrorKind::StreamInvalidated => Some("its rate or format was changed by another program"),
        ErrorKind::HostUnavailable => Some("the system's audio went away"),
        ErrorKind::PermissionDenied => Some("the system no longer allows its use"),
        _ => None,
    }
}

impl Running for RunningCpal {
    fn health(&mut self) -> Health {
        self.drain();
        let state = self.lost.clone().map_or(HealthState::Running, HealthState::Lost);
        let mut health = self.shared.pulse.health(state);
        if let (HealthState::Stalled, Some(words)) = (&health.state, &self.words) {
            health.state = HealthState::Lost(format!("{}: {words}", self.device));
        }
        health
    }

    fn stop(mut self: Box<Self>) {
        self.close();
    }
}

impl Drop for RunningCpal {
    fn drop(&mut self) {
        self.close();
    }
}
