//! Promise: the audio callback neither allocates, frees, locks, waits nor makes a system call, and cannot
//! panic, whatever it is asked. Two detectors that share nothing: an allocator that counts, and Linux's syscall
//! user dispatch, which turns every system call of the thread into a signal.

mod common;

use common::*;
use fogbell::click::set::{Set, Stretch};
use fogbell::device::second::Status;
use fogbell::device::second::feed::ends;
use fogbell::device::second::joined::{Follow, Sides};
use fogbell::latency::shot::{Shot, ShotSetup, shooter};
use fogbell::linecheck::desk::{DeskSetup, Play, desk};
use fogbell::realtime::command::{Command, When};
use fogbell::realtime::event::{Source, What};
use fogbell::realtime::io::{Io, Process};
use fogbell::realtime::setup::{
    Compress, EngineSetup, InputSetup, OutletSetup, OutsideSetup, PartSetup, PartSource, PeerClick,
    PeerSetup, Talks, TimecodeSetup,
};
use fogbell::realtime::stream::{STREAM_FRAMES, StreamBlock};
use fogbell::show::model::Latch;
use fogbell::timecode::FrameRate;
use fogbell::units::{Exact, FramePos, Frames, SampleRate, Span};
use ringbuf::traits::{Consumer, Producer};
use std::alloc::{GlobalAlloc, Layout, System};
use std::cell::Cell;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering::Relaxed};

/// Counts what an armed thread allocates and frees.
struct Counting;

thread_local! {
    static ARMED: Cell<bool> = const { Cell::new(false) };
    static MEMORY: Cell<u64> = const { Cell::new(0) };
}

fn count() {
    // A thread that is going down has no cell any more, and is not armed.
    if ARMED.try_with(Cell::get).unwrap_or(false) {
        MEMORY.with(|count| count.set(count.get() + 1));
    }
}

// SAFETY: hands everything to the system allocator; counting allocates nothing.
unsafe impl GlobalAlloc for Counting {
    unsafe fn alloc(&self, layout: Layout) -> *mut u8 {
        count();
        unsafe { System.alloc(layout) }
    }
    unsafe fn dealloc(&self, memory: *mut u8, layout: Layout) {
        count();
        unsafe { System.dealloc(memory, layout) }
    }
    unsafe fn realloc(&self, memory: *mut u8, layout: Layout, size: usize) -> *mut u8 {
        count();
        unsafe { System.realloc(memory, layout, size) }
    }
}

#[global_allocator]
static ALLOCATOR: Counting = Counting;

/// Runs `act` under both detectors: allocations and frees, system calls, the last call's number.
fn watched(act: impl FnOnce()) -> (u64, u64, i32) {
    dispatch::begin();
    MEMORY.with(|count| count.set(0));
    ARMED.with(|armed| armed.set(true));
    dispatch::arm(true);
    act();
    dispatch::arm(false);
    ARMED.with(|armed| armed.set(false));
    let (calls, last) = dispatch::seen();
    (MEMORY.with(Cell::get), calls, last)
}

/// Syscall user dispatch. Source: Linux, Documentation/admin-guide/syscall-user-dispatch.rst.
#[cfg(target_os = "linux")]
mod dispatch {
    use std::cell::Cell;
    use std::sync::Once;
    use std::sync::atomic::{AtomicI32, AtomicU8, AtomicU64, Ordering::Relaxed};

    const SET_SYSCALL_USER_DISPATCH: libc::c_int = 59;
    const ON: libc::c_ulong = 1;
    /// Byte of `siginfo_t` at which SIGSYS carries the call's number (asm-generic/siginfo.h, 64 bit).
    const NUMBER: usize = 24;

    thread_local! {
        static SELECTOR: AtomicU8 = const { AtomicU8::new(0) };
        static CALLS: AtomicU64 = const { AtomicU64::new(0) };
        static LAST: AtomicI32 = const { AtomicI32::new(-1) };
        static READY: Cell<bool> = const { Cell::new(false) };
    }

