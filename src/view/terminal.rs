//! The terminal: drawn on a thread of its own, keys read on another.
//!
//! In: the latest [`ScreenModel`]. Out: key presses, focus. Threads: "view-draw" and "view-keys". Always: a
//! stalled terminal holds up only its own thread; a closed one (hang-up, write error) ends the view and
//! nothing else; the terminal is restored on drop and on panic.

use super::keys::{Keymap, Listener, Press};
use super::model::ScreenModel;
use super::screen::Screen;
use crossbeam_channel::{Receiver, Sender, bounded};
use crossterm::event::{self, Event, KeyboardEnhancementFlags};
use crossterm::{cursor, execute, terminal};
use ratatui::Terminal;
use ratatui::backend::CrosstermBackend;
use std::io::{self, BufWriter, IsTerminal, Stdout, Write, stdout};
use std::mem::ManuallyDrop;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Condvar, Mutex, Once, PoisonError};
use std::thread;
use std::time::{Duration, Instant};

/// Least time between two drawings: 25 a second.
pub const FRAME: Duration = Duration::from_millis(40);

/// Everything is drawn again this often: libraries print to the terminal, too.
pub const REPAINT: Duration = Duration::from_secs(3);

/// A drop waits this long for a stalled terminal, then leaves it.
const PATIENCE: Duration = Duration::from_millis(500);

/// How often the key thread looks up while no key comes.
const LOOK_UP: Duration = Duration::from_millis(50);

const STACK: usize = 256 * 1024;

/// The terminal is ours to restore.
static ACTIVE: AtomicBool = AtomicBool::new(false);

/// A press and when it was read.
#[derive(Clone, Copy, Debug)]
pub struct Pressed {
    pub at: Instant,
    pub press: Press,
}

/// The view on a terminal. Dropping it restores the terminal.
#[derive(Debug)]
pub struct Session {
    shared: Arc<Shared>,
    presses: Receiver<Pressed>,
    drawn: Receiver<()>,
}

#[derive(Debug, Default)]
struct Shared {
    model: Mutex<Option<ScreenModel>>,
    changed: Condvar,
    stop: AtomicBool,
    closed: AtomicBool,
    focus_lost: AtomicBool,
}

impl Session {
    /// Takes the terminal over.
    ///
    /// Errors: standard output is no terminal, or the terminal refuses.
    pub fn open(keys: Keymap) -> io::Result<Session> {
        if !stdout().is_terminal() {
            let why = "standard output is no terminal; run with --headless, or in a terminal";
            return Err(io::Error::new(io::ErrorKind::NotConnected, why));
        }
        let shared = Arc::new(Shared::default());
        watch_for_hang_up(&shared)?;
        restore_on_panic();
        terminal::enable_raw_mode()?;
        ACTIVE.store(true, Ordering::SeqCst);
        let (send, presses) = bounded(256);
        let (done, drawn) = bounded(1);
        let session = Session { shared: Arc::clone(&shared), presses, drawn };
        spawn("view-draw", Arc::clone(&shared), move |shared| {
            if draw(shared).is_err() {
                shared.close();
            }
            restore();
            let _ = done.send(());
        })?;
        spawn("view-keys", shared, move |shared| {
            if read_keys(shared, keys, &send).is_err() {
                shared.close();
            }
        })?;
        Ok(session)
    }

    /// The view of a run whose terminal is gone already: nothing is shown, no key comes.
    ///
    /// Errors: no thread to be had.
    pub fn gone() -> io::Result<Session> {
        let shared = Arc::new(Shared::default());
        watch_for_hang_up(&shared)?;
        shared.close();
        Ok(Session { shared, presses: bounded(0).1, drawn: bounded(0).1 })
    }

    /// Shows a moment; the latest one wins. Never waits for the terminal.
    pub fn show(&self, model: ScreenModel) {
        *self.shared.lock() = Some(model);
        self.shared.changed.notify_one();
    }

    /// Key presses, in order. It ends when the terminal is closed.
    pub fn presses(&self) -> &Receiver<Pressed> {
        &self.presses
    }

    /// The window lost the keyboard (where the terminal tells).
    pub fn focus_lost(&self) -> bool {
        self.shared.focus_lost.load(Ordering::Relaxed)
    }

    /// The terminal is gone: the view has ended, the run goes on.
    pub fn closed(&self) -> bool {
        self.shared.closed.load(Ordering::Relaxed)
    }
}

impl Drop for Session {
    fn drop(&mut self) {
        self.shared.stop.store(true, Ordering::SeqCst);
        self.shared.changed.notify_all();
        if self.drawn.recv_timeout(PATIENCE).is_err() {
            let _ = terminal::disable_raw_mode();
        }
    }
}

impl Shared {
    fn lock(&self) -> std::sync::MutexGuard<'_, Option<ScreenModel>> {
        self.model.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn close(&self) {
        self.closed.store(true, Ordering::SeqCst);
        self.changed.notify_all();
    }

    fn over(&self) -> bool {
        self.stop.load(Ordering::SeqCst)
            || self.closed.load(Ordering::SeqCst)
            || !ACTIVE.load(Ordering::SeqCst)
    }
}

fn spawn(name: &str, shared: Arc<Shared>, body: impl FnOnce(&Shared) + Send + 'static) -> io::Result<()> {
    let builder = thread::Builder::new().name(name.into()).stack_size(STACK);
    builder.spawn(move || body(&shared)).map(drop)
}

