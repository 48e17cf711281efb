//! Charger and battery.

use super::{Item, Root, ask};
use std::time::Duration;

const SUPPLIES: &str = "sys/class/power_supply";
/// Below this, without a charger, a set may not be finished (common practice, no source).
const LOW_PERCENT: u32 = 50;

/// What a system says about its power.
#[derive(Clone, Debug, Default, PartialEq)]
struct Power {
    /// `None` when the system has no word for it.
    charger: Option<bool>,
    percent: Option<u32>,
    charging: Option<bool>,
    minutes_left: Option<u32>,
}

pub fn items(root: &Root) -> Vec<Item> {
    if cfg!(target_os = "linux") {
        judge(&linux(root))
    } else if cfg!(target_os = "macos") {
        match ask("pmset", &["-g", "batt"], Duration::from_millis(1500)) {
            Some(text) => judge(&pmset(&text)),
            None => judge(&Power::default()),
        }
    } else {
        judge(&Power::default())
    }
}

/// Charger and battery percent as this system tells, for the screen. Linux only asks files; elsewhere nothing.
pub fn now() -> (Option<bool>, Option<u8>) {
    if !cfg!(target_os = "linux") {
        return (None, None);
    }
    let power = linux(&Root("/".into()));
    (power.charger, power.percent.map(|percent| percent.min(100) as u8))
}

fn judge(power: &Power) -> Vec<Item> {
    if power.charger.is_none() && power.percent.is_none() {
        return vec![Item::unchecked(
            "charger",
            "could not be checked: this system tells of no charger and no battery (as a desktop computer does)",
            "see for yourself that the charger is plugged in and its light is on",
        )];
    }
    let mut items = Vec::new();
    items.push(match power.charger {
        Some(true) => Item::ok("charger", "plugged in"),
        Some(false) => {
            Item::alarm("charger", "not plugged in", "plug the charger in, and see that the socket is live")
        }
        None => Item::unchecked(
            "charger",
            "could not be checked: the battery is seen, the charger is not",
            "see for yourself that the charger is plugged in",
        ),
    });
    items.push(battery(power));
    items
}

fn battery(power: &Power) -> Item {
    let Some(percent) = power.percent else {
        return Item::ok("battery", "none, as the system tells");
    };
    let left =
        power.minutes_left.map(|m| format!(", about {}:{:02} left", m / 60, m % 60)).unwrap_or_default();
    let finding = format!("{percent} %{left}");
    let draining = power.charging == Some(false) && power.charger == Some(true) && percent < 95;
    if draining {
        let finding = format!("{finding}, and it drains although the charger is plugged in");
        return Item::alarm("battery", finding, "use the computer's own charger: this one is too weak");
    }
    match (power.charger, percent) {
        (Some(true), _) => Item::ok("battery", finding),
        (_, 0..LOW_PERCENT) => Item::alarm("battery", finding, "plug the charger in before doors"),
        _ => Item::warn("battery", finding, "plug the charger in: a battery fades faster than it says"),
    }
}

/// Source: Documentation/ABI/testing/sysfs-class-power of the Linux kernel.
fn linux(root: &Root) -> Power {
    let mut power = Power::default();
    for name in root.names(SUPPLIES) {
        let read = |file: &str| root.read(&format!("{SUPPLIES}/{name}/{file}"));
        // A mouse or a headset has a battery too.
        if read("scope").as_deref() == Some("Device") {
            continue;
        }
        match read("type").as_deref() {
            Some("Mains" | "USB" | "Wireless") => {
                let online = read("online").is_some_and(|text| text != "0");
                power.charger = Some(power.charger.unwrap_or(false) || online);
            }
            Some("Battery") => {
                let percent = read("capacity").and_then(|text| text.parse().ok());
                power.percent = power.percent.max(percent);
                power.charging = match read("status").as_deref() {
                    Some("Discharging") => Some(false),
                    Some("Charging" | "Full" | "Not charging") => Some(true),
                    _ => power.charging,
                };
                if power.charging == Some(false) {
                    power.minutes_left = minutes_left(&read);
                }
            }
            _ => {}
        }
    }
    power
}

