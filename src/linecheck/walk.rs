//! The walk from step to step: which one, since when, what was answered. Pure: time is an argument.

use crate::units::{FramePos, Frames};
use serde::{Deserialize, Serialize};

/// What a person says with a key or a foot.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Answer {
    /// It is right; or: go on.
    Yes,
    /// It is not where it belongs.
    No,
    /// Once more.
    Again,
    Skip,
    /// To the step before, whose verdict is taken back.
    Back,
    Quit,
}

/// What kind of step it is, and where in it the walk stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Phase {
    /// An output sounds until somebody answers.
    Sounding,
    /// All inputs are listened to while nobody does anything.
    Still,
    /// A clap is waited for.
    Waiting,
    /// An input has been judged and has a fault: a person decides.
    Faulty,
    /// The charger should be in (or out); a person says when.
    Asking,
    /// Listening to hum.
    Hum,
    /// There is no step left.
    Over,
}

/// The kinds of step.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    Output,
    Input,
    Charger,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Verdict {
    Unchecked,
    Right,
    Wrong,
    Skipped,
}

/// What a step came to.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Done {
    pub verdict: Verdict,
    pub keys: u32,
    pub frames: Frames,
}

/// How long phases last, in frames.
#[derive(Clone, Copy, Debug)]
pub struct Times {
    /// Until an output has been heard: a yes or no that comes earlier was meant for the step before.
    pub heard: Frames,
    pub still: Frames,
    /// Until it is judged although it never becomes still.
    pub restless: Frames,
    /// Until nobody claps any more.
    pub patience: Frames,
    pub hum: Frames,
}

/// The state of the walk.
#[derive(Clone, Debug)]
pub struct Walk {
    kinds: Vec<Kind>,
    done: Vec<Done>,
    at: usize,
    phase: Phase,
    since: FramePos,
    step_since: FramePos,
    began: FramePos,
    keys: u32,
    times: Times,
    /// A person says that no clap will come.
    given_up: bool,
    /// Nobody is there: each step goes on by itself.
    alone: bool,
}

impl Walk {
    pub fn new(kinds: Vec<Kind>, times: Times, alone: bool, now: FramePos) -> Walk {
        let none = Done { verdict: Verdict::Unchecked, keys: 0, frames: Frames(0) };
        let mut walk = Walk {
            done: vec![none; kinds.len()],
            kinds,
            at: 0,
            phase: Phase::Over,
            since: now,
            step_since: now,
            began: now,
            keys: 0,
            times,
            given_up: false,
            alone,
        };
        walk.enter(0, now);
        walk
    }

    fn enter(&mut self, step: usize, now: FramePos) {
        self.at = step;
        (self.since, self.step_since, self.given_up) = (now, now, false);
        self.phase = match self.kinds.get(step) {
            Some(Kind::Output) => Phase::Sounding,
            Some(Kind::Input) => Phase::Still,
            Some(Kind::Charger) => Phase::Asking,
            None => Phase::Over,
        };
    }

    fn go(&mut self, phase: Phase, now: FramePos) {
        (self.phase, self.since, self.given_up) = (phase, now, false);
    }

    fn close(&mut self, verdict: Verdict, now: FramePos) {
        if let Some(done) = self.done.get_mut(self.at) {
            done.verdict = verdict;
            done.frames = done.frames + (now - self.step_since);
        }
        self.enter(self.at + 1, now);
    }

    /// A key.
    pub fn answer(&mut self, answer: Answer, now: FramePos) {
        if self.phase == Phase::Over {
            return;
        }
        self.keys += 1;
        if let Some(done) = self.done.get_mut(self.at) {
            done.keys += 1;
        }
        match (answer, self.phase) {
            (Answer::Quit, _) => self.phase = Phase::Over,
            (Answer::Skip, _) => self.close(Verdict::Skipped, now),
            (Answer::Back, _) => self.back(now),
            (Answer::Again, Phase::Faulty | Phase::Waiting) => self.go(Phase::Still, now),
            (Answer::Again, phase) => self.go(phase, now),
            (Answer::Yes | Answer::No, Phase::Sounding) if !self.asks(now) => {}
            (Answer::Yes, Phase::Sounding) => self.close(Verdict::Right, now),
            (Answer::No, Phase::Sounding) => self.close(Verdict::Wrong, now),
            (Answer::Yes | Answer::No, Phase::Faulty) => self.close(Verdict::Wrong, now),
            (Answer::Yes, Phase::Asking) => self.go(Phase::Hum, now),
            // Nobody can clap here: it is judged by what came.
            (Answer::No, Phase::Waiting) => self.given_up = true,
            (Answer::Yes | Answer::No, _) => {}
        }
    }