    extern "C" fn caught(_: libc::c_int, info: *mut libc::siginfo_t, _: *mut libc::c_void) {
        SELECTOR.with(|selector| selector.store(0, Relaxed));
        CALLS.with(|calls| calls.fetch_add(1, Relaxed));
        // SAFETY: the kernel hands a whole siginfo_t to a handler with SA_SIGINFO.
        let number = unsafe { info.cast::<u8>().add(NUMBER).cast::<i32>().read_unaligned() };
        LAST.with(|last| last.store(number, Relaxed));
    }

    pub fn begin() {
        static HANDLER: Once = Once::new();
        HANDLER.call_once(|| {
            // SAFETY: a zeroed sigaction with a handler and SA_SIGINFO is valid; the handler touches atomics only.
            unsafe {
                let mut action: libc::sigaction = std::mem::zeroed();
                action.sa_sigaction = caught as *const () as usize;
                action.sa_flags = libc::SA_SIGINFO;
                assert_eq!(libc::sigaction(libc::SIGSYS, &action, std::ptr::null_mut()), 0);
            }
        });
        if !READY.with(|ready| ready.replace(true)) {
            let selector = SELECTOR.with(std::ptr::from_ref);
            // SAFETY: the byte lives as long as the thread that is watched.
            let set = unsafe { libc::prctl(SET_SYSCALL_USER_DISPATCH, ON, 0usize, 0usize, selector) };
            assert_eq!(set, 0, "the kernel has no syscall user dispatch (5.11 or later on x86-64)");
        }
        CALLS.with(|calls| calls.store(0, Relaxed));
    }

    pub fn arm(on: bool) {
        SELECTOR.with(|selector| selector.store(u8::from(on), Relaxed));
    }

    pub fn seen() -> (u64, i32) {
        (CALLS.with(|calls| calls.load(Relaxed)), LAST.with(|last| last.load(Relaxed)))
    }
}

/// Other systems have no such dispatch: only the allocator watches.
#[cfg(not(target_os = "linux"))]
mod dispatch {
    pub fn begin() {}
    pub fn arm(_: bool) {}
    pub fn seen() -> (u64, i32) {
        (0, -1)
    }
}

#[test]
fn a_planted_allocation_and_a_planted_free_are_seen() {
    let planted = vec![1u8; 100];
    assert!(watched(|| drop(std::hint::black_box(planted))).0 >= 1);
    assert!(watched(|| std::mem::forget(std::hint::black_box(Box::new(1u64)))).0 >= 1);
    assert_eq!(watched(|| {}), (0, 0, dispatch::seen().1));
}

#[cfg(target_os = "linux")]
#[test]
fn a_planted_system_call_is_seen_by_its_number() {
    // SAFETY: a call without arguments.
    let (_, calls, last) = watched(|| unsafe {
        libc::syscall(libc::SYS_getppid);
    });
    assert_eq!((calls, i64::from(last)), (1, libc::SYS_getppid));
    let (_, calls, last) = watched(|| {
        std::thread::yield_now();
    });
    assert_eq!((calls, i64::from(last)), (1, libc::SYS_sched_yield));
}

/// A lock that another thread holds ends in futex: what an uncontended lock hides, a contended one shows.
#[cfg(target_os = "linux")]
#[test]
fn a_planted_wait_is_seen() {
    let pair = std::sync::Mutex::new(0);
    std::thread::scope(|scope| {
        let (held_in, held) = std::sync::mpsc::channel();
        let (free_in, free) = std::sync::mpsc::channel::<()>();
        let pair = &pair;
        scope.spawn(move || {
            let _guard = pair.lock();
            held_in.send(()).unwrap();
            let _ = free.recv_timeout(std::time::Duration::from_millis(200));
        });
        held.recv().unwrap();
        let (_, calls, last) = watched(|| drop(pair.lock()));
        assert!(calls >= 1 && i64::from(last) == libc::SYS_futex, "{calls} {last}");
        drop(free_in);
    });
}

