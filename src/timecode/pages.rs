//! What the user bits say: pages of three words each, with a checksum, acted on when received twice.
//!
//! Every word's 32 user bits: bits 0–3 the page's kind, bits 4–5 the word's place in the page (0, 1, 2), bits 6–31
//! a third of the page's 78 bits, lowest first: 62 bits that say something, then a CRC-16 (polynomial 0x1021, start
//! 0xffff, over the kind and the 62 bits). The fields, lowest bit first:
//!
//! | kind | fields |
//! |---|---|
//! | 1 place, 2 next | song number 8, leg 10, its count-in 1, pass (low bits) 5, run 2, leads 1, tempo's number 2, address of local 0 in 1/65,536 s plus one hour 33 |
//! | 3 state | all out 1, click out 1, released 1, sounds 1, hears the other 1, next song's number 8, mutes of clicks 1 to 16 16, address from which the other machine sounds in 1/65,536 s plus one hour (0: none) 33 |
//! | 4 song | song number 8, next song (else: the one that plays) 1, digest 32 |
//! | 5 tempo | tempo's number 2, written over tonight's: over 24, under 24 |
//!
//! `run`: 0 stopped, 1 playing, 2 holding (the leg is the one that follows). The place of local 0 is given as an
//! address: seconds of timecode (frame number over frames a second) since 00:00:00:00, so that a page needs no
//! other page to be understood. A `next` page says what is announced; with run 3 nothing is announced, and its `leads`
//! says that tonight's tempo holds there (else the written one).
//!
//! Tonight's changes travel as what they come to: order as the song that starts next, mutes as they are, tempo as its
//! page, and earlier, later, "one is now" and beats more or less as another address of local 0.

use crate::click::set::Stretch;

/// Words of a page.
pub const PAGE_WORDS: u32 = 3;

/// Units of an address in a second.
pub const UNITS: i64 = 65_536;
const HOUR: i64 = 3600 * UNITS;

/// Where the music is, or will be.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Place {
    pub run: Run,
    /// As printed, 1 to 255.
    pub song: u8,
    /// 0 to 1,023.
    pub leg: u16,
    pub called: bool,
    /// Its low five bits.
    pub pass: u8,
    /// The machine says that it leads: its clicks sound. In a `next` page: at the tempo of now, else as written.
    pub leads: bool,
    /// Low two bits of the number of tempo changes: the tempo page of that number holds.
    pub tempo: u8,
    /// Address of local 0 in [`UNITS`].
    pub address: i64,
}

#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Run {
    #[default]
    Stopped,
    Playing,
    Holding,
    /// In a `next` page: nothing is announced.
    Nothing,
}

#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct State {
    pub all_out: bool,
    pub click_out: bool,
    pub released: bool,
    pub sounds: bool,
    /// It hears the other machine's timecode.
    pub hears: bool,
    /// The song that starts next, as printed.
    pub next_song: u8,
    pub mutes: u16,
    /// The address in [`UNITS`] from which on this machine is silent and the other one sounds.
    pub lets_go: Option<i64>,
}

#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct SongPage {
    pub song: u8,
    pub next: bool,
    pub digest: u32,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct TempoPage {
    pub number: u8,
    pub stretch: Stretch,
}

impl Default for TempoPage {
    fn default() -> TempoPage {
        TempoPage { number: 0, stretch: Stretch::ONE }
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Page {
    Place(Place),
    Next(Place),
    State(State),
    Song(SongPage),
    Tempo(TempoPage),
}

/// Everything a machine says at one word.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Said {
    pub place: Place,
    /// `None`: nothing is announced.
    pub next: Option<Place>,
    pub state: State,
    pub song: SongPage,
    pub next_song: SongPage,
    pub tempo: TempoPage,
}

/// Fields packed from the lowest bit.
struct Bits(u64, u32);

impl Bits {
    const fn put(self, value: u64, width: u32) -> Bits {
        Bits(self.0 | (value & ((1 << width) - 1)) << self.1, self.1 + width)
    }

    const fn take(&mut self, width: u32) -> u64 {
        let value = self.0 >> self.1 & ((1 << width) - 1);
        self.1 += width;
        value
    }

    const fn flag(&mut self) -> bool {
        self.take(1) == 1
    }
}

impl Page {
    const fn kind(self) -> u8 {
        match self {
            Page::Place(_) => 1,
            Page::Next(_) => 2,
            Page::State(_) => 3,
            Page::Song(_) => 4,
            Page::Tempo(_) => 5,
        }
    }

