//! With cables from outputs to inputs: which output arrives where, found without a person.
//!
//! A sweep leaves one output after the other, quiet first; a matched filter finds it on every input, among hum, noise
//! and a standing voltage (it listens above 250 Hz).

use super::alike;
use super::desk::{Ears, Play};
use super::judge::{self, Fault};
use super::measure::{self, Still};
use crate::latency::spectrum::{Bin, SEARCH, Transform, weigh};
use crate::latency::suspects::median;
use crate::units::{Decibels, FramePos, Frames, SampleRate};
use serde::{Deserialize, Serialize};

const STILL_SECONDS: f64 = 1.2;
/// The longest way from an output to an input, in seconds.
const LONGEST_DELAY: f64 = 0.25;
/// A sweep counts as heard when its peak stands so far over the middle of the filter's other values (noise reaches 5).
const STANDS: f64 = 14.0;
/// What comes back so far below what was sent is crosstalk, not a cable …
const CROSSTALK_DB: f64 = -50.0;
/// … and so is what lies so far below the strongest.
const BELOW_STRONGEST_DB: f64 = 25.0;
/// A cable that loses more is no whole cable (common practice, no source).
const WEAK_DB: f64 = -30.0;
/// From one level to the next.
const STEP_DB: f64 = 12.0;

/// Where a sweep came in.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Arrival {
    /// From 1.
    pub input: u16,
    /// Against what was sent; not told where it clips.
    pub gain_db: f64,
    pub inverted: bool,
    pub delay_frames: i64,
    pub clips: bool,
}

/// What is wrong with one output's way.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case", tag = "fault")]
pub enum Wrong {
    /// It arrives nowhere.
    Nothing {
        expected: u16,
    },
    /// It arrives, but not where it should.
    Elsewhere {
        expected: u16,
        input: u16,
    },
    /// It arrives where it should, and here, too.
    Also {
        input: u16,
    },
    Inverted {
        input: u16,
    },
    Weak {
        input: u16,
        gain_db: f64,
    },
    Clips {
        input: u16,
        at_db: f64,
    },
}

impl Wrong {
    pub const fn word(&self) -> &'static str {
        match self {
            Wrong::Nothing { .. } => "nothing",
            Wrong::Elsewhere { .. } => "elsewhere",
            Wrong::Also { .. } => "also",
            Wrong::Inverted { .. } => "inverted",
            Wrong::Weak { .. } => "weak",
            Wrong::Clips { .. } => "clips",
        }
    }

    pub fn words(&self) -> String {
        match self {
            Wrong::Nothing { expected } => format!("NOTHING on input {expected}: no cable, or a dead one"),
            Wrong::Elsewhere { expected, input } => format!("ARRIVES AT INPUT {input}, not at {expected}"),
            Wrong::Also { input } => format!("ARRIVES AT INPUT {input}, too: a split cable?"),
            Wrong::Inverted { input } => format!("POLARITY turned over on the way to input {input}"),
            Wrong::Weak { input, gain_db } => format!("WEAK on input {input}: {gain_db:.0} dB"),
            Wrong::Clips { input, at_db } => format!("CLIPS input {input} when sent at {at_db:.0} dBFS"),
        }
    }

    pub const fn mend(&self) -> &'static str {
        match self {
            Wrong::Nothing { .. } => "try the cable on a channel that works, then another cable",
            Wrong::Elsewhere { .. } => "swap the plugs, or the channels in the rig file",
            Wrong::Also { .. } => "give each its own cable; look at the interface's own mixer",
            Wrong::Inverted { .. } => "another cable: this one has two wires swapped",
            Wrong::Weak { .. } => "another cable (a broken shield?), or the pad off",
            Wrong::Clips { .. } => "turn that input down, to line level; never into a preamplifier",
        }
    }
}

/// One output's way.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Way {
    /// From 1.
    pub output: u16,
    pub name: String,
    /// Where it should arrive, from 1.
    pub expected: u16,
    /// The loudest it was sent, peak in dBFS.
    pub level_db: f64,
    pub arrivals: Vec<Arrival>,
    pub wrong: Vec<Wrong>,
}

/// What an input showed while nothing was sent.
#[derive(Clone, Debug, Serialize)]
pub struct Rest {
    /// From 1.
    pub channel: u16,
    pub still: Still,
    pub faults: Vec<Fault>,
}

