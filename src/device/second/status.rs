//! What the audio thread says of the second interface: atomics, read by the control side.

use std::sync::atomic::{AtomicI64, AtomicU8, AtomicU64, Ordering::Relaxed};

/// Where following stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum State {
    /// It has not called yet.
    Waiting,
    /// Heard; the two clocks are still being compared.
    Settling,
    /// Heard, at a drift that is known.
    Following,
    /// It has stopped calling, or finds its place anew: its inputs are silent.
    Silent,
    /// It was not there when the stream was opened, or is gone.
    Lost,
}

/// Written by the main's audio thread.
#[derive(Debug, Default)]
pub struct Status {
    state: AtomicU8,
    drift_ppb: AtomicI64,
    pub(super) slips: AtomicU64,
}

const STATES: [State; 4] = [State::Waiting, State::Settling, State::Following, State::Silent];

impl Status {
    /// Real-time: safe.
    pub(super) fn tell(&self, state: State, drift_ppm: f64) {
        let number = STATES.iter().position(|other| *other == state).unwrap_or(0);
        self.state.store(number as u8, Relaxed);
        self.drift_ppb.store((drift_ppm * 1e3) as i64, Relaxed);
    }

    pub fn state(&self) -> State {
        STATES.get(usize::from(self.state.load(Relaxed))).copied().unwrap_or(State::Waiting)
    }

    /// How much faster than the main's its clock runs.
    pub fn drift_ppm(&self) -> f64 {
        self.drift_ppb.load(Relaxed) as f64 / 1e3
    }

    /// Times that it changed its place or fell silent.
    pub fn slips(&self) -> u64 {
        self.slips.load(Relaxed)
    }
}
