//! Addresses of timecode: each song has a slot of its own, and what two machines must have in common of a song.

use super::fault::{Fault, Lines};
use super::model::{Show, Song};
use super::walk::Wrong;
use sha2::{Digest, Sha256};
use std::path::PathBuf;

/// Songs that can have an hour each; hour 0 belongs to no song.
const HOURS: usize = 23;
/// Slots of ten minutes; the first belongs to no song.
const TENS: usize = 143;
const DAY: u32 = 86_400;
/// Addresses below this say that no song plays.
const FIRST: u32 = 600;
/// Room that is left after a song, when a slot is proposed.
const SPARE: u32 = 60;

/// The usual length of a slot in seconds: an hour up to 23 songs, ten minutes above.
pub fn usual(show: &Show) -> u32 {
    let last = show.songs.iter().map(|song| song.number).max().unwrap_or(0);
    if last <= HOURS { 3600 } else { 600 }
}

/// Where a song's addresses begin, in counted seconds from 00:00:00:00.
pub fn base_seconds(show: &Show, song: &Song) -> u32 {
    song.timecode.unwrap_or_else(|| (song.number as u32).saturating_mul(usual(show)) % DAY)
}

/// A song's slot: where its addresses begin, and how far the next song's or the day's end is, both in counted
/// seconds. Edges: room 0 when another song begins at the same address.
pub fn slot_of(show: &Show, song: &Song) -> (u32, u32) {
    let base = base_seconds(show, song);
    (base, next(show, song).map_or(DAY, |(start, _)| start) - base)
}

fn has_slot(song: &Song) -> bool {
    song.number <= TENS || song.timecode.is_some()
}

/// The song whose slot follows, and where that begins.
fn next<'s>(show: &'s Show, song: &Song) -> Option<(u32, &'s Song)> {
    let base = base_seconds(show, song);
    let others = show.songs.iter().filter(|other| other.number != song.number && has_slot(other));
    let later = others.map(|other| (base_seconds(show, other), other)).filter(|(start, _)| *start >= base);
    later.min_by_key(|(start, _)| *start)
}

/// What does not fit where timecode is sent or followed, in the order of the songs.
///
/// `seconds` of a song as it is written: repeats counted, vamps once.
pub fn faults(show: &Show, seconds: impl Fn(&Song) -> f64) -> Vec<Fault> {
    let lines = Lines::new(&show.text);
    let faulty = show.songs.iter().filter_map(|song| Some((song, wrong(show, song, seconds(song))?)));
    let place = |(song, (wrong, found)): (&Song, (Wrong, String))| {
        let start = lines.start(song.line);
        Fault {
            line: song.line,
            column: 1,
            span: start..(start + "[[song]]".len()).min(show.text.len()),
            what: wrong.what,
            found,
            allowed: wrong.allowed,
            mend: wrong.mend,
            song: Some(song.title.clone()),
        }
    };
    faulty.map(place).collect()
}

/// What is wrong with a song's slot, and what was found.
fn wrong(show: &Show, song: &Song, seconds: f64) -> Option<(Wrong, String)> {
    let ((base, room), title) = (slot_of(show, song), &song.title);
    if !has_slot(song) {
        let what = format!("{title} has no slot of timecode left");
        let allowed = format!("{TENS} songs of ten minutes, or a timecode of its own");
        let mend = "write for example timecode = \"23:55:00\" in it";
        return Some((Wrong::new(what, allowed, mend), format!("song {}", song.number)));
    }
    if base < FIRST {
        let what = format!("{title} lies where timecode says that no song plays");
        let allowed = format!("{} or later", shown(FIRST));
        let mend = format!("write timecode = \"{}\", or later", shown(FIRST));
        return Some((Wrong::new(what, allowed, mend), shown(base)));
    }
    if let Some((_, other)) = next(show, song).filter(|_| room == 0) {
        let what = format!("{title} begins at the timecode of {}", other.title);
        let mend = "give one of them another timecode";
        return Some((Wrong::new(what, "another timecode for each song", mend), shown(base)));
    }
    if seconds < f64::from(room) {
        return None;
    }
    let what = format!("{title} is longer than its slot of timecode");
    let allowed = format!("less than {}, from {}", shown(room), shown(base));
    let found = format!("{} as written, vamps once", shown(seconds as u32));
    Some((Wrong::new(what, allowed, longer(show, song, base, seconds)), found))
}

/// How a song gets a slot that is long enough.
fn longer(show: &Show, song: &Song, base: u32, seconds: f64) -> String {
    let end = f64::from(base) + seconds + f64::from(SPARE);
    match next(show, song) {
        Some((_, other)) if end < f64::from(DAY) => {
            format!("write timecode = \"{}\" or later in {}", shown(end as u32), other.title)
        }
        _ => format!("write an earlier timecode in {}", song.title),
    }
}

