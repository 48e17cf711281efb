//! `fogbell drill`: every failure that applies, rehearsed before doors and judged from what came out.

mod cable;
mod plan;
mod words;

use super::{Outcome, files};
use crate::drill::processes::{self, Pair};
use crate::drill::{Bench, Verdict, all};
use crate::log::kept;
use crate::show::model::{Rig, Show};
use plan::{Killed, Plan};
use serde_json::{Value, json};
use std::path::PathBuf;

/// Rehearse every failure, and judge each from the sound that comes out
///
/// On simulated machines no device is opened and nothing sounds; the main's process is killed for real, between two
/// processes of this program on virtual lines. With --cable the rig's interface plays, after a question. Exit 0: what is promised was kept, or a limit of the
/// wiring showed that is told in words; 1: a failure fell short; 2: not understood.
#[derive(Debug, clap::Args)]
#[command(after_help = super::run::CAUTION)]
pub struct Args {
    /// The show file
    show: PathBuf,
    /// The rig file: its wiring is rehearsed (default: every wiring of two machines)
    #[arg(long)]
    rig: Option<PathBuf>,
    /// Seconds of music a failure is played in, 8 to 60; without it 20
    #[arg(long, value_name = "SECONDS")]
    music: Option<u32>,
    /// A short drill for a sound check: 10 seconds of music a failure
    #[arg(long)]
    short: bool,
    /// On the rig's interface, over a cable from an output to an input (names or channels from 1; alone: the rig's
    /// [loop]): the click of one song is played as a track from disk, what reads it fails, and what came back is judged
    #[arg(long, value_name = "OUT:IN", requires = "rig", num_args = 0..=1, default_missing_value = THE_LOOP)]
    cable: Option<String>,
    /// With --cable: ears are out, or that channel is muted: do not ask (for scripts)
    #[arg(long, requires = "cable")]
    ears_out: bool,
    /// On simulated machines only: no process is started and killed
    #[arg(long, conflicts_with = "cable")]
    simulated: bool,
    /// The moment of each failure follows from this number
    #[arg(long, default_value_t = 7)]
    seed: u64,
    /// Folder in which the result is kept with the night (default: `logs` beside the show)
    #[arg(long, value_name = "DIR")]
    log: Option<PathBuf>,
    /// Write the result as a page, too: the one that `fogbell report` makes of a night
    #[arg(long, value_name = "FILE.html")]
    page: Option<PathBuf>,
    /// Print one JSON object
    #[arg(long)]
    json: bool,
}

/// `--cable` without its ends.
const THE_LOOP: &str = "the rig's loop";

pub fn run(args: &Args) -> Outcome {
    match drill(args) {
        Ok(passed) if passed => Outcome::Done,
        Ok(_) => Outcome::FellShort,
        Err(refusal) => {
            if args.json {
                println!("{}", json!({ "outcome": "not started", "error": refusal.text }));
            } else {
                eprintln!("{}", refusal.text);
            }
            refusal.outcome
        }
    }
}

/// Why there is no verdict.
pub struct Refusal {
    pub text: String,
    pub outcome: Outcome,
}

/// What a person wrote cannot be understood.
impl From<String> for Refusal {
    fn from(text: String) -> Refusal {
        Refusal { text, outcome: Outcome::NotUnderstood }
    }
}

impl Refusal {
    /// The world is not as it must be.
    pub fn world(text: impl Into<String>) -> Refusal {
        Refusal { text: text.into(), outcome: Outcome::FellShort }
    }
}

/// Verdicts so far, and who is told of each.
struct Told {
    json: bool,
    failures: Vec<Value>,
    verdicts: Vec<(String, Verdict)>,
}

impl Told {
    fn say(&self, text: &str) {
        if !self.json {
            println!("{text}");
        }
    }

    fn add(&mut self, wiring: &str, blind_ms: Option<f64>, verdict: Verdict) {
        let mut value = json!(verdict);
        value["wiring"] = json!(wiring);
        value["blind_window_ms"] = json!(blind_ms);
        self.failures.push(value);
        self.verdicts.push((wiring.into(), verdict));
    }

    fn passed(&self) -> bool {
        self.verdicts.iter().all(|(_, verdict)| verdict.passed)
    }
}

fn drill(args: &Args) -> Result<bool, Refusal> {
    super::report::page_may_be(args.page.as_deref()).map_err(|why| format!("error: {why}"))?;
    let (show, rig) = read(args)?;
    let seconds = seconds(args)?;
    let mut told = Told { json: args.json, failures: Vec::new(), verdicts: Vec::new() };
    if let (Some(ends), Some(rig)) = (&args.cable, &rig) {
        cable::rehearse(args, &show, rig, ends, &mut told)?;
        return Ok(finish(args, &show, Some(rig), None, &[], told));
    }
    let plan = Plan::of(&show, rig.as_ref(), seconds, args.seed)?;
    told.say(words::LEGEND);
    for bench in &plan.benches {
        told.say(&words::heading(bench, plan.interface.as_ref()));
        rehearse(bench, &mut told);
    }
    if !args.simulated {
        killed(args, &show, &plan, &mut told);
    }
    Ok(finish(args, &show, rig.as_ref(), plan.blind_window_ms(), &plan.notes, told))
}

