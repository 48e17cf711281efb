//! A run with a terminal: keys through the conductor, the dark stage 30 times a second.

use super::desk::Board;
use super::night::{self, Refusal};
use super::result::End;
use super::session::{Commands, Stage};
use crate::device::second;
use crate::log::Entry;
use crate::realtime::command::{Command, When};
use crate::realtime::event::{RunState, Source};
use crate::renderer::Request;
use crate::show::model::Role;
use crate::survive::thrift::GivenUp;
use crate::telemetry::LastEvent;
use crate::units::Decibels;
use crate::view::conductor::{Conductor, Out};
use crate::view::model::{ClickLine, EventLine, Meter, Power, ScreenModel};
use crate::view::terminal::Session;
use std::sync::Arc;
use std::sync::atomic::Ordering::Relaxed;
use std::time::{Duration, Instant};

const FRAME: Duration = Duration::from_millis(33);
/// Between two drawings when the computer is slow.
const SLOWLY: Duration = Duration::from_millis(500);
const POWER_EVERY: Duration = Duration::from_secs(10);
/// A run whose terminal is gone and that plays nothing ends after this.
const ALONE: Duration = Duration::from_secs(60);

struct Player<'s, 'a> {
    stage: &'s mut Stage<'a>,
    conductor: Conductor,
    seen: Option<LastEvent>,
    power: Power,
    power_read: Option<Instant>,
    peak_db: f64,
    closed_at: Option<Instant>,
    drawn: Instant,
}

/// Plays until a key says that it is over.
pub fn drive(stage: &mut Stage) -> Result<End, Refusal> {
    let session = match Session::open(stage.keys.clone()) {
        // Started again by itself, perhaps after its terminal was closed: the show goes on without a view.
        Err(_) if stage.returned.is_some() && std::env::var_os(super::guard::WHY).is_some() => {
            Session::gone()
        }
        opened => opened,
    };
    let session = session.map_err(|error| Refusal::world(format!("error: {error}")))?;
    let conductor = stage.conductor();
    let mut player = Player {
        stage,
        conductor,
        seen: None,
        power: Power::default(),
        power_read: None,
        peak_db: -200.0,
        closed_at: None,
        drawn: Instant::now(),
    };
    player.stage.started = Instant::now();
    if player.stage.returned.is_none() {
        player.start_asked();
    }
    let end = player.play(&session);
    player.stage.offers = player.conductor.offers();
    Ok(end)
}

impl Player<'_, '_> {
    fn start_asked(&mut self) {
        let wanted = self.stage.args.start.as_ref();
        if let Some(song) = wanted.and_then(|wanted| super::headless::find_song(&self.stage.show, wanted)) {
            self.stage.commands.send(When::Now, Command::Choose { song });
            self.stage.commands.send(When::Now, Command::Start);
        }
    }

    fn play(&mut self, session: &Session) -> End {
        loop {
            if session.closed() {
                // The view is gone, the show is not: no key comes, and nothing waits for one.
                std::thread::sleep(FRAME);
            }
            let first = session.presses().recv_timeout(FRAME).ok();
            let now = self.stage.started.elapsed();
            for pressed in first.into_iter().chain(session.presses().try_iter()) {
                let view = self.stage.shared.lock().view.clone();
                let at = pressed.at.saturating_duration_since(self.stage.started);
                let out = self.conductor.on_key(at, pressed.press, &view);
                self.stage.commands.keeper().tonight(self.conductor.for_tonight());
                if self.carry_out(out) {
                    return End::AsAsked;
                }
            }
            let view = self.stage.shared.lock().view.clone();
            let out = self.conductor.tick(now, &view);
            self.carry_out(out);
            let board = self.stage.shared.lock().clone();
            if let Some(end) = self.over(&board, now, session.closed()) {
                return end;
            }
            if board.given_up >= GivenUp::Views && self.drawn.elapsed() < SLOWLY {
                continue;
            }
            self.drawn = Instant::now();
            let mut model = self.model(&board);
            model.focus_lost = session.focus_lost();
            session.show(model);
        }
    }

    fn taken(&mut self, send: impl FnOnce(&mut Commands) -> Option<u64>) {
        if send(&mut self.stage.commands).is_none() {
            self.stage.log.show("THE ENGINE TAKES NO COMMANDS: look at the device".into());
        }
    }

    /// True when the run is over.
    fn carry_out(&mut self, out: Vec<Out>) -> bool {
        for out in out {
            match out {
                Out::Send(when, command) => self.taken(|commands| commands.send(when, command)),
                Out::Settle(command) => self.taken(|commands| commands.settle(command)),
                Out::Say(_) => {}
                Out::Note(text) => self.stage.log.note(&text),
                Out::Acknowledge => self.seen = self.stage.log.last(),
                Out::Reload => self.reload(),
                Out::Quit => return true,
            }
        }
        false
    }

    fn over(&mut self, board: &Board, now: Duration, closed: bool) -> Option<End> {
        if closed && self.closed_at.is_none() {
            self.closed_at = Some(Instant::now());
            self.stage.log.note("the terminal is gone; the show goes on");
        }
        if let Some(why) = &board.lost {
            return Some(End::DeviceLost(why.clone()));
        }
        if let Some(rate) = board.other_rate {
            return Some(End::OtherRate(rate));
        }
        if self.stage.signalled.load(Relaxed) {
            return Some(End::Signal);
        }
        let over = board.finished || self.stage.args.length.is_some_and(|length| now >= length);
        // Without a terminal nobody can press a key: the song that plays is played to its end; where none
        // plays, the room stays in the ears for a while.
        let quiet = board.view.status.run == RunState::Stopped;
        let waited = self.closed_at.is_some_and(|at| at.elapsed() >= ALONE);
        let left_alone = closed && quiet && (board.songs_ended > 0 || waited);
        (over || left_alone).then_some(End::AsAsked)
    }

