//! Two machines on one thread, each with its own clock, cables between them, and the band's ear.
//!
//! Everything happens on the main's time, counted in frames; nothing reads a clock. The ear hears the sum of the same
//! feed of both machines, as an in-ear mixer gives it to the drummer.

use super::mishap::Mishap;
use super::streamed;
use crate::click::set::Set;
use crate::listener::{Due, Expect, Plan, WavClips};
use crate::realtime::command::{Command, Timed, When};
use crate::realtime::engine::{Control, Engine, engine};
use crate::realtime::event::{Event, What};
use crate::realtime::io::{Io, Process};
use crate::realtime::setup::{EngineSetup, PartSource};
use crate::units::{FramePos, Frames};
use ringbuf::traits::{Consumer, Producer};
use std::sync::Arc;

/// How the two machines stand.
#[derive(Clone, Debug)]
pub struct World {
    pub set: Arc<Set>,
    /// What the backup has loaded.
    pub backup_set: Arc<Set>,
    pub main: EngineSetup,
    pub backup: Option<EngineSetup>,
    /// Output channel of the feed that the ear hears, from 0.
    pub ear: usize,
    /// The click goes through the backup: the ear hears that machine only.
    pub passed: bool,
    /// The main streams click tracks from disk.
    pub streamed: bool,
    /// From an output to an input of the other machine, in frames; at least 72.
    pub cable: i64,
    /// How much faster the main's clock runs.
    pub ppm: f64,
    pub frames: i64,
    /// The song is started on this frame.
    pub start: i64,
    pub seed: u64,
}

/// What happened.
#[derive(Clone, Debug, Default)]
pub struct Played {
    /// On the main's time.
    pub ear: Vec<f32>,
    /// The main's timecode, as it leaves.
    pub timecode: Vec<f32>,
    /// Events of the backup, their frames on the main's time.
    pub backup: Vec<Event>,
    pub main: Vec<Event>,
    /// Frames that nobody asked for.
    pub lost: Vec<(i64, i64)>,
    /// The first frame of a stream that did not come as it should.
    pub stream_ends: Option<i64>,
}

/// Frames of a block of either machine.
pub const BLOCK: usize = 64;

pub(super) struct Machine {
    pub(super) control: Control,
    engine: Engine,
    pub(super) io: Io,
    /// Frames since it was started.
    done: i64,
    /// The main's frame on which it was started.
    since: i64,
    next_id: u64,
}

impl Machine {
    pub(super) fn new(setup: &EngineSetup, set: &Arc<Set>, since: i64) -> Machine {
        let (control, engine) = engine(setup, Arc::clone(set));
        let timecode = setup.timecode.map_or(0, |timecode| usize::from(timecode.channel) + 1);
        let channels = setup.outlets.iter().flat_map(|outlet| &outlet.channels);
        let outputs = channels.map(|channel| usize::from(*channel) + 1).max().unwrap_or(1).max(timecode);
        Machine { control, engine, io: Io::new(INPUTS, outputs, BLOCK), done: 0, since, next_id: 1 }
    }

    pub(super) fn send(&mut self, command: Command) {
        let _full = self.control.commands.try_push(Timed { when: When::Now, command, id: self.next_id });
        self.next_id += 1;
    }

    pub(super) fn block(&mut self, lost: i64) {
        (self.io.at, self.io.lost) = (FramePos(self.done + lost), Frames(lost));
        self.io.frames = BLOCK;
        self.engine.process(&mut self.io);
        self.done += lost + BLOCK as i64;
    }
}

/// Inputs of each machine: 0 the other's timecode, 1 the other's click, then whatever the show uses.
const INPUTS: usize = 8;
pub const TIMECODE_IN: u16 = 0;
pub const CLICK_IN: u16 = 1;

/// Plays from silence, as the world is wired. Deterministic for a world and its mishaps.
pub fn play(world: &World, mishaps: &[Mishap]) -> Played {
    let mut played = if world.streamed {
        streamed::play(world, mishaps)
    } else if world.main.outside.is_empty() {
        play_machines(world, mishaps)
    } else {
        play_pad(world, mishaps)
    };
    for mishap in mishaps {
        if let Mishap::EarOut(from, to) = mishap {
            let length = played.ear.len();
            let frame = |at: i64| usize::try_from(at).unwrap_or(0).min(length);
            played.ear[frame(*from)..frame(*to)].fill(0.0);
        }
    }
    played
}

fn play_machines(world: &World, mishaps: &[Mishap]) -> Played {
    let mut stage = Stage::new(world, mishaps);
    while stage.time < world.frames {
        stage.step();
    }
    stage.finish()
}

