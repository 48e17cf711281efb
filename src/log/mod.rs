//! The log: JSON lines, written while the show runs, read back afterwards.
//!
//! In: [`Entry`]s from any ordinary thread. Out: a file of lines, and [`Reading`]s of it. Thread: one writes,
//! one syncs. Always: whoever says something never waits; a line is written within 250 ms (it survives a
//! kill) and synced each second (it survives a power cut); what was lost is said; no file is overwritten.

pub mod entry;

pub mod kept;

pub mod read;

pub mod record;

pub mod write;

pub use entry::{DeviceDid, DeviceTold, Entry, Line, SCHEMA, Start};
pub use read::{Fault, Reading};
pub use record::{Recorder, TakeSink};
pub use write::{Log, Trouble, Writer, create};
