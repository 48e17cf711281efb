//! The record as a file: two slots, written in turn, so that a kill in the middle of a writing loses nothing.
//!
//! A slot is a line of its own (name, CRC-32 as in ISO 3309 of what follows, its length in bytes), then the record
//! as JSON, then spaces: a person can read it.

use super::record::Record;
use std::fs::File;
use std::io::{self, Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

/// Bytes of a slot.
pub const SLOT: usize = 8192;

/// No move of the place is longer: an hour at 192 kHz has 78 bits.
const LONGEST_UNDO: u128 = 1 << 78;

const NAME: &str = "fogbell-position-1";

/// Why there is nothing to go on from.
#[derive(Debug)]
pub enum NoRecord {
    /// There is no file.
    Absent(PathBuf),
    /// It is there and holds no whole slot of ours.
    Foreign(PathBuf, String),
    Unreadable(PathBuf, io::Error),
}

impl std::fmt::Display for NoRecord {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            NoRecord::Absent(path) => write!(f, "there is no position record {}", path.display()),
            NoRecord::Foreign(path, why) => {
                write!(f, "the position record {} cannot be trusted: {why}", path.display())
            }
            NoRecord::Unreadable(path, why) => {
                write!(f, "the position record {} cannot be read: {why}", path.display())
            }
        }
    }
}

/// One slot. `None`: the record is too long for it.
pub fn encode(record: &Record) -> Option<Vec<u8>> {
    slot(&serde_json::to_vec(record).ok()?)
}

/// A slot around any text, with a right check sum.
pub fn slot(json: &[u8]) -> Option<Vec<u8>> {
    let mut slot = format!("{NAME} {:08x} {}\n", crc32fast::hash(json), json.len()).into_bytes();
    slot.extend_from_slice(json);
    if slot.len() >= SLOT {
        return None;
    }
    slot.resize(SLOT - 1, b' ');
    slot.push(b'\n');
    Some(slot)
}

/// Errors: a sentence about what is wrong with the slot.
fn decode_slot(slot: &[u8]) -> Result<Record, String> {
    let end = slot.iter().take(80).position(|byte| *byte == b'\n').ok_or("it does not begin as one")?;
    let head = std::str::from_utf8(slot.get(..end).unwrap_or(&[])).map_err(|_| "it does not begin as one")?;
    let mut words = head.split(' ');
    if words.next() != Some(NAME) {
        return Err("it does not begin as one".into());
    }
    let crc = words.next().and_then(|word| u32::from_str_radix(word, 16).ok());
    let length = words.next().and_then(|word| word.parse::<usize>().ok());
    let (Some(crc), Some(length), None) = (crc, length, words.next()) else {
        return Err("its first line is damaged".into());
    };
    let json = slot.get(end + 1..).and_then(|rest| rest.get(..length)).ok_or("it is cut short")?;
    if crc32fast::hash(json) != crc {
        return Err("its check sum is wrong".into());
    }
    let record: Record =
        serde_json::from_slice(json).map_err(|why| format!("it is of another version: {why}"))?;
    let sane = record.night.stretch.is_positive() && record.night.chosen_stretch.is_positive();
    let sane = sane && record.clock.is_none_or(|clock| (1e2..1e6).contains(&clock.frame_ns));
    let sane = sane && record.night.undo.is_none_or(|undo| undo.length().0.unsigned_abs() < LONGEST_UNDO);
    if sane && record.night.anchor.unsigned_abs() < 1 << 110 {
        Ok(record)
    } else {
        Err("its numbers make no sense".into())
    }
}

/// The newer of the whole slots. Errors: a sentence about each slot. Panics: never.
pub fn decode(bytes: &[u8]) -> Result<Record, String> {
    let first = decode_slot(bytes.get(..bytes.len().min(SLOT)).unwrap_or(&[]));
    let second = decode_slot(bytes.get(SLOT..).unwrap_or(&[]));
    match (first, second) {
        (Ok(one), Ok(two)) => Ok(if two.sequence > one.sequence { two } else { one }),
        (Ok(one), Err(_)) | (Err(_), Ok(one)) => Ok(one),
        (Err(one), Err(two)) => Err(format!("slot 1: {one}; slot 2: {two}")),
    }
}

