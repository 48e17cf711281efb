//! Faulty shows: written by hand, and made from the good one by changing one thing.

use super::{assert_is_whole, assert_reading_is_whole, example, read};
use proptest::prelude::*;
use toml::de::{DeTable, DeValue};

/// A song of five lines, to which a case adds what is wrong from line 6 on.
const SONG: &str = "show = \"Saltmarsh Five\"\n[[song]]\ntitle = \"Low Tide\"\ntempo = 132\nbars = 64\n";
/// A song with a section of eight lines.
const SECTION: &str = "show = \"Saltmarsh Five\"\n[[song]]\ntitle = \"Low Tide\"\ntempo = 132\nmetre = \"4/4\"\n\
                       [[song.section]]\nname = \"verse\"\nbars = 16\n";

/// Added to [`SONG`]: line, part of what is said.
static AFTER_SONG: &[(&str, usize, &str)] = &[
    ("bpm = 132", 6, "`bpm` is no key of a song"),
    ("Tempo = 132", 6, "`Tempo` is no key of a song"),
    ("tempo = 140", 6, "`tempo` is written twice"),
    ("title = \"Eel Grass\"", 6, "`title` is written twice"),
    ("metre = \"4\"", 6, "this is no metre"),
    ("metre = \"4/5\"", 6, "this is no metre"),
    ("metre = \"0/4\"", 6, "this is no metre"),
    ("metre = \"65/8\"", 6, "this is no metre"),
    ("metre = \"-3/4\"", 6, "this is no metre"),
    ("metre = \"7/8 as 2+2\"", 6, "the groups add up to 4"),
    ("metre = \"7/8 as\"", 6, "this is no metre"),
    ("metre = \"7/8 as 2+x\"", 6, "this is no metre"),
    ("metre = \"3+/8\"", 6, "this is no metre"),
    ("metre = 4", 6, "`metre` must be text in quotes"),
    ("metre = [4, 4]", 6, "`metre` must be text in quotes"),
    ("metre = \"4294967297/4\"", 6, "this is no metre"),
    ("kind = \"tlak\"", 6, "`kind` knows no \"tlak\""),
    ("kind = true", 6, "`kind` must be one of"),
    ("kind = \"talk\"", 4, "without click `tempo` means nothing"),
    ("encore = \"yes\"", 6, "`encore` must be true or false"),
    ("segue = 1", 6, "`segue` must be true or false"),
    ("note = \"\"", 6, "`note` is empty"),
    ("note = \"Wren\\ncounts\"", 6, "control character"),
    ("note = 4", 6, "`note` must be text"),
    ("pickup = \"1/1\"", 6, "this pickup is not shorter than a bar"),
    ("pickup = \"4/4\"", 6, "this pickup is not shorter than a bar"),
    ("pickup = \"1/7\"", 6, "this is no pickup"),
    ("pickup = \"an eighth\"", 6, "this is no pickup"),
    ("pickup = 1", 6, "`pickup` must be text"),
    ("pickup = \"0/8\"", 6, "this is no pickup"),
    ("count_in = -1", 6, "`count_in` is out of range"),
    ("count_in = 17", 6, "`count_in` is out of range"),
    ("count_in = 2.5", 6, "`count_in` must be bars, false or a table"),
    ("count_in = \"two\"", 6, "`count_in` must be bars, false or a table"),
    ("count_in = { bars = 0 }", 6, "`bars` is out of range"),
    ("count_in = { bar = 2 }", 6, "`bar` is no key of a count-in"),
    ("count_in = { bars = 1, pattern = \"1 - 2 - / 1 2 3 4\" }", 6, "the pattern has 2 bars"),
    ("count_in = { pattern = \"1 2 3\" }", 6, "bar 1 of this pattern has 3 cells"),
    ("count_in = { pattern = \"1 2 3 4 / 1 2\" }", 6, "bar 2 of this pattern has 2 cells"),
    ("count_in = { pattern = \"\" }", 6, "bar 1 of this pattern has 0 cells"),
    ("count_in = { pattern = \"- - - -\" }", 6, "this pattern counts nothing"),
    ("count_in = { pattern = \"1 2 x 4\" }", 6, "more than numbers"),
    ("count_in = { pattern = \"1 2 3 0\" }", 6, "more than numbers"),
    ("count_in = { clicks = [\"durms\"] }", 6, "there is no click \"durms\""),
    ("count_in = { clicks = [] }", 6, "nobody would hear this count-in"),
    ("count_in = { clicks = [\"drums\", \"drums\"] }", 6, "\"drums\" is named twice"),
    ("count_in = { voice = [] }", 6, "`voice` needs a file"),
    ("count_in = { voice = [\"../sounds/one.wav\"] }", 6, "the count-in says 4"),
    ("count_in = { voice = [\"../sounds/no.wav\"] }", 6, "there is no file"),
    ("count_in = { voice = \"../sounds/one.wav\" }", 6, "`voice` must be a list"),
    ("count_in = { level = 40 }", 6, "`level` is out of range"),
    ("vamp = 3", 6, "`vamp` must be true or false"),
    ("click = 3", 6, "`click` must be a table"),
    ("section = 3", 6, "`section` must be a list"),
    ("section = []", 5, "this song has sections"),
    ("[song.click.durms]", 6, "there is no click \"durms\""),
    ("[song.click.drums]\nevrey = \"beats\"", 7, "`evrey` is no key of a song's click"),
    ("[song.click.drums]\nevery = \"eigths\"", 7, "this is no subdivision"),
    ("[song.click.drums]\nevery = 8", 7, "`every` must be text"),
    ("[song.click.drums]\nevery = \"0 in a beat\"", 7, "this is no subdivision"),
    ("[song.click.drums]\nevery = \"17 in a beat\"", 7, "this is no subdivision"),
    ("[song.click.drums]\nevery = \"1/3\"", 7, "this is no subdivision"),
    (
        "[[song]]\ntitle = \"Eel Grass\"\ntempo = 400\nbars = 4\n[song.click.drums]\nevery = \"1/64\"",
        6,
        "which is a tone and no click",
    ),
    ("[song.click.drums]\naccents = 1", 7, "`accents` must be a list"),
    ("[song.click.drums]\naccents = [0]", 7, "`accents` is out of range"),
    ("[song.click.drums]\naccents = [5]", 7, "no bar of this song has a beat 5"),
    ("[song.click.drums]\naccents = [1, 1]", 7, "beat 1 is named twice"),
    ("[song.click.drums]\naccents = [\"1\"]", 7, "`accents` must be a whole number"),
    ("[song.click.drums]\nrests = [1.5]", 7, "`rests` must be a whole number"),
    ("[song.click.drums]\nlevel = 13", 7, "`level` is out of range"),
    ("[song.click.drums]\nlevel = nan", 7, "`level` is out of range"),
    ("[song.click.drums]\nlevel = -inf", 7, "`level` is out of range"),
    ("[song.click.drums]\nlevel = \"-3 dB\"", 7, "`level` must be a number"),
    ("[song.click.drums]\nlevels = { beta = 3 }", 7, "`beta` is no key of levels"),
    ("[song.click.drums]\nlevels = -3", 7, "`levels` must be a table"),
    ("[song.click.drums]\nsound = \"wod\"", 7, "there is no sound \"wod\""),
    ("[song.click.drums]\nsound = \"bell.wav\"", 7, "there is no sound \"bell.wav\""),
    ("[song.click.drums]\nown_metre = true", 7, "`own_metre` must be text"),
    ("[song.click.drums]\nown_metre = \"3\"", 7, "this is no metre"),
    ("[song.click.drums]\nswing = \"40%\"", 7, "this is no swing"),
    ("[song.click.drums]\nswing = \"100%\"", 7, "this is no swing"),
    ("[song.click.drums]\nswing = \"2/0\"", 7, "this is no swing"),
    ("[song.click.drums]\nswing = { note = \"1/4\", at = \"2/3\" }", 7, "this note cannot swing"),
    ("[song.click.drums]\nswing = { note = \"1/8\" }", 7, "this swing does not say how much"),
    ("[song.click.drums]\nfallback = { sound = \"wood\" }", 7, "`sound` is no key of a fallback"),
    ("[song.click.drums]\nfallback = \"beats\"", 7, "`fallback` must be a table"),
    ("[song.click.drums]\nsilent = \"no\"", 7, "`silent` must be true or false"),
    ("[song.click.drums]\nfrom = \"65\"", 7, "this song has no bar 65"),
    ("[song.click.drums]\nfrom = \"0\"", 7, "this is no place in the song"),
    ("[song.click.drums]\nfrom = \"17.5\"", 7, "bar 17 has no beat 5"),
    ("[song.click.drums]\nfrom = \"bar 17\"", 7, "this is no place in the song"),
    ("[song.click.drums]\nfrom = -17", 7, "this is no place in the song"),
    ("[song.click.drums]\nuntil = \"88.3\"", 7, "this song has no bar 88"),
    ("[song.click.drums]\nuntil = 1e3", 7, "this is no place in the song"),
    ("[song.click.drums]\nfrom = \"17\"\nuntil = \"16\"", 8, "this click ends at 16.4 and begins at 17.1"),
    ("[song.click.drums]\nonly_in = [\"intro\"]", 7, "there is no section \"intro\""),
    ("[song.click.drums]\nonly_in = []", 7, "`only_in` names no section"),
    ("[song.click.drums]\nonly_in = \"intro\"", 7, "`only_in` must be a list"),
    ("[song.click.drums]\nfade = { to = -12 }", 7, "`fade` is no key of a song's click"),
    ("[song.click.drums]\nstream = \"nothing.wav\"", 7, "there is no file"),
    ("[song.click.drums]\nstream = \"../sounds\"", 7, "is no file"),
    ("[song.click.drums]\nstream = \"../sounds/not_a_wav.wav\"", 7, "is no WAV file that can be read"),
    ("[song.click.drums]\nstream = 3", 7, "`stream` must be a WAV file or a table"),
    ("[song.click.drums]\nstream = { starts = \"bar 1\" }", 7, "`file` is missing in a stream"),
    (
        "[song.click.drums]\nstream = { file = \"../sounds/bell.wav\", starts = \"bar one\" }",
        7,
        "`starts` knows no",
    ),
    (
        "[song.click.drums]\nstream = { file = \"../sounds/bell.wav\", channel = 2 }",
        7,
        "`channel` is out of range",
    ),
    (
        "[song.click.drums]\nstream = { file = \"../sounds/bell.wav\", channel = 0 }",
        7,
        "`channel` is out of range",
    ),
    (
        "[song.click.drums]\nstream = { file = \"../sounds/bell.wav\", offset_ms = 1e9 }",
        7,
        "`offset_ms` is out of range",
    ),
    ("[[song]]\ntitle = \"low tide\"\ntempo = 90\nbars = 4", 7, "song 1 (line 2) has the same title"),
    ("[[song]]\ntempo = 90\nbars = 4", 6, "song 2 has no title"),
    ("[[song]]\ntitle = \"Eel Grass\"\nbars = 4", 6, "this song has no tempo"),
    ("[[song]]\ntitle = \"Eel Grass\"\ntempo = 90", 6, "this song does not say how long it is"),
    ("[[song]]\ntitle = \"Eel Grass\"\ntempo = 0\nbars = 4", 8, "this tempo is out of range"),
    ("[[song]]\ntitle = \"Eel Grass\"\ntempo = -90\nbars = 4", 8, "this is no tempo"),
    ("[[song]]\ntitle = \"Eel Grass\"\ntempo = 9.999\nbars = 4", 8, "this tempo is out of range"),
    ("[[song]]\ntitle = \"Eel Grass\"\ntempo = 999.1\nbars = 4", 8, "this tempo is out of range"),
    ("[[song]]\ntitle = \"Eel Grass\"\ntempo = nan\nbars = 4", 8, "this is no tempo"),
    ("[[song]]\ntitle = \"Eel Grass\"\ntempo = inf\nbars = 4", 8, "this is no tempo"),
    ("[[song]]\ntitle = \"Eel Grass\"\ntempo = 1e2\nbars = 4", 8, "this is no tempo"),
    ("[[song]]\ntitle = \"Eel Grass\"\ntempo = 99999999999999999999\nbars = 4", 8, "this is no tempo"),
    ("[[song]]\ntitle = \"Eel Grass\"\ntempo = \"fast\"\nbars = 4", 8, "this is no tempo"),
    ("[[song]]\ntitle = \"Eel Grass\"\ntempo = \"1/5 = 90\"\nbars = 4", 8, "note value of this tempo"),
    ("[[song]]\ntitle = \"Eel Grass\"\ntempo = \"= 90\"\nbars = 4", 8, "note value of this tempo"),
    ("[[song]]\ntitle = \"Eel Grass\"\ntempo = \"♩ = 1,5\"\nbars = 4", 8, "this is no tempo"),
    ("[[song]]\ntitle = \"Eel Grass\"\ntempo = true\nbars = 4", 8, "`tempo` must be a tempo"),
    ("[[song]]\ntitle = \"Eel Grass\"\ntempo = 0x84\nbars = 4", 8, "`tempo` must be a tempo"),
    ("[[song]]\ntitle = \"Eel Grass\"\ntempo = 90\nbars = 0", 9, "`bars` is out of range"),
    ("[[song]]\ntitle = \"Eel Grass\"\ntempo = 90\nbars = 2001", 9, "`bars` is out of range"),
    ("[[song]]\ntitle = \"Eel Grass\"\ntempo = 90\nbars = \"64\"", 9, "`bars` must be a whole number"),
    ("[[song]]\ntitle = \"\"\ntempo = 90\nbars = 4", 7, "`title` is empty"),
    ("[[song]]\ntitle = \"   \"\ntempo = 90\nbars = 4", 7, "`title` is empty"),
    ("[[song]]\ntitle = 5\ntempo = 90\nbars = 4", 7, "`title` must be text"),
    ("[song.section]\nbars = 4\n[song.section]\nbars = 4", 8, "[song.section] is written twice"),
    ("[[song]\ntitle = \"Eel Grass\"", 6, "header"),
    ("[[song]]\ntitle = \"Eel Grass\"\ntempo = 137,3\nbars = 4", 8, "this line goes on after its value"),
    ("[[song]]\ntitle = \u{201c}Eel Grass\u{201d}\ntempo = 90\nbars = 4", 7, "is neither a number nor text"),
    ("[[song]]\ntitle = \"Eel Grass\ntempo = 90", 7, "a text is not closed"),
    ("[[song]]\ntitle = \"Eel Grass\"\ntempo 90\nbars = 4", 8, "not \"key = value\""),
    ("[[song]]\ntitle = \"Eel Grass\"\ntempo = \nbars = 4", 8, "has no value"),
    ("[[song]]\ntitle = \"Eel Grass\"\ncount_in = { bars = 2\nbars = 4", 8, "{ }"),
    ("[[song]]\ntitle = \"Eel Grass\"\ntempo = 12O\nbars = 4", 8, ""),
];

