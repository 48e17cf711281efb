//! The listener finds every planted fault, and nothing where nothing is wrong.
//!
//! The recordings are made here by a naive mixer that shares no code with listener or engine.

use fogbell::listener::{Due, Listener, Outcome, Template, Verdict, judge};
use fogbell::units::{FramePos, Frames, SampleRate};
use proptest::prelude::*;
use std::sync::Arc;

const RATE: u32 = 48_000;

/// A decaying tone with a 1 ms attack and an upper partial.
fn tone(hertz: f64, decay_ms: f64, rate: u32) -> Vec<f32> {
    let frames = (f64::from(rate) * decay_ms * 6.91 / 1000.0) as usize;
    (0..frames)
        .map(|frame| {
            let t = frame as f64 / f64::from(rate);
            let attack = (t / 0.001).min(1.0);
            let envelope = attack * (-t / (decay_ms / 1000.0)).exp();
            let turn = std::f64::consts::TAU * hertz * t;
            (0.2 * envelope * (turn.sin() + 0.3 * (2.4 * turn).sin())) as f32
        })
        .collect()
}

/// The sounds of the tests: accent, beat, eighth, sixteenth.
fn sounds(rate: u32) -> Vec<Vec<f32>> {
    vec![tone(1500.0, 35.0, rate), tone(1000.0, 35.0, rate), tone(800.0, 25.0, rate), tone(820.0, 18.0, rate)]
}

fn templates(rate: u32) -> Vec<Arc<Template>> {
    sounds(rate).iter().map(|sound| Template::new(sound, 0, rate)).collect()
}

/// A hit as it is really played: frame, sound, gain.
type Played = (i64, usize, f32);

fn mix(frames: usize, hits: &[Played], rate: u32) -> Vec<f32> {
    let sounds = sounds(rate);
    let mut out = vec![0.0f32; frames];
    for (frame, sound, gain) in hits {
        for (n, sample) in sounds[*sound].iter().enumerate() {
            if let Some(slot) = usize::try_from(frame + n as i64).ok().and_then(|at| out.get_mut(at)) {
                *slot += sample * gain;
            }
        }
    }
    out
}

/// Sixteenths at 132 for `beats` beats: accent, beat, eighth and sixteenth as a drummer may want them.
fn sixteenths(beats: i64, rate: u32) -> Vec<Played> {
    (0..beats * 4)
        .map(|index| {
            let frame = (index as f64 * 60.0 * f64::from(rate) / 132.0 / 4.0).round() as i64 + 6_000;
            match index % 16 {
                0 => (frame, 0, 1.0),
                4 | 8 | 12 => (frame, 1, 0.708),
                2 | 6 | 10 | 14 => (frame, 2, 0.355),
                _ => (frame, 3, 0.251),
            }
        })
        .collect()
}

fn dues(hits: &[Played]) -> Vec<Due> {
    hits.iter().map(|(frame, sound, gain)| Due::plain(*frame, 0, *sound, *gain)).collect()
}

fn verdict_at(rate: u32, planned: &[Played], recording: &[f32]) -> Verdict {
    let rate_type = SampleRate::new(rate).unwrap();
    judge(templates(rate), rate_type, FramePos(0), &[recording], dues(planned))
}

fn verdict(planned: &[Played], recording: &[f32]) -> Verdict {
    verdict_at(RATE, planned, recording)
}

const LONG: usize = 48_000 * 8;

fn counts(verdict: &Verdict) -> [u64; 8] {
    let all = &verdict.all;
    [
        all.due,
        all.sounded,
        all.missed,
        all.late,
        all.off_level,
        all.clipped,
        all.doubled,
        all.lost_with_device + all.unheard,
    ]
}

fn add_noise(recording: &mut [f32], rms: f32, seed: u64) {
    let mut random = fastrand::Rng::with_seed(seed);
    for sample in recording {
        // The sum of 12 uniform numbers has variance 1.
        let normal: f32 = (0..12).map(|_| random.f32()).sum::<f32>() - 6.0;
        *sample += normal * rms;
    }
}

#[test]
fn a_perfect_recording_is_clean_at_every_rate() {
    for rate in [44_100, 48_000, 96_000, 192_000] {
        let hits = sixteenths(12, rate);
        let verdict = verdict_at(rate, &hits, &mix(rate as usize * 7, &hits, rate));
        assert_eq!(counts(&verdict), [48, 48, 0, 0, 0, 0, 0, 0], "{rate}: {:?}", verdict.findings);
        assert!(verdict.all.largest_error_frames < 0.01, "{rate}: {}", verdict.all.largest_error_frames);
        assert!(verdict.largest_level_error_db < 0.01);
        assert_eq!(verdict.all.blurred, 0);
    }
}

#[test]
fn an_empty_recording_misses_everything_and_a_short_one_has_not_heard_the_rest() {
    let hits = sixteenths(8, RATE);
    let silent = verdict(&hits, &vec![0.0; LONG]);
    assert_eq!(counts(&silent), [32, 0, 32, 0, 0, 0, 0, 0]);
    let half = verdict(&hits, &mix(hits[16].0 as usize - 10, &hits, RATE));
    assert_eq!(counts(&half), [32, 16, 0, 0, 0, 0, 0, 16], "{:?}", half.findings);
}

