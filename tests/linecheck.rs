//! Promise: the line check names every fault that a world holds, one by one and in pairs, and none where nothing is
//! wrong. Worlds are stepped, so the clock of the computer plays no part. What a fault looks like is the world's own
//! arithmetic; limits are common practice, no source.

#[cfg(all(feature = "jack", target_os = "linux"))]
#[path = "common/jack.rs"]
mod jack;

use fogbell::device::OpenSetup;
use fogbell::device::virtual_interface::{Mic, MicSound, Stepper, World};
use fogbell::latency::{Probe, ProbeKind};
use fogbell::linecheck::Answer;
use fogbell::linecheck::cables::{Cabling, Found, Try};
use fogbell::linecheck::conduct::{By, Conduct, Options, Report};
use fogbell::linecheck::desk::{Desk, DeskSetup, Ears, desk};
use fogbell::linecheck::judge::{Charger, Expects};
use fogbell::linecheck::pattern;
use fogbell::linecheck::plan::{Input, Plan, Role};
use fogbell::linecheck::walk::Verdict;
use fogbell::units::{Decibels, FramePos, SampleRate};
use serde_json::Value;
use std::collections::BTreeSet;
use std::io::Write;
use std::path::Path;
use std::process::{Command, Stdio};

const RATE: u32 = 48_000;

/// A dry clap: noise that falls by 60 dB in 60 ms, every 2.5 s, so that a still stretch fits between.
fn claps() -> Vec<f32> {
    let mut random = fastrand::Rng::with_seed(4);
    let mut out = vec![0.0; RATE as usize * 5 / 2];
    for (n, sample) in out.iter_mut().take(4_800).enumerate() {
        *sample = (random.f32() - 0.5) * (-6.9 * n as f32 / 2_880.0).exp();
    }
    out
}

fn mic(input: u16, gain: f64, late: i64) -> Mic {
    let sound = MicSound::Samples(claps().into());
    Mic { input, sound, looped: true, at: FramePos(90_000 + late), gain }
}

/// Two room microphones on 1 and 2, a talkback on 3, far from the clap and clapped at by itself; nothing on 4.
fn hall() -> World {
    let mut world = World { inputs: 4, outputs: 4, clip_inputs: true, ..World::default() };
    world.mics = vec![mic(1, 0.6, 0), mic(2, 0.4, 350), mic(3, 1.0, 91_200)];
    world.noises = World::from_toml(
        "noises = [{ input = 1, level = -66, seed = 1 }, { input = 2, level = -64, seed = 2 }, { input = 3, level = -68, seed = 3 }]",
    )
    .unwrap()
    .noises;
    world
}

fn inputs() -> Plan {
    let input = |channel: u16, name: &str, ambient: bool| Input {
        channel,
        name: name.into(),
        role: if channel == 1 { Role::Ambient } else { Role::Rest },
        expects: Expects::Clap,
        player: String::new(),
        ambient,
        inverted: false,
    };
    let inputs = vec![input(1, "room left", true), input(2, "room right", true), input(3, "talk", false)];
    let order = (0..3).map(fogbell::linecheck::plan::Item::Input).collect();
    Plan { outputs: Vec::new(), inputs, order }
}

fn bench(world: &World, sounds: Vec<Vec<f32>>) -> (Ears, Stepper<Desk>) {
    let rate = SampleRate::standard();
    let setup = DeskSetup {
        rate,
        inputs: 4,
        sounds: sounds.into_iter().map(Into::into).collect(),
        ceiling: Decibels(-6.0).gain(),
    };
    let (ears, desk) = desk(setup);
    (ears, Stepper::new(world, &OpenSetup::new(rate, 128, 4, 4), desk).unwrap())
}

fn check(world: &World, plan: Plan, options: Options) -> Report {
    let (ears, mut stepper) = bench(world, Vec::new());
    let mut conduct = Conduct::new(plan, ears, SampleRate::standard(), Vec::new(), options);
    for _ in 0..10_000 {
        stepper.step(960);
        if !conduct.turn(&[]) {
            return conduct.report();
        }
    }
    panic!("it never ends");
}

fn named(report: &Report) -> BTreeSet<(u16, &'static str)> {
    report
        .inputs
        .iter()
        .flat_map(|input| input.faults.iter().map(|fault| (input.channel, fault.word())))
        .collect()
}

