//! Files are whole or absent, hold the bytes that their standards name, and broken ones are told apart;
//! streamed ones are heard on their frame.

mod streams;

use fogbell::units::SampleRate;
use fogbell::wav::{self, Bext, Cue, Encoding, Format, LiveWriter, Options, Reader, WavFault, Writer};
use std::path::{Path, PathBuf};
use tempfile::TempDir;

fn fixture(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/wav").join(name)
}

const FIXTURES: [&str; 4] =
    ["bext_v2_cue_24.wav", "odd_length_24mono.wav", "ext_4ch_24in32_mask33.wav", "ext_4ch_float_mask0.wav"];

fn format(channels: u16, encoding: Encoding) -> Format {
    Format { rate: SampleRate::standard(), channels, encoding }
}

fn noise(channels: usize, frames: usize) -> Vec<Vec<f32>> {
    let mut random = fastrand::Rng::with_seed(3);
    (0..channels).map(|_| (0..frames).map(|_| random.f32() * 2.0 - 1.0).collect()).collect()
}

fn slices(channels: &[Vec<f32>]) -> Vec<&[f32]> {
    channels.iter().map(Vec::as_slice).collect()
}

fn write(path: &Path, format: Format, options: &Options, channels: &[Vec<f32>], cues: &[Cue]) {
    let mut writer = Writer::create(path, format, options).unwrap();
    writer.write(&slices(channels)).unwrap();
    writer.finish(cues).unwrap();
}

/// All samples as hound gives them, an independent reader: interleaved, integers unscaled.
fn by_hound(path: &Path) -> (hound::WavSpec, Vec<f64>) {
    let mut reader = hound::WavReader::open(path).unwrap();
    let spec = reader.spec();
    let samples = match spec.sample_format {
        hound::SampleFormat::Float => reader.samples::<f32>().map(|s| f64::from(s.unwrap())).collect(),
        hound::SampleFormat::Int => reader.samples::<i32>().map(|s| f64::from(s.unwrap())).collect(),
    };
    (spec, samples)
}

#[test]
fn a_broadcast_file_with_cues_is_the_reference_file_byte_for_byte() {
    // Source: fixtures/wav/bext_v2_cue_24.wav, made by another program after EBU Tech 3285 v2 and the RIFF
    // cue and adtl chunks, read by libsndfile and sox.
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("stem.wav");
    let audio = wav::read(&fixture("bext_v2_cue_24.wav")).unwrap();
    let bext = Bext {
        description: "touring test".into(),
        originator: "protoD".into(),
        originator_reference: "REF0001".into(),
        date: "2026-11-24".into(),
        time: "20:30:00".into(),
        // 01:02:03:04 at 25 frames a second and 48 kHz.
        time_reference: 178_711_680,
        loudness: Some([-2_300, 800, -100, -1_800, -2_000]),
        coding_history: "A=PCM,F=48000,W=24,M=mono,T=protoD\r\n".into(),
    };
    let cue = |frame, label: &str| Cue { frame, label: label.into() };
    let cues = [cue(0, "start"), cue(1_200, "verse"), cue(2_400, "chorus"), cue(4_799, "end")];
    let options = Options { bext: Some(bext), ..Options::default() };
    write(&path, format(1, Encoding::Pcm24), &options, &audio.channels, &cues);
    let (got, wanted) =
        (std::fs::read(&path).unwrap(), std::fs::read(fixture("bext_v2_cue_24.wav")).unwrap());
    let first = got.iter().zip(&wanted).position(|(a, b)| a != b);
    assert_eq!((first, got.len()), (None, wanted.len()));
}

#[test]
fn every_shape_is_read_back_by_hound_and_by_the_own_reader() {
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("shape.wav");
    let options = Options { overwrite: true, ..Options::default() };
    for encoding in [Encoding::Pcm16, Encoding::Pcm24, Encoding::Float32] {
        for channels in [1usize, 2, 3, 5, 64] {
            for frames in [0usize, 1, 2, 3, 4_095, 9_001] {
                let samples = noise(channels, frames);
                write(&path, format(channels as u16, encoding), &options, &samples, &[]);
                check_shape(&path, encoding, &samples);
            }
        }
    }
}