/// Keeps the result with the night and tells the end; true when everything passed.
fn finish(
    args: &Args,
    show: &Show,
    rig: Option<&Rig>,
    blind_window_ms: Option<f64>,
    notes: &[String],
    told: Told,
) -> bool {
    notes.iter().for_each(|note| told.say(&format!("\n{}", words::wrapped(note, ""))));
    let mut result = json!({
        "outcome": if told.passed() { "held" } else { "fell short" }, "show": show.title,
        "rig": rig.map(|rig| &rig.title), "seed": args.seed, "failures": told.failures, "notes": notes,
        "blind_window_ms_at_least": blind_window_ms,
    });
    let folder = args.log.clone().unwrap_or_else(|| kept::beside(&args.show));
    let (path, kept) = kept::keep_now(&folder, kept::Kind::Drill, &result);
    let page = args.page.as_ref().map(|page| super::report::page_of(page, kept::Kind::Drill, &result));
    if args.json {
        result["kept"] = json!(path);
        result["page"] = json!(args.page.as_ref().filter(|_| matches!(page, Some(Ok(_)))));
        println!("{result}");
    } else {
        println!("\n{}\n{kept}", words::summary(&told.verdicts));
    }
    match page {
        Some(Ok(words)) if !args.json => println!("{words}"),
        Some(Err(why)) => eprintln!("error: {why}"),
        _ => {}
    }
    told.passed()
}

/// The main's process is killed, in each wiring that has a backup, side by side.
fn killed(args: &Args, show: &Show, plan: &Plan, told: &mut Told) {
    let two = plan.benches.iter().filter(|bench| bench.wiring.two());
    let pairs: Vec<Killed> = two.filter_map(|bench| Killed::of(show, bench)).collect();
    let Ok(program) = std::env::current_exe() else { return };
    if pairs.is_empty() {
        return;
    }
    told.say(&words::processes());
    let verdicts: Vec<_> = std::thread::scope(|scope| {
        let started = pairs.iter().map(|killed| {
            let (feeds, click) = (&*killed.feeds, &*killed.click);
            let (bench, song, program) = (&killed.bench, killed.song, &*program);
            let pair = Pair { program, show: &args.show, song, feeds, click, bench };
            scope.spawn(move || processes::kill(&pair))
        });
        let started: Vec<_> = started.collect();
        started.into_iter().map(|pair| pair.join()).collect()
    });
    for (killed, verdict) in pairs.iter().zip(verdicts) {
        let wiring = words::wiring(killed.bench.wiring);
        let verdict = match verdict {
            Ok(Ok(verdict)) => verdict,
            Ok(Err(why)) => not_judged(&why),
            Err(_) => not_judged("error: the drill itself failed"),
        };
        told.say(&words::rows(&verdict));
        told.say(&words::wrapped(wiring, "           "));
        told.add(&format!("two processes: {wiring}"), None, verdict);
    }
}

/// What could not be judged has not passed.
fn not_judged(why: &str) -> Verdict {
    Verdict {
        name: "main-process-killed".into(),
        what: "the main's process is killed (two real processes)".into(),
        fell_short: vec![format!("not judged: {}", why.trim_start_matches("error: ").replace("\n  ", "; "))],
        ..Verdict::default()
    }
}

fn read(args: &Args) -> Result<(Show, Option<Rig>), String> {
    let read = files::show(&args.show)?;
    if read.show.songs.iter().all(|song| song.sections.is_empty()) {
        return Err(format!(
            "error: {} has no song with a click\n  to mend it: give a song a tempo and bars",
            args.show.display()
        ));
    }
    let rig = args.rig.as_deref().map(|path| files::rig(path, &read.show)).transpose()?;
    Ok((read.show, rig))
}

fn seconds(args: &Args) -> Result<f64, String> {
    match (args.music, args.short) {
        (Some(music @ 8..=60), _) => Ok(f64::from(music)),
        (Some(music), _) => Err(format!("error: --music {music}\n  to mend it: write 8 to 60 seconds")),
        (None, true) => Ok(10.0),
        (None, false) => Ok(20.0),
    }
}

fn rehearse(bench: &Bench, told: &mut Told) {
    let json = told.json;
    let verdicts = all(bench, |verdict| {
        if !json {
            println!("{}", words::rows(verdict));
        }
    });
    let blind = bench.wiring.two().then(|| bench.blind_ms());
    verdicts.into_iter().for_each(|verdict| told.add(words::wiring(bench.wiring), blind, verdict));
}
