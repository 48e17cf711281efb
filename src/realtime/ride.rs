//! How loud each input is: the room rides with the music by itself, a hand overrides it, a key kills it.
//!
//! Pure: every call says when, and levels are ramps between two frames.

use super::event::{RideWhy, RoomNow, What};
use super::ramp::Ramp;
use super::setup::{InputSetup, Talks};
use crate::units::{FramePos, Frames, SampleRate};

/// Kill and talk are this quick.
const QUICK_SECONDS: f64 = 0.008;

/// A step of the hand takes this long.
const HAND_SECONDS: f64 = 0.1;

/// Range of the hand in dB, around where the ride was.
const HAND_DB: std::ops::RangeInclusive<f32> = -30.0..=12.0;

#[derive(Debug)]
struct Riding {
    setup: InputSetup,
    level: Ramp,
    /// Not killed; being talked into.
    open: Ramp,
    /// Where the ride was when a hand took it.
    taken: f32,
}

/// Takes what the rider tells.
pub type Told<'t> = &'t mut dyn FnMut(FramePos, What);

#[derive(Debug)]
pub struct Rider {
    inputs: Vec<Riding>,
    in_song: bool,
    /// Of the section that plays, linear, instead of every ambient input's own level.
    section: Option<f32>,
    hand_db: Option<f32>,
    killed: bool,
    latched: bool,
    quick: u32,
    hand_frames: u32,
}

impl Rider {
    /// Everything starts silent.
    pub fn new(setups: &[InputSetup], rate: SampleRate) -> Rider {
        let open = |setup: &InputSetup| if setup.talks == Some(Talks::ByKey) { 0.0 } else { 1.0 };
        let riding = |setup: &InputSetup| Riding {
            setup: *setup,
            level: Ramp::steady(0.0),
            open: Ramp::steady(open(setup)),
            taken: 0.0,
        };
        Rider {
            inputs: setups.iter().map(riding).collect(),
            in_song: false,
            section: None,
            hand_db: None,
            killed: false,
            latched: false,
            quick: rate.frames(QUICK_SECONDS).0 as u32,
            hand_frames: rate.frames(HAND_SECONDS).0 as u32,
        }
    }

    /// The gain of an input where it stands still for so many frames. Real-time: safe.
    pub fn constant(&self, input: usize, start: FramePos, frames: usize) -> Option<f32> {
        let riding = self.inputs.get(input)?;
        Some(riding.level.constant(start, frames)? * riding.open.constant(start, frames)?)
    }

    pub fn at(&self, input: usize, frame: FramePos) -> f32 {
        self.inputs.get(input).map_or(0.0, |riding| riding.level.at(frame) * riding.open.at(frame))
    }

    pub fn is_in_song(&self) -> bool {
        self.in_song
    }

    pub fn now(&self, talking: bool) -> RoomNow {
        RoomNow {
            rides: self.inputs.iter().any(|riding| riding.setup.talks.is_none()),
            in_song: self.in_song,
            killed: self.killed,
            by_hand: self.hand_db.is_some(),
            hand_db: self.hand_db.unwrap_or(0.0),
            talking,
        }
    }

    /// When the engine starts: the level between songs.
    pub fn load(&mut self, at: FramePos, frames: u32, told: Told) {
        for (index, riding) in self.inputs.iter_mut().enumerate() {
            let to = riding.setup.trim * riding.setup.between;
            riding.level.go(to, at, frames);
            if riding.setup.talks.is_none() {
                told(at, What::Ride { input: index as u8, from: 0.0, to, frames, why: RideWhy::Load });
            }
        }
    }

