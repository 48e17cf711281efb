//! Two real processes of the real program, a main and a backup, and what a listener makes of the backup's recording.
//!
//! The recording holds the backup's outputs and, on its inputs, what came from the main: everything the band could
//! have heard, on one machine's frames.

use fogbell::click::prepare::prepare;
use fogbell::click::set::{Anchor, Set, Stretch};
use fogbell::listener::{Due, Finding, Listener, Outcome, Shape, Template, Verdict};
use fogbell::units::{Exact, FramePos, Frames, SampleRate};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use std::time::{Duration, Instant};

pub const RATE: SampleRate = SampleRate::standard();

/// One process and the folder that it writes to.
pub struct Machine {
    pub process: Child,
    pub folder: PathBuf,
    pub began: Instant,
}

impl Machine {
    /// Runs a show on a rig: the recording, the log and what it says go to `folder`. `server`: of JACK.
    pub fn start(
        program: &Path,
        show: &Path,
        rig: &Path,
        folder: &Path,
        server: Option<&str>,
        more: &[&str],
    ) -> Machine {
        std::fs::create_dir_all(folder).expect("a folder");
        let out = |name: &str| std::fs::File::create(folder.join(name)).expect("a file for what it says");
        let process = Command::new(program)
            .arg("run")
            .args([show, Path::new("--rig"), rig, Path::new("--record"), &folder.join("take.wav")])
            .args([Path::new("--log"), &folder.join("log")])
            .args(["--headless", "--no-ready", "--json"])
            .args(more)
            .envs(server.map(|name| ("JACK_DEFAULT_SERVER", name)))
            .env("JACK_NO_AUDIO_RESERVATION", "1")
            .stdin(Stdio::null())
            .stdout(out("said.json"))
            .stderr(out("complained.txt"))
            .spawn()
            .expect("the program");
        Machine { process, folder: folder.into(), began: Instant::now() }
    }

    /// `kill -9` (on Windows: TerminateProcess): nothing is said, nothing is closed.
    pub fn kill(&mut self) {
        let _gone = self.process.kill();
        let _gone = self.process.wait();
    }

    /// Waits until it ends by itself. Panics when it does not.
    pub fn end(&mut self, patience: Duration) -> serde_json::Value {
        let begun = Instant::now();
        while self.process.try_wait().expect("a process of ours").is_none() {
            if begun.elapsed() > patience {
                self.kill();
                panic!("{} does not end: {}", self.folder.display(), self.words());
            }
            std::thread::sleep(Duration::from_millis(20));
        }
        let said = self.said();
        let said: serde_json::Value =
            serde_json::from_str(said.trim()).unwrap_or_else(|_| panic!("said `{said}`: {}", self.words()));
        assert!(said.get("error").is_none(), "{said}: {}", self.words());
        said
    }

    pub fn said(&self) -> String {
        std::fs::read_to_string(self.folder.join("said.json")).unwrap_or_default()
    }

    pub fn words(&self) -> String {
        std::fs::read_to_string(self.folder.join("complained.txt")).unwrap_or_default()
    }

    /// Frames that nobody asked for, by its log, in the order of time.
    pub fn gaps(&self) -> Vec<Gap> {
        let logs = std::fs::read_dir(self.folder.join("log")).into_iter().flatten().flatten();
        let text: String = logs.filter_map(|log| std::fs::read_to_string(log.path()).ok()).collect();
        let lines = text.lines().filter_map(|line| serde_json::from_str::<serde_json::Value>(line).ok());
        let gap = |line: serde_json::Value| {
            let frames = line.get("lost_frames")?.as_i64().filter(|frames| *frames > 0)?;
            Some(Gap { from: line.get("frame")?.as_i64()? - frames, frames })
        };
        lines.filter_map(gap).collect()
    }
}

impl Drop for Machine {
    fn drop(&mut self) {
        self.kill();
    }
}

/// Frames that nobody asked for: silence in the recording.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Gap {
    pub from: i64,
    pub frames: i64,
}

/// What the drummer of a show must hear from the first count on, through segues.
pub struct Written {
    pub templates: Vec<Arc<Template>>,
    /// Frames count from the start of the count-in.
    pub dues: Vec<Due>,
}

impl Written {
    /// The click `name` of a show at 48 kHz.
    pub fn of(show: &Path, name: &str) -> Written {
        let show = fogbell::show::read_show(show).expect("a show file").show.expect("a show without faults");
        let set = prepare(&show, RATE).expect("sounds").set;
        let click = show.clicks.iter().position(|click| click.name == name).expect("a click of that name");
        Written { templates: Listener::templates(&set), dues: dues(&set, set.lanes[click].own) }
    }
}

