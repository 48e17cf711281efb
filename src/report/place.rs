//! Frames to bars, from the show file that a log carries and the placings that it tells.

use crate::click::build::{PlainIndex, build};
use crate::click::set::{Anchor, Grid, Leg, LegKind, Set, Stretch};
use crate::show::model::{InputKind, RideTimes};
use crate::show::parse_show;
use crate::tempo::length::{count_in_seconds, song_seconds};
use crate::units::{Exact, SampleRate, Span};
use serde::Serialize;
use std::path::Path;

/// Where in the music something happened.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
pub struct Place {
    pub song: String,
    pub section: String,
    /// As printed; 0 in a pickup, 0 and below in a count-in. `None`: the log does not say.
    pub bar: Option<i32>,
    pub beat: Option<u16>,
}

/// A pass of a section as a log tells it.
#[derive(Clone, Debug, PartialEq)]
pub struct Placing {
    pub song: u16,
    pub title: String,
    pub leg: u16,
    pub called: bool,
    pub section: String,
    pub bar: i32,
    pub anchor: Option<Anchor>,
}

impl Placing {
    /// `anchor` as the log has it: frames × 2⁴⁸ as a decimal text. What cannot be read leaves no anchor.
    pub fn anchor(text: &str, stretch: (i64, i64)) -> Option<Anchor> {
        let at = Exact(text.parse::<i128>().ok()?);
        let stretch = Stretch { over: stretch.0, under: stretch.1 };
        let sane = stretch.is_positive() && at.0.unsigned_abs() < 1 << 110;
        sane.then_some(Anchor { at, stretch })
    }
}

/// A song of the set list.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Planned {
    pub title: String,
    /// As written: repeats counted, vamps once, count-in included.
    pub seconds: f64,
    /// Of the count-in, which is left out when the song follows another at once.
    pub count_in_seconds: f64,
    /// It has bars; a talk spot has none.
    pub clicks: bool,
}

/// An input as the show file has it.
#[derive(Clone, Debug, PartialEq)]
pub struct InputSaid {
    pub name: String,
    /// A microphone of the room.
    pub ambient: bool,
    pub trim_db: f64,
    /// With its trim.
    pub in_song_db: f64,
    pub between_db: f64,
}

/// The show of one run.
#[derive(Debug, Default)]
pub struct Places {
    set: Option<Set>,
    pub planned: Vec<Planned>,
    pub inputs: Vec<InputSaid>,
    pub ride: RideTimes,
}

impl Places {
    /// Errors: none; a show that cannot be read any more gives no bars.
    pub fn of(text: &str, rate: SampleRate) -> Places {
        let Some(show) = parse_show(text, "the show in the log", Path::new("")).show else {
            return Places::default();
        };
        let planned = show.songs.iter().map(|song| {
            let first = song.count_in.as_ref().zip(song.sections.first());
            let count_in_seconds =
                first.map_or(0.0, |(count_in, section)| count_in_seconds(count_in, section));
            let seconds = song_seconds(song) + count_in_seconds;
            Planned {
                title: song.title.clone(),
                seconds,
                count_in_seconds,
                clicks: !song.sections.is_empty(),
            }
        });
        let planned = planned.collect();
        let inputs = show.inputs.iter().map(|input| InputSaid {
            name: input.name.clone(),
            ambient: input.kind == InputKind::Ambient,
            trim_db: input.trim.0,
            in_song_db: input.trim.0 + input.in_song.0,
            between_db: input.trim.0 + input.between.0,
        });
        let (inputs, ride) = (inputs.collect(), show.ride);
        Places { set: Some(build(&show, rate, &PlainIndex::default())), planned, inputs, ride }
    }

    /// The level of the room in a section that has one of its own.
    pub fn ambient_db(&self, placing: &Placing) -> Option<f64> {
        let (leg, _) = self.grid(placing)?;
        leg.ambient.map(|gain| 20.0 * f64::from(gain).max(1e-10).log10())
    }

    /// From which frame on the room is asked to open when the music rests at `rest`: a moment after the last hit. A click
    /// that was silent in the last bar is no end: then not before the rest.
    pub fn opens(&self, placing: &Placing, rest: i64) -> Option<i64> {
        let last = self.last_hit(placing, rest)?;
        let opens = last + self.set.as_ref()?.rate.frames(self.ride.after_seconds).0;
        let (anchor, (_, grid)) = placing.anchor.zip(self.grid(placing))?;
        let last_bar = grid.beats.iter().rev().find(|mark| mark.beat == 1)?;
        let is_the_end = last >= anchor.frame(last_bar.local).0;
        Some(if is_the_end { opens } else { opens.max(rest) })
    }

    /// The frame of the last hit of a placing that is not after `until`.
    pub fn last_hit(&self, placing: &Placing, until: i64) -> Option<i64> {
        let (anchor, (_, grid)) = placing.anchor.zip(self.grid(placing))?;
        let hits = grid.hits.iter().rev().map(|hit| anchor.frame(hit.local()).0);
        hits.into_iter().find(|frame| *frame <= until)
    }

    /// The song by its title, whatever its number was that night: first where the log says that it is.
    pub fn song(&self, number: u16, title: &str) -> Option<usize> {
        let at = usize::from(number);
        if self.planned.get(at).is_some_and(|song| song.title == title) {
            return Some(at);
        }
        self.planned.iter().position(|song| song.title == title)
    }

