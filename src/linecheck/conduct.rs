//! A line check under way: answers and what the inputs hear come in, orders to the desk go out, a report remains.

use super::alike;
use super::desk::{Ears, Play};
use super::hum::{Hum, hum};
use super::judge::{self, Charger, Expects, Fault};
use super::measure::{self, Still, Struck};
use super::plan::{Item, Plan};
use super::walk::{Answer, Done, Kind, Phase, Times, Verdict, Walk};
use crate::units::{Decibels, FramePos, Frames, SampleRate};
use serde::Serialize;

/// From one round of a pattern to the next.
const RISE_DB: f64 = 3.0;
/// How long nobody does anything before a clap is asked for.
const STILL_SECONDS: f64 = 1.2;
const PATIENCE_SECONDS: f64 = 8.0;
const PATIENCE_ALONE_SECONDS: f64 = 3.0;
const HUM_SECONDS: f64 = 2.0;
/// A clap is judged from so much before it to so much after, in seconds.
const BEFORE: f64 = 0.02;
const AFTER: f64 = 0.30;
/// A clap that came so much louder elsewhere belongs there.
const ELSEWHERE_DB: f64 = 12.0;

/// A voice in a microphone is no quieter than this, linear RMS of 10 ms.
const ANSWER: f64 = 0.003;

/// What an output came to.
#[derive(Clone, Debug, Serialize)]
pub struct OutputReport {
    pub channel: u16,
    pub name: String,
    pub player: String,
    pub verdict: Verdict,
    /// Loudest peak that left, in dBFS; `None` when nothing did.
    pub level_db: Option<f64>,
    pub rounds: u32,
    pub keys: u32,
    pub seconds: f64,
    /// Inputs on which somebody made a noise while it sounded.
    pub answered_on: Vec<u16>,
}

/// What an input came to.
#[derive(Clone, Debug, Serialize)]
pub struct InputReport {
    pub channel: u16,
    pub name: String,
    pub expects: Expects,
    pub verdict: Verdict,
    pub faults: Vec<Fault>,
    pub still: Option<Still>,
    pub clap: Option<Struck>,
    pub keys: u32,
    pub seconds: f64,
}

/// Hum with and without the charger, an input each.
#[derive(Clone, Debug, Serialize)]
pub struct ChargerReport {
    pub channel: u16,
    pub with: Option<Hum>,
    pub without: Option<Hum>,
    pub verdict: Charger,
}

/// Everything that was found.
#[derive(Clone, Debug, Serialize)]
pub struct Report {
    pub outputs: Vec<OutputReport>,
    pub inputs: Vec<InputReport>,
    pub charger: Vec<ChargerReport>,
    pub keys: u32,
    pub seconds: f64,
}

/// What stands on the screen.
#[derive(Clone, Debug, PartialEq)]
pub struct View {
    pub step: usize,
    pub steps: usize,
    pub item: Option<Item>,
    /// In the charger's steps: it should be in.
    pub charger_in: Option<bool>,
    pub phase: Phase,
    pub seconds: f64,
    pub keys: u32,
    /// Of the sounding output.
    pub level_db: f64,
    /// Inputs on which somebody makes a noise.
    pub answered_on: Vec<u16>,
    pub faults: Vec<Fault>,
    /// Loudest sample of the last tenth of a second on the input in question.
    pub meter_db: f64,
}

#[derive(Clone, Debug, Default)]
struct Heard {
    still: Option<Still>,
    clap: Option<Struck>,
    faults: Vec<Fault>,
}

#[derive(Clone, Debug, Default)]
struct Sounded {
    rounds: u32,
    level_db: Option<f64>,
    answered_on: Vec<u16>,
}

/// How it is conducted.
#[derive(Clone, Copy, Debug, Default)]
pub struct Options {
    /// Nobody is there: every step goes on by itself.
    pub alone: bool,
    /// The listening steps charger in, charger out.
    pub charger: bool,
}

/// A check under way.
pub struct Conduct {
    plan: Plan,
    walk: Walk,
    ears: Ears,
    rate: f64,
    /// Frames of each output's pattern, in the order of the plan's outputs.
    lengths: Vec<usize>,
    playing: Option<(usize, u32)>,
    /// Patterns ordered so far.
    orders: u32,
    breaks: u32,
    /// Of every input, before the clap that is waited for since that frame.
    stills: (FramePos, Vec<Still>),
    heard: Vec<Heard>,
    sounded: Vec<Sounded>,
    hums: [Vec<Option<Hum>>; 2],
}

