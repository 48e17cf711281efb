//! The show device as the system sees it: who else uses it, what else sounds there, where its power comes from.

use super::{Item, Root, ShowDevice, ask};
use crate::show::model::Host;
use std::time::Duration;

/// A sound card of ALSA.
#[derive(Clone, Debug, PartialEq, Eq)]
struct Card {
    index: u32,
    id: String,
    name: String,
    /// The second line: maker, name and place.
    long: String,
}

pub fn items(root: &Root, device: Option<&ShowDevice>) -> Vec<Item> {
    let Some(device) = device else {
        let mend = "give the rig with --rig";
        let why = "could not be checked: no rig was given";
        return ["default output", "other programs", "USB power"]
            .map(|n| Item::unchecked(n, why, mend))
            .to_vec();
    };
    if device.host == Host::Virtual {
        return vec![
            Item::ok("default output", "the virtual interface is nobody's default output"),
            Item::ok("other programs", "the virtual interface belongs to this program alone"),
        ];
    }
    if cfg!(target_os = "macos") {
        let text = ask("system_profiler", &["SPAudioDataType"], Duration::from_secs(4));
        return vec![profiler(text.as_deref(), device), unseen("other programs"), unseen("USB power")];
    }
    if !cfg!(target_os = "linux") {
        return ["default output", "other programs", "USB power"].map(unseen).to_vec();
    }
    let cards = cards(&root.read("proc/asound/cards").unwrap_or_default());
    let card = find(&cards, &device.name);
    let sink = ask("pactl", &["get-default-sink"], Duration::from_millis(1500));
    let default = default_output(root, &cards, card, sink.as_deref().map(str::trim));
    let others = card.map_or_else(|| unknown_card("other programs", device), |card| others(root, card));
    let power = card.map_or_else(|| unknown_card("USB power", device), |card| usb_power(root, card));
    vec![default, others, power]
}

fn unseen(name: &'static str) -> Item {
    Item::unchecked(name, "could not be checked on this system", by_eye(name))
}

fn by_eye(name: &str) -> &'static str {
    match name {
        "default output" => "choose another output for the system's sounds, and turn notifications off",
        "USB power" => "plug the device into the computer itself, not into a hub without a supply of its own",
        _ => "close every program that plays or records",
    }
}

fn unknown_card(name: &'static str, device: &ShowDevice) -> Item {
    let why = match device.name.as_str() {
        "" => "could not be checked: the rig names no device".to_string(),
        named => format!("could not be checked: \"{named}\" is no sound card's name here"),
    };
    Item::unchecked(name, why, by_eye(name))
}

/// Source: the layout of /proc/asound/cards in the Linux kernel (sound/core/init.c): two lines a card.
fn cards(text: &str) -> Vec<Card> {
    let lines: Vec<&str> = text.lines().collect();
    let mut cards = Vec::new();
    for (place, line) in lines.iter().enumerate() {
        let Some((index, rest)) = line.split_once('[') else { continue };
        let (Ok(index), Some((id, rest))) = (index.trim().parse(), rest.split_once(']')) else { continue };
        let name = rest.split_once(" - ").map_or(rest, |(_, name)| name).trim_start_matches(':').trim();
        let long = lines.get(place + 1).map_or("", |line| line.trim());
        cards.push(Card { index, id: id.trim().into(), name: name.into(), long: long.into() });
    }
    cards
}

/// The card of a device name: "hw:CARD=Box,DEV=0", "hw:1", or words of its name.
fn find<'c>(cards: &'c [Card], device: &str) -> Option<&'c Card> {
    let device = device.strip_prefix("alsa:").unwrap_or(device);
    if let Some((_, rest)) = device.split_once("CARD=") {
        let id = rest.split(',').next().unwrap_or(rest);
        return cards.iter().find(|card| card.id == id || card.index.to_string() == id);
    }
    if let Some((_, rest)) = device.split_once("hw:") {
        let id = rest.split(',').next().unwrap_or(rest);
        return cards.iter().find(|card| card.id == id || card.index.to_string() == id);
    }
    let wanted = plain(device);
    cards.iter().find(|card| {
        !wanted.is_empty() && (wanted.contains(&plain(&card.name)) || plain(&card.long).contains(&wanted))
    })
}

/// Small letters and digits only, to compare names that different programs write differently.
fn plain(text: &str) -> String {
    text.chars().filter(|c| c.is_alphanumeric()).flat_map(char::to_lowercase).collect()
}

fn default_output(root: &Root, cards: &[Card], show: Option<&Card>, sink: Option<&str>) -> Item {
    const NAME: &str = "default output";
    let mend = "choose another default output in the system's sound settings, and turn notifications off";
    let Some(show) = show else {
        return Item::unchecked(NAME, "could not be checked: the rig's device is no sound card here", mend);
    };
    let same = match sink.filter(|sink| !sink.is_empty()) {
        Some(sink) => plain(sink).contains(&plain(&show.name)) || plain(sink).contains(&plain(&show.id)),
        None => alsa_default(root, cards).is_some_and(|card| card == show),
    };
    if same {
        let finding =
            format!("\"{}\" is also the default output: notification sounds go into the ears", show.name);
        return Item::alarm(NAME, finding, mend);
    }
    match sink.filter(|sink| !sink.is_empty()) {
        Some(sink) => Item::ok(NAME, format!("the system's sounds go elsewhere ({sink})")),
        None => Item::ok(NAME, "the system's sounds go to another card"),
    }
}

