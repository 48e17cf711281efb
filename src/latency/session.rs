//! Shots on an interface: short ones, ever louder, until what comes back is good; then the whole probe.
//!
//! In: an interface, what to open, two probes. Out: a take. Thread: the caller's, which sleeps while the audio
//! thread plays. Always: the first shot is quiet, the level rises by one step a shot and never above the
//! ceiling; frames that were lost cost a shot, which is repeated and counted.

use super::shot::{Shot, ShotControl, ShotSetup, Take, shooter};
use super::{Answer, Refusal};
use crate::device::{DeviceError, Health, HealthState, Interface, Negotiated, OpenSetup, Running};
use crate::units::{Decibels, Frames, SampleRate};
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
/// A whole probe that drowned is played once more, louder, only while the series stays within this.
const LONGEST_SECONDS: f64 = 14.0;
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
    /// For the rise: short. Peak 1, as the other.
    pub trial: Sound,
    pub probe: Sound,
    pub quiet: Decibels,
    pub ceiling: Decibels,
}

/// What is played, and how many frames are recorded from its first frame on.
#[derive(Clone, Debug)]
pub struct Sound {
    pub samples: Arc<[f32]>,
    pub frames: usize,
}

/// What a take of the rise says.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Level {
    Good,
    /// Something came back, not well enough: louder is better, and at the ceiling it must do.
    Weak,
    Nothing,
    /// The input is overloaded.
    TooLoud,
}

/// Over this a rise has come far enough: an interval of a hundredth of a frame.
const GOOD_SNR_DB: f64 = 30.0;

impl Level {
    /// What the whole probe's verdict means: an answer is one at any level, a refusal for noise asks for more.
    pub fn of_whole(answer: &Answer) -> Level {
        if answer.measured().is_some() { Level::Good } else { Level::of(answer) }
    }

    /// What a trial's verdict means for the level.
    pub fn of(answer: &Answer) -> Level {
        match answer {
            Answer::Measured(found) if found.snr_db >= GOOD_SNR_DB => Level::Good,
            Answer::Measured(_) => Level::Weak,
            Answer::Refused(Refusal::Clipped { .. }) => Level::TooLoud,
            Answer::Refused(Refusal::NothingCameBack { .. }) => Level::Nothing,
            Answer::Refused(
                Refusal::TooQuiet { .. }
                | Refusal::TooNoisy { .. }
                | Refusal::Hum { .. }
                | Refusal::NotAlike { .. },
            ) => Level::Weak,
            // The level is not what is wrong: the whole probe says more about it.
            Answer::Refused(_) => Level::Good,
        }
    }
}

/// A series on one start of a stream.
#[derive(Clone, Debug)]
pub struct Series {
    pub negotiated: Negotiated,
    /// Of the whole probe; with a level that never became good, the last of the rise.
    pub take: Take,
    pub level: Decibels,
    /// How the rise ended.
    pub ended: Level,
    /// Levels tried on the way.
    pub risen: Vec<Decibels>,
    /// When the stream was started.
    pub started: jiff::Timestamp,
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

/// Judges a take of the plan's trial (0) or whole probe (1).
pub type LevelOf<'a> = &'a mut dyn FnMut(usize, &Take) -> Level;

/// Opens, rises, plays the probe, closes. `level_of` judges each take.
pub fn series(
    interface: &mut dyn Interface,
    open: &OpenSetup,
    plan: &Plan,
    level_of: LevelOf,
) -> Result<Series, Failure> {
    let opened = interface.open(open)?;
    let negotiated = opened.negotiated().clone();
    let setup = ShotSetup {
        output: plan.output,
        inputs: plan.inputs.clone(),
        probes: vec![Arc::clone(&plan.trial.samples), Arc::clone(&plan.probe.samples)],
        ceiling: plan.ceiling.gain(),
    };
    let (control, process) = shooter(&setup);
    let started = jiff::Timestamp::now();
    let mut running = opened.start(Box::new(process))?;
    let mut gun = Gun::new(control, negotiated.rate, Alone(&mut *running));
    let shot = gun.series(plan, level_of);
    let (spoilt, health) = (gun.spoilt, running.health());
    running.stop();
    let (take, level, ended, risen) = shot?;
    Ok(Series {
        input_offset: take.input_offset,
        started,
        negotiated,
        take,
        level,
        ended,
        risen,
        spoilt,
        xruns: health.xruns,
        slips: health.input_slips,
    })
}

/// A take, its level, how the rise ended, and the levels on the way.
pub type Shots = (Take, Decibels, Level, Vec<Decibels>);

/// The stream that shots are fired on.
pub trait Stream {
    /// Asked a few hundred times a second.
    fn health(&mut self) -> Health;

