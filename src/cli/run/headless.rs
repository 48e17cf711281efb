//! A run without a terminal: the clock and `--press` take the place of keys.

use super::rehearse::{Moment, Rehearsal};
use super::result::End;
use super::session::Stage;
use crate::realtime::command::{Command, When};
use crate::realtime::event::RunState;
use crate::show::model::{InputKind, Show};
use crate::units::FramePos;
use crate::view::conductor::{Conductor, Out};
use crate::view::keys::{Action, Input, Press};
use std::sync::atomic::Ordering::Relaxed;
use std::time::{Duration, Instant};

const LOOK: Duration = Duration::from_millis(5);
/// After the music's end, so that tails are in the recording …
const TAIL: Duration = Duration::from_millis(1500);
/// … and the room, once it is open, for as long as this.
const OPEN: f64 = 0.3;

/// An action pressed at a time.
struct Scripted {
    at: Duration,
    input: Input,
}

/// Errors are sentences: a press that cannot be understood.
pub fn presses(texts: &[String]) -> Result<Vec<(Duration, Input)>, String> {
    let mut all = texts.iter().map(|text| press(text)).collect::<Result<Vec<_>, _>>()?;
    all.sort_by_key(|(at, _)| *at);
    Ok(all)
}

fn press(text: &str) -> Result<(Duration, Input), String> {
    let (at, name) = text.trim().split_once(' ').ok_or(format!("--press `{text}`: write SECONDS ACTION"))?;
    let at = super::seconds(at).map_err(|why| format!("--press `{text}`: {why}"))?;
    let name = name.trim();
    if let (1, Some(digit)) = (name.len(), name.chars().next().and_then(|digit| digit.to_digit(10))) {
        return Ok((at, Input::Digit(digit as u8)));
    }
    let action = Action::all().find(|action| action.name() == name);
    let known = || Action::all().map(Action::name).collect::<Vec<_>>().join(", ");
    action
        .map(|action| (at, Input::Action(action)))
        .ok_or_else(|| format!("--press: no action `{name}`; there are a digit, {}", known()))
}

/// Plays until it is over.
pub fn drive(stage: &mut Stage) -> End {
    let mut conductor = stage.conductor();
    let mut script: Vec<Scripted> = presses(&stage.args.press)
        .unwrap_or_default()
        .into_iter()
        .map(|(at, input)| Scripted { at, input })
        .collect();
    script.reverse();
    let mut rehearsal = stage.args.rehearse.clone();
    let key = key_watch(rehearsal.as_ref());
    stage.started = Instant::now();
    if stage.returned.is_none() {
        start(stage);
    }
    let mut quiet_since: Option<Instant> = None;
    loop {
        std::thread::sleep(LOOK);
        let now = stage.started.elapsed();
        while script.last().is_some_and(|next| next.at <= now) {
            if let Some(next) = script.pop()
                && act(stage, &mut conductor, now, next.input)
            {
                return End::AsAsked;
            }
        }
        if rehearsal.as_ref().is_some_and(|rehearsal| due(rehearsal, now, key.as_ref()))
            && let Some(Rehearsal { what, .. }) = rehearsal.take()
        {
            stage.log.note(&format!("rehearsed failure: {}", what.name()));
            what.happen(&stage.renderer);
        }
        if let Some(end) = over(stage, now, script.is_empty(), &mut quiet_since) {
            return end;
        }
    }
}

/// The song that `--start` names, else the first one with a click; with `--press` alone the presses start it. It
/// starts on a known frame of the device's time, so that a scripted world can be in time with it.
fn start(stage: &mut Stage) {
    let plays = |song: &crate::show::model::Song| !song.sections.is_empty();
    let wanted = match &stage.args.start {
        Some(wanted) => find_song(&stage.show, wanted),
        None if stage.args.press.is_empty() => stage.show.songs.iter().position(plays),
        None => None,
    };
    let Some(song) = wanted else { return };
    let first = FramePos(stage.set.rate.frames(stage.args.start_at.as_secs_f64()).0);
    stage.commands.send(When::Now, Command::Choose { song });
    stage.commands.send(When::Frame(first), Command::Start);
}

/// A song by its number in the set or its title (any case).
pub fn find_song(show: &crate::show::model::Show, wanted: &str) -> Option<usize> {
    let number = wanted.trim().parse::<usize>().ok();
    let numbered = show.songs.iter().position(|song| Some(song.number) == number);
    numbered.or_else(|| {
        show.songs.iter().position(|song| song.title.to_lowercase() == wanted.trim().to_lowercase())
    })
}

fn act(stage: &mut Stage, conductor: &mut Conductor, now: Duration, input: Input) -> bool {
    let view = stage.shared.lock().view.clone();
    let press = Press { input, repeat: false, certain: true };
    for out in conductor.on_key(now, press, &view) {
        match out {
            Out::Send(when, command) => {
                stage.commands.send(when, command);
            }
            Out::Settle(command) => {
                stage.commands.settle(command);
            }
            Out::Note(text) => stage.log.note(&text),
            Out::Quit => return true,
            Out::Say(_) | Out::Acknowledge | Out::Reload => {}
        }
    }
    stage.offers = conductor.offers();
    stage.commands.keeper().tonight(conductor.for_tonight());
    false
}

fn due(rehearsal: &Rehearsal, now: Duration, key: Option<&crossbeam_channel::Receiver<()>>) -> bool {
    match rehearsal.when {
        Moment::At(at) => now >= at,
        Moment::Key => key.is_some_and(|key| key.try_recv().is_ok()),
    }
}

/// Tells when Enter is pressed.
fn key_watch(rehearsal: Option<&Rehearsal>) -> Option<crossbeam_channel::Receiver<()>> {
    rehearsal.filter(|rehearsal| rehearsal.when == Moment::Key)?;
    let (pressed, key) = crossbeam_channel::bounded(1);
    std::thread::spawn(move || {
        let mut line = String::new();
        if std::io::stdin().read_line(&mut line).is_ok_and(|bytes| bytes > 0) {
            let _gone = pressed.send(());
        }
    });
    Some(key)
}

fn over(stage: &Stage, now: Duration, script_done: bool, quiet: &mut Option<Instant>) -> Option<End> {
    let board = stage.shared.lock();
    if let Some(why) = &board.lost {
        return Some(End::DeviceLost(why.clone()));
    }
    if let Some(rate) = board.other_rate {
        return Some(End::OtherRate(rate));
    }
    if stage.signalled.load(Relaxed) {
        return Some(End::Signal);
    }
    if board.finished || stage.args.length.is_some_and(|length| now >= length) {
        return Some(End::AsAsked);
    }
    let music_over = board.view.status.run == RunState::Stopped && board.songs_ended > 0 && script_done;
    if stage.args.length.is_some() || !music_over {
        *quiet = None;
        return None;
    }
    let since = *quiet.get_or_insert_with(Instant::now);
    (since.elapsed() >= tail(&stage.show)).then_some(End::AsAsked)
}

fn tail(show: &Show) -> Duration {
    let rides = show.inputs.iter().any(|input| input.kind == InputKind::Ambient);
    let opened = show.ride.after_seconds + show.ride.open_seconds + OPEN;
    if rides { TAIL.max(Duration::from_secs_f64(opened)) } else { TAIL }
}
