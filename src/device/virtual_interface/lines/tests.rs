//! Lines: first the frames alone, then two interfaces over the loopback.

use super::super::*;
use super::datagram::{Head, MOST_FRAMES};
use super::jitter::Jitter;
use crate::device::Health;
use crate::realtime::io::{Io, Planar};
use crate::units::{FramePos, SampleRate};
use std::net::{Ipv4Addr, SocketAddr, UdpSocket};
use std::time::{Duration, Instant};

const RATE: f64 = 48_000.0;
const DELAY: u32 = 500;
const BLOCK: usize = 128;

fn receive(input: u16, channel: u16, from: SocketAddr) -> ReceiveFrom {
    ReceiveFrom { input, from, channel, delay_frames: DELAY, gain: 1.0 }
}

fn nowhere() -> SocketAddr {
    (Ipv4Addr::LOCALHOST, 9).into()
}

/// Whole numbers that an f32 carries exactly and that no two frames of a minute share.
fn numbered(frame: i64) -> f32 {
    (frame + 1) as f32 / 4_194_304.0
}

/// A sender's process, its pieces handed over without a socket.
struct Sender<F> {
    run: u64,
    frames_a_second: f64,
    next: i64,
    signal: F,
}

impl<F: Fn(i64) -> f32> Sender<F> {
    fn new(run: u64, signal: F) -> Sender<F> {
        Sender { run, frames_a_second: RATE, next: 0, signal }
    }

    /// Everything up to frame `until`, on tag 1.
    fn until(&mut self, until: i64, at: i64, jitter: &mut Jitter) {
        while self.next < until {
            let frames = (until - self.next).min(BLOCK as i64);
            let samples: Vec<f32> = (self.next..self.next + frames).map(&self.signal).collect();
            let head = Head {
                run: self.run,
                frames_a_second: self.frames_a_second,
                first: self.next,
                tag: 1,
                frames: frames as u16,
            };
            jitter.take(at, head, &samples);
            self.next += frames;
        }
    }
}

/// What input 1 hears in one block.
fn block(jitter: &mut Jitter, at: i64) -> Vec<f32> {
    let mut input = Planar::new(2, BLOCK);
    jitter.add_to(at, &mut input, BLOCK);
    input.channel(0, BLOCK).to_vec()
}

fn jitter() -> Jitter {
    Jitter::new(vec![receive(1, 1, nowhere())], RATE)
}

/// Plays `blocks` blocks from block `first` on; `sent` says up to which frame the sender has come by then.
fn play<F: Fn(i64) -> f32>(
    jitter: &mut Jitter,
    sender: &mut Sender<F>,
    first: i64,
    blocks: i64,
    sent: impl Fn(i64) -> i64,
) -> Vec<f32> {
    let mut heard = Vec::new();
    for at in (first..first + blocks).map(|index| index * BLOCK as i64) {
        sender.until(sent(at), at, jitter);
        heard.extend(block(jitter, at));
    }
    heard
}

/// Frames of the sender in the order in which they were heard, silence left out.
fn frames_of(heard: &[f32]) -> Vec<i64> {
    let sounding = heard.iter().filter(|sample| **sample != 0.0);
    sounding.map(|sample| (f64::from(*sample) * 4_194_304.0).round() as i64 - 1).collect()
}

fn assert_nothing_twice(heard: &[f32]) {
    let frames = frames_of(heard);
    assert!(frames.windows(2).all(|pair| pair[0] < pair[1]), "something was heard again");
}

#[test]
fn with_one_clock_every_sample_comes_as_it_left_after_one_delay() {
    let mut jitter = jitter();
    let mut sender = Sender::new(1, numbered);
    // Blocks come late by up to three, as a busy computer has it.
    let late = |at: i64| at - (at / BLOCK as i64 * 7 % 4) * BLOCK as i64;
    let heard = play(&mut jitter, &mut sender, 0, 2000, late);
    let first = heard.iter().position(|sample| *sample != 0.0).unwrap();
    let theirs = frames_of(&heard)[0];
    for (n, sample) in heard.iter().enumerate().skip(first) {
        assert_eq!(*sample, numbered(theirs + (n - first) as i64), "{n}");
    }
    assert!(first < 2 * DELAY as usize + 8 * BLOCK, "{first}");
    assert_eq!(jitter.slips(), 0);
}

