//! (log)
