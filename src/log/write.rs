//! Writes the log on threads of its own: one writes lines, one makes them safe from a power cut.

use super::entry::{Entry, Line};
use crossbeam_channel::{Receiver, RecvTimeoutError, Sender, bounded};
use jiff::ZonedDateTime;
use std::fs::File;
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

/// Lines that wait at most; one more is counted as lost.
const WAITING: usize = 4096;
/// What came is written at the latest after this (promised: 250 ms).
const WRITE_EVERY: Duration = Duration::from_millis(50);
const SYNC_EVERY: Duration = Duration::from_secs(1);
const STACK: usize = 256 * 1024;

/// What is wrong with the log, for the player.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Trouble {
    /// Lines are being lost; the reason in words.
    Lost(String),
    /// Lines are written again; this many were lost.
    Again(u64),
}

/// Where lines go: a file, or a stand-in in tests.
pub trait Store: Write + Send + 'static {
    /// Another handle by which [`Store::sync`] can wait without holding up the writing.
    fn twin(&self) -> io::Result<Self>
    where
        Self: Sized;
    fn sync(&mut self) -> io::Result<()>;
}

impl Store for File {
    fn twin(&self) -> io::Result<File> {
        self.try_clone()
    }

    fn sync(&mut self) -> io::Result<()> {
        self.sync_data()
    }
}

struct Letter {
    line: Line,
}

/// The end that everybody writes to. Saying something never waits; clones say to the same log.
#[derive(Clone)]
pub struct Log {
    lines: Sender<Letter>,
    lost: Arc<AtomicU64>,
    opened: Instant,
}

impl Log {
    /// Puts a line on its way. A full queue loses it, and the log says how many were lost.
    pub fn say(&self, frame: Option<i64>, entry: Entry) {
        let time = ZonedDateTime::now().strftime("%Y-%m-%dT%H:%M:%S%.3f%:z").to_string();
        let ms = self.opened.elapsed().as_millis() as u64;
        let line = Line { time, ms, frame, entry };
        if self.lines.try_send(Letter { line }).is_err() {
            self.lost.fetch_add(1, Ordering::Relaxed);
        }
    }
}

/// The threads behind a [`Log`].
pub struct Writer {
    thread: JoinHandle<()>,
    /// What is wrong, as it happens. Never has to be read.
    pub trouble: Receiver<Trouble>,
}

impl Writer {
    /// Waits at most `limit` until everything said is written and synced; every [`Log`] must be dropped first.
    ///
    /// Returns false when a slow disk took longer: the thread is left behind.
    pub fn finish(self, limit: Duration) -> bool {
        let end = Instant::now() + limit;
        while !self.thread.is_finished() {
            if Instant::now() >= end {
                return false;
            }
            std::thread::sleep(Duration::from_millis(2));
        }
        self.thread.join().is_ok()
    }
}

/// Opens a new log in a folder (made when it is not there), named by date and time; an existing file is
/// never touched.
///
/// Errors: the folder or the file cannot be made.
pub fn create(folder: &Path) -> io::Result<(PathBuf, Log, Writer)> {
    std::fs::create_dir_all(folder)?;
    let name = ZonedDateTime::now().strftime("%Y-%m-%d_%H-%M-%S").to_string();
    for number in 1..1000 {
        let path = folder.join(match number {
            1 => format!("{name}.jsonl"),
            _ => format!("{name}_{number}.jsonl"),
        });
        match File::options().write(true).create_new(true).open(&path) {
            Ok(file) => {
                second_name(&path);
                return start(file).map(|(log, writer)| (path, log, writer));
            }
            Err(why) if why.kind() == io::ErrorKind::AlreadyExists => {}
            Err(why) => return Err(why),
        }
    }
    Err(io::Error::new(io::ErrorKind::AlreadyExists, format!("a thousand logs of {name} lie there already")))
}

/// Folder in which every log gets a second name, so that the logs of all tests can be judged when their own folders
/// are gone. Without it nothing happens.
const SECOND_NAMES: &str = "FOGBELL_LOG_NAMES";

/// A hard link: what is written later is in both.
pub(super) fn second_name(path: &Path) {
    let Some(folder) = std::env::var_os(SECOND_NAMES).map(PathBuf::from) else { return };
    let name = path.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
    let unique = ZonedDateTime::now().timestamp().as_nanosecond();
    let _other_disk =
        std::fs::hard_link(path, folder.join(format!("{unique}-{}-{name}", std::process::id())));
}

