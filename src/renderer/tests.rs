use super::*;
use crate::click::set::{ClickLanes, Grid, Hit, HitKind, Leg, LegKind, SongPlan, Sound, StreamPlan};
use crate::show::model::{Click, GiveBack, Show, Song, SongKind, StreamDef, StreamStart};
use crate::units::{Decibels, SampleRate, Span, Whole};
use crate::wav::{Encoding, Format, Options, Writer};
use ringbuf::traits::{Consumer, Observer, Split};
use ringbuf::{HeapCons, HeapRb};
use std::path::Path;
use std::time::Instant;
use tempfile::TempDir;

const RATE: SampleRate = SampleRate::standard();

/// Blocks of the ring: 1.6 s.
const RING: usize = 300;

/// Every frame its own value, so that a place can be read off a sample.
fn ramp(frames: usize) -> Vec<f32> {
    (0..frames).map(|n| n as f32 / 1_048_576.0).collect()
}

fn write(path: &Path, hertz: u32, channels: &[&[f32]]) {
    let rate = SampleRate::new(hertz).unwrap();
    let format = Format { rate, channels: channels.len() as u16, encoding: Encoding::Float32 };
    let mut writer = Writer::create(path, format, &Options::default()).unwrap();
    writer.write(channels).unwrap();
    writer.finish(&[]).unwrap();
}

fn hit(frame: i64, lane: u8) -> Hit {
    Hit { frame, part: 0, gain: 1.0, bar: 0, beat: 1, subdivision: 0, sound: 0, lane, kind: HitKind::Beat }
}

fn leg(kind: LegKind, written: i64, length: i64, hits: &[Hit]) -> Leg {
    let grid = Grid { length: Span::frames(Frames(length)), hits: hits.into(), beats: Box::new([]) };
    Leg {
        kind,
        section: 0,
        section_name: "verse".into(),
        pass: 0,
        grid: Arc::new(grid),
        first_bar: 1,
        vamp: false,
        hold: false,
        count_in: None,
        ambient: None,
        written: Span::frames(Frames(written)),
    }
}

/// A count-in of 24,000 frames and a section of 48,000, hits each 12,000 in lane 0, each 6,000 in lane 1.
fn set(streams: Vec<Option<StreamPlan>>) -> Set {
    let hits = |length: i64| -> Vec<Hit> {
        let even = |n: i64| [hit(n * 12_000, 0), hit(n * 12_000, 1), hit(n * 12_000 + 6_000, 1)];
        (0..length / 12_000).flat_map(even).collect()
    };
    let legs = vec![
        leg(LegKind::CountIn, 0, 24_000, &hits(24_000)),
        leg(LegKind::Section, 24_000, 48_000, &hits(48_000)),
    ];
    let song = SongPlan {
        said: Default::default(),
        title: "Low Tide".into(),
        legs,
        segue: false,
        encore: false,
        first_section_leg: 1,
        streams,
    };
    let sound = Sound {
        name: "tick".into(),
        samples: vec![0.5; 96].into(),
        lead: 0,
        onset_peak: 0.5,
        heard_late: 0.0,
    };
    let lanes = vec![ClickLanes { own: 1, fallback: 0 }];
    Set {
        rate: RATE,
        sounds: vec![sound],
        lanes,
        lane_count: 2,
        songs: vec![song],
        max_lead: 0,
        lane_peaks: vec![],
    }
}

fn plan(file: &Path, origin: Span) -> StreamPlan {
    StreamPlan { file: file.to_owned(), channel: 0, gain: 0.5, standing: 0.0, origin, expected: Vec::new() }
}

struct Stage {
    folder: TempDir,
    requests: Sender<Request>,
    renderer: Renderer,
    ring: HeapCons<StreamBlock>,
}

fn stage(hertz: u32, origin: Span) -> Stage {
    let folder = TempDir::new().unwrap();
    let file = folder.path().join("track.wav");
    write(&file, hertz, &[&ramp(200_000)]);
    let (ring_in, ring) = HeapRb::new(RING).split();
    let (requests, answered) = unbounded();
    let set = Arc::new(set(vec![Some(plan(&file, origin))]));
    let renderer = spawn(set, answered, vec![ring_in]).unwrap();
    Stage { folder, requests, renderer, ring }
}