    /// Returns when a shot may begin, or when there is no more to wait for.
    fn turn(&mut self) {}
}

/// Nothing else plays.
struct Alone<'a>(&'a mut dyn Running);

impl Stream for Alone<'_> {
    fn health(&mut self) -> Health {
        self.0.health()
    }
}

/// Fires shots on a stream that runs.
pub struct Gun<S> {
    control: ShotControl,
    stream: S,
    rate: f64,
    fired: usize,
    spoilt: u32,
}

impl<S: Stream> Gun<S> {
    pub fn new(control: ShotControl, rate: SampleRate, stream: S) -> Gun<S> {
        Gun { control, stream, rate: f64::from(rate.hertz()), fired: 0, spoilt: 0 }
    }

    /// Settles, rises, plays the whole probe; where that drowns in noise, the rise goes on while the ceiling
    /// allows. Errors: the stream stops, or every shot is spoilt.
    pub fn series(&mut self, plan: &Plan, level_of: LevelOf) -> Result<Shots, Failure> {
        self.settle()?;
        let (mut risen, mut level) = (Vec::new(), plan.quiet.0.min(plan.ceiling.0));
        let mut played = 0;
        loop {
            risen.push(Decibels(level));
            played += plan.trial.frames;
            let take = self.shoot(0, plan.trial.frames, level)?;
            let ended = level_of(0, &take);
            let mut next = next_level(level, ended, plan.ceiling.0, &risen);
            if next.is_none() {
                if !matches!(ended, Level::Good | Level::Weak) {
                    return Ok((take, Decibels(level), ended, risen));
                }
                let take = self.shoot(1, plan.probe.frames, level)?;
                played += plan.probe.frames;
                next = next_level(level, level_of(1, &take), plan.ceiling.0, &risen);
                let once_more = (played + plan.trial.frames + plan.probe.frames) as f64 / self.rate;
                if next.is_none() || once_more > LONGEST_SECONDS {
                    return Ok((take, Decibels(level), ended, risen));
                }
            }
            level = next.unwrap_or(level);
        }
    }

    /// The first callbacks of a stream are uneven on many hosts, and the input may not be there yet.
    fn settle(&mut self) -> Result<(), Failure> {
        let begun = Instant::now();
        while self.stream.health().callbacks < 4 || begun.elapsed() < Duration::from_millis(150) {
            self.alive(begun, Duration::ZERO)?;
            std::thread::sleep(LOOK);
        }
        Ok(())
    }

    /// A whole take of the plan's trial (0) or probe (1); spoilt ones are played again.
    pub fn shoot(&mut self, probe: usize, frames: usize, level: f64) -> Result<Take, Failure> {
        let lasts = Duration::from_secs_f64(frames as f64 / self.rate);
        loop {
            self.stream.turn();
            self.fired += 1;
            let wait = self.fired * STRIDE % 1024;
            self.control.shoot(Shot { probe, gain: Decibels(level).gain(), frames, wait });
            let take = self.wait(lasts)?;
            if take.is_whole() {
                return Ok(take);
            }
            self.spoilt += 1;
            if self.spoilt > MOST_SPOILT {
                return Err(Failure::Unsteady { spoilt: self.spoilt });
            }
        }
    }

    fn wait(&mut self, lasts: Duration) -> Result<Take, Failure> {
        let begun = Instant::now();
        loop {
            if let Some(take) = self.control.take() {
                return Ok(take);
            }
            self.alive(begun, lasts)?;
            std::thread::sleep(LOOK);
        }
    }

