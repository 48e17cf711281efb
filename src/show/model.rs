//! The checked show: what the rest of the program may rely on. Every index is in range, every
//! number in its range, every default filled in.

use crate::units::{Decibels, SampleRate, Whole};
use num_rational::Ratio;
use serde::{Deserialize, Serialize};
use std::path::PathBuf;

/// A night's work, in set order.
#[derive(Clone, Debug)]
pub struct Show {
    pub title: String,
    pub sounds: Vec<SoundDef>,
    pub clicks: Vec<Click>,
    pub inputs: Vec<Input>,
    pub feeds: Vec<Feed>,
    pub songs: Vec<Song>,
    pub give_back: GiveBack,
    pub latch: Latch,
    pub ride: RideTimes,
    /// No feed's true peak goes above this (start value −6 dBTP).
    pub ceiling: Decibels,
    /// Where the files it names are looked for.
    pub folder: PathBuf,
    /// The file as read, kept for the log, and its SHA-256 in hex.
    pub text: String,
    pub digest: String,
}

/// What a hit of each kind sounds like.
#[derive(Clone, Debug, PartialEq)]
pub struct SoundDef {
    pub name: String,
    pub accent: SoundSource,
    pub beat: SoundSource,
    pub eighth: SoundSource,
    pub sixteenth: SoundSource,
}

#[derive(Clone, Debug, PartialEq)]
pub enum SoundSource {
    Synth(Synth),
    /// A WAV at any rate; its onset is found and placed on the beat.
    Wav(PathBuf),
}

/// A short wood-like hit: a decaying partial pair with a 1 ms attack.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Synth {
    pub hertz: f64,
    /// Time to −60 dB of the envelope is `6.91 ×` this.
    pub decay_ms: f64,
    pub attack_ms: f64,
    /// 0 = pure, 1 = bright: level of the upper partial (2.4 × the pitch).
    pub edge: f64,
    /// Peak of the finished sound in dBFS (start value −12).
    pub peak: Decibels,
}

/// One player's version of the click.
#[derive(Clone, Debug)]
pub struct Click {
    pub name: String,
    /// Who plays to it; empty when not said.
    pub player: String,
    /// The fallback leaves in a lane of its own (true when it differs from the primary, or a feed names it).
    pub separate_fallback: bool,
    /// Index into [`Show::inputs`]: this click comes in there, from a pad or another device, and is passed through.
    pub external: Option<usize>,
}

/// An audience or room microphone, a talkback, or another device's click, on an input.
#[derive(Clone, Debug)]
pub struct Input {
    pub name: String,
    pub kind: InputKind,
    /// Whose own microphone it is: a player of a click; empty when not said.
    pub player: String,
    /// Levels are over this.
    pub trim: Decibels,
    pub in_song: Decibels,
    pub between: Decibels,
    pub high_pass_hertz: f64,
    /// The high-pass falls by 24 dB an octave instead of 12.
    pub steep: bool,
    /// 0 for none.
    pub low_pass_hertz: f64,
    pub inverted: bool,
    /// Made later by this, so that a near microphone meets a far one: 0 to 100.
    pub delay_ms: f64,
    pub compress: Option<Compression>,
    /// Peak in dBFS below which it is silent.
    pub gate: Option<Decibels>,
    /// When a talkback is heard; of no meaning for other kinds.
    pub talks: Talks,
    /// A talkback: how far it pushes the rest of its feeds down.
    pub dims: Decibels,
    /// How a click on this input is followed; of no meaning for other kinds.
    pub external: ExternalClick,
}

/// When a talkback is heard.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Talks {
    /// While its key is latched.
    #[default]
    ByKey,
    /// While its gate is open, which shuts when a count-in begins.
    ByVoice,
    /// Always, and it pushes nothing down.
    Always,
}

/// What of an input is above a level is divided.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Compression {
    /// dBFS.
    pub above: Decibels,
    /// 3 for 3:1.
    pub ratio: f64,
}

/// How the room rides with the music (start values; common practice, no source).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RideTimes {
    /// Down to the level of a song; over by its first count.
    pub close_seconds: f64,
    /// Up to the level between songs.
    pub open_seconds: f64,
    /// From the last hit until it begins to open.
    pub after_seconds: f64,
}