fn check_shape(path: &Path, encoding: Encoding, samples: &[Vec<f32>]) {
    let bytes = std::fs::read(path).unwrap();
    assert_eq!(bytes.len() % 2, 0);
    assert_eq!(bytes[4..8], (bytes.len() as u32 - 8).to_le_bytes());
    let (spec, got) = by_hound(path);
    assert_eq!((usize::from(spec.channels), spec.sample_rate), (samples.len(), 48_000));
    let (scale, tolerance) = match encoding {
        Encoding::Float32 => (1.0, 0.0),
        Encoding::Pcm24 => (8_388_608.0, 6e-8),
        // Rounding and ±1 step of dither.
        Encoding::Pcm16 => (32_768.0, 1.5 / 32_768.0),
    };
    assert_eq!(got.len(), samples.len() * samples[0].len());
    for (n, value) in got.iter().enumerate() {
        let wanted = f64::from(samples[n % samples.len()][n / samples.len()]);
        let held = wanted.min(1.0 - if scale > 1.0 { 1.0 / scale } else { 0.0 });
        assert!((value / scale - held).abs() <= tolerance, "{encoding:?}: frame {n}: {value} for {wanted}");
    }
    let own = wav::read(path).unwrap();
    let apart = |(n, value): (usize, &f64)| {
        f64::from(own.channels[n % samples.len()][n / samples.len()]) != value / scale
    };
    assert!(!got.iter().enumerate().any(apart), "{encoding:?}");
}

#[test]
fn the_own_reader_gives_what_hound_gives_and_seeks_to_the_frame() {
    // Not the padded file: hound takes its samples for right-justified, against the format's definition.
    for name in FIXTURES.into_iter().filter(|name| !name.contains("24in32")) {
        let (spec, wanted) = by_hound(&fixture(name));
        let scale = match spec.sample_format {
            hound::SampleFormat::Float => 1.0,
            hound::SampleFormat::Int => f64::from(1u32 << (spec.bits_per_sample - 1)),
        };
        let channels = usize::from(spec.channels);
        let audio = wav::read(&fixture(name)).unwrap();
        assert_eq!(audio.frames() * channels, wanted.len(), "{name}");
        let mut reader = Reader::open(&fixture(name)).unwrap();
        for frame in [1_000usize, 7, 4_000, 0] {
            reader.seek(frame as u64).unwrap();
            let mut piece = vec![0.0; 50];
            assert_eq!(reader.read_channel(spec.channels - 1, &mut piece).unwrap(), 50);
            for (n, sample) in piece.iter().enumerate() {
                let place = (frame + n) * channels + channels - 1;
                assert_eq!(f64::from(*sample), (wanted[place] / scale) as f32 as f64, "{name} {frame}");
                assert_eq!(*sample, audio.channels[channels - 1][frame + n]);
            }
        }
    }
}

#[test]
fn padded_samples_are_left_justified() {
    // Source: the same file through libsndfile 1.2.0 (sndfile-convert -pcm32), frame 1.
    let audio = wav::read(&fixture("ext_4ch_24in32_mask33.wav")).unwrap();
    let wanted = [0x085a_8b00i32, -0x085a_8b00, 0x042d_4500, 0x0216_a300].map(|v| v as f32 / 2f32.powi(31));
    assert_eq!([0, 1, 2, 3].map(|channel| audio.channels[channel][1]), wanted);
    let mut reader = Reader::open(&fixture("ext_4ch_24in32_mask33.wav")).unwrap();
    reader.seek(1_000).unwrap();
    let mut piece = [0.0; 50];
    reader.read_channel(2, &mut piece).unwrap();
    assert_eq!(piece, audio.channels[2][1_000..1_050]);
}

#[test]
fn an_rf64_file_is_read() {
    // EBU Tech 3306: sizes of −1 stand for those in ds64.
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("long.wav");
    let samples = noise(1, 1_001);
    write(&path, format(1, Encoding::Pcm24), &Options { long: true, ..Options::default() }, &samples, &[]);
    let plain = wav::read(&path).unwrap();
    let mut bytes = std::fs::read(&path).unwrap();
    let data = bytes.windows(4).position(|w| w == b"data").unwrap();
    bytes[..8].copy_from_slice(b"RF64\xff\xff\xff\xff");
    bytes[12..16].copy_from_slice(b"ds64");
    let riff = bytes.len() as u64 - 8;
    bytes[20..28].copy_from_slice(&riff.to_le_bytes());
    bytes[28..36].copy_from_slice(&3_003u64.to_le_bytes());
    bytes[data + 4..data + 8].fill(0xff);
    std::fs::write(&path, bytes).unwrap();
    assert_eq!(wav::read(&path).unwrap(), plain);
}

