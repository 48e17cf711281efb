//! Any samples as a timecode line: never a panic; what is told lies inside what was heard, and in order.
#![no_main]

use fogbell::timecode::decode::{Decoder, Heard};
use fogbell::timecode::pages::Reader;
use fogbell::timecode::{Address, FrameRate};
use fogbell::units::{FramePos, SampleRate};
use libfuzzer_sys::fuzz_target;

fuzz_target!(|data: &[u8]| {
    let Some((how, samples)) = data.split_first() else { return };
    if how & 1 == 1 {
        let mut pages = Reader::default();
        for user in samples.chunks_exact(4) {
            pages.word(u32::from_le_bytes([user[0], user[1], user[2], user[3]]));
        }
        return;
    }
    // A sample for a bit stretched to how many frames it lasts, so that small inputs are long lines.
    let stretch = usize::from(how >> 1 & 15) + 1;
    let line: Vec<f32> = samples
        .iter()
        .flat_map(|byte| std::iter::repeat_n(f32::from(*byte as i8) / 128.0, stretch))
        .collect();
    let mut decoder = Decoder::new(SampleRate::standard());
    let (mut at, mut read_at) = (FramePos(0), FramePos(0));
    for block in line.chunks(usize::from(how >> 5) * 61 + 17) {
        let end = at + fogbell::units::Frames(block.len() as i64);
        decoder.push(at, block, &mut |heard| match heard {
            Heard::Word(heard) => {
                for rate in FrameRate::ALL {
                    let _ = Address::of_word(rate, &heard.word);
                }
            }
            Heard::Line(reading) => {
                assert!(reading.at >= read_at && reading.at <= end && reading.last_edge <= end);
                read_at = reading.at;
            }
        });
        at = end;
    }
});
