//! The device's rate against the computer's clock.

use super::{Item, ShowDevice};
use crate::device::{DeviceError, HealthState, Interface, OpenSetup};
use crate::realtime::io::{Io, Process};
use crate::show::model::Host;
use std::time::{Duration, Instant};

/// Frames asked for since the start, seen this many seconds after it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Reading {
    pub frames: u64,
    pub seconds: f64,
}

/// Why a device's clock was not read.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum NoReading {
    /// Nobody tried.
    NotWatched(String),
    /// The device did not open or did not run.
    Failed(DeviceError),
}

/// A rate as measured.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Measured {
    pub hertz: f64,
    /// Against the rate asked for; positive when the device runs fast.
    pub ppm: f64,
    /// Three standard errors of `ppm`.
    pub uncertain_ppm: f64,
}

/// Surely above this, somebody switched the rate: crystals are specified to 20 to 100 ppm.
pub const ALARM_PPM: f64 = 500.0;
/// Above this a device is odd, though usable.
const ODD_PPM: f64 = 200.0;
/// A reading coarser than this says nothing about the alarm.
const COARSE_PPM: f64 = ALARM_PPM / 2.0;
/// Callbacks that a judgement needs.
const FEWEST_EDGES: usize = 20;

/// The rate from readings in time order.
///
/// Only readings at which the count had just changed are used: there the count is exact and the time is late,
/// by one polling step or by whatever held the thread up, and never early. So the least late one of each
/// part of the time is taken, 24 parts where there are callbacks enough. Source: least squares of frames over seconds; standard error of its
/// slope. Errors: too few callbacks, or too much scatter, in words.
pub fn rate(readings: &[Reading], nominal: f64) -> Result<Measured, String> {
    let edges: Vec<Reading> =
        readings.windows(2).filter(|pair| pair[1].frames > pair[0].frames).map(|pair| pair[1]).collect();
    if edges.len() < FEWEST_EDGES {
        return Err(format!("only {} callbacks came in that time", edges.len()));
    }
    let edges = least_late(&edges, nominal);
    let count = edges.len() as f64;
    let mean = |of: &dyn Fn(&Reading) -> f64| edges.iter().map(of).sum::<f64>() / count;
    let (mean_t, mean_f) = (mean(&|r| r.seconds), mean(&|r| r.frames as f64));
    let sum = |of: &dyn Fn(f64, f64) -> f64| -> f64 {
        edges.iter().map(|r| of(r.seconds - mean_t, r.frames as f64 - mean_f)).sum()
    };
    let spread = sum(&|t, _| t * t);
    if spread <= 0.0 {
        return Err("the clock did not move".into());
    }
    let hertz = sum(&|t, f| t * f) / spread;
    let residual = sum(&|t, f| (f - hertz * t).powi(2)) / (count - 2.0);
    let error = (residual / spread).sqrt();
    let uncertain_ppm = 3e6 * error / nominal;
    if uncertain_ppm > COARSE_PPM {
        return Err(format!("callbacks came too unevenly to tell (within {uncertain_ppm:.0} ppm)"));
    }
    Ok(Measured { hertz, ppm: (hertz / nominal - 1.0) * 1e6, uncertain_ppm })
}

/// One reading of each part of the time: the one whose frames were seen soonest.
fn least_late(edges: &[Reading], nominal: f64) -> Vec<Reading> {
    let parts = (edges.len() / 8).clamp(8, 24);
    let lateness = |edge: &Reading| edge.seconds - edge.frames as f64 / nominal;
    let bounds = (0..parts).map(|part| (part * edges.len() / parts, (part + 1) * edges.len() / parts));
    let soonest = |(from, to): (usize, usize)| {
        edges[from..to].iter().min_by(|a, b| lateness(a).total_cmp(&lateness(b))).copied()
    };
    bounds.filter_map(soonest).collect()
}

/// The finding on a device's rate.
pub fn item(device: Option<&ShowDevice>, readings: &Result<Vec<Reading>, NoReading>) -> Item {
    const NAME: &str = "device rate";
    let mend = "fogbell ready --rig RIG";
    let (device, readings) = match (device, readings) {
        (None, _) => return Item::unchecked(NAME, "could not be checked: no rig was given", mend),
        (_, Err(NoReading::NotWatched(why))) => {
            return Item::unchecked(NAME, format!("could not be checked: {why}"), mend);
        }
        (_, Err(NoReading::Failed(why))) => {
            return Item::alarm(
                NAME,
                format!("the show device does not run: {}", why.what),
                why.mend.clone(),
            );
        }
        (Some(device), Ok(readings)) => (device, readings),
    };
    match rate(readings, f64::from(device.rate.hertz())) {
        Err(why) => {
            Item::unchecked(NAME, format!("could not be checked: {why}"), "try again with --seconds 10")
        }
        Ok(measured) => judge(NAME, device, &measured),
    }
}