/// `defaults.pcm.card` of /etc/asound.conf, else card 0.
fn alsa_default<'c>(root: &Root, cards: &'c [Card]) -> Option<&'c Card> {
    let conf = root.read("etc/asound.conf").unwrap_or_default();
    let named = conf.lines().find_map(|line| line.trim().strip_prefix("defaults.pcm.card"));
    let named = named.map_or("0", |text| text.trim_matches(|c: char| c.is_whitespace() || "=\"".contains(c)));
    cards.iter().find(|card| card.id == named || card.index.to_string() == named)
}

/// Open substreams of the card and who opened them. Source: Documentation/sound/designs/procfile of the kernel.
fn others(root: &Root, card: &Card) -> Item {
    const NAME: &str = "other programs";
    let folder = format!("proc/asound/card{}", card.index);
    let own = std::process::id().to_string();
    let mut found = Vec::new();
    for pcm in root.names(&folder).into_iter().filter(|name| name.starts_with("pcm")) {
        for sub in root.names(&format!("{folder}/{pcm}")).into_iter().filter(|name| name.starts_with("sub")) {
            let status = root.read(&format!("{folder}/{pcm}/{sub}/status")).unwrap_or_default();
            let owner =
                status.lines().find_map(|line| line.strip_prefix("owner_pid")?.trim().strip_prefix(':'));
            if let Some(pid) = owner.map(str::trim).filter(|pid| *pid != own) {
                let name = root.read(&format!("proc/{pid}/comm"));
                found.push(format!("{} (process {pid})", name.as_deref().unwrap_or("a program")));
            }
        }
    }
    found.dedup();
    match found.as_slice() {
        [] => Item::ok(NAME, format!("nobody else has \"{}\" open", card.name)),
        // A sound server holds the card for everyone, Fogbell included.
        all if all.iter().all(|name| is_server(name)) => {
            let finding = format!("the sound server has \"{}\" open: {}", card.name, all.join(", "));
            Item::warn(
                NAME,
                finding,
                "see that nothing else plays through that server, or free the card from it",
            )
        }
        all => Item::alarm(
            NAME,
            format!("\"{}\" is open in {}", card.name, all.join(", ")),
            "close that program",
        ),
    }
}

fn is_server(name: &str) -> bool {
    ["jackd", "jackdbus", "pipewire", "pulseaudio"].iter().any(|server| name.starts_with(server))
}

/// Power and hub of a USB card. Source: sysfs-bus-usb of the kernel; bit 6 of `bmAttributes` is "self-powered"
/// (USB 2.0, table 9-10; from memory).
fn usb_power(root: &Root, card: &Card) -> Item {
    const NAME: &str = "USB power";
    const DEVICES: &str = "sys/bus/usb/devices";
    let Some(place) = root.read(&format!("proc/asound/card{}/usbbus", card.index)) else {
        return Item::ok(NAME, format!("\"{}\" is not a USB device", card.name));
    };
    let number = |text: &str| text.trim().parse::<u32>().ok();
    let Some((bus, dev)) = place.split_once('/').map(|(bus, dev)| (number(bus), number(dev))) else {
        return unseen(NAME);
    };
    let read = |name: &str, file: &str| root.read(&format!("{DEVICES}/{name}/{file}"));
    let found = root.names(DEVICES).into_iter().find(|name| {
        bus.is_some()
            && read(name, "busnum").and_then(|text| number(&text)) == bus
            && read(name, "devnum").and_then(|text| number(&text)) == dev
    });
    let Some(name) = found else { return unseen(NAME) };
    let own_supply = read(&name, "bmAttributes")
        .and_then(|text| u8::from_str_radix(&text, 16).ok())
        .map(|b| b & 0x40 != 0);
    // "3-2.1" hangs on hub "3-2"; "3-2" on the computer itself.
    let hub = name.rsplit_once('.').map(|(hub, _)| read(hub, "product").unwrap_or_else(|| "a hub".into()));
    judge_usb(card, own_supply, hub.as_deref(), read(&name, "bMaxPower").as_deref())
}

fn judge_usb(card: &Card, own_supply: Option<bool>, hub: Option<&str>, draw: Option<&str>) -> Item {
    const NAME: &str = "USB power";
    let draw = draw.map(|draw| format!(", up to {draw}")).unwrap_or_default();
    match (own_supply, hub) {
        (Some(true), None) => {
            Item::ok(NAME, format!("\"{}\" has a supply of its own, no hub between", card.name))
        }
        (Some(false), None) => {
            Item::ok(NAME, format!("\"{}\" is fed by the computer's own port{draw}", card.name))
        }
        (Some(true), Some(hub)) => Item::warn(
            NAME,
            format!("\"{}\" has a supply of its own, but hangs on {hub}", card.name),
            "plug it into the computer itself: one plug fewer to fall out",
        ),
        (Some(false), Some(hub)) => Item::alarm(
            NAME,
            format!("\"{}\" is fed over the bus{draw}, through {hub}", card.name),
            by_eye(NAME),
        ),
        (None, _) => unseen(NAME),
    }
}

