//! Tempo map to hits of each click, and sounds to buffers.
//!
//! In: a checked show and a rate. Out: a [`set::Set`]. Thread: ordinary. Always: every hit at its exact
//! local time, each identity once.

pub mod set;

pub mod grid;

pub mod sounds;

pub mod build;

pub mod prepare;