impl Default for RideTimes {
    fn default() -> Self {
        RideTimes { close_seconds: 0.6, open_seconds: 1.5, after_seconds: 0.5 }
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum InputKind {
    Ambient,
    Talkback,
    /// Another device's click: one click of the show comes from it, and no feed hears it by itself.
    Click,
}

/// How another device's click is followed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ExternalClick {
    /// It leaves this much later, so that a missing hit can still be filled; 0 for none, else 4 to 20.
    pub safety_delay_ms: f64,
    /// Its count-in may start the chosen song.
    pub starts_song: bool,
    /// An onset counts until so long after it was due. `None`: the larger of 6 ms and 2.5 % of the interval. Where
    /// there is a safety delay, at most 2 ms less than that.
    pub tolerance_ms: Option<f64>,
}

impl Default for ExternalClick {
    fn default() -> Self {
        ExternalClick { safety_delay_ms: 8.0, starts_song: false, tolerance_ms: None }
    }
}

/// What leaves on an output: a named mix.
#[derive(Clone, Debug)]
pub struct Feed {
    pub name: String,
    pub stereo: bool,
    /// For a pack that plays both sides into both ears: left everything but the clicks, right the clicks.
    pub mono_pack: bool,
    /// Not for ears: a microphone in it may howl.
    pub loudspeaker: bool,
    pub parts: Vec<FeedPart>,
}

#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FeedPart {
    pub source: FeedSource,
    pub level: Decibels,
    /// −1 left … +1 right; 0 on a mono feed.
    pub pan: f64,
    pub inverted: Sides,
    /// Somebody has said that this microphone may stand in a loudspeaker.
    pub may_howl: bool,
}

impl FeedPart {
    /// In the middle, as it is.
    pub const fn plain(source: FeedSource, level: Decibels) -> FeedPart {
        FeedPart { source, level, pan: 0.0, inverted: Sides::None, may_howl: false }
    }
}

/// On which sides the polarity is turned round.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Sides {
    #[default]
    None,
    Left,
    Right,
    Both,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum FeedSource {
    /// Index into [`Show::clicks`]: the click as it should be heard (primary, or the fallback when that took over).
    Click(usize),
    /// The engine's own fallback of that click, all the time.
    Fallback(usize),
    /// Index into [`Show::inputs`].
    Input(usize),
}

/// The way back after a switch to the fallback.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum GiveBack {
    Stay,
    NextBar,
    NextSong,
}

/// After how many failed hits a fallback stays.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Latch {
    /// So many one after the other, 1 to 8 …
    pub in_row: u32,
    /// … or so many of the last eight; never fewer than `in_row`.
    pub of_eight: u32,
}

impl Default for Latch {
    fn default() -> Self {
        Latch { in_row: 2, of_eight: 3 }
    }
}

#[derive(Clone, Debug)]
pub struct Song {
    pub title: String,
    /// As printed, from 1: its place in the file. A song that is left out keeps its number.
    pub number: usize,
    /// A line for the player ("Wren counts"); may be empty.
    pub note: String,
    /// A talk spot or a song without click has no sections.
    pub kind: SongKind,
    /// Below the line.
    pub encore: bool,
    /// Runs into the next song without a stop.
    pub segue: bool,
    /// Where its timecode addresses begin, in seconds, when the file says so.
    pub timecode: Option<u32>,
    pub count_in: Option<CountIn>,
    /// Length of the pickup before bar 1 (0 for none); it sounds inside the count-in's last bar.
    pub pickup: Whole,
    pub sections: Vec<Section>,
    /// One per click of the show.
    pub click_ranges: Vec<ClickRange>,
    /// One per click of the show: a click track of the user's that the renderer streams.
    pub streams: Vec<Option<StreamDef>>,
    /// Line of the song in the file, for messages.
    pub line: usize,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum SongKind {
    Click,
    NoClick,
    Talk,
}

/// Where in the song a click sounds, in performed bars (stated repeats counted, vamps once).
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct ClickRange {
    pub from: Option<BarBeat>,
    /// The last hit.
    pub until: Option<BarBeat>,
}

/// Bar and beat as printed, both from 1.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct BarBeat {
    pub bar: u32,
    pub beat: u32,
}

/// A WAV click track as the primary of a click.
#[derive(Clone, Debug, PartialEq)]
pub struct StreamDef {
    pub file: PathBuf,
    /// What lies at the file's first frame.
    pub starts: StreamStart,
    /// The file's music begins this much after its first frame.
    pub offset_ms: f64,
    /// 0 is the first channel of the file.
    pub channel: u16,
    pub level: Decibels,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum StreamStart {
    CountIn,
    BarOne,
}

/// Bars of click before bar 1.
#[derive(Clone, Debug)]
pub struct CountIn {
    pub bars: Vec<Metre>,
    pub counts: Vec<Count>,
    /// Indices into [`Show::clicks`].
    pub clicks: Vec<usize>,
    /// Sounds the counts use; `None` uses each click's own sound.
    pub voice: Option<Vec<PathBuf>>,
    pub voice_level: Decibels,
}

/// One count.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Count {
    /// From the start of the count-in.
    pub at: Whole,
    /// The number said: picks the voice file (1 picks the first).
    pub number: u32,
    pub accent: bool,
}

