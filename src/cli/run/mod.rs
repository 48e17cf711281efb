//! `fogbell run`: the show sounds.
//!
//! In: a show, a rig, keys. Out: the click on an interface, a log, a verdict. Threads: main keeps keys or the
//! clock of a headless run; `desk` carries what the engine tells; `ear` hears what left; renderer and log have
//! their own. Always: nothing here is waited for by the audio thread.

mod back;
mod deck;
mod desk;
mod ear;
mod fitness;
pub mod guard;
mod headless;
mod metered;
mod night;
mod rehearse;
mod result;
mod screen;
mod session;
mod spare_loop;
mod telling;

use super::Outcome;
use std::io::Write;
use std::path::PathBuf;
use std::time::Duration;

/// Run the show: the click sounds
#[derive(Clone, Debug, clap::Args)]
#[command(after_help = CAUTION, after_long_help = after_help())]
pub struct Args {
    /// The show file
    pub show: PathBuf,
    /// The rig file: which feed goes to which channel of which interface (default: the virtual interface)
    #[arg(long)]
    pub rig: Option<PathBuf>,
    /// Without a terminal: the first song (or --start's) starts at once, unless --press says when; ends with --for
    /// or when the music has ended
    #[arg(long)]
    pub headless: bool,
    /// End after this many seconds
    #[arg(long = "for", value_name = "SECONDS", value_parser = seconds)]
    pub length: Option<Duration>,
    /// Start this song at once: its number in the set, or its title
    #[arg(long, value_name = "SONG")]
    pub start: Option<String>,
    /// Headless: the first song starts this many seconds into the device's time
    #[arg(long, value_name = "SECONDS", value_parser = seconds, default_value = "0.5")]
    pub start_at: Duration,
    /// Press a key's action at a time: `--press "4.5 all-out"` (may be given again)
    #[arg(long, value_name = "SECONDS ACTION")]
    pub press: Vec<String>,
    /// Write outputs and inputs to this WAV
    #[arg(long, value_name = "FILE.wav")]
    pub record: Option<PathBuf>,
    /// Folder for the log (default: `logs` beside the show)
    #[arg(long, value_name = "DIR")]
    pub log: Option<PathBuf>,
    /// Rehearse a failure: `renderer-dies@12.5`, `renderer-freezes@8`, `renderer-repeats@8`, `renderer-corrupt@8`,
    /// `renderer-slow@8`; `renderer-dies@key` waits for the Enter key
    #[arg(long, value_name = "WHAT@SECONDS")]
    pub rehearse: Option<rehearse::Rehearsal>,
    /// This main starts again in the middle of a night: it stays silent and follows the backup until that one or a
    /// person gives the click back (known by itself when the last log has no end)
    #[arg(long)]
    pub returning: bool,
    /// Go on where the last run of this show was when it was killed: in phase with what the band is playing. It needs
    /// no answers; where it cannot know the place it comes up silent with the song found
    #[arg(long)]
    pub rejoin: bool,
    /// End the run when there has been no device for this long (default: never; it is opened again when it is back)
    #[arg(long, value_name = "SECONDS", value_parser = seconds)]
    pub give_up_after: Option<Duration>,
    /// Go on at this rate, which the rig does not say (a device that another program has set to it)
    #[arg(long, value_name = "HZ", hide = true)]
    pub at_rate: Option<u32>,
    /// Watch the run from a second process that starts it again when it dies (on a screen that is so anyway)
    #[arg(long, conflicts_with = "no_guard")]
    pub guard: bool,
    /// Run in this process alone
    #[arg(long)]
    pub no_guard: bool,
    /// Do not look whether the computer is fit (see `fogbell ready`)
    #[arg(long)]
    pub no_ready: bool,
    /// Print one JSON object at the end
    #[arg(long)]
    pub json: bool,
}

/// Said wherever sound may leave.
pub const CAUTION: &str = "In-ears can damage hearing for good. Turn the pack down before the first start, bring it \
up slowly, and take ears out while anything is patched. Levels here are of this program only: your mixer and pack \
add to them. Local rules, and the advice of a hearing professional, come first.";

/// The keys, then the caution.
fn after_help() -> String {
    let keys = crate::view::keys::text();
    format!("Keys (a rig's [keys] table binds others: action = \"key\"):\n{keys}\n{CAUTION}")
}

fn seconds(text: &str) -> Result<Duration, String> {
    let value: f64 = text.parse().map_err(|_| "not a number of seconds, such as 20 or 2.5".to_string())?;
    if (0.0..=1e7).contains(&value) {
        Ok(Duration::from_secs_f64(value))
    } else {
        Err("0 to 10,000,000 seconds".into())
    }
}

impl Args {
    /// A night that goes on has a recording already: the next piece gets a name of its own.
    fn record_again(&self) -> Option<Args> {
        let path = self.record.as_ref().filter(|path| self.rejoin && path.exists())?;
        let stem = path.file_stem().unwrap_or_default().to_string_lossy().into_owned();
        let name = |number: u32| path.with_file_name(format!("{stem}-{number}.wav"));
        let free = (2..10_000).map(name).find(|name| !name.exists())?;
        Some(Args { record: Some(free), ..self.clone() })
    }

    /// `logs` beside the show, unless said otherwise.
    fn log_folder(&self) -> PathBuf {
        self.log.clone().unwrap_or_else(|| crate::log::kept::beside(&self.show))
    }

    /// Everything about the options that can be known before a file is opened.
    fn check(&self) -> Result<(), String> {
        headless::presses(&self.press)?;
        if !self.press.is_empty() && !self.headless {
            return Err("--press needs --headless: with a terminal you press the keys yourself".into());
        }
        match &self.record {
            Some(path) if path.exists() && !self.rejoin => {
                Err(format!("{} is there already\n  to mend it: give --record another name", path.display()))
            }
            _ => Ok(()),
        }
    }
}

pub fn run(args: &Args) -> Outcome {
    if let Err(why) = args.check() {
        let refusal = night::Refusal { text: format!("error: {why}"), outcome: Outcome::NotUnderstood };
        return refusal.tell(args.json);
    }
    if guard::wanted(args)
        && let Some(outcome) = guard::run(args)
    {
        return outcome;
    }
    let again = args.record_again();
    let args = again.as_ref().unwrap_or(args);
    let night = match night::Night::open(args) {
        Ok(night) => night,
        Err(refusal) => return refusal.tell(args.json),
    };
    if let Some(wanted) =
        args.start.as_ref().filter(|wanted| headless::find_song(&night.show, wanted).is_none())
    {
        let songs: Vec<&str> = night.show.songs.iter().map(|song| song.title.as_str()).collect();
        let text = format!(
            "error: no song `{wanted}`\n  to mend it: give --start a number or one of {}",
            songs.join(", ")
        );
        return night::Refusal { text, outcome: Outcome::NotUnderstood }.tell(args.json);
    }
    session::run(args, night)
}

/// A line on standard output; a terminal that is gone is no reason to end.
fn say(text: &str) {
    let _gone = writeln!(std::io::stdout(), "{}", text.trim_end());
}

/// A line on standard error; see [`say`].
fn complain(text: &str) {
    let _gone = writeln!(std::io::stderr(), "{}", text.trim_end());
}
