//! What was due, from the engine's account of where it was: placings, switches, mutes.
//!
//! The frame of each hit is computed here again, from the exact numbers of the placing.

use super::due::{Due, Shape};
use super::judge::Listener;
use super::template::Template;
use crate::click::set::{Grid, Hit, Leg, Set, StreamPlan, Stretch};
use crate::realtime::event::{Event, Source, What};
use crate::realtime::setup::{EngineSetup, OutletSetup, PartSource};
use crate::units::{Exact, FRACTION_BITS, FramePos, Span};
use std::sync::Arc;

/// Who is told what is due.
pub trait Expect {
    fn due(&mut self, due: Due);
    /// Tails of a click (`None`: all) on this channel end here by plan.
    fn cut(&mut self, channel: u16, click: Option<u8>, at: FramePos);
    /// Sound may begin here without a hit.
    fn edge(&mut self, channel: u16, at: FramePos);
    /// Everything before this frame has been told.
    fn told(&mut self, _until: FramePos) {}
}

impl Expect for Listener {
    fn due(&mut self, due: Due) {
        self.expect(due);
    }

    fn cut(&mut self, channel: u16, click: Option<u8>, at: FramePos) {
        Listener::cut(self, channel, click, at);
    }

    fn told(&mut self, until: FramePos) {
        Listener::told(self, until);
    }

    fn edge(&mut self, channel: u16, at: FramePos) {
        Listener::edge(self, channel, at);
    }
}

/// Where the listener gets the sound of a streamed hit from: not from the renderer.
pub trait Clips: Send {
    /// `frames` samples at the device's rate from frame `from` of the stream's file (silence outside of it),
    /// before the stream's gain. `None` when the file cannot be read: its hits count as unheard.
    fn clip(&mut self, stream: &StreamPlan, from: i64, frames: usize) -> Option<Vec<f32>>;
}

/// For shows without streamed clicks.
pub struct NoClips;

impl Clips for NoClips {
    fn clip(&mut self, _: &StreamPlan, _: i64, _: usize) -> Option<Vec<f32>> {
        None
    }
}

/// A pass of a leg on the device's timeline.
#[derive(Clone, Copy, Debug)]
struct Placing {
    song: u16,
    leg: u16,
    pass: u32,
    at: Exact,
    stretch: Stretch,
    /// The grid is the count-in that leads to the leg.
    called: bool,
    /// Hits are due no earlier than this.
    since: FramePos,
    next_hit: usize,
}

impl Placing {
    fn grid(self, leg: &Leg) -> Option<&Grid> {
        if self.called { leg.count_in.as_deref() } else { Some(&leg.grid) }
    }

    fn frame(&self, hit: &Hit) -> FramePos {
        frame_of(self.at, self.stretch, hit).max(self.since)
    }

    /// Number of the first bar as printed; a count-in counts up to 0.
    fn first_bar(self, leg: &Leg, grid: &Grid) -> i32 {
        if !self.called {
            return leg.first_bar;
        }
        -grid.beats.last().map_or(0, |beat| beat.bar as i32)
    }
}

#[derive(Clone, Copy, Debug)]
struct ClickState {
    source: Source,
    muted: bool,
    /// After a mute it is at its full level from here on.
    back: FramePos,
}

/// Turns events into dues. Events may come in any order inside a block; [`Plan::advance`] says how far
/// they are complete.
pub struct Plan {
    set: Arc<Set>,
    /// Index of the set's first sound among the listener's templates.
    first_sound: usize,
    /// The set that the command of this id loads, and its first sound.
    next_set: Option<(u64, Arc<Set>, usize)>,
    outlets: Vec<OutletSetup>,
    clips: Box<dyn Clips>,
    waiting: Vec<Event>,
    placing: Option<Placing>,
    clicks: Vec<ClickState>,
    all_out: bool,
    click_out: bool,
    lost_events: u64,
}

/// A gain moves this long at most; a hit inside of an opening one is not judged.
const RAMP_SECONDS: f64 = 0.010;
/// Frames before a streamed hit's place that still belong to its sound, in ms.
const CLIP_LEAD_MS: i64 = 5;
/// A streamed hit's sound is at most this long, in seconds.
const CLIP_SECONDS: i64 = 2;
/// A side of a stereo outlet this much under the other is not judged (20 dB).
const FAINT_SIDE: f32 = 0.1;