    /// 62 bits. Real-time: safe.
    pub const fn payload(self) -> u64 {
        let bits = Bits(0, 0);
        match self {
            Page::Place(place) | Page::Next(place) => {
                let address = packed(place.address, 0);
                bits.put(place.song as u64, 8)
                    .put(place.leg as u64, 10)
                    .put(place.called as u64, 1)
                    .put(place.pass as u64, 5)
                    .put(place.run as u64, 2)
                    .put(place.leads as u64, 1)
                    .put(place.tempo as u64, 2)
                    .put(address, 33)
                    .0
            }
            Page::State(state) => {
                bits.put(state.all_out as u64, 1)
                    .put(state.click_out as u64, 1)
                    .put(state.released as u64, 1)
                    .put(state.sounds as u64, 1)
                    .put(state.hears as u64, 1)
                    .put(state.next_song as u64, 8)
                    .put(state.mutes as u64, 16)
                    .put(if let Some(address) = state.lets_go { packed(address, 1) } else { 0 }, 33)
                    .0
            }
            Page::Song(song) => {
                bits.put(song.song as u64, 8).put(song.next as u64, 1).put(song.digest as u64, 32).0
            }
            Page::Tempo(tempo) => {
                let (over, under) = fitting(tempo.stretch);
                bits.put(tempo.number as u64, 2).put(over, 24).put(under, 24).0
            }
        }
    }

    /// Real-time: safe.
    pub const fn of(kind: u8, payload: u64) -> Option<Page> {
        let mut bits = Bits(payload, 0);
        Some(match kind {
            1 | 2 => {
                let song = bits.take(8) as u8;
                let leg = bits.take(10) as u16;
                let called = bits.flag();
                let pass = bits.take(5) as u8;
                let run = match bits.take(2) {
                    0 => Run::Stopped,
                    1 => Run::Playing,
                    2 => Run::Holding,
                    _ => Run::Nothing,
                };
                let leads = bits.flag();
                let tempo = bits.take(2) as u8;
                let address = bits.take(33) as i64 - HOUR;
                let place = Place { run, song, leg, called, pass, leads, tempo, address };
                if kind == 1 { Page::Place(place) } else { Page::Next(place) }
            }
            3 => Page::State(State {
                all_out: bits.flag(),
                click_out: bits.flag(),
                released: bits.flag(),
                sounds: bits.flag(),
                hears: bits.flag(),
                next_song: bits.take(8) as u8,
                mutes: bits.take(16) as u16,
                lets_go: match bits.take(33) as i64 {
                    0 => None,
                    packed => Some(packed - HOUR),
                },
            }),
            4 => {
                let song = bits.take(8) as u8;
                let next = bits.flag();
                Page::Song(SongPage { song, next, digest: bits.take(32) as u32 })
            }
            5 => {
                let number = bits.take(2) as u8;
                let (over, under) = (bits.take(24) as i64, bits.take(24) as i64);
                if over == 0 || under == 0 {
                    return None;
                }
                Page::Tempo(TempoPage { number, stretch: Stretch { over, under } })
            }
            _ => return None,
        })
    }

