//! The night, read afterwards.
//!
//! In: logs and kept results, as bytes. Out: one model ([`Nights`]), and it as a page, as text and as JSON. Thread:
//! ordinary. Always: memory does not grow with the length of a log, what could not be read is said, and a figure
//! that was not measured is no figure.

pub mod compare;

pub mod gather;

pub mod kept;

pub mod mend;

pub mod night;

pub mod page;

pub mod place;

pub mod plots;

pub mod room;

pub mod run;

pub mod summary;

pub mod text;

pub mod thin;

pub mod words;

pub use gather::Gather;
pub use night::{Night, Nights};
pub use run::Run;
