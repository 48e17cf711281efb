//! Compression and gate of eight inputs, decided every sixteen frames of the timeline and moved between them.

use super::biquad::LANES;
use super::setup::InputSetup;
use crate::units::SampleRate;

/// Frames from one decision to the next.
pub const STEP: usize = 16;

/// A gate that has heard something stays open this long after it (start value; common practice, no source).
const HOLD_SECONDS: f64 = 0.3;

#[derive(Clone, Copy, Debug, Default)]
struct Lane {
    /// Linear level above which the rest is divided by the ratio; `None`: no compression.
    above: Option<f32>,
    /// `1 / ratio − 1`: the gain in decibels per decibel above.
    slope: f32,
    /// Linear level at which the gate opens; `None`: no gate.
    opens: Option<f32>,
    /// The loudest sample since the last decision.
    loudest: f32,
    envelope: f32,
    hold: u32,
    gate: f32,
    from: f32,
    to: f32,
}

/// The memory of eight inputs of which one or more has dynamics.
#[derive(Debug)]
pub struct Dynamics {
    lanes: [Lane; LANES],
    attack: f32,
    release: f32,
    opening: f32,
    closing: f32,
    hold: u32,
}

impl Dynamics {
    /// `None` where no input asks for any.
    pub fn new(setups: &[InputSetup], rate: SampleRate) -> Option<Dynamics> {
        let asked = setups.iter().any(|setup| setup.compress.is_some() || setup.gate_opens.is_some());
        let mut lanes = [Lane { gate: 1.0, from: 1.0, to: 1.0, ..Lane::default() }; LANES];
        for (lane, setup) in lanes.iter_mut().zip(setups) {
            lane.above = setup.compress.map(|compress| compress.above);
            lane.slope = setup.compress.map_or(0.0, |compress| 1.0 / compress.ratio.max(1.0) - 1.0);
            lane.opens = setup.gate_opens;
            if lane.opens.is_some() {
                (lane.gate, lane.from, lane.to) = (0.0, 0.0, 0.0);
            }
        }
        let step = STEP as f64 / f64::from(rate.hertz());
        let toward = |seconds: f64| (1.0 - (-step / seconds).exp()) as f32;
        asked.then_some(Dynamics {
            lanes,
            attack: toward(0.005),
            release: toward(0.150),
            opening: (step / 0.010) as f32,
            closing: (step / 0.200) as f32,
            hold: (HOLD_SECONDS / step) as u32,
        })
    }

    /// The gate of this input is open (or it has none). Real-time: safe.
    pub fn is_open(&self, lane: usize) -> bool {
        self.lanes.get(lane).is_none_or(|lane| lane.opens.is_none() || lane.hold > 0)
    }

    /// `step` is the frame's place after the last decision, 0 to 15; on 15 the next one is made. Real-time: safe.
    pub fn work(&mut self, step: usize, row: &mut [f32; LANES]) {
        let part = (step + 1) as f32 / STEP as f32;
        for (sample, lane) in row.iter_mut().zip(&mut self.lanes) {
            let level = sample.abs();
            lane.loudest = if level > lane.loudest { level } else { lane.loudest };
            *sample *= lane.from + (lane.to - lane.from) * part;
        }
        if step + 1 == STEP {
            self.decide();
        }
    }

    fn decide(&mut self) {
        for lane in &mut self.lanes {
            let toward = if lane.loudest > lane.envelope { self.attack } else { self.release };
            lane.envelope += (lane.loudest - lane.envelope) * toward;
            if lane.envelope < 1e-20 {
                lane.envelope = 0.0;
            }
            if let Some(opens) = lane.opens {
                lane.hold = if lane.loudest > opens { self.hold } else { lane.hold.saturating_sub(1) };
                let by = if lane.hold > 0 { self.opening } else { -self.closing };
                lane.gate = (lane.gate + by).clamp(0.0, 1.0);
            }
            let over = lane.above.map_or(1.0, |above| (lane.envelope / above).max(1.0));
            let gain = if over > 1.0 { over.powf(lane.slope) } else { 1.0 };
            (lane.from, lane.to) = (lane.to, gain * lane.gate);
            lane.loudest = 0.0;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::realtime::setup::Compress;

    fn steady(setup: InputSetup, level: f32, frames: usize) -> f32 {
        let mut dynamics = Dynamics::new(&[setup], SampleRate::standard()).expect("dynamics");
        let mut last = 0.0;
        for frame in 0..frames {
            let mut row = [level; LANES];
            dynamics.work(frame % STEP, &mut row);
            last = row[0];
        }
        last
    }

    /// 3:1 above −30 dBFS: 12 dB above comes out 4 dB above, 6 dB below as it is.
    #[test]
    fn three_to_one_leaves_a_third_of_what_is_above() {
        let db = |gain: f32| 20.0 * gain.log10();
        let compress = Some(Compress { above: 10f32.powf(-1.5), ratio: 3.0 });
        let setup = InputSetup { compress, ..InputSetup::default() };
        let out = db(steady(setup, 10f32.powf(-18.0 / 20.0), 48_000));
        assert!((out + 26.0).abs() < 0.05, "{out}");
        let out = db(steady(setup, 10f32.powf(-36.0 / 20.0), 48_000));
        assert!((out + 36.0).abs() < 0.01, "{out}");
    }

    #[test]
    fn a_gate_opens_for_what_is_loud_and_shuts_after_it() {
        let setup = InputSetup { gate_opens: Some(0.1), ..InputSetup::default() };
        assert_eq!(steady(setup, 0.05, 48_000), 0.0);
        assert_eq!(steady(setup, 0.2, 48_000), 0.2);
        let mut dynamics = Dynamics::new(&[setup], SampleRate::standard()).expect("dynamics");
        let mut open_frames = 0;
        for frame in 0..96_000 {
            let mut row = [if frame < 1_000 { 0.2 } else { 0.01 }; LANES];
            dynamics.work(frame % STEP, &mut row);
            open_frames += usize::from(row[0] > 0.0);
        }
        // A second and a half: 1,000 frames, 0.3 s of hold, 0.2 s of closing.
        assert!((24_000..26_000).contains(&open_frames), "{open_frames}");
    }
}
