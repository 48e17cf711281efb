use super::*;
use crate::show::model::{Count, CountIn, GiveBack, Song, SongKind, SoundDef};
use crate::units::{Decibels, Whole};
use hound::{SampleFormat, WavSpec, WavWriter};
use tempfile::TempDir;

fn show(folder: &Path) -> Show {
    Show {
        title: "Saltmarsh Five".into(),
        sounds: Vec::new(),
        clicks: Vec::new(),
        inputs: Vec::new(),
        feeds: Vec::new(),
        songs: Vec::new(),
        give_back: GiveBack::Stay,
        latch: Default::default(),
        ride: Default::default(),
        ceiling: Decibels(-6.0),
        folder: folder.to_owned(),
        text: String::new(),
        digest: String::new(),
    }
}

fn def(file: &str) -> SoundDef {
    let source = || SoundSource::Wav(file.into());
    SoundDef { name: "bell".into(), accent: source(), beat: source(), eighth: source(), sixteenth: source() }
}

/// Written with hound, which shares no code with the reader.
fn write(path: &Path, rate: u32, channels: u16, samples: &[f32]) {
    let spec =
        WavSpec { channels, sample_rate: rate, bits_per_sample: 32, sample_format: SampleFormat::Float };
    let mut writer = WavWriter::create(path, spec).unwrap();
    for sample in samples {
        (0..channels).for_each(|_| writer.write_sample(*sample).unwrap());
    }
    writer.finalize().unwrap();
}

/// A struck sound whose rise begins at `onset` seconds: 1 ms raised cosine up, then down.
fn struck(rate: u32, onset: f64, seconds: f64, noise: f32) -> Vec<f32> {
    let mut random = fastrand::Rng::with_seed(7);
    let sample = |n: usize| {
        let time = n as f64 / f64::from(rate) - onset;
        let tone = (std::f64::consts::TAU * 1_800.0 * time).sin() * (-time / 0.02).exp();
        let rise = if time < 0.001 { 0.5 - 0.5 * (std::f64::consts::PI * time / 0.001).cos() } else { 1.0 };
        if time > 0.0 { 0.4 * tone * rise } else { 0.0 }
    };
    (0..(seconds * f64::from(rate)) as usize)
        .map(|n| sample(n) as f32 + noise * (random.f32() - 0.5))
        .collect()
}

fn built(folder: &TempDir, samples: &[f32], file_rate: u32, rate: u32) -> SoundBank {
    write(&folder.path().join("bell.wav"), file_rate, 2, samples);
    let mut show = show(folder.path());
    show.sounds = vec![def("bell.wav")];
    build(&show, SampleRate::new(rate).unwrap()).unwrap()
}

/// Where the rise really begins: what was cut from the front shows by where a known later frame went.
fn onset_error_ms(bank: &SoundBank, samples: &[f32], file_rate: u32, rate: u32, onset: f64) -> f64 {
    let whole =
        crate::wav::resample(samples, SampleRate::new(file_rate).unwrap(), SampleRate::new(rate).unwrap());
    let loudest = |x: &[f32]| x.iter().enumerate().max_by(|a, b| a.1.abs().total_cmp(&b.1.abs())).unwrap().0;
    let cut = loudest(&whole) - loudest(&bank.sounds[0].samples);
    let found = cut as f64 + f64::from(bank.sounds[0].lead);
    (found / f64::from(rate) - onset) * 1_000.0
}

#[test]
fn a_struck_onset_is_found_within_half_a_millisecond_at_every_rate() {
    let folder = TempDir::new().unwrap();
    for (file_rate, rate) in
        [(44_100, 48_000), (96_000, 48_000), (48_000, 48_000), (48_000, 44_100), (22_050, 96_000)]
    {
        for (onset, noise) in [(0.011, 0.0), (0.0, 0.0), (0.25, 0.0), (0.011, 0.002), (0.1, 0.004)] {
            let samples = struck(file_rate, onset, 0.6, noise);
            let bank = built(&folder, &samples, file_rate, rate);
            let error = onset_error_ms(&bank, &samples, file_rate, rate, onset);
            assert!(error.abs() <= 0.5, "{file_rate} to {rate}, onset {onset}, noise {noise}: {error} ms");
            assert!(bank.sounds[0].lead as f64 <= 0.005 * f64::from(rate) + 1.0);
        }
    }
}

