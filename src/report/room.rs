//! How the room rode: what the show file asks of each microphone, and what its level did.

use super::place::{Places, Placing};
use crate::realtime::event::RideWhy;
use serde::Serialize;

/// Moves of one run that are kept, all inputs together.
const MOST_MOVES: usize = 2_000;
const MOST_STEPS: usize = 2_000;
/// A ramp is straight in gain, so it is bent in decibels: it is drawn by so many pieces.
const PIECES: usize = 12;
/// Levels stand in the log to a tenth of a decibel; two that are as near as this are one.
const SAME_DB: f64 = 0.3;
/// As low as a log goes: silence.
const SILENCE_DB: f64 = -200.0;

/// A level from a moment on, in dB; −200 is silence.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Point {
    /// Since the run began.
    pub seconds: f64,
    pub db: f64,
}

/// One move of an input's level, straight in gain.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Move {
    pub seconds: f64,
    pub over_seconds: f64,
    pub from_db: f64,
    pub to_db: f64,
    pub why: RideWhy,
}

/// One microphone of the room.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Ridden {
    pub name: String,
    /// Its level in songs and between them by the show file.
    pub in_song_db: Option<f64>,
    pub between_db: Option<f64>,
    pub moves: Vec<Move>,
    /// What the show file asks for, a step a point.
    pub asked: Vec<Point>,
    /// What it did: as it is drawn, straight from point to point.
    pub line: Vec<Point>,
    /// Songs on whose count one it was where the show file asks it to be, and songs on whose it was not.
    pub in_time: usize,
    pub not_in_time: Vec<String>,
}

/// All microphones of the room.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Room {
    pub inputs: Vec<Ridden>,
    /// Times of the show file.
    pub close_seconds: Option<f64>,
    pub open_seconds: Option<f64>,
    pub after_seconds: Option<f64>,
    /// Moves that are not told.
    pub more_moves: u64,
}

/// A move as the log has it.
#[derive(Clone, Debug)]
struct Told {
    input: u8,
    frame: Option<i64>,
    /// When the line was written, where no frame says more.
    seconds: f64,
    over_seconds: f64,
    from_db: f64,
    to_db: f64,
    why: RideWhy,
}

/// What the music asks for from a frame on: a song's level (or its section's own), or the one between songs.
#[derive(Clone, Copy, Debug)]
struct Step {
    frame: i64,
    in_song: bool,
    section_db: Option<f64>,
}

/// Gathers while a log is read.
#[derive(Clone, Debug, Default)]
pub struct Riding {
    told: Vec<Told>,
    steps: Vec<Step>,
    more: u64,
}

/// A song as far as the room needs it.
pub struct Song<'s> {
    pub title: &'s str,
    pub first: i64,
    pub end: i64,
    pub from_seconds: f64,
}

impl Riding {
    pub fn ride(&mut self, at: (Option<i64>, f64), input: u8, levels: (f64, f64), over: f64, why: RideWhy) {
        if self.told.len() >= MOST_MOVES {
            self.more += 1;
            return;
        }
        let db = |db: f64| db.clamp(SILENCE_DB, 60.0);
        let (from_db, to_db) = (db(levels.0), db(levels.1));
        let over_seconds = over.clamp(0.0, 3600.0);
        self.told.push(Told { input, frame: at.0, seconds: at.1, over_seconds, from_db, to_db, why });
    }

    /// Music begins, or another section of it.
    pub fn music(&mut self, placing: &Placing, places: &Places) {
        let Some(anchor) = placing.anchor else { return };
        let section_db = places.ambient_db(placing);
        self.step(Step { frame: anchor.at.nearest().0, in_song: true, section_db });
    }

    /// The music rests from a frame on.
    pub fn rest(&mut self, frame: i64, playing: Option<&Placing>, places: &Places) {
        let opens = playing.and_then(|placing| places.opens(placing, frame));
        self.step(Step { frame: opens.unwrap_or(frame), in_song: false, section_db: None });
    }

    fn step(&mut self, step: Step) {
        if self.steps.len() < MOST_STEPS {
            self.steps.push(step);
        }
    }

