//! Distance and delay in air.
//!
//! Of the air only its temperature is asked. Humidity is left out, and costs 0.23 % at 20 °C and 50 % relative
//! humidity (Cramer 1993 against the formula below), 0.6 % at 40 °C: no distance is better than 1 %.

use serde::Serialize;

/// What is known of no distance better than: 1 %.
pub const DISTANCE_UNCERTAINTY: f64 = 0.01;

/// Metres a second. Source: ISO 9613-1:1993, c = 343.2 √(T / 293.15 K). `celsius` is held to −40 to 60.
pub fn speed_of_sound(celsius: f64) -> f64 {
    343.2 * ((celsius.clamp(-40.0, 60.0) + 273.15) / 293.15).sqrt()
}

/// Milliseconds that sound takes for a distance.
pub fn delay_ms(metres: f64, celsius: f64) -> f64 {
    metres / speed_of_sound(celsius) * 1e3
}

/// Metres that sound goes in a time.
pub fn distance_metres(milliseconds: f64, celsius: f64) -> f64 {
    milliseconds / 1e3 * speed_of_sound(celsius)
}

/// A distance and what it costs.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Distance {
    pub metres: f64,
    /// One way.
    pub milliseconds: f64,
    pub frames: f64,
}

/// What 1, 2, 5, 10, 15, 20 and 30 metres of stage cost.
pub fn table(celsius: f64, rate_hertz: f64) -> Vec<Distance> {
    let row = |metres: f64| {
        let milliseconds = delay_ms(metres, celsius);
        Distance { metres, milliseconds, frames: milliseconds * rate_hertz / 1e3 }
    };
    [1.0, 2.0, 5.0, 10.0, 15.0, 20.0, 30.0].map(row).to_vec()
}

/// A loudspeaker's distance from a microphone.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct MicDistance {
    pub metres: f64,
    /// Half width: 1 % for the air that is not known, and the measurement's own.
    pub plus_or_minus_metres: f64,
    pub delay_ms: f64,
}

/// What is left of an acoustic round trip when that of the same interface over a cable is taken off.
/// `None` where less than nothing is left: then the cable was measured on another start.
pub fn to_microphone(
    round_trip_ms: f64,
    over_cable_ms: f64,
    interval_ms: f64,
    celsius: f64,
) -> Option<MicDistance> {
    let delay_ms = round_trip_ms - over_cable_ms;
    if delay_ms < 0.0 || !delay_ms.is_finite() {
        return None;
    }
    let metres = distance_metres(delay_ms, celsius);
    let plus_or_minus_metres = metres * DISTANCE_UNCERTAINTY + distance_metres(interval_ms.abs(), celsius);
    Some(MicDistance { metres, plus_or_minus_metres, delay_ms })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_distance_there_and_back_is_the_same() {
        for metres in [0.3, 5.0, 10.0, 15.0] {
            let back = distance_metres(delay_ms(metres, 23.0), 23.0);
            assert!((back / metres - 1.0).abs() < 1e-12);
        }
    }

    #[test]
    fn rules_of_thumb_of_the_stage_hold() {
        // Common practice, no source: about 343 m/s; about a foot a millisecond; two players 50 feet apart are
        // about 100 ms away from each other, there and back.
        assert!((speed_of_sound(20.0) - 343.0).abs() < 1.0);
        assert!((delay_ms(0.3048, 20.0) - 1.0).abs() < 0.15);
        assert!((2.0 * delay_ms(50.0 * 0.3048, 20.0) - 100.0).abs() < 12.0);
    }

    #[test]
    fn a_microphone_nearer_than_the_cable_is_refused() {
        assert_eq!(to_microphone(9.0, 10.0, 0.01, 20.0), None);
        let ten = to_microphone(10.0 + delay_ms(10.0, 15.0), 10.0, 0.02, 15.0).unwrap();
        assert!((ten.metres - 10.0).abs() < 1e-9 && ten.plus_or_minus_metres > 0.1);
    }
}
