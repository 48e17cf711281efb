//! Calls into a host that may hang: they run on a thread of their own, which is left behind when it
//! does not come back.

use std::sync::mpsc::sync_channel;
use std::time::Duration;

/// Runs `work` on a thread named `name` and waits for its answer.
///
/// Errors: `None` when it took longer than `limit` or panicked; a thread that hangs is left behind with
/// all that it owns, which is freed when it does come back.
pub fn within<T: Send + 'static>(
    limit: Duration,
    name: &str,
    work: impl FnOnce() -> T + Send + 'static,
) -> Option<T> {
    let (answer, wait) = sync_channel(1);
    let body = move || {
        // The one who asked may have given up: then the answer is dropped here.
        let _ = answer.send(work());
    };
    std::thread::Builder::new().name(name.to_owned()).spawn(body).ok()?;
    wait.recv_timeout(limit).ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_answer_in_time_is_handed_over() {
        assert_eq!(within(Duration::from_secs(10), "test", || 7), Some(7));
    }

    #[test]
    fn a_call_that_hangs_is_left_behind() {
        let (release, hold) = std::sync::mpsc::channel::<()>();
        let answer = within(Duration::from_millis(20), "test", move || hold.recv().is_ok());
        assert_eq!(answer, None);
        drop(release);
    }

    #[test]
    fn a_call_that_panics_gives_nothing() {
        let quiet = || std::panic::resume_unwind(Box::new("expected by this test"));
        assert_eq!(within(Duration::from_secs(10), "test", quiet), None::<u8>);
    }
}
