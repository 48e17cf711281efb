//! The scripted world behind the virtual interface: what its outputs are patched to, what its inputs
//! hear, and what goes wrong when.

use super::ills::{Hum, Standing, Twin};
use crate::device::DeviceError;
use crate::units::{Decibels, FramePos};
use serde::Deserialize;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// Everything a virtual interface is made of. Channels count from 1, as on a stage box.
///
/// A world in a file (every key may be left out):
/// ```
/// let world = fogbell::device::virtual_interface::World::from_toml(r#"
/// inputs = 2
/// outputs = 4
/// drift-ppm = 20
/// blocks = { fixed = 128 }
/// cables = [{ output = 1, input = 1, delay-frames = 300.25, gain = 0.5 }]
/// noises = [{ input = 1, level = -60, seed = 7 }]
/// faults = [{ at = 96000, kind = "late-by", frames = 256 }]
/// "#).unwrap();
/// assert_eq!(world.cables[0].delay_frames, 300.25);
/// ```
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(default, deny_unknown_fields, rename_all = "kebab-case")]
pub struct World {
    pub inputs: u16,
    pub outputs: u16,
    pub cables: Vec<Cable>,
    pub sends: Vec<SendTo>,
    pub receives: Vec<ReceiveFrom>,
    pub tapes: Vec<Tape>,
    pub noises: Vec<Noise>,
    pub mics: Vec<Mic>,
    pub hums: Vec<Hum>,
    pub standing: Vec<Standing>,
    pub twins: Vec<Twin>,
    /// Inputs that are silent whatever comes in.
    pub dead: Vec<u16>,
    /// How much faster than its rate the device's clock runs: real time and microphones feel it.
    pub drift_ppm: f64,
    /// In real time, callbacks come late by up to this share of a block, each by another.
    pub jitter: f64,
    pub faults: Vec<Fault>,
    /// How much of each callback's time the host says that it took itself.
    pub loads: Vec<Load>,
    /// `None`: the block that is asked for on opening.
    pub blocks: Option<Blocks>,
    /// Inputs end at full scale, as converters do.
    pub clip_inputs: bool,
    /// When the computer sleeps through more than [`super::CATCH_UP`], the frames are lost as on a device; otherwise
    /// the interface runs behind.
    pub late_is_lost: bool,
}

impl Default for World {
    fn default() -> World {
        World {
            inputs: 8,
            outputs: 16,
            cables: Vec::new(),
            sends: Vec::new(),
            receives: Vec::new(),
            tapes: Vec::new(),
            noises: Vec::new(),
            mics: Vec::new(),
            hums: Vec::new(),
            standing: Vec::new(),
            twins: Vec::new(),
            dead: Vec::new(),
            drift_ppm: 0.0,
            jitter: 0.0,
            faults: Vec::new(),
            loads: Vec::new(),
            blocks: None,
            clip_inputs: false,
            late_is_lost: false,
        }
    }
}

/// An output patched to an input.
#[derive(Clone, Copy, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct Cable {
    pub output: u16,
    pub input: u16,
    /// From the output's frame to the input's; at least the largest block, and 31 frames more when it
    /// is no whole number (the band-limited interpolation looks ahead).
    pub delay_frames: f64,
    #[serde(default = "unity")]
    pub gain: f64,
}

/// An output patched to another process on this computer, over the loopback.
///
/// A world in a file, and the other process's:
/// ```
/// use fogbell::device::virtual_interface::World;
/// let main = World::from_toml(r#"
/// [[sends]]
/// output = 3
/// to = "127.0.0.1:47001"
/// channel = 1
/// "#).unwrap();
/// let backup = World::from_toml(r#"
/// [[receives]]
/// input = 1
/// from = "127.0.0.1:47001"
/// channel = 1
/// delay-frames = 2048
/// "#).unwrap();
/// assert_eq!(main.sends[0].to, backup.receives[0].from);
/// ```
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct SendTo {
    pub output: u16,
    pub to: SocketAddr,
    /// Tells the channels of one port apart.
    #[serde(default = "first_channel")]
    pub channel: u16,
    /// The lead is pulled at this frame.
    #[serde(default)]
    pub until: Option<FramePos>,
}