/// Draws the latest model, 25 times a second at most, only what changed.
fn draw(shared: &Shared) -> io::Result<()> {
    let mut out = stdout();
    execute!(out, terminal::EnterAlternateScreen, cursor::Hide, event::EnableFocusChange)?;
    // Nothing here asks the terminal anything: an answer that never comes would hold up the view.
    execute!(out, terminal::Clear(terminal::ClearType::All))?;
    // A terminal that does not know this ignores it; one that does tells held keys from presses.
    let flags =
        KeyboardEnhancementFlags::DISAMBIGUATE_ESCAPE_CODES | KeyboardEnhancementFlags::REPORT_EVENT_TYPES;
    let _ = execute!(out, event::PushKeyboardEnhancementFlags(flags));
    let writer: BufWriter<Stdout> = BufWriter::with_capacity(64 * 1024, out);
    // Never dropped: its drop would print to a terminal that may be gone, and printing there panics.
    let mut terminal = ManuallyDrop::new(Terminal::new(CrosstermBackend::new(writer))?);
    let mut whole = Instant::now();
    while !shared.over() {
        let started = Instant::now();
        if let Some(model) = shared.next_model() {
            terminal.draw(|frame| Screen::draw(frame, &model))?;
        }
        if whole.elapsed() >= REPAINT {
            // Forgets what is on the screen, so that the next drawing is a whole one.
            terminal.swap_buffers();
            whole = Instant::now();
        }
        thread::sleep(FRAME.saturating_sub(started.elapsed()).min(FRAME));
    }
    Ok(())
}

impl Shared {
    /// The latest model, waiting a little for a new one.
    fn next_model(&self) -> Option<ScreenModel> {
        let slot = self.lock();
        let waited = self.changed.wait_timeout_while(slot, 5 * FRAME, |slot| slot.is_none() && !self.over());
        waited.unwrap_or_else(PoisonError::into_inner).0.take()
    }
}

fn read_keys(shared: &Shared, keys: Keymap, send: &Sender<Pressed>) -> io::Result<()> {
    let mut listener = Listener::new(keys);
    let tty = Tty::open()?;
    while !shared.over() {
        tty.wait(LOOK_UP)?;
        while !shared.over() && event::poll(Duration::ZERO)? {
            match event::read()? {
                Event::Key(key) => {
                    shared.focus_lost.store(false, Ordering::Relaxed);
                    if let Some(press) = listener.hear(&key) {
                        // A full ring means that nobody reads: nothing to be done here.
                        let _ = send.try_send(Pressed { at: Instant::now(), press });
                    }
                }
                Event::FocusLost => {
                    listener.forget();
                    shared.focus_lost.store(true, Ordering::Relaxed);
                }
                Event::FocusGained => shared.focus_lost.store(false, Ordering::Relaxed),
                _ => {}
            }
        }
    }
    Ok(())
}

/// Waits for keys itself, because crossterm's reader spins on a terminal that was closed.
#[cfg(unix)]
struct Tty(Option<std::fs::File>);

#[cfg(unix)]
impl Tty {
    fn open() -> io::Result<Tty> {
        match io::stdin().is_terminal() {
            true => Ok(Tty(None)),
            false => std::fs::File::open("/dev/tty").map(|file| Tty(Some(file))),
        }
    }

    fn wait(&self, limit: Duration) -> io::Result<()> {
        use rustix::event::{PollFd, PollFlags, Timespec, poll};
        let stdin = io::stdin();
        let mut polled = [match &self.0 {
            Some(file) => PollFd::new(file, PollFlags::IN),
            None => PollFd::new(&stdin, PollFlags::IN),
        }];
        let limit = Timespec::try_from(limit).map_err(io::Error::other)?;
        match poll(&mut polled, Some(&limit)) {
            Ok(_) | Err(rustix::io::Errno::INTR) => {}
            Err(error) => return Err(error.into()),
        }
        let gone = PollFlags::HUP | PollFlags::ERR | PollFlags::NVAL;
        match polled[0].revents().intersects(gone) {
            true => Err(io::Error::new(io::ErrorKind::UnexpectedEof, "the terminal is gone")),
            false => Ok(()),
        }
    }
}

#[cfg(not(unix))]
struct Tty;

#[cfg(not(unix))]
impl Tty {
    fn open() -> io::Result<Tty> {
        Ok(Tty)
    }

    fn wait(&self, limit: Duration) -> io::Result<()> {
        event::poll(limit).map(drop)
    }
}

/// A hang-up ends the view instead of the process.
#[cfg(unix)]
fn watch_for_hang_up(shared: &Arc<Shared>) -> io::Result<()> {
    let mut signals = signal_hook::iterator::Signals::new([signal_hook::consts::SIGHUP])?;
    let shared = Arc::downgrade(shared);
    let body = move || {
        for _ in signals.forever() {
            if let Some(shared) = shared.upgrade() {
                shared.close();
            }
        }
    };
    thread::Builder::new().name("view-hang-up".into()).stack_size(STACK).spawn(body).map(drop)
}

#[cfg(not(unix))]
fn watch_for_hang_up(_shared: &Arc<Shared>) -> io::Result<()> {
    Ok(())
}

fn restore_on_panic() {
    static ONCE: Once = Once::new();
    ONCE.call_once(|| {
        let before = std::panic::take_hook();
        std::panic::set_hook(Box::new(move |panic| {
            restore();
            before(panic);
        }));
    });
}

/// Gives the terminal back as it was, once. Errors are left: there is nobody to tell.
fn restore() {
    if !ACTIVE.swap(false, Ordering::SeqCst) {
        return;
    }
    let _ = terminal::disable_raw_mode();
    let mut out = stdout();
    let _ = execute!(out, event::PopKeyboardEnhancementFlags);
    let _ = execute!(out, event::DisableFocusChange, cursor::Show, terminal::LeaveAlternateScreen);
    let _ = out.flush();
}
