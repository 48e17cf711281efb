//! Show and rig to the engine's setup: which mix leaves on which channel. Ordinary thread.

use super::setup::{
    ClickSetup, Compress, EngineSetup, InputSetup, OutletSetup, OutsideSetup, PartSetup, PartSource,
    PeerClick, PeerSetup, TimecodeSetup,
};
use crate::click::build::lanes;
use crate::show::model::{Feed, FeedSource, InputKind, Outlet, Rig, Show, Sides, Wiring};
use crate::show::sides_of;
use crate::units::{Decibels, SampleRate, Span};

/// Limiter look-ahead: 72 frames at 48 kHz.
pub const LOOK_AHEAD_SECONDS: f64 = 0.0015;

/// What the interface gives.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Ports {
    pub rate: SampleRate,
    pub max_block: u32,
    pub inputs: u16,
    pub outputs: u16,
}

/// Why a rig cannot be wired to an interface.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum WireFault {
    UnknownFeed {
        feed: String,
        known: Vec<String>,
    },
    TooFewOutputs {
        wanted: u16,
        found: u16,
    },
    /// Timecode, the main's click or the return line is on a channel that is not there.
    NoChannel {
        what: &'static str,
        wanted: u16,
        found: u16,
    },
    NoOutputs,
}

impl std::fmt::Display for WireFault {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            WireFault::UnknownFeed { feed, known } => write!(
                f,
                "the rig sends a feed `{feed}` that the show does not have\n  to mend it: name one of {}",
                known.join(", ")
            ),
            WireFault::TooFewOutputs { wanted, found } => write!(
                f,
                "the rig needs {wanted} outputs, the interface has {found}\n  to mend it: add a [[fold]] with \
                 outputs = {found} to the rig, or use another interface"
            ),
            WireFault::NoChannel { what, wanted, found } => write!(
                f,
                "the rig has {what} on channel {wanted}, the interface has {found}\n  to mend it: use another channel, or \
                 another interface"
            ),
            WireFault::NoOutputs => {
                write!(
                    f,
                    "the rig sends nothing anywhere\n  to mend it: give [outputs] a line such as drums = 1"
                )
            }
        }
    }
}

/// The outlets a rig uses on an interface with this many outputs: its own, or the largest fold that fits.
///
/// Errors: neither fits.
pub fn outlets(rig: &Rig, outputs: u16) -> Result<&[Outlet], WireFault> {
    let needed =
        |outlets: &[Outlet]| outlets.iter().flat_map(|o| o.channels.iter().copied()).max().unwrap_or(0);
    let wanted = needed(&rig.outputs);
    if wanted == 0 {
        return Err(WireFault::NoOutputs);
    }
    if wanted <= outputs {
        return Ok(&rig.outputs);
    }
    let fitting = rig.folds.iter().filter(|fold| needed(fold) <= outputs && needed(fold) > 0);
    fitting
        .max_by_key(|fold| needed(fold))
        .map(Vec::as_slice)
        .ok_or(WireFault::TooFewOutputs { wanted, found: outputs })
}

/// The whole setup. Inputs that the rig does not place stay silent.
///
/// Errors: a feed the show does not have, or too few outputs.
pub fn wire(show: &Show, rig: &Rig, ports: Ports, record: bool) -> Result<EngineSetup, WireFault> {
    let lanes = lanes(show);
    let count = lanes.iter().map(|l| usize::from(l.own.max(l.fallback)) + 1).max().unwrap_or(0);
    let outlets = outlets(rig, ports.outputs)?;
    Ok(EngineSetup {
        rate: ports.rate,
        max_block: (ports.max_block as usize).clamp(16, 1024),
        look_ahead: ports.rate.frames(LOOK_AHEAD_SECONDS).0 as usize,
        lanes: count,
        clicks: lanes.iter().map(|l| ClickSetup { own_lane: l.own, fallback_lane: l.fallback }).collect(),
        inputs: inputs(show, rig, ports.rate),
        outlets: outlets.iter().map(|outlet| outlet_setup(show, outlet)).collect::<Result<_, _>>()?,
        ceiling: show.ceiling.gain(),
        give_back: show.give_back,
        record,
        tap_inputs: ports.inputs as usize,
        timecode: timecode(rig, ports)?,
        peer: peer(show, rig, ports)?,
        outside: outside(show, rig, ports)?,
        latch: show.latch,
    })
}

