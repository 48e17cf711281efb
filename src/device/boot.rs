//! The clock that everything comes back by: time since this computer started, sleep included.
//!
//! On Linux CLOCK_BOOTTIME (`Instant` stands still while the computer sleeps). Elsewhere the time of day, which a
//! person or the network may set: say so where it matters ([`CAUTION`]).

/// What to know where the clock is the time of day.
#[cfg(target_os = "linux")]
pub const CAUTION: Option<&str> = None;
/// What to know where the clock is the time of day.
#[cfg(not(target_os = "linux"))]
pub const CAUTION: Option<&str> = Some(
    "this system has no clock that counts sleep: the place runs on by the time of day; do not set the clock tonight",
);

/// Nanoseconds by that clock. Real-time: safe (read without a system call where the system can).
#[cfg(target_os = "linux")]
pub fn now() -> i64 {
    let time = rustix::time::clock_gettime(rustix::time::ClockId::Boottime);
    time.tv_sec.wrapping_mul(1_000_000_000).wrapping_add(time.tv_nsec)
}

/// Nanoseconds by that clock. Real-time: safe.
#[cfg(not(target_os = "linux"))]
pub fn now() -> i64 {
    let time = std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH).unwrap_or_default();
    i64::try_from(time.as_nanos()).unwrap_or(i64::MAX)
}

/// Which start of the computer this is; empty where the system does not say.
pub fn id() -> String {
    let text = std::fs::read_to_string("/proc/sys/kernel/random/boot_id").unwrap_or_default();
    text.trim().chars().take(64).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_clock_goes_on() {
        let one = now();
        std::thread::sleep(std::time::Duration::from_millis(2));
        assert!(now() - one >= 2_000_000);
        assert_eq!(id(), id());
    }
}