#[test]
fn broken_files_are_faults_and_never_a_panic() {
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("broken.wav");
    let mut random = fastrand::Rng::with_seed(11);
    let mut faults = 0;
    for name in FIXTURES {
        let whole = std::fs::read(fixture(name)).unwrap();
        for _ in 0..500 {
            let mut bytes = whole.clone();
            bytes.truncate(random.usize(..bytes.len() + 1));
            for _ in 0..random.usize(1..8) {
                let front = bytes.len().min(800);
                if front > 0 {
                    bytes[random.usize(..front)] = random.u8(..);
                }
            }
            std::fs::write(&path, &bytes).unwrap();
            faults += usize::from(wav::read(&path).is_err());
        }
    }
    assert!(faults > 500, "{faults}");
}

#[test]
fn a_file_that_promises_gigabytes_is_refused_before_memory_is_taken() {
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("promise.wav");
    let mut bytes = std::fs::read(fixture("odd_length_24mono.wav")).unwrap();
    bytes[40..44].copy_from_slice(&0xffff_fff0u32.to_le_bytes());
    std::fs::write(&path, bytes).unwrap();
    let error = wav::read(&path).unwrap_err();
    assert!(matches!(error.fault, WavFault::Truncated { frames: 4_808, stated: 1_431_655_760 }), "{error}");
    assert!(error.to_string().contains("to mend it"), "{error}");
}

#[test]
fn nothing_is_overwritten_unasked() {
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("stem.wav");
    std::fs::write(&path, "mine").unwrap();
    let plain = format(1, Encoding::Pcm16);
    let refused = Writer::create(&path, plain, &Options::default()).err().unwrap();
    assert!(matches!(refused.fault, WavFault::Exists));
    std::fs::remove_file(&path).unwrap();
    // It appears while ours is being written.
    let writer = Writer::create(&path, plain, &Options::default()).unwrap();
    std::fs::write(&path, "mine").unwrap();
    assert!(matches!(writer.finish(&[]).unwrap_err().fault, WavFault::Exists));
    assert_eq!(std::fs::read(&path).unwrap(), b"mine");
    assert_eq!(names(folder.path()), ["stem.wav"]);
    write(&path, plain, &Options { overwrite: true, sync: true, ..Options::default() }, &noise(1, 5), &[]);
    assert_eq!(wav::read(&path).unwrap().frames(), 5);
}

fn names(folder: &Path) -> Vec<String> {
    let entries = std::fs::read_dir(folder).unwrap();
    let mut names: Vec<String> =
        entries.map(|entry| entry.unwrap().file_name().to_string_lossy().into_owned()).collect();
    names.sort();
    names
}

#[test]
fn an_abandoned_writer_leaves_nothing() {
    let folder = TempDir::new().unwrap();
    let mut writer =
        Writer::create(&folder.path().join("stem.wav"), format(1, Encoding::Pcm24), &Options::default())
            .unwrap();
    writer.write(&[&[0.1; 500_000]]).unwrap();
    drop(writer);
    assert_eq!(names(folder.path()), [""; 0]);
}

#[test]
fn a_wrong_shape_is_told() {
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("shape.wav");
    let mut writer = Writer::create(&path, format(2, Encoding::Pcm24), &Options::default()).unwrap();
    assert!(matches!(writer.write(&[&[0.0; 4]]).unwrap_err().fault, WavFault::Shape(_)));
    assert!(matches!(writer.write(&[&[0.0; 4], &[0.0; 3]]).unwrap_err().fault, WavFault::Shape(_)));
    assert!(Writer::create(&path, format(0, Encoding::Pcm24), &Options::default()).is_err());
    assert!(Writer::create(&path, format(65, Encoding::Pcm24), &Options::default()).is_err());
}

#[test]
fn a_live_file_is_whole_at_every_sync_and_takes_its_name_at_the_end() {
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("night.wav");
    let samples = noise(3, 777);
    let mut live = LiveWriter::create(&path, format(3, Encoding::Pcm24), &Options::default()).unwrap();
    assert_eq!(names(folder.path()), ["night.part.wav"]);
    for round in 1..=3 {
        live.write(&slices(&samples)).unwrap();
        live.sync(round == 2).unwrap();
        assert_eq!(by_hound(live.part()).1.len(), round * 3 * 777);
        assert_eq!(
            wav::read(live.part()).unwrap().channels[2][..777],
            wav::read(live.part()).unwrap().channels[2][(round - 1) * 777..]
        );
    }
    assert_eq!(live.finish(&[Cue { frame: 777, label: "Low Tide".into() }]).unwrap(), 3 * 777);
    assert_eq!(names(folder.path()), ["night.wav"]);
    assert_eq!(wav::read(&path).unwrap().frames(), 3 * 777);
}