/// A fault planted on an input, and what must be said.
struct Planted {
    name: &'static str,
    inputs: &'static [u16],
    plant: fn(&mut World),
    says: &'static [(u16, &'static str)],
    /// Nothing else can be seen on its inputs.
    hides: bool,
}

fn add(world: &mut World, text: &str) {
    let more = World::from_toml(text).unwrap();
    world.hums.extend(more.hums);
    world.standing.extend(more.standing);
    world.noises.extend(more.noises);
    world.twins.extend(more.twins);
    world.dead.extend(more.dead);
}

fn turn(world: &mut World, input: u16, gain: f64) {
    world.mics.iter_mut().filter(|mic| mic.input == input).for_each(|mic| mic.gain *= gain);
}

const PLANTED: &[Planted] = &[
    Planted {
        name: "hum 50",
        inputs: &[1],
        plant: |w| add(w, "hums = [{ input = 1, hertz = 49.2, level = -46 }]"),
        says: &[(1, "hum")],
        hides: false,
    },
    Planted {
        name: "hum 60",
        inputs: &[3],
        plant: |w| add(w, "hums = [{ input = 3, hertz = 61.5, level = -40 }]"),
        says: &[(3, "hum")],
        hides: false,
    },
    Planted {
        name: "voltage",
        inputs: &[1],
        plant: |w| add(w, "standing = [{ input = 1, value = -0.02 }]"),
        says: &[(1, "dc")],
        hides: false,
    },
    Planted {
        name: "voltage elsewhere",
        inputs: &[2],
        plant: |w| add(w, "standing = [{ input = 2, value = 0.008 }]"),
        says: &[(2, "dc")],
        hides: false,
    },
    Planted {
        name: "noise",
        inputs: &[3],
        plant: |w| add(w, "noises = [{ input = 3, level = -30, seed = 77 }]"),
        says: &[(3, "noise")],
        hides: false,
    },
    Planted {
        name: "clipping",
        inputs: &[1],
        plant: |w| turn(w, 1, 20.0),
        says: &[(1, "clips")],
        hides: false,
    },
    Planted {
        name: "too quiet",
        inputs: &[3],
        plant: |w| turn(w, 3, 0.01),
        says: &[(3, "too_quiet")],
        hides: true,
    },
    Planted {
        name: "dead",
        inputs: &[2],
        plant: |w| add(w, "dead = [2]"),
        says: &[(2, "dead")],
        hides: true,
    },
    Planted {
        name: "inverted",
        inputs: &[1, 2],
        plant: |w| turn(w, 2, -1.0),
        says: &[(1, "inverted"), (2, "inverted")],
        hides: false,
    },
    Planted {
        name: "one signal twice",
        inputs: &[1, 3],
        plant: |w| add(w, "twins = [{ input = 3, of = 1 }]"),
        says: &[(1, "same_as"), (3, "same_as")],
        hides: true,
    },
    Planted {
        name: "muted",
        inputs: &[3],
        plant: |w| turn(w, 3, 0.0),
        says: &[(3, "unheard"), (3, "heard_elsewhere")],
        hides: true,
    },
];

const ALONE: Options = Options { alone: true, charger: false };

#[test]
fn nothing_is_named_where_nothing_is_wrong() {
    for seed in 0..6 {
        let mut world = hall();
        world.noises.iter_mut().for_each(|noise| noise.seed += 10 * seed);
        let report = check(&world, inputs(), ALONE);
        assert_eq!(named(&report), BTreeSet::new(), "seed {seed}: {report:#?}");
        assert!(report.inputs.iter().all(|input| input.verdict == Verdict::Right), "{report:#?}");
        assert_eq!(report.keys, 0);
    }
}

#[test]
fn every_planted_fault_is_named_and_no_other() {
    for planted in PLANTED {
        let mut world = hall();
        (planted.plant)(&mut world);
        let report = check(&world, inputs(), ALONE);
        let says: BTreeSet<_> = planted.says.iter().copied().collect();
        assert_eq!(named(&report), says, "{}: {report:#?}", planted.name);
    }
}

