//! The dark stage: what the player sees and which key does what.
//!
//! In: plain data of the moment ([`model::ScreenModel`]), key presses with their time. Out: drawn cells,
//! commands for the engine. Thread: deciding on the control thread, drawing and reading keys on threads of
//! their own ([`terminal`]). Always: bar and beat, state and the start key's sentence are never covered;
//! nothing here can hold up the sound.

pub mod model;

pub mod glyphs;

pub mod screen;

mod lower;

pub mod machines;

pub mod keys;

pub mod programme;

pub mod conductor;

pub mod terminal;