/// An input that hears what another process on this computer sends to a port.
///
/// What does not come is silence. While it comes the delay is constant, and the sender's drift against this
/// interface's is heard as on a real cable.
#[derive(Clone, Copy, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct ReceiveFrom {
    pub input: u16,
    pub from: SocketAddr,
    #[serde(default = "first_channel")]
    pub channel: u16,
    /// Frames in hand against blocks that come late; a block of each side comes on top. One port has one delay.
    #[serde(default = "frames_in_hand")]
    pub delay_frames: u32,
    #[serde(default = "unity")]
    pub gain: f64,
}

/// A tape machine on an output, for what outlives the program: in real time only.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct Tape {
    pub output: u16,
    /// 32-bit floats; looked for beside the world's file.
    pub file: PathBuf,
    /// Frame 0 of the tape, in nanoseconds of the boot-time clock.
    #[serde(default)]
    pub starts_ns: i64,
}

/// White Gaussian noise on an input, the same for the same seed however the time is cut into blocks.
#[derive(Clone, Copy, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct Noise {
    pub input: u16,
    /// RMS, 0 dB being a full-scale square.
    pub level: Decibels,
    #[serde(default)]
    pub seed: u64,
}

/// A recording that an input hears.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct Mic {
    pub input: u16,
    #[serde(flatten)]
    pub sound: MicSound,
    #[serde(default)]
    pub looped: bool,
    /// Frame of its first sample.
    #[serde(default)]
    pub at: FramePos,
    #[serde(default = "unity")]
    pub gain: f64,
}

#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum MicSound {
    /// First channel of a WAV, brought to the device's rate.
    File(PathBuf),
    /// Samples at the device's nominal rate.
    #[serde(skip)]
    Samples(Arc<[f32]>),
}

/// Something that goes wrong at a frame. Blocks are cut there, so that it happens on that frame whatever
/// the block size.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct Fault {
    pub at: FramePos,
    pub kind: FaultKind,
    /// How long. Needed by `late-by`; without it a stall, an absence or a repeat lasts to the end.
    #[serde(default)]
    pub frames: Option<u32>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum FaultKind {
    /// The next callback comes that late and its frames are lost: an xrun.
    LateBy,
    /// Callbacks stop and no error comes.
    Stall,
    /// The device is pulled; with `frames` it comes back by itself.
    Vanish,
    /// The computer is frozen and its interface plays its last block over and over: callbacks stop, the
    /// outputs and everything patched to them go on.
    Repeat,
}

/// From a frame on the host takes this share of every callback's time; nothing is truly burnt, so that no other test
/// is disturbed.
#[derive(Clone, Copy, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct Load {
    pub at: FramePos,
    pub share: f64,
}

/// Frames of each callback.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Blocks {
    Fixed(u32),
    /// Any size from `smallest` to `largest`, drawn from `seed`.
    Ragged {
        smallest: u32,
        largest: u32,
        seed: u64,
    },
    /// In turn, then again from the first.
    Listed(Vec<u32>),
}

impl Blocks {
    pub fn largest(&self) -> u32 {
        match self {
            Blocks::Fixed(frames) => *frames,
            Blocks::Ragged { largest, .. } => *largest,
            Blocks::Listed(list) => list.iter().copied().max().unwrap_or(0),
        }
    }

    fn smallest(&self) -> u32 {
        match self {
            Blocks::Fixed(frames) => *frames,
            Blocks::Ragged { smallest, .. } => *smallest,
            Blocks::Listed(list) => list.iter().copied().min().unwrap_or(0),
        }
    }
}

fn unity() -> f64 {
    1.0
}

fn first_channel() -> u16 {
    1
}

fn frames_in_hand() -> u32 {
    1024
}

