//! What is wrong with an input of a world all the time, or from a frame to another: hum, a standing voltage, somebody
//! else's signal, nothing at all.

use crate::device::MAX_BLOCK;
use crate::realtime::io::Planar;
use crate::units::{Decibels, FramePos, SampleRate};
use serde::Deserialize;
use std::f64::consts::TAU;

/// Mains hum on an input: a tone, its second harmonic 10 dB and its third 6 dB below.
#[derive(Clone, Copy, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct Hum {
    pub input: u16,
    #[serde(default = "fifty")]
    pub hertz: f64,
    /// RMS of the tone, 0 dB being a full-scale square.
    pub level: Decibels,
    /// First frame on which it is there.
    #[serde(default)]
    pub from: FramePos,
    /// First frame on which it is gone.
    #[serde(default)]
    pub until: Option<FramePos>,
}

/// A standing voltage on an input.
#[derive(Clone, Copy, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct Standing {
    pub input: u16,
    /// 1 being full scale; either sign.
    pub value: f64,
}

/// An input that carries another one's signal in place of its own.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct Twin {
    pub input: u16,
    pub of: u16,
}

fn fifty() -> f64 {
    50.0
}

/// All of them, for the channels that are open.
#[derive(Debug)]
pub(super) struct Ills {
    pub(super) hums: Vec<Hum>,
    pub(super) standing: Vec<Standing>,
    pub(super) twins: Vec<Twin>,
    pub(super) dead: Vec<u16>,
    rate: f64,
    scratch: Vec<f32>,
}

impl Ills {
    pub(super) fn new(world: &super::World, rate: SampleRate) -> Ills {
        Ills {
            hums: world.hums.clone(),
            standing: world.standing.clone(),
            twins: world.twins.clone(),
            dead: world.dead.clone(),
            rate: f64::from(rate.hertz()),
            scratch: vec![0.0; MAX_BLOCK],
        }
    }

    /// Real-time: safe.
    pub(super) fn befall(&mut self, at: FramePos, inputs: &mut Planar, frames: usize) {
        for hum in &self.hums {
            let input = inputs.channel_mut(usize::from(hum.input) - 1, frames);
            for (sample, frame) in input.iter_mut().zip(at.0..) {
                *sample += hum.at(frame, self.rate) as f32;
            }
        }
        for standing in &self.standing {
            let input = inputs.channel_mut(usize::from(standing.input) - 1, frames);
            input.iter_mut().for_each(|sample| *sample += standing.value as f32);
        }
        for twin in &self.twins {
            let of = inputs.channel(usize::from(twin.of) - 1, frames);
            let length = of.len().min(self.scratch.len());
            self.scratch[..length].copy_from_slice(&of[..length]);
            let input = inputs.channel_mut(usize::from(twin.input) - 1, frames);
            input.iter_mut().zip(&self.scratch[..length]).for_each(|(sample, of)| *sample = *of);
        }
        for input in &self.dead {
            inputs.channel_mut(usize::from(*input) - 1, frames).fill(0.0);
        }
    }
}

impl Hum {
    /// Its value on a frame, a function of the frame alone.
    fn at(&self, frame: i64, rate: f64) -> f64 {
        if frame < self.from.0 || self.until.is_some_and(|until| frame >= until.0) {
            return 0.0;
        }
        let phase = TAU * (self.hertz * frame as f64 / rate).fract();
        let peak = std::f64::consts::SQRT_2 * 10f64.powf(self.level.0 / 20.0);
        // −10 dB and −6 dB.
        peak * (phase.sin() + 0.316 * (2.0 * phase).sin() + 0.501 * (3.0 * phase).sin())
    }
}

#[cfg(test)]
mod tests {
    use super::super::{Stepper, World};
    use crate::device::OpenSetup;
    use crate::realtime::io::{Io, Process};
    use crate::units::SampleRate;

    struct Deaf;
    impl Process for Deaf {
        fn process(&mut self, _: &mut Io) {}
    }

    const WORLD: &str = "inputs = 4\nnoises = [{ input = 1, level = -60, seed = 2 }]\n\
        hums = [{ input = 2, level = -40, from = 48000, until = 96000 }]\nstanding = [{ input = 2, value = -0.02 }]\n\
        twins = [{ input = 3, of = 1 }]\ndead = [4]\n";

    fn second(stepper: &mut Stepper<Deaf>, input: usize) -> Vec<f32> {
        let mut heard = Vec::new();
        for _ in 0..375 {
            let io = stepper.step(128);
            heard.extend_from_slice(io.input.channel(input, io.frames));
        }
        heard
    }

    #[test]
    fn each_ill_is_there_on_its_input_and_in_its_time() {
        let world = World::from_toml(WORLD).unwrap();
        let setup = OpenSetup::new(SampleRate::standard(), 128, 4, 1);
        let mut stepper = Stepper::new(&world, &setup, Deaf).unwrap();
        let before = second(&mut stepper, 1);
        assert!(before.iter().all(|x| *x == -0.02), "the voltage alone, and no hum yet");
        let hum = second(&mut stepper, 1);
        // A second of 50 Hz is whole turns: mean square 10⁻⁴ (1 + 0.1 + 0.251), as written above.
        let power = hum.iter().map(|x| f64::from(x + 0.02).powi(2)).sum::<f64>() / 48_000.0;
        assert!((power / (1e-4 * (1.0 + 0.316f64.powi(2) + 0.501f64.powi(2))) - 1.0).abs() < 1e-3, "{power}");
        assert!(second(&mut stepper, 1).iter().all(|x| *x == -0.02), "gone again");
        let io = stepper.step(128);
        assert!(io.input.channel(0, 128) == io.input.channel(2, 128) && io.input.channel(0, 128)[5] != 0.0);
        assert!(io.input.channel(3, 128).iter().all(|x| *x == 0.0));
    }

    #[test]
    fn an_input_that_is_not_there_is_refused() {
        let setup = OpenSetup::new(SampleRate::standard(), 128, 2, 1);
        for ill in [
            "hums = [{ input = 3, level = -40 }]",
            "standing = [{ input = 0, value = 0.1 }]",
            "twins = [{ input = 1, of = 9 }]",
            "dead = [5]",
        ] {
            let world = World::from_toml(&format!("inputs = 2\n{ill}")).unwrap();
            assert!(Stepper::new(&world, &setup, Deaf).is_err(), "{ill}");
        }
    }
}
