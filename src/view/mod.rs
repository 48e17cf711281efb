//! (view)