#[test]
fn each_planted_fault_is_counted_exactly() {
    let hits = sixteenths(12, RATE);
    let all = hits.len() as u64;
    for index in [0, 5, 16, 21, 22, 47] {
        let mut without = hits.clone();
        without.remove(index);
        let found = verdict(&hits, &mix(LONG, &without, RATE));
        assert_eq!(counts(&found), [all, all - 1, 1, 0, 0, 0, 0, 0], "missing {index}: {:?}", found.findings);
        for shift in [-480, -96, -48, -3, -1, 1, 2, 48, 96, 130, 480] {
            let mut moved = hits.clone();
            moved[index].0 += shift;
            let found = verdict(&hits, &mix(LONG, &moved, RATE));
            let name = format!("moved {index} by {shift}: {:?}", found.findings);
            assert_eq!(counts(&found), [all, all - 1, 0, 1, 0, 0, 0, 0], "{name}");
            assert!((found.findings[0].error_frames - shift as f64).abs() < 0.05, "{name}");
        }
        for (db, outcome) in [(-1.5, Outcome::OffLevel), (2.0, Outcome::OffLevel), (-15.0, Outcome::Missed)] {
            let mut level = hits.clone();
            level[index].2 *= 10f32.powf(db / 20.0);
            let found = verdict(&hits, &mix(LONG, &level, RATE));
            assert_eq!(found.findings.len(), 1, "level {index} {db}: {:?}", found.findings);
            assert_eq!(found.findings[0].outcome, outcome, "level {index} {db}: {:?}", found.findings);
            assert!((found.findings[0].level_db - f64::from(db)).abs() < 0.05);
        }
        for shift in [48, 96, 144, 240, 480, 700, 960, 1440, 2000, 2880] {
            let mut doubled = hits.clone();
            doubled.push((hits[index].0 + shift, hits[index].1, hits[index].2));
            let found = verdict(&hits, &mix(LONG, &doubled, RATE));
            let name = format!("doubled {index} after {shift}: {:?}", found.findings);
            assert_eq!(counts(&found), [all, all, 0, 0, 0, 0, 1, 0], "{name}");
            assert_eq!(found.findings[0].frame, hits[index].0 + shift, "{name}");
        }
    }
}

#[test]
fn a_double_on_the_very_frame_and_one_far_from_any_due_hit_are_found() {
    let hits = sixteenths(4, RATE);
    let mut doubled = hits.clone();
    doubled.push(hits[3]);
    let found = verdict(&hits, &mix(LONG, &doubled, RATE));
    assert_eq!(counts(&found), [16, 16, 0, 0, 0, 0, 1, 0], "{:?}", found.findings);
    for far in [200_000, 250_123, 380_000] {
        let mut doubled = hits.clone();
        doubled.push((far, 1, 0.708));
        let found = verdict(&hits, &mix(LONG, &doubled, RATE));
        assert_eq!(counts(&found), [16, 16, 0, 0, 0, 0, 1, 0], "{far}: {:?}", found.findings);
        assert_eq!(found.findings[0].frame, far);
    }
}

#[test]
fn a_tail_cut_by_a_dead_machine_is_clipped_and_less_than_2_ms_is_missed() {
    let hits = sixteenths(8, RATE);
    for (ms, outcome) in [(1.0, Outcome::Missed), (4.0, Outcome::Clipped), (20.0, Outcome::Clipped)] {
        let mut recording = mix(LONG, &hits, RATE);
        let dead = hits[8].0 as usize + (ms * 48.0) as usize;
        recording[dead..hits[9].0 as usize].fill(0.0);
        // The neighbours' tails die with it; from the next hit on only new sound comes.
        let rest: Vec<Played> = hits[9..].to_vec();
        recording[hits[9].0 as usize..].copy_from_slice(&mix(LONG, &rest, RATE)[hits[9].0 as usize..]);
        let found = verdict(&hits, &recording);
        let there: Vec<_> = found.findings.iter().filter(|one| one.frame == hits[8].0).collect();
        assert_eq!(there.len(), 1, "{ms}: {:?}", found.findings);
        assert_eq!(there[0].outcome, outcome, "{ms}: {:?}", found.findings);
        assert_eq!(found.all.doubled, 0, "{ms}: {:?}", found.findings);
    }
}

#[test]
fn coinciding_hits_of_a_folded_outlet_are_told_apart() {
    // Drummer's sixteenths and the band's beats with the same sound, at −3 dB, folded into one channel.
    let hits = sixteenths(8, RATE);
    let band: Vec<Played> =
        hits.iter().filter(|hit| hit.1 < 2).map(|hit| (hit.0, hit.1, hit.2 * 0.5)).collect();
    let both: Vec<Played> = hits.iter().chain(&band).copied().collect();
    let found = verdict(&both, &mix(LONG, &both, RATE));
    assert_eq!(counts(&found), [40, 40, 0, 0, 0, 0, 0, 0], "{:?}", found.findings);
    let mut without: Vec<Played> = hits.clone();
    without.extend(&band[1..]);
    let found = verdict(&both, &mix(LONG, &without, RATE));
    assert_eq!(counts(&found), [40, 39, 1, 0, 0, 0, 0, 0], "{:?}", found.findings);
    let mut moved = both.clone();
    moved[32].0 += 7;
    let found = verdict(&both, &mix(LONG, &moved, RATE));
    assert_eq!(counts(&found), [40, 39, 0, 1, 0, 0, 0, 0], "{:?}", found.findings);
}

