//! Files to everything a run needs, with an interface that is open.

use super::Args;
use crate::cli::{Outcome, files};
use crate::click::prepare::prepare;
use crate::click::set::Set;
use crate::device::{self, DeviceError, Interface, Negotiated, OpenSetup, Opened};
use crate::exposure::Ears;
use crate::log::read::is_log;
use crate::realtime::setup::EngineSetup;
use crate::realtime::wiring::{self, Ports, wire};
use crate::renderer::plan_streams;
use crate::show::model::{Outlet, Rig, Show};
use crate::show::{self, RefusedSong};
use crate::units::SampleRate;
use std::io::{Read as _, Seek, SeekFrom};
use std::path::Path;
use std::sync::Arc;
use std::time::{Duration, Instant};

/// A show on an interface, ready to start.
pub struct Night {
    pub show: Show,
    pub rig: Rig,
    pub refused: Vec<RefusedSong>,
    pub notes: Vec<String>,
    pub set: Arc<Set>,
    pub setup: EngineSetup,
    pub ears: Ears,
    pub negotiated: Negotiated,
    pub opened: Box<dyn Opened>,
    /// How it was asked for: for when it is to be opened again.
    pub open: OpenSetup,
    /// When this was asked for, and how long the device took to open.
    pub launched: Instant,
    pub opened_in: Duration,
}

/// Why a run does not begin.
pub struct Refusal {
    pub text: String,
    pub outcome: Outcome,
}

impl Refusal {
    fn input(text: impl Into<String>) -> Refusal {
        Refusal { text: text.into(), outcome: Outcome::NotUnderstood }
    }

    pub fn world(text: impl Into<String>) -> Refusal {
        Refusal { text: text.into(), outcome: Outcome::FellShort }
    }

    pub fn tell(&self, json: bool) -> Outcome {
        if json {
            super::say(&serde_json::json!({ "outcome": "not started", "error": self.text.trim_start_matches("error: ") }).to_string());
        } else {
            super::complain(&self.text);
        }
        self.outcome
    }
}

impl From<DeviceError> for Refusal {
    fn from(error: DeviceError) -> Refusal {
        Refusal::world(format!("error: {error}"))
    }
}

/// A show as read, for the start and for reading it again at sound check.
pub use crate::cli::files::ReadShow as Read;

/// Errors: the file cannot be read, or nothing in it can be played.
pub fn read(path: &Path) -> Result<Read, Refusal> {
    files::show(path).map_err(Refusal::input)
}

/// Sounds, grids and streams at a rate. Errors: sounds that cannot be used.
pub fn ready_set(show: &Show, rate: SampleRate) -> Result<(Set, Vec<String>), Refusal> {
    let mut prepared = prepare(show, rate).map_err(|faults| {
        let lines: Vec<String> = faults.iter().map(|fault| format!("error: {fault}")).collect();
        Refusal::input(lines.join("\n"))
    })?;
    let mut notes = prepared.notes;
    notes.extend(plan_streams(show, &mut prepared.set));
    Ok((prepared.set, notes))
}

