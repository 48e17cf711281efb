//! The rig's spare loop: the round trip is measured before song one and watched between songs.
//!
//! In: the board, takes from the shooter beside the engine. Out: sentences on screen and in the log, stored results.
//! Thread: one of its own; the shooter runs in the callback. Always: only the loop's output carries the probe, quiet,
//! and a shot begins only while no song plays.

use super::desk::Shared;
use super::telling::Notes;
use crate::device::{Health, HealthState, Negotiated};
use crate::latency::session::{CEILING, Failure, Gun, Level, Plan, QUIET, Sound, Stream};
use crate::latency::shot::{Beside, ShotControl, ShotSetup, Take, shooter};
use crate::latency::stored::{self, Holds, Stored};
use crate::latency::{Answer, Measurement, Options, Path, Probe, ProbeKind, analyse};
use crate::log::Entry;
use crate::log::kept::Kind;
use crate::realtime::event::RunState;
use crate::realtime::io::Process;
use crate::show::model::Rig;
use crate::units::SampleRate;
use crossbeam_channel::{Receiver, Sender, bounded};
use std::thread::JoinHandle;
use std::time::Duration;

/// Between two looks while no song plays.
const EVERY: Duration = Duration::from_secs(10);
/// The longest round trip looked for, in seconds.
const LONGEST: f64 = 0.25;
const SHOTS: usize = 4;
const TRIAL_SECONDS: f64 = 0.15;
const SPAN_SECONDS: f64 = 0.5;
/// A change that is told: more than any measurement scatters.
const CHANGED_FRAMES: f64 = 0.5;

/// The control side of a loop that is there.
pub struct Loop {
    control: ShotControl,
    probes: [Probe; 2],
    negotiated: Negotiated,
    started: jiff::Timestamp,
    output: u16,
    input: u16,
}

/// Puts the shooter beside the engine when the rig has a spare loop that this interface reaches. Allocates: before the
/// stream starts.
pub fn beside<P: Process + 'static>(
    process: P,
    rig: &Rig,
    negotiated: &Negotiated,
) -> (Box<dyn Process>, Option<Loop>) {
    let reached = |(output, input): &(u16, u16)| *output <= negotiated.outputs && *input <= negotiated.inputs;
    let Some((output, input)) = rig.spare_loop.filter(reached) else { return (Box::new(process), None) };
    let probe = |shots, seconds| Probe::with_shots(ProbeKind::Impulses, negotiated.rate, shots, seconds);
    let probes = [probe(2, TRIAL_SECONDS), probe(SHOTS, SPAN_SECONDS)];
    let setup = ShotSetup {
        output: usize::from(output) - 1,
        inputs: vec![usize::from(input) - 1],
        probes: probes.iter().map(|probe| probe.samples.clone().into()).collect(),
        ceiling: CEILING.gain(),
    };
    let (control, shooter) = shooter(&setup);
    let negotiated = negotiated.clone();
    let started = jiff::Timestamp::now();
    let both = Beside { inner: process, shooter };
    (Box::new(both), Some(Loop { control, probes, negotiated, started, output, input }))
}

/// The thread that measures.
pub struct Watch {
    stop: Sender<()>,
    thread: JoinHandle<()>,
}

impl Watch {
    /// Errors: no thread to be had; the show goes on without.
    pub fn spawn(spare: Loop, shared: Shared, notes: Notes) -> std::io::Result<Watch> {
        let (stop, stopped) = bounded(1);
        let thread = std::thread::Builder::new()
            .name("fogbell-loop".into())
            .spawn(move || watch(spare, &shared, &notes, &stopped))?;
        Ok(Watch { stop, thread })
    }

    /// Before the log is closed: the thread holds it open.
    pub fn end(self) {
        let _ended = self.stop.send(());
        let _panicked = self.thread.join();
    }
}

fn watch(spare: Loop, shared: &Shared, notes: &Notes, stopped: &Receiver<()>) {
    let Loop { control, probes, negotiated, started, output, input } = spare;
    let [trial, probe] = &probes;
    let longest = negotiated.rate.frames(LONGEST).0.max(0) as usize;
    let sound = |probe: &Probe| Sound {
        samples: probe.samples.clone().into(),
        frames: probe.frames_to_record(longest),
    };
    let plan = Plan {
        output: usize::from(output) - 1,
        inputs: vec![usize::from(input) - 1],
        trial: sound(trial),
        probe: sound(probe),
        quiet: QUIET,
        ceiling: CEILING,
    };
    let mut gun = Gun::new(control, negotiated.rate, Between { shared, stopped });
    let series = gun.series(&plan, &mut |which, take| match which {
        0 => Level::of(&judge(trial, take)),
        _ => Level::of_whole(&judge(probe, take)),
    });
    let Some((take, level, ended, _)) = told(series, notes) else { return };
    let judged = if matches!(ended, Level::Good | Level::Weak) { probe } else { trial };
    let mut before: Option<f64> = None;
    let look = |answer: Answer, before: &mut Option<f64>| {
        let words = sentence(&answer, *before, negotiated.rate);
        if let Some(words) = words {
            notes.note(&words);
            if before.is_some() || answer.refused().is_some() || notes.last().is_none() {
                notes.show(words);
            }
        }
        if let Answer::Measured(found) = &answer {
            if before.is_none_or(|before| is_changed(before, found.round_trip_frames)) {
                let kept = result(found, &negotiated, started, output, input);
                notes.entry(Entry::Kept { kind: Kind::Latency, result: serde_json::json!(kept) });
                if let Some(Err(why)) = stored::place().map(|place| stored::add(&place, &[kept])) {
                    notes.note(&format!("the round trip is not kept: {why}"));
                }
            }
            *before = Some(found.round_trip_frames);
            shared.lock().view.round_trip = *before;
        }
    };
    look(judge(judged, &take), &mut before);
    while stopped.recv_timeout(EVERY).is_err_and(|why| why.is_timeout()) {
        let Some(take) = told(gun.shoot(1, plan.probe.frames, level.0), notes) else { return };
        look(judge(probe, &take), &mut before);
    }
}