    fn grid(&self, placing: &Placing) -> Option<(&Leg, &Grid)> {
        let song = self.song(placing.song, &placing.title)?;
        let leg = self.set.as_ref()?.songs.get(song)?.legs.get(usize::from(placing.leg))?;
        let grid = if placing.called { leg.count_in.as_deref()? } else { &leg.grid };
        Some((leg, grid))
    }

    /// The bar and beat of a frame in a placing.
    pub fn at(&self, placing: &Placing, frame: i64) -> Place {
        let place =
            Place { song: placing.title.clone(), section: placing.section.clone(), ..Place::default() };
        let found = placing.anchor.zip(self.grid(placing)).and_then(|(anchor, (leg, grid))| {
            let local = anchor.local(Exact(i128::from(frame) << crate::units::FRACTION_BITS));
            let index = grid.beats.partition_point(|beat| beat.local <= local).saturating_sub(1);
            let beat = grid.beats.get(index)?;
            Some((first_bar(placing, leg, grid) + beat.bar as i32, beat.beat))
        });
        match found {
            Some((bar, beat)) => Place { bar: Some(bar), beat: Some(beat), ..place },
            None => place,
        }
    }

    /// The first beat of each bar of a placing: the device frame and the bar's number.
    pub fn bars(&self, placing: &Placing) -> Vec<(i64, i32)> {
        let Some((anchor, (leg, grid))) = placing.anchor.zip(self.grid(placing)) else { return Vec::new() };
        let first = first_bar(placing, leg, grid);
        let firsts = grid.beats.iter().filter(|beat| beat.beat == 1);
        firsts.map(|beat| (anchor.frame(beat.local).0, first + beat.bar as i32)).collect()
    }

    /// The device frame after a placing's last.
    pub fn end(&self, placing: &Placing) -> Option<i64> {
        let (_, grid) = self.grid(placing)?;
        Some(placing.anchor?.frame(Span(grid.length.0)).0)
    }
}

/// A called count-in counts up to 0; so does the one that a song begins with.
fn first_bar(placing: &Placing, leg: &Leg, grid: &Grid) -> i32 {
    match (placing.called, leg.kind) {
        (false, LegKind::CountIn | LegKind::Pickup | LegKind::Section) => leg.first_bar,
        (true, _) => -grid.beats.last().map_or(0, |beat| beat.bar as i32),
    }
}

impl Place {
    /// "bar 12 of Low Tide", "the count-in of Low Tide", "Low Tide".
    pub fn words(&self) -> String {
        match self.bar {
            _ if self.song.is_empty() => "no song".into(),
            Some(bar) if bar >= 1 => format!("bar {bar} of {}", self.song),
            Some(_) if self.section == "pickup" => format!("the pickup of {}", self.song),
            Some(_) => format!("the count-in of {}", self.song),
            None => self.song.clone(),
        }
    }

    /// "verse, bar 12, beat 3" for the line under the sentence.
    pub fn detail(&self) -> String {
        let mut parts = Vec::new();
        if !self.section.is_empty() {
            parts.push(self.section.clone());
        }
        parts.extend(self.bar.map(|bar| format!("bar {bar}")));
        parts.extend(self.beat.map(|beat| format!("beat {beat}")));
        parts.join(", ")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const SHOW: &str = "show = \"s\"\n[click.drums]\nevery = \"beats\"\n[[song]]\ntitle = \"Low Tide\"\ntempo = 120\n\
                        metre = \"4/4\"\ncount_in = 2\n[[song.section]]\nname = \"a\"\nbars = 8\n\
                        [[song.section]]\nname = \"b\"\nbars = 4\nrepeats = 2\n";

    fn placing(leg: u16, at: i64, section: &str) -> Placing {
        Placing {
            song: 0,
            title: "Low Tide".into(),
            leg,
            called: false,
            section: section.into(),
            bar: 1,
            anchor: Placing::anchor(&(i128::from(at) << 48).to_string(), (1, 1)),
        }
    }

    /// At 120 a beat lasts 24,000 frames of 48 kHz, a bar of four 96,000.
    #[test]
    fn a_frame_has_its_bar_and_beat() {
        let places = Places::of(SHOW, SampleRate::standard());
        assert_eq!(places.planned[0].seconds, 2.0 * 2.0 + 16.0 * 2.0);
        let section = placing(2, 1_000_000, "b");
        let at = |frame| places.at(&section, frame);
        assert_eq!((at(1_000_000).bar, at(1_000_000).beat), (Some(9), Some(1)));
        assert_eq!((at(1_096_000 - 1).bar, at(1_096_000 - 1).beat), (Some(9), Some(4)));
        assert_eq!((at(1_096_000 + 24_000).bar, at(1_096_000 + 24_000).beat), (Some(10), Some(2)));
        assert_eq!(at(1_096_000).words(), "bar 10 of Low Tide");
        let count = placing(0, 0, "count-in");
        assert_eq!(places.at(&count, 50_000).words(), "the count-in of Low Tide");
        assert_eq!(places.bars(&section).len(), 4);
        assert_eq!(places.end(&section), Some(1_000_000 + 4 * 96_000));
    }

    #[test]
    fn a_show_that_cannot_be_read_gives_no_bar() {
        let places = Places::of("show = ", SampleRate::standard());
        assert_eq!(
            places.at(&placing(1, 0, "a"), 5),
            Place { song: "Low Tide".into(), section: "a".into(), ..Place::default() }
        );
        assert_eq!(Placing::anchor("twelve", (1, 1)), None);
        assert_eq!(Placing::anchor("12", (0, 1)), None);
    }
}
