//! The log keeps its promises: nothing older than 250 ms is lost to a kill, a torn line breaks no reader,
//! newer lines are passed over, a full disk is said and stops nobody.

use fogbell::log::read::is_log;
use fogbell::log::{Entry, Log, SCHEMA, Start, Trouble, create, read, write};
use std::io::{self, Write};
use std::path::Path;
use std::process::{Command, Stdio};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

fn note(text: &str) -> Entry {
    Entry::Note { text: text.into() }
}

/// A log with a little of everything that is hard to write: quotes, line ends, several bytes a letter.
fn sample(log: &Log) {
    let start = Start {
        schema: SCHEMA,
        show: "Saltmarsh Five — Küste".into(),
        text: "title = \"Low Tide\"\n# ♩ = 132\n".into(),
        rate: 48_000,
        ..Start::default()
    };
    log.say(None, Entry::Start(Box::new(start)));
    log.say(Some(-72), Entry::Song { song: 0, title: "Low \"Tide\"".into() });
    log.say(Some(96_000), Entry::Levels { peak_db: -12.5, limiter_db: 0.0 });
    log.say(Some(96_001), Entry::Xrun { lost_frames: 128 });
    log.say(None, Entry::End { reason: "for 20 s".into(), frames: 960_000, device_lost: None });
}

fn written(folder: &Path) -> Vec<u8> {
    let (path, log, writer) = create(folder).unwrap();
    sample(&log);
    drop(log);
    assert!(writer.finish(Duration::from_secs(5)));
    std::fs::read(path).unwrap()
}

#[test]
fn what_was_said_is_read_back_in_order() {
    let folder = tempfile::tempdir().unwrap();
    let reading = read::parse(&written(folder.path()));
    assert_eq!((reading.faults.len(), reading.torn), (0, None));
    let numbers: Vec<usize> = reading.lines.iter().map(|(number, _)| *number).collect();
    assert_eq!(numbers, [1, 2, 3, 4, 5]);
    let Entry::Start(start) = &reading.lines[0].1.entry else { panic!("{:?}", reading.lines[0]) };
    assert_eq!(start.text, "title = \"Low Tide\"\n# ♩ = 132\n");
    assert_eq!(reading.lines[1].1.frame, Some(-72));
    assert_eq!(reading.lines[3].1.entry, Entry::Xrun { lost_frames: 128 });
}

#[test]
fn a_log_torn_at_any_byte_gives_every_whole_line_before_it() {
    let folder = tempfile::tempdir().unwrap();
    let bytes = written(folder.path());
    let whole = read::parse(&bytes);
    for cut in 0..=bytes.len() {
        let reading = read::parse(&bytes[..cut]);
        let ends = bytes[..cut].iter().filter(|byte| **byte == b'\n').count();
        // A line that lacks only its line end is whole.
        let lacks_only_its_end = bytes.get(cut) == Some(&b'\n');
        let count = ends + usize::from(lacks_only_its_end);
        assert_eq!(reading.lines, whole.lines[..count], "cut at byte {cut}");
        assert_eq!(reading.faults, [], "cut at byte {cut}");
        let in_a_line = cut > 0 && bytes[cut - 1] != b'\n' && !lacks_only_its_end;
        assert_eq!(reading.torn, in_a_line.then_some(ends + 1), "cut at byte {cut}");
    }
}

#[test]
fn newer_fields_and_events_are_passed_over_and_a_broken_line_is_named() {
    let text = concat!(
        r#"{"time":"t","ms":1,"event":"xrun","lost_frames":64,"culprit":{"a":[1]},"frame":5}"#,
        "\n",
        r#"{"time":"t","ms":2,"event":"of-tomorrow","what":[1,2]}"#,
        "\n",
        r#"{"time":"t","ms":3,"event":"xrun"}"#,
        "\n\n",
        r#"{"time":"t","ms":4,"event":"note","text":"on"}"#,
        "\n",
    );
    let reading = read::parse(text.as_bytes());
    let entries: Vec<&Entry> = reading.lines.iter().map(|(_, line)| &line.entry).collect();
    assert_eq!(entries, [&Entry::Xrun { lost_frames: 64 }, &Entry::Unknown, &note("on")]);
    assert_eq!(reading.lines[2].0, 5);
    assert_eq!(reading.faults.len(), 1);
    assert_eq!(reading.faults[0].line, 3);
    assert!(reading.faults[0].to_string().contains("lost_frames"), "{}", reading.faults[0]);
}

