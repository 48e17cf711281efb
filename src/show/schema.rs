//! The format of show and rig files as JSON Schema, for editors that complete and check while typing.
//!
//! The structs mirror the file and are never filled: the checker walks the parsed tree itself. A test
//! holds that both know the same keys.
#![expect(dead_code, reason = "only their shape is used")]

use schemars::{JsonSchema, schema_for};
use serde_json::Value;
use std::collections::BTreeMap;

/// The JSON Schema of a show file.
pub fn show_schema() -> Value {
    schema_for!(ShowFile).to_value()
}

/// The JSON Schema of a rig file.
pub fn rig_schema() -> Value {
    schema_for!(RigFile).to_value()
}

/// A show: what is played, in order, and who hears what.
#[derive(JsonSchema)]
#[schemars(title = "Fogbell show", deny_unknown_fields)]
struct ShowFile {
    /// Title of the show; the file's name when absent.
    #[schemars(length(min = 1, max = 80))]
    show: Option<String>,
    /// The players' versions of the click; `drums` (eighths) and `band` (beats) when absent.
    #[schemars(length(min = 1, max = 32))]
    click: Option<BTreeMap<String, ClickTable>>,
    /// Sounds of your own.
    sound: Option<BTreeMap<String, SoundTable>>,
    /// Audience, room and talkback microphones.
    #[schemars(length(max = 64))]
    input: Option<BTreeMap<String, InputTable>>,
    /// What leaves on the outputs; one mono feed for each click when absent.
    #[schemars(length(min = 1, max = 64))]
    feed: Option<BTreeMap<String, FeedTable>>,
    ears: Option<EarsTable>,
    ride: Option<RideTable>,
    failover: Option<FailoverTable>,
    /// The songs, in set order.
    #[schemars(length(min = 1, max = 500))]
    song: Vec<SongTable>,
}

/// One player's version of the click, through the whole show.
#[derive(JsonSchema)]
#[schemars(rename = "Click", deny_unknown_fields)]
struct ClickTable {
    /// Who plays to it.
    #[schemars(length(min = 1, max = 40))]
    player: Option<String>,
    every: Option<Every>,
    accents: Option<Beats>,
    rests: Option<Beats>,
    level: Option<Level>,
    levels: Option<LevelsTable>,
    sound: Option<SoundName>,
    own_metre: Option<MetreOrOff>,
    swing: Option<SwingWord>,
    fallback: Option<FallbackTable>,
    /// The input, of kind "click", on which another device's click arrives: it is passed through, and this program's
    /// own click fills in. Made here when absent.
    input: Option<String>,
}

/// How a click sounds when its fallback takes over; what is not said is as in the primary.
#[derive(JsonSchema)]
#[schemars(rename = "Fallback", deny_unknown_fields)]
struct FallbackTable {
    every: Option<Every>,
    accents: Option<Beats>,
    rests: Option<Beats>,
    levels: Option<LevelsTable>,
    own_metre: Option<MetreOrOff>,
    swing: Option<SwingWord>,
}

/// How a click sounds in one song; what is not said is as in the show.
#[derive(JsonSchema)]
#[schemars(rename = "SongClick", deny_unknown_fields)]
struct SongClickTable {
    every: Option<Every>,
    accents: Option<Beats>,
    rests: Option<Beats>,
    level: Option<Level>,
    levels: Option<LevelsTable>,
    sound: Option<SoundName>,
    own_metre: Option<MetreOrOff>,
    swing: Option<SwingWord>,
    fallback: Option<FallbackTable>,
    /// This click rests through the song.
    silent: Option<bool>,
    /// First hit: "17" or "17.2", in performed bars (repeats counted, vamps once).
    from: Option<BarBeatWord>,
    /// Last hit: "88" (its last beat) or "88.3".
    until: Option<BarBeatWord>,
    /// The sections in which it sounds.
    #[schemars(length(min = 1))]
    only_in: Option<Vec<String>>,
    stream: Option<StreamWord>,
}

/// How a click sounds in one section; what is not said is as in the song.
#[derive(JsonSchema)]
#[schemars(rename = "SectionClick", deny_unknown_fields)]
struct SectionClickTable {
    every: Option<Every>,
    accents: Option<Beats>,
    rests: Option<Beats>,
    level: Option<Level>,
    levels: Option<LevelsTable>,
    sound: Option<SoundName>,
    own_metre: Option<MetreOrOff>,
    swing: Option<SwingWord>,
    fallback: Option<FallbackTable>,
    /// This click rests through the section.
    silent: Option<bool>,
    fade: Option<FadeTable>,
}