impl World {
    /// Errors: what the text gets wrong, with line and mend.
    pub fn from_toml(text: &str) -> Result<World, DeviceError> {
        toml::from_str(text).map_err(|fault| {
            DeviceError::new(
                format!("the world of the virtual interface cannot be read: {fault}"),
                "write only the keys inputs, outputs, cables, sends, receives, tapes, noises, mics, hums, standing, twins, dead, drift-ppm, jitter, faults, loads, blocks, clip-inputs, late-is-lost",
            )
        })
    }

    /// Reads a world; files it names are looked for beside it.
    pub fn read(path: &Path) -> Result<World, DeviceError> {
        let text = std::fs::read_to_string(path).map_err(|fault| {
            let what = format!("the world file {} cannot be read: {fault}", path.display());
            DeviceError::new(what, "name a TOML file that is there, as device = \"world.toml\" in the rig")
        })?;
        let mut world = World::from_toml(&text)
            .map_err(|error| DeviceError { what: format!("{}: {}", path.display(), error.what), ..error })?;
        let folder = path.parent().unwrap_or(Path::new(""));
        for mic in &mut world.mics {
            if let MicSound::File(file) = &mut mic.sound {
                *file = folder.join(&*file);
            }
        }
        for tape in &mut world.tapes {
            tape.file = folder.join(&tape.file);
        }
        Ok(world)
    }

    /// Errors: the first thing that no world can have, with the mend.
    pub fn check(&self, blocks: &Blocks) -> Result<(), DeviceError> {
        self.check_blocks(blocks)?;
        self.check_channels()?;
        if !self.drift_ppm.is_finite() || self.drift_ppm.abs() > 10_000.0 {
            let what = format!("drift-ppm is {}", self.drift_ppm);
            return Err(DeviceError::new(what, "write a drift between -10000 and 10000"));
        }
        if !(0.0..=1.0).contains(&self.jitter) {
            let what = format!("jitter is {}", self.jitter);
            return Err(DeviceError::new(what, "write a share of a block, from 0 to 1"));
        }
        if let Some(load) = self.loads.iter().find(|load| !(0.0..=10.0).contains(&load.share)) {
            let what = format!("the load at frame {} is {}", load.at.0, load.share);
            return Err(DeviceError::new(what, "write a share of a callback's time, from 0 to 10"));
        }
        for cable in &self.cables {
            check_cable(cable, blocks.largest())?;
        }
        self.check_lines()?;
        for fault in &self.faults {
            if fault.kind == FaultKind::LateBy && fault.frames.is_none() {
                let what = format!("the late-by fault at frame {} does not say how late", fault.at.0);
                return Err(DeviceError::new(what, "add frames = 256 to it"));
            }
        }
        Ok(())
    }

    fn check_lines(&self) -> Result<(), DeviceError> {
        for send in &self.sends {
            check_loopback(&format!("output {} is sent to", send.output), send.to)?;
        }
        for receive in &self.receives {
            check_loopback(&format!("input {} hears", receive.input), receive.from)?;
            if !IN_HAND.contains(&receive.delay_frames) || !receive.gain.is_finite() {
                let what = format!(
                    "input {} hears {} after {} frames, at gain {}",
                    receive.input, receive.from, receive.delay_frames, receive.gain
                );
                let mend = format!("write delay-frames from {} to {}", IN_HAND.start(), IN_HAND.end());
                return Err(DeviceError::new(what, mend));
            }
            let beside = |other: &&ReceiveFrom| other.from == receive.from;
            let mut here = self.receives.iter().filter(beside);
            if here.any(|other| other.delay_frames != receive.delay_frames) {
                let what = format!("the channels of {} have different delays", receive.from);
                return Err(DeviceError::new(what, "write the same delay-frames at each of them"));
            }
        }
        let clash = |one: &SendTo, two: &SendTo| one.to == two.to && one.channel == two.channel;
        for (index, one) in self.sends.iter().enumerate() {
            if let Some(two) = self.sends[..index].iter().find(|two| clash(one, two)) {
                let what = format!(
                    "outputs {} and {} are both channel {} of {}",
                    two.output, one.output, one.channel, one.to
                );
                return Err(DeviceError::new(what, "write another channel = at one of them"));
            }
        }
        Ok(())
    }

