//! A machine that follows another: words in, orders for the transport out. Pure.
//!
//! Nothing moves on one word: an address counts when it follows on the word before, a page when it was received twice.
//! Where words stop, nothing is ordered and the music runs on at the rate that was tracked.

use super::clock::{Clock, nominal, ppm};
use super::pages::{Page, Place, Reader, Run, SongPage, State, TempoPage, UNITS};
use super::{Address, FrameRate, HeardWord};
use crate::click::set::{Anchor, PlaceNow, Set, Stretch};
use crate::realtime::event::RunState;
use crate::units::{Exact, FramePos, SampleRate, Span};

/// What follows from a word.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Order {
    /// Another place than this machine's: from now, or from where it begins when that lies ahead.
    Place(PlaceNow),
    /// A place that begins later; `None`: nothing is announced any more.
    Announced(Option<PlaceNow>),
    /// The same place, timed anew; void when the music has gone on to another one by then.
    Retime(PlaceNow),
    Hold {
        song: usize,
        leg: usize,
    },
    Stop,
    Released(bool),
    Choose(usize),
    AllOut(bool),
    ClickOut(bool),
    Muted {
        click: usize,
        muted: bool,
    },
}

/// The same leg this far away is another place: the music jumped to where it was.
const SAME_SECONDS: f64 = 0.02;

/// Two machines may be in different places for so many words: a place page twice, after a tempo page twice.
const APART_WORDS: u32 = 1 + 4 * super::pages::PAGE_WORDS;

/// Where this machine is: what an order is measured against.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Here {
    pub run: RunState,
    pub song: usize,
    pub leg: usize,
    pub called: bool,
    pub pass: u32,
    /// Place of the leg's local 0.
    pub anchor: Exact,
    pub released: bool,
    pub chosen: usize,
    pub all_out: bool,
    pub click_out: bool,
    pub mutes: u16,
}

/// A word that follows on the one before.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Trusted {
    /// Frame just after its last edge.
    pub at: FramePos,
    pub number: i64,
    pub user: u32,
}

/// Follows the words of one line. Allocates in [`Chase::new`] only.
#[derive(Clone, Debug)]
pub struct Chase {
    rate: SampleRate,
    /// Everything is this much later than the words say.
    offset: Span,
    clock: Clock,
    reader: Reader,
    frames: FrameRate,
    /// Number and count of the last word.
    last: Option<(i64, i64)>,
    place: Option<Place>,
    /// Number minus count when the place was last received: a place of older addresses times nothing anew.
    place_link: i64,
    next: Option<Place>,
    state: Option<State>,
    /// Where that state says that the other machine is silent from.
    lets_go: Option<Exact>,
    song: Option<SongPage>,
    next_song: Option<SongPage>,
    tempo: TempoPage,
    /// The last place that both machines were in, or that was ordered.
    agreed: Option<Place>,
    /// Count since which an old page says another place.
    apart_since: Option<i64>,
    /// The announcement that has been ordered.
    done: Option<Place>,
}

impl Chase {
    /// Allocates.
    pub fn new(rate: SampleRate, offset: Span) -> Chase {
        Chase {
            rate,
            offset,
            clock: Clock::new(),
            reader: Reader::default(),
            frames: FrameRate::default(),
            last: None,
            place: None,
            place_link: 0,
            next: None,
            state: None,
            lets_go: None,
            song: None,
            next_song: None,
            tempo: TempoPage::default(),
            agreed: None,
            apart_since: None,
            done: None,
        }
    }

    pub fn set_offset(&mut self, offset: Span) {
        self.offset = offset;
    }

    pub const fn offset(&self) -> Span {
        self.offset
    }

    /// Length of a frame of the other machine's clock, in frames of this one.
    pub fn ratio(&self) -> Option<f64> {
        Some(self.clock.period()? / nominal(self.frames, self.rate))
    }

    /// The line has been bad: what was said before it is not known any more. The clock is kept.
    pub fn forget(&mut self) {
        (self.place, self.next, self.state, self.agreed, self.done) = (None, None, None, None, None);
        self.lets_go = None;
        self.reader = Reader::default();
    }

    /// The other machine says that it leads; `None` until it has said either.
    pub fn leads(&self) -> Option<bool> {
        self.place.map(|place| place.leads)
    }

    pub const fn state(&self) -> Option<State> {
        self.state
    }

    /// The other machine sounds until here, and this one from here on.
    pub fn lets_go(&self) -> Option<FramePos> {
        self.lets_go.map(Exact::nearest)
    }

    pub const fn place(&self) -> Option<Place> {
        self.place
    }

