//! Timecode on an output of its own: no limiter, gain ride, ramp or all out ever touches what leaves there.

use crate::click::set::{Set, Stretch};
use crate::timecode::pages::{Pages, Place, Run, Said, SongPage, State, TempoPage, UNITS};
use crate::timecode::{Address, Encoder, FrameRate};
use crate::units::{Exact, FramePos, SampleRate, Span};

/// Which output carries timecode, and how.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TimecodeSetup {
    /// Channel of the interface, from 0.
    pub channel: u16,
    pub frames: FrameRate,
    /// Linear.
    pub peak: f32,
}

/// The song whose slot the addresses are in, and the word that carries its base.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Zero {
    song: usize,
    word: i64,
    /// Number of the base address.
    base: i64,
}

/// Where the music is, as the engine knows it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MusicNow {
    pub run: Run,
    pub song: usize,
    pub leg: usize,
    pub called: bool,
    pub pass: u32,
    /// Place of the leg's local 0.
    pub anchor: Exact,
    /// Place at which the song as written would have begun.
    pub began: Exact,
    pub stretch: Stretch,
    pub leads: bool,
    pub state: State,
    /// Where this machine falls silent, once the other one has claimed the lead.
    pub lets_go: Option<Exact>,
    /// Index of the song that the next start plays.
    pub chosen: usize,
    /// An announced jump.
    pub next: Option<NextNow>,
}

/// A jump that waits for its beat, bar or section's end.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct NextNow {
    pub song: usize,
    pub leg: usize,
    pub called: bool,
    pub at: Exact,
    /// At the tempo of now; else as written.
    pub keeps_tempo: bool,
}

/// Writes the night's timecode.
#[derive(Debug)]
pub struct TimecodeOut {
    pub setup: TimecodeSetup,
    rate: SampleRate,
    encoder: Encoder,
    pages: Pages,
    zero: Option<Zero>,
    tempo: TempoPage,
    said: Said,
    /// The address that was said last.
    address: i64,
}

/// A machine that follows refines its place with every word, and a page that changes is begun anew: it would never be
/// heard to claim. Nobody acts on its place, so that one is good enough that is off by no more than this (0.12 ms).
const NEAR_ENOUGH: i64 = 8;

impl TimecodeOut {
    pub fn new(setup: TimecodeSetup, rate: SampleRate) -> TimecodeOut {
        TimecodeOut {
            setup,
            rate,
            encoder: Encoder::new(rate, setup.frames, setup.peak),
            pages: Pages::default(),
            zero: None,
            tempo: TempoPage::default(),
            said: Said::default(),
            address: 0,
        }
    }

    /// What is true from here on: asked for twice a millisecond, at the same frames however time is split.
    /// Real-time: safe.
    pub fn note(&mut self, set: &Set, music: &MusicNow) {
        self.zero = match (music.run, self.zero) {
            (Run::Stopped | Run::Nothing, _) => None,
            (_, Some(zero)) if zero.song == music.song => Some(zero),
            _ => {
                let seconds = set.songs.get(music.song).map_or(0, |song| song.said.base_seconds);
                let base = Address::of_seconds(self.setup.frames, seconds).number(self.setup.frames);
                let word = self.setup.frames.word_near(Span(music.began.0), self.rate);
                Some(Zero { song: music.song, word, base })
            }
        };
        // One that only follows refines this, too.
        if music.state.sounds && self.tempo.stretch != music.stretch {
            self.tempo = TempoPage { number: (self.tempo.number + 1) % 4, stretch: music.stretch };
        }
        let song = |index: usize, next: bool| {
            set.songs.get(index).map_or(SongPage { next, ..SongPage::default() }, |song| SongPage {
                song: song.said.number.min(255) as u8,
                next,
                digest: song.said.digest,
            })
        };
        let number = |index: usize| song(index, false).song;
        let address = self.address(music.anchor);
        if music.state.sounds || (address - self.address).abs() > NEAR_ENOUGH {
            self.address = address;
        }
        let place = Place {
            run: music.run,
            song: number(music.song),
            leg: music.leg as u16 & 0x3ff,
            called: music.called,
            pass: (music.pass % 32) as u8,
            leads: music.leads,
            tempo: self.tempo.number,
            address: self.address,
        };
        let next = music.next.map(|next| Place {
            run: Run::Playing,
            song: number(next.song),
            leg: next.leg as u16 & 0x3ff,
            called: next.called,
            pass: 0,
            leads: next.keeps_tempo,
            address: self.address(next.at),
            ..place
        });
        self.said = Said {
            // Where nothing plays no place says anything.
            place: if music.run == Run::Stopped {
                Place { run: Run::Stopped, leads: music.leads, tempo: place.tempo, ..Place::default() }
            } else {
                place
            },
            next,
            state: State {
                next_song: number(music.chosen),
                lets_go: music.lets_go.filter(|_| self.zero.is_some()).map(|at| self.address(at)),
                ..music.state
            },
            song: if music.run == Run::Stopped { SongPage::default() } else { song(music.song, false) },
            next_song: song(music.chosen, true),
            tempo: self.tempo,
        };
    }

