//! The scripted world behind the virtual interface: what its outputs are patched to, what its inputs
//! hear, and what goes wrong when.

use crate::device::DeviceError;
use crate::units::{Decibels, FramePos};
use serde::Deserialize;
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
    pub noises: Vec<Noise>,
    pub mics: Vec<Mic>,
    /// How much faster than its rate the device's clock runs: real time and microphones feel it.
    pub drift_ppm: f64,
    pub faults: Vec<Fault>,
    /// `None`: the block that is asked for on opening.
    pub blocks: Option<Blocks>,
    /// Inputs end at full scale, as converters do.
    pub clip_inputs: bool,
}

impl Default for World {
    fn default() -> World {
        World {
            inputs: 8,
            outputs: 16,
            cables: Vec::new(),
            noises: Vec::new(),
            mics: Vec::new(),
            drift_ppm: 0.0,
            faults: Vec::new(),
            blocks: None,
            clip_inputs: false,
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
    /// How long. Needed by `late-by`; without it a stall or an absence lasts to the end.
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

impl World {
    /// Errors: what the text gets wrong, with line and mend.
    pub fn from_toml(text: &str) -> Result<World, DeviceError> {
        toml::from_str(text).map_err(|fault| {
            DeviceError::new(
                format!("the world of the virtual interface cannot be read: {fault}"),
                "write only the keys inputs, outputs, cables, noises, mics, drift-ppm, faults, blocks, clip-inputs",
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
        for cable in &self.cables {
            check_cable(cable, blocks.largest())?;
        }
        for fault in &self.faults {
            if fault.kind == FaultKind::LateBy && fault.frames.is_none() {
                let what = format!("the late-by fault at frame {} does not say how late", fault.at.0);
                return Err(DeviceError::new(what, "add frames = 256 to it"));
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
        let outputs = self.cables.iter().map(|cable| cable.output);
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
        assert!(World::default().check(&Blocks::Fixed(0)).is_err());
        assert!(World::default().check(&Blocks::Listed(vec![])).is_err());
        let late = Fault { at: FramePos(0), kind: FaultKind::LateBy, frames: None };
        assert!(World { faults: vec![late], ..World::default() }.check(&blocks).is_err());
    }
}
