//! `fogbell stems`: a show file to WAV files.

use super::Outcome;
use crate::show::model::Show;
use crate::show::{self, Fault, Reading};
use crate::stems::{self, Plan, Report, Wish};
use crate::units::SampleRate;
use crate::wav::Encoding;
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use serde_json::json;
use std::io::IsTerminal;
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

/// Render each song and click to WAV
///
/// Each song gets one file a click, "01-low-tide.drums.wav", all of them equally long. Sections are cue
/// markers. The files' time stamps lie on one timeline of the whole set: song n starts at n o'clock (with
/// more than 23 songs every ten minutes, with more than 143 every two). Vamps are played once; after a hold
/// its count-in follows at once.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The show file
    show: PathBuf,
    /// The folder for the files; made when it is not there
    #[arg(long, value_name = "FOLDER")]
    out: PathBuf,
    /// Frames a second, 44100 to 192000
    #[arg(long, value_name = "HERTZ", default_value_t = 48_000, value_parser = clap::value_parser!(u32).range(44_100..=192_000))]
    rate: u32,
    /// How samples are stored: 16 or 24 bits, or 32-bit float
    #[arg(long, value_enum, default_value = "24")]
    format: Depth,
    /// Two equal channels instead of one
    #[arg(long)]
    stereo: bool,
    /// Begin with the first bar (or the pickup)
    #[arg(long)]
    no_count_in: bool,
    /// Silence before the first beat
    #[arg(long, value_name = "SECONDS", default_value_t = 0.0, value_parser = lead_in)]
    lead_in: f64,
    /// The engine's fallback of each click instead of the click
    #[arg(long)]
    fallback: bool,
    /// Only these clicks
    #[arg(long, value_name = "NAMES", value_delimiter = ',')]
    clicks: Option<Vec<String>>,
    /// These feeds as well, as the engine mixes and limits them, with silent microphones
    #[arg(long, value_name = "NAMES", value_delimiter = ',')]
    feeds: Vec<String>,
    /// Only these songs: numbers in set order, ranges, or titles
    #[arg(long, value_name = "SONGS", value_delimiter = ',')]
    songs: Option<Vec<String>>,
    /// Also write a table of every hit
    #[arg(long, value_name = "FILE.csv")]
    events: Option<PathBuf>,
    /// Also write files for a pad (16 bit, no extra chunks, one loudness) and a start sheet
    #[arg(long)]
    pads: bool,
    /// Also write a loop of each section with a constant tempo, for a pad
    #[arg(long)]
    loops: bool,
    /// Frames a second of the files for a pad
    #[arg(long, value_name = "HERTZ", default_value_t = 44_100, value_parser = clap::value_parser!(u32).range(44_100..=192_000))]
    pad_rate: u32,
    /// Most bars of a loop
    #[arg(long, value_name = "BARS", default_value_t = 32, value_parser = clap::value_parser!(u32).range(1..=1_000))]
    loop_bars: u32,
    /// Replace files that stand there already
    #[arg(long)]
    overwrite: bool,
    /// Print one JSON object
    #[arg(long)]
    json: bool,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
enum Depth {
    #[value(name = "16")]
    Sixteen,
    #[value(name = "24")]
    TwentyFour,
    #[value(name = "float")]
    Float,
}

fn lead_in(text: &str) -> Result<f64, String> {
    let seconds: f64 = text.parse().map_err(|_| "write seconds, such as 0.5".to_string())?;
    if (0.0..=60.0).contains(&seconds) { Ok(seconds) } else { Err("0 to 60 seconds".into()) }
}

/// What ends the command before anything is written.
enum Refusal {
    Words(String),
    Faults(Box<Reading>),
}

pub fn run(args: &Args) -> Outcome {
    match read(args) {
        Err(refusal) => refuse(args, &refusal),
        Ok((reading, show, plan, wish)) => {
            if !args.json {
                tell_refused(&reading);
            }
            let report = export(args, &show, &plan, &wish);
            let outcome = match report.failed.is_empty() && !report.stopped && reading.faults.is_empty() {
                true => Outcome::Done,
                false => Outcome::FellShort,
            };
            if args.json {
                print_json(&reading, &show, &plan, &wish, &report, outcome);
            } else {
                print_text(&plan, &wish, &report);
            }
            outcome
        }
    }
}

