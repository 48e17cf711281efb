//! From the outputs to a socket.

use super::datagram::{self, Head, MOST_BYTES, MOST_FRAMES};
use crate::device::DeviceError;
use crate::device::virtual_interface::world::SendTo;
use crate::realtime::io::Io;
use ringbuf::traits::{Consumer, Observer, Producer, Split};
use ringbuf::{HeapCons, HeapProd, HeapRb};
use std::net::{Ipv4Addr, Ipv6Addr, SocketAddr, UdpSocket};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering::Relaxed};
use std::thread::JoinHandle;
use std::time::Duration;

/// Frames that a busy computer may leave waiting.
const WAITING: usize = 1 << 16;

/// How often the sending thread looks.
const LOOK: Duration = Duration::from_micros(500);

/// All channels to one address.
pub(super) struct Outgoing {
    sends: Vec<SendTo>,
    heads: HeapProd<Head>,
    samples: HeapProd<f32>,
    run: u64,
    frames_a_second: f64,
    stop: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
}

impl std::fmt::Debug for Outgoing {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Outgoing").field("sends", &self.sends).field("run", &self.run).finish_non_exhaustive()
    }
}

impl Outgoing {
    pub(super) fn open(
        to: SocketAddr,
        sends: Vec<SendTo>,
        frames_a_second: f64,
    ) -> Result<Outgoing, DeviceError> {
        let own: SocketAddr = match to {
            SocketAddr::V4(_) => (Ipv4Addr::LOCALHOST, 0).into(),
            SocketAddr::V6(_) => (Ipv6Addr::LOCALHOST, 0).into(),
        };
        let cannot = |fault: std::io::Error| {
            let what = format!("the virtual interface cannot send to {to}: {fault}");
            DeviceError::new(what, "name 127.0.0.1 and a port, such as to = \"127.0.0.1:47001\"")
        };
        let socket = UdpSocket::bind(own).map_err(cannot)?;
        let (heads, heads_out) = HeapRb::new(WAITING / 16).split();
        let (samples, samples_out) = HeapRb::new(WAITING * sends.len()).split();
        let stop = Arc::new(AtomicBool::new(false));
        let courier = Courier { socket, to, heads: heads_out, samples: samples_out, stop: Arc::clone(&stop) };
        let thread = std::thread::Builder::new()
            .name("line-out".into())
            .stack_size(256 * 1024)
            .spawn(move || courier.work())
            .map_err(cannot)?;
        let run = fastrand::u64(..);
        Ok(Outgoing { sends, heads, samples, run, frames_a_second, stop, thread: Some(thread) })
    }

    /// A piece that finds the ring full is left out: its frames are silence at the other end. Real-time: safe.
    pub(super) fn write(&mut self, io: &Io) {
        for send in &self.sends {
            let left = send.until.map_or(i64::MAX, |until| (until - io.at).0.max(0));
            let frames = io.frames.min(usize::try_from(left).unwrap_or(usize::MAX));
            let output = io.output.channel(usize::from(send.output) - 1, frames);
            let firsts = (io.at.0..).step_by(MOST_FRAMES);
            for (piece, first) in output.chunks(MOST_FRAMES).zip(firsts) {
                if self.samples.vacant_len() < piece.len() || self.heads.vacant_len() == 0 {
                    continue;
                }
                let head = Head {
                    run: self.run,
                    frames_a_second: self.frames_a_second,
                    first,
                    tag: send.channel,
                    frames: piece.len() as u16,
                };
                self.samples.push_slice(piece);
                let _ = self.heads.try_push(head);
            }
        }
    }
}

impl Drop for Outgoing {
    fn drop(&mut self) {
        self.stop.store(true, Relaxed);
        let _ = self.thread.take().map(JoinHandle::join);
    }
}

/// The thread's end.
struct Courier {
    socket: UdpSocket,
    to: SocketAddr,
    heads: HeapCons<Head>,
    samples: HeapCons<f32>,
    stop: Arc<AtomicBool>,
}

impl Courier {
    fn work(mut self) {
        let mut bytes = [0; MOST_BYTES];
        let mut samples = [0.0; MOST_FRAMES];
        loop {
            // Looked at first, so that what was written before the stop still leaves.
            let last = self.stop.load(Relaxed);
            while let Some(head) = self.heads.try_pop() {
                let frames = self.samples.pop_slice(&mut samples[..usize::from(head.frames)]);
                let datagram = datagram::write(head, &samples[..frames], &mut bytes);
                // Nobody listening is no fault of the sender's: a cable with a free end.
                let _unheard = self.socket.send_to(datagram, self.to);
            }
            if last {
                return;
            }
            std::thread::sleep(LOOK);
        }
    }
}
