//! One piece of one channel on its way between two processes.
//!
//! Little endian: 8 bytes of a mark, the sender's run (u64), its frames a second (f64), the first frame (i64), the
//! channel's tag (u16), the count of frames (u16), 4 bytes of zero, then the frames (f32 each).

/// Frames of the longest piece: with its head it fits every system's largest datagram.
pub(super) const MOST_FRAMES: usize = 256;

const HEAD: usize = 40;
const MARK: &[u8; 8] = b"fogline1";

/// Bytes of the longest piece.
pub(super) const MOST_BYTES: usize = HEAD + 4 * MOST_FRAMES;

/// What a piece says of itself.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Head {
    /// Of one run of one process: another run is another number.
    pub run: u64,
    /// By the computer's clock, drift included.
    pub frames_a_second: f64,
    /// On the sender's count, lost frames included.
    pub first: i64,
    pub tag: u16,
    pub frames: u16,
}

/// Why bytes are no piece.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Refused {
    /// Cut, too long, or not as long as the head says.
    Size,
    Mark,
    /// Frames a second, or a frame's number, that no device has.
    Clock,
    /// A sample is no number.
    NotANumber,
}

/// Writes a piece; the bytes that are used are handed back. At most [`MOST_FRAMES`] samples are taken.
pub(super) fn write<'b>(head: Head, samples: &[f32], bytes: &'b mut [u8; MOST_BYTES]) -> &'b [u8] {
    let samples = samples.get(..MOST_FRAMES).unwrap_or(samples);
    let fields = MARK
        .iter()
        .copied()
        .chain(head.run.to_le_bytes())
        .chain(head.frames_a_second.to_le_bytes())
        .chain(head.first.to_le_bytes())
        .chain(head.tag.to_le_bytes())
        .chain((samples.len() as u16).to_le_bytes())
        .chain([0; 4])
        .chain(samples.iter().flat_map(|sample| sample.to_le_bytes()));
    let mut length = 0;
    for (place, byte) in bytes.iter_mut().zip(fields) {
        *place = byte;
        length += 1;
    }
    &bytes[..length]
}

/// Reads a piece; its samples go to the front of `samples`.
pub(super) fn read(bytes: &[u8], samples: &mut [f32; MOST_FRAMES]) -> Result<Head, Refused> {
    let (head, body) = bytes.split_first_chunk::<HEAD>().ok_or(Refused::Size)?;
    if !head.starts_with(MARK) {
        return Err(Refused::Mark);
    }
    let eight = |at: usize| head[at..at + 8].try_into().unwrap_or([0; 8]);
    let two = |at: usize| u16::from_le_bytes(head[at..at + 2].try_into().unwrap_or([0; 2]));
    let head = Head {
        run: u64::from_le_bytes(eight(8)),
        frames_a_second: f64::from_le_bytes(eight(16)),
        first: i64::from_le_bytes(eight(24)),
        tag: two(32),
        frames: two(34),
    };
    let frames = usize::from(head.frames);
    if !(1..=MOST_FRAMES).contains(&frames) || body.len() != 4 * frames {
        return Err(Refused::Size);
    }
    // Far beyond any night, and so far that no sum below leaves 64 bits.
    if !(1_000.0..=1e6).contains(&head.frames_a_second) || !(0..1 << 52).contains(&head.first) {
        return Err(Refused::Clock);
    }
    for (sample, bytes) in samples.iter_mut().zip(body.chunks_exact(4)) {
        *sample = f32::from_le_bytes(bytes.try_into().unwrap_or([0; 4]));
    }
    let all_numbers = samples[..frames].iter().all(|sample| sample.is_finite());
    if all_numbers { Ok(head) } else { Err(Refused::NotANumber) }
}

#[cfg(test)]
mod tests {
    use super::*;

    const SAID: Head = Head { run: 0x0102_0304, frames_a_second: 48_004.8, first: 96_000, tag: 2, frames: 3 };

    fn bytes_of(head: Head, samples: &[f32]) -> Vec<u8> {
        write(head, samples, &mut [0; MOST_BYTES]).to_vec()
    }

    #[test]
    fn what_is_written_is_read_to_the_bit() {
        let samples: Vec<f32> = (0..MOST_FRAMES).map(|n| (n as f32 * 0.37).sin()).collect();
        let head = Head { frames: MOST_FRAMES as u16, ..SAID };
        let mut read_back = [0.0; MOST_FRAMES];
        assert_eq!(read(&bytes_of(head, &samples), &mut read_back), Ok(head));
        assert_eq!(read_back[..], samples[..]);
    }

    #[test]
    fn each_kind_of_damage_is_refused_by_name() {
        let good = bytes_of(SAID, &[0.5, -0.5, 0.25]);
        let mut samples = [0.0; MOST_FRAMES];
        let mut said = |bytes: &[u8]| read(bytes, &mut samples);
        assert!(said(&good).is_ok());
        assert_eq!(said(&good[..good.len() - 1]), Err(Refused::Size));
        assert_eq!(said(&good[..20]), Err(Refused::Size));
        assert_eq!(said(&[good.clone(), vec![0]].concat()), Err(Refused::Size));
        assert_eq!(said(&bytes_of(SAID, &[])), Err(Refused::Size));
        assert_eq!(said(&[b"x".to_vec(), good[1..].to_vec()].concat()), Err(Refused::Mark));
        for frames_a_second in [f64::NAN, 0.0, -48_000.0, 1e9] {
            assert_eq!(said(&bytes_of(Head { frames_a_second, ..SAID }, &[0.1])), Err(Refused::Clock));
        }
        assert_eq!(said(&bytes_of(Head { first: -1, ..SAID }, &[0.1])), Err(Refused::Clock));
        assert_eq!(said(&bytes_of(Head { first: i64::MAX, ..SAID }, &[0.1])), Err(Refused::Clock));
        for bad in [f32::NAN, f32::INFINITY] {
            assert_eq!(said(&bytes_of(SAID, &[0.1, bad, 0.2])), Err(Refused::NotANumber));
        }
    }

    proptest::proptest! {
        #[test]
        fn any_bytes_are_read_or_refused(bytes in proptest::collection::vec(0u8.., 0..1200), mark: bool) {
            let mut bytes = bytes;
            if mark {
                bytes.splice(..bytes.len().min(8), MARK.iter().copied());
            }
            let mut samples = [0.0; MOST_FRAMES];
            if let Ok(head) = read(&bytes, &mut samples) {
                proptest::prop_assert_eq!(bytes_of(head, &samples[..usize::from(head.frames)]).len(), bytes.len());
            }
        }
    }
}
