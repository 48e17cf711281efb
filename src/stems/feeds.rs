//! Feeds as the engine makes them: the real engine, driven as fast as it goes, with silent inputs.

use super::make::Make;
use super::plan::{straight, with_songs};
use super::timeline::Timeline;
use crate::click::set::{Set, Stretch};
use crate::realtime::command::{Command, Timed, When};
use crate::realtime::engine::{Control, Engine, engine};
use crate::realtime::event::{Cause, Source, What};
use crate::realtime::io::{Io, Process};
use crate::realtime::wiring::{Ports, wire};
use crate::renderer::{Feeder, Note, Request};
use crate::show::model::{Host, InterfaceChoice, Outlet, Rig, Role, Show};
use crate::units::{Exact, FramePos, Frames};
use crate::wav::WavError;
use crossbeam_channel::{Receiver, bounded};
use ringbuf::traits::{Consumer, Producer};
use std::sync::Arc;

/// The engine runs this long before the stem's first frame: its gains have settled, a stream has arrived.
const SETTLE_SECONDS: f64 = 0.5;

const BLOCK: usize = 1_024;

/// Several feeds of one song from one run of the engine. Channels: each feed's, one after the other.
pub(super) struct Feeds {
    engine: Engine,
    control: Control,
    feeder: Feeder,
    told: Receiver<Note>,
    io: Io,
    /// Device frame of the stem's first frame.
    origin: FramePos,
    at: FramePos,
    /// Frames of the last block that were not asked for yet.
    ready: std::ops::Range<usize>,
    notes: Vec<String>,
}

impl Feeds {
    /// Errors: a message of the wiring, which names a feed that the show does not have.
    pub fn new(
        show: &Show,
        set: &Set,
        song: usize,
        timeline: &Timeline,
        feeds: &[usize],
    ) -> Result<Feeds, String> {
        let plan = set.songs.get(song).map(|plan| straight(plan, timeline));
        let set = Arc::new(with_songs(set, plan.into_iter().collect()));
        let rig = rig(show, feeds, &set);
        let outputs =
            rig.outputs.iter().flat_map(|outlet| outlet.channels.iter()).max().copied().unwrap_or(0);
        let ports = Ports { rate: set.rate, max_block: BLOCK as u32, inputs: 0, outputs };
        let setup = wire(show, &rig, ports, false).map_err(|why| why.to_string())?;
        let (mut control, engine) = engine(&setup, Arc::clone(&set));
        let (tell, told) = bounded(16);
        let feeder = Feeder::new(Arc::clone(&set), std::mem::take(&mut control.streams), tell);
        let origin = FramePos(set.rate.frames(SETTLE_SECONDS).0);
        if let Some(first) = timeline.passes.first() {
            let at = Exact(first.anchor.at.0 + Exact::at(origin).0);
            let command =
                Command::Place { song: 0, leg: 0, called: false, pass: 0, at, stretch: Stretch::ONE };
            // The ring is empty: there is room for one.
            let _sent = control.commands.try_push(Timed { when: When::Now, command, id: 1 });
        }
        let io = Io::new(0, usize::from(outputs), BLOCK);
        let mut run = Feeds {
            engine,
            control,
            feeder,
            told,
            io,
            origin,
            at: FramePos(0),
            ready: 0..0,
            notes: Vec::new(),
        };
        while run.at < run.origin {
            let rest = usize::try_from((run.origin - run.at).0).unwrap_or(0);
            run.block(rest.min(BLOCK));
        }
        run.ready = 0..0;
        Ok(run)
    }

    fn block(&mut self, frames: usize) {
        self.answer();
        while self.feeder.feed().is_zero() {}
        (self.io.at, self.io.frames, self.io.lost) = (self.at, frames, Frames(0));
        self.engine.process(&mut self.io);
        self.at = self.at + Frames(frames as i64);
        self.ready = 0..frames;
        self.answer();
    }

    /// Streams that the engine wants are fetched; a switch away from one is worth a note.
    fn answer(&mut self) {
        while let Some(event) = self.control.events.try_pop() {
            match event.what {
                What::StreamWanted { click, song, leg, generation, anchor_at, .. } => {
                    let from = event.at;
                    self.feeder.answer(Request::Play { click, song, leg, generation, anchor_at, from });
                }
                What::StreamEnd { click } => {
                    self.feeder.answer(Request::Stop { click });
                }
                What::Switched { source: Source::Fallback, cause, bar, beat, .. } if cause != Cause::Plan => {
                    self.notes.push(format!("the fallback took over at bar {bar}, beat {beat} ({cause:?})"));
                }
                _ => {}
            }
        }
        self.notes.extend(self.told.try_iter().map(|note| note.why));
    }
}

impl Make for Feeds {
    fn fill(&mut self, _start: FramePos, channels: &mut [&mut [f32]]) -> Result<(), WavError> {
        let frames = channels.first().map_or(0, |channel| channel.len());
        let mut done = 0;
        while done < frames {
            if self.ready.is_empty() {
                self.block(BLOCK);
            }
            let count = self.ready.len().min(frames - done);
            let from = self.ready.start;
            for (index, channel) in channels.iter_mut().enumerate() {
                let made = self.io.output.channel(index, BLOCK).get(from..from + count).unwrap_or(&[]);
                channel[done..done + made.len()].copy_from_slice(made);
            }
            self.ready.start += count;
            done += count;
        }
        Ok(())
    }

    fn notes(&mut self) -> Vec<String> {
        std::mem::take(&mut self.notes)
    }
}

/// Channels of each feed.
pub(super) fn widths(show: &Show, feeds: &[usize]) -> Vec<usize> {
    feeds
        .iter()
        .map(|feed| if show.feeds.get(*feed).is_some_and(|feed| feed.stereo) { 2 } else { 1 })
        .collect()
}

/// One outlet a feed, no inputs.
fn rig(show: &Show, feeds: &[usize], set: &Set) -> Rig {
    let mut next = 1;
    let outputs = feeds.iter().zip(widths(show, feeds)).filter_map(|(feed, width)| {
        let channels = (next..next + width as u16).collect();
        next += width as u16;
        Some(Outlet { channels, feeds: vec![show.feeds.get(*feed)?.name.clone()] })
    });
    Rig {
        title: String::new(),
        interface: InterfaceChoice {
            host: Host::Virtual,
            device: String::new(),
            rate: set.rate,
            block: BLOCK as u32,
        },
        outputs: outputs.collect(),
        folds: Vec::new(),
        inputs: Vec::new(),
        keys: Vec::new(),
        second: None,
        machine: Role::Alone,
        timecode: None,
        main: None,
        return_line: None,
        spare_loop: None,
        exposure: Vec::new(),
        spoken: Vec::new(),
        spare: None,
        folder: show.folder.clone(),
    }
}
