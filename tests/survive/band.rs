//! What the band hears of a program on a JACK server: every sound's onset by the boot-time clock.
//!
//! The ear is a client in a process of its own, started again whenever its server has gone. It knows nothing of the
//! program but the name of a port. A callback may come late and is never early, so the earliest of half a second says
//! when a frame was due.

use super::two::Written;
use fogbell::device::boot;
use jack::{AudioIn, Client, ClientOptions, Control, Port, ProcessScope};
use ringbuf::traits::{Consumer, Producer, Split};
use ringbuf::{HeapProd, HeapRb};
use std::io::Write;
use std::ops::Range;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering::Relaxed};
use std::thread::JoinHandle;
use std::time::Duration;

const FILE: &str = "FOGBELL_TEST_EAR";
pub const SECOND: i64 = 1_000_000_000;
pub const MS: i64 = 1_000_000;

/// Quieter is silence; a sound begins after so long of it.
const SILENT: f32 = 1e-4;
const SILENT_SECONDS: f64 = 0.02;

/// One callback of the ear.
#[derive(Clone, Copy, Debug, Default)]
struct Heard {
    /// By the boot-time clock.
    ns: i64,
    /// The server's, which wraps.
    frame: u32,
    frames: u32,
    /// Frame in the block where a sound begins, or -1.
    onset: i32,
    peak: f32,
}

const BYTES: usize = 24;

impl Heard {
    fn bytes(&self) -> [u8; BYTES] {
        let mut all = [0; BYTES];
        all[..8].copy_from_slice(&self.ns.to_le_bytes());
        all[8..12].copy_from_slice(&self.frame.to_le_bytes());
        all[12..16].copy_from_slice(&self.frames.to_le_bytes());
        all[16..20].copy_from_slice(&self.onset.to_le_bytes());
        all[20..].copy_from_slice(&self.peak.to_le_bytes());
        all
    }

    fn read(all: &[u8]) -> Heard {
        let four = |at: usize| all[at..at + 4].try_into().unwrap();
        Heard {
            ns: i64::from_le_bytes(all[..8].try_into().unwrap()),
            frame: u32::from_le_bytes(four(8)),
            frames: u32::from_le_bytes(four(12)),
            onset: i32::from_le_bytes(four(16)),
            peak: f32::from_le_bytes(four(20)),
        }
    }
}

struct Listening {
    port: Port<AudioIn>,
    told: HeapProd<Heard>,
    silent: usize,
    enough: usize,
}

impl jack::ProcessHandler for Listening {
    fn process(&mut self, _: &Client, scope: &ProcessScope) -> Control {
        let mut heard = Heard {
            ns: boot::now(),
            frame: scope.last_frame_time(),
            frames: scope.n_frames(),
            onset: -1,
            peak: 0.0,
        };
        for (frame, sample) in self.port.as_slice(scope).iter().enumerate() {
            heard.peak = heard.peak.max(sample.abs());
            if sample.abs() <= SILENT {
                self.silent += 1;
                continue;
            }
            if self.silent >= self.enough && heard.onset < 0 {
                heard.onset = frame as i32;
            }
            self.silent = 0;
        }
        let _full = self.told.try_push(heard);
        Control::Continue
    }
}

struct Gone(Arc<AtomicBool>);

impl jack::NotificationHandler for Gone {
    unsafe fn shutdown(&mut self, _: jack::ClientStatus, _: &str) {
        self.0.store(true, Relaxed);
    }
}

/// The ear's own process: `FILE` names what it writes to.
#[test]
#[ignore = "slow: no test of its own, but the ear of the others, in a process beside them"]
fn ear() {
    let Ok(path) = std::env::var(FILE) else { return };
    jack::set_logger(jack::LoggerType::None);
    let Ok((client, _)) = Client::new("ear", ClientOptions::NO_START_SERVER) else { return };
    let rate = client.sample_rate();
    let mut file = std::io::BufWriter::new(std::fs::File::create(path).unwrap());
    file.write_all(&rate.to_le_bytes()).unwrap();
    let (told, mut hears) = HeapRb::new(4096).split();
    let port = client.register_port("in", AudioIn::default()).unwrap();
    let enough = (SILENT_SECONDS * f64::from(rate)) as usize;
    let gone = Arc::new(AtomicBool::new(false));
    let listening = Listening { port, told, silent: 0, enough };
    let Ok(active) = client.activate_async(Gone(Arc::clone(&gone)), listening) else { return };
    while !gone.load(Relaxed) {
        // Patched as soon as the program is there; a second time is refused and harmless.
        if active.as_client().port_by_name("fogbell:drums").is_some() {
            let _patched = active.as_client().connect_ports_by_name("fogbell:drums", "ear:in");
        }
        hears.pop_iter().for_each(|heard| file.write_all(&heard.bytes()).unwrap());
        file.flush().unwrap();
        std::thread::sleep(Duration::from_millis(10));
    }
    // A dead server's client may hang on being closed.
    std::process::exit(0);
}

