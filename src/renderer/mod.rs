//! The thread that streams what does not fit in memory: click tracks from disk.
//!
//! In: a [`Set`] with stream plans, and requests. Out: stamped blocks in one ring a click, notes in words.
//! Thread: its own. Always: a device frame means the same file frame for a whole placing; a fault of the disk
//! or the file makes a ring run dry and is told, it never stops the thread.

mod feeder;

mod plan;

mod source;

pub use feeder::Feeder;
pub use plan::plan_streams;
pub use source::Source;

use crate::click::set::Set;
use crate::realtime::event::{Event, What};
use crate::realtime::stream::StreamBlock;
use crate::units::{Exact, FramePos, Frames};
use crossbeam_channel::{Receiver, Sender, bounded, select, unbounded};
use ringbuf::HeapProd;
use std::io;
use std::path::PathBuf;
use std::sync::Arc;
use std::thread::JoinHandle;
use std::time::Duration;

/// Notes that wait to be read; later ones are lost.
const MOST_NOTES: usize = 64;

const STACK_BYTES: usize = 256 * 1_024;

/// What the control side asks of the renderer.
#[derive(Clone, Debug)]
pub enum Request {
    /// Stream this click's file for a placing, from a device frame on, until told otherwise. Legs that
    /// follow each other as written need no new request.
    Play {
        click: u8,
        song: u16,
        leg: u16,
        generation: u32,
        /// Where the leg's local time 0 falls.
        anchor_at: Exact,
        from: FramePos,
    },
    Stop {
        click: u8,
    },
    /// Plans of later requests; what plays goes on.
    Load(Arc<Set>),
    Quit,
}

impl Request {
    /// What an event of the engine asks of the renderer, if anything.
    pub fn of(event: &Event) -> Option<Request> {
        match event.what {
            What::StreamWanted { click, song, leg, generation, anchor_at, .. } => {
                Some(Request::Play { click, song, leg, generation, anchor_at, from: event.at })
            }
            What::StreamEnd { click } => Some(Request::Stop { click }),
            _ => None,
        }
    }
}

/// A file that cannot be streamed (any more); its ring runs dry.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Note {
    pub click: u8,
    pub song: u16,
    pub file: PathBuf,
    pub why: String,
}

/// What a drill, a demo or a test does to the renderer.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Fault {
    #[default]
    None,
    /// Nothing comes any more, the thread lives.
    Stop,
    /// The last block's samples again and again, stamps going on.
    Repeat,
    /// One block a click in this time.
    Slow(Duration),
    Corrupt(Corruption),
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Corruption {
    NotANumber,
    Infinite,
    OverFullScale,
    Silent,
    /// Blocks stamped for the placing before.
    OldGeneration,
    /// Blocks stamped this much too late.
    Misplaced(Frames),
}

enum Control {
    Kill,
    Fault(Fault),
}

/// The thread's handle. Dropped without [`Renderer::join`] it asks the thread to end and does not wait.
pub struct Renderer {
    control: Sender<Control>,
    notes: Receiver<Note>,
    thread: Option<JoinHandle<()>>,
}

/// Starts the thread. `rings[c]` belongs to click `c`. The rings are kept full, so that a fault in here is
/// heard when what they hold is used up. Errors: no thread to be had.
pub fn spawn(
    set: Arc<Set>,
    requests: Receiver<Request>,
    rings: Vec<HeapProd<StreamBlock>>,
) -> io::Result<Renderer> {
    let (control, obey) = unbounded();
    let (tell, notes) = bounded(MOST_NOTES);
    let feeder = Feeder::new(set, rings, tell);
    let thread = std::thread::Builder::new()
        .name("renderer".into())
        .stack_size(STACK_BYTES)
        .spawn(move || run(feeder, &requests, &obey))?;
    Ok(Renderer { control, notes, thread: Some(thread) })
}

fn run(mut feeder: Feeder, requests: &Receiver<Request>, control: &Receiver<Control>) {
    loop {
        let rest = feeder.feed();
        let on = select! {
            recv(requests) -> request => request.is_ok_and(|request| feeder.answer(request)),
            recv(control) -> control => match control {
                Ok(Control::Fault(fault)) => {
                    feeder.set_fault(fault);
                    true
                }
                Ok(Control::Kill) | Err(_) => false,
            },
            default(rest) => true,
        };
        if !on {
            return;
        }
    }
}

impl Renderer {
    /// Ends the thread without a word to anybody: what is in the rings is all there will be.
    pub fn kill(&self) {
        // A thread that is gone already needs no killing.
        let _sent = self.control.send(Control::Kill);
    }

    /// Sets or, with [`Fault::None`], ends a fault.
    pub fn set_fault(&self, fault: Fault) {
        let _sent = self.control.send(Control::Fault(fault));
    }

    /// Stops producing, or goes on where it stopped.
    pub fn freeze(&self, frozen: bool) {
        self.set_fault(if frozen { Fault::Stop } else { Fault::None });
    }

    pub fn corrupt(&self, how: Corruption) {
        self.set_fault(Fault::Corrupt(how));
    }

    pub fn slow(&self, milliseconds: u64) {
        self.set_fault(Fault::Slow(Duration::from_millis(milliseconds)));
    }

    /// Files that could not be streamed.
    pub fn notes(&self) -> &Receiver<Note> {
        &self.notes
    }

    /// False once the thread has ended, for whatever reason.
    pub fn alive(&self) -> bool {
        self.thread.as_ref().is_some_and(|thread| !thread.is_finished())
    }

    /// Ends the thread and waits for it (a disk that hangs makes this wait).
    pub fn join(mut self) {
        self.kill();
        if let Some(thread) = self.thread.take() {
            // A panic in there was already told on standard error; the rings are dry, which is all that counts.
            let _ended = thread.join();
        }
    }
}

impl Drop for Renderer {
    fn drop(&mut self) {
        self.kill();
    }
}

#[cfg(test)]
mod tests;
