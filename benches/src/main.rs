//! What a block costs, and what the analysis of a round trip does.
//!
//! `--bench` times the worst scene and a bare mix of the same size with criterion. `--worst-scene BLOCKS` and
//! `--bare-mix BLOCKS` run the same blocks for callgrind (`benches/callgrind.sh`), which counts instructions in
//! `process_worst_scene` and `process_bare_mix`.

mod latency;

mod scene;
mod timecode;

use criterion::{Criterion, Throughput};
use scene::{BareMix, FRAMES, Scene, process_bare_mix, process_worst_scene};

fn main() {
    let mut arguments = std::env::args().skip(1);
    let mode = arguments.next().unwrap_or_default();
    let blocks: usize = arguments.next().and_then(|text| text.parse().ok()).unwrap_or(400);
    match mode.as_str() {
        "--worst-scene" => {
            let mut scene = Scene::new(true);
            (0..blocks).for_each(|_| scene.block());
        }
        "--bare-mix" => {
            let mut mix = BareMix::new();
            (0..blocks).for_each(|_| process_bare_mix(&mut mix));
        }
        "--bench" | "" => bench(),
        other => {
            eprintln!(
                "error: {other} is not known\n  to mend it: --bench, --worst-scene BLOCKS or --bare-mix BLOCKS"
            );
            std::process::exit(2);
        }
    }
}

/// The callback alone, without what goes in.
fn timed(scene: &mut Scene, times: u64) -> std::time::Duration {
    let one = |_| {
        scene.prepare();
        let began = std::time::Instant::now();
        process_worst_scene(scene);
        let spent = began.elapsed();
        scene.clear_up();
        spent
    };
    (0..times).map(one).sum()
}

fn bench() {
    let mut criterion = Criterion::default().without_plots();
    let mut group = criterion.benchmark_group("24 inputs x 16 outlets x 8 clicks, 64 frames");
    group.throughput(Throughput::Elements(FRAMES as u64));
    for (name, two) in [("engine", false), ("engine, timecode in and out, one follower", true)] {
        let mut scene = Scene::new(two);
        group.bench_function(name, |bench| bench.iter_custom(|times| timed(&mut scene, times)));
    }
    let mut mix = BareMix::new();
    group.bench_function("bare mix", |bench| bench.iter(|| process_bare_mix(&mut mix)));
    group.finish();
    timecode::bench(&mut criterion);
    latency::bench(&mut criterion);
    let block = FRAMES as f64 / 48_000.0 * 1e6;
    println!("a block of {FRAMES} frames at 48 kHz lasts {block:.0} us: 1 % is {:.1} us", block / 100.0);
}
