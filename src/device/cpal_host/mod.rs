//! ALSA, CoreAudio and WASAPI through cpal: the output callback drives, inputs come through a ring.
//!
//! In: a device's name or id. Out: callbacks into a [`crate::realtime::io::Process`]. Thread: the host's
//! audio threads; what may hang runs on threads that can be left behind. Always: cpal stays inside this
//! folder. cpal has no stream of both directions: their alignment holds for one start of one device only.

mod gap;
mod input_ring;
mod negotiate;
mod stream;

use super::abandon;
use super::{DeviceError, DeviceInfo, Interface, OpenSetup, Opened};
use cpal::traits::{DeviceTrait, HostTrait};
use std::time::Duration;

/// How long a system may take to tell its devices or to open one.
const ANSWER: Duration = Duration::from_secs(10);

/// Between the device for outputs and another one for inputs, in a rig's `device`.
const INPUTS_FROM: char = '|';

/// One of cpal's hosts.
#[derive(Clone, Copy, Debug)]
pub struct CpalHost {
    id: cpal::HostId,
    name: &'static str,
}

impl CpalHost {
    /// The hosts of this system: "alsa", "coreaudio", "wasapi".
    pub fn all() -> Vec<CpalHost> {
        let named = |id: cpal::HostId| {
            let name = match id.name() {
                "ALSA" => "alsa",
                "CoreAudio" => "coreaudio",
                "WASAPI" => "wasapi",
                _ => return None,
            };
            Some(CpalHost { id, name })
        };
        cpal::available_hosts().into_iter().filter_map(named).collect()
    }

    /// Errors: this system has no such host.
    pub fn named(name: &str) -> Result<CpalHost, DeviceError> {
        CpalHost::all().into_iter().find(|host| host.name == name).ok_or_else(|| {
            let there: Vec<&str> = CpalHost::all().iter().map(|host| host.name).collect();
            let what = format!("this system has no host \"{name}\"");
            DeviceError::new(what, format!("choose virtual, jack or {}", there.join(", ")))
        })
    }

    fn host(self) -> Result<cpal::Host, DeviceError> {
        cpal::host_from_id(self.id).map_err(|fault| {
            let what = format!("the host {} cannot be reached: {fault}", self.name);
            DeviceError::new(what, "is the system's audio running? else choose another host in the rig")
        })
    }

    fn listing(self) -> Result<Vec<DeviceInfo>, DeviceError> {
        let host = self.host()?;
        let default = host.default_output_device().and_then(|device| device.id().ok());
        let devices = host.devices().map_err(|fault| {
            let what = format!("the devices of {} cannot be listed: {fault}", self.name);
            DeviceError::new(what, "choose another host in the rig")
        })?;
        let known = devices.filter_map(|device| {
            let id = device.id().ok()?;
            let mut info = negotiate::info(self.name, &device, id.id())?;
            info.is_default = Some(&id) == default.as_ref();
            Some(info)
        });
        Ok(known.collect())
    }

    /// By id, or by its name where only one device has it.
    fn find(self, host: &cpal::Host, wanted: &str) -> Result<cpal::Device, DeviceError> {
        if wanted.is_empty() {
            let what = format!("no device of {} is named", self.name);
            return Err(DeviceError::new(what, format!("write device = \"…\": {}", self.choices(host))));
        }
        if negotiate::is_nothing(wanted) {
            let what = format!("the device \"{wanted}\" throws everything away");
            return Err(DeviceError::new(what, self.choices(host)));
        }
        if let Some(device) = host.device_by_id(&cpal::DeviceId::new(self.id, wanted)) {
            return Ok(device);
        }
        let devices = host.devices().map(Iterator::collect::<Vec<_>>).unwrap_or_default();
        let called = |device: &cpal::Device| device.description().is_ok_and(|words| words.name() == wanted);
        let mut named: Vec<cpal::Device> = devices.into_iter().filter(called).collect();
        let count = named.len();
        match (named.pop(), count) {
            (Some(device), 1) => Ok(device),
            (_, 0) => {
                let what = format!("{} has no device \"{wanted}\"", self.name);
                Err(DeviceError::new(what, self.choices(host)))
            }
            _ => {
                let what = format!("{count} devices of {} are named \"{wanted}\"", self.name);
                Err(DeviceError::new(what, format!("write the id of one: {}", self.choices(host))))
            }
        }
    }

    /// What there is to choose from, without opening any.
    fn choices(self, host: &cpal::Host) -> String {
        let devices = host.devices().map(Iterator::collect::<Vec<_>>).unwrap_or_default();
        let outputs = devices.iter().filter(|device| device.supports_output());
        let ids = outputs.filter_map(|device| device.id().ok()).map(|id| id.id().to_owned());
        let ids: Vec<String> =
            ids.filter(|id| negotiate::is_stable(id) && !negotiate::is_nothing(id)).collect();
        if ids.is_empty() {
            return "there is none at all: plug one in and switch it on, or choose the virtual host".into();
        }
        format!("there are \"{}\"", ids.join("\", \""))
    }
}

impl Interface for CpalHost {
    fn host(&self) -> &'static str {
        self.name
    }

    fn list(&self) -> Result<Vec<DeviceInfo>, DeviceError> {
        let host = *self;
        abandon::within(ANSWER, "fogbell-list", move || host.listing())
            .unwrap_or_else(|| no_answer(host.name))
    }

    /// The device is an id as listed or a name; "OUT | IN" takes the inputs from another device.
    fn open(&mut self, setup: &OpenSetup) -> Result<Box<dyn Opened>, DeviceError> {
        let (host, setup) = (*self, setup.clone());
        let open = move || {
            let reached = host.host()?;
            let (out, inputs_from) = match setup.device.split_once(INPUTS_FROM) {
                Some((out, input)) => (out.trim(), Some(input.trim())),
                None => (setup.device.trim(), None),
            };
            let output = host.find(&reached, out)?;
            let input = match inputs_from {
                _ if setup.inputs == 0 => None,
                Some(id) => Some(host.find(&reached, id)?),
                None => Some(negotiate::input_beside(&reached, &output, setup.inputs)?),
            };
            stream::open(host.name, &output, input.as_ref(), &setup)
        };
        let opened = abandon::within(ANSWER, "fogbell-open", open);
        Ok(Box::new(opened.unwrap_or_else(|| no_answer(host.name))?))
    }
}

fn no_answer<T>(host: &str) -> Result<T, DeviceError> {
    let what = format!("the host {host} does not answer");
    Err(DeviceError::new(what, "unplug the device and plug it in again, or choose another"))
}
