//! A night with the real binary: it plays, fails as rehearsed, is killed, and what left is judged.

mod run;
mod sacrifice;

#[cfg(all(feature = "jack", target_os = "linux"))]
mod jack;
