//! Where the music is: the leg that plays, its anchor, and which of its hits are still to sound.
//!
//! Pure: every call takes its frame, and what it decides depends on nothing else.

use super::command::Undo;
use super::event::{RunState, What, Why};
use crate::click::set::{Anchor, BeatMark, Grid, Hit, Leg, LegKind, PlaceNow, Set, SongPlan, Stretch};
use crate::timecode::chase::tracked;
use crate::units::{Exact, FramePos, Frames, Span};

/// A moved place never repeats what sounded within this time before it.
const GUARD_SECONDS: f64 = 0.010;

/// A nudge to an earlier place sounds what it skipped at once, when that is no more than this late.
const GRACE_SECONDS: f64 = 0.050;

/// The engine's gains ramp for 50 ms when it starts.
const SETTLED_SECONDS: f64 = 0.055;

/// A hit that is due: its onset frame and what it is.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DueHit {
    pub onset: FramePos,
    pub index: u32,
    pub hit: Hit,
    pub bar_line: bool,
    /// Its own frame was asked for by nobody.
    pub late: bool,
}

/// Takes what the transport decides.
pub trait Sink {
    fn hit(&mut self, due: DueHit);
    fn event(&mut self, at: FramePos, what: What);
}

/// What plays now.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Placing {
    place: PlaceNow,
    /// Hits are due no earlier than this.
    since: FramePos,
    /// Hits this much before `since` still sound, on `since`.
    grace: Frames,
    cursor: usize,
}

#[derive(Debug)]
pub struct Transport {
    run: RunState,
    now: Placing,
    chosen: usize,
    chosen_stretch: Stretch,
    ratio: f64,
    /// Tonight's tempo of the song, without what a clock that is followed adds.
    tonight: Stretch,
    released: bool,
    undo: Option<Undo>,
    last_onset: FramePos,
    guard: Frames,
    grace: Frames,
    /// First hit after start: time for gains to settle, and for a stream to arrive.
    start_delay: Frames,
    stream_delay: Frames,
    /// Gains have settled after the load: a first hit is as loud as the rest.
    settled: FramePos,
}

impl Transport {
    pub fn new(set: &Set) -> Transport {
        let anchor = Anchor { at: Exact(0), stretch: Stretch::ONE };
        Transport {
            run: RunState::Stopped,
            now: Placing {
                place: PlaceNow { song: 0, leg: 0, called: false, pass: 0, anchor },
                since: FramePos(0),
                grace: Frames(0),
                cursor: 0,
            },
            chosen: 0,
            chosen_stretch: Stretch::ONE,
            ratio: 1.0,
            tonight: Stretch::ONE,
            released: false,
            undo: None,
            last_onset: FramePos(i64::MIN / 2),
            guard: set.rate.frames(GUARD_SECONDS),
            grace: set.rate.frames(GRACE_SECONDS),
            start_delay: set.rate.frames(0.020),
            stream_delay: set.rate.frames(0.150),
            settled: FramePos(set.rate.frames(SETTLED_SECONDS).0),
        }
    }

    pub const fn run(&self) -> RunState {
        self.run
    }

    pub const fn chosen(&self) -> usize {
        self.chosen
    }

    pub const fn released(&self) -> bool {
        self.released
    }

    /// What a press of undo takes back.
    pub const fn can_undo(&self) -> Option<Undo> {
        self.undo
    }

    pub fn playing(&self) -> Option<PlaceNow> {
        (self.run == RunState::Playing).then_some(self.now.place)
    }

    pub const fn song(&self) -> usize {
        self.now.place.song
    }

    /// The last hit that was handed out; long ago before there was one.
    pub const fn last_onset(&self) -> FramePos {
        self.last_onset
    }

    /// From a start to its first count: time for gains to settle, and for a stream to arrive.
    pub fn count_after_start(&self, set: &Set) -> Frames {
        match self.run {
            RunState::Stopped => set.songs.get(self.chosen).map_or(self.start_delay, |plan| self.delay(plan)),
            _ => self.start_delay,
        }
    }