#[test]
fn noise_at_minus_20_db_hides_nothing() {
    let hits = sixteenths(12, RATE);
    let all = hits.len() as u64;
    // 20 dB under the loudest hit's RMS over its first 30 ms; the sixteenths lie 12 dB lower.
    let accent = &sounds(RATE)[0][..1440];
    let rms = (accent.iter().map(|s| s * s).sum::<f32>() / 1440.0).sqrt() * 0.1;
    let noisy = |hits: &[Played], seed| {
        let mut recording = mix(LONG, hits, RATE);
        add_noise(&mut recording, rms, seed);
        recording
    };
    for seed in 0..5 {
        let clean = verdict(&hits, &noisy(&hits, seed));
        assert_eq!(counts(&clean), [all, all, 0, 0, 0, 0, 0, 0], "{seed}: {:?}", clean.findings);
    }
    let index = 20;
    let mut without = hits.clone();
    without.remove(index);
    let found = verdict(&hits, &noisy(&without, 7));
    assert_eq!(counts(&found), [all, all - 1, 1, 0, 0, 0, 0, 0], "{:?}", found.findings);
    let mut moved = hits.clone();
    moved[index].0 += 1;
    let found = verdict(&hits, &noisy(&moved, 8));
    assert_eq!(counts(&found), [all, all - 1, 0, 1, 0, 0, 0, 0], "{:?}", found.findings);
    let mut doubled = hits.clone();
    doubled.push((hits[index].0 + 144, hits[index].1, hits[index].2));
    let found = verdict(&hits, &noisy(&doubled, 9));
    assert_eq!(counts(&found), [all, all, 0, 0, 0, 0, 1, 0], "{:?}", found.findings);
}

#[test]
fn frames_that_nobody_asked_for_are_lost_with_the_device_or_late() {
    let hits = sixteenths(8, RATE);
    let (before, back) = (hits[8].0 - 100, hits[10].0 + 200);
    let full = mix(LONG, &hits, RATE);
    let mut recording = full.clone();
    // Hit 10 is 200 frames (4.2 ms) inside the gap: it sounds at the first frame asked for.
    let others: Vec<Played> = hits.iter().enumerate().filter(|(i, _)| *i != 10).map(|(_, h)| *h).collect();
    let mut late = others.clone();
    late.retain(|hit| hit.0 < before || hit.0 > back);
    late.push((back, hits[10].1, hits[10].2));
    recording[back as usize..].copy_from_slice(&mix(LONG, &late, RATE)[back as usize..]);
    let mut listener = Listener::new(templates(RATE), SampleRate::standard(), 1);
    for due in dues(&hits) {
        listener.expect(due);
    }
    listener.hear(FramePos(0), Frames(0), &[&recording[..before as usize]]);
    listener.hear(FramePos(back), Frames(back - before), &[&recording[back as usize..]]);
    let found = listener.finish();
    assert_eq!(found.all.lost_with_device, 2, "{:?}", found.findings);
    assert_eq!((found.all.late, found.all.missed, found.all.doubled), (1, 0, 0), "{:?}", found.findings);
    assert_eq!(found.all.sounded, 29);
    let late = found.findings.iter().find(|one| one.outcome == Outcome::Late).unwrap();
    assert!((late.error_frames - 200.0).abs() < 0.1);
}

#[test]
fn hearing_in_pieces_is_hearing_at_once_and_memory_stays_small() {
    let hits = sixteenths(200, RATE);
    let frames = hits.last().unwrap().0 as usize + 48_000;
    let mut faulty = hits.clone();
    faulty.remove(100);
    faulty[300].0 += 2;
    let recording = mix(frames, &faulty, RATE);
    let whole = verdict(&hits, &recording);
    let mut random = fastrand::Rng::with_seed(4);
    let mut listener = Listener::new(templates(RATE), SampleRate::standard(), 1);
    let mut waiting = dues(&hits).into_iter().peekable();
    let (mut at, mut most) = (0, 0);
    while at < frames {
        let piece = random.usize(1..3000).min(frames - at);
        listener.hear(FramePos(at as i64), Frames(0), &[&recording[at..at + piece]]);
        at += piece;
        // Half a second after it sounded, as events from a running show may come.
        while waiting.peek().is_some_and(|due| due.frame.0 + 24_000 < at as i64) {
            listener.expect(waiting.next().unwrap());
        }
        most = most.max(listener.held_frames());
    }
    waiting.for_each(|due| listener.expect(due));
    let pieces = listener.finish();
    assert_eq!(counts(&pieces), counts(&whole));
    assert_eq!(counts(&whole), [800, 798, 1, 1, 0, 0, 0, 0], "{:?}", whole.findings);
    assert!(most < 48_000 * 4, "{most} frames held");
}

