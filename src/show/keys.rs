//! Every key of the show and rig format, each with a line that would be right.

use super::walk::Wrong;

/// A key and an example of it.
#[derive(Debug)]
pub(crate) struct Key {
    pub(crate) name: &'static str,
    pub(crate) example: &'static str,
}

/// The keys that one kind of table may hold.
#[derive(Debug)]
pub(crate) struct Shape {
    /// As in "`bpm` is no key of a song".
    pub(crate) name: &'static str,
    pub(crate) keys: &'static [Key],
}

macro_rules! shape {
    ($id:ident, $name:literal, $($key:literal => $example:literal),+ $(,)?) => {
        pub(crate) static $id: Shape = Shape {
            name: $name,
            keys: &[$(Key { name: $key, example: $example }),+],
        };
    };
}

shape!(SHOW, "a show",
    "show" => r#"show = "Saltmarsh Five, coastal halls""#,
    "click" => r#"[click.drums]"#,
    "sound" => r#"[sound.bell]"#,
    "input" => r#"[input.room]"#,
    "feed" => r#"[feed.drums]"#,
    "ears" => "[ears]",
    "ride" => "[ride]",
    "failover" => "[failover]",
    "song" => "[[song]]",
);
shape!(CLICK, "a click",
    "player" => r#"player = "Wren""#,
    "every" => r#"every = "eighths""#,
    "accents" => "accents = [1]",
    "rests" => "rests = [2, 4]",
    "level" => "level = -3",
    "levels" => "levels = { accent = 0, beat = -3, eighth = -9, sixteenth = -12 }",
    "sound" => r#"sound = "wood""#,
    "own_metre" => r#"own_metre = "3/4""#,
    "swing" => r#"swing = "62.5%""#,
    "fallback" => r#"fallback = { every = "beats" }"#,
    "input" => r#"input = "pad""#,
);
shape!(FALLBACK, "a fallback",
    "every" => r#"every = "beats""#,
    "accents" => "accents = [1]",
    "rests" => "rests = [2, 4]",
    "levels" => "levels = { accent = 0, beat = -3 }",
    "own_metre" => r#"own_metre = "3/4""#,
    "swing" => "swing = false",
);
shape!(SONG_CLICK, "a song's click",
    "every" => r#"every = "sixteenths""#,
    "accents" => "accents = [1]",
    "rests" => "rests = [2, 4]",
    "level" => "level = -3",
    "levels" => "levels = { accent = 0, beat = -3 }",
    "sound" => r#"sound = "quiet""#,
    "own_metre" => r#"own_metre = "3/4""#,
    "swing" => r#"swing = "62.5%""#,
    "fallback" => r#"fallback = { every = "beats" }"#,
    "silent" => "silent = true",
    "from" => r#"from = "17""#,
    "until" => r#"until = "88.3""#,
    "only_in" => r#"only_in = ["intro"]"#,
    "stream" => r#"stream = "low_tide.wav""#,
);
shape!(SECTION_CLICK, "a section's click",
    "every" => r#"every = "sixteenths""#,
    "accents" => "accents = [1]",
    "rests" => "rests = [2, 4]",
    "level" => "level = -3",
    "levels" => "levels = { accent = 0, beat = -3 }",
    "sound" => r#"sound = "quiet""#,
    "own_metre" => r#"own_metre = "3/4""#,
    "swing" => r#"swing = "62.5%""#,
    "fallback" => r#"fallback = { every = "beats" }"#,
    "silent" => "silent = true",
    "fade" => "fade = { to = -12, bar = 1, over_bars = 4 }",
);
shape!(LEVELS, "levels",
    "accent" => "accent = 0",
    "beat" => "beat = -3",
    "eighth" => "eighth = -9",
    "sixteenth" => "sixteenth = -12",
);
shape!(SWING, "swing",
    "note" => r#"note = "1/8""#,
    "at" => r#"at = "2/3""#,
);
shape!(FADE, "a fade",
    "from" => "from = 0",
    "to" => "to = -12",
    "bar" => "bar = 1",
    "over_bars" => "over_bars = 4",
);
shape!(STREAM, "a stream",
    "file" => r#"file = "low_tide.wav""#,
    "starts" => r#"starts = "count in""#,
    "offset_ms" => "offset_ms = 0",
    "channel" => "channel = 1",
    "level" => "level = 0",
);
shape!(SOUND, "a sound",
    "accent" => r#"accent = "bell_high.wav""#,
    "beat" => r#"beat = "bell.wav""#,
    "eighth" => "eighth = { hertz = 800, decay_ms = 25 }",
    "sixteenth" => "sixteenth = { hertz = 800, decay_ms = 18 }",
);
shape!(SYNTH, "a synthesised hit",
    "hertz" => "hertz = 1000",
    "decay_ms" => "decay_ms = 30",
    "attack_ms" => "attack_ms = 1",
    "edge" => "edge = 0.3",
    "peak" => "peak = -12",
);
shape!(INPUT, "an input",
    "kind" => r#"kind = "ambient""#,
    "player" => r#"player = "Wren""#,
    "trim" => "trim = 0",
    "in_song" => "in_song = -12",
    "between" => "between = 0",
    "high_pass" => "high_pass = 150",
    "high_pass_slope" => "high_pass_slope = 24",
    "low_pass" => "low_pass = 8000",
    "inverted" => "inverted = false",
    "delay_ms" => "delay_ms = 3.5",
    "compress" => "compress = { above = -30, ratio = 3 }",
    "gate" => "gate = -50",
    "talks" => r#"talks = "by key""#,
    "dims" => "dims = -12",
    "safety_delay_ms" => "safety_delay_ms = 8",
    "starts_song" => "starts_song = true",
    "tolerance_ms" => "tolerance_ms = 6",
);
shape!(FEED, "a feed",
    "hears" => "hears = { drums = 0, room = -12 }",
    "stereo" => "stereo = true",
    "pack" => r#"pack = "mono""#,
    "to" => r#"to = "loudspeaker""#,
);
shape!(HEARS, "a part of a feed",
    "level" => "level = -12",
    "pan" => "pan = 0.5",
    "inverted" => r#"inverted = "both""#,
    "may_howl" => "may_howl = true",
);
shape!(EARS, "[ears]",
    "ceiling" => "ceiling = -6",
);
shape!(RIDE, "[ride]",
    "close" => "close = 0.6",
    "open" => "open = 1.5",
    "after" => "after = 0.5",
);
shape!(COMPRESS, "compress",
    "above" => "above = -30",
    "ratio" => "ratio = 3",
);
shape!(FAILOVER, "[failover]",
    "give_back" => r#"give_back = "stay""#,
    "latch" => "latch = { in_row = 2, of_eight = 3 }",
);
shape!(LATCH, "a latch",
    "in_row" => "in_row = 2",
    "of_eight" => "of_eight = 3",
);
shape!(SONG, "a song",
    "title" => r#"title = "Low Tide""#,
    "note" => r#"note = "Wren counts""#,
    "kind" => r#"kind = "talk""#,
    "encore" => "encore = true",
    "segue" => "segue = true",
    "timecode" => r#"timecode = "01:00:00""#,
    "tempo" => "tempo = 132",
    "metre" => r#"metre = "4/4""#,
    "pickup" => r#"pickup = "1/8""#,
    "count_in" => "count_in = 2",
    "bars" => "bars = 120",
    "vamp" => "vamp = true",
    "click" => "[song.click.drums]",
    "section" => "[[song.section]]",
);
shape!(COUNT_IN, "a count-in",
    "bars" => "bars = 2",
    "pattern" => r#"pattern = "1 - 2 - / 1 2 3 4""#,
    "clicks" => r#"clicks = ["drums"]"#,
    "voice" => r#"voice = ["one.wav", "two.wav", "three.wav", "four.wav"]"#,
    "level" => "level = 0",
);
shape!(SECTION, "a section",
    "name" => r#"name = "verse""#,
    "bars" => "bars = 16",
    "repeats" => "repeats = 2",
    "vamp" => "vamp = true",
    "hold" => "hold = true",
    "tempo" => "tempo = 132",
    "metre" => r#"metre = "3/4""#,
    "metre_changes" => r#"metre_changes = [{ bar = 5, metre = "3/4" }]"#,
    "ambient" => "ambient = -6",
    "tempo_moves" => "tempo_moves = [{ bar = 9, to = 160, over_bars = 4 }]",
    "click" => "[song.section.click.drums]",
);
shape!(METRE_CHANGE, "a metre change",
    "bar" => "bar = 5",
    "metre" => r#"metre = "3/4""#,
);
shape!(TEMPO_MOVE, "a tempo move",
    "bar" => "bar = 9",
    "beat" => "beat = 1",
    "to" => "to = 160",
    "over_bars" => "over_bars = 4",
    "over_beats" => "over_beats = 8",
    "law" => r#"law = "linear in beats""#,
);
shape!(RIG, "a rig",
    "rig" => r#"rig = "borrowed eight-channel box""#,
    "interface" => "[interface]",
    "outputs" => "[outputs]",
    "fold" => "[[fold]]",
    "inputs" => "[inputs]",
    "second" => "[second]",
    "spoken" => "[spoken]",
    "keys" => "[keys]",
    "machine" => r#"machine = "backup""#,
    "timecode" => "[timecode]",
    "main" => "[main]",
    "return" => "[return]",
    "loop" => "[loop]",
    "exposure" => "[exposure.drums]",
    "spare" => "[spare]",
);
shape!(TIMECODE, "[timecode]",
    "output" => "output = 8",
    "frames" => r#"frames = "25""#,
    "level" => "level = -18",
);
shape!(MAIN, "[main]",
    "timecode" => "timecode = 1",
    "click" => "click = 2",
    "click_is" => r#"click_is = "drums""#,
    "wiring" => r#"wiring = "own channel""#,
    "safety_delay_ms" => "safety_delay_ms = 8",
    "align_ms" => "align_ms = 0.35",
    "latch_ms" => "latch_ms = 60",
);
shape!(RETURN, "[return]",
    "timecode" => "timecode = 3",
);
shape!(LOOP, "[loop]",
    "output" => "output = 7",
    "input" => "input = 4",
);
shape!(SECOND, "[second]",
    "host" => r#"host = "virtual""#,
    "device" => r#"device = "hw:CARD=Balcony""#,
    "rate" => "rate = 48000",
    "block" => "block = 128",
    "inputs" => "inputs = { hall = 1 }",
);
shape!(EXPOSURE, "an exposure",
    "sensitivity_db_per_v" => "sensitivity_db_per_v = 120",
    "sensitivity_db_per_mw" => "sensitivity_db_per_mw = 108",
    "impedance_ohm" => "impedance_ohm = 32",
    "pack_volts" => "pack_volts = 0.2",
    "read_db" => "read_db = 80",
    "read_at_dbfs" => "read_at_dbfs = -30",
    "return" => "return = [5, 6]",
    "uncertainty_db" => "uncertainty_db = 6",
);
shape!(INTERFACE, "[interface]",
    "host" => r#"host = "virtual""#,
    "device" => r#"device = "hw:CARD=Box""#,
    "rate" => "rate = 48000",
    "block" => "block = 128",
);
shape!(FOLD, "a fold",
    "outputs" => "outputs = 2",
    "channels" => r#"channels = { 1 = ["drums"], 2 = ["band", "keys"] }"#,
);