impl Night {
    pub fn open(args: &Args) -> Result<Night, Refusal> {
        let launched = Instant::now();
        let Read { show, refused, told } = read(&args.show)?;
        if !refused.is_empty() {
            super::complain(&told);
            for song in &refused {
                super::complain(&format!("left out tonight: {} (line {})", song.title, song.line));
            }
        }
        let mut rig = rig(args.rig.as_deref(), &show)?;
        if let Some(rate) = args.at_rate.and_then(SampleRate::new) {
            rig.interface.rate = rate;
        }
        slots_fit(&show, &rig, &args.show)?;
        let mut interface = device::for_rig(&rig)?;
        let (outlets, folded) = outlets(&rig, interface.as_ref())?;
        let mut open = open_setup(&rig, outlets);
        if let (Some((output, input)), None) = (rig.spare_loop, &folded) {
            (open.outputs, open.inputs) = (open.outputs.max(output), open.inputs.max(input));
        }
        let opening = Instant::now();
        let opened = opened(args, &rig, interface.as_mut(), &open)?;
        let opened_in = opening.elapsed();
        let negotiated = opened.negotiated().clone();
        let (set, mut notes) = ready_set(&show, negotiated.rate)?;
        notes.extend(folded);
        let ports = Ports {
            rate: negotiated.rate,
            max_block: negotiated.max_block,
            inputs: negotiated.inputs,
            outputs: negotiated.outputs,
        };
        let mut setup = wire(&show, &device::placed(&rig, &negotiated), ports, true)
            .map_err(|fault| Refusal::input(format!("error: {fault}")))?;
        let wired = wiring::outlets(&rig, ports.outputs).unwrap_or(&rig.outputs);
        if let Some(peer) = setup.peer.as_mut().filter(|peer| !peer.backup) {
            peer.returning = args.returning || args.rejoin || ended_badly(&args.log_folder());
        }
        let ears = Ears::new(&rig, wired, negotiated.rate);
        let set = Arc::new(set);
        Ok(Night {
            show,
            rig,
            refused,
            notes,
            set,
            setup,
            ears,
            negotiated,
            opened,
            open,
            launched,
            opened_in,
        })
    }
}

/// A night that goes on waits for its device, or plays on the spare one; a new one says what is wrong.
fn opened(
    args: &Args,
    rig: &Rig,
    interface: &mut dyn Interface,
    setup: &OpenSetup,
) -> Result<Box<dyn Opened>, Refusal> {
    let began = Instant::now();
    let mut told = String::new();
    loop {
        let error = match interface.open(setup) {
            Ok(opened) => return Ok(opened),
            Err(error) => error,
        };
        let patience = args.give_up_after.is_none_or(|limit| began.elapsed() < limit);
        if !args.rejoin || !patience {
            return Err(error.into());
        }
        if let Some(spare) = &rig.spare
            && let Ok(mut interface) = device::choose_in(spare, &rig.folder)
            && let Ok(opened) = interface.open(&OpenSetup {
                device: spare.device.clone(),
                block: spare.block,
                ..setup.clone()
            })
        {
            super::complain(&format!("the spare device plays: {}", error.what));
            return Ok(opened);
        }
        if std::mem::replace(&mut told, error.what.clone()) != error.what {
            super::complain(&format!("no device yet: {error}"));
        }
        std::thread::sleep(Duration::from_millis(150));
    }
}

/// Where timecode is sent or followed, every song has room for it.
fn slots_fit(show: &Show, rig: &Rig, path: &Path) -> Result<(), Refusal> {
    if !rig.has_timecode() {
        return Ok(());
    }
    let faults = show::slots::faults(show, crate::tempo::length::song_seconds);
    if faults.is_empty() {
        return Ok(());
    }
    Err(Refusal::input(show::render(&faults, &show.text, &path.display().to_string(), false)))
}

fn rig(path: Option<&Path>, show: &Show) -> Result<Rig, Refusal> {
    let Some(path) = path else { return Ok(show::default_rig(show)) };
    files::rig(path, show).map_err(Refusal::input)
}

/// What leaves where on this interface: the rig's outputs, or a fold of them where it has fewer; with a
/// sentence about the fold.
fn outlets<'r>(rig: &'r Rig, interface: &dyn Interface) -> Result<(&'r [Outlet], Option<String>), Refusal> {
    let there = if rig.folds.is_empty() { None } else { device::outputs_of(interface, &rig.interface) };
    let Some(there) = there else { return Ok((&rig.outputs, None)) };
    let outlets = wiring::outlets(rig, there).map_err(|fault| Refusal::input(format!("error: {fault}")))?;
    if outlets == rig.outputs {
        return Ok((outlets, None));
    }
    let words = format!(
        "this interface has {there} outputs, so feeds are folded: {}",
        crate::cli::check::set_list::fold_text(outlets)
    );
    super::complain(&words);
    Ok((outlets, Some(words)))
}

