//! From what was measured to faults, each in words with its mend.
//!
//! All limits are common practice, no source: they are where a person at a mixer would frown.

use super::hum::Hum;
use super::measure::{Still, Struck};
use serde::{Deserialize, Serialize};

/// A standing voltage over this is a fault (−50 dBFS).
pub const MOST_DC: f64 = 0.003;
/// Hum over this is a fault.
pub const MOST_HUM_DB: f64 = -65.0;
/// A still input over this is a fault.
pub const MOST_FLOOR_DB: f64 = -35.0;
/// A clap or a line's signal that peaks lower is too quiet …
pub const LEAST_PEAK_DB: f64 = -45.0;
/// … and higher has no room left.
pub const MOST_PEAK_DB: f64 = -1.0;
/// A line that carries a signal all the time is at least so loud.
pub const LINE_DB: f64 = -50.0;
/// Hum that comes with the charger rises by this at least.
pub const CHARGER_DB: f64 = 6.0;

/// What is wrong with an input.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case", tag = "fault")]
pub enum Fault {
    /// Nothing at all, not even noise.
    Dead,
    /// Noise, but no clap.
    Unheard,
    /// The clap came in somewhere else.
    HeardElsewhere {
        input: u16,
    },
    Clips {
        samples: usize,
    },
    TooLoud {
        peak_db: f64,
    },
    TooQuiet {
        peak_db: f64,
    },
    Dc {
        value: f64,
    },
    Hum {
        hertz: f64,
        level_db: f64,
        strongest: u32,
    },
    Noise {
        floor_db: f64,
    },
    /// Two inputs carry one signal.
    SameAs {
        input: u16,
    },
    /// Moves against another microphone that heard the same clap.
    Inverted {
        against: u16,
    },
}

impl Fault {
    /// One word, for programs.
    pub const fn word(&self) -> &'static str {
        match self {
            Fault::Dead => "dead",
            Fault::Unheard => "unheard",
            Fault::HeardElsewhere { .. } => "heard_elsewhere",
            Fault::Clips { .. } => "clips",
            Fault::TooLoud { .. } => "too_loud",
            Fault::TooQuiet { .. } => "too_quiet",
            Fault::Dc { .. } => "dc",
            Fault::Hum { .. } => "hum",
            Fault::Noise { .. } => "noise",
            Fault::SameAs { .. } => "same_as",
            Fault::Inverted { .. } => "inverted",
        }
    }

    /// What is wrong, short enough for one line.
    pub fn words(&self) -> String {
        match self {
            Fault::Dead => "DEAD: nothing comes in, not even noise".into(),
            Fault::Unheard => "NO SIGNAL: noise, but no clap".into(),
            Fault::HeardElsewhere { input } => format!("CROSSED? the clap came in on input {input}"),
            Fault::Clips { samples } => format!("CLIPS: {samples} samples flattened at full scale"),
            Fault::TooLoud { peak_db } => format!("TOO LOUD: peaks at {peak_db:.0} dBFS, no room left"),
            Fault::TooQuiet { peak_db } => format!("TOO QUIET: peaks at {peak_db:.0} dBFS"),
            Fault::Dc { value } => format!("DC: it stands at {:+.1} % of full scale", 100.0 * value),
            Fault::Hum { hertz, level_db, strongest } => match strongest {
                1 => format!("HUM: {hertz:.1} Hz at {level_db:.0} dBFS"),
                n => format!(
                    "HUM: {hertz:.1} Hz at {level_db:.0} dBFS, most at {:.0} Hz",
                    hertz * f64::from(*n)
                ),
            },
            Fault::Noise { floor_db } => format!("NOISE: {floor_db:.0} dBFS when all is still"),
            Fault::SameAs { input } => format!("SAME SIGNAL as input {input}"),
            Fault::Inverted { against } => format!("POLARITY differs from input {against}: they cancel"),
        }
    }

    /// What to do about it.
    pub const fn mend(&self) -> &'static str {
        match self {
            Fault::Dead => "plug, cable, preamplifier on? is it the right channel of the rig file?",
            Fault::Unheard => "microphone on? phantom power for a condenser? muted at its own switch?",
            Fault::HeardElsewhere { .. } => "swap the two cables, or the two channels in the rig file",
            Fault::Clips { .. } | Fault::TooLoud { .. } => "turn the preamplifier down, or use its pad",
            Fault::TooQuiet { .. } => "turn the preamplifier up until a clap peaks near -12",
            Fault::Dc { .. } => "another channel or cable; a converter that does it needs repair",
            Fault::Hum { .. } => "another cable; power from one socket; an isolating transformer",
            Fault::Noise { .. } => "preamplifier down, other cable; is the stage loud just now?",
            Fault::SameAs { .. } => "one cable split in two, or a mixer's routing: give each its own",
            Fault::Inverted { .. } => "write inverted = true at one of them, or swap its cable",
        }
    }
}