/// Another device plays the show's click into an input of the one machine, which starts the song from it. The device is
/// a machine of ours that plays alone.
fn play_pad(world: &World, mishaps: &[Mishap]) -> Played {
    let mut alone = world.clone();
    alone.main.outside.clear();
    let clean = play_machines(&alone, &[]).ear;
    let mut machine = Machine::new(&world.main, &world.set, 0);
    let mut played = Played::default();
    let hertz = f64::from(world.set.rate.hertz());
    for at in (0..world.frames).step_by(BLOCK) {
        for index in 0..BLOCK {
            let sample = pad_sample(&clean, at + index as i64, hertz, mishaps);
            machine.io.input.channel_mut(usize::from(CLICK_IN), BLOCK)[index] = sample;
        }
        machine.block(0);
        played.main.extend(machine.control.events.pop_iter());
        played.ear.extend_from_slice(machine.io.output.channel(world.ear, BLOCK));
    }
    played
}

fn pad_sample(clean: &[f32], frame: i64, hertz: f64, mishaps: &[Mishap]) -> f32 {
    let at = |frame: i64| usize::try_from(frame).ok().and_then(|n| clean.get(n)).copied().unwrap_or(0.0);
    let mut sample = at(frame);
    for mishap in mishaps {
        match mishap {
            Mishap::PadShifts(from, by) if frame >= *from => sample = at(frame - by),
            Mishap::PadDoubles(from) if (*from..from + hertz as i64).contains(&frame) => {
                sample += at(frame - (0.030 * hertz) as i64);
            }
            Mishap::PadHums(from) if frame >= *from => {
                sample = 0.05 * (frame as f64 / hertz * 50.0 * std::f64::consts::TAU).sin() as f32;
            }
            Mishap::ClickOut(from, to) if (*from..*to).contains(&frame) => sample = 0.0,
            _ => {}
        }
    }
    sample
}

struct Stage<'w> {
    world: &'w World,
    mishaps: &'w [Mishap],
    time: i64,
    main: Option<Machine>,
    backup: Option<Machine>,
    speed: f64,
    main_out: Vec<Vec<f32>>,
    backup_out: Vec<Vec<f32>>,
    played: Played,
    random: fastrand::Rng,
}

