//! One machine whose click is a track from disk: the engine, and what feeds it, on one thread and one clock of frames.

use super::mishap::Mishap;
use super::pair::{BLOCK, Machine, Played, World};
use crate::click::set::Set;
use crate::realtime::command::Command;
use crate::realtime::stream::{STREAM_FRAMES, StreamBlock};
use crate::renderer::{Feeder, Request};
use ringbuf::traits::{Consumer, Observer, Producer, Split};
use ringbuf::{HeapCons, HeapProd, HeapRb};
use std::sync::Arc;

/// What is read ahead of its sounding here. A run reads 2 s ahead, and a failure of its reader is heard that much later.
const AHEAD_SECONDS: f64 = 0.25;

/// The renderer, with a lid on how far it reads ahead.
struct Disk {
    feeder: Option<Feeder>,
    read: Vec<HeapCons<StreamBlock>>,
    ahead: usize,
    /// It has nothing to do before this frame.
    rests_until: i64,
    hertz: f64,
    /// After the last frame that came in time.
    whole_to: i64,
}

impl Disk {
    fn new(set: &Arc<Set>, rings: usize) -> Disk {
        let hertz = f64::from(set.rate.hertz());
        let ahead = (AHEAD_SECONDS * hertz) as usize / STREAM_FRAMES;
        let (write, read): (Vec<HeapProd<_>>, Vec<_>) =
            (0..rings).map(|_| HeapRb::new(ahead).split()).unzip();
        // Nobody reads its notes: a file that cannot be read shows as a click that does not come.
        let (notes, _unread) = crossbeam_channel::bounded(1);
        let feeder = Some(Feeder::new(Arc::clone(set), write, notes));
        Disk { feeder, read, ahead, rests_until: 0, hertz, whole_to: 0 }
    }

    fn suffer(&mut self, mishap: &Mishap) {
        match mishap {
            Mishap::RendererDies(_) => self.feeder = None,
            Mishap::Renderer(_, fault) => {
                if let Some(feeder) = &mut self.feeder {
                    feeder.set_fault(*fault);
                }
            }
            _ => {}
        }
    }

    fn answer(&mut self, request: Request) {
        self.rests_until = i64::MIN;
        if let Some(feeder) = &mut self.feeder {
            // What was read for the placing before is of no use any more, and its blocks say so.
            let _on = feeder.answer(request);
        }
    }

    fn feed(&mut self, now: i64, rings: &mut [HeapProd<StreamBlock>]) {
        self.hand_on(rings);
        while now >= self.rests_until {
            let Some(feeder) = &mut self.feeder else { return };
            let rest = feeder.feed();
            self.rests_until = now + (rest.as_secs_f64() * self.hertz).ceil() as i64;
            self.hand_on(rings);
            if self.read.iter().all(|ring| ring.is_full()) {
                return;
            }
        }
    }

    fn hand_on(&mut self, rings: &mut [HeapProd<StreamBlock>]) {
        for (read, ring) in self.read.iter_mut().zip(rings) {
            while ring.occupied_len() < self.ahead {
                let Some(block) = read.try_pop() else { break };
                self.whole_to = self.whole_to.max(block.first.0 + i64::from(block.frames));
                let _room = ring.try_push(block);
            }
        }
    }
}

/// Plays from silence. Deterministic for a world and its mishaps.
pub(super) fn play(world: &World, mishaps: &[Mishap]) -> Played {
    let mut machine = Machine::new(&world.main, &world.set, 0);
    let mut rings = std::mem::take(&mut machine.control.streams);
    let mut disk = Disk::new(&world.set, rings.len());
    let mut played = Played::default();
    for from in (0..world.frames).step_by(BLOCK) {
        let due = |at: i64| (from..from + BLOCK as i64).contains(&at);
        if due(world.start) {
            machine.send(Command::Start);
        }
        for mishap in mishaps.iter().filter(|mishap| mishap.at().is_some_and(due)) {
            if matches!(mishap, Mishap::RendererDies(_) | Mishap::Renderer(..)) {
                // What it has read already is good.
                played.stream_ends = played.stream_ends.or(Some(disk.whole_to));
            }
            disk.suffer(mishap);
        }
        disk.feed(from, &mut rings);
        machine.block(0);
        for event in machine.control.events.pop_iter() {
            if let Some(request) = Request::of(&event) {
                disk.answer(request);
            }
            played.main.push(event);
        }
        played.ear.extend_from_slice(machine.io.output.channel(world.ear, BLOCK));
    }
    played
}