/// Added to [`SECTION`].
static AFTER_SECTION: &[(&str, usize, &str)] = &[
    ("length = 4", 9, "`length` is no key of a section"),
    ("repeats = 0", 9, "`repeats` is out of range"),
    ("repeats = 1000", 9, "`repeats` is out of range"),
    ("repeats = 2\nvamp = true", 9, "a vamp repeats until it is released"),
    ("vamp = \"on\"", 9, "`vamp` must be true or false"),
    ("hold = 1", 9, "`hold` must be true or false"),
    ("tempo = \"dotted = 88\"", 9, "note value of this tempo"),
    ("metre = \"4:4\"", 9, "this is no metre"),
    ("metre_changes = 5", 9, "`metre_changes` must be a list"),
    ("metre_changes = [5]", 9, "`metre_changes` must be a table"),
    ("metre_changes = [{ bar = 5 }]", 9, "`metre` is missing in a metre change"),
    ("metre_changes = [{ metre = \"3/4\" }]", 9, "`bar` is missing in a metre change"),
    ("metre_changes = [{ bar = 17, metre = \"3/4\" }]", 9, "there is no bar 17 in this section"),
    ("metre_changes = [{ bar = 0, metre = \"3/4\" }]", 9, "`bar` is out of range"),
    (
        "metre_changes = [{ bar = 5, metre = \"3/4\" }, { bar = 5, metre = \"4/4\" }]",
        9,
        "does not come after",
    ),
    (
        "metre_changes = [{ bar = 5, metre = \"3/4\" }, { bar = 3, metre = \"4/4\" }]",
        9,
        "does not come after",
    ),
    ("metre_changes = [{ baar = 5, metre = \"3/4\" }]", 9, "`baar` is no key of a metre change"),
    ("tempo_moves = [{ bar = 9 }]", 9, "`to` is missing in a tempo move"),
    ("tempo_moves = [{ to = 160 }]", 9, "`bar` is missing in a tempo move"),
    ("tempo_moves = [{ bar = 17, to = 160 }]", 9, "there is no bar 17 in this section"),
    ("tempo_moves = [{ bar = 9, beat = 5, to = 160 }]", 9, "a bar of 4/4 has no beat 5"),
    ("tempo_moves = [{ bar = 9, to = 160, over_bars = 9 }]", 9, "runs past the end of its section"),
    ("tempo_moves = [{ bar = 9, beat = 2, to = 160, over_bars = 8 }]", 9, "runs past the end of its section"),
    ("tempo_moves = [{ bar = 16, to = 160, over_beats = 5 }]", 9, "runs past the end of its section"),
    ("tempo_moves = [{ bar = 9, to = 160, over_bars = 1, over_beats = 4 }]", 9, "bars or beats, not both"),
    ("tempo_moves = [{ bar = 9, to = 160, over_bars = 0 }]", 9, "`over_bars` is out of range"),
    ("tempo_moves = [{ bar = 9, to = 160, law = \"linear\" }]", 9, "`law` knows no \"linear\""),
    ("tempo_moves = [{ bar = 9, to = 1600 }]", 9, "this tempo is out of range"),
    ("tempo_moves = [{ bar = 9, to = 160, over = 4 }]", 9, "`over` is no key of a tempo move"),
    (
        "tempo_moves = [{ bar = 9, to = 160, over_bars = 4 }, { bar = 12, to = 90 }]",
        9,
        "before the one before it has ended",
    ),
    ("tempo_moves = [{ bar = 9, to = 160 }, { bar = 9, to = 90 }]", 9, "before the one before it has ended"),
    ("[song.section.click.bnad]", 9, "there is no click \"bnad\""),
    ("[song.section.click.band]\nstream = \"x.wav\"", 10, "`stream` is no key of a section's click"),
    ("[song.section.click.band]\nrests = [5]", 10, "no bar of this section has a beat 5"),
    (
        "[song.section.click.band]\nown_metre = \"3/4\"\naccents = [4]",
        11,
        "no bar of this section has a beat 4",
    ),
    ("[song.section.click.band]\nfade = -12", 10, "`fade` must be a table"),
    ("[song.section.click.band]\nfade = { from = 0 }", 10, "`to` is missing in a fade"),
    ("[song.section.click.band]\nfade = { to = -12, bar = 17 }", 10, "there is no bar 17 in this section"),
    (
        "[song.section.click.band]\nfade = { to = -12, bar = 9, over_bars = 9 }",
        10,
        "this fade runs past the end",
    ),
    ("[song.section.click.band]\nfade = { to = -120 }", 10, "`to` is out of range"),
    ("[[song.section]]\nname = \"chorus\"", 9, "\"chorus\" does not say how long it is"),
    ("[[song.section]]\nname = \"\"\nbars = 4", 10, "`name` is empty"),
    ("[[song.section]]\nbars = 2001", 10, "`bars` is out of range"),
    ("[[song.section]]\nbars = 16.0", 10, "`bars` must be a whole number"),
    ("[song.section.count_in]\nbars = 2", 9, "`count_in` is no key of a section"),
];

