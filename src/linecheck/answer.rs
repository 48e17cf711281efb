//! A player who hears their pattern answers with a word into their own microphone, in the pause after it.
//!
//! A loud stage must not answer by itself. So the microphone is listened to while the pattern sounds, too: only what
//! stands well above everything that came then, lasts and ends as a word does, and is nobody else's counts.

use super::measure::{mean, windows};

/// Above the loudest 10 ms of the pattern (12 dB).
const OVER: f64 = 4.0;
/// A voice close to a microphone is no quieter: −42 dBFS, RMS of 10 ms (common practice, no source).
const LEAST: f64 = 0.008;
/// Where more than this came while the pattern sounded, nothing counts: −30 dBFS.
const MOST_BEFORE: f64 = 0.032;
/// Windows of 10 ms on end, none more than 12 dB below the loudest: a word. What is struck falls faster.
const WORD: usize = 12;
/// Windows without it afterwards: a word ends, where a microphone that begins to howl goes on.
const ENDED: usize = 6;
/// Louder by this (6 dB) than in every other microphone: who speaks, speaks into this one.
const NEARER: f64 = 2.0;

/// What a microphone brought in one round.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Answered {
    No,
    /// The stage is too loud in it: nothing that comes would count.
    TooLoud,
    Yes,
}

/// `own`: the player's microphone while the pattern sounded, and in the pause so far; `others`: other microphones in the
/// same pause.
pub fn answered(own: [&[f32]; 2], others: &[&[f32]], rate: f64) -> Answered {
    let [pattern, pause] = own;
    let dc = mean(pattern);
    let before = windows(pattern, rate, dc).fold(0.0, f64::max);
    if before > MOST_BEFORE {
        return Answered::TooLoud;
    }
    let levels: Vec<f64> = windows(pause, rate, dc).collect();
    let loudest = levels.iter().copied().fold(0.0, f64::max);
    let needed = (before * OVER).max(LEAST).max(loudest / OVER);
    let loud: Vec<bool> = levels.iter().map(|level| *level >= needed).collect();
    let longest = loud.split(|loud| !loud).map(<[bool]>::len).max().unwrap_or(0);
    let after = loud.iter().rev().take_while(|loud| !**loud).count();
    if longest < WORD || after < ENDED {
        return Answered::No;
    }
    let power = |samples: &[f32]| {
        let levels = windows(samples, rate, mean(samples));
        levels.zip(&loud).filter(|(_, loud)| **loud).map(|(level, _)| level * level).sum::<f64>()
    };
    let here = power(pause);
    let nearest = others.iter().all(|other| here >= power(other) * NEARER * NEARER);
    if nearest { Answered::Yes } else { Answered::No }
}

#[cfg(test)]
mod tests {
    use super::*;

    const RATE: f64 = 48_000.0;

    fn noise(seed: u64, level: f32, frames: usize) -> Vec<f32> {
        let mut random = fastrand::Rng::with_seed(seed);
        (0..frames).map(|_| level * (2.0 * random.f32() - 1.0)).collect()
    }

    /// A hum of 180 Hz that swells for so many seconds.
    fn word(seconds: f32, level: f32) -> Vec<f32> {
        let mut pause = noise(2, 1e-3, 40_000);
        let frames = (48_000.0 * seconds) as usize;
        for (n, x) in pause.iter_mut().skip(9_000).take(frames).enumerate() {
            let swell = (std::f32::consts::PI * n as f32 / frames as f32).sin();
            *x += level * swell * (n as f32 * 0.02356).sin();
        }
        pause
    }

    #[test]
    fn a_word_in_the_pause_is_an_answer_and_a_knock_a_whisper_or_somebody_else_is_none() {
        let still = noise(1, 1e-3, 60_000);
        let ask = |pause: &[f32], others: &[&[f32]]| answered([&still, pause], others, RATE);
        let said = word(0.3, 0.1);
        assert_eq!(ask(&said, &[]), Answered::Yes);
        assert_eq!(ask(&said, &[&word(0.3, 0.03)]), Answered::Yes);
        assert_eq!(ask(&said, &[&word(0.3, 0.08)]), Answered::No, "somebody between two microphones");
        assert_eq!(ask(&word(0.05, 0.5), &[]), Answered::No, "a knock");
        assert_eq!(ask(&word(0.3, 0.008), &[]), Answered::No, "a whisper");
        assert_eq!(ask(&noise(3, 1e-3, 40_000), &[]), Answered::No);
        let howl: Vec<f32> =
            (0..40_000).map(|n| 0.1 * (n as f32 * 0.1).sin() * (n as f32 / 9e3).min(1.0)).collect();
        assert!(
            (20_000..40_000).step_by(480).all(|so_far| ask(&howl[..so_far], &[]) == Answered::No),
            "a howl does not end"
        );
        assert_eq!(ask(&said[..22_000], &[]), Answered::No, "still speaking");
    }

    #[test]
    fn a_loud_stage_is_no_answer_and_a_pattern_that_leaks_into_the_microphone_is_none() {
        for (seed, level) in (0..200).zip([0.001, 0.01, 0.05, 0.3].into_iter().cycle()) {
            let both = noise(seed, level, 100_000);
            let found = answered([&both[..60_000], &both[60_000..]], &[], RATE);
            assert_eq!(found, if level > 0.055 { Answered::TooLoud } else { Answered::No }, "{seed}");
        }
        let leak = word(0.4, 0.04);
        assert_eq!(answered([&leak, &word(0.4, 0.1)], &[], RATE), Answered::No);
    }
}
