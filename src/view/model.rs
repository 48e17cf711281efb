//! Everything one screen shows, as plain data: drawing knows nothing else.

use crate::view::keys::KeyLine;

/// One moment, ready to be drawn. Texts are final: nothing here is looked up again.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct ScreenModel {
    pub show: String,
    /// In set order.
    pub songs: Vec<SongLine>,
    pub run: Run,
    /// The song that sounds (or holds), from 0.
    pub song: Option<usize>,
    /// The song the start key plays, from 0.
    pub chosen: Option<usize>,
    pub section: String,
    pub next_section: Option<String>,
    /// As printed: 1 …; 0 pickup; negative or 0 in the count-in.
    pub bar: i32,
    pub beat: u16,
    pub beats_in_bar: u16,
    /// Bars of this pass after this one; `None` where no change is in sight.
    pub bars_left: Option<u16>,
    /// 0 on the beat, towards 1 before the next.
    pub beat_phase: f32,
    pub vamp: bool,
    /// The vamp goes on after this pass.
    pub released: bool,
    /// "♩ = 132", or "♩ = 132 → 130 tonight".
    pub tempo: String,
    /// One line a click.
    pub clicks: Vec<ClickLine>,
    /// Backup machine, ready or not.
    pub backup: String,
    /// How the room's microphones stand; empty without any.
    pub room: String,
    /// Killed, by hand, or somebody talks.
    pub room_alarm: bool,
    pub power: Power,
    /// Time of day, "21:14:07".
    pub clock: String,
    pub last_event: Option<EventLine>,
    pub all_out: bool,
    pub click_out: bool,
    /// This machine is silent because another one leads: a large word and its sentence.
    pub stands: Option<(&'static str, String)>,
    /// What the start key will do next, as a sentence with the key's name.
    pub start: String,
    /// A confirmation that waits: names the thing and the key.
    pub asked: Option<String>,
    pub message: Option<String>,
    pub panel: Panel,
    pub focus_lost: bool,
    pub meters: Vec<Meter>,
    pub xruns: u64,
    pub ears: Option<EarsLine>,
    /// "jack: system, 48000, 128 frames".
    pub device: String,
    /// "SPACE", "R", …: names of keys that other lines mention.
    pub names: KeyNames,
}

/// How loud it is in the ears, as far as that can be known, each with its caution.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct EarsLine {
    pub long: String,
    /// For a small window; nothing without a calibration.
    pub small: Option<String>,
}

#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Run {
    #[default]
    Stopped,
    CountIn,
    Playing,
    Holding,
}

/// A song of the set list.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct SongLine {
    /// As printed on paper; 0: its place in this list.
    pub number: usize,
    pub title: String,
    /// "♩ = 132"; empty without click.
    pub tempo: String,
    /// "Wren counts".
    pub note: String,
    pub encore: bool,
    /// Runs into the next song.
    pub segue: bool,
    /// "talk", "no click"; empty for a song that can start.
    pub remark: String,
}

impl SongLine {
    /// The number to show for the song at `index`.
    pub fn shown(&self, index: usize) -> usize {
        if self.number == 0 { index + 1 } else { self.number }
    }
}

/// Where one click comes from.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct ClickLine {
    pub name: String,
    /// "own", "streamed", "made by this laptop since 21:14:03".
    pub words: String,
    pub fallback: bool,
    pub muted: bool,
}

#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Power {
    pub battery_percent: Option<u8>,
    pub charger: Option<bool>,
}

#[derive(Clone, Debug, Default, PartialEq)]
pub struct EventLine {
    /// "21:14:03".
    pub at: String,
    pub text: String,
    pub acknowledged: bool,
}

#[derive(Clone, Debug, Default, PartialEq)]
pub struct Meter {
    pub name: String,
    pub peak_db: f64,
}

/// What is laid over the lower part; never over bar and beat, state or start sentence.
#[derive(Clone, Debug, Default, PartialEq)]
pub enum Panel {
    #[default]
    None,
    Help {
        keys: Vec<KeyLine>,
        page: usize,
    },
    /// A numbered list to pick from: sections, clicks.
    List {
        title: String,
        /// Number and text.
        rows: Vec<(usize, String)>,
        /// Number of the row that is picked.
        picked: Option<usize>,
    },
}

#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct KeyNames {
    pub start: String,
    pub all_back: String,
    pub click_in: String,
    pub release: String,
    pub acknowledge: String,
    pub help: String,
}