    /// How far the place may be off, in milliseconds; below 0 before it is known.
    pub fn bound_ms(&self) -> f32 {
        let bound = self.clock.bound_now().filter(|_| self.clock.words() >= 3);
        bound.map_or(-1.0, |samples| (samples * 1000.0 / f64::from(self.rate.hertz())) as f32)
    }

    /// How much faster the other machine's clock runs.
    pub fn ppm(&self) -> f32 {
        self.clock.period().map_or(0.0, |period| ppm(period, nominal(self.frames, self.rate)) as f32)
    }

    /// The song that plays on the other machine, else the one that it would start next, where its digest is another one
    /// here: its page.
    pub fn differing(&self, set: &Set) -> Option<SongPage> {
        let said = [self.song, self.next_song].into_iter().flatten();
        let differs = |page: &SongPage| {
            page.song > 0 && song_of(set, page.song).is_none_or(|(_, digest)| digest != page.digest)
        };
        said.into_iter().find(differs)
    }

    /// Takes one word; tells what follows. Returns the word when it can be trusted. Real-time: safe.
    pub fn hear(
        &mut self,
        heard: &HeardWord,
        here: &Here,
        set: &Set,
        orders: &mut dyn FnMut(Order),
    ) -> Option<Trusted> {
        self.frames = FrameRate::heard(heard, self.rate);
        let address = Address::of_word(self.frames, &heard.word);
        let count = self.clock.hear(heard.start, heard.cell * f64::from(super::word::BITS));
        let (Some(address), Some(count)) = (address, count) else {
            self.reader.gap();
            self.last = None;
            return None;
        };
        let number = address.number(self.frames);
        // Across lost words, too: two words agree when as many addresses as words went by.
        let follows = self.last.is_some_and(|(old, at)| count > at && number - old == count - at);
        if self.last.is_none_or(|(_, at)| count != at + 1) {
            self.reader.gap();
        }
        self.last = Some((number, count));
        let page = self.reader.word(heard.word.user);
        if let Some(page) = page {
            self.take(page);
            match page {
                Page::Place(_) => self.place_link = number - count,
                Page::State(state) => {
                    self.lets_go = state.lets_go.and_then(|address| self.at(address, number - count));
                }
                _ => {}
            }
        }
        if !follows {
            return None;
        }
        let placed = matches!(page, Some(Page::Place(_) | Page::Tempo(_)));
        self.order(placed, here, set, number - count, heard.end, orders);
        Some(Trusted { at: heard.end.nearest(), number, user: heard.word.user })
    }

    fn take(&mut self, page: Page) {
        match page {
            Page::Place(place) => self.place = Some(place),
            Page::Next(place) => self.next = (place.run != Run::Nothing).then_some(place),
            Page::State(state) => self.state = Some(state),
            Page::Song(song) if song.next => self.next_song = Some(song),
            Page::Song(song) => self.song = Some(song),
            Page::Tempo(tempo) => self.tempo = tempo,
        }
    }

    /// `link`: a word's number minus its count.
    fn order(
        &mut self,
        placed: bool,
        here: &Here,
        set: &Set,
        link: i64,
        now: Exact,
        orders: &mut dyn FnMut(Order),
    ) {
        // A machine that does not lead moves nobody: it may have been started a moment ago and know nothing of the night.
        // Where both are in the same place, its timing is as good as ever.
        let leads = self.leads() == Some(true);
        if let Some(state) = self.state.filter(|_| leads) {
            self.order_state(state, here, set, orders);
        }
        if leads {
            self.order_next(set, link, now, orders);
        }
        let orders: &mut dyn FnMut(Order) = &mut |order| {
            if leads || matches!(order, Order::Retime(_)) {
                orders(order);
            }
        };
        let Some(place) = self.place.filter(|place| place.tempo == self.tempo.number) else { return };
        let Some((song, digest)) = song_of(set, place.song) else {
            if placed && place.run == Run::Stopped && here.run != RunState::Stopped {
                orders(Order::Stop);
            }
            return;
        };
        // A song that is another one here is not covered: this machine rests.
        let differs = self.song.is_some_and(|page| page.song == place.song && page.digest != digest);
        match place.run {
            Run::Stopped | Run::Nothing => {
                if placed && here.run != RunState::Stopped {
                    orders(Order::Stop);
                }
            }
            _ if differs => {
                if here.run != RunState::Stopped {
                    orders(Order::Stop);
                }
            }
            Run::Holding => {
                let same =
                    here.run == RunState::Holding && here.song == song && here.leg == usize::from(place.leg);
                if placed && !same {
                    orders(Order::Hold { song, leg: usize::from(place.leg) });
                }
            }
            Run::Playing => self.order_place(placed, &place, song, here, link, orders),
        }
    }

