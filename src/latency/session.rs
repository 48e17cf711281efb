//! Shots on an interface: first ever louder until what comes back is good, then as many as are asked for.
//!
//! In: an interface, what to open, a probe. Out: takes. Thread: the caller's, which sleeps while the audio
//! thread plays. Always: the first shot is quiet, the level rises by one step a shot and never above the
//! ceiling; frames that were lost cost a shot, which is repeated and counted.

use super::shot::{ShotControl, ShotSetup, Take, shooter};
use crate::device::{DeviceError, Health, HealthState, Interface, Negotiated, OpenSetup};
use crate::units::{Decibels, Frames};
use std::sync::Arc;
use std::time::{Duration, Instant};

/// The first shot's largest sample: about what a distant voice leaves in a loop at line level.
pub const QUIET: Decibels = Decibels(-48.0);
/// No shot is louder, unless somebody says so.
pub const CEILING: Decibels = Decibels(-12.0);
/// From one shot to the next.
pub const STEP: f64 = 6.0;
/// The quietest that is tried when even the first shot overloads the input.
const FLOOR: f64 = -72.0;

const LOOK: Duration = Duration::from_millis(3);
/// A take that needs longer than its frames and this is not coming.
const PATIENCE: Duration = Duration::from_secs(3);
/// Shots that may be spoilt before the series is given up.
const MOST_SPOILT: u32 = 8;
/// Blocks are 2^k frames: starts this far apart fall on every place in them.
const STRIDE: usize = 37;

/// What to play and how often.
#[derive(Clone, Debug)]
pub struct Plan {
    /// Channels from 0.
    pub output: usize,
    pub inputs: Vec<usize>,
    /// Full scale is the largest sample that a gain of 1 plays.
    pub probe: Arc<[f32]>,
    /// Frames to record for each shot, the probe's own included.
    pub frames: usize,
    pub shots: u32,
    pub quiet: Decibels,
    pub ceiling: Decibels,
}

/// What a take of the rise says.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Level {
    Good,
    /// Nothing came back, or not enough of it.
    TooQuiet,
    /// The input is overloaded.
    TooLoud,
}

/// A series on one start of a stream.
#[derive(Clone, Debug)]
pub struct Series {
    pub negotiated: Negotiated,
    /// Whole ones, in the order they were played. With a level that never became good, the last of the rise.
    pub takes: Vec<Take>,
    /// Gain of each take.
    pub level: Decibels,
    /// How the rise ended.
    pub ended: Level,
    /// Levels tried on the way.
    pub risen: Vec<Decibels>,
    /// Shots that lost frames or slipped, and were played again.
    pub spoilt: u32,
    /// Counted by the host while it ran.
    pub xruns: u64,
    pub slips: u64,
    pub input_offset: Frames,
}

/// Why there is no series.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Failure {
    Device(DeviceError),
    /// The stream stopped, in words.
    Stopped(String),
    /// Frames were lost in nearly every shot.
    Unsteady {
        spoilt: u32,
    },
}

impl From<DeviceError> for Failure {
    fn from(error: DeviceError) -> Failure {
        Failure::Device(error)
    }
}

/// Opens, rises, shoots, closes. `level_of` judges each take of the rise; `from` starts the rise at a level that was
/// good before (never above the ceiling).
pub fn series(
    interface: &mut dyn Interface,
    open: &OpenSetup,
    plan: &Plan,
    level_of: &mut dyn FnMut(&Take) -> Level,
) -> Result<Series, Failure> {
    let opened = interface.open(open)?;
    let negotiated = opened.negotiated().clone();
    let setup = ShotSetup {
        output: plan.output,
        inputs: plan.inputs.clone(),
        probe: Arc::clone(&plan.probe),
        frames: plan.frames,
        ceiling: plan.ceiling.gain(),
    };
    let (control, process) = shooter(&setup);
    let mut running = opened.start(Box::new(process))?;
    let mut gun = Gun {
        control,
        health: &mut || running.health(),
        limit: Duration::from_secs_f64(plan.frames as f64 / f64::from(negotiated.rate.hertz())) + PATIENCE,
        fired: 0,
        spoilt: 0,
    };
    let shot = gun.series(plan, level_of);
    let (spoilt, health) = (gun.spoilt, running.health());
    running.stop();
    let (takes, level, ended, risen) = shot?;
    let input_offset = takes.last().map_or(Frames(0), |take| take.input_offset);
    Ok(Series {
        negotiated,
        takes,
        level,
        ended,
        risen,
        spoilt,
        xruns: health.xruns,
        slips: health.input_slips,
        input_offset,
    })
}

