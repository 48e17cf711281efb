//! Promise: inputs of a second interface, whose clock is another, are heard without an artefact, and whatever becomes
//! of it, the click goes on.

#[path = "second/bench.rs"]
mod bench;
#[path = "second/clocks.rs"]
mod clocks;
#[path = "second/run.rs"]
mod run;
