//! `fogbell exposure`: how loud a recording was in the ears, or what a week's nights add up to.

use super::Outcome;
use crate::exposure::{CAUTION, Ears, Figures, Loudness, words};
use crate::log::read::{self, Told as Read, is_log};
use crate::log::{Entry, Line};
use crate::show::model::{EarLine, Outlet, Rig};
use crate::show::read_rig;
use crate::wav::Reader;
use jiff::{Timestamp, ToSpan};
use serde_json::{Value, json};
use std::collections::BTreeMap;
use std::io::BufReader;
use std::path::{Path, PathBuf};

const PIECE: usize = 4_096;
/// ITU-T H.870 counts seven days.
const WEEK_DAYS: i64 = 7;

/// Say how loud a recording was in the ears, or what the last seven days add up to
///
/// The recording is one of `fogbell run --record`, with the rig that it was made with; or, with --feed and --channels,
/// any recording of that player's ear mix. How loud it was in the ear can only be said with a calibration in the rig
/// ([exposure.FEED]); without one there is dBFS. Every figure has an uncertainty. Follow local rules; see a hearing
/// professional.
#[derive(Debug, clap::Args)]
#[command(group = clap::ArgGroup::new("task").required(true).args(["recording", "logs"]))]
pub struct Args {
    /// The recording
    #[arg(value_name = "RECORDING.wav")]
    recording: Option<PathBuf>,
    /// The rig file with the calibrations
    #[arg(long, value_name = "RIG")]
    rig: Option<PathBuf>,
    /// Whose ear mix the recording is
    #[arg(long, value_name = "FEED", requires = "rig", conflicts_with = "logs")]
    feed: Option<String>,
    /// The channels of the recording that hold it, from 1: 1, or 1,2
    #[arg(long, value_name = "CHANNELS", value_delimiter = ',', value_parser = clap::value_parser!(u16).range(1..=256), conflicts_with = "logs")]
    channels: Vec<u16>,
    /// The folder of the nights' logs: what their last lines of exposure add up to in seven days
    #[arg(long, value_name = "DIR", conflicts_with = "rig")]
    logs: Option<PathBuf>,
    /// Print one JSON object
    #[arg(long)]
    json: bool,
}

pub fn run(args: &Args) -> Outcome {
    let done = match (&args.recording, &args.logs) {
        (Some(path), _) => recording(args, path),
        (None, Some(folder)) => week(folder),
        (None, None) => Err("nothing to do\n  to mend it: give a recording, or --logs".into()),
    };
    match done {
        Ok((object, lines)) => {
            if args.json {
                println!("{object}");
            } else {
                lines.iter().for_each(|line| println!("{line}"));
            }
            Outcome::Done
        }
        Err(words) => {
            if args.json {
                println!("{}", json!({ "ok": false, "error": words }));
            } else {
                eprintln!("error: {words}");
            }
            Outcome::NotUnderstood
        }
    }
}

type Told = Result<(Value, Vec<String>), String>;

fn recording(args: &Args, path: &Path) -> Told {
    let rig = args.rig.as_deref().map(rig_at).transpose()?;
    let mut file = Reader::open(path).map_err(|why| why.to_string())?;
    let (rate, channels) = (file.rate(), usize::from(file.channels()));
    let (mut ears, outputs) = ears(args, rig.as_ref(), &file)?;
    let mut loudness = Loudness::new(rate, channels).map_err(|why| format!("{}: {why}", path.display()))?;
    let mut planar = vec![vec![0.0; PIECE]; channels];
    loop {
        let frames = file.read(&mut planar).map_err(|why| why.to_string())?;
        if frames == 0 {
            break;
        }
        let heard: Vec<&[f32]> = planar.iter().map(|samples| samples.get(..frames).unwrap_or(&[])).collect();
        let (leaves, comes) = heard.split_at(outputs.min(heard.len()));
        ears.hear(0, comes, leaves);
        loudness.hear(&heard).map_err(|why| why.to_string())?;
    }
    let figures = ears.figures();
    let mut lines: Vec<String> = figures.iter().flat_map(words::account).collect();
    let db =
        |level: Option<f64>, unit: &str| level.map_or("silence".into(), |level| format!("{level:.1} {unit}"));
    let (whole, peak) = (loudness.integrated(), loudness.true_peak());
    let all = if channels == 1 { "its channel".into() } else { format!("its {channels} channels together") };
    lines.push(format!("{all}: {}, true peak {}", db(whole, "LUFS"), db(peak, "dBTP")));
    let object = json!({
        "command": "exposure",
        "ok": true,
        "figures": figures,
        "loudness_lufs": whole,
        "true_peak_dbtp": peak,
        "caution": CAUTION,
    });
    Ok((object, lines))
}