type Shot = (Vec<Take>, Decibels, Level, Vec<Decibels>);

struct Gun<'a> {
    control: ShotControl,
    health: &'a mut dyn FnMut() -> Health,
    limit: Duration,
    fired: usize,
    spoilt: u32,
}

impl Gun<'_> {
    fn series(&mut self, plan: &Plan, level_of: &mut dyn FnMut(&Take) -> Level) -> Result<Shot, Failure> {
        self.settle()?;
        let (mut risen, mut level) = (Vec::new(), plan.quiet.0.min(plan.ceiling.0));
        loop {
            risen.push(Decibels(level));
            let take = self.shoot(Decibels(level))?;
            let ended = level_of(&take);
            match next_level(level, ended, plan.ceiling.0, &risen) {
                Some(next) => level = next,
                None if ended == Level::Good => {
                    let takes = (0..plan.shots).map(|_| self.shoot(Decibels(level)));
                    let takes = takes.collect::<Result<Vec<_>, _>>()?;
                    return Ok((takes, Decibels(level), ended, risen));
                }
                None => return Ok((vec![take], Decibels(level), ended, risen)),
            }
        }
    }

    /// The first callbacks of a stream are uneven on many hosts, and the input may not be there yet.
    fn settle(&mut self) -> Result<(), Failure> {
        let begun = Instant::now();
        while (self.health)().callbacks < 4 || begun.elapsed() < Duration::from_millis(150) {
            self.alive(begun)?;
            std::thread::sleep(LOOK);
        }
        Ok(())
    }

    /// A whole take; spoilt ones are played again.
    fn shoot(&mut self, level: Decibels) -> Result<Take, Failure> {
        loop {
            self.fired += 1;
            self.control.shoot(level.gain(), self.fired * STRIDE % 1024);
            let take = self.wait()?;
            if take.is_whole() {
                return Ok(take);
            }
            self.spoilt += 1;
            if self.spoilt > MOST_SPOILT {
                return Err(Failure::Unsteady { spoilt: self.spoilt });
            }
        }
    }

    fn wait(&mut self) -> Result<Take, Failure> {
        let begun = Instant::now();
        loop {
            if let Some(take) = self.control.take() {
                return Ok(take);
            }
            self.alive(begun)?;
            std::thread::sleep(LOOK);
        }
    }

    fn alive(&mut self, begun: Instant) -> Result<(), Failure> {
        match (self.health)().state {
            HealthState::Lost(why) => Err(Failure::Stopped(why)),
            HealthState::Stalled => {
                Err(Failure::Stopped("it has stopped calling, although no error came".into()))
            }
            HealthState::Finished => Err(Failure::Stopped("it has reached its end".into())),
            HealthState::Running if begun.elapsed() > self.limit => {
                Err(Failure::Stopped("it calls too slowly to play the probe".into()))
            }
            HealthState::Running => Ok(()),
        }
    }
}