#[test]
fn two_crystals_are_heard_as_two_crystals() {
    for (theirs, own) in [(300.0, 0.0), (-300.0, 0.0), (0.0, 300.0), (150.0, -150.0)] {
        let speed = |ppm: f64| RATE * (1.0 + ppm * 1e-6);
        let mut jitter = Jitter::new(vec![receive(1, 1, nowhere())], speed(own));
        // 3 kHz by the sender's count of frames.
        let tone = |frame: f64| (std::f64::consts::TAU * 3000.0 * frame / RATE).sin();
        let mut sender = Sender::new(1, |frame| tone(frame as f64) as f32);
        sender.frames_a_second = speed(theirs);
        let step = speed(theirs) / speed(own);
        let heard = play(&mut jitter, &mut sender, 0, 3000, |at| (at as f64 * step) as i64);
        assert_eq!(jitter.slips(), 0);
        // The delay is whatever it is at the start, up to periods of the tone; from there on it must not move.
        let begun = 4096;
        let turn = std::f64::consts::TAU * 3000.0 / RATE;
        let (mut real, mut imaginary) = (0.0, 0.0);
        for (n, sample) in heard.iter().enumerate().skip(begun).take(16_000) {
            let angle = turn * n as f64 * step;
            real += f64::from(*sample) * angle.sin();
            imaginary -= f64::from(*sample) * angle.cos();
        }
        let delay = imaginary.atan2(real) / turn;
        let worst = (begun..heard.len())
            .map(|n| (f64::from(heard[n]) - tone(n as f64 * step - delay)).abs())
            .fold(0.0, f64::max);
        // 0.0005 frames of a 3 kHz tone are 2e-4; 300 ppm would be 115 frames by the end.
        assert!(worst < 6e-4, "{theirs} against {own} ppm: {worst}");
    }
}

#[test]
fn a_killed_sender_leaves_silence_at_once_and_for_good() {
    let mut jitter = jitter();
    let mut sender = Sender::new(1, numbered);
    let heard = play(&mut jitter, &mut sender, 0, 2000, |at| at.min(100_003));
    assert_nothing_twice(&heard);
    let frames = frames_of(&heard);
    assert_eq!(frames.last(), Some(&100_002));
    assert!(frames.iter().copied().eq(frames[0]..100_003), "a frame in the middle is missing");
    assert_eq!(jitter.slips(), 1);
}

#[test]
fn a_frozen_sender_that_wakes_is_heard_from_there_and_nothing_before() {
    for frozen in [1000, 20_000, 200_000] {
        let mut jitter = jitter();
        let mut sender = Sender::new(1, numbered);
        // Its count stands still meanwhile, as that of a frozen process does.
        let heard = play(&mut jitter, &mut sender, 0, 4000, |at| {
            if at < 100_000 { at } else { (at - frozen).max(100_000) }
        });
        assert_nothing_twice(&heard);
        let last = *frames_of(&heard).last().unwrap();
        assert!(last > 4000 * BLOCK as i64 - frozen - 4 * i64::from(DELAY), "{frozen}: {last}");
    }
}

#[test]
fn a_pause_that_is_caught_up_does_not_move_the_delay() {
    let mut jitter = jitter();
    let mut sender = Sender::new(1, numbered);
    // 60 ms late, then all at once.
    let heard =
        play(
            &mut jitter,
            &mut sender,
            0,
            3000,
            |at| {
                if (100_000..102_880).contains(&at) { 100_000 } else { at }
            },
        );
    assert_nothing_twice(&heard);
    let place = |frame: i64| heard.iter().position(|sample| *sample == numbered(frame)).unwrap() as i64;
    assert_eq!(place(50_000) - 50_000, place(200_000) - 200_000);
    assert_eq!(jitter.slips(), 1);
}

#[test]
fn a_restarted_sender_is_another_run_and_the_first_one_is_not_heard_again() {
    let mut jitter = jitter();
    let mut first = Sender::new(1, |_| 0.25);
    let mut heard = play(&mut jitter, &mut first, 0, 1000, |at| at);
    let mut second = Sender::new(2, |_| 0.5);
    heard.extend(play(&mut jitter, &mut second, 1000, 1000, |at| (at - 140_000).max(0)));
    let last = heard.iter().rposition(|sample| *sample == 0.25).unwrap();
    let next = heard.iter().position(|sample| *sample == 0.5).unwrap();
    assert!(last < next && heard[last + 1..next].iter().all(|sample| *sample == 0.0));
    assert!(heard[next..].iter().all(|sample| *sample == 0.5));
}