/// The night's stream, between songs.
struct Between<'a> {
    shared: &'a Shared,
    stopped: &'a Receiver<()>,
}

impl Stream for Between<'_> {
    fn health(&mut self) -> Health {
        health_of(self.shared, self.stopped)
    }

    fn turn(&mut self) {
        while self.shared.lock().view.status.run != RunState::Stopped && self.stopped.is_empty() {
            std::thread::sleep(Duration::from_millis(100));
        }
    }
}

/// As the desk last saw it; a stream that was told to stop has reached its end.
fn health_of(shared: &Shared, stopped: &Receiver<()>) -> Health {
    let health = shared.lock().health.clone();
    let mut health = health.unwrap_or(Health {
        callbacks: 0,
        frames: 0,
        xruns: 0,
        silent_for: Duration::ZERO,
        state: HealthState::Running,
        lost: 0,
        behind: 0,
        input_slips: 0,
        input_refused: 0,
        priority: None,
        second: None,
    });
    if !stopped.is_empty() {
        health.state = HealthState::Finished;
    }
    health
}

/// What failed is said, but for the end of the run.
fn told<T>(shot: Result<T, Failure>, notes: &Notes) -> Option<T> {
    match shot {
        Ok(shot) => Some(shot),
        Err(Failure::Unsteady { spoilt }) => {
            notes
                .note(&format!("spare loop: frames were lost in {spoilt} shots; it is not watched any more"));
            None
        }
        Err(_) => None,
    }
}

fn options() -> Options {
    Options { path: Path::Cable, longest_delay: LONGEST }
}

fn judge(probe: &Probe, take: &Take) -> Answer {
    analyse(probe, take.heard.first().map_or(&[][..], Vec::as_slice), &options())
}

fn is_changed(before: f64, now: f64) -> bool {
    (now - before).abs() > CHANGED_FRAMES
}

/// What is worth saying of a look; nothing when all is as before.
fn sentence(answer: &Answer, before: Option<f64>, rate: SampleRate) -> Option<String> {
    let ms = |frames: f64| frames * 1000.0 / f64::from(rate.hertz());
    match (answer, before) {
        (Answer::Refused(refusal), _) => Some(format!("SPARE LOOP: no round trip: {refusal}")),
        (Answer::Measured(found), None) => Some(format!(
            "ROUND TRIP {:.2} frames ({:.2} ms), ± {:.3}, on the spare loop",
            found.round_trip_frames,
            ms(found.round_trip_frames),
            found.interval_95_frames
        )),
        (Answer::Measured(found), Some(before)) => {
            let now = found.round_trip_frames;
            is_changed(before, now).then(|| {
                format!("ROUND TRIP CHANGED: {now:.2} frames ({:.2} ms), it was {before:.2}", ms(now))
            })
        }
    }
}

fn result(
    found: &Measurement,
    negotiated: &Negotiated,
    start: jiff::Timestamp,
    output: u16,
    input: u16,
) -> Stored {
    Stored {
        host: negotiated.host.clone(),
        device: negotiated.device.clone(),
        id: negotiated.id.clone(),
        rate: negotiated.rate.hertz(),
        block: negotiated.block,
        output,
        input,
        start,
        measured: jiff::Timestamp::now(),
        round_trip_frames: found.round_trip_frames,
        interval_95_frames: found.interval_95_frames,
        spread_frames: found.spread_frames,
        shots: found.shots as u32,
        holds: Holds::of(negotiated),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::latency::{Polarity, Refusal};

    fn measured(round_trip_frames: f64) -> Answer {
        Answer::Measured(Measurement {
            round_trip_frames,
            round_trip_ms: round_trip_frames / 48.0,
            interval_95_frames: 0.001,
            median_frames: round_trip_frames,
            spread_frames: 0.0,
            worst_frames: round_trip_frames,
            polarity: Polarity::Normal,
            level_db: -20.0,
            snr_db: 60.0,
            shots: 4,
            shots_played: 4,
            drift_ppm: 0.0,
            bound_frames: 0.0,
            echo: None,
            each: Vec::new(),
        })
    }

    #[test]
    fn the_first_look_a_change_and_a_refusal_are_told_and_nothing_else() {
        let rate = SampleRate::standard();
        let say = |answer: &Answer, before| sentence(answer, before, rate);
        assert!(say(&measured(480.0), None).unwrap().starts_with("ROUND TRIP 480.00 frames (10.00 ms)"));
        assert_eq!(say(&measured(480.01), Some(480.0)), None);
        let changed = say(&measured(608.0), Some(480.0)).unwrap();
        assert_eq!(changed, "ROUND TRIP CHANGED: 608.00 frames (12.67 ms), it was 480.00");
        let refused = Answer::Refused(Refusal::NothingCameBack { peak_db: -90.0 });
        assert!(say(&refused, Some(480.0)).unwrap().contains("nothing came back"));
    }
}