impl Conduct {
    /// `lengths` are those of the desk's sounds, one an output of the plan and in its order.
    pub fn new(
        plan: Plan,
        mut ears: Ears,
        rate: SampleRate,
        lengths: Vec<usize>,
        options: Options,
    ) -> Conduct {
        let kind = |item: &Item| match item {
            Item::Output(_) => Kind::Output,
            Item::Input(_) => Kind::Input,
        };
        let mut kinds: Vec<Kind> = plan.order.iter().map(kind).collect();
        if options.charger {
            kinds.extend([Kind::Charger, Kind::Charger]);
        }
        let patience = if options.alone { PATIENCE_ALONE_SECONDS } else { PATIENCE_SECONDS };
        let times = Times {
            still: rate.frames(STILL_SECONDS),
            patience: rate.frames(patience),
            hum: rate.frames(HUM_SECONDS),
        };
        let now = ears.drain();
        Conduct {
            walk: Walk::new(kinds, times, options.alone, now),
            heard: vec![Heard::default(); plan.inputs.len()],
            sounded: vec![Sounded::default(); plan.outputs.len()],
            breaks: ears.breaks(),
            plan,
            ears,
            rate: f64::from(rate.hertz()),
            lengths,
            playing: None,
            orders: 0,
            stills: (now, Vec::new()),
            hums: [Vec::new(), Vec::new()],
        }
    }

    /// Takes what was heard and answered since the last turn. `false` when the check is over.
    pub fn turn(&mut self, answers: &[Answer]) -> bool {
        let now = self.ears.drain();
        if self.ears.breaks() != self.breaks {
            self.breaks = self.ears.breaks();
            self.walk.disturbed(now);
        }
        for answer in answers {
            if *answer == Answer::Again {
                self.playing = None;
            }
            self.walk.answer(*answer, now);
        }
        self.walk.tick(now);
        match self.walk.phase() {
            Phase::Sounding => self.listen_for_an_answer(),
            Phase::Waiting => self.wait_for_a_clap(now),
            Phase::Hum if self.walk.hum_is_heard(now) => self.take_hum(now),
            _ => {}
        }
        self.sound(now);
        self.walk.phase() != Phase::Over
    }

    fn item(&self) -> Option<Item> {
        self.plan.order.get(self.walk.step()).copied()
    }

    /// Whatever should sound now does, and nothing else.
    fn sound(&mut self, now: FramePos) {
        let Some(Item::Output(index)) = self.item().filter(|_| self.walk.phase() == Phase::Sounding) else {
            if self.playing.take().is_some() {
                self.ears.hush();
            }
            return;
        };
        let length = self.lengths.get(index).copied().unwrap_or(1).max(1) as i64;
        let round = ((now - self.walk.since()).0 / length) as u32;
        if self.playing == Some((index, round)) {
            return;
        }
        let again = self.playing.is_none_or(|(playing, _)| playing != index);
        let whole = if again { 0 } else { round };
        self.walk.sounded(whole, now);
        if self.walk.phase() != Phase::Sounding || self.item_is_other(index) {
            return self.sound(now);
        }
        let (output, sounded) = (&self.plan.outputs[index], &mut self.sounded[index]);
        let level = (output.quiet_db + RISE_DB * f64::from(sounded.rounds)).min(output.ceiling_db);
        sounded.rounds += 1;
        sounded.level_db = Some(level);
        self.orders += 1;
        self.playing = Some((index, round));
        let output = usize::from(output.channel).saturating_sub(1);
        let gain = Decibels(level).gain();
        self.ears.play(Play { output, sound: index, gain, looped: false, swell: 0, number: self.orders });
    }

    fn item_is_other(&self, index: usize) -> bool {
        self.item() != Some(Item::Output(index))
    }

    /// Somebody who speaks or claps into a microphone while an output sounds: shown, and told in the report.
    fn listen_for_an_answer(&mut self) {
        let Some(Item::Output(output)) = self.item() else { return };
        let frames = (0.05 * self.rate) as usize;
        for input in &self.plan.inputs {
            let index = usize::from(input.channel) - 1;
            let from = self.ears.now() - Frames(frames as i64);
            let Some(latest) = self.ears.slice(index, from, frames) else { continue };
            let Some(before) = self.ears.slice(index, from - Frames(8 * frames as i64), 4 * frames) else {
                continue;
            };
            let answered = &mut self.sounded[output].answered_on;
            let needed = loudest(before, self.rate).max(ANSWER) * 2.5;
            if loudest(latest, self.rate) > needed && !answered.contains(&input.channel) {
                answered.push(input.channel);
            }
        }
    }