#[test]
fn a_late_file_is_moved_and_says_so() {
    let folder = TempDir::new().unwrap();
    let bank = built(&folder, &struck(48_000, 0.011, 0.5, 0.0), 48_000, 48_000);
    assert_eq!(bank.notes, ["bell.wav speaks 11 ms late: moved"]);
    assert_eq!(bank.by_def, [[0, 0, 0, 0]], "one file is read once");
    assert!((bank.sounds[0].onset_peak - 0.38).abs() < 0.02, "{}", bank.sounds[0].onset_peak);
}

#[test]
fn a_file_that_stands_beside_nought_is_put_there_and_says_so() {
    let folder = TempDir::new().unwrap();
    let clean = struck(48_000, 0.0, 0.5, 0.0);
    let stands: Vec<f32> = clean.iter().map(|x| x * 0.4 + 0.05).collect();
    let bank = built(&folder, &stands, 48_000, 48_000);
    assert_eq!(bank.notes, ["bell.wav stands at +5.0 % of full scale: taken off"]);
    let quiet: Vec<f32> = clean.iter().map(|x| x * 0.4).collect();
    let wanted = built(&folder, &quiet, 48_000, 48_000);
    assert!(wanted.notes.is_empty());
    let (sound, wanted) = (&bank.sounds[0], &wanted.sounds[0]);
    let off = sound.samples.iter().zip(&*wanted.samples).map(|(a, b)| (a - b).abs()).fold(0.0f32, f32::max);
    assert!(off < 1e-4 && sound.lead == wanted.lead, "{off}");
    assert!(sound.samples.len().abs_diff(wanted.samples.len()) < 480);
}

#[test]
fn a_loud_file_is_turned_down_to_the_ceiling_and_a_soft_one_is_left() {
    let folder = TempDir::new().unwrap();
    let loud: Vec<f32> = struck(48_000, 0.0, 0.5, 0.0).iter().map(|x| x * 2.4).collect();
    let bank = built(&folder, &loud, 48_000, 48_000);
    let peak = onset::peak(&bank.sounds[0].samples);
    assert_eq!(peak, Decibels(-6.0).gain());
    assert_eq!(bank.notes.len(), 1);
    assert!(bank.notes[0].contains("turned down to -6.0"), "{}", bank.notes[0]);
    let soft: Vec<f32> = struck(48_000, 0.0, 0.5, 0.0).iter().map(|x| x * 0.1).collect();
    let bank = built(&folder, &soft, 48_000, 48_000);
    assert_eq!(onset::peak(&bank.sounds[0].samples), onset::peak(&soft));
    assert!(bank.notes.is_empty(), "{:?}", bank.notes);
}

/// A soft hiss of 90 ms at −26 dB before a vowel, as in "four".
fn spoken(rate: u32, consonant_at: f64, vowel_at: f64) -> Vec<f32> {
    let mut random = fastrand::Rng::with_seed(4);
    let sample = |n: usize| {
        let time = n as f64 / f64::from(rate);
        let hiss =
            if time >= consonant_at && time < vowel_at { 0.02 * (random.f64() - 0.5) * 2.0 } else { 0.0 };
        let since = time - vowel_at;
        let voice = if since > 0.0 {
            0.4 * (std::f64::consts::TAU * 140.0 * since).sin()
                * (since / 0.015).min(1.0)
                * (-since / 0.15).exp()
        } else {
            0.0
        };
        (hiss + voice) as f32
    };
    (0..(0.9 * f64::from(rate)) as usize).map(sample).collect()
}

#[test]
fn a_spoken_count_keeps_its_consonant_and_lands_on_its_vowel() {
    let folder = TempDir::new().unwrap();
    write(&folder.path().join("four.wav"), 44_100, 1, &spoken(44_100, 0.2, 0.29));
    let mut show = show(folder.path());
    show.songs.push(song_counted_with("four.wav"));
    let bank = build(&show, SampleRate::standard()).unwrap();
    let sound = &bank.sounds[usize::from(bank.voices[Path::new("four.wav")])];
    let lead_ms = f64::from(sound.lead) / 48.0;
    // The vowel is judged to start within its 15 ms rise; the hiss of 90 ms before it is kept.
    assert!((88.0..=108.0).contains(&lead_ms), "{lead_ms}");
    let hiss = onset::peak(&sound.samples[480..sound.lead as usize - 720]);
    assert!(hiss > 0.01, "{hiss}");
}

