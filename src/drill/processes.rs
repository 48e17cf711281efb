//! The main's process killed, for real: the program starts itself twice, as main and as backup, patched by lines on this
//! computer, and kills the first without a word. The backup's recording holds what the band heard.

use super::align::lay;
use super::allowed::{Losses, MOST_ERROR_MS};
use super::bench::{Bench, Wiring};
use super::failures::death;
use super::hearing::Hearing;
use super::pair::Clean;
use super::verdict::{Verdict, verdict};
use crate::listener::{Due, Listener};
use crate::log::read::is_log;
use crate::realtime::wiring::LOOK_AHEAD_SECONDS;
use crate::units::Frames;
use serde_json::Value;
use std::fs::File;
use std::net::{Ipv4Addr, UdpSocket};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

/// What the two processes play.
pub struct Pair<'a> {
    /// The program itself.
    pub program: &'a Path,
    pub show: &'a Path,
    /// The song, as printed, from 1.
    pub song: usize,
    /// Every feed of the show and whether it is stereo; the ear hears the first one.
    pub feeds: &'a [(String, bool)],
    /// The click that is in it, by name.
    pub click: &'a str,
    /// That song alone on one machine; its wiring is the pair's.
    pub bench: &'a Bench,
}

const NAMES: (&str, &str) = ("main-process-killed", "the main's process is killed (two real processes)");
/// Lines are this late, so that a busy computer is not heard.
const LINE_FRAMES: u32 = 8192;
/// Frames of a block of either process.
const BLOCK: i64 = 128;
/// A backup that does not end by itself is ended.
const PATIENCE: Duration = Duration::from_secs(60);
/// Takes in which the lines themselves failed before the computer is called too busy.
const TRIES: usize = 3;

/// Plays it, again where this computer was too busy to carry the main's own click, and judges it.
///
/// Errors: a process does not start, or the computer is too busy for a verdict; in words.
pub fn kill(pair: &Pair) -> Result<Verdict, String> {
    let mut random = fastrand::Rng::with_seed(pair.bench.seed);
    let after = Duration::from_secs_f64(3.4 + 2.0 * random.f64());
    let mut why = String::new();
    for _ in 0..TRIES {
        let folder = tempfile::tempdir().map_err(|fault| format!("error: no temporary folder: {fault}"))?;
        match pair.take(folder.path(), after)?.judge(pair) {
            Ok(verdict) => return Ok(verdict),
            Err(busy) => why = busy,
        }
    }
    Err(format!("{why}\n  to mend it: close what else runs on this computer, and drill again"))
}

/// A process that is ended when it is forgotten.
struct Machine(Child);

impl Machine {
    fn kill(&mut self) {
        // Gone already is as good.
        let _gone = self.0.kill();
        let _gone = self.0.wait();
    }
}

impl Drop for Machine {
    fn drop(&mut self) {
        self.kill();
    }
}

