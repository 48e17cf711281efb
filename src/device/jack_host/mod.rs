//! JACK: one client, one callback for both directions, ports with our own names.
//!
//! In: a server that already runs. Out: callbacks into a [`Process`]. Thread: libjack's own for `process`
//! (its priority is the server's business); every call that may hang on a server that hangs runs on a
//! thread that can be left behind. Always: a jump of the server's frame time is told as lost frames.

mod time;

use super::abandon;
use super::pulse::Pulse;
use super::{
    DeviceError, DeviceInfo, Health, HealthState, Interface, MAX_BLOCK, Negotiated, OpenSetup, Opened,
    Running, priority,
};
use crate::realtime::io::{Io, Process};
use crate::units::{FramePos, Frames, SampleRate};
use jack::{AudioIn, AudioOut, Client, ClientOptions, Control, LatencyType, Port, PortFlags, ProcessScope};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering::Relaxed};
use std::sync::mpsc::{Receiver, TryRecvError, sync_channel};
use std::time::Duration;
use time::{Cycle, Time};

/// The host's name.
pub const HOST: &str = "jack";

/// Our name on the server; it adds a number when there is one already.
const CLIENT: &str = "fogbell";

/// The device that stands for every physical port.
pub const ALL_PHYSICAL: &str = "system";

/// How long a server may take to answer.
const ANSWER: Duration = Duration::from_secs(2);

/// How long closing may take before it is left behind.
const CLOSE: Duration = Duration::from_secs(1);

/// The way to a JACK server: the one that `JACK_DEFAULT_SERVER` names.
///
/// The device is whose physical ports ours are connected to: "system" for all, a client's name for its
/// own, empty or "none" for nobody's.
#[derive(Clone, Copy, Debug, Default)]
pub struct JackHost;

/// Call neither [`Interface::list`] nor [`Interface::open`] while a stream of this host runs.
impl Interface for JackHost {
    fn host(&self) -> &'static str {
        HOST
    }

    fn list(&self) -> Result<Vec<DeviceInfo>, DeviceError> {
        abandon::within(ANSWER, "fogbell-jack-list", || Ok(listing(&connect()?))).unwrap_or_else(no_answer)
    }

    fn open(&mut self, setup: &OpenSetup) -> Result<Box<dyn Opened>, DeviceError> {
        let setup = setup.clone();
        let opened = abandon::within(ANSWER, "fogbell-jack-open", move || OpenedJack::new(&setup));
        Ok(Box::new(opened.unwrap_or_else(no_answer)?))
    }
}

fn no_answer<T>() -> Result<T, DeviceError> {
    Err(DeviceError::new(
        "the JACK server does not answer",
        "restart the server, then try again; it hangs, which no client can mend",
    ))
}

/// A server that is busy refuses as one that is not there: it is asked this often, this far apart.
const ASKED: u32 = 4;
const ASKED_APART: Duration = Duration::from_millis(100);

/// Never starts a server: which one, on which card, is the user's choice.
fn connect() -> Result<Client, DeviceError> {
    jack::set_logger(jack::LoggerType::None);
    let ask = || Client::new(CLIENT, ClientOptions::NO_START_SERVER);
    let mut answer = ask();
    for _ in 1..ASKED {
        if !matches!(answer, Err(jack::Error::ClientError(_))) {
            break;
        }
        std::thread::sleep(ASKED_APART);
        answer = ask();
    }
    match answer {
        Ok((client, _)) => Ok(client),
        Err(jack::Error::LibraryError(words)) => {
            let what = format!("JACK is not installed here: {words}");
            Err(DeviceError::new(what, "install the JACK library, or choose another host in the rig"))
        }
        Err(_) => {
            let server = std::env::var("JACK_DEFAULT_SERVER").unwrap_or_else(|_| "default".into());
            let what = format!("no JACK server named \"{server}\" is running");
            Err(DeviceError::new(what, "start the server first, or choose another host in the rig"))
        }
    }
}

