//! The night as the player's keys see it: songs, sections, count-ins and tempi in words and exact numbers.

use super::model::SongLine;
use crate::click::set::{LegKind, Set, SongPlan};
use crate::show::model::{Show, Song, SongKind, Tempo};
use crate::units::{SampleRate, Whole};
use num_rational::Ratio;

/// Everything about the set that does not change while it is played.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Programme {
    pub show: String,
    /// Frames a second, for shifts by milliseconds; 0 is taken as 48,000.
    pub rate_hertz: u32,
    pub songs: Vec<Entry>,
    /// Names of the clicks, in the order of their numbers.
    pub clicks: Vec<String>,
}

/// One song of the set.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Entry {
    /// As printed on paper; 0: its place in this list.
    pub number: usize,
    pub title: String,
    pub note: String,
    pub kind: Kind,
    pub encore: bool,
    pub segue: bool,
    /// "two bars of count-in", "no count-in".
    pub count_in: String,
    pub tempo: Option<Written>,
    /// As the engine plays them; empty for a talk spot.
    pub legs: Vec<LegEntry>,
}

#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Kind {
    #[default]
    Click,
    NoClick,
    Talk,
}

/// A song's first tempo as the file has it.
#[derive(Clone, Debug, PartialEq)]
pub struct Written {
    pub tempo: Tempo,
    /// The line it stands in, from 1, and its text; `None` when it was not found.
    pub line: Option<(usize, String)>,
    /// The song has other tempi, too.
    pub moves: bool,
}

#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LegEntry {
    pub name: String,
    pub kind: LegKind,
    pub section: u16,
    pub pass: u16,
    pub first_bar: i32,
    pub vamp: bool,
    pub hold: bool,
    /// At its first bar, as written.
    pub tempo: Option<Tempo>,
}

impl Entry {
    /// The start key can make it sound.
    pub fn plays(&self) -> bool {
        self.kind == Kind::Click && !self.legs.is_empty()
    }

    fn remark(&self) -> &'static str {
        match self.kind {
            Kind::Talk => "talk",
            Kind::NoClick => "no click",
            Kind::Click if self.legs.is_empty() => "no click",
            Kind::Click => "",
        }
    }

    /// The sections one can go to, as (leg, words): the first pass of each.
    pub fn sections(&self) -> Vec<(usize, String)> {
        let legs = self.legs.iter().enumerate();
        let firsts = legs.filter(|(_, leg)| leg.kind == LegKind::Section && leg.pass == 0);
        firsts.map(|(index, leg)| (index, format!("{}, bar {}", leg.name, leg.first_bar))).collect()
    }
}

impl Entry {
    /// The number to show for the entry at `index`.
    pub fn shown(&self, index: usize) -> usize {
        if self.number == 0 { index + 1 } else { self.number }
    }
}

impl Programme {
    /// Songs of show and set have the same index.
    pub fn of(show: &Show, set: &Set) -> Programme {
        let songs = show.songs.iter().zip(&set.songs).map(|(song, plan)| entry(&show.text, song, plan));
        Programme {
            show: show.title.clone(),
            rate_hertz: set.rate.hertz(),
            songs: songs.collect(),
            clicks: show.clicks.iter().map(|click| click.name.clone()).collect(),
        }
    }

    pub fn rate(&self) -> SampleRate {
        SampleRate::new(self.rate_hertz).unwrap_or(SampleRate::standard())
    }

    /// "3 Low Tide".
    pub fn name(&self, song: usize) -> String {
        match self.songs.get(song) {
            Some(entry) => format!("{} {}", entry.shown(song), entry.title),
            None => format!("song {}", song + 1),
        }
    }

    /// The song with a number as printed.
    pub fn numbered(&self, number: usize) -> Option<usize> {
        self.songs.iter().enumerate().position(|(index, entry)| entry.shown(index) == number)
    }

