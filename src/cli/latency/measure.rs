//! One measurement on an interface: probe, rise, take, verdict.

use super::Args;
use super::target::Channel;
use crate::device::{Interface, OpenSetup};
use crate::latency::session::{Failure, Level, Plan, QUIET, Series, Sound, series};
use crate::latency::shot::Take;
use crate::latency::{Answer, Options, Path, Probe, ProbeKind, analyse, compare};
use crate::units::{Decibels, SampleRate};

/// The span of a trial's clicks and of a whole probe, in seconds: with half a second of delay and seven trials the
/// whole takes less than 15 s.
const TRIAL_SECONDS: f64 = 0.25;
const TRIAL_SHOTS: usize = 3;
const WHOLE_SECONDS: f64 = 3.5;
/// Clicks of a probe or of a show are further apart than twice this.
pub const WIDEST_MS: f64 = 50.0;
/// For a quick look: one of many starts, or between songs.
pub const QUICK_SECONDS: f64 = 0.5;

/// What is played on which channels, and how it is judged.
#[derive(Clone, Debug)]
pub struct Aim {
    pub output: Channel,
    /// The first is the one that is judged.
    pub inputs: Vec<Channel>,
    pub kind: ProbeKind,
    pub shots: usize,
    /// Seconds over which the shots are spread.
    pub span: f64,
    pub ceiling: Decibels,
    pub options: Options,
    /// Nothing is played: somebody else's click is heard.
    pub listens: bool,
}

/// What came of it.
pub struct Outcome {
    pub series: Series,
    pub answer: Answer,
    pub probe: Probe,
}

impl Aim {
    /// The usual one.
    pub fn of(args: &Args, output: Channel, inputs: Vec<Channel>, kind: ProbeKind) -> Aim {
        // Two inputs are told apart by clicks that are further apart; five sweeps would take two seconds more than four.
        let usual = match kind {
            _ if args.compare.is_some() => 5,
            ProbeKind::Impulses => 16,
            _ => 4,
        };
        let share = args.shots.map_or(1.0, |shots| (f64::from(shots) / usual as f64).clamp(0.2, 1.0));
        let path = if args.mic { Path::Air } else { Path::Cable };
        Aim {
            output,
            inputs,
            kind,
            shots: args.shots.map_or(usual, usize::from),
            span: WHOLE_SECONDS * share,
            ceiling: Decibels(args.ceiling),
            listens: args.compare.is_some() && args.output.is_none(),
            options: Options { path, longest_delay: args.longest },
        }
    }

    /// Opens the interface as this needs it.
    pub fn open_setup(&self, setup: OpenSetup) -> OpenSetup {
        let main: Vec<Channel> = self.inputs.iter().filter(|input| !input.second).cloned().collect();
        let inputs = main.iter().map(|input| input.number).max().unwrap_or(0);
        let mut setup = OpenSetup { inputs, outputs: self.output.number, ..setup };
        setup.output_names = names(setup.outputs, std::slice::from_ref(&self.output));
        setup.input_names = names(setup.inputs, &main);
        setup
    }

    pub fn probe(&self, rate: SampleRate) -> Probe {
        let mut probe = Probe::with_shots(self.kind, rate, self.shots, self.span);
        if self.listens {
            probe.samples.fill(0.0);
        }
        probe
    }

    /// Plays it. `from` is the first level. Errors: the device, or shots that are all spoilt.
    pub fn measure(
        &self,
        interface: &mut dyn Interface,
        open: &OpenSetup,
        from: Decibels,
    ) -> Result<Outcome, Failure> {
        let probe = self.probe(open.rate);
        // Sweeps and sequences last long: two of them tell the level.
        let shots = if self.kind == ProbeKind::Impulses { TRIAL_SHOTS } else { 2 };
        let trial = Aim { shots, span: TRIAL_SECONDS, ..self.clone() }.probe(open.rate);
        let plan = Plan {
            output: self.output.index(0),
            inputs: self.inputs.iter().map(|input| input.index(open.inputs)).collect(),
            trial: self.sound(&trial),
            probe: self.sound(&probe),
            quiet: from,
            ceiling: self.ceiling,
        };
        let series = series(interface, open, &plan, &mut |which, take| {
            self.level_of([&trial, &probe][which.min(1)], which, take)
        })?;
        let judged = if matches!(series.ended, Level::Good | Level::Weak) { &probe } else { &trial };
        let heard = series.take.heard.first().map_or(&[][..], Vec::as_slice);
        let answer = analyse(judged, heard, &self.options);
        let probe = if std::ptr::eq(judged, &probe) { probe } else { trial };
        Ok(Outcome { series, answer, probe })
    }

    fn sound(&self, probe: &Probe) -> Sound {
        let longest = probe.rate.frames(self.options.longest_delay).0.max(0) as usize;
        Sound { samples: probe.samples.clone().into(), frames: probe.frames_to_record(longest) }
    }

    fn level_of(&self, probe: &Probe, which: usize, take: &Take) -> Level {
        if self.listens {
            return Level::Good;
        }
        let answer = |heard: &Vec<f32>| analyse(probe, heard, &self.options);
        match (which, take.heard.as_slice()) {
            // Two that are compared: the one that is heard worse says how loud it must be.
            (0, [one, other]) => match (Level::of(&answer(one)), Level::of(&answer(other))) {
                (Level::Good, Level::Good) => Level::Good,
                (Level::TooLoud, _) | (_, Level::TooLoud) => Level::TooLoud,
                (Level::Nothing, Level::Nothing) => Level::Nothing,
                _ => Level::Weak,
            },
            (_, [one, other]) => match compare(one, other, probe.rate, WIDEST_MS) {
                Ok(_) => Level::Good,
                Err(refusal) => Level::of(&Answer::Refused(refusal)),
            },
            (0, heard) => heard.first().map_or(Level::Nothing, |heard| Level::of(&answer(heard))),
            (_, heard) => heard.first().map_or(Level::Nothing, |heard| Level::of_whole(&answer(heard))),
        }
    }
}

/// The first shot of a measurement.
pub fn quiet_of(ceiling: f64) -> Decibels {
    Decibels(QUIET.0.min(ceiling))
}

fn names(count: u16, channels: &[Channel]) -> Vec<String> {
    let name = |number: u16| channels.iter().find(|channel| channel.number == number)?.name.clone();
    (1..=count).map(|number| name(number).unwrap_or_default()).collect()
}