/// "bars", "beats", "halves", "quarters", "eighths", "sixteenths", "triplets", "5 in a beat", "1/32".
#[derive(JsonSchema)]
struct Every(
    #[schemars(regex(
        pattern = r"^\s*(bars|beats|halves|quarters|eighths|sixteenths|triplets|\d+\s*in a beat|1/(1|2|4|8|16|32|64))\s*$"
    ))]
    String,
);

/// Beats of a bar, from 1.
#[derive(JsonSchema)]
struct Beats(#[schemars(inner(range(min = 1, max = 64)))] Vec<u32>);

/// dB; the one nearest to the section counts.
#[derive(JsonSchema)]
struct Level(#[schemars(range(min = -80, max = 12))] f64);

/// Built in: "wood", "quiet", "pebble", "gull", "buoy"; or NAME of a `[sound.NAME]`.
#[derive(JsonSchema)]
struct SoundName(String);

/// "4/4", "7/8 as 2+2+3", "3+2/8"; or false for none.
#[derive(JsonSchema)]
#[schemars(untagged)]
enum MetreOrOff {
    Metre(MetreWord),
    Off(bool),
}

/// "4/4", "6/8", "7/8 as 2+2+3", "3+2/8".
#[derive(JsonSchema)]
struct MetreWord(
    #[schemars(regex(
        pattern = r"^\s*\d+(\s*\+\s*\d+)*\s*/\s*(1|2|4|8|16|32)\s*( as \s*\d+(\s*\+\s*\d+)*)?\s*$"
    ))]
    String,
);

