//! What the audio thread leaves behind for the watchdog: counters and the time of its last callback.
//!
//! In: one [`Pulse::beat`] a callback. Out: [`Pulse::health`] on the control side. Always: atomics only.

use super::{Health, HealthState, watch};
use std::sync::OnceLock;
use std::sync::atomic::{AtomicU8, AtomicU32, AtomicU64, Ordering::Relaxed};
use std::time::{Duration, Instant};

/// Shared by the audio thread (writes) and the control side (reads).
#[derive(Debug)]
pub struct Pulse {
    born: Instant,
    callbacks: AtomicU64,
    frames: AtomicU64,
    xruns: AtomicU64,
    lost: AtomicU64,
    behind: AtomicU64,
    input_slips: AtomicU64,
    input_refused: AtomicU64,
    /// Nanoseconds after `born`.
    last: AtomicU64,
    /// System's id of the audio thread; 0 before the first callback.
    thread: AtomicU32,
    promotion: AtomicU8,
    priority: OnceLock<String>,
}

/// How asking for real-time priority ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Promotion {
    NotTried,
    Granted,
    Refused,
}

impl Default for Pulse {
    fn default() -> Pulse {
        Pulse {
            born: Instant::now(),
            callbacks: AtomicU64::new(0),
            frames: AtomicU64::new(0),
            xruns: AtomicU64::new(0),
            lost: AtomicU64::new(0),
            behind: AtomicU64::new(0),
            input_slips: AtomicU64::new(0),
            input_refused: AtomicU64::new(0),
            last: AtomicU64::new(0),
            thread: AtomicU32::new(0),
            promotion: AtomicU8::new(0),
            priority: OnceLock::new(),
        }
    }
}

impl Pulse {
    /// One callback of so many frames. Real-time: safe (the clock is read without a system call where
    /// the system can).
    pub fn beat(&self, frames: u64) {
        let since = u64::try_from(self.born.elapsed().as_nanos()).unwrap_or(u64::MAX);
        self.last.store(since, Relaxed);
        self.frames.fetch_add(frames, Relaxed);
        self.callbacks.fetch_add(1, Relaxed);
    }

    /// Since this pulse was made. Real-time: safe.
    pub fn microseconds(&self) -> u64 {
        u64::try_from(self.born.elapsed().as_micros()).unwrap_or(u64::MAX)
    }

    /// True until the first [`Pulse::beat`]. Real-time: safe.
    pub fn is_first(&self) -> bool {
        self.callbacks.load(Relaxed) == 0
    }

    /// Real-time: safe.
    pub fn xrun(&self) {
        self.xruns.fetch_add(1, Relaxed);
    }

    /// So far. Real-time: safe.
    pub fn xruns(&self) -> u64 {
        self.xruns.load(Relaxed)
    }

    /// Real-time: safe.
    pub fn lost(&self, frames: u64) {
        self.lost.fetch_add(frames, Relaxed);
    }

    /// Real-time: safe.
    pub fn behind(&self, frames: u64) {
        self.behind.fetch_add(frames, Relaxed);
    }

    /// So far. Real-time: safe.
    pub fn input_slips(&self, slips: u64) {
        self.input_slips.store(slips, Relaxed);
    }

    /// So far. Real-time: safe.
    pub fn input_refused(&self, refused: u64) {
        self.input_refused.store(refused, Relaxed);
    }

    /// Real-time: safe.
    pub fn callbacks(&self) -> u64 {
        self.callbacks.load(Relaxed)
    }

    /// Takes down who the audio thread is. `promoted`: whether it was raised, `None` when not tried.
    pub fn thread(&self, id: u32, promoted: Option<bool>) {
        self.thread.store(id, Relaxed);
        self.promotion.store(promoted.map_or(0, |granted| if granted { 1 } else { 2 }), Relaxed);
    }

    fn promotion(&self) -> Promotion {
        match self.promotion.load(Relaxed) {
            1 => Promotion::Granted,
            2 => Promotion::Refused,
            _ => Promotion::NotTried,
        }
    }

    /// For the control side: counters, silence, and `state` unless the silence shows a stall.
    pub fn health(&self, state: HealthState) -> Health {
        let callbacks = self.callbacks.load(Relaxed);
        let last = Duration::from_nanos(self.last.load(Relaxed));
        let silent_for = self.born.elapsed().saturating_sub(last);
        let stalled = state == HealthState::Running && watch::stalled(callbacks, silent_for);
        Health {
            callbacks,
            frames: self.frames.load(Relaxed),
            xruns: self.xruns.load(Relaxed),
            silent_for,
            state: if stalled { HealthState::Stalled } else { state },
            lost: self.lost.load(Relaxed),
            behind: self.behind.load(Relaxed),
            input_slips: self.input_slips.load(Relaxed),
            input_refused: self.input_refused.load(Relaxed),
            priority: self.priority(),
            second: None,
        }
    }

    /// Read once after the first callback and kept.
    fn priority(&self) -> Option<String> {
        let thread = self.thread.load(Relaxed);
        if thread != 0 && self.priority.get().is_none() {
            let words = super::priority::read_back(thread, self.promotion())?;
            let _ = self.priority.set(words);
        }
        self.priority.get().cloned()
    }
}