/// A busy computer brings the engine's account when it can.
#[test]
fn an_account_that_comes_half_a_minute_late_names_nothing_that_was_not_so() {
    let hits = sixteenths(132, RATE);
    let frames = 62 * 48_000;
    let mut faulty = hits.clone();
    faulty.remove(100);
    faulty[300].0 += 2;
    let recording = mix(frames, &faulty, RATE);
    let late = |from: usize, to: usize, account: bool| {
        let mut listener = Listener::new(templates(RATE), SampleRate::standard(), 1);
        let mut waiting = dues(&hits).into_iter().peekable();
        if account {
            listener.told(FramePos(0));
        }
        for at in (0..frames).step_by(480) {
            listener.hear(FramePos(at as i64), Frames(0), &[&recording[at..at + 480]]);
            if (from..to).contains(&at) {
                continue;
            }
            while let Some(due) = waiting.next_if(|due| due.frame.0 < at as i64) {
                listener.expect(due);
            }
            if account {
                listener.told(FramePos(at as i64));
            }
        }
        counts(&listener.finish())
    };
    let right = [528, 526, 1, 1, 0, 0, 0, 0];
    assert_eq!(late(10 * 48_000, 40 * 48_000, true), right);
    assert_eq!(late(0, 55 * 48_000, true), right, "from the start");
    assert_ne!(late(10 * 48_000, 40 * 48_000, false), right, "nobody says so");
}

#[test]
fn a_due_that_no_channel_or_sound_can_answer_is_not_clean() {
    let mut listener = Listener::new(templates(RATE), SampleRate::standard(), 1);
    listener.expect(Due::plain(100, 5, 0, 1.0));
    listener.expect(Due::plain(100, 0, 50, 1.0));
    let verdict = listener.finish();
    assert_eq!((verdict.all.due, verdict.all.unheard), (2, 2));
    assert!(!verdict.clean());
}

/// A drum loop: a low thump, a burst of noise on 2 and 4, and a hat on every eighth, at 132.
fn drums(frames: usize, start: i64, seed: u64) -> Vec<f32> {
    let mut out = vec![0.0f32; frames];
    let mut random = fastrand::Rng::with_seed(seed);
    let eighth = 60.0 * f64::from(RATE) / 132.0 / 2.0;
    let mut index = 0;
    loop {
        let at = start + (index as f64 * eighth).round() as i64;
        if at as usize >= frames {
            return out;
        }
        for n in 0..9_600usize {
            let Some(slot) = out.get_mut(at as usize + n) else { break };
            let t = n as f64 / f64::from(RATE);
            let noise = f64::from(random.f32()) * 2.0 - 1.0;
            let thump = (std::f64::consts::TAU * 60.0 * t).sin() * (-t / 0.08).exp();
            let snare = (noise + (std::f64::consts::TAU * 190.0 * t).sin()) * (-t / 0.05).exp();
            *slot += match index % 4 {
                0 => thump + 0.2 * noise * (-t / 0.01).exp(),
                2 => 0.6 * snare,
                _ => 0.2 * noise * (-t / 0.01).exp(),
            } as f32;
        }
        index += 1;
    }
}

#[test]
fn a_drum_loop_on_the_beats_does_not_spoil_the_counts_down_to_minus_12_db() {
    let hits: Vec<Played> = sixteenths(24, RATE).into_iter().filter(|hit| hit.1 < 2).collect();
    let all = hits.len() as u64;
    let frames = 48_000 * 13;
    let drums = drums(frames, 6_000, 3);
    let peak = |samples: &[f32]| samples.iter().fold(0.0f32, |peak, one| peak.max(one.abs()));
    for db in [-30.0, -20.0, -12.0] {
        let level = peak(&sounds(RATE)[0]) / peak(&drums) * 10f32.powf(db / 20.0);
        let over = |hits: &[Played]| {
            let mut recording = mix(frames, hits, RATE);
            recording.iter_mut().zip(&drums).for_each(|(one, drum)| *one += drum * level);
            recording
        };
        let clean = verdict(&hits, &over(&hits));
        println!(
            "drums at {db} dB: {:?} blurred {} worst {}",
            counts(&clean),
            clean.all.blurred,
            clean.all.largest_error_frames
        );
        assert_eq!(counts(&clean), [all, all, 0, 0, 0, 0, 0, 0], "{db}: {:?}", clean.findings);
        let mut faulty = hits.clone();
        faulty.remove(3);
        faulty[7].0 += 240;
        faulty.push((hits[12].0 + 144, hits[12].1, hits[12].2));
        let found = verdict(&hits, &over(&faulty));
        assert_eq!(counts(&found), [all, all - 2, 1, 1, 0, 0, 1, 0], "{db}: {:?}", found.findings);
    }
}

#[test]
#[ignore = "a measurement: prints how many times faster than real time eight channels are judged"]
fn speed_of_eight_channels() {
    for noise in [0.0, 0.003, 0.01, 0.03, 0.1] {
        let hits = sixteenths(264, RATE);
        let frames = 48_000 * 121;
        let mut recording = mix(frames, &hits, RATE);
        if noise > 0.0 {
            add_noise(&mut recording, noise, 1);
        }
        let mut listener = Listener::new(templates(RATE), SampleRate::standard(), 8);
        for due in dues(&hits) {
            (0..8).for_each(|channel| listener.expect(Due { channel, ..due.clone() }));
        }
        let start = std::time::Instant::now();
        for at in (0..frames).step_by(4_800) {
            let piece = &recording[at..at + 4_800];
            listener.hear(FramePos(at as i64), Frames(0), &[piece; 8]);
        }
        let verdict = listener.finish();
        let took = start.elapsed().as_secs_f64();
        println!(
            "noise {noise}: {:.0} x real time, {:?} blurred {}",
            121.0 / took,
            counts(&verdict),
            verdict.all.blurred
        );
    }
}

