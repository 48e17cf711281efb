//! From files to a device that runs, and the three things that can be done on it.

use super::Args;
use super::hands::Hands;
use super::screen::{self, Screen};
use super::told::{self, Told};
use crate::cli::files;
use crate::cli::latency::consent;
use crate::click::prepare::{Prepared, prepare};
use crate::device::{self, Health, HealthState, Interface, Negotiated, OpenSetup, Running};
use crate::latency::{Probe, ProbeKind, session::QUIET};
use crate::linecheck::cables::{Cabling, Try};
use crate::linecheck::conduct::{Conduct, Options};
use crate::linecheck::desk::{DeskSetup, Ears, Play, desk};
use crate::linecheck::plan::{Input, Output, Plan};
use crate::linecheck::{Answer, pattern};
use crate::show::model::{Rig, Show};
use crate::show::{self, RigReading};
use crate::units::{Decibels, SampleRate};
use crate::wav;
use std::io::{BufRead, IsTerminal};
use std::sync::Arc;
use std::time::{Duration, Instant};

/// How often keys and inputs are looked at.
const LOOK: Duration = Duration::from_millis(15);
/// A device that has not called for so long after its start is not coming.
const PATIENCE: Duration = Duration::from_secs(5);
/// The tone swells in over this, in seconds.
const SWELL: f64 = 2.0;
/// The tone alone, without a person: so long.
const TONE_ALONE: Duration = Duration::from_secs(2);

/// A stream with a desk on it.
struct Bench {
    running: Box<dyn Running>,
    negotiated: Negotiated,
    begun: Instant,
}

impl Bench {
    /// Errors: the device is gone, in words.
    fn alive(&mut self) -> Result<(), String> {
        let Health { state, callbacks, .. } = self.running.health();
        let lost = |why: &str| {
            Err(format!("the device stopped: {why}\n  to mend it: bring it back, then check again"))
        };
        match state {
            HealthState::Lost(why) => lost(&why),
            HealthState::Stalled => lost("it no longer calls, although no error came"),
            HealthState::Finished => lost("it has reached its end"),
            HealthState::Running if callbacks == 0 && self.begun.elapsed() > PATIENCE => {
                lost("it never called")
            }
            HealthState::Running => Ok(()),
        }
    }
}

/// Errors: files or options that are wrong; nothing was done.
pub fn check(args: &Args) -> Result<Told, String> {
    let (rig, reading) = files::lone_rig(&args.rig)?;
    let show = args.show.as_deref().map(|path| read_show(path, &reading)).transpose()?;
    let prepared = show.as_ref().map(|show| ready(show, rig.interface.rate)).transpose()?;
    let mut interface = match device::choose_in(&rig.interface, &rig.folder) {
        Ok(interface) => interface,
        Err(error) => return Ok(Told::refused("device", &error.to_string())),
    };
    let there =
        if rig.folds.is_empty() { None } else { device::outputs_of(interface.as_ref(), &rig.interface) };
    let outlets = match there {
        Some(there) => {
            crate::realtime::wiring::outlets(&rig, there).map_err(|fault| fault.to_string())?.to_vec()
        }
        None => rig.outputs.clone(),
    };
    let both = show.as_ref().zip(prepared.as_ref().map(|prepared| &prepared.set));
    let mut plan = Plan::of(&rig, &outlets, both, args.ceiling);
    if !args.only.is_empty() {
        plan.keep_only(&args.only)?;
    }
    if args.short {
        plan.shorten();
    }
    if plan.order.is_empty() {
        return Err(
            "there is nothing to check\n  to mend it: name other outputs or inputs with --only".into()
        );
    }
    if let Some(pairs) = &args.cables {
        return cables(args, &rig, interface.as_mut(), &plan, pairs);
    }
    if let Some(standard) = &args.tone {
        return tone(args, &rig, interface.as_mut(), &plan, standard);
    }
    walk(args, &rig, interface.as_mut(), plan)
}

fn read_show(path: &std::path::Path, rig: &RigReading) -> Result<Show, String> {
    let reading = show::read_show(path).map_err(|fault| {
        format!("{} cannot be read: {fault}\n  to mend it: give the path of a show file", path.display())
    })?;
    let faults = show::render(&reading.faults, &reading.text, &reading.name, false);
    let show = reading.show.ok_or_else(|| files::bare(faults))?;
    let faults = rig.faults_against(&show);
    if faults.is_empty() {
        return Ok(show);
    }
    Err(files::bare(show::render(&faults, &rig.text, &rig.name, false)))
}

