//! Coming back in the band's time: after a kill, a crash, a pulled cable, a computer that slept.
//!
//! In: what the engine tells and what a person asks, each written down before it happens; readings of the
//! boot-time clock. Out: where the music is by now, on whatever timeline goes on. Thread: [`ground`] stands in the
//! audio callback; the record is written on a thread of its own. Always: nothing here is waited for by the audio
//! thread, and a record that cannot be trusted brings back a silent program, never a wrong click.

pub mod clock;

pub mod tracker;

pub mod record;

pub mod store;

pub mod resume;

pub mod keeper;

pub mod ground;

pub mod thrift;