/// Whole files, the fault above the songs.
static WHOLE: &[(&str, usize, &str)] = &[
    ("", 1, "this show has no songs"),
    ("show = \"Saltmarsh Five\"", 1, "this show has no songs"),
    ("song = []", 1, "this show has no songs"),
    ("song = 5", 1, "`song` must be a list"),
    ("song = [5]", 1, "`song` must be a table"),
    ("shwo = \"x\"", 1, "`shwo` is no key of a show"),
    ("show = 5", 1, "`show` must be text"),
    ("show = \"\"", 1, "`show` is empty"),
    ("click = 5", 1, "`click` must be a table"),
    ("[click]", 1, "[click] names no click"),
    ("[click]\ndrums = 5", 2, "`drums` must be a table"),
    ("[click.\"\"]", 1, "`click` is empty"),
    ("[click.\"drums fallback\"]", 1, "ends in \"fallback\""),
    ("[click.drums]\nplayer = 5", 2, "`player` must be text"),
    ("[click.drums]\nfrom = \"3\"", 2, "`from` is no key of a click"),
    ("[click.drums]\n[click.drums]", 2, "`drums` is written twice"),
    ("[click.drums]\nsound = \"bell\"", 2, "there is no sound \"bell\""),
    ("[sound.wood]\nbeat = \"../sounds/bell.wav\"", 1, "\"wood\" is built in"),
    ("[sound.bell]", 1, "the sound \"bell\" says nothing"),
    ("[sound.bell]\nbeat = \"../sounds/too_long.wav\"", 2, "this sound is 2.0"),
    ("[sound.bell]\nbeat = \"../sounds/no.wav\"", 2, "there is no file"),
    ("[sound.bell]\nbeat = \"../sounds/not_a_wav.wav\"", 2, "is no WAV file"),
    ("[sound.bell]\nbeat = \"\"", 2, "`beat` is empty"),
    ("[sound.bell]\nbeat = 5", 2, "`beat` must be a WAV file or numbers"),
    ("[sound.bell]\nbeat = { herz = 1000 }", 2, "`herz` is no key of a synthesised hit"),
    ("[sound.bell]\nbeat = { hertz = 50 }", 2, "`hertz` is out of range"),
    ("[sound.bell]\nbeat = { decay_ms = 0 }", 2, "`decay_ms` is out of range"),
    ("[sound.bell]\nbeat = { attack_ms = -1 }", 2, "`attack_ms` is out of range"),
    ("[sound.bell]\nbeat = { edge = 2 }", 2, "`edge` is out of range"),
    ("[sound.bell]\nbeat = { peak = 0 }", 2, "`peak` is out of range"),
    ("[sound.bell]\nbaet = \"../sounds/bell.wav\"", 2, "`baet` is no key of a sound"),
    ("[input.room]\nkind = \"audience\"", 2, "`kind` knows no \"audience\""),
    (
        "[click.drums]\nplayer = \"Wren\"\n[input.talk]\nplayer = \"Wrn\"",
        4,
        "no click has the player \"Wrn\"",
    ),
    ("[input.room]\nhigh_pass = 5", 2, "`high_pass` is below"),
    ("[input.room]\nhigh_pass = 5000", 2, "`high_pass` is out of range"),
    ("[input.room]\nin_song = 20", 2, "`in_song` is out of range"),
    ("[input.room]\ninverted = 1", 2, "`inverted` must be true or false"),
    ("[input.room]\nhigh_pass_slope = 18", 2, "`high_pass_slope` knows two slopes"),
    ("[input.room]\nlow_pass = 100", 2, "`low_pass` is out of range"),
    ("[input.room]\ndelay_ms = -2", 2, "a delay can only make a microphone later"),
    ("[input.room]\ndelay_ms = 200", 2, "`delay_ms` is out of range"),
    ("[input.room]\ncompress = 3", 2, "`compress` must be a table"),
    ("[input.room]\ncompress = { ratio = 0.5 }", 2, "`ratio` is out of range"),
    ("[input.room]\ncompress = { treshold = -30 }", 2, "`treshold` is no key of compress"),
    ("[input.room]\ntalks = \"by key\"", 2, "without kind = \"talkback\" `talks` means nothing"),
    ("[input.sing]\nkind = \"talkback\"\ntalks = \"loudly\"", 3, "`talks` knows no \"loudly\""),
    ("[input.sing]\nkind = \"talkback\"\ndims = 3", 3, "`dims` is out of range"),
    ("[ride]\nclose = 0", 2, "`close` is out of range"),
    ("[ride]\nfade = 1", 2, "`fade` is no key of [ride]"),
    (
        "[feed.band]\nstereo = true\nhears = { band = { inverted = \"right\" } }",
        3,
        "\"band\" leaves left and right in opposite polarity: heard in mono it is gone",
    ),
    ("[feed.band]\nhears = { band = { inverted = \"left\" } }", 2, "a mono feed has no left and right"),
    (
        "[feed.band]\npack = \"mono\"\nhears = { band = { pan = 1 } }",
        3,
        "a mono pack has the mix left and the click right",
    ),
    ("[feed.band]\npack = \"mono\"\nstereo = false", 3, "a mono pack takes two sides"),
    (
        "[input.room]\n[feed.wedge]\nto = \"loudspeaker\"\nhears = [\"drums\", \"room\"]",
        4,
        "the microphone \"room\" would be heard from a loudspeaker: it may howl",
    ),
    (
        "[input.room]\n[feed.wedge]\nto = \"loudspeaker\"\nhears = { drums = 0, room = -12 }",
        4,
        "the microphone \"room\" would be heard from a loudspeaker: it may howl",
    ),
    ("[input.drums]", 1, "already the name of a click"),
    ("input = []", 1, "`input` must be a table"),
    ("[click.band]\ninput = 3", 2, "`input` must be text"),
    ("[click.band]\ninput = \"pad\"", 2, "there is no input \"pad\""),
    ("[click.band]\ninput = \"room\"\n[input.room]", 2, "the input \"room\" is no click"),
    ("[click.band]\nfrom = \"pad\"", 2, "`from` is no key of a click"),
    ("[input.pad]\nkind = \"click\"", 1, "no click comes from the input \"pad\""),
    (
        "[click.band]\ninput = \"pad\"\n[input.pad]\nkind = \"click\"\n[click.drums]\ninput = \"pad\"",
        6,
        "the click \"band\" comes from this input already",
    ),
    (
        "[click.band]\ninput = \"pad\"\n[input.pad]\nkind = \"click\"\nin_song = -3",
        5,
        "with kind = \"click\" `in_song` means nothing",
    ),
    (
        "[click.band]\ninput = \"pad\"\n[input.pad]\nkind = \"click\"\nhigh_pass = 0",
        5,
        "with kind = \"click\" `high_pass` means nothing",
    ),
    ("[input.room]\nsafety_delay_ms = 8", 2, "without kind = \"click\" `safety_delay_ms` means nothing"),
    ("[input.room]\nstarts_song = true", 2, "without kind = \"click\" `starts_song` means nothing"),
    (
        "[click.band]\ninput = \"pad\"\n[input.pad]\nkind = \"click\"\nsafety_delay_ms = 3.5",
        5,
        "this safety delay is too short to fill a hit",
    ),
    (
        "[click.band]\ninput = \"pad\"\n[input.pad]\nkind = \"click\"\nsafety_delay_ms = 21",
        5,
        "`safety_delay_ms` is out of range",
    ),
    (
        "[click.band]\ninput = \"pad\"\n[input.pad]\nkind = \"click\"\nsafety_delay_ms = \"8 ms\"",
        5,
        "`safety_delay_ms` must be a number",
    ),
    (
        "[click.band]\ninput = \"pad\"\n[input.pad]\nkind = \"click\"\nstarts_song = 1",
        5,
        "`starts_song` must be true or false",
    ),
    (
        "[click.band]\ninput = \"pad\"\n[input.pad]\nkind = \"click\"\ntolerance_ms = 1",
        5,
        "`tolerance_ms` is out of range",
    ),
    (
        "[click.band]\ninput = \"pad\"\n[input.pad]\nkind = \"click\"\ntolerance_ms = 6.5",
        5,
        "so late could not be filled any more",
    ),
    (
        "[click.band]\ninput = \"pad\"\n[input.pad]\nkind = \"click\"\nsafety_delay_ms = 12\ntolerance_ms = 10.1",
        6,
        "so late could not be filled any more",
    ),
    (
        "[click.band]\ninput = \"pad\"\n[input.pad]\nkind = \"click\"\nstarts_song = true\n[click.drums]\ninput = \"key_rig\"\n[input.key_rig]\nkind = \"click\"\nstarts_song = true",
        8,
        "the input \"pad\" starts songs already",
    ),
    (
        "[click.band]\ninput = \"pad\"\n[input.pad]\nkind = \"click\"\n[feed.drums]\nhears = { band = 0, pad = 0 }",
        6,
        "is a click that comes in, and no feed hears it by itself",
    ),
    (
        "[click.band]\ninput = \"pad\"\n[input.pad]\nkind = \"click\"\n[feed.drums]\nhears = [\"pad\"]",
        6,
        "is a click that comes in, and no feed hears it by itself",
    ),
    ("[failover]\nlatch = 3", 2, "`latch` must be a table"),
    ("[failover]\nlatch = { in_row = 0 }", 2, "`in_row` is out of range"),
    ("[failover]\nlatch = { of_eight = 9 }", 2, "`of_eight` is out of range"),
    ("[failover]\nlatch = { in_row = 4, of_eight = 3 }", 2, "with 3 of eight, 4 in a row would never count"),
    ("[failover]\nlatch = { row = 2 }", 2, "`row` is no key of a latch"),
    ("[feed]", 1, "[feed] names no feed"),
    ("[feed.keys]", 1, "does not say what it hears"),
    ("[feed.drums]\nhears = { durms = 0 }", 2, "there is no click or input \"durms\""),
    ("[feed.drums]\nhears = [\"drums\", \"room\"]", 2, "there is no click or input \"room\""),
    ("[feed.drums]\nhears = [\"drums\", \"drums\"]", 2, "\"drums\" is named twice"),
    ("[feed.drums]\nhears = []", 2, "hears nothing"),
    ("[feed.drums]\nhears = 5", 2, "`hears` must be"),
    ("[feed.drums]\nhears = { drums = \"loud\" }", 2, "`drums` must be a number"),
    ("[feed.drums]\nhears = { drums = { pan = 0.5 } }", 2, "a mono feed has no left and right"),
    ("[feed.drums]\nstereo = true\nhears = { drums = { pan = 2 } }", 3, "`pan` is out of range"),
    ("[feed.drums]\nhears = { drums = { gain = 0 } }", 2, "`gain` is no key of a part of a feed"),
    ("[feed.drums]\nstereo = \"yes\"", 2, "`stereo` must be true or false"),
    ("[ears]\nceiling = 0", 2, "`ceiling` is out of range"),
    ("[ears]\nceiling = -0.5", 2, "`ceiling` is out of range"),
    ("[ears]\nlimit = -6", 2, "`limit` is no key of [ears]"),
    ("ears = -6", 1, "`ears` must be a table"),
    ("[failover]\ngive_back = \"never\"", 2, "`give_back` knows no \"never\""),
    ("[failover]\ngive_back = false", 2, "`give_back` must be one of"),
    ("[song]\ntitle = \"a\"", 1, "`song` must be a list"),
    ("[song]\ntitle = \"a\"\n[song]\ntitle = \"b\"", 3, "[song] is written twice"),
    ("[outputs]\ndrums = 1", 1, "`outputs` is no key of a show"),
    ("show = Saltmarsh", 1, ""),
    ("show = \"Saltmarsh", 1, "a text is not closed"),
    ("show == \"Saltmarsh\"", 1, ""),
    ("= 5", 1, ""),
    ("[", 1, ""),
    ("]", 1, ""),
    ("[[song", 1, ""),
    ("\"\"\"", 1, ""),
    ("\u{1}", 1, ""),
    ("show = \"\u{fffd}\"", 1, "not UTF-8"),
];