    /// Music plays from `at` on; its first count falls on `count`, by which the room has closed. `now` is the earliest
    /// frame that can still be moved. Hands off where a song begins (`fresh`).
    pub fn song(&mut self, section: Option<f32>, fresh: bool, now: FramePos, count: FramePos, told: Told) {
        let closing = !self.in_song;
        (self.in_song, self.section) = (true, section);
        if fresh {
            self.hand_db = None;
        }
        if self.hand_db.is_some() {
            return;
        }
        let why = if closing || fresh { RideWhy::Song } else { RideWhy::Section };
        for index in 0..self.inputs.len() {
            let Some(riding) = self.inputs.get(index) else { break };
            let to = self.auto(riding);
            let falls = to <= riding.level.at(now);
            let (start, frames) = if closing {
                let start = now.max(count - riding.setup.close);
                (start, (count - start).0.max(0))
            } else {
                (count.max(now), if falls { riding.setup.close.0 } else { riding.setup.open.0 })
            };
            self.turn(index, to, now, start, frames as u32, why, told);
        }
        self.hush_voices(now);
    }

    /// The room will have to be closed by `count`; called in good time: where a piece of the timeline holds the frame
    /// on which that begins. Gives the frame.
    pub fn closes_at(&self, count: FramePos) -> Option<FramePos> {
        let longest = self.inputs.iter().map(|riding| riding.setup.close).max()?;
        (!self.in_song).then(|| count - longest)
    }

    /// The music rests; `last` is the last hit. Never called for a fault.
    pub fn between(&mut self, now: FramePos, last: FramePos, told: Told) {
        if !self.in_song {
            return;
        }
        (self.in_song, self.section) = (false, None);
        for index in 0..self.inputs.len() {
            let Some(riding) = self.inputs.get_mut(index) else { break };
            if riding.setup.talks == Some(Talks::ByVoice) {
                riding.open.go(1.0, now, self.quick);
            }
            let Some(riding) = self.inputs.get(index).filter(|_| self.hand_db.is_none()) else { continue };
            let (to, open, wait) = (self.auto(riding), riding.setup.open.0 as u32, riding.setup.wait);
            // Still on its way down, it turns round at once.
            let start = if riding.level.constant(now, 1).is_some() { now.max(last + wait) } else { now };
            self.turn(index, to, now, start, open, RideWhy::Between, told);
        }
    }

    /// How long after the last hit the room opens.
    pub fn wait(&self) -> Frames {
        self.inputs.iter().map(|riding| riding.setup.wait).min().unwrap_or(Frames(0))
    }

    fn auto(&self, riding: &Riding) -> f32 {
        let InputSetup { trim, in_song, between, .. } = riding.setup;
        let section = self.section.filter(|_| riding.setup.talks.is_none());
        trim * if self.in_song { section.unwrap_or(in_song) } else { between }
    }

    /// A gate on a talkback is shut while music plays.
    fn hush_voices(&mut self, now: FramePos) {
        let quick = self.quick;
        let voices = self.inputs.iter_mut().filter(|riding| riding.setup.talks == Some(Talks::ByVoice));
        voices
            .filter(|riding| riding.open.target() != 0.0)
            .for_each(|riding| riding.open.go(0.0, now, quick));
    }

    #[expect(clippy::too_many_arguments, reason = "a ride is these facts, named at each call")]
    fn turn(
        &mut self,
        index: usize,
        to: f32,
        now: FramePos,
        start: FramePos,
        frames: u32,
        why: RideWhy,
        told: Told,
    ) {
        let Some(riding) = self.inputs.get_mut(index) else { return };
        if riding.level.target() == to {
            return;
        }
        let from = riding.level.at(now);
        // What moves turns round where it is; what would move later does not any more.
        let start = if riding.level.constant(now, 1).is_some() { start } else { now };
        riding.level = Ramp::steady(from);
        riding.level.go(to, start, frames);
        told(start, What::Ride { input: index as u8, from, to, frames, why });
    }

    /// A hand on the room: the ride stands still, `step_db` louder, until the next song begins.
    pub fn hand(&mut self, step_db: f32, now: FramePos, told: Told) {
        let fresh = self.hand_db.is_none();
        let hand_db = (self.hand_db.unwrap_or(0.0) + step_db).clamp(*HAND_DB.start(), *HAND_DB.end());
        self.hand_db = Some(hand_db);
        let by = 10f32.powf(hand_db / 20.0);
        for index in 0..self.inputs.len() {
            let Some(riding) = self.inputs.get_mut(index).filter(|riding| riding.setup.talks.is_none())
            else {
                continue;
            };
            if fresh {
                riding.taken = riding.level.at(now);
            }
            let to = riding.taken * by;
            riding.level = Ramp::steady(riding.level.at(now));
            self.turn(index, to, now, now, self.hand_frames, RideWhy::Hand, told);
        }
    }

