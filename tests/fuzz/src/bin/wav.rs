//! Any bytes as a WAV sound: never a panic, never more memory than the file can fill.
#![no_main]

use libfuzzer_sys::fuzz_target;
use std::path::PathBuf;
use std::sync::LazyLock;

static FILE: LazyLock<PathBuf> =
    LazyLock::new(|| folder().join(format!("fogbell-fuzz-{}.wav", std::process::id())));

/// In memory where the system has such a folder.
fn folder() -> PathBuf {
    let memory = PathBuf::from("/dev/shm");
    if memory.is_dir() { memory } else { std::env::temp_dir() }
}

fuzz_target!(|data: &[u8]| {
    std::fs::write(&*FILE, data).expect("the temporary file can be written");
    if let Ok(audio) = fogbell::wav::read(&FILE) {
        assert!(audio.frames() * audio.channels.len() <= data.len().max(1), "more samples than bytes");
        assert!(audio.channels.iter().all(|channel| channel.len() == audio.frames()));
    }
});