fn assert_faulty(text: &str, line: usize, part: &str) {
    let reading = read(text);
    assert_reading_is_whole(&reading);
    let said = |fault: &&fogbell::show::Fault| fault.line == line && fault.what.contains(part);
    assert!(
        reading.faults.iter().any(|fault| said(&fault)),
        "no fault at line {line} with {part:?} in:\n{text}\n{}",
        fogbell::show::render(&reading.faults, &reading.text, "show.toml", false)
    );
}

#[test]
fn every_faulty_song_is_told_at_its_line() {
    for (added, line, part) in AFTER_SONG {
        assert_faulty(&format!("{SONG}{added}\n"), *line, part);
    }
}

#[test]
fn every_faulty_section_is_told_at_its_line() {
    for (added, line, part) in AFTER_SECTION {
        assert_faulty(&format!("{SECTION}{added}\n"), *line, part);
    }
}

#[test]
fn every_fault_above_the_songs_is_told_at_its_line_and_refuses_the_show() {
    for (text, line, part) in WHOLE {
        assert_faulty(text, *line, part);
        if text.starts_with("song = [") || *text == "[[song" {
            continue; // these cost songs only, and the rest could be played
        }
        let with_songs = format!("{text}\n{}", SONG.replace("show = \"Saltmarsh Five\"\n", ""));
        let reading = read(&with_songs);
        let only_songs_were_missing = text.is_empty() || text.starts_with("show = \"Saltmarsh Five\"");
        assert_eq!(reading.show.is_some(), only_songs_were_missing, "{with_songs}");
    }
}