impl Plan {
    pub fn new(set: Arc<Set>, setup: &EngineSetup, clips: Box<dyn Clips>) -> Plan {
        let clicks = vec![
            ClickState { source: Source::Own, muted: false, back: FramePos(i64::MIN) };
            setup.clicks.len()
        ];
        Plan {
            set,
            first_sound: 0,
            next_set: None,
            outlets: setup.outlets.clone(),
            clips,
            waiting: Vec::new(),
            placing: None,
            clicks,
            all_out: false,
            click_out: false,
            lost_events: 0,
        }
    }

    /// Other songs from when the engine says that command `id` is done; `first_sound` as
    /// [`Listener::add_sounds`] returned it.
    pub fn load(&mut self, id: u64, set: Arc<Set>, first_sound: usize) {
        self.next_set = Some((id, set, first_sound));
    }

    /// Events that the engine could not send: what was due is not wholly known.
    pub fn lost_events(&self) -> u64 {
        self.lost_events
    }

    /// Takes one event; a block's status says that everything before its frame is known.
    pub fn take(&mut self, event: &Event, to: &mut impl Expect) {
        match event.what {
            What::Status(_) => self.advance(event.at, to),
            What::Dropped { count } => self.lost_events += u64::from(count),
            What::Done { id } if self.next_set.as_ref().is_none_or(|next| next.0 != id) => {}
            What::Done { .. }
            | What::Placed { .. }
            | What::Holding { .. }
            | What::Stopped { .. }
            | What::Switched { .. }
            | What::AllOut(_)
            | What::ClickOut(_)
            | What::Muted { .. } => self.wait(*event),
            _ => {}
        }
    }

    /// Keeps an event until its frame comes. A gain told for a later frame is void when another one comes first.
    fn wait(&mut self, event: Event) {
        let void = |other: &Event| {
            let same = matches!(
                (other.what, event.what),
                (What::AllOut(_), What::AllOut(_)) | (What::ClickOut(_), What::ClickOut(_))
            );
            same && other.at >= event.at
        };
        self.waiting.retain(|other| !void(other));
        let place = self.waiting.partition_point(|other| other.at <= event.at);
        self.waiting.insert(place, event);
    }

    /// Every event before `until` was taken: tells what was due before it.
    pub fn advance(&mut self, until: FramePos, to: &mut impl Expect) {
        while self.waiting.first().is_some_and(|event| event.at <= until) {
            let event = self.waiting.remove(0);
            self.tell(event.at, to);
            self.apply(&event, to);
        }
        self.tell(until, to);
        to.told(until);
    }

    /// The run ended at `end`.
    pub fn finish(&mut self, end: FramePos, to: &mut impl Expect) {
        self.advance(end, to);
    }

    fn apply(&mut self, event: &Event, to: &mut impl Expect) {
        match event.what {
            What::Done { .. } => {
                if let Some((_, set, first_sound)) = self.next_set.take() {
                    (self.set, self.first_sound) = (set, first_sound);
                }
            }
            What::Placed { song, leg, called, pass, anchor_at, stretch, from_hit, .. } => {
                let (since, next_hit) = (event.at, from_hit as usize);
                let at = anchor_at;
                self.placing = Some(Placing { song, leg, pass, at, stretch, called, since, next_hit });
            }
            What::Holding { .. } => self.placing = None,
            What::Stopped { ended, .. } => {
                self.placing = None;
                if !ended {
                    self.silence(None, true, event.at, to);
                }
            }
            What::Switched { click, source, .. } => self.switch(click, source, event.at, to),
            What::AllOut(on) => {
                self.all_out = on;
                self.silence(None, on, event.at, to);
            }
            What::ClickOut(on) => {
                self.click_out = on;
                self.silence(None, on, event.at, to);
            }
            What::Muted { click, muted } => {
                if let Some(state) = self.clicks.get_mut(usize::from(click)) {
                    state.muted = muted;
                    state.back = event.at + self.set.rate.frames(RAMP_SECONDS);
                }
                self.silence(Some(click), muted, event.at, to);
            }
            _ => {}
        }
    }

    fn switch(&mut self, click: u8, source: Source, at: FramePos, to: &mut impl Expect) {
        let before = self.audible_lane(click);
        if let Some(state) = self.clicks.get_mut(usize::from(click)) {
            state.source = source;
        }
        if before != self.audible_lane(click) {
            self.silence(Some(click), true, at, to);
        }
    }