/// Two clocks that differ by more are not followed.
const FOLLOWED_PPM: f64 = 300.0;

/// The finding on a second interface: whether it runs, and how far its clock is from the show device's (`main`).
pub fn second_item(
    device: &ShowDevice,
    readings: &Result<Vec<Reading>, NoReading>,
    main: Option<(&ShowDevice, &Vec<Reading>)>,
) -> Item {
    const NAME: &str = "second rate";
    let readings = match readings {
        Ok(readings) => readings,
        Err(NoReading::NotWatched(why)) => {
            return Item::unchecked(NAME, format!("could not be checked: {why}"), "fogbell ready --rig RIG");
        }
        Err(NoReading::Failed(why)) => {
            let finding = format!("the second interface does not run, its inputs are silent: {}", why.what);
            return Item::alarm(NAME, finding, why.mend.clone());
        }
    };
    let measured = match rate(readings, f64::from(device.rate.hertz())) {
        Err(why) => {
            let finding = format!("could not be checked: {why}");
            return Item::unchecked(NAME, finding, "try again with --seconds 10");
        }
        Ok(measured) => measured,
    };
    let item = judge(NAME, device, &measured);
    let main = main.and_then(|(main, readings)| rate(readings, f64::from(main.rate.hertz())).ok());
    let Some(main) = main else { return item };
    let (apart, uncertain) = (measured.ppm - main.ppm, measured.uncertain_ppm.hypot(main.uncertain_ppm));
    let finding = format!(
        "{}; {apart:+.0} ± {uncertain:.0} ppm against the show device, which is followed",
        item.finding
    );
    if apart.abs() - uncertain > FOLLOWED_PPM && item.state < super::State::Alarm {
        let mend = "give both one clock (word clock, or one of them as the other's source)";
        return Item::warn(NAME, format!("{}; {apart:+.0} ppm apart: too far to follow", item.finding), mend);
    }
    Item { finding, ..item }
}

fn judge(name: &'static str, device: &ShowDevice, measured: &Measured) -> Item {
    let asked = device.rate.hertz();
    let figures = format!(
        "{:.1} frames a second against {asked} asked: {:+.0} ± {:.0} ppm",
        measured.hertz, measured.ppm, measured.uncertain_ppm
    );
    if measured.ppm.abs() - measured.uncertain_ppm > ALARM_PPM {
        let finding = match standard_rate(measured.hertz) {
            Some(real) if real != asked => format!("{figures}; it runs at {real}: somebody switched it"),
            _ => format!("{figures}; that is no crystal's error"),
        };
        return Item::alarm(
            name,
            finding,
            format!("set the device to {asked} on its own panel, or rate in the rig"),
        );
    }
    if measured.ppm.abs() > ODD_PPM + measured.uncertain_ppm {
        return Item::warn(name, figures, "another clock drives this device: look at its clock source");
    }
    if device.host == Host::Virtual {
        return Item::ok(name, format!("{figures} (the virtual interface runs on this computer's clock)"));
    }
    Item::ok(name, figures)
}

/// The usual rate within 0.2 % of a measured one.
fn standard_rate(hertz: f64) -> Option<u32> {
    const USUAL: [u32; 8] = [32_000, 44_100, 48_000, 88_200, 96_000, 176_400, 192_000, 384_000];
    USUAL.into_iter().find(|usual| (hertz / f64::from(*usual) - 1.0).abs() < 0.002)
}

/// Silence on every output.
struct Silence;

impl Process for Silence {
    fn process(&mut self, io: &mut Io) {
        io.output.clear();
    }
}

