//! The virtual interface against arithmetic of its own.

use super::*;
use crate::device::{HealthState, OpenSetup};
use crate::realtime::io::Io;
use crate::units::{Decibels, FramePos, Frames, SampleRate};
use std::sync::Arc;
use std::time::{Duration, Instant};

/// Plays a signal of the frame on output 1, silence elsewhere.
struct Play<F>(F);

impl<F: Fn(i64) -> f32 + Send> Process for Play<F> {
    fn process(&mut self, io: &mut Io) {
        io.output.clear();
        let at = io.at.0;
        for (sample, frame) in io.output.channel_mut(0, io.frames).iter_mut().zip(at..) {
            *sample = (self.0)(frame);
        }
    }
}

fn setup(block: u32) -> OpenSetup {
    OpenSetup::new(SampleRate::standard(), block, 2, 2)
}

fn cable(delay_frames: f64) -> World {
    World { cables: vec![Cable { output: 1, input: 2, delay_frames, gain: 1.0 }], ..World::default() }
}

/// Steps a world through some frames in blocks of `block` and hands back what was heard and played.
fn heard(world: &World, block: usize, frames: usize, signal: impl Fn(i64) -> f32 + Send) -> Captured {
    let capture = Capture::default();
    let mut stepper = Stepper::new(world, &setup(block as u32), Play(signal)).unwrap().captured_by(&capture);
    for _ in 0..frames / block {
        stepper.step(block);
    }
    capture.take()
}

/// One period of a random signal without anything above 0.75 of half the rate, and the same delayed, both
/// made in the frequency domain: the delay is a phase ramp (the shift theorem of the discrete Fourier
/// transform), by the library realfft.
fn periodic_and_delayed(period: usize, delay: f64) -> (Vec<f32>, Vec<f32>) {
    let mut random = fastrand::Rng::with_seed(11);
    let inverse = realfft::RealFftPlanner::<f64>::new().plan_fft_inverse(period);
    let mut plain = inverse.make_input_vec();
    let mut ramped = plain.clone();
    for bin in 1..period * 3 / 8 {
        let phase = random.f64() * std::f64::consts::TAU;
        let turn = std::f64::consts::TAU * bin as f64 * delay / period as f64;
        (plain[bin].re, plain[bin].im) = (phase.cos(), phase.sin());
        (ramped[bin].re, ramped[bin].im) = ((phase - turn).cos(), (phase - turn).sin());
    }
    let time = |bins: &mut Vec<_>| {
        let mut out = inverse.make_output_vec();
        inverse.process(bins, &mut out).unwrap();
        out
    };
    let (plain, ramped) = (time(&mut plain), time(&mut ramped));
    let peak = plain.iter().fold(0.0f64, |peak, x| peak.max(x.abs()));
    let scale = |samples: Vec<f64>| samples.iter().map(|x| (x / peak) as f32).collect();
    (scale(plain), scale(ramped))
}

#[test]
fn a_fractional_cable_is_the_phase_ramp_of_its_delay() {
    const PERIOD: usize = 1024;
    for delay in [200.25, 200.5, 313.125, 777.9] {
        let (played, expected) = periodic_and_delayed(PERIOD, delay);
        let at = |frame: i64| played[frame.rem_euclid(PERIOD as i64) as usize];
        let captured = heard(&cable(delay), 64, 8 * PERIOD, at);
        let input = &captured.inputs[1];
        let worst = (2 * PERIOD..8 * PERIOD).map(|n| (input[n] - expected[n % PERIOD]).abs());
        let worst = worst.fold(0.0f32, f32::max);
        assert!(worst < 1e-3, "{delay}: {worst}");
        assert!(captured.inputs[0].iter().all(|x| *x == 0.0));
    }
}

#[test]
fn a_whole_cable_gives_back_the_very_samples_with_its_gain() {
    let mut world = cable(130.0);
    world.cables[0].gain = 0.5;
    let signal = |n: i64| (n % 97) as f32 / 97.0;
    let captured = heard(&world, 128, 1280, signal);
    for n in 0..1280 {
        let expected = if n < 130 { 0.0 } else { 0.5 * captured.outputs[0][n - 130] };
        assert_eq!(captured.inputs[1][n], expected, "{n}");
    }
}

#[test]
fn how_time_is_cut_into_blocks_changes_no_sample() {
    let mut world = cable(700.3);
    world.noises.push(Noise { input: 1, level: Decibels(-40.0), seed: 3 });
    world.faults.push(Fault { at: FramePos(1111), kind: FaultKind::LateBy, frames: Some(37) });
    world.mics.push(Mic {
        input: 2,
        sound: MicSound::Samples(Arc::from([0.25, -0.5, 0.125])),
        looped: true,
        at: FramePos(50),
        gain: 0.5,
    });
    let signal = |n: i64| ((n * n) % 1009) as f32 / 1009.0;
    let one = heard(&world, 1, 5120, signal);
    for block in [64, 512] {
        let other = heard(&world, block, 5120, signal);
        assert!(one.inputs == other.inputs && one.outputs == other.outputs, "{block}");
    }
}

