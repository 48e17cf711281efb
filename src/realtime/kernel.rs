//! The one kernel that makes every hit: callback, stems, drill and simulation all call it.

use crate::click::set::{Anchor, Grid, Hit, Sound};
use crate::units::{FramePos, Frames};

/// Adds a sound to `out`, whose first sample lies at `start`.
///
/// `at` is the frame of the sound's first sample. Shape: mono. Range: not clipped. Panics: never.
/// Real-time: safe; work grows with the overlap only.
pub fn mix_sound(samples: &[f32], at: FramePos, gain: f32, start: FramePos, out: &mut [f32]) {
    let offset = (at - start).0;
    let (skip_out, skip_sound) = if offset >= 0 { (offset as u64, 0) } else { (0, offset.unsigned_abs()) };
    let (Ok(skip_out), Ok(skip_sound)) = (usize::try_from(skip_out), usize::try_from(skip_sound)) else {
        return;
    };
    let target = out.get_mut(skip_out..).unwrap_or(&mut []);
    let source = samples.get(skip_sound..).unwrap_or(&[]);
    for (sample, sound) in target.iter_mut().zip(source) {
        *sample += gain * sound;
    }
}

/// The frame of a sound's first sample when its hit falls on `onset`.
pub const fn first_frame(sound: &Sound, onset: FramePos) -> FramePos {
    FramePos(onset.0.wrapping_sub(sound.lead as i64))
}

/// Adds the hits of one lane of one pass to `out`, whose first sample lies at `start`, and counts them.
///
/// Hits are looked for by time, so a window costs what sounds in it. Real-time: safe.
pub fn mix_hits(
    grid: &Grid,
    anchor: Anchor,
    lane: u8,
    sounds: &[Sound],
    start: FramePos,
    out: &mut [f32],
) -> usize {
    let end = start + Frames(out.len() as i64);
    let longest = sounds.iter().map(|sound| sound.samples.len()).max().unwrap_or(0) as i64;
    let lead = sounds.iter().map(|sound| i64::from(sound.lead)).max().unwrap_or(0);
    let from = grid.hits.partition_point(|hit| anchor.frame(hit.local()).0.saturating_add(longest) < start.0);
    let near = grid.hits.get(from..).unwrap_or(&[]);
    let mut count = 0;
    for hit in near.iter().take_while(|hit| anchor.frame(hit.local()).0 - lead < end.0) {
        if hit.lane == lane {
            mix_hit(hit, anchor, sounds, start, out);
            count += 1;
        }
    }
    count
}

fn mix_hit(hit: &Hit, anchor: Anchor, sounds: &[Sound], start: FramePos, out: &mut [f32]) {
    if let Some(sound) = sounds.get(hit.sound as usize) {
        let at = first_frame(sound, anchor.frame(hit.local()));
        mix_sound(&sound.samples, at, hit.gain, start, out);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_sound_is_cut_at_both_edges_of_a_window() {
        let sound = [1.0, 2.0, 3.0, 4.0];
        let mut out = [0.0f32; 3];
        mix_sound(&sound, FramePos(-2), 1.0, FramePos(0), &mut out);
        assert_eq!(out, [3.0, 4.0, 0.0]);
        let mut out = [0.0f32; 3];
        mix_sound(&sound, FramePos(2), 0.5, FramePos(0), &mut out);
        assert_eq!(out, [0.0, 0.0, 0.5]);
        mix_sound(&sound, FramePos(1 << 62), 1.0, FramePos(0), &mut out);
        mix_sound(&sound, FramePos(0), 1.0, FramePos(1 << 62), &mut out);
        assert_eq!(out, [0.0, 0.0, 0.5]);
    }
}