fn ready(show: &Show, rate: SampleRate) -> Result<Prepared, String> {
    prepare(show, rate)
        .map_err(|faults| faults.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n"))
}

/// What one output says of itself. Errors: its recording cannot be used.
fn sound(output: &Output, rate: SampleRate) -> Result<Vec<f32>, String> {
    let Some(path) = &output.spoken else { return Ok(pattern::samples(output.channel, rate)) };
    let audio = wav::read_up_to(path, 6.0).map_err(|fault| fault.to_string())?;
    let mut samples = wav::resample(&audio.mono(), audio.rate, rate);
    let peak = samples.iter().fold(0.0f32, |most, x| most.max(x.abs()));
    if !peak.is_finite() || peak < 1e-4 {
        return Err(format!("{} is silent\n  to mend it: record the name again", path.display()));
    }
    samples.iter_mut().for_each(|sample| *sample /= peak);
    samples.resize(samples.len() + rate.frames(pattern::REST).0.max(0) as usize, 0.0);
    Ok(samples)
}

fn open_setup(rig: &Rig, plan: &Plan, inputs: u16) -> OpenSetup {
    let outputs = plan.outputs.iter().map(|output| output.channel).max().unwrap_or(1);
    let mut setup = device::setup_for(&rig.interface, inputs, outputs);
    let output = |channel: u16| plan.outputs.iter().find(|output| output.channel == channel);
    let input = |channel: u16| plan.inputs.iter().find(|input| input.channel == channel);
    setup.output_names =
        (1..=outputs).map(|n| output(n).map_or(String::new(), |o: &Output| o.name.clone())).collect();
    setup.input_names =
        (1..=inputs).map(|n| input(n).map_or(String::new(), |i: &Input| i.name.clone())).collect();
    setup
}

/// What plays, what hears, and how many frames each sound has.
type Started = (Bench, Ears, Vec<usize>);

/// Opens and starts. The inner error: the device will not.
fn start(
    interface: &mut dyn Interface,
    open: &OpenSetup,
    sounds: &dyn Fn(SampleRate) -> Result<Vec<Vec<f32>>, String>,
    ceiling_db: f64,
) -> Result<Result<Started, Told>, String> {
    let opened = match interface.open(open) {
        Ok(opened) => opened,
        Err(error) => return Ok(Err(Told::refused("device", &error.to_string()))),
    };
    let negotiated = opened.negotiated().clone();
    let sounds = sounds(negotiated.rate)?;
    let lengths = sounds.iter().map(Vec::len).collect();
    let (ears, process) = desk(DeskSetup {
        rate: negotiated.rate,
        inputs: usize::from(negotiated.inputs.min(open.inputs)),
        sounds: sounds.into_iter().map(Arc::from).collect(),
        ceiling: Decibels(ceiling_db).gain(),
    });
    match opened.start(Box::new(process)) {
        Ok(running) => Ok(Ok((Bench { running, negotiated, begun: Instant::now() }, ears, lengths))),
        Err(error) => Ok(Err(Told::refused("device", &error.to_string()))),
    }
}

fn walk(args: &Args, rig: &Rig, interface: &mut dyn Interface, plan: Plan) -> Result<Told, String> {
    let mut hands = Hands::of(rig, args.yes)?;
    let inputs = plan.inputs.iter().map(|input| input.channel).max().unwrap_or(0);
    let open = open_setup(rig, &plan, inputs);
    let sounds = |rate: SampleRate| plan.outputs.iter().map(|output| sound(output, rate)).collect();
    let (mut bench, ears, lengths) = match start(interface, &open, &sounds, args.ceiling)? {
        Ok(started) => started,
        Err(told) => return Ok(told),
    };
    let options = Options { alone: hands.is_nobody(), charger: args.charger };
    let mut conduct = Conduct::new(plan, ears, bench.negotiated.rate, lengths, options);
    let mut screen = Screen::open(hands.is_terminal());
    let ended = loop {
        let view = conduct.view();
        screen.show(&screen::lines(&view, conduct.plan()));
        let answers = hands.answers(view.asks, LOOK);
        if let Err(why) = bench.alive() {
            break Some(why);
        }
        if !conduct.turn(&answers) {
            break None;
        }
    };
    // What sounded fades before the stream is gone.
    std::thread::sleep(2 * LOOK);
    drop(screen);
    bench.running.stop();
    let told = told::walked(&conduct.report(), &told::Place::of(rig, &bench.negotiated, "walk"));
    Ok(match ended {
        Some(why) => told.stopped(&why),
        None => told,
    })
}

/// What is said before something loud, and whether somebody said yes.
fn consented(args: &Args, rig: &Rig, caution: &str) -> bool {
    consent(rig.interface.host, args.ears_out, caution, "are those channels muted")
}

fn unconfirmed() -> Told {
    Told::refused(
        "not_confirmed",
        "nobody said yes, so nothing was played\n  to mend it: take ears out or mute those channels, then type yes; in \
         a script add --ears-out",
    )
}

fn cables(
    args: &Args,
    rig: &Rig,
    interface: &mut dyn Interface,
    plan: &Plan,
    pairs: &str,
) -> Result<Told, String> {
    let tries = tries(plan, pairs)?;
    let caution = format!(
        "Short sweeps will leave outputs {}, one after the other, first at {:.0} dBFS, never above {:.0}.\nLoud sweeps \
         in ears can harm hearing for good. Join them to LINE inputs, phantom power (48 V) off.",
        tries.iter().map(|one| one.output.to_string()).collect::<Vec<_>>().join(", "),
        QUIET.0.min(args.ceiling),
        args.ceiling
    );
    if !consented(args, rig, &caution) {
        return Ok(unconfirmed());
    }
    let most =
        tries.iter().map(|one| one.expected.max(one.output)).chain([rig.highest_input()]).max().unwrap_or(1);
    let there = device::inputs_of(interface, &rig.interface).unwrap_or(most);
    let expected = tries.iter().map(|one| one.expected).max().unwrap_or(1);
    let mut open = open_setup(rig, plan, most.min(there).max(expected));
    open.outputs = open.outputs.max(tries.iter().map(|one| one.output).max().unwrap_or(1));
    open.output_names.resize(usize::from(open.outputs), String::new());
    let sweep = |rate: SampleRate| Probe::with_shots(ProbeKind::Sweep, rate, 1, 1.0).shot().to_vec();
    let (mut bench, ears, _) = match start(interface, &open, &|rate| Ok(vec![sweep(rate)]), args.ceiling)? {
        Ok(started) => started,
        Err(told) => return Ok(told),
    };
    wait_for_cables(args, &tries)?;
    let rate = bench.negotiated.rate;
    let mut cabling = Cabling::new(tries, ears, rate, sweep(rate), 0, (QUIET.0, args.ceiling));
    let mut said = 0;
    let ended = loop {
        std::thread::sleep(LOOK);
        if let Err(why) = bench.alive() {
            break Some(why);
        }
        let goes_on = cabling.turn();
        if let Some(this) = cabling.trying().filter(|this| this.output != said) {
            eprintln!("output {} ({}) sounds …", this.output, this.name);
            said = this.output;
        }
        if !goes_on {
            break None;
        }
    };
    bench.running.stop();
    let told = told::cabled(cabling.found(), &told::Place::of(rig, &bench.negotiated, "cables"));
    Ok(match ended {
        Some(why) => told.stopped(&why),
        None => told,
    })
}

/// The ports are there now: a person joins them and says so. A script's word counts, too; without one it goes on.
fn wait_for_cables(args: &Args, tries: &[Try]) -> Result<(), String> {
    if args.yes {
        return Ok(());
    }
    let pairs: Vec<String> = tries.iter().map(|one| format!("{} to {}", one.output, one.expected)).collect();
    eprintln!("Join outputs to inputs: {}. Then type yes and ENTER.", pairs.join(", "));
    let mut lines = std::io::stdin().lock().lines().map_while(Result::ok);
    match lines.find(|line| !line.trim().is_empty()) {
        Some(line) if line.trim().eq_ignore_ascii_case("yes") => Ok(()),
        None if !std::io::stdin().is_terminal() => {
            Err("nobody said that the cables are in\n  to mend it: type yes, or add --yes in a script".into())
        }
        _ => Err("not begun\n  to mend it: type yes once the cables are in".into()),
    }
}

/// `straight`, or `1=3,drums=4`. Errors: a name or number that is none.
fn tries(plan: &Plan, pairs: &str) -> Result<Vec<Try>, String> {
    let output = |item: &crate::linecheck::plan::Item| match *item {
        crate::linecheck::plan::Item::Output(index) => plan.outputs.get(index),
        crate::linecheck::plan::Item::Input(_) => None,
    };
    let own =
        |output: &Output| Try { output: output.channel, name: output.name.clone(), expected: output.channel };
    if pairs == "straight" {
        let tries: Vec<Try> = plan.order.iter().filter_map(output).map(own).collect();
        return if tries.is_empty() {
            Err("no output is left to check\n  to mend it: name one with --only".into())
        } else {
            Ok(tries)
        };
    }
    let pair = |pair: &str| -> Option<Try> {
        let (from, to) = pair.split_once('=')?;
        let (from, to) = (from.trim(), to.trim());
        let known =
            plan.outputs.iter().find(|output| output.name == from || output.channel.to_string() == from);
        let number = |text: &str| text.parse::<u16>().ok().filter(|number| (1..=256).contains(number));
        let input = plan.inputs.iter().find(|input| input.name == to).map(|input| input.channel);
        let number_from = known.map(|output| output.channel).or_else(|| number(from))?;
        let name = known.map_or_else(|| "spare".into(), |output| output.name.clone());
        Some(Try { output: number_from, name, expected: input.or_else(|| number(to))? })
    };
    pairs.split(',').map(|text| {
        pair(text).ok_or_else(|| {
            format!("--cables knows no pair `{text}`\n  to mend it: write OUTPUT=INPUT, names or numbers, such as 1=3,2=4")
        })
    }).collect()
}

fn tone(
    args: &Args,
    rig: &Rig,
    interface: &mut dyn Interface,
    plan: &Plan,
    standard: &str,
) -> Result<Told, String> {
    let (level, source) = match standard {
        "ebu" => (pattern::EBU_R68, "EBU R 68"),
        _ => (pattern::SMPTE_RP155, "SMPTE RP 155"),
    };
    let outputs: Vec<&Output> = plan
        .order
        .iter()
        .filter_map(|item| match *item {
            crate::linecheck::plan::Item::Output(index) => plan.outputs.get(index),
            crate::linecheck::plan::Item::Input(_) => None,
        })
        .collect();
    if outputs.is_empty() {
        return Err("no output is left for the tone\n  to mend it: name one with --only".into());
    }
    let caution = format!(
        "A steady 1 kHz tone at {:.0} dBFS ({source}) will leave these outputs, one after the other: {}.\nIt is LOUD in \
         ears: loud tones can harm hearing for good.",
        level.0,
        outputs
            .iter()
            .map(|output| format!("{} ({})", output.channel, output.name))
            .collect::<Vec<_>>()
            .join(", ")
    );
    if !consented(args, rig, &caution) {
        return Ok(unconfirmed());
    }
    let mut hands = Hands::of(rig, args.yes)?;
    let open = open_setup(rig, plan, 0);
    let (mut bench, mut ears, _) =
        match start(interface, &open, &|rate| Ok(vec![pattern::tone(rate)]), level.0)? {
            Ok(started) => started,
            Err(told) => return Ok(told),
        };
    let swell = bench.negotiated.rate.frames(SWELL).0.max(0) as u32;
    let mut screen = Screen::open(hands.is_terminal());
    let mut at = 0;
    let (mut sounding, mut since, mut keys, mut ended) = (usize::MAX, Instant::now(), 0, None);
    let began = Instant::now();
    while let Some(output) = outputs.get(at) {
        if sounding != at {
            let channel = usize::from(output.channel) - 1;
            ears.play(Play {
                output: channel,
                sound: 0,
                gain: level.gain(),
                looped: true,
                swell,
                number: at as u32,
            });
            (sounding, since) = (at, Instant::now());
        }
        screen.show(&screen::tone_lines(output, level.0, source));
        ears.drain();
        if let Err(why) = bench.alive() {
            ended = Some(why);
            break;
        }
        let answers = hands.answers(true, LOOK);
        keys += answers.len() as u32;
        match answers.first() {
            Some(Answer::Quit) => break,
            Some(Answer::Back) => at = at.saturating_sub(1),
            Some(Answer::Again) => sounding = usize::MAX,
            Some(_) => at += 1,
            None if hands.is_nobody() && since.elapsed() > Duration::from_secs_f64(SWELL) + TONE_ALONE => {
                at += 1
            }
            None => {}
        }
    }
    ears.hush();
    std::thread::sleep(4 * LOOK);
    drop(screen);
    bench.running.stop();
    let place = told::Place::of(rig, &bench.negotiated, "tone");
    let told = told::toned(&outputs[..at.min(outputs.len())], level.0, source, keys, began.elapsed(), &place);
    Ok(match ended {
        Some(why) => told.stopped(&why),
        None => told,
    })
}
