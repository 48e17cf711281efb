//! Doses and what is left of them, by four rules side by side.
//!
//! NIOSH 98-126 (1998), clause 1.1 and Table 1-1: 85 dBA over 8 h, halved each 3 dB. OSHA 29 CFR 1910.95, Appendix A:
//! 90 dBA over 8 h, halved each 5 dB, from 80 dBA on (hearing conservation) or from 90 on (permissible exposure). EU
//! Directive 2003/10/EC, Article 3: daily level LEX,8h, lower action value 80, upper 85, limit 87 dB(A); a week may be
//! averaged. ITU-T H.870: 1.6 Pa²h a week (80 dBA over 40 h); for children and other sensitive users 75 dBA over 40 h.

const HOURS_8: f64 = 28_800.0;
const HOURS_40: f64 = 144_000.0;
/// The reference pressure 20 µPa, squared.
const REFERENCE: f64 = 4e-10;
/// OSHA's two thresholds: all at least this loud is integrated.
const OSHA_CONSERVATION: f64 = 80.0;
const OSHA_PERMISSIBLE: f64 = 90.0;

/// What is asked of an exposure.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Rule {
    Niosh,
    /// From 80 dBA on.
    Osha,
    EuLower,
    EuUpper,
    EuLimit,
    /// A week.
    Week,
    /// A week of a child or another sensitive listener.
    SensitiveWeek,
}

impl Rule {
    /// Seconds at `dba` until the whole of it is used.
    pub fn allowed_seconds(self, dba: f64) -> f64 {
        let energy = |level: f64, seconds: f64| seconds * 10f64.powf((level - dba) / 10.0);
        match self {
            Rule::Niosh => HOURS_8 * 2f64.powf((85.0 - dba) / 3.0),
            Rule::Osha => HOURS_8 * 2f64.powf((90.0 - dba) / 5.0),
            Rule::EuLower => energy(80.0, HOURS_8),
            Rule::EuUpper => energy(85.0, HOURS_8),
            Rule::EuLimit => energy(87.0, HOURS_8),
            Rule::Week => energy(80.0, HOURS_40),
            Rule::SensitiveWeek => energy(75.0, HOURS_40),
        }
    }
}

/// What was taken so far. Levels are added in stretches; the doses are as exact as those.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Dose {
    pub seconds: f64,
    /// Parts of a whole, without a threshold.
    niosh: f64,
    /// From 80 dBA on, and from 90 on.
    osha: [f64; 2],
    /// Σ t·10^(L/10), in seconds.
    energy: f64,
}

impl Dose {
    /// `seconds` at `dba`; silence (minus infinity) adds time only.
    pub fn add(&mut self, dba: f64, seconds: f64) {
        self.seconds += seconds;
        if !dba.is_finite() {
            return;
        }
        self.niosh += seconds / Rule::Niosh.allowed_seconds(dba);
        let osha = seconds / Rule::Osha.allowed_seconds(dba);
        self.osha[0] += if dba >= OSHA_CONSERVATION { osha } else { 0.0 };
        self.osha[1] += if dba >= OSHA_PERMISSIBLE { osha } else { 0.0 };
        self.energy += seconds * 10f64.powf(dba / 10.0);
    }

    /// The mean level by energy; minus infinity for nothing.
    pub fn laeq(&self) -> f64 {
        10.0 * (self.energy / self.seconds.max(1e-9)).log10()
    }

    /// Percent of a day, all levels counted (NIOSH asks for those from 80 dBA on: this is never less).
    pub fn niosh_percent(&self) -> f64 {
        100.0 * self.niosh
    }

    /// The level that would give that dose in 8 h: 10·log10(D/100) + 85.
    pub fn niosh_twa(&self) -> f64 {
        10.0 * self.niosh.log10() + 85.0
    }

    /// Percent of a day from 80 dBA on.
    pub fn osha_percent(&self) -> f64 {
        100.0 * self.osha[0]
    }

    /// Percent of a day from 90 dBA on.
    pub fn osha_permissible_percent(&self) -> f64 {
        100.0 * self.osha[1]
    }

    /// 16.61·log10(D/100) + 90.
    pub fn osha_twa(&self) -> f64 {
        16.61 * self.osha[0].log10() + 90.0
    }

    /// The daily level of EU 2003/10/EC, if nothing else is heard that day.
    pub fn lex_8h(&self) -> f64 {
        10.0 * (self.energy / HOURS_8).log10()
    }

    /// Pa²h.
    pub fn pascal_squared_hours(&self) -> f64 {
        REFERENCE * self.energy / 3_600.0
    }