    /// Hands off: back to where the music wants it.
    pub fn release(&mut self, now: FramePos, told: Told) {
        if self.hand_db.take().is_none() {
            return;
        }
        for index in 0..self.inputs.len() {
            let Some(riding) = self.inputs.get(index) else { break };
            let (to, frames) = (self.auto(riding), riding.setup.close.0 as u32);
            self.turn(index, to, now, now, frames, RideWhy::Released, told);
        }
    }

    /// Every microphone of the room silent at once, and back as slowly as it opens.
    pub fn kill(&mut self, killed: bool, now: FramePos, told: Told) {
        if self.killed == killed {
            return;
        }
        self.killed = killed;
        for (index, riding) in self.inputs.iter_mut().enumerate().filter(|(_, r)| r.setup.talks.is_none()) {
            let (to, frames) = if killed { (0.0, self.quick) } else { (1.0, riding.setup.open.0 as u32) };
            let level = riding.level.at(now);
            let (from, to_level) = (level * riding.open.at(now), level * to);
            riding.open.go(to, now, frames);
            let why = if killed { RideWhy::Killed } else { RideWhy::BackFromKill };
            told(now, What::Ride { input: index as u8, from, to: to_level, frames, why });
        }
    }

    pub fn talk(&mut self, on: bool, now: FramePos) {
        self.latched = on;
        let quick = self.quick;
        let keyed = self.inputs.iter_mut().filter(|riding| riding.setup.talks == Some(Talks::ByKey));
        keyed.for_each(|riding| riding.open.go(if on { 1.0 } else { 0.0 }, now, quick));
    }

