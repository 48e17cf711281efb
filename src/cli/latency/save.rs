//! The evidence: what was played, what came back, how alike the two are at every delay, and the answer.

use crate::units::SampleRate;
use crate::wav::{Encoding, Format, Options, Writer};
use realfft::RealFftPlanner;
use std::fmt::Write as _;
use std::io::Write as _;
use std::path::Path;

const NAMES: [&str; 4] = ["probe.wav", "recording.wav", "correlation.csv", "result.json"];

/// What goes into the folder.
pub struct Evidence<'a> {
    pub rate: SampleRate,
    /// As it was played, at its level.
    pub probe: &'a [f32],
    /// One channel an input.
    pub recording: &'a [Vec<f32>],
    pub result: &'a serde_json::Value,
}

/// Errors: a name that is taken, so that nothing is measured first and lost then.
pub fn check(folder: &Path) -> Result<(), String> {
    let taken = NAMES.iter().map(|name| folder.join(name)).find(|path| path.symlink_metadata().is_ok());
    match taken {
        Some(path) => {
            Err(format!("{} is there already\n  to mend it: give --save another folder", path.display()))
        }
        None => Ok(()),
    }
}

/// Writes all four. Errors: the folder or a file cannot be written, or is there already.
pub fn save(folder: &Path, evidence: &Evidence<'_>) -> Result<(), String> {
    let told = |what: &Path, why: std::io::Error| format!("{} cannot be written: {why}", what.display());
    std::fs::create_dir_all(folder).map_err(|why| told(folder, why))?;
    check(folder)?;
    let [probe, recording, correlation, result] = NAMES.map(|name| folder.join(name));
    wav(&probe, evidence.rate, &[evidence.probe])?;
    let channels: Vec<&[f32]> = evidence.recording.iter().map(Vec::as_slice).collect();
    wav(&recording, evidence.rate, &channels)?;
    let heard = evidence.recording.first().map_or(&[][..], Vec::as_slice);
    let csv = csv(&correlate(evidence.probe, heard));
    text(&correlation, &csv).map_err(|why| told(&correlation, why))?;
    let json = serde_json::to_string_pretty(evidence.result).unwrap_or_default() + "\n";
    text(&result, &json).map_err(|why| told(&result, why))
}

fn wav(path: &Path, rate: SampleRate, channels: &[&[f32]]) -> Result<(), String> {
    let format = Format { rate, channels: channels.len() as u16, encoding: Encoding::Float32 };
    let mut writer = Writer::create(path, format, &Options::default()).map_err(|why| why.to_string())?;
    writer.write(channels).map_err(|why| why.to_string())?;
    writer.finish(&[]).map(|_| ()).map_err(|why| why.to_string())
}

fn text(path: &Path, text: &str) -> std::io::Result<()> {
    let mut part = tempfile::NamedTempFile::new_in(path.parent().unwrap_or(Path::new(".")))?;
    part.write_all(text.as_bytes())?;
    part.persist_noclobber(path)?;
    Ok(())
}

fn csv(correlation: &[f32]) -> String {
    let mut out = String::from("delay_frames,correlation\n");
    for (delay, value) in correlation.iter().enumerate() {
        let _ = writeln!(out, "{delay},{value}");
    }
    out
}

/// `Σ probe[n] × heard[n + delay]` over the root of both energies, for every delay at which the whole probe fits.
fn correlate(probe: &[f32], heard: &[f32]) -> Vec<f32> {
    let delays = (heard.len() + 1).saturating_sub(probe.len());
    if delays == 0 {
        return Vec::new();
    }
    let size = heard.len().next_power_of_two();
    let mut planner = RealFftPlanner::<f32>::new();
    let (forward, inverse) = (planner.plan_fft_forward(size), planner.plan_fft_inverse(size));
    let spectrum = |samples: &[f32]| {
        let mut padded = samples.to_vec();
        padded.resize(size, 0.0);
        let mut bins = forward.make_output_vec();
        let done = forward.process(&mut padded, &mut bins);
        debug_assert!(done.is_ok());
        bins
    };
    let mut product = spectrum(heard);
    product.iter_mut().zip(spectrum(probe)).for_each(|(bin, other)| *bin *= other.conj());
    // Rounding leaves the ends of the spectrum a trace of an imaginary part, which the inverse refuses.
    for end in [0, product.len() - 1] {
        product[end].im = 0.0;
    }
    let mut out = inverse.make_output_vec();
    let done = inverse.process(&mut product, &mut out);
    debug_assert!(done.is_ok());
    let energy = |samples: &[f32]| samples.iter().map(|x| f64::from(*x).powi(2)).sum::<f64>();
    let scale = (energy(probe) * energy(heard)).sqrt() * size as f64;
    out.truncate(delays);
    out.iter().map(|x| if scale > 0.0 { (f64::from(*x) / scale) as f32 } else { 0.0 }).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn correlation_is_one_at_the_delay_of_a_copy() {
        let probe = [0.5f32, -0.25, 0.125];
        let mut heard = vec![0.0f32; 20];
        heard[7..10].copy_from_slice(&probe.map(|x| -x));
        let correlation = correlate(&probe, &heard);
        assert_eq!(correlation.len(), 18);
        assert!((correlation[7] + 1.0).abs() < 1e-5, "{correlation:?}");
        // By hand: one frame early, probe[1..] meets probe[..2]: (−0.125 − 0.03125) / 0.328125, inverted.
        assert!((correlation[6] - 0.15625 / 0.328125).abs() < 1e-5, "{correlation:?}");
        assert!(correlate(&heard, &probe).is_empty());
    }

    #[test]
    fn nothing_that_is_there_is_written_over() {
        let folder = tempfile::tempdir().unwrap();
        let recording = [vec![0.5f32; 10]];
        let result = serde_json::json!({ "outcome": "measured" });
        let rate = SampleRate::standard();
        let evidence = Evidence { rate, probe: &[0.5], recording: &recording, result: &result };
        save(folder.path(), &evidence).unwrap();
        for name in NAMES {
            assert!(folder.path().join(name).exists(), "{name}");
        }
        assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 4);
        let error = save(folder.path(), &evidence).unwrap_err();
        assert!(error.contains("probe.wav is there already"), "{error}");
    }
}