/// Of two nobody can say which one is turned over; of three it is the one that differs from the other two.
#[test]
fn of_three_room_microphones_only_the_inverted_one_is_named() {
    for inverted in [1, 2, 4] {
        let mut world = hall();
        world.mics.push(mic(4, 0.5, 220));
        add(&mut world, "noises = [{ input = 4, level = -65, seed = 4 }]");
        turn(&mut world, inverted, -1.0);
        let mut plan = inputs();
        plan.inputs.push(Input {
            channel: 4,
            name: "balcony".into(),
            role: Role::Rest,
            ..plan.inputs[1].clone()
        });
        plan.order.push(fogbell::linecheck::plan::Item::Input(3));
        assert_eq!(named(&check(&world, plan, ALONE)), BTreeSet::from([(inverted, "inverted")]));
    }
}

#[test]
fn every_pair_of_faults_is_named_and_no_third() {
    let mut pairs = 0;
    for (index, one) in PLANTED.iter().enumerate() {
        for two in &PLANTED[index + 1..] {
            let shares = one.inputs.iter().any(|input| two.inputs.contains(input));
            // What hides everything on its input cannot be there together with another fault of that input.
            if shares && (one.hides || two.hides) {
                continue;
            }
            let mut world = hall();
            (one.plant)(&mut world);
            (two.plant)(&mut world);
            let report = check(&world, inputs(), ALONE);
            let says: BTreeSet<_> = one.says.iter().chain(two.says).copied().collect();
            assert_eq!(named(&report), says, "{} and {}: {report:#?}", one.name, two.name);
            pairs += 1;
        }
    }
    println!("{pairs} pairs");
    assert!(pairs >= 40, "{pairs}");
}

#[test]
fn hum_that_comes_with_the_charger_is_told_from_hum_that_stays() {
    // Three inputs, each clapped at: the charger's steps begin after about 8 s. Alone, both stretches are 2 s each.
    let plan = || Plan { order: Vec::new(), ..inputs() };
    let cases = [
        ("hums = [{ input = 1, level = -45, until = 97000 }]", Charger::HumsWithIt),
        ("hums = [{ input = 1, level = -45 }]", Charger::HumsEitherWay),
        ("hums = [{ input = 1, level = -45, from = 96000 }]", Charger::HumsWithout),
        ("", Charger::Quiet),
    ];
    for (hums, verdict) in cases {
        let mut world = hall();
        world.mics.clear();
        add(&mut world, hums);
        let report = check(&world, plan(), Options { alone: true, charger: true });
        let verdicts: Vec<Charger> = report.charger.iter().map(|charger| charger.verdict).collect();
        assert_eq!(verdicts, [verdict, Charger::Quiet, Charger::Quiet], "{report:#?}");
    }
}

#[test]
fn outputs_sound_one_by_one_from_quiet_upwards_until_somebody_answers() {
    let rate = SampleRate::standard();
    let output = |channel: u16| fogbell::linecheck::plan::Output {
        channel,
        name: format!("feed {channel}"),
        player: String::new(),
        role: Role::Rest,
        quiet_db: -40.0,
        ceiling_db: -33.0,
        spoken: None,
    };
    let mut plan = Plan { outputs: vec![output(2), output(4)], inputs: Vec::new(), order: Vec::new() };
    plan.order = (0..2).map(fogbell::linecheck::plan::Item::Output).collect();
    let sounds = vec![pattern::samples(2, rate), pattern::samples(4, rate)];
    let lengths: Vec<usize> = sounds.iter().map(Vec::len).collect();
    let capture = fogbell::device::virtual_interface::Capture::default();
    let (ears, stepper) = bench(&World { inputs: 4, outputs: 4, ..World::default() }, sounds);
    let mut stepper = stepper.captured_by(&capture);
    let mut conduct = Conduct::new(plan, ears, rate, lengths.clone(), Options::default());
    // Five whole rounds of the first, then yes; half a round of the second, then no.
    for turn in 0..100_000u64 {
        stepper.step(480);
        let at = turn as usize * 480;
        let answers: &[Answer] = match conduct.view().step {
            0 if at > 5 * lengths[0] + 1_000 => &[Answer::Yes],
            1 if at > 5 * lengths[0] + 40_000 => &[Answer::No],
            _ => &[],
        };
        if !conduct.turn(answers) {
            break;
        }
    }
    stepper.step(4_800);
    let report = conduct.report();
    let verdicts: Vec<_> = report.outputs.iter().map(|output| (output.verdict, output.keys)).collect();
    assert_eq!(verdicts, [(Verdict::Right, 1), (Verdict::Wrong, 1)]);
    assert_eq!((report.keys, report.outputs[0].level_db), (2, Some(-33.0)));
    let outputs = capture.take().outputs;
    let peak = |samples: &[f32]| 20.0 * samples.iter().fold(1e-9f32, |most, x| most.max(x.abs())).log10();
    let rounds: Vec<f32> =
        (0..4).map(|n| peak(&outputs[1][n * (lengths[0] + 480)..][..lengths[0] - 20_000])).collect();
    for (found, wanted) in rounds.iter().zip([-40.0, -37.0, -34.0, -33.0]) {
        assert!((found - wanted).abs() < 0.1, "{rounds:?}");
    }
    assert!(
        peak(&outputs[0]) < -100.0 && peak(&outputs[2]) < -100.0 && (peak(&outputs[3]) + 40.0).abs() < 0.1
    );
    let last = outputs[3].len();
    assert!(peak(&outputs[3][last - 2_400..]) < -100.0, "an answer hushes it");
    for output in &outputs {
        let step = output.windows(2).map(|pair| (pair[1] - pair[0]).abs()).fold(0.0f32, f32::max);
        assert!(step < 0.05, "{step}");
    }
}

