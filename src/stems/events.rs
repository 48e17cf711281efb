//! Every hit as a line of a table.

use super::timeline::Timeline;
use crate::click::set::HitKind;
use crate::units::SampleRate;
use std::fmt::Write;

/// The columns. `frame` counts from the stem's first frame and is exact; `seconds` is `frame` over the rate,
/// with digits enough to get the frame back at any rate.
pub(super) const HEADER: &str = "song,section,click,bar,beat,subdivision,kind,frame,seconds\n";

/// Adds the hits of one lane, in order of time.
pub(super) fn append(
    out: &mut String,
    title: &str,
    click: &str,
    timeline: &Timeline,
    lane: u8,
    rate: SampleRate,
) {
    let (title, click) = (quoted(title), quoted(click));
    for pass in &timeline.passes {
        let section = quoted(section(pass.called, &pass.section_name));
        for hit in pass.grid.hits.iter().filter(|hit| hit.lane == lane) {
            let frame = pass.anchor.frame(hit.local()).0;
            let bar = pass.first_bar + hit.bar as i32;
            let (beat, subdivision, kind) = (hit.beat, hit.subdivision, kind(hit.kind));
            let seconds = frame as f64 / f64::from(rate.hertz());
            // Writing to a String cannot fail.
            _ = writeln!(
                out,
                "{title},{section},{click},{bar},{beat},{subdivision},{kind},{frame},{seconds:.9}"
            );
        }
    }
}

fn section(called: bool, name: &str) -> &str {
    if called { "count-in" } else { name }
}

fn kind(kind: HitKind) -> &'static str {
    match kind {
        HitKind::Accent => "accent",
        HitKind::Beat => "beat",
        HitKind::Eighth => "eighth",
        HitKind::Sixteenth => "sixteenth",
        HitKind::Count => "count",
    }
}

/// Source: RFC 4180.
fn quoted(text: &str) -> String {
    let plain = !text.contains([',', '"', '\n', '\r']) && text.trim() == text;
    if plain { text.to_owned() } else { format!("\"{}\"", text.replace('"', "\"\"")) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn commas_and_quotes_are_quoted() {
        assert_eq!(quoted("Low Tide"), "Low Tide");
        assert_eq!(quoted("Tide, \"low\""), "\"Tide, \"\"low\"\"\"");
    }
}
