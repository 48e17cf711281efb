//! Promise: an external click is heard where it is, judged as what it is, and followed without a jump; and nothing of
//! it allocates once made.

#[path = "follow/band.rs"]
mod band;
#[path = "follow/dirt.rs"]
mod dirt;
#[path = "follow/faults.rs"]
mod faults;
#[path = "follow/memory.rs"]
mod memory;
#[path = "follow/onsets.rs"]
mod onsets;
#[path = "follow/tracking.rs"]
mod tracking;