/// "01:00:00".
pub fn shown(seconds: u32) -> String {
    format!("{:02}:{:02}:{:02}", seconds / 3600 % 24, seconds / 60 % 60, seconds % 60)
}

/// Of everything that makes a song's clicks and the place of its addresses; not of its title, notes, the file's
/// layout, or what sounds and their files are called. A click track that is streamed is left out: a machine that follows
/// makes that click itself. `sounds`: what the song's sounds are, in the order of its parts. Equal on two machines that
/// run the same version.
pub fn digest(show: &Show, song: &Song, sounds: &[u64]) -> u32 {
    let sections = song.sections.iter().map(|section| {
        let super::model::Section { bars, repeats, vamp, hold, tempo, moves, parts, .. } = section;
        let parts = parts.iter().map(|part| super::model::Part { sound: 0, ..part.clone() });
        format!("{bars:?}{repeats}{vamp}{hold}{tempo:?}{moves:?}{:?}", parts.collect::<Vec<_>>())
    });
    let clicks = show.clicks.iter().map(|click| format!("{}{}", click.name, click.separate_fallback));
    let count_in = song.count_in.as_ref().map(|count_in| super::model::CountIn {
        voice: count_in.voice.as_ref().map(|files| vec![PathBuf::new(); files.len()]),
        ..count_in.clone()
    });
    let text = format!(
        "{}{}{sounds:?}{count_in:?}{:?}{:?}{}{}",
        base_seconds(show, song),
        show.ceiling.0,
        song.pickup,
        song.click_ranges,
        sections.collect::<String>(),
        clicks.collect::<String>(),
    );
    let bytes = Sha256::digest(text.as_bytes());
    bytes.iter().take(4).fold(0, |digest, byte| digest << 8 | u32::from(*byte))
}

