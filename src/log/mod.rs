//! The night's log: JSON lines, one event a line.
//!
//! In: [`Entry`]s from ordinary threads. Out: a file that a kill or a power cut leaves readable. Thread: a
//! writer of its own. Always: nobody waits for it; what it cannot take is counted and said in the log itself.

mod entry;
mod read;
mod write;

pub use entry::{Entry, Line, SCHEMA};
pub use read::{ReadFault, Reader, read};
pub use write::{Log, LogError};