    /// A page that says again what was agreed on before is no news: this machine may have gone on by plan, and the
    /// other one's next page says so, too. Only when they stay apart for longer than a page takes is it ordered.
    fn order_place(
        &mut self,
        placed: bool,
        place: &Place,
        song: usize,
        here: &Here,
        link: i64,
        orders: &mut dyn FnMut(Order),
    ) {
        if link != self.place_link {
            // The addresses began anew (a song starts, or starts again): its place comes within a few words.
            return;
        }
        let Some(anchor) = self.anchor(place, self.tempo.stretch, link) else { return };
        let (leg, called) = (usize::from(place.leg), place.called);
        let same = here.run == RunState::Playing
            && (here.song, here.leg, here.called) == (song, leg, called)
            && here.pass % 32 == u32::from(place.pass)
            && (anchor.at - here.anchor).as_f64().abs() < SAME_SECONDS * f64::from(self.rate.hertz());
        if same {
            (self.agreed, self.apart_since) = (Some(*place), None);
            orders(Order::Retime(PlaceNow { song, leg, called, pass: here.pass, anchor }));
        } else if placed && self.is_news(place, link) {
            // What was announced before it is void until it is announced again.
            self.next = None;
            orders(Order::Announced(None));
            let pass = here.pass - here.pass % 32 + u32::from(place.pass);
            orders(Order::Place(PlaceNow { song, leg, called, pass, anchor }));
        }
    }

    fn is_news(&mut self, place: &Place, link: i64) -> bool {
        let count = self.last.map_or(0, |(number, _)| number - link);
        let news = self.agreed != Some(*place)
            || count - *self.apart_since.get_or_insert(count) > i64::from(APART_WORDS);
        if news {
            (self.agreed, self.apart_since) = (Some(*place), None);
        }
        news
    }

    /// What is announced is ordered at once, for the frame on which it begins: it happens even when the other machine
    /// is gone by then.
    fn order_next(&mut self, set: &Set, link: i64, now: Exact, orders: &mut dyn FnMut(Order)) {
        if self.done == self.next {
            return;
        }
        let Some(next) = self.next else {
            self.done = None;
            return orders(Order::Announced(None));
        };
        if next.tempo != self.tempo.number || next.run != Run::Playing {
            return;
        }
        let tempo = if next.leads { self.tempo.stretch } else { Stretch::ONE };
        let (Some((song, _)), Some(anchor)) = (song_of(set, next.song), self.anchor(&next, tempo, link))
        else {
            return;
        };
        if anchor.at > now {
            self.done = Some(next);
            let (leg, called, pass) = (usize::from(next.leg), next.called, u32::from(next.pass));
            orders(Order::Announced(Some(PlaceNow { song, leg, called, pass, anchor })));
        }
    }

    fn order_state(&self, state: State, here: &Here, set: &Set, orders: &mut dyn FnMut(Order)) {
        if here.run == RunState::Playing && state.released != here.released {
            orders(Order::Released(state.released));
        }
        if let Some((song, _)) = song_of(set, state.next_song)
            && song != here.chosen
        {
            orders(Order::Choose(song));
        }
        if state.all_out != here.all_out {
            orders(Order::AllOut(state.all_out));
        }
        if state.click_out != here.click_out {
            orders(Order::ClickOut(state.click_out));
        }
        for click in 0..16 {
            let muted = state.mutes >> click & 1 == 1;
            if muted != (here.mutes >> click & 1 == 1) {
                orders(Order::Muted { click, muted });
            }
        }
    }

    /// Where and how fast local time runs on this machine.
    fn anchor(&self, place: &Place, tempo: Stretch, link: i64) -> Option<Anchor> {
        let at = self.at(place.address, link)?;
        let ratio = self.ratio()?;
        Some(Anchor { at, stretch: tracked(tempo, ratio) })
    }

    fn at(&self, address: i64, link: i64) -> Option<Exact> {
        let (over, under) = self.frames.exact();
        let number = address as f64 / UNITS as f64 * f64::from(over) / f64::from(under);
        Some(self.clock.at(number - link as f64)? + self.offset)
    }
}

/// Index and digest of the song with a printed number.
fn song_of(set: &Set, number: u8) -> Option<(usize, u32)> {
    let index = set.songs.iter().position(|song| number > 0 && song.said.number == u16::from(number))?;
    Some((index, set.songs.get(index)?.said.digest))
}

