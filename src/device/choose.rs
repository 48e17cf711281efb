//! From a rig's choice to an interface.

#[cfg(feature = "cpal")]
use super::cpal_host::CpalHost;
#[cfg(feature = "jack")]
use super::jack_host::JackHost;
use super::second::Paired;
use super::virtual_interface::{Pace, VirtualInterface, World};
use super::{DeviceError, DeviceInfo, Interface, Negotiated, OpenSetup};
use crate::show::model::{Host, InterfaceChoice, Rig, Second};
use std::path::Path;

/// Every host of this system, the virtual one first.
pub fn all_hosts() -> Vec<Box<dyn Interface>> {
    #[cfg_attr(not(any(feature = "jack", feature = "cpal")), allow(unused_mut, reason = "none to add"))]
    let mut hosts: Vec<Box<dyn Interface>> =
        vec![Box::new(VirtualInterface::new(World::default(), Pace::RealTime))];
    #[cfg(feature = "jack")]
    hosts.push(Box::new(JackHost));
    #[cfg(feature = "cpal")]
    hosts.extend(CpalHost::all().into_iter().map(|host| Box::new(host) as Box<dyn Interface>));
    hosts
}

/// The interface a rig chooses. The virtual one runs in real time; its device is empty or the path of a
/// world file.
///
/// Errors: the host is not on this system, or not built in; a world file has a fault.
pub fn choose(choice: &InterfaceChoice) -> Result<Box<dyn Interface>, DeviceError> {
    choose_in(choice, Path::new(""))
}

/// The same, with world files looked for in a folder: the rig's.
pub fn choose_in(choice: &InterfaceChoice, folder: &Path) -> Result<Box<dyn Interface>, DeviceError> {
    match choice.host {
        Host::Virtual => virtual_interface(&choice.device, folder),
        Host::Jack => jack(),
        Host::Alsa => system("alsa"),
        Host::CoreAudio => system("coreaudio"),
        Host::Wasapi => system("wasapi"),
    }
}

/// The interface of a rig, with its second one behind it when it has one.
///
/// Errors: as [`choose`], for either.
pub fn for_rig(rig: &Rig) -> Result<Box<dyn Interface>, DeviceError> {
    match &rig.second {
        None => choose_in(&rig.interface, &rig.folder),
        Some(second) => with_second(&rig.interface, second, &rig.folder),
    }
}

/// An interface with a second one's inputs behind its own. Errors: as [`choose`], for either.
pub fn with_second(
    choice: &InterfaceChoice,
    second: &Second,
    folder: &Path,
) -> Result<Box<dyn Interface>, DeviceError> {
    let main = choose_in(choice, folder)?;
    let named =
        |name: DeviceError| DeviceError::new(format!("the second interface: {}", name.what), name.mend);
    let interface = choose_in(&second.choice, folder).map_err(named)?;
    let mut setup = setup_for(&second.choice, second.highest_input(), 1);
    setup.input_names = (1..=setup.inputs)
        .map(|channel| {
            second
                .inputs
                .iter()
                .find(|(_, other)| *other == channel)
                .map_or(String::new(), |(name, _)| name.clone())
        })
        .collect();
    Ok(Box::new(Paired { main, second: interface, setup }))
}

/// The rig with the second interface's inputs where they come behind the main's.
pub fn placed(rig: &Rig, negotiated: &Negotiated) -> Rig {
    let mut rig = rig.clone();
    if let (Some(second), Some(side)) = (&rig.second, &negotiated.second) {
        let behind = second.inputs.iter().map(|(name, channel)| (name.clone(), side.first_input + channel));
        rig.inputs.extend(behind);
    }
    rig
}

/// What to open for a rig with this many channels. Port names are up to the caller.
pub fn setup_for(choice: &InterfaceChoice, inputs: u16, outputs: u16) -> OpenSetup {
    let device = choice.device.clone();
    OpenSetup { device, ..OpenSetup::new(choice.rate, choice.block, inputs, outputs) }
}

/// How many outputs the chosen device has. `None`: nobody knows, or nothing limits them (JACK patched by hand).
/// May open devices: before the show only.
pub fn outputs_of(interface: &dyn Interface, choice: &InterfaceChoice) -> Option<u16> {
    listed(interface, choice, Side::Out).map(|info| info.outputs)
}