fn read(args: &Args) -> Result<(Reading, Show, Plan, Wish), Refusal> {
    let mut reading = show::read_show(&args.show).map_err(|why| {
        let path = args.show.display();
        Refusal::Words(format!("{path} cannot be read: {why}\n  to mend it: give the path of a show file"))
    })?;
    let Some(show) = reading.show.take() else { return Err(Refusal::Faults(Box::new(reading))) };
    let wish = wish(args, &show).map_err(Refusal::Words)?;
    let plan = stems::plan(&reading, &show, &wish).map_err(|why| Refusal::Words(why.to_string()))?;
    Ok((reading, show, plan, wish))
}

fn wish(args: &Args, show: &Show) -> Result<Wish, String> {
    let rate = |hertz: u32| SampleRate::new(hertz).ok_or_else(|| format!("{hertz} is no rate"));
    let clicks: Vec<&str> = show.clicks.iter().map(|click| click.name.as_str()).collect();
    let feeds: Vec<&str> = show.feeds.iter().map(|feed| feed.name.as_str()).collect();
    let now = jiff::Timestamp::now();
    Ok(Wish {
        folder: args.out.clone(),
        rate: rate(args.rate)?,
        encoding: match args.format {
            Depth::Sixteen => Encoding::Pcm16,
            Depth::TwentyFour => Encoding::Pcm24,
            Depth::Float => Encoding::Float32,
        },
        stereo: args.stereo,
        count_in: !args.no_count_in,
        lead_in: args.lead_in,
        fallback: args.fallback,
        clicks: match &args.clicks {
            Some(names) => chosen("click", names, &clicks)?,
            None => (0..clicks.len()).collect(),
        },
        feeds: chosen("feed", &args.feeds, &feeds)?,
        songs: match &args.songs {
            Some(words) => songs(words, show, &stems::song_numbers(show))?,
            None => (0..show.songs.len()).collect(),
        },
        events: args.events.clone(),
        pad_rate: rate(args.pad_rate)?,
        pads: args.pads,
        loops: args.loops,
        loop_bars: args.loop_bars,
        overwrite: args.overwrite,
        date: now.strftime("%Y-%m-%d").to_string(),
        time: now.strftime("%H:%M:%S").to_string(),
    })
}

/// Indices of names, each once, in the show's order.
fn chosen(what: &str, names: &[String], known: &[&str]) -> Result<Vec<usize>, String> {
    for name in names {
        if !known.contains(&name.as_str()) {
            return Err(format!(
                "the show has no {what} \"{name}\"\n  to mend it: name some of {}",
                known.join(", ")
            ));
        }
    }
    Ok((0..known.len()).filter(|index| names.iter().any(|name| name == known[*index])).collect())
}

/// Numbers ("3", "3-5") are those of the set list; anything else is a title, in either case.
fn songs(words: &[String], show: &Show, numbers: &[usize]) -> Result<Vec<usize>, String> {
    let mut wanted = vec![false; show.songs.len()];
    for word in words {
        let range = word.trim().split_once('-').unwrap_or((word.trim(), word.trim()));
        let range = range.0.trim().parse::<usize>().ok().zip(range.1.trim().parse::<usize>().ok());
        let fits = |index: usize| match range {
            Some((from, to)) => (from..=to).contains(&numbers[index]),
            None => show.songs[index].title.to_lowercase() == word.trim().to_lowercase(),
        };
        let found: Vec<usize> = (0..show.songs.len()).filter(|index| fits(*index)).collect();
        if found.is_empty() {
            return Err(format!(
                "no song that can be played is \"{word}\"\n  to mend it: give numbers from the set list (1, 3-5) or titles"
            ));
        }
        found.into_iter().for_each(|index| wanted[index] = true);
    }
    Ok((0..wanted.len()).filter(|index| wanted[*index]).collect())
}

fn export(args: &Args, show: &Show, plan: &Plan, wish: &Wish) -> Report {
    let cancel = Arc::new(AtomicBool::new(false));
    // Where signals cannot be had, a kill still leaves no half file.
    let _registered = signal_hook::flag::register(signal_hook::consts::SIGINT, Arc::clone(&cancel));
    let bar = bar(args.json, plan);
    let report = stems::export(show, plan, wish, &cancel, &|frames| bar.inc(frames));
    bar.finish_and_clear();
    report
}