#[test]
fn what_an_earlier_run_left_is_kept() {
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("night.wav");
    let first = LiveWriter::create(&path, format(1, Encoding::Pcm16), &Options::default()).unwrap();
    drop(first);
    let second = LiveWriter::create(&path, format(1, Encoding::Pcm16), &Options::default()).unwrap();
    std::fs::write(&path, "mine").unwrap();
    assert!(matches!(second.finish(&[]).unwrap_err().fault, WavFault::Exists));
    assert_eq!(names(folder.path()), ["night.part.wav", "night.part2.wav", "night.wav"]);
    assert_eq!(std::fs::read(&path).unwrap(), b"mine");
}

/// Tests in which a process of its own is killed, or is denied room.
#[cfg(unix)]
mod killed {
    use super::*;
    use std::io::Read;
    use std::process::{Command, Stdio};

    /// Not a test by itself: what the child does, told by the environment.
    #[test]
    #[ignore = "run as a child by the tests below"]
    fn child() {
        let Ok(folder) = std::env::var("FOGBELL_CHILD_FOLDER") else { return };
        let block = noise(1, 48_000);
        let at = |name: &str| Path::new(&folder).join(name);
        let mono = format(1, Encoding::Pcm24);
        let mut stem = Writer::create(&at("stem.wav"), mono, &Options::default()).unwrap();
        let mut live = LiveWriter::create(&at("night.wav"), mono, &Options::default()).unwrap();
        for _ in 0..20 {
            if let Err(why) = stem.write(&slices(&block)) {
                println!("\nTOLD {}", why.to_string().replace('\n', " "));
                drop(stem);
                std::process::exit(1);
            }
            live.write(&slices(&block)).unwrap();
        }
        live.sync(false).unwrap();
        live.write(&slices(&noise(1, 5))).unwrap();
        println!("\nREADY");
        std::thread::sleep(std::time::Duration::from_secs(60));
    }

    fn start(folder: &Path, before: &str) -> std::process::Child {
        let script = format!("{before} exec \"$0\" --exact killed::child --ignored --nocapture");
        Command::new("sh")
            .args(["-c", &script])
            .arg(std::env::current_exe().unwrap())
            .env("FOGBELL_CHILD_FOLDER", folder)
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap()
    }

    fn read_until(child: &mut std::process::Child, word: &str) -> String {
        let mut out = child.stdout.take().unwrap();
        let (mut text, mut byte) = (String::new(), [0]);
        while out.read(&mut byte).unwrap() == 1 {
            text.push(char::from(byte[0]));
            if byte[0] == b'\n' && text.contains(word) {
                break;
            }
        }
        text
    }

    #[test]
    fn a_kill_leaves_no_stem_and_a_readable_recording() {
        let folder = TempDir::new().unwrap();
        let mut child = start(folder.path(), "");
        assert!(read_until(&mut child, "READY").contains("READY"));
        child.kill().unwrap();
        child.wait().unwrap();
        let left = names(folder.path());
        assert!(
            !left.contains(&"stem.wav".to_owned()) && !left.contains(&"night.wav".to_owned()),
            "{left:?}"
        );
        let part = wav::read(&folder.path().join("night.part.wav")).unwrap();
        assert_eq!(part.frames(), 20 * 48_000);
        assert_eq!(by_hound(&folder.path().join("night.part.wav")).1.len(), 20 * 48_000);
    }

    #[test]
    fn when_there_is_no_room_the_error_tells_and_nothing_is_left() {
        let folder = TempDir::new().unwrap();
        // A file may grow to 600 blocks of 512 or 1,024 bytes; the signal is ignored, so that writing fails.
        let mut child = start(folder.path(), "trap '' XFSZ; ulimit -f 600;");
        let text = read_until(&mut child, "TOLD");
        child.wait().unwrap();
        assert!(text.contains("stem.wav: cannot be written") && text.contains("to mend it"), "{text}");
        assert_eq!(names(folder.path()), ["night.part.wav"]);
    }
}