fn physical(client: &Client, direction: PortFlags) -> Vec<String> {
    let audio = jack::PortSpec::jack_port_type(&AudioIn::default()).to_owned();
    client.ports(None, Some(&audio), direction | PortFlags::IS_PHYSICAL)
}

fn owner(port: &str) -> &str {
    port.split_once(':').map_or(port, |(client, _)| client)
}

/// One device for all physical ports, then one for each client that has some.
fn listing(client: &Client) -> Vec<DeviceInfo> {
    let (captures, playbacks) =
        (physical(client, PortFlags::IS_OUTPUT), physical(client, PortFlags::IS_INPUT));
    let mut owners: Vec<&str> = playbacks.iter().chain(&captures).map(|port| owner(port)).collect();
    owners.sort_unstable();
    owners.dedup();
    let count = |ports: &[String], of: &str| {
        ports.iter().filter(|port| of == ALL_PHYSICAL || owner(port) == of).count() as u16
    };
    let device = |of: &str| DeviceInfo {
        host: HOST.into(),
        name: of.into(),
        id: of.into(),
        inputs: count(&captures, of),
        outputs: count(&playbacks, of),
        rates: vec![client.sample_rate()],
        blocks: Some((client.buffer_size(), client.buffer_size())),
        is_default: of == ALL_PHYSICAL,
    };
    let others = owners.iter().filter(|of| **of != ALL_PHYSICAL);
    std::iter::once(device(ALL_PHYSICAL)).chain(others.map(|of| device(of))).collect()
}

/// Physical ports to connect ours to: where our outputs go, what our inputs hear.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
struct Patch {
    playbacks: Vec<String>,
    captures: Vec<String>,
}

impl Patch {
    fn new(client: &Client, device: &str) -> Result<Patch, DeviceError> {
        if matches!(device, "" | "none") {
            return Ok(Patch::default());
        }
        let mine = |ports: Vec<String>| -> Vec<String> {
            ports.into_iter().filter(|port| device == ALL_PHYSICAL || owner(port) == device).collect()
        };
        let patch = Patch {
            playbacks: mine(physical(client, PortFlags::IS_INPUT)),
            captures: mine(physical(client, PortFlags::IS_OUTPUT)),
        };
        if patch == Patch::default() && device != ALL_PHYSICAL {
            let there: Vec<String> = listing(client).into_iter().map(|info| info.name).collect();
            let what = format!("nobody called \"{device}\" has physical ports on the JACK server");
            let mend = format!("choose one of {}, or \"none\" to patch by hand", there.join(", "));
            return Err(DeviceError::new(what, mend));
        }
        Ok(patch)
    }
}

/// Closing may hang with the server: whatever this holds is dropped on a thread that can be left behind.
struct Held<T: Send + 'static>(Option<T>);

impl<T: Send + 'static> Held<T> {
    fn take(mut self) -> Option<T> {
        self.0.take()
    }
}

impl<T: Send + 'static> Drop for Held<T> {
    fn drop(&mut self) {
        if let Some(held) = self.0.take() {
            let _ = abandon::within(CLOSE, "fogbell-jack-close", move || drop(held));
        }
    }
}

struct OpenedJack {
    negotiated: Negotiated,
    stopped: Held<Stopped>,
}

/// A client with its ports, not yet active.
struct Stopped {
    client: Client,
    inputs: Vec<Port<AudioIn>>,
    outputs: Vec<Port<AudioOut>>,
    patch: Patch,
    attached: Attached,
}

/// Clients that are attached to a server, closing ones included.
static ATTACHED: AtomicUsize = AtomicUsize::new(0);

/// Some client of this process is still attached: its server may be dead or hang, and opening another one then ends
/// the process (see [`Probe`]). Look before a device is opened again.
pub fn attached() -> bool {
    ATTACHED.load(Relaxed) > 0
}

/// Counts a client until it is dropped: keep it after the client.
struct Attached(());