    /// Percent of a week of ITU-T H.870.
    pub fn week_percent(&self) -> f64 {
        100.0 * self.used(Rule::Week)
    }

    /// The part of `rule` that is used.
    pub fn used(&self, rule: Rule) -> f64 {
        match rule {
            Rule::Niosh => self.niosh,
            Rule::Osha => self.osha[0],
            // Where the exchange is by energy the level of comparison cancels out.
            _ => self.energy / rule.allowed_seconds(0.0),
        }
    }

    /// Minutes left at `dba`; 0 when it is used up, infinite where that level adds nothing.
    pub fn minutes_left(&self, rule: Rule, dba: f64) -> f64 {
        if !dba.is_finite() || (rule == Rule::Osha && dba < OSHA_CONSERVATION) {
            return if self.used(rule) < 1.0 { f64::INFINITY } else { 0.0 };
        }
        (1.0 - self.used(rule)).max(0.0) * rule.allowed_seconds(dba) / 60.0
    }

    /// The same with every level `db` higher: the edges of an uncertainty. OSHA's threshold stays where it was.
    pub fn louder(&self, db: f64) -> Dose {
        let (three, five) = (2f64.powf(db / 3.0), 2f64.powf(db / 5.0));
        Dose {
            seconds: self.seconds,
            niosh: self.niosh * three,
            osha: self.osha.map(|part| part * five),
            energy: self.energy * 10f64.powf(db / 10.0),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn close(found: f64, expected: f64, part: f64) -> bool {
        (found - expected).abs() <= part * expected.abs().max(1e-12)
    }

    /// Columns of the reference's table, each against its formula; what is printed in the rules, to its last unit.
    #[test]
    fn durations_are_those_of_the_tables() {
        let text = include_str!("../../fixtures/reference/exposure_durations.csv");
        let mut printed = (0, 0);
        for line in text.lines().skip(1) {
            let cells: Vec<f64> = line.split(',').map(|cell| cell.parse().unwrap_or(f64::NAN)).collect();
            let level = cells[0];
            let hours = |rule: Rule| rule.allowed_seconds(level) / 3_600.0;
            assert!((Rule::Niosh.allowed_seconds(level) - cells[4]).abs() <= 5.1e-4, "{level}");
            for (rule, cell) in [(Rule::Osha, 6), (Rule::Week, 10), (Rule::SensitiveWeek, 11)] {
                assert!(
                    (hours(rule) - cells[cell]).abs() <= 5.1e-6,
                    "{rule:?} at {level}: {} h",
                    hours(rule)
                );
            }
            // These columns halve each 3 dB; LEX,8h, which the directive asks for, is by energy: half is 3.01 dB. Both
            // are 8 h at the value itself and drift apart by 0.08 % a decibel.
            for (rule, value, cell) in
                [(Rule::EuLimit, 87.0, 7), (Rule::EuUpper, 85.0, 8), (Rule::EuLower, 80.0, 9)]
            {
                let away: f64 = (value - level) / 10.0;
                let by_threes = hours(rule) * 2f64.powf(away / 0.3) / 10f64.powf(away);
                assert!((by_threes - cells[cell]).abs() <= 5.1e-6, "{rule:?} at {level}: {by_threes} h");
                assert!((hours(rule) / by_threes - 1.0).abs() < 0.000_85 * (10.0 * away).abs() + 1e-9);
            }
            // NIOSH prints hours and minutes above 94 dBA's hour, minutes and seconds below. The first trap: 99 dBA is
            // printed 18 min 59 s where the formula gives 18 min 53.9 s.
            if cells[1].is_finite() && level != 99.0 {
                let table = cells[1] * 3_600.0 + cells[2] * 60.0 + cells[3];
                let unit = if level < 95.0 { 60.0 } else { 1.0 };
                let off = Rule::Niosh.allowed_seconds(level) - table;
                assert!(off.abs() < unit, "NIOSH at {level}: {off} s off the printed value");
                printed.0 += 1;
            }
            // The second trap: 83 dBA is printed 21.1 on one page and 21.2 on another; the formula gives 21.11.
            if cells[5].is_finite() {
                let digits = if level <= 105.0 { 0.051 } else { 0.006 };
                assert!((hours(Rule::Osha) - cells[5]).abs() < digits, "OSHA at {level}");
                printed.1 += 1;
            }
        }
        assert_eq!(printed, (40, 51));
        assert!((Rule::Niosh.allowed_seconds(99.0) - (18.0 * 60.0 + 53.9)).abs() < 0.05);
        assert!((Rule::Osha.allowed_seconds(83.0) / 3_600.0 - 21.11).abs() < 0.005);
    }

    fn dose(parts: &str) -> Dose {
        let mut dose = Dose::default();
        for part in parts.split(';') {
            let words: Vec<&str> = part.split_whitespace().collect();
            dose.add(words[0].parse().unwrap(), words[2].parse::<f64>().unwrap() * 3_600.0);
        }
        dose
    }

    #[test]
    fn worked_examples_come_out() {
        let text = include_str!("../../fixtures/reference/exposure_worked_examples.csv");
        let mut count = 0;
        for line in text.lines().skip(1) {
            let (case, rest) = line
                .strip_prefix('"')
                .map_or_else(|| line.split_once(','), |rest| rest.split_once("\","))
                .unwrap();
            let cells: Vec<&str> = rest.split(',').collect();
            let of = |index: usize| cells[index].parse::<f64>().unwrap();
            let dose = dose(cells[0]);
            assert!(close(dose.niosh_percent(), of(1), 1e-4), "{case}: {}", dose.niosh_percent());
            assert!((dose.niosh_twa() - of(3)).abs() < 1e-3, "{case}");
            assert!((dose.osha_permissible_percent() - of(4)).abs() <= 1e-4 * of(4).max(1.0), "{case}");
            assert!(close(dose.osha_percent(), of(5), 1e-4), "{case}: {}", dose.osha_percent());
            assert!((dose.osha_twa() - of(6)).abs() < 1e-2, "{case}");
            assert!((dose.lex_8h() - of(7)).abs() < 1e-3, "{case}");
            assert!(close(dose.pascal_squared_hours(), of(8), 1e-4), "{case}");
            assert!(close(dose.week_percent(), of(9), 1e-4), "{case}");
            count += 1;
        }
        assert_eq!(count, 10);
    }

    /// 29 CFR 1910.95 App. A, as quoted in the reference: 4 h at 90, 2 h at 95, 2 h at 85 are 112.5 %, 90.85 dBA.
    #[test]
    fn oshas_own_arithmetic_comes_out() {
        let dose = dose("90 dBA 4 h; 95 dBA 2 h; 85 dBA 2 h");
        assert!((dose.osha_percent() - 112.5).abs() < 1e-9 && (dose.osha_twa() - 90.85).abs() < 0.001);
    }

    /// Common practice, no source: loud stages run at 110 to 120 dB. Every daily rule is over within minutes.
    #[test]
    fn a_loud_stage_is_over_every_daily_limit_within_minutes() {
        for (level, minutes) in [(110.0, 31.0), (115.0, 16.0), (120.0, 8.0)] {
            let mut dose = Dose::default();
            dose.add(level, minutes * 60.0);
            for rule in [Rule::Niosh, Rule::Osha, Rule::EuLower, Rule::EuUpper, Rule::EuLimit] {
                assert!(
                    dose.used(rule) > 1.0 && dose.minutes_left(rule, level) == 0.0,
                    "{rule:?} at {level}"
                );
            }
            // A show of 90 minutes is far over.
            dose.add(level, (90.0 - minutes) * 60.0);
            assert!(dose.niosh_percent() > 5_000.0 && dose.lex_8h() > 100.0 && dose.osha_percent() > 290.0);
        }
        assert!(Rule::Niosh.allowed_seconds(110.0) < 90.0 && Rule::EuLimit.allowed_seconds(110.0) < 150.0);
    }

    #[test]
    fn what_is_left_shrinks_to_nothing_and_silence_takes_nothing() {
        let mut dose = Dose::default();
        dose.add(94.0, 1_800.0);
        // Half of the hour that NIOSH allows at 94 dBA.
        assert!((dose.niosh_percent() - 50.0).abs() < 1e-9);
        assert!((dose.minutes_left(Rule::Niosh, 94.0) - 30.0).abs() < 1e-9);
        assert_eq!(dose.minutes_left(Rule::Osha, 75.0), f64::INFINITY);
        dose.add(f64::NEG_INFINITY, 3_600.0);
        assert!((dose.niosh_percent() - 50.0).abs() < 1e-9 && dose.seconds == 5_400.0);
        dose.add(110.0, 600.0);
        assert_eq!(dose.minutes_left(Rule::Niosh, 94.0), 0.0);
    }

    /// Six decibels are four times the dose by NIOSH, and two and a bit by OSHA.
    #[test]
    fn an_uncertainty_is_a_factor_of_the_dose() {
        let mut dose = Dose::default();
        dose.add(95.0, 3_600.0);
        let louder = dose.louder(6.0);
        assert!(close(louder.niosh_percent(), 4.0 * dose.niosh_percent(), 1e-12));
        assert!((louder.lex_8h() - dose.lex_8h() - 6.0).abs() < 1e-9);
    }
}
