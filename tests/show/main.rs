//! Every faulty show gives a fault with a line and a mend, none a panic; good shows mean what they say.

mod check;
mod faulty;
mod good;
mod rendering;
mod rig;
mod text;

use fogbell::show::{Fault, Reading, parse_show};
use std::path::{Path, PathBuf};

/// The folder of the fixtures.
pub fn fixtures() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/show")
}

/// Reads a text as a show beside the good examples.
pub fn read(text: &str) -> Reading {
    parse_show(text, "show.toml", &fixtures().join("good"))
}

pub fn example(name: &str) -> String {
    std::fs::read_to_string(fixtures().join("good").join(name)).expect("fixture")
}

/// What holds of every fault: it says what, where and how to mend it.
pub fn assert_is_whole(fault: &Fault, text: &str) {
    assert!(fault.line >= 1 && fault.column >= 1, "{fault:?}");
    assert!(fault.line <= text.matches('\n').count() + 1, "{fault:?}");
    assert!(fault.span.start <= fault.span.end && fault.span.end <= text.len(), "{fault:?}");
    assert!(!fault.what.is_empty() && !fault.allowed.is_empty() && !fault.mend.is_empty(), "{fault:?}");
}

/// What holds of every reading, whatever the text.
pub fn assert_reading_is_whole(reading: &Reading) {
    for fault in &reading.faults {
        assert_is_whole(fault, &reading.text);
    }
    let lines: Vec<_> = reading.faults.iter().map(|fault| fault.span.start).collect();
    assert!(lines.is_sorted(), "faults out of file order: {lines:?}");
    assert!(reading.show.is_some() || !reading.faults.is_empty(), "no show and no fault");
    assert!(reading.refused.is_empty() || !reading.faults.is_empty(), "a song refused without a fault");
    for song in reading.show.iter().flat_map(|show| &show.songs) {
        assert!(
            !reading.refused.iter().any(|refused| refused.line == song.line),
            "{} is there and refused",
            song.title
        );
    }
    let rendered = fogbell::show::render(&reading.faults, &reading.text, &reading.name, false);
    assert!(rendered.matches("to mend it: ").count() >= reading.faults.len(), "{rendered}");
}