fn timecode(rig: &Rig, ports: Ports) -> Result<Option<TimecodeSetup>, WireFault> {
    let Some(line) = &rig.timecode else { return Ok(None) };
    let channel = there("timecode", line.output, ports.outputs)?;
    Ok(Some(TimecodeSetup { channel, frames: line.frames, peak: line.level.gain() }))
}

/// The other machine: the main of a backup, or the backup that comes back to a main.
fn peer(show: &Show, rig: &Rig, ports: Ports) -> Result<Option<PeerSetup>, WireFault> {
    if let Some(input) = rig.return_line {
        return Ok(Some(PeerSetup {
            backup: false,
            returning: false,
            timecode: there("the backup's timecode", input, ports.inputs)?,
            click: None,
            align: Span(0),
            latch: ports.rate.frames(LATCH_SECONDS),
        }));
    }
    let Some(main) = &rig.main else { return Ok(None) };
    let click = main.click.as_ref().map(|(input, name)| {
        let click = show.clicks.iter().position(|click| click.name == *name).unwrap_or(0) as u8;
        let channel = there("the main's click", *input, ports.inputs)?;
        let passed =
            (main.wiring == Wiring::PassThrough).then(|| ports.rate.frames(main.safety_delay_ms / 1000.0));
        Ok(PeerClick { channel, click, passed })
    });
    Ok(Some(PeerSetup {
        backup: true,
        returning: false,
        timecode: there("the main's timecode", main.timecode, ports.inputs)?,
        click: click.transpose()?,
        align: Span::from_f64(main.align_ms / 1000.0 * f64::from(ports.rate.hertz())),
        latch: ports.rate.frames(main.latch_ms / 1000.0),
    }))
}

/// Clicks of the show that come in on an input which the rig places.
fn outside(show: &Show, rig: &Rig, ports: Ports) -> Result<Vec<OutsideSetup>, WireFault> {
    let comes = |(index, click): (usize, &crate::show::model::Click)| {
        let input = show.inputs.get(click.external?)?;
        let (_, channel) = rig.inputs.iter().find(|(name, _)| *name == input.name)?;
        Some((index, input, *channel))
    };
    let clicks = show.clicks.iter().enumerate().filter_map(comes);
    clicks
        .map(|(index, input, channel)| {
            Ok(OutsideSetup {
                channel: there("another device's click", channel, ports.inputs)?,
                click: index as u8,
                safety: ports.rate.frames(input.external.safety_delay_ms / 1000.0),
                starts_song: input.external.starts_song,
                tolerance: input.external.tolerance_ms.map(|most| ports.rate.frames(most / 1000.0)),
                latch: show.latch,
            })
        })
        .collect()
}

/// How long a return line is bad before that counts.
const LATCH_SECONDS: f64 = 0.06;

/// A channel from 1 as one from 0, when the interface has it.
fn there(what: &'static str, wanted: u16, found: u16) -> Result<u16, WireFault> {
    if (1..=found).contains(&wanted) {
        Ok(wanted - 1)
    } else {
        Err(WireFault::NoChannel { what, wanted, found })
    }
}

fn inputs(show: &Show, rig: &Rig, rate: SampleRate) -> Vec<InputSetup> {
    let channel =
        |name: &str| rig.inputs.iter().find(|(input, _)| input == name).map(|(_, channel)| channel - 1);
    show.inputs
        .iter()
        .map(|input| InputSetup {
            channel: channel(&input.name).unwrap_or(super::setup::UNPLACED),
            talks: (input.kind == InputKind::Talkback).then_some(input.talks),
            trim: input.trim.gain(),
            in_song: input.in_song.gain(),
            between: input.between.gain(),
            close: rate.frames(show.ride.close_seconds),
            open: rate.frames(show.ride.open_seconds),
            wait: rate.frames(show.ride.after_seconds),
            high_pass_hertz: input.high_pass_hertz,
            steep: input.steep,
            low_pass_hertz: input.low_pass_hertz,
            inverted: input.inverted,
            delay: rate.frames(input.delay_ms / 1000.0),
            compress: input
                .compress
                .map(|compress| Compress { above: compress.above.gain(), ratio: compress.ratio as f32 }),
            gate_opens: input.gate.map(Decibels::gain),
            dims: input.dims.gain(),
        })
        .collect()
}