/// On a terminal only.
fn bar(json: bool, plan: &Plan) -> ProgressBar {
    if json || !std::io::stderr().is_terminal() {
        return ProgressBar::hidden();
    }
    let bar = ProgressBar::with_draw_target(Some(plan.frames()), ProgressDrawTarget::stderr());
    if let Ok(style) = ProgressStyle::with_template("{bar:40} {percent:>3} %  {eta} left") {
        bar.set_style(style);
    }
    bar
}

fn tell_refused(reading: &Reading) {
    if reading.faults.is_empty() {
        return;
    }
    let color = std::io::stderr().is_terminal() && std::env::var_os("NO_COLOR").is_none();
    eprint!("{}", show::render(&reading.faults, &reading.text, &reading.name, color));
    let songs: Vec<String> =
        reading.refused.iter().map(|song| format!("\"{}\" (line {})", song.title, song.line)).collect();
    if !songs.is_empty() {
        eprintln!("\nleft out because of these faults: {}", songs.join(", "));
    }
}

fn refuse(args: &Args, refusal: &Refusal) -> Outcome {
    match refusal {
        Refusal::Words(what) if args.json => {
            let fault = words_fault(what);
            println!("{}", json!({ "command": "stems", "ok": false, "files": [], "faults": [fault] }));
        }
        Refusal::Words(what) => eprintln!("error: {what}"),
        Refusal::Faults(reading) if args.json => {
            let faults = faults_json(reading);
            println!("{}", json!({ "command": "stems", "ok": false, "files": [], "faults": faults }));
        }
        Refusal::Faults(reading) => tell_refused(reading),
    }
    Outcome::NotUnderstood
}

fn words_fault(what: &str) -> serde_json::Value {
    let (what, mend) = what.split_once("\n  to mend it: ").unwrap_or((what, ""));
    json!({ "what": what, "mend": mend })
}

fn faults_json(reading: &Reading) -> Vec<serde_json::Value> {
    let with_file = |fault: &Fault| {
        let mut value = json!(fault);
        if let Some(object) = value.as_object_mut() {
            object.insert("file".into(), json!(reading.name));
        }
        value
    };
    reading.faults.iter().map(with_file).collect()
}

fn print_json(reading: &Reading, show: &Show, plan: &Plan, wish: &Wish, report: &Report, outcome: Outcome) {
    let songs = wish.songs.iter().map(|song| {
        let timeline = &plan.timelines[*song];
        let sections = timeline.cues();
        json!({
            "number": plan.numbers[*song],
            "title": show.songs[*song].title,
            "frames": timeline.frames,
            "seconds": wish.rate.seconds(crate::units::Frames(timeline.frames as i64)),
            "markers": sections.iter().map(|cue| json!({ "frame": cue.frame, "label": cue.label })).collect::<Vec<_>>(),
        })
    });
    let mut faults = faults_json(reading);
    faults.extend(report.failed.iter().map(|what| words_fault(what)));
    let object = json!({
        "command": "stems",
        "ok": outcome == Outcome::Done,
        "show": show.title,
        "digest": show.digest,
        "rate": wish.rate.hertz(),
        "songs": songs.collect::<Vec<_>>(),
        "files": report.written,
        "refused": reading.refused,
        "notes": report.notes,
        "stopped": report.stopped,
        "faults": faults,
    });
    println!("{object}");
}

fn print_text(plan: &Plan, wish: &Wish, report: &Report) {
    for file in &report.written {
        let length = if file.seconds > 0.0 { format!("  {:.3} s", file.seconds) } else { String::new() };
        println!("{}{length}", file.path.display());
        file.notes.iter().for_each(|note| println!("    {note}"));
    }
    report.notes.iter().for_each(|note| println!("note: {note}"));
    report.failed.iter().for_each(|why| eprintln!("error: {why}"));
    if report.stopped {
        eprintln!("stopped: {} of {} files were written", report.written.len(), plan.paths(wish).count());
    }
}
