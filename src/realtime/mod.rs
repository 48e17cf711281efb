//! All that the audio thread runs.
//!
//! In: commands, stamped blocks and input samples. Out: output samples and events. Thread: the audio
//! callback. Always: bounded time; no allocation, freeing, lock, wait, system call or panic; decisions are
//! made at frames, never at block edges.
#![cfg_attr(
    not(test),
    deny(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::indexing_slicing)
)]

pub mod io;

pub mod ramp;

pub mod kernel;

pub mod true_peak;

pub mod limiter;

pub mod guard;

pub mod biquad;

pub mod dynamics;

pub mod ride;

pub mod ambient;

pub mod transport;

pub mod voices;

pub mod claim;

pub mod passed;

pub mod outside;

pub mod peer;

pub mod timecode_out;

pub mod outlet;

pub mod engine;

pub mod setup;

pub mod stream;

pub mod wiring;

pub mod command;

pub mod event;
