//! Inputs from a second interface, which has a clock of its own.
//!
//! In: two interfaces. Out: one, whose inputs are the main's and behind them the second's. Thread: each its own; the
//! main drives. Always: outputs and the click are the main's and are never resampled; the second's inputs are read at
//! the main's clock, and its loss, or its absence from the start, is silence on them and on nothing else.

pub mod feed;
pub mod joined;
pub mod law;
mod status;
mod telling;

pub use status::{State, Status};
pub use telling::{Did, News, Watch, words};

use super::{
    DeviceError, DeviceInfo, Health, HealthState, Interface, MAX_BLOCK, Negotiated, OpenSetup, Opened,
    Running,
};
use crate::realtime::io::Process;
use feed::ends;
use joined::{Follow, Joined, Sides};
use std::sync::Arc;
use std::time::Instant;

/// The second interface, as far as it could be opened.
#[derive(Clone, Debug, PartialEq, serde::Serialize)]
pub struct Side {
    pub host: String,
    pub device: String,
    pub block: u32,
    /// Input channels of the main before the second's, from 0.
    pub first_input: u16,
    pub inputs: u16,
    /// Frames of ours that its sound waits for its turn, and in the filter between the clocks.
    pub ring_frames: f64,
    pub filter_frames: f64,
    /// Why it could not be opened: its inputs are silent.
    pub fault: Option<String>,
}

/// How it goes.
#[derive(Clone, Debug, PartialEq, serde::Serialize)]
pub struct SecondHealth {
    pub state: State,
    /// How much faster than the main's its clock runs; known once it follows.
    pub drift_ppm: f64,
    /// Times that it changed its place or fell silent.
    pub slips: u64,
    pub xruns: u64,
    /// Why it is lost.
    pub why: Option<String>,
}

/// The main with a second interface behind it.
pub struct Paired {
    pub main: Box<dyn Interface>,
    pub second: Box<dyn Interface>,
    /// What is asked of the second.
    pub setup: OpenSetup,
}

impl Interface for Paired {
    fn host(&self) -> &'static str {
        self.main.host()
    }

    fn list(&self) -> Result<Vec<DeviceInfo>, DeviceError> {
        self.main.list()
    }

    /// Errors: the main's. A second interface that cannot be opened is told in [`Negotiated::second`].
    fn open(&mut self, setup: &OpenSetup) -> Result<Box<dyn Opened>, DeviceError> {
        let main = self.main.open(setup)?;
        let second = self.second.open(&self.setup);
        let negotiated = negotiated(main.negotiated(), &self.setup, second.as_deref());
        Ok(Box::new(OpenedPair { main, second: second.ok(), setup: self.setup.clone(), negotiated }))
    }
}

fn sides(main: &Negotiated, asked: &OpenSetup, second: Option<&Negotiated>) -> Sides {
    Sides {
        rate: main.rate,
        block: main.block,
        second_rate: second.map_or(asked.rate, |second| second.rate),
        second_block: second.map_or(asked.block, |second| second.block),
        inputs: main.inputs,
        second_inputs: asked.inputs,
    }
}

fn negotiated(main: &Negotiated, asked: &OpenSetup, second: Result<&dyn Opened, &DeviceError>) -> Negotiated {
    let theirs = second.ok().map(Opened::negotiated);
    let sides = sides(main, asked, theirs);
    let side = Side {
        host: theirs.map_or(String::new(), |second| second.host.clone()),
        device: theirs.map_or(asked.device.clone(), |second| second.device.clone()),
        block: sides.second_block,
        first_input: main.inputs,
        inputs: asked.inputs,
        ring_frames: sides.delay_frames() / sides.nominal(),
        filter_frames: Sides::filter_frames() / sides.nominal(),
        fault: second.err().map(ToString::to_string),
    };
    Negotiated { inputs: main.inputs + asked.inputs, second: Some(side), ..main.clone() }
}

struct OpenedPair {
    main: Box<dyn Opened>,
    second: Option<Box<dyn Opened>>,
    setup: OpenSetup,
    negotiated: Negotiated,
}

impl Opened for OpenedPair {
    fn negotiated(&self) -> &Negotiated {
        &self.negotiated
    }

    fn start(self: Box<Self>, process: Box<dyn Process>) -> Result<Box<dyn Running>, DeviceError> {
        let main = self.main.negotiated().clone();
        let sides = sides(&main, &self.setup, self.second.as_deref().map(Opened::negotiated));
        let born = Instant::now();
        let clock = move || born.elapsed().as_secs_f64();
        let room = 4 * MAX_BLOCK;
        let (writer, reader) = ends(usize::from(sides.second_inputs), room, MAX_BLOCK, clock);
        let status = Arc::new(Status::default());
        let follow = Follow::new(sides, reader, Arc::clone(&status)).ok_or_else(|| {
            let what =
                format!("nothing goes from {} Hz to {} Hz", sides.second_rate.hertz(), sides.rate.hertz());
            DeviceError::new(what, "give [second] the rate of [interface]")
        })?;
        let joined = Joined::new(process, usize::from(main.outputs), follow, clock);
        let mut why = self.negotiated.second.as_ref().and_then(|side| side.fault.clone());
        let second = match self.second.map(|second| second.start(Box::new(writer))) {
            Some(Ok(running)) => Some(running),
            Some(Err(error)) => {
                why = Some(error.to_string());
                None
            }
            None => None,
        };
        let main = self.main.start(Box::new(joined))?;
        Ok(Box::new(RunningPair { main, second, status, why }))
    }
}

struct RunningPair {
    main: Box<dyn Running>,
    second: Option<Box<dyn Running>>,
    status: Arc<Status>,
    why: Option<String>,
}

impl Running for RunningPair {
    fn health(&mut self) -> Health {
        let theirs = self.second.as_mut().map(|second| second.health());
        if let Some(Health { state: HealthState::Lost(why), .. }) = &theirs {
            self.why.get_or_insert_with(|| why.clone());
        }
        let state = if self.why.is_some() { State::Lost } else { self.status.state() };
        let second = SecondHealth {
            state,
            drift_ppm: self.status.drift_ppm(),
            slips: self.status.slips(),
            xruns: theirs.map_or(0, |health| health.xruns),
            why: self.why.clone(),
        };
        Health { second: Some(second), ..self.main.health() }
    }

    fn stop(self: Box<Self>) {
        // The main first: its end of the rings is dropped here, not by an audio thread.
        self.main.stop();
        if let Some(second) = self.second {
            second.stop();
        }
    }
}