    fn wait_for_a_clap(&mut self, now: FramePos) {
        let Some(Item::Input(index)) = self.item() else { return };
        let since = self.walk.since();
        if self.stills.0 != since || self.stills.1.is_empty() {
            self.stills = (since, (0..self.ears.inputs()).map(|input| self.still(input, since)).collect());
        }
        let stills = self.stills.1.clone();
        let channel = usize::from(self.plan.inputs[index].channel) - 1;
        let Some(still) = stills.get(channel).copied() else { return };
        let line = self.plan.inputs[index].expects == Expects::Signal;
        let carries = line && still.level_db > judge::LINE_DB && still.hum.is_none();
        let at = self.clap_at(channel, since, &still);
        let elsewhere =
            || (0..stills.len()).filter_map(|other| self.clap_at(other, since, &stills[other])).min();
        let place = match at {
            Some(at) => Some(at),
            None if carries || !self.walk.is_out_of_patience(now) => None,
            None => elsewhere(),
        };
        if place.is_none() && !carries && !self.walk.is_out_of_patience(now) {
            return;
        }
        let after = (AFTER * self.rate) as usize;
        if place.is_some_and(|at| now - at < Frames(after as i64)) {
            return;
        }
        self.judge(index, channel, &stills, at, place, now);
    }

    /// The still stretch before a clap was asked for.
    fn still(&self, input: usize, since: FramePos) -> Still {
        let frames = (STILL_SECONDS * self.rate) as usize;
        let samples = self.ears.slice(input, since - Frames(frames as i64), frames).unwrap_or(&[]);
        measure::still(samples, self.rate)
    }

    fn clap_at(&self, input: usize, since: FramePos, still: &Still) -> Option<FramePos> {
        let frames = usize::try_from((self.ears.now() - since).0).ok()?;
        let samples = self.ears.slice(input, since, frames)?;
        measure::onset(samples, self.rate, still).map(|at| since + Frames(at as i64))
    }

    fn clap(&self, input: usize, at: FramePos) -> &[f32] {
        let (before, after) = ((BEFORE * self.rate) as usize, (AFTER * self.rate) as usize);
        self.ears.slice(input, at - Frames(before as i64), before + after).unwrap_or(&[])
    }

    fn judge(
        &mut self,
        index: usize,
        channel: usize,
        stills: &[Still],
        at: Option<FramePos>,
        place: Option<FramePos>,
        now: FramePos,
    ) {
        let still = stills[channel];
        let input = &self.plan.inputs[index];
        let clap = at.map(|at| measure::struck(self.clap(channel, at), self.rate, still.dc));
        let mut faults = judge::faults(input.expects, &still, clap.as_ref());
        if let Some(place) = place {
            faults.extend(self.beside(channel, stills, clap.is_some(), place));
        }
        faults.extend(self.same(channel, place));
        faults.extend(place.and_then(|place| self.polarity(index, place, &faults)));
        let faulty = !faults.is_empty();
        self.heard[index] = Heard { still: Some(still), clap, faults };
        self.walk.judged(faulty, now);
    }

    /// The clap came in on another input, and not here.
    fn beside(&self, channel: usize, stills: &[Still], here: bool, place: FramePos) -> Option<Fault> {
        if here || stills[channel].empty {
            return None;
        }
        let level =
            |input: usize| measure::struck(self.clap(input, place), self.rate, stills[input].dc).level_db;
        let others = (0..stills.len()).filter(|other| *other != channel);
        let loudest = others.max_by(|a, b| level(*a).total_cmp(&level(*b)))?;
        (level(loudest) > level(channel) + ELSEWHERE_DB)
            .then(|| Fault::HeardElsewhere { input: loudest as u16 + 1 })
    }

    /// Other inputs that carry this one's signal.
    fn same(&self, channel: usize, place: Option<FramePos>) -> Option<Fault> {
        let frames = (STILL_SECONDS * self.rate) as usize;
        let from = self.walk.since() - Frames(frames as i64);
        let still = |input: usize| self.ears.slice(input, from, frames).unwrap_or(&[]);
        let others = self.plan.inputs.iter().map(|input| usize::from(input.channel) - 1);
        others.filter(|other| *other != channel).find_map(|other| {
            let claps = place.map(|place| [self.clap(channel, place), self.clap(other, place)]);
            let same = alike::is_same([still(channel), still(other)], claps, self.rate);
            same.then_some(Fault::SameAs { input: other as u16 + 1 })
        })
    }

    /// Two room microphones that heard one clap and move against each other, what the show turns over counted in.
    fn polarity(&self, index: usize, place: FramePos, faults: &[Fault]) -> Option<Fault> {
        let input = &self.plan.inputs[index];
        if !input.ambient {
            return None;
        }
        self.plan.inputs.iter().filter(|other| other.ambient && other.channel != input.channel).find_map(
            |other| {
                if faults.contains(&Fault::SameAs { input: other.channel }) {
                    return None;
                }
                let claps =
                    [input.channel, other.channel].map(|channel| self.clap(usize::from(channel) - 1, place));
                let turned = alike::is_inverted(claps, self.rate)? != (input.inverted != other.inverted);
                turned.then_some(Fault::Inverted { against: other.channel })
            },
        )
    }