fn song_counted_with(voice: &str) -> Song {
    let count = Count { at: Whole::from_integer(0), number: 1, accent: true };
    let count_in = CountIn {
        bars: Vec::new(),
        counts: vec![count],
        clicks: vec![0],
        voice: Some(vec![voice.into()]),
        voice_level: Decibels(0.0),
    };
    Song {
        title: "Low Tide".into(),
        note: String::new(),
        kind: SongKind::Click,
        encore: false,
        timecode: None,
        segue: false,
        count_in: Some(count_in),
        pickup: Whole::from_integer(0),
        sections: Vec::new(),
        number: 1,
        click_ranges: Vec::new(),
        streams: Vec::new(),
        line: 1,
    }
}

/// Ends as loud as it began, and stands nowhere.
fn square(level: f32, frames: usize) -> Vec<f32> {
    (0..frames).map(|n| if n / 40 % 2 == 0 { level } else { -level }).collect()
}

#[test]
fn all_faults_come_at_once() {
    let folder = TempDir::new().unwrap();
    let at = |name: &str| folder.path().join(name);
    write(&at("silent.wav"), 48_000, 1, &[0.0; 4_800]);
    write(&at("nan.wav"), 48_000, 1, &[0.1, f32::NAN, 0.1]);
    write(&at("long.wav"), 48_000, 1, &square(0.1, 48_000 * 2 + 200));
    write(&at("hours.wav"), 8_000, 1, &square(0.1, 8_000 * 31));
    std::fs::write(at("text.wav"), "not a sound").unwrap();
    let mut show = show(folder.path());
    show.sounds =
        ["silent.wav", "nan.wav", "long.wav", "hours.wav", "text.wav", "absent.wav"].map(def).to_vec();
    let faults = build(&show, SampleRate::standard()).unwrap_err();
    let words: Vec<String> = faults.iter().map(ToString::to_string).collect();
    assert_eq!(faults.len(), 6, "{words:#?}");
    assert!(matches!(faults[0], SoundFault::Silent { .. }));
    assert!(matches!(faults[1], SoundFault::NotNumbers { .. }));
    assert!(matches!(faults[2], SoundFault::TooLong { .. }));
    assert!(words[3].contains("31.0 s"), "{}", words[3]);
    assert!(words[4].contains("to mend it"), "{}", words[4]);
    assert!(faults.iter().all(|fault| fault.file().is_some()));
}

#[test]
fn more_than_sixteen_megabytes_are_a_fault() {
    let folder = TempDir::new().unwrap();
    let mut show = show(folder.path());
    for n in 0..12 {
        let name = format!("{n}.wav");
        write(&folder.path().join(&name), 192_000, 1, &square(0.01 * (n + 1) as f32, 192_000 * 19 / 10));
        show.sounds.push(def(&name));
    }
    let faults = build(&show, SampleRate::new(192_000).unwrap()).unwrap_err();
    // 12 × 1.9 s × 192,000 × 4 bytes = 17.5 MB.
    assert!(matches!(faults[..], [SoundFault::TooMuch { bytes: 17_510_400 }]), "{faults:?}");
}

#[test]
fn built_in_sounds_speak_at_once_and_share_what_is_equal() {
    let folder = TempDir::new().unwrap();
    let mut show = show(folder.path());
    show.sounds = BUILT_IN.iter().filter_map(|name| built_in(name)).collect();
    let bank = build(&show, SampleRate::standard()).unwrap();
    assert_eq!(bank.by_def.len(), BUILT_IN.len());
    assert!(
        bank.sounds.iter().all(|sound| sound.lead == 0 && sound.onset_peak == onset::peak(&sound.samples))
    );
    assert!(built_in("nothing of the kind").is_none());
}

#[test]
fn the_onset_finder_agrees_that_a_made_sound_speaks_at_its_first_frame() {
    for name in BUILT_IN {
        let SoundSource::Synth(made) = built_in(name).unwrap().beat else { panic!("{name} is not made") };
        let hit = synth::synthesise(&made, SampleRate::standard()).unwrap();
        let mut file = vec![0.0; 4_800];
        file.extend(&hit);
        let found = onset::find(&file, SampleRate::standard(), onset::STRUCK).unwrap();
        assert!((4_800..4_824).contains(&found.at), "{name}: {} frames", found.at as i64 - 4_800);
    }
}