    /// The next song in set order, passing over those that were skipped.
    pub fn after(&self, song: usize, skipped: &[bool]) -> Option<usize> {
        let passed = |index: usize| skipped.get(index).copied().unwrap_or(false);
        (song + 1..self.songs.len()).find(|index| !passed(*index))
    }

    /// The set list as the screen shows it, with the tempi of tonight.
    pub fn lines(&self, tonight: impl Fn(usize) -> Option<Ratio<i64>>) -> Vec<SongLine> {
        let line = |(index, entry): (usize, &Entry)| SongLine {
            number: entry.number,
            title: entry.title.clone(),
            tempo: entry.tempo.as_ref().map(|tempo| tempo.words(tonight(index))).unwrap_or_default(),
            note: entry.note.clone(),
            encore: entry.encore,
            segue: entry.segue,
            remark: entry.remark().into(),
        };
        self.songs.iter().enumerate().map(line).collect()
    }
}

impl Written {
    /// "♩ = 132", or what tonight makes of it.
    pub fn words(&self, tonight: Option<Ratio<i64>>) -> String {
        tempo_words(self.tempo.note, tonight.unwrap_or(self.tempo.per_minute))
    }
}

/// "♩ = 132".
pub(super) fn tempo_words(note: Whole, per_minute: Ratio<i64>) -> String {
    format!("{} = {}", note_words(note), decimal(per_minute))
}

fn entry(text: &str, song: &Song, plan: &SongPlan) -> Entry {
    let bars = song.count_in.as_ref().map_or(0, |count_in| count_in.bars.len());
    Entry {
        number: song.number,
        title: song.title.clone(),
        note: song.note.clone(),
        kind: match song.kind {
            SongKind::Click => Kind::Click,
            SongKind::NoClick => Kind::NoClick,
            SongKind::Talk => Kind::Talk,
        },
        encore: song.encore,
        segue: song.segue,
        count_in: count_in_words(bars),
        tempo: written(text, song),
        legs: plan.legs.iter().map(|plan| leg(song, plan)).collect(),
    }
}

fn leg(song: &Song, leg: &crate::click::set::Leg) -> LegEntry {
    LegEntry {
        tempo: song.sections.get(usize::from(leg.section)).map(|section| section.tempo),
        name: leg.section_name.to_string(),
        kind: leg.kind,
        section: leg.section,
        pass: leg.pass,
        first_bar: leg.first_bar,
        vamp: leg.vamp,
        hold: leg.hold,
    }
}

fn written(text: &str, song: &Song) -> Option<Written> {
    let first = song.sections.first()?.tempo;
    let moves = song.sections.iter().any(|section| section.tempo != first || !section.moves.is_empty());
    Some(Written { tempo: first, line: tempo_line(text, song.line), moves })
}

/// The first line from `from` on that sets a tempo, before the next table of the same rank.
fn tempo_line(text: &str, from: usize) -> Option<(usize, String)> {
    let lines = text.lines().enumerate().skip(from.saturating_sub(1));
    let own = lines
        .enumerate()
        .take_while(|(nth, (_, line))| *nth == 0 || !line.trim_start().starts_with("[[song]]"));
    let mut tempi = own.map(|(_, line)| line).filter(|(_, line)| line.contains("tempo"));
    tempi.next().map(|(index, line)| (index + 1, line.trim().to_string()))
}

pub(super) fn count_in_words(bars: usize) -> String {
    match bars {
        0 => "no count-in".into(),
        1 => "one bar of count-in".into(),
        2 => "two bars of count-in".into(),
        3 => "three bars of count-in".into(),
        4 => "four bars of count-in".into(),
        more => format!("{more} bars of count-in"),
    }
}

/// A note value as musicians write it, where a sign for it is common.
fn note_words(note: Whole) -> String {
    match (*note.numer(), *note.denom()) {
        (1, 4) => "♩".into(),
        (3, 8) => "♩.".into(),
        (1, 8) => "♪".into(),
        (3, 16) => "♪.".into(),
        (over, under) => format!("{over}/{under}"),
    }
}

