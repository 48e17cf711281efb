//! A sound as the listener knows it: the samples a hit should put into an output at gain 1.

use std::sync::Arc;

/// A known sound with the part of it that is judged.
#[derive(Debug)]
pub struct Template {
    /// From the first sample that matters to the last, trimmed of silence.
    samples: Vec<f32>,
    /// Frames from `samples[0]` to the onset that lies on the hit's frame (negative never: see `new`).
    lead: i64,
    /// Frames of `samples` that are judged: the loud beginning.
    judged: usize,
    peak: f32,
    energy: f64,
    slope_energy: f64,
}

/// Below this part of the peak a sample is silence at the sound's ends.
const SILENT_PART: f32 = 1e-5;

impl Template {
    /// A sound whose onset is at frame `lead` of `samples`. A silent one gets energy 0 and is never due.
    ///
    /// The judged part goes on until 90 % of the energy has come, at least 30 ms and at most 150 ms of it.
    pub fn new(samples: &[f32], lead: usize, rate: u32) -> Arc<Template> {
        let peak = samples.iter().fold(0.0f32, |peak, sample| peak.max(sample.abs()));
        let loud = |sample: &f32| sample.abs() > peak * SILENT_PART;
        let first = samples.iter().position(loud).unwrap_or(0);
        let last = samples.iter().rposition(loud).map_or(0, |last| last + 1);
        let kept = samples.get(first..last).unwrap_or(&[]).to_vec();
        let judged = judged_frames(&kept, rate);
        let energy = energy(&kept[..judged]);
        let slope_energy = (0..judged).map(|frame| f64::from(slope(&kept, frame)).powi(2)).sum();
        Arc::new(Template {
            samples: kept,
            lead: lead as i64 - first as i64,
            judged,
            peak,
            energy,
            slope_energy,
        })
    }

    pub fn samples(&self) -> &[f32] {
        &self.samples
    }

    /// Frames from the first sample to the onset; may be negative when the buffer's lead is silent.
    pub fn lead(&self) -> i64 {
        self.lead
    }

    pub fn judged(&self) -> usize {
        self.judged
    }

    pub fn peak(&self) -> f32 {
        self.peak
    }

    /// The samples that are judged.
    pub fn head(&self) -> &[f32] {
        &self.samples[..self.judged]
    }

    /// Of the judged part, at gain 1.
    pub fn energy(&self) -> f64 {
        self.energy
    }

    /// Energy that a misplacing by one frame leaves unexplained, as a part of [`Template::energy`].
    pub fn one_frame_off(&self) -> f64 {
        if self.energy > 0.0 { (self.slope_energy / self.energy).min(1.0) } else { 1.0 }
    }

    pub fn slope_energy(&self) -> f64 {
        self.slope_energy
    }

    /// Central difference of the sound.
    pub fn slope(&self, frame: usize) -> f32 {
        slope(&self.samples, frame)
    }
}

fn slope(samples: &[f32], frame: usize) -> f32 {
    let at = |frame: usize| samples.get(frame).copied().unwrap_or(0.0);
    let before = if frame == 0 { 0.0 } else { at(frame - 1) };
    0.5 * (at(frame + 1) - before)
}

fn energy(samples: &[f32]) -> f64 {
    samples.iter().map(|sample| f64::from(*sample) * f64::from(*sample)).sum()
}

fn judged_frames(samples: &[f32], rate: u32) -> usize {
    let enough = 0.9 * energy(samples);
    let mut sum = 0.0;
    let mut frames = samples.len();
    for (frame, sample) in samples.iter().enumerate() {
        sum += f64::from(*sample) * f64::from(*sample);
        if sum >= enough {
            frames = frame + 1;
            break;
        }
    }
    let least = (rate as usize * 30 / 1000).min(samples.len());
    frames.clamp(least, (rate as usize * 150 / 1000).max(least))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn silence_at_both_ends_is_trimmed_and_the_onset_stays() {
        let template = Template::new(&[0.0, 0.0, 0.5, -0.25, 0.0], 3, 48_000);
        assert_eq!(template.samples(), [0.5, -0.25]);
        assert_eq!(template.lead(), 1);
        assert_eq!(template.energy(), 0.3125);
    }

    #[test]
    fn a_silent_sound_has_no_energy() {
        let template = Template::new(&[0.0; 64], 0, 48_000);
        assert_eq!((template.energy(), template.judged()), (0.0, 0));
    }
}
