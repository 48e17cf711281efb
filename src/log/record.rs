//! Takes what went through the engine out of its rings: into a recording, and to the listener.

use crate::listener::Listener;
use crate::realtime::stream::TapHeader;
use crate::units::{FramePos, Frames};
use ringbuf::HeapCons;
use ringbuf::traits::{Consumer, Observer};

/// Where a recording goes: outputs first, then inputs, one slice a channel.
pub trait TakeSink: Send {
    /// Errors: in words; the recorder stops giving it more and goes on with the rest.
    fn write(&mut self, planar: &[&[f32]]) -> Result<(), String>;
}

impl TakeSink for crate::wav::LiveWriter {
    fn write(&mut self, planar: &[&[f32]]) -> Result<(), String> {
        crate::wav::LiveWriter::write(self, planar).map_err(|why| why.to_string())
    }
}

/// What a recorder has seen.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Taken {
    /// Device frame of the recording's first frame.
    pub first: Option<FramePos>,
    /// Device frame after its last.
    pub end: FramePos,
    /// Frames that nobody asked for, and frames that found the ring full: silence in the recording.
    pub lost_frames: u64,
    pub dropped_frames: u64,
    pub dropped_blocks: u64,
    /// The recording's own failure.
    pub failed: Option<String>,
}

/// Most frames of silence written at once.
const SILENCE: usize = 4096;

/// Told of each block: frames lost before it, its inputs, its outputs.
pub type Also<'a> = &'a mut dyn FnMut(u64, &[&[f32]], &[&[f32]]);

/// Drains the tap. The file's frame is the device's frame minus the first one, whatever was lost.
pub struct Recorder<S> {
    headers: HeapCons<TapHeader>,
    samples: HeapCons<f32>,
    inputs: usize,
    outputs: usize,
    sink: Option<S>,
    taken: Taken,
    buffer: Vec<f32>,
    silence: Vec<f32>,
}

impl<S: TakeSink> Recorder<S> {
    /// `sink` may be absent: then only the listener hears.
    pub fn new(
        headers: HeapCons<TapHeader>,
        samples: HeapCons<f32>,
        inputs: usize,
        outputs: usize,
        sink: Option<S>,
    ) -> Recorder<S> {
        let (buffer, silence) = (Vec::new(), vec![0.0; SILENCE]);
        Recorder { headers, samples, inputs, outputs, sink, taken: Taken::default(), buffer, silence }
    }

    pub fn taken(&self) -> &Taken {
        &self.taken
    }

    pub fn sink_mut(&mut self) -> Option<&mut S> {
        self.sink.as_mut()
    }

    /// The recording, to be finished.
    pub fn into_sink(self) -> (Option<S>, Taken) {
        (self.sink, self.taken)
    }

    /// Takes everything that has come; returns the number of blocks. Never waits.
    pub fn take(&mut self, listener: Option<&mut Listener>) -> usize {
        self.take_with(listener, &mut |_, _, _| {})
    }

    /// The same; `also` is told of each block: frames lost before it, its inputs, its outputs.
    pub fn take_with(&mut self, mut listener: Option<&mut Listener>, also: Also<'_>) -> usize {
        let mut blocks = 0;
        while let Some(header) = self.next_header() {
            let frames = header.frames as usize;
            self.buffer.resize((self.inputs + self.outputs) * frames, 0.0);
            let got = self.samples.pop_slice(&mut self.buffer);
            self.buffer[got..].fill(0.0);
            let gap = self.account(&header);
            let channel = |index: usize| &self.buffer[index * frames..(index + 1) * frames];
            let outputs: Vec<&[f32]> = (0..self.outputs).map(|index| channel(self.inputs + index)).collect();
            if let Some(listener) = listener.as_deref_mut() {
                listener.hear(header.at, Frames(i64::from(header.lost)), &outputs);
            }
            let inputs: Vec<&[f32]> = (0..self.inputs).map(channel).collect();
            also(gap, &inputs, &outputs);
            let planar: Vec<&[f32]> = outputs.into_iter().chain(inputs).collect();
            put(&mut self.sink, &mut self.taken.failed, &planar);
            blocks += 1;
        }
        blocks
    }

    /// The next header, once its samples are there: they may come a moment later.
    fn next_header(&mut self) -> Option<TapHeader> {
        let header = *self.headers.try_peek()?;
        let wanted = (self.inputs + self.outputs) * header.frames as usize;
        (self.samples.occupied_len() >= wanted).then(|| self.headers.try_pop()).flatten()
    }