/// Opens the device, lets silence run for `seconds` and reads its count of frames twice a millisecond.
///
/// Errors: the device does not open, stalls or goes away. Before the show only: it sleeps in between.
pub fn watch(
    interface: &mut dyn Interface,
    setup: &OpenSetup,
    seconds: f64,
) -> Result<Vec<Reading>, DeviceError> {
    let mut running = interface.open(setup)?.start(Box::new(Silence))?;
    // The first callbacks of a stream come in a rush.
    std::thread::sleep(Duration::from_millis(200));
    let began = Instant::now();
    let mut readings = Vec::new();
    let mut lost = None;
    while began.elapsed().as_secs_f64() < seconds {
        let health = running.health();
        readings.push(Reading { frames: health.frames, seconds: began.elapsed().as_secs_f64() });
        match health.state {
            HealthState::Running => {}
            HealthState::Finished => break,
            HealthState::Stalled => lost = Some("its callbacks stopped".to_string()),
            HealthState::Lost(why) => lost = Some(why),
        }
        if lost.is_some() {
            break;
        }
        std::thread::sleep(Duration::from_micros(500));
    }
    running.stop();
    match lost {
        None => Ok(readings),
        Some(why) => Err(DeviceError {
            what: format!("the device went away while its rate was measured: {why}"),
            mend: "see that it is plugged in and that no other program holds it".into(),
        }),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::SampleRate;

    fn device(host: Host) -> ShowDevice {
        ShowDevice { host, name: "Box".into(), rate: SampleRate::standard(), block: 128 }
    }

    /// Two seconds of a device at `hertz` with `block`, read every 0.5 ms by a thread that is held up now and then, as on a busy machine.
    fn readings(hertz: f64, block: u64, seed: u64) -> Vec<Reading> {
        let mut random = fastrand::Rng::with_seed(seed);
        let mut seconds = 0.0;
        let mut all = Vec::new();
        while seconds < 2.0 {
            let blocks = (seconds * hertz / block as f64).floor() as u64;
            all.push(Reading { frames: blocks * block, seconds });
            let held_up = if random.u8(..) < 2 { 0.02 * random.f64() } else { 0.0 };
            seconds += 0.0005 + 0.0002 * random.f64() + held_up;
        }
        all
    }

    #[test]
    fn a_rate_is_known_to_a_tenth_of_the_alarm_in_two_seconds() {
        for (block, seed) in [(64, 1), (128, 2), (480, 3), (1024, 4)] {
            for ppm in [0.0, 50.0, -50.0, 400.0, -400.0] {
                let hertz = 48_000.0 * (1.0 + ppm * 1e-6);
                let measured = rate(&readings(hertz, block, seed), 48_000.0).expect("measurable");
                let error = (measured.ppm - ppm).abs();
                assert!(error < 50.0, "{block} {ppm} {measured:?}");
            }
        }
    }

    #[test]
    fn a_device_that_does_not_run_is_an_alarm_and_one_not_watched_is_not() {
        use super::super::State;
        let failed = NoReading::Failed(DeviceError { what: "busy".into(), mend: "close it".into() });
        assert_eq!(item(Some(&device(Host::Alsa)), &Err(failed)).state, State::Alarm);
        let not_watched = NoReading::NotWatched("a set is playing".into());
        assert_eq!(item(Some(&device(Host::Alsa)), &Err(not_watched)).state, State::Unchecked);
    }

    #[test]
    fn a_second_interface_is_held_against_the_show_device_s_clock() {
        use super::super::State;
        let (main, other) = (device(Host::Alsa), device(Host::Alsa));
        let at = |ppm: f64, seed| readings(48_000.0 * (1.0 + ppm * 1e-6), 128, seed);
        let found = |ppm: f64| second_item(&other, &Ok(at(ppm, 8)), Some((&main, &at(-150.0, 9))));
        let near = found(50.0);
        assert!(near.state == State::Ok && near.finding.contains("against the show device"), "{near:?}");
        let far = found(300.0);
        assert!(far.state == State::Warn && far.finding.contains("too far to follow"), "{far:?}");
        let gone = NoReading::Failed(DeviceError { what: "busy".into(), mend: "close it".into() });
        let gone = second_item(&other, &Err(gone), None);
        assert!(gone.state == State::Alarm && gone.finding.contains("its inputs are silent"), "{gone:?}");
    }

    #[test]
    fn a_switched_rate_is_named() {
        let found = item(Some(&device(Host::Alsa)), &Ok(readings(44_100.0, 128, 5)));
        assert_eq!(found.state, super::super::State::Alarm);
        assert!(found.finding.contains("it runs at 44100: somebody switched it"), "{}", found.finding);
    }

    #[test]
    fn the_alarm_lies_between_four_and_six_hundred_ppm() {
        use super::super::State;
        let state = |ppm: f64| {
            item(Some(&device(Host::Alsa)), &Ok(readings(48_000.0 * (1.0 + ppm * 1e-6), 128, 6))).state
        };
        assert_eq!((state(20.0), state(400.0), state(600.0)), (State::Ok, State::Warn, State::Alarm));
        assert_eq!((state(-400.0), state(-600.0)), (State::Warn, State::Alarm));
    }

    #[test]
    fn a_reading_that_cannot_be_trusted_says_so() {
        assert!(rate(&[], 48_000.0).is_err());
        let still = vec![Reading { frames: 128, seconds: 0.0 }; 100];
        assert!(rate(&still, 48_000.0).is_err());
        // Callbacks that come 20 ms early or late.
        let mut random = fastrand::Rng::with_seed(7);
        let wild: Vec<Reading> = (0..200)
            .map(|i| Reading { frames: i * 480, seconds: i as f64 * 0.01 + 0.02 * (random.f64() - 0.5) })
            .collect();
        let said = rate(&wild, 48_000.0);
        assert!(said.is_err(), "{said:?}");
    }
}
