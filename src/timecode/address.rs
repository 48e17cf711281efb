//! Hours, minutes, seconds and frames, and the number of a frame since 00:00:00:00.

use super::rate::FrameRate;
use super::word::Word;
use std::fmt;

/// An address that exists at its rate.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Address {
    pub hours: u8,
    pub minutes: u8,
    pub seconds: u8,
    pub frames: u8,
}

/// Why a text or a group of numbers is no address.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum AddressFault {
    Form {
        found: String,
    },
    Range {
        what: &'static str,
        found: u32,
        most: u32,
    },
    /// Drop-frame counting leaves out frames 0 and 1 of each minute but every tenth.
    Dropped {
        frames: u8,
        minutes: u8,
    },
}

impl fmt::Display for AddressFault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            AddressFault::Form { found } => {
                write!(f, "`{found}` is no timecode address\n  to mend it: write it as 01:00:00:00")
            }
            AddressFault::Range { what, found, most } => {
                write!(f, "{found} {what} are too many\n  to mend it: write 0 to {most}")
            }
            AddressFault::Dropped { frames, minutes } => write!(
                f,
                "drop-frame counting has no frame {frames} in second 0 of minute {minutes}\n  to mend it: write \
                 frame 2, or a minute that is a multiple of ten"
            ),
        }
    }
}

impl std::error::Error for AddressFault {}

impl FrameRate {
    /// Frame numbers of a day: 24 hours as counted.
    pub const fn frames_a_day(self) -> i64 {
        match self {
            FrameRate::NtscDrop => 2_589_408,
            other => 86_400 * other.counted() as i64,
        }
    }
}

impl Address {
    /// Errors: a number out of its range, or one that drop-frame counting leaves out.
    pub fn new(
        rate: FrameRate,
        hours: u32,
        minutes: u32,
        seconds: u32,
        frames: u32,
    ) -> Result<Address, AddressFault> {
        let most = [("hours", hours, 23), ("minutes", minutes, 59), ("seconds", seconds, 59)];
        let frame_limit = rate.counted() - 1;
        for (what, found, most) in most.into_iter().chain([("frames", frames, frame_limit)]) {
            if found > most {
                return Err(AddressFault::Range { what, found, most });
            }
        }
        let (minutes, frames) = (minutes as u8, frames as u8);
        if rate.drops() && frames < 2 && seconds == 0 && !minutes.is_multiple_of(10) {
            return Err(AddressFault::Dropped { frames, minutes });
        }
        Ok(Address { hours: hours as u8, minutes, seconds: seconds as u8, frames })
    }

    /// "01:00:00:00"; a `;` before the frames is as good as a `:`.
    pub fn parse(rate: FrameRate, text: &str) -> Result<Address, AddressFault> {
        let form = || AddressFault::Form { found: text.into() };
        let parts: Vec<u32> = text
            .split([':', ';'])
            .map(|part| part.parse().ok().filter(|_| part.len() <= 2 && !part.starts_with('+')))
            .collect::<Option<_>>()
            .ok_or_else(form)?;
        match parts.as_slice() {
            [hours, minutes, seconds, frames] => Address::new(rate, *hours, *minutes, *seconds, *frames),
            _ => Err(form()),
        }
    }

    /// The address of frame `number`, counted from 00:00:00:00 and going round after a day.
    ///
    /// Source: SMPTE 12M-1, drop frame: 2 numbers are left out at each minute but every tenth, so 17,982 frames
    /// are ten minutes and 1,798 a minute after its first two frames. Real-time: safe.
    pub const fn of_number(rate: FrameRate, number: i64) -> Address {
        let number = number.rem_euclid(rate.frames_a_day());
        let label = if rate.drops() {
            let (tens, rest) = (number / 17_982, number % 17_982);
            let minutes = if rest < 2 { 0 } else { (rest - 2) / 1798 };
            number + 18 * tens + 2 * minutes
        } else {
            number
        };
        let counted = rate.counted() as i64;
        let seconds = label / counted;
        Address {
            hours: (seconds / 3600 % 24) as u8,
            minutes: (seconds / 60 % 60) as u8,
            seconds: (seconds % 60) as u8,
            frames: (label % counted) as u8,
        }
    }