#[test]
fn nobody_confirms_an_output_that_has_not_sounded() {
    let (plan, sounds) = players();
    let lengths: Vec<usize> = sounds.iter().map(Vec::len).collect();
    let (ears, mut stepper) = bench(&World { inputs: 4, outputs: 4, ..World::default() }, sounds);
    let mut conduct = Conduct::new(plan, ears, SampleRate::standard(), lengths, Options::default());
    // A yes before the first frame; then a foot switch that bounces, all of it in one look at the keys.
    conduct.turn(&[Answer::Yes]);
    assert_eq!((conduct.view().step, conduct.view().asks), (0, false));
    for _ in 0..50 {
        stepper.step(480);
        conduct.turn(&[]);
    }
    assert!(conduct.view().asks);
    conduct.turn(&[Answer::Yes, Answer::Yes]);
    let report = conduct.report();
    let told: Vec<_> = report.outputs.iter().map(|output| (output.verdict, output.rounds)).collect();
    assert_eq!((told, report.keys), (vec![(Verdict::Right, 1), (Verdict::Unchecked, 1)], 3));
}

/// Feeds on 2 (Wren's) and 4 (Tern's), a room microphone on 1, and Wren's own on 3.
fn players() -> (Plan, Vec<Vec<f32>>) {
    let output = |channel: u16, player: &str| fogbell::linecheck::plan::Output {
        channel,
        name: format!("feed {channel}"),
        player: player.into(),
        role: Role::Rest,
        quiet_db: -40.0,
        ceiling_db: -33.0,
        spoken: None,
    };
    let mut inputs = inputs().inputs;
    inputs[2].player = "Wren".into();
    let outputs = vec![output(2, "Wren, Gannet"), output(4, "Tern")];
    let order = (0..2).map(fogbell::linecheck::plan::Item::Output).collect();
    let sounds = [2, 4].map(|channel| pattern::samples(channel, SampleRate::standard()));
    (Plan { outputs, inputs, order }, sounds.to_vec())
}

/// Half a second of a low voice, at these frames.
fn voice(input: u16, gain: f64, at: i64) -> Mic {
    let swell = |n: f32| (std::f32::consts::PI * n / 24_000.0).sin() * (n * 0.021).sin();
    let sound = MicSound::Samples((0..24_000).map(|n| swell(n as f32)).collect::<Vec<f32>>().into());
    Mic { input, sound, looped: false, at: FramePos(at), gain }
}

/// Where the pauses of the first output's rounds begin.
fn pause(round: i64, length: usize) -> i64 {
    480 + (round + 1) * length as i64 - (pattern::REST * 48_000.0) as i64
}