/// "01:00:00" or "01:00:00:00" as seconds. Errors: a sentence.
pub(super) fn parse(text: &str) -> Result<u32, String> {
    let parts: Option<Vec<u32>> = text
        .split([':', ';'])
        .map(|part| part.parse().ok().filter(|_| (1..=2).contains(&part.len()) && !part.starts_with('+')))
        .collect();
    match parts.as_deref() {
        Some(
            [hours @ 0..24, minutes @ 0..60, seconds @ 0..60]
            | [hours @ 0..24, minutes @ 0..60, seconds @ 0..60, 0],
        ) => Ok(hours * 3600 + minutes * 60 + seconds),
        Some([_, _, _, frames]) if *frames > 0 => Err("a slot begins on a whole second".into()),
        _ => Err("no timecode address".into()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::path::Path;

    fn show(text: &str) -> Show {
        let reading = crate::show::parse_show(text, "test.toml", Path::new("."));
        reading.show.unwrap_or_else(|| panic!("{:?}", reading.faults))
    }

    fn songs(count: usize, bars: u32) -> String {
        let song =
            |n| format!("[[song]]\ntitle = \"Song {n}\"\ntempo = 120\nmetre = \"4/4\"\nbars = {bars}\n");
        format!(
            "show = \"Saltmarsh Five\"\n[click.drums]\nevery = \"beats\"\n{}",
            (1..=count).map(song).collect::<String>()
        )
    }

    /// Bars of 4/4 at 120 last two seconds each.
    fn told(show: &Show) -> Vec<(usize, String, String)> {
        let found = faults(show, |song| 2.0 * song.sections[0].bars.len() as f64);
        found.into_iter().map(|fault| (fault.line, fault.what, fault.mend)).collect()
    }

    #[test]
    fn a_song_has_an_hour_up_to_23_songs_and_ten_minutes_above() {
        let hours = show(&songs(23, 8));
        assert_eq!(slot_of(&hours, &hours.songs[0]), (3600, 3600));
        assert_eq!(slot_of(&hours, &hours.songs[22]), (23 * 3600, 3600));
        let tens = show(&songs(24, 8));
        assert_eq!(slot_of(&tens, &tens.songs[23]), (24 * 600, DAY - 24 * 600));
        assert_eq!((told(&hours), told(&tens), told(&show(&songs(23, 301)))), (vec![], vec![], vec![]));
    }

    #[test]
    fn a_song_longer_than_its_slot_is_told_with_the_next_songs_new_place() {
        let long = show(&songs(24, 300));
        let found = told(&long);
        // The last song has the rest of the day; ten minutes to the second are too long, and a minute is left.
        assert_eq!(found.len(), 23);
        let (line, what, mend) = &found[0];
        assert_eq!((*line, what.as_str()), (4, "Song 1 is longer than its slot of timecode"));
        assert_eq!(mend, "write timecode = \"00:21:00\" or later in Song 2");
        assert_eq!(told(&show(&songs(24, 299))), []);
        let late = songs(2, 300).replace("title = \"Song 2\"", "title = \"Song 2\"\ntimecode = \"23:50:00\"");
        let (line, _, mend) = told(&show(&late)).remove(0);
        assert_eq!((line, mend.as_str()), (9, "write an earlier timecode in Song 2"));
    }

    #[test]
    fn slots_that_are_taken_reserved_or_used_up_are_told() {
        let at = |address: &str| {
            songs(2, 8)
                .replace("title = \"Song 2\"", &format!("title = \"Song 2\"\ntimecode = \"{address}\""))
        };
        let whats = |text: &str| told(&show(text)).into_iter().map(|(_, what, _)| what).collect::<Vec<_>>();
        let twice = ["Song 1 begins at the timecode of Song 2", "Song 2 begins at the timecode of Song 1"];
        assert_eq!(whats(&at("01:00:00")), twice);
        assert_eq!(whats(&at("00:09:59")), ["Song 2 lies where timecode says that no song plays"]);
        assert_eq!(whats(&at("00:10:00:00")), Vec::<String>::new());
        assert_eq!(whats(&at("01:00:15")), ["Song 1 is longer than its slot of timecode"]);
        assert_eq!(whats(&songs(143, 8)), Vec::<String>::new());
        assert_eq!(
            whats(&songs(145, 8)),
            ["Song 144 has no slot of timecode left", "Song 145 has no slot of timecode left"]
        );
    }

    #[test]
    fn an_address_is_a_whole_second_of_a_day() {
        assert_eq!(
            (parse("01:02:03"), parse("23:59:59:00"), parse("1:2:3")),
            (Ok(3723), Ok(86_399), Ok(3723))
        );
        assert_eq!(parse("01:00:00;00"), Ok(3600));
        assert!(parse("01:00:00:12").unwrap_err().contains("whole second"));
        for text in [
            "",
            "1",
            "01:00",
            "24:00:00",
            "00:60:00",
            "00:00:60",
            "a:b:c",
            "01:00:00:00:00",
            "001:00:00",
            "-1:00:00",
            "+1:00:00",
        ] {
            assert_eq!(parse(text), Err("no timecode address".into()), "{text}");
        }
    }

    #[test]
    fn a_digest_is_of_what_sounds_and_of_nothing_else() {
        let text = songs(2, 8);
        let one = show(&text);
        let noted = show(&text.replace("title = \"Song 1\"", "title = \"Low Tide\"\nnote = \"Wren counts\""));
        let faster = show(&text.replacen("tempo = 120", "tempo = 121", 1));
        let digest = |show: &Show, song: usize| digest(show, &show.songs[song], &[]);
        assert_eq!(digest(&one, 0), digest(&noted, 0));
        assert_ne!(digest(&one, 0), digest(&faster, 0));
        assert_eq!(digest(&one, 1), digest(&faster, 1));
        assert_ne!(digest(&one, 0), digest(&one, 1), "the place of its addresses");
    }

    /// What two laptops would say of their first song.
    fn said(text: &str, folder: &Path) -> u32 {
        let reading = crate::show::parse_show(text, "test.toml", folder);
        let show = reading.show.unwrap_or_else(|| panic!("{:?}", reading.faults));
        let rate = crate::units::SampleRate::standard();
        crate::click::prepare::prepare(&show, rate).unwrap().set.songs[0].said.digest
    }

    #[test]
    fn a_digest_is_of_what_a_sound_is_and_not_of_what_it_is_called() {
        let folder = tempfile::tempdir().unwrap();
        let bell = |name: &str, level: i16| {
            let spec = hound::WavSpec {
                channels: 1,
                sample_rate: 44_100,
                bits_per_sample: 16,
                sample_format: hound::SampleFormat::Int,
            };
            let mut wav = hound::WavWriter::create(folder.path().join(name), spec).unwrap();
            (0..4000i16).for_each(|n| wav.write_sample(level - level / 4000 * n).unwrap());
            wav.finalize().unwrap();
        };
        bell("bell.wav", 12_000);
        bell("same.wav", 12_000);
        bell("softer.wav", 8_000);
        let with = |table: &str, sound: &str| {
            let text =
                songs(1, 8).replace("every = \"beats\"", &format!("every = \"beats\"\nsound = \"{sound}\""));
            said(&text.replace("[click.drums]", &format!("{table}\n[click.drums]")), folder.path())
        };
        let one = with("[sound.kelp]\nbeat = \"bell.wav\"", "kelp");
        assert_eq!(
            one,
            with("[sound.tern]\nbeat = \"softer.wav\"\n[sound.mussel]\nbeat = \"same.wav\"", "mussel")
        );
        assert_ne!(one, with("[sound.kelp]\nbeat = \"softer.wav\"", "kelp"));
        let made = |hertz: &str| with(&format!("[sound.kelp]\nbeat = {{ hertz = {hertz} }}"), "kelp");
        assert_eq!(made("900"), made("900.0"));
        assert_ne!(made("900"), made("901"));
    }
}