/// What is expected of an input.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Expects {
    /// A microphone: still until somebody claps.
    Clap,
    /// A line from a machine: a signal once that plays.
    Signal,
}

/// Faults that one input shows by itself. `struck` is `None` when nothing came.
pub fn faults(expects: Expects, still: &Still, struck: Option<&Struck>) -> Vec<Fault> {
    let mut faults = Vec::new();
    let carries = expects == Expects::Signal && still.level_db > LINE_DB && still.hum.is_none();
    let (peak_db, clipped) = match struck {
        Some(struck) => (struck.peak_db, struck.clipped + still.clipped),
        None => (still.peak_db, still.clipped),
    };
    if struck.is_none() && !carries {
        faults.push(if still.empty { Fault::Dead } else { Fault::Unheard });
    } else if clipped == 0 && peak_db > MOST_PEAK_DB {
        faults.push(Fault::TooLoud { peak_db });
    } else if clipped == 0 && peak_db < LEAST_PEAK_DB {
        faults.push(Fault::TooQuiet { peak_db });
    }
    if clipped > 0 {
        faults.push(Fault::Clips { samples: clipped });
    }
    faults.extend(
        still_faults(still).into_iter().filter(|fault| !carries || matches!(fault, Fault::Dc { .. })),
    );
    faults
}

/// Faults that show while nobody does anything.
pub fn still_faults(still: &Still) -> Vec<Fault> {
    let mut faults = Vec::new();
    if still.dc.abs() > MOST_DC {
        faults.push(Fault::Dc { value: still.dc });
    }
    if let Some(Hum { hertz, level_db, strongest }) = still.hum
        && level_db > MOST_HUM_DB
    {
        faults.push(Fault::Hum { hertz, level_db, strongest });
    }
    if still.floor_db > MOST_FLOOR_DB {
        faults.push(Fault::Noise { floor_db: still.floor_db });
    }
    faults
}

/// What pulling the charger changed on one input.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Charger {
    /// No hum worth a word either way.
    Quiet,
    /// It hums with the charger in, and not, or much less, without: a ground loop through it.
    HumsWithIt,
    /// It hums without the charger: what it hummed against has lost its earth.
    HumsWithout,
    /// It hums either way: the charger is not what hums.
    HumsEitherWay,
}

/// Hum with the charger in and out.
pub fn charger(with: Option<&Hum>, without: Option<&Hum>) -> Charger {
    let level = |hum: Option<&Hum>| hum.map_or(-100.0, |hum| hum.level_db);
    let (with, without) = (level(with), level(without));
    match (with > MOST_HUM_DB, without > MOST_HUM_DB) {
        (false, false) => Charger::Quiet,
        _ if with >= without + CHARGER_DB => Charger::HumsWithIt,
        _ if without >= with + CHARGER_DB => Charger::HumsWithout,
        _ => Charger::HumsEitherWay,
    }
}