#[test]
fn a_long_step_is_cut_where_the_shortest_cable_would_be_overtaken() {
    let capture = Capture::default();
    let signal = |n: i64| n as f32;
    let mut stepper = Stepper::new(&cable(100.0), &setup(64), Play(signal)).unwrap().captured_by(&capture);
    stepper.step(250);
    let captured = capture.take();
    assert_eq!(captured.blocks.iter().map(|block| block.frames).collect::<Vec<_>>(), [100, 100, 50]);
    assert_eq!(captured.inputs[1][249], 149.0);
}

#[test]
fn noise_has_the_level_that_is_asked_for() {
    let mut world = World::default();
    world.noises.push(Noise { input: 1, level: Decibels(-20.0), seed: 1 });
    let captured = heard(&world, 480, 48_000, |_| 0.0);
    let power: f64 = captured.inputs[0].iter().map(|x| f64::from(*x).powi(2)).sum::<f64>() / 48_000.0;
    assert!((10.0 * power.log10() + 20.0).abs() < 0.2, "{power}");
}

#[test]
fn late_frames_are_lost_told_once_and_silent_on_the_cable() {
    let mut world = cable(500.0);
    world.faults.push(Fault { at: FramePos(1000), kind: FaultKind::LateBy, frames: Some(100) });
    let captured = heard(&world, 64, 2048, |_| 1.0);
    let lossy: Vec<_> = captured.blocks.iter().filter(|block| block.lost != Frames(0)).collect();
    assert_eq!(lossy.len(), 1);
    assert_eq!((lossy[0].at, lossy[0].lost), (FramePos(1100), Frames(100)));
    let silent: Vec<_> = (1100..2000).filter(|n| captured.inputs[1][*n] == 0.0).collect();
    assert_eq!(silent, (1500..1600).collect::<Vec<_>>());
}

#[test]
fn a_frozen_interface_plays_its_last_block_over_and_over() {
    let frozen = Fault { at: FramePos(1000), kind: FaultKind::Repeat, frames: Some(70_000) };
    let world = World { faults: vec![frozen], ..cable(500.0) };
    let captured = heard(&world, 64, 72_000, |n| (n + 1) as f32);
    let output = &captured.outputs[0];
    for (n, sample) in output.iter().enumerate() {
        // The last block before it holds the frames 936 to 999.
        let played = if (1000..71_000).contains(&n) { 937 + (n - 1000) % 64 } else { n + 1 };
        assert_eq!(*sample, played as f32, "{n}");
    }
    for n in 500..72_000 {
        assert_eq!(captured.inputs[1][n], output[n - 500], "the cable carries it: {n}");
    }
    let lossy: Vec<_> = captured.blocks.iter().filter(|block| block.lost != Frames(0)).collect();
    assert_eq!(lossy.len(), 1);
    assert_eq!((lossy[0].at, lossy[0].lost), (FramePos(71_000), Frames(70_000)));
}

#[test]
fn a_frozen_interface_is_stalled_in_its_health_and_sounds_on() {
    let capture = Capture::default();
    let frozen = Fault { at: FramePos(4800), kind: FaultKind::Repeat, frames: None };
    let world = World { faults: vec![frozen], ..World::default() };
    let mut interface = VirtualInterface::new(world, Pace::Free { frames: 48_000 }).captured_by(&capture);
    let mut running = interface.open(&setup(480)).unwrap().start(Box::new(Play(|n| n as f32))).unwrap();
    let health = wait_until(&mut *running, |state| *state == HealthState::Finished);
    assert_eq!((health.frames, health.lost), (4800, 43_200));
    running.stop();
    assert_eq!(capture.take().outputs[0][47_999], 4799.0);
}

#[test]
fn a_fast_device_hears_the_world_slower() {
    let mut samples = vec![0.0; 60_000];
    samples[48_000] = 1.0;
    let world = World {
        drift_ppm: 1000.0,
        mics: vec![Mic {
            input: 1,
            sound: MicSound::Samples(samples.into()),
            looped: false,
            at: FramePos(0),
            gain: 1.0,
        }],
        ..World::default()
    };
    let captured = heard(&world, 480, 57_600, |_| 0.0);
    let peak = captured.inputs[0].iter().enumerate().max_by(|a, b| a.1.total_cmp(b.1)).unwrap();
    assert_eq!(peak.0, 48_048);
    assert!((peak.1 - 1.0).abs() < 0.01);
}

