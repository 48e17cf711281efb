//! Addresses of timecode: each song has a slot of its own, and what two machines must have in common of a song.

use super::fault::{Fault, Lines};
use super::model::{Show, Song};
use sha2::{Digest, Sha256};

/// Songs that can have an hour each; hour 0 belongs to no song.
const HOURS: usize = 23;
/// Slots of ten minutes; the first belongs to no song.
const TENS: usize = 143;
const DAY: u32 = 86_400;

/// The usual length of a slot in seconds: an hour up to 23 songs, ten minutes above.
pub fn usual(show: &Show) -> u32 {
    let last = show.songs.iter().map(|song| song.number).max().unwrap_or(0);
    if last <= HOURS { 3600 } else { 600 }
}

/// Where a song's addresses begin, in counted seconds from 00:00:00:00.
pub fn base_seconds(show: &Show, song: &Song) -> u32 {
    song.timecode.unwrap_or_else(|| (song.number as u32).saturating_mul(usual(show)) % DAY)
}

/// Seconds until the next song's slot, or the end of the day.
fn room(show: &Show, song: &Song) -> u32 {
    let base = base_seconds(show, song);
    let others = show.songs.iter().filter(|other| other.number != song.number);
    let next = others.map(|other| base_seconds(show, other)).filter(|other| *other >= base).min();
    next.unwrap_or(DAY) - base
}

/// What does not fit where timecode is sent or followed, in the order of the songs.
///
/// `seconds` of a song as it is written: repeats counted, vamps once.
pub fn faults(show: &Show, seconds: impl Fn(&Song) -> f64) -> Vec<Fault> {
    let lines = Lines::new(&show.text);
    let mut faults = Vec::new();
    for song in &show.songs {
        let (base, room) = (base_seconds(show, song), room(show, song));
        let length = seconds(song);
        let (what, found, mend) = if song.number > TENS && song.timecode.is_none() {
            let what = format!("{} has no slot of timecode left", song.title);
            (what, format!("song {}", song.number), "write timecode = \"hh:mm:ss\" in its songs".to_string())
        } else if base < 600 {
            let what =
                format!("the first ten minutes of timecode belong to no song, {} is there", song.title);
            (what, shown(base), "write a timecode of 00:10:00 or later".to_string())
        } else if room == 0 {
            let what = format!("{} begins on another song's timecode", song.title);
            (what, shown(base), "give one of them another timecode".to_string())
        } else if length >= f64::from(room) {
            let what = format!("{} is longer than its slot of timecode", song.title);
            let mend = format!(
                "write timecode = \"{}\" for the song after it, or later",
                shown(base + length as u32 + 60)
            );
            (what, shown(length as u32), mend)
        } else {
            continue;
        };
        let start = lines.start(song.line);
        faults.push(Fault {
            line: song.line,
            column: 1,
            span: start..start + "[[song]]".len().min(show.text.len().saturating_sub(start)),
            what,
            found,
            allowed: format!("{} of it, from {}", shown(room), shown(base)),
            mend,
            song: Some(song.title.clone()),
        });
    }
    faults
}

/// "01:00:00".
pub fn shown(seconds: u32) -> String {
    format!("{:02}:{:02}:{:02}", seconds / 3600 % 24, seconds / 60 % 60, seconds % 60)
}

/// Of everything that makes a song's clicks and the place of its addresses; not of its title, notes or the file's
/// layout. Equal on two machines that run the same version.
pub fn digest(show: &Show, song: &Song) -> u32 {
    let sections = song.sections.iter().map(|section| {
        let super::model::Section { bars, repeats, vamp, hold, tempo, moves, parts, .. } = section;
        format!("{bars:?}{repeats}{vamp}{hold}{tempo:?}{moves:?}{parts:?}")
    });
    let clicks = show.clicks.iter().map(|click| format!("{}{}", click.name, click.separate_fallback));
    let text = format!(
        "{}{:?}{:?}{:?}{}{}",
        base_seconds(show, song),
        song.count_in,
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
        .map(|part| part.parse().ok().filter(|_| (1..=2).contains(&part.len())))
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

    /// Bars of 4/4 at 120 last two seconds each.
    const LENGTH: fn(&Song) -> f64 = |song| 2.0 * song.sections[0].bars.len() as f64;

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

    #[test]
    fn a_song_has_an_hour_up_to_23_songs_and_ten_minutes_above() {
        let hours = show(&songs(23, 8));
        assert_eq!(base_seconds(&hours, &hours.songs[22]), 23 * 3600);
        assert_eq!(faults(&hours, LENGTH), []);
        let tens = show(&songs(24, 8));
        assert_eq!(base_seconds(&tens, &tens.songs[23]), 24 * 600);
        assert_eq!(faults(&tens, LENGTH), []);
        // 301 bars of 4/4 at 120 last ten minutes and two seconds.
        let long = show(&songs(24, 301));
        let found = faults(&long, LENGTH);
        assert!(found[0].what.contains("longer than its slot") && found[0].line == 4, "{found:?}");
        assert_eq!(faults(&show(&songs(23, 301)), LENGTH), []);
    }

    #[test]
    fn a_digest_is_of_what_sounds_and_of_nothing_else() {
        let text = songs(2, 8);
        let one = show(&text);
        let noted = show(&text.replace("title = \"Song 1\"", "title = \"Low Tide\"\nnote = \"Wren counts\""));
        let faster = show(&text.replacen("tempo = 120", "tempo = 121", 1));
        assert_eq!(digest(&one, &one.songs[0]), digest(&noted, &noted.songs[0]));
        assert_ne!(digest(&one, &one.songs[0]), digest(&faster, &faster.songs[0]));
        assert_eq!(digest(&one, &one.songs[1]), digest(&faster, &faster.songs[1]));
        assert_ne!(digest(&one, &one.songs[0]), digest(&one, &one.songs[1]), "the place of its addresses");
    }
}
