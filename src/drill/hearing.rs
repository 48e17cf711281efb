//! The band's ear: a recording of one feed against what was due on it. Every figure here is counted from sound.

use crate::listener::{Due, Finding, Listener, Outcome, Template};
use crate::units::{FramePos, Frames, SampleRate};
use std::sync::Arc;

/// What is listened to. All frames are of the recording.
pub struct Hearing<'a> {
    pub samples: &'a [f32],
    pub rate: SampleRate,
    pub templates: Vec<Arc<Template>>,
    pub dues: Vec<Due>,
    /// Frames that nobody asked for.
    pub lost: &'a [(i64, i64)],
    /// The same without a failure, for the level of each hit; without it the listener's fit tells the level.
    pub clean: Option<&'a [f32]>,
    /// Hits further from their place than this are late.
    pub most_error_ms: f64,
}

/// What was counted.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Figures {
    pub due: u64,
    pub missed: u64,
    /// Early as well.
    pub late: u64,
    pub lost_with_device: u64,
    pub clipped: u64,
    /// Hits that were not due, more than 1 ms from one that was, or where none was.
    pub flams: u64,
    /// Hits that were not due within 1 ms of one that was: two clicks in phase.
    pub in_phase: u64,
    /// Of hits that were not late.
    pub largest_error_ms: f64,
    /// The largest step from a hit's planned level, up or down.
    pub level_step_db: f64,
    /// Places of hits that were missed or late.
    pub amiss: Vec<i64>,
    /// Places of all that were due, in the order of time.
    pub places: Vec<i64>,
    /// Of them, those that were heard, with bar and beat.
    pub heard: Vec<(i64, i32, u16)>,
}

impl Figures {
    /// All hits that were not due.
    pub const fn doubled(&self) -> u64 {
        self.flams + self.in_phase
    }

    /// The first hit that was heard at or after a frame: its place, bar and beat.
    pub fn first_after(&self, frame: i64) -> Option<(i64, String)> {
        let (place, bar, beat) = self.heard.iter().find(|heard| heard.0 >= frame)?;
        Some((*place, format!("{bar}:{beat}")))
    }
}

/// Doubles closer than this are in phase.
const FLAM_MS: f64 = 1.0;
/// A level is measured over this, from a little before a hit's place.
const LEVEL_MS: (f64, f64) = (1.0, 5.0);
/// A smaller rise is left to the listener's fit.
const RISE_DB: f64 = 0.5;
/// A step of less than this much in a hit of less than this level (−60 dB of full scale) is nothing.
const FAINT: f64 = 1e-6;