impl Stage {
    fn play(&self, leg: u16, generation: u32, anchor_at: Exact, from: i64) {
        let from = FramePos(from);
        let request = Request::Play { click: 0, song: 0, leg, generation, anchor_at, from };
        self.requests.send(request).unwrap();
    }

    /// The next block, waiting for it.
    fn next(&mut self) -> Option<StreamBlock> {
        let start = Instant::now();
        while start.elapsed() < Duration::from_secs(5) {
            if let Some(block) = self.ring.try_pop() {
                return Some(block);
            }
            std::thread::sleep(Duration::from_millis(1));
        }
        None
    }

    fn wait_until(&self, there: impl Fn(&Stage) -> bool) -> bool {
        let start = Instant::now();
        while start.elapsed() < Duration::from_secs(5) {
            if there(self) {
                return true;
            }
            std::thread::sleep(Duration::from_millis(1));
        }
        false
    }
}

#[test]
fn a_device_frame_is_its_file_frame_across_legs() {
    // The leg at written frame 24,000 begins at device frame 1,000,000.4; the file's frame 100.3 belongs to
    // the count-in: file frame − device frame = 100.3 + 24,000 − 1,000,000.4, which is −975,900 rounded.
    let mut stage = stage(48_000, Span::ratio(1_003, 10));
    let anchor = Exact::at(FramePos(1_000_000)) + Span::ratio(4, 10);
    stage.play(1, 7, anchor, 999_123);
    let mut device = 999_123;
    for _ in 0..400 {
        let block = stage.next().unwrap();
        assert_eq!((block.generation, block.first, block.frames), (7, FramePos(device), 256));
        let mut peak = 0f32;
        for sample in block.samples {
            let file = device - 975_900;
            let wanted = if (0..200_000).contains(&file) { 0.5 * file as f32 / 1_048_576.0 } else { 0.0 };
            assert_eq!(sample, wanted, "device frame {device}");
            peak = peak.max(wanted);
            device += 1;
        }
        assert_eq!(block.peak, peak);
    }
    stage.renderer.join();
}

#[test]
fn a_track_that_stands_beside_nought_is_put_there_and_outside_of_it_is_silence() {
    let folder = TempDir::new().unwrap();
    let file = folder.path().join("track.wav");
    let click = |n: usize| if n % 24_000 < 600 { (n as f32 * 0.3).sin() * 0.5 } else { 0.0 };
    let track: Vec<f32> = (0..200_000).map(|n| click(n) + 0.03).collect();
    write(&file, 48_000, &[&track]);
    let mut source = Source::open(&file, 0, RATE).unwrap();
    let standing = source.standing().unwrap();
    assert!((standing - 0.03).abs() < 1e-4, "{standing}");
    source.take_off(standing);
    let mut all = vec![9.0; 201_000];
    source.fill(-500, &mut all).unwrap();
    assert!(all[..500].iter().chain(&all[200_500..]).all(|x| *x == 0.0));
    assert!(all[500..200_500].iter().enumerate().all(|(n, x)| (x - click(n)).abs() < 1e-4));
}

#[test]
fn outside_of_the_file_is_silence_on_both_sides() {
    let mut stage = stage(48_000, Span::frames(Frames(-300)));
    stage.play(0, 1, Exact::at(FramePos(0)), 0);
    let first = stage.next().unwrap();
    assert!(first.peak == 0.0 && first.samples.iter().all(|x| *x == 0.0));
    let second = stage.next().unwrap();
    assert_eq!((second.samples[44], second.samples[45]), (0.0, 0.5 / 1_048_576.0));
    stage.play(0, 2, Exact::at(FramePos(0)), 300 + 199_999);
    let mut block = stage.next().unwrap();
    while block.generation == 1 {
        block = stage.next().unwrap();
    }
    assert_eq!((block.samples[0], block.samples[1]), (0.5 * 199_999.0 / 1_048_576.0, 0.0));
    stage.renderer.join();
}