/// Blocks of the run: DESIGN asks for a million. `BLOCKS` in the environment asks for another number.
fn blocks() -> usize {
    std::env::var("BLOCKS").ok().and_then(|text| text.parse().ok()).unwrap_or(1_000_000)
}

fn scene(seed: u64) -> Set {
    let mut random = fastrand::Rng::with_seed(seed);
    let show = random_show(&mut random, 2, seed.is_multiple_of(2));
    let streamed: Vec<(usize, usize)> = (0..show.songs.len()).map(|song| (song, 1)).collect();
    let rate = SampleRate::standard();
    set(&show, rate, &body(rate), &streamed)
}

/// A renderer that is good, late, silent, repeating or corrupt as it pleases.
fn feed(random: &mut fastrand::Rng, bench: &mut Stepped, next: &mut i64, generation: u32) {
    if random.u8(..) < 30 {
        *next += random.i64(-2000..2000);
    }
    for _ in 0..random.usize(..3) {
        let mut block = StreamBlock {
            generation: generation.wrapping_sub(u32::from(random.u8(..) < 5)),
            first: FramePos(*next),
            frames: if random.u8(..) < 3 { 300 } else { 128 },
            peak: 0.3,
            samples: [0.0; STREAM_FRAMES],
        };
        block.samples[0] = match random.u8(..) {
            0..5 => f32::NAN,
            5..10 => 7.0,
            _ => 0.3,
        };
        let _ = bench.control.streams[1].try_push(block);
        *next += 128;
    }
}

/// What keys do to microphones.
fn random_room(random: &mut fastrand::Rng) -> Command {
    match random.usize(..6) {
        0 => Command::AmbientKill(random.bool()),
        1 | 2 => Command::AmbientHand(random.f32() * 12.0 - 6.0),
        3 => Command::AmbientRides,
        _ => Command::Talk(random.bool()),
    }
}

/// A room with everything that can be asked of it, and two talkbacks, in an outlet of two sides besides their own.
fn furnish(setup: &mut EngineSetup) {
    let compress = Some(Compress { above: 0.1, ratio: 3.0 });
    let room = InputSetup { compress, steep: true, low_pass_hertz: 9_000.0, ..InputSetup::default() };
    let (channel, delay) = (1, Frames(333));
    let keyed = InputSetup { channel, delay, talks: Some(Talks::ByKey), ..InputSetup::default() };
    let voice = InputSetup { talks: Some(Talks::ByVoice), gate_opens: Some(0.2), ..InputSetup::default() };
    setup.inputs = vec![room, keyed, voice];
    let sources = [PartSource::Click(0), PartSource::Input(0), PartSource::Input(1), PartSource::Input(2)];
    let parts = sources.map(|source| PartSetup { source, left: 1.0, right: -0.7 });
    let next = setup.outlets.len() as u16;
    setup.outlets.push(OutletSetup { channels: vec![next, next + 1], parts: parts.to_vec() });
}

