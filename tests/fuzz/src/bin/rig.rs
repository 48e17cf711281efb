//! Any text as a rig file: never a panic; a fault has a line and a mend.
#![no_main]

use fogbell::show::parse_rig;
use libfuzzer_sys::fuzz_target;
use std::path::Path;

fuzz_target!(|data: &[u8]| {
    let Ok(text) = std::str::from_utf8(data) else { return };
    let reading = parse_rig(text, "fuzzed.toml", Path::new("/nonexistent"));
    assert!(reading.rig.is_some() || !reading.faults.is_empty(), "refused without a word");
    for fault in &reading.faults {
        assert!(fault.line >= 1 && !fault.mend.is_empty(), "{fault:?}");
    }
});
