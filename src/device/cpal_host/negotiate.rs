//! What a device can do, and which of it is taken.

use crate::device::{DeviceError, DeviceInfo, OpenSetup};
use cpal::traits::{DeviceTrait, HostTrait};
use cpal::{BufferSize, SampleFormat, StreamConfig, SupportedBufferSize, SupportedStreamConfigRange};

/// Rates that are asked after.
const RATES: [u32; 7] = [44_100, 48_000, 88_200, 96_000, 176_400, 192_000, 384_000];

/// How a stream is to be opened.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Choice {
    pub config: StreamConfig,
    pub format: SampleFormat,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Direction {
    Output,
    Input,
}

impl Direction {
    pub fn word(self) -> &'static str {
        match self {
            Direction::Output => "output",
            Direction::Input => "input",
        }
    }

    fn ranges(self, device: &cpal::Device) -> Result<Vec<SupportedStreamConfigRange>, cpal::Error> {
        Ok(match self {
            Direction::Output => device.supported_output_configs()?.collect(),
            Direction::Input => device.supported_input_configs()?.collect(),
        })
    }
}

/// The best first: no conversion, then the most bits.
fn rank(format: SampleFormat) -> Option<usize> {
    const BEST_FIRST: [SampleFormat; 12] = [
        SampleFormat::F32,
        SampleFormat::I32,
        SampleFormat::I24,
        SampleFormat::F64,
        SampleFormat::I64,
        SampleFormat::U32,
        SampleFormat::U24,
        SampleFormat::U64,
        SampleFormat::I16,
        SampleFormat::U16,
        SampleFormat::I8,
        SampleFormat::U8,
    ];
    BEST_FIRST.iter().position(|known| *known == format)
}

/// The range with the fewest channels that do, then the best format.
fn best(
    ranges: &[SupportedStreamConfigRange],
    rate: u32,
    channels: u16,
) -> Option<SupportedStreamConfigRange> {
    let fits = |range: &&SupportedStreamConfigRange| {
        range.channels() >= channels.max(1)
            && range.contains_rate(rate)
            && rank(range.sample_format()).is_some()
    };
    let key = |range: &&SupportedStreamConfigRange| (range.channels(), rank(range.sample_format()));
    ranges.iter().filter(fits).min_by_key(key).copied()
}

/// Errors: the device cannot do the rate or the channels; says what it can.
pub(super) fn choose(
    device: &cpal::Device,
    direction: Direction,
    setup: &OpenSetup,
    channels: u16,
) -> Result<Choice, DeviceError> {
    let name = name(device);
    let ranges = direction.ranges(device).map_err(|fault| unreadable(&name, direction, &fault))?;
    let rate = setup.rate.hertz();
    let range =
        best(&ranges, rate, channels).ok_or_else(|| cannot(&name, direction, &ranges, rate, channels))?;
    let wanted = match *range.buffer_size() {
        SupportedBufferSize::Range { min, max } => setup.block.clamp(min.max(1), max.max(1)),
        SupportedBufferSize::Unknown => setup.block,
    };
    let config = StreamConfig {
        channels: range.channels(),
        sample_rate: rate,
        buffer_size: BufferSize::Fixed(wanted),
    };
    Ok(Choice { config, format: range.sample_format() })
}

fn unreadable(name: &str, direction: Direction, fault: &cpal::Error) -> DeviceError {
    let what = format!("what the {}s of {name} can do cannot be read: {fault}", direction.word());
    DeviceError::new(what, "close the program that uses the device, or choose another one")
}

fn cannot(
    name: &str,
    direction: Direction,
    ranges: &[SupportedStreamConfigRange],
    rate: u32,
    channels: u16,
) -> DeviceError {
    let most = ranges.iter().map(SupportedStreamConfigRange::channels).max().unwrap_or(0);
    let rates: Vec<String> = rates(ranges).iter().map(u32::to_string).collect();
    let word = direction.word();
    let what = format!("{name} has no {channels} {word}s at {rate} frames a second");
    let mend = if ranges.iter().all(|range| rank(range.sample_format()).is_none()) {
        "its sample format is not read here: with ALSA write plughw: in place of hw:".to_owned()
    } else {
        format!("it has up to {most} {word}s, at {}", rates.join(", "))
    };
    DeviceError::new(what, mend)
}

