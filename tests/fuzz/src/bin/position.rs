//! Any bytes as a position record: never a panic; what has a right check sum and makes sense comes back, whatever it says.
#![no_main]

use fogbell::click::build::{PlainIndex, build};
use fogbell::click::set::{Set, Sound};
use fogbell::show::parse_show;
use fogbell::survive::resume::{Moment, resume};
use fogbell::survive::store;
use fogbell::units::SampleRate;
use libfuzzer_sys::fuzz_target;
use std::path::Path;
use std::sync::OnceLock;

const SHOW: &str = r#"
show = "Saltmarsh Five"
[click.drums]
every = "beats"
[feed.drums]
hears = { drums = 0 }
[[song]]
title = "Low Tide"
tempo = 132
bars = 2
segue = true
[[song]]
title = "Eel Net"
tempo = 126
metre = "7/8"
[[song.section]]
name = "round"
bars = 1
vamp = true
[[song.section]]
name = "end"
bars = 2
hold = true
"#;

fn set() -> &'static Set {
    static SET: OnceLock<Set> = OnceLock::new();
    SET.get_or_init(|| {
        let show = parse_show(SHOW, "fuzzed.toml", Path::new("/nonexistent")).show.expect("a good show");
        let sound = Sound {
            name: String::new(),
            samples: vec![0.0].into(),
            lead: 0,
            onset_peak: 0.0,
            heard_late: 0.0,
        };
        let by_def = vec![[0; 4]; show.sounds.len()];
        let index = PlainIndex { sounds: vec![sound], by_def, ..PlainIndex::default() };
        build(&show, SampleRate::standard(), &index)
    })
}

fuzz_target!(|data: &[u8]| {
    let _refused = store::decode(data);
    let Some(slot) = store::slot(data) else { return };
    let Ok(record) = store::decode(&slot) else { return };
    let record = record.at_rate(48_000);
    let (boot, digest) = (record.boot.clone(), record.digest.clone());
    let later = record.clock.map_or(0, |clock| clock.at.ns.saturating_add(3_000_000_000));
    let _place = resume(&record, set(), &Moment { ns: later, boot: &boot, digest: &digest });
});