/// The record of a show in its folder of logs.
pub fn path(folder: &Path, show: &Path) -> PathBuf {
    let stem = show.file_stem().map_or("show".into(), |stem| stem.to_string_lossy().into_owned());
    folder.join(format!("{stem}.position"))
}

/// What the last run left.
pub fn read(path: &Path) -> Result<Record, NoRecord> {
    let file = File::open(path).map_err(|why| match why.kind() {
        io::ErrorKind::NotFound => NoRecord::Absent(path.into()),
        _ => NoRecord::Unreadable(path.into(), why),
    })?;
    let mut bytes = Vec::new();
    file.take(2 * SLOT as u64)
        .read_to_end(&mut bytes)
        .map_err(|why| NoRecord::Unreadable(path.into(), why))?;
    decode(&bytes).map_err(|why| NoRecord::Foreign(path.into(), why))
}

/// The open file; its lock ends with the process, however that ends.
#[derive(Debug)]
pub struct Store {
    file: File,
    next: usize,
    /// Sequence of what lay there.
    pub sequence: u64,
    /// What could not be trusted was kept under this name.
    pub kept: Option<PathBuf>,
}

impl Store {
    /// Opens the record for writing. What lies there and is not ours is kept under another name.
    ///
    /// Errors: the file cannot be made, or another run that is alive writes to it.
    pub fn open(path: &Path) -> io::Result<Store> {
        if let Some(folder) = path.parent() {
            std::fs::create_dir_all(folder)?;
        }
        let found = read(path);
        let kept = match &found {
            Err(NoRecord::Foreign(..)) => Some(keep(path)?),
            Err(NoRecord::Unreadable(_, why)) => return Err(io::Error::new(why.kind(), why.to_string())),
            _ => None,
        };
        let mut file = File::options().read(true).write(true).create(true).truncate(false).open(path)?;
        lock(&file)?;
        let mut bytes = Vec::new();
        file.read_to_end(&mut bytes)?;
        let first = decode_slot(bytes.get(..bytes.len().min(SLOT)).unwrap_or(&[]));
        let sequence = found.map_or(0, |record| record.sequence);
        // Not over the slot that is good.
        let next = usize::from(first.is_ok_and(|record| record.sequence == sequence));
        Ok(Store { file, next, sequence, kept })
    }

    /// Writes the next slot. Errors: the disk; the other slot is as it was.
    pub fn write(&mut self, record: &Record) -> io::Result<()> {
        let slot = encode(record).ok_or_else(|| {
            io::Error::new(io::ErrorKind::InvalidData, "the record is too long for its slot")
        })?;
        self.file.seek(SeekFrom::Start((self.next * SLOT) as u64))?;
        self.file.write_all(&slot)?;
        self.next = 1 - self.next;
        self.sequence = record.sequence;
        Ok(())
    }

    /// Another handle, by which a thread can wait for the disk.
    pub fn twin(&self) -> io::Result<File> {
        self.file.try_clone()
    }
}

/// Renames what is not ours; never over anything.
fn keep(path: &Path) -> io::Result<PathBuf> {
    for number in 1..1000 {
        let mut name = path.as_os_str().to_owned();
        name.push(format!(".unread-{number}"));
        let kept = PathBuf::from(name);
        if std::fs::symlink_metadata(&kept).is_err() {
            std::fs::rename(path, &kept)?;
            return Ok(kept);
        }
    }
    Err(io::Error::new(io::ErrorKind::AlreadyExists, "a thousand unread records lie there already"))
}

