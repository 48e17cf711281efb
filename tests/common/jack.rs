//! A real JACK server for tests.

use rustix::process::{Pid, Signal, kill_process};
use std::process::{Child, Command, Stdio};
use std::sync::atomic::{AtomicU32, Ordering::Relaxed};
use std::time::{Duration, Instant};

/// A server with the dummy back end: 48 kHz, 128 frames, 8 inputs and 8 outputs. Ended when dropped.
pub struct Server {
    pub name: String,
    pub process: Child,
    said: tempfile::NamedTempFile,
}

#[allow(dead_code, reason = "each test binary uses a part of it")]
impl Server {
    pub fn start() -> Server {
        static COUNT: AtomicU32 = AtomicU32::new(0);
        let count = COUNT.fetch_add(1, Relaxed);
        Server::named(format!("fogbell-test-{}-{count}", std::process::id()))
    }

    /// With another period, and two ports that loop back into themselves.
    pub fn looped(period: u32) -> Server {
        let name = format!("fogbell-loop-{}-{period}", std::process::id());
        Server::spawned(name, &["-L", "2"], period, 48_000)
    }

    fn named(name: String) -> Server {
        Server::spawned(name, &[], 128, 48_000)
    }

    /// The dead one once more, under its name.
    pub fn again(&mut self) {
        self.again_at(48_000);
    }

    /// At another rate.
    pub fn again_at(&mut self, rate: u32) {
        let mut again = Server::spawned(self.name.clone(), &[], 128, rate);
        std::mem::swap(&mut self.process, &mut again.process);
        std::mem::swap(&mut self.said, &mut again.said);
        // The dead one's place was taken over: there is nothing to be ended.
        std::mem::forget(again);
    }

    fn spawned(name: String, first: &[&str], period: u32, rate: u32) -> Server {
        let said = tempfile::NamedTempFile::new().unwrap();
        let process = Command::new("jackd")
            .args(first)
            .args([
                "-n",
                &name,
                "-d",
                "dummy",
                "-r",
                &rate.to_string(),
                "-p",
                &period.to_string(),
                "-C",
                "8",
                "-P",
                "8",
            ])
            .env("JACK_NO_AUDIO_RESERVATION", "1")
            .stdin(Stdio::null())
            .stdout(said.reopen().unwrap())
            .stderr(said.reopen().unwrap())
            .spawn()
            .unwrap_or_else(|fault| {
                panic!("jackd cannot be started ({fault}): apt-get install --no-install-recommends jackd2")
            });
        Server { name, process, said }
    }

    /// What it printed.
    pub fn words(&self) -> String {
        std::fs::read_to_string(self.said.path()).unwrap_or_default()
    }

    /// Politely, so that it gives its place in the system's list of servers back: that holds eight, and
    /// keeps the dead ones.
    fn end(&mut self) -> bool {
        let pid = Pid::from_child(&self.process);
        let _ = kill_process(pid, Signal::CONT);
        let _ = kill_process(pid, Signal::TERM);
        let begun = Instant::now();
        while begun.elapsed() < Duration::from_secs(5) {
            if let Ok(Some(status)) = self.process.try_wait() {
                return std::os::unix::process::ExitStatusExt::signal(&status) != Some(9);
            }
            std::thread::sleep(Duration::from_millis(20));
        }
        let _ = self.process.kill();
        let _ = self.process.wait();
        false
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        if !self.end() {
            // A server of the same name takes over a dead one's place, and gives it back.
            let mut heir = Server::named(self.name.clone());
            std::thread::sleep(Duration::from_millis(500));
            heir.end();
            std::mem::forget(heir);
        }
    }
}