/// The meters, and how many channels of the file are outputs.
fn ears(args: &Args, rig: Option<&Rig>, file: &Reader) -> Result<(Ears, usize), String> {
    let rate = file.rate();
    let most = file.channels();
    if let Some(channel) = args.channels.iter().find(|channel| **channel > most) {
        return Err(format!(
            "--channels names {channel}, the recording has {most}\n  to mend it: write channels up to {most}"
        ));
    }
    let channels = if args.channels.is_empty() { (1..=most.min(2)).collect() } else { args.channels.clone() };
    match (rig, &args.feed) {
        (None, _) => {
            let line = EarLine { feed: "recording".into(), returns: Vec::new(), calibration: None };
            Ok((Ears::of_one(&line, &channels, rate), 0))
        }
        (Some(rig), Some(feed)) => {
            let known = || rig.exposure.iter().map(|line| line.feed.as_str()).collect::<Vec<_>>().join(", ");
            let line = rig.exposure.iter().find(|line| line.feed == *feed);
            let line = line.ok_or_else(|| match rig.exposure.is_empty() {
                true => "the rig has no calibration\n  to mend it: add [exposure.FEED] to the rig".into(),
                false => format!(
                    "the rig has no exposure of a feed \"{feed}\"\n  to mend it: name one of {}",
                    known()
                ),
            })?;
            Ok((Ears::of_one(line, &channels, rate), 0))
        }
        (Some(_), None) if !args.channels.is_empty() => {
            Err("--channels does not say whose ears these are\n  to mend it: add --feed with the feed's name"
                .into())
        }
        (Some(rig), None) => {
            let outputs = rig.outputs.iter().flat_map(|outlet: &Outlet| &outlet.channels).copied();
            let outputs = outputs.max().unwrap_or(0).max(rig.timecode.map_or(0, |line| line.output));
            if outputs > most {
                return Err(format!(
                    "the rig sends on {outputs} channels, the recording has {most}: it was not made with this rig\n  to mend \
                     it: give the rig of that night, or --feed and --channels"
                ));
            }
            Ok((Ears::new(rig, &rig.outputs, rate), usize::from(outputs)))
        }
    }
}

fn rig_at(path: &Path) -> Result<Rig, String> {
    let reading = read_rig(path).map_err(|why| format!("{} cannot be read: {why}", path.display()))?;
    reading.rig.ok_or_else(|| {
        format!("the rig has faults\n  to mend it: see fogbell check SHOW --rig {}", path.display())
    })
}

/// A feed's nights.
#[derive(Default)]
struct Week {
    nights: usize,
    squared_hours: f64,
    week_percent: f64,
    sensitive_percent: f64,
    at_least: bool,
    plus_minus_db: f64,
    unknown: usize,
}

fn week(folder: &Path) -> Told {
    let nights = nights(folder)?;
    let mut feeds: BTreeMap<String, Week> = BTreeMap::new();
    for figures in nights.iter().flatten() {
        let week = feeds.entry(figures.feed.clone()).or_default();
        let Some(known) = &figures.calibrated else {
            week.unknown += 1;
            continue;
        };
        week.nights += 1;
        week.squared_hours += known.pascal_squared_hours;
        week.week_percent += known.week_percent;
        week.sensitive_percent += known.sensitive_week_percent;
        week.at_least |= figures.at_least();
        week.plus_minus_db = week.plus_minus_db.max(known.plus_minus_db);
    }
    let mut lines = Vec::new();
    for (feed, week) in &feeds {
        lines.push(line(feed, week));
    }
    if feeds.is_empty() {
        lines.push(format!("{}: no log of the last {WEEK_DAYS} days says how loud it was", folder.display()));
    }
    lines.push(format!(
        "Only what Fogbell logged counts here: rehearsals, travel and other nights come on top. {CAUTION}"
    ));
    let feeds: Vec<Value> = feeds.iter().map(|(feed, week)| object(feed, week)).collect();
    Ok((
        json!({ "command": "exposure", "ok": true, "days": WEEK_DAYS, "feeds": feeds, "caution": CAUTION }),
        lines,
    ))
}

/// The last account of each night's log that is no older than a week. Errors: the folder cannot be read.
fn nights(folder: &Path) -> Result<Vec<Vec<Figures>>, String> {
    let cannot = |why: std::io::Error| {
        format!(
            "{} cannot be read: {why}\n  to mend it: give the folder that fogbell run writes its logs to",
            folder.display()
        )
    };
    let since = Timestamp::now() - (24 * WEEK_DAYS).hours();
    let mut nights = Vec::new();
    for entry in std::fs::read_dir(folder).map_err(cannot)? {
        let path = entry.map_err(cannot)?.path();
        if !is_log(&path) {
            continue;
        }
        // A log that cannot be read is another's business: the others still count.
        let Ok(file) = std::fs::File::open(&path) else { continue };
        let mut last = None;
        let read = read::each(BufReader::new(file), |_, told| {
            if let Read::Line(Line { time, entry: Entry::Exposure { figures, .. }, .. }) = told {
                last = Some((time, figures));
            }
        });
        if read.is_err() {
            continue;
        }
        nights.extend(
            last.filter(|(time, _)| time.parse::<Timestamp>().is_ok_and(|time| time >= since))
                .map(|(_, figures)| figures),
        );
    }
    Ok(nights)
}

fn line(feed: &str, week: &Week) -> String {
    if week.nights == 0 {
        return format!(
            "{feed}: {} nights without a calibration: how loud they were cannot be known",
            week.unknown
        );
    }
    let least = if week.at_least { "at least " } else { "" };
    format!(
        "{feed}: {least}{:.2} Pa²h in {} of the last {WEEK_DAYS} days, {:.0} % of ITU-T H.870's week (80 dBA over \
         40 h), {:.0} % of a sensitive listener's (75 dBA); ± {:.0} dB; {} without a calibration",
        week.squared_hours,
        nights_of(week.nights),
        week.week_percent,
        week.sensitive_percent,
        week.plus_minus_db,
        nights_of(week.unknown)
    )
}

fn nights_of(count: usize) -> String {
    if count == 1 { "1 night".into() } else { format!("{count} nights") }
}

fn object(feed: &str, week: &Week) -> Value {
    json!({
        "feed": feed,
        "nights": week.nights,
        "nights_without_calibration": week.unknown,
        "pascal_squared_hours": week.squared_hours,
        "week_percent": week.week_percent,
        "sensitive_week_percent": week.sensitive_percent,
        "at_least": week.at_least,
        "plus_minus_db": week.plus_minus_db,
    })
}