impl Attached {
    fn new() -> Attached {
        ATTACHED.fetch_add(1, Relaxed);
        Attached(())
    }
}

impl Drop for Attached {
    fn drop(&mut self) {
        ATTACHED.fetch_sub(1, Relaxed);
    }
}

impl OpenedJack {
    fn new(setup: &OpenSetup) -> Result<OpenedJack, DeviceError> {
        let client = connect()?;
        let rate = rate_of(&client, setup.rate)?;
        let patch = Patch::new(&client, &setup.device)?;
        let input_names = port_names(&setup.input_names, setup.inputs, "in");
        let output_names = port_names(&setup.output_names, setup.outputs, "out");
        let inputs = register::<AudioIn>(&client, &input_names)?;
        let outputs = register::<AudioOut>(&client, &output_names)?;
        let negotiated = Negotiated {
            host: HOST.into(),
            device: match setup.device.as_str() {
                "" | "none" => format!("JACK client {}, to be patched by hand", client.name()),
                to => format!("JACK client {}, patched to {to}", client.name()),
            },
            id: setup.device.clone(),
            rate,
            block: client.buffer_size(),
            max_block: MAX_BLOCK as u32,
            inputs: setup.inputs,
            outputs: setup.outputs,
            duplex: true,
            claimed_latency: claimed_latency(&client, &patch),
            second: None,
        };
        Ok(OpenedJack {
            negotiated,
            stopped: Held(Some(Stopped { client, inputs, outputs, patch, attached: Attached::new() })),
        })
    }
}

fn rate_of(client: &Client, asked: SampleRate) -> Result<SampleRate, DeviceError> {
    let server = client.sample_rate();
    if server == asked.hertz() {
        return Ok(asked);
    }
    let what =
        format!("the JACK server runs at {server} frames a second, the rig asks for {}", asked.hertz());
    let mend = format!("write rate = {server} in the rig, or restart the server with -r {}", asked.hertz());
    Err(DeviceError::new(what, mend))
}

/// The longest round trip through the connected ports as their drivers claim it.
fn claimed_latency(client: &Client, patch: &Patch) -> Option<Frames> {
    let worst = |ports: &[String], direction| {
        let ports = ports.iter().filter_map(|name| client.port_by_name(name));
        ports.map(|port| i64::from(port.get_latency_range(direction).1)).max()
    };
    let out = worst(&patch.playbacks, LatencyType::Playback)?;
    Some(Frames(out + worst(&patch.captures, LatencyType::Capture)?))
}

/// The names asked for, made fit for JACK and unique; "out_3" where none is given.
fn port_names(asked: &[String], count: u16, direction: &str) -> Vec<String> {
    let mut names: Vec<String> = Vec::new();
    for index in 0..usize::from(count) {
        let wanted = asked.get(index).map(|name| fit(name)).filter(|name| !name.is_empty());
        let wanted = wanted.unwrap_or_else(|| format!("{direction}_{}", index + 1));
        let mut name = wanted.clone();
        let mut copy = 2;
        while names.contains(&name) {
            name = format!("{wanted} {copy}");
            copy += 1;
        }
        names.push(name);
    }
    names
}

/// A colon parts client from port; names longer than 64 bytes may not fit beside the client's.
fn fit(name: &str) -> String {
    let mut fit: String = name.chars().map(|c| if c == ':' || c.is_control() { ' ' } else { c }).collect();
    while fit.len() > 64 {
        fit.pop();
    }
    fit.trim().to_owned()
}

fn register<P: jack::PortSpec + Default>(
    client: &Client,
    names: &[String],
) -> Result<Vec<Port<P>>, DeviceError> {
    let port = |name: &String| {
        client.register_port(name, P::default()).map_err(|fault| {
            let what = format!("the JACK server refuses the port \"{name}\": {fault}");
            DeviceError::new(what, "use fewer or other names in the rig, or raise the server's port limit")
        })
    };
    names.iter().map(port).collect()
}