/// Everything that was found.
#[derive(Clone, Debug, Default, Serialize)]
pub struct Found {
    pub ways: Vec<Way>,
    pub inputs: Vec<Rest>,
    /// Pairs of outputs, each of which arrives where the other should.
    pub crossed: Vec<(u16, u16)>,
    pub seconds: f64,
}

/// One output to be tried.
#[derive(Clone, Debug, PartialEq)]
pub struct Try {
    pub output: u16,
    pub name: String,
    pub expected: u16,
}

enum State {
    Still { since: FramePos },
    Shot { level: f64, number: u32, found: bool },
    Over,
}

/// A check under way. The desk's last sound is the sweep.
pub struct Cabling {
    tries: Vec<Try>,
    ears: Ears,
    rate: f64,
    sweep: Vec<f32>,
    sound: usize,
    levels: (f64, f64),
    at: usize,
    shots: u32,
    breaks: u32,
    began: FramePos,
    state: State,
    found: Found,
}

impl Cabling {
    /// `levels`: the first and the loudest, in dBFS.
    pub fn new(
        tries: Vec<Try>,
        mut ears: Ears,
        rate: SampleRate,
        sweep: Vec<f32>,
        sound: usize,
        levels: (f64, f64),
    ) -> Cabling {
        let now = ears.drain();
        Cabling {
            tries,
            breaks: ears.breaks(),
            ears,
            rate: f64::from(rate.hertz()),
            sweep,
            sound,
            levels: (levels.0.min(levels.1), levels.1),
            at: 0,
            shots: 0,
            began: now,
            state: State::Still { since: now },
            found: Found::default(),
        }
    }

    /// Takes what was heard since the last turn. `false` when the check is over.
    pub fn turn(&mut self) -> bool {
        let now = self.ears.drain();
        let broken = self.ears.breaks() != self.breaks;
        self.breaks = self.ears.breaks();
        match self.state {
            State::Still { .. } if broken => self.state = State::Still { since: now },
            State::Still { since } => self.hear_the_rest(since, now),
            State::Shot { level, found, .. } if broken => self.shoot(level, found),
            State::Shot { level, number, found } => self.hear_a_shot(level, number, found),
            State::Over => {}
        }
        self.found.seconds = (now - self.began).0 as f64 / self.rate;
        !matches!(self.state, State::Over)
    }

    /// The output that is being tried, if one is.
    pub fn trying(&self) -> Option<&Try> {
        if matches!(self.state, State::Shot { .. }) { self.tries.get(self.at) } else { None }
    }

    /// What was found so far.
    pub fn found(&self) -> &Found {
        &self.found
    }

    fn shoot(&mut self, level: f64, found: bool) {
        let Some(next) = self.tries.get(self.at) else {
            self.state = State::Over;
            self.found.crossed = crossed(&self.found.ways);
            return;
        };
        self.shots += 1;
        let (output, gain) = (usize::from(next.output) - 1, Decibels(level).gain());
        let number = self.shots;
        self.ears.play(Play { output, sound: self.sound, gain, looped: false, swell: 0, number });
        self.state = State::Shot { level, number, found };
    }

    fn hear_the_rest(&mut self, since: FramePos, now: FramePos) {
        let frames = (STILL_SECONDS * self.rate) as usize;
        if now - since < Frames(frames as i64) {
            return;
        }
        let heard: Vec<&[f32]> =
            (0..self.ears.inputs()).filter_map(|input| self.ears.slice(input, since, frames)).collect();
        self.found.inputs = (0u16..)
            .zip(&heard)
            .map(|(input, samples)| {
                let still = measure::still(samples, self.rate);
                let mut faults = judge::still_faults(&still);
                let same = (0u16..).zip(&heard).filter(|(other, _)| *other != input);
                let mut same = same.filter(|(_, other)| alike::is_same([samples, other], None, self.rate));
                faults.extend(same.next().map(|(other, _)| Fault::SameAs { input: other + 1 }));
                if still.clipped > 0 {
                    faults.push(Fault::Clips { samples: still.clipped });
                }
                // An input that no cable should lead to may hum in peace.
                if !self.tries.iter().any(|one| one.expected == input + 1) {
                    faults.clear();
                }
                Rest { channel: input + 1, still, faults }
            })
            .collect();
        self.shoot(self.levels.0, false);
    }