#[test]
fn a_million_blocks_with_every_command_allocate_free_and_call_nothing() {
    let mut random = fastrand::Rng::with_seed(7);
    let sets: Vec<Arc<Set>> = (0..4).map(|seed| Arc::new(scene(seed))).collect();
    let mut setup = setup(&sets[0], 2);
    setup.lanes = 4;
    furnish(&mut setup);
    (setup.record, setup.tap_inputs) = (true, 2);
    let mut bench = Stepped::new(&setup, Arc::clone(&sets[0]));
    bench.events.reserve(100_000);
    bench.block(64); // the first block may
    bench.advance(0);
    let (mut stream_at, mut generation) = (0, 0);
    let (mut placed, mut retired, mut switched, mut lost, mut frames) = (0, 0, 0, 0, 0);
    for block in 0..blocks() {
        let at = bench.io.at;
        if random.u8(..) < 20 {
            let when = random_when(&mut random, at);
            let command = match random.usize(..40) {
                0 => Command::Load(Arc::clone(&sets[random.usize(..4)])),
                1 => Command::Place {
                    song: 0,
                    leg: 0,
                    called: false,
                    pass: 0,
                    at: Exact::at(at),
                    stretch: Stretch::ONE,
                },
                2 | 3 => random_room(&mut random),
                _ => random_command(&mut random, &sets[0]),
            };
            bench.send(when, command);
        }
        feed(&mut random, &mut bench, &mut stream_at, generation);
        let size = if random.u8(..) < 2 { random.usize(..2000) } else { random.usize(..64) };
        for channel in 0..2 {
            let input = bench.io.input.channel_mut(channel, size);
            input.fill_with(|| random.f32() * 2.0 - 1.0);
            if let (true, Some(sample)) = (random.u8(..) < 5, input.first_mut()) {
                *sample = if random.bool() { f32::NAN } else { f32::INFINITY };
            }
        }
        bench.io.frames = size;
        let (memory, calls, last) = watched(|| bench.engine.process(&mut bench.io));
        assert_eq!((memory, calls), (0, 0), "block {block}: memory touched, system call {last}");
        frames += size;
        // Now and then the ordinary side sleeps: rings run full.
        if block % 4096 > 1000 || block % 64 == 0 {
            for event in bench.control.events.pop_iter() {
                match event.what {
                    What::StreamWanted { generation: wanted, .. } => {
                        (generation, stream_at) = (wanted, event.at.0);
                    }
                    What::Placed { .. } => placed += 1,
                    What::Switched { .. } => switched += 1,
                    What::LostHits { .. } | What::LateHit { .. } => lost += 1,
                    _ => {}
                }
            }
            retired += bench.control.retired.pop_iter().count();
            if let Some(tap) = &mut bench.control.tap {
                tap.headers.clear();
                tap.samples.clear();
            }
        }
        let late = if random.u16(..) < 60 { random.i64(0..3000) } else { 0 };
        bench.advance(late);
    }
    println!(
        "{} blocks, {frames} frames: {placed} placings, {switched} switches, {lost} lost or late, {retired} sets retired",
        blocks()
    );
    assert!(placed > blocks() / 1000 && switched > 20 && lost > 20 && retired > 20, "the run saw too little");
}

/// Timecode out, another machine, and another device's click, each or none.
fn others(random: &mut fastrand::Rng, setup: &mut EngineSetup) {
    let frames = FrameRate::ALL[random.usize(..6)];
    setup.timecode = random.bool().then(|| TimecodeSetup { channel: random.u16(..9), frames, peak: 0.1 });
    setup.peer = random.bool().then(|| PeerSetup {
        backup: random.bool(),
        returning: random.bool(),
        timecode: random.u16(..3),
        click: random.bool().then(|| PeerClick {
            channel: random.u16(..3),
            click: random.u8(..3),
            passed: random.bool().then(|| Frames(random.i64(0..900))),
        }),
        align: Span::frames(Frames(random.i64(-2000..2000))),
        latch: Frames(random.i64(0..5000)),
    });
    if random.bool() {
        setup.outside.push(OutsideSetup {
            channel: random.u16(..3),
            click: random.u8(..3),
            safety: Frames(if random.bool() { 0 } else { random.i64(190..900) }),
            starts_song: random.bool(),
            tolerance: None,
            latch: Latch::default(),
        });
    }
}