/// A fault in a song that lies in what the show says above it costs that song only.
#[test]
fn a_stream_beside_an_input_refuses_its_song() {
    let text = "[click.band]\ninput = \"pad\"\n[input.pad]\nkind = \"click\"\n[[song]]\ntitle = \"Samphire\"\n\
                tempo = 90\nbars = 4\n[song.click.band]\nstream = \"../sounds/bell.wav\"\n[[song]]\n\
                title = \"Low Tide\"\ntempo = 132\nbars = 64\n";
    assert_faulty(text, 10, "a stream would be a second one");
    let reading = read(text);
    assert_eq!(reading.refused[0].title, "Samphire");
    assert_eq!(reading.show.map(|show| show.songs.len()), Some(1));
}

/// One mistake gives one fault, so that a tired reader is not sent to five places.
#[test]
fn one_mistake_gives_one_fault() {
    let cases =
        AFTER_SONG.iter().map(|case| (SONG, case)).chain(AFTER_SECTION.iter().map(|case| (SECTION, case)));
    for (head, (added, ..)) in cases {
        // These break a table's end or mean several things at once.
        let several = [
            "kind = \"talk\"",
            "[[song]\n",
            "Eel Grass\ntempo",
            "{ bars = 2\n",
            "section = []",
            "Low Tide",
            "[song.section]",
        ];
        if several.iter().any(|word| added.contains(word)) {
            continue;
        }
        let reading = read(&format!("{head}{added}\n"));
        let rendered = fogbell::show::render(&reading.faults, &reading.text, "show.toml", false);
        assert_eq!(reading.faults.len(), 1, "{added}\n{rendered}");
    }
}