#[test]
fn the_ring_is_kept_full() {
    let stage = stage(48_000, Span(0));
    stage.play(0, 1, Exact::at(FramePos(0)), 0);
    assert!(stage.wait_until(|stage| stage.ring.is_full()));
    stage.renderer.join();
}

#[test]
fn another_rate_lands_on_the_frame_wherever_it_is_entered() {
    // A band-limited hit at 1.25 s of a 44.1 kHz file: 55,125 there, 60,000 here.
    let folder = TempDir::new().unwrap();
    let file = folder.path().join("track.wav");
    let bell = |n: f64| (-(n / 12.0).powi(2)).exp();
    let samples: Vec<f32> = (0..100_000).map(|n| bell(f64::from(n) - 55_125.0) as f32).collect();
    write(&file, 44_100, &[&vec![0.0; 100_000], &samples]);
    let mut straight = Source::open(&file, 1, RATE).unwrap();
    let mut whole = vec![0.0; 100_000];
    straight.fill(0, &mut whole).unwrap();
    let top = whole.iter().enumerate().max_by(|a, b| a.1.total_cmp(b.1)).unwrap();
    assert_eq!(top.0, 60_000);
    for n in -20i32..=20 {
        let wanted = bell(f64::from(n) * 44.1 / 48.0);
        assert!((f64::from(whole[(60_000 + n) as usize]) - wanted).abs() < 1e-3, "{n}");
    }
    let mut jumping = Source::open(&file, 1, RATE).unwrap();
    for at in [59_990i64, 3, 59_000, 60_001, -50] {
        let mut piece = [9.0; 100];
        jumping.fill(at, &mut piece).unwrap();
        for (n, sample) in piece.iter().enumerate() {
            let wanted = usize::try_from(at + n as i64).map_or(0.0, |place| whole[place]);
            assert!((sample - wanted).abs() < 1e-6, "{at} + {n}: {sample} for {wanted}");
        }
    }
    assert!(Source::open(&file, 2, RATE).is_err());
}

#[test]
fn killed_frozen_and_slow_it_leaves_a_dry_ring() {
    let mut stage = stage(48_000, Span(0));
    stage.play(0, 1, Exact::at(FramePos(0)), 0);
    assert!(stage.wait_until(|stage| stage.ring.is_full()));
    stage.renderer.freeze(true);
    std::thread::sleep(Duration::from_millis(50));
    let held = stage.ring.occupied_len();
    stage.ring.skip(held);
    std::thread::sleep(Duration::from_millis(60));
    assert_eq!(stage.ring.occupied_len(), 0, "frozen");
    stage.renderer.freeze(false);
    assert_eq!(stage.next().unwrap().first, FramePos(held as i64 * 256), "goes on where it stopped");
    stage.renderer.kill();
    assert!(stage.wait_until(|stage| !stage.renderer.alive()));
    stage.ring.clear();
    std::thread::sleep(Duration::from_millis(60));
    assert!(stage.ring.try_pop().is_none());
}

#[test]
fn slow_means_a_block_now_and_then() {
    let mut stage = stage(48_000, Span(0));
    stage.renderer.slow(30);
    std::thread::sleep(Duration::from_millis(20));
    stage.play(0, 1, Exact::at(FramePos(0)), 0);
    let start = Instant::now();
    assert!((0..5).all(|_| stage.next().is_some()));
    assert!(start.elapsed() >= Duration::from_millis(100), "{:?}", start.elapsed());
    stage.renderer.join();
}