/// `system_profiler SPAudioDataType`; its layout is from memory.
fn profiler(text: Option<&str>, device: &ShowDevice) -> Item {
    const NAME: &str = "default output";
    let mut current = "";
    let mut default = None;
    for line in text.unwrap_or_default().lines() {
        let indent = line.len() - line.trim_start().len();
        if indent == 8 && line.trim_end().ends_with(':') {
            current = line.trim().trim_end_matches(':');
        } else if line.trim() == "Default Output Device: Yes"
            || line.trim() == "Default System Output Device: Yes"
        {
            default = Some(current);
            if plain(current) == plain(&device.name) {
                break;
            }
        }
    }
    match default {
        None => unseen(NAME),
        Some(name) if plain(name) == plain(&device.name) => Item::alarm(
            NAME,
            format!("\"{name}\" is also the default output: notification sounds go into the ears"),
            by_eye(NAME),
        ),
        Some(name) => Item::ok(NAME, format!("the system's sounds go elsewhere ({name})")),
    }
}

#[cfg(test)]
mod tests {
    use super::super::{State, fixture};
    use super::*;

    fn all(case: &str) -> (Root, Vec<Card>) {
        let root = fixture(case);
        let cards = cards(&root.read("proc/asound/cards").expect("the case has cards"));
        (root, cards)
    }

    #[test]
    fn cards_are_found_by_every_way_to_name_them() {
        let (_, cards) = all("box_on_a_hub_in_use");
        assert_eq!(cards.len(), 2);
        assert_eq!(
            (cards[1].index, cards[1].id.as_str(), cards[1].name.as_str()),
            (1, "Box", "Harbour Box 8")
        );
        for name in ["hw:CARD=Box,DEV=0", "alsa:plughw:CARD=Box", "hw:1", "hw:1,0", "Harbour Box 8", "box 8"]
        {
            assert_eq!(find(&cards, name).map(|card| card.index), Some(1), "{name}");
        }
        assert_eq!(find(&cards, ""), None);
        assert_eq!(find(&cards, "hw:CARD=Bo"), None);
    }

    #[test]
    fn another_program_on_the_device_is_named() {
        let (root, cards) = all("box_on_a_hub_in_use");
        let item = others(&root, &cards[1]);
        assert_eq!(item.state, State::Alarm);
        assert!(item.finding.contains("recorder (process 4242)"), "{}", item.finding);
        assert_eq!(others(&root, &cards[0]).state, State::Ok);
        let (root, cards) = all("box_of_the_server");
        assert_eq!(others(&root, &cards[0]).state, State::Warn, "a sound server");
    }

    #[test]
    fn bus_power_through_a_hub_is_an_alarm() {
        let (root, cards) = all("box_on_a_hub_in_use");
        let item = usb_power(&root, &cards[1]);
        assert_eq!(item.state, State::Alarm);
        assert!(item.finding.contains("500mA") && item.finding.contains("Four-port hub"), "{}", item.finding);
        let (root, cards) = all("box_of_the_server");
        assert_eq!(usb_power(&root, &cards[0]).state, State::Ok, "own supply, own port");
    }

    #[test]
    fn the_default_output_is_compared_with_the_show_device() {
        let (root, cards) = all("box_on_a_hub_in_use");
        let state = |card: usize, sink| default_output(&root, &cards, Some(&cards[card]), sink).state;
        assert_eq!(state(1, Some("alsa_output.usb-Harbour_Box_8-00.analog-stereo")), State::Alarm);
        assert_eq!(state(1, Some("alsa_output.pci-0000_00_1f.3.analog-stereo")), State::Ok);
        assert_eq!((state(0, None), state(1, None)), (State::Alarm, State::Ok), "card 0 is ALSA's default");
        let (root, cards) = all("box_of_the_server");
        assert_eq!(default_output(&root, &cards, Some(&cards[0]), None).state, State::Alarm, "asound.conf");
        assert_eq!(default_output(&root, &cards, None, None).state, State::Unchecked);
    }

    #[test]
    fn the_other_system_s_default_output_is_found() {
        // From memory of the program's output.
        let text = "Audio:\n\n    Devices:\n\n        Harbour Box 8:\n\n          Output Channels: 8\n\n        Built-in Speakers:\n\n          Default Output Device: Yes\n";
        let device = |name: &str| ShowDevice {
            host: Host::CoreAudio,
            name: name.into(),
            rate: crate::units::SampleRate::standard(),
            block: 128,
        };
        assert_eq!(profiler(Some(text), &device("Harbour Box 8")).state, State::Ok);
        assert_eq!(profiler(Some(text), &device("Built-in Speakers")).state, State::Alarm);
        assert_eq!(profiler(None, &device("x")).state, State::Unchecked);
    }
}