    fn hear_a_shot(&mut self, level: f64, number: u32, found: bool) {
        let Some(begun) = self.ears.begun(number) else { return };
        let frames = self.sweep.len() + (LONGEST_DELAY * self.rate) as usize;
        if self.ears.now() - begun < Frames(frames as i64) {
            return;
        }
        let arrivals = self.arrivals(begun, frames, level);
        let top = self.levels.1;
        // Found quietly, it is sent once more as loud as it may get: does that still fit the input?
        if level < top && (arrivals.is_empty() || !arrivals.iter().any(|arrival| arrival.clips) && !found) {
            let heard = !arrivals.is_empty();
            return self.shoot(if heard { top } else { (level + STEP_DB).min(top) }, heard);
        }
        let this = &self.tries[self.at];
        let way = Way {
            output: this.output,
            name: this.name.clone(),
            expected: this.expected,
            level_db: level,
            wrong: wrong(this.expected, &arrivals, level),
            arrivals,
        };
        self.found.ways.push(way);
        self.at += 1;
        self.shoot(self.levels.0, false);
    }

    fn arrivals(&self, begun: FramePos, frames: usize, level: f64) -> Vec<Arrival> {
        let filter = Filter::new(&self.sweep, frames, self.rate);
        let sent = f64::from(Decibels(level).gain());
        let arrival = |input: usize| {
            let heard = self.ears.slice(input, begun, frames)?;
            let (delay_frames, gain) = filter.find(heard)?;
            Some(Arrival {
                input: input as u16 + 1,
                gain_db: 20.0 * (gain.abs() / sent).max(1e-10).log10(),
                inverted: gain < 0.0,
                delay_frames,
                clips: measure::clipped(heard) > 0,
            })
        };
        let all: Vec<Arrival> = (0..self.ears.inputs()).filter_map(arrival).collect();
        let strongest = all.iter().map(|arrival| arrival.gain_db).fold(f64::NEG_INFINITY, f64::max);
        let least = CROSSTALK_DB.max(strongest - BELOW_STRONGEST_DB);
        let mut all: Vec<Arrival> = all.into_iter().filter(|arrival| arrival.gain_db >= least).collect();
        all.sort_by(|a, b| b.gain_db.total_cmp(&a.gain_db));
        all
    }
}

/// The sweep's matched filter.
struct Filter {
    transform: Transform,
    sweep: Vec<Bin>,
    energy: f64,
    delays: usize,
    rate: f64,
}

impl Filter {
    fn new(sweep: &[f32], frames: usize, rate: f64) -> Filter {
        let transform = Transform::of_at_least(frames + sweep.len());
        let mut bins = transform.spectrum(sweep.iter().map(|x| f64::from(*x)));
        weigh(&mut bins, transform.size, rate, SEARCH);
        let energy = crate::latency::spectrum::energy(&bins, transform.size);
        Filter { delays: frames - sweep.len(), transform, sweep: bins, energy, rate }
    }

    /// Delay in frames and gain, its sign the polarity; `None` when nothing stands out.
    fn find(&self, heard: &[f32]) -> Option<(i64, f64)> {
        let mut bins = self.transform.spectrum(heard.iter().map(|x| f64::from(*x)));
        weigh(&mut bins, self.transform.size, self.rate, SEARCH);
        let mut cross: Vec<Bin> = bins.iter().zip(&self.sweep).map(|(b, a)| b * a.conj()).collect();
        let curve = self.transform.samples(&mut cross);
        let curve = &curve[..=self.delays];
        let best = (0..curve.len()).max_by(|a, b| curve[*a].abs().total_cmp(&curve[*b].abs()))?;
        let mut rest: Vec<f64> = curve.iter().map(|x| x.abs()).collect();
        let spread = median(&mut rest) / 0.6745;
        let stands = curve[best].abs() > STANDS * spread && curve[best].abs() > 1e-7 * self.energy;
        stands.then(|| (best as i64, curve[best] / self.energy))
    }
}

