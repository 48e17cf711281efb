//! Any bytes as a log: never a panic, every whole line read or named, and a report in every form.
#![no_main]

use fogbell::report::{Gather, page, text};
use libfuzzer_sys::fuzz_target;

fuzz_target!(|data: &[u8]| {
    let reading = fogbell::log::read::parse(data);
    let lines = data.split(|byte| *byte == b'\n').filter(|line| !line.trim_ascii().is_empty()).count();
    // A torn line may have a whole one glued to it: a fault, and a line.
    let told = reading.lines.len() + reading.faults.len() + usize::from(reading.torn.is_some());
    assert!(told <= 2 * lines.max(1));
    let mut gather = Gather::default();
    gather.file("night.jsonl", data);
    let nights = gather.nights();
    assert!(page::page(&nights).ends_with("</html>") && !text::text(&nights).is_empty());
    serde_json::to_string(&nights).expect("a report is JSON");
});