/// A value or key of the good example, where it stands, and whether the file's author chose the key.
#[derive(Debug)]
struct Spot {
    span: std::ops::Range<usize>,
    is_key: bool,
    is_free_text: bool,
}

/// Keys whose text may be anything a person writes.
const FREE_TEXT: &[&str] = &["show", "player", "title", "note", "name"];
/// Tables whose keys are names.
const NAMES: &[&str] = &["click", "sound", "input", "feed", "hears"];

fn spots(table: &DeTable<'_>, of: &str, out: &mut Vec<Spot>) {
    for (key, value) in table {
        if !NAMES.contains(&of) {
            out.push(Spot { span: key.span(), is_key: true, is_free_text: false });
        }
        value_spots(value, key.get_ref(), out);
    }
}

fn value_spots(value: &toml::Spanned<DeValue<'_>>, key: &str, out: &mut Vec<Spot>) {
    match value.get_ref() {
        DeValue::Table(table) => spots(table, key, out),
        DeValue::Array(list) => list.iter().for_each(|item| value_spots(item, "", out)),
        _ => out.push(Spot { span: value.span(), is_key: false, is_free_text: FREE_TEXT.contains(&key) }),
    }
}

fn changed(text: &str, spot: &Spot, to: &str) -> String {
    format!("{}{to}{}", &text[..spot.span.start], &text[spot.span.end..])
}

