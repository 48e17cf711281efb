//! What an output says of itself: its channel as two counted digits, or a loud steady tone to line levels up.
//!
//! A digit is counted in beeps: tens low (500 Hz), ones high (1 kHz), a longer gap after the fifth, so that seven is
//! five and two. Nought is one long beep. Both digits always sound, tens first: output 12 is one low beep, a pause, two
//! high ones; output 3 is a long low one, a pause, three high ones. Own design; a person counts it, no machine must.

use crate::units::{Decibels, SampleRate};
use std::f64::consts::{PI, TAU};
use std::fmt::Write;

/// EBU R 68: alignment level lies 18 dB below the largest coding level.
pub const EBU_R68: Decibels = Decibels(-18.0);
/// SMPTE RP 155: reference level lies 20 dB below full scale.
pub const SMPTE_RP155: Decibels = Decibels(-20.0);
/// Of the line-up tone.
pub const TONE_HERTZ: f64 = 1_000.0;

const TENS_HERTZ: f64 = 500.0;
const ONES_HERTZ: f64 = 1_000.0;
const BEEP: f64 = 0.09;
const GAP: f64 = 0.11;
/// On top of the gap, after the fifth beep.
const BREATH: f64 = 0.16;
const NOUGHT: f64 = 0.45;
const BETWEEN_DIGITS: f64 = 0.40;
/// Silence before it comes again.
pub const REST: f64 = 0.90;
/// A beep's edges: a raised cosine.
const EDGE: f64 = 0.008;

/// The largest number with two digits; an output beyond it says its last two.
pub const MOST: u16 = 99;

/// One beep: where it starts, how long it is, its pitch.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Beep {
    pub from: f64,
    pub seconds: f64,
    pub hertz: f64,
}

/// The beeps of a channel's number and the length of the whole, its rest included, in seconds.
pub fn beeps(channel: u16) -> (Vec<Beep>, f64) {
    let number = channel % (MOST + 1);
    let mut beeps = Vec::new();
    let mut at = 0.0;
    for (digit, hertz) in [(number / 10, TENS_HERTZ), (number % 10, ONES_HERTZ)] {
        if digit == 0 {
            beeps.push(Beep { from: at, seconds: NOUGHT, hertz });
            at += NOUGHT;
        }
        for beep in 1..=digit {
            beeps.push(Beep { from: at, seconds: BEEP, hertz });
            at += BEEP + GAP + if beep == 5 && digit > 5 { BREATH } else { 0.0 };
        }
        at += BETWEEN_DIGITS;
    }
    (beeps, at - BETWEEN_DIGITS + REST)
}

/// The pattern of a channel, once, its rest included.
///
/// Shape: mono. Range: peak 1; whoever plays it scales it. Edges are soft, so that it starts and ends in silence.
pub fn samples(channel: u16, rate: SampleRate) -> Vec<f32> {
    let hertz = f64::from(rate.hertz());
    let (beeps, seconds) = beeps(channel);
    let mut out = vec![0.0; (seconds * hertz).round() as usize];
    for beep in beeps {
        let from = (beep.from * hertz).round() as usize;
        for n in 0..(beep.seconds * hertz).round() as usize {
            let time = n as f64 / hertz;
            let edge = (time.min(beep.seconds - time) / EDGE).clamp(0.0, 1.0);
            let height = 0.5 - 0.5 * (PI * edge).cos();
            if let Some(sample) = out.get_mut(from + n) {
                *sample = (height * (TAU * beep.hertz * time).sin()) as f32;
            }
        }
    }
    out
}

/// The pattern as a person says it: "one long low, then 3 high (output 03)".
pub fn words(channel: u16) -> String {
    let number = channel % (MOST + 1);
    let digit = |digit: u16, pitch: &str| match digit {
        0 => format!("one long {pitch} beep"),
        1 => format!("1 {pitch} beep"),
        6..=9 => format!("{digit} {pitch} beeps (5 and {})", digit - 5),
        _ => format!("{digit} {pitch} beeps"),
    };
    let mut out = digit(number / 10, "low");
    let _ = write!(out, ", then {}", digit(number % 10, "high"));
    out
}

