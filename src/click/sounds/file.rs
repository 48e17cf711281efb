//! A sound from the user's own WAV: any rate and format, its onset found and placed on the beat.

use super::onset::{self, Search};
use super::{LONGEST_SECONDS, SoundFault};
use crate::units::{Decibels, SampleRate};
use crate::wav;
use std::path::Path;

/// Longer files are refused before they are read.
const LONGEST_FILE_SECONDS: f64 = 30.0;

/// A file whose peak lies below this is taken for silent.
const SILENT: f32 = 3e-4;

/// What follows the last frame above this, relative to the peak, is cut (−80 dB).
const TAIL: f32 = 1e-4;

/// The cut before the onset is faded in over this, or over what there is.
const FADE_IN_SECONDS: f64 = 0.001;

pub(super) struct Prepared {
    pub samples: Vec<f32>,
    pub lead: usize,
    pub notes: Vec<String>,
    /// A digest of the file's own rate and samples.
    pub content: u64,
}

/// Reads, makes mono (mean of the channels), brings to `rate`, finds the onset, cuts what nobody needs.
/// The level stays, unless it peaks above `ceiling`.
pub(super) fn prepare(
    path: &Path,
    rate: SampleRate,
    search: Search,
    ceiling: Decibels,
) -> Result<Prepared, SoundFault> {
    let file = || path.to_owned();
    let audio = wav::read_up_to(path, LONGEST_FILE_SECONDS).map_err(SoundFault::File)?;
    let mono = audio.mono();
    if mono.iter().any(|x| !x.is_finite()) {
        return Err(SoundFault::NotNumbers { file: file() });
    }
    let own = audio.rate.hertz().to_le_bytes().into_iter();
    let content = super::digest(own.chain(mono.iter().flat_map(|sample| sample.to_le_bytes())));
    let mut samples = wav::resample(&mono, audio.rate, rate);
    // A sound that has died away stands where its file stands.
    let standing = wav::standing(samples.get(samples.len() * 3 / 4..).unwrap_or(&[]));
    samples.iter_mut().for_each(|x| *x -= standing);
    let loudest = onset::peak(&samples);
    let silent = || SoundFault::Silent { file: file(), peak: Decibels::of(loudest) };
    if loudest < SILENT {
        return Err(silent());
    }
    let found = onset::find(&samples, rate, search).ok_or_else(silent)?;
    let end = samples.iter().rposition(|x| x.abs() > loudest * TAIL).map_or(samples.len(), |at| at + 1);
    let mut samples = samples[found.keep_from..end.max(found.at + 1)].to_vec();
    let lead = found.at - found.keep_from;
    let seconds = samples.len() as f64 / f64::from(rate.hertz());
    if seconds > LONGEST_SECONDS {
        return Err(SoundFault::TooLong { file: file(), seconds });
    }
    let mut notes = Vec::new();
    if found.keep_from > 0 {
        fade_in(&mut samples, lead.min(rate.frames(FADE_IN_SECONDS).0 as usize));
    }
    notes.extend(standing_note(path, standing));
    notes.extend(late_note(path, found.at, rate));
    notes.extend(hold_to(ceiling, &mut samples, loudest, path));
    Ok(Prepared { samples, lead, notes, content })
}

fn fade_in(samples: &mut [f32], frames: usize) {
    for (n, x) in samples.iter_mut().take(frames).enumerate() {
        *x *= (n + 1) as f32 / (frames + 1) as f32;
    }
}

fn standing_note(path: &Path, standing: f32) -> Option<String> {
    let percent = 100.0 * standing;
    (standing != 0.0).then(|| format!("{} stands at {percent:+.1} % of full scale: taken off", name(path)))
}

fn late_note(path: &Path, onset: usize, rate: SampleRate) -> Option<String> {
    let late = onset as f64 * 1_000.0 / f64::from(rate.hertz());
    let digits = if late < 10.0 { 1 } else { 0 };
    (late >= 0.5).then(|| format!("{} speaks {late:.digits$} ms late: moved", name(path)))
}

fn hold_to(ceiling: Decibels, samples: &mut [f32], loudest: f32, path: &Path) -> Option<String> {
    let allowed = ceiling.gain();
    if loudest <= allowed {
        return None;
    }
    let gain = allowed / loudest;
    samples.iter_mut().for_each(|x| *x = (*x * gain).clamp(-allowed, allowed));
    let (was, now) = (Decibels::of(loudest).0, ceiling.0);
    Some(format!("{} peaks at {was:.1} dBFS: turned down to {now:.1}", name(path)))
}

/// The file's name as a person knows it.
pub(super) fn name(path: &Path) -> String {
    path.file_name().unwrap_or(path.as_os_str()).to_string_lossy().into_owned()
}