/// Errors: somebody holds it. A process that was killed may take a moment to be gone.
#[cfg(unix)]
fn lock(file: &File) -> io::Result<()> {
    use rustix::fs::{FlockOperation, flock};
    for _ in 0..20 {
        match flock(file, FlockOperation::NonBlockingLockExclusive) {
            Ok(()) => return Ok(()),
            Err(why) if why == rustix::io::Errno::WOULDBLOCK => {}
            // A file system without locks.
            Err(_) => return Ok(()),
        }
        std::thread::sleep(std::time::Duration::from_millis(25));
    }
    Err(io::Error::new(io::ErrorKind::WouldBlock, "another run of this show is alive and writes to it"))
}

#[cfg(not(unix))]
fn lock(_: &File) -> io::Result<()> {
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::super::record::tests::record;
    use super::*;

    #[test]
    fn a_slot_is_what_was_written_and_its_crc_is_the_published_one() {
        // CRC-32 of "123456789" is cbf43926 (catalogue of parametrised CRC algorithms, CRC-32/ISO-HDLC).
        assert_eq!(crc32fast::hash(b"123456789"), 0xcbf4_3926);
        let slot = encode(&record()).unwrap();
        assert_eq!(slot.len(), SLOT);
        assert_eq!(decode(&slot).unwrap(), record());
    }

    #[test]
    fn a_writing_torn_at_any_byte_leaves_the_record_before_it() {
        let folder = tempfile::tempdir().unwrap();
        let file = path(folder.path(), Path::new("friday.toml"));
        let mut store = Store::open(&file).unwrap();
        for sequence in 1..=4 {
            store.write(&Record { sequence, ..record() }).unwrap();
        }
        let whole = std::fs::read(&file).unwrap();
        let newer = encode(&Record { sequence: 5, show: "Eel Net".into(), ..record() }).unwrap();
        for torn in 0..=SLOT {
            let mut bytes = whole.clone();
            bytes[..torn].copy_from_slice(&newer[..torn]);
            let read = decode(&bytes).unwrap();
            let json_ends = newer.iter().rposition(|byte| !byte.is_ascii_whitespace()).unwrap();
            assert_eq!(read.sequence, if torn > json_ends { 5 } else { 4 }, "torn after {torn} bytes");
        }
    }

    #[test]
    fn one_bit_anywhere_never_gives_another_record() {
        let slot = encode(&record()).unwrap();
        let end = slot.iter().rposition(|byte| !byte.is_ascii_whitespace()).unwrap();
        for bit in 0..(end + 1) * 8 {
            let mut bytes = slot.clone();
            bytes[bit / 8] ^= 1 << (bit % 8);
            assert!(decode(&bytes).is_err() || decode(&bytes).unwrap() == record(), "bit {bit}");
        }
    }

    #[test]
    fn a_foreign_file_is_refused_in_words_and_kept() {
        let folder = tempfile::tempdir().unwrap();
        let file = path(folder.path(), Path::new("friday.toml"));
        std::fs::write(&file, "songs for friday").unwrap();
        let refused = read(&file).unwrap_err().to_string();
        assert!(
            refused.contains("cannot be trusted") && refused.contains("does not begin as one"),
            "{refused}"
        );
        let mut store = Store::open(&file).unwrap();
        let kept = store.kept.clone().unwrap();
        store.write(&record()).unwrap();
        assert_eq!(std::fs::read_to_string(&kept).unwrap(), "songs for friday");
        assert_eq!(read(&file).unwrap(), record());
        let missing = read(&folder.path().join("none.position")).unwrap_err().to_string();
        assert!(missing.contains("there is no position record"), "{missing}");
    }

    #[cfg(unix)]
    #[test]
    fn a_run_that_is_alive_keeps_others_off_and_a_dead_one_does_not() {
        let folder = tempfile::tempdir().unwrap();
        let file = path(folder.path(), Path::new("friday.toml"));
        let mut alive = Store::open(&file).unwrap();
        alive.write(&Record { sequence: 9, ..record() }).unwrap();
        assert!(Store::open(&file).unwrap_err().to_string().contains("alive"));
        drop(alive);
        assert_eq!(Store::open(&file).unwrap().sequence, 9);
    }
}
