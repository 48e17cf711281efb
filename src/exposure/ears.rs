//! Every ear mix of a rig, metered from what leaves and what comes back.

use super::figures::{Figures, Source};
use super::meter::Meter;
use crate::show::model::{EarLine, Outlet, Rig};
use crate::units::SampleRate;

/// One feed, where it is heard and its meter.
#[derive(Clone, Debug)]
struct Ear {
    feed: String,
    source: Source,
    /// From 0, of the inputs for a return, of the outputs for a feed.
    channels: Vec<usize>,
    meter: Meter,
}

/// The meters of all feeds.
#[derive(Clone, Debug)]
pub struct Ears {
    ears: Vec<Ear>,
}

impl Ears {
    /// `outlets` are those that the rig uses on this interface.
    pub fn new(rig: &Rig, outlets: &[Outlet], rate: SampleRate) -> Ears {
        let feeds = outlets.iter().flat_map(|outlet| outlet.feeds.iter().map(move |feed| (feed, outlet)));
        let ears = feeds.map(|(feed, outlet)| {
            let line = rig.exposure.iter().find(|line| line.feed == *feed);
            let returns = line.map(|line| line.returns.as_slice()).filter(|returns| !returns.is_empty());
            let source = if returns.is_some() { Source::Return } else { Source::Feed };
            let channels = returns.unwrap_or(&outlet.channels);
            let channels: Vec<usize> =
                channels.iter().map(|channel| usize::from(*channel).saturating_sub(1)).collect();
            let meter = Meter::new(rate, channels.len(), line.and_then(|line| line.calibration));
            Ear { feed: feed.clone(), source, channels, meter }
        });
        Ears { ears: ears.collect() }
    }

    /// One mix that is heard whole, as a recording of it is.
    pub fn of_one(line: &EarLine, channels: &[u16], rate: SampleRate) -> Ears {
        let channels: Vec<usize> =
            channels.iter().map(|channel| usize::from(*channel).saturating_sub(1)).collect();
        let meter = Meter::new(rate, channels.len(), line.calibration);
        Ears { ears: vec![Ear { feed: line.feed.clone(), source: Source::Return, channels, meter }] }
    }

    /// The next stretch of time on all channels of the interface, `lost` frames after the last one.
    pub fn hear(&mut self, lost: u64, inputs: &[&[f32]], outputs: &[&[f32]]) {
        for ear in &mut self.ears {
            ear.meter.skip(lost);
            let of = if ear.source == Source::Return { inputs } else { outputs };
            let heard: Vec<&[f32]> =
                ear.channels.iter().map(|channel| of.get(*channel).copied().unwrap_or(&[])).collect();
            let frames = inputs.iter().chain(outputs).map(|samples| samples.len()).max().unwrap_or(0);
            if heard.iter().all(|samples| samples.is_empty()) {
                ear.meter.skip(frames as u64);
            } else {
                ear.meter.hear(&heard);
            }
        }
    }

    /// How long was listened.
    pub fn seconds(&self) -> f64 {
        self.ears.first().map_or(0.0, |ear| ear.meter.dose().seconds)
    }

    pub fn figures(&self) -> Vec<Figures> {
        self.ears.iter().map(|ear| Figures::of(&ear.feed, ear.source, &ear.meter)).collect()
    }
}

/// The mix to be named where there is room for one: the one with the largest dose, without any the loudest now.
pub fn foremost<'f>(figures: impl IntoIterator<Item = &'f Figures>) -> Option<&'f Figures> {
    let weight = |one: &Figures| {
        let dose = one.calibrated.as_ref().map_or(-1.0, |known| known.niosh_percent);
        (dose, one.now_dbfs.unwrap_or(f64::NEG_INFINITY))
    };
    let order = |a: &&Figures, b: &&Figures| {
        let (a, b) = (weight(a), weight(b));
        a.0.total_cmp(&b.0).then(a.1.total_cmp(&b.1))
    };
    figures.into_iter().max_by(order)
}