/// What musicians write, and the key that means it.
static OTHER_WORDS: &[(&str, &str)] = &[
    ("bpm", "tempo"),
    ("time_signature", "metre"),
    ("time signature", "metre"),
    ("signature", "metre"),
    ("time", "metre"),
    ("meter", "metre"),
    ("name", "title"),
    ("title", "name"),
    ("title", "show"),
    ("length", "bars"),
    ("volume", "level"),
    ("gain", "level"),
    ("db", "level"),
    ("mute", "silent"),
    ("times", "repeats"),
    ("subdivision", "every"),
    ("subdivisions", "every"),
    ("countin", "count_in"),
    ("count", "count_in"),
    ("upbeat", "pickup"),
    ("fermata", "hold"),
    ("sections", "section"),
    ("songs", "song"),
    ("comment", "note"),
    ("frequency", "hertz"),
    ("pitch", "hertz"),
    ("sample_rate", "rate"),
    ("buffer", "block"),
    ("limit", "ceiling"),
    ("policy", "give_back"),
    ("fps", "frames"),
    ("ltc", "timecode"),
    ("role", "machine"),
    ("polarity", "inverted"),
    ("phase", "inverted"),
    ("threshold", "above"),
    ("delay", "delay_ms"),
    ("delay", "safety_delay_ms"),
    ("safety_delay", "safety_delay_ms"),
    ("tolerance", "tolerance_ms"),
];