    fn check_blocks(&self, blocks: &Blocks) -> Result<(), DeviceError> {
        let (smallest, largest) = (blocks.smallest(), blocks.largest());
        if smallest == 0 || smallest > largest || largest as usize > crate::device::MAX_BLOCK {
            let what = format!("blocks of {smallest} to {largest} frames");
            let mend = format!("write sizes from 1 to {}, the smallest first", crate::device::MAX_BLOCK);
            return Err(DeviceError::new(what, mend));
        }
        Ok(())
    }

    fn check_channels(&self) -> Result<(), DeviceError> {
        let inputs = self.cables.iter().map(|cable| cable.input);
        let inputs = inputs.chain(self.noises.iter().map(|noise| noise.input));
        let inputs = inputs.chain(self.mics.iter().map(|mic| mic.input));
        let inputs = inputs.chain(self.receives.iter().map(|receive| receive.input));
        let inputs = inputs.chain(self.hums.iter().map(|hum| hum.input));
        let inputs = inputs.chain(self.standing.iter().map(|standing| standing.input));
        let inputs = inputs.chain(self.twins.iter().flat_map(|twin| [twin.input, twin.of]));
        let inputs = inputs.chain(self.dead.iter().copied());
        let outputs = self.cables.iter().map(|cable| cable.output);
        let outputs = outputs.chain(self.sends.iter().map(|send| send.output));
        let outputs = outputs.chain(self.tapes.iter().map(|tape| tape.output));
        let inputs = inputs.map(|channel| ("input", channel, self.inputs));
        let outputs = outputs.map(|channel| ("output", channel, self.outputs));
        for (name, channel, count) in inputs.chain(outputs) {
            if channel == 0 || channel > count {
                let what = format!("the world uses {name} {channel} of {count}");
                return Err(DeviceError::new(what, format!("{name}s count from 1 to {count}")));
            }
        }
        Ok(())
    }
}

/// Frames in hand that a line may have.
const IN_HAND: std::ops::RangeInclusive<u32> = 64..=8192;

/// Sound never leaves the computer this way, and none comes in.
fn check_loopback(who: &str, address: SocketAddr) -> Result<(), DeviceError> {
    if address.ip().is_loopback() && address.port() != 0 {
        return Ok(());
    }
    let what = format!("{who} {address}, and lines between processes stay on this computer");
    Err(DeviceError::new(what, "write 127.0.0.1 and a port, such as \"127.0.0.1:47001\""))
}

