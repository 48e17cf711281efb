//! Nothing allocates once it is made: an allocator that counts.

use crate::band::{RATE, backing, clicks, even, place};
use fogbell::follow::{Acquire, DueHit, Judge, Line, Onsets, Tracker, Verdict};
use fogbell::units::{FramePos, Frames, Span};
use std::alloc::{GlobalAlloc, Layout, System};
use std::cell::Cell;

struct Counting;

thread_local! {
    static ARMED: Cell<bool> = const { Cell::new(false) };
    static COUNT: Cell<u64> = const { Cell::new(0) };
}

fn count() {
    if ARMED.try_with(Cell::get).unwrap_or(false) {
        let _ = COUNT.try_with(|count| count.set(count.get() + 1));
    }
}

// SAFETY: hands everything to the system allocator; counting allocates nothing.
unsafe impl GlobalAlloc for Counting {
    unsafe fn alloc(&self, layout: Layout) -> *mut u8 {
        count();
        // SAFETY: the caller's promise, handed on.
        unsafe { System.alloc(layout) }
    }

    unsafe fn dealloc(&self, at: *mut u8, layout: Layout) {
        count();
        // SAFETY: the caller's promise, handed on.
        unsafe { System.dealloc(at, layout) }
    }
}

#[global_allocator]
static ALLOCATOR: Counting = Counting;

fn counted(act: impl FnOnce()) -> u64 {
    COUNT.set(0);
    ARMED.set(true);
    act();
    ARMED.set(false);
    COUNT.get()
}

#[test]
fn hearing_judging_and_tracking_allocate_nothing() {
    assert!(counted(|| drop(std::hint::black_box(Box::new(1)))) >= 2, "the counter counts");
    let due = even(30.0, 12_000.0);
    let mut samples = clicks(30.0, &due, 0.5);
    backing(&mut samples, &mut fastrand::Rng::with_seed(1), 0.1);
    let expected: Vec<Span> = (0..32).map(|beat| Span::frames(Frames(12_000 * beat))).collect();
    let (mut onsets, mut line) = (Onsets::new(RATE), Line::new(RATE));
    let (mut judge, mut tracker) = (Judge::new(RATE, Frames(384)), Tracker::new(RATE));
    let mut acquire = Acquire::new(RATE, &expected, 4);
    let (mut next, mut good, mut started) = (0, 0, 0);
    let seen = counted(|| {
        for (index, part) in samples.chunks(64).enumerate() {
            let at = FramePos(index as i64 * 64);
            if let Some(&hit) = due.get(next).filter(|&&hit| hit < at.0 as f64 + 6_000.0) {
                judge.expect(DueHit { at: place(hit), interval: Frames(12_000) });
                next += 1;
            }
            let mut told = |judged: fogbell::follow::Judged| {
                if let Verdict::InTime(error) = judged.verdict {
                    std::hint::black_box(tracker.heard(judged.due, error));
                    good += 1;
                }
            };
            judge.see(at, part);
            line.push(at, part, &mut |window| judge.line(window, &mut told));
            onsets.push(at, part, &mut |onset| {
                started += usize::from(acquire.heard(onset).is_some());
                judge.heard(onset, &mut told);
            });
            judge.step(at + Frames(part.len() as i64 - 1), &mut told);
        }
    });
    assert_eq!(seen, 0);
    assert!(good > 100 && started > 0, "{good} hits, {started} starts");
}
