//! A line check under way: answers and what the inputs hear come in, orders to the desk go out, a report remains.

use super::alike;
use super::answer::{Answered, answered};
use super::desk::{Ears, Play};
pub use super::found::{By, ChargerReport, InputReport, OutputReport, Report, View};
use super::hum::{Hum, hum};
use super::judge::{self, Charger, Expects, Fault};
use super::measure::{self, Still, Struck};
use super::pattern;
use super::plan::{Item, Plan};
use super::walk::{Answer, Done, Kind, Phase, Times, Verdict, Walk};
use crate::units::{Decibels, FramePos, Frames, SampleRate};

/// From one round of a pattern to the next.
const RISE_DB: f64 = 3.0;
/// So long a pattern sounds before a yes or no to it counts: its first beep, and no bounce of a foot switch.
const HEARD_SECONDS: f64 = 0.4;
/// How long nobody does anything before a clap is asked for.
const STILL_SECONDS: f64 = 1.2;
/// A stage that never becomes still is judged all the same after this.
const RESTLESS_SECONDS: f64 = 6.0;
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

#[derive(Clone, Debug, Default)]
struct Heard {
    still: Option<Still>,
    clap: Option<Struck>,
    faults: Vec<Fault>,
    never_still: bool,
}

#[derive(Clone, Debug, Default)]
struct Sounded {
    rounds: u32,
    level_db: Option<f64>,
    answered_on: Vec<u16>,
    confirmed_on: Option<u16>,
    stage_too_loud: bool,
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
    /// Microphones in which something sounds when all should be still.
    restless: Vec<u16>,
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
            heard: rate.frames(HEARD_SECONDS),
            still: rate.frames(STILL_SECONDS),
            restless: rate.frames(RESTLESS_SECONDS),
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
            restless: Vec::new(),
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
        self.look_for_stillness(now);
        self.walk.tick(now, self.restless.is_empty());
        match self.walk.phase() {
            Phase::Sounding => {
                self.listen_for_an_answer();
                self.listen_to_its_player(now);
            }
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
        (sounded.confirmed_on, sounded.stage_too_loud) = (None, false);
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

    /// The player who hears what sounds answers with a word into their own microphone: that confirms it.
    fn listen_to_its_player(&mut self, now: FramePos) {
        let Some(Item::Output(index)) = self.item() else { return };
        let output = &self.plan.outputs[index];
        let Some(own) = self.plan.own_microphone(output).map(|input| input.channel) else { return };
        let Some(begun) = self.ears.begun(self.orders).filter(|_| self.playing.is_some()) else { return };
        let length = self.lengths.get(index).copied().unwrap_or(1);
        let rest = ((pattern::REST * self.rate) as usize).min(length);
        let pause = begun + Frames((length - rest) as i64);
        let frames = usize::try_from((now - pause).0).unwrap_or(0).min(rest);
        let heard = |channel: u16| self.ears.slice(usize::from(channel) - 1, pause, frames);
        let sounding = self.ears.slice(usize::from(own) - 1, begun, length - rest);
        let (Some(sounding), Some(word)) = (sounding, heard(own).filter(|_| frames > 0)) else { return };
        let microphones = self.plan.inputs.iter().filter(|input| input.expects == Expects::Clap);
        let others: Vec<&[f32]> = microphones
            .filter(|input| input.channel != own)
            .filter_map(|input| heard(input.channel))
            .collect();
        match answered([sounding, word], &others, self.rate) {
            Answered::Yes => {
                self.sounded[index].confirmed_on = Some(own);
                self.walk.answered_by_mic(now);
            }
            found => self.sounded[index].stage_too_loud = found == Answered::TooLoud,
        }
    }

    /// A clap, a voice or a thing that falls while all should be still: the stretch begins again after it.
    fn look_for_stillness(&mut self, now: FramePos) {
        self.restless.clear();
        let waits = match self.item() {
            Some(Item::Input(index)) => self.plan.inputs[index].expects == Expects::Clap,
            _ => false,
        };
        let frames = (STILL_SECONDS * self.rate) as usize;
        let from = now - Frames(frames as i64);
        if !waits || self.walk.phase() != Phase::Still || from < self.walk.since() {
            return;
        }
        for input in self.plan.inputs.iter().filter(|input| input.expects == Expects::Clap) {
            let latest = self.ears.slice(usize::from(input.channel) - 1, from, frames);
            if latest.is_some_and(|latest| !measure::is_still(latest, self.rate)) {
                self.restless.push(input.channel);
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
        let never_still = input.expects == Expects::Clap && !self.was_still();
        self.heard[index] = Heard { still: Some(still), clap, faults, never_still };
        self.walk.judged(faulty, now);
    }

    /// Nothing sounded in any microphone in the stretch before the clap.
    fn was_still(&self) -> bool {
        let frames = (STILL_SECONDS * self.rate) as usize;
        let from = self.walk.since() - Frames(frames as i64);
        let microphones = self.plan.inputs.iter().filter(|input| input.expects == Expects::Clap);
        microphones
            .filter_map(|input| self.ears.slice(usize::from(input.channel) - 1, from, frames))
            .all(|samples| measure::is_still(samples, self.rate))
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
        let turned = |other: &super::plan::Input| {
            let claps =
                [input.channel, other.channel].map(|channel| self.clap(usize::from(channel) - 1, place));
            Some(alike::is_inverted(claps, self.rate)? != (input.inverted != other.inverted))
        };
        let others = self.plan.inputs.iter().filter(|other| other.ambient && other.channel != input.channel);
        let others = others.filter(|other| !faults.contains(&Fault::SameAs { input: other.channel }));
        let (mut against, mut with) = (Vec::new(), 0);
        for other in others {
            match turned(other) {
                Some(true) => against.push(other.channel),
                Some(false) => with += 1,
                None => {}
            }
        }
        // Of three, the one that differs from the two is named, and they are not; of two nobody can say which.
        let first = against.first().copied().filter(|_| against.len() > with)?;
        Some(Fault::Inverted { against: first })
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
        let own_mic = match item {
            Some(Item::Output(index)) => self.plan.own_microphone(&self.plan.outputs[index]),
            _ => None,
        };
        let before = self.walk.step().checked_sub(1).and_then(|step| self.plan.order.get(step));
        let confirmed = match before {
            Some(Item::Output(index)) => self.sounded[*index].confirmed_on.map(|input| (*index, input)),
            _ => None,
        };
        View {
            step: self.walk.step(),
            steps: self.walk.done().len(),
            item,
            charger_in: beyond.map(|step| step == 0),
            phase: self.walk.phase(),
            asks: self.walk.asks(self.ears.now()),
            seconds: self.walk.gone(self.ears.now()).0 as f64 / self.rate,
            keys: self.walk.keys(),
            level_db: output.level_db.unwrap_or(-200.0),
            answered_on: output.answered_on,
            own_mic: own_mic.map(|input| (input.channel, output.stage_too_loud)),
            confirmed,
            restless: self.restless.clone(),
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
        let by = |sounded: &Sounded| if sounded.confirmed_on.is_some() { By::Mic } else { By::Key };
        let outputs: Vec<OutputReport> = outputs
            .map(|(index, (output, sounded))| {
                let done = done(Item::Output(index)).unwrap_or(unchecked);
                let right = done.verdict == Verdict::Right;
                OutputReport {
                    channel: output.channel,
                    name: output.name.clone(),
                    player: output.player.clone(),
                    verdict: done.verdict,
                    level_db: sounded.level_db,
                    rounds: sounded.rounds,
                    keys: done.keys,
                    seconds: seconds(done.frames),
                    confirmed_by: right.then(|| by(sounded)),
                    confirmed_on: sounded.confirmed_on.filter(|_| right),
                    answered_on: sounded.answered_on.clone(),
                }
            })
            .collect();
        Report {
            confirmed_by_mic: outputs.iter().filter(|output| output.confirmed_by == Some(By::Mic)).count(),
            outputs,
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
                        never_still: heard.never_still,
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