/// A named run of bars.
#[derive(Clone, Debug)]
pub struct Section {
    pub name: String,
    /// The metre of each bar, in order.
    pub bars: Vec<Metre>,
    /// Times it is played, 1 or more.
    pub repeats: u32,
    /// Repeats until released.
    pub vamp: bool,
    /// After its last bar the click stops until a count-in is called.
    pub hold: bool,
    /// At its first bar; every pass starts from it.
    pub tempo: Tempo,
    /// In order of `from`; they do not overlap and end inside the section.
    pub moves: Vec<TempoMove>,
    /// One per click of the show.
    pub parts: Vec<Part>,
    /// Level of the room in this section instead of each microphone's own.
    pub ambient: Option<Decibels>,
}

impl Section {
    /// The length of one pass.
    pub fn length(&self) -> Whole {
        self.bars.iter().map(Metre::length).sum()
    }
}

/// A metre with its grouping: 7/8 as 2+2+3 has groups [2, 2, 3] of eighths; 4/4 has [1, 1, 1, 1].
#[derive(Clone, Debug, PartialEq, Eq, Hash)]
pub struct Metre {
    /// Units in each beat.
    pub groups: Vec<u32>,
    /// The note value of one unit: 4 is a crotchet, 8 a quaver.
    pub unit: u32,
}

impl Metre {
    pub fn length(&self) -> Whole {
        Whole::new(i64::from(self.groups.iter().sum::<u32>()), i64::from(self.unit))
    }

    /// Start of each beat from the bar's start, then the bar's end.
    pub fn beat_starts(&self) -> Vec<Whole> {
        let mut units = 0;
        let mut starts = vec![Whole::from_integer(0)];
        for group in &self.groups {
            units += i64::from(*group);
            starts.push(Whole::new(units, i64::from(self.unit)));
        }
        starts
    }
}

/// A note value a minute: ♩ = 132, ♩. = 88. Exact as written ("137.3" is 1373/10).
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Tempo {
    pub note: Whole,
    pub per_minute: Ratio<i64>,
}

impl Tempo {
    /// Whole notes a minute.
    pub fn wholes_per_minute(&self) -> Ratio<i64> {
        self.note * self.per_minute
    }
}

/// A change of tempo inside a section.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct TempoMove {
    /// From the section's start.
    pub from: Whole,
    /// 0 is a step.
    pub over: Whole,
    pub to: Tempo,
    pub law: Law,
}

/// How a tempo moves; a program must say which it means (they differ by 143 ms over four bars).
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Law {
    LinearInBeats,
    LinearInTime,
    ExponentialInBeats,
}

/// How one click sounds in one section.
#[derive(Clone, Debug, PartialEq)]
pub struct Part {
    /// False: this click rests for the whole section.
    pub sounds: bool,
    pub primary: Style,
    pub fallback: Style,
    /// Added to every hit.
    pub level: Decibels,
    /// Index into [`Show::sounds`].
    pub sound: usize,
    pub fade: Option<Fade>,
}

#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Fade {
    /// From the section's start.
    pub from: Whole,
    pub over: Whole,
    pub start: Decibels,
    pub end: Decibels,
}

/// Which hits a click makes of a bar.
#[derive(Clone, Debug, PartialEq)]
pub struct Style {
    pub subdivision: Subdivision,
    /// Beats that are accented, from 1; empty for none.
    pub accents: Vec<u32>,
    /// Beats that are silent, with their subdivisions, from 1.
    pub rests: Vec<u32>,
    /// A metre of its own, counted on from the section's start (polymetre).
    pub own_metre: Option<Metre>,
    pub swing: Option<Swing>,
    pub levels: Levels,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Subdivision {
    /// The first beat of each bar.
    Bars,
    Beats,
    /// Every multiple of this note value from the bar's start (1/8, 1/16, 1/32).
    Notes(Whole),
    /// This many equal parts of each beat (3 = triplets).
    PerBeat(u32),
}

/// Swing: where the second of a pair of `note`s falls, as a part of the pair (1/2 straight, 2/3 triplet).
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Swing {
    pub note: Whole,
    pub ratio: Ratio<i64>,
}

/// Levels of the kinds of hit (start values 0, −3, −9, −12 dB: common practice, no source).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Levels {
    pub accent: Decibels,
    pub beat: Decibels,
    pub eighth: Decibels,
    pub sixteenth: Decibels,
}

impl Default for Levels {
    fn default() -> Self {
        Levels {
            accent: Decibels(0.0),
            beat: Decibels(-3.0),
            eighth: Decibels(-9.0),
            sixteenth: Decibels(-12.0),
        }
    }
}