impl Opened for OpenedJack {
    fn negotiated(&self) -> &Negotiated {
        &self.negotiated
    }

    fn start(self: Box<Self>, process: Box<dyn Process>) -> Result<Box<dyn Running>, DeviceError> {
        let pulse = Arc::new(Pulse::default());
        let theirs = Arc::clone(&pulse);
        let Some(stopped) = self.stopped.take() else { return no_answer() };
        let active = abandon::within(ANSWER, "fogbell-jack-start", move || stopped.activate(process, theirs));
        let active = active.unwrap_or_else(no_answer)?;
        Ok(Box::new(RunningJack { pulse, active: Held(Some(Arc::new(active))), probe: Probe::default() }))
    }
}

/// The client first: what counts it is dropped after it.
struct Active {
    client: jack::AsyncClient<Notes, Callback>,
    _attached: Attached,
}

impl Stopped {
    fn activate(self, process: Box<dyn Process>, pulse: Arc<Pulse>) -> Result<Active, DeviceError> {
        let name = self.client.name().to_owned();
        let short = |port: Result<String, jack::Error>| format!("{name}:{}", port.unwrap_or_default());
        let outputs: Vec<String> = self.outputs.iter().map(|port| short(port.short_name())).collect();
        let inputs: Vec<String> = self.inputs.iter().map(|port| short(port.short_name())).collect();
        let freewheel = Arc::new(AtomicBool::new(false));
        let rate = f64::from(self.client.sample_rate());
        let callback = Callback {
            io: Io::new(inputs.len(), outputs.len(), MAX_BLOCK),
            inputs: self.inputs,
            outputs: self.outputs,
            process,
            pulse: Arc::clone(&pulse),
            freewheel: Arc::clone(&freewheel),
            time: Time::new(rate),
            next: FramePos(0),
        };
        let active = self.client.activate_async(Notes { pulse, freewheel }, callback).map_err(|fault| {
            DeviceError::new(
                format!("the JACK server does not start our client: {fault}"),
                "restart the server",
            )
        })?;
        let active = Active { client: active, _attached: self.attached };
        let leaving = outputs.iter().zip(&self.patch.playbacks);
        let entering = self.patch.captures.iter().zip(&inputs);
        for (from, to) in leaving.chain(entering) {
            active.client.as_client().connect_ports_by_name(from, to).map_err(|fault| {
                DeviceError::new(format!("{from} cannot be connected to {to}: {fault}"), "patch it by hand")
            })?;
        }
        Ok(active)
    }
}

/// What the server tells from another thread.
struct Notes {
    pulse: Arc<Pulse>,
    freewheel: Arc<AtomicBool>,
}

impl jack::NotificationHandler for Notes {
    fn freewheel(&mut self, _: &Client, is_freewheel_enabled: bool) {
        self.freewheel.store(is_freewheel_enabled, Relaxed);
    }

    fn xrun(&mut self, _: &Client) -> Control {
        self.pulse.xrun();
        Control::Continue
    }
}

/// All that runs on libjack's audio thread.
struct Callback {
    inputs: Vec<Port<AudioIn>>,
    outputs: Vec<Port<AudioOut>>,
    io: Io,
    process: Box<dyn Process>,
    pulse: Arc<Pulse>,
    freewheel: Arc<AtomicBool>,
    time: Time,
    next: FramePos,
}

impl jack::ProcessHandler for Callback {
    fn process(&mut self, _: &Client, scope: &ProcessScope) -> Control {
        if self.pulse.is_first() {
            priority::note_this_thread(&self.pulse);
        }
        let frames = scope.n_frames();
        let cycle = Cycle {
            frame_time: scope.last_frame_time(),
            microseconds: self.pulse.microseconds(),
            frames,
            xruns: self.pulse.xruns(),
            freewheel: self.freewheel.load(Relaxed),
        };
        let lost = self.time.lost_before(cycle);
        self.next = self.next + lost;
        self.io.lost = lost;
        self.pulse.lost(lost.0.unsigned_abs());
        let mut from = 0;
        while from < frames as usize {
            let piece = (frames as usize - from).min(MAX_BLOCK);
            self.run(scope, from, piece);
            from += piece;
        }
        self.pulse.beat(u64::from(frames));
        Control::Continue
    }
}