    /// Keeps count, and writes silence for frames that did not come; gives how many.
    fn account(&mut self, header: &TapHeader) -> u64 {
        let taken = &mut self.taken;
        taken.dropped_blocks += u64::from(header.dropped);
        if taken.first.is_none() {
            (taken.first, taken.end) = (Some(header.at), header.at);
        }
        let mut gap = usize::try_from((header.at - taken.end).0).unwrap_or(0);
        let missing = gap as u64;
        let lost = (header.lost as usize).min(gap);
        taken.lost_frames += lost as u64;
        taken.dropped_frames += (gap - lost) as u64;
        taken.end = header.at + Frames(i64::from(header.frames));
        while gap > 0 {
            let piece = gap.min(SILENCE);
            let planar = vec![&self.silence[..piece]; self.inputs + self.outputs];
            put(&mut self.sink, &mut self.taken.failed, &planar);
            gap -= piece;
        }
        missing
    }
}

fn put<S: TakeSink>(sink: &mut Option<S>, failed: &mut Option<String>, planar: &[&[f32]]) {
    if failed.is_some() {
        return;
    }
    if let Some(sink) = sink {
        *failed = sink.write(planar).err();
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use ringbuf::HeapRb;
    use ringbuf::traits::{Producer, Split};

    #[derive(Default)]
    struct Memory {
        channels: Vec<Vec<f32>>,
        fails_after: Option<usize>,
    }

    impl TakeSink for Memory {
        fn write(&mut self, planar: &[&[f32]]) -> Result<(), String> {
            self.channels.resize(planar.len(), Vec::new());
            if self.fails_after.is_some_and(|frames| self.channels[0].len() >= frames) {
                return Err("no space left".into());
            }
            self.channels.iter_mut().zip(planar).for_each(|(to, from)| to.extend_from_slice(from));
            Ok(())
        }
    }

    /// One input, one output; the output's sample is its device frame, the input's the negative of it.
    fn recorder(blocks: &[(i64, u32, u32, u32)], sink: Memory) -> Recorder<Memory> {
        let (mut headers, headers_out) = HeapRb::new(64).split();
        let (mut samples, samples_out) = HeapRb::new(1 << 16).split();
        for (at, frames, lost, dropped) in blocks {
            let header = TapHeader { at: FramePos(*at), frames: *frames, lost: *lost, dropped: *dropped };
            headers.try_push(header).unwrap();
            for sign in [-1.0, 1.0] {
                (0..*frames).for_each(|n| {
                    samples.try_push(sign * (*at as f32 + n as f32)).unwrap();
                });
            }
        }
        Recorder::new(headers_out, samples_out, 1, 1, Some(sink))
    }

    #[test]
    fn a_frame_of_the_file_is_a_frame_of_the_device_whatever_was_lost() {
        let blocks = [(100, 64, 0, 0), (164, 10, 0, 0), (10_000, 16, 500, 3)];
        let mut recorder = recorder(&blocks, Memory::default());
        assert_eq!(recorder.take(None), 3);
        let (sink, taken) = recorder.into_sink();
        let channels = sink.unwrap().channels;
        assert_eq!(channels[0].len(), 9_916);
        for (file, sample) in channels[0].iter().enumerate() {
            let device = file as i64 + 100;
            let heard = (100..174).contains(&device) || device >= 10_000;
            assert_eq!(*sample, if heard { device as f32 } else { 0.0 });
            assert_eq!(channels[1][file], -sample);
        }
        assert_eq!((taken.lost_frames, taken.dropped_frames, taken.dropped_blocks), (500, 9_326, 3));
        assert_eq!((taken.first, taken.end), (Some(FramePos(100)), FramePos(10_016)));
    }

    #[test]
    fn a_full_disk_ends_the_recording_and_nothing_else() {
        let blocks = [(0, 64, 0, 0), (64, 64, 0, 0), (128, 64, 0, 0)];
        let sink = Memory { fails_after: Some(64), ..Memory::default() };
        let mut recorder = recorder(&blocks, sink);
        assert_eq!(recorder.take(None), 3);
        assert_eq!(recorder.taken().failed.as_deref(), Some("no space left"));
        assert_eq!(recorder.taken().end, FramePos(192));
    }

    #[test]
    fn a_header_whose_samples_have_not_come_waits() {
        let (mut headers, headers_out) = HeapRb::new(4).split();
        let (mut samples, samples_out) = HeapRb::<f32>::new(64).split();
        headers.try_push(TapHeader { at: FramePos(0), frames: 4, lost: 0, dropped: 0 }).unwrap();
        let mut recorder = Recorder::new(headers_out, samples_out, 0, 1, Some(Memory::default()));
        assert_eq!(recorder.take(None), 0);
        samples.push_slice(&[0.5; 4]);
        assert_eq!(recorder.take(None), 1);
        assert_eq!(recorder.into_sink().0.unwrap().channels, [vec![0.5; 4]]);
    }
}
