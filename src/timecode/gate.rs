//! Who sounds: the gate of a machine that stands by, and which of two machines leads. Pure.

use crate::realtime::event::{LineNow, WitnessNow};
use crate::units::{FramePos, Frames, SampleRate};

/// What becomes of one due hit of a machine that stands by.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Gated {
    Silent,
    Cover,
    /// Timecode is gone; whether the click is gone too is known only after the hit was due: ask again then.
    Wait,
}

/// Decides for a hit from what is known at its decision.
///
/// `click`: what is known of the main's click at this hit or, when none was due there, at the last one that was due
/// since the line went bad. With two witnesses a hit sounds only when both are gone. `again`: the hit has waited.
/// Real-time: safe.
pub const fn gated(line: LineNow, click: WitnessNow, again: bool) -> Gated {
    match (line, click) {
        (LineNow::Alive | LineNow::NeverHeard, _) => Gated::Silent,
        (_, WitnessNow::NotWired | WitnessNow::Absent) => Gated::Cover,
        (_, WitnessNow::Heard) => Gated::Silent,
        (_, WitnessNow::NotYet) if again => Gated::Silent,
        (_, WitnessNow::NotYet) => Gated::Wait,
    }
}

/// A machine that comes up alone leads after this.
const ALONE_SECONDS: f64 = 1.5;
/// A main leads again when the backup has said for this long that it does not.
const FREE_SECONDS: f64 = 0.5;
/// A claim by hand sounds after this, whatever the other machine says: longer than its words and [`HANDS_SECONDS`] take.
const CLAIM_SECONDS: f64 = 2.0;
/// One that is asked for the lead sounds for so long yet, and says until where: its words take 0.28 s at 25 frames a
/// second, and twice that where some are lost.
const HANDS_SECONDS: f64 = 0.6;
/// After this a claim that was heard has been carried out.
const UNHEARD_SECONDS: f64 = 1.25;
/// The other one takes over by that word so long before: its own word that it sounds must not be heard sooner.
const READY_SECONDS: f64 = 0.05;
/// So long after that the other one may not yet be heard to have let go.
const SETTLES_SECONDS: f64 = 1.0;
/// And sounds what is due so much later: where the two are not well aligned no hit sounds twice.
const APART_SECONDS: f64 = 0.002;

/// What is heard of the other machine.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Other {
    pub line: LineNow,
    /// It says that it leads, or claims to; `None` until its words have said either.
    pub leads: Option<bool>,
    /// It says that it hears this machine.
    pub hears: bool,
    /// It says that nothing plays, in the middle of a song of this machine.
    pub idle: bool,
    /// It says that it sounds; `None` until its words have said either.
    pub sounds: Option<bool>,
    /// It says that it sounds until here, by this machine's frames.
    pub lets_go: Option<FramePos>,
    /// Every witness of it has been gone for long enough.
    pub gone: bool,
}

impl Other {
    /// Heard to say that it leads, or claims to.
    fn claims(&self) -> bool {
        self.line == LineNow::Alive && self.leads == Some(true)
    }

    /// Heard to say that it does not.
    fn is_free(&self) -> bool {
        self.line == LineNow::Alive && self.leads == Some(false)
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum State {
    Follows,
    /// A person asked for the lead and the other machine has been told to let go.
    Claims(FramePos),
    Leads,
}

/// Which of two machines leads. Only the one that leads sounds; a machine that comes up says nothing until it knows
/// that the other is silent or that there is none, or until a person decides.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Lead {
    backup: bool,
    state: State,
    /// A person made it follow: it leads again only by a person or when the other is gone.
    by_hand: bool,
    since: Option<FramePos>,
    /// The other's claim as last known while its line was alive.
    claim: bool,
    /// `None`: never by itself.
    alone: Option<Frames>,
    free: Frames,
    wait: Frames,
    free_since: Option<FramePos>,
    /// While it leads: what is due from here on is its own.
    from: Option<FramePos>,
    /// While it leads: what is due from here on is the other one's.
    until: Option<FramePos>,
    /// It let go here: what was known of the other one's click before says nothing.
    handed: Option<FramePos>,
    hands: Frames,
    ready: Frames,
    settles: Frames,
    unheard: Frames,
    apart: Frames,
}

impl Lead {
    /// A backup follows until it must or may lead. A main with a return line comes up silent.
    pub fn new(backup: bool, rate: SampleRate) -> Lead {
        Lead {
            backup,
            state: State::Follows,
            by_hand: false,
            since: None,
            claim: false,
            alone: Some(rate.frames(ALONE_SECONDS)),
            free: rate.frames(FREE_SECONDS),
            wait: rate.frames(CLAIM_SECONDS),
            free_since: None,
            from: None,
            until: None,
            handed: None,
            hands: rate.frames(HANDS_SECONDS),
            ready: rate.frames(READY_SECONDS),
            settles: rate.frames(SETTLES_SECONDS),
            unheard: rate.frames(UNHEARD_SECONDS),
            apart: rate.frames(APART_SECONDS),
        }
    }