    /// The lane that a click is heard from; `None` while it is streamed.
    fn audible_lane(&self, click: u8) -> Option<u8> {
        let lanes = self.set.lanes.get(usize::from(click))?;
        match self.clicks.get(usize::from(click))?.source {
            Source::Own => Some(lanes.own),
            Source::Fallback => Some(lanes.fallback),
            Source::Streamed | Source::External => None,
        }
    }

    /// A click (`None`: everything) goes silent or comes back where it is heard.
    fn silence(&self, click: Option<u8>, silent: bool, at: FramePos, to: &mut impl Expect) {
        for outlet in &self.outlets {
            let heard = |part: &&crate::realtime::setup::PartSetup| match part.source {
                PartSource::Click(of) => click.is_none_or(|click| click == of),
                PartSource::Lane(_) => click.is_none(),
                PartSource::Input(_) => false,
            };
            if !outlet.parts.iter().any(|part| heard(&part)) {
                continue;
            }
            for channel in &outlet.channels {
                if silent { to.cut(*channel, click, at) } else { to.edge(*channel, at) }
            }
        }
    }

    /// Hits of the placing before a frame.
    fn tell(&mut self, until: FramePos, to: &mut impl Expect) {
        let Some(mut placing) = self.placing else { return };
        let set = Arc::clone(&self.set);
        let leg = set.songs.get(usize::from(placing.song)).and_then(|s| s.legs.get(usize::from(placing.leg)));
        let Some(leg) = leg else { return };
        let Some(grid) = placing.grid(leg) else { return };
        while let Some(hit) = grid.hits.get(placing.next_hit) {
            let frame = placing.frame(hit);
            if frame >= until {
                break;
            }
            if !self.all_out && !self.click_out {
                self.tell_hit(&set, &placing, leg, hit, frame, to);
            }
            placing.next_hit += 1;
        }
        self.placing = Some(placing);
    }

    fn tell_hit(
        &mut self,
        set: &Set,
        placing: &Placing,
        leg: &Leg,
        hit: &Hit,
        frame: FramePos,
        to: &mut impl Expect,
    ) {
        let Some(grid) = placing.grid(leg) else { return };
        let bar = placing.first_bar(leg, grid) + hit.bar as i32;
        let settled = |click: Option<u8>| {
            let back = click.and_then(|click| self.clicks.get(usize::from(click))).map(|click| click.back);
            back.is_none_or(|back| frame >= back)
        };
        let judged: Vec<bool> = (0..self.clicks.len()).map(|click| settled(Some(click as u8))).collect();
        for outlet in 0..self.outlets.len() {
            for part in 0..self.outlets[outlet].parts.len() {
                let here = self.outlets[outlet].parts[part];
                let Some((shape, gain, or, click)) = self.sounding(set, placing, leg, hit, here.source)
                else {
                    continue;
                };
                let levels = [here.left, here.right];
                let channels = &self.outlets[outlet].channels;
                let sides = channels.len().min(2);
                let loudest = levels[..sides].iter().fold(0.0f32, |most, one| most.max(one.abs()));
                for side in 0..sides {
                    let level = levels[side];
                    if level == 0.0 {
                        continue;
                    }
                    to.due(Due {
                        frame,
                        channel: channels[side],
                        click,
                        lane: hit.lane,
                        kind: hit.kind,
                        song: placing.song,
                        leg: placing.leg,
                        pass: placing.pass,
                        bar,
                        beat: hit.beat,
                        subdivision: hit.subdivision,
                        shape: shape.clone(),
                        gain: gain * level,
                        or: or.clone().map(|(shape, gain)| (shape, gain * level)),
                        judged: level.abs() > FAINT_SIDE * loudest
                            && click.is_none_or(|click| judged[usize::from(click)]),
                        cut: None,
                    });
                }
            }
        }
    }