fn wrong(expected: u16, arrivals: &[Arrival], level: f64) -> Vec<Wrong> {
    let here = arrivals.iter().find(|arrival| arrival.input == expected);
    let mut wrong = Vec::new();
    match (here, arrivals.first()) {
        (None, None) => return vec![Wrong::Nothing { expected }],
        (None, Some(first)) => wrong.push(Wrong::Elsewhere { expected, input: first.input }),
        (Some(_), _) => {
            let others = arrivals.iter().filter(|arrival| arrival.input != expected);
            wrong.extend(others.map(|other| Wrong::Also { input: other.input }));
        }
    }
    let Some(main) = here.or(arrivals.first()) else { return wrong };
    if main.inverted {
        wrong.push(Wrong::Inverted { input: main.input });
    }
    if main.clips {
        wrong.push(Wrong::Clips { input: main.input, at_db: level });
    } else if main.gain_db < WEAK_DB {
        wrong.push(Wrong::Weak { input: main.input, gain_db: main.gain_db });
    }
    wrong
}

fn crossed(ways: &[Way]) -> Vec<(u16, u16)> {
    let arrives = |way: &Way, input: u16| {
        way.arrivals.first().is_some_and(|arrival| arrival.input == input) && way.expected != input
    };
    let mut pairs = Vec::new();
    for (index, one) in ways.iter().enumerate() {
        let mut rest = ways[index + 1..].iter();
        if let Some(two) = rest.find(|two| arrives(one, two.expected) && arrives(two, one.expected)) {
            pairs.push((one.output, two.output));
        }
    }
    pairs
}

impl Found {
    pub fn is_right(&self) -> bool {
        self.ways.iter().all(|way| way.wrong.is_empty())
            && self.inputs.iter().all(|rest| rest.faults.is_empty())
    }

    /// A sweep came in on this input: one that is only silent is not right, nobody knows.
    pub fn reaches(&self, input: u16) -> bool {
        self.ways.iter().flat_map(|way| &way.arrivals).any(|arrival| arrival.input == input)
    }

    /// What this proves, and what not, in sentences.
    pub fn proves(&self) -> (Vec<String>, Vec<String>) {
        let right: Vec<&Way> = self.ways.iter().filter(|way| way.wrong.is_empty()).collect();
        let mut proves: Vec<String> = right
            .iter()
            .map(|way| {
                format!(
                    "Output {} ({}), its cable and input {} work: both converters, the right way round.",
                    way.output, way.name, way.expected
                )
            })
            .collect();
        if proves.is_empty() {
            proves.push("No way from an output to an input is proven.".into());
        }
        let mut not = vec![
            "That an output reaches the right channel of the MIXER or the right player: walk it without --cables."
                .to_string(),
        ];
        let inputs: Vec<String> = right.iter().map(|way| way.expected.to_string()).collect();
        if !inputs.is_empty() {
            not.push(format!(
                "That the microphone and its cable work: what came in on input {} was this computer's own sound.",
                inputs.join(", ")
            ));
        }
        let heard = self.ways.iter().filter(|way| !way.arrivals.is_empty()).count();
        if heard == 1 {
            not.push(
                "Anything about the other outputs and inputs: there was one cable. Move it on, check again."
                    .into(),
            );
        }
        (proves, not)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn way(output: u16, input: u16) -> Way {
        let arrival = Arrival { input, gain_db: 0.0, inverted: false, delay_frames: 128, clips: false };
        let wrong = wrong(output, &[arrival], -12.0);
        Way {
            output,
            name: format!("feed {output}"),
            expected: output,
            level_db: -12.0,
            arrivals: vec![arrival],
            wrong,
        }
    }

    #[test]
    fn a_swap_of_two_is_called_crossed_and_a_ring_of_three_is_not() {
        assert_eq!(crossed(&[way(1, 2), way(2, 1), way(3, 3)]), [(1, 2)]);
        assert_eq!(crossed(&[way(1, 2), way(2, 3), way(3, 1)]), []);
        assert_eq!(way(1, 2).wrong, [Wrong::Elsewhere { expected: 1, input: 2 }]);
        assert_eq!(wrong(4, &[], -12.0), [Wrong::Nothing { expected: 4 }]);
    }

    #[test]
    fn one_cable_proves_one_way_and_says_what_it_does_not() {
        let found = Found { ways: vec![way(1, 1)], ..Found::default() };
        let (proves, not) = found.proves();
        assert!(found.is_right() && proves.len() == 1 && proves[0].contains("Output 1"), "{proves:?}");
        assert!(not.iter().any(|words| words.contains("there was one cable")), "{not:?}");
        assert!(not.iter().any(|words| words.contains("MIXER")));
        assert!(found.reaches(1) && !found.reaches(2), "silence proves no input");
    }
}