#[test]
fn a_second_process_on_a_line_in_use_is_not_heard() {
    let mut jitter = jitter();
    let (mut first, mut second) = (Sender::new(1, |_| 0.25), Sender::new(2, |_| 0.5));
    for at in (0..1000).map(|index| index * BLOCK as i64) {
        second.until(if at > 0 { at } else { 0 }, at, &mut jitter);
        first.until(at, at, &mut jitter);
        let heard = block(&mut jitter, at);
        // Whoever came first has it.
        assert!(heard.iter().all(|sample| [0.0, 0.5].contains(sample)), "{at}");
    }
    assert_eq!(jitter.strangers(), 999);
}

#[test]
fn a_receiver_that_slept_goes_on_with_what_is_new() {
    let mut jitter = jitter();
    let mut sender = Sender::new(1, numbered);
    let mut heard = play(&mut jitter, &mut sender, 0, 1000, |at| at);
    // The sender is a second ahead when this device's time goes on.
    heard.extend(play(&mut jitter, &mut sender, 1000, 1000, |at| at + 48_000));
    assert_nothing_twice(&heard);
    assert_eq!(jitter.slips(), 1);
    assert_eq!(frames_of(&heard).last(), Some(&(1999 * BLOCK as i64 + 48_000 - i64::from(DELAY) - 1)));
}

/// Plays a signal of the frame on its outputs 1 and 2, the second one negative.
struct Play;

impl Process for Play {
    fn process(&mut self, io: &mut Io) {
        io.output.clear();
        for (channel, sign) in [(0, 1.0), (1, -1.0)] {
            let at = io.at.0;
            for (sample, frame) in io.output.channel_mut(channel, io.frames).iter_mut().zip(at..) {
                *sample = sign * numbered(frame);
            }
        }
    }
}

/// A port that nobody has.
fn free_port() -> SocketAddr {
    UdpSocket::bind((Ipv4Addr::LOCALHOST, 0)).unwrap().local_addr().unwrap()
}

fn start(world: World, capture: &Capture) -> Box<dyn Running> {
    let setup = OpenSetup::new(SampleRate::standard(), BLOCK as u32, 2, 2);
    let mut interface = VirtualInterface::new(world, Pace::RealTime).captured_by(capture);
    interface.open(&setup).unwrap().start(Box::new(Play)).unwrap()
}

fn wait_until(running: &mut dyn Running, ready: impl Fn(&Health) -> bool) -> Health {
    let begun = Instant::now();
    loop {
        let health = running.health();
        if ready(&health) {
            return health;
        }
        assert!(begun.elapsed() < Duration::from_secs(20), "{health:?}");
        std::thread::sleep(Duration::from_millis(5));
    }
}

fn main_and_backup(address: SocketAddr) -> (World, World) {
    let sends = [1, 2].map(|n| SendTo { output: n, to: address, channel: n, until: None });
    // Crossed, so that a mistaken tag shows.
    let receives = [(1, 2), (2, 1)]
        .map(|(input, channel)| ReceiveFrom { delay_frames: 4096, ..receive(input, channel, address) });
    let main = World { sends: sends.to_vec(), ..World::default() };
    (main, World { receives: receives.to_vec(), ..World::default() })
}

/// Both inputs hear the same frame of the two outputs always, in order, and nothing twice.
fn assert_in_order(captured: &Captured) -> Vec<i64> {
    let (second, first) = (&captured.inputs[0], &captured.inputs[1]);
    assert!(first.iter().zip(second).all(|(first, second)| *first == -*second));
    assert_nothing_twice(first);
    frames_of(first)
}

#[test]
fn what_a_main_plays_a_backup_hears_until_it_is_gone() {
    let address = free_port();
    let (main, backup) = main_and_backup(address);
    let heard = Capture::default();
    let mut hearing = start(backup, &heard);
    let mut sending = start(main, &Capture::default());
    wait_until(&mut *sending, |health| health.frames > 24_000);
    sending.stop();
    let gone = hearing.health().frames;
    // The delay, blocks, and then some.
    wait_until(&mut *hearing, |health| health.frames > gone + 4096 + 24_000);
    hearing.stop();
    let captured = heard.take();
    let frames = assert_in_order(&captured);
    assert!(frames.len() > 12_000, "{}", frames.len());
    assert!(captured.inputs[0].iter().rev().take(4800).all(|sample| *sample == 0.0));
}