/// The same of inputs.
pub fn inputs_of(interface: &dyn Interface, choice: &InterfaceChoice) -> Option<u16> {
    listed(interface, choice, Side::In).map(|info| info.inputs)
}

/// Of a choice "OUT | IN", which names two.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Side {
    Out,
    In,
}

/// The chosen device as its host lists it. May open devices: not on a thread that must not wait.
pub fn listed(interface: &dyn Interface, choice: &InterfaceChoice, side: Side) -> Option<DeviceInfo> {
    let devices = interface.list().ok()?;
    if choice.host == Host::Virtual {
        return devices.into_iter().next();
    }
    let mut sides = choice.device.split('|');
    let wanted = if side == Side::Out { sides.next() } else { sides.next_back() };
    // Where nobody's ports are wanted, the server's own say what it can do.
    let wanted = match wanted.unwrap_or_default().trim() {
        "" | "none" if choice.host == Host::Jack => "system",
        wanted => wanted,
    };
    devices.into_iter().find(|info| info.id == wanted || info.name == wanted)
}

fn virtual_interface(device: &str, folder: &Path) -> Result<Box<dyn Interface>, DeviceError> {
    if device.is_empty() {
        return Ok(Box::new(VirtualInterface::new(World::default(), Pace::RealTime)));
    }
    let world = World::read(&folder.join(device))?;
    Ok(Box::new(VirtualInterface::new(world, Pace::RealTime).named(device)))
}

#[cfg(feature = "jack")]
fn jack() -> Result<Box<dyn Interface>, DeviceError> {
    Ok(Box::new(JackHost))
}

#[cfg(not(feature = "jack"))]
fn jack() -> Result<Box<dyn Interface>, DeviceError> {
    not_built_in("jack")
}

#[cfg(feature = "cpal")]
fn system(name: &str) -> Result<Box<dyn Interface>, DeviceError> {
    Ok(Box::new(CpalHost::named(name)?))
}

#[cfg(not(feature = "cpal"))]
fn system(name: &str) -> Result<Box<dyn Interface>, DeviceError> {
    not_built_in(name)
}

#[cfg(not(all(feature = "jack", feature = "cpal")))]
fn not_built_in(name: &str) -> Result<Box<dyn Interface>, DeviceError> {
    let what = format!("this build has no host \"{name}\"");
    Err(DeviceError::new(what, "build with the features jack and cpal, or choose the virtual host"))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::SampleRate;

    fn choice(host: Host, device: &str) -> InterfaceChoice {
        InterfaceChoice { host, device: device.into(), rate: SampleRate::standard(), block: 64 }
    }

    #[test]
    fn the_virtual_interface_opens_as_the_rig_says() {
        let choice = choice(Host::Virtual, "");
        let opened = choose(&choice).unwrap().open(&setup_for(&choice, 1, 2)).unwrap();
        let negotiated = opened.negotiated();
        assert_eq!((negotiated.block, negotiated.inputs, negotiated.outputs), (64, 1, 2));
    }

    #[test]
    fn a_world_beside_the_rig_is_read_and_a_missing_one_named() {
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join("hall.toml"), "outputs = 4").unwrap();
        let interface = choose_in(&choice(Host::Virtual, "hall.toml"), folder.path()).unwrap();
        assert_eq!(interface.list().unwrap()[0].outputs, 4);
        let error = choose_in(&choice(Host::Virtual, "pier.toml"), folder.path()).err().unwrap();
        assert!(error.what.contains("pier.toml"), "{error}");
    }

    #[cfg(all(target_os = "linux", feature = "cpal"))]
    #[test]
    fn a_host_of_another_system_is_refused_with_what_there_is() {
        let error = choose(&choice(Host::Wasapi, "any")).err().unwrap();
        assert!(error.to_string().contains("choose virtual, jack or alsa"), "{error}");
    }

    #[cfg(all(target_os = "linux", feature = "cpal"))]
    #[test]
    fn an_absent_device_is_refused_with_what_there_is() {
        let choice = choice(Host::Alsa, "hw:CARD=NoSuchCard,DEV=0");
        let error = choose(&choice).unwrap().open(&setup_for(&choice, 0, 2)).err().unwrap();
        assert!(error.what.contains("NoSuchCard"), "{error}");
        assert!(error.mend.starts_with("there "), "{error}");
    }
}