fn open_setup(rig: &Rig, outlets: &[Outlet]) -> OpenSetup {
    let lines = rig.timecode.iter().map(|line| line.output).chain(rig.spare_loop.map(|(output, _)| output));
    let outputs =
        outlets.iter().flat_map(|outlet| outlet.channels.iter().copied()).chain(lines).max().unwrap_or(1);
    let named = input_names(rig);
    let inputs = named.iter().map(|(_, channel)| *channel).max().unwrap_or(0);
    let mut setup = device::setup_for(&rig.interface, inputs, outputs);
    setup.output_names = port_names(rig, outlets, outputs);
    setup.input_names = (1..=inputs)
        .map(|channel| {
            named.iter().find(|(_, c)| *c == channel).map_or(String::new(), |(name, _)| name.clone())
        })
        .collect();
    setup
}

/// Every input that the rig uses, with its name.
fn input_names(rig: &Rig) -> Vec<(String, u16)> {
    let mut named = rig.inputs.clone();
    if let Some(main) = &rig.main {
        named.push(("main_timecode".into(), main.timecode));
        named.extend(main.click.as_ref().map(|(channel, _)| ("main_click".into(), *channel)));
    }
    named.extend(rig.return_line.map(|channel| ("backup_timecode".into(), channel)));
    named.extend(rig.spare_loop.map(|(_, input)| ("loop".into(), input)));
    for line in &rig.exposure {
        named.extend(line.returns.iter().map(|input| (format!("ears_{}_{input}", line.feed), *input)));
    }
    named
}

/// Ports are named after the feeds: "drums", or "band_left" and "band_right".
fn port_names(rig: &Rig, outlets: &[Outlet], outputs: u16) -> Vec<String> {
    let name = |channel: u16| {
        if rig.timecode.as_ref().is_some_and(|line| line.output == channel) {
            return Some("timecode".into());
        }
        if rig.spare_loop.is_some_and(|(output, _)| output == channel) {
            return Some("loop".into());
        }
        let outlet = outlets.iter().find(|outlet| outlet.channels.contains(&channel))?;
        let feeds = outlet.feeds.join("+");
        let side = outlet.channels.iter().position(|c| *c == channel)?;
        Some(match (outlet.channels.len(), side) {
            (1, _) => feeds,
            (_, 0) => format!("{feeds}_left"),
            _ => format!("{feeds}_right"),
        })
    };
    (1..=outputs).map(|channel| name(channel).unwrap_or_default()).collect()
}

/// The last night in this folder has no end and is not old: this machine comes back in the middle of one.
fn ended_badly(folder: &Path) -> bool {
    let Ok(entries) = std::fs::read_dir(folder) else { return false };
    let logs = entries.flatten().filter(|entry| is_log(&entry.path()));
    let newest = logs.filter_map(|entry| Some((entry.metadata().ok()?.modified().ok()?, entry.path()))).max();
    let Some((written, path)) = newest else { return false };
    let fresh = written.elapsed().is_ok_and(|age| age < STILL_TONIGHT);
    let text = end_of(&path).unwrap_or_default();
    fresh && !text.lines().rev().take(20).any(|line| line.contains("\"event\":\"end\""))
}

/// The last part of a file: a night's log may be long.
fn end_of(path: &Path) -> std::io::Result<String> {
    const PART: u64 = 64 * 1024;
    let mut file = std::fs::File::open(path)?;
    let length = file.metadata()?.len();
    file.seek(SeekFrom::Start(length.saturating_sub(PART)))?;
    let mut part = Vec::new();
    file.take(PART).read_to_end(&mut part)?;
    Ok(String::from_utf8_lossy(&part).into_owned())
}

/// A log without an end that was written to within this time belongs to the night that goes on.
const STILL_TONIGHT: Duration = Duration::from_secs(3600);
