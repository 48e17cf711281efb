//! What the renderer thread does, without the thread: requests in, blocks out.

use super::source::Source;
use super::{Corruption, Fault, Note, Request};
use crate::click::set::{Set, StreamPlan};
use crate::realtime::stream::{STREAM_FRAMES, StreamBlock};
use crate::units::{Exact, FramePos, Frames, Span};
use crossbeam_channel::Sender;
use ringbuf::HeapProd;
use ringbuf::traits::{Observer, Producer};
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

/// How often the rings are filled up while something plays: far below what they hold.
const REFILL: Duration = Duration::from_millis(20);

/// Without anything to play it wakes only for messages, and this often.
const IDLE: Duration = Duration::from_secs(1);

/// Blocks for one click before the next click gets its turn.
const TURN: usize = 16;

/// Most that a resampled file at full scale may reach (6 dB).
const OVERSHOOT: f32 = 2.0;

/// Feeds the rings. The thread of [`super::spawn`] runs one; a simulation on one thread calls
/// [`Feeder::feed`] by itself.
pub struct Feeder {
    set: Arc<Set>,
    rings: Vec<HeapProd<StreamBlock>>,
    playing: Vec<Option<Playing>>,
    notes: Sender<Note>,
    fault: Fault,
}

/// One click's stream.
struct Playing {
    song: u16,
    plan: StreamPlan,
    source: Source,
    generation: u32,
    next: FramePos,
    /// File frame minus device frame: rounded once, constant for a placing.
    offset: Frames,
    last: Option<StreamBlock>,
    /// Another set was loaded: the file is opened again for the next placing.
    outdated: bool,
}

impl Feeder {
    /// `rings[c]` belongs to click `c`. Notes that nobody reads are lost.
    pub fn new(set: Arc<Set>, rings: Vec<HeapProd<StreamBlock>>, notes: Sender<Note>) -> Feeder {
        let playing = rings.iter().map(|_| None).collect();
        Feeder { set, rings, playing, notes, fault: Fault::None }
    }

    /// Takes up a request; `false` when it was to quit.
    pub fn answer(&mut self, request: Request) -> bool {
        match request {
            Request::Play { click, song, leg, generation, anchor_at, from } => {
                self.play(click, song, leg, generation, anchor_at, from);
            }
            Request::Stop { click } => self.stop(click),
            Request::Load(set) => {
                self.set = set;
                self.playing.iter_mut().flatten().for_each(|playing| playing.outdated = true);
            }
            Request::Quit => return false,
        }
        true
    }

    pub fn set_fault(&mut self, fault: Fault) {
        self.fault = fault;
    }

    /// Puts a few blocks a click into the rings. Returns how long there is nothing to do: zero when more fits.
    pub fn feed(&mut self) -> Duration {
        if self.playing.iter().all(Option::is_none) {
            return IDLE;
        }
        let (turn, rest) = match self.fault {
            Fault::Stop => return REFILL,
            Fault::Slow(per_block) => (1, per_block),
            _ => (TURN, REFILL),
        };
        let more = (0..self.rings.len()).map(|slot| self.feed_click(slot, turn)).sum::<usize>() > 0;
        if more && turn == TURN { Duration::ZERO } else { rest }
    }

    fn stop(&mut self, click: u8) {
        if let Some(playing) = self.playing.get_mut(usize::from(click)) {
            *playing = None;
        }
    }