    /// A main that comes back within a night in which a backup exists: that nothing is heard of the backup may be a
    /// return line that is cut, so that it stays silent until it hears that the backup is, or a person decides.
    pub fn returning(rate: SampleRate) -> Lead {
        Lead { alone: None, ..Lead::new(false, rate) }
    }

    /// Its clicks sound and its keys count.
    pub const fn leads(&self) -> bool {
        matches!(self.state, State::Leads)
    }

    /// A hit that is due here is its own. Real-time: safe.
    pub fn sounds_at(&self, onset: FramePos) -> bool {
        self.leads()
            && self.from.is_none_or(|from| onset >= from)
            && self.until.is_none_or(|until| onset < until)
    }

    /// It leads, and was asked to let go: until here.
    pub fn lets_go(&self) -> Option<FramePos> {
        self.until.filter(|_| self.leads())
    }

    /// It lets go a little later than it would, where no hit is near.
    pub fn let_go_at(&mut self, at: FramePos) {
        self.until = self.until.map(|_| at);
    }

    /// Where it let go last, while it follows.
    pub const fn handed(&self) -> Option<FramePos> {
        self.handed
    }

    /// It tells the other machine that it leads, or wants to.
    pub const fn claims(&self) -> bool {
        !matches!(self.state, State::Follows)
    }

    /// A person wants this machine to sound. With a main that hears it, it waits until that one has let go; else at
    /// once.
    pub fn take_over(&mut self, now: FramePos, other: Other) {
        self.by_hand = false;
        if self.state == State::Follows {
            let asks = other.claims() && other.hears;
            self.state = if asks { State::Claims(now) } else { State::Leads };
        }
    }

    /// A person wants this machine silent.
    pub fn stand_down(&mut self) {
        (self.state, self.by_hand) = (State::Follows, true);
        (self.from, self.until) = (None, None);
        self.free_since = None;
    }

    /// Twice a millisecond. `plays`: a song plays here. Real-time: safe.
    pub fn step(&mut self, now: FramePos, other: Other, plays: bool) {
        let began = *self.since.get_or_insert(now);
        let alive = other.line == LineNow::Alive;
        let claim = other.claims();
        // A main that was started a moment ago leads, as it were, and knows nothing of the song that sounds here: this
        // machine goes on until a person decides, by a key here or a start there.
        let knows_nothing = claim && !self.claim && other.idle && self.backup && self.leads();
        let raised = claim && !self.claim && !knows_nothing && self.from.is_none();
        if self.from.is_some() {
            // Until the other one has been heard to let go, its claim is the old one.
            self.claim = false;
        } else if (!alive || other.leads.is_some()) && !knows_nothing {
            self.claim = claim;
        }
        self.free_since = if other.is_free() { self.free_since.or(Some(now)) } else { None };
        self.state = match self.state {
            State::Leads if raised && self.until.is_none() => self.asked(now, other, plays),
            State::Leads => self.lead_on(now, other, plays),
            State::Claims(since) => self.claim(now, since, other),
            State::Follows if self.backup && other.gone => State::Leads,
            State::Follows if !self.backup && !self.by_hand && self.may_begin(now, began, other) => {
                State::Leads
            }
            state => state,
        };
        if self.leads() {
            (self.by_hand, self.handed) = (false, None);
        } else if self.state == State::Follows {
            self.handed = self.until.or(self.handed);
            (self.from, self.until) = (None, None);
        }
    }

    /// The other one says until where it sounds, or that it does not. When it is gone without a word, it has died or its
    /// line was cut: then it may sound for as long as it would take to let go.
    fn claim(&mut self, now: FramePos, since: FramePos, other: Other) -> State {
        if let Some(at) = other.lets_go.filter(|_| other.line == LineNow::Alive) {
            self.from = Some(at + self.apart);
        }
        let unheard = if other.gone { self.unheard } else { self.wait };
        if other.is_free() || (self.from.is_none() && now - since >= unheard) {
            self.from = None;
            return State::Leads;
        }
        match self.from {
            Some(from) if now + self.ready >= from => State::Leads,
            _ => State::Claims(since),
        }
    }

    /// The other one took over, or never was gone: it sounds, this one does not. One that hears this machine and is
    /// silent asks, and is told when.
    fn asked(&mut self, now: FramePos, other: Other, plays: bool) -> State {
        if plays && other.hears && other.sounds == Some(false) {
            self.until = Some(now + self.hands);
            State::Leads
        } else {
            State::Follows
        }
    }

