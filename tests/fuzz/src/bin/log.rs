//! Any bytes as a log: never a panic, every whole line read or named.
#![no_main]

use libfuzzer_sys::fuzz_target;

fuzz_target!(|data: &[u8]| {
    let reading = fogbell::log::read::parse(data);
    let lines = data.split(|byte| *byte == b'\n').filter(|line| !line.trim_ascii().is_empty()).count();
    assert!(reading.lines.len() + reading.faults.len() + usize::from(reading.torn.is_some()) <= lines.max(1));
});
