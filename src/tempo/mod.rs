//! (tempo)