/// At most two decimals, no trailing zeros. Rounding: to the nearest hundredth.
pub(super) fn decimal(value: Ratio<i64>) -> String {
    let hundredths = (value * 100).round().to_integer();
    let text = format!("{}.{:02}", hundredths / 100, hundredths % 100);
    text.trim_end_matches('0').trim_end_matches('.').to_string()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::click::set::{Grid, Leg};
    use crate::show::model::{CountIn, Metre, Section};
    use crate::units::Span;
    use std::sync::Arc;

    #[test]
    fn a_tempo_is_written_without_trailing_zeros() {
        assert_eq!(decimal(Ratio::new(132, 1)), "132");
        assert_eq!(decimal(Ratio::new(1373, 10)), "137.3");
        assert_eq!(decimal(Ratio::new(400, 3)), "133.33");
        assert_eq!(decimal(Ratio::new(120, 1)), "120");
    }

    fn leg_plan(kind: LegKind) -> crate::click::set::Leg {
        let grid = Grid { length: Span(0), hits: Box::new([]), beats: Box::new([]) };
        Leg {
            kind,
            section: 0,
            section_name: "Verse".into(),
            pass: 0,
            grid: Arc::new(grid),
            first_bar: 1,
            vamp: false,
            hold: false,
            count_in: None,
            ambient: None,
            written: Span(0),
        }
    }

    fn song() -> Song {
        let metre = Metre { groups: vec![1; 4], unit: 4 };
        let section = Section {
            name: "Verse".into(),
            bars: vec![metre.clone(); 8],
            repeats: 1,
            vamp: false,
            hold: false,
            tempo: Tempo { note: Ratio::new(3, 8), per_minute: Ratio::new(881, 10) },
            moves: vec![],
            parts: vec![],
            ambient: None,
        };
        let count_in = CountIn {
            bars: vec![metre.clone(), metre],
            counts: vec![],
            clicks: vec![],
            voice: None,
            voice_level: crate::units::Decibels(0.0),
        };
        Song {
            title: "Slack Water".into(),
            note: "band starts".into(),
            kind: SongKind::Click,
            encore: true,
            timecode: None,
            segue: false,
            count_in: Some(count_in),
            pickup: Ratio::new(0, 1),
            sections: vec![section],
            number: 1,
            click_ranges: vec![],
            streams: vec![],
            line: 3,
        }
    }

    #[test]
    fn a_song_of_show_and_set_becomes_words() {
        let text = "title = \"x\"\n\n[[song]]\ntitle = \"Slack Water\"\ntempo = \"♩. = 88.1\"\n";
        let legs = vec![leg_plan(LegKind::CountIn), leg_plan(LegKind::Section)];
        let plan = SongPlan {
            said: Default::default(),
            title: "Slack Water".into(),
            legs,
            segue: false,
            encore: true,
            first_section_leg: 1,
            streams: vec![],
        };
        let entry = entry(text, &song(), &plan);
        assert!(entry.plays());
        assert_eq!(entry.count_in, "two bars of count-in");
        let tempo = entry.tempo.clone().expect("a tempo");
        assert_eq!(tempo.words(None), "♩. = 88.1");
        assert_eq!(tempo.line, Some((5, "tempo = \"♩. = 88.1\"".into())));
        assert_eq!(entry.sections(), [(1, "Verse, bar 1".to_string())]);
    }

    #[test]
    fn the_tempo_line_belongs_to_the_song() {
        let text = "[[song]]\ntitle = \"A\"\n\n[[song]]\ntitle = \"B\"\ntempo = 132\n";
        assert_eq!(tempo_line(text, 1), None);
        assert_eq!(tempo_line(text, 4), Some((6, "tempo = 132".into())));
        assert_eq!(tempo_line(text, 99), None);
    }
}