impl Pair<'_> {
    fn outputs(&self) -> usize {
        self.feeds.iter().map(|(_, stereo)| 1 + usize::from(*stereo)).sum()
    }

    fn take(&self, folder: &Path, after: Duration) -> Result<Take, String> {
        self.patch(folder)?;
        let length = after + Duration::from_secs_f64(4.5);
        let mut backup =
            self.start(folder, "backup", &["--press", "3000 one-is-now", "--for", &secs(length)])?;
        std::thread::sleep(Duration::from_millis(400));
        let mut main = self.start(folder, "main", &["--start", &self.song.to_string()])?;
        std::thread::sleep(after);
        main.kill();
        ended(&mut backup)?;
        let audio = crate::wav::read(&folder.join("backup/take.wav")).map_err(|_| refused(folder))?;
        let channel = |index: usize| audio.channels.get(index).cloned().unwrap_or_default();
        let outputs = self.outputs() + 1;
        Ok(Take {
            backup: channel(0),
            timecode: channel(outputs),
            main: channel(outputs + 1),
            log: log_of(&folder.join("backup/log")),
        })
    }

    /// Rigs of the two, and worlds with lines from one to the other.
    fn patch(&self, folder: &Path) -> Result<(), String> {
        let free = UdpSocket::bind((Ipv4Addr::LOCALHOST, 0)).and_then(|socket| socket.local_addr());
        let port = free.map_err(|fault| format!("error: no free port on this computer: {fault}"))?;
        let timecode = self.outputs() + 1;
        let mut next = 1;
        let feeds: String =
            self.feeds.iter().map(|(name, stereo)| outlet_line(name, *stereo, &mut next)).collect();
        let head = |machine: &str| {
            format!(
                "machine = \"{machine}\"\n[interface]\nhost = \"virtual\"\ndevice = \"{machine}-world.toml\"\n\
                 rate = 48000\nblock = {BLOCK}\n[outputs]\n{feeds}[timecode]\noutput = {timecode}\n"
            )
        };
        let through = if self.bench.wiring.passed() { "wiring = \"pass through\"\n" } else { "" };
        let click = match self.bench.wiring {
            // Where the machine itself has no use for the main's click, the take has it as what comes back of an ear.
            Wiring::OneWitness => {
                let feed = self.feeds.first().map_or("", |feed| &feed.0);
                format!("[exposure.{feed:?}]\nreturn = 2\n")
            }
            _ => format!("click = 2\nclick_is = {:?}\n{through}", self.click),
        };
        let receive = |input: u16| {
            format!(
                "{{ input = {input}, from = \"{port}\", channel = {input}, delay-frames = {LINE_FRAMES} }}"
            )
        };
        let files = [
            ("main.toml", head("main")),
            ("backup.toml", format!("{}[main]\ntimecode = 1\n{click}", head("backup"))),
            (
                "main-world.toml",
                format!(
                    "outputs = {timecode}\nsends = [{{ output = {timecode}, to = \"{port}\", channel = 1 }}, \
                     {{ output = 1, to = \"{port}\", channel = 2 }}]\n"
                ),
            ),
            (
                "backup-world.toml",
                format!("inputs = 2\noutputs = {timecode}\nreceives = [{}, {}]\n", receive(1), receive(2)),
            ),
        ];
        for (name, text) in files {
            let path = folder.join(name);
            std::fs::write(&path, text).map_err(|fault| format!("error: {}: {fault}", path.display()))?;
        }
        Ok(())
    }

    fn start(&self, folder: &Path, machine: &str, more: &[&str]) -> Result<Machine, String> {
        let own = folder.join(machine);
        let cannot =
            |fault: std::io::Error| format!("error: the {machine}'s process does not start: {fault}");
        std::fs::create_dir_all(&own).map_err(cannot)?;
        let child = Command::new(self.program)
            .arg("run")
            .arg(std::path::absolute(self.show).unwrap_or_else(|_| self.show.into()))
            .args([Path::new("--rig"), &folder.join(format!("{machine}.toml"))])
            .args([Path::new("--record"), &own.join("take.wav"), Path::new("--log"), &own.join("log")])
            .args(["--headless", "--no-ready", "--json"])
            .args(more)
            .stdin(Stdio::null())
            .stdout(File::create(own.join("said.txt")).map_err(cannot)?)
            .stderr(Stdio::null())
            .spawn()
            .map_err(cannot)?;
        Ok(Machine(child))
    }
}

fn outlet_line(name: &str, stereo: bool, next: &mut usize) -> String {
    let first = std::mem::replace(next, *next + 1 + usize::from(stereo));
    match stereo {
        true => format!("{name:?} = [{first}, {}]\n", first + 1),
        false => format!("{name:?} = {first}\n"),
    }
}

fn secs(length: Duration) -> String {
    format!("{:.3}", length.as_secs_f64())
}

fn ended(backup: &mut Machine) -> Result<(), String> {
    let begun = Instant::now();
    while matches!(backup.0.try_wait(), Ok(None)) {
        if begun.elapsed() > PATIENCE {
            return Err("error: the backup's process does not end".into());
        }
        std::thread::sleep(Duration::from_millis(20));
    }
    Ok(())
}

/// Why the backup did not play, in its own words.
fn refused(folder: &Path) -> String {
    let said = std::fs::read_to_string(folder.join("backup/said.txt")).unwrap_or_default();
    let said: Value = serde_json::from_str(said.trim()).unwrap_or_default();
    said["error"].as_str().unwrap_or("error: the backup's process did not play").into()
}

/// Lines of the log that the backup wrote.
fn log_of(folder: &Path) -> Vec<Value> {
    let paths = std::fs::read_dir(folder).into_iter().flatten().flatten().map(|entry| entry.path());
    let logs: Vec<PathBuf> = paths.filter(|path| is_log(path)).collect();
    let text: String = logs.iter().filter_map(|log| std::fs::read_to_string(log).ok()).collect();
    text.lines().filter_map(|line| serde_json::from_str(line).ok()).collect()
}

/// What was recorded, on the backup's frames.
pub struct Take {
    pub backup: Vec<f32>,
    /// From the main, as they came in.
    pub main: Vec<f32>,
    pub timecode: Vec<f32>,
    /// The backup's log.
    pub log: Vec<Value>,
}

/// Louder than what a line carries when nothing is played.
const AUDIBLE: f32 = 0.005;
/// Of the main's own click, as it came, this part may not be explained by what it should be.
const UNLIKE: f64 = 0.02;
/// The death itself cuts what began this shortly before it.
const CUT_SECONDS: f64 = 0.005;