    /// Reads the show file again, at sound check.
    fn reload(&mut self) {
        let said = match self.read_again() {
            Ok(said) => said,
            Err(why) => format!("SHOW NOT READ AGAIN: {why}"),
        };
        self.stage.log.note(&said);
        self.stage.log.show(said);
    }

    fn read_again(&mut self) -> Result<String, String> {
        let first_line = |refusal: Refusal| refusal.text.lines().next().unwrap_or_default().to_string();
        let read = night::read(&self.stage.args.show).map_err(first_line)?;
        let names = |show: &crate::show::model::Show| {
            (
                show.clicks
                    .iter()
                    .map(|click| (click.name.clone(), click.separate_fallback))
                    .collect::<Vec<_>>(),
                show.inputs.iter().map(|input| input.name.clone()).collect::<Vec<_>>(),
                format!("{:?} {:?} {:?} {:?}", show.feeds, show.ceiling, show.inputs, show.ride),
            )
        };
        if names(&read.show) != names(&self.stage.show) {
            return Err("clicks, inputs, feeds or ride changed: end the run and start it again".into());
        }
        let (set, _) = night::ready_set(&read.show, self.stage.set.rate).map_err(first_line)?;
        let set = Arc::new(set);
        // The others know of it before the engine takes it.
        let _gone = self.stage.requests.send(Request::Load(Arc::clone(&set)));
        let id = self.stage.commands.next_id();
        let _gone = self.stage.to_ear.send((id, Arc::clone(&set)));
        let (show, digest, text) =
            (read.show.title.clone(), read.show.digest.clone(), read.show.text.clone());
        self.stage.log.entry(Entry::Show { id, show, digest, text });
        let taken = self.stage.commands.send(When::Now, Command::Load(Arc::clone(&set)));
        taken.ok_or("the engine takes no commands: look at the device")?;
        let _gone = self.stage.to_desk.send((read.show.clone(), Arc::clone(&set)));
        (self.stage.show, self.stage.set) = (read.show, set);
        self.conductor.loaded(self.stage.programme());
        Ok(match read.refused.len() {
            0 => format!("SHOW READ AGAIN: {} songs", self.stage.show.songs.len()),
            count => format!(
                "SHOW READ AGAIN: {} songs, {count} left out: see fogbell check",
                self.stage.show.songs.len()
            ),
        })
    }

    fn model(&mut self, board: &Board) -> ScreenModel {
        let clicks = self.stage.show.clicks.iter().zip(&board.sources);
        let leads = board.view.peer.is_some_and(|peer| peer.leads);
        let line = |(click, source): (&crate::show::model::Click, &Source)| ClickLine {
            name: click.name.clone(),
            words: match source {
                Source::Own => "own".into(),
                Source::Streamed => "from the track".into(),
                Source::Fallback => "made by this laptop".into(),
                Source::External if leads && click.external.is_none() => "own".into(),
                Source::External => "from outside".into(),
            },
            fallback: *source == Source::Fallback
                && board.switches.iter().any(|s| s.click == click.name && s.is_fault()),
            muted: false,
        };
        let backup = match self.stage.role {
            Role::Alone => "No backup machine in this rig".into(),
            _ => "Backup: not heard, no lead from it".into(),
        };
        let mut model = ScreenModel { clicks: clicks.map(line).collect(), backup, ..ScreenModel::default() };
        self.conductor.fill(&board.view, &mut model);
        model.beat_phase = self.phase(board);
        if let Some(away) = board.away {
            // Why is the last event; this must fit beside the word on 80 columns.
            let words = "Plug it in, start its server: it comes back by itself, in time.";
            model.stands = Some(("NO DEVICE", format!("{:.0} s. {words}", away.as_secs_f64())));
        }
        model.power = self.power();
        model.clock = jiff::ZonedDateTime::now().strftime("%H:%M:%S").to_string();
        model.last_event = self.stage.log.last().map(|last| EventLine {
            acknowledged: self.seen.as_ref() == Some(&last),
            at: last.clock,
            text: last.text,
        });
        let peak = Decibels::of(board.view.status.peak).0.max(-200.0);
        self.peak_db = peak.max(self.peak_db - 1.0);
        model.meters = vec![Meter { name: "all feeds".into(), peak_db: self.peak_db }];
        model.xruns = board.xruns;
        model.ears.clone_from(&board.ears);
        model.device.clone_from(&self.stage.device);
        if let Some(second) = board.health.as_ref().and_then(|health| health.second.as_ref()) {
            model.device = format!("{}, {}", model.device, second::words(second));
        }
        model
    }

    /// Where inside the beat the device is now: the status's frame and what has passed since it was read.
    fn phase(&self, board: &Board) -> f32 {
        let status = &board.view.status;
        let passed = board.read.map_or(0.0, |read| read.elapsed().as_secs_f64());
        let now = board.at.0 as f64 + passed * f64::from(self.stage.set.rate.hertz());
        let length = (status.next_beat_at - status.beat_at).0;
        if length <= 0 {
            return 0.0;
        }
        (((now - status.beat_at.0 as f64) / length as f64) as f32).clamp(0.0, 0.999)
    }

    fn power(&mut self) -> Power {
        if self.power_read.is_none_or(|at| at.elapsed() >= POWER_EVERY) {
            self.power_read = Some(Instant::now());
            let (charger, percent) = crate::ready::power::now();
            let power = Power { charger, battery_percent: percent };
            if power != self.power {
                self.stage.log.entry(crate::log::Entry::Power { battery_percent: percent, charger });
                self.power = power;
            }
        }
        self.power
    }
}
