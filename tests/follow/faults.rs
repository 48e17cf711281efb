//! What a click that fails is judged to be.

use crate::band::{RATE, backing, click, even, heard, hum, noise, place};
use fogbell::follow::{DueHit, Judge, Judged, Line, LineKind, LineWindow, Onset, Verdict};
use fogbell::units::{FramePos, Frames};

pub const INTERVAL: f64 = 24_000.0;
/// Samples are seen in pieces of this size, before what is heard in them.
const SEEN: usize = 24;

fn windows(samples: &[f32]) -> Vec<LineWindow> {
    let mut told = Vec::new();
    Line::new(RATE).push(FramePos(0), samples, &mut |window| told.push(window));
    told
}

enum Event {
    Samples(usize),
    Due(DueHit),
    Onset(Onset),
    Window(LineWindow),
    Step,
}

/// Judges a recording; `steps` are frames at which the judge is asked besides (block edges).
pub fn judge(samples: &[f32], due: &[f64], safety: Frames, steps: &[i64]) -> Vec<Judged> {
    let mut events: Vec<(i64, Event)> =
        (0..samples.len()).step_by(SEEN).map(|at| (at as i64, Event::Samples(at))).collect();
    let due_events = due
        .iter()
        .map(|&at| DueHit { at: place(at), interval: Frames(INTERVAL as i64) })
        .map(|hit| (hit.at.nearest().0 - INTERVAL as i64 / 2, Event::Due(hit)));
    events.extend(due_events);
    events.extend(heard(samples).into_iter().map(|onset| (onset.known_at.0, Event::Onset(onset))));
    events.extend(windows(samples).into_iter().map(|window| (window.at.0, Event::Window(window))));
    events.extend(steps.iter().map(|&step| (step, Event::Step)));
    events.sort_by_key(|event| event.0);
    let (mut judge, mut told) = (Judge::new(RATE, safety), Vec::new());
    for (frame, event) in events {
        let mut tell = |judged| told.push(judged);
        match event {
            Event::Samples(at) => {
                judge.see(FramePos(at as i64), &samples[at..(at + SEEN).min(samples.len())])
            }
            Event::Due(hit) => judge.expect(hit),
            Event::Onset(onset) => judge.heard(onset, &mut tell),
            Event::Window(window) => judge.line(window, &mut tell),
            Event::Step => judge.step(FramePos(frame), &mut tell),
        }
    }
    judge.step(FramePos(samples.len() as i64), &mut |judged| told.push(judged));
    told
}

/// A click of 30 s in which `change` moves, doubles or drops hits, and its due places.
pub fn played(change: impl Fn(usize, f64) -> Vec<f64>) -> (Vec<f32>, Vec<f64>) {
    let due = even(30.0, INTERVAL);
    let mut samples = vec![0.0; 1_440_000];
    for (index, &at) in due.iter().enumerate() {
        for at in change(index, at) {
            click(&mut samples, at, 1_200.0, if index % 4 == 0 { 0.5 } else { 0.3 });
        }
    }
    (samples, due)
}

pub fn words(told: &[Judged]) -> Vec<&'static str> {
    told.iter()
        .map(|judged| match judged.verdict {
            Verdict::InTime(_) => "in time",
            Verdict::Early(_) => "early",
            Verdict::Late(_) => "late",
            Verdict::Doubled => "doubled",
            Verdict::Absent => "absent",
            Verdict::Drowned => "drowned",
            Verdict::Repeats => "repeats",
        })
        .collect()
}

#[test]
fn a_click_in_time_is_in_time_with_backing_hum_and_noise_beside_it() {
    for seed in 0..6 {
        let mut rng = fastrand::Rng::with_seed(seed);
        let (mut samples, due) = played(|_, at| vec![at]);
        backing(&mut samples, &mut rng, 0.05);
        hum(&mut samples, 0.02);
        noise(&mut samples, &mut rng, 0.005);
        let told = judge(&samples, &due, Frames(384), &[]);
        assert_eq!(told.len(), due.len());
        for judged in told {
            let Verdict::InTime(error) = judged.verdict else { panic!("seed {seed}: {judged:?}") };
            assert!(error.as_f64().abs() < 24.0, "seed {seed}: {judged:?}");
        }
    }
}

