//! `fogbell report`: what happened, read afterwards.

use super::Outcome;
use crate::log::kept::{ENDS, Kind};
use crate::log::read::is_log;
use crate::report::kept::Kept;
use crate::report::{Gather, Nights, page, text};
use serde_json::{Value, json};
use std::fs::File;
use std::io::{self, BufReader, Write};
use std::path::{Path, PathBuf};

/// Read about the night: what was played, what was lost, what saved it, what to mend before tomorrow
///
/// Writes one page that opens without a network and prints. Logs of several nights stand side by side.
#[derive(Debug, clap::Args)]
#[command(after_help = CAUTION)]
pub struct Args {
    /// Logs, kept results, or folders with both (results that lie beside a log go with it)
    #[arg(required = true, value_name = "LOG")]
    pub logs: Vec<PathBuf>,
    /// Write the page here (default: beside the last log, named after it; no file is overwritten)
    #[arg(long, value_name = "FILE.html")]
    pub out: Option<PathBuf>,
    /// Print it as text instead
    #[arg(long, conflicts_with = "json")]
    pub text: bool,
    /// Print it as one JSON object instead
    #[arg(long)]
    pub json: bool,
}

const CAUTION: &str = "Figures about hearing are at least figures: mixer and pack add what Fogbell cannot see. Follow \
local rules; see a hearing professional.";

pub fn run(args: &Args) -> Outcome {
    let files = match files(&args.logs) {
        Ok(files) => files,
        Err(why) => return refuse(args, &why, Outcome::NotUnderstood),
    };
    let nights = gather(&files);
    let read = !nights.nights.is_empty();
    if args.text {
        put(&text::text(&nights));
    } else if args.json {
        put(&format!("{}\n", json!({ "command": "report", "ok": read, "report": nights })));
    }
    let wanted = args.out.is_some() || !(args.text || args.json);
    if wanted && read {
        match write(args.out.as_deref(), &files, &page::page(&nights)) {
            Ok(path) if args.json || args.text => drop(path),
            Ok(path) => tell(&nights, &path),
            Err(why) => return refuse(args, &why, Outcome::FellShort),
        }
    }
    if !read && !args.json {
        let why = nights
            .left_out
            .iter()
            .flat_map(|left| left.what.iter().map(|what| format!("{}: {what}", left.file)));
        let why: Vec<String> = why.collect();
        complain(&format!("error: nothing to report\n  {}\n", why.join("\n  ")));
    }
    if read { Outcome::Done } else { Outcome::FellShort }
}

fn tell(nights: &Nights, path: &Path) {
    let mut out = String::new();
    if let Some(night) = nights.nights.last() {
        for (name, line) in night.first() {
            out.push_str(&format!("{name:<11} {line}\n"));
        }
    }
    for left in &nights.left_out {
        left.what.iter().for_each(|what| out.push_str(&format!("left out    {}: {what}\n", left.file)));
    }
    out.push_str(&format!("page        {}\n", path.display()));
    put(&out);
}

fn refuse(args: &Args, why: &str, outcome: Outcome) -> Outcome {
    if args.json {
        put(&format!("{}\n", json!({ "command": "report", "ok": false, "error": why })));
    } else {
        complain(&format!("error: {why}\n"));
    }
    outcome
}

fn put(text: &str) {
    let _gone = io::stdout().write_all(text.as_bytes());
}

/// What is named, what lies in named folders, and the results that lie beside named logs; each once.
///
/// Errors: a path that is not there, a folder without a log.
fn files(named: &[PathBuf]) -> Result<Vec<PathBuf>, String> {
    let mut files = Vec::new();
    let mut add = |path: PathBuf| {
        if !files.contains(&path) {
            files.push(path);
        }
    };
    for path in named {
        let about = std::fs::metadata(path).map_err(|why| {
            format!(
                "{}: {why}\n  to mend it: name a log, a kept result or a folder with them",
                path.display()
            )
        })?;
        if about.is_dir() {
            let inside = inside(path, |name| name.ends_with(".jsonl") || name.ends_with(ENDS))
                .map_err(|why| format!("{}: {why}", path.display()))?;
            if inside.is_empty() {
                return Err(format!(
                    "{} holds no log\n  to mend it: name the folder that `fogbell run` writes to, `logs` beside the show",
                    path.display()
                ));
            }
            inside.into_iter().for_each(&mut add);
            continue;
        }
        add(path.clone());
        let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
        let date = path.file_name().and_then(|name| name.to_str()?.get(..10));
        if let (Some(date), true) = (date, is_log(path)) {
            // Results of the same day; those of an hour after midnight are found by naming the folder.
            let beside =
                inside(folder, |name| name.ends_with(ENDS) && name.starts_with(date)).unwrap_or_default();
            beside.into_iter().for_each(&mut add);
        }
    }
    Ok(files)
}

