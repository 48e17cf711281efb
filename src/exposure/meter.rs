//! Levels of an ear mix, second by second, and the dose they make.

use super::calibration::Calibration;
use super::rules::Dose;
use super::weighting::AWeighting;
use crate::units::SampleRate;

/// Levels are integrated in stretches of a second: for OSHA's rule, which asks for SLOW, that is near enough.
const STRETCH_SECONDS: f64 = 1.0;
/// The level "now" is the energy mean of so many stretches.
const NOW: usize = 10;

/// One channel: its weighting and the energy of the stretch so far.
#[derive(Clone, Debug)]
struct Side {
    weighting: AWeighting,
    energy: f64,
}

/// Meters one ear mix, left and right apart; the louder side of each second counts.
#[derive(Clone, Debug)]
pub struct Meter {
    sides: Vec<Side>,
    stretch: u64,
    done: u64,
    seconds: f64,
    calibration: Option<Calibration>,
    dose: Dose,
    /// A-weighted energy of all, full-scale sine = 1, times seconds.
    energy: f64,
    latest: [f64; NOW],
    count: usize,
    /// Linear, unweighted.
    peak: f32,
}

impl Meter {
    pub fn new(rate: SampleRate, channels: usize, calibration: Option<Calibration>) -> Meter {
        let side = Side { weighting: AWeighting::new(rate), energy: 0.0 };
        let stretch = rate.frames(STRETCH_SECONDS).0.max(1) as u64;
        Meter {
            sides: vec![side; channels.max(1)],
            stretch,
            done: 0,
            seconds: rate.seconds(crate::units::Frames(stretch as i64)),
            calibration,
            dose: Dose::default(),
            energy: 0.0,
            latest: [0.0; NOW],
            count: 0,
            peak: 0.0,
        }
    }

    /// Hears the same stretch of time on every channel; one that is missing is silent.
    pub fn hear(&mut self, channels: &[&[f32]]) {
        let frames = channels.iter().map(|samples| samples.len()).max().unwrap_or(0);
        let mut from = 0;
        while from < frames {
            let piece = usize::try_from(self.stretch - self.done).unwrap_or(usize::MAX).min(frames - from);
            for (index, side) in self.sides.iter_mut().enumerate() {
                let samples = channels.get(index).and_then(|samples| samples.get(from..from + piece));
                for &sample in samples.unwrap_or(&[]) {
                    let weighted = side.weighting.step(sample);
                    side.energy += weighted * weighted;
                    self.peak = self.peak.max(sample.abs());
                }
            }
            self.done += piece as u64;
            from += piece;
            if self.done == self.stretch {
                self.close();
            }
        }
    }

    /// Time that was not heard, as long as that: it counts as silence.
    pub fn skip(&mut self, frames: u64) {
        let mut left = frames;
        while left > 0 {
            let piece = left.min(self.stretch - self.done);
            self.done += piece;
            left -= piece;
            if self.done == self.stretch {
                self.close();
            }
        }
    }

    fn close(&mut self) {
        let frames = self.stretch as f64;
        // A full-scale sine has a mean square of 1/2.
        let energy = self.sides.iter().fold(0.0f64, |most, side| most.max(2.0 * side.energy / frames));
        self.sides.iter_mut().for_each(|side| side.energy = 0.0);
        self.done = 0;
        self.energy += energy * self.seconds;
        self.latest[self.count % NOW] = energy;
        self.count += 1;
        let level = 10.0 * energy.log10();
        let dba = self.calibration.map_or(f64::NEG_INFINITY, |calibration| calibration.dba(level));
        self.dose.add(dba, self.seconds);
    }

    /// What was taken so far; without a calibration time only.
    pub const fn dose(&self) -> &Dose {
        &self.dose
    }

    pub const fn calibration(&self) -> Option<&Calibration> {
        self.calibration.as_ref()
    }

    /// A-weighted level of the last ten seconds, dBFS; minus infinity for silence.
    pub fn now_dbfs(&self) -> f64 {
        let count = self.count.clamp(1, NOW);
        10.0 * (self.latest.iter().sum::<f64>() / count as f64).log10()
    }