/// 132, 137.3 (of the metre's beat), "1/4 = 132", "1/4. = 88", "♩. = 88"; 10 to 999.
#[derive(JsonSchema)]
#[schemars(untagged)]
enum TempoWord {
    Number(#[schemars(range(min = 10, max = 999))] f64),
    Text(String),
}

/// "62.5%" of a pair of eighths, a table, or false for straight.
#[derive(JsonSchema)]
#[schemars(untagged)]
enum SwingWord {
    Percent(String),
    Number(#[schemars(range(min = 0.5, max = 0.9))] f64),
    Table(SwingTable),
    Off(bool),
}

/// Where the second of a pair of notes falls.
#[derive(JsonSchema)]
#[schemars(rename = "Swing", deny_unknown_fields)]
struct SwingTable {
    /// "1/8" (when absent) or "1/16".
    note: Option<String>,
    /// "2/3" or "62.5%" of the pair.
    at: TextOrNumber,
}

#[derive(JsonSchema)]
#[schemars(untagged)]
enum TextOrNumber {
    Text(String),
    Number(f64),
}

/// A bar, or bar and beat, both from 1: "17", "88.3".
#[derive(JsonSchema)]
#[schemars(untagged)]
enum BarBeatWord {
    Text(#[schemars(regex(pattern = r"^\s*\d+\s*(\.\s*\d+\s*)?$"))] String),
    Number(#[schemars(range(min = 1))] f64),
}

/// dB of each kind of hit.
#[derive(JsonSchema)]
#[schemars(rename = "Levels", deny_unknown_fields)]
struct LevelsTable {
    accent: Option<Level>,
    beat: Option<Level>,
    eighth: Option<Level>,
    sixteenth: Option<Level>,
}

/// A change of level through a section, added to the level.
#[derive(JsonSchema)]
#[schemars(rename = "Fade", deny_unknown_fields)]
struct FadeTable {
    /// dB at its start; 0 when absent.
    from: Option<Level>,
    /// dB at its end.
    to: Level,
    /// Bar of the section it starts at; 1 when absent.
    #[schemars(range(min = 1))]
    bar: Option<u32>,
    /// To the section's end when absent.
    #[schemars(range(min = 1, max = 2000))]
    over_bars: Option<u32>,
}

/// A WAV click track as the primary, by name or as a table.
#[derive(JsonSchema)]
#[schemars(untagged)]
enum StreamWord {
    File(String),
    Table(StreamTable),
}

/// A WAV click track as the primary.
#[derive(JsonSchema)]
#[schemars(rename = "Stream", deny_unknown_fields)]
struct StreamTable {
    /// Seen from the folder of the show file.
    file: String,
    /// "count in" (when absent) or "bar 1": what lies at the file's first frame.
    starts: Option<StreamStarts>,
    /// The file's music begins this much after its first frame.
    #[schemars(range(min = -600_000, max = 600_000))]
    offset_ms: Option<f64>,
    /// Channel of the file, from 1.
    #[schemars(range(min = 1, max = 65535))]
    channel: Option<u32>,
    level: Option<Level>,
}

#[derive(JsonSchema)]
enum StreamStarts {
    #[schemars(rename = "count in")]
    CountIn,
    #[schemars(rename = "bar 1")]
    BarOne,
}

/// What hits sound like. An absent kind takes the beat's sound.
#[derive(JsonSchema)]
#[schemars(rename = "Sound", deny_unknown_fields)]
struct SoundTable {
    accent: Option<SoundWord>,
    beat: Option<SoundWord>,
    eighth: Option<SoundWord>,
    sixteenth: Option<SoundWord>,
}

/// A WAV of 2 s at most, or numbers.
#[derive(JsonSchema)]
#[schemars(untagged)]
enum SoundWord {
    File(String),
    Synth(SynthTable),
}

/// A synthesised hit; absent numbers are those of "wood".
#[derive(JsonSchema)]
#[schemars(rename = "Synth", deny_unknown_fields)]
struct SynthTable {
    #[schemars(range(min = 100, max = 8000))]
    hertz: Option<f64>,
    /// Until it has fallen by 60 dB.
    #[schemars(range(min = 2, max = 1500))]
    decay_ms: Option<f64>,
    #[schemars(range(min = 0.2, max = 20))]
    attack_ms: Option<f64>,
    /// 0 pure to 1 bright.
    #[schemars(range(min = 0, max = 1))]
    edge: Option<f64>,
    /// dBFS.
    #[schemars(range(min = -60, max = -6))]
    peak: Option<f64>,
}

/// A microphone, or another device's click, on an input of the interface.
#[derive(JsonSchema)]
#[schemars(rename = "Input", deny_unknown_fields)]
struct InputTable {
    /// "ambient" (when absent), "talkback" or "click".
    kind: Option<InputWord>,
    /// Whose own microphone it is: a player of a click. In a line check that player may answer into it.
    #[schemars(length(min = 1, max = 40))]
    player: Option<String>,
    /// dB at all times, for a microphone that is too quiet or too loud; levels are over it.
    #[schemars(range(min = -40, max = 40))]
    trim: Option<f64>,
    /// dB while a song runs; −12 for ambient, 0 for talkback when absent.
    in_song: Option<Level>,
    /// dB between songs; 0 when absent.
    between: Option<Level>,
    /// Hz: 20 to 1000, 0 for none; 150 when absent.
    #[schemars(range(min = 0, max = 1000))]
    high_pass: Option<f64>,
    /// dB an octave: 12 (when absent) or 24.
    high_pass_slope: Option<Slope>,
    /// Hz; none when absent.
    #[schemars(range(min = 1000, max = 20_000))]
    low_pass: Option<f64>,
    inverted: Option<bool>,
    /// Makes it later, so that a near microphone meets a far one (1 m is 2.9 ms).
    #[schemars(range(min = 0, max = 100))]
    delay_ms: Option<f64>,
    /// Off when absent.
    compress: Option<CompressTable>,
    /// Peak in dBFS below which it is silent; off when absent, −40 where a talkback talks by voice.
    #[schemars(range(min = -80, max = 0))]
    gate: Option<f64>,
    /// A talkback only: "by key" (when absent), "by voice" (its gate opens it; shut from count-in to the song's end) or
    /// "always".
    talks: Option<TalksWord>,
    /// A talkback only: dB by which it pushes the rest of its feeds down while somebody talks, the clicks by 6 dB at
    /// most; −12 when absent.
    #[schemars(range(min = -40, max = 0))]
    dims: Option<f64>,
    /// A click only. It leaves this much later, so that a missing hit can still be filled: 0 for none, else 4 to 20;
    /// 8 when absent.
    #[schemars(range(min = 0, max = 20))]
    safety_delay_ms: Option<f64>,
    /// A click only. Its count-in may start the chosen song.
    starts_song: Option<bool>,
    /// A click only. An onset counts until so long after it was due, 2 ms less than the safety delay at most; the
    /// larger of 6 ms and 2.5 % of the interval when absent.
    #[schemars(range(min = 2, max = 50))]
    tolerance_ms: Option<f64>,
}

struct Slope;

impl JsonSchema for Slope {
    fn schema_name() -> std::borrow::Cow<'static, str> {
        "Slope".into()
    }

    fn json_schema(_: &mut schemars::SchemaGenerator) -> schemars::Schema {
        schemars::json_schema!({ "type": "integer", "enum": [12, 24] })
    }
}

/// What is above a level is divided.
#[derive(JsonSchema)]
#[schemars(rename = "Compress", deny_unknown_fields)]
struct CompressTable {
    /// dBFS; −30 when absent.
    #[schemars(range(min = -80, max = 0))]
    above: Option<f64>,
    /// 3 (for 3:1) when absent.
    #[schemars(range(min = 1, max = 20))]
    ratio: Option<f64>,
}

#[derive(JsonSchema)]
enum TalksWord {
    #[schemars(rename = "by key")]
    ByKey,
    #[schemars(rename = "by voice")]
    ByVoice,
    #[schemars(rename = "always")]
    Always,
}

#[derive(JsonSchema)]
#[schemars(rename_all = "lowercase")]
enum InputWord {
    Ambient,
    Talkback,
    Click,
}

/// A named mix.
#[derive(JsonSchema)]
#[schemars(rename = "Feed", deny_unknown_fields)]
struct FeedTable {
    /// Clicks, "NAME fallback" and inputs; the click of the same name when absent.
    hears: Option<HearsWord>,
    stereo: Option<bool>,
    /// "stereo" (when absent) or "mono": for a pack that plays both sides into both ears; left carries everything but
    /// the clicks, right the clicks, and its balance knob blends them.
    pack: Option<PackWord>,
    /// "ears" (when absent) or "loudspeaker", which has no microphone unless the part says may_howl.
    to: Option<ToWord>,
}

#[derive(JsonSchema)]
#[schemars(rename_all = "lowercase")]
enum PackWord {
    Stereo,
    Mono,
}

#[derive(JsonSchema)]
#[schemars(rename_all = "lowercase")]
enum ToWord {
    Ears,
    Loudspeaker,
}

#[derive(JsonSchema)]
#[schemars(untagged)]
enum HearsWord {
    Names(#[schemars(length(min = 1))] Vec<String>),
    Levels(#[schemars(length(min = 1))] BTreeMap<String, PartWord>),
}

#[derive(JsonSchema)]
#[schemars(untagged)]
enum PartWord {
    Level(Level),
    Table(PartTable),
}

/// A part of a feed.
#[derive(JsonSchema)]
#[schemars(rename = "Hears", deny_unknown_fields)]
struct PartTable {
    level: Option<Level>,
    /// −1 left to 1 right; on a stereo feed only.
    #[schemars(range(min = -1, max = 1))]
    pan: Option<f64>,
    /// Where its polarity is turned round: "none" (when absent), "left", "right" or "both". What would be gone in mono
    /// is refused.
    inverted: Option<SidesWord>,
    /// This microphone may stand in a loudspeaker's feed: it cannot hear that loudspeaker.
    may_howl: Option<bool>,
}

#[derive(JsonSchema)]
#[schemars(rename_all = "lowercase")]
enum SidesWord {
    None,
    Left,
    Right,
    Both,
}

/// What protects ears.
#[derive(JsonSchema)]
#[schemars(rename = "Ears", deny_unknown_fields)]
struct EarsTable {
    /// No feed's true peak goes above this, in dBTP; −6 when absent.
    #[schemars(range(min = -40, max = -1))]
    ceiling: Option<f64>,
}

/// How the room rides with the music, in seconds.
#[derive(JsonSchema)]
#[schemars(rename = "Ride", deny_unknown_fields)]
struct RideTable {
    /// Down to the level of a song; 0.6 when absent. Over by its first count, quicker where a start leaves less time.
    #[schemars(range(min = 0.05, max = 20))]
    close: Option<f64>,
    /// Up to the level between songs; 1.5 when absent.
    #[schemars(range(min = 0.05, max = 20))]
    open: Option<f64>,
    /// From the last hit until it begins to open; 0.5 when absent.
    #[schemars(range(min = 0.05, max = 20))]
    after: Option<f64>,
}

/// What happens after a fallback has taken over.
#[derive(JsonSchema)]
#[schemars(rename = "Failover", deny_unknown_fields)]
struct FailoverTable {
    /// "stay" (when absent), "next bar" or "next song".
    give_back: Option<GiveBackWord>,
    latch: Option<LatchTable>,
}

/// After how many failed hits a fallback stays.
#[derive(JsonSchema)]
#[schemars(rename = "Latch", deny_unknown_fields)]
struct LatchTable {
    /// One after the other; 2 when absent.
    #[schemars(range(min = 1, max = 8))]
    in_row: Option<u32>,
    /// Of the last eight, `in_row` or more; 3 when absent, or `in_row` where that is more.
    #[schemars(range(min = 1, max = 8))]
    of_eight: Option<u32>,
}

#[derive(JsonSchema)]
#[schemars(rename_all = "lowercase")]
enum GiveBackWord {
    Stay,
    #[schemars(rename = "next bar")]
    NextBar,
    #[schemars(rename = "next song")]
    NextSong,
}

/// A song, a talk spot, or a song without click.
#[derive(JsonSchema)]
#[schemars(rename = "Song", deny_unknown_fields)]
struct SongTable {
    #[schemars(length(min = 1, max = 80))]
    title: String,
    /// A line for the player ("Wren counts").
    #[schemars(length(min = 1, max = 200))]
    note: Option<String>,
    /// "click" (when absent), "no click" or "talk".
    kind: Option<KindWord>,
    /// Below the line.
    encore: Option<bool>,
    /// Runs into the next song.
    segue: Option<bool>,
    /// Where its timecode addresses begin: an hour a song when absent, ten minutes above 23 songs.
    #[schemars(regex(pattern = r"^\d{1,2}:\d{1,2}:\d{1,2}(:0{1,2})?$"))]
    timecode: Option<String>,
    tempo: Option<TempoWord>,
    /// "4/4" when absent.
    metre: Option<MetreWord>,
    /// A note value shorter than a bar: "1/8".
    pickup: Option<PickupWord>,
    count_in: Option<CountInWord>,
    /// Length of a song without sections.
    #[schemars(range(min = 1, max = 2000))]
    bars: Option<u32>,
    /// A song without sections repeats until released.
    vamp: Option<bool>,
    click: Option<BTreeMap<String, SongClickTable>>,
    #[schemars(length(min = 1, max = 200))]
    section: Option<Vec<SectionTable>>,
}

#[derive(JsonSchema)]
#[schemars(rename_all = "lowercase")]
enum KindWord {
    Click,
    #[schemars(rename = "no click")]
    NoClick,
    Talk,
}

#[derive(JsonSchema)]
#[schemars(untagged)]
enum PickupWord {
    Note(String),
    /// 0 for none.
    None(#[schemars(range(min = 0, max = 0))] u32),
    Off(bool),
}

/// Bars, false for none, or a table. Absent: two bars in 4/4 (one below 80 beats a minute), else one.
#[derive(JsonSchema)]
#[schemars(untagged)]
enum CountInWord {
    Bars(#[schemars(range(min = 0, max = 16))] u32),
    On(bool),
    Table(CountInTable),
}

/// Bars of click before bar 1.
#[derive(JsonSchema)]
#[schemars(rename = "CountIn", deny_unknown_fields)]
struct CountInTable {
    #[schemars(range(min = 1, max = 16))]
    bars: Option<u32>,
    /// One cell a beat, bars parted by "/": "1 - 2 - / 1 2 3 4".
    pattern: Option<String>,
    /// The clicks that count; all when absent.
    #[schemars(length(min = 1))]
    clicks: Option<Vec<String>>,
    /// A WAV for each number, the first for "one".
    #[schemars(length(min = 1, max = 64))]
    voice: Option<Vec<String>>,
    /// dB of the voice.
    level: Option<Level>,
}

/// A named run of bars.
#[derive(JsonSchema)]
#[schemars(rename = "Section", deny_unknown_fields)]
struct SectionTable {
    #[schemars(length(min = 1, max = 60))]
    name: Option<String>,
    #[schemars(range(min = 1, max = 2000))]
    bars: u32,
    #[schemars(range(min = 1, max = 999))]
    repeats: Option<u32>,
    /// Repeats until released.
    vamp: Option<bool>,
    /// After its last bar the click stops until a count-in is called.
    hold: Option<bool>,
    /// As at the end of the section before when absent.
    tempo: Option<TempoWord>,
    /// As at the end of the section before when absent.
    metre: Option<MetreWord>,
    metre_changes: Option<Vec<MetreChangeTable>>,
    /// dB of the room in this section, instead of each microphone's `in_song`.
    ambient: Option<Level>,
    tempo_moves: Option<Vec<TempoMoveTable>>,
    click: Option<BTreeMap<String, SectionClickTable>>,
}

/// From a bar on, another metre.
#[derive(JsonSchema)]
#[schemars(rename = "MetreChange", deny_unknown_fields)]
struct MetreChangeTable {
    /// Of the section, from 1.
    #[schemars(range(min = 1))]
    bar: u32,
    metre: MetreWord,
}

/// A tempo that moves, or steps when it says no length.
#[derive(JsonSchema)]
#[schemars(rename = "TempoMove", deny_unknown_fields)]
struct TempoMoveTable {
    /// Of the section, from 1.
    #[schemars(range(min = 1))]
    bar: u32,
    /// 1 when absent.
    #[schemars(range(min = 1))]
    beat: Option<u32>,
    to: TempoWord,
    #[schemars(range(min = 1, max = 2000))]
    over_bars: Option<u32>,
    #[schemars(range(min = 1, max = 128_000))]
    over_beats: Option<u32>,
    /// "linear in beats" (when absent), "linear in time" or "exponential in beats".
    law: Option<LawWord>,
}

#[derive(JsonSchema)]
enum LawWord {
    #[schemars(rename = "linear in beats")]
    LinearInBeats,
    #[schemars(rename = "linear in time")]
    LinearInTime,
    #[schemars(rename = "exponential in beats")]
    ExponentialInBeats,
}

/// A rig: which feed goes to which channel of which interface.
#[derive(JsonSchema)]
#[schemars(title = "Fogbell rig", deny_unknown_fields)]
struct RigFile {
    #[schemars(length(min = 1, max = 80))]
    rig: Option<String>,
    interface: Option<InterfaceTable>,
    /// Feed = channel from 1, or [left, right] for a stereo feed.
    #[schemars(length(min = 1))]
    outputs: BTreeMap<String, ChannelsWord>,
    /// Used when the interface has fewer outputs.
    #[schemars(length(max = 16))]
    fold: Option<Vec<FoldTable>>,
    /// Input = channel, from 1.
    inputs: Option<BTreeMap<String, Channel>>,
    second: Option<SecondTable>,
    /// Feed = a WAV of its spoken name, at most 5 s: the line check says it in place of beeps.
    spoken: Option<BTreeMap<String, String>>,
    /// Action = key, or a list of keys.
    keys: Option<BTreeMap<String, KeyWord>>,
    /// Which of two machines this one is; "alone" when absent.
    machine: Option<RoleWord>,
    timecode: Option<TimecodeTable>,
    main: Option<MainTable>,
    #[schemars(rename = "return")]
    return_line: Option<ReturnTable>,
    #[schemars(rename = "loop")]
    spare_loop: Option<LoopTable>,
    /// Feed = how loud it becomes in that player's ears.
    exposure: Option<BTreeMap<String, ExposureTable>>,
    /// What plays when the interface is gone, at the same rate and on the same channels.
    spare: Option<InterfaceTable>,
}

#[derive(JsonSchema)]
#[schemars(rename_all = "lowercase")]
enum RoleWord {
    Alone,
    Main,
    Backup,
}

/// Linear timecode on an output of its own.
#[derive(JsonSchema)]
#[schemars(rename = "Timecode", deny_unknown_fields)]
struct TimecodeTable {
    /// From 1; no feed may use it.
    output: Channel,
    /// Frames a second; "25" when absent.
    frames: Option<FramesWord>,
    /// Peak in dBFS; −18 when absent.
    #[schemars(range(min = -30, max = -6))]
    level: Option<f64>,
}

#[derive(JsonSchema)]
enum FramesWord {
    #[schemars(rename = "24")]
    Film,
    #[schemars(rename = "25")]
    Tv25,
    #[schemars(rename = "29.97")]
    Ntsc,
    #[schemars(rename = "29.97 drop")]
    NtscDrop,
    #[schemars(rename = "30")]
    Tv30,
}

/// On a backup: what arrives from the main.
#[derive(JsonSchema)]
#[schemars(rename = "Main", deny_unknown_fields)]
struct MainTable {
    /// Input with the main's timecode, from 1.
    timecode: Channel,
    /// Input with the main's click: a second witness, or what is passed through.
    click: Option<Channel>,
    /// Which click of the show arrives there; needed with `click`.
    click_is: Option<String>,
    /// "own channel" when absent.
    wiring: Option<WiringWord>,
    /// What is passed through is this much later; 8 when absent.
    #[schemars(range(min = 0, max = 20))]
    safety_delay_ms: Option<f64>,
    /// What this machine's clicks are later than the main's timecode says; 0 when absent.
    #[schemars(range(min = -50, max = 50))]
    align_ms: Option<f64>,
    /// How long timecode is bad before a switch stays; 60 when absent.
    #[schemars(range(min = 20, max = 500))]
    latch_ms: Option<f64>,
}

#[derive(JsonSchema)]
enum WiringWord {
    #[schemars(rename = "own channel")]
    OwnChannel,
    #[schemars(rename = "pass through")]
    PassThrough,
}

/// On a main: the backup's timecode on an input.
#[derive(JsonSchema)]
#[schemars(rename = "Return", deny_unknown_fields)]
struct ReturnTable {
    timecode: Channel,
}

/// A spare cable from an output to an input, for measuring.
#[derive(JsonSchema)]
#[schemars(rename = "Loop", deny_unknown_fields)]
struct LoopTable {
    output: Channel,
    input: Channel,
}

/// A second interface with a clock of its own: inputs only, followed without the click being touched.
#[derive(JsonSchema)]
#[schemars(rename = "Second", deny_unknown_fields)]
struct SecondTable {
    /// "virtual" when absent.
    host: Option<HostWord>,
    /// As `fogbell interfaces` lists it.
    #[schemars(length(min = 1, max = 200))]
    device: Option<String>,
    /// Frames a second; the rate of [interface] when absent.
    #[schemars(range(min = 8_000, max = 384_000))]
    rate: Option<u32>,
    /// Frames a block; the block of [interface] when absent.
    #[schemars(range(min = 8, max = 8192))]
    block: Option<u32>,
    /// Input = channel of this interface, from 1.
    #[schemars(length(min = 1))]
    inputs: BTreeMap<String, Channel>,
}

/// How loud a feed becomes in the ears: one way to calibrate it (an ear piece's sensitivity with the pack's volts, or one
/// reading), and best the finished mix back on an input. A figure is never better than its calibration: follow local
/// rules; see a hearing professional.
#[derive(JsonSchema)]
#[schemars(rename = "Exposure", deny_unknown_fields)]
struct ExposureTable {
    /// The ear piece's sensitivity, dB SPL at 1 V RMS; with `pack_volts`.
    #[schemars(range(min = 70, max = 150))]
    sensitivity_db_per_v: Option<f64>,
    /// The ear piece's sensitivity, dB SPL at 1 mW; with `impedance_ohm` and `pack_volts`.
    #[schemars(range(min = 70, max = 140))]
    sensitivity_db_per_mw: Option<f64>,
    #[schemars(range(min = 2, max = 1000))]
    impedance_ohm: Option<f64>,
    /// Volts RMS that the pack gives at tonight's setting when a full-scale sine (0 dBFS) leaves, or comes back on the
    /// return.
    #[schemars(range(min = 0.001, max = 10))]
    pack_volts: Option<f64>,
    /// dBA that a meter read at the ear piece; with `read_at_dbfs`.
    #[schemars(range(min = 40, max = 130))]
    read_db: Option<f64>,
    /// A-weighted level of the signal that was read, RMS, a full-scale sine being 0.
    #[schemars(range(min = -80, max = 0))]
    read_at_dbfs: Option<f64>,
    /// Input with the finished ear mix, from 1, or left and right. Without it a figure is "at least": the mixer adds
    /// voices and instruments.
    #[schemars(rename = "return")]
    returns: Option<ChannelsWord>,
    /// ± dB; 6 by an ear piece's data, 4 by a reading when absent.
    #[schemars(range(min = 0.5, max = 20))]
    uncertainty_db: Option<f64>,
}

/// A channel, from 1.
#[derive(JsonSchema)]
struct Channel(#[schemars(range(min = 1, max = 256))] u32);

#[derive(JsonSchema)]
#[schemars(untagged)]
enum ChannelsWord {
    One(Channel),
    Pair(#[schemars(length(min = 1, max = 2))] Vec<Channel>),
}

#[derive(JsonSchema)]
#[schemars(rename = "Interface", deny_unknown_fields)]
struct InterfaceTable {
    /// "virtual" when absent.
    host: Option<HostWord>,
    /// As `fogbell interfaces` lists it.
    #[schemars(length(min = 1, max = 200))]
    device: Option<String>,
    /// Frames a second; 48000 when absent.
    #[schemars(range(min = 8_000, max = 384_000))]
    rate: Option<u32>,
    /// Frames a block; 128 when absent.
    #[schemars(range(min = 8, max = 8192))]
    block: Option<u32>,
}

#[derive(JsonSchema)]
#[schemars(rename_all = "lowercase")]
enum HostWord {
    Virtual,
    Jack,
    Alsa,
    CoreAudio,
    Wasapi,
}

/// How feeds share channels on an interface with fewer outputs.
#[derive(JsonSchema)]
#[schemars(rename = "Fold", deny_unknown_fields)]
struct FoldTable {
    /// Outputs that the interface has at least.
    #[schemars(range(min = 1, max = 256))]
    outputs: u32,
    /// Channel ("1", or a pair "1+2") = feeds.
    channels: BTreeMap<String, FeedsWord>,
}

#[derive(JsonSchema)]
#[schemars(untagged)]
enum FeedsWord {
    One(String),
    Several(#[schemars(length(min = 1))] Vec<String>),
}

#[derive(JsonSchema)]
#[schemars(untagged)]
enum KeyWord {
    Key(String),
    Digit(u32),
    Keys(#[schemars(length(min = 1))] Vec<TextOrNumber>),
}

#[cfg(test)]
mod tests {
    use super::super::keys::{self, Shape};
    use super::*;
    use std::collections::BTreeSet;

    fn keys_of(schema: &Value, definition: Option<&str>) -> BTreeSet<String> {
        let object = match definition {
            Some(name) => &schema["$defs"][name],
            None => schema,
        };
        assert_eq!(object["additionalProperties"], false, "{definition:?} lets unknown keys pass");
        object["properties"].as_object().expect("properties").keys().cloned().collect()
    }

    fn known(shape: &Shape) -> BTreeSet<String> {
        shape.keys.iter().map(|key| key.name.to_string()).collect()
    }

    #[test]
    fn schema_and_checker_know_the_same_keys_of_every_table() {
        let show = show_schema();
        let tables: [(Option<&str>, &Shape); 22] = [
            (None, &keys::SHOW),
            (Some("Click"), &keys::CLICK),
            (Some("Fallback"), &keys::FALLBACK),
            (Some("SongClick"), &keys::SONG_CLICK),
            (Some("SectionClick"), &keys::SECTION_CLICK),
            (Some("Levels"), &keys::LEVELS),
            (Some("Swing"), &keys::SWING),
            (Some("Fade"), &keys::FADE),
            (Some("Stream"), &keys::STREAM),
            (Some("Sound"), &keys::SOUND),
            (Some("Synth"), &keys::SYNTH),
            (Some("Input"), &keys::INPUT),
            (Some("Feed"), &keys::FEED),
            (Some("Hears"), &keys::HEARS),
            (Some("Ears"), &keys::EARS),
            (Some("Ride"), &keys::RIDE),
            (Some("Compress"), &keys::COMPRESS),
            (Some("Failover"), &keys::FAILOVER),
            (Some("Latch"), &keys::LATCH),
            (Some("Song"), &keys::SONG),
            (Some("CountIn"), &keys::COUNT_IN),
            (Some("Section"), &keys::SECTION),
        ];
        for (definition, shape) in tables {
            assert_eq!(keys_of(&show, definition), known(shape), "{definition:?}");
        }
        assert_eq!(keys_of(&show, Some("MetreChange")), known(&keys::METRE_CHANGE));
        assert_eq!(keys_of(&show, Some("TempoMove")), known(&keys::TEMPO_MOVE));
        let rig = rig_schema();
        for (definition, shape) in [
            (None, &keys::RIG),
            (Some("Interface"), &keys::INTERFACE),
            (Some("Fold"), &keys::FOLD),
            (Some("Timecode"), &keys::TIMECODE),
            (Some("Main"), &keys::MAIN),
            (Some("Return"), &keys::RETURN),
            (Some("Loop"), &keys::LOOP),
            (Some("Second"), &keys::SECOND),
            (Some("Exposure"), &keys::EXPOSURE),
        ] {
            assert_eq!(keys_of(&rig, definition), known(shape), "{definition:?}");
        }
    }

    /// No table of the schema is left out of the test above.
    #[test]
    fn every_table_of_the_schema_is_compared_with_the_checker() {
        let tables = |schema: Value| {
            let defs = schema["$defs"].as_object().expect("$defs").clone();
            defs.iter().filter(|(_, def)| def.get("properties").is_some()).count()
        };
        assert_eq!(tables(show_schema()), 23);
        assert_eq!(tables(rig_schema()), 8);
    }
}
