//! The ALSA path on the kernel's own loopback card, inside the guest that `tests/kernel_audio/run` boots.
//!
//! Built by cargo, run only there: it pulls the card and stops its clock. What is played on device 0 is
//! captured on device 1. Says `passed` at the end, or panics. Argument: the period in frames. Environment:
//! CLOCK, the process whose end stops the card's clock.
//!
//! Or: `burn SHARE:SECONDS...` keeps the processor busy for so much of each millisecond, one after the other;
//! `heard GRID` counts the clicks that come in as 32-bit samples.

use fogbell::device::cpal_host::CpalHost;
use fogbell::device::inject::{Injected, Injection};
use fogbell::device::{Health, HealthState, Interface, OpenSetup, Running};
use fogbell::realtime::io::{Io, Process};
use fogbell::units::{FramePos, SampleRate};
use rustix::process::{Pid, Signal, kill_process};
use std::io::Read;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

const BOTH: &str = "hw:CARD=Loopback,DEV=0 | hw:CARD=Loopback,DEV=1";
const DRIVER: &str = "/sys/bus/platform/drivers/snd_aloop";

/// A frame of the input: when it was heard and the number it carries.
#[derive(Clone, Default)]
struct Seen {
    heard: Vec<(i64, i64)>,
    blocks: Vec<usize>,
    offsets: Vec<i64>,
    lost: i64,
}

struct Numbers(Arc<Mutex<Seen>>);

/// No two frames of 8 s share a number, and an f32 carries each exactly.
const MODULUS: i64 = 400_000;

impl Process for Numbers {
    fn process(&mut self, io: &mut Io) {
        let mut seen = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        seen.blocks.push(io.frames);
        seen.offsets.push(io.input_offset.0);
        seen.lost += io.lost.0;
        let numbers =
            io.input.channel(1, io.frames).iter().map(|x| (f64::from(*x) * 1_048_576.0).round() as i64);
        seen.heard.extend((io.at.0..).zip(numbers).filter(|(_, number)| *number > 0));
        io.output.clear();
        for (sample, frame) in io.output.channel_mut(1, io.frames).iter_mut().zip(io.at.0..) {
            *sample = (frame.rem_euclid(MODULUS) + 1) as f32 / 1_048_576.0;
        }
    }
}

fn wait_until(running: &mut dyn Running, ready: impl Fn(&Health) -> bool) -> Health {
    let begun = Instant::now();
    loop {
        let health = running.health();
        if ready(&health) {
            return health;
        }
        assert!(begun.elapsed() < Duration::from_secs(20), "{health:?}");
        std::thread::sleep(Duration::from_millis(50));
    }
}

fn start(period: u32) -> (Box<dyn Running>, Arc<Mutex<Seen>>) {
    start_with(period, &Injection::default())
}

fn start_with(period: u32, faults: &Injection) -> (Box<dyn Running>, Arc<Mutex<Seen>>) {
    let setup = OpenSetup { device: BOTH.into(), ..OpenSetup::new(SampleRate::standard(), period, 2, 2) };
    let opened = CpalHost::named("alsa").unwrap().open(&setup).unwrap();
    let negotiated = opened.negotiated();
    assert_eq!((negotiated.block, negotiated.id.as_str()), (period, BOTH));
    let seen = Arc::new(Mutex::new(Seen::default()));
    let process = Injected::new(Numbers(Arc::clone(&seen)), faults, 2, 2);
    (opened.start(Box::new(process)).unwrap(), seen)
}

fn the_card_is_listed_by_its_name() {
    let devices = CpalHost::named("alsa").unwrap().list().unwrap();
    let card = devices.iter().find(|info| info.id == "hw:CARD=Loopback,DEV=0").expect("the loopback card");
    assert!(card.outputs >= 8 && card.rates.contains(&48_000), "{card:?}");
    assert!(devices.iter().all(|info| !info.id.contains("CARD=0")), "{devices:?}");
}

fn what_is_played_is_captured_frame_by_frame(period: u32) {
    let (mut running, seen) = start(period);
    let health = wait_until(&mut *running, |health| health.frames > 144_000);
    running.stop();
    let seen = seen.lock().unwrap_or_else(PoisonError::into_inner).clone();
    assert!(seen.blocks.iter().all(|frames| *frames == period as usize), "blocks vary");
    let delays: Vec<i64> =
        seen.heard.iter().map(|(at, number)| (at - number + 1).rem_euclid(MODULUS)).collect();
    assert!(delays.len() > 96_000, "only {} frames came back", delays.len());
    let changes = delays.windows(2).filter(|pair| pair[0] != pair[1]).count();
    println!(
        "period {period}: {} frames came back after {}, {changes} changes; {} xruns, {} lost, {} slips; {:?}",
        delays.len(),
        delays[delays.len() - 1],
        health.xruns,
        seen.lost,
        health.input_slips,
        health.priority
    );
    // Every frame that is heard is the one after the last: the way changes only where something slipped.
    assert!(changes as u64 <= health.xruns + health.input_slips, "{changes} changes");
    assert!(delays[delays.len() - 1] <= 8 * i64::from(period), "{}", delays[delays.len() - 1]);
}