fn outlet_setup(show: &Show, outlet: &Outlet) -> Result<OutletSetup, WireFault> {
    let stereo = outlet.channels.len() > 1;
    let mut parts: Vec<PartSetup> = Vec::new();
    for name in &outlet.feeds {
        let feed = show.feeds.iter().find(|feed| feed.name == *name).ok_or_else(|| unknown(show, name))?;
        for part in feed_parts(show, feed, stereo) {
            match parts.iter_mut().find(|known| known.source == part.source) {
                // Folded feeds that share a source do not add it twice.
                Some(known) => {
                    let louder = |one: f32, other: f32| if other.abs() > one.abs() { other } else { one };
                    known.left = louder(known.left, part.left);
                    known.right = louder(known.right, part.right);
                }
                None => parts.push(part),
            }
        }
    }
    Ok(OutletSetup { channels: outlet.channels.iter().map(|channel| channel - 1).collect(), parts })
}

fn unknown(show: &Show, feed: &str) -> WireFault {
    WireFault::UnknownFeed {
        feed: feed.into(),
        known: show.feeds.iter().map(|feed| feed.name.clone()).collect(),
    }
}

/// Pan is a balance: the middle is full on both sides, a side takes the other down. A mono pack has the clicks right
/// and the rest left.
pub fn feed_parts(show: &Show, feed: &Feed, stereo: bool) -> Vec<PartSetup> {
    let lanes = lanes(show);
    feed.parts
        .iter()
        .map(|part| {
            let is_input = matches!(part.source, FeedSource::Input(_));
            let (left, right) = sides_of(part);
            let source = match part.source {
                FeedSource::Click(click) => PartSource::Click(click as u8),
                FeedSource::Fallback(click) => {
                    PartSource::Lane(lanes.get(click).map_or(0, |lanes| lanes.fallback))
                }
                FeedSource::Input(input) => PartSource::Input(input as u8),
            };
            // On one channel everything is in the middle.
            let middle = part.level.gain() * if part.inverted == Sides::Both { -1.0 } else { 1.0 };
            match (stereo, feed.stereo, feed.mono_pack) {
                (false, ..) => PartSetup { source, left: middle, right: 0.0 },
                (true, _, true) if is_input => PartSetup { source, left: middle, right: 0.0 },
                (true, _, true) => PartSetup { source, left: 0.0, right: middle },
                (true, false, _) => PartSetup { source, left: middle, right: middle },
                (true, true, _) => PartSetup { source, left: left as f32, right: right as f32 },
            }
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_mono_pack_has_the_mix_left_and_the_click_right_and_polarity_is_a_sign() {
        let text = "[click.drums]\n[input.room]\n[feed.wren]\npack = \"mono\"\nhears = { drums = 0, room = -6 }\n\
                    [feed.band]\nstereo = true\nhears = { drums = 0, room = { level = 0, pan = -1, inverted = \"left\" } }\n\
                    [[song]]\ntitle = \"a\"\ntempo = 60\nbars = 1\n";
        let show = crate::show::parse_show(text, "test", std::path::Path::new(".")).show.expect("a show");
        let sides = |feed: usize, stereo: bool| -> Vec<(f32, f32)> {
            let parts = feed_parts(&show, &show.feeds[feed], stereo);
            parts.iter().map(|part| (part.left, part.right)).collect()
        };
        let half = Decibels(-6.0).gain();
        assert_eq!(sides(0, true), [(0.0, 1.0), (half, 0.0)]);
        assert_eq!(sides(0, false), [(1.0, 0.0), (half, 0.0)], "folded onto one channel it is a mix");
        assert_eq!(sides(1, true), [(1.0, 1.0), (-1.0, 0.0)]);
    }
}