#[test]
fn a_line_that_lies_behind_a_torn_one_is_read_and_the_torn_one_is_named() {
    let whole = r#"{"time":"t","ms":2,"event":"xrun","lost_frames":64}"#;
    let text = format!("{}{whole}\n{whole}\n", &whole[..30]);
    let reading = read::parse(text.as_bytes());
    let numbers: Vec<usize> = reading.lines.iter().map(|(number, _)| *number).collect();
    assert_eq!((numbers, reading.faults.len(), reading.torn), (vec![1, 2], 1, None));
    assert!(reading.lines.iter().all(|(_, line)| line.entry == Entry::Xrun { lost_frames: 64 }));
}

#[test]
fn two_logs_of_one_second_never_share_a_file() {
    let folder = tempfile::tempdir().unwrap();
    let logs: Vec<_> = (0..5).map(|_| create(folder.path()).unwrap()).collect();
    let mut paths: Vec<_> = logs.iter().map(|(path, ..)| path.clone()).collect();
    paths.sort();
    paths.dedup();
    assert_eq!(paths.len(), 5);
}

const CHILD: &str = "FOGBELL_TEST_LOG_CHILD";

/// Not a test of its own: the process that is killed. It writes a line each 2 ms, and puts beside it, in a
/// single unbuffered write, how far it was and when.
#[test]
fn child_that_writes_until_it_is_killed() {
    let Some(folder) = std::env::var_os(CHILD) else { return };
    let folder = Path::new(&folder);
    let (_, log, _writer) = create(folder).unwrap();
    let mut beside = std::fs::File::create(folder.join("said.txt")).unwrap();
    let start = Instant::now();
    for number in 0..u64::MAX {
        log.say(Some(number as i64), note("click"));
        beside.write_all(format!("{} {}\n", number, start.elapsed().as_micros()).as_bytes()).unwrap();
        std::thread::sleep(Duration::from_millis(2));
    }
}

#[cfg(unix)]
#[test]
fn a_killed_run_keeps_every_line_older_than_250_ms() {
    for after_ms in [600, 1_130, 1_790] {
        let folder = tempfile::tempdir().unwrap();
        let mut child = Command::new(std::env::current_exe().unwrap())
            .args(["--exact", "child_that_writes_until_it_is_killed"])
            .env(CHILD, folder.path())
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        std::thread::sleep(Duration::from_millis(after_ms));
        child.kill().unwrap(); // SIGKILL
        child.wait().unwrap();
        let said = std::fs::read_to_string(folder.path().join("said.txt")).unwrap();
        let said: Vec<(i64, u64)> = said
            .lines()
            .filter_map(|line| {
                let (number, micros) = line.split_once(' ')?;
                Some((number.parse().ok()?, micros.parse().ok()?))
            })
            .collect();
        let last = said.last().expect("the child wrote nothing").1;
        let old = said.iter().filter(|(_, micros)| micros + 250_000 < last).count();
        assert!(old > 50, "the child was killed too early to show anything: {old} old lines");
        let log = std::fs::read_dir(folder.path())
            .unwrap()
            .map(|entry| entry.unwrap().path())
            .find(|path| is_log(path))
            .unwrap();
        let reading = read::read(&log).unwrap();
        assert_eq!(reading.faults, []);
        let frames: Vec<i64> = reading.lines.iter().filter_map(|(_, line)| line.frame).collect();
        let expected: Vec<i64> = (0..frames.len() as i64).collect();
        assert_eq!(frames, expected, "a line is missing in the middle");
        assert!(frames.len() >= old, "{} lines of {old} that were older than 250 ms", frames.len());
    }
}

/// A disk that is full for a while, and may take a piece of a line before it says so.
#[derive(Clone, Default)]
struct Disk {
    bytes: Arc<Mutex<Vec<u8>>>,
    full: Arc<Mutex<Option<usize>>>,
}

