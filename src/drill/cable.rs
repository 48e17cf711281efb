//! The drill on a real interface: one output, a cable, one input. The show's click is a track that is read from disk; what
//! reads it fails, and what really came back is judged.
//!
//! In: an interface, an engine's setup whose only outlet is that output. Out: a verdict a failure. Thread: the caller's,
//! beside the host's audio thread and the renderer's. Always: no other output carries anything, and never more than the
//! setup's gain lets through.

use super::align::lay;
use super::allowed::Losses;
use super::bench::Wiring;
use super::failures::noticed;
use super::hearing::Hearing;
use super::verdict::{Verdict, verdict};
use crate::click::set::Set;
use crate::device::{HealthState, Interface, OpenSetup};
use crate::listener::{Due, Expect, Listener, Plan, WavClips};
use crate::log::{Recorder, TakeSink};
use crate::realtime::command::{Command, Timed, When};
use crate::realtime::engine::engine;
use crate::realtime::event::{Event, Source, What};
use crate::realtime::setup::EngineSetup;
use crate::renderer::{self, Corruption, Fault, Renderer, Request};
use crate::units::{FramePos, Frames};
use ringbuf::traits::{Consumer, Producer};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

/// What fails, and how it is called.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Breaks {
    Nothing,
    Dies,
    Freezes,
    Slow,
    Repeats,
    Corrupt,
}

impl Breaks {
    /// All, in the order in which they are told; the first ones are the short drill.
    pub const ALL: [Breaks; 6] =
        [Breaks::Nothing, Breaks::Dies, Breaks::Corrupt, Breaks::Freezes, Breaks::Slow, Breaks::Repeats];
    pub const SHORT: usize = 3;

    const fn names(self) -> (&'static str, &'static str) {
        match self {
            Breaks::Nothing => ("cable-nothing-fails", "nothing fails: for comparison"),
            Breaks::Dies => ("cable-renderer-dies", "what reads the click track is killed"),
            Breaks::Freezes => ("cable-renderer-freezes", "what reads the click track freezes"),
            Breaks::Slow => ("cable-renderer-slow", "the disk is slow: a block each 0.4 s"),
            Breaks::Repeats => ("cable-renderer-repeats", "the click track repeats its last block"),
            Breaks::Corrupt => ("cable-renderer-corrupt", "the click track is no numbers any more"),
        }
    }

    fn happen(self, renderer: &Renderer) {
        match self {
            Breaks::Nothing => {}
            Breaks::Dies => renderer.kill(),
            Breaks::Freezes => renderer.freeze(true),
            Breaks::Slow => renderer.slow(400),
            Breaks::Repeats => renderer.set_fault(Fault::Repeat),
            Breaks::Corrupt => renderer.corrupt(Corruption::NotANumber),
        }
    }
}

/// What is played where.
pub struct Cable {
    pub set: Arc<Set>,
    /// One outlet: the output; recording is on.
    pub setup: EngineSetup,
    pub open: OpenSetup,
    /// From 0.
    pub output: usize,
    pub input: usize,
}

/// Seconds after the start at which it fails; what is read ahead by then lasts 2 s.
const FAILS: f64 = 1.8;
const LONG: f64 = 7.5;
const LOOK: Duration = Duration::from_millis(4);
/// A stream that has not played so much longer than its time is not coming.
const PATIENCE: Duration = Duration::from_secs(10);

/// What went out and what came back, on the interface's frames.
#[derive(Clone, Debug, Default)]
pub struct Take {
    pub sent: Vec<f32>,
    pub back: Vec<f32>,
    /// Frames that nobody asked for.
    pub lost: Vec<(i64, i64)>,
    pub events: Vec<Event>,
    /// When it failed.
    pub failed_at: Option<i64>,
}

/// Two channels in memory.
#[derive(Clone)]
struct Sink {
    kept: Arc<Mutex<(Vec<f32>, Vec<f32>)>>,
    /// Which of what is recorded: outputs come first.
    channels: (usize, usize),
}