mod from_events {
    //! Plans made from the engine's events; the recording is mixed here by hand.

    use super::*;
    use fogbell::click::set::{
        BeatMark, ClickLanes, Grid, Hit, HitKind, Leg, LegKind, Set, SongPlan, Sound, StreamPlan, Stretch,
    };
    use fogbell::listener::{Clips, NoClips, Plan, WavClips};
    use fogbell::realtime::event::{Cause, Event, Source, What, Why};
    use fogbell::realtime::setup::{ClickSetup, EngineSetup, OutletSetup, PartSetup, PartSource};
    use fogbell::units::{Exact, Span};

    const BEAT: i64 = 22_050;
    /// Where the song is tied to the device.
    const START: i64 = 10_000;

    /// One click: own lane 0 in eighths (beat and eighth), fallback lane 1 in plain beats (accent sound).
    fn set(streams: Vec<Option<StreamPlan>>) -> Arc<Set> {
        let hit = |frame: i64, index: i64, lane: u8| Hit {
            frame,
            part: 0,
            gain: if lane == 1 {
                0.9
            } else if index % 2 == 0 {
                0.8
            } else {
                0.4
            },
            bar: (index / 8) as u32,
            beat: (index / 2 % 4) as u16 + 1,
            subdivision: (index % 2) as u16,
            sound: if lane == 1 { 0 } else { 1 + (index % 2) as u16 },
            lane,
            kind: HitKind::Beat,
        };
        let mut hits = Vec::new();
        for index in 0..32 {
            hits.push(hit(index * BEAT / 2, index, 0));
            if index % 2 == 0 {
                hits.push(hit(index * BEAT / 2, index, 1));
            }
        }
        let beats = (0..16)
            .map(|beat: i64| BeatMark {
                local: Span::ratio(i128::from(beat * BEAT), 1),
                bar: (beat / 4) as u32,
                beat: (beat % 4) as u16 + 1,
                of: 4,
            })
            .collect();
        let grid = Grid { length: Span::ratio(i128::from(16 * BEAT), 1), hits: hits.into(), beats };
        let leg = Leg {
            kind: LegKind::Section,
            section: 0,
            section_name: "verse".into(),
            pass: 0,
            grid: Arc::new(grid),
            first_bar: 1,
            vamp: false,
            hold: false,
            count_in: None,
            ambient: None,
            written: Span(0),
        };
        let song = SongPlan {
            said: Default::default(),
            title: "Low Tide".into(),
            legs: vec![leg],
            segue: false,
            encore: false,
            first_section_leg: 0,
            streams,
        };
        let sounds = sounds(RATE)
            .into_iter()
            .map(|samples| Sound {
                name: "tone".into(),
                samples: samples.into(),
                lead: 0,
                onset_peak: 0.2,
                heard_late: 0.0,
            })
            .collect();
        let lanes = vec![ClickLanes { own: 0, fallback: 1 }];
        let rate = SampleRate::standard();
        Arc::new(Set {
            rate,
            sounds,
            lanes,
            lane_count: 2,
            songs: vec![song],
            max_lead: 0,
            lane_peaks: vec![],
        })
    }

    /// Channel 0: the click. Channels 1 and 2: the click at −6 dB left and the fallback's lane on both.
    fn setup() -> EngineSetup {
        let part = |source, left, right| PartSetup { source, left, right };
        EngineSetup {
            rate: SampleRate::standard(),
            max_block: 64,
            look_ahead: 72,
            lanes: 2,
            clicks: vec![ClickSetup { own_lane: 0, fallback_lane: 1 }],
            inputs: vec![],
            outlets: vec![
                OutletSetup { channels: vec![0], parts: vec![part(PartSource::Click(0), 1.0, 0.0)] },
                OutletSetup {
                    channels: vec![1, 2],
                    parts: vec![part(PartSource::Click(0), 0.5, 0.0), part(PartSource::Lane(1), 0.7, 0.7)],
                },
            ],
            ceiling: 1.0,
            give_back: fogbell::show::model::GiveBack::Stay,
            record: true,
            tap_inputs: 0,
            timecode: None,
            peer: None,
            outside: vec![],
            latch: Default::default(),
        }
    }

    fn event(at: i64, what: What) -> Event {
        Event { at: FramePos(at), what }
    }

    fn placed() -> Event {
        event(
            START,
            What::Placed {
                song: 0,
                leg: 0,
                called: false,
                pass: 0,
                anchor_at: Exact::at(FramePos(START)),
                stretch: Stretch::ONE,
                from_hit: 0,
                why: Why::Start,
                undo: None,
            },
        )
    }

    fn switched(at: i64, source: Source) -> Event {
        event(at, What::Switched { click: 0, source, cause: Cause::Late, song: 0, bar: 1, beat: 1 })
    }