fn rates(ranges: &[SupportedStreamConfigRange]) -> Vec<u32> {
    RATES.into_iter().filter(|rate| ranges.iter().any(|range| range.contains_rate(*rate))).collect()
}

pub(super) fn name(device: &cpal::Device) -> String {
    device.description().map_or_else(|_| "a device without a name".into(), |words| words.name().to_owned())
}

/// A row of `fogbell interfaces`; `None` for what only repeats another row.
pub(super) fn info(host: &str, device: &cpal::Device, id: &str) -> Option<DeviceInfo> {
    if !is_stable(id) || is_nothing(id) {
        return None;
    }
    let read = |direction: Direction, has: bool| {
        if has { direction.ranges(device).unwrap_or_default() } else { Vec::new() }
    };
    let outputs = read(Direction::Output, device.supports_output());
    let inputs = read(Direction::Input, device.supports_input());
    let most = |ranges: &[SupportedStreamConfigRange]| {
        ranges.iter().map(|range| range.channels()).max().unwrap_or(0)
    };
    let ranges = if outputs.is_empty() { &inputs } else { &outputs };
    Some(DeviceInfo {
        host: host.into(),
        name: name(device),
        id: id.into(),
        inputs: most(&inputs),
        outputs: most(&outputs),
        rates: rates(ranges),
        blocks: blocks(ranges),
        is_default: false,
    })
}

fn blocks(ranges: &[SupportedStreamConfigRange]) -> Option<(u32, u32)> {
    let sizes = ranges.iter().filter_map(|range| match *range.buffer_size() {
        SupportedBufferSize::Range { min, max } => Some((min, max)),
        SupportedBufferSize::Unknown => None,
    });
    sizes.reduce(|(least, most), (min, max)| (least.min(min), most.max(max)))
}

/// "hw:CARD=1,DEV=0" names another card after the next plugging; the same card is listed by its name too.
pub(super) fn is_stable(id: &str) -> bool {
    card(id).is_none_or(|card| card.parse::<u32>().is_err())
}

/// ALSA's device that throws everything away: a show is never played into it.
pub(super) fn is_nothing(id: &str) -> bool {
    id == "null"
}

fn card(id: &str) -> Option<&str> {
    let (_, rest) = id.split_once("CARD=")?;
    rest.split(',').next()
}

/// The id as a rig should keep it: with ALSA a card's number becomes its name.
pub(super) fn stable(id: &str) -> String {
    let named = card(id).filter(|card| card.parse::<u32>().is_ok()).and_then(|number| {
        let name = std::fs::read_to_string(format!("/proc/asound/card{number}/id")).ok()?;
        Some(id.replacen(&format!("CARD={number}"), &format!("CARD={}", name.trim()), 1))
    });
    named.unwrap_or_else(|| id.to_owned())
}

/// The device itself when it has inputs; the host's default input where devices have one direction only.
pub(super) fn input_beside(
    host: &cpal::Host,
    output: &cpal::Device,
    inputs: u16,
) -> Result<cpal::Device, DeviceError> {
    let same = output.id().ok().and_then(|id| host.device_by_id(&id)).filter(DeviceTrait::supports_input);
    let one_way = !cfg!(target_os = "linux");
    let found = same.or_else(|| if one_way { host.default_input_device() } else { None });
    found.ok_or_else(|| {
        let what = format!("{} has no inputs and the rig asks for {inputs}", name(output));
        DeviceError::new(
            what,
            "write device = \"OUT | IN\" to take them from another device, or ask for none",
        )
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_cards_number_is_no_id_to_keep() {
        assert!(is_stable("hw:CARD=Loopback,DEV=0"));
        assert!(!is_stable("plughw:CARD=1,DEV=0"));
        assert!(is_stable("default"));
        assert!(is_nothing("null") && !is_nothing("default"));
        assert_eq!(stable("hw:CARD=Loopback,DEV=0"), "hw:CARD=Loopback,DEV=0");
        assert_eq!(stable("hw:CARD=99,DEV=0"), "hw:CARD=99,DEV=0");
    }

    #[test]
    fn every_format_but_one_bit_audio_is_taken_the_widest_first() {
        assert!(rank(SampleFormat::F32) < rank(SampleFormat::I32));
        assert!(rank(SampleFormat::I24) < rank(SampleFormat::I16));
        assert_eq!(rank(SampleFormat::DsdU8), None);
    }
}