#[test]
fn a_wav_is_a_microphone_at_the_devices_rate() {
    let folder = tempfile::tempdir().unwrap();
    let spec = hound::WavSpec {
        channels: 2,
        sample_rate: 24_000,
        bits_per_sample: 24,
        sample_format: hound::SampleFormat::Int,
    };
    let mut wav = hound::WavWriter::create(folder.path().join("tone.wav"), spec).unwrap();
    let tone = |n: f64| (std::f64::consts::TAU * 440.0 * n / 24_000.0).sin() * 0.5;
    for n in 0..24_000 {
        wav.write_sample((tone(f64::from(n)) * 8_388_608.0) as i32).unwrap();
        wav.write_sample(0).unwrap();
    }
    wav.finalize().unwrap();
    let text = "mics = [{ input = 1, file = \"tone.wav\", at = 100 }]";
    std::fs::write(folder.path().join("world.toml"), text).unwrap();
    let world = World::read(&folder.path().join("world.toml")).unwrap();
    let captured = heard(&world, 480, 24_000, |_| 0.0);
    assert!(captured.inputs[0][..100].iter().all(|x| *x == 0.0));
    for n in 200..20_000 {
        let expected = tone((n - 100) as f64 / 2.0);
        assert!((f64::from(captured.inputs[0][n]) - expected).abs() < 1e-3, "{n}");
    }
}

#[test]
fn as_fast_as_it_can_ends_on_the_frame_and_says_so() {
    let capture = Capture::default();
    let world = World {
        blocks: Some(Blocks::Ragged { smallest: 1, largest: 700, seed: 4 }),
        faults: vec![Fault { at: FramePos(5000), kind: FaultKind::Stall, frames: Some(480) }],
        ..World::default()
    };
    let mut interface = VirtualInterface::new(world, Pace::Free { frames: 100_000 }).captured_by(&capture);
    let opened = interface.open(&setup(64)).unwrap();
    assert_eq!(opened.negotiated().block, 700);
    let mut running = opened.start(Box::new(Play(|n| n as f32))).unwrap();
    let health = wait_until(&mut *running, |state| *state != HealthState::Running);
    assert_eq!(health.state, HealthState::Finished);
    assert_eq!((health.frames, health.lost), (100_000 - 480, 480));
    running.stop();
    let captured = capture.take();
    assert_eq!(captured.outputs[0].len(), 100_000);
    assert_eq!(captured.outputs[0][4999], 4999.0);
    assert_eq!(captured.outputs[0][5000..5480], [0.0; 480]);
    assert_eq!(captured.outputs[0][5480], 5480.0);
}

#[test]
fn in_real_time_it_runs_stalls_and_stops() {
    let stall = Fault { at: FramePos(2400), kind: FaultKind::Stall, frames: None };
    let world = World { faults: vec![stall], ..World::default() };
    let mut interface = VirtualInterface::new(world, Pace::RealTime);
    let mut running = interface.open(&setup(64)).unwrap().start(Box::new(Play(|_| 0.0))).unwrap();
    let health = wait_until(&mut *running, |state| *state == HealthState::Stalled);
    assert_eq!((health.frames, health.state), (2400, HealthState::Stalled));
    running.stop();
}

#[test]
fn a_pulled_device_is_lost_in_words_and_comes_back_with_its_frames_lost() {
    let capture = Capture::default();
    let gone = Fault { at: FramePos(4800), kind: FaultKind::Vanish, frames: Some(24_000) };
    let world = World { faults: vec![gone], ..World::default() };
    let mut interface = VirtualInterface::new(world, Pace::RealTime).captured_by(&capture);
    let mut running = interface.open(&setup(480)).unwrap().start(Box::new(Play(|_| 0.0))).unwrap();
    let lost = wait_until(&mut *running, |state| matches!(state, HealthState::Lost(_)));
    assert_eq!(lost.frames, 4800);
    let back = wait_until(&mut *running, |state| *state == HealthState::Running);
    assert_eq!(back.lost, 24_000);
    while running.health().frames == 4800 {
        std::thread::sleep(Duration::from_millis(5));
    }
    running.stop();
    let first = capture.take().blocks[10];
    assert_eq!((first.at, first.lost), (FramePos(28_800), Frames(24_000)));
}

#[test]
fn more_channels_than_the_world_has_are_refused_with_the_mend() {
    let asked = OpenSetup::new(SampleRate::standard(), 64, 2, 40);
    let error = VirtualInterface::new(World::default(), Pace::RealTime).open(&asked).err().unwrap();
    assert!(error.to_string().contains("16 outputs and 40 are asked for"), "{error}");
}

/// Polls as the control side does; ten seconds are for a machine that sleeps, not a promise.
fn wait_until(running: &mut dyn Running, ready: impl Fn(&HealthState) -> bool) -> crate::device::Health {
    let begun = Instant::now();
    loop {
        let health = running.health();
        if ready(&health.state) {
            return health;
        }
        assert!(begun.elapsed() < Duration::from_secs(10), "{health:?}");
        std::thread::sleep(Duration::from_millis(5));
    }
}