/// A second of the line-up tone: 1 kHz has whole turns in a second at every rate, so it can be looped.
///
/// Range: peak 1. A sine whose peak lies 18 (20) dB below full scale is what EBU R 68 (SMPTE RP 155) calls −18 (−20).
pub fn tone(rate: SampleRate) -> Vec<f32> {
    let turn = TONE_HERTZ / f64::from(rate.hertz());
    (0..rate.hertz()).map(|n| (TAU * (turn * f64::from(n)).fract()).sin() as f32).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Counts beeps and their pitch as an ear would: runs above a third of the top, zero crossings within.
    fn counted(samples: &[f32], rate: f64) -> Vec<(f64, f64)> {
        let loud = |from: usize| samples[from..(from + 96).min(samples.len())].iter().any(|x| x.abs() > 0.3);
        let (mut runs, mut start) = (Vec::new(), None);
        for from in (0..samples.len()).step_by(96) {
            match (loud(from), start) {
                (true, None) => start = Some(from),
                (false, Some(begun)) => {
                    let run = &samples[begun..from];
                    let crossings = run.windows(2).filter(|pair| pair[0] < 0.0 && pair[1] >= 0.0).count();
                    let seconds = run.len() as f64 / rate;
                    runs.push((seconds, crossings as f64 / seconds));
                    start = None;
                }
                _ => {}
            }
        }
        runs
    }

    #[test]
    fn every_channel_counts_its_two_digits_tens_low_and_ones_high() {
        let rate = SampleRate::standard();
        for channel in 1..=MOST {
            let samples = samples(channel, rate);
            let runs = counted(&samples, 48_000.0);
            let digit = |low: bool| {
                let of: Vec<f64> =
                    runs.iter().filter(|run| (run.1 < 750.0) == low).map(|run| run.0).collect();
                if of.len() == 1 && of[0] > 0.3 { 0 } else { of.len() as u16 }
            };
            assert_eq!(digit(true) * 10 + digit(false), channel, "{runs:?}");
            assert!(samples.len() < 6 * 48_000 && samples.iter().all(|x| x.abs() <= 1.0));
            let step = samples.windows(2).map(|pair| (pair[1] - pair[0]).abs()).fold(0.0f32, f32::max);
            // A full-scale 1 kHz sine moves by 2π 1000 / 48000 = 0.131 a frame: no edge is steeper.
            assert!(step < 0.132, "{channel}: {step}");
        }
        assert_eq!(words(12), "1 low beep, then 2 high beeps");
        assert_eq!(words(7), "one long low beep, then 7 high beeps (5 and 2)");
    }

    /// EBU R 68-2000 and SMPTE RP 155 (both from memory): a sine 18 or 20 dB below the largest code. In RMS against a
    /// full-scale square that is 3.01 dB less.
    #[test]
    fn the_line_up_tone_is_a_kilohertz_at_the_standard_s_level_and_has_no_seam() {
        for hertz in [44_100, 48_000, 96_000] {
            let tone = tone(SampleRate::new(hertz).unwrap());
            assert_eq!(tone.len(), hertz as usize);
            let rms = (tone.iter().map(|x| f64::from(*x).powi(2)).sum::<f64>() / tone.len() as f64).sqrt();
            for (level, wanted) in [(EBU_R68, -21.0103), (SMPTE_RP155, -23.0103)] {
                let db = 20.0 * (rms * f64::from(level.gain())).log10();
                assert!((db - wanted).abs() < 0.001, "{db}");
            }
            let crossings = (0..tone.len()).filter(|n| tone[*n] < 0.0 && tone[(n + 1) % tone.len()] >= 0.0);
            assert_eq!(crossings.count(), 1_000);
            let step = (tone[0] - tone[tone.len() - 1]).abs();
            assert!(step <= (tone[1] - tone[0]).abs() * 1.001);
        }
    }
}