    fn judged(set: &Arc<Set>, clips: Box<dyn Clips>, events: &[Event], outputs: &[Vec<f32>]) -> Verdict {
        let mut listener = Listener::new(Listener::templates(set), SampleRate::standard(), 3);
        let mut plan = Plan::new(Arc::clone(set), &setup(), clips);
        for event in events {
            plan.take(event, &mut listener);
        }
        let pieces: Vec<&[f32]> = outputs.iter().map(Vec::as_slice).collect();
        plan.finish(FramePos(outputs[0].len() as i64), &mut listener);
        listener.hear(FramePos(0), Frames(0), &pieces);
        listener.finish()
    }

    const TOTAL: usize = 480_000;

    /// Hits of the own lane and the fallback lane, by hand.
    fn lanes() -> (Vec<Played>, Vec<Played>) {
        let own =
            (0..32).map(|i| (START + i * BEAT / 2, 1 + (i % 2) as usize, if i % 2 == 0 { 0.8 } else { 0.4 }));
        let fallback = (0..16).map(|i| (START + i * BEAT, 0, 0.9));
        (own.collect(), fallback.collect())
    }

    fn scaled(hits: &[Played], gain: f32) -> Vec<Played> {
        hits.iter().map(|hit| (hit.0, hit.1, hit.2 * gain)).collect()
    }

    fn outputs(click: &[Played], lane: &[Played]) -> Vec<Vec<f32>> {
        let left: Vec<Played> = [scaled(click, 0.5), scaled(lane, 0.7)].concat();
        vec![mix(TOTAL, click, RATE), mix(TOTAL, &left, RATE), mix(TOTAL, &scaled(lane, 0.7), RATE)]
    }

    #[test]
    fn own_click_and_fallback_lane_are_due_where_the_outlets_say() {
        let (own, fallback) = lanes();
        let outputs = outputs(&own, &fallback);
        let found = judged(&set(vec![None]), Box::new(NoClips), &[placed()], &outputs);
        // 32 hits on channel 0; 32 + 16 on channel 1; 16 on channel 2.
        assert_eq!(counts(&found), [96, 96, 0, 0, 0, 0, 0, 0], "{:?}", found.findings);
        assert_eq!(found.per_channel.iter().map(|one| one.due).collect::<Vec<_>>(), [32, 48, 16]);
        assert_eq!(found.per_click[0].due, 64);
    }

    #[test]
    fn after_a_switch_the_fallback_is_due_and_the_old_click_is_not() {
        let (own, fallback) = lanes();
        let at = START + 5 * BEAT - 100;
        let own: Vec<Played> = own.into_iter().filter(|hit| hit.0 < at).collect();
        let heard: Vec<Played> =
            own.iter().chain(fallback.iter().filter(|hit| hit.0 >= at)).copied().collect();
        let events = [placed(), switched(at, Source::Fallback)];
        let found = judged(&set(vec![None]), Box::new(NoClips), &events, &outputs(&heard, &fallback));
        assert_eq!(found.all.due, 2 * (10 + 11) + 32);
        assert!(found.clean(), "{:?}", found.findings);
        // One own hit after the switch is one too many, on both channels of the click.
        let mut twice = heard.clone();
        twice.push((START + 6 * BEAT + BEAT / 2, 2, 0.4));
        let found = judged(&set(vec![None]), Box::new(NoClips), &events, &outputs(&twice, &fallback));
        assert_eq!((found.all.doubled, found.all.missed), (2, 0), "{:?}", found.findings);
        // A fallback that does not come is missed.
        let silent: Vec<Played> = heard.iter().copied().filter(|hit| hit.0 < at).collect();
        let found = judged(&set(vec![None]), Box::new(NoClips), &events, &outputs(&silent, &fallback));
        assert_eq!(found.all.missed, 22, "{:?}", found.findings);
    }

    #[test]
    fn nothing_is_due_in_all_out_and_a_sound_there_is_one_too_many() {
        let (own, fallback) = lanes();
        let (out, back) = (START + 4 * BEAT - 3_000, START + 8 * BEAT);
        let heard = |hits: &[Played]| -> Vec<Played> {
            hits.iter().copied().filter(|hit| hit.0 < out || hit.0 >= back).collect()
        };
        let mut outputs = outputs(&heard(&own), &heard(&fallback));
        for channel in &mut outputs {
            for frame in 0..(back - out) as usize {
                let fade = (1.0 - frame as f32 / 480.0).max(0.0);
                channel[out as usize + frame] *= fade;
            }
        }
        let events = [placed(), event(out, What::AllOut(true)), event(back, What::AllOut(false))];
        let found = judged(&set(vec![None]), Box::new(NoClips), &events, &outputs);
        assert!(found.clean(), "{:?}", found.findings);
        assert_eq!(found.all.due, 96 - 2 * 8 - 2 * 4);
        let leak = mix(TOTAL, &[(START + 6 * BEAT, 1, 0.8)], RATE);
        outputs[0].iter_mut().zip(&leak).for_each(|(one, leak)| *one += leak);
        let found = judged(&set(vec![None]), Box::new(NoClips), &events, &outputs);
        assert_eq!(found.all.doubled, 1, "{:?}", found.findings);
    }