/// The two machines of a rig and a pad, each block of each under both detectors.
#[test]
fn machines_that_send_and_follow_timecode_and_a_pad_allocate_free_and_call_nothing() {
    let mut random = fastrand::Rng::with_seed(11);
    let set = {
        let mut set = scene(2);
        for (index, song) in set.songs.iter_mut().enumerate() {
            song.said.number = index as u16 + 1;
            song.said.base_seconds = (index as u32 + 1) * 3600;
        }
        Arc::new(set)
    };
    let mut main = setup(&set, 0);
    let line = main.outlets.len() as u16;
    main.timecode = Some(TimecodeSetup { channel: line, frames: FrameRate::NtscDrop, peak: 0.1 });
    let mut backup = main.clone();
    let click = PeerClick { channel: 1, click: 0, passed: Some(Frames(384)) };
    backup.peer = Some(PeerSetup {
        backup: true,
        returning: false,
        timecode: 0,
        click: Some(click),
        align: Span(0),
        latch: Frames(2880),
    });
    let mut pad = setup(&set, 0);
    let (safety, latch) = (Frames(384), Latch::default());
    pad.outside =
        vec![OutsideSetup { channel: 1, click: 0, safety, starts_song: true, tolerance: None, latch }];
    let mut machines: Vec<Stepped> = [&main, &backup, &pad]
        .map(|setup| {
            let (control, engine) = fogbell::realtime::engine::engine(setup, Arc::clone(&set));
            Stepped::of(control, engine, Io::new(2, usize::from(line) + 1, 2048))
        })
        .into();
    let (mut followed, mut led, mut filled) = (0, 0, 0);
    for block in 0..blocks() / 5 {
        let size = random.usize(1..128);
        // Now and then the main is gone for some seconds.
        let dead = block / 3000 % 4 == 3;
        for index in 0..3 {
            let (before, rest) = machines.split_at_mut(index);
            let Some((machine, _)) = rest.split_first_mut() else { continue };
            if random.u8(..) < 4 {
                let command = match index {
                    0 if block % 512 > 8 => random_command(&mut random, &set),
                    0 => Command::Start,
                    _ if random.u8(..) < 20 => Command::StandDown,
                    _ => Command::AllBack,
                };
                machine.send(random_when(&mut random, machine.io.at), command);
            }
            if let Some(main) = before.first() {
                for (input, output) in [(0, usize::from(line)), (1, 0)] {
                    let from = main.io.output.channel(output, size);
                    let to = machine.io.input.channel_mut(input, size);
                    to.iter_mut().zip(from).for_each(|(to, from)| *to = if dead { 0.0 } else { *from });
                    if let (true, Some(sample)) = (random.u8(..) < 2, to.first_mut()) {
                        *sample = f32::NAN;
                    }
                }
            }
            machine.io.frames = size;
            let (memory, calls, last) = watched(|| machine.engine.process(&mut machine.io));
            assert_eq!((memory, calls), (0, 0), "block {block} of machine {index}: system call {last}");
            for event in machine.control.events.pop_iter() {
                match event.what {
                    What::Peer(now) => {
                        (followed, led) = (followed + u32::from(!now.leads), led + u32::from(now.leads))
                    }
                    What::Switched { source: Source::Fallback, .. } => filled += 1,
                    _ => {}
                }
            }
        }
        machines.iter_mut().for_each(|machine| machine.advance(0));
    }
    println!("followed {followed}, led {led}, filled in {filled} times");
    assert!(followed > 100 && led > 20 && filled > 5, "the run saw too little: {followed} {led} {filled}");
}

fn hostile(random: &mut fastrand::Rng, set: &Set) -> Command {
    let far = |random: &mut fastrand::Rng| random.i64(..) >> random.u32(..60);
    let any = |random: &mut fastrand::Rng| random.usize(..) >> random.u32(40..64);
    match random.usize(..9) {
        7 => random_room(random),
        0 => Command::Choose { song: any(random) },
        1 => Command::GoTo { song: any(random) % 4, leg: any(random) % 12, count_in: random.bool() },
        2 => Command::ShiftBeats(random.i32(..) >> random.u32(..31)),
        3 => Command::Nudge(Frames(far(random))),
        4 => Command::Tempo(Stretch { over: far(random), under: far(random) }),
        5 => Command::Place {
            song: any(random) % 4,
            leg: any(random) % 12,
            called: random.bool(),
            pass: random.u32(..),
            at: Exact(random.i128(..) >> random.u32(..120)),
            stretch: Stretch { over: far(random).saturating_abs(), under: far(random).saturating_abs() },
        },
        6 => Command::MuteClick { click: any(random), muted: random.bool() },
        _ => random_command(random, set),
    }
}