/// The good example with one thing changed: each change in each place must be told.
#[test]
fn every_single_change_of_the_good_example_is_told_on_its_line() {
    let text = example("everything.toml");
    let mut all = Vec::new();
    spots(DeTable::parse(&text).expect("good").get_ref(), "", &mut all);
    let line_of = |at: usize| text[..at].matches('\n').count() + 1;
    let mut shows = 0;
    for spot in &all {
        let written = &text[spot.span.clone()];
        let misspelled = format!("{}zq", written.trim_matches('"'));
        let bad: Vec<&str> = match spot {
            Spot { is_key: true, .. } => vec![misspelled.as_str(), "\"\"", "\"a.b\""],
            Spot { is_free_text: true, .. } => {
                vec!["1979-05-27", "-999999", "nan", "[[]]", "{ zq = 1 }", "\"open", "\"\""]
            }
            _ => vec![
                "1979-05-27",
                "-999999",
                "nan",
                "1e300",
                "[[]]",
                "{ zq = 1 }",
                "\"zq\"",
                "\"open",
                "99999999999999999999",
            ],
        };
        for to in bad {
            let faulty = changed(&text, spot, to);
            let reading = read(&faulty);
            assert_reading_is_whole(&reading);
            let line = line_of(spot.span.start);
            let told = reading.faults.iter().any(|fault| fault.line == line);
            assert!(told, "{written} as {to} at line {line}: {:?}", reading.faults);
            shows += 1;
        }
    }
    assert!(shows >= 1_000, "only {shows} faulty shows were made");
}

#[test]
fn a_line_written_twice_is_told() {
    let text = example("everything.toml");
    for (index, line) in text.lines().enumerate() {
        let is_pair = line.contains(" = ") && !line.starts_with([' ', '#']) && !line.ends_with('[');
        if !is_pair {
            continue;
        }
        let mut lines: Vec<_> = text.lines().collect();
        lines.insert(index, line);
        let reading = read(&lines.join("\n"));
        assert_reading_is_whole(&reading);
        assert!(
            reading.faults.iter().any(|fault| fault.line == index + 2 && fault.what.contains("twice")),
            "{line}"
        );
    }
}

#[test]
fn a_file_cut_off_anywhere_is_read_without_a_panic() {
    let text = example("everything.toml");
    for (at, _) in text.char_indices() {
        assert_reading_is_whole(&read(&text[..at]));
    }
}

#[test]
fn a_broken_song_costs_that_song_only() {
    let songs = ["Low Tide", "Eel Grass", "Samphire", "Glasswort"];
    let breaks = [
        "tempo = -1",
        "tempo = \"",
        "tempo",
        "temop = 3",
        "bars = [",
        "count_in = {",
        "[song.click.drums",
        "title = 3",
    ];
    for broken in 0..songs.len() {
        for line in breaks {
            let mut text = String::from("show = \"Saltmarsh Five\"\n");
            for (index, title) in songs.iter().enumerate() {
                let song = if index == broken { line } else { "tempo = 120" };
                let title = if line.starts_with("title") && index == broken {
                    ""
                } else {
                    &format!("title = \"{title}\"\n")
                };
                text += &format!("[[song]]\n{title}{song}\nbars = 8\n\n");
            }
            let reading = read(&text);
            assert_reading_is_whole(&reading);
            let show = reading.show.unwrap_or_else(|| panic!("{text}\n{:?}", reading.faults));
            let kept: Vec<_> = show.songs.iter().map(|song| song.title.as_str()).collect();
            let wanted: Vec<_> =
                songs.iter().enumerate().filter(|(index, _)| *index != broken).map(|(_, t)| *t).collect();
            assert_eq!(kept, wanted, "{text}");
            let wanted_line = 2 + 5 * broken;
            assert_eq!(reading.refused.len(), 1, "{text}");
            assert_eq!(reading.refused[0].line, wanted_line, "{text}");
            assert!(reading.faults.iter().all(|fault| fault.song.is_some()), "{text}\n{:?}", reading.faults);
        }
    }
}