#[test]
fn a_player_answers_with_a_word_into_their_own_microphone_and_no_key() {
    let (plan, sounds) = players();
    let lengths: Vec<usize> = sounds.iter().map(Vec::len).collect();
    let mut world = hall();
    // A word into the room's microphone in the first pause, Wren's own while it sounds, then Wren's in the next pause; and
    // again while Tern's output sounds.
    world.mics = vec![
        voice(1, 0.3, pause(0, lengths[0]) + 4_000),
        voice(3, 0.3, pause(1, lengths[0]) - 30_000),
        voice(3, 0.3, pause(2, lengths[0]) + 4_000),
        voice(3, 0.3, pause(2, lengths[0]) + 20_000 + lengths[1] as i64),
    ];
    let (ears, mut stepper) = bench(&world, sounds);
    let mut conduct = Conduct::new(plan, ears, SampleRate::standard(), lengths.clone(), Options::default());
    let mut frames = 0;
    let mut confirmed = 0;
    loop {
        stepper.step(480);
        frames += 480;
        let view = conduct.view();
        if view.step == 1 && confirmed == 0 {
            confirmed = frames;
            assert_eq!((view.confirmed, view.own_mic), (Some((0, 3)), None));
        }
        // Tern, who has no microphone, is answered for with a key.
        let answers: &[Answer] =
            if view.step == 1 && frames > confirmed + 3 * lengths[1] { &[Answer::Yes] } else { &[] };
        if !conduct.turn(answers) {
            break;
        }
    }
    let wanted = pause(2, lengths[0]) + 4_000;
    // The word is half a second long, and ends before it counts.
    assert!((0..28_000).contains(&(confirmed as i64 - wanted)), "{confirmed} after {wanted}");
    let report = conduct.report();
    let told = |index: usize| {
        let output = &report.outputs[index];
        (output.verdict, output.confirmed_by, output.confirmed_on, output.keys)
    };
    assert_eq!(told(0), (Verdict::Right, Some(By::Mic), Some(3), 0));
    assert_eq!(told(1), (Verdict::Right, Some(By::Key), None, 1));
    assert_eq!((report.keys, report.confirmed_by_mic, report.outputs[0].rounds), (1, 1, 3));
    assert!(report.outputs[0].answered_on.contains(&1), "a room that hears somebody is told, too");
}

/// Noise of the stage at several levels; and somebody who plays the drums in every microphone.
#[test]
fn a_loud_stage_answers_for_nobody() {
    let mut worlds: Vec<(String, World)> = Vec::new();
    for level in [-50, -40, -30, -20, -6] {
        let mut world = hall();
        world.mics.clear();
        add(&mut world, &format!("noises = [{{ input = 3, level = {level}, seed = 5 }}]"));
        worlds.push((format!("noise at {level}"), world));
    }
    for seed in 0..6 {
        let mut random = fastrand::Rng::with_seed(seed);
        let mut drums = vec![0.0f32; 18 * 48_000];
        let mut at = 0;
        while at + 19_200 < drums.len() {
            let level = 0.05 + 0.9 * random.f32();
            for (n, x) in drums[at..at + 19_200].iter_mut().enumerate() {
                *x += level * (random.f32() - 0.5) * (-6.9 * n as f32 / 19_200.0).exp();
            }
            at += random.usize(4_000..150_000);
        }
        let mut world = hall();
        let sound = MicSound::Samples(drums.into());
        world.mics = [1, 3]
            .map(|input| Mic {
                input,
                sound: sound.clone(),
                looped: false,
                at: FramePos(0),
                gain: f64::from(input) / 3.0,
            })
            .to_vec();
        worlds.push((format!("drums {seed}"), world));
    }
    for (name, world) in worlds {
        let (plan, sounds) = players();
        let lengths: Vec<usize> = sounds.iter().map(Vec::len).collect();
        let (ears, mut stepper) = bench(&world, sounds);
        let mut conduct = Conduct::new(plan, ears, SampleRate::standard(), lengths, Options::default());
        let mut too_loud = false;
        for _ in 0..18 * 50 {
            stepper.step(960);
            conduct.turn(&[]);
            too_loud |= conduct.view().own_mic == Some((3, true));
        }
        assert_eq!((conduct.view().step, conduct.report().confirmed_by_mic), (0, 0), "{name}");
        assert!(too_loud || !["noise at -20", "noise at -6"].contains(&name.as_str()), "{name}");
    }
}