/// A callback is held up for 50 ms, 2,400 frames: the card runs dry, and what the clock ran on is lost.
fn a_callback_that_takes_too_long_loses_what_the_clock_ran_on(period: u32) {
    let stall = Some((FramePos(24_000), Duration::from_millis(50)));
    let (mut running, seen) = start_with(period, &Injection { stall, ..Injection::default() });
    let health = wait_until(&mut *running, |health| health.frames > 72_000);
    running.stop();
    let seen = seen.lock().unwrap_or_else(PoisonError::into_inner).clone();
    let way = |(at, number): &(i64, i64)| (at - number + 1).rem_euclid(MODULUS);
    let (before, after) = (way(&seen.heard[8_000]), way(&seen.heard[seen.heard.len() - 1]));
    println!(
        "held up: {} xruns, {} frames lost, {} slips; back after {before}, then {after} frames",
        health.xruns, seen.lost, health.input_slips
    );
    assert!(health.xruns >= 1);
    // The card plays two periods of its buffer first; its times are a period apart.
    let period = i64::from(period);
    assert!((2_400 - 4 * period..=2_400 + 2 * period).contains(&seen.lost), "{}", seen.lost);
    assert!((after - before).abs() <= 2 * period, "{before} {after}");
}

fn a_pulled_card_is_lost_and_opens_again_once_it_is_back(period: u32) {
    let (mut running, _) = start(period);
    wait_until(&mut *running, |health| health.callbacks > 10);
    // The kernel pulls the card at once and lets the one who pulls go when everybody has closed it.
    let pull = std::thread::spawn(|| std::fs::write(format!("{DRIVER}/unbind"), "snd_aloop.0").unwrap());
    let lost = wait_until(&mut *running, |health| matches!(health.state, HealthState::Lost(_)));
    println!("pulled: {:?} after {:?}", lost.state, lost.silent_for);
    running.stop();
    pull.join().unwrap();
    std::fs::write(format!("{DRIVER}/bind"), "snd_aloop.0").unwrap();
    std::thread::sleep(Duration::from_millis(500));
    let (mut running, _) = start(period);
    let back = wait_until(&mut *running, |health| health.callbacks > 10);
    assert_eq!(back.state, HealthState::Running);
    running.stop();
}

fn a_card_whose_clock_stops_is_noticed(period: u32, clock: Pid) {
    let (mut running, _) = start(period);
    wait_until(&mut *running, |health| health.callbacks > 10);
    kill_process(clock, Signal::KILL).unwrap();
    let stalled = wait_until(&mut *running, |health| health.state == HealthState::Stalled);
    println!("stalled: noticed {:?} after the last callback", stalled.silent_for);
    running.stop();
}

/// Each millisecond so much of it, for so many seconds. A policy that nothing else has is given by who starts it.
fn burn(shares: &[String]) {
    for step in shares {
        let (share, seconds) = step.split_once(':').expect("SHARE:SECONDS");
        let (share, seconds): (f64, f64) =
            (share.parse().expect("a share"), seconds.parse().expect("seconds"));
        let begun = Instant::now();
        for round in 1..=(seconds * 1e3) as u32 {
            let next = begun + Duration::from_millis(1) * round;
            let busy = next - Duration::from_secs_f64(1e-3 * (1.0 - share));
            while Instant::now() < busy {
                std::hint::spin_loop();
            }
            std::thread::sleep(next.saturating_duration_since(Instant::now()));
        }
    }
}

/// Eight channels are captured; the click is on the first.
const CAPTURED: usize = 8;
/// A click is the first sample above this after so much silence, in frames.
const CLICK: f32 = 0.02;
const SILENCE: usize = 2_400;

/// Where two clicks are less far apart than their beats by this, the card lost frames itself.
const CARD_LOST: f64 = 240.0;
/// Gaps of the count-in, which has not every click.
const COUNTED: usize = 6;

/// How many clicks come in; how many of them stand closer to the one before than half of `grid` frames; how many fell into
/// frames that the card lost.
fn heard(grid: f64) {
    let mut input = std::io::BufReader::new(std::io::stdin());
    let mut next = || {
        let mut frame = [0; 4 * CAPTURED];
        input.read_exact(&mut frame).ok()?;
        Some(i32::from_le_bytes([frame[0], frame[1], frame[2], frame[3]]) as f32 / 2_147_483_648.0)
    };
    let (mut clicks, mut silent) = (Vec::new(), SILENCE);
    for (frame, sample) in std::iter::from_fn(&mut next).enumerate() {
        if sample.abs() < CLICK {
            silent += 1;
        } else {
            if silent >= SILENCE {
                clicks.push(frame as f64);
            }
            silent = 0;
        }
    }
    let gaps: Vec<f64> = clicks.windows(2).map(|pair| pair[1] - pair[0]).collect();
    let doubled = gaps.iter().filter(|gap| **gap < grid / 2.0).count();
    let lost = |gap: &f64| {
        let places = (gap / grid).round();
        let shorter = places * grid - gap > CARD_LOST;
        if shorter { (places as usize).saturating_sub(1) } else { 0 }
    };
    let lost: usize = gaps.iter().skip(COUNTED).map(lost).sum();
    println!("\"clicks\":{},\"doubled\":{doubled},\"lost\":{lost}", clicks.len());
}

fn main() {
    let words: Vec<String> = std::env::args().skip(1).collect();
    match words.first().map(String::as_str) {
        Some("burn") => return burn(&words[1..]),
        Some("heard") => return heard(words[1].parse().expect("frames")),
        _ => {}
    }
    let period: u32 = std::env::args().nth(1).expect("the period").parse().expect("frames");
    let clock: i32 = std::env::var("CLOCK").expect("CLOCK").parse().expect("a process");
    the_card_is_listed_by_its_name();
    what_is_played_is_captured_frame_by_frame(period);
    a_callback_that_takes_too_long_loses_what_the_clock_ran_on(period);
    a_pulled_card_is_lost_and_opens_again_once_it_is_back(period);
    a_card_whose_clock_stops_is_noticed(period, Pid::from_raw(clock).expect("a process"));
    println!("passed at {period}");
}
