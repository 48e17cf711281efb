//! Text to a checked [`model::Show`]; nothing unchecked leaves this folder.

pub mod model;
