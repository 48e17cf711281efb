//! (stems)