/// Files of a folder by their names, sorted.
fn inside(folder: &Path, wanted: impl Fn(&str) -> bool) -> io::Result<Vec<PathBuf>> {
    let mut paths: Vec<PathBuf> = std::fs::read_dir(folder)?
        .flatten()
        .filter(|entry| entry.file_name().to_str().is_some_and(&wanted))
        .map(|entry| entry.path())
        .filter(|path| path.is_file())
        .collect();
    paths.sort();
    Ok(paths)
}

fn gather(files: &[PathBuf]) -> Nights {
    let mut gather = Gather::default();
    for path in files {
        let name =
            path.file_name().map_or_else(|| path.display().to_string(), |name| name.to_string_lossy().into());
        match File::open(path) {
            Ok(file) => gather.file(&name, BufReader::with_capacity(1 << 18, file)),
            Err(why) => gather.missing(&name, &why.to_string()),
        }
    }
    gather.nights()
}

/// Writes the page. A name that was given is used once; else the last log's, with a number where it is taken.
fn write(out: Option<&Path>, files: &[PathBuf], page: &str) -> Result<PathBuf, String> {
    let create = |path: &Path| File::options().write(true).create_new(true).open(path);
    let fill = |path: &Path, mut file: File| {
        file.write_all(page.as_bytes()).map_err(|why| format!("{}: {why}", path.display()))?;
        Ok(path.to_path_buf())
    };
    if let Some(path) = out {
        let file = create(path).map_err(|why| {
            format!("{}: {why}\n  to mend it: give --out a name that is not there yet", path.display())
        })?;
        return fill(path, file);
    }
    let named = files.iter().rev().find(|path| is_log(path));
    let named = named.or(files.last()).ok_or("nothing was named")?;
    let name = named.file_name().map_or("report".into(), |name| name.to_string_lossy());
    let stem = name.trim_end_matches(ENDS).trim_end_matches(".jsonl").to_string();
    for number in 1..1000 {
        let path = named.with_file_name(match number {
            1 => format!("{stem}.html"),
            _ => format!("{stem}_{number}.html"),
        });
        match create(&path) {
            Ok(file) => return fill(&path, file),
            Err(why) if why.kind() == io::ErrorKind::AlreadyExists => {}
            Err(why) => {
                return Err(format!(
                    "{}: {why}\n  to mend it: name another place with --out FILE.html",
                    path.display()
                ));
            }
        }
    }
    Err(format!("a thousand pages of {stem} lie there already"))
}

/// Before anything is measured: can a page be written there?
///
/// Errors: the name is taken, or its folder is not there; a sentence with its mend.
pub fn page_may_be(path: Option<&Path>) -> Result<(), String> {
    let Some(path) = path else { return Ok(()) };
    let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
    if path.exists() {
        return Err(format!(
            "{} is there already\n  to mend it: give --page a name that is not there yet",
            path.display()
        ));
    }
    if !folder.is_dir() {
        return Err(format!("{} is no folder\n  to mend it: make it first", folder.display()));
    }
    Ok(())
}

/// Writes one result as the page that `fogbell report` makes of a night; in words where it lies, or why it does not.
pub fn page_of(path: &Path, kind: Kind, result: &Value) -> Result<String, String> {
    let time = jiff::ZonedDateTime::now().strftime("%Y-%m-%dT%H:%M:%S%.3f%:z").to_string();
    let kept = Kept::of(&path.display().to_string(), kind, &time, result.clone());
    let page = page::page(&Nights::of(Vec::new(), vec![kept], Vec::new()));
    let written = File::options().write(true).create_new(true).open(path);
    let written = written.and_then(|mut file| file.write_all(page.as_bytes()));
    written.map_err(|why| format!("no page: {}: {why}", path.display()))?;
    Ok(format!("Page: {}", path.display()))
}

fn complain(text: &str) {
    let _gone = io::stderr().write_all(text.as_bytes());
}