/// Blocks too large, empty, without channels, at places near the end of time, losses that make no sense.
fn hostile_night(seed: u64) {
    let mut random = fastrand::Rng::with_seed(seed);
    let set = Arc::new(scene(seed % 16));
    let mut setup = setup(&set, 2);
    setup.max_block = random.usize(..5000);
    setup.look_ahead = random.usize(1..200);
    setup.record = random.bool();
    if random.bool() {
        furnish(&mut setup);
    }
    others(&mut random, &mut setup);
    let mut bench = Stepped::new(&setup, Arc::clone(&set));
    let (mut stream_at, mut generation) = (0, 0);
    for _ in 0..300 {
        if random.u8(..) < 100 {
            let when = match random.usize(..3) {
                0 => When::Frame(FramePos(random.i64(..) >> random.u32(..63))),
                _ => random_when(&mut random, bench.io.at),
            };
            let command = hostile(&mut random, &set);
            bench.send(when, command);
        }
        feed(&mut random, &mut bench, &mut stream_at, generation);
        if random.u8(..) < 10 {
            bench.io = Io::new(random.usize(..3), random.usize(..9), random.usize(..3000));
        }
        bench.io.frames = random.usize(..) >> random.u32(52..64);
        if random.u8(..) < 10 {
            let place = random.i64(..) >> random.u32(..63);
            bench.io.at = if random.bool() { FramePos(place) } else { bench.io.at + Frames(place >> 20) };
        }
        bench.io.lost = if random.u8(..) < 20 { Frames(random.i64(..)) } else { Frames(0) };
        bench.io.input_offset = Frames(random.i64(..));
        bench.engine.process(&mut bench.io);
        let frames = bench.io.frames.min(bench.io.output.capacity());
        for channel in 0..bench.io.output.channels() {
            for sample in bench.io.output.channel(channel, frames) {
                assert!(sample.abs() <= CEILING, "{sample} over the ceiling");
            }
        }
        for event in bench.control.events.pop_iter() {
            if let What::StreamWanted { generation: wanted, .. } = event.what {
                (generation, stream_at) = (wanted, event.at.0);
            }
        }
        bench.io.at = FramePos(bench.io.at.0.wrapping_add(frames as i64));
    }
}

#[test]
fn nothing_that_an_interface_or_a_command_says_makes_it_panic() {
    for seed in 0..200 {
        if let Err(cause) = std::panic::catch_unwind(|| hostile_night(seed)) {
            println!("seed {seed}");
            std::panic::resume_unwind(cause);
        }
    }
}

/// The line check's callback: orders that nobody waits for, sounds that are no numbers, inputs that nobody fetches.
#[test]
fn the_line_check_s_desk_allocates_frees_and_calls_nothing() {
    let mut random = fastrand::Rng::with_seed(12);
    let rate = fogbell::units::SampleRate::standard();
    let sounds = vec![vec![0.5f32; 200].into(), vec![f32::NAN; 50].into(), Vec::new().into()];
    let (mut ears, mut process) = desk(DeskSetup { rate, inputs: 3, sounds, ceiling: 0.25 });
    let mut io = Io::new(2, 3, 256);
    let mut heard = 0;
    for block in 0..blocks() / 10 {
        match random.u8(..) {
            0..30 => ears.play(Play {
                output: random.usize(..4),
                sound: random.usize(..4),
                gain: *random.choice(&[0.1, 100.0, f32::NAN, f32::INFINITY]).unwrap(),
                looped: random.bool(),
                swell: random.u32(..300),
                number: block as u32,
            }),
            30..40 => ears.hush(),
            _ => {}
        }
        io.frames = random.usize(..300);
        io.lost = Frames(if random.u8(..) < 8 { random.i64(0..500) } else { 0 });
        io.at = io.at + io.lost;
        io.input.channel_mut(0, 256).fill(if random.bool() { 0.3 } else { f32::NAN });
        let (memory, calls, last) = watched(|| process.process(&mut io));
        assert_eq!((memory, calls), (0, 0), "block {block}: memory touched, system call {last}");
        let frames = io.frames.min(256);
        let sounding = (0..3).filter(|c| io.output.channel(*c, frames).iter().any(|x| *x != 0.0)).count();
        assert!(sounding <= 1, "block {block}: {sounding} outputs sound");
        assert!((0..3).all(|c| io.output.channel(c, frames).iter().all(|x| x.abs() <= 0.25)));
        io.at = io.at + Frames(io.frames as i64);
        // Now and then the ordinary side sleeps.
        if block % 2048 > 1500 {
            let now = ears.drain();
            heard += u64::from(ears.slice(0, now - Frames(1), 1) == Some(&[0.3]));
        }
    }
    println!("{heard} times heard, {} gaps", ears.breaks());
    assert!(heard > 10 && ears.breaks() > 10);
}