impl TakeSink for Sink {
    fn write(&mut self, planar: &[&[f32]]) -> Result<(), String> {
        let mut kept = self.kept.lock().unwrap_or_else(PoisonError::into_inner);
        kept.0.extend_from_slice(planar.get(self.channels.0).copied().unwrap_or(&[]));
        kept.1.extend_from_slice(planar.get(self.channels.1).copied().unwrap_or(&[]));
        Ok(())
    }
}

impl Cable {
    /// Plays one failure and judges what came back. Errors: the device, in words with the mend.
    pub fn rehearse(&self, interface: &mut dyn Interface, breaks: Breaks) -> Result<Verdict, String> {
        let take = self.play(interface, breaks)?;
        self.judge(&take, breaks)
    }

    fn play(&self, interface: &mut dyn Interface, breaks: Breaks) -> Result<Take, String> {
        let cannot = |fault: &dyn std::fmt::Display| format!("error: {fault}");
        let opened = interface.open(&self.open).map_err(|fault| cannot(&fault))?;
        let rate = opened.negotiated().rate;
        if rate != self.set.rate {
            return Err(format!(
                "error: the interface runs at {} Hz\n  to mend it: write rate = {} in the rig's [interface]",
                rate.hertz(),
                rate.hertz()
            ));
        }
        let (mut control, process) = engine(&self.setup, Arc::clone(&self.set));
        let (requests, asked) = crossbeam_channel::unbounded();
        let rings = std::mem::take(&mut control.streams);
        let renderer =
            renderer::spawn(Arc::clone(&self.set), asked, rings).map_err(|fault| cannot(&fault))?;
        let tap = control.tap.take().ok_or("error: nothing is recorded")?;
        let channels = (self.output, tap.outputs + self.input);
        let sink = Sink { kept: Arc::default(), channels };
        let mut recorder =
            Recorder::new(tap.headers, tap.samples, tap.inputs, tap.outputs, Some(sink.clone()));
        let mut running = opened.start(Box::new(process)).map_err(|fault| cannot(&fault))?;
        let start = Timed { when: When::Frame(FramePos(rate.frames(0.5).0)), command: Command::Start, id: 1 };
        let _full = control.commands.try_push(start);
        let mut take = Take::default();
        let frames = |seconds: f64| rate.frames(seconds).0;
        let begun = Instant::now();
        let trouble = loop {
            std::thread::sleep(LOOK);
            recorder.take(None);
            let now = recorder.taken().end.0;
            for event in control.events.pop_iter() {
                if let Some(request) = Request::of(&event) {
                    let _gone = requests.send(request);
                }
                take.events.push(event);
            }
            if take.failed_at.is_none() && now >= frames(FAILS) && breaks != Breaks::Nothing {
                breaks.happen(&renderer);
                take.failed_at = Some(now);
            }
            match running.health().state {
                HealthState::Lost(why) => break Some(why),
                HealthState::Finished => break Some("it reached its end".into()),
                _ if now >= frames(LONG) => break None,
                _ if begun.elapsed() > Duration::from_secs_f64(LONG) + PATIENCE => {
                    break Some("it does not call".into());
                }
                _ => {}
            }
        };
        running.stop();
        if let Some(why) = trouble {
            return Err(format!(
                "error: the device stopped: {why}\n  to mend it: bring it back, then drill again"
            ));
        }
        take.events.extend(control.events.pop_iter());
        let first = recorder.taken().first.map_or(0, |first| first.0);
        drop(recorder);
        take.own(first, &sink);
        Ok(take)
    }