    fn take_hum(&mut self, now: FramePos) {
        let frames = (HUM_SECONDS * self.rate) as usize;
        let from = now - Frames(frames as i64);
        let first = self.walk.step() == self.plan.order.len();
        let hear = |input: &super::plan::Input| {
            let samples = self.ears.slice(usize::from(input.channel) - 1, from, frames)?;
            hum(samples, self.rate)
        };
        let heard: Vec<Option<Hum>> = self.plan.inputs.iter().map(hear).collect();
        self.hums[usize::from(!first)] = heard;
        let bad = !first && self.chargers().iter().any(|report| report.verdict != Charger::Quiet);
        self.walk.heard_hum(if bad { Verdict::Wrong } else { Verdict::Right }, now);
    }

    fn chargers(&self) -> Vec<ChargerReport> {
        let pairs = self.hums[0].iter().zip(&self.hums[1]).zip(&self.plan.inputs);
        pairs
            .map(|((with, without), input)| ChargerReport {
                channel: input.channel,
                with: *with,
                without: *without,
                verdict: judge::charger(with.as_ref(), without.as_ref()),
            })
            .collect()
    }

    /// For the screen.
    pub fn view(&self) -> View {
        let item = self.item();
        let input = match item {
            Some(Item::Input(index)) => self.plan.inputs.get(index).map(|input| (index, input)),
            _ => None,
        };
        let output = match item {
            Some(Item::Output(index)) => self.sounded.get(index).cloned(),
            _ => None,
        };
        let beyond = self.walk.step().checked_sub(self.plan.order.len());
        let frames = (0.1 * self.rate) as usize;
        let latest = input.and_then(|(_, input)| {
            let from = self.ears.now() - Frames(frames as i64);
            self.ears.slice(usize::from(input.channel) - 1, from, frames)
        });
        let output = output.unwrap_or_default();
        View {
            step: self.walk.step(),
            steps: self.walk.done().len(),
            item,
            charger_in: beyond.map(|step| step == 0),
            phase: self.walk.phase(),
            seconds: self.walk.gone(self.ears.now()).0 as f64 / self.rate,
            keys: self.walk.keys(),
            level_db: output.level_db.unwrap_or(-200.0),
            answered_on: output.answered_on,
            faults: input.map_or(Vec::new(), |(index, _)| self.heard[index].faults.clone()),
            meter_db: latest.map_or(-200.0, |latest| {
                crate::latency::suspects::decibels(crate::latency::suspects::peak(latest))
            }),
        }
    }

    pub fn plan(&self) -> &Plan {
        &self.plan
    }

    /// What was found so far.
    pub fn report(&self) -> Report {
        let seconds = |frames: Frames| frames.0 as f64 / self.rate;
        let done = |item: Item| -> Option<Done> {
            let step = self.plan.order.iter().position(|other| *other == item)?;
            self.walk.done().get(step).copied()
        };
        let unchecked = Done { verdict: Verdict::Unchecked, keys: 0, frames: Frames(0) };
        let outputs = self.plan.outputs.iter().zip(&self.sounded).enumerate();
        let inputs = self.plan.inputs.iter().zip(&self.heard).enumerate();
        Report {
            outputs: outputs
                .map(|(index, (output, sounded))| {
                    let done = done(Item::Output(index)).unwrap_or(unchecked);
                    OutputReport {
                        channel: output.channel,
                        name: output.name.clone(),
                        player: output.player.clone(),
                        verdict: done.verdict,
                        level_db: sounded.level_db,
                        rounds: sounded.rounds,
                        keys: done.keys,
                        seconds: seconds(done.frames),
                        answered_on: sounded.answered_on.clone(),
                    }
                })
                .collect(),
            inputs: inputs
                .map(|(index, (input, heard))| {
                    let done = done(Item::Input(index)).unwrap_or(unchecked);
                    InputReport {
                        channel: input.channel,
                        name: input.name.clone(),
                        expects: input.expects,
                        verdict: done.verdict,
                        faults: if done.verdict == Verdict::Unchecked {
                            Vec::new()
                        } else {
                            heard.faults.clone()
                        },
                        still: heard.still,
                        clap: heard.clap,
                        keys: done.keys,
                        seconds: seconds(done.frames),
                    }
                })
                .collect(),
            charger: self.chargers(),
            keys: self.walk.keys(),
            seconds: seconds(self.walk.gone(self.ears.now())),
        }
    }
}

fn loudest(samples: &[f32], rate: f64) -> f64 {
    10f64.powf(measure::struck(samples, rate, 0.0).level_db / 20.0)
}
