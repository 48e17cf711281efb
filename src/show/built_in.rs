//! Sounds that every show has. All values are common practice, no source: pitches for clicks against a
//! band lie at 0.7 to 3 kHz, accents differ by pitch before level.

use super::model::{SoundDef, SoundSource, Synth};
use crate::units::Decibels;

/// Names that a show may use without defining them. The first is the start value.
///
/// "wood" is a dry wooden tick; "quiet" is duller and 8 dB lower, for passages in which clicks leak into
/// vocal microphones; "pebble" is very short, for fast subdivisions; "gull" is high and bright, for ears
/// behind loud guitars; "buoy" is low and round, for ears that hear little above 2 kHz.
pub const BUILT_IN: &[&str] = &["wood", "quiet", "pebble", "gull", "buoy"];

/// Natural logarithm of 1,000: an exponential has fallen by 60 dB after this many time constants.
pub const FALL_60_DB: f64 = 6.907_755_278_982_137;

/// Pitch in hertz and time to −60 dB in milliseconds of the four kinds, then edge and peak.
struct Recipe {
    accent: (f64, f64),
    beat: (f64, f64),
    eighth: (f64, f64),
    sixteenth: (f64, f64),
    edge: f64,
    peak: f64,
}

/// The built-in sound of that name; `None` for a name not in [`BUILT_IN`].
pub fn built_in(name: &str) -> Option<SoundDef> {
    let recipe = recipe(name)?;
    let source = |(hertz, silent_after_ms): (f64, f64)| {
        SoundSource::Synth(Synth {
            hertz,
            decay_ms: silent_after_ms / FALL_60_DB,
            attack_ms: 1.0,
            edge: recipe.edge,
            peak: Decibels(recipe.peak),
        })
    };
    Some(SoundDef {
        name: name.to_owned(),
        accent: source(recipe.accent),
        beat: source(recipe.beat),
        eighth: source(recipe.eighth),
        sixteenth: source(recipe.sixteenth),
    })
}

fn recipe(name: &str) -> Option<Recipe> {
    Some(match name {
        "wood" => Recipe {
            accent: (1_500.0, 38.0),
            beat: (1_000.0, 36.0),
            eighth: (800.0, 28.0),
            sixteenth: (850.0, 20.0),
            edge: 0.25,
            peak: -12.0,
        },
        "quiet" => Recipe {
            accent: (1_200.0, 40.0),
            beat: (950.0, 36.0),
            eighth: (800.0, 28.0),
            sixteenth: (850.0, 20.0),
            edge: 0.0,
            peak: -20.0,
        },
        "pebble" => Recipe {
            accent: (1_800.0, 26.0),
            beat: (1_300.0, 25.0),
            eighth: (1_050.0, 20.0),
            sixteenth: (1_050.0, 16.0),
            edge: 0.25,
            peak: -12.0,
        },
        "gull" => Recipe {
            accent: (2_400.0, 36.0),
            beat: (1_900.0, 34.0),
            eighth: (1_500.0, 26.0),
            sixteenth: (1_500.0, 18.0),
            edge: 0.2,
            peak: -12.0,
        },
        "buoy" => Recipe {
            accent: (1_150.0, 40.0),
            beat: (900.0, 40.0),
            eighth: (800.0, 30.0),
            sixteenth: (850.0, 20.0),
            edge: 0.1,
            peak: -12.0,
        },
        _ => return None,
    })
}
