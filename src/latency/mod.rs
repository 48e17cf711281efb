//! Round-trip latency: a probe that goes out, the recording that came back, and a verdict that is right or refused.
//!
//! In: a [`Probe`] and samples recorded from the frame on which the probe started. Out: a [`Measurement`], or a
//! [`Refusal`] that says what is wrong and how to mend it. Thread: ordinary ones only; everything here is pure.
//! Always: a figure that cannot be trusted is not given; memory is bounded by the probe's own length.

pub(crate) mod spectrum;

mod probe;

mod search;

mod estimate;

pub(crate) mod suspects;

mod refusal;

mod judge;

mod compare;

pub mod air;

pub mod meaning;

pub use compare::{Comparison, compare};
pub use judge::{Answer, Measurement, Options, Path, Polarity, Shot, analyse};
pub use probe::{Probe, ProbeFault, ProbeKind};
pub use refusal::Refusal;

pub mod budget;

pub mod session;

pub mod shot;

pub mod stored;
