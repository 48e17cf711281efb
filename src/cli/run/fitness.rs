//! The head of a run: is the computer fit, and is it kept awake? Looked at beside the show, so that nothing
//! waits for it; what needs mending is said on the screen and in the log.

use super::telling::Notes;
use crate::log::Entry;
use crate::log::kept::Kind;
use crate::ready::{self, Guards, ReadySetup, ShowDevice};
use crate::show::model::Rig;

use crossbeam_channel::{Receiver, bounded};
use std::path::Path;
use std::time::Duration;

/// Holds the guards until it is dropped.
pub struct Fitness {
    guards: Receiver<Guards>,
}

/// The device of a rig as the list names it.
pub fn show_device(rig: &Rig) -> ShowDevice {
    let choice = &rig.interface;
    ShowDevice { host: choice.host, name: choice.device.clone(), rate: choice.rate, block: choice.block }
}

impl Fitness {
    /// `print`: the list goes to standard error as well.
    pub fn look(folder: &Path, rig: &Rig, notes: &Notes, print: bool) -> Fitness {
        let (held, guards) = bounded(1);
        let mut setup = ReadySetup::here(folder);
        setup.device = Some(show_device(rig));
        setup.clock = Err(ready::clock::NoReading::NotWatched("it is watched while the show runs".into()));
        let notes = notes.clone();
        // Without this thread the show goes on; only the list is missing.
        let _without =
            std::thread::Builder::new().name("ready".into()).stack_size(256 * 1024).spawn(move || {
                let guards = Guards::take();
                setup.guarded = guards.items().to_vec();
                let _gone = held.send(guards);
                let items = ready::list(&setup);
                items.iter().for_each(|item| notes.item(item));
                let result =
                    serde_json::json!({ "command": "ready", "ok": ready::fit(&items), "items": items });
                notes.entry(Entry::Kept { kind: Kind::Ready, result });
                if print {
                    super::complain(&ready::text(&items));
                }
            });
        Fitness { guards }
    }

    /// Lets the computer sleep again.
    pub fn end(self) {
        drop(self.guards.recv_timeout(Duration::from_millis(100)));
    }
}