/// Keeps an ear on a server, however often that goes.
pub struct Ear {
    stop: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
    folder: PathBuf,
}

impl Ear {
    pub fn on(server: &str, folder: &Path) -> Ear {
        let stop = Arc::new(AtomicBool::new(false));
        let (over, folder, server) = (Arc::clone(&stop), folder.to_path_buf(), server.to_owned());
        let names = folder.clone();
        let body = move || {
            for life in 0.. {
                if over.load(Relaxed) {
                    return;
                }
                let mut ear = Command::new(std::env::current_exe().unwrap())
                    .args(["--ignored", "--exact", "band::ear", "--nocapture", "--test-threads=1"])
                    .env(FILE, names.join(format!("ear-{life:05}")))
                    .env("JACK_DEFAULT_SERVER", &server)
                    .stdin(Stdio::null())
                    .stdout(Stdio::null())
                    .stderr(Stdio::null())
                    .spawn()
                    .unwrap();
                while ear.try_wait().unwrap().is_none() {
                    if over.load(Relaxed) {
                        let _gone = ear.kill();
                    }
                    std::thread::sleep(Duration::from_millis(20));
                }
                std::thread::sleep(Duration::from_millis(20));
            }
        };
        Ear { stop, thread: Some(std::thread::spawn(body)), folder }
    }

    /// No more is heard.
    pub fn end(mut self) -> Night {
        self.stop.store(true, Relaxed);
        self.thread.take().unwrap().join().unwrap();
        Night::read(&self.folder)
    }
}

impl Drop for Ear {
    fn drop(&mut self) {
        self.stop.store(true, Relaxed);
    }
}

/// All that was heard, by the boot-time clock in nanoseconds.
#[derive(Default)]
pub struct Night {
    pub onsets: Vec<i64>,
    /// When the ear heard without a gap.
    pub heard: Vec<Range<i64>>,
}

impl Night {
    fn read(folder: &Path) -> Night {
        let mut files: Vec<PathBuf> = std::fs::read_dir(folder)
            .unwrap()
            .flatten()
            .map(|entry| entry.path())
            .filter(|path| path.file_name().unwrap().to_string_lossy().starts_with("ear-"))
            .collect();
        files.sort();
        let mut night = Night::default();
        for file in files {
            night.life(&std::fs::read(file).unwrap());
        }
        night
    }

    /// What one life of the ear heard.
    fn life(&mut self, bytes: &[u8]) {
        let Some((rate, rest)) = bytes.split_first_chunk::<4>() else { return };
        let frame_ns = 1e9 / f64::from(u32::from_le_bytes(*rate));
        let heard: Vec<Heard> = rest.chunks_exact(BYTES).map(Heard::read).collect();
        let Some(first) = heard.first() else { return };
        let mut at = i64::from(first.frame);
        let mut before = first.frame;
        let frames: Vec<i64> = heard
            .iter()
            .map(|heard| {
                at += i64::from(heard.frame.wrapping_sub(std::mem::replace(&mut before, heard.frame)) as i32);
                at
            })
            .collect();
        let place = |index: usize| (frames[index] as f64 * frame_ns) as i64;
        let origin: Vec<i64> = (0..heard.len()).map(|index| heard[index].ns - place(index)).collect();
        let blocks = (0.5 * 1e9 / frame_ns / f64::from(first.frames.max(1))) as usize;
        for (index, one) in heard.iter().enumerate().filter(|(_, one)| one.onset >= 0) {
            let least = |range: Range<usize>| origin[range].iter().min().copied().unwrap_or(origin[index]);
            let back = least(index.saturating_sub(blocks)..index + 1);
            let ahead = least(index..(index + blocks).min(heard.len()));
            // Where time was lost in between, this side of the loss counts.
            let due = back.max(ahead) + place(index) + (f64::from(one.onset) * frame_ns) as i64;
            self.onsets.push(due);
        }
        let mut from = 0;
        for index in 1..=heard.len() {
            let goes_on = index < heard.len()
                && frames[index] == frames[index - 1] + i64::from(heard[index - 1].frames)
                && heard[index].ns - heard[index - 1].ns < 100 * MS;
            if !goes_on {
                self.heard.push(heard[from].ns..heard[index - 1].ns);
                from = index;
            }
        }
    }

