//! The head of a run: is there a night to go on with, and from where?

use super::Args;
use super::session::Commands;
use super::telling::Notes;
use crate::click::set::Set;
use crate::device::boot;
use crate::realtime::command::{Command, Return, When};
use crate::realtime::event::RunState;
use crate::show::model::Show;
use crate::survive::clock::{Fit, Reading};
use crate::survive::ground::Begin;
use crate::survive::keeper::{Draft, Keeper, fresh};
use crate::survive::record::{Asked, Night, Record, Tonight};
use crate::survive::resume::{Comeback, Moment, resume};
use crate::survive::store::{self, Store};
use crate::units::{FramePos, Frames, SampleRate};
use std::path::Path;
use std::sync::Arc;
use std::time::{Duration, Instant};

/// What a run begins with.
pub struct Back {
    pub keeper: Keeper,
    pub begin: Begin,
    place: Option<Return>,
    asked: Vec<Asked>,
    words: Option<String>,
    tonight: Tonight,
}

/// What a run goes on with, for the keys.
pub struct Returned {
    /// The song that the next start plays, and the one that sounds.
    pub chosen: usize,
    pub sounds: Option<usize>,
    pub tonight: Tonight,
}

/// What is said of a comeback once the device's time is known.
pub struct Told {
    words: String,
    fit: Option<Fit>,
    launched: Instant,
    opened_in: Duration,
}

impl Back {
    /// Looks at the record, opens it for this run, and finds where the music is by now.
    ///
    /// Errors: no thread to be had. A record that cannot be trusted or written is said, and the run goes on.
    pub fn look(
        args: &Args,
        show: &Show,
        set: &Arc<Set>,
        rate: SampleRate,
        ahead: Frames,
        notes: &Notes,
    ) -> std::io::Result<Back> {
        let path = store::path(&args.log_folder(), &args.show);
        let found = args.rejoin.then(|| store::read(&path).map_err(|why| why.to_string()));
        let opened = open(&path, notes);
        let blank = fresh(&show.title, &show.digest);
        let titles: Vec<String> = show.songs.iter().map(|song| song.title.clone()).collect();
        let (record, begin, place, asked, words) = match found {
            None => (blank, Begin::Fresh, None, Vec::new(), None),
            Some(Err(why)) => {
                let words = format!("NOT IN PHASE: {why}. Silent; choose the song, then \"one is now\".");
                (blank, Begin::Fresh, Some(nothing()), Vec::new(), Some(words))
            }
            Some(Ok(record)) => from(&record.at_rate(rate.hertz()), blank, set, show),
        };
        let tonight = record.tonight.clone();
        let keeper = Keeper::spawn(Draft::new(record, rate, titles), opened, rate, ahead)?;
        Ok(Back { keeper, begin, place, asked, words, tonight })
    }

    /// Tells the engine, before its first block.
    pub fn send(&self, commands: &mut Commands) {
        let Some(place) = self.place else { return };
        commands.send(When::Now, Command::Return(place));
        for asked in &self.asked {
            commands.send(asked.when, asked.deed.command());
        }
    }

    /// Where the run goes on with a night: no song is started by its options.
    pub fn returned(&self) -> Option<Returned> {
        let place = self.place?;
        let sounds = (place.run != RunState::Stopped).then_some(place.song);
        Some(Returned { chosen: place.chosen, sounds, tonight: self.tonight.clone() })
    }

    pub fn told(&self, launched: Instant, opened_in: Duration) -> Option<Told> {
        let words = self.words.clone()?;
        let fit = match self.begin {
            Begin::From(fit) => Some(fit),
            Begin::Fresh => None,
        };
        Some(Told { words, fit, launched, opened_in })
    }
}

impl Told {
    /// `first`: the device's time, once known.
    pub fn tell(self, first: &Reading, notes: Notes) {
        let ready = self.launched.elapsed();
        let away = self.fit.map_or(0.0, |fit| (first.ns - fit.at.ns) as f64 * 1e-9);
        let opening = self.opened_in;
        let own = ready.saturating_sub(opening);
        let mut words = self.words;
        if self.fit.is_some() {
            words = format!("{words} {away:.2} s away.");
        }
        notes.note(&format!(
            "{words} ready {:.0} ms after launch, and the device took {:.0} ms to open",
            own.as_secs_f64() * 1e3,
            opening.as_secs_f64() * 1e3
        ));
        notes.show(words);
    }
}

/// Opens the record for writing; what is wrong with it is said.
fn open(path: &Path, notes: &Notes) -> Option<Store> {
    match Store::open(path) {
        Ok(store) => {
            if let Some(kept) = &store.kept {
                let words = format!(
                    "the position record {} was not one of ours: it is kept as {}",
                    path.display(),
                    kept.display()
                );
                super::complain(&words);
                notes.note(&words);
            }
            Some(store)
        }
        Err(why) => {
            let words = format!(
                "NO POSITION RECORD: {}: {why}. The show goes on; after a crash it could not come back in phase.",
                path.display()
            );
            super::complain(&words);
            notes.note(&words);
            notes.show(words);
            None
        }
    }
}

type Found = (Record, Begin, Option<Return>, Vec<Asked>, Option<String>);

fn from(record: &Record, blank: Record, set: &Set, show: &Show) -> Found {
    let boot = boot::id();
    let now = Moment { ns: boot::now(), boot: &boot, digest: &show.digest };
    let title = |song: usize| show.songs.get(song).map_or("", |song| song.title.as_str());
    match resume(record, set, &now) {
        Comeback::Nothing => {
            let words =
                "The last run of this show ended as it should: there is nothing to go on with.".into();
            (blank, Begin::Fresh, Some(nothing()), Vec::new(), Some(words))
        }
        Comeback::InTime { place, fit, asked } => {
            let night = Night::of(&place, title(place.song));
            let words = match place.run {
                RunState::Playing => format!("BACK IN TIME: {}.", title(place.song)),
                RunState::Holding => format!("BACK: {} holds.", title(place.song)),
                RunState::Stopped => format!("BACK: nothing plays; next is {}.", title(place.chosen)),
            };
            let tonight = record.tonight.clone();
            let draft = Record { clock: Some(fit), night, tonight, leads: record.leads, ..blank };
            (draft, Begin::From(fit), Some(place), asked, Some(words))
        }
        Comeback::Silent { place, why } => {
            let night = Night::of(&place, title(place.chosen));
            let words = format!(
                "SILENT: {}. Song found: {}; \"one is now\" brings it in.",
                why.words(),
                title(place.chosen)
            );
            (Record { night, ..blank }, Begin::Fresh, Some(place), Vec::new(), Some(words))
        }
    }
}

/// Silent, the first song next.
fn nothing() -> Return {
    let one = crate::click::set::Stretch::ONE;
    Return {
        since: FramePos(0),
        run: RunState::Stopped,
        song: 0,
        leg: 0,
        called: false,
        pass: 0,
        at: crate::units::Exact(0),
        stretch: one,
        released: false,
        undo: None,
        chosen: 0,
        chosen_stretch: one,
        all_out: false,
        click_out: false,
        mutes: 0,
        by_hand: 0,
    }
}