    /// Counts what came back. Errors: too little of it is the click, in words.
    pub fn judge(&self, take: &Take, breaks: Breaks) -> Result<Verdict, String> {
        let rate = self.set.rate;
        let hertz = f64::from(rate.hertz());
        let good = take.failed_at.unwrap_or(i64::MAX).min(take.sent.len() as i64);
        // Until the failure both are as they should be: there the way is measured.
        let sent = &take.sent[..good.max(0) as usize];
        let fit = lay(&take.back, sent, rate.hertz()).filter(|fit| fit.left < UNLIKE);
        let fit = fit.ok_or(
            "error: what comes back is not the click that leaves\n  to mend it: look at the cable, at the input's gain, \
             and at anything else that plays into that input",
        )?;
        let back: Vec<f32> = take.back.iter().map(|sample| (f64::from(*sample) / fit.gain) as f32).collect();
        let end = back.len() as i64 - rate.frames(0.3).0;
        let moved = |due: Due| Due { frame: due.frame + Frames(fit.shift), channel: 0, ..due };
        let dues = self.dues(take).into_iter().map(moved).filter(|due| due.frame.0 < end);
        let lost: Vec<(i64, i64)> =
            take.lost.iter().map(|(from, to)| (from + fit.shift, to + fit.shift)).collect();
        let mut allowed = noticed(Wiring::Streamed);
        allowed.noticed = breaks != Breaks::Nothing;
        let hearing = Hearing {
            samples: &back[..end.max(0) as usize],
            rate,
            templates: Listener::templates(&self.set),
            dues: dues.collect(),
            lost: &lost,
            clean: None,
            most_error_ms: allowed.most_error_ms(),
        };
        let figures = hearing.figures();
        let moments = take.failed_at.iter().map(|at| at + fit.shift).collect();
        let losses = Losses { moments, cut: 0, window: 0, frames_a_second: hertz };
        let detected = take.switched().map(|frames| frames as f64 * 1000.0 / hertz);
        let loss = take.failed_at.map(|at| at + fit.shift);
        Ok(verdict(breaks.names(), &figures, detected, loss, &losses, &allowed))
    }

    /// What was due, whoever made it: the engine's placings, without its word on who did.
    fn dues(&self, take: &Take) -> Vec<Due> {
        let clips = WavClips::new(self.set.rate.hertz());
        let mut plan = Plan::new(Arc::clone(&self.set), &self.setup, Box::new(clips));
        let mut dues = Dues(Vec::new());
        let taken = |event: &&Event| !matches!(event.what, What::Switched { source: Source::Fallback, .. });
        take.events.iter().filter(taken).for_each(|event| plan.take(event, &mut dues));
        plan.finish(FramePos(take.sent.len() as i64), &mut dues);
        dues.0
    }
}

/// The part of what came back, where the click should be, that may not be it: −10 dB. Half a frame is 1.7 % at 2 kHz.
const UNLIKE: f64 = 0.1;

impl Take {
    /// Takes over what was recorded, on frames from the first one on.
    fn own(&mut self, first: i64, sink: &Sink) {
        let mut kept = sink.kept.lock().unwrap_or_else(PoisonError::into_inner);
        (self.sent, self.back) = std::mem::take(&mut *kept);
        self.failed_at = self.failed_at.map(|at| at - first);
        for event in &mut self.events {
            event.at = event.at - Frames(first);
            if let What::Placed { anchor_at, .. } = &mut event.what {
                *anchor_at = *anchor_at - crate::units::Span::frames(Frames(first));
            }
            if let What::Xrun { lost } = event.what
                && lost > Frames(0)
            {
                self.lost.push((event.at.0 - lost.0, event.at.0));
            }
        }
    }

    /// Frames from the failure to the switch.
    fn switched(&self) -> Option<i64> {
        let at = self.failed_at?;
        let switches = self.events.iter().filter(|event| {
            matches!(event.what, What::Switched { source: Source::Fallback, .. }) && event.at.0 >= at
        });
        switches.map(|event| event.at.0 - at).min()
    }
}

struct Dues(Vec<Due>);

impl Expect for Dues {
    fn due(&mut self, due: Due) {
        self.0.push(due);
    }

    fn cut(&mut self, _: u16, _: Option<u8>, _: FramePos) {}

    fn edge(&mut self, _: u16, _: FramePos) {}
}