impl Shape {
    pub(crate) fn key(&self, name: &str) -> Option<&'static Key> {
        self.keys.iter().find(|key| key.name == name)
    }

    fn list(&self) -> String {
        self.keys.iter().map(|key| key.name).collect::<Vec<_>>().join(", ")
    }

    /// The fault of a key that this table does not know, and the index of the key that was meant.
    pub(super) fn unknown(&self, name: &str) -> (Wrong, Option<usize>) {
        let shown = super::fault::quote(name);
        let what = format!("`{shown}` is no key of {}", self.name);
        let lower = name.to_lowercase().replace('-', "_");
        let meant = OTHER_WORDS.iter().find(|(word, key)| *word == lower && self.key(key).is_some());
        let near =
            meant.map(|(_, key)| *key).or_else(|| nearest(&lower, self.keys.iter().map(|key| key.name)));
        let mend = match near.and_then(|key| self.key(key)) {
            Some(key) => format!("did you mean `{}`? Write for example: {}", key.name, key.example),
            None => format!("take `{shown}` out"),
        };
        let index = near.and_then(|near| self.keys.iter().position(|key| key.name == near));
        (Wrong::new(what, self.list(), mend), index)
    }
}

/// The nearest of some words, when it is near enough to be a slip of the hand.
pub(super) fn nearest<'w>(text: &str, words: impl Iterator<Item = &'w str>) -> Option<&'w str> {
    if text.len() > 64 {
        return None;
    }
    let lower = text.to_lowercase();
    let words: Vec<&str> = words.collect();
    let mut begun = words.iter().filter(|word| begins_alike(&lower, &word.to_lowercase()));
    if let (Some(word), None) = (begun.next(), begun.next()) {
        return Some(word);
    }
    let scored = words.iter().map(|word| (strsim::damerau_levenshtein(&lower, &word.to_lowercase()), *word));
    let (distance, word) = scored.min_by_key(|(distance, _)| *distance)?;
    let most = (word.chars().count().max(lower.chars().count()) / 3).max(1);
    (distance <= most).then_some(word)
}