fn dues(set: &Set, lane: u8) -> Vec<Due> {
    let mut at = Exact::at(FramePos(0));
    let mut dues = Vec::new();
    for (number, song) in set.songs.iter().enumerate() {
        // After a segue the band is playing already: no count-in.
        let first = if number == 0 { 0 } else { song.first_section_leg };
        for leg in song.legs.iter().skip(first) {
            let anchor = Anchor { at, stretch: Stretch::ONE };
            for hit in leg.grid.hits.iter().filter(|hit| hit.lane == lane) {
                let frame = anchor.frame(hit.local()).0;
                let plain = Due::plain(frame, 0, usize::from(hit.sound), hit.gain);
                let bar = leg.first_bar + hit.bar as i32;
                let (song, beat, subdivision) = (number as u16, hit.beat, hit.subdivision);
                dues.push(Due { kind: hit.kind, song, bar, beat, subdivision, ..plain });
            }
            at = at + leg.grid.length;
        }
        if !song.segue {
            break;
        }
    }
    dues
}

/// One take of two machines, on the backup's frames.
pub struct Take {
    /// What the band heard of this player's click, from both machines together.
    pub heard: Vec<f32>,
    pub main: Vec<f32>,
    pub backup: Vec<f32>,
    pub timecode: Vec<f32>,
    /// Frame on which the count-in began.
    pub start: i64,
    /// Frames from the first sign of the main's timecode to after the last.
    pub patched_from: i64,
    pub silent_from: i64,
}

/// Channels of the backup's recording.
pub struct Channels {
    /// Its own output.
    pub click: usize,
    pub main_timecode: usize,
    pub main_click: usize,
    /// The main's click leaves through the backup; otherwise both have a channel on the mixer.
    pub passed: bool,
}

impl Take {
    /// Reads a recording and finds where the song began in it.
    pub fn read(recording: &Path, channels: &Channels, written: &Written) -> Take {
        let audio = fogbell::wav::read(recording).expect("a recording");
        let channel = |index: usize| audio.channels.get(index).cloned().expect("a channel of the recording");
        let (main, backup) = (channel(channels.main_click), channel(channels.click));
        let timecode = channel(channels.main_timecode);
        let heard = match channels.passed {
            true => backup.clone(),
            false => main.iter().zip(&backup).map(|(main, backup)| main + backup).collect(),
        };
        let start = start_of(&heard, written);
        let there = |sample: &f32| sample.abs() > AUDIBLE;
        let patched_from = timecode.iter().position(there).map_or(0, |first| first as i64);
        let silent_from = timecode.iter().rposition(there).map_or(0, |last| last as i64 + 1);
        Take { heard, main, backup, timecode, start, patched_from, silent_from }
    }

    /// Every hit that was due from when the two were patched up to a little before the end, judged.
    pub fn judge(&self, written: &Written, gaps: &[Gap]) -> Judged {
        judge(&self.heard, written, self.start, self.patched_from..self.heard.len() as i64 - 12_000, gaps)
    }

    /// Every hit from the song's beginning on, whoever sounded it.
    pub fn judge_all(&self, written: &Written, gaps: &[Gap]) -> Judged {
        judge(&self.heard, written, self.start, self.start..self.heard.len() as i64 - 12_000, gaps)
    }

    /// The main's click as it came, until a little before the last of it.
    pub fn judge_main(&self, written: &Written, gaps: &[Gap]) -> Judged {
        // On its own channel it is heard as it came; passed through, later: by its own first hit.
        let start = start_of(&self.main, written);
        judge(&self.main, written, start, self.patched_from..self.silent_from - 12_000, gaps)
    }

    /// The first hit that is due at or after a frame of the recording.
    pub fn next_due<'w>(&self, written: &'w Written, frame: i64) -> Option<&'w Due> {
        written.dues.iter().find(|due| due.frame.0 + self.start >= frame)
    }
}

/// The hits that are due in a range of frames, against a recording whose song begins at `start`.
fn judge(heard: &[f32], written: &Written, start: i64, range: std::ops::Range<i64>, gaps: &[Gap]) -> Judged {
    let end = heard.len() as i64;
    let mut listener = Listener::new(written.templates.clone(), RATE, 1);
    for due in &written.dues {
        let frame = FramePos(due.frame.0 + start);
        // What lies beside the range must still be explained.
        if frame.0 < end {
            listener.expect(Due { frame, judged: range.contains(&frame.0), ..due.clone() });
        }
    }
    let (mut at, mut lost) = (0, 0);
    for (until, gap) in gaps.iter().map(|gap| (gap.from, gap.frames)).chain([(end, 0)]) {
        let stretch = heard.get(at as usize..until as usize).unwrap_or(&[]);
        for piece in stretch.chunks(4096) {
            listener.hear(FramePos(at), Frames(std::mem::take(&mut lost)), &[piece]);
            at += piece.len() as i64;
        }
        (at, lost) = (at + gap, lost + gap);
    }
    Judged::of(listener.finish())
}

