//! Reads the sounds of streamed hits from the user's WAV, apart from the renderer's reader.

use super::plan::Clips;
use crate::click::set::StreamPlan;
use std::collections::HashMap;
use std::fs::File;
use std::io::BufReader;
use std::path::PathBuf;

/// Opens each file once and seeks in it.
pub struct WavClips {
    rate: u32,
    open: HashMap<PathBuf, Option<hound::WavReader<BufReader<File>>>>,
}

/// Half the width of the interpolating window, in frames of the file.
const REACH: i64 = 32;

impl WavClips {
    /// `rate` is the device's.
    pub fn new(rate: u32) -> WavClips {
        WavClips { rate, open: HashMap::new() }
    }

    fn reader(&mut self, file: &PathBuf) -> Option<&mut hound::WavReader<BufReader<File>>> {
        if !self.open.contains_key(file) {
            self.open.insert(file.clone(), hound::WavReader::open(file).ok());
        }
        self.open.get_mut(file)?.as_mut()
    }
}

impl Clips for WavClips {
    fn clip(&mut self, stream: &StreamPlan, from: i64, frames: usize) -> Option<Vec<f32>> {
        let rate = self.rate;
        let reader = self.reader(&stream.file)?;
        let file_rate = reader.spec().sample_rate;
        if file_rate == rate {
            return read(reader, stream.channel, from, frames);
        }
        let step = f64::from(file_rate) / f64::from(rate);
        let first = (from as f64 * step).floor() as i64 - REACH;
        let long = (frames as f64 * step).ceil() as usize + 2 * REACH as usize + 2;
        let source = read(reader, stream.channel, first, long)?;
        let place = |frame: usize| (from + frame as i64) as f64 * step - first as f64;
        Some((0..frames).map(|frame| between(&source, place(frame), (1.0 / step).min(1.0))).collect())
    }
}

/// Samples of one channel from a frame on; silence before and after the file.
fn read(
    reader: &mut hound::WavReader<BufReader<File>>,
    channel: u16,
    from: i64,
    frames: usize,
) -> Option<Vec<f32>> {
    let spec = reader.spec();
    let channels = usize::from(spec.channels);
    let mut out = vec![0.0; frames];
    let length = i64::from(reader.duration());
    let begin = from.clamp(0, length);
    let end = (from + frames as i64).clamp(0, length);
    if usize::from(channel) >= channels || end <= begin {
        return (usize::from(channel) < channels).then_some(out);
    }
    reader.seek(begin as u32).ok()?;
    let count = (end - begin) as usize * channels;
    let samples: Result<Vec<f32>, hound::Error> = match spec.sample_format {
        hound::SampleFormat::Float => reader.samples::<f32>().take(count).collect(),
        hound::SampleFormat::Int => {
            let scale = 1.0 / (1i64 << (spec.bits_per_sample - 1)) as f32;
            reader.samples::<i32>().take(count).map(|one| one.map(|value| value as f32 * scale)).collect()
        }
    };
    let skip = (begin - from) as usize;
    let picked = samples.ok()?;
    for (slot, frame) in out[skip..].iter_mut().zip(picked.chunks_exact(channels)) {
        *slot = frame[usize::from(channel)];
    }
    Some(out)
}

/// The value between samples.
///
/// Source: band-limited interpolation by a sinc of relative bandwidth `band` under a Hann window.
fn between(samples: &[f32], place: f64, band: f64) -> f32 {
    let middle = place.floor() as i64;
    let mut sum = 0.0;
    for index in middle - REACH + 1..=middle + REACH {
        let Some(sample) = usize::try_from(index).ok().and_then(|index| samples.get(index)) else { continue };
        let t = place - index as f64;
        let window = 0.5 + 0.5 * (std::f64::consts::PI * t / REACH as f64).cos();
        sum += f64::from(*sample) * band * sinc(band * t) * window;
    }
    sum as f32
}

fn sinc(x: f64) -> f64 {
    let turn = std::f64::consts::PI * x;
    if turn.abs() < 1e-9 { 1.0 } else { turn.sin() / turn }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_tone_between_samples_is_the_tone() {
        let tone = |t: f64| (t * 0.13).sin();
        let samples: Vec<f32> = (0..200).map(|n| tone(f64::from(n)) as f32).collect();
        for place in [80.0, 90.25, 100.5, 101.75] {
            assert!((f64::from(between(&samples, place, 1.0)) - tone(place)).abs() < 2e-3, "{place}");
        }
    }
}