    /// The address of a counted second; drop-frame counting has frame 2 where it has no frame 0. Real-time: safe.
    pub const fn of_seconds(rate: FrameRate, seconds: u32) -> Address {
        let (hours, minutes) = (seconds / 3600 % 24, seconds / 60 % 60);
        let left_out = rate.drops() && seconds.is_multiple_of(60) && !minutes.is_multiple_of(10);
        Address {
            hours: hours as u8,
            minutes: minutes as u8,
            seconds: (seconds % 60) as u8,
            frames: if left_out { 2 } else { 0 },
        }
    }

    /// See [`Address::of_number`]. Real-time: safe.
    pub const fn number(self, rate: FrameRate) -> i64 {
        let minutes = self.hours as i64 * 60 + self.minutes as i64;
        let label = (minutes * 60 + self.seconds as i64) * rate.counted() as i64 + self.frames as i64;
        if rate.drops() { label - 2 * (minutes - minutes / 10) } else { label }
    }

    /// What a word says, when such an address exists at a rate. Real-time: safe.
    pub fn of_word(rate: FrameRate, word: &Word) -> Option<Address> {
        let known = word.hours < 24
            && word.minutes < 60
            && word.seconds < 60
            && u32::from(word.frames) < rate.counted()
            && word.drop == rate.drops();
        let left_out =
            rate.drops() && word.frames < 2 && word.seconds == 0 && !word.minutes.is_multiple_of(10);
        (known && !left_out).then_some(Address {
            hours: word.hours,
            minutes: word.minutes,
            seconds: word.seconds,
            frames: word.frames,
        })
    }

    /// The word that carries it. Real-time: safe.
    pub const fn word(self, rate: FrameRate, user: u32) -> Word {
        Word {
            hours: self.hours,
            minutes: self.minutes,
            seconds: self.seconds,
            frames: self.frames,
            drop: rate.drops(),
            user,
        }
    }

    /// As it is written at a rate: drop-frame addresses have a `;` before the frames.
    pub fn shown(self, rate: FrameRate) -> String {
        let mark = if rate.drops() { ';' } else { ':' };
        format!("{:02}:{:02}:{:02}{mark}{:02}", self.hours, self.minutes, self.seconds, self.frames)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_frame_of_a_day_has_an_address_of_its_own_and_comes_back() {
        for rate in FrameRate::ALL {
            let mut before = None;
            for number in 0..rate.frames_a_day() {
                let address = Address::of_number(rate, number);
                assert_eq!(address.number(rate), number, "{rate:?}");
                assert!(before < Some(address), "{rate:?} {number}");
                assert!(Address::of_word(rate, &address.word(rate, 0)).is_some());
                before = Some(address);
            }
        }
    }

    #[test]
    fn texts_are_read_and_faults_are_told() {
        let rate = FrameRate::NtscDrop;
        assert_eq!(Address::parse(rate, "00:01:00;02").map(|a| a.number(rate)), Ok(1800));
        assert_eq!(Address::of_number(rate, 1799).shown(rate), "00:00:59;29");
        let fault = Address::parse(rate, "00:01:00;01").unwrap_err();
        assert_eq!(fault, AddressFault::Dropped { frames: 1, minutes: 1 });
        assert!(Address::parse(FrameRate::Tv25, "01:00:00:25").is_err());
        assert!(Address::parse(FrameRate::Tv25, "24:00:00:00").is_err());
        assert!(Address::parse(FrameRate::Tv25, "1:2:3").is_err());
        assert!(Address::parse(FrameRate::Tv25, "001:00:00:00").is_err());
        assert!(Address::parse(FrameRate::Tv25, "+1:00:00:00").is_err());
    }
}