/// Which feed goes to which channel of which interface: a file of its own.
#[derive(Clone, Debug)]
pub struct Rig {
    pub title: String,
    pub interface: InterfaceChoice,
    /// Named feeds on output channels, in channel order. A folded channel names several feeds.
    pub outputs: Vec<Outlet>,
    /// Used instead when the interface has fewer outputs than `outputs` needs.
    pub folds: Vec<Vec<Outlet>>,
    /// Input name of the show → channel from 1.
    pub inputs: Vec<(String, u16)>,
    /// Inputs from another interface.
    pub second: Option<Second>,
    /// Feed → a recording of its spoken name, for the line check; the path as seen from the rig's folder.
    pub spoken: Vec<(String, PathBuf)>,
    /// Which of two machines this one is.
    pub machine: Role,
    /// Timecode on an output of its own.
    pub timecode: Option<TimecodeLine>,
    /// On a backup: what arrives from the main.
    pub main: Option<MainLine>,
    /// On a main: the input on which the backup's timecode comes back, from 1.
    pub return_line: Option<u16>,
    /// A cable from an output to an input, both from 1, for measuring.
    pub spare_loop: Option<(u16, u16)>,
    /// What is known of how loud feeds are in the ears.
    pub exposure: Vec<EarLine>,
    /// What plays when the interface is gone: the same channels.
    pub spare: Option<InterfaceChoice>,
    /// Action → key, as written ("space", "f5").
    pub keys: Vec<(String, String)>,
    pub folder: PathBuf,
}

impl Rig {
    /// Timecode is sent or followed: every song needs room for its addresses.
    pub fn has_timecode(&self) -> bool {
        self.timecode.is_some() || self.main.is_some() || self.return_line.is_some()
    }

    /// The highest output besides the feeds', from 1; 0 for none.
    pub fn highest_line_out(&self) -> u16 {
        let timecode = self.timecode.map(|line| line.output);
        timecode.max(self.spare_loop.map(|(output, _)| output)).unwrap_or(0)
    }

    /// The highest input of all that the rig uses, from 1; 0 for none.
    pub fn highest_input(&self) -> u16 {
        let main = self.main.iter().flat_map(|main| {
            main.click.iter().map(|(input, _)| *input).chain(std::iter::once(main.timecode))
        });
        let spare = self.spare_loop.map(|(_, input)| input);
        let inputs = self.inputs.iter().map(|(_, input)| *input);
        let ears = self.exposure.iter().flat_map(|line| line.returns.iter().copied());
        inputs.chain(main).chain(self.return_line).chain(spare).chain(ears).max().unwrap_or(0)
    }
}

/// One player's ears: how loud a feed becomes there, and where the finished mix comes back.
#[derive(Clone, Debug, PartialEq)]
pub struct EarLine {
    pub feed: String,
    /// Inputs with the finished ear mix, from 1: none, one, or left and right.
    pub returns: Vec<u16>,
    /// Without one only dBFS can be said.
    pub calibration: Option<crate::exposure::Calibration>,
}

#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Role {
    /// There is no other machine.
    #[default]
    Alone,
    Main,
    Backup,
}

/// Timecode on an output.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TimecodeLine {
    /// From 1.
    pub output: u16,
    pub frames: crate::timecode::FrameRate,
    /// Peak (start value −18 dBFS).
    pub level: Decibels,
}

/// What a backup hears of its main. Channels count from 1.
#[derive(Clone, Debug, PartialEq)]
pub struct MainLine {
    pub timecode: u16,
    /// The main's click on a second input, and which click of the show it is.
    pub click: Option<(u16, String)>,
    pub wiring: Wiring,
    /// What is passed through is this much later.
    pub safety_delay_ms: f64,
    /// The main's click minus its timecode as they arrive, and what this machine's own way to the mixer takes.
    pub align_ms: f64,
    /// How long timecode is bad before a switch stays.
    pub latch_ms: f64,
}

#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Wiring {
    /// The backup has mixer channels of its own and is silent until it is needed.
    #[default]
    OwnChannel,
    /// The main's click goes through the backup, which fills in.
    PassThrough,
}

/// What leaves on one or two output channels.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Outlet {
    /// From 1; the right channel follows for a stereo feed.
    pub channels: Vec<u16>,
    /// Feed names; more than one is a fold.
    pub feeds: Vec<String>,
}

/// A second interface: inputs only.
#[derive(Clone, Debug)]
pub struct Second {
    pub choice: InterfaceChoice,
    /// Input name of the show → channel of that interface, from 1.
    pub inputs: Vec<(String, u16)>,
}

impl Second {
    /// The highest channel used, from 1.
    pub fn highest_input(&self) -> u16 {
        self.inputs.iter().map(|(_, channel)| *channel).max().unwrap_or(0)
    }
}

#[derive(Clone, Debug)]
pub struct InterfaceChoice {
    pub host: Host,
    /// Device name or stable id; empty for the host's default, which only the virtual host accepts.
    pub device: String,
    pub rate: SampleRate,
    pub block: u32,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Host {
    Virtual,
    Jack,
    Alsa,
    CoreAudio,
    Wasapi,
}