/// Starts the threads over a store.
pub fn start<S: Store>(store: S) -> io::Result<(Log, Writer)> {
    let (lines, waiting) = bounded(WAITING);
    let (trouble_to, trouble) = bounded(16);
    let lost = Arc::new(AtomicU64::new(0));
    let syncing = syncing(store.twin()?, trouble_to.clone())?;
    let log = Log { lines, lost: Arc::clone(&lost), opened: Instant::now() };
    let opened = log.opened;
    let desk = Desk { store, lost, torn: false, failed: 0, trouble: trouble_to, opened };
    let thread = std::thread::Builder::new()
        .name("log".into())
        .stack_size(STACK)
        .spawn(move || desk.run(&waiting, syncing))?;
    Ok((log, Writer { thread, trouble }))
}

/// A thread that makes the file safe when asked: the disk may take its time there.
fn syncing<S: Store>(mut store: S, trouble: Sender<Trouble>) -> io::Result<(Sender<()>, JoinHandle<()>)> {
    let (ask, asked) = bounded::<()>(1);
    let thread = std::thread::Builder::new().name("log sync".into()).stack_size(STACK).spawn(move || {
        let mut told = false;
        while asked.recv().is_ok() {
            match store.sync() {
                Ok(()) => told = false,
                Err(why) if !told => {
                    told = true;
                    let _ = trouble.try_send(Trouble::Lost(format!("the log could not be synced: {why}")));
                }
                Err(_) => {}
            }
        }
    })?;
    Ok((ask, thread))
}

struct Desk<S> {
    store: S,
    lost: Arc<AtomicU64>,
    /// A piece of a line was written: the next one starts on a new line.
    torn: bool,
    failed: u64,
    trouble: Sender<Trouble>,
    opened: Instant,
}

impl<S: Store> Desk<S> {
    fn run(mut self, waiting: &Receiver<Letter>, (sync, syncing): (Sender<()>, JoinHandle<()>)) {
        let mut text = Vec::new();
        let (mut written, mut synced) = (Instant::now(), Instant::now());
        let mut dirty = false;
        loop {
            let wait = WRITE_EVERY.saturating_sub(written.elapsed());
            let over = match waiting.recv_timeout(wait) {
                Ok(letter) => {
                    self.note_lost(&mut text, &letter.line);
                    push(&mut text, &letter.line);
                    false
                }
                Err(RecvTimeoutError::Timeout) => false,
                Err(RecvTimeoutError::Disconnected) => true,
            };
            if over || written.elapsed() >= WRITE_EVERY || text.len() > 1 << 16 {
                dirty |= self.write(&mut text);
                written = Instant::now();
            }
            if dirty && synced.elapsed() >= SYNC_EVERY {
                dirty = sync.try_send(()).is_err();
                synced = Instant::now();
            }
            if over {
                break;
            }
        }
        let _ = sync.send(());
        drop(sync);
        let _ = syncing.join();
    }

    /// Says before a line how many were lost before it.
    fn note_lost(&mut self, text: &mut Vec<u8>, next: &Line) {
        let count = self.lost.swap(0, Ordering::Relaxed);
        if count > 0 {
            let ms = self.opened.elapsed().as_millis() as u64;
            let entry = Entry::LinesLost { count };
            push(text, &Line { time: next.time.clone(), ms, frame: None, entry });
        }
    }

    /// Writes what was gathered; what fails is counted as lost.
    fn write(&mut self, text: &mut Vec<u8>) -> bool {
        if text.is_empty() {
            return false;
        }
        if self.torn {
            text.insert(0, b'\n');
        }
        let lines = text.iter().filter(|byte| **byte == b'\n').count() as u64 - u64::from(self.torn);
        let result = self.put(text);
        text.clear();
        match result {
            Ok(()) => {
                if self.failed > 0 {
                    let _ = self.trouble.try_send(Trouble::Again(self.failed));
                }
                self.failed = 0;
            }
            Err(why) => {
                if self.failed == 0 {
                    let _ = self.trouble.try_send(Trouble::Lost(format!("the log cannot be written: {why}")));
                }
                self.failed += lines;
                self.lost.fetch_add(lines, Ordering::Relaxed);
            }
        }
        true
    }

    fn put(&mut self, mut text: &[u8]) -> io::Result<()> {
        while !text.is_empty() {
            match self.store.write(text) {
                Ok(0) => return Err(io::ErrorKind::WriteZero.into()),
                Ok(count) => {
                    self.torn = text[count - 1] != b'\n';
                    text = &text[count..];
                }
                Err(why) if why.kind() == io::ErrorKind::Interrupted => {}
                Err(why) => return Err(why),
            }
        }
        Ok(())
    }
}

fn push(text: &mut Vec<u8>, line: &Line) {
    let start = text.len();
    // Plain data into memory: this fails only for a number that JSON has not, and then the line is left out.
    match serde_json::to_writer(&mut *text, line) {
        Ok(()) => text.push(b'\n'),
        Err(_) => text.truncate(start),
    }
}