    /// Shape, gain, the other shape it may have, and click, when a part of an outlet sounds this hit.
    #[allow(clippy::type_complexity)]
    fn sounding(
        &mut self,
        set: &Set,
        placing: &Placing,
        leg: &Leg,
        hit: &Hit,
        source: PartSource,
    ) -> Option<(Shape, f32, Option<(Shape, f32)>, Option<u8>)> {
        let own = Shape::Sound(self.first_sound + usize::from(hit.sound));
        match source {
            PartSource::Lane(lane) => (lane == hit.lane).then_some((own, hit.gain, None, None)),
            PartSource::Input(_) => None,
            PartSource::Click(click) => {
                let state = *self.clicks.get(usize::from(click))?;
                if state.muted {
                    return None;
                }
                if let Some(lane) = self.audible_lane(click) {
                    return (lane == hit.lane).then_some((own, hit.gain, None, Some(click)));
                }
                let lanes = set.lanes.get(usize::from(click))?;
                if lanes.fallback != hit.lane || placing.called {
                    return None;
                }
                let stream = set.songs.get(usize::from(placing.song))?.streams.get(usize::from(click))?;
                let stream = stream.as_ref()?;
                let expected = stream.expected.get(usize::from(placing.leg))?;
                if *expected.get(placing.next_hit)? <= 0.0 {
                    return None;
                }
                let shape = self.streamed(set, stream, placing, leg, hit);
                Some((shape, 1.0, Some((own, hit.gain)), Some(click)))
            }
        }
    }

    /// The file's own sound of a hit: up to where the next hit's begins.
    fn streamed(&mut self, set: &Set, stream: &StreamPlan, placing: &Placing, leg: &Leg, hit: &Hit) -> Shape {
        let rate = i64::from(set.rate.hertz());
        let frame = placing.frame(hit).0;
        let later = &leg.grid.hits[placing.next_hit..];
        let next = later
            .iter()
            .filter(|other| other.lane == hit.lane)
            .map(|other| placing.frame(other).0)
            .find(|other| *other > frame);
        // The next leg's first hit is not this one's sound.
        let end = frame_of_local(placing.at, placing.stretch, leg.grid.length).0;
        let frames = (next.unwrap_or(end) - frame).clamp(1, CLIP_SECONDS * rate);
        // One rounding a placing: which frame of the file lies on device frame 0.
        let zero = Exact(stream.origin.0 + leg.written.0 - placing.at.0).nearest().0;
        let lead = CLIP_LEAD_MS * rate / 1000;
        match self.clips.clip(stream, zero + frame - lead, frames as usize) {
            Some(mut samples) => {
                samples.iter_mut().for_each(|sample| *sample *= stream.gain);
                Shape::Own(Template::new(&samples, lead as usize, rate as u32))
            }
            None => Shape::Sound(usize::MAX),
        }
    }
}

/// The frame of a hit: `at + local × over / under`, all of it exact, rounded once, halves up.
fn frame_of(at: Exact, stretch: Stretch, hit: &Hit) -> FramePos {
    let one = 1i128 << FRACTION_BITS;
    frame_of_local(at, stretch, Span(i128::from(hit.frame) * one + i128::from(hit.part) * (one >> 32)))
}

fn frame_of_local(at: Exact, stretch: Stretch, local: Span) -> FramePos {
    let (one, local) = (1i128 << FRACTION_BITS, local.0);
    let under = i128::from(stretch.under.max(1));
    let numerator = at.0 * under + local * i128::from(stretch.over);
    FramePos((2 * numerator + under * one).div_euclid(2 * under * one) as i64)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::click::set::HitKind;

    fn hit(local: Span) -> Hit {
        let mut hit = Hit {
            frame: 0,
            part: 0,
            gain: 1.0,
            bar: 0,
            beat: 1,
            subdivision: 0,
            sound: 0,
            lane: 0,
            kind: HitKind::Beat,
        };
        hit.set_local(local);
        hit
    }

    #[test]
    fn beat_8_at_128_bpm_and_44_100_falls_on_frame_165_375() {
        // 8 × 60 × 44 100 / 128 is exactly that.
        let local = Span::ratio(8 * 60 * 44_100, 128);
        assert_eq!(frame_of(Exact(0), Stretch::ONE, &hit(local)), FramePos(165_375));
    }

    #[test]
    fn half_a_frame_rounds_up_on_both_sides_of_zero() {
        let half = hit(Span::ratio(1, 2));
        assert_eq!(frame_of(Exact(0), Stretch::ONE, &half), FramePos(1));
        assert_eq!(frame_of(Exact::at(FramePos(-5)), Stretch::ONE, &half), FramePos(-4));
    }

    #[test]
    fn a_third_of_a_stretch_is_exact_after_a_day() {
        // 24 h at 192 kHz, stretched by 4/3: 192 000 × 86 400 × 4 / 3 = 22 118 400 000.
        let local = hit(Span::ratio(192_000 * 86_400, 1));
        let stretch = Stretch { over: 4, under: 3 };
        assert_eq!(frame_of(Exact(0), stretch, &local), FramePos(22_118_400_000));
    }
}