/// The latency probe's callback: orders of every kind, takes that nobody fetches, slips, losses, odd samples.
#[test]
fn shots_and_takes_allocate_free_and_call_nothing() {
    let mut random = fastrand::Rng::with_seed(11);
    let probes = vec![vec![0.5f32; 200].into(), vec![f32::NAN; 50].into()];
    let setup = ShotSetup { output: 1, inputs: vec![0, 1, 7], probes, ceiling: 0.25 };
    let (mut control, mut process) = shooter(&setup);
    let mut io = Io::new(2, 3, 256);
    let (mut taken, mut whole) = (0, 0);
    for block in 0..blocks() / 10 {
        if random.u8(..) < 30 {
            let gain = *random.choice(&[0.1, 0.5, 100.0, f32::NAN, f32::INFINITY]).unwrap();
            let (probe, frames) = (random.usize(..3), random.usize(..2000));
            control.shoot(Shot { probe, gain, frames, wait: random.usize(..300) });
        }
        io.frames = random.usize(..300);
        io.lost = Frames(if random.u8(..) < 8 { random.i64(0..500) } else { 0 });
        io.at = io.at + io.lost;
        io.input_offset = Frames(if random.u8(..) < 4 { -random.i64(0..300) } else { io.input_offset.0 });
        io.input.channel_mut(0, 256).fill(if random.bool() { 0.3 } else { f32::NAN });
        let (memory, calls, last) = watched(|| process.process(&mut io));
        assert_eq!((memory, calls), (0, 0), "block {block}: memory touched, system call {last}");
        for channel in 0..3 {
            let loudest = if channel == 1 { 0.25 } else { 0.0 };
            assert!(io.output.channel(channel, io.frames).iter().all(|x| x.abs() <= loudest));
        }
        io.at = io.at + Frames(io.frames as i64);
        // Now and then the ordinary side sleeps.
        if block % 512 > 100 {
            while let Some(take) = control.take() {
                (taken, whole) = (taken + 1, whole + u32::from(take.is_whole()));
            }
        }
    }
    println!("{taken} takes, {whole} whole");
    assert!(taken > blocks() / 1000 && whole > 20);
}

