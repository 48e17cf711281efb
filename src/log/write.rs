//! The writer: each line leaves at once (a kill loses nothing), and is synced each second (a power cut loses
//! a second).

use super::entry::{Entry, Line};
use crossbeam_channel::{Receiver, RecvTimeoutError, Sender, TrySendError, bounded};
use std::fs::{File, OpenOptions};
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering::Relaxed};
use std::time::{Duration, Instant};

/// Lines that may wait for a slow disk.
const MOST_WAITING: usize = 8192;
const SYNC_EVERY: Duration = Duration::from_secs(1);

/// What went wrong with the file; the night goes on without it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LogError {
    pub path: PathBuf,
    pub why: String,
}

/// The sending end; clones share one file.
#[derive(Clone, Debug)]
pub struct Log {
    lines: Sender<Line>,
    errors: Receiver<LogError>,
    done: Receiver<()>,
    dropped: Arc<AtomicU64>,
    path: PathBuf,
    began: Instant,
}

impl Log {
    /// A new file in `folder`, named by the time of day; an older one is never overwritten.
    ///
    /// Errors: the folder or the file cannot be made.
    pub fn create(folder: &Path) -> io::Result<Log> {
        std::fs::create_dir_all(folder)?;
        let (path, file) = new_file(folder)?;
        let (lines, waiting) = bounded(MOST_WAITING);
        let (tell, errors) = bounded(16);
        let (done_in, done) = bounded(1);
        let dropped = Arc::new(AtomicU64::new(0));
        let (theirs, at) = (Arc::clone(&dropped), path.clone());
        let began = Instant::now();
        std::thread::Builder::new().name("log".into()).stack_size(256 * 1024).spawn(move || {
            Writer { file, path: at, tell, dropped: theirs, began, broken: false }.work(&waiting);
            let _nobody = done_in.send(());
        })?;
        Ok(Log { lines, errors, done, dropped, path, began })
    }

    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Never waits: what finds 8,192 lines waiting is counted, and the count is written when there is room.
    pub fn write(&self, entry: Entry) {
        let line = Line { time: now(), ms: self.began.elapsed().as_millis() as u64, entry };
        match self.lines.try_send(line) {
            Ok(()) => {}
            Err(TrySendError::Full(_) | TrySendError::Disconnected(_)) => {
                self.dropped.fetch_add(1, Relaxed);
            }
        }
    }

    /// What the disk did wrong since the last look.
    pub fn errors(&self) -> Vec<LogError> {
        self.errors.try_iter().collect()
    }

    /// Waits up to `patience` for the last lines to be on the disk. False when they are not.
    pub fn close(self, patience: Duration) -> bool {
        let Log { lines, done, .. } = self;
        drop(lines);
        done.recv_timeout(patience).is_ok()
    }
}

/// "2026-11-25T21:14:03.123+01:00[Europe/…]".
pub(super) fn now() -> String {
    jiff::ZonedDateTime::now().round(jiff::Unit::Millisecond).map_or_else(|_| String::new(), |time| time.to_string())
}

fn new_file(folder: &Path) -> io::Result<(PathBuf, File)> {
    let stem = jiff::ZonedDateTime::now().strftime("%Y-%m-%d-%H%M%S").to_string();
    for number in 0..1000 {
        let name = if number == 0 { format!("{stem}.jsonl") } else { format!("{stem}-{number}.jsonl") };
        let path = folder.join(name);
        match OpenOptions::new().append(true).create_new(true).open(&path) {
            Ok(file) => return Ok((path, file)),
            Err(error) if error.kind() == io::ErrorKind::AlreadyExists => {}
            Err(error) => return Err(error),
        }
    }
    Err(io::Error::new(io::ErrorKind::AlreadyExists, "a thousand logs of this second are there already"))
}

struct Writer {
    file: File,
    path: PathBuf,
    tell: Sender<LogError>,
    dropped: Arc<AtomicU64>,
    began: Instant,
    broken: bool,
}

impl Writer {
    fn work(mut self, waiting: &Receiver<Line>) {
        let mut synced = Instant::now();
        let mut unsynced = false;
        loop {
            match waiting.recv_timeout(SYNC_EVERY) {
                Ok(line) => {
                    self.put(&line);
                    self.put_dropped();
                    unsynced = true;
                }
                Err(RecvTimeoutError::Timeout) => {}
                Err(RecvTimeoutError::Disconnected) => break,
            }
            if unsynced && synced.elapsed() >= SYNC_EVERY {
                self.check(File::sync_data);
                (synced, unsynced) = (Instant::now(), false);
            }
        }
        self.put_dropped();
        self.check(File::sync_all);
    }

    fn put_dropped(&mut self) {
        let count = self.dropped.swap(0, Relaxed);
        if count > 0 {
            let entry = Entry::Dropped { what: "log lines".into(), count };
            self.put(&Line { time: now(), ms: self.began.elapsed().as_millis() as u64, entry });
        }
    }

    /// A whole line in one write: a kill leaves whole lines.
    fn put(&mut self, line: &Line) {
        let Ok(mut text) = serde_json::to_string(line) else { return };
        // A line that a full disk tore is closed first, so that it spoils no other.
        if self.broken {
            text.insert(0, '\n');
        }
        text.push('\n');
        self.check(|file| {
            let mut file: &File = file;
            file.write_all(text.as_bytes())
        });
    }

    fn check(&mut self, act: impl FnOnce(&File) -> io::Result<()>) {
        let result = act(&self.file);
        let was_broken = std::mem::replace(&mut self.broken, result.is_err());
        if let Err(error) = result
            && !was_broken
        {
            // Sixteen unread errors say enough.
            let _full = self.tell.try_send(LogError { path: self.path.clone(), why: error.to_string() });
        }
    }
}
