//! From the level of a signal to the level in the ear.

/// What a full-scale sine is in the ear at least and at most; outside of this a calibration is a slip of the pen.
pub const FULL_SCALE_DB: [f64; 2] = [90.0, 155.0];
/// Ear pieces differ from their data sheet by 3 dB, a seal by 5, a pack's knob by 2 (common practice, no source): as
/// squares 6.2 dB.
const BY_DATA_DB: f64 = 6.0;
/// One reading with a coupler or a meter pressed to the ear piece (common practice, no source).
const BY_READING_DB: f64 = 4.0;

/// What the rig file says of a pair of ear pieces and their pack. Levels of signals are RMS in dBFS, where a full-scale
/// sine is 0 (AES17).
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Way {
    /// Sensitivity in dB SPL at 1 V, and what the pack gives in volts (RMS) at 0 dBFS.
    PerVolt { db: f64, pack_volts: f64 },
    /// Sensitivity in dB SPL at 1 mW with the ear piece's impedance.
    PerMilliwatt { db: f64, ohm: f64, pack_volts: f64 },
    /// A meter read so many dB (A) while a signal of that A-weighted level was on the feed.
    Read { db: f64, at_dbfs: f64 },
}

impl Way {
    /// dB SPL of a full-scale sine.
    ///
    /// Source: L = S + 20·log10(U / 1 V); with a sensitivity in milliwatts P = U² / Z, L = S + 10·log10(P / 1 mW).
    pub fn full_scale_db(self) -> f64 {
        match self {
            Way::PerVolt { db, pack_volts } => db + 20.0 * pack_volts.log10(),
            Way::PerMilliwatt { db, ohm, pack_volts } => {
                db + 10.0 * (1_000.0 * pack_volts * pack_volts / ohm).log10()
            }
            Way::Read { db, at_dbfs } => db - at_dbfs,
        }
    }

    const fn usual_uncertainty(self) -> f64 {
        match self {
            Way::PerVolt { .. } | Way::PerMilliwatt { .. } => BY_DATA_DB,
            Way::Read { .. } => BY_READING_DB,
        }
    }
}

/// A way, and how sure it is.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Calibration {
    pub way: Way,
    /// ± dB.
    pub uncertainty_db: f64,
}

impl Calibration {
    /// With the usual uncertainty where none is given.
    pub fn new(way: Way, uncertainty_db: Option<f64>) -> Calibration {
        Calibration { way, uncertainty_db: uncertainty_db.unwrap_or(way.usual_uncertainty()) }
    }

    /// dBA in the ear of a signal of `dbfs` A-weighted.
    pub fn dba(&self, dbfs: f64) -> f64 {
        dbfs + self.way.full_scale_db()
    }

    /// Where the uncertainty comes from.
    pub const fn because(&self) -> &'static str {
        match self.way {
            Way::PerVolt { .. } | Way::PerMilliwatt { .. } => {
                "ear piece by its data sheet, seal in the ear, the pack's knob"
            }
            Way::Read { .. } => "one reading, seal in the ear, the pack's knob",
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 32 Ω: 1 V is 31.25 mW, 14.95 dB above 1 mW. 112 dB/mW are 126.95 dB/V.
    #[test]
    fn volts_and_milliwatts_say_the_same() {
        let volts = Way::PerVolt { db: 112.0 + 10.0 * (1_000.0f64 / 32.0).log10(), pack_volts: 0.5 };
        let watts = Way::PerMilliwatt { db: 112.0, ohm: 32.0, pack_volts: 0.5 };
        assert!((volts.full_scale_db() - watts.full_scale_db()).abs() < 1e-12);
        assert!((watts.full_scale_db() - (126.95 - 6.02)).abs() < 0.01);
    }

    #[test]
    fn a_reading_is_carried_to_full_scale() {
        let calibration = Calibration::new(Way::Read { db: 94.0, at_dbfs: -26.0 }, None);
        assert_eq!(calibration.way.full_scale_db(), 120.0);
        assert_eq!(calibration.dba(-30.0), 90.0);
        assert_eq!(calibration.uncertainty_db, 4.0);
        assert_eq!(Calibration::new(calibration.way, Some(2.0)).uncertainty_db, 2.0);
    }
}