impl<'w> Stage<'w> {
    fn new(world: &'w World, mishaps: &'w [Mishap]) -> Stage<'w> {
        let main = Machine::new(&world.main, &world.set, 0);
        let backup = world.backup.as_ref().map(|setup| Machine::new(setup, &world.backup_set, 0));
        let outputs = main.io.output.channels();
        let backup_outputs = backup.as_ref().map_or(0, |backup| backup.io.output.channels());
        Stage {
            world,
            mishaps,
            time: 0,
            main: Some(main),
            backup,
            speed: world.speed(),
            main_out: vec![Vec::new(); outputs],
            backup_out: vec![Vec::new(); backup_outputs],
            played: Played::default(),
            random: fastrand::Rng::with_seed(world.seed),
        }
    }

    fn within(&self, time: f64, of: impl Fn(&Mishap) -> Option<(i64, i64)>) -> bool {
        self.mishaps.iter().filter_map(of).any(|(from, to)| time >= from as f64 && time < to as f64)
    }

    fn step(&mut self) {
        let (from, to) = (self.time, self.time + BLOCK as i64);
        let due = |at: i64| (from..to).contains(&at);
        let start = self.world.start;
        let mut lost = 0;
        for mishap in self.mishaps {
            match mishap {
                Mishap::MainReturns(at) if due(*at) => {
                    let mut setup = self.world.main.clone();
                    if let Some(peer) = &mut setup.peer {
                        peer.returning = true;
                    }
                    self.main = Some(Machine::new(&setup, &self.world.set, from));
                }
                Mishap::MainLate(at, frames) if due(*at) => lost += frames / BLOCK as i64 * BLOCK as i64,
                Mishap::Pressed(at, command) if due(*at) => {
                    if let Some(main) = &mut self.main {
                        main.send(command.clone());
                    }
                }
                Mishap::PressedBackup(at, command) if due(*at) => {
                    if let Some(backup) = &mut self.backup {
                        backup.send(command.clone());
                    }
                }
                _ => {}
            }
        }
        if due(start)
            && let Some(main) = &mut self.main
        {
            main.send(Command::Start);
        }
        if lost > 0 {
            // Nobody asks for these frames, and nothing leaves in them.
            self.played.lost.push((from, from + lost));
            self.main_out.iter_mut().for_each(|channel| channel.resize(channel.len() + lost as usize, 0.0));
        }
        self.step_main(lost);
        self.time += lost + BLOCK as i64;
        while let Some(backup) = &self.backup
            && (backup.done + BLOCK as i64) as f64 * self.speed - (self.world.cable as f64) + 3.0
                < self.time as f64
        {
            self.step_backup();
        }
    }

    fn step_main(&mut self, lost: i64) {
        let time = self.time + lost;
        let inputs = self.main_inputs(time);
        let Some(main) = &mut self.main else { return self.main_silence() };
        for (channel, samples) in inputs.iter().enumerate() {
            main.io.input.channel_mut(channel, BLOCK).copy_from_slice(samples);
        }
        main.block(lost);
        let since = main.since;
        let shift = |event: Event| Event { at: event.at + Frames(since), ..event };
        self.played.main.extend(main.control.events.pop_iter().map(shift));
        let dies = self.mishaps.iter().filter_map(|mishap| match mishap {
            Mishap::MainDies(at) if *at >= since => Some(*at),
            _ => None,
        });
        let dies = dies.min().unwrap_or(i64::MAX);
        let repeats = self.mishaps.iter().filter_map(|mishap| match mishap {
            Mishap::MainRepeats(at) => Some(*at),
            _ => None,
        });
        let repeats = repeats.min().unwrap_or(i64::MAX);
        for (channel, history) in self.main_out.iter_mut().enumerate() {
            for (index, sample) in main.io.output.channel(channel, BLOCK).iter().enumerate() {
                let at = time + index as i64;
                let value = match at {
                    _ if at >= dies => 0.0,
                    _ if at >= repeats => history.get(history.len() - 2 * BLOCK).copied().unwrap_or(0.0),
                    _ => *sample,
                };
                history.push(value);
            }
        }
        if time + BLOCK as i64 > dies {
            self.main = None;
        }
    }

    fn main_silence(&mut self) {
        self.main_out.iter_mut().for_each(|channel| channel.resize(channel.len() + BLOCK, 0.0));
    }

    fn main_inputs(&self, time: i64) -> Vec<Vec<f32>> {
        let mut inputs = vec![vec![0.0f32; BLOCK]; INPUTS];
        let timecode = self.world.backup.as_ref().and_then(|setup| setup.timecode);
        for index in 0..BLOCK {
            let at = (time + index as i64) as f64;
            if let Some(timecode) = timecode
                && !self.within(at, |mishap| match mishap {
                    Mishap::ReturnOut(from, to) => Some((*from, *to)),
                    _ => None,
                })
            {
                let place = (at - self.world.cable as f64) / self.speed;
                let line = self.backup_out.get(usize::from(timecode.channel));
                inputs[usize::from(TIMECODE_IN)][index] = line.map_or(0.0, |line| between(line, place));
            }
            if self.within(at, |mishap| match mishap {
                Mishap::NotANumber(from, frames) => Some((*from, from + frames)),
                _ => None,
            }) {
                inputs
                    .iter_mut()
                    .for_each(|input| input[index] = if index % 2 == 0 { f32::NAN } else { f32::INFINITY });
            }
        }
        inputs
    }

    fn step_backup(&mut self) {
        let Some(mut backup) = self.backup.take() else { return };
        let timecode = self.world.main.timecode;
        for index in 0..BLOCK {
            let time = (backup.done + index as i64) as f64 * self.speed;
            let place = time - self.world.cable as f64;
            let line = timecode.and_then(|timecode| self.main_out.get(usize::from(timecode.channel)));
            let clean = line.map_or(0.0, |line| between(line, place));
            let peak = timecode.map_or(0.0, |timecode| timecode.peak);
            backup.io.input.channel_mut(usize::from(TIMECODE_IN), BLOCK)[index] =
                self.line(clean, peak, time);
            let out = self.within(time, |mishap| match mishap {
                Mishap::ClickOut(from, to) => Some((*from, *to)),
                _ => None,
            });
            let click = self.main_out.get(self.world.ear).map_or(0.0, |line| between(line, place));
            backup.io.input.channel_mut(usize::from(CLICK_IN), BLOCK)[index] = if out { 0.0 } else { click };
        }
        backup.block(0);
        let speed = self.speed;
        let shift =
            |event: Event| Event { at: FramePos((event.at.0 as f64 * speed).round() as i64), ..event };
        self.played.backup.extend(backup.control.events.pop_iter().map(shift));
        let dead = self.mishaps.iter().any(|mishap| match mishap {
            Mishap::BackupDies(at) => (backup.done as f64 * speed) >= *at as f64,
            _ => false,
        });
        for (channel, history) in self.backup_out.iter_mut().enumerate() {
            history.extend_from_slice(backup.io.output.channel(channel, BLOCK));
        }
        self.backup = (!dead).then_some(backup);
    }

    /// What the timecode lead makes of a sample.
    fn line(&mut self, clean: f32, peak: f32, time: f64) -> f32 {
        let mut value = clean;
        let mut noise = 0.0;
        for mishap in self.mishaps {
            match mishap {
                Mishap::TimecodeOut(from, to) if time >= *from as f64 && time < *to as f64 => value = 0.0,
                Mishap::Gain(gain) => value *= gain,
                Mishap::Noise(below) => noise += f64::from(peak) * 10f64.powf(-below / 20.0),
                Mishap::Crackle(from, frames) if time >= *from as f64 && time < (from + frames) as f64 => {
                    value = self.random.f32() - 0.5;
                }
                _ => {}
            }
        }
        if noise > 0.0 {
            // Twelve uniforms make a normal of variance 1.
            let normal = (0..12).map(|_| self.random.f64()).sum::<f64>() - 6.0;
            value += (noise * normal) as f32;
        }
        value
    }

    fn finish(mut self) -> Played {
        let timecode = self.world.main.timecode.map(|timecode| usize::from(timecode.channel));
        self.played.timecode = timecode.and_then(|line| self.main_out.get(line)).cloned().unwrap_or_default();
        let length = self.world.frames as usize;
        let own = self.main_out.get(self.world.ear).cloned().unwrap_or_default();
        let other = self.backup_out.get(self.world.ear);
        self.played.ear = (0..length)
            .map(|frame| {
                let main = if self.world.passed { 0.0 } else { own.get(frame).copied().unwrap_or(0.0) };
                main + other.map_or(0.0, |line| between(line, frame as f64 / self.speed))
            })
            .collect();
        self.played
    }
}

