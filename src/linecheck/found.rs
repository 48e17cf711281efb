//! What a line check has found so far: for the screen, and as its report.

use super::hum::Hum;
use super::judge::{Charger, Expects, Fault};
use super::measure::{Still, Struck};
use super::plan::Item;
use super::walk::{Phase, Verdict};
use serde::Serialize;

/// What an output came to.
#[derive(Clone, Debug, Serialize)]
pub struct OutputReport {
    pub channel: u16,
    pub name: String,
    pub player: String,
    pub verdict: Verdict,
    /// Loudest peak that left, in dBFS; `None` when nothing did.
    pub level_db: Option<f64>,
    pub rounds: u32,
    pub keys: u32,
    pub seconds: f64,
    /// Right, and who said so.
    pub confirmed_by: Option<By>,
    /// The input into which its player answered.
    pub confirmed_on: Option<u16>,
    /// Inputs on which somebody made a noise while it sounded.
    pub answered_on: Vec<u16>,
}

/// Who says that an output is right.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum By {
    Key,
    /// The player's own microphone.
    Mic,
}

/// What an input came to.
#[derive(Clone, Debug, Serialize)]
pub struct InputReport {
    pub channel: u16,
    pub name: String,
    pub expects: Expects,
    pub verdict: Verdict,
    pub faults: Vec<Fault>,
    /// Something sounded in a microphone all the time: what was measured as still was not.
    pub never_still: bool,
    pub still: Option<Still>,
    pub clap: Option<Struck>,
    pub keys: u32,
    pub seconds: f64,
}

/// Hum with and without the charger, an input each.
#[derive(Clone, Debug, Serialize)]
pub struct ChargerReport {
    pub channel: u16,
    pub with: Option<Hum>,
    pub without: Option<Hum>,
    pub verdict: Charger,
}

/// Everything that was found.
#[derive(Clone, Debug, Serialize)]
pub struct Report {
    pub outputs: Vec<OutputReport>,
    pub inputs: Vec<InputReport>,
    pub charger: Vec<ChargerReport>,
    pub keys: u32,
    /// Outputs that were confirmed without a key, by their players' own microphones.
    pub confirmed_by_mic: usize,
    pub seconds: f64,
}

/// What stands on the screen.
#[derive(Clone, Debug, PartialEq)]
pub struct View {
    pub step: usize,
    pub steps: usize,
    pub item: Option<Item>,
    /// In the charger's steps: it should be in.
    pub charger_in: Option<bool>,
    pub phase: Phase,
    /// A yes or no counts now.
    pub asks: bool,
    pub seconds: f64,
    pub keys: u32,
    /// Of the sounding output.
    pub level_db: f64,
    /// Inputs on which somebody makes a noise.
    pub answered_on: Vec<u16>,
    /// The microphone of whoever hears it, and whether the stage is too loud in it.
    pub own_mic: Option<(u16, bool)>,
    /// The step before was confirmed by this input: index of the output, and the input.
    pub confirmed: Option<(usize, u16)>,
    /// Microphones that keep a still stretch from beginning.
    pub restless: Vec<u16>,
    pub faults: Vec<Fault>,
    /// Loudest sample of the last tenth of a second on the input in question.
    pub meter_db: f64,
}
