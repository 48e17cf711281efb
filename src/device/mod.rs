//! Interfaces: what stands between the engine and the converters.
//!
//! In: a choice of host, device, rate and block. Out: callbacks into a [`Process`]. Thread: opening and
//! closing on ordinary threads, `process` on the host's audio thread. Always: the engine sees planar
//! buffers, a frame count that includes lost frames, and never the host's own types.

pub mod abandon;
pub mod boot;
pub mod choose;
#[cfg_attr(not(feature = "cpal"), allow(dead_code, reason = "only cpal's formats need all of it"))]
pub mod convert;
#[cfg(feature = "cpal")]
pub mod cpal_host;
pub mod inject;
#[cfg(feature = "jack")]
pub mod jack_host;
pub mod priority;
pub mod pulse;
pub mod second;
pub mod virtual_interface;
pub mod watch;

pub use choose::{
    Side, all_hosts, choose, choose_in, for_rig, inputs_of, listed, outputs_of, placed, setup_for,
    with_second,
};

use crate::realtime::io::Process;
use crate::units::{Frames, SampleRate};
use std::time::Duration;

/// What is asked of an interface.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct OpenSetup {
    /// Device name or stable id; empty for the host's default.
    pub device: String,
    pub rate: SampleRate,
    /// Wanted frames a block; the host may do otherwise.
    pub block: u32,
    pub inputs: u16,
    pub outputs: u16,
    /// Names of the output ports in channel order, where a host has ports; "out_3" where none is given.
    pub output_names: Vec<String>,
    /// Names of the input ports; "in_3" where none is given.
    pub input_names: Vec<String>,
}

impl OpenSetup {
    /// The host's default device and numbered ports.
    pub fn new(rate: SampleRate, block: u32, inputs: u16, outputs: u16) -> OpenSetup {
        OpenSetup {
            device: String::new(),
            rate,
            block,
            inputs,
            outputs,
            output_names: Vec::new(),
            input_names: Vec::new(),
        }
    }
}

/// Frames of the buffers every host makes: longer callbacks are worked through in pieces of this.
pub const MAX_BLOCK: usize = 8192;

/// A client of a JACK server is still attached that cannot be closed: see [`jack_host::attached`].
pub fn jack_is_attached() -> bool {
    #[cfg(feature = "jack")]
    return jack_host::attached();
    #[cfg(not(feature = "jack"))]
    return false;
}

/// A way to reach audio devices.
pub trait Interface: Send {
    /// "virtual", "jack", "alsa", …
    fn host(&self) -> &'static str;

    /// What this host has, for `fogbell interfaces`. May open devices: before the show only.
    fn list(&self) -> Result<Vec<DeviceInfo>, DeviceError>;

    /// Errors: the device is absent, busy, or cannot do what is asked; each says how to choose.
    fn open(&mut self, setup: &OpenSetup) -> Result<Box<dyn Opened>, DeviceError>;
}

/// A device that is open and not yet running.
pub trait Opened: Send {
    fn negotiated(&self) -> &Negotiated;

    /// Starts callbacks. The process is dropped on the control side when [`Running::stop`] returns.
    fn start(self: Box<Self>, process: Box<dyn Process>) -> Result<Box<dyn Running>, DeviceError>;
}

#[derive(Clone, Debug, PartialEq, serde::Serialize)]
pub struct Negotiated {
    pub host: String,
    /// As a person would name it.
    pub device: String,
    /// As a rig file should store it.
    pub id: String,
    pub rate: SampleRate,
    /// Frames a callback as far as the host says; callbacks may differ.
    pub block: u32,
    pub max_block: u32,
    pub inputs: u16,
    pub outputs: u16,
    /// Input and output arrive in one callback, exactly aligned.
    pub duplex: bool,
    /// As the driver claims: output plus input latency, when it does.
    pub claimed_latency: Option<Frames>,
    /// A second interface whose inputs come behind the main's.
    pub second: Option<second::Side>,
}

/// A running stream.
pub trait Running: Send {
    /// Looked at every 100 ms or so by the control side; never waits.
    fn health(&mut self) -> Health;

    /// Stops and joins, giving up after about a second on a host that hangs.
    fn stop(self: Box<Self>);
}

#[derive(Clone, Debug, PartialEq, serde::Serialize)]
pub struct Health {
    pub callbacks: u64,
    /// Frames asked for so far.
    pub frames: u64,
    pub xruns: u64,
    /// Since the last callback.
    pub silent_for: Duration,
    pub state: HealthState,
    /// Frames that nobody asked for, as far as the host shows them.
    pub lost: u64,
    /// Frames by which a virtual interface in real time runs behind the clock; 0 on a device.
    pub behind: u64,
    /// Times that inputs were silent or skipped because the two directions of a device got out of step.
    pub input_slips: u64,
    /// Datagrams that came to a virtual interface's line and were no part of it; 0 on a device.
    pub input_refused: u64,
    /// Real-time policy of the audio thread as read back ("SCHED_FIFO 70"), when it could be read.
    pub priority: Option<String>,
    /// Of a second interface.
    pub second: Option<second::SecondHealth>,
}

#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "kebab-case", tag = "state", content = "why")]
pub enum HealthState {
    Running,
    /// No callback for longer than [`watch::STALL_AFTER`] although no error came.
    Stalled,
    /// The device or its server is gone.
    Lost(String),
    /// A virtual interface reached the end it was given.
    Finished,
}

#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize)]
pub struct DeviceInfo {
    pub host: String,
    pub name: String,
    pub id: String,
    pub inputs: u16,
    pub outputs: u16,
    pub rates: Vec<u32>,
    /// Smallest and largest block, when the device says.
    pub blocks: Option<(u32, u32)>,
    pub is_default: bool,
}

/// What went wrong, in words with the mend.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct DeviceError {
    pub what: String,
    pub mend: String,
}

impl DeviceError {
    pub fn new(what: impl Into<String>, mend: impl Into<String>) -> DeviceError {
        DeviceError { what: what.into(), mend: mend.into() }
    }
}

impl std::fmt::Display for DeviceError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{}\n  to mend it: {}", self.what, self.mend)
    }
}

impl std::error::Error for DeviceError {}