    /// After the last line. `end`: when the run was over.
    pub fn finish(self, places: &Places, songs: &[Song], rate: f64, end: f64) -> Room {
        let seconds = |frame: i64| {
            let away = |song: &&Song| (song.first - frame).max(frame - song.end).max(0);
            let near = songs.iter().min_by_key(away)?;
            Some(near.from_seconds + (frame - near.first) as f64 / rate)
        };
        let known = !places.inputs.is_empty();
        let mut room = Room {
            close_seconds: known.then_some(places.ride.close_seconds),
            open_seconds: known.then_some(places.ride.open_seconds),
            after_seconds: known.then_some(places.ride.after_seconds),
            more_moves: self.more,
            inputs: Vec::new(),
        };
        let mut numbers: Vec<u8> = self.told.iter().map(|told| told.input).collect();
        numbers.sort_unstable();
        numbers.dedup();
        for number in numbers {
            let said = places.inputs.get(usize::from(number));
            if said.is_some_and(|said| !said.ambient) {
                continue;
            }
            let moves = self.told.iter().filter(|told| told.input == number).map(|told| Move {
                // By its end: a room that closes does so for the song that follows.
                seconds: told
                    .frame
                    .and_then(|frame| seconds(frame.saturating_add((told.over_seconds * rate) as i64)))
                    .map_or(told.seconds, |end| end - told.over_seconds),
                over_seconds: told.over_seconds,
                from_db: told.from_db,
                to_db: told.to_db,
                why: told.why,
            });
            let asked = said.into_iter().flat_map(|said| {
                let from_start = Point { seconds: 0.0, db: said.between_db };
                let steps = self.steps.iter().filter_map(|step| {
                    let db = match step.in_song {
                        true => step.section_db.map_or(said.in_song_db, |db| said.trim_db + db),
                        false => said.between_db,
                    };
                    Some(Point { seconds: seconds(step.frame)?, db })
                });
                std::iter::once(from_start).chain(steps)
            });
            let mut ridden = Ridden {
                name: said.map_or_else(|| format!("input {}", number + 1), |said| said.name.clone()),
                in_song_db: said.map(|said| said.in_song_db),
                between_db: said.map(|said| said.between_db),
                moves: moves.collect(),
                asked: asked.collect(),
                ..Ridden::default()
            };
            ridden.line = line(&ridden.moves, end);
            ridden.judge(songs);
            room.inputs.push(ridden);
        }
        // Those that move most first.
        room.inputs.sort_by_key(|ridden| std::cmp::Reverse(ridden.moves.len()));
        room
    }
}

impl Ridden {
    /// Is it closed on count one of each song?
    fn judge(&mut self, songs: &[Song]) {
        for song in songs {
            let at = song.from_seconds;
            let Some(asked) = self.asked.iter().rev().find(|asked| asked.seconds <= at + 1e-3) else {
                continue;
            };
            let closed = level(&self.line, at + 1e-3) <= asked.db + SAME_DB;
            if closed {
                self.in_time += 1;
            } else {
                self.not_in_time.push(song.title.into());
            }
        }
    }

    /// Both go the same way.
    pub fn is_like(&self, other: &Ridden) -> bool {
        self.line == other.line && self.asked == other.asked
    }

    /// When it moved, in pieces of time that lie more than `apart` seconds from each other.
    pub fn windows(&self, apart: f64) -> Vec<(f64, f64)> {
        let mut windows: Vec<(f64, f64)> = Vec::new();
        let mut moves: Vec<(f64, f64)> =
            self.moves.iter().map(|one| (one.seconds, one.seconds + one.over_seconds)).collect();
        moves.sort_by(|a, b| a.0.total_cmp(&b.0));
        for (from, to) in moves {
            match windows.last_mut() {
                Some(last) if from - last.1 <= apart => last.1 = last.1.max(to),
                _ => windows.push((from, to)),
            }
        }
        windows
    }
}

impl Room {
    /// In words, a line for microphones that rode alike.
    pub fn words(&self) -> Vec<String> {
        self.alike().iter().map(|alike| self.of(alike)).collect()
    }

    /// Microphones that rode alike, together.
    pub fn alike(&self) -> Vec<Vec<&Ridden>> {
        let mut all: Vec<Vec<&Ridden>> = Vec::new();
        for ridden in &self.inputs {
            match all.iter_mut().find(|alike| alike[0].is_like(ridden)) {
                Some(alike) => alike.push(ridden),
                None => all.push(vec![ridden]),
            }
        }
        all
    }