/// One step up or down from here; `None` when there is no other level to try.
fn next_level(level: f64, ended: Level, ceiling: f64, risen: &[Decibels]) -> Option<f64> {
    let next = match ended {
        Level::Good => return None,
        Level::TooQuiet => (level + STEP).min(ceiling),
        Level::TooLoud => level - STEP,
    };
    let tried = risen.iter().any(|tried| (tried.0 - next).abs() < 0.01);
    (!tried && next >= FLOOR).then_some(next)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::device::virtual_interface::{Cable, Capture, Fault, FaultKind, Pace, VirtualInterface, World};
    use crate::units::{FramePos, SampleRate};

    fn world(gain: f64) -> World {
        World { cables: vec![Cable { output: 3, input: 2, delay_frames: 400.0, gain }], ..World::default() }
    }

    fn plan() -> Plan {
        Plan {
            output: 2,
            inputs: vec![1],
            probe: vec![1.0, -1.0].into(),
            frames: 900,
            shots: 3,
            quiet: QUIET,
            ceiling: CEILING,
        }
    }

    fn run(world: World, capture: &Capture) -> Result<Series, Failure> {
        let mut interface = VirtualInterface::new(world, Pace::RealTime).captured_by(capture);
        let open = OpenSetup::new(SampleRate::standard(), 64, 2, 4);
        series(&mut interface, &open, &plan(), &mut |take| match take.peak() {
            peak if peak > 0.5 => Level::TooLoud,
            peak if peak < 0.01 => Level::TooQuiet,
            _ => Level::Good,
        })
    }

    #[test]
    fn the_level_rises_by_steps_until_it_is_good_and_no_other_output_sounds() {
        let capture = Capture::default();
        let series = run(world(0.2), &capture).unwrap();
        assert_eq!(series.risen, [-48.0, -42.0, -36.0, -30.0, -24.0].map(Decibels));
        assert_eq!((series.ended, series.takes.len(), series.level), (Level::Good, 3, Decibels(-24.0)));
        for take in &series.takes {
            assert_eq!(take.heard[0].iter().position(|x| *x != 0.0), Some(400));
        }
        let captured = capture.take();
        let loudest = |channel: &Vec<f32>| channel.iter().fold(0.0f32, |most, x| most.max(x.abs()));
        let peaks: Vec<f32> = captured.outputs.iter().map(loudest).collect();
        assert_eq!(peaks, [0.0, 0.0, Decibels(-24.0).gain(), 0.0]);
        // The first sample that leaves is a quiet one.
        let first = captured.outputs[2].iter().find(|x| **x != 0.0).unwrap();
        assert!((first - QUIET.gain()).abs() < 1e-6);
    }

    #[test]
    fn the_rise_stops_at_the_ceiling_when_nothing_comes_back() {
        let capture = Capture::default();
        let series = run(world(0.0), &capture).unwrap();
        assert_eq!((series.ended, series.takes.len(), series.level), (Level::TooQuiet, 1, CEILING));
        assert_eq!(series.risen.len(), 7);
        let loudest = capture.take().outputs[2].iter().fold(0.0f32, |most, x| most.max(x.abs()));
        assert_eq!(loudest, CEILING.gain());
    }

    #[test]
    fn an_overloaded_input_makes_it_quieter_to_a_floor() {
        let series = run(world(1e6), &Capture::default()).unwrap();
        assert_eq!((series.ended, series.level), (Level::TooLoud, Decibels(FLOOR)));
    }

    #[test]
    fn shots_that_lose_frames_are_played_again_and_a_stream_that_stops_is_told() {
        let late = |at| Fault { at: FramePos(at), kind: FaultKind::LateBy, frames: Some(50) };
        let faults = vec![late(9_000), late(12_000)];
        let series = run(World { faults, ..world(0.9) }, &Capture::default()).unwrap();
        assert_eq!(series.takes.len(), 3);
        assert!(series.takes.iter().all(Take::is_whole) && series.xruns == 2);
        let faults = vec![Fault { at: FramePos(9_600), kind: FaultKind::Vanish, frames: None }];
        assert!(matches!(run(World { faults, ..world(0.9) }, &Capture::default()), Err(Failure::Stopped(_))));
    }
}