    #[test]
    fn a_new_placing_ends_the_old_one_and_a_stop_ends_all() {
        let (own, fallback) = lanes();
        let (jump, stop) = (START + 4 * BEAT + 700, START + 9 * BEAT);
        let again = |hits: &[Played]| -> Vec<Played> {
            let first = hits.iter().copied().filter(|hit| hit.0 < jump);
            let shifted = hits.iter().map(|hit| (hit.0 - START + jump, hit.1, hit.2));
            first.chain(shifted.filter(|hit| hit.0 < stop)).collect()
        };
        let mut second = placed();
        second.at = FramePos(jump);
        if let What::Placed { anchor_at, why, .. } = &mut second.what {
            (*anchor_at, *why) = (Exact::at(FramePos(jump)), Why::OneIsNow);
        }
        let events = [placed(), second, event(stop, What::Stopped { song: 0, ended: false })];
        let outputs = outputs(&again(&own), &again(&fallback));
        let found = judged(&set(vec![None]), Box::new(NoClips), &events, &outputs);
        assert!(found.clean(), "{:?}", found.findings);
        assert_eq!(found.all.due, 2 * (9 + 10) + 2 * (5 + 5));
    }

    /// What a run of the engine left: planar outputs with lost frames as silence, and its verdict.
    fn engine_run(seed: u64) -> Verdict {
        use fogbell::realtime::command::{Command, Timed, When};
        use fogbell::realtime::engine::engine;
        use fogbell::realtime::io::{Io, Process};
        use ringbuf::traits::{Consumer, Producer};
        let mut random = fastrand::Rng::with_seed(seed);
        let set = set(vec![None]);
        let (mut control, mut engine) = engine(&EngineSetup { record: false, ..setup() }, Arc::clone(&set));
        let mut listener = Listener::new(Listener::templates(&set), SampleRate::standard(), 3);
        let mut plan = Plan::new(Arc::clone(&set), &setup(), Box::new(NoClips));
        let mut io = Io::new(0, 3, 512);
        let (mut at, mut next) = (0i64, 4_800i64);
        // Frames of the last returns from all out and click out that were told: none is asked for twice.
        let mut returns = [0i64; 2];
        let mut id = 0;
        while at < 48_000 * 12 {
            if at >= next {
                id += 1;
                next = at + random.i64(20_000..60_000);
                let command = match if id == 1 { 0 } else { random.u32(0..10) } {
                    0 | 1 => Command::Start,
                    2 => Command::Nudge(Frames(random.i64(-900..900))),
                    3 => Command::GoTo { song: 0, leg: 0, count_in: false },
                    4 => Command::MuteClick { click: 0, muted: true },
                    5 => Command::MuteClick { click: 0, muted: false },
                    6 => Command::AllOut,
                    7 if returns[0] <= at => Command::AllBack,
                    8 => Command::ClickOut,
                    _ if returns[1] <= at => Command::ClickBack,
                    _ => Command::Undo,
                };
                control.commands.try_push(Timed { when: When::Now, command, id }).ok().unwrap();
            }
            io.lost = Frames(if random.u32(0..600) == 0 { random.i64(1..4_000) } else { 0 });
            at += io.lost.0;
            (io.at, io.frames) = (FramePos(at), random.usize(1..512));
            engine.process(&mut io);
            while let Some(event) = control.events.try_pop() {
                match event.what {
                    What::AllOut(false) => returns[0] = event.at.0,
                    What::ClickOut(false) => returns[1] = event.at.0,
                    _ => {}
                }
                plan.take(&event, &mut listener);
            }
            let pieces: Vec<&[f32]> = (0..3).map(|channel| io.output.channel(channel, io.frames)).collect();
            listener.hear(io.at, io.lost, &pieces);
            at += io.frames as i64;
        }
        plan.finish(FramePos(at), &mut listener);
        listener.finish()
    }

    #[test]
    fn the_engines_own_output_is_judged_clean_through_every_command_and_lost_frames() {
        let mut due = 0;
        for seed in 0..36 {
            let found = engine_run(seed);
            let all = &found.all;
            due += all.due;
            let wrong = all.missed + all.doubled + all.off_level;
            assert_eq!(wrong, 0, "seed {seed}: {:?}", found.findings);
            assert!(all.unheard <= 6, "seed {seed}: only hits at the very end are cut off by it");
        }
        println!("{due} hits were due");
        assert!(due > 1_000, "only {due} hits were due");
    }

    /// A click track of the user's: beats of another sound, 3 frames after the grid as bounced.
    fn track(rate: u32, folder: &std::path::Path) -> (std::path::PathBuf, Vec<f32>) {
        let path = folder.join(format!("track-{rate}.wav"));
        let bell = tone(1_250.0, 30.0, rate);
        let frames = rate as usize * 8;
        let mut samples = vec![0.0f32; frames];
        for beat in 0..16 {
            let at = (beat * BEAT * i64::from(rate) / 48_000) as usize + 3;
            for (n, one) in bell.iter().enumerate() {
                if at + n < frames {
                    samples[at + n] += one;
                }
            }
        }
        let spec = hound::WavSpec {
            channels: 1,
            sample_rate: rate,
            bits_per_sample: 32,
            sample_format: hound::SampleFormat::Float,
        };
        let mut writer = hound::WavWriter::create(&path, spec).unwrap();
        samples.iter().for_each(|one| writer.write_sample(*one).unwrap());
        writer.finalize().unwrap();
        (path, samples)
    }