/// Two machines round to frames of their own: a hit of the other one is in its place within 0.1 ms.
pub const IN_PLACE: f64 = 4.8;

/// What the listener found, with hits of the backup in their place that are a frame from the main's.
pub struct Judged {
    pub due: u64,
    pub heard: u64,
    pub missed: u64,
    /// Late or early by more than [`IN_PLACE`].
    pub moved: u64,
    pub cut: u64,
    pub doubled: u64,
    /// At another level, lost with the device, or not recorded.
    pub otherwise: u64,
    pub worst_ms: f64,
    /// All but what was heard in its place.
    pub findings: Vec<Finding>,
}

impl Judged {
    fn of(verdict: Verdict) -> Judged {
        assert_eq!(verdict.more_findings, 0, "far too much is wrong");
        let near = |f: &Finding| f.outcome == Outcome::Late && f.error_frames.abs() <= IN_PLACE;
        let (near, findings): (Vec<_>, Vec<_>) = verdict.findings.into_iter().partition(near);
        let all = verdict.all;
        let near = near.len() as u64;
        Judged {
            due: all.due,
            heard: all.sounded + near,
            missed: all.missed,
            moved: all.late - near,
            cut: all.clipped,
            doubled: all.doubled,
            otherwise: all.off_level + all.lost_with_device + all.unheard,
            worst_ms: all.largest_error_frames / 48.0,
            findings,
        }
    }

    /// Every due hit was heard in its place, and nothing else was.
    pub fn clean(&self) -> bool {
        self.heard == self.due && self.doubled == 0
    }
}

/// Where the count-in began: each of the first sounds is taken for each of the first hits, and the hits are laid over the
/// recording there; the best fit has it. Nothing sounds before the count-in: where a hit of it is missing, a place a bar
/// later may fit as well.
pub fn start_of(heard: &[f32], written: &Written) -> i64 {
    let score = |start: i64| -> f64 {
        let laid = |due: &Due| -> f64 {
            let Shape::Sound(sound) = due.shape else { return 0.0 };
            let template = &written.templates[sound];
            let begin = start + due.frame.0 - template.lead();
            let at = |n: usize| {
                usize::try_from(begin + n as i64).ok().and_then(|n| heard.get(n)).copied().unwrap_or(0.0)
            };
            let head = template.head().iter().enumerate();
            f64::from(due.gain) * head.map(|(n, sample)| f64::from(sample * at(n))).sum::<f64>()
        };
        written.dues.iter().take(12).map(laid).sum()
    };
    let onset_of = |due: &Due| {
        let Shape::Sound(sound) = due.shape else { return 0 };
        let template = &written.templates[sound];
        let loud = |sample: &f32| (sample * due.gain).abs() > AUDIBLE;
        due.frame.0 - template.lead() + template.samples().iter().position(loud).unwrap_or(0) as i64
    };
    let onsets = onsets(heard);
    assert!(!onsets.is_empty(), "nothing sounded");
    let places =
        onsets.iter().flat_map(|onset| written.dues.iter().take(8).map(move |due| onset - onset_of(due)));
    let first = onsets[0];
    let places = places.filter(|place| *place <= first + 480);
    let near = places.flat_map(|place| place - 2..=place + 2);
    near.max_by(|one, two| score(*one).total_cmp(&score(*two))).unwrap_or(0)
}

/// Louder than what a line carries when nothing is played.
const AUDIBLE: f32 = 0.01;

/// Where the first sounds begin, after a tenth of a second of silence each.
fn onsets(heard: &[f32]) -> Vec<i64> {
    let mut onsets = Vec::new();
    let mut silent_since = 0;
    for (frame, _) in heard.iter().enumerate().filter(|(_, sample)| sample.abs() > AUDIBLE) {
        if onsets.is_empty() || frame - silent_since > 4800 {
            onsets.push(frame as i64);
        }
        silent_since = frame;
        if onsets.len() == 8 {
            break;
        }
    }
    onsets
}

/// Findings that a band would notice, in words.
pub fn told(findings: &[Finding]) -> String {
    let word = |outcome: Outcome| match outcome {
        Outcome::Missed => "missed",
        Outcome::Late => "late or early",
        Outcome::Doubled => "doubled",
        Outcome::Clipped => "cut short",
        Outcome::OffLevel => "at another level",
        Outcome::LostWithDevice => "lost with the device",
        Outcome::Unheard => "not recorded",
        Outcome::Sounded => "on its frame",
    };
    let one = |f: &Finding| {
        format!(
            "{} at frame {} ({}:{}, {:+.2} frames)",
            word(f.outcome),
            f.frame,
            f.bar,
            f.beat,
            f.error_frames
        )
    };
    findings.iter().map(one).collect::<Vec<_>>().join("; ")
}
