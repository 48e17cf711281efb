//! The sounds that ring now, in the order in which they were due: sums never depend on how time is split.

use super::io::{Piece, Planar};
use super::kernel::{first_frame, mix_sound};
use super::transport::DueHit;
use crate::click::set::{Set, Sound};
use crate::units::{FramePos, Frames};

/// Most sounds that ring or wait at once; one more than that is refused and counted.
pub const MOST: usize = 512;

#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Voice {
    pub onset: FramePos,
    pub index: u32,
    pub lane: u8,
    pub sound: u16,
    pub gain: f32,
    /// Peak that a streamed primary must show at this hit; 0 where it may be silent.
    pub expected: f32,
    pub bar_line: bool,
    /// A claim has decided about this hit.
    pub judged: bool,
    /// Its own frame was asked for by nobody.
    pub late: bool,
    /// The gate of a machine that stands by has decided about this hit.
    pub stood: bool,
    /// It has waited for its witness.
    pub waited: bool,
    /// It has been decided whether the click that arrives makes this hit.
    pub passed: bool,
    /// Fades out from here.
    cut: Option<FramePos>,
}

impl Voice {
    pub const fn new(due: &DueHit, expected: f32) -> Voice {
        Voice {
            onset: due.onset,
            index: due.index,
            lane: due.hit.lane,
            sound: due.hit.sound,
            gain: due.hit.gain,
            expected,
            bar_line: due.bar_line,
            judged: false,
            late: due.late,
            stood: false,
            waited: false,
            passed: false,
            cut: None,
        }
    }
}

#[derive(Debug)]
pub struct Voices {
    all: Vec<Voice>,
    pub refused: u32,
    fade: Frames,
    keep: Frames,
}

impl Voices {
    /// Allocates. `fade` is how long a cut sound takes to silence, `keep` how far back time may be made again.
    pub fn new(fade: Frames, keep: Frames) -> Voices {
        Voices { all: Vec::with_capacity(MOST), refused: 0, fade, keep }
    }

    pub fn is_empty(&self) -> bool {
        self.all.is_empty()
    }

    pub fn iter_mut(&mut self) -> impl Iterator<Item = &mut Voice> {
        self.all.iter_mut()
    }

    /// The earliest hit that `wanted` is true of. Real-time: safe.
    pub fn first(&self, wanted: impl Fn(&Voice) -> bool) -> Option<Voice> {
        self.all.iter().filter(|voice| wanted(voice)).min_by_key(|voice| voice.onset).copied()
    }

    pub fn iter(&self) -> impl Iterator<Item = &Voice> {
        self.all.iter()
    }

    pub fn add(&mut self, voice: Voice) {
        if self.all.len() < MOST {
            self.all.push(voice);
        } else {
            self.refused = self.refused.saturating_add(1);
        }
    }

    /// What is due at `at` or later never sounds; what rings fades out.
    pub fn cut(&mut self, at: FramePos) {
        self.all.retain(|voice| voice.onset < at);
        self.all.iter_mut().for_each(|voice| voice.cut = voice.cut.or(Some(at)));
    }

    /// Onsets in `from .. asked` fell into frames that nobody asked for: at most `late` late they sound at
    /// `asked`, else they are lost. `told` learns the hit's index, its frame and, when it sounds, how late.
    pub fn lose(
        &mut self,
        from: FramePos,
        asked: FramePos,
        late: Frames,
        told: &mut dyn FnMut(u32, FramePos, Option<Frames>),
    ) {
        self.all.retain_mut(|voice| {
            if voice.onset < from || voice.onset >= asked {
                return true;
            }
            let by = asked - voice.onset;
            let kept = by <= late;
            told(voice.index, voice.onset, kept.then_some(by));
            (voice.onset, voice.late, voice.judged) = (asked, true, false);
            kept
        });
    }

    /// Adds what sounds in a piece that begins at `start` to the lanes' buses, and forgets what has ended.
    /// Real-time: safe; work grows with what sounds.
    pub fn mix(&mut self, set: &Set, start: FramePos, piece: Piece, lanes: &mut Planar) {
        let end = start + Frames(piece.frames as i64);
        let (fade, keep) = (self.fade, self.keep);
        self.all.retain(|voice| {
            let Some(sound) = set.sounds.get(voice.sound as usize) else { return false };
            let first = first_frame(sound, voice.onset);
            if first < end {
                mix_voice(voice, sound, first, start, fade, lanes.part_mut(voice.lane as usize, piece));
            }
            let ends = voice.cut.map_or(FramePos(i64::MAX), |cut| cut + fade);
            (first + Frames(sound.samples.len() as i64)).min(ends) > end - keep
        });
    }
}

fn mix_voice(voice: &Voice, sound: &Sound, first: FramePos, start: FramePos, fade: Frames, bus: &mut [f32]) {
    let Some(cut) = voice.cut else {
        return mix_sound(&sound.samples, first, voice.gain, start, bus);
    };
    for (sample, frame) in bus.iter_mut().zip(start.0..) {
        let gone = (frame - cut.0).max(0);
        let into = usize::try_from(frame - first.0).unwrap_or(usize::MAX);
        if gone < fade.0
            && let Some(source) = sound.samples.get(into)
        {
            *sample += voice.gain * source * (1.0 - gone as f32 / fade.0 as f32);
        }
    }
}
