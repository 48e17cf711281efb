//! A gain that moves in a straight line between two frames. Its value is a function of the frame, so
//! that any split into blocks gives the same samples.

use crate::units::FramePos;

#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Ramp {
    from: f32,
    to: f32,
    start: FramePos,
    frames: u32,
}

impl Ramp {
    pub const fn steady(gain: f32) -> Ramp {
        Ramp { from: gain, to: gain, start: FramePos(0), frames: 0 }
    }

    /// Moves from where it is at `start` to `to`, arriving `frames` later.
    pub fn go(&mut self, to: f32, start: FramePos, frames: u32) {
        *self = Ramp { from: self.at(start), to, start, frames };
    }

    /// Arrives at `to` on frame `end`.
    pub fn arrive(&mut self, to: f32, end: FramePos, frames: u32) {
        self.go(to, FramePos(end.0.saturating_sub(i64::from(frames))), frames);
    }

    pub fn at(&self, frame: FramePos) -> f32 {
        let gone = (frame - self.start).0;
        if gone >= i64::from(self.frames) {
            return self.to;
        }
        if gone <= 0 {
            return self.from;
        }
        self.from + (self.to - self.from) * (gone as f32 / self.frames as f32)
    }

    pub const fn target(&self) -> f32 {
        self.to
    }

    /// The one gain of all `frames` frames from `start`, when it does not move there.
    pub fn constant(&self, start: FramePos, frames: usize) -> Option<f32> {
        let gone = (start - self.start).0;
        if gone >= i64::from(self.frames) || self.from == self.to {
            return Some(self.to);
        }
        (gone + frames as i64 <= 0).then_some(self.from)
    }

    /// Multiplies a buffer whose first sample lies at `start`. Real-time: safe.
    pub fn apply(&self, start: FramePos, samples: &mut [f32]) {
        match self.constant(start, samples.len()) {
            Some(1.0) => {}
            Some(0.0) => samples.fill(0.0),
            Some(gain) => samples.iter_mut().for_each(|sample| *sample *= gain),
            None => {
                for (sample, frame) in samples.iter_mut().zip(start.0..) {
                    let gain = self.at(FramePos(frame));
                    // As above, and not the 0 below 0.
                    *sample = if gain == 0.0 { 0.0 } else { *sample * gain };
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn any_split_gives_the_same_samples() {
        let mut ramp = Ramp::steady(1.0);
        ramp.go(0.0, FramePos(10), 100);
        let play = |sign: f32, size: usize| {
            let mut all = vec![sign; 200];
            for (index, piece) in all.chunks_mut(size).enumerate() {
                ramp.apply(FramePos((index * size) as i64), piece);
            }
            all
        };
        let whole = play(1.0, 200);
        for sign in [1.0, -1.0] {
            let bits = |size: usize| play(sign, size).into_iter().map(f32::to_bits).collect::<Vec<_>>();
            assert_eq!(bits(200), bits(7));
        }
        assert_eq!((whole[9], whole[60], whole[110]), (1.0, 0.5, 0.0));
    }
}
