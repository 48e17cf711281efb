//! (renderer)
