//! The drill over a cable on the rig's interface: asked for, quiet first, measured.

use super::plan::{alone, engine};
use super::{Args, Refusal, Told, words};
use crate::cli::latency::{Aim, Channel, consent, input_of, output_of, quiet_of};
use crate::device::{self, OpenSetup};
use crate::drill::cable::{Breaks, Cable};
use crate::drill::pair::{Clean, World};
use crate::latency::session::{CEILING, Failure, Level, QUIET};
use crate::latency::{Answer, Options, Path, ProbeKind};
use crate::realtime::setup::{EngineSetup, OutletSetup, PartSetup, PartSource};
use crate::show::model::{Rig, Show, Song, StreamDef, StreamStart};
use crate::tempo::length::song_seconds;
use crate::units::{Decibels, SampleRate};
use crate::wav::{Encoding, Format, Options as WavOptions, Writer};
use std::path::Path as FilePath;
use std::sync::Arc;

/// The click is this much above the level at which the measuring clicks came back well, so that each single hit does.
const ABOVE_DB: f64 = 18.0;

/// Errors: nothing was played, or nothing good came back; in words with the mend.
pub fn rehearse(args: &Args, show: &Show, rig: &Rig, wanted: &str, told: &mut Told) -> Result<(), Refusal> {
    let (output, input) = ends(rig, wanted)?;
    let mut interface = device::choose_in(&rig.interface, &rig.folder)
        .map_err(|fault| Refusal::world(format!("error: {fault}")))?;
    if !consent(rig.interface.host, args.ears_out, &caution(&output, &input), "is that channel muted") {
        return Err(Refusal::world(
            "error: nobody said yes, so nothing was played\n  to mend it: take ears out or mute that channel, then type \
             yes; in a script add --ears-out",
        ));
    }
    let folder = tempfile::tempdir()
        .map_err(|fault| Refusal::world(format!("error: no temporary folder: {fault}")))?;
    let track = Track::of(show, rig.interface.rate, folder.path())?;
    let aim = Aim {
        output: output.clone(),
        inputs: vec![input.clone()],
        kind: ProbeKind::Impulses,
        shots: 5,
        span: 1.0,
        ceiling: CEILING,
        options: Options { path: Path::Cable, longest_delay: 0.5 },
        listens: false,
    };
    let open = aim.open_setup(device::setup_for(&rig.interface, 0, 0));
    let (level, way) = measured(&aim, interface.as_mut(), &open).map_err(Refusal::world)?;
    let gain = Decibels((level.0 + ABOVE_DB).min(CEILING.0)).gain();
    let cable = track.on(&output, &input, gain, open);
    told.say(&format!(
        "\n{} ON THE REAL INTERFACE\nOutput {} to input {}: the way takes {way:.2} ms; the click leaves at most at {:.0} dBFS.",
        words::wiring(crate::drill::Wiring::Streamed).to_uppercase(),
        output.words(),
        input.words(),
        20.0 * f64::from(gain).log10(),
    ));
    told.say("Its track is read 2 s ahead: a failure is heard when those are played.");
    told.say(words::COLUMNS);
    let breaks = if args.short { &Breaks::ALL[..Breaks::SHORT] } else { &Breaks::ALL[..] };
    for breaks in breaks {
        let verdict = cable.rehearse(interface.as_mut(), *breaks).map_err(Refusal::world)?;
        told.say(&words::rows(&verdict));
        told.add("one machine, over a cable", None, verdict);
    }
    Ok(())
}

/// OUT:IN, or the rig's spare loop.
fn ends(rig: &Rig, wanted: &str) -> Result<(Channel, Channel), String> {
    let (output, input) = match wanted.split_once(':') {
        Some((output, input)) => (Some(output), Some(input)),
        None if wanted == super::THE_LOOP => (None, None),
        None => {
            return Err(format!(
                "error: --cable {wanted}\n  to mend it: write OUT:IN, such as --cable 8:2, or give the rig a [loop]"
            ));
        }
    };
    let mend = |why: String| {
        let why = why.replace("add --output with a channel number", "write --cable OUT:IN");
        format!("error: {}", why.replace("add --input with a channel number", "write --cable OUT:IN"))
    };
    let (output, input) =
        (output_of(rig, output).map_err(mend)?, input_of(rig, "input", input).map_err(mend)?);
    if input.second {
        return Err(format!(
            "error: input {} is on the second interface, which has a clock of its own\n  to mend it: bring the cable \
             back to an input of the interface that plays",
            input.words()
        ));
    }
    Ok((output, input))
}

fn caution(output: &Channel, input: &Channel) -> String {
    format!(
        "The show's click will leave output {} and no other: first measuring clicks at {:.0} dBFS, louder step by step \
         until\nthey come back well, then the click of one song for half a minute or so, never above {:.0} dBFS. Loud \
         clicks in ears can\nharm hearing for good.\nInput {}: switch phantom power off before a cable joins the two \
         (48 V can harm an output), and use no\nmicrophone input at microphone gain.",
        output.words(),
        QUIET.0,
        CEILING.0,
        input.words(),
    )
}