#[test]
fn a_stage_that_is_never_still_is_judged_all_the_same_and_it_is_said() {
    let mut world = hall();
    let sound: Vec<f32> = claps().into_iter().take(24_000).collect();
    world.mics.push(Mic {
        input: 2,
        sound: MicSound::Samples(sound.into()),
        looped: true,
        at: FramePos(0),
        gain: 0.5,
    });
    let report = check(&world, inputs(), ALONE);
    assert!(report.inputs.iter().all(|input| input.never_still), "{report:#?}");
    assert!(report.seconds > 3.0 * 6.0 && report.seconds < 40.0, "{}", report.seconds);
    assert!(check(&hall(), inputs(), ALONE).inputs.iter().all(|input| !input.never_still));
}

fn cabled(world: &World, tries: &[(u16, u16)]) -> Found {
    let rate = SampleRate::standard();
    let sweep = Probe::with_shots(ProbeKind::Sweep, rate, 1, 1.0).shot().to_vec();
    let (ears, mut stepper) = bench(world, vec![sweep.clone()]);
    let tries = tries.iter().map(|(output, expected)| Try {
        output: *output,
        name: format!("feed {output}"),
        expected: *expected,
    });
    let mut cabling = Cabling::new(tries.collect(), ears, rate, sweep, 0, (-48.0, -12.0));
    for _ in 0..10_000 {
        stepper.step(960);
        if !cabling.turn() {
            return cabling.found().clone();
        }
    }
    panic!("it never ends");
}

/// Output and one word a fault of its way; inputs as 100 + channel.
fn said(found: &Found) -> BTreeSet<(u16, &'static str)> {
    let ways = found.ways.iter().flat_map(|way| way.wrong.iter().map(|wrong| (way.output, wrong.word())));
    let inputs = found
        .inputs
        .iter()
        .flat_map(|rest| rest.faults.iter().map(|fault| (100 + rest.channel, fault.word())));
    ways.chain(inputs).collect()
}

/// Straight cables on three channels, at −3 dB, with noise.
fn patched() -> World {
    let text = "inputs = 4\noutputs = 4\nclip-inputs = true\ncables = [{ output = 1, input = 1, delay-frames = 260, gain = 0.7 }, \
        { output = 2, input = 2, delay-frames = 260, gain = 0.7 }, { output = 3, input = 3, delay-frames = 260, gain = 0.7 }]\n\
        noises = [{ input = 1, level = -80, seed = 1 }, { input = 2, level = -80, seed = 2 }, { input = 3, level = -80, seed = 3 }]";
    World::from_toml(text).unwrap()
}

const STRAIGHT: &[(u16, u16)] = &[(1, 1), (2, 2), (3, 3)];