    /// Whether a yes or no counts now. A foot switch that bounces, or a key that is held, says it only once.
    pub fn asks(&self, now: FramePos) -> bool {
        match self.phase {
            Phase::Sounding => now - self.since >= self.times.heard,
            Phase::Faulty | Phase::Asking => true,
            _ => false,
        }
    }

    fn back(&mut self, now: FramePos) {
        let before = self.at.saturating_sub(1);
        if let Some(done) = self.done.get_mut(before) {
            done.verdict = Verdict::Unchecked;
        }
        self.enter(before, now);
    }

    /// Time goes on: a still stretch that is long enough, and `quiet`, is over; nobody is waited for alone.
    pub fn tick(&mut self, now: FramePos, quiet: bool) {
        match self.phase {
            Phase::Still if self.is_long_enough(now, quiet) => self.go(Phase::Waiting, now),
            Phase::Asking if self.alone => self.go(Phase::Hum, now),
            Phase::Faulty if self.alone => self.close(Verdict::Wrong, now),
            _ => {}
        }
    }

    fn is_long_enough(&self, now: FramePos, quiet: bool) -> bool {
        now - self.since >= if quiet { self.times.still } else { self.times.restless }
    }

    /// So much of an output's pattern has sounded: alone that is all, and nobody said where.
    pub fn sounded(&mut self, whole_rounds: u32, now: FramePos) {
        if self.alone && self.phase == Phase::Sounding && whole_rounds >= 1 {
            self.close(Verdict::Unchecked, now);
        }
    }

    /// The player of the sounding output answered into a microphone: as good as a key, and none is counted.
    pub fn answered_by_mic(&mut self, now: FramePos) {
        if self.phase == Phase::Sounding {
            self.close(Verdict::Right, now);
        }
    }

    /// Nobody clapped for as long as one waits.
    pub fn is_out_of_patience(&self, now: FramePos) -> bool {
        self.phase == Phase::Waiting && (self.given_up || now - self.since >= self.times.patience)
    }

    pub fn hum_is_heard(&self, now: FramePos) -> bool {
        self.phase == Phase::Hum && now - self.since >= self.times.hum
    }

    /// An input was judged: without a fault the walk goes on by itself.
    pub fn judged(&mut self, faulty: bool, now: FramePos) {
        if faulty { self.go(Phase::Faulty, now) } else { self.close(Verdict::Right, now) }
    }

    /// The charger's hum was heard.
    pub fn heard_hum(&mut self, verdict: Verdict, now: FramePos) {
        self.close(verdict, now);
    }

    /// Frames were lost: what was being listened to begins again.
    pub fn disturbed(&mut self, now: FramePos) {
        match self.phase {
            Phase::Still | Phase::Waiting => self.go(Phase::Still, now),
            Phase::Hum => self.since = now,
            _ => {}
        }
    }

    pub fn step(&self) -> usize {
        self.at
    }

    pub fn phase(&self) -> Phase {
        self.phase
    }

    /// The frame on which the phase began.
    pub fn since(&self) -> FramePos {
        self.since
    }

    pub fn done(&self) -> &[Done] {
        &self.done
    }

    pub fn keys(&self) -> u32 {
        self.keys
    }