    fn of(&self, alike: &[&Ridden]) -> String {
        let Some(first) = alike.first() else { return String::new() };
        let names: Vec<String> = alike.iter().map(|ridden| ridden.name.clone()).collect();
        let names = super::words::list(&names);
        let mut parts = Vec::new();
        let rides = first.in_song_db != first.between_db || first.in_song_db.is_none();
        match (first.in_song_db, first.between_db) {
            (Some(song), Some(between)) if rides => {
                parts.push(format!("asked for {song:.0} dB in songs and {between:.0} dB between"));
            }
            (Some(song), _) => parts.push(format!("asked for {song:.0} dB all the time")),
            _ => {}
        }
        match (first.in_time, first.not_in_time.as_slice()) {
            _ if !rides => {}
            (0, []) => {}
            (1, []) => parts.push("down on count one of its song".into()),
            (all, []) => parts.push(format!("down on count one of all {all} songs")),
            (_, late) => parts.push(format!("NOT down on count one of {}", super::words::list(late))),
        }
        let over = |why: RideWhy| {
            let moves = first.moves.iter().filter(|one| one.why == why).map(|one| one.over_seconds);
            let (low, high) =
                moves.fold((f64::MAX, 0.0f64), |(low, high), one| (low.min(one), high.max(one)));
            (low <= high).then(|| {
                if high - low < 0.01 { format!("{high:.2} s") } else { format!("{low:.2} to {high:.2} s") }
            })
        };
        parts.extend(over(RideWhy::Song).map(|over| format!("closed over {over}")));
        parts.extend(over(RideWhy::Between).map(|over| format!("opened over {over}")));
        let times = |why: RideWhy| first.moves.iter().filter(|one| one.why == why).count();
        let hands = times(RideWhy::Hand);
        if hands > 0 {
            parts.push(format!("moved by hand {}", super::words::count(hands as u64, "time", "times")));
        }
        let kills = times(RideWhy::Killed);
        if kills > 0 {
            parts.push(format!("killed {}", super::words::count(kills as u64, "time", "times")));
        }
        format!("{names}: {}.", parts.join("; "))
    }
}

/// The level of a drawn line at a moment, in dB.
pub fn level(line: &[Point], seconds: f64) -> f64 {
    let after = line.partition_point(|point| point.seconds <= seconds);
    let (before, next) = (after.checked_sub(1).and_then(|at| line.get(at)), line.get(after));
    match (before, next) {
        (Some(a), Some(b)) if b.seconds > a.seconds => {
            a.db + (b.db - a.db) * (seconds - a.seconds) / (b.seconds - a.seconds)
        }
        (Some(a), _) => a.db,
        (None, Some(b)) => b.db,
        (None, None) => SILENCE_DB,
    }
}

fn gain(db: f64) -> f64 {
    if db <= SILENCE_DB { 0.0 } else { 10f64.powf(db / 20.0) }
}

fn decibels(gain: f64) -> f64 {
    (20.0 * gain.max(1e-10).log10()).max(SILENCE_DB)
}

fn near(a: f64, b: f64) -> bool {
    (a - b).abs() <= SAME_DB
}

impl Move {
    fn end(&self) -> f64 {
        self.seconds + self.over_seconds
    }

    /// Linear gain at a moment not before it begins.
    fn at(&self, seconds: f64) -> f64 {
        self.between(seconds, gain(self.from_db), gain(self.to_db))
    }

    fn between(&self, seconds: f64, from: f64, to: f64) -> f64 {
        let part = (seconds - self.seconds) / self.over_seconds.max(1e-9);
        from + (to - from) * part.clamp(0.0, 1.0)
    }

    const fn is_kill(&self) -> bool {
        matches!(self.why, RideWhy::Killed | RideWhy::BackFromKill)
    }
}

/// Moves as they came to pass: one that was called back before it began is none.
fn done(moves: &[Move]) -> Vec<&Move> {
    let mut done: Vec<&Move> = Vec::new();
    for one in moves.iter().filter(|one| !one.is_kill()) {
        while let Some(before) = done.last() {
            let goes_on =
                before.seconds <= one.seconds && near(decibels(before.at(one.seconds)), one.from_db);
            if goes_on || !near(before.from_db, one.from_db) {
                break;
            }
            done.pop();
        }
        done.push(one);
    }
    done.sort_by(|a, b| a.seconds.total_cmp(&b.seconds));
    done
}

