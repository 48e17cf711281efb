//! `fogbell new`: pasted lines to a show file and a rig file.

use super::Outcome;
use serde_json::json;
use std::fs;
use std::io::{self, IsTerminal, Read, Write};
use std::path::{Path, PathBuf};

mod lines;
mod write;

/// Most bytes of a paste; a set list is far shorter.
const LARGEST_PASTE: u64 = 1 << 20;

/// Turn pasted lines such as `Low Tide 132 4/4` into a working show
///
/// Reads lines from the arguments, from a file named as the only argument, or from standard input.
/// A blank line or a line of dashes stands above the encores. Nothing is overwritten.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// One song a line: title, tempo, metre, bars (the last two may be left out); or one file of lines
    lines: Vec<String>,
    /// The show file to write; its name comes from the title when left out
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
    /// The rig file to write; beside the show file when left out
    #[arg(long, value_name = "FILE")]
    rig: Option<PathBuf>,
    /// The show's title; a first line "# Title" does the same
    #[arg(long)]
    title: Option<String>,
    /// Print one JSON object
    #[arg(long)]
    json: bool,
}

/// Why nothing was written.
enum Failure {
    /// Exit 2: the lines that could not be read.
    Lines(Vec<lines::Fault>),
    /// Exit 2: what was asked cannot be done as it stands.
    Asked { what: String, mend: String },
    /// Exit 1: the disk refused.
    Disk { what: String, mend: String },
}

struct Written {
    title: String,
    show: PathBuf,
    rig: PathBuf,
    songs: Vec<lines::Entry>,
}

pub fn run(args: &Args) -> Outcome {
    match make(args) {
        Ok(written) => {
            if args.json {
                tell_json(&written)
            } else {
                tell(&written)
            }
            Outcome::Done
        }
        Err(failure) => {
            if args.json {
                refuse_json(&failure)
            } else {
                refuse(&failure)
            }
            match failure {
                Failure::Disk { .. } => Outcome::FellShort,
                _ => Outcome::NotUnderstood,
            }
        }
    }
}

fn make(args: &Args) -> Result<Written, Failure> {
    let paste = lines::read(&paste(args)?);
    if !paste.faults.is_empty() {
        return Err(Failure::Lines(paste.faults));
    }
    if paste.songs.is_empty() {
        return Err(no_lines());
    }
    let title = args.title.clone().or(paste.title).unwrap_or_else(|| "My show".into());
    if title.chars().count() > lines::LONGEST_TITLE {
        return Err(Failure::Asked {
            what: format!("the title is longer than {} characters", lines::LONGEST_TITLE),
            mend: "give a shorter one with --title".into(),
        });
    }
    let show = args.out.clone().unwrap_or_else(|| PathBuf::from(format!("{}.toml", write::slug(&title))));
    let rig = args.rig.clone().unwrap_or_else(|| show.with_extension("rig.toml"));
    let written = Written { title, show, rig, songs: paste.songs };
    save(&written)?;
    Ok(written)
}

fn no_lines() -> Failure {
    Failure::Asked {
        what: "no lines were given".into(),
        mend: "give one song a line: fogbell new \"Low Tide 132 4/4\" \"Eel Net 96 7/8 as 2+2+3\"".into(),
    }
}

fn paste(args: &Args) -> Result<String, Failure> {
    match args.lines.as_slice() {
        [file] if Path::new(file).is_file() => {
            let opened = fs::File::open(file).map_err(|e| unreadable(file, &e))?;
            text_of(opened, file)
        }
        [] if io::stdin().is_terminal() => Err(no_lines()),
        [] => text_of(io::stdin().lock(), "standard input"),
        given => Ok(given.join("\n")),
    }
}

fn text_of(from: impl Read, name: &str) -> Result<String, Failure> {
    let mut bytes = Vec::new();
    from.take(LARGEST_PASTE + 1).read_to_end(&mut bytes).map_err(|e| unreadable(name, &e))?;
    if bytes.len() as u64 > LARGEST_PASTE {
        return Err(unreadable(name, &"longer than 1 MiB, so it is no set list"));
    }
    String::from_utf8(bytes).map_err(|_| unreadable(name, &"not UTF-8 text"))
}

fn unreadable(name: &str, why: &dyn std::fmt::Display) -> Failure {
    Failure::Asked {
        what: format!("{name} could not be read: {why}"),
        mend: "give a plain text file with one song a line".into(),
    }
}

/// Writes both files or neither, each whole under its final name or not at all.
fn save(written: &Written) -> Result<(), Failure> {
    let (show, rig) = (&written.show, &written.rig);
    if show == rig {
        return Err(Failure::Asked {
            what: format!("{} is named for both the show and the rig", show.display()),
            mend: "give --out and --rig different names".into(),
        });
    }
    for path in [show, rig] {
        if path.symlink_metadata().is_ok() {
            return Err(exists(path));
        }
    }
    let name = |path: &Path| path.file_name().unwrap_or_default().to_string_lossy().into_owned();
    let show_text = write::show(&written.title, &name(show), &name(rig), &written.songs);
    let rig_text = write::rig(&written.title, &name(show));
    good(&show_text, &rig_text)?;
    place(rig, &rig_text)?;
    place(show, &show_text).inspect_err(|_| _ = fs::remove_file(rig))
}