#[test]
fn every_corruption_is_what_it_is_called() {
    let folder = TempDir::new().unwrap();
    let file = folder.path().join("track.wav");
    write(&file, 48_000, &[&ramp(200_000)]);
    let (ring_in, mut ring) = HeapRb::new(4).split();
    let (notes, _heard) = bounded(4);
    let mut feeder = Feeder::new(Arc::new(set(vec![Some(plan(&file, Span(0)))])), vec![ring_in], notes);
    let anchor_at = Exact::at(FramePos(0));
    let from = FramePos(0);
    feeder.answer(Request::Play { click: 0, song: 0, leg: 0, generation: 5, anchor_at, from });
    let mut one = |fault: Fault| {
        feeder.set_fault(fault);
        while ring.try_pop().is_some() {}
        feeder.feed();
        ring.try_pop().unwrap()
    };
    let good = one(Fault::None);
    let repeated = one(Fault::Repeat);
    assert!(repeated.first > good.first && one(Fault::Repeat).samples == repeated.samples);
    assert!(one(Fault::Corrupt(Corruption::NotANumber)).samples[0].is_nan());
    assert!(one(Fault::Corrupt(Corruption::NotANumber)).peak.is_nan());
    assert_eq!(one(Fault::Corrupt(Corruption::Infinite)).peak, f32::INFINITY);
    assert_eq!(one(Fault::Corrupt(Corruption::OverFullScale)).peak, 8.0);
    assert_eq!(one(Fault::Corrupt(Corruption::Silent)).peak, 0.0);
    assert_eq!(one(Fault::Corrupt(Corruption::OldGeneration)).generation, 4);
    let misplaced = one(Fault::Corrupt(Corruption::Misplaced(Frames(10))));
    assert_eq!(misplaced.first.0 % 256, 10);
    assert_eq!(one(Fault::None).first.0 % 256, 0);
}

#[test]
fn a_file_that_is_gone_or_cut_short_is_told_and_ends_nothing() {
    let mut stage = stage(48_000, Span(0));
    let file = stage.folder.path().join("track.wav");
    stage.play(0, 1, Exact::at(FramePos(0)), 0);
    assert!(stage.next().is_some());
    std::fs::OpenOptions::new().write(true).open(&file).unwrap().set_len(300_000).unwrap();
    assert!(stage.wait_until(|stage| stage.ring.is_full()));
    // The next second and a half is beyond what is left of the file.
    while stage.ring.try_pop().is_some() {}
    let note = stage.renderer.notes().recv_timeout(Duration::from_secs(5)).unwrap();
    assert_eq!((note.click, note.song, &note.file), (0, 0, &file));
    assert!(note.why.contains("ends after"), "{}", note.why);
    std::fs::remove_file(&file).unwrap();
    stage.play(0, 2, Exact::at(FramePos(0)), 0);
    let note = stage.renderer.notes().recv_timeout(Duration::from_secs(5)).unwrap();
    assert!(note.why.contains("cannot be read"), "{}", note.why);
    assert!(stage.renderer.alive());
    stage.renderer.join();
}

fn show(folder: &Path, def: StreamDef) -> Show {
    let song = Song {
        title: "Low Tide".into(),
        note: String::new(),
        kind: SongKind::Click,
        encore: false,
        timecode: None,
        segue: false,
        count_in: None,
        pickup: Whole::from_integer(0),
        sections: Vec::new(),
        number: 1,
        click_ranges: Vec::new(),
        streams: vec![Some(def)],
        line: 1,
    };
    Show {
        title: "Saltmarsh Five".into(),
        sounds: Vec::new(),
        clicks: vec![Click {
            name: "drums".into(),
            player: "Wren".into(),
            separate_fallback: true,
            external: None,
        }],
        inputs: Vec::new(),
        feeds: Vec::new(),
        songs: vec![song],
        give_back: GiveBack::Stay,
        latch: Default::default(),
        ride: Default::default(),
        ceiling: Decibels(-6.0),
        folder: folder.to_owned(),
        text: String::new(),
        digest: String::new(),
    }
}

/// Clicks of 2 ms at these frames.
fn clicks(places: &[(usize, f32)]) -> Vec<f32> {
    let mut samples = vec![0.0; 80_000];
    for (place, peak) in places {
        samples[*place..place + 96].fill(*peak);
    }
    samples
}

fn def(starts: StreamStart, offset_ms: f64) -> StreamDef {
    StreamDef { file: "track.wav".into(), starts, offset_ms, channel: 0, level: Decibels(-6.020_6) }
}