    fn alive(&mut self, begun: Instant, lasts: Duration) -> Result<(), Failure> {
        match self.stream.health().state {
            HealthState::Lost(why) => Err(Failure::Stopped(why)),
            HealthState::Stalled => {
                Err(Failure::Stopped("it has stopped calling, although no error came".into()))
            }
            HealthState::Finished => Err(Failure::Stopped("it has reached its end".into())),
            HealthState::Running if begun.elapsed() > lasts + PATIENCE => {
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
        Level::Weak | Level::Nothing => (level + STEP).min(ceiling),
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
            trial: Sound { samples: vec![1.0, -1.0].into(), frames: 900 },
            probe: Sound { samples: vec![0.0, 1.0].into(), frames: 2000 },
            quiet: QUIET,
            ceiling: CEILING,
        }
    }

    fn run(world: World, capture: &Capture) -> Result<Series, Failure> {
        let mut interface = VirtualInterface::new(world, Pace::RealTime).captured_by(capture);
        let open = OpenSetup::new(SampleRate::standard(), 64, 2, 4);
        series(&mut interface, &open, &plan(), &mut |_, take| match take.peak() {
            peak if peak > 0.5 => Level::TooLoud,
            peak if peak > 0.0 && peak < 0.01 => Level::Weak,
            0.0 => Level::Nothing,
            _ => Level::Good,
        })
    }

    #[test]
    fn the_level_rises_by_steps_until_it_is_good_and_no_other_output_sounds() {
        let capture = Capture::default();
        let series = run(world(0.2), &capture).unwrap();
        assert_eq!(series.risen, [-48.0, -42.0, -36.0, -30.0, -24.0].map(Decibels));
        assert_eq!((series.ended, series.level), (Level::Good, Decibels(-24.0)));
        assert_eq!(series.take.heard[0].iter().position(|x| *x != 0.0), Some(401));
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
        assert_eq!((series.ended, series.level), (Level::Nothing, CEILING));
        assert_eq!(series.risen.len(), 7);
        let loudest = capture.take().outputs[2].iter().fold(0.0f32, |most, x| most.max(x.abs()));
        assert_eq!(loudest, CEILING.gain());
    }

    #[test]
    fn what_is_weak_even_at_the_ceiling_is_measured_there() {
        let series = run(world(0.002), &Capture::default()).unwrap();
        assert_eq!((series.ended, series.level), (Level::Weak, CEILING));
        assert_eq!(series.take.heard[0].iter().position(|x| *x != 0.0), Some(401));
    }

    #[test]
    fn where_the_whole_probe_drowns_the_rise_goes_on_to_the_ceiling_and_no_further() {
        let rise = |enough: f32| {
            let mut interface = VirtualInterface::new(world(0.5), Pace::RealTime);
            let open = OpenSetup::new(SampleRate::standard(), 64, 2, 4);
            let mut wholes = 0;
            let series = series(&mut interface, &open, &plan(), &mut |which, take| {
                wholes += which;
                if which == 0 || take.peak() >= enough { Level::Good } else { Level::Weak }
            });
            (series.unwrap(), wholes)
        };
        let (found, wholes) = rise(Decibels(-36.0).gain() * 0.49);
        assert_eq!((found.level, found.risen.len(), wholes), (Decibels(-36.0), 3, 3));
        assert_eq!(found.take.heard[0].iter().position(|x| *x != 0.0), Some(401));
        let (found, wholes) = rise(1.0);
        assert_eq!((found.level, found.risen.len(), wholes), (CEILING, 7, 7));
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
        assert!(series.take.is_whole() && series.xruns == 2 && series.spoilt >= 1, "{series:?}");
        let faults = vec![Fault { at: FramePos(9_600), kind: FaultKind::Vanish, frames: None }];
        assert!(matches!(run(World { faults, ..world(0.9) }, &Capture::default()), Err(Failure::Stopped(_))));
    }
}