type Cut = (&'static str, fn(&mut World), &'static [(u16, &'static str)], &'static [u16]);

const CABLE_FAULTS: &[Cut] = &[
    (
        "crossed",
        |w| (w.cables[0].input, w.cables[1].input) = (2, 1),
        &[(1, "elsewhere"), (2, "elsewhere")],
        &[1, 2],
    ),
    ("cut", |w| w.cables[2].gain = 0.0, &[(3, "nothing")], &[3]),
    ("inverted", |w| w.cables[0].gain *= -1.0, &[(1, "inverted")], &[]),
    ("weak", |w| w.cables[1].gain = 0.01, &[(2, "weak")], &[2]),
    ("hot", |w| w.cables[1].gain = 90.0, &[(2, "clips")], &[2]),
    ("hum", |w| add(w, "hums = [{ input = 1, level = -45 }]"), &[(101, "hum")], &[]),
    ("voltage", |w| add(w, "standing = [{ input = 3, value = 0.05 }]"), &[(103, "dc")], &[]),
    ("noise", |w| add(w, "noises = [{ input = 1, level = -33, seed = 9 }]"), &[(101, "noise")], &[]),
    (
        "split",
        |w| {
            w.cables.push(fogbell::device::virtual_interface::Cable {
                output: 3,
                input: 4,
                delay_frames: 260.0,
                gain: 0.7,
            })
        },
        &[(3, "also")],
        &[3],
    ),
];

#[test]
fn with_cables_every_fault_alone_and_in_pairs_is_named_and_none_where_nothing_is_wrong() {
    let found = cabled(&patched(), STRAIGHT);
    assert_eq!(said(&found), BTreeSet::new(), "{found:#?}");
    assert!(found.is_right() && found.ways.iter().all(|way| way.arrivals[0].delay_frames == 260));
    assert!(found.ways.iter().all(|way| (way.arrivals[0].gain_db + 3.1).abs() < 0.1), "{found:#?}");
    let mut pairs = 0;
    for (index, one) in CABLE_FAULTS.iter().enumerate() {
        for two in &CABLE_FAULTS[index..] {
            let alone = one.0 == two.0;
            if !alone && one.3.iter().any(|channel| two.3.contains(channel)) {
                continue;
            }
            let mut world = patched();
            (one.1)(&mut world);
            if !alone {
                (two.1)(&mut world);
                pairs += 1;
            }
            let found = cabled(&world, STRAIGHT);
            let says: BTreeSet<_> = one.2.iter().chain(two.2).copied().collect();
            assert_eq!(said(&found), says, "{} and {}: {found:#?}", one.0, two.0);
            let crossed = if one.0 == "crossed" { vec![(1, 2)] } else { Vec::new() };
            assert_eq!(found.crossed, crossed);
        }
    }
    println!("{pairs} pairs");
    assert!(pairs >= 25, "{pairs}");
}

#[test]
fn frames_that_are_lost_cost_a_repeat_and_no_wrong_word() {
    let mut world = hall();
    let fault = |at| fogbell::device::virtual_interface::Fault {
        at: FramePos(at),
        kind: fogbell::device::virtual_interface::FaultKind::LateBy,
        frames: Some(300),
    };
    world.faults = [20_000, 92_000].map(fault).to_vec();
    assert_eq!(named(&check(&world, inputs(), ALONE)), BTreeSet::new());
    let mut world = patched();
    world.faults = [70_000, 130_000, 200_000].map(fault).to_vec();
    assert_eq!(said(&cabled(&world, STRAIGHT)), BTreeSet::new());
}

/// Runs the program; the object on standard output, what it said, its exit.
fn linecheck(folder: &Path, words: &[&str], answers: &str) -> (Value, String, i32) {
    let mut child = Command::new(env!("CARGO_BIN_EXE_fogbell"))
        .arg("linecheck")
        .args(words)
        .arg("--json")
        .current_dir(folder)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    _ = child.stdin.take().unwrap().write_all(answers.as_bytes());
    let output = child.wait_with_output().unwrap();
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    let found = serde_json::from_slice(&output.stdout).unwrap_or_else(|fault| panic!("{fault}: {said}"));
    (found, said, output.status.code().unwrap_or(-1))
}

const SHOW: &str = "show = \"Saltmarsh Five\"\n[click.drums]\nplayer = \"Wren\"\n[click.band]\n[input.room]\n[feed.drums]\n\
    hears = { drums = 0 }\n[feed.band]\nhears = { band = -3 }\n[[song]]\ntitle = \"Low Tide\"\ntempo = 120\nbars = 4\n";
const RIG: &str = "rig = \"borrowed box\"\n[interface]\nhost = \"virtual\"\ndevice = \"hall.toml\"\n[outputs]\nband = 1\ndrums = 2\n\
    [inputs]\nroom = 1\n";

fn stage(world: &str) -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    for (name, text) in [("show.toml", SHOW), ("rig.toml", RIG), ("hall.toml", world)] {
        std::fs::write(folder.path().join(name), text).unwrap();
    }
    folder
}

#[test]
fn the_command_answers_with_a_table_an_object_an_exit_and_keeps_it_with_the_night() {
    let world = "inputs = 2\noutputs = 2\nhums = [{ input = 1, level = -45 }]\nnoises = [{ input = 1, level = -70 }]\n";
    let folder = stage(world);
    let words = ["show.toml", "--rig", "rig.toml", "--page", "page.html"];
    let (found, said, code) = linecheck(folder.path(), &words, "yes\nyes\nno\n");
    assert_eq!((code, &found["ok"], &found["keys"]), (1, &false.into(), &3.into()), "{found:#}\n{said}");
    let verdict = |list: &str, name: &str| {
        let rows = found[list].as_array().unwrap();
        rows.iter().find(|row| row["name"] == name).unwrap()["verdict"].clone()
    };
    // The drummer's output comes first, the room next, the rest last.
    assert_eq!(verdict("outputs", "drums"), "right", "{found:#}");
    let sounded = |row: &Value| row["rounds"].as_u64() > Some(0) && row["level_db"].is_number();
    assert!(found["outputs"].as_array().unwrap().iter().all(sounded), "{found:#}");
    assert_eq!(
        (verdict("inputs", "room"), verdict("outputs", "band")),
        ("wrong".into(), "wrong".into()),
        "{found:#}"
    );
    let faults: Vec<_> =
        found["inputs"][0]["faults"].as_array().unwrap().iter().map(|fault| &fault["fault"]).collect();
    assert_eq!(faults, ["unheard", "hum"], "{found:#}");
    assert_eq!((&found["rig"], &found["device"]["host"]), (&"borrowed box".into(), &"virtual".into()));
    let kept = std::fs::read_to_string(folder.path().join(found["log"].as_str().unwrap())).unwrap();
    assert!(kept.contains("\"kind\":\"line-check\""), "{kept}");
    let page = std::fs::read_to_string(folder.path().join("page.html")).unwrap();
    for part in [
        "NOT RIGHT: 3 faults in 3 lines.",
        "Output 1 (band): not where it belongs, a person said",
        "hum: 50.0 Hz",
    ] {
        assert!(page.contains(part), "{part} is not in {page}");
    }
    for wrong in [
        &["--rig", "none.toml"][..],
        &["--rig", "rig.toml", "--only", "horn"],
        &["--rig", "rig.toml", "--cables=1"],
    ] {
        let (found, _, code) = linecheck(folder.path(), wrong, "");
        assert_eq!((code, &found["ok"]), (2, &false.into()), "{found:#}");
    }
}

#[cfg(all(feature = "jack", target_os = "linux"))]
#[test]
fn on_a_server_with_crossed_connections_the_crossing_is_named() {
    use std::time::{Duration, Instant};
    let server = jack::Server::start();
    let folder = tempfile::tempdir().unwrap();
    let rig = "[interface]\nhost = \"jack\"\ndevice = \"none\"\n[outputs]\ndrums = 1\nband = 2\n[inputs]\nroom = 1\nroof = 2\n";
    std::fs::write(folder.path().join("rig.toml"), rig).unwrap();
    let tool = |program: &str, words: &[&str]| {
        let mut command = Command::new(program);
        let output = command.args(words).env("JACK_DEFAULT_SERVER", &server.name).output().unwrap();
        (output.status.success(), String::from_utf8_lossy(&output.stdout).into_owned())
    };
    let wait_for = |what: &dyn Fn() -> bool| {
        let begun = Instant::now();
        while !what() {
            assert!(begun.elapsed() < Duration::from_secs(60), "{}", server.words());
            std::thread::sleep(Duration::from_millis(50));
        }
    };
    wait_for(&|| tool("jack_lsp", &[]).0);
    for (pairs, crossed, code) in
        [([("drums", "roof"), ("band", "room")], true, 1), ([("drums", "room"), ("band", "roof")], false, 0)]
    {
        let mut child = Command::new(env!("CARGO_BIN_EXE_fogbell"))
            .args(["linecheck", "--rig", "rig.toml", "--cables", "--ears-out", "--json"])
            .current_dir(folder.path())
            .env("JACK_DEFAULT_SERVER", &server.name)
            .env("JACK_NO_AUDIO_RESERVATION", "1")
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        let ports = || tool("jack_lsp", &[]).1;
        wait_for(&|| ports().lines().any(|port| port.ends_with(":roof")));
        let port = |name: &str| {
            ports().lines().find(|port| port.ends_with(&format!(":{name}"))).unwrap().to_string()
        };
        for (output, input) in pairs {
            assert!(tool("jack_connect", &[&port(output), &port(input)]).0, "{}", ports());
        }
        _ = child.stdin.take().unwrap().write_all(b"yes\n");
        let output = child.wait_with_output().unwrap();
        let said = String::from_utf8_lossy(&output.stderr);
        let found: Value = serde_json::from_slice(&output.stdout).unwrap_or_else(|_| panic!("{said}"));
        assert_eq!(output.status.code(), Some(code), "{found:#}\n{said}");
        let wanted = if crossed { serde_json::json!([[1, 2]]) } else { serde_json::json!([]) };
        assert_eq!(found["crossed"], wanted, "{found:#}");
        wait_for(&|| !ports().contains("roof"));
    }
}