impl Charger {
    pub const fn words(self) -> &'static str {
        match self {
            Charger::Quiet => "no hum, charger in or out",
            Charger::HumsWithIt => {
                "HUM COMES WITH THE CHARGER: run on battery through the set, take one socket for laptop and mixer, \
                 or an isolating transformer in the audio line. Never cut an earth wire"
            }
            Charger::HumsWithout => "HUM WITHOUT THE CHARGER: leave it in",
            Charger::HumsEitherWay => "hum with and without the charger: it is not the charger's",
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn still() -> Still {
        Still {
            level_db: -70.0,
            floor_db: -70.0,
            dc: 0.0,
            hum: None,
            peak_db: -58.0,
            clipped: 0,
            loudest: 4e-4,
            empty: false,
        }
    }

    const CLAP: Struck = Struck { peak_db: -12.0, level_db: -20.0, clipped: 0 };

    fn words(expects: Expects, still: Still, struck: Option<Struck>) -> Vec<&'static str> {
        faults(expects, &still, struck.as_ref()).iter().map(Fault::word).collect()
    }

    #[test]
    fn each_measurement_over_its_limit_is_named_and_none_where_nothing_is_wrong() {
        let hum = |level_db| Some(Hum { hertz: 50.0, level_db, strongest: 1 });
        let of = |still| words(Expects::Clap, still, Some(CLAP));
        assert!(of(still()).is_empty());
        assert!(of(Still { hum: hum(-70.0), dc: 0.002, floor_db: -40.0, ..still() }).is_empty());
        assert_eq!(of(Still { hum: hum(-60.0), ..still() }), ["hum"]);
        assert_eq!(of(Still { dc: -0.01, ..still() }), ["dc"]);
        assert_eq!(of(Still { floor_db: -30.0, ..still() }), ["noise"]);
        let clap =
            |peak_db, clipped| words(Expects::Clap, still(), Some(Struck { peak_db, clipped, ..CLAP }));
        assert_eq!(clap(0.0, 12), ["clips"]);
        assert_eq!(clap(-0.2, 0), ["too_loud"]);
        assert_eq!(clap(-50.0, 0), ["too_quiet"]);
        assert_eq!(words(Expects::Clap, still(), None), ["unheard"]);
        assert_eq!(words(Expects::Clap, Still { empty: true, ..still() }, None), ["dead"]);
    }

    #[test]
    fn a_line_that_carries_its_signal_needs_no_clap_and_is_no_noise() {
        let timecode = Still { level_db: -20.0, floor_db: -20.0, peak_db: -18.0, ..still() };
        assert!(words(Expects::Signal, timecode, None).is_empty());
        assert_eq!(words(Expects::Signal, still(), None), ["unheard"]);
        assert_eq!(words(Expects::Signal, Still { clipped: 9, ..timecode }, None), ["clips"]);
    }

    #[test]
    fn the_charger_is_blamed_only_where_pulling_it_changed_the_hum() {
        let hum = |level_db| Hum { hertz: 50.0, level_db, strongest: 1 };
        assert_eq!(charger(Some(&hum(-40.0)), None), Charger::HumsWithIt);
        assert_eq!(charger(Some(&hum(-40.0)), Some(&hum(-55.0))), Charger::HumsWithIt);
        assert_eq!(charger(Some(&hum(-40.0)), Some(&hum(-41.0))), Charger::HumsEitherWay);
        assert_eq!(charger(None, Some(&hum(-50.0))), Charger::HumsWithout);
        assert_eq!(charger(Some(&hum(-70.0)), None), Charger::Quiet);
    }

    #[test]
    fn every_fault_fits_a_line_with_its_mend() {
        let all = [
            Fault::Dead,
            Fault::Unheard,
            Fault::HeardElsewhere { input: 12 },
            Fault::Clips { samples: 123_456 },
            Fault::TooLoud { peak_db: -0.1 },
            Fault::TooQuiet { peak_db: -51.0 },
            Fault::Dc { value: -0.1234 },
            Fault::Hum { hertz: 59.7, level_db: -41.0, strongest: 8 },
            Fault::Noise { floor_db: -20.0 },
            Fault::SameAs { input: 12 },
            Fault::Inverted { against: 12 },
        ];
        for fault in all {
            assert!(fault.words().chars().count() <= 56 && fault.mend().chars().count() <= 70, "{fault:?}");
        }
    }
}
