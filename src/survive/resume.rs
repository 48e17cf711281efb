//! From the record to where the music is by now. Pure: the set, the record and the time decide.

use super::clock::Fit;
use super::record::{Asked, Deed, Night, Record};
use crate::click::set::{Anchor, PlaceNow, Set, Stretch};
use crate::realtime::command::{Return, When};
use crate::realtime::event::{RunState, What};
use crate::realtime::transport::{DueHit, Sink, Transport};
use crate::units::{Exact, FramePos, Frames};

/// The moment at which a program comes back.
#[derive(Clone, Debug, PartialEq)]
pub struct Moment<'a> {
    /// By the boot-time clock.
    pub ns: i64,
    /// Which start of the computer.
    pub boot: &'a str,
    /// SHA-256 of the show file as it is now.
    pub digest: &'a str,
}

/// What to do.
#[derive(Clone, Debug, PartialEq)]
pub enum Comeback {
    /// The last run ended as it should.
    Nothing,
    /// In the band's time, on the timeline that was.
    InTime { place: Return, fit: Fit, asked: Vec<Asked> },
    /// The song is known, its place is not: silent, ready for "one is now".
    Silent { place: Return, why: Unknown },
}

/// Why the place is not known.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Unknown {
    /// The computer was started again: its clock began anew.
    Rebooted,
    /// The clock went back.
    ClockBack,
    /// The show file is another one by now.
    ShowChanged,
    /// It was killed before its device's time was known.
    NoClock,
}

impl Unknown {
    pub const fn words(self) -> &'static str {
        match self {
            Unknown::Rebooted => "the computer was started again since",
            Unknown::ClockBack => "this computer's clock was set back since",
            Unknown::ShowChanged => "the show file was changed since",
            Unknown::NoClock => "it ended before the device's time was known",
        }
    }
}

/// What the record means now. The record is at the set's rate ([`Record::at_rate`]).
pub fn resume(record: &Record, set: &Set, now: &Moment) -> Comeback {
    if record.ended {
        return Comeback::Nothing;
    }
    let unknown = match record.clock {
        _ if record.digest != now.digest => Err(Unknown::ShowChanged),
        _ if record.boot != now.boot => Err(Unknown::Rebooted),
        None => Err(Unknown::NoClock),
        Some(fit) if fit.at.ns > now.ns => Err(Unknown::ClockBack),
        Some(fit) => Ok(fit),
    };
    match unknown {
        Ok(fit) => {
            let until = FramePos(fit.frame_at(now.ns).floor() as i64);
            let (place, asked) = Replay::new(set, record).run(until);
            Comeback::InTime { place, fit, asked }
        }
        Err(why) => Comeback::Silent { place: silent(record, set, why), why },
    }
}

/// The song, by its number where the show is the same, else by its title; nothing plays.
fn silent(record: &Record, set: &Set, why: Unknown) -> Return {
    let night = &record.night;
    let stopped = night.run == RunState::Stopped;
    let number = usize::from(if stopped { night.chosen } else { night.song });
    let titled = set.songs.iter().position(|plan| plan.title == night.title);
    let chosen = match why {
        Unknown::ShowChanged => titled.unwrap_or(0),
        _ => number.min(set.songs.len().saturating_sub(1)),
    };
    let same = why != Unknown::ShowChanged;
    Return {
        since: FramePos(0),
        run: RunState::Stopped,
        song: chosen,
        leg: 0,
        called: false,
        pass: 0,
        at: Exact(0),
        stretch: Stretch::ONE,
        released: false,
        undo: None,
        chosen,
        // What a person set for tonight is for the song.
        chosen_stretch: if stopped { night.chosen_stretch } else { night.stretch },
        all_out: night.all_out,
        click_out: same && night.click_out,
        mutes: if same { night.mutes } else { 0 },
        by_hand: if same { night.by_hand } else { 0 },
    }
}

/// Nobody hears what is passed over. A placing moves what waits for a beat or a bar, as in the engine.
#[derive(Default)]
struct Nobody {
    from: Option<FramePos>,
}

impl Sink for Nobody {
    fn hit(&mut self, _: DueHit) {}

    fn event(&mut self, at: FramePos, what: What) {
        match what {
            What::Placed { .. } => self.from = Some(at + Frames(1)),
            What::Holding { .. } | What::Stopped { .. } => self.from = Some(at),
            _ => {}
        }
    }
}

/// The transport, run from the record on.
struct Replay<'a> {
    set: &'a Set,
    transport: Transport,
    at: FramePos,
    /// What waits for a beat or a bar waits for one from here on.
    from: FramePos,
    night: Night,
    /// In the order in which they came: what falls together goes by it, as in the engine.
    asked: Vec<Asked>,
}