/// Both ends of a second interface: rings, the two lines, the resampler, what its loss and lost frames set off.
#[test]
fn a_second_interface_is_followed_without_an_allocation_or_a_call() {
    let sides = Sides {
        rate: SampleRate::standard(),
        block: 128,
        second_rate: SampleRate::new(44_100).expect("a rate"),
        second_block: 256,
        inputs: 0,
        second_inputs: 2,
    };
    let time = Arc::new(AtomicU64::new(0));
    let theirs = Arc::clone(&time);
    let (mut writer, reader) = ends(2, 32_768, 8192, move || f64::from_bits(theirs.load(Relaxed)));
    let mut follow = Follow::new(sides, reader, Arc::new(Status::default())).expect("a resampler");
    let (mut ours, mut others) = (Io::new(2, 0, 8192), Io::new(2, 1, 8192));
    let mut random = fastrand::Rng::with_seed(21);
    let (mut heard, mut came) = (0.0f64, 0i64);
    for block in 0..100_000i64 {
        // The sizes of both sides move, frames are lost on both, the second pauses, and carries what is no number.
        let frames = if random.u32(0..100) == 0 { random.usize(1..2000) } else { 128 };
        ours.lost = Frames(if random.u32(0..2000) == 0 { random.i64(0..20_000) } else { 0 });
        ours.at = ours.at + ours.lost;
        (ours.frames, others.frames) = (frames, if random.bool() { 256 } else { random.usize(1..600) });
        let now = ours.at.0 as f64 / 48_000.0;
        let paused = block % 7000 > 6500;
        let mut counts = (0, 0, -1);
        while (came as f64) < now * 44_100.0 {
            time.store((came as f64 / 44_100.0).to_bits(), Relaxed);
            others.input.channel_mut(0, others.frames).fill(if block % 50 == 0 { f32::NAN } else { 0.25 });
            if paused {
                others.lost = others.lost + Frames(others.frames as i64);
            } else {
                counts = watched(|| writer.process(&mut others));
                others.lost = Frames(0);
            }
            came += others.frames as i64;
            assert_eq!((counts.0, counts.1), (0, 0), "block {block}: call {}", counts.2);
        }
        let counts = watched(|| follow.process(&mut ours, 0, now));
        assert_eq!((counts.0, counts.1), (0, 0), "block {block}: call {}", counts.2);
        let out = ours.input.channel(0, frames);
        assert!(out.iter().all(|x| x.is_finite()), "block {block}");
        heard += out.iter().map(|x| f64::from(x.abs())).sum::<f64>();
        ours.at = ours.at + Frames(frames as i64);
        if heard > 3e5 && block > 15_000 {
            break;
        }
    }
    assert!(heard > 10_000.0, "it was hardly heard: {heard}");
}

#[test]
fn the_ground_under_the_engine_allocates_frees_and_calls_nothing() {
    use fogbell::survive::ground::{Begin, Lease, STAND_IN, ground};
    let mut random = fastrand::Rng::with_seed(11);
    let set = Arc::new(scene(11));
    let setup = setup(&set, 2);
    let (mut control, engine) = fogbell::realtime::engine::engine(&setup, Arc::clone(&set));
    let outputs = setup.outlets.len();
    let mut io = Io::new(2, outputs, 2048);
    let mut nobody = Io::new(2, outputs, 2048);
    nobody.unheard = true;
    let lease = Lease::new(Box::new(engine));
    let (mut ground, mut readings) = ground(&lease, set.rate, Begin::Fresh, true);
    let (mut now, mut at, mut id, mut told, mut stood_in) = (1_000_000_000_000_i64, 0, 0, 0, 0);
    for block in 0..blocks() / 10 {
        let size = random.usize(1..512);
        if random.u8(..) < 4 {
            id += 1;
            let (when, command) = (random_when(&mut random, FramePos(at)), random_command(&mut random, &set));
            let _full = control.commands.try_push(fogbell::realtime::command::Timed { when, command, id });
        }
        now += size as i64 * 20_833 + if random.u16(..) < 90 { random.i64(0..4_000_000_000) } else { 0 };
        if random.u16(..) < 40 {
            lease.stand_in();
            (nobody.at, nobody.frames) = (lease.next().unwrap_or_default(), 256);
            let (memory, calls, last) = watched(|| stood_in += u32::from(lease.run(STAND_IN, &mut nobody)));
            assert_eq!((memory, calls), (0, 0), "block {block} of the stand-in: system call {last}");
        }
        (io.at, io.lost, io.frames, io.thrift) = (FramePos(at), Frames(0), size, random.u8(..6));
        let (memory, calls, last) = watched(|| ground.block(now, &mut io));
        assert_eq!((memory, calls), (0, 0), "block {block}: system call {last}");
        at += size as i64;
        told += readings.pop_iter().count();
        let _told = control.events.pop_iter().count();
        while control.retired.try_pop().is_some() {}
    }
    assert!(told > 50 && stood_in > 1, "the run saw too little: {told} {stood_in}");
}