/// Tonight's tempo times the ratio of two clocks, with at most 46 bits on either side of the fraction: times local
/// time of an hour at 192 kHz (78 bits) that is inside of 128 bits. Real-time: safe.
pub fn tracked(stretch: Stretch, ratio: f64) -> Stretch {
    let largest = stretch.over.max(stretch.under).max(1).ilog2() + 1;
    let bits = 45u32.saturating_sub(largest).min(30);
    let scale = (1i64 << bits) as f64;
    let scaled = (ratio.clamp(0.5, 1.9) * scale).round() as i64;
    Stretch { over: stretch.over.saturating_mul(scaled), under: stretch.under.saturating_mul(1 << bits) }
}

impl FrameRate {
    /// The rate of a word as it came: the nearest of the six to its own speed. Real-time: safe.
    pub fn heard(heard: &HeardWord, rate: SampleRate) -> FrameRate {
        let speed = f64::from(rate.hertz()) / (heard.cell * f64::from(super::word::BITS));
        if heard.word.drop {
            return FrameRate::NtscDrop;
        }
        let off = |frames: &FrameRate| {
            let (over, under) = frames.exact();
            (speed - f64::from(over) / f64::from(under)).abs()
        };
        let whole = [FrameRate::Film1001, FrameRate::Film, FrameRate::Tv25, FrameRate::Ntsc, FrameRate::Tv30];
        whole.into_iter().min_by(|a, b| off(a).total_cmp(&off(b))).unwrap_or_default()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn set_of_one_song() -> Set {
        use crate::click::set::{SongPlan, SongSaid};
        let said = SongSaid { number: 1, base_seconds: 3600, digest: 0 };
        let song = SongPlan {
            title: "Lantern".into(),
            legs: vec![],
            segue: false,
            encore: false,
            first_section_leg: 0,
            streams: vec![],
            said,
        };
        let (rate, songs) = (SampleRate::standard(), vec![song]);
        Set { rate, sounds: vec![], lanes: vec![], lane_count: 0, songs, max_lead: 0, lane_peaks: vec![] }
    }

    #[test]
    fn a_song_that_starts_again_is_never_timed_by_its_old_place() {
        use crate::timecode::pages::{Pages, Said};
        let (frames, rate, set) = (FrameRate::Tv25, SampleRate::standard(), set_of_one_song());
        let mut here = Here { run: RunState::Playing, ..Here::default() };
        let (mut pages, mut chase) = (Pages::default(), Chase::new(rate, Span(0)));
        let mut retimed = Vec::new();
        for word in 0..200i64 {
            // Word 100 is the song's first again; local 0 lies a second before the first word of either run.
            let (start, number) = if word < 100 { (0, word) } else { (100, word - 100) };
            let place = Place {
                run: Run::Playing,
                song: 1,
                address: 3599 * UNITS - if word < 100 { 65_536 } else { 0 },
                leads: true,
                ..Place::default()
            };
            let user = pages.word(&Said { place, ..Said::default() });
            let said = Address::of_number(frames, 90_000 + number).word(frames, user);
            let (at, end) = (frames.samples(word, rate), frames.samples(word + 1, rate));
            let heard =
                HeardWord { word: said, start: Exact(at.0), end: Exact(end.0), cell: 24.0, scatter: 0.0 };
            let mut placed = here.anchor;
            chase.hear(&heard, &here, &set, &mut |order| {
                if let Order::Retime(PlaceNow { anchor, .. }) | Order::Place(PlaceNow { anchor, .. }) = order
                {
                    placed = anchor.at;
                    retimed.push((word, start, anchor.at.nearest().0));
                }
            });
            here.anchor = placed;
        }
        // Before: two seconds before word 0. After: one second before word 100.
        assert!(
            retimed.iter().any(|(word, ..)| *word < 100) && retimed.iter().any(|(word, ..)| *word >= 107)
        );
        for (word, _, at) in retimed {
            let expected = if word < 100 { -96_000 } else { 100 * 1920 - 48_000 };
            assert!((at - expected).abs() <= 1, "word {word}: {at}, {expected}");
        }
    }

    #[test]
    fn a_tracked_stretch_is_exact_to_a_billionth_and_never_overflows() {
        for (stretch, most) in
            [(Stretch::ONE, 1e-9), (Stretch { over: (1 << 24) - 1, under: (1 << 24) - 3 }, 3e-7)]
        {
            for ppm in [-300.0, -0.01, 0.0, 42.0, 300.0] {
                let ratio = 1.0 + ppm * 1e-6;
                let found = tracked(stretch, ratio);
                let exact = stretch.over as f64 / stretch.under as f64 * ratio;
                assert!((found.over as f64 / found.under as f64 / exact - 1.0).abs() < most);
                let hour = Span::ratio(3600 * 192_000, 1);
                assert!(hour.0.checked_mul(i128::from(found.over.max(found.under))).is_some());
            }
        }
    }
}
