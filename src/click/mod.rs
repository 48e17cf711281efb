//! Tempo map to hits of each click, and sounds to buffers.

pub mod set;
