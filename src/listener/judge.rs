//! The listener: all output channels of a recording or of a running show.

use super::correlate::Correlator;
use super::due::{Due, Shape};
use super::ear::{Ear, Lengths};
use super::template::Template;
use super::verdict::{Finding, Outcome, Verdict};
use crate::units::{FramePos, Frames, SampleRate};
use std::sync::Arc;

/// Judges what it hears against what it was told to expect.
pub struct Listener {
    templates: Vec<Arc<Template>>,
    rate: SampleRate,
    ears: Vec<Ear>,
    correlator: Correlator,
    verdict: Verdict,
    /// Frames that judgement stays behind hearing, so that events may come after their sound.
    patience: i64,
    /// Everything that is due before has been expected; `None`: nobody says so.
    told: Option<i64>,
    since_judged: i64,
}

/// What was heard is not kept for longer, in seconds, even when nobody has told what was due.
const KEPT_SECONDS: i64 = 60;

impl Listener {
    /// `templates` are the set's sounds in their order. `channels` are the output channels of the interface.
    ///
    /// A hit may be expected up to `patience` after it was heard (start value 1 s).
    pub fn new(templates: Vec<Arc<Template>>, rate: SampleRate, channels: usize) -> Listener {
        let lengths = Lengths::at(rate.hertz());
        let longest = templates.iter().map(|template| template.judged()).max().unwrap_or(0);
        let size = 2 * lengths.extra as usize + longest + 1;
        Listener {
            templates,
            rate,
            ears: (0..channels).map(|channel| Ear::new(channel as u16, lengths)).collect(),
            correlator: Correlator::new(size),
            verdict: Verdict::default(),
            patience: i64::from(rate.hertz()),
            told: None,
            since_judged: 0,
        }
    }

    /// The templates of a set's sounds.
    pub fn templates(set: &crate::click::set::Set) -> Vec<Arc<Template>> {
        let rate = set.rate.hertz();
        set.sounds.iter().map(|sound| Template::new(&sound.samples, sound.lead as usize, rate)).collect()
    }

    /// More sounds (a set loaded later); returns the index of the first of them.
    pub fn add_sounds(&mut self, templates: Vec<Arc<Template>>) -> usize {
        let first = self.templates.len();
        self.templates.extend(templates);
        first
    }

    /// How far judgement stays behind hearing.
    pub fn set_patience(&mut self, patience: Frames) {
        self.patience = patience.0.max(0);
    }

    /// Every hit before this frame has been expected: what sounds after it is not judged yet, for a minute at most. Who
    /// will tell says so at the start.
    pub fn told(&mut self, until: FramePos) {
        self.told = self.told.max(Some(until.0));
    }

    /// One hit that is due. A channel or a sound that does not exist makes it `Unheard`, so that a plan
    /// that does not fit the recording never looks clean.
    pub fn expect(&mut self, due: Due) {
        let template = self.template(&due.shape);
        let or = due.or.as_ref().and_then(|(shape, gain)| Some((self.template(shape)?, *gain)));
        match (self.ears.get_mut(usize::from(due.channel)), template) {
            (Some(ear), Some(template)) => ear.expect(due, template, or),
            _ => self.impossible(&due),
        }
    }

    /// Tails of a click (`None`: of every click) on a channel end here by plan.
    pub fn cut(&mut self, channel: u16, click: Option<u8>, at: FramePos) {
        if let Some(ear) = self.ears.get_mut(usize::from(channel)) {
            ear.cut(click, at.0);
        }
    }

    /// Sound may begin on this channel without a hit (a return from all out, a splice).
    pub fn edge(&mut self, channel: u16, at: FramePos) {
        if let Some(ear) = self.ears.get_mut(usize::from(channel)) {
            ear.edge(at.0);
        }
    }

    /// Samples of every output channel from `at` on. A gap since the last ones is frames that nobody asked
    /// for (the last `lost` of it) and frames that the recording dropped (the rest).
    pub fn hear(&mut self, at: FramePos, lost: Frames, outputs: &[&[f32]]) {
        for (ear, samples) in self.ears.iter_mut().zip(outputs) {
            ear.hear(at.0, lost.0, samples);
        }
        self.since_judged += outputs.first().map_or(0, |samples| samples.len() as i64);
        if self.since_judged >= i64::from(self.rate.hertz()) / 8 {
            self.since_judged = 0;
            self.judge();
        }
    }

    /// Frames held in memory, over all channels.
    pub fn held_frames(&self) -> usize {
        self.ears.iter().map(Ear::held_frames).sum()
    }

    /// What was found so far (about the patience behind).
    pub fn so_far(&self) -> &Verdict {
        &self.verdict
    }

    /// The recording is over.
    pub fn finish(mut self) -> Verdict {
        for ear in &mut self.ears {
            ear.finish(&mut self.correlator, &mut self.verdict);
        }
        self.verdict
    }

    fn judge(&mut self) {
        let kept = KEPT_SECONDS * i64::from(self.rate.hertz());
        for ear in &mut self.ears {
            if let Some(end) = ear.end() {
                let settled = end - self.patience;
                let limit = self.told.map_or(settled, |told| told.min(settled).max(end - kept));
                ear.judge(limit, &mut self.correlator, &mut self.verdict);
            }
        }
    }

    fn template(&self, shape: &Shape) -> Option<Arc<Template>> {
        match shape {
            Shape::Sound(index) => self.templates.get(*index).cloned(),
            Shape::Own(template) => Some(Arc::clone(template)),
        }
    }

    fn impossible(&mut self, due: &Due) {
        let finding = Finding {
            outcome: Outcome::Unheard,
            frame: due.frame.0,
            channel: due.channel,
            click: due.click,
            song: due.song,
            bar: due.bar,
            beat: due.beat,
            subdivision: due.subdivision,
            kind: Some(due.kind),
            error_frames: 0.0,
            level_db: -200.0,
        };
        self.verdict.add(finding, false);
    }
}

/// Judges a whole recording: planar samples whose first frame is `at`.
pub fn judge(
    templates: Vec<Arc<Template>>,
    rate: SampleRate,
    at: FramePos,
    outputs: &[&[f32]],
    dues: impl IntoIterator<Item = Due>,
) -> Verdict {
    let mut listener = Listener::new(templates, rate, outputs.len());
    for due in dues {
        listener.expect(due);
    }
    let frames = outputs.first().map_or(0, |samples| samples.len());
    for from in (0..frames).step_by(4096) {
        let piece: Vec<&[f32]> =
            outputs.iter().map(|samples| &samples[from..(from + 4096).min(samples.len())]).collect();
        listener.hear(at + Frames(from as i64), Frames(0), &piece);
    }
    listener.finish()
}