impl<'a> Replay<'a> {
    fn new(set: &'a Set, record: &Record) -> Replay<'a> {
        let night = record.night.clone();
        let mut transport = Transport::new(set);
        let mut sink = Nobody::default();
        transport.choose(set, usize::from(night.chosen));
        let (song, leg) = (usize::from(night.song), usize::from(night.leg));
        match night.run {
            RunState::Stopped => {}
            RunState::Holding => {
                transport.hold_at(set, song, leg, night.stretch, night.since, &mut sink);
            }
            RunState::Playing => {
                let anchor = Anchor { at: Exact(night.anchor), stretch: night.stretch };
                let place = PlaceNow { song, leg, called: night.called, pass: night.pass, anchor };
                transport.go_on(set, place, night.undo, night.since, &mut sink);
                transport.set_released(night.released);
            }
        }
        transport.set_chosen_stretch(night.chosen_stretch);
        let from = sink.from.unwrap_or(night.since);
        let asked = record.asked.clone();
        Replay { set, transport, at: night.since, from, night, asked }
    }

    /// Everything that happens before `until`; what comes later is given back.
    fn run(mut self, until: FramePos) -> (Return, Vec<Asked>) {
        // As many passes as any night has: a record cannot make this run for ever.
        for _ in 0..1_000_000 {
            let next = self.next_asked().filter(|(_, at)| at.nearest() < until);
            let stop = next.map_or(until, |(_, at)| at.nearest());
            match (self.transport.end_frame(self.set).filter(|end| *end < stop), next) {
                (Some(end), _) => {
                    let mut sink = Nobody::default();
                    self.transport.end_pass(self.set, end, stop, Frames(0), &mut sink);
                    self.at = self.at.max(end);
                    self.from = sink.from.unwrap_or(self.from);
                }
                (None, Some((index, at))) => {
                    let asked = self.asked.remove(index);
                    self.at = self.at.max(at.nearest());
                    let place = if at.nearest() == self.at { at } else { Exact::at(self.at) };
                    self.carry_out(asked.deed, place);
                }
                (None, None) => break,
            }
        }
        (self.place(until), self.waiting())
    }

    /// What is still to come, each with the frame from which it waits.
    fn waiting(&self) -> Vec<Asked> {
        let when = |when| match when {
            When::BeatFrom(from) => When::BeatFrom(from.max(self.from)),
            When::BarFrom(from) => When::BarFrom(from.max(self.from)),
            when => when,
        };
        self.asked.iter().map(|asked| Asked { when: when(asked.when), ..*asked }).collect()
    }

    /// The first of what was asked for, and its place.
    fn next_asked(&self) -> Option<(usize, Exact)> {
        let places = self.asked.iter().map(|asked| self.place_of(asked)).enumerate();
        places.min_by_key(|(index, at)| (*at, *index))
    }

    /// Where the engine would do it.
    fn place_of(&self, asked: &Asked) -> Exact {
        let now = Exact::at(self.at);
        match asked.when {
            _ if asked.deed.is_gain() => now,
            When::Now | When::NextBeat | When::BarEnd => now,
            When::Frame(at) => Exact::at(at).max(now),
            When::BeatFrom(from) => self.line(from.max(self.from), false),
            When::BarFrom(from) => self.line(from.max(self.from), true),
            When::SectionEnd => self.transport.section_end(self.set).map_or(now, |end| end.max(now)),
        }
    }

    fn line(&self, from: FramePos, bars: bool) -> Exact {
        let line = self.transport.next_beat(self.set, from, bars);
        line.map_or(Exact::at(from), |line| line.max(Exact::at(from)))
    }

    fn carry_out(&mut self, deed: Deed, place: Exact) {
        let Replay { set, transport, at, night, .. } = self;
        let (set, at, sink) = (*set, *at, &mut Nobody::default());
        let bit = |click: usize| 1u16.checked_shl(click as u32).unwrap_or(0);
        let with =
            |bits: u16, click: usize, on: bool| if on { bits | bit(click) } else { bits & !bit(click) };
        match deed {
            Deed::Choose { song } => {
                transport.choose(set, song);
            }
            Deed::Start => {
                transport.start(set, at, sink);
            }
            Deed::GoTo { song, leg, count_in } => {
                let same = transport.playing().filter(|now| now.song == song);
                let stretch = same.map_or(Stretch::ONE, |now| now.anchor.stretch);
                let why = crate::realtime::event::Why::Jump;
                transport.go_to(set, song, leg, count_in, stretch, place, at, why, sink);
            }
            Deed::Stop => transport.stop(at, false, sink),
            Deed::OneIsNow => {
                transport.one_is_now(set, at, sink);
            }
            Deed::ShiftBeats { beats } => {
                transport.shift_beats(set, at, beats, sink);
            }
            Deed::Nudge { frames } => {
                let why = crate::realtime::event::Why::Nudge;
                transport.nudge(set, at, Frames(frames), why, sink);
            }
            Deed::Undo => {
                transport.undo(set, at, sink);
            }
            Deed::Release => {
                transport.release(set);
            }
            Deed::Tempo { stretch } if stretch.is_positive() => transport.tempo(set, at, stretch, sink),
            Deed::Tempo { .. } => {}
            Deed::AllBack => night.all_out = false,
            Deed::ClickOut => night.click_out = true,
            Deed::ClickBack => night.click_out = false,
            Deed::Mute { click, muted } => night.mutes = with(night.mutes, click, muted),
            Deed::UseFallback { click, on } => night.by_hand = with(night.by_hand, click, on),
        }
        let from = sink.from;
        self.from = from.unwrap_or(self.from);
    }

    fn place(&self, since: FramePos) -> Return {
        let now = self.transport.place();
        Return {
            since,
            run: self.transport.run(),
            song: now.song,
            leg: now.leg,
            called: now.called,
            pass: now.pass,
            at: now.anchor.at,
            stretch: now.anchor.stretch,
            released: self.transport.released(),
            undo: self.transport.can_undo(),
            chosen: self.transport.chosen(),
            chosen_stretch: self.transport.chosen_stretch(),
            all_out: self.night.all_out,
            click_out: self.night.click_out,
            mutes: self.night.mutes,
            by_hand: self.night.by_hand,
        }
    }
}