/// Energy over power, or charge over current, both in millionths.
fn minutes_left(read: &dyn Fn(&str) -> Option<String>) -> Option<u32> {
    let number = |file: &str| read(file)?.parse::<f64>().ok().map(f64::abs);
    let hours = match (number("energy_now"), number("power_now")) {
        (Some(energy), Some(power)) if power > 0.0 => energy / power,
        _ => {
            let current = number("current_now").filter(|current| *current > 0.0)?;
            number("charge_now")? / current
        }
    };
    (hours < 100.0).then_some((hours * 60.0).round() as u32)
}

/// `pmset -g batt`; its layout is from memory, so that an unknown one is "could not be checked".
fn pmset(text: &str) -> Power {
    let mut power = Power::default();
    if text.contains("'AC Power'") {
        power.charger = Some(true);
    } else if text.contains("'Battery Power'") {
        power.charger = Some(false);
    }
    if let Some(line) = text.lines().find(|line| line.contains('%')) {
        let digits: String =
            line.split('%').next().unwrap_or("").chars().rev().take_while(char::is_ascii_digit).collect();
        power.percent = digits.chars().rev().collect::<String>().parse().ok();
        power.charging = match line.split(';').nth(1).map(str::trim) {
            Some("discharging") => Some(false),
            Some("charging" | "charged" | "finishing charge" | "AC attached") => Some(true),
            _ => None,
        };
        let left = line.split(';').nth(2).and_then(|part| part.trim().split_once(" remaining"));
        if power.charging == Some(false) {
            power.minutes_left = left.and_then(|(time, _)| {
                let (hours, minutes) = time.split_once(':')?;
                Some(hours.parse::<u32>().ok()? * 60 + minutes.parse::<u32>().ok()?)
            });
        }
    }
    power
}

#[cfg(test)]
mod tests {
    use super::super::{State, fixture};
    use super::*;

    fn states(case: &str) -> Vec<(&'static str, State)> {
        judge(&linux(&fixture(case))).iter().map(|item| (item.name, item.state)).collect()
    }

    #[test]
    fn a_charger_and_a_full_battery_are_fit() {
        assert_eq!(states("charger_plugged_in"), [("charger", State::Ok), ("battery", State::Ok)]);
    }

    #[test]
    fn a_battery_alone_is_an_alarm_and_tells_the_time_left() {
        // 30 Wh at 15 W are two hours; 42 % is below half.
        let items = judge(&linux(&fixture("on_battery_mouse_beside")));
        assert_eq!(items[0].state, State::Alarm);
        assert_eq!((items[1].state, items[1].finding.as_str()), (State::Alarm, "42 %, about 2:00 left"));
    }

    #[test]
    fn a_charger_too_weak_to_hold_the_battery_is_an_alarm() {
        let items = judge(&linux(&fixture("weak_usb_charger")));
        assert_eq!(items[0].state, State::Ok);
        assert_eq!(items[1].state, State::Alarm);
        assert!(items[1].finding.contains("drains"));
    }

    #[test]
    fn a_system_without_a_word_about_power_is_not_called_fit() {
        assert_eq!(states("nothing_told"), [("charger", State::Unchecked)]);
    }

    #[test]
    fn the_other_system_s_words_are_read() {
        // From memory of the program's output.
        let on = "Now drawing from 'AC Power'\n -InternalBattery-0 (id=1)\t100%; charged; 0:00 remaining present: true\n";
        assert_eq!(
            pmset(on),
            Power { charger: Some(true), percent: Some(100), charging: Some(true), minutes_left: None }
        );
        let off = "Now drawing from 'Battery Power'\n -InternalBattery-0 (id=1)\t37%; discharging; 1:41 remaining present: true\n";
        assert_eq!(
            pmset(off),
            Power { charger: Some(false), percent: Some(37), charging: Some(false), minutes_left: Some(101) }
        );
        assert_eq!(pmset("something else"), Power::default());
    }
}