    pub fn gone(&self, now: FramePos) -> Frames {
        now - self.began
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const TIMES: Times = Times {
        heard: Frames(10),
        still: Frames(100),
        restless: Frames(400),
        patience: Frames(500),
        hum: Frames(200),
    };

    fn walk(alone: bool) -> Walk {
        Walk::new(vec![Kind::Output, Kind::Input, Kind::Charger, Kind::Output], TIMES, alone, FramePos(0))
    }

    fn verdicts(walk: &Walk) -> Vec<Verdict> {
        walk.done().iter().map(|done| done.verdict).collect()
    }

    #[test]
    fn a_person_walks_through_with_three_keys_and_all_is_counted() {
        use Verdict::{Right, Unchecked};
        let mut walk = walk(false);
        walk.sounded(9, FramePos(50));
        assert_eq!(walk.phase(), Phase::Sounding, "it waits for a person");
        walk.answer(Answer::Again, FramePos(60));
        walk.answer(Answer::Yes, FramePos(90));
        assert_eq!((walk.step(), walk.phase(), walk.since()), (1, Phase::Still, FramePos(90)));
        walk.tick(FramePos(189), true);
        walk.tick(FramePos(190), false);
        assert_eq!(walk.phase(), Phase::Still, "something sounds");
        walk.tick(FramePos(190), true);
        assert!(walk.phase() == Phase::Waiting && !walk.is_out_of_patience(FramePos(689)));
        assert!(walk.is_out_of_patience(FramePos(690)));
        let mut given_up = walk.clone();
        given_up.answer(Answer::No, FramePos(195));
        assert!(given_up.is_out_of_patience(FramePos(195)) && given_up.since() == FramePos(190));
        walk.judged(false, FramePos(300));
        walk.answer(Answer::Yes, FramePos(310));
        assert!(walk.hum_is_heard(FramePos(510)) && !walk.hum_is_heard(FramePos(509)));
        walk.heard_hum(Right, FramePos(510));
        assert_eq!(verdicts(&walk), [Right, Right, Right, Unchecked]);
        walk.answer(Answer::Quit, FramePos(600));
        assert_eq!((walk.phase(), walk.keys(), walk.gone(FramePos(600))), (Phase::Over, 4, Frames(600)));
        let first = walk.done()[0];
        assert_eq!((first.keys, first.frames), (2, Frames(90)));
    }

    #[test]
    fn a_fault_waits_for_a_person_and_back_takes_a_verdict_away() {
        let mut walk = walk(false);
        walk.answer(Answer::No, FramePos(10));
        walk.tick(FramePos(110), true);
        walk.judged(true, FramePos(200));
        walk.tick(FramePos(9_000), true);
        assert_eq!(walk.phase(), Phase::Faulty);
        walk.answer(Answer::Again, FramePos(9_000));
        assert_eq!((walk.step(), walk.phase()), (1, Phase::Still));
        walk.answer(Answer::Back, FramePos(9_100));
        assert_eq!((walk.step(), verdicts(&walk)[0]), (0, Verdict::Unchecked));
        walk.answer(Answer::Skip, FramePos(9_200));
        assert_eq!(verdicts(&walk)[0], Verdict::Skipped);
        walk.disturbed(FramePos(9_300));
        assert_eq!((walk.phase(), walk.since()), (Phase::Still, FramePos(9_300)));
    }

    #[test]
    fn alone_it_goes_on_by_itself_and_keeps_the_faults() {
        let mut walk = walk(true);
        walk.sounded(0, FramePos(10));
        walk.sounded(1, FramePos(20));
        walk.tick(FramePos(120), false);
        assert_eq!(walk.phase(), Phase::Still);
        walk.tick(FramePos(420), false);
        walk.judged(true, FramePos(500));
        walk.tick(FramePos(501), true);
        assert_eq!((walk.step(), walk.phase()), (2, Phase::Asking));
        assert_eq!(verdicts(&walk)[..2], [Verdict::Unchecked, Verdict::Wrong]);
        assert_eq!(walk.keys(), 0);
    }

    #[test]
    fn an_answer_before_the_output_was_heard_counts_as_a_key_and_says_nothing() {
        let mut walk = walk(false);
        walk.answer(Answer::Yes, FramePos(9));
        walk.answer(Answer::No, FramePos(9));
        assert_eq!((walk.step(), walk.keys(), walk.asks(FramePos(9))), (0, 2, false));
        walk.answer(Answer::Yes, FramePos(10));
        assert_eq!((walk.step(), verdicts(&walk)[0], walk.keys()), (1, Verdict::Right, 3));
    }

    #[test]
    fn a_player_s_own_microphone_says_yes_without_a_key() {
        let mut walk = walk(false);
        walk.answered_by_mic(FramePos(70));
        assert_eq!((walk.step(), verdicts(&walk)[0], walk.keys()), (1, Verdict::Right, 0));
        walk.answered_by_mic(FramePos(80));
        assert_eq!((walk.step(), walk.phase()), (1, Phase::Still), "only an output is answered so");
        walk.answer(Answer::Back, FramePos(90));
        assert_eq!(verdicts(&walk)[0], Verdict::Unchecked);
    }
}