#[test]
fn a_segue_never_runs_into_the_song_after_a_refused_one() {
    let text = "[[song]]\ntitle = \"a\"\ntempo = 90\nbars = 4\nsegue = true\n[[song]]\ntitle = \"b\"\ntempo = 1\n\
                bars = 4\n[[song]]\ntitle = \"c\"\ntempo = 90\nbars = 4\n";
    let show = read(text).show.expect("two songs are good");
    assert_eq!(show.songs.iter().map(|song| song.segue).collect::<Vec<_>>(), [false, false]);
}

#[test]
fn a_text_left_open_never_makes_songs_vanish_quietly() {
    let text = format!("{SONG}note = \"\"\"\n[[song]]\ntitle = \"Eel Grass\"\ntempo = 90\nbars = 4\n");
    let reading = read(&text);
    let kept = reading.show.map_or(0, |show| show.songs.len());
    assert!(!reading.faults.is_empty());
    assert!(kept + reading.refused.len() >= 2 || kept == 0, "{kept} songs kept, {:?}", reading.refused);
}

#[test]
fn limits_are_told_and_quick() {
    let many =
        |count: usize, of: &str| (0..count).map(|n| of.replace('#', &n.to_string())).collect::<String>();
    let song = "[[song]]\ntitle = \"#\"\ntempo = 90\nbars = 4\n";
    for (text, part) in [
        (many(501, song), "501 songs are too many"),
        (many(33, "[click.c#]\n") + song, "33 clicks are too many"),
        (many(65, "[feed.f#]\nhears = [\"drums\"]\n") + song, "65 feeds are too many"),
        (many(101, "[[song]]\ntitle = \"#\"\ntempo = 90\nbars = 2000\n"), "200,000 bars"),
        (format!("show = \"{}\"\n{song}", "x".repeat(4_000_000)), "this file is too long"),
        (
            many(20, "[click.c#]\nevery = \"1/32\"\n")
                + &many(20, "[[song]]\ntitle = \"#\"\ntempo = 60\nbars = 2000\n"),
            "2,000,000 hits",
        ),
        (
            format!("{song}[song.click.drums]\nlevel = 0\n{}", "").replace("bars = 4\n", "")
                + &many(201, "[[song.section]]\nbars = 1\n"),
            "201 sections are too many",
        ),
    ] {
        let reading = read(&text);
        let told =
            reading.faults.iter().any(|fault| fault.what.contains(part) || fault.allowed.contains(part));
        assert!(told, "{part}: {:?}", reading.faults.iter().take(3).collect::<Vec<_>>());
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(400))]

    #[test]
    fn no_text_makes_it_panic(text in "\\PC{0,200}") {
        assert_reading_is_whole(&read(&text));
    }

    #[test]
    fn no_splice_of_the_good_example_makes_it_panic(
        cuts in prop::collection::vec((0.0f64..1.0, 0usize..40, "[\\[\\]{}=\"'#,.\n0-9a-z -]{0,6}"), 1..6),
    ) {
        let mut text = example("everything.toml");
        for (at, cut, put) in cuts {
            let at = (at * text.len() as f64) as usize;
            let start = (at..=text.len()).find(|at| text.is_char_boundary(*at)).unwrap_or(0);
            let end = (start + cut).min(text.len());
            let end = (end..=text.len()).find(|at| text.is_char_boundary(*at)).unwrap_or(text.len());
            text.replace_range(start..end, &put);
        }
        let reading = read(&text);
        for fault in &reading.faults {
            assert_is_whole(fault, &reading.text);
        }
        assert_reading_is_whole(&reading);
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(300))]

    /// A damaged WAV is a fault or a sound, never a panic.
    #[test]
    fn no_damaged_wav_makes_it_panic(
        changes in prop::collection::vec((0usize..64, any::<u8>()), 1..5), keep in 0usize..1700,
    ) {
        let mut bytes = std::fs::read(super::fixtures().join("sounds/bell.wav")).unwrap();
        for (at, byte) in changes {
            bytes[at] = byte;
        }
        bytes.truncate(keep);
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join("damaged.wav"), &bytes).unwrap();
        let text = "[sound.bell]\nbeat = \"damaged.wav\"\n[[song]]\ntitle = \"a\"\ntempo = 60\nbars = 1\n";
        assert_reading_is_whole(&fogbell::show::parse_show(text, "a.toml", folder.path()));
    }
}

#[test]
fn a_file_full_of_rubbish_is_told_of_briefly() {
    for text in
        ["= 5\n".repeat(20_000), "k = 5\n".repeat(20_000), "\"\n".repeat(20_000), "[[song]]\n".repeat(20_000)]
    {
        let reading = read(&text);
        assert_reading_is_whole(&reading);
        assert!((1..=600).contains(&reading.faults.len()), "{}", reading.faults.len());
        assert!(
            reading
                .faults
                .iter()
                .any(|fault| fault.what.contains("not listed") || fault.what.contains("too many"))
        );
    }
}

/// Seventy broken lines are more than are taken out one by one.
#[test]
fn many_broken_lines_are_listed_and_the_list_says_where_it_ends() {
    let text =
        (0..70).map(|n| format!("[[song]]\ntitle = \"Song {n}\"\ntempo\nbars = 4\n")).collect::<String>();
    let reading = read(&text);
    assert_reading_is_whole(&reading);
    assert_eq!(reading.faults.len(), 65);
    assert!(reading.faults.iter().any(|fault| fault.what.contains("not listed")));
    assert!(reading.show.is_none());
}
