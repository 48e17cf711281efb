//! Any text as a world of the virtual interface: never a panic, refused in words or playable for a while.
#![no_main]

use fogbell::device::OpenSetup;
use fogbell::device::virtual_interface::{MicSound, Stepper, World};
use fogbell::realtime::io::{Io, Process};
use fogbell::units::SampleRate;
use libfuzzer_sys::fuzz_target;

/// Half of full scale on every output.
struct Steady;

impl Process for Steady {
    fn process(&mut self, io: &mut Io) {
        for channel in 0..io.output.channels() {
            io.output.channel_mut(channel, io.frames).fill(0.5);
        }
    }
}

fuzz_target!(|data: &[u8]| {
    let Ok(text) = std::str::from_utf8(data) else { return };
    let mut world = match World::from_toml(text) {
        Ok(world) => world,
        Err(error) => return assert!(!error.what.is_empty() && !error.mend.is_empty()),
    };
    world.mics.retain(|mic| !matches!(mic.sound, MicSound::File(_)));
    let setup = OpenSetup::new(SampleRate::standard(), 64, world.inputs.min(8), world.outputs.min(8));
    match Stepper::new(&world, &setup, Steady) {
        Ok(mut stepper) => (0..6).for_each(|_| {
            let before = stepper.at();
            let frames = stepper.step(64).frames;
            assert!(frames <= 64 && stepper.at() >= before);
        }),
        Err(error) => assert!(!error.what.is_empty() && !error.mend.is_empty()),
    }
});