/// The tolerance of half a second is 12.5 ms (600 frames), with a safety delay of 8 ms 6 ms (288 frames).
#[test]
fn each_fault_is_judged_as_what_it_is() {
    let (samples, due) = played(|index, at| match index {
        10 => vec![],
        20 => vec![at - 1_000.0],
        30 => vec![at + 1_000.0],
        40 => vec![at, at + 1_900.0],
        45 => vec![at + 500.0],
        _ => vec![at],
    });
    for (safety, fifth) in [(Frames(0), "in time"), (Frames(384), "absent")] {
        let told = judge(&samples, &due, safety, &[]);
        let of = |index: usize| -> Vec<&str> {
            let here: Vec<Judged> =
                told.iter().copied().filter(|judged| judged.due.at == place(due[index])).collect();
            words(&here)
        };
        assert_eq!(of(10), ["absent"]);
        assert_eq!(of(20), ["early"]);
        assert_eq!(of(30), ["absent", "late"]);
        assert_eq!(of(40), ["in time", "doubled"]);
        assert_eq!(of(45)[0], fifth);
        for index in [0, 9, 11, 19, 21, 29, 31, 39, 41, 44, 46, due.len() - 1] {
            assert_eq!(of(index), ["in time"], "hit {index}");
        }
    }
}

/// One 29 ms before the hit is known at the judgement, one 31 ms behind it after.
#[test]
fn a_doubled_hit_is_told() {
    let (samples, due) = played(|index, at| match index {
        20 => vec![at - 1_400.0, at],
        30 => vec![at, at + 1_500.0],
        _ => vec![at],
    });
    let told = judge(&samples, &due, Frames(0), &[]);
    let doubled: Vec<&Judged> = told.iter().filter(|judged| judged.verdict == Verdict::Doubled).collect();
    assert_eq!(doubled.len(), 2);
    assert_eq!(doubled[0].due.at, place(due[20]));
    assert_eq!(doubled[1].due.at, place(due[30]));
    assert_eq!(told.iter().filter(|judged| judged.verdict.good()).count(), due.len() - 1);
}

#[test]
fn a_verdict_falls_before_the_safety_delay_is_over() {
    let (samples, due) = played(|index, at| if index % 3 == 1 { vec![] } else { vec![at] });
    for judged in judge(&samples, &due, Frames(384), &[]) {
        assert!(judged.at - judged.due.at.nearest() <= Frames(384 - 48), "{judged:?}");
    }
}

#[test]
fn a_line_that_turns_to_hum_or_noise_is_drowned_and_one_that_is_cut_is_absent() {
    for (fault, expected) in [("cut", "absent"), ("hum", "drowned"), ("noise", "drowned")] {
        let (mut samples, due) = played(|_, at| vec![at]);
        let tail = &mut samples[720_000..];
        tail.fill(0.0);
        match fault {
            "hum" => hum(tail, 0.2),
            "noise" => noise(tail, &mut fastrand::Rng::with_seed(3), 0.2),
            _ => {}
        }
        let told = judge(&samples, &due, Frames(384), &[]);
        let after: Vec<Judged> = told.into_iter().filter(|judged| judged.at > FramePos(740_000)).collect();
        let bad = words(&after).iter().filter(|&&word| word == expected).count();
        println!("{fault}: {bad} of {} {expected}", after.len());
        assert_eq!(bad, after.len(), "{fault}: {:?}", words(&after));
    }
}

#[test]
fn windows_are_told_apart() {
    let mut rng = fastrand::Rng::with_seed(4);
    let (click, _) = played(|_, at| vec![at]);
    let mut dirty = click.clone();
    hum(&mut dirty, 0.02);
    noise(&mut dirty, &mut rng, 0.003);
    let silence = vec![0.0; 480_000];
    let (mut humming, mut noisy) = (silence.clone(), silence.clone());
    hum(&mut humming, 0.1);
    noise(&mut noisy, &mut rng, 0.05);
    for (samples, kind) in
        [(&silence, LineKind::Silence), (&humming, LineKind::Hum), (&noisy, LineKind::Noise)]
    {
        assert!(windows(samples).iter().skip(1).all(|window| window.kind == kind), "{kind:?}");
    }
    let kinds = |samples: &[f32], kind| windows(samples).iter().filter(|window| window.kind == kind).count();
    assert_eq!(kinds(&click, LineKind::Click), 59);
    assert!(kinds(&dirty, LineKind::Click) >= 59);
    assert!(kinds(&dirty, LineKind::Hum) >= 200);
}

#[test]
fn when_the_judge_is_asked_changes_no_verdict() {
    let (mut samples, due) = played(|index, at| if index % 7 == 3 { vec![at + 700.0] } else { vec![at] });
    backing(&mut samples, &mut fastrand::Rng::with_seed(7), 0.1);
    let once = judge(&samples, &due, Frames(384), &[]);
    for block in [61, 480, 4_096] {
        let steps: Vec<i64> = (0..samples.len() as i64).step_by(block).collect();
        assert_eq!(judge(&samples, &due, Frames(384), &steps), once, "blocks of {block}");
    }
}