impl Hearing<'_> {
    pub fn figures(self) -> Figures {
        let mut listener = Listener::new(self.templates.clone(), self.rate, 1);
        self.dues.iter().for_each(|due| listener.expect(due.clone()));
        self.play(&mut listener);
        let found = listener.finish();
        let mut figures = Figures {
            due: found.all.due,
            missed: found.all.missed + found.all.unheard,
            lost_with_device: found.all.lost_with_device,
            clipped: found.all.clipped,
            ..Figures::default()
        };
        let mut on_time: f64 = 0.0;
        for finding in found.findings.iter().filter(|finding| !split(finding, &found.findings)) {
            if let Some(frames) = self.beside(finding, &found.findings) {
                figures.missed -= u64::from(finding.outcome == Outcome::Missed);
                on_time = on_time.max(frames);
                continue;
            }
            match finding.outcome {
                // A frame or two is the two machines' rounding: it counts as an error, not as late.
                Outcome::Late if self.ms(finding.error_frames.abs()) > self.most_error_ms => {
                    figures.late += 1;
                    figures.amiss.push(finding.frame);
                }
                Outcome::Late => on_time = on_time.max(finding.error_frames.abs()),
                Outcome::Missed | Outcome::Unheard => figures.amiss.push(finding.frame),
                Outcome::Doubled if self.in_phase(finding.frame) => figures.in_phase += 1,
                Outcome::Doubled => figures.flams += 1,
                _ => {}
            }
        }
        // What was not kept word for word was still found.
        let kept =
            |outcome| found.findings.iter().filter(|finding| finding.outcome == outcome).count() as u64;
        figures.flams += found.all.doubled - kept(Outcome::Doubled);
        figures.late += found.all.late - kept(Outcome::Late);
        let sounded = if found.all.late == 0 { on_time.max(found.all.largest_error_frames) } else { on_time };
        figures.largest_error_ms = rounded(self.ms(sounded), 1000.0);
        self.places(&found.findings, &mut figures);
        // Two clicks in phase are explained in more than one way by a fit: their sum is measured.
        let summed = self.clean.map_or(0.0, |clean| self.level_rise(clean, &found.findings));
        let level = match summed > RISE_DB {
            true => summed,
            false => listened_level(&found.findings, found.largest_level_error_db),
        };
        figures.level_step_db = rounded(level, 100.0);
        figures
    }

    fn play(&self, listener: &mut Listener) {
        let (mut at, mut gap) = (0usize, 0i64);
        while at < self.samples.len() {
            if let Some((from, to)) = self.lost.iter().find(|(from, to)| (*from..*to).contains(&(at as i64)))
            {
                (at, gap) = (*to as usize, gap + to - from.max(&(at as i64)));
                continue;
            }
            let until = self.lost.iter().map(|lost| lost.0 as usize).filter(|lost| *lost > at).min();
            let to = (at + 4096).min(self.samples.len()).min(until.unwrap_or(usize::MAX));
            listener.hear(FramePos(at as i64), Frames(gap), &[&self.samples[at..to]]);
            (at, gap) = (to, 0);
        }
    }

    fn ms(&self, frames: f64) -> f64 {
        frames * 1000.0 / f64::from(self.rate.hertz())
    }

    fn in_phase(&self, frame: i64) -> bool {
        self.dues.iter().any(|due| self.ms((due.frame.0 - frame).abs() as f64) <= FLAM_MS)
    }

    /// A hit that is a frame or two from its place may be explained as one that is missing and one too many: how far
    /// apart the two are.
    fn beside(&self, finding: &Finding, all: &[Finding]) -> Option<f64> {
        let other = match finding.outcome {
            Outcome::Missed => Outcome::Doubled,
            Outcome::Doubled => Outcome::Missed,
            _ => return None,
        };
        let apart = |twin: &Finding| (twin.frame - finding.frame).abs() as f64;
        let near = |twin: &&Finding| {
            let level = if other == Outcome::Doubled { twin.level_db } else { finding.level_db };
            twin.outcome == other && level.abs() < 3.0 && self.ms(apart(twin)) <= self.most_error_ms
        };
        all.iter().find(near).map(apart)
    }

    fn places(&self, findings: &[Finding], figures: &mut Figures) {
        let mut dues: Vec<&Due> = self.dues.iter().filter(|due| due.judged).collect();
        dues.sort_by_key(|due| due.frame);
        figures.places = dues.iter().map(|due| due.frame.0).collect();
        let absent = |finding: &Finding| match finding.outcome {
            Outcome::Missed => self.beside(finding, findings).is_none(),
            outcome => matches!(outcome, Outcome::LostWithDevice | Outcome::Unheard),
        };
        let silent = |frame: i64| findings.iter().any(|finding| finding.frame == frame && absent(finding));
        let heard = dues.iter().filter(|due| !silent(due.frame.0));
        figures.heard = heard.map(|due| (due.frame.0, due.bar, due.beat)).collect();
    }

    /// Energy from 1 ms before to 5 ms after a hit's place, against the same without a failure: the largest rise. Two equal
    /// hits in phase are twice the amplitude: 20 log10 2 = 6.02 dB. A fall may be the tail of a hit that was cut: the
    /// listener's fit tells that from a hit that is too quiet.
    fn level_rise(&self, clean: &[f32], findings: &[Finding]) -> f64 {
        let frames = |ms: f64| (ms * f64::from(self.rate.hertz()) / 1000.0) as i64;
        let energy = |samples: &[f32], frame: i64| -> f64 {
            let from = usize::try_from(frame - frames(LEVEL_MS.0)).unwrap_or(0);
            let to = usize::try_from(frame + frames(LEVEL_MS.1)).unwrap_or(0).min(samples.len());
            samples.get(from..to).unwrap_or(&[]).iter().map(|x| f64::from(*x) * f64::from(*x)).sum()
        };
        let elsewhere = |frame: i64| {
            let not_there = |outcome| !matches!(outcome, Outcome::OffLevel | Outcome::Doubled);
            // One that is a frame off is still measured.
            let near = |finding: &Finding| {
                finding.outcome == Outcome::Late && self.ms(finding.error_frames.abs()) <= self.most_error_ms
            };
            findings.iter().any(|f| f.frame == frame && not_there(f.outcome) && !near(f))
        };
        let judged = self.dues.iter().filter(|due| due.judged && !elsewhere(due.frame.0));
        let step = |due: &Due| {
            let planned = energy(clean, due.frame.0);
            let found = energy(self.samples, due.frame.0);
            if planned < FAINT { 0.0 } else { 10.0 * (found.max(FAINT * 1e-3) / planned).log10() }
        };
        judged.map(step).fold(0.0, f64::max)
    }
}

fn listened_level(findings: &[Finding], on_time: f64) -> f64 {
    let off = findings.iter().filter(|f| f.outcome == Outcome::OffLevel && !split(f, findings));
    off.map(|finding| finding.level_db)
        .fold(on_time, |most: f64, level| if level.abs() > most.abs() { level } else { most })
}

fn rounded(value: f64, steps: f64) -> f64 {
    (value * steps).round() / steps
}

/// A hit that lies between two frames (the backup's clock is not the main's) may be explained as two hits, one on
/// either side, that together are as loud as the one.
fn split(finding: &Finding, all: &[Finding]) -> bool {
    let other = match finding.outcome {
        Outcome::Doubled => Outcome::OffLevel,
        Outcome::OffLevel => Outcome::Doubled,
        _ => return false,
    };
    let gain = |finding: &Finding| 10f64.powf(finding.level_db / 20.0);
    all.iter().any(|twin| {
        let sum = gain(finding) + gain(twin);
        twin.outcome == other && (twin.frame - finding.frame).abs() <= 2 && (0.9..1.12).contains(&sum)
    })
}
