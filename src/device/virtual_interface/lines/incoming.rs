//! From a socket to the inputs.

use super::Trouble;
use super::datagram::{self, Head, MOST_BYTES, MOST_FRAMES};
use super::jitter::Jitter;
use crate::device::DeviceError;
use crate::device::virtual_interface::world::ReceiveFrom;
use crate::realtime::io::Planar;
use crate::units::FramePos;
use ringbuf::traits::{Consumer, Observer, Producer, Split};
use ringbuf::{HeapCons, HeapProd, HeapRb};
use std::net::{SocketAddr, UdpSocket};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering::Relaxed};
use std::thread::JoinHandle;
use std::time::Duration;

/// Frames of all channels together that a busy computer may leave waiting.
const WAITING: usize = 1 << 17;

/// Longest wait without a look at whether to stop.
const NAP: Duration = Duration::from_millis(50);

#[derive(Debug, Default)]
struct Shared {
    stop: AtomicBool,
    refused: AtomicU64,
}

/// All channels from one port.
pub(super) struct Incoming {
    heads: HeapCons<Head>,
    samples: HeapCons<f32>,
    jitter: Jitter,
    shared: Arc<Shared>,
    thread: Option<JoinHandle<()>>,
}

impl std::fmt::Debug for Incoming {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Incoming").field("shared", &self.shared).finish_non_exhaustive()
    }
}

impl Incoming {
    pub(super) fn open(
        from: SocketAddr,
        receives: Vec<ReceiveFrom>,
        frames_a_second: f64,
    ) -> Result<Incoming, DeviceError> {
        let cannot = |fault: std::io::Error| {
            let what = format!("the virtual interface cannot receive on {from}: {fault}");
            DeviceError::new(what, "end the program that has this port, or give both ends another one")
        };
        let socket = UdpSocket::bind(from).map_err(cannot)?;
        let (heads_in, heads) = HeapRb::new(WAITING / 16).split();
        let (samples_in, samples) = HeapRb::new(WAITING).split();
        let shared = Arc::new(Shared::default());
        let mut tags: Vec<u16> = receives.iter().map(|receive| receive.channel).collect();
        tags.sort_unstable();
        tags.dedup();
        let postbox =
            Postbox { socket, tags, heads: heads_in, samples: samples_in, shared: Arc::clone(&shared) };
        let thread = std::thread::Builder::new()
            .name("line-in".into())
            .stack_size(256 * 1024)
            .spawn(move || postbox.work())
            .map_err(cannot)?;
        let jitter = Jitter::new(receives, frames_a_second);
        Ok(Incoming { heads, samples, jitter, shared, thread: Some(thread) })
    }

    /// Real-time: safe.
    pub(super) fn add_to(&mut self, at: FramePos, input: &mut Planar, frames: usize) {
        let mut piece = [0.0; MOST_FRAMES];
        while let Some(head) = self.heads.try_pop() {
            let length = self.samples.pop_slice(&mut piece[..usize::from(head.frames)]);
            self.jitter.take(at.0, head, &piece[..length]);
        }
        self.jitter.add_to(at.0, input, frames);
    }

    /// Real-time: safe.
    pub(super) fn trouble(&self) -> Trouble {
        let refused = self.shared.refused.load(Relaxed) + self.jitter.strangers();
        Trouble { slips: self.jitter.slips(), refused }
    }
}

impl Drop for Incoming {
    fn drop(&mut self) {
        self.shared.stop.store(true, Relaxed);
        let _ = self.thread.take().map(JoinHandle::join);
    }
}

/// The thread's end.
struct Postbox {
    socket: UdpSocket,
    tags: Vec<u16>,
    heads: HeapProd<Head>,
    samples: HeapProd<f32>,
    shared: Arc<Shared>,
}

impl Postbox {
    fn work(mut self) {
        if self.socket.set_read_timeout(Some(NAP)).is_err() {
            return;
        }
        // One byte more than the longest, so that a longer one shows.
        let mut bytes = [0; MOST_BYTES + 1];
        while !self.shared.stop.load(Relaxed) {
            match self.socket.recv_from(&mut bytes) {
                Ok((length, _)) => self.sort(&bytes[..length]),
                Err(fault) if waited(&fault) => {}
                // A datagram longer than the buffer is an error on some systems.
                Err(_) => self.refuse(),
            }
        }
    }

    fn sort(&mut self, bytes: &[u8]) {
        let mut samples = [0.0; MOST_FRAMES];
        let Ok(head) = datagram::read(bytes, &mut samples) else { return self.refuse() };
        let frames = usize::from(head.frames);
        let fits = self.samples.vacant_len() >= frames && self.heads.vacant_len() > 0;
        if !fits || !self.tags.contains(&head.tag) {
            return self.refuse();
        }
        self.samples.push_slice(&samples[..frames]);
        let _ = self.heads.try_push(head);
    }

    fn refuse(&self) {
        self.shared.refused.fetch_add(1, Relaxed);
    }
}

fn waited(fault: &std::io::Error) -> bool {
    use std::io::ErrorKind::{Interrupted, TimedOut, WouldBlock};
    matches!(fault.kind(), WouldBlock | TimedOut | Interrupted)
}
