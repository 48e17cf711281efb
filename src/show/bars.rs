//! Places inside a section: bars and beats to lengths from its start.

use super::model::Metre;
use crate::units::Whole;

/// Places inside a section.
#[derive(Debug)]
pub(super) struct Bars<'b> {
    pub(super) bars: &'b [Metre],
    starts: Vec<Whole>,
}

impl<'b> Bars<'b> {
    pub(super) fn new(bars: &'b [Metre]) -> Self {
        let mut starts = vec![Whole::from_integer(0)];
        for bar in bars {
            starts.push(starts.last().copied().unwrap_or_default() + bar.length());
        }
        Bars { bars, starts }
    }

    pub(super) fn length(&self) -> Whole {
        self.starts.last().copied().unwrap_or_default()
    }

    /// Start of a bar, from 1; the bar after the last one is the section's end.
    pub(super) fn start(&self, bar: u32) -> Option<Whole> {
        self.starts.get((bar as usize).checked_sub(1)?).copied()
    }

    /// Start of a beat of a bar, both from 1.
    pub(super) fn beat(&self, bar: u32, beat: u32) -> Option<Whole> {
        let metre = self.bars.get((bar as usize).checked_sub(1)?)?;
        let index = (beat as usize).checked_sub(1).filter(|index| *index < metre.groups.len())?;
        Some(self.start(bar)? + metre.beat_starts().get(index)?)
    }

    /// The place that lies some beats after a beat; the section's end counts as a place.
    pub(super) fn beats_after(&self, mut bar: u32, beat: u32, beats: u32) -> Option<Whole> {
        let mut left = beat - 1 + beats;
        loop {
            let Some(metre) = self.bars.get(bar as usize - 1) else {
                return if left == 0 { self.start(bar) } else { None };
            };
            let here = metre.groups.len() as u32;
            if left < here {
                return self.beat(bar, left + 1);
            }
            left -= here;
            bar += 1;
        }
    }

    /// The place that lies whole bars after a beat.
    pub(super) fn bars_after(&self, bar: u32, from: Whole, over: u32) -> Option<Whole> {
        let within = from - self.start(bar)?;
        let end = self.start(bar.checked_add(over)?)? + within;
        (end <= self.length()).then_some(end)
    }
}
