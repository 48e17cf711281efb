//! A recording made anywhere, judged.

use super::told::{self, Told};
use super::{Args, words};
use crate::cli::Outcome;
use crate::latency::{Answer, Options, Path, Probe, analyse};
use crate::wav::{self, Audio};
use std::fmt::Write;

/// Longest recording taken: the longest probe, the longest delay, and air.
const MOST_SECONDS: f64 = 120.0;

/// Errors: a file or channel that is not there.
pub fn judge(args: &Args, recording: &std::path::Path) -> Result<Told, String> {
    if let Some(other) = &args.compare {
        return compare(args, recording, other);
    }
    let played = std::path::Path::new(args.probe.as_deref().unwrap_or_default());
    let probe = read(played)?;
    let heard = read(recording)?;
    if probe.rate != heard.rate {
        return Err(format!(
            "{} is at {} Hz and {} at {}\n  to mend it: record at the rate of the probe, without conversion",
            played.display(),
            probe.rate.hertz(),
            recording.display(),
            heard.rate.hertz()
        ));
    }
    let rate = probe.rate;
    let probe = Probe::from_samples(rate, probe.channels.first().map_or(&[], Vec::as_slice))
        .map_err(|fault| format!("{}: {fault}", played.display()))?;
    let first = channel(&heard, recording, args.input.as_deref())?;
    let path = if args.mic { Path::Air } else { Path::Cable };
    let options = Options { path, longest_delay: args.longest };
    let answer = analyse(&probe, first, &options);
    let mut told = answer_told(&answer, rate);
    told.json["rate"] = rate.hertz().into();
    if args.mic {
        super::live::distance(&mut told, &answer, args.less, args.temperature, rate);
    }
    Ok(told)
}

/// Two channels of one recording; no probe is needed.
fn compare(args: &Args, recording: &std::path::Path, other: &str) -> Result<Told, String> {
    let heard = read(recording)?;
    let one = args.input.as_deref().unwrap_or("1");
    let first = channel(&heard, recording, Some(one))?;
    let second = channel(&heard, recording, Some(other))?;
    let mut told = super::live::compared([first, second], [one, other], heard.rate);
    told.json["rate"] = heard.rate.hertz().into();
    Ok(told)
}

/// Sentence, figures and meaning, or the refusal with its mend.
pub fn answer_told(answer: &Answer, rate: crate::units::SampleRate) -> Told {
    let json = told::object(answer);
    match answer {
        Answer::Measured(found) => {
            let mut text: String = words::sentence(found, rate);
            let _ = write!(text, "\n\n{}", words::figures(found, rate));
            Told { outcome: Outcome::Done, words: text, json }
        }
        Answer::Refused(refusal) => {
            let words = format!("No answer: {refusal}.\n  to mend it: {}.\n", refusal.mend());
            Told { outcome: Outcome::FellShort, words, json }
        }
    }
}

fn read(path: &std::path::Path) -> Result<Audio, String> {
    wav::read_up_to(path, MOST_SECONDS).map_err(|fault| fault.to_string())
}

fn channel<'a>(heard: &'a Audio, path: &std::path::Path, wanted: Option<&str>) -> Result<&'a [f32], String> {
    let number = wanted.unwrap_or("1");
    let index = number.parse::<usize>().ok().and_then(|number| number.checked_sub(1));
    index.and_then(|index| heard.channels.get(index)).map(Vec::as_slice).ok_or_else(|| {
        format!(
            "{} has no channel `{number}`\n  to mend it: give --input a channel from 1 to {}",
            path.display(),
            heard.channels.len()
        )
    })
}