#[test]
fn expectations_hold_the_peaks_of_the_fallbacks_hits_where_the_file_sounds() {
    let folder = TempDir::new().unwrap();
    // 10 ms before the music: hits at 480 + 12,000 n; the fourth is 40 dB down, the fifth 4 ms late.
    let file = clicks(&[
        (480, 0.4),
        (12_480, 0.2),
        (24_480, 0.4),
        (36_480, 0.004),
        (48_480 + 192, 0.3),
        (54_480, 0.5),
        (60_480, 0.4),
    ]);
    write(&folder.path().join("track.wav"), 48_000, &[&file]);
    let mut set = set(vec![None]);
    let notes = plan_streams(&show(folder.path(), def(StreamStart::CountIn, 10.0)), &mut set);
    assert!(notes.is_empty(), "{notes:?}");
    let stream = set.songs[0].streams[0].clone().unwrap();
    assert_eq!(stream.origin, Span::frames(Frames(480)));
    let near = |got: &[f32], wanted: &[f32]| {
        got.len() == wanted.len() && got.iter().zip(wanted).all(|(a, b)| (a - b).abs() < 1e-5)
    };
    // Lane 0 is the fallback; hits of lane 1 expect nothing. Half gain.
    assert!(near(&stream.expected[0], &[0.2, 0.0, 0.0, 0.1, 0.0, 0.0]), "{:?}", stream.expected[0]);
    let wanted = [0.2, 0.0, 0.0, 0.0, 0.0, 0.0, 0.15, 0.0, 0.0, 0.2, 0.0, 0.0];
    assert!(near(&stream.expected[1], &wanted), "{:?}", stream.expected[1]);
}

#[test]
fn a_file_that_starts_at_bar_one_is_silent_in_the_count_in() {
    let folder = TempDir::new().unwrap();
    write(&folder.path().join("track.wav"), 48_000, &[&clicks(&[(0, 0.4), (12_000, 0.4), (36_000, 0.4)])]);
    let mut set = set(vec![None]);
    plan_streams(&show(folder.path(), def(StreamStart::BarOne, 0.0)), &mut set);
    let stream = set.songs[0].streams[0].clone().unwrap();
    assert_eq!(stream.origin, Span::frames(Frames(-24_000)));
    assert!(stream.expected[0].iter().all(|peak| *peak == 0.0));
    let loud: Vec<bool> = stream.expected[1].iter().map(|peak| *peak > 0.1).collect();
    assert_eq!(loud.iter().filter(|loud| **loud).count(), 3);
    assert!(loud[0] && loud[3] && loud[9]);
}

#[test]
fn what_a_person_should_know_is_said() {
    let folder = TempDir::new().unwrap();
    write(&folder.path().join("track.wav"), 44_100, &[&clicks(&[(0, 0.4)])]);
    let mut set = set(vec![None]);
    let notes = plan_streams(&show(folder.path(), def(StreamStart::CountIn, 0.0)), &mut set);
    assert_eq!(notes.len(), 1);
    assert!(
        notes[0].contains("resampled to 48000 Hz") && notes[0].contains("silent at 5 of 6 hits"),
        "{notes:?}"
    );
    std::fs::remove_file(folder.path().join("track.wav")).unwrap();
    let notes = plan_streams(&show(folder.path(), def(StreamStart::CountIn, 0.0)), &mut set);
    assert!(set.songs[0].streams[0].is_none());
    assert!(notes[0].contains("cannot be read") && notes[0].contains("made here"), "{notes:?}");
}

#[test]
fn a_track_that_comes_late_is_measured() {
    let folder = TempDir::new().unwrap();
    // 8 ms are 384 frames.
    let late: Vec<(usize, f32)> = (0..6).map(|n| (n * 12_000 + 480 + 384, 0.4)).collect();
    write(&folder.path().join("track.wav"), 48_000, &[&clicks(&late)]);
    let mut set = set(vec![None]);
    let notes = plan_streams(&show(folder.path(), def(StreamStart::CountIn, 10.0)), &mut set);
    assert!(notes[0].contains("8.0 ms later than the grid") && notes[0].contains("18.0 ms"), "{notes:?}");
    let notes = plan_streams(&show(folder.path(), def(StreamStart::CountIn, 18.0)), &mut set);
    assert!(notes.is_empty(), "{notes:?}");
}
