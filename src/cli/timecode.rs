//! `fogbell timecode`: timecode to a WAV file, or what timecode a WAV file holds.

use super::Outcome;
use crate::timecode::{Address, Agreeing, Decoder, Encoder, FrameRate, Heard, HeardWord};
use crate::units::{Decibels, FramePos, SampleRate};
use crate::wav::{self, Encoding, Format, Options, Writer};
use serde_json::{Value, json};
use std::path::{Path, PathBuf};

/// Samples written or read at once.
const PIECE: usize = 4_096;
/// What recorders expect at 0 dBu (common practice, no source).
const LEVEL: Decibels = Decibels(-18.0);

/// Write linear timecode to a WAV file, or read it from one, to test leads and other machines
///
/// Timecode is loud and shrill: keep it off ears, and turn monitors down before a lead is tried.
#[derive(Debug, clap::Args)]
#[command(group = clap::ArgGroup::new("task").required(true).args(["out", "read"]))]
pub struct Args {
    /// The WAV file to write
    #[arg(long, value_name = "FILE.wav")]
    out: Option<PathBuf>,
    /// The WAV file to read
    #[arg(long, value_name = "FILE.wav", conflicts_with_all = ["from", "seconds", "frames", "rate"])]
    read: Option<PathBuf>,
    /// Timecode frames a second
    #[arg(long, value_enum, default_value = "25")]
    frames: Count,
    /// The first address
    #[arg(long, value_name = "ADDRESS", default_value = "01:00:00:00")]
    from: String,
    /// Seconds to write, 1 to 3600
    #[arg(long = "for", value_name = "SECONDS", default_value_t = 10, value_parser = clap::value_parser!(u32).range(1..=3_600))]
    seconds: u32,
    /// Samples a second of the file, 44100 to 192000
    #[arg(long, value_name = "HERTZ", default_value_t = 48_000, value_parser = clap::value_parser!(u32).range(44_100..=192_000))]
    rate: u32,
    /// The channel to read, from 1
    #[arg(long, default_value_t = 1, value_parser = clap::value_parser!(u16).range(1..), conflicts_with = "out")]
    channel: u16,
    /// Print one JSON object
    #[arg(long)]
    json: bool,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
enum Count {
    #[value(name = "23.976")]
    Film1001,
    #[value(name = "24")]
    Film,
    #[value(name = "25")]
    Tv25,
    #[value(name = "29.97")]
    Ntsc,
    #[value(name = "29.97-drop")]
    NtscDrop,
    #[value(name = "30")]
    Tv30,
}

impl Count {
    const fn rate(self) -> FrameRate {
        match self {
            Count::Film1001 => FrameRate::Film1001,
            Count::Film => FrameRate::Film,
            Count::Tv25 => FrameRate::Tv25,
            Count::Ntsc => FrameRate::Ntsc,
            Count::NtscDrop => FrameRate::NtscDrop,
            Count::Tv30 => FrameRate::Tv30,
        }
    }
}

pub fn run(args: &Args) -> Outcome {
    let done = match (&args.out, &args.read) {
        (Some(path), _) => write(args, path),
        (None, Some(path)) => read(args, path),
        (None, None) => Err("nothing to do\n  to mend it: give --out or --read".into()),
    };
    match done {
        Ok((object, words, outcome)) => {
            if args.json {
                println!("{object}")
            } else {
                println!("{words}")
            }
            outcome
        }
        Err(words) => {
            if args.json {
                println!("{}", json!({ "ok": false, "error": words }));
            } else {
                eprintln!("error: {words}");
            }
            Outcome::NotUnderstood
        }
    }
}

type Told = Result<(Value, String, Outcome), String>;

fn write(args: &Args, path: &Path) -> Told {
    let frames = args.frames.rate();
    let from = Address::parse(frames, &args.from).map_err(|fault| format!("--from: {fault}"))?;
    let rate = SampleRate::new(args.rate).ok_or("--rate is out of range\n  to mend it: write 48000")?;
    let format = Format { rate, channels: 1, encoding: Encoding::Pcm24 };
    let first = from.number(frames);
    let length = u64::from(args.seconds) * u64::from(rate.hertz());
    let mut encoder = Encoder::new(rate, frames, LEVEL.gain());
    let mut say = |word| Address::of_number(frames, first + word).word(frames, 0);
    let mut piece = [0.0; PIECE];
    let mut file = Writer::create(path, format, &Options::default()).map_err(|why| why.to_string())?;
    while file.frames() < length {
        let count = (length - file.frames()).min(PIECE as u64) as usize;
        let part = piece.get_mut(..count).unwrap_or_default();
        encoder.render(FramePos(file.frames() as i64), part, &mut say);
        file.write(&[part]).map_err(|why| why.to_string())?;
    }
    file.finish(&[]).map_err(|why| why.to_string())?;
    let object = json!({
        "ok": true, "file": path, "from": from.shown(frames), "seconds": args.seconds, "level_dbfs": LEVEL.0,
    });
    let words = format!(
        "{}: {} s of timecode from {} at {} dBFS",
        path.display(),
        args.seconds,
        from.shown(frames),
        LEVEL.0
    );
    Ok((object, words, Outcome::Done))
}

fn read(args: &Args, path: &Path) -> Told {
    let audio = wav::read(path).map_err(|why| why.to_string())?;
    let samples = audio.channels.get(usize::from(args.channel) - 1).ok_or_else(|| {
        let most = audio.channels.len();
        format!("{} has no channel {}\n  to mend it: --channel 1 to {most}", path.display(), args.channel)
    })?;
    let (mut agreeing, mut believed, mut heard) = (Agreeing::default(), Vec::new(), 0u32);
    Decoder::new(audio.rate).push(FramePos(0), samples, &mut |what| {
        if let Heard::Word(word) = what {
            heard += 1;
            believed.extend(agreeing.word(word));
        }
    });
    let (Some(first), Some(last)) = (believed.first(), believed.last()) else {
        let words = format!("{}: no timecode ({heard} single words)", path.display());
        return Ok((json!({ "ok": false, "file": path, "words": 0 }), words, Outcome::FellShort));
    };
    let speed = f64::from(audio.rate.hertz()) / (80.0 * mean(&believed, |word| word.cell));
    let scatter = mean(&believed, |word| word.scatter) / f64::from(audio.rate.hertz()) * 1e6;
    let object = json!({
        "ok": true, "file": path, "words": believed.len(), "words_alone": heard as usize - believed.len(),
        "first": shown(first), "last": shown(last), "frames_a_second": speed, "edges_scatter_us": scatter,
    });
    let words = format!(
        "{}: {} words that agree, {} to {}, {speed:.3} frames a second, edges within {scatter:.2} us",
        path.display(),
        believed.len(),
        shown(first),
        shown(last)
    );
    Ok((object, words, Outcome::Done))
}

fn mean(words: &[HeardWord], of: impl Fn(&HeardWord) -> f64) -> f64 {
    words.iter().map(of).sum::<f64>() / words.len().max(1) as f64
}

fn shown(heard: &HeardWord) -> String {
    let word = heard.word;
    let address =
        Address { hours: word.hours, minutes: word.minutes, seconds: word.seconds, frames: word.frames };
    address.shown(if word.drop { FrameRate::NtscDrop } else { FrameRate::Tv30 })
}
