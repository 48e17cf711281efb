//! Which key does what. One table is the source of the defaults, the help page, `--help`, README and man page.
//!
//! Plain keys that every Latin layout has; letters mean the same with shift or caps lock. Every action can
//! be given another key in the rig's `[keys]` table, because a USB foot switch types keys.

mod listener;
mod map;
mod name;

pub use listener::{Listener, Press};
pub use map::Keymap;
pub use name::{Key, parse};

/// What a key asks for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Action {
    Start,
    Stop,
    StopAtBar,
    StopAtSection,
    AllOut,
    AllBack,
    ClickOut,
    ClickIn,
    OneIsNow,
    BeatMinus,
    BeatPlus,
    Earlier,
    Later,
    Undo,
    Release,
    GoTo,
    Mute,
    AmbientKill,
    AmbientUp,
    AmbientDown,
    AmbientRides,
    Talk,
    Fallback,
    Up,
    Down,
    Skip,
    Faster,
    Slower,
    FasterPercent,
    SlowerPercent,
    WrittenTempo,
    TakeOver,
    StandDown,
    Align,
    Beside,
    Reload,
    Acknowledge,
    Help,
    Confirm,
    Cancel,
    Quit,
}

/// A key press, named: an action, or a digit of a song's, section's or click's number.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Input {
    Action(Action),
    Digit(u8),
}

struct Row {
    action: Action,
    name: &'static str,
    keys: &'static [&'static str],
    what: &'static str,
}

const fn row(action: Action, name: &'static str, keys: &'static [&'static str], what: &'static str) -> Row {
    Row { action, name, keys, what }
}

const ROWS: &[Row] = &[
    row(Action::Start, "start", &["space"], "start; never stops anything"),
    row(Action::AllOut, "all-out", &["backspace"], "ALL OUT: every feed silent"),
    row(Action::AllBack, "all-back", &["r"], "all back, on a bar line"),
    row(Action::Stop, "stop", &["s"], "stop now (press twice)"),
    row(Action::StopAtBar, "stop-at-bar", &["b"], "stop at bar's end (twice)"),
    row(Action::StopAtSection, "stop-at-section", &["e"], "stop at section end (twice)"),
    row(Action::Release, "release", &["v"], "let the vamp or hold go on"),
    row(Action::Up, "up", &["up"], "choose the song before"),
    row(Action::Down, "down", &["down"], "choose the song after"),
    row(Action::Skip, "skip", &["k"], "skip the chosen song"),
    row(Action::GoTo, "go-to", &["g"], "go to a section, counted in"),
    row(Action::Confirm, "confirm", &["enter"], "yes; choose number typed"),
    row(Action::Cancel, "cancel", &["esc"], "no; close the list"),
    row(Action::OneIsNow, "one-is-now", &["n"], "one is now"),
    row(Action::BeatMinus, "beat-minus", &[","], "count one beat less"),
    row(Action::BeatPlus, "beat-plus", &["."], "count one beat more"),
    row(Action::Earlier, "earlier", &["left"], "click a step earlier (5 ms)"),
    row(Action::Later, "later", &["right"], "click a step later (5 ms)"),
    row(Action::Undo, "undo", &["u"], "undo one, beat or shift"),
    row(Action::ClickOut, "click-out", &["o"], "click out, ambient stays"),
    row(Action::ClickIn, "click-in", &["i"], "click in, on a bar line"),
    row(Action::Mute, "mute", &["m"], "mute one click, by number"),
    row(Action::AmbientKill, "ambient-kill", &["z"], "kill the room; again: back"),
    row(Action::AmbientUp, "ambient-up", &["p"], "room 3 dB up to next song"),
    row(Action::AmbientDown, "ambient-down", &["j"], "room 3 dB down to next song"),
    row(Action::AmbientRides, "ambient-rides", &["f2"], "room rides by itself again"),
    row(Action::Talk, "talk", &["y"], "talkback open; again: shut"),
    row(Action::Fallback, "fallback", &["f"], "a click's fallback, on/off"),
    row(Action::Faster, "faster", &["+", "="], "0.5 a minute faster tonight"),
    row(Action::Slower, "slower", &["-"], "0.5 a minute slower tonight"),
    row(Action::FasterPercent, "faster-percent", &["shift+up"], "1 % faster tonight"),
    row(Action::SlowerPercent, "slower-percent", &["shift+down"], "1 % slower tonight"),
    row(Action::WrittenTempo, "written-tempo", &["w"], "back to the written tempo"),
    row(Action::TakeOver, "take-over", &["t"], "this laptop leads: its click now"),
    row(Action::StandDown, "stand-down", &["d"], "follow the other laptop (twice)"),
    row(Action::Align, "align", &["l"], "lay this click on the main's"),
    row(Action::Beside, "beside", &["c"], "hear this click beside the main's"),
    row(Action::Acknowledge, "acknowledge", &["a"], "the last event is seen"),
    row(Action::Reload, "reload", &["f5"], "read the show file again"),
    row(Action::Help, "help", &["h", "f1"], "these keys; the next page"),
    row(Action::Quit, "quit", &["q", "ctrl+c"], "quit (asks first)"),
];

/// One line of the key table.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct KeyLine {
    /// As the rig's `[keys]` table writes it.
    pub action: &'static str,
    /// As shown: "SPACE", "SHIFT+UP"; several are joined by " or ".
    pub key: String,
    pub what: &'static str,
}

/// The defaults, for `--help`, README and man page: action, key, what it does.
pub fn table() -> Vec<(&'static str, String, &'static str)> {
    let lines = Keymap::default().lines().into_iter();
    lines.map(|line| (line.action, line.key, line.what)).collect()
}

/// The table as aligned lines for `--help` and the man page.
pub fn text() -> String {
    let lines = table().into_iter();
    lines.map(|(action, key, what)| format!("  {key:<12} {action:<16} {what}\n")).collect()
}

impl Action {
    pub fn all() -> impl Iterator<Item = Action> {
        ROWS.iter().map(|row| row.action)
    }

    /// As the rig's `[keys]` table writes it.
    pub fn name(self) -> &'static str {
        ROWS.iter().find(|row| row.action == self).map_or("", |row| row.name)
    }
}