    fn play(&mut self, click: u8, song: u16, leg: u16, generation: u32, anchor_at: Exact, from: FramePos) {
        let slot = usize::from(click);
        if slot >= self.rings.len() {
            return;
        }
        let before = self.playing[slot].take();
        let planned = self.set.songs.get(usize::from(song)).and_then(|plan| {
            let written = plan.legs.get(usize::from(leg))?.written;
            Some((plan.streams.get(slot)?.clone()?, written))
        });
        let Some((plan, written)) = planned else { return };
        let offset = file_offset(&plan, written, anchor_at);
        // A file that is open already is read on: what was judged at load is what plays.
        let same = |p: &Playing| !p.outdated && p.plan.file == plan.file && p.plan.channel == plan.channel;
        let open = before.filter(same);
        let source = match open {
            Some(playing) => Ok(playing.source),
            None => Source::open(&plan.file, plan.channel, self.set.rate),
        };
        match source {
            Ok(mut source) => {
                source.take_off(plan.standing);
                let playing = Playing {
                    song,
                    plan,
                    source,
                    generation,
                    next: from,
                    offset,
                    last: None,
                    outdated: false,
                };
                self.playing[slot] = Some(playing);
            }
            Err(why) => self.note(click, song, plan.file, why.to_string()),
        }
    }

    /// Puts up to `most` blocks into a click's ring; returns how many.
    fn feed_click(&mut self, slot: usize, most: usize) -> usize {
        let Some(playing) = &mut self.playing[slot] else { return 0 };
        let ring = &mut self.rings[slot];
        for count in 0..most {
            if ring.vacant_len() == 0 {
                return count;
            }
            match playing.block(&self.fault) {
                Ok(block) => drop(ring.try_push(block)),
                Err(why) => {
                    let (song, file) = (playing.song, playing.plan.file.clone());
                    self.playing[slot] = None;
                    self.note(slot as u8, song, file, why.to_string());
                    return count;
                }
            }
        }
        most
    }

    fn note(&self, click: u8, song: u16, file: PathBuf, why: String) {
        // Nobody listening is no reason to stop.
        let _told = self.notes.try_send(Note { click, song, file, why });
    }
}

/// File frame minus device frame. Rounding: once, to the nearest, halves up.
fn file_offset(plan: &StreamPlan, written: Span, anchor_at: Exact) -> Frames {
    Span((plan.origin + written).0.wrapping_sub(anchor_at.0)).nearest()
}

impl Playing {
    fn block(&mut self, fault: &Fault) -> Result<StreamBlock, crate::wav::WavError> {
        let mut samples = [0.0; STREAM_FRAMES];
        self.source.fill((self.next + self.offset).0, &mut samples)?;
        samples.iter_mut().for_each(|x| *x = held(*x * self.plan.gain));
        let mut block = StreamBlock {
            generation: self.generation,
            first: self.next,
            frames: STREAM_FRAMES as u16,
            peak: peak(&samples),
            samples,
        };
        self.next = self.next + Frames(STREAM_FRAMES as i64);
        match (fault, self.last) {
            (Fault::Repeat, Some(last)) => block = StreamBlock { first: block.first, ..last },
            (Fault::Corrupt(how), _) => corrupt(&mut block, *how),
            _ => {}
        }
        self.last = Some(block);
        Ok(block)
    }
}

/// A file at full scale overshoots a little at another rate; that is held to full scale. What is far above is
/// no click and stays for the judge to see.
fn held(x: f32) -> f32 {
    if x.abs() <= OVERSHOOT { x.clamp(-1.0, 1.0) } else { x }
}

/// Not a number is not hidden: the judge shall see it.
fn peak(samples: &[f32]) -> f32 {
    samples.iter().fold(0.0, |m: f32, x| if x.is_nan() { f32::NAN } else { m.max(x.abs()) })
}

fn corrupt(block: &mut StreamBlock, how: Corruption) {
    match how {
        Corruption::NotANumber => block.samples.fill(f32::NAN),
        Corruption::Infinite => block.samples.fill(f32::INFINITY),
        Corruption::OverFullScale => block.samples.fill(8.0),
        Corruption::Silent => block.samples.fill(0.0),
        Corruption::OldGeneration => block.generation = block.generation.wrapping_sub(1),
        Corruption::Misplaced(by) => block.first = block.first + by,
    }
    block.peak = peak(&block.samples);
}