    /// A person is talking into this input, as far as key and song allow; the gate is asked elsewhere.
    pub fn may_talk(&self, input: usize, at: FramePos) -> bool {
        let Some(riding) = self.inputs.get(input) else { return false };
        match riding.setup.talks {
            Some(Talks::ByKey) => self.latched,
            Some(Talks::ByVoice) => riding.open.at(at) > 0.0,
            Some(Talks::Always) | None => false,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const F: i64 = 48_000;

    fn rider() -> Rider {
        let talkback = InputSetup { talks: Some(Talks::ByKey), in_song: 1.0, ..InputSetup::default() };
        let mut rider = Rider::new(&[InputSetup::default(), talkback], SampleRate::standard());
        rider.load(FramePos(0), 0, &mut |_, _| ());
        rider
    }

    fn heard(act: impl FnOnce(Told)) -> Vec<(i64, What)> {
        let mut told = vec![];
        act(&mut |at, what| told.push((at.0, what)));
        told
    }

    #[test]
    fn the_room_closes_over_six_tenths_and_is_closed_on_count_one() {
        let mut rider = rider();
        let count = FramePos(10 * F);
        assert_eq!(rider.closes_at(count), Some(FramePos(10 * F - 28_800)));
        let told = heard(|told| rider.song(None, true, FramePos(10 * F - 28_800), count, told));
        let ride = What::Ride { input: 0, from: 1.0, to: 0.25, frames: 28_800, why: RideWhy::Song };
        assert_eq!(told, [(10 * F - 28_800, ride)]);
        assert_eq!((rider.at(0, FramePos(10 * F - 28_800)), rider.at(0, count)), (1.0, 0.25));
    }

    #[test]
    fn a_start_in_a_hurry_still_closes_before_count_one() {
        let mut rider = rider();
        heard(|told| rider.song(None, true, FramePos(F), FramePos(F + 960), told));
        assert_eq!((rider.at(0, FramePos(F)), rider.at(0, FramePos(F + 960))), (1.0, 0.25));
    }

    #[test]
    fn it_opens_half_a_second_after_the_last_hit_over_a_second_and_a_half() {
        let mut rider = rider();
        heard(|told| rider.song(None, true, FramePos(0), FramePos(F), told));
        let told = heard(|told| rider.between(FramePos(5 * F + 100), FramePos(5 * F), told));
        assert_eq!(told[0].0, 5 * F + F / 2);
        assert_eq!(rider.at(0, FramePos(5 * F + F / 2)), 0.25);
        assert_eq!(rider.at(0, FramePos(7 * F)), 1.0);
    }

    #[test]
    fn a_song_stopped_while_the_room_closes_turns_the_ride_round_without_a_jump() {
        let mut rider = rider();
        heard(|told| rider.song(None, true, FramePos(0), FramePos(28_800), told));
        heard(|told| rider.between(FramePos(9_600), FramePos(9_600), told));
        let (before, after) = (rider.at(0, FramePos(9_600)), rider.at(0, FramePos(9_700)));
        assert!((before - 0.75).abs() < 1e-6 && (after - before).abs() < 0.01, "{before} {after}");
    }

    #[test]
    fn what_would_open_later_and_is_called_back_does_not_move() {
        let mut rider = rider();
        heard(|told| rider.song(None, true, FramePos(0), FramePos(F), told));
        heard(|told| rider.between(FramePos(2 * F), FramePos(2 * F), told));
        heard(|told| rider.song(None, false, FramePos(2 * F + 100), FramePos(9 * F), told));
        for frame in (2 * F..10 * F).step_by(100) {
            assert_eq!(rider.at(0, FramePos(frame)), 0.25, "{frame}");
        }
    }

    #[test]
    fn a_section_has_a_level_of_its_own() {
        let mut rider = rider();
        heard(|told| rider.song(None, true, FramePos(0), FramePos(F), told));
        let told = heard(|told| rider.song(Some(0.5), false, FramePos(2 * F), FramePos(2 * F), told));
        assert!(matches!(told[..], [(_, What::Ride { why: RideWhy::Section, to: 0.5, .. })]), "{told:?}");
        assert_eq!(rider.at(0, FramePos(4 * F)), 0.5);
        assert_eq!(rider.at(1, FramePos(4 * F)), 0.0, "a talkback is no room");
    }

    #[test]
    fn a_hand_holds_the_ride_until_the_next_song() {
        let mut rider = rider();
        heard(|told| rider.song(None, true, FramePos(0), FramePos(F), told));
        heard(|told| rider.hand(6.0206, FramePos(2 * F), told));
        assert!((rider.at(0, FramePos(3 * F)) - 0.5).abs() < 1e-4);
        assert!(heard(|told| rider.between(FramePos(4 * F), FramePos(4 * F), told)).is_empty());
        assert!(heard(|told| rider.song(None, false, FramePos(5 * F), FramePos(5 * F), told)).is_empty());
        assert!(rider.now(false).by_hand);
        heard(|told| rider.between(FramePos(6 * F), FramePos(6 * F), told));
        heard(|told| rider.song(None, true, FramePos(7 * F), FramePos(8 * F), told));
        assert!(!rider.now(false).by_hand);
        assert_eq!(rider.at(0, FramePos(8 * F)), 0.25);
    }

    #[test]
    fn the_kill_is_silent_within_ten_milliseconds_and_outlasts_songs() {
        let mut rider = rider();
        heard(|told| rider.kill(true, FramePos(F), told));
        assert_eq!(rider.at(0, FramePos(F + 480)), 0.0);
        heard(|told| rider.song(None, true, FramePos(2 * F), FramePos(3 * F), told));
        assert_eq!(rider.at(0, FramePos(4 * F)), 0.0);
        heard(|told| rider.kill(false, FramePos(5 * F), told));
        assert_eq!(rider.at(0, FramePos(7 * F)), 0.25);
    }

    #[test]
    fn a_talkback_is_heard_while_its_key_is_latched() {
        let mut rider = rider();
        assert_eq!(rider.at(1, FramePos(F)), 0.0);
        rider.talk(true, FramePos(F));
        assert!(rider.may_talk(1, FramePos(2 * F)) && !rider.may_talk(0, FramePos(2 * F)));
        assert_eq!(rider.at(1, FramePos(2 * F)), 1.0);
    }
}