impl Write for Disk {
    fn write(&mut self, text: &[u8]) -> io::Result<usize> {
        let mut full = self.full.lock().unwrap();
        let room = full.unwrap_or(usize::MAX).min(text.len());
        if room == 0 {
            return Err(io::ErrorKind::StorageFull.into());
        }
        if let Some(left) = full.as_mut() {
            *left -= room;
        }
        self.bytes.lock().unwrap().extend_from_slice(&text[..room]);
        Ok(room)
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

impl write::Store for Disk {
    fn twin(&self) -> io::Result<Disk> {
        Ok(self.clone())
    }

    fn sync(&mut self) -> io::Result<()> {
        Ok(())
    }
}

#[test]
fn a_full_disk_is_said_and_when_there_is_room_again_the_log_goes_on() {
    let disk = Disk::default();
    let (log, writer) = write::start(disk.clone()).unwrap();
    log.say(None, note("before"));
    std::thread::sleep(Duration::from_millis(150));
    *disk.full.lock().unwrap() = Some(17);
    log.say(None, note("torn"));
    let said = writer.trouble.recv_timeout(Duration::from_secs(5)).unwrap();
    assert!(matches!(&said, Trouble::Lost(why) if why.contains("cannot be written")), "{said:?}");
    *disk.full.lock().unwrap() = None;
    log.say(None, note("after"));
    let said = writer.trouble.recv_timeout(Duration::from_secs(5)).unwrap();
    assert_eq!(said, Trouble::Again(1));
    drop(log);
    assert!(writer.finish(Duration::from_secs(5)));
    let reading = read::parse(&disk.bytes.lock().unwrap());
    let entries: Vec<&Entry> = reading.lines.iter().map(|(_, line)| &line.entry).collect();
    assert_eq!(entries, [&note("before"), &Entry::LinesLost { count: 1 }, &note("after")]);
    assert_eq!(reading.faults.iter().map(|fault| fault.line).collect::<Vec<_>>(), [2]);
}

#[cfg(target_os = "linux")]
#[test]
fn the_systems_own_full_device_is_no_panic() {
    let full = std::fs::File::options().write(true).open("/dev/full").unwrap();
    let (log, writer) = write::start(full).unwrap();
    sample(&log);
    let trouble = writer.trouble.recv_timeout(Duration::from_secs(5)).unwrap();
    assert!(matches!(trouble, Trouble::Lost(_)));
    drop(log);
    assert!(writer.finish(Duration::from_secs(5)));
}

/// A disk that never answers.
struct Stuck;

impl Write for Stuck {
    fn write(&mut self, _: &[u8]) -> io::Result<usize> {
        std::thread::sleep(Duration::from_secs(3600));
        Ok(0)
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

impl write::Store for Stuck {
    fn twin(&self) -> io::Result<Stuck> {
        Ok(Stuck)
    }

    fn sync(&mut self) -> io::Result<()> {
        Ok(())
    }
}

#[test]
fn a_disk_that_hangs_holds_nobody_up() {
    let (log, writer) = write::start(Stuck).unwrap();
    let start = Instant::now();
    (0..20_000).for_each(|_| log.say(None, note("on")));
    assert!(start.elapsed() < Duration::from_secs(10), "saying waits for the disk: {:?}", start.elapsed());
    drop(log);
    assert!(!writer.finish(Duration::from_millis(50)), "nothing can have been written");
}

#[test]
fn the_schema_says_what_a_written_line_holds() {
    let schema = fogbell::log::entry::schema();
    let folder = tempfile::tempdir().unwrap();
    let bytes = written(folder.path());
    let variants = schema["oneOf"].as_array().unwrap();
    for line in bytes.split(|byte| *byte == b'\n').filter(|line| !line.is_empty()) {
        let line: serde_json::Value = serde_json::from_slice(line).unwrap();
        let of = variants.iter().find(|variant| variant["properties"]["event"]["const"] == line["event"]);
        let of = of.unwrap_or_else(|| panic!("{} is not in the schema", line["event"]));
        for required in of["required"].as_array().unwrap() {
            assert!(line.get(required.as_str().unwrap()).is_some(), "{line} lacks {required}");
        }
    }
}

/// To mend it: put what `fogbell schema events` prints between the two marks.
#[test]
fn the_table_in_the_docs_names_every_event() {
    let docs = include_str!("../DEVELOPERS.md");
    let (_, rest) = docs.split_once("<!-- events -->\n").expect("the table's beginning");
    let (table, _) = rest.split_once("<!-- end of events -->").expect("the table's end");
    assert_eq!(table.trim(), fogbell::log::entry::table().trim(), "run `fogbell schema events`");
    assert!(table.lines().count() > 25 && !table.contains("| `unknown` |"), "{table}");
}