    /// A-weighted level of all of it, dBFS.
    pub fn mean_dbfs(&self) -> f64 {
        10.0 * (self.energy / self.dose.seconds.max(1e-9)).log10()
    }

    pub fn peak_dbfs(&self) -> f64 {
        20.0 * f64::from(self.peak).log10()
    }
}

#[cfg(test)]
mod tests {
    use super::super::calibration::Way;
    use super::super::rules::Rule;
    use super::*;
    use std::f64::consts::TAU;

    fn sine(hertz: f64, peak: f64, seconds: usize) -> Vec<f32> {
        (0..48_000 * seconds)
            .map(|frame| (peak * (TAU * hertz * frame as f64 / 48_000.0).sin()) as f32)
            .collect()
    }

    /// A full-scale sine at 1 kHz reads 0 dBFS; with 120 dB at full scale, one at −26 dB reads 94 dBA, of which NIOSH
    /// allows an hour: 20 s are 0.556 %.
    #[test]
    fn a_sine_reads_what_it_is() {
        let calibration = Calibration::new(Way::Read { db: 94.0, at_dbfs: -26.0 }, None);
        let mut meter = Meter::new(SampleRate::standard(), 2, Some(calibration));
        let tone = sine(1_000.0, 10f64.powf(-26.0 / 20.0), 20);
        // In one ear only: the louder one counts.
        meter.hear(&[&tone, &vec![0.0; tone.len()]]);
        assert!((meter.now_dbfs() + 26.0).abs() < 0.01, "{}", meter.now_dbfs());
        assert!((meter.dose().laeq() - 94.0).abs() < 0.05);
        assert!((meter.dose().niosh_percent() - 100.0 * 20.0 / 3_600.0).abs() < 0.01);
        assert!((meter.peak_dbfs() + 26.0).abs() < 0.01);
    }

    #[test]
    fn any_split_reads_the_same_and_the_bass_counts_for_less() {
        let tone = sine(63.0, 0.5, 5);
        let mut whole = Meter::new(SampleRate::standard(), 1, None);
        whole.hear(&[&tone]);
        let mut pieces = Meter::new(SampleRate::standard(), 1, None);
        tone.chunks(61).for_each(|part| pieces.hear(&[part]));
        assert_eq!(whole.mean_dbfs(), pieces.mean_dbfs());
        // 63 Hz: −26.2 dB by the table; the tone itself is at −6.
        assert!((whole.now_dbfs() + 6.0 + 26.2).abs() < 0.2, "{}", whole.now_dbfs());
        assert_eq!(whole.dose().niosh_percent(), 0.0);
        assert_eq!(whole.dose().seconds, 5.0);
    }

    /// Common practice, no source: a stage at 115 dB. Half a minute of it uses a NIOSH day.
    #[test]
    fn a_loud_mix_uses_a_day_within_a_minute() {
        let calibration = Calibration::new(Way::PerVolt { db: 121.0, pack_volts: 1.0 }, None);
        let mut meter = Meter::new(SampleRate::standard(), 1, Some(calibration));
        meter.hear(&[&sine(1_000.0, 10f64.powf(-6.0 / 20.0), 30)]);
        assert!((meter.dose().laeq() - 115.0).abs() < 0.05);
        assert!(meter.dose().niosh_percent() > 100.0);
        assert_eq!(meter.dose().minutes_left(Rule::Niosh, 115.0), 0.0);
    }

    #[test]
    fn what_is_skipped_is_silence_and_takes_time() {
        let mut meter = Meter::new(SampleRate::standard(), 1, None);
        meter.hear(&[&sine(1_000.0, 0.5, 1)]);
        meter.skip(3 * 48_000);
        assert_eq!(meter.dose().seconds, 4.0);
        assert!((meter.mean_dbfs() + 6.02 + 6.02).abs() < 0.05);
        let mut bad = Meter::new(SampleRate::standard(), 1, None);
        bad.hear(&[&[f32::NAN; 48_000]]);
        assert_eq!(bad.now_dbfs(), f64::NEG_INFINITY);
    }
}