/// One begins with all of the other ("talking", "talk").
fn begins_alike(one: &str, other: &str) -> bool {
    one.len().min(other.len()) >= 3 && (one.starts_with(other) || other.starts_with(one))
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeSet;
    use toml::de::{DeTable, DeValue};

    /// The shape of what a key holds, and whether names lie between.
    fn child(shape: &'static Shape, key: &str) -> Option<(&'static Shape, bool)> {
        let found: (&'static Shape, bool) = match (shape.name, key) {
            ("a show", "click") => (&CLICK, true),
            ("a show", "sound") => (&SOUND, true),
            ("a show", "input") => (&INPUT, true),
            ("a show", "feed") => (&FEED, true),
            ("a show", "ears") => (&EARS, false),
            ("a show", "ride") => (&RIDE, false),
            ("an input", "compress") => (&COMPRESS, false),
            ("a show", "failover") => (&FAILOVER, false),
            ("[failover]", "latch") => (&LATCH, false),
            ("a show", "song") => (&SONG, false),
            ("a song", "click") => (&SONG_CLICK, true),
            ("a song", "section") => (&SECTION, false),
            ("a song", "count_in") => (&COUNT_IN, false),
            ("a section", "click") => (&SECTION_CLICK, true),
            ("a section", "metre_changes") => (&METRE_CHANGE, false),
            ("a section", "tempo_moves") => (&TEMPO_MOVE, false),
            ("a feed", "hears") => (&HEARS, true),
            ("a sound", _) => (&SYNTH, false),
            (_, "levels") => (&LEVELS, false),
            (_, "swing") => (&SWING, false),
            (_, "fade") => (&FADE, false),
            (_, "stream") => (&STREAM, false),
            (_, "fallback") => (&FALLBACK, false),
            ("a rig", "interface" | "spare") => (&INTERFACE, false),
            ("a rig", "fold") => (&FOLD, false),
            ("a rig", "timecode") => (&TIMECODE, false),
            ("a rig", "main") => (&MAIN, false),
            ("a rig", "return") => (&RETURN, false),
            ("a rig", "loop") => (&LOOP, false),
            ("a rig", "second") => (&SECOND, false),
            ("a rig", "exposure") => (&EXPOSURE, true),
            _ => return None,
        };
        Some(found)
    }

    fn collect(table: &DeTable<'_>, shape: &'static Shape, seen: &mut BTreeSet<(String, String)>) {
        for (key, value) in table {
            seen.insert((shape.name.into(), key.get_ref().to_string()));
            let Some((inner, named)) = child(shape, key.get_ref()) else { continue };
            let mut tables = Vec::new();
            flatten(value.get_ref(), named, &mut tables);
            tables.iter().for_each(|table| collect(table, inner, seen));
        }
    }

    fn flatten<'v, 't>(value: &'v DeValue<'t>, named: bool, out: &mut Vec<&'v DeTable<'t>>) {
        match value {
            DeValue::Table(table) if named => {
                table.values().for_each(|inner| flatten(inner.get_ref(), false, out))
            }
            DeValue::Table(table) => out.push(table),
            DeValue::Array(list) => list.iter().for_each(|inner| flatten(inner.get_ref(), named, out)),
            _ => {}
        }
    }

    fn keys_in(file: &str, shape: &'static Shape) -> BTreeSet<(String, String)> {
        let text = std::fs::read_to_string(format!("fixtures/show/good/{file}")).expect("fixture");
        let mut seen = BTreeSet::new();
        collect(DeTable::parse(&text).expect("good TOML").get_ref(), shape, &mut seen);
        seen
    }

    #[test]
    fn every_key_stands_in_a_good_example() {
        let mut seen = keys_in("everything.toml", &SHOW);
        seen.extend(keys_in("rig_everything.toml", &RIG));
        seen.extend(keys_in("rig_main.toml", &RIG));
        let shapes = [
            &SHOW,
            &CLICK,
            &FALLBACK,
            &SONG_CLICK,
            &SECTION_CLICK,
            &LEVELS,
            &SWING,
            &FADE,
            &STREAM,
            &SOUND,
            &SYNTH,
            &INPUT,
            &FEED,
            &HEARS,
            &EARS,
            &RIDE,
            &COMPRESS,
            &FAILOVER,
            &LATCH,
            &SONG,
            &COUNT_IN,
            &SECTION,
            &METRE_CHANGE,
            &TEMPO_MOVE,
            &RIG,
            &INTERFACE,
            &FOLD,
            &TIMECODE,
            &MAIN,
            &RETURN,
            &LOOP,
        ];
        let known = shapes.iter().flat_map(|shape| shape.keys.iter().map(|key| (shape.name, key.name)));
        let missing: Vec<_> =
            known.filter(|(shape, key)| !seen.contains(&((*shape).into(), (*key).into()))).collect();
        assert!(missing.is_empty(), "no good example of {missing:?}");
    }

    /// What a message tells somebody to write must itself be right TOML with that very key.
    #[test]
    fn every_example_is_toml_with_its_key() {
        let shapes = [
            &SHOW,
            &CLICK,
            &FALLBACK,
            &SONG_CLICK,
            &SECTION_CLICK,
            &LEVELS,
            &SWING,
            &FADE,
            &STREAM,
            &SOUND,
            &SYNTH,
            &INPUT,
            &FEED,
            &HEARS,
            &EARS,
            &FAILOVER,
            &LATCH,
            &SONG,
            &COUNT_IN,
            &SECTION,
            &METRE_CHANGE,
            &TEMPO_MOVE,
            &RIG,
            &INTERFACE,
            &FOLD,
            &TIMECODE,
            &MAIN,
            &RETURN,
            &LOOP,
            &EXPOSURE,
        ];
        for (shape, key) in shapes.iter().flat_map(|shape| shape.keys.iter().map(move |key| (shape, key))) {
            let table = DeTable::parse(key.example).expect(key.example);
            let mentions = key.example.contains(key.name);
            assert!(mentions && !table.get_ref().is_empty(), "{} of {}", key.name, shape.name);
        }
    }

    #[test]
    fn slips_and_other_words_lead_to_the_key_that_was_meant() {
        for (shape, written, meant) in [
            (&SONG, "temop", "tempo"),
            (&SONG, "bpm", "tempo"),
            (&SONG, "time-signature", "metre"),
            (&SONG, "Titel", "title"),
            (&SECTION, "title", "name"),
            (&CLICK, "volume", "level"),
            (&SHOW, "songs", "song"),
        ] {
            let mend = shape.unknown(written).0.mend;
            assert!(mend.contains(&format!("`{meant}`")), "{written}: {mend}");
        }
        assert_eq!(SONG.unknown("lighting_cue").0.mend, "take `lighting_cue` out");
    }
}