impl Callback {
    fn run(&mut self, scope: &ProcessScope, from: usize, frames: usize) {
        self.io.at = self.next;
        self.io.frames = frames;
        self.io.input_offset = Frames(0);
        for (index, port) in self.inputs.iter().enumerate() {
            let heard = port.as_slice(scope).iter().skip(from);
            for (sample, heard) in self.io.input.channel_mut(index, frames).iter_mut().zip(heard) {
                *sample = *heard;
            }
        }
        self.process.process(&mut self.io);
        for (index, port) in self.outputs.iter_mut().enumerate() {
            let leaving = port.as_mut_slice(scope).iter_mut().skip(from);
            for (sample, made) in leaving.zip(self.io.output.channel(index, frames)) {
                *sample = *made;
            }
        }
        self.next = self.next + Frames(frames as i64);
        self.io.lost = Frames(0);
    }
}

struct RunningJack {
    pulse: Arc<Pulse>,
    active: Held<Arc<Active>>,
    probe: Probe,
}

impl Running for RunningJack {
    fn health(&mut self) -> Health {
        let mut health = self.pulse.health(HealthState::Running);
        match (&health.state, &self.active.0) {
            (HealthState::Stalled, Some(active)) => {
                if self.probe.server_is_gone(active) {
                    health.state = HealthState::Lost("the JACK server is gone".into());
                }
            }
            _ => self.probe = Probe::default(),
        }
        health
    }

    fn stop(self: Box<Self>) {
        // Taken out, deactivated and dropped where a server that hangs cannot hold us.
        drop(self.active);
    }
}

/// Whether a silent server is still there: it is asked something once a silence, on another thread.
///
/// libjack's own word of a server's end comes to a handler that only unsafe code may give it; opening a
/// second client while ours is attached to a dead server ends the process with a segmentation fault
/// (seen with libjack 1.9.21).
#[derive(Default)]
enum Probe {
    #[default]
    NotAsked,
    Asked(Receiver<bool>),
    Answered {
        gone: bool,
    },
}

impl Probe {
    fn server_is_gone(&mut self, active: &Arc<Active>) -> bool {
        if let Probe::NotAsked = self {
            *self = Probe::ask(Arc::clone(active));
        }
        if let Probe::Asked(answer) = self {
            match answer.try_recv() {
                Ok(gone) => *self = Probe::Answered { gone },
                Err(TryRecvError::Empty) => {}
                Err(TryRecvError::Disconnected) => *self = Probe::Answered { gone: false },
            }
        }
        matches!(self, Probe::Answered { gone: true })
    }

    fn ask(active: Arc<Active>) -> Probe {
        let (answer, wait) = sync_channel(1);
        let ask = move || {
            let client = active.client.as_client();
            let gone = client.uuid_of_client_by_name(client.name()).is_none();
            drop(active);
            // Nobody may be waiting any more.
            let _ = answer.send(gone);
        };
        let thread = std::thread::Builder::new().name("fogbell-jack-probe".into()).spawn(ask);
        if thread.is_ok() { Probe::Asked(wait) } else { Probe::Answered { gone: false } }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn port_names_are_unique_and_fit_for_jack() {
        let asked = ["Wren: click", "band", "", "band", "\u{7}"].map(str::to_owned);
        let names = port_names(&asked, 6, "out");
        assert_eq!(names, ["Wren  click", "band", "out_3", "band 2", "out_5", "out_6"]);
        assert!(port_names(&["é".repeat(80)], 1, "in")[0].len() <= 64);
    }
}