/// A value between samples: six-point Lagrange, flat to 0.1 dB up to a fifth of the rate.
fn between(samples: &[f32], place: f64) -> f32 {
    let whole = place.floor();
    let part = place - whole;
    let at =
        |n: i64| usize::try_from(whole as i64 + n).ok().and_then(|n| samples.get(n)).copied().unwrap_or(0.0);
    if part == 0.0 {
        return at(0);
    }
    (-2..=3i64)
        .map(|n| {
            let weight: f64 =
                (-2..=3i64).filter(|m| *m != n).map(|m| (part - m as f64) / (n - m) as f64).product();
            weight * f64::from(at(n))
        })
        .sum::<f64>() as f32
}

/// What a main alone would have sounded on the ear's channel, with the same people pressing the same keys.
pub struct Clean {
    pub dues: Vec<Due>,
    pub ear: Vec<f32>,
    pub timecode: Vec<f32>,
    /// Where the song's first frame lies, its count-in included.
    pub began: i64,
}

impl Clean {
    pub fn play(world: &World, mishaps: &[Mishap]) -> Clean {
        let mut alone = world.clone();
        (alone.backup, alone.main.peer) = (None, None);
        alone.main.outside.clear();
        alone.passed = false;
        let pressed = |mishap: &&Mishap| matches!(mishap, Mishap::Pressed(_, command) if !leads(command));
        let pressed: Vec<Mishap> = mishaps.iter().filter(pressed).cloned().collect();
        let Played { ear, main, timecode, .. } = play(&alone, &pressed);
        let clips = WavClips::new(world.set.rate.hertz());
        let mut plan = Plan::new(Arc::clone(&world.set), &world.main, Box::new(clips));
        let mut told = Told { ear: world.ear as u16, dues: Vec::new() };
        main.iter().for_each(|event| plan.take(event, &mut told));
        plan.finish(FramePos(world.frames), &mut told);
        let began = main.iter().find_map(|event| match event.what {
            What::Placed { anchor_at, .. } => Some(anchor_at.nearest().0),
            _ => None,
        });
        Clean { dues: told.dues, ear, timecode, began: began.unwrap_or(world.start) }
    }
}

impl World {
    /// Frames of the main in one of the backup.
    pub fn speed(&self) -> f64 {
        let rates = f64::from(self.set.rate.hertz()) / f64::from(self.backup_set.rate.hertz());
        rates * (1.0 + self.ppm * 1e-6)
    }
}

const fn leads(command: &Command) -> bool {
    matches!(command, Command::TakeOver | Command::StandDown)
}

struct Told {
    ear: u16,
    dues: Vec<Due>,
}

impl Expect for Told {
    fn due(&mut self, due: Due) {
        if due.channel == self.ear {
            self.dues.push(Due { channel: 0, ..due });
        }
    }

    fn cut(&mut self, _: u16, _: Option<u8>, at: FramePos) {
        for due in self.dues.iter_mut().filter(|due| due.frame <= at) {
            due.cut = due.cut.or(Some(at));
        }
    }

    fn edge(&mut self, _: u16, _: FramePos) {}
}

/// The channel on which a click leaves by itself or with others, from 0.
pub fn channel_of(setup: &EngineSetup, click: u8) -> Option<usize> {
    let plays = |outlet: &&crate::realtime::setup::OutletSetup| {
        outlet.parts.iter().any(|part| part.source == PartSource::Click(click) && part.left > 0.0)
    };
    setup
        .outlets
        .iter()
        .find(plays)
        .and_then(|outlet| outlet.channels.first())
        .map(|channel| usize::from(*channel))
}