    #[test]
    fn a_streamed_click_is_judged_by_the_files_own_sound_and_its_cover_by_the_fallbacks() {
        let folder = tempfile::tempdir().unwrap();
        let (file, samples) = track(RATE, folder.path());
        let stream = StreamPlan {
            file,
            channel: 0,
            gain: 1.5,
            standing: 0.0,
            origin: Span(0),
            // In hit order of the grid: lanes 0, 1, 0 for each beat; the file has a hit for each of lane 1.
            expected: vec![(0..48).map(|index| if index % 3 == 1 { 0.2 } else { 0.0 }).collect()],
        };
        let set = set(vec![Some(stream)]);
        let (_, fallback) = lanes();
        let dead = START + 7 * BEAT - 960;
        let mut click = vec![0.0f32; TOTAL];
        for (n, one) in samples.iter().enumerate() {
            if ((START + n as i64) < dead) && START as usize + n < TOTAL {
                click[START as usize + n] = one * 1.5;
            }
        }
        let covered: Vec<Played> = fallback.iter().copied().filter(|hit| hit.0 >= dead).collect();
        let cover = mix(TOTAL, &covered, RATE);
        click.iter_mut().zip(&cover).for_each(|(one, cover)| *one += cover);
        let lane = mix(TOTAL, &scaled(&fallback, 0.7), RATE);
        let outputs_of = |click: &[f32]| {
            let left: Vec<f32> = click.iter().zip(&lane).map(|(a, b)| a * 0.5 + b).collect();
            vec![click.to_vec(), left, lane.clone()]
        };
        let events = [switched(0, Source::Streamed), placed(), switched(dead + 500, Source::Fallback)];
        let clips = || Box::new(WavClips::new(RATE));
        let found = judged(&set, clips(), &events, &outputs_of(&click));
        assert_eq!(counts(&found), [64, 64, 0, 0, 0, 0, 0, 0], "{:?}", found.findings);
        // Told later than it happened: the hit before the told switch was covered already.
        let late =
            [switched(0, Source::Streamed), placed(), switched(START + 8 * BEAT - 9, Source::Fallback)];
        let found = judged(&set, clips(), &late, &outputs_of(&click));
        assert_eq!(counts(&found), [64, 64, 0, 0, 0, 0, 0, 0], "{:?}", found.findings);
        // The stream sounds on for one hit beside its fallback.
        let mut both = click.clone();
        let at = 7 * BEAT as usize;
        for n in 0..BEAT as usize {
            both[START as usize + at + n] += samples[at + n] * 1.5;
        }
        let found = judged(&set, clips(), &late, &outputs_of(&both));
        assert_eq!((found.all.missed, found.all.doubled), (0, 2), "{:?}", found.findings);
        // The file cannot be read: that is said, not passed over.
        let found = judged(&set, Box::new(NoClips), &late, &outputs_of(&click));
        assert_eq!(found.all.unheard, 16, "{:?}", found.findings);
    }
}

/// A plan of 5 to 40 hits whose neighbours are 40 to 400 ms apart.
fn plans() -> impl Strategy<Value = Vec<Played>> {
    let hit = (1_900i64..19_200, 0usize..4, 0.2f32..1.0);
    prop::collection::vec(hit, 5..40).prop_map(|steps| {
        let mut frame = 2_000;
        steps
            .into_iter()
            .map(|(step, sound, gain)| {
                frame += step;
                (frame, sound, gain)
            })
            .collect()
    })
}

#[derive(Clone, Debug)]
enum Corruption {
    Missing,
    Moved(i64),
    Level(f32),
    Doubled(i64),
}

fn corruptions() -> impl Strategy<Value = Corruption> {
    prop_oneof![
        Just(Corruption::Missing),
        (1i64..480).prop_map(Corruption::Moved),
        (1i64..480).prop_map(|by| Corruption::Moved(-by)),
        (1.3f32..8.0).prop_map(|db| Corruption::Level(-db)),
        (1.3f32..4.0).prop_map(Corruption::Level),
        (48i64..2_880).prop_map(Corruption::Doubled),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 250, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn any_plan_played_as_planned_is_clean(hits in plans()) {
        let frames = hits.last().unwrap().0 as usize + 24_000;
        let found = verdict(&hits, &mix(frames, &hits, RATE));
        prop_assert!(found.clean(), "{:?}", found.findings);
        prop_assert_eq!(found.all.due, hits.len() as u64);
        prop_assert!(found.all.largest_error_frames < 0.05);
    }

    #[test]
    fn any_single_corruption_is_found(hits in plans(), pick in any::<prop::sample::Index>(), what in corruptions()) {
        let index = pick.index(hits.len());
        let mut played = hits.clone();
        match &what {
            Corruption::Missing => { played.remove(index); }
            Corruption::Moved(by) => played[index].0 += by,
            Corruption::Level(db) => played[index].2 *= 10f32.powf(db / 20.0),
            Corruption::Doubled(by) => played.push((hits[index].0 + by, hits[index].1, hits[index].2)),
        }
        let frames = hits.last().unwrap().0 as usize + 24_000;
        let found = verdict(&hits, &mix(frames, &played, RATE));
        prop_assert!(!found.clean(), "{what:?} of {index} not found");
        prop_assert_eq!(found.all.due, hits.len() as u64);
        let wrong = found.findings.len();
        prop_assert!(wrong <= 3, "{what:?} of {index} {:?} blamed on many: {:?}", hits[index], found.findings);
    }
}
