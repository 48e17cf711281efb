//! What a latency means to those who play with it, and how sure that is.

use serde::Serialize;

/// Whom it concerns.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Listener {
    VocalsInEars,
    Instruments,
    Drums,
    Talkback,
}

/// How a figure is meant to be taken.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Verdict {
    Unnoticed,
    MayBeNoticed,
    InTheWay,
}

/// A sentence about a latency, and where it comes from.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Meaning {
    pub listener: Listener,
    pub verdict: Verdict,
    pub sentence: String,
    pub source: &'static str,
}

const PRACTICE: &str = "common practice, no source";

/// Lester and Boley, AES convention 123, 2007: what live players accepted went from 1.4 ms (a singer in ears) to
/// 42 ms (keys over wedges), by player and by monitor; no limit for one instrument is taken from it here.
pub const LIVE_MONITORING: &str = "Lester & Boley 2007, \"The effects of latency on live sound monitoring\"";

/// The range that the study gives, in milliseconds.
pub const LIVE_MONITORING_MS: (f64, f64) = (1.4, 42.0);

/// The smallest displacement of one hit in an even row that listeners notice, in milliseconds: 6 below an interval
/// of 240 ms, 2.5 % of it above. Source: Friberg & Sundberg 1995 (JASA 98, 2524).
pub fn noticed_ms(interval_ms: f64) -> f64 {
    if interval_ms < 240.0 { 6.0 } else { 0.025 * interval_ms }
}

/// From where a latency may be noticed, and from where it is in the way. Common practice, no source.
fn limits_ms(listener: Listener) -> (f64, f64) {
    match listener {
        Listener::VocalsInEars => (3.0, 10.0),
        Listener::Instruments => (8.0, 15.0),
        Listener::Drums => (6.0, 12.0),
        Listener::Talkback => (30.0, 100.0),
    }
}

/// What a round trip of so many milliseconds means to each listener.
pub fn of(round_trip_ms: f64) -> Vec<Meaning> {
    use Listener::*;
    [VocalsInEars, Instruments, Drums, Talkback].map(|listener| meaning(listener, round_trip_ms)).to_vec()
}

fn meaning(listener: Listener, ms: f64) -> Meaning {
    let (noticed, in_the_way) = limits_ms(listener);
    let verdict = match ms {
        ms if ms < noticed => Verdict::Unnoticed,
        ms if ms < in_the_way => Verdict::MayBeNoticed,
        _ => Verdict::InTheWay,
    };
    let who = match listener {
        Listener::VocalsInEars => "own voice in ears",
        Listener::Instruments => "own instrument",
        Listener::Drums => "own drums",
        Listener::Talkback => "talkback",
    };
    let sentence = match (verdict, listener) {
        (Verdict::Unnoticed, _) => format!("{who}: hardly anyone notices {ms:.1} ms"),
        (Verdict::MayBeNoticed, Listener::VocalsInEars) => {
            format!(
                "{who}: {ms:.1} ms colours the voice against the bones of the head; try it before the show"
            )
        }
        (Verdict::MayBeNoticed, _) => format!("{who}: some notice {ms:.1} ms; try it before the show"),
        (Verdict::InTheWay, Listener::Talkback) => {
            format!("{who}: {ms:.1} ms makes people talk over each other")
        }
        (Verdict::InTheWay, _) => format!("{who}: {ms:.1} ms is in the way; monitor past the computer"),
    };
    Meaning { listener, verdict, sentence, source: PRACTICE }
}

/// What the live-monitoring study has to say of a figure: only whether it lies below, in or above its range.
pub fn by_the_study(ms: f64) -> String {
    let (low, high) = LIVE_MONITORING_MS;
    match ms {
        ms if ms < low => format!(
            "{ms:.1} ms is below all that players in the study were disturbed by ({low} to {high} ms)"
        ),
        ms if ms <= high => format!(
            "{ms:.1} ms lies in the range ({low} to {high} ms) in which it hung on the player and the monitor whether it disturbed"
        ),
        ms => format!("{ms:.1} ms is above all that players in the study accepted ({low} to {high} ms)"),
    }
}

/// An offset between two clicks against the smallest that is noticed at a tempo's interval.
pub fn between_clicks(offset_ms: f64, interval_ms: f64) -> bool {
    offset_ms.abs() >= noticed_ms(interval_ms)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn longer_is_never_better() {
        let order = |verdict| match verdict {
            Verdict::Unnoticed => 0,
            Verdict::MayBeNoticed => 1,
            Verdict::InTheWay => 2,
        };
        for pair in [0.5, 2.9, 3.0, 7.0, 9.0, 14.0, 31.0, 200.0].windows(2) {
            for (a, b) in of(pair[0]).iter().zip(of(pair[1])) {
                assert!(order(a.verdict) <= order(b.verdict));
                assert_eq!(a.source, PRACTICE);
            }
        }
    }
}
