//! Any text as a show file: never a panic; a fault has a line and a mend; a good show can be laid out.
#![no_main]

use fogbell::click::build::{PlainIndex, build};
use fogbell::click::set::Sound;
use fogbell::show::parse_show;
use fogbell::units::SampleRate;
use libfuzzer_sys::fuzz_target;
use std::path::Path;

fuzz_target!(|data: &[u8]| {
    let Ok(text) = std::str::from_utf8(data) else { return };
    let reading = parse_show(text, "fuzzed.toml", Path::new("/nonexistent"));
    for fault in &reading.faults {
        assert!(fault.line >= 1 && !fault.mend.is_empty(), "{fault:?}");
    }
    let Some(show) = reading.show else {
        assert!(!reading.faults.is_empty(), "refused without a word");
        return;
    };
    // Layout is bounded by the checker; a fuzzed giant would only be slow.
    if show
        .songs
        .iter()
        .flat_map(|song| &song.sections)
        .map(|s| s.bars.len() * s.repeats as usize)
        .sum::<usize>()
        > 500
    {
        return;
    }
    let sound =
        Sound { name: String::new(), samples: vec![0.0].into(), lead: 0, onset_peak: 0.0, heard_late: 0.0 };
    let index =
        PlainIndex { sounds: vec![sound], by_def: vec![[0; 4]; show.sounds.len()], ..PlainIndex::default() };
    let set = build(&show, SampleRate::standard(), &index);
    for leg in set.songs.iter().flat_map(|song| &song.legs) {
        assert!(
            leg.grid
                .hits
                .windows(2)
                .all(|pair| (pair[0].frame, pair[0].part) <= (pair[1].frame, pair[1].part))
        );
    }
});
