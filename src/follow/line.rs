//! What an input carries, a window of 100 ms at a time: a click, silence, hum or noise.

use crate::units::{FramePos, Frames, SampleRate};

const WINDOW_SECONDS: f64 = 0.1;
const PARTS: usize = 50;
/// Below this peak nothing is on the line.
const SILENT: f32 = 0.001;
/// A click stands this far above the middle of the parts (12 dB); noise stays within 6 dB.
const STANDS_OUT: f32 = 4.0;
/// Hum and its first harmonics lie below this.
const LOW_HERTZ: f64 = 350.0;
/// Hum: this part of the energy lies low.
const LOW_SHARE: f32 = 0.7;

/// What a window held.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default)]
pub enum LineKind {
    /// Something short that stands out. Music with clear beats counts too.
    Click,
    #[default]
    Silence,
    /// Steady and low.
    Hum,
    /// Steady and not low, music and speech included.
    Noise,
}

/// One window.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LineWindow {
    /// Its last frame.
    pub at: FramePos,
    pub kind: LineKind,
    /// Root mean square, linear.
    pub level: f32,
}

/// Sorts windows. They begin on multiples of their length.
#[derive(Clone, Debug)]
pub struct Line {
    window: i64,
    part: i64,
    low: [f32; 2],
    follows: f32,
    energies: [f32; PARTS],
    energy: f32,
    energy_low: f32,
    peak: f32,
    from: Option<FramePos>,
    next: Option<FramePos>,
}

impl Line {
    pub fn new(rate: SampleRate) -> Line {
        let part = rate.frames(WINDOW_SECONDS / PARTS as f64).0.max(1);
        let turn = std::f64::consts::TAU * LOW_HERTZ / f64::from(rate.hertz());
        Line {
            window: part * PARTS as i64,
            part,
            low: [0.0; 2],
            follows: (1.0 - (-turn).exp()) as f32,
            energies: [0.0; PARTS],
            energy: 0.0,
            energy_low: 0.0,
            peak: 0.0,
            from: None,
            next: None,
        }
    }

    /// Hears `samples`, the first of which is at frame `at`; tells each window when it is over. A window with a gap
    /// in its frames is not told. Panics: never. Real-time: safe.
    pub fn push(&mut self, at: FramePos, samples: &[f32], told: &mut dyn FnMut(LineWindow)) {
        if self.next.is_some_and(|next| next != at) {
            self.from = None;
        }
        let mut frame = at;
        for &sample in samples {
            if let Some(window) = self.sample(frame, sample) {
                told(window);
            }
            frame = frame + Frames(1);
        }
        self.next = Some(frame);
    }

    fn sample(&mut self, frame: FramePos, sample: f32) -> Option<LineWindow> {
        let x = if sample.is_finite() { sample.clamp(-8.0, 8.0) } else { 0.0 };
        let low = self.lowpass(x);
        let place = frame.0.rem_euclid(self.window);
        if place == 0 {
            self.begin(frame);
        }
        self.from?;
        self.peak = self.peak.max(x.abs());
        self.energy += x * x;
        self.energy_low += low * low;
        // Parts compare what is above the hum.
        if let Some(part) = self.energies.get_mut((place / self.part) as usize) {
            *part += (x - low) * (x - low);
        }
        (place == self.window - 1).then(|| self.end(frame))
    }

    fn lowpass(&mut self, x: f32) -> f32 {
        let mut value = x;
        for stage in &mut self.low {
            *stage += (value - *stage) * self.follows;
            if stage.abs() < 1e-20 {
                *stage = 0.0;
            }
            value = *stage;
        }
        value
    }

    fn begin(&mut self, frame: FramePos) {
        self.from = Some(frame);
        self.energies = [0.0; PARTS];
        (self.energy, self.energy_low, self.peak) = (0.0, 0.0, 0.0);
    }

    fn end(&mut self, frame: FramePos) -> LineWindow {
        self.energies.sort_unstable_by(f32::total_cmp);
        let middle = self.energies.get(PARTS / 2).copied().unwrap_or(0.0);
        let most = self.energies.last().copied().unwrap_or(0.0);
        let least = self.part as f32 * SILENT * SILENT * 0.01;
        let kind = if self.peak < SILENT {
            LineKind::Silence
        } else if most > STANDS_OUT * STANDS_OUT * middle.max(least) {
            LineKind::Click
        } else if self.energy_low > LOW_SHARE * self.energy {
            LineKind::Hum
        } else {
            LineKind::Noise
        };
        LineWindow { at: frame, kind, level: (self.energy / self.window as f32).sqrt() }
    }
}