    /// User bits of one word of the page. Real-time: safe.
    const fn user(self, word: u32) -> u32 {
        let (kind, payload) = (self.kind(), self.payload());
        let whole = payload as u128 | (crc(kind, payload) as u128) << 62;
        kind as u32 | word << 4 | ((whole >> (26 * word)) as u32 & 0x03ff_ffff) << 6
    }
}

/// An address in 33 bits, no less than `least`.
const fn packed(address: i64, least: i64) -> u64 {
    let (packed, most) = (address + HOUR, (1 << 33) - 1);
    (if packed < least {
        least
    } else if packed > most {
        most
    } else {
        packed
    }) as u64
}

/// A stretch in 24 bits each: what does not fit is halved until it does (1 in 8 million off at most).
const fn fitting(stretch: Stretch) -> (u64, u64) {
    let (mut over, mut under) = (stretch.over, stretch.under);
    while over >= 1 << 24 || under >= 1 << 24 {
        (over, under) = ((over + 1) / 2, (under + 1) / 2);
    }
    (if over < 1 { 1 } else { over as u64 }, if under < 1 { 1 } else { under as u64 })
}

/// CRC-16 with polynomial 0x1021 and start 0xffff, highest bit first. Source: ITU-T V.41.
const fn crc(kind: u8, payload: u64) -> u16 {
    let mut crc = 0xffffu16;
    let data = (kind as u128) << 62 | payload as u128;
    let mut bit = 66;
    while bit > 0 {
        bit -= 1;
        let high = (crc >> 15) as u128 ^ (data >> bit & 1);
        crc <<= 1;
        if high == 1 {
            crc ^= 0x1021;
        }
    }
    crc
}

/// Kinds of page, in the order in which a change of each is told first.
const TEMPO: usize = 0;
const PLACE: usize = 1;
const NEXT: usize = 2;
const STATE: usize = 3;
const SONG: usize = 4;
const NEXT_SONG: usize = 5;
const KINDS: usize = 6;

/// What is sent when nothing changes: the place every other page.
const ROUND: [usize; 10] = [PLACE, STATE, PLACE, SONG, PLACE, TEMPO, PLACE, NEXT, PLACE, NEXT_SONG];

/// Writes pages: a word's user bits from what the machine says at that word.
#[derive(Clone, Debug)]
pub struct Pages {
    last: Said,
    /// How many more times a changed page is sent before the round goes on.
    due: [u8; KINDS],
    round: usize,
    page: Option<(usize, Page, u32)>,
}

impl Default for Pages {
    fn default() -> Pages {
        Pages { last: Said::default(), due: [2; KINDS], round: 0, page: None }
    }
}

impl Pages {
    /// User bits of the next word. A changed place, announcement or tempo cuts off the page that is being sent.
    /// Real-time: safe.
    pub fn word(&mut self, said: &Said) -> u32 {
        let changed = [
            self.last.tempo != said.tempo,
            self.last.place != said.place,
            self.last.next != said.next,
            self.last.state != said.state,
            self.last.song != said.song,
            self.last.next_song != said.next_song,
        ];
        for (due, changed) in self.due.iter_mut().zip(changed) {
            if changed {
                *due = 2;
            }
        }
        self.last = *said;
        let [tempo, place, next, state, ..] = changed;
        let stale = self.page.is_some_and(|(kind, ..)| changed.get(kind).copied().unwrap_or(false));
        if tempo || place || next || state || stale {
            self.page = None;
        }
        let (kind, page, word) = self.page.take().unwrap_or_else(|| self.choose(said));
        if word + 1 < PAGE_WORDS {
            self.page = Some((kind, page, word + 1));
        } else if let Some(due) = self.due.get_mut(kind) {
            *due = due.saturating_sub(1);
        }
        page.user(word)
    }

    fn choose(&mut self, said: &Said) -> (usize, Page, u32) {
        let urgent = self.due.iter().position(|due| *due > 0);
        let kind = urgent.unwrap_or_else(|| {
            self.round = (self.round + 1) % ROUND.len();
            ROUND.get(self.round).copied().unwrap_or(PLACE)
        });
        let nothing = Place { run: Run::Nothing, ..Place::default() };
        let page = match kind {
            TEMPO => Page::Tempo(said.tempo),
            NEXT => Page::Next(said.next.unwrap_or(nothing)),
            STATE => Page::State(said.state),
            SONG => Page::Song(said.song),
            NEXT_SONG => Page::Song(said.next_song),
            _ => Page::Place(said.place),
        };
        (kind, page, 0)
    }
}

/// Words from an unannounced change until its page has been received twice, at most: the word that has begun, and
/// both copies; a tempo page goes before the place that needs it.
pub const fn worst_delay_words(page: Page) -> u32 {
    match page {
        Page::Tempo(_) => 1 + 2 * PAGE_WORDS,
        // Alone: 7 words. Together with a tempo: 13.
        Page::Place(_) => 1 + 2 * PAGE_WORDS,
        Page::Next(_) => 1 + 6 * PAGE_WORDS,
        Page::State(_) => 1 + 8 * PAGE_WORDS,
        Page::Song(song) => 1 + (if song.next { 12 } else { 10 }) * PAGE_WORDS,
    }
}

/// Reads pages: told when it was received whole twice, and again each further time.
#[derive(Clone, Debug, Default)]
pub struct Reader {
    kind: u8,
    word: u32,
    whole: u128,
    /// The last whole payload of each kind; songs: the one that plays, the next.
    seen: [Option<u64>; KINDS],
}

impl Reader {
    /// Real-time: safe.
    pub fn word(&mut self, user: u32) -> Option<Page> {
        let (kind, word, part) = ((user & 0xf) as u8, user >> 4 & 3, u128::from(user >> 6));
        if word == 0 {
            (self.kind, self.word, self.whole) = (kind, 0, 0);
        } else if kind != self.kind || word != self.word {
            self.word = u32::MAX;
            return None;
        }
        self.whole |= part << (26 * word);
        self.word = word + 1;
        if self.word < PAGE_WORDS {
            return None;
        }
        self.word = u32::MAX;
        let payload = self.whole as u64 & ((1 << 62) - 1);
        if crc(kind, payload) != (self.whole >> 62) as u16 {
            return None;
        }
        let page = Page::of(kind, payload)?;
        let slot = self.seen.get_mut(match page {
            Page::Song(song) if song.next => NEXT_SONG,
            Page::Song(_) => SONG,
            Page::Tempo(_) => TEMPO,
            Page::Place(_) => PLACE,
            Page::Next(_) => NEXT,
            Page::State(_) => STATE,
        })?;
        let twice = *slot == Some(payload);
        *slot = Some(payload);
        twice.then_some(page)
    }