    fn lead_on(&mut self, now: FramePos, other: Other, plays: bool) -> State {
        let free = other.is_free();
        self.from = self.from.filter(|from| now < *from || (now - *from < self.settles && !free));
        let Some(until) = self.until else { return State::Leads };
        if free {
            // Who asked thought better of it. One that is gone may be a line that is cut: it sounds from there on.
            self.until = None;
            State::Leads
        } else if now >= until || !plays || other.sounds == Some(true) {
            State::Follows
        } else {
            State::Leads
        }
    }

    fn may_begin(&self, now: FramePos, began: FramePos, other: Other) -> bool {
        let none = other.line == LineNow::NeverHeard && self.alone.is_some_and(|alone| now - began >= alone);
        none || self.free_since.is_some_and(|since| now - since >= self.free)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn with_two_witnesses_a_hit_sounds_only_when_both_are_gone() {
        let bad = [LineNow::Gone, LineNow::Implausible, LineNow::Frozen];
        for line in bad {
            assert_eq!(gated(line, WitnessNow::NotWired, false), Gated::Cover);
            assert_eq!(gated(line, WitnessNow::Absent, false), Gated::Cover);
            assert_eq!(gated(line, WitnessNow::Heard, false), Gated::Silent);
            assert_eq!(gated(line, WitnessNow::NotYet, false), Gated::Wait);
            assert_eq!(gated(line, WitnessNow::NotYet, true), Gated::Silent);
        }
        for click in [WitnessNow::NotWired, WitnessNow::NotYet, WitnessNow::Heard, WitnessNow::Absent] {
            assert_eq!(gated(LineNow::Alive, click, false), Gated::Silent);
            assert_eq!(gated(LineNow::NeverHeard, click, false), Gated::Silent);
        }
    }

    const RATE: SampleRate = SampleRate::standard();

    fn ms(ms: i64) -> FramePos {
        FramePos(48 * ms)
    }

    #[test]
    fn a_main_that_comes_back_is_silent_until_the_backup_lets_go() {
        let mut main = Lead::new(false, RATE);
        let sounding = Other { line: LineNow::Alive, leads: Some(true), hears: true, ..Other::default() };
        for t in 0..10_000 {
            main.step(ms(t), if t < 300 { Other::default() } else { sounding }, true);
            assert!(!main.leads(), "{t} ms");
        }
        main.take_over(ms(10_000), sounding);
        assert!(main.claims() && !main.leads());
        main.step(ms(10_200), Other { leads: Some(false), ..sounding }, true);
        assert!(main.leads());
    }

    #[test]
    fn a_backup_lets_go_when_the_main_claims_and_not_before() {
        let mut backup = Lead::new(true, RATE);
        let other =
            |leads| Other { line: LineNow::Alive, leads: Some(leads), hears: true, ..Other::default() };
        backup.step(ms(0), other(true), true);
        assert!(!backup.leads());
        backup.step(ms(100), Other { line: LineNow::Gone, gone: true, ..other(true) }, true);
        assert!(backup.leads());
        backup.step(ms(9000), other(false), true);
        assert!(backup.leads(), "a muted main that is back changes nothing");
        backup.step(ms(9100), other(true), true);
        assert!(!backup.leads());
    }

    #[test]
    fn a_backup_in_a_song_does_not_let_go_for_a_main_that_plays_nothing() {
        let gone = Other { line: LineNow::Gone, gone: true, ..Other::default() };
        let new = Other { line: LineNow::Alive, leads: Some(true), idle: true, ..Other::default() };
        let backup = || {
            let mut backup = Lead::new(true, RATE);
            backup.step(ms(0), gone, true);
            (100..5000).for_each(|t| backup.step(ms(t), new, true));
            assert!(backup.leads());
            backup
        };
        let mut lead = backup();
        lead.step(ms(5000), Other { idle: false, ..new }, true);
        assert!(!lead.leads(), "the main plays, or the song here is over");
        let mut lead = backup();
        lead.stand_down();
        (5000..9000).for_each(|t| lead.step(ms(t), new, true));
        assert!(!lead.leads(), "by hand");
        let mut lead = backup();
        lead.step(ms(5000), gone, true);
        lead.step(ms(5100), new, true);
        assert!(lead.leads(), "it went and came again");
    }

    #[test]
    fn a_main_that_comes_back_and_hears_nothing_waits_for_a_person() {
        let mut main = Lead::returning(RATE);
        for t in 0..60_000 {
            main.step(ms(t), Other::default(), true);
            assert!(!main.leads() && !main.claims(), "{t} ms");
        }
        main.take_over(ms(60_000), Other::default());
        assert!(main.leads());
    }

    #[test]
    fn a_main_without_a_backup_begins_after_a_moment() {
        let mut main = Lead::new(false, RATE);
        let at = (0..5000).find(|t| {
            main.step(ms(*t), Other::default(), false);
            main.leads()
        });
        assert_eq!(at, Some(1500));
    }
}
