//! What timecode costs a block: written and read.

use crate::scene::FRAMES;
use criterion::{Criterion, Throughput};
use fogbell::timecode::{Address, Decoder, Encoder, FrameRate, Heard};
use fogbell::units::{FramePos, SampleRate};

const RATE: FrameRate = FrameRate::Tv25;
/// A minute is read over and over.
const BLOCKS: usize = 45_000;

pub fn bench(criterion: &mut Criterion) {
    let rate = SampleRate::standard();
    let mut group = criterion.benchmark_group("timecode, 64 frames at 48 kHz");
    group.throughput(Throughput::Elements(FRAMES as u64));
    let mut encoder = Encoder::new(rate, RATE, 0.125);
    let mut block = [0.0; FRAMES];
    let mut at = 0;
    let mut say = |word| Address::of_number(RATE, word).word(RATE, word as u32);
    group.bench_function("written", |bench| {
        bench.iter(|| {
            encoder.render(FramePos(at), &mut block, &mut say);
            at += FRAMES as i64;
            block[0]
        });
    });
    let mut line = vec![0.0; BLOCKS * FRAMES];
    Encoder::new(rate, RATE, 0.125).render(FramePos(0), &mut line, &mut say);
    let (mut decoder, mut words, mut number) = (Decoder::new(rate), 0u32, 0usize);
    group.bench_function("read", |bench| {
        bench.iter(|| {
            let from = number % BLOCKS * FRAMES;
            let at = FramePos((number * FRAMES) as i64);
            decoder.push(at, &line[from..from + FRAMES], &mut |heard| {
                words += u32::from(matches!(heard, Heard::Word(_)));
            });
            number += 1;
            words
        });
    });
    group.finish();
    assert!(words > 0, "no word was read");
}
