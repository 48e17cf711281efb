//! The virtual interface: a device without hardware, with a scripted [`World`] behind it.
//!
//! In: a world and a pace. Out: callbacks into a [`Process`]. Thread: one of its own, or the caller's with
//! a [`Stepper`]. Always: what is heard is a function of the world, the setup and what was played, never
//! of the clock; only the real-time pace looks at one.

mod capture;
mod ills;
mod lines;
mod pace;
mod simulation;
mod sinc;
mod stepper;
mod tape;
#[cfg(test)]
mod tests;
mod world;

pub use capture::{BlockSeen, Capture, Captured};
pub use ills::{Hum, Standing, Twin};
pub use pace::{CATCH_UP, Pace};
pub use stepper::Stepper;
pub use world::{
    Blocks, Cable, Fault, FaultKind, Load, Mic, MicSound, Noise, ReceiveFrom, SendTo, Tape, World,
};

use super::{DeviceError, DeviceInfo, Interface, MAX_BLOCK, Negotiated, OpenSetup, Opened, Running};
use crate::realtime::io::Process;
use lines::Lines;
use simulation::Simulation;
use tape::Tapes;

/// The host's name.
pub const HOST: &str = "virtual";

/// A virtual interface that is not open yet.
#[derive(Clone, Debug)]
pub struct VirtualInterface {
    world: World,
    pace: Pace,
    capture: Option<Capture>,
    name: String,
}

impl VirtualInterface {
    pub fn new(world: World, pace: Pace) -> VirtualInterface {
        VirtualInterface { world, pace, capture: None, name: String::new() }
    }

    /// Takes down everything that leaves and enters, from the next opening on.
    pub fn captured_by(self, capture: &Capture) -> VirtualInterface {
        VirtualInterface { capture: Some(capture.clone()), ..self }
    }

    /// The name it goes by, such as the world's file.
    pub fn named(self, name: &str) -> VirtualInterface {
        VirtualInterface { name: name.to_owned(), ..self }
    }

    fn negotiated(&self, setup: &OpenSetup) -> Negotiated {
        let block = self.world.blocks.as_ref().map_or(setup.block, Blocks::largest);
        let device = if self.name.is_empty() { "the built-in world" } else { &self.name };
        Negotiated {
            host: HOST.into(),
            device: device.into(),
            id: self.name.clone(),
            rate: setup.rate,
            block,
            max_block: MAX_BLOCK as u32,
            inputs: setup.inputs,
            outputs: setup.outputs,
            duplex: true,
            claimed_latency: None,
            second: None,
        }
    }
}

impl Interface for VirtualInterface {
    fn host(&self) -> &'static str {
        HOST
    }

    fn list(&self) -> Result<Vec<DeviceInfo>, DeviceError> {
        Ok(vec![DeviceInfo {
            host: HOST.into(),
            name: if self.name.is_empty() { "the built-in world".into() } else { self.name.clone() },
            id: self.name.clone(),
            inputs: self.world.inputs,
            outputs: self.world.outputs,
            rates: vec![44_100, 48_000, 88_200, 96_000, 192_000],
            blocks: Some((1, MAX_BLOCK as u32)),
            is_default: true,
        }])
    }

    fn open(&mut self, setup: &OpenSetup) -> Result<Box<dyn Opened>, DeviceError> {
        let mut simulation = Simulation::new(&self.world, setup)?;
        match self.pace {
            Pace::RealTime => {
                simulation.connect(Lines::open(&self.world, setup)?);
                simulation.tapes(Tapes::open(&self.world.tapes, setup.rate)?);
            }
            Pace::Free { .. } => only_in_real_time(&self.world)?,
        }
        Ok(Box::new(OpenedVirtual {
            simulation,
            negotiated: self.negotiated(setup),
            pace: self.pace,
            drift_ppm: self.world.drift_ppm,
            jitter: self.world.jitter,
            late_is_lost: self.world.late_is_lost,
            capture: self.capture.clone(),
        }))
    }
}

/// Two processes share no time but the computer's.
fn only_in_real_time(world: &World) -> Result<(), DeviceError> {
    if world.sends.is_empty() && world.receives.is_empty() && world.tapes.is_empty() {
        return Ok(());
    }
    let what = "the world has tapes or lines to another process, and its time is not the computer's";
    Err(DeviceError::new(what, "run it in real time, or leave out sends, receives and tapes"))
}

struct OpenedVirtual {
    simulation: Simulation,
    negotiated: Negotiated,
    pace: Pace,
    drift_ppm: f64,
    jitter: f64,
    late_is_lost: bool,
    capture: Option<Capture>,
}

impl Opened for OpenedVirtual {
    fn negotiated(&self) -> &Negotiated {
        &self.negotiated
    }

    fn start(self: Box<Self>, process: Box<dyn Process>) -> Result<Box<dyn Running>, DeviceError> {
        if let Some(capture) = &self.capture {
            capture.begin(self.simulation.io());
        }
        let drive = pace::Drive {
            simulation: self.simulation,
            process,
            capture: self.capture,
            rate: self.negotiated.rate,
            block: self.negotiated.block,
            drift_ppm: self.drift_ppm,
            jitter: self.jitter,
            late_is_lost: self.late_is_lost,
        };
        Ok(Box::new(pace::start(drive, self.pace)?))
    }
}
