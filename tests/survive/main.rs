//! Promise: on a real JACK server that is killed, hung, paused or restarted at another rate, the show goes on in the
//! band's time. An ear of its own, a client beside the program, takes down what the band hears and when.
#![cfg(all(feature = "jack", target_os = "linux"))]

#[path = "../common/jack.rs"]
mod server;
#[allow(dead_code, reason = "other tests use the rest")]
#[path = "../common/two.rs"]
mod two;

mod band;
mod loss;
mod soak;
