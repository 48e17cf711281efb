//! Text to a checked [`model::Show`]; nothing unchecked leaves this folder.
//!
//! In: the text of a show or rig file and the folder it lies in. Out: a [`model::Show`] or
//! [`model::Rig`], and every fault with its line, its place and its mend. Thread: any ordinary one.
//! Always: no text makes it panic; a fault in one song costs that song only.

mod ambient;
mod band;
mod bars;
pub mod built_in;
mod count_in;
mod exposure;
pub mod external;
mod fault;
mod files;
mod keys;
mod limits;
mod machines;
pub mod model;
pub mod music;
mod read;
mod rig;
pub mod schema;
mod section;
pub mod slots;
mod song;
mod song_click;
mod sounds;
mod style;
mod syntax;
mod walk;

pub use ambient::sides_of;
pub use fault::{Fault, render};
pub use read::{Reading, RefusedSong, parse_show, read_show};
pub use rig::{RigReading, check_rig_against, default_rig, parse_rig, read_rig};