impl Take {
    /// Errors: the lines did not carry the main's own click in time, or the backup's blocks came late, so that this
    /// take says nothing.
    pub fn judge(&self, pair: &Pair) -> Result<Verdict, String> {
        let bench = pair.bench;
        let rate = bench.set.rate;
        let world = bench.alone();
        let clean = Clean::play(&world, &[]);
        let busy = |what: &str| format!("this computer was too busy: {what}");
        let dead = last_sound(&self.timecode).ok_or_else(|| busy("the main was never heard"))?;
        let alive = self.main.get(..dead as usize).unwrap_or(&self.main);
        let fit = lay(alive, &self.before(&clean, dead, alive), rate.hertz());
        let fit = fit.filter(|fit| fit.left < UNLIKE).ok_or_else(|| busy("the main's click came torn"))?;
        let delay = match bench.wiring {
            Wiring::Passed(safety) => safety.0 + rate.frames(LOOK_AHEAD_SECONDS).0,
            _ => 0,
        };
        let heard: Vec<f32> = match bench.wiring {
            Wiring::Passed(_) => self.backup.clone(),
            _ => self.main.iter().zip(&self.backup).map(|(main, backup)| main + backup).collect(),
        };
        let shift = fit.shift + delay;
        let cut = rate.frames(CUT_SECONDS).0;
        if self.main_lost_a_hit(pair, &clean, fit.shift, dead - cut) {
            return Err(busy("a hit of the main's was lost before it died"));
        }
        if self.log.iter().any(|line| line["event"] == "xrun") {
            return Err(busy("the backup's blocks came late"));
        }
        let end = clean.dues.iter().map(|due| due.frame.0).max().unwrap_or(0) + shift + rate.frames(0.1).0;
        let end = end.min(heard.len() as i64 - rate.frames(0.3).0).max(0);
        let moved = |due: &Due| Due { frame: due.frame + Frames(shift), ..due.clone() };
        let dues = clean.dues.iter().map(moved).filter(|due| (0..end).contains(&due.frame.0));
        let planned = shifted(&clean.ear, shift, heard.len());
        let allowed = death(bench.wiring);
        let hearing = Hearing {
            samples: &heard[..end as usize],
            rate,
            templates: Listener::templates(&bench.set),
            dues: dues.collect(),
            lost: &[],
            clean: Some(&planned),
            most_error_ms: allowed.most_error_ms(),
        };
        let figures = hearing.figures();
        let hertz = f64::from(rate.hertz());
        // 10 ms, a block, and the round trip of the lines' ends: two blocks.
        let window = rate.frames(0.010).0 + 3 * BLOCK;
        let losses = Losses { moments: vec![dead + delay], cut, window, frames_a_second: hertz };
        let detected = self.detected(dead).map(|frames| frames as f64 * 1000.0 / hertz);
        Ok(verdict(NAMES, &figures, detected, Some(dead + delay), &losses, &allowed))
    }

    /// Whether of the main's own hits, as they came in until a frame, one is missing or late.
    fn main_lost_a_hit(&self, pair: &Pair, clean: &Clean, shift: i64, until: i64) -> bool {
        let moved = |due: &Due| Due { frame: due.frame + Frames(shift), ..due.clone() };
        let hearing = Hearing {
            samples: &self.main[..(until.max(0) as usize).min(self.main.len())],
            rate: pair.bench.set.rate,
            templates: Listener::templates(&pair.bench.set),
            dues: clean.dues.iter().map(moved).filter(|due| (0..until).contains(&due.frame.0)).collect(),
            lost: &[],
            clean: None,
            most_error_ms: MOST_ERROR_MS,
        };
        !hearing.figures().amiss.is_empty()
    }

    /// What the main played until it died: the clean click, cut where the recording of it ends.
    fn before(&self, clean: &Clean, dead: i64, alive: &[f32]) -> Vec<f32> {
        let first = |samples: &[f32]| samples.iter().position(|sample| sample.abs() > AUDIBLE).unwrap_or(0);
        let played = (dead as usize).saturating_sub(first(alive));
        // A quarter of a second less, for a hit that was cut.
        let until = (first(&clean.ear) + played).saturating_sub(12_000);
        clean.ear.get(..until).unwrap_or(&clean.ear).to_vec()
    }

    /// Frames from the death to the backup's first word about it.
    fn detected(&self, dead: i64) -> Option<i64> {
        let bad = |line: &&Value| match line["event"].as_str() {
            Some("machine") => line["line"] != "alive",
            Some("switch") => line["source"] == "own",
            _ => false,
        };
        let frames = self.log.iter().filter(bad).filter_map(|line| line["frame"].as_i64());
        frames.filter(|frame| *frame >= dead).min().map(|frame| frame - dead)
    }
}

fn last_sound(samples: &[f32]) -> Option<i64> {
    samples.iter().rposition(|sample| sample.abs() > AUDIBLE).map(|last| last as i64 + 1)
}

fn shifted(samples: &[f32], shift: i64, length: usize) -> Vec<f32> {
    let at =
        |frame: usize| usize::try_from(frame as i64 - shift).ok().and_then(|at| samples.get(at)).copied();
    (0..length).map(|frame| at(frame).unwrap_or(0.0)).collect()
}