/// The level at which measuring clicks came back well, and the way in milliseconds.
fn measured(
    aim: &Aim,
    interface: &mut dyn device::Interface,
    open: &OpenSetup,
) -> Result<(Decibels, f64), String> {
    let heard = aim.measure(interface, open, quiet_of(CEILING.0)).map_err(|failure| match failure {
        Failure::Device(error) => format!("error: {error}"),
        Failure::Stopped(why) => format!("error: the device stopped: {why}\n  to mend it: bring it back"),
        Failure::Unsteady { spoilt } => {
            format!("error: frames were lost in {spoilt} shots\n  to mend it: use a larger block")
        }
    })?;
    match (&heard.answer, heard.series.ended) {
        (Answer::Measured(found), Level::Good | Level::Weak) => {
            let rate = f64::from(heard.series.negotiated.rate.hertz());
            Ok((heard.series.level, found.round_trip_frames * 1000.0 / rate))
        }
        (Answer::Refused(refusal), _) => {
            Err(format!("error: no click comes back: {refusal}\n  to mend it: {}", refusal.mend()))
        }
        _ => {
            Err("error: too little comes back\n  to mend it: look at the cable and at the input's gain"
                .into())
        }
    }
}

/// A song whose click is a track from disk: the show's own, or one that is made for the purpose.
struct Track {
    set: Arc<crate::click::set::Set>,
    setup: EngineSetup,
    click: u8,
}

impl Track {
    fn of(show: &Show, rate: SampleRate, folder: &FilePath) -> Result<Track, String> {
        let plays = |song: &&Song| !song.sections.is_empty();
        let longest = |one: &&Song, two: &&Song| song_seconds(one).total_cmp(&song_seconds(two));
        let with_track = |song: &&Song| song.streams.iter().any(Option::is_some);
        let own = show.songs.iter().filter(plays).filter(with_track).max_by(longest);
        let song = own.or_else(|| show.songs.iter().filter(plays).max_by(longest));
        let song = song.ok_or("error: no song with a click\n  to mend it: give one a tempo and bars")?;
        let click = song.streams.iter().position(Option::is_some).unwrap_or(0);
        let mut one = alone(show, song, click);
        if own.is_none() {
            let file = made(&one, click as u8, rate, folder)?;
            let starts = StreamStart::CountIn;
            let def = StreamDef { file, starts, offset_ms: 0.0, channel: 0, level: Decibels(0.0) };
            if let Some(stream) = one.songs.first_mut().and_then(|song| song.streams.get_mut(click)) {
                *stream = Some(def);
            }
        }
        let (set, setup) = engine(&one, rate, true)?;
        Ok(Track { set, setup, click: click as u8 })
    }

    fn on(self, output: &Channel, input: &Channel, gain: f32, open: OpenSetup) -> Cable {
        let outlets = vec![outlet(output.index(0) as u16, self.click, gain)];
        let tap_inputs = usize::from(open.inputs);
        let setup = EngineSetup { outlets, record: true, tap_inputs, ..self.setup };
        Cable { set: self.set, setup, open, output: output.index(0), input: input.index(0) }
    }
}

fn outlet(channel: u16, click: u8, gain: f32) -> OutletSetup {
    let part = PartSetup { source: PartSource::Click(click), left: gain, right: 0.0 };
    OutletSetup { channels: vec![channel], parts: vec![part] }
}

/// The click as the engine makes it, in a file.
fn made(one: &Show, click: u8, rate: SampleRate, folder: &FilePath) -> Result<std::path::PathBuf, String> {
    let (set, setup) = engine(one, rate, false)?;
    let world = World {
        backup_set: Arc::clone(&set),
        set,
        main: EngineSetup { outlets: vec![outlet(0, click, 1.0)], ..setup },
        backup: None,
        ear: 0,
        passed: false,
        streamed: false,
        cable: 0,
        ppm: 0.0,
        frames: rate.frames(12.0).0,
        start: 0,
        seed: 0,
    };
    let clean = Clean::play(&world, &[]);
    let from = usize::try_from(clean.began).unwrap_or(0).min(clean.ear.len());
    let path = folder.join("click.wav");
    let format = Format { rate, channels: 1, encoding: Encoding::Float32 };
    let cannot = |fault: crate::wav::WavError| format!("error: {fault}");
    let mut writer = Writer::create(&path, format, &WavOptions::default()).map_err(cannot)?;
    writer.write(&[&clean.ear[from..]]).map_err(cannot)?;
    writer.finish(&[]).map_err(cannot)?;
    Ok(path)
}