    /// A place as an address in [`UNITS`]. Rounding: to the nearest unit.
    fn address(&self, place: Exact) -> i64 {
        let Some(zero) = self.zero else { return 0 };
        let (over, under) = self.setup.frames.exact();
        let base = zero.base as f64 * f64::from(under) / f64::from(over);
        let start = self.setup.frames.samples(zero.word, self.rate);
        let since = (place - Exact(start.0)).as_f64() / f64::from(self.rate.hertz());
        ((base + since) * UNITS as f64).round() as i64
    }

    /// Fills what leaves from `at` on. Real-time: safe.
    pub fn leave(&mut self, at: FramePos, out: &mut [f32]) {
        let TimecodeOut { encoder, pages, zero, said, setup, .. } = self;
        encoder.render(at, out, &mut |word| {
            let number = match zero {
                Some(zero) => zero.base + word - zero.word,
                // No song: the first slot, which no song has, round and round.
                None => word.rem_euclid(Address::of_seconds(setup.frames, IDLE_SECONDS).number(setup.frames)),
            };
            Address::of_number(setup.frames, number).word(setup.frames, pages.word(said))
        });
    }
}

/// Addresses below this belong to no song: the shorter of the two kinds of slot.
pub const IDLE_SECONDS: u32 = 600;

#[cfg(test)]
mod tests {
    use super::*;
    use crate::timecode::pages::{Page, Reader};

    /// Words until a machine that follows, its place creeping by 37 ppm and scattered, is heard to claim the lead.
    fn words_until_heard() -> Option<u32> {
        let rate = SampleRate::standard();
        let setup = TimecodeSetup { channel: 0, frames: FrameRate::Tv25, peak: 0.1 };
        let mut out = TimecodeOut::new(setup, rate);
        let songs = vec![];
        let set = Set {
            rate,
            sounds: vec![],
            lanes: vec![],
            lane_count: 0,
            songs,
            max_lead: 0,
            lane_peaks: vec![],
        };
        let mut random = fastrand::Rng::with_seed(3);
        let mut pages = Reader::default();
        for word in 0..100 {
            let creeps = f64::from(word) * 1920.0 * 37e-6 + random.f64() - 0.5;
            let at = Exact::at(FramePos(48_000)) + Span::from_f64(creeps);
            out.note(
                &set,
                &MusicNow {
                    run: Run::Playing,
                    song: 0,
                    leg: 1,
                    called: false,
                    pass: 0,
                    anchor: at,
                    began: Exact::at(FramePos(48_000)),
                    stretch: Stretch { over: (1 << 30) + i64::from(word), under: 1 << 30 },
                    leads: word >= 50,
                    state: State::default(),
                    lets_go: None,
                    chosen: 0,
                    next: None,
                },
            );
            if let Some(Page::Place(place)) = pages.word(out.pages.word(&out.said))
                && place.leads
            {
                return Some(word - 50);
            }
        }
        None
    }

    #[test]
    fn a_follower_whose_place_is_refined_all_the_time_is_heard_to_claim_within_ten_words() {
        let words = words_until_heard();
        assert!(words.is_some_and(|words| words <= 10), "{words:?}");
    }
}