fn check_cable(cable: &Cable, largest: u32) -> Result<(), DeviceError> {
    let fractional = cable.delay_frames.fract() != 0.0;
    let least = f64::from(largest) + if fractional { super::sinc::AHEAD as f64 } else { 0.0 };
    // Ten minutes at the highest rate: more is a slip of the pen.
    let most = 600.0 * 384_000.0;
    if !(least..=most).contains(&cable.delay_frames) {
        let what = format!(
            "the cable from output {} to input {} delays by {} frames",
            cable.output, cable.input, cable.delay_frames
        );
        let mend = format!("a sound cannot be back before its block has left: write {least} or more");
        return Err(DeviceError::new(what, mend));
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_world_in_a_file_means_what_it_says() {
        let text = r#"
            inputs = 2
            outputs = 2
            mics = [{ input = 2, file = "crowd.wav", looped = true }]
            faults = [{ at = 480, kind = "vanish", frames = 9 }, { at = 960, kind = "stall" }]
            blocks = { ragged = { smallest = 1, largest = 512, seed = 3 } }
            clip-inputs = true
        "#;
        let world = World::from_toml(text).unwrap();
        assert_eq!(world.mics[0].sound, MicSound::File("crowd.wav".into()));
        assert_eq!(world.faults[0].frames, Some(9));
        let blocks = world.blocks.clone().unwrap();
        assert_eq!((blocks.largest(), world.clip_inputs), (512, true));
        world.check(&blocks).unwrap();
    }

    #[test]
    fn a_world_with_an_unknown_key_is_refused_by_name() {
        let error = World::from_toml("cabels = []").unwrap_err();
        assert!(error.what.contains("cabels"), "{error}");
    }

    fn with_lines(lines: &str) -> Result<(), String> {
        let world = World::from_toml(lines).map_err(|error| error.to_string())?;
        world.check(&Blocks::Fixed(128)).map_err(|error| error.to_string())
    }

    #[test]
    fn lines_stay_on_this_computer_and_say_so() {
        let send = |to: &str| with_lines(&format!("sends = [{{ output = 3, to = \"{to}\" }}]"));
        let receive = |from: &str| with_lines(&format!("receives = [{{ input = 1, from = \"{from}\" }}]"));
        for here in ["127.0.0.1:47001", "127.0.0.9:1", "[::1]:47001"] {
            assert_eq!((send(here), receive(here)), (Ok(()), Ok(())), "{here}");
        }
        for elsewhere in ["192.0.2.7:47001", "0.0.0.0:47001", "[::]:47001", "127.0.0.1:0"] {
            for refused in [send(elsewhere), receive(elsewhere)] {
                let why = refused.unwrap_err();
                assert!(why.contains(elsewhere) && why.contains("\"127.0.0.1:47001\""), "{why}");
            }
        }
        // No name is looked up: that would ask another computer.
        assert!(send("localhost:47001").unwrap_err().contains("line 1"));
    }

    #[test]
    fn what_no_line_can_have_is_refused() {
        let two = |one: &str, two: &str| {
            with_lines(&format!(
                "receives = [{{ input = 1, from = \"127.0.0.1:47001\", {one} }}, \
                 {{ input = 2, from = \"127.0.0.1:47001\", {two} }}]"
            ))
        };
        assert_eq!(two("channel = 1", "channel = 2, gain = 0.5"), Ok(()));
        assert!(two("delay-frames = 500", "channel = 2").is_err_and(|why| why.contains("same delay-frames")));
        assert!(two("delay-frames = 8193", "delay-frames = 8193").is_err());
        assert!(two("channel = 1", "chanel = 2").is_err_and(|why| why.contains("chanel")));
        let sends = "sends = [{ output = 1, to = \"127.0.0.1:9\" }, { output = 2, to = \"127.0.0.1:9\" }]";
        assert!(with_lines(sends).is_err_and(|why| why.contains("another channel =")));
        assert!(with_lines("sends = [{ output = 17, to = \"127.0.0.1:9\" }]").is_err());
    }

    #[test]
    fn what_no_world_can_have_is_refused() {
        let cable = Cable { output: 1, input: 1, delay_frames: 128.0, gain: 1.0 };
        let with = |cable| World { cables: vec![cable], ..World::default() };
        let blocks = Blocks::Fixed(128);
        assert!(with(cable).check(&blocks).is_ok());
        assert!(with(Cable { delay_frames: 127.0, ..cable }).check(&blocks).is_err());
        assert!(with(Cable { delay_frames: 158.5, ..cable }).check(&blocks).is_err());
        assert!(with(Cable { delay_frames: 159.5, ..cable }).check(&blocks).is_ok());
        assert!(with(Cable { delay_frames: f64::NAN, ..cable }).check(&blocks).is_err());
        assert!(with(Cable { input: 9, ..cable }).check(&blocks).is_err());
        assert!(with(Cable { output: 0, ..cable }).check(&blocks).is_err());
        let heavy = Load { at: FramePos(0), share: f64::NAN };
        assert!(World { loads: vec![heavy], ..World::default() }.check(&blocks).is_err());
        assert!(World::default().check(&Blocks::Fixed(0)).is_err());
        assert!(World::default().check(&Blocks::Listed(vec![])).is_err());
        let late = Fault { at: FramePos(0), kind: FaultKind::LateBy, frames: None };
        assert!(World { faults: vec![late], ..World::default() }.check(&blocks).is_err());
    }
}