#[test]
fn a_pulled_lead_is_silent_and_the_one_beside_it_is_not() {
    let address = free_port();
    let (mut main, backup) = main_and_backup(address);
    main.sends[0].until = Some(FramePos(20_001));
    let heard = Capture::default();
    let hearing = start(backup, &heard);
    let mut sending = start(main, &Capture::default());
    wait_until(&mut *sending, |health| health.frames > 48_000);
    sending.stop();
    hearing.stop();
    let captured = heard.take();
    assert_eq!(frames_of(&captured.inputs[1]).last(), Some(&20_000));
    // Whatever was heard after the sender's end.
    let beside = captured.inputs[0].iter().filter(|sample| **sample < -numbered(20_000)).count();
    assert!(beside > 4800, "{beside}");
}

#[test]
fn a_main_that_is_started_again_is_heard_again() {
    let address = free_port();
    let (main, backup) = main_and_backup(address);
    let heard = Capture::default();
    let mut hearing = start(backup, &heard);
    for _ in 0..2 {
        let before = hearing.health().frames;
        let mut sending = start(main.clone(), &Capture::default());
        wait_until(&mut *sending, |health| health.frames > 24_000);
        sending.stop();
        wait_until(&mut *hearing, |health| health.frames > before + 48_000);
    }
    hearing.stop();
    let captured = heard.take();
    let input = &captured.inputs[1];
    let frames = frames_of(input);
    let falls: Vec<_> = frames.windows(2).filter(|pair| pair[1] <= pair[0]).collect();
    assert_eq!(falls.len(), 1, "each run once, each in order: {falls:?}");
    assert!(frames.len() > 12_000);
}

#[test]
fn what_is_no_part_of_a_line_is_counted_and_not_heard() {
    let address = free_port();
    let (_, backup) = main_and_backup(address);
    let heard = Capture::default();
    let mut hearing = start(backup, &heard);
    let socket = UdpSocket::bind((Ipv4Addr::LOCALHOST, 0)).unwrap();
    let head = Head { run: 7, frames_a_second: RATE, first: 0, tag: 1, frames: 2 };
    let piece = |head: Head, samples: &[f32]| {
        super::datagram::write(head, samples, &mut [0; super::datagram::MOST_BYTES]).to_vec()
    };
    let bad = [
        vec![],
        b"hello".to_vec(),
        vec![0xff; 5000],
        piece(head, &[0.5, f32::NAN]),
        piece(Head { tag: 9, ..head }, &[0.5, 0.5]),
        piece(head, &[0.5; MOST_FRAMES])[..100].to_vec(),
    ];
    for datagram in &bad {
        socket.send_to(datagram, address).unwrap();
    }
    let health = wait_until(&mut *hearing, |health| health.input_refused >= bad.len() as u64);
    assert_eq!(health.input_refused, bad.len() as u64);
    hearing.stop();
    assert!(heard.take().inputs.iter().flatten().all(|sample| *sample == 0.0));
}

#[test]
fn a_port_that_is_taken_is_refused_with_the_mend() {
    let taken = UdpSocket::bind((Ipv4Addr::LOCALHOST, 0)).unwrap();
    let (_, backup) = main_and_backup(taken.local_addr().unwrap());
    let setup = OpenSetup::new(SampleRate::standard(), 128, 2, 2);
    let error = VirtualInterface::new(backup, Pace::RealTime).open(&setup).err().unwrap();
    assert!(error.what.contains("cannot receive on 127.0.0.1"), "{error}");
    assert!(error.mend.contains("another one"), "{error}");
}

#[test]
fn lines_need_the_computers_time() {
    let (main, _) = main_and_backup(nowhere());
    let setup = OpenSetup::new(SampleRate::standard(), 128, 2, 2);
    let stepper = Stepper::new(&main, &setup, Play).map(|_| ());
    let free = VirtualInterface::new(main, Pace::Free { frames: 4800 }).open(&setup).map(|_| ());
    for refused in [stepper, free] {
        assert!(refused.unwrap_err().mend.contains("real time"));
    }
}
