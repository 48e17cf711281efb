//! Sounds as buffers at the device's rate, made or read before the stream starts.
//!
//! In: the show's definitions and the files they name. Out: a [`SoundBank`], or every fault at once. Thread:
//! ordinary ones. Always: mono, finite, at most two seconds each and 16 MB together; `lead` is the onset.

mod fault;

mod file;

mod onset;

mod synth;

pub use crate::show::built_in::{BUILT_IN, built_in};
pub use fault::SoundFault;

use crate::click::set::Sound;
use crate::show::model::{Show, SoundSource};
use crate::units::SampleRate;
use sha2::{Digest, Sha256};
use std::collections::HashMap;
use std::path::{Path, PathBuf};

/// No sound lasts longer.
pub const LONGEST_SECONDS: f64 = 2.0;

/// All sounds of a show together, as samples in memory.
pub const MOST_BYTES: usize = 16_000_000;

/// The first part of a sound by which a streamed hit is judged.
const ONSET_SECONDS: f64 = 0.005;

/// Every sound of a show.
#[derive(Debug, Default)]
pub struct SoundBank {
    pub sounds: Vec<Sound>,
    /// What each of them is made from, at whatever rate: how it is synthesised, or a digest of a file's samples.
    pub contents: Vec<u64>,
    /// For each entry of [`Show::sounds`]: accent, beat, eighth, sixteenth, as indices into `sounds`.
    pub by_def: Vec<[u16; 4]>,
    /// Count-in voices by the path that the show gives.
    pub voices: HashMap<PathBuf, u16>,
    /// What was done to the user's files, in words ("bell.wav speaks 11 ms late: moved").
    pub notes: Vec<String>,
}

/// Makes every sound that the show names, each file once. Errors: all faults, in the show's order.
pub fn build(show: &Show, rate: SampleRate) -> Result<SoundBank, Vec<SoundFault>> {
    let mut builder =
        Builder { show, rate, bank: SoundBank::default(), known: Vec::new(), faults: Vec::new() };
    for def in &show.sounds {
        let kinds = ["accent", "beat", "eighth", "sixteenth"];
        let sources = [&def.accent, &def.beat, &def.eighth, &def.sixteenth];
        let mut indices = [0; 4];
        for ((index, kind), source) in indices.iter_mut().zip(kinds).zip(sources) {
            *index = builder.index_of(&format!("{} {kind}", def.name), source, onset::STRUCK);
        }
        builder.bank.by_def.push(indices);
    }
    for path in show.songs.iter().filter_map(|song| song.count_in.as_ref()?.voice.as_ref()).flatten() {
        if !builder.bank.voices.contains_key(path) {
            let name = file::name(path);
            let index = builder.add(&name, &SoundSource::Wav(path.clone()), onset::SPOKEN);
            builder.bank.voices.insert(path.clone(), index);
        }
    }
    builder.finish()
}

struct Builder<'s> {
    show: &'s Show,
    rate: SampleRate,
    bank: SoundBank,
    known: Vec<(&'s SoundSource, u16)>,
    faults: Vec<SoundFault>,
}

impl<'s> Builder<'s> {
    fn index_of(&mut self, name: &str, source: &'s SoundSource, search: onset::Search) -> u16 {
        if let Some((_, index)) = self.known.iter().find(|(known, _)| *known == source) {
            return *index;
        }
        let index = self.add(name, source, search);
        self.known.push((source, index));
        index
    }

    /// A fault is kept and stands for index 0, which nobody sees: the build fails as a whole.
    fn add(&mut self, name: &str, source: &SoundSource, search: onset::Search) -> u16 {
        match self.make(name, source, search) {
            Ok((sound, content)) => {
                self.bank.sounds.push(sound);
                self.bank.contents.push(content);
            }
            Err(fault) => {
                self.faults.push(fault);
                return 0;
            }
        }
        u16::try_from(self.bank.sounds.len() - 1).unwrap_or(u16::MAX)
    }

    fn make(
        &mut self,
        name: &str,
        source: &SoundSource,
        search: onset::Search,
    ) -> Result<(Sound, u64), SoundFault> {
        match source {
            SoundSource::Synth(made) => {
                let not_made = || SoundFault::NotMade { sound: name.to_owned(), rate: self.rate };
                let samples = synth::synthesise(made, self.rate).ok_or_else(not_made)?;
                Ok((self.sound(name, samples, 0), digest(format!("{made:?}").bytes())))
            }
            SoundSource::Wav(path) => {
                let path = self.place(path);
                let prepared = file::prepare(&path, self.rate, search, self.show.ceiling)?;
                self.bank.notes.extend(prepared.notes);
                Ok((self.sound(name, prepared.samples, prepared.lead), prepared.content))
            }
        }
    }

    /// Where a file named by the show lies.
    fn place(&self, path: &Path) -> PathBuf {
        self.show.folder.join(path)
    }

    fn sound(&self, name: &str, samples: Vec<f32>, lead: usize) -> Sound {
        let end = (lead + self.rate.frames(ONSET_SECONDS).0 as usize).min(samples.len());
        let onset_peak = onset::peak(&samples[lead..end]);
        let samples = samples.into();
        Sound { name: name.to_owned(), samples, lead: lead as u32, onset_peak, heard_late: 0.0 }
    }

    fn finish(mut self) -> Result<SoundBank, Vec<SoundFault>> {
        let frames: usize = self.bank.sounds.iter().map(|sound| sound.samples.len()).sum();
        let bytes = frames * size_of::<f32>();
        if bytes > MOST_BYTES {
            self.faults.push(SoundFault::TooMuch { bytes });
        }
        if self.bank.sounds.len() > usize::from(u16::MAX) {
            self.faults.push(SoundFault::TooMany { sounds: self.bank.sounds.len() });
        }
        if self.faults.is_empty() { Ok(self.bank) } else { Err(self.faults) }
    }
}

/// The first eight bytes of a SHA-256.
fn digest(bytes: impl Iterator<Item = u8>) -> u64 {
    let bytes: Vec<u8> = bytes.collect();
    Sha256::digest(bytes).iter().take(8).fold(0, |digest, byte| digest << 8 | u64::from(*byte))
}

#[cfg(test)]
mod tests;
