//! Sounds as buffers at the device's rate.

mod built_in;

pub use built_in::{BUILT_IN, built_in};