    fn hears(&self, range: &Range<i64>) -> bool {
        self.heard.iter().any(|heard| heard.start <= range.start && range.end <= heard.end)
    }

    /// The first callback that the ear had at or after a moment.
    pub fn first_heard(&self, ns: i64) -> Option<i64> {
        self.heard.iter().map(|heard| heard.start).find(|start| *start >= ns)
    }

    /// The first sound at or after a moment.
    pub fn first_onset(&self, ns: i64) -> Option<i64> {
        self.onsets.iter().copied().find(|onset| *onset >= ns)
    }
}

/// A hit that is not where it should be, or is none.
#[derive(Clone, Copy, Debug)]
pub struct Fault {
    pub ns: i64,
    /// Nanoseconds off its place; `None`: nothing was there.
    pub off: Option<i64>,
}

/// The night against what is written.
#[derive(Debug, Default)]
pub struct Judged {
    pub due: usize,
    /// Outside of what the ear heard, or while there was nothing to be promised.
    pub not_judged: usize,
    pub off: Vec<Fault>,
    pub missed: Vec<Fault>,
    pub doubled: Vec<Fault>,
    /// The same beside frames that this computer lost.
    pub excused: usize,
    pub worst_ms: f64,
    /// Of every hit that was promised: when it was due, and by how much it was off.
    pub places: Vec<(i64, i64)>,
}

impl Judged {
    /// The middle of how far hits were off their places in a stretch, in ms.
    pub fn middle_ms(&self, stretch: &Range<i64>) -> Option<f64> {
        let mut offs: Vec<i64> =
            self.places.iter().filter(|(due, _)| stretch.contains(due)).map(|(_, off)| *off).collect();
        offs.sort_unstable();
        Some(*offs.get(offs.len() / 2)? as f64 / 1e6)
    }
}

/// On the grid: the promise after a comeback.
const IN_PLACE: i64 = 2 * MS;
/// A sound this near to a hit is that hit, off its place.
const NEAR: i64 = 40 * MS;

impl Night {
    /// `silent`: when nothing is promised; `lost`: beside frames that this computer lost.
    pub fn judge(&self, written: &Written, silent: &[Range<i64>], lost: &[Range<i64>]) -> Judged {
        let due: Vec<i64> = written.dues.iter().map(|due| due.frame.0 * SECOND / 48_000).collect();
        let start = self.start(&due);
        let end = self.heard.last().map_or(0, |heard| heard.end);
        let within = |ranges: &[Range<i64>], at: i64| ranges.iter().any(|range| range.contains(&at));
        let mut judged = Judged::default();
        let mut taken = vec![false; self.onsets.len()];
        for due in due.iter().map(|due| start + due).take_while(|due| *due < end) {
            let near = self.onsets.partition_point(|onset| *onset < due - NEAR);
            let near = (near..self.onsets.len()).take_while(|index| self.onsets[*index] <= due + NEAR);
            let nearest = near.min_by_key(|index| (self.onsets[*index] - due).abs());
            let off = nearest.map(|index| self.onsets[index] - due);
            if let Some(index) = nearest {
                taken[index] = true;
            }
            if within(silent, due) || !self.hears(&(due - 30 * MS..due + 30 * MS)) {
                judged.not_judged += 1;
                continue;
            }
            judged.due += 1;
            let fault = Fault { ns: due, off };
            let good = off.is_some_and(|off| off.abs() <= IN_PLACE);
            match off {
                _ if !good && within(lost, due) => judged.excused += 1,
                None => judged.missed.push(fault),
                Some(off) => {
                    judged.places.push((due, off));
                    judged.worst_ms = judged.worst_ms.max(off.abs() as f64 / 1e6);
                    judged.off.extend((!good).then_some(fault));
                }
            }
        }
        for (onset, _) in self.onsets.iter().zip(taken).filter(|(_, taken)| !taken) {
            match within(silent, *onset) || within(lost, *onset) {
                true => judged.excused += 1,
                false => judged.doubled.push(Fault { ns: *onset, off: None }),
            }
        }
        judged
    }

    /// When the first hit was due: the middle one of what the first hits say.
    fn start(&self, due: &[i64]) -> i64 {
        let first = *self.onsets.first().expect("something sounds") - due[0];
        let mut said: Vec<i64> = due
            .iter()
            .take(24)
            .filter_map(|due| {
                let nearest = self.onsets.iter().min_by_key(|onset| (**onset - first - due).abs())?;
                Some(nearest - due)
            })
            .collect();
        said.sort_unstable();
        said[said.len() / 2]
    }
}