/// What was heard of it: where the ride was, and silence while the room was killed.
fn line(moves: &[Move], end: f64) -> Vec<Point> {
    let rides = done(moves);
    let mut kills: Vec<&Move> = moves.iter().filter(|one| one.is_kill()).collect();
    kills.sort_by(|a, b| a.seconds.total_cmp(&b.seconds));
    let last = |all: &[&Move], seconds: f64| {
        let begun = all.partition_point(|one| one.seconds <= seconds);
        begun.checked_sub(1).and_then(|at| all.get(at).copied().cloned())
    };
    let at = |seconds: f64| {
        let ridden = match last(&rides, seconds) {
            Some(one) => one.at(seconds),
            None => rides.first().map_or(0.0, |one| gain(one.from_db)),
        };
        let open = last(&kills, seconds).map_or(1.0, |one| {
            if one.why == RideWhy::Killed {
                one.between(seconds, 1.0, 0.0)
            } else {
                one.between(seconds, 0.0, 1.0)
            }
        });
        decibels(ridden * open)
    };
    let mut times = vec![0.0, end];
    for one in rides.iter().chain(&kills) {
        let pieces = (0..=PIECES).map(|n| one.seconds + one.over_seconds * n as f64 / PIECES as f64);
        times.extend(pieces);
        // A move that cuts another one off begins where that one was.
        times.push(one.end());
    }
    times.retain(|at| (0.0..=end).contains(at));
    times.sort_by(f64::total_cmp);
    times.dedup_by(|a, b| (*a - *b).abs() < 1e-9);
    times.into_iter().map(|seconds| Point { seconds, db: at(seconds) }).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn one(seconds: f64, over_seconds: f64, from_db: f64, to_db: f64, why: RideWhy) -> Move {
        Move { seconds, over_seconds, from_db, to_db, why }
    }

    /// Halfway between gains 1 and 0.25 is 0.625: −4.08 dB.
    #[test]
    fn a_ramp_is_straight_in_gain() {
        let moves = [one(2.0, 1.0, 0.0, -12.0412, RideWhy::Song)];
        let line = line(&moves, 5.0);
        assert!((level(&line, 2.5) + 4.08).abs() < 0.01, "{}", level(&line, 2.5));
        assert_eq!((level(&line, 1.0), level(&line, 3.0)), (0.0, level(&line, 5.0)));
    }

    #[test]
    fn an_opening_that_is_called_back_never_was() {
        let moves = [
            one(0.5, 0.6, 0.0, -12.0, RideWhy::Song),
            one(9.0, 1.5, -12.0, 0.0, RideWhy::Between),
            one(9.4, 0.6, -12.0, -12.0, RideWhy::Song),
        ];
        assert!(near(level(&line(&moves, 12.0), 10.4), -12.0));
        // One that had begun turns round where it was: half of its gain, 0.625, is −4.1 dB.
        let moves = [moves[0].clone(), moves[1].clone(), one(9.75, 0.6, -4.1, -12.0, RideWhy::Song)];
        assert!(
            near(level(&line(&moves, 12.0), 9.75), -4.1) && near(level(&line(&moves, 12.0), 10.4), -12.0)
        );
    }

    #[test]
    fn a_killed_room_is_silent_whatever_else_moves() {
        let moves = [
            one(0.0, 0.0, 0.0, 0.0, RideWhy::Load),
            one(1.0, 0.008, 0.0, -200.0, RideWhy::Killed),
            one(2.0, 0.6, 0.0, -12.0, RideWhy::Song),
            one(5.0, 1.5, -200.0, -12.0, RideWhy::BackFromKill),
        ];
        let line = line(&moves, 9.0);
        assert_eq!((level(&line, 0.9), level(&line, 1.5), level(&line, 4.0)), (0.0, SILENCE_DB, SILENCE_DB));
        assert!(near(level(&line, 5.75), -18.0) && near(level(&line, 8.0), -12.0));
    }
}
