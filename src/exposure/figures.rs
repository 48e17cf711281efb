//! The figures of one ear mix as plain data: for the log, for `--json`, for screens.

use super::calibration::Calibration;
use super::meter::Meter;
use super::rules::{Dose, Rule};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// What was heard.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Source {
    /// What leaves for the mixer, which adds voices and instruments: the figure is *at least*.
    Feed,
    /// The finished ear mix, back on an input.
    Return,
}

/// One ear mix so far. A level that is `null` is silence.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Figures {
    pub feed: String,
    pub source: Source,
    /// How long it was listened to.
    pub seconds: f64,
    /// A-weighted, a full-scale sine being 0: the last ten seconds, and all of it.
    pub now_dbfs: Option<f64>,
    pub mean_dbfs: Option<f64>,
    /// Loudest sample, unweighted.
    pub peak_dbfs: Option<f64>,
    /// `null` without a calibration: then how loud it was cannot be known.
    pub calibrated: Option<Calibrated>,
}

/// What a calibration makes of it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Calibrated {
    pub now_dba: Option<f64>,
    pub mean_dba: Option<f64>,
    /// Of every level here; a dose by energy is off by a factor of 10^(this / 10).
    pub plus_minus_db: f64,
    /// Where that comes from.
    pub because: String,
    /// NIOSH 98-126, percent of a day: 85 dBA, 3 dB, all levels counted.
    pub niosh_percent: f64,
    /// OSHA 1910.95, percent of a day: 90 dBA, 5 dB, from 80 dBA on, and from 90 on.
    pub osha_percent: f64,
    pub osha_permissible_percent: f64,
    /// EU 2003/10/EC, if nothing else is heard that day: lower action value 80, upper 85, limit 87.
    pub lex_8h_db: Option<f64>,
    /// ITU-T H.870: of 1.6 Pa²h a week (80 dBA over 40 h), and of a sensitive listener's (75 dBA over 40 h).
    pub pascal_squared_hours: f64,
    pub week_percent: f64,
    pub sensitive_week_percent: f64,
    /// Minutes until each is used up if the day goes on like this.
    pub minutes_left: Left,
}

/// `null` where what is heard adds nothing.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Left {
    pub niosh: Option<f64>,
    pub osha: Option<f64>,
    pub eu_lower: Option<f64>,
    pub eu_upper: Option<f64>,
    pub eu_limit: Option<f64>,
    pub week: Option<f64>,
}

impl Figures {
    pub fn of(feed: &str, source: Source, meter: &Meter) -> Figures {
        let dose = meter.dose();
        Figures {
            feed: feed.into(),
            source,
            seconds: dose.seconds,
            now_dbfs: level(meter.now_dbfs()),
            mean_dbfs: level(meter.mean_dbfs()),
            peak_dbfs: level(meter.peak_dbfs()),
            calibrated: meter
                .calibration()
                .map(|calibration| Calibrated::of(calibration, dose, meter.now_dbfs())),
        }
    }

    /// Voices and instruments are not in the figure.
    pub fn at_least(&self) -> bool {
        self.source == Source::Feed
    }
}

impl Calibrated {
    fn of(calibration: &Calibration, dose: &Dose, now_dbfs: f64) -> Calibrated {
        let mean = dose.laeq();
        let left =
            |rule: Rule| Some(tenths(dose.minutes_left(rule, mean))).filter(|minutes| minutes.is_finite());
        Calibrated {
            now_dba: level(calibration.dba(now_dbfs)),
            mean_dba: level(mean),
            plus_minus_db: calibration.uncertainty_db,
            because: calibration.because().into(),
            niosh_percent: dose.niosh_percent(),
            osha_percent: dose.osha_percent(),
            osha_permissible_percent: dose.osha_permissible_percent(),
            lex_8h_db: level(dose.lex_8h()),
            pascal_squared_hours: dose.pascal_squared_hours(),
            week_percent: dose.week_percent(),
            sensitive_week_percent: 100.0 * dose.used(Rule::SensitiveWeek),
            minutes_left: Left {
                niosh: left(Rule::Niosh),
                osha: left(Rule::Osha),
                eu_lower: left(Rule::EuLower),
                eu_upper: left(Rule::EuUpper),
                eu_limit: left(Rule::EuLimit),
                week: left(Rule::Week),
            },
        }
    }
}

fn tenths(value: f64) -> f64 {
    (10.0 * value).round() / 10.0
}

/// To a tenth; more would claim what nobody knows.
fn level(db: f64) -> Option<f64> {
    db.is_finite().then(|| tenths(db))
}
