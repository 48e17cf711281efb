//! (wav)