/// The checker has the last word before anything is written.
fn good(show_text: &str, rig_text: &str) -> Result<(), Failure> {
    let folder = Path::new(".");
    let show = crate::show::parse_show(show_text, "show", folder).faults;
    let rig = crate::show::parse_rig(rig_text, "rig", folder).faults;
    match show.into_iter().chain(rig).next() {
        None => Ok(()),
        Some(fault) => Err(Failure::Asked { what: fault.what, mend: fault.mend }),
    }
}

fn exists(path: &Path) -> Failure {
    Failure::Asked {
        what: format!("{} exists already, and nothing is overwritten", path.display()),
        mend: "give another name with --out (and --rig), or move that file away".into(),
    }
}

fn place(path: &Path, text: &str) -> Result<(), Failure> {
    let folder = path.parent().filter(|parent| !parent.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let disk = |why: &dyn std::fmt::Display| Failure::Disk {
        what: format!("{} could not be written: {why}", path.display()),
        mend: "choose a folder that exists and may be written to with --out".into(),
    };
    let mut file = tempfile::Builder::new()
        .prefix(".fogbell-")
        .suffix(".fogtmp")
        .permissions_if_unix()
        .tempfile_in(folder)
        .map_err(|e| disk(&e))?;
    file.write_all(text.as_bytes()).and_then(|()| file.as_file().sync_all()).map_err(|e| disk(&e))?;
    match file.persist_noclobber(path) {
        Ok(_) => Ok(()),
        Err(e) if e.error.kind() == io::ErrorKind::AlreadyExists => Err(exists(path)),
        Err(e) => Err(disk(&e.error)),
    }
}

/// A temporary file is private by default; a set list is not.
trait PermissionsIfUnix {
    fn permissions_if_unix(&mut self) -> &mut Self;
}

impl PermissionsIfUnix for tempfile::Builder<'_, '_> {
    fn permissions_if_unix(&mut self) -> &mut Self {
        #[cfg(unix)]
        {
            use std::os::unix::fs::PermissionsExt;
            self.permissions(fs::Permissions::from_mode(0o666));
        }
        self
    }
}

fn tell(written: &Written) {
    let encores = written.songs.iter().filter(|song| song.encore).count();
    let total = write::clock(write::seconds(&written.songs));
    println!("{}: {} songs, {encores} of them encores, about {total}", written.title, written.songs.len());
    for (index, song) in written.songs.iter().enumerate() {
        let note = song.tempo.note.unwrap_or_else(|| lines::counted_note(&song.metre));
        let encore = if song.encore { "  encore" } else { "" };
        println!(
            "{:>3}  {}  {note} = {}  {}  {} bars{encore}",
            index + 1,
            song.title,
            song.tempo.number,
            song.metre.text,
            song.bars
        );
    }
    let assumed = written.songs.iter().filter(|song| song.bars_from != lines::BarsFrom::Line).count();
    if assumed > 0 {
        println!("{assumed} songs have no number of bars of their own: look for the remarks in the file");
    }
    let (show, rig) = (written.show.display(), written.rig.display());
    println!("\nwrote {show} and {rig}\nnext: fogbell check {show}\n      fogbell run {show} --rig {rig}");
}

fn tell_json(written: &Written) {
    let songs: Vec<_> = written
        .songs
        .iter()
        .map(|song| {
            json!({
                "line": song.line, "title": song.title, "metre": song.metre.text, "bars": song.bars,
                "tempo": song.tempo.number, "encore": song.encore, "note": song.note,
                "note_value": song.tempo.note.unwrap_or_else(|| lines::counted_note(&song.metre)),
                "metre_assumed": song.metre.assumed,
                "bars_assumed": song.bars_from != lines::BarsFrom::Line,
            })
        })
        .collect();
    println!(
        "{}",
        json!({
            "command": "new", "ok": true, "title": written.title, "show": written.show, "rig": written.rig,
            "seconds": write::seconds(&written.songs), "songs": songs,
        })
    );
}

fn refuse(failure: &Failure) {
    match failure {
        Failure::Lines(faults) => {
            for fault in faults {
                eprintln!("error: line {} {}", fault.line, fault.what);
                eprintln!("  it reads: {}\n  to mend it: {}", fault.found, fault.mend);
            }
            eprintln!("{} lines could not be read; nothing was written", faults.len());
        }
        Failure::Asked { what, mend } | Failure::Disk { what, mend } => {
            eprintln!("error: {what}\n  to mend it: {mend}");
        }
    }
}

fn refuse_json(failure: &Failure) {
    let object = match failure {
        Failure::Lines(faults) => json!({ "command": "new", "ok": false, "faults": faults }),
        Failure::Asked { what, mend } | Failure::Disk { what, mend } => {
            json!({ "command": "new", "ok": false, "faults": [{ "what": what, "mend": mend }] })
        }
    };
    println!("{object}");
}
