//! (listener)