    /// Words are missing: a page that was coming is not whole.
    pub fn gap(&mut self) {
        self.word = u32::MAX;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn place(address: i64) -> Place {
        Place { run: Run::Playing, song: 7, leg: 513, called: true, pass: 19, leads: true, tempo: 2, address }
    }

    fn said() -> Said {
        Said {
            place: place(7 * HOUR + 12_345),
            next: None,
            state: State { next_song: 8, mutes: 0b101, sounds: true, lets_go: Some(-7), ..State::default() },
            song: SongPage { song: 7, next: false, digest: 0xdead_beef },
            next_song: SongPage { song: 8, next: true, digest: 0x0123_4567 },
            tempo: TempoPage { number: 2, stretch: Stretch { over: 1320, under: 1335 } },
        }
    }

    #[test]
    fn the_checksum_is_the_published_one() {
        // Check value of CRC-16 with start 0xffff over "123456789": 0x29b1 (catalogue of parametrised CRC
        // algorithms, from memory). Here over 66 bits: the last 64 of that text would need more, so a bitwise
        // reference stands beside it.
        let reference = |kind: u8, payload: u64| {
            let mut crc = 0xffffu32;
            for bit in (0..66).rev() {
                let data = if bit >= 62 { u64::from(kind) >> (bit - 62) } else { payload >> bit } & 1;
                crc = crc << 1 ^ (u32::from(crc >> 15 & 1 != data as u32) * 0x1021);
                crc &= 0xffff;
            }
            crc as u16
        };
        for (kind, payload) in [(1, 0), (5, 0x3fff_ffff_ffff_ffff), (3, 0x0123_4567_89ab_cdef)] {
            assert_eq!(crc(kind, payload), reference(kind, payload));
        }
    }

    #[test]
    fn everything_that_is_said_is_read() {
        let (mut pages, mut reader) = (Pages::default(), Reader::default());
        let mut read = Vec::new();
        for _ in 0..100 {
            read.extend(reader.word(pages.word(&said())));
        }
        for page in [
            Page::Place(said().place),
            Page::State(said().state),
            Page::Song(said().song),
            Page::Song(said().next_song),
            Page::Tempo(said().tempo),
            Page::Next(Place { run: Run::Nothing, ..Place::default() }),
        ] {
            assert!(read.contains(&page), "{page:?} is not in {read:?}");
        }
    }

    #[test]
    fn a_change_is_read_within_its_worst_delay() {
        let settled = || {
            let (mut pages, mut reader) = (Pages::default(), Reader::default());
            for _ in 0..100 {
                reader.word(pages.word(&said()));
            }
            (pages, reader)
        };
        for rest in 0..6 {
            for (page, now) in [
                (Page::Place(place(1)), Said { place: place(1), ..said() }),
                (Page::Next(place(2)), Said { next: Some(place(2)), ..said() }),
                (Page::State(State::default()), Said { state: State::default(), ..said() }),
                (Page::Tempo(TempoPage::default()), Said { tempo: TempoPage::default(), ..said() }),
            ] {
                let (mut pages, mut reader) = settled();
                for _ in 0..rest {
                    reader.word(pages.word(&said()));
                }
                let after = (1..40).find(|_| reader.word(pages.word(&now)) == Some(page));
                assert!(after.is_some_and(|words| words < worst_delay_words(page)), "{page:?}: {after:?}");
            }
        }
    }

    #[test]
    fn one_wrong_bit_is_not_believed() {
        for bit in 0..32 {
            for word in 0..3 {
                let (mut pages, mut reader) = (Pages::default(), Reader::default());
                let page = |pages: &mut Pages| [(); 3].map(|()| pages.word(&said()));
                let (mut first, second) = (page(&mut pages), page(&mut pages));
                first[word] ^= 1 << bit;
                let read: Vec<_> =
                    first.into_iter().chain(second).filter_map(|user| reader.word(user)).collect();
                assert!(read.is_empty(), "bit {bit} of word {word}: {read:?}");
            }
        }
    }
}
