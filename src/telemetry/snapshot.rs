//! Everything a screen may draw, as plain data.

use super::load::LoadSummary;
use super::words;
use crate::click::set::{Set, Stretch};
use crate::realtime::event::{Cause, PeerNow, RunState, Source, Status};
use crate::units::FramePos;

/// The show at one moment. Fields below `device` are filled by those who know.
#[derive(Clone, Debug, PartialEq)]
pub struct Snapshot {
    /// Device frame of the last status.
    pub at: FramePos,
    pub run: RunState,
    pub song: u16,
    pub song_title: String,
    /// The song that the next start plays.
    pub next_song: u16,
    pub next_title: String,
    pub section: String,
    /// Empty after the last one.
    pub next_section: String,
    pub pass: u32,
    pub vamp: bool,
    pub released: bool,
    /// As printed: 1 …; 0 pickup; negative or 0 in the count-in.
    pub bar: i32,
    pub beat: u16,
    pub beats_in_bar: u16,
    pub bars_left: u16,
    pub beat_at: FramePos,
    pub next_beat_at: FramePos,
    pub stretch: Stretch,
    pub clicks: Vec<ClickNow>,
    /// The other machine, where this rig has one.
    pub peer: Option<PeerNow>,
    pub last_event: Option<LastEvent>,
    pub all_out: bool,
    pub click_out: bool,
    pub xruns: u64,
    pub lost_frames: i64,
    pub events_lost: u64,
    /// Loudest sample of the last status, linear, and the deepest limiter gain.
    pub peak: f32,
    pub limiter: f32,
    pub device: String,
    pub load: LoadSummary,
    /// Output, input and look-ahead, where known.
    pub output_latency_ms: Option<f64>,
    pub input_latency_ms: Option<f64>,
    pub look_ahead_ms: Option<f64>,
    pub battery_percent: Option<u8>,
    pub charger: Option<bool>,
    /// Time of day, "21:14:07".
    pub time_of_day: String,
    pub(super) logged_song: Option<u16>,
}

/// Where one click comes from.
#[derive(Clone, Debug, PartialEq)]
pub struct ClickNow {
    pub name: String,
    pub source: Source,
    pub cause: Cause,
    /// Frame of the last change.
    pub since: FramePos,
    pub muted: bool,
    /// The fallback sounds because of a fault.
    pub fault: bool,
}

/// Until somebody has seen it.
#[derive(Clone, Debug, PartialEq)]
pub struct LastEvent {
    pub at: FramePos,
    pub clock: String,
    pub text: String,
}

impl ClickNow {
    pub fn own(name: &str) -> ClickNow {
        ClickNow {
            name: name.into(),
            source: Source::Own,
            cause: Cause::Plan,
            since: FramePos(0),
            muted: false,
            fault: false,
        }
    }
}

impl Default for Snapshot {
    fn default() -> Snapshot {
        Snapshot {
            at: FramePos(0),
            run: RunState::Stopped,
            song: 0,
            song_title: String::new(),
            next_song: 0,
            next_title: String::new(),
            section: String::new(),
            next_section: String::new(),
            pass: 0,
            vamp: false,
            released: false,
            bar: 0,
            beat: 0,
            beats_in_bar: 0,
            bars_left: 0,
            beat_at: FramePos(0),
            next_beat_at: FramePos(0),
            stretch: Stretch::ONE,
            clicks: Vec::new(),
            peer: None,
            last_event: None,
            all_out: false,
            click_out: false,
            xruns: 0,
            lost_frames: 0,
            events_lost: 0,
            peak: 0.0,
            limiter: 1.0,
            device: String::new(),
            load: LoadSummary::default(),
            output_latency_ms: None,
            input_latency_ms: None,
            look_ahead_ms: None,
            battery_percent: None,
            charger: None,
            time_of_day: String::new(),
            logged_song: None,
        }
    }
}

impl Snapshot {
    /// Where inside the beat a frame lies: 0 on it, towards 1 before the next; 0 when nothing plays.
    pub fn beat_phase(&self, now: FramePos) -> f64 {
        let beat = (self.next_beat_at - self.beat_at).0;
        if self.run != RunState::Playing || beat <= 0 {
            return 0.0;
        }
        ((now - self.beat_at).0 as f64 / beat as f64).clamp(0.0, 1.0)
    }

    pub(super) fn update(&mut self, at: FramePos, status: Status, set: &Set) {
        self.at = at;
        (self.run, self.song, self.next_song) = (status.run, status.song, status.next_song);
        (self.pass, self.released) = (status.pass, status.released);
        (self.bar, self.beat, self.beats_in_bar) = (status.bar, status.beat, status.beats_in_bar);
        (self.bars_left, self.beat_at) = (status.bars_left, status.beat_at);
        self.next_beat_at = status.next_beat_at;
        (self.all_out, self.click_out) = (status.all_out, status.click_out);
        (self.peak, self.limiter) = (status.peak, status.limiter);
        let title = |song: u16| set.songs.get(usize::from(song)).map_or("", |plan| &plan.title);
        for (to, from) in [(&mut self.song_title, status.song), (&mut self.next_title, status.next_song)] {
            keep(to, title(from));
        }
        let legs = set.songs.get(usize::from(status.song)).map_or(&[][..], |plan| &plan.legs);
        let here = legs.get(usize::from(status.leg)).filter(|_| status.run != RunState::Stopped);
        keep(&mut self.section, &here.map(words::leg).unwrap_or_default());
        self.vamp = here.is_some_and(|leg| leg.vamp);
        let same = |leg: &crate::click::set::Leg| {
            here.is_some_and(|here| here.kind == leg.kind && here.section == leg.section)
        };
        let later = legs.iter().skip(usize::from(status.leg) + 1);
        let next = here.and_then(|_| later.into_iter().find(|leg| !same(leg)));
        keep(&mut self.next_section, &next.map(words::leg).unwrap_or_default());
    }
}

fn keep(to: &mut String, from: &str) {
    if to != from {
        from.clone_into(to);
    }
}