    /// The last hit before the music rests: where the leg that plays is the last one before that, and the hit stands
    /// in its last bar (a click that rests while the band plays on is no end).
    pub fn last_hit(&self, set: &Set) -> Option<FramePos> {
        let (grid, plan, leg) = (self.grid(set)?, self.plan(set)?, self.leg(set)?);
        let next = self.now.place.leg + 1;
        let after = set.songs.get(self.now.place.song + 1);
        let runs_on = plan.segue && after.is_some_and(|plan| !plan.legs.is_empty());
        let rests = leg.hold || (next >= plan.legs.len() && !runs_on);
        if self.now.place.called || !rests || (leg.vamp && !self.released) {
            return None;
        }
        let last_bar = grid.beats.iter().rev().find(|mark| mark.beat == 1)?;
        let last = grid.hits.last().filter(|hit| hit.local() >= last_bar.local)?;
        Some(self.now.place.anchor.frame(last.local()).max(self.now.since))
    }

    fn plan<'s>(&self, set: &'s Set) -> Option<&'s SongPlan> {
        set.songs.get(self.now.place.song)
    }

    fn leg<'s>(&self, set: &'s Set) -> Option<&'s Leg> {
        self.plan(set)?.legs.get(self.now.place.leg)
    }

    /// The grid that plays.
    pub fn grid<'s>(&self, set: &'s Set) -> Option<&'s Grid> {
        if self.run != RunState::Playing {
            return None;
        }
        let leg = self.leg(set)?;
        if self.now.place.called { leg.count_in.as_deref() } else { Some(&leg.grid) }
    }

    fn end(&self, set: &Set) -> Option<Exact> {
        let grid = self.grid(set)?;
        Some(self.now.place.anchor.at + self.now.place.anchor.stretch.of(grid.length))
    }

    /// The frame on which the pass that plays ends; a pass moved wholly into the past ends where it was moved.
    pub fn end_frame(&self, set: &Set) -> Option<FramePos> {
        self.end(set).map(|end| end.nearest().max(self.now.since))
    }

    /// Hands out every hit whose onset lies before `until`. Frames before `asked` nobody will hear: a hit
    /// there sounds at `asked` when it is at most `late` frames late, else it is lost with the device.
    pub fn dispatch(
        &mut self,
        set: &Set,
        until: FramePos,
        asked: FramePos,
        late: Frames,
        sink: &mut dyn Sink,
    ) {
        let Some(grid) = self.grid(set) else { return };
        let anchor = self.now.place.anchor;
        let too_late = asked - late;
        if self.due(grid, self.now.cursor).is_some_and(|frame| frame < too_late) {
            let first = self.now.cursor;
            let rest = grid.hits.get(first..).unwrap_or(&[]);
            let end = too_late.min(until);
            let lost = rest.partition_point(|hit| anchor.frame(hit.local()).max(self.now.since) < end);
            self.now.cursor = first + lost;
            sink.event(until, What::LostHits { from: first as u32, to: self.now.cursor as u32 });
        }
        while let Some(frame) = self.due(grid, self.now.cursor).filter(|frame| *frame < until) {
            let Some(hit) = grid.hits.get(self.now.cursor) else { break };
            let index = self.now.cursor as u32;
            let onset = frame.max(asked);
            if onset > frame {
                sink.event(onset, What::LateHit { hit: index, late: onset - frame });
            }
            self.now.cursor += 1;
            self.last_onset = onset;
            let bar_line = hit.beat == 1 && hit.subdivision == 0;
            sink.hit(DueHit { onset, index, hit: *hit, bar_line, late: onset > frame });
        }
    }

    fn due(&self, grid: &Grid, index: usize) -> Option<FramePos> {
        let hit = grid.hits.get(index)?;
        Some(self.now.place.anchor.frame(hit.local()).max(self.now.since))
    }

    /// The pass ended at `at`: what is left of it is handed out, and what follows is placed.
    pub fn end_pass(&mut self, set: &Set, at: FramePos, asked: FramePos, late: Frames, sink: &mut dyn Sink) {
        self.dispatch(set, at + Frames(1), asked, late, sink);
        let (Some(end), Some(plan), Some(leg)) = (self.end(set), self.plan(set), self.leg(set)) else {
            self.stop(at, true, sink);
            return;
        };
        let now = self.now.place;
        let tied = |at: Exact| Anchor { at, ..now.anchor };
        if now.called {
            let next = PlaceNow { called: false, pass: 0, anchor: tied(end), ..now };
            return self.put(set, next, at, Why::Follows, sink);
        }
        if leg.vamp && !self.released && leg.grid.length.0 > 0 {
            let (lost, end) = self.lose_passes(&leg.grid, end, asked - late, at, sink);
            let since = end.nearest().max(self.now.since);
            let pass = now.pass.saturating_add(1).saturating_add(lost);
            return self.put(set, PlaceNow { pass, anchor: tied(end), ..now }, since, Why::Vamp, sink);
        }
        self.released = false;
        let next = PlaceNow { leg: now.leg + 1, pass: 0, anchor: tied(end), ..now };
        if next.leg >= plan.legs.len() {
            return self.song_ended(set, end, at, sink);
        }
        if leg.hold {
            self.run = RunState::Holding;
            (self.now.place.leg, self.undo) = (next.leg, None);
            sink.event(at, What::Holding { song: next.song as u16, leg: next.leg as u16 });
            return;
        }
        self.put(set, next, at, Why::Follows, sink);
    }

    /// Whole passes of a vamp before `heard` are counted, not played: how many, and where the next one begins.
    fn lose_passes(
        &self,
        grid: &Grid,
        end: Exact,
        heard: FramePos,
        at: FramePos,
        sink: &mut dyn Sink,
    ) -> (u32, Exact) {
        let length = self.now.place.anchor.stretch.of(grid.length).0.max(1);
        let until = |frame| ((Exact::at(frame) - end).0 / length).clamp(0, i128::from(u32::MAX));
        let (skipped, passes) = (until(self.now.since), until(heard.max(self.now.since)));
        if passes > skipped {
            let hits = (passes - skipped).saturating_mul(grid.hits.len() as i128);
            sink.event(at, What::LostHits { from: 0, to: u32::try_from(hits).unwrap_or(u32::MAX) });
        }
        (passes as u32, end + Span(length.saturating_mul(passes)))
    }

    fn song_ended(&mut self, set: &Set, end: Exact, at: FramePos, sink: &mut dyn Sink) {
        let next = self.now.place.song + 1;
        let runs_on = self.plan(set).is_some_and(|plan| plan.segue);
        match set.songs.get(next).filter(|plan| runs_on && !plan.legs.is_empty()) {
            Some(plan) => {
                let stretch = std::mem::replace(&mut self.chosen_stretch, Stretch::ONE);
                // The band plays on in the time of the clock that was followed.
                let stretch = if self.ratio == 1.0 { stretch } else { tracked(stretch, self.ratio) };
                let anchor = Anchor { at: end, stretch };
                let first = plan.first_section_leg.min(plan.legs.len() - 1);
                self.chosen = (next + 1).min(set.songs.len().saturating_sub(1));
                let first = PlaceNow { song: next, leg: first, called: false, pass: 0, anchor };
                self.put(set, first, at, Why::Follows, sink);
            }
            None => self.stop(at, true, sink),
        }
    }

    fn put(&mut self, set: &Set, place: PlaceNow, since: FramePos, why: Why, sink: &mut dyn Sink) {
        self.run = RunState::Playing;
        let follows = matches!(why, Why::Follows | Why::Vamp);
        if !follows {
            self.tonight = place.anchor.stretch;
        }
        let grace = if follows { self.now.grace } else { Frames(0) };
        self.now = Placing { place, since, grace, cursor: 0 };
        if !follows {
            self.now.cursor = self.first_hit_from(set, since.max(self.last_onset + self.guard));
        } else if place.anchor.at.nearest() < since {
            self.now.cursor = self.first_hit_from(set, since - grace);
        }
        self.tell(since, self.now.cursor, why, sink);
    }

    fn tell(&self, at: FramePos, from_hit: usize, why: Why, sink: &mut dyn Sink) {
        let PlaceNow { song, leg, called, pass, anchor } = self.now.place;
        sink.event(
            at,
            What::Placed {
                song: song as u16,
                leg: leg as u16,
                called,
                pass,
                anchor_at: anchor.at,
                stretch: anchor.stretch,
                from_hit: from_hit as u32,
                why,
                undo: self.undo,
            },
        );
    }

    fn first_hit_from(&self, set: &Set, frame: FramePos) -> usize {
        let anchor = self.now.place.anchor;
        self.grid(set).map_or(0, |grid| grid.hits.partition_point(|hit| anchor.frame(hit.local()) < frame))
    }

    /// The song that the next start plays.
    pub fn choose(&mut self, set: &Set, song: usize) -> bool {
        let known = song < set.songs.len();
        if known {
            (self.chosen, self.chosen_stretch) = (song, Stretch::ONE);
        }
        known
    }

    /// False while a song plays: the start key never stops anything.
    pub fn start(&mut self, set: &Set, at: FramePos, sink: &mut dyn Sink) -> bool {
        match self.run {
            RunState::Playing => false,
            RunState::Holding => {
                let (song, leg, stretch) =
                    (self.now.place.song, self.now.place.leg, self.now.place.anchor.stretch);
                self.go_to(set, song, leg, true, stretch, Exact::at(at), at, Why::Start, sink)
            }
            RunState::Stopped => self.start_chosen(set, at, sink),
        }
    }

    fn start_chosen(&mut self, set: &Set, at: FramePos, sink: &mut dyn Sink) -> bool {
        let song = self.chosen;
        let Some(plan) = set.songs.get(song) else { return false };
        self.chosen = (song + 1).min(set.songs.len().saturating_sub(1));
        let stretch = std::mem::replace(&mut self.chosen_stretch, Stretch::ONE);
        (self.undo, self.ratio) = (None, 1.0);
        self.now.place.song = song;
        if plan.legs.is_empty() {
            self.stop(at, true, sink);
            return true;
        }
        let anchor = Anchor { at: Exact::at((at + self.delay(plan)).max(self.settled)), stretch };
        self.put(set, PlaceNow { song, leg: 0, called: false, pass: 0, anchor }, at, Why::Start, sink);
        true
    }

    fn delay(&self, plan: &SongPlan) -> Frames {
        if plan.streams.iter().any(Option::is_some) { self.stream_delay } else { self.start_delay }
    }

    /// Jumps to a leg, with the count-in that leads to it when asked for.
    #[expect(clippy::too_many_arguments, reason = "a jump is these facts, named at each call")]
    pub fn go_to(
        &mut self,
        set: &Set,
        song: usize,
        leg: usize,
        count_in: bool,
        stretch: Stretch,
        place: Exact,
        at: FramePos,
        why: Why,
        sink: &mut dyn Sink,
    ) -> bool {
        let Some(target) = set.songs.get(song).and_then(|plan| plan.legs.get(leg)) else { return false };
        let called = count_in && target.kind != LegKind::CountIn && target.count_in.is_some();
        let place = if count_in && self.run != RunState::Playing {
            (place + Span::frames(self.start_delay)).max(Exact::at(self.settled))
        } else {
            place
        };
        let place = PlaceNow { song, leg, called, pass: 0, anchor: Anchor { at: place, stretch } };
        (self.released, self.undo) = (false, None);
        self.put(set, place, at, why, sink);
        true
    }

    /// Ties a leg, its count-in or a later pass of it to a place that another machine gives.
    pub fn rejoin(&mut self, set: &Set, place: PlaceNow, at: FramePos, sink: &mut dyn Sink) -> bool {
        self.go_on(set, place, None, at, sink)
    }

    /// The same where a night goes on, with what undo takes back there.
    pub fn go_on(
        &mut self,
        set: &Set,
        place: PlaceNow,
        undo: Option<Undo>,
        at: FramePos,
        sink: &mut dyn Sink,
    ) -> bool {
        let target = set.songs.get(place.song).and_then(|plan| plan.legs.get(place.leg));
        let known = target.is_some_and(|target| !place.called || target.count_in.is_some());
        if known {
            (self.released, self.undo) = (false, undo);
            self.put(set, place, at, Why::Rejoin, sink);
        }
        known
    }

    /// The pass that plays keeps its hits and gets a refined place and rate: the other machine's clock runs
    /// unlike this one's. What sounded does not sound again.
    pub fn retime(&mut self, anchor: Anchor) {
        if self.run == RunState::Playing {
            self.now.place.anchor = anchor;
        }
    }

    /// The click rests before a leg, as on another machine.
    pub fn hold(&mut self, set: &Set, song: usize, leg: usize, at: FramePos, sink: &mut dyn Sink) -> bool {
        if set.songs.get(song).is_none_or(|plan| leg >= plan.legs.len()) {
            return false;
        }
        self.run = RunState::Holding;
        (self.now.place.song, self.now.place.leg, self.released, self.undo) = (song, leg, false, None);
        sink.event(at, What::Holding { song: song as u16, leg: leg as u16 });
        true
    }

    /// The same, with tonight's tempo.
    pub fn hold_at(
        &mut self,
        set: &Set,
        song: usize,
        leg: usize,
        stretch: Stretch,
        at: FramePos,
        sink: &mut dyn Sink,
    ) -> bool {
        self.now.place.anchor.stretch = stretch;
        self.hold(set, song, leg, at, sink)
    }

    /// Tonight's tempo of the song that the next start plays.
    pub const fn set_chosen_stretch(&mut self, stretch: Stretch) {
        self.chosen_stretch = stretch;
    }

    pub const fn chosen_stretch(&self) -> Stretch {
        self.chosen_stretch
    }

    /// Length of a frame of the clock that is followed, in frames of this one; a segue keeps it.
    pub const fn follow_clock(&mut self, ratio: f64) {
        self.ratio = ratio;
    }

    /// Tonight's tempo of the song that plays.
    pub const fn tonight(&self) -> Stretch {
        self.tonight
    }

    /// A vamp's release, as on another machine.
    pub fn set_released(&mut self, released: bool) {
        self.released = released;
    }

    /// Tells where the music is, as if it had been placed there at `from`: its timing was refined since.
    pub fn tell_again(&self, set: &Set, from: FramePos, sink: &mut dyn Sink) {
        if self.run == RunState::Playing {
            self.tell(from, self.first_hit_from(set, from), Why::Rejoin, sink);
        }
    }

    /// Where the song as written would have begun for the leg that plays to be where it is.
    pub fn began(&self, set: &Set) -> Exact {
        let anchor = self.now.place.anchor;
        let written = self.leg(set).map_or(Span(0), |leg| leg.written);
        anchor.at - anchor.stretch.of(written)
    }

    /// The leg that plays or that follows the hold, and its anchor.
    pub const fn place(&self) -> PlaceNow {
        self.now.place
    }

    /// Nothing plays from this frame on.
    pub fn stop(&mut self, at: FramePos, ended: bool, sink: &mut dyn Sink) {
        let song = self.now.place.song as u16;
        self.run = RunState::Stopped;
        self.released = false;
        self.undo = None;
        sink.event(at, What::Stopped { song, ended });
    }

    pub fn release(&mut self, set: &Set) -> bool {
        let vamps =
            self.grid(set).is_some() && self.leg(set).is_some_and(|leg| leg.vamp) && !self.now.place.called;
        self.released |= vamps;
        vamps
    }

    /// The nearest bar line is now. Stopped, it starts the chosen song at its first section without a count-in.
    pub fn one_is_now(&mut self, set: &Set, at: FramePos, sink: &mut dyn Sink) -> bool {
        let Some(grid) = self.grid(set) else { return self.one_starts(set, at, sink) };
        let here = self.now.place.anchor.local(Exact::at(at));
        let lines = grid.beats.iter().filter(|beat| beat.beat == 1).map(|beat| beat.local);
        let nearest = lines.chain([grid.length]).min_by_key(|line| (*line - here).0.unsigned_abs());
        nearest.is_some_and(|line| self.move_by(set, at, line - here, Why::OneIsNow, sink))
    }

    fn one_starts(&mut self, set: &Set, at: FramePos, sink: &mut dyn Sink) -> bool {
        let (song, leg) = match self.run {
            RunState::Holding => (self.now.place.song, self.now.place.leg),
            _ => (self.chosen, set.songs.get(self.chosen).map_or(0, |plan| plan.first_section_leg)),
        };
        if set.songs.get(song).is_none_or(|plan| leg >= plan.legs.len()) {
            return false;
        }
        let stretch = if self.run == RunState::Holding {
            self.now.place.anchor.stretch
        } else {
            self.chosen = (song + 1).min(set.songs.len().saturating_sub(1));
            std::mem::replace(&mut self.chosen_stretch, Stretch::ONE)
        };
        self.go_to(set, song, leg, false, stretch, Exact::at(at), at, Why::OneIsNow, sink)
    }

    /// The place moves by whole beats; the beats stay where they are.
    pub fn shift_beats(&mut self, set: &Set, at: FramePos, beats: i32, sink: &mut dyn Sink) -> bool {
        let Some(grid) = self.grid(set) else { return false };
        let here = self.now.place.anchor.local(Exact::at(at));
        let index = grid.beats.partition_point(|beat| beat.local <= here).max(1) - 1;
        let edge = |index: i64| beat_edge(grid, index);
        let target = index as i64 + i64::from(beats);
        let (Some(from), Some(to)) = (edge(index as i64), edge(target)) else { return false };
        let (Some(from_end), Some(to_end)) = (edge(index as i64 + 1), edge(target + 1)) else { return false };
        let (old, new) = ((from_end - from).0.max(1), (to_end - to).0);
        let within = (here - from).0;
        let scaled = if old == new { within } else { within.saturating_mul(new >> 24) / (old >> 24).max(1) };
        self.move_by(set, at, to + Span(scaled) - here, Why::Beats, sink)
    }

    /// Everything sounds this much later (negative: earlier).
    pub fn nudge(&mut self, set: &Set, at: FramePos, later: Frames, why: Why, sink: &mut dyn Sink) -> bool {
        if self.grid(set).is_none() {
            return false;
        }
        let delta = self.now.place.anchor.stretch.undo(Span::frames(later));
        if later.0 < -self.grace.0 {
            return self.move_by(set, at, -delta, why, sink);
        }
        self.now.place.anchor.at = self.now.place.anchor.at + Span::frames(later);
        (self.now.since, self.now.grace) = (at, self.grace);
        self.undo = undone(why, Undo::Nudge(later));
        self.tell(at, self.now.cursor, why, sink);
        true
    }

    /// Takes back the last move. Where that cannot be (back over the start of the song), it may be later on.
    pub fn undo(&mut self, set: &Set, at: FramePos, sink: &mut dyn Sink) -> bool {
        match self.undo {
            None => false,
            Some(Undo::Move(moved)) => self.move_by(set, at, -moved, Why::Undo, sink),
            Some(Undo::Nudge(later)) => {
                self.nudge(set, at, Frames(later.0.saturating_neg()), Why::Undo, sink)
            }
        }
    }

    /// The place in the music moves by `delta` (local time), over the edges of legs where it must.
    fn move_by(&mut self, set: &Set, at: FramePos, delta: Span, why: Why, sink: &mut dyn Sink) -> bool {
        let (Some(plan), Some(grid)) = (self.plan(set), self.grid(set)) else { return false };
        let PlaceNow { song, mut leg, mut called, mut pass, anchor } = self.now.place;
        let mut place = anchor.local(Exact::at(at)) + delta;
        let mut length = grid.length;
        for _ in 0..2 * plan.legs.len() + 2 {
            let vamps = plan.legs.get(leg).is_some_and(|leg| leg.vamp) && !self.released && !called;
            if place.0 < 0 {
                if vamps && pass > 0 {
                    let back = ((length.0 - 1 - place.0) / length.0.max(1)).clamp(1, i128::from(pass));
                    pass -= back as u32;
                    place += Span(length.0 * back);
                    continue;
                }
                let before = leg.checked_sub(1).and_then(|before| plan.legs.get(before));
                let Some(before) = before.filter(|_| !called) else { return false };
                (leg, pass, length) = (leg - 1, 0, before.grid.length);
                place += length;
            } else if place < length {
                break;
            } else if vamps && length.0 > 0 {
                let passes = place.0 / length.0;
                pass = pass.saturating_add(u32::try_from(passes).unwrap_or(u32::MAX));
                place = place - Span(length.0 * passes);
            } else {
                place = place - length;
                leg = if called { leg } else { leg + 1 };
                (pass, called) = (0, false);
                let Some(next) = plan.legs.get(leg) else { return false };
                length = next.grid.length;
            }
        }
        if place.0 < 0 || place >= length {
            return false;
        }
        let at_place = Exact::at(at) - anchor.stretch.of(place);
        self.undo = undone(why, Undo::Move(delta));
        let place = PlaceNow { song, leg, called, pass, anchor: Anchor { at: at_place, ..anchor } };
        self.put(set, place, at, why, sink);
        true
    }

    /// Tempo for tonight: the beat goes on from where it is. Stopped, it holds for the next start.
    pub fn tempo(&mut self, set: &Set, at: FramePos, stretch: Stretch, sink: &mut dyn Sink) {
        if self.grid(set).is_none() {
            if self.run == RunState::Holding {
                self.now.place.anchor.stretch = stretch;
            } else {
                self.chosen_stretch = stretch;
            }
            return;
        }
        let here = self.now.place.anchor.local(Exact::at(at));
        self.now.place.anchor = Anchor { at: Exact::at(at) - stretch.of(here), stretch };
        (self.now.since, self.now.grace, self.tonight) = (at, Frames(0), stretch);
        self.tell(at, self.now.cursor, Why::Tempo, sink);
    }

    /// The first beat after `at` in the pass that plays (with `bar_lines`, the first bar line), or its end.
    pub fn next_beat(&self, set: &Set, at: FramePos, bar_lines: bool) -> Option<Exact> {
        let grid = self.grid(set)?;
        let anchor = self.now.place.anchor;
        let after = grid.beats.partition_point(|beat| anchor.frame(beat.local) <= at);
        let later = grid.beats.get(after..).unwrap_or(&[]);
        let found = later.iter().find(|beat| !bar_lines || beat.beat == 1).map(|beat| beat.local);
        Some(anchor.at + anchor.stretch.of(found.unwrap_or(grid.length)))
    }

    /// The end of the section that plays, its remaining passes included (a vamp: of this pass).
    pub fn section_end(&self, set: &Set) -> Option<Exact> {
        let (plan, leg) = (self.plan(set)?, self.leg(set)?);
        let mut end = self.end(set)?;
        if self.now.place.called {
            return Some(end);
        }
        let rest = plan.legs.get(self.now.place.leg + 1..).unwrap_or(&[]);
        let same = |next: &&Leg| next.kind == leg.kind && next.section == leg.section;
        for next in rest.iter().take_while(same) {
            end = end + self.now.place.anchor.stretch.of(next.grid.length);
        }
        Some(end)
    }

    /// The beat that sounds at `at`: its mark, its frame and the next one's.
    pub fn beat_at(&self, set: &Set, at: FramePos) -> Option<(BeatMark, FramePos, FramePos)> {
        let grid = self.grid(set)?;
        let anchor = self.now.place.anchor;
        let after = grid.beats.partition_point(|beat| anchor.frame(beat.local) <= at);
        let mark = grid.beats.get(after.max(1) - 1)?;
        let next = grid.beats.get(after).map_or(grid.length, |beat| beat.local);
        Some((*mark, anchor.frame(mark.local), anchor.frame(next)))
    }

    /// Number of the pass's first bar as printed.
    pub fn first_bar(&self, set: &Set) -> i32 {
        let Some(leg) = self.leg(set) else { return 0 };
        if !self.now.place.called {
            return leg.first_bar;
        }
        1 - leg.count_in.as_ref().map_or(0, |grid| bars(grid)) as i32
    }

    /// Bars of the pass that plays.
    pub fn bars(&self, set: &Set) -> u32 {
        self.grid(set).map_or(0, bars)
    }
}

/// What was taken back is not taken back in turn.
fn undone(why: Why, moved: Undo) -> Option<Undo> {
    (why != Why::Undo).then_some(moved)
}

fn bars(grid: &Grid) -> u32 {
    grid.beats.last().map_or(0, |beat| beat.bar + 1)
}

/// Local time of a beat by index; one before the first and after the last are as long as their neighbours.
fn beat_edge(grid: &Grid, index: i64) -> Option<Span> {
    let count = grid.beats.len() as i64;
    let at = |index: i64| match usize::try_from(index).ok().and_then(|index| grid.beats.get(index)) {
        Some(beat) => beat.local,
        None => grid.length,
    };
    if count == 0 {
        return None;
    }
    if index < 0 {
        return Some(Span((at(1) - at(0)).0 * i128::from(index)));
    }
    if index > count {
        return Some(grid.length + Span((grid.length - at(count - 1)).0 * i128::from(index - count)));
    }
    Some(at(index))
}
