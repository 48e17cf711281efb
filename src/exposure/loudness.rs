//! Loudness and true peak of a recording, ITU-R BS.1770 and EBU R 128, through the crate `ebur128`.

use crate::units::SampleRate;
use ebur128::{EbuR128, Error, Mode};

/// Measures; for recordings, not for the audio thread.
pub struct Loudness {
    meter: EbuR128,
    channels: usize,
}

impl Loudness {
    /// Errors: no channels, or a rate that the standard's filter does not know.
    pub fn new(rate: SampleRate, channels: usize) -> Result<Loudness, Error> {
        let meter =
            EbuR128::new(channels as u32, rate.hertz(), Mode::I | Mode::S | Mode::M | Mode::TRUE_PEAK)?;
        Ok(Loudness { meter, channels })
    }

    /// All channels over the same time. Errors: another number of channels.
    pub fn hear(&mut self, planar: &[&[f32]]) -> Result<(), Error> {
        self.meter.add_frames_planar_f32(planar)
    }

    /// LUFS of all of it; `None` where it never rose above the gate.
    pub fn integrated(&self) -> Option<f64> {
        self.meter.loudness_global().ok().filter(|loudness| loudness.is_finite())
    }

    /// LUFS of the last 0.4 s, and of the last 3 s.
    pub fn momentary(&self) -> Option<f64> {
        self.meter.loudness_momentary().ok().filter(|loudness| loudness.is_finite())
    }

    pub fn short_term(&self) -> Option<f64> {
        self.meter.loudness_shortterm().ok().filter(|loudness| loudness.is_finite())
    }

    /// dBTP of the loudest channel.
    pub fn true_peak(&self) -> Option<f64> {
        let peaks = (0..self.channels).filter_map(|channel| self.meter.true_peak(channel as u32).ok());
        Some(20.0 * peaks.fold(0.0, f64::max).log10()).filter(|peak| peak.is_finite())
    }
}
