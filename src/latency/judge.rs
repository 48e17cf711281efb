//! The verdict: a round trip that can be believed, or the reason why there is none.

use super::estimate::{Estimator, Fine};
use super::probe::Probe;
use super::refusal::Refusal;
use super::search::{Found, Heard, best_cluster, hear, line, peaks, votes};
use super::suspects::{Common, common, decibels, flat_samples, hum, median, others, peak, trail};
use serde::{Deserialize, Serialize};

/// What the probe went through.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Path {
    /// Output, cable, input: one arrival, no trail.
    #[default]
    Cable,
    /// A loudspeaker and a microphone: walls answer, the first arrival counts.
    Air,
}

/// How to judge.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Options {
    pub path: Path,
    /// The longest delay looked for, in seconds; two at most make sense, see [`Probe::new`].
    pub longest_delay: f64,
}

impl Default for Options {
    fn default() -> Options {
        Options { path: Path::Cable, longest_delay: 2.0 }
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Polarity {
    /// As it was sent.
    Normal,
    Inverted,
}

/// One shot of the measurement.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Shot {
    /// Frame of the probe on which it starts.
    pub start: usize,
    pub delay_frames: f64,
    pub level_db: f64,
}

/// A round trip. Lengths are in frames, with their fraction.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Measurement {
    /// Mean of the shots that agree.
    pub round_trip_frames: f64,
    pub round_trip_ms: f64,
    /// Half width of the 95 % interval: the larger of what the shots' scatter and the noise's bound give.
    pub interval_95_frames: f64,
    pub median_frames: f64,
    /// Latest shot less earliest.
    pub spread_frames: f64,
    /// The latest shot.
    pub worst_frames: f64,
    pub polarity: Polarity,
    /// Peak of what came back, if the probe was played at full scale: the path's gain.
    pub level_db: f64,
    /// Mean power of a shot over that of the noise in the same band; 120 at most.
    pub snr_db: f64,
    /// Shots that agree, of those played.
    pub shots: usize,
    pub shots_played: usize,
    /// Slope of the delays; within the scatter it means nothing.
    pub drift_ppm: f64,
    /// The Cramér–Rao bound of one shot's standard deviation.
    pub bound_frames: f64,
    /// A weaker arrival behind the first: its distance and its level against it.
    pub echo: Option<Echo>,
    pub each: Vec<Shot>,
}

/// A weaker, later arrival.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Echo {
    pub after_frames: f64,
    pub level_db: f64,
}

/// Measured, or refused with a reason.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(tag = "outcome", rename_all = "snake_case")]
pub enum Answer {
    Measured(Measurement),
    Refused(Refusal),
}

impl Answer {
    /// The measurement, when there is one.
    pub fn measured(&self) -> Option<&Measurement> {
        match self {
            Answer::Measured(measurement) => Some(measurement),
            Answer::Refused(_) => None,
        }
    }

    pub fn refused(&self) -> Option<&Refusal> {
        match self {
            Answer::Measured(_) => None,
            Answer::Refused(refusal) => Some(refusal),
        }
    }
}

/// Peaks over the floor that count when several shots must agree, and when one stands alone.
const AGREEING: f64 = 5.5;
const ALONE: f64 = 8.0;

/// `√frames × likeness` that a shot must reach; noise alone gives about 1, a stray bang up to 6 with a click.
const STANDING: f64 = 6.5;

/// Shots of one path are this much alike in level; one that is not was cut, or is something else.
const LEVELS: f64 = 1.6;

/// What all shots together must stand above the noise, so that a first arrival 6 dB below the second is seen.
const TOGETHER: f64 = 12.0;

/// Noise reaches this many times its spread nowhere in a recording.
const NOWHERE: f64 = 6.0;

/// An arrival before the main one that is this strong makes it doubtful which is meant; right beside it, where a
/// path's own response rings too (a loudspeaker-like band-pass: up to 0.17); and behind it.
const BEFORE: f64 = 0.15;
const BESIDE_IN_CABLE: f64 = 0.22;
const BESIDE_IN_AIR: f64 = 0.4;
const BEHIND_IN_CABLE: f64 = 0.5;
const BEHIND_IN_AIR: f64 = 0.9;

/// A change over the measurement that is refused if it is steady, and a scatter that is refused anyhow.
const DRIFT_FRAMES: f64 = 0.25;
const SCATTER_FRAMES: f64 = 0.3;

/// Hum that carries this much of a recording's power is what is wrong with it.
const HUM_SHARE: f64 = 0.5;

/// A trail louder than this is a room's.
const TRAIL_DB: f64 = -10.0;

/// Two-sided 95 % points of Student's distribution for 1, 2, 3, … degrees of freedom (any table of it).
const STUDENT: [f64; 15] = [
    12.706, 4.303, 3.182, 2.776, 2.571, 2.447, 2.365, 2.306, 2.262, 2.228, 2.201, 2.179, 2.160, 2.145, 2.131,
];

/// What the interval never falls below: rounding in the estimate itself.
const GRAIN_FRAMES: f64 = 1e-4;

/// Judges a recording whose first sample is the frame on which the probe started.
///
/// Shape: mono; frames past [`Probe::frames_to_record`] are not looked at. Range: any; what is no number is
/// silence. Panics: never.
pub fn analyse(probe: &Probe, recording: &[f32], options: &Options) -> Answer {
    match Case::open(probe, recording, options).and_then(Case::close) {
        Ok(measurement) => Answer::Measured(measurement),
        Err(refusal) => Answer::Refused(refusal),
    }
}

/// What is known of one recording.
struct Case<'a> {
    probe: &'a Probe,
    options: &'a Options,
    longest: usize,
    recording: &'a [f32],
    heard: Heard,
    estimator: Estimator,
    shots: Vec<Fine>,
}

impl<'a> Case<'a> {
    /// Finds the shots.
    fn open(probe: &'a Probe, recording: &'a [f32], options: &'a Options) -> Result<Case<'a>, Refusal> {
        let rate = f64::from(probe.rate.hertz());
        let longest = (options.longest_delay.clamp(0.0, 10.0) * rate) as usize;
        let recording = &recording[..recording.len().min(probe.frames_to_record(longest))];
        let loudest = peak(recording);
        if loudest < 1e-6 {
            return Err(Refusal::NothingCameBack { peak_db: decibels(loudest) });
        }
        let flat = flat_samples(recording);
        if flat > 0 {
            return Err(Refusal::Clipped { samples: flat, peak_db: decibels(loudest) });
        }
        let heard = hear(probe, recording, longest);
        let found = look(probe, &heard, longest);
        if !enough(probe, &found.on_line) {
            return Err(why_not(probe, recording, &heard, &found, longest));
        }
        let estimator = Estimator::new(probe);
        let shots: Vec<Fine> =
            found.on_line.iter().filter_map(|one| estimator.refine(probe, &heard, one)).collect();
        Ok(Case { probe, options, longest, recording, heard, estimator, shots })
    }

    /// Weighs them.
    fn close(mut self) -> Result<Measurement, Refusal> {
        self.drop_strays()?;
        let slope = self.drift()?;
        let scatter = deviation(self.shots.iter().map(|fine| fine.delay));
        let height = self.gain() * self.estimator.search_energy.sqrt();
        let all = common(self.probe, &self.heard, &self.shots, height, self.longest);
        if scatter > SCATTER_FRAMES || all.height < TOGETHER * all.noise {
            return Err(self.too_noisy());
        }
        let echo = self.arrivals(&all)?;
        self.room(&all)?;
        let measurement = self.measurement(slope, scatter, echo);
        if measurement.interval_95_frames > 0.5 { Err(self.too_noisy()) } else { Ok(measurement) }
    }

    fn too_noisy(&self) -> Refusal {
        let hum = hum(self.recording, f64::from(self.probe.rate.hertz()));
        if hum.share > HUM_SHARE {
            return Refusal::Hum { hertz: hum.hertz, level_db: decibels(hum.level) };
        }
        let snr_db = (!self.shots.is_empty()).then(|| self.snr_db());
        Refusal::TooNoisy { found: self.shots.len(), shots: self.probe.shots.len(), snr_db }
    }

    /// Takes out shots that stand out too little, are turned over, or lie beside the others.
    fn drop_strays(&mut self) -> Result<(), Refusal> {
        let normal = self.shots.iter().filter(|fine| fine.gain > 0.0).count() * 2 >= self.shots.len();
        let mut delays: Vec<f64> = self.shots.iter().map(|fine| fine.delay).collect();
        let middle = median(&mut delays);
        let mut away: Vec<f64> = delays.iter().map(|delay| (delay - middle).abs()).collect();
        let bound = self.estimator.bound(self.noise(), self.gain());
        let allowed = (6.0 * median(&mut away) / 0.6745).max(6.0 * bound).max(0.02);
        let drifts = self.shots.len() >= 3 && self.slope().0.abs() * self.span() > DRIFT_FRAMES;
        let gain = self.gain();
        self.shots.retain(|fine| {
            (fine.gain > 0.0) == normal
                && fine.standing >= STANDING
                && (1.0 / LEVELS..LEVELS).contains(&(fine.gain.abs() / gain))
                && (drifts || (fine.delay - middle).abs() <= allowed)
        });
        let shots: Vec<usize> = self.shots.iter().map(|fine| fine.shot).collect();
        if enough_of(self.probe.shots.len(), &shots) { Ok(()) } else { Err(self.too_noisy()) }
    }

    fn span(&self) -> f64 {
        (self.probe.shots[self.probe.shots.len() - 1] - self.probe.shots[0]) as f64
    }

    /// Slope of the delays by least squares, and its standard error from the scatter around it.
    fn slope(&self) -> (f64, f64) {
        let count = self.shots.len() as f64;
        let start = |fine: &Fine| self.probe.shots[fine.shot] as f64;
        let mean_start = self.shots.iter().map(start).sum::<f64>() / count;
        let mean = self.shots.iter().map(|fine| fine.delay).sum::<f64>() / count;
        let square: f64 = self.shots.iter().map(|fine| (start(fine) - mean_start).powi(2)).sum();
        if self.shots.len() < 3 || square == 0.0 {
            return (0.0, f64::INFINITY);
        }
        let product: f64 =
            self.shots.iter().map(|fine| (start(fine) - mean_start) * (fine.delay - mean)).sum();
        let slope = product / square;
        let rest: f64 = self
            .shots
            .iter()
            .map(|fine| (fine.delay - mean - slope * (start(fine) - mean_start)).powi(2))
            .sum();
        (slope, (rest / (count - 2.0) / square).sqrt())
    }

    /// Frames per frame; refuses what moves steadily.
    fn drift(&self) -> Result<f64, Refusal> {
        let (slope, error) = self.slope();
        let ends = [self.shots.first(), self.shots.last()].map(|fine| fine.map_or(0.0, |fine| fine.delay));
        let moved = slope * self.span();
        let two_moved = self.shots.len() == 2 && (ends[1] - ends[0]).abs() > DRIFT_FRAMES;
        if (moved.abs() > DRIFT_FRAMES && slope.abs() > 4.0 * error) || two_moved {
            let ppm = if two_moved { (ends[1] - ends[0]) / self.span() } else { slope } * 1e6;
            return Err(Refusal::ClocksDiffer { ppm, first_frames: ends[0], last_frames: ends[1] });
        }
        Ok(slope)
    }

    /// Refuses when another arrival could be meant as well.
    fn arrivals(&self, all: &Common) -> Result<Option<Echo>, Refusal> {
        let main = self.mean();
        let (before, beside, behind) = others(self.probe, all);
        let doubt = NOWHERE * all.noise / all.height;
        let (beside_allowed, behind_allowed) = match self.options.path {
            Path::Cable => (BESIDE_IN_CABLE, BEHIND_IN_CABLE),
            Path::Air => (BESIDE_IN_AIR, BEHIND_IN_AIR),
        };
        let beside = beside.filter(|other| other.height > beside_allowed.max(doubt));
        let before = before.filter(|other| other.height > BEFORE.max(doubt)).or(beside);
        let twin = behind.filter(|other| other.height > behind_allowed.max(doubt));
        if let Some(other) = before.or(twin) {
            let (first, second) =
                if other.lag < 0 { (other.lag as f64, 0.0) } else { (0.0, other.lag as f64) };
            return Err(Refusal::TwoArrivals {
                first_frames: main + first,
                second_frames: main + second,
                second_below_db: -decibels(other.height),
            });
        }
        let echo = behind.filter(|other| other.height > (0.1f64).max(doubt));
        Ok(echo.map(|other| Echo { after_frames: other.lag as f64, level_db: decibels(other.height) }))
    }

    /// Refuses a room where a cable was to be measured.
    fn room(&self, all: &Common) -> Result<(), Refusal> {
        match trail(self.probe, all) {
            Some(trail_db) if trail_db > TRAIL_DB && self.options.path == Path::Cable => {
                Err(Refusal::AcousticPickUp { trail_db })
            }
            _ => Ok(()),
        }
    }

    fn mean(&self) -> f64 {
        self.shots.iter().map(|fine| fine.delay).sum::<f64>() / self.shots.len().max(1) as f64
    }

    /// Mean square of the noise, as if it were white. What a shot leaves unexplained is the path's own colour
    /// too; with shots to compare, the quiet between them may say less.
    fn noise(&self) -> f64 {
        let mut rest: Vec<f64> = self.shots.iter().map(|fine| fine.residual).collect();
        let rest = median(&mut rest) / self.estimator.heard_share;
        if self.shots.len() < 3 { rest } else { rest.min(self.heard.floor.powi(2)) }
    }

    fn gain(&self) -> f64 {
        let mut gains: Vec<f64> = self.shots.iter().map(|fine| fine.gain.abs()).collect();
        median(&mut gains)
    }

    fn snr_db(&self) -> f64 {
        let shot: f64 = self.probe.shot().iter().map(|x| f64::from(*x).powi(2)).sum();
        let power = self.gain().powi(2) * shot / self.probe.shot_frames as f64;
        (10.0 * (power / self.noise().max(f64::MIN_POSITIVE)).log10()).min(120.0)
    }

    fn measurement(&self, slope: f64, scatter: f64, echo: Option<Echo>) -> Measurement {
        let count = self.shots.len();
        let mut delays: Vec<f64> = self.shots.iter().map(|fine| fine.delay).collect();
        let median_frames = median(&mut delays);
        let (first, last) = (delays[0], delays[count - 1]);
        let bound = self.estimator.bound(self.noise(), self.gain());
        // One or two shots show no scatter: the bound is widened by half instead.
        let by_scatter =
            if count < 3 { 1.5 * 1.96 * bound } else { STUDENT.get(count - 2).unwrap_or(&1.96) * scatter };
        let half = by_scatter.max(1.96 * bound) / (count as f64).sqrt();
        let round_trip_frames = self.mean();
        let shot = |fine: &Fine| Shot {
            start: self.probe.shots[fine.shot],
            delay_frames: fine.delay,
            level_db: decibels(fine.gain),
        };
        Measurement {
            round_trip_frames,
            round_trip_ms: round_trip_frames * 1e3 / f64::from(self.probe.rate.hertz()),
            interval_95_frames: half + GRAIN_FRAMES,
            median_frames,
            spread_frames: last - first,
            worst_frames: last,
            polarity: if self.shots[0].gain > 0.0 { Polarity::Normal } else { Polarity::Inverted },
            level_db: decibels(self.gain()),
            snr_db: self.snr_db(),
            shots: count,
            shots_played: self.probe.shots.len(),
            drift_ppm: slope * 1e6,
            bound_frames: bound,
            echo,
            each: self.shots.iter().map(shot).collect(),
        }
    }
}

/// Standard deviation around the mean; 0 of fewer than two.
fn deviation(values: impl Iterator<Item = f64> + Clone) -> f64 {
    let count = values.clone().count() as f64;
    let mean = values.clone().sum::<f64>() / count.max(1.0);
    let square: f64 = values.map(|value| (value - mean).powi(2)).sum();
    if count < 2.0 { 0.0 } else { (square / (count - 1.0)).sqrt() }
}

/// What the search found.
struct Seen {
    on_line: Vec<Found>,
    /// Shots on a second line, made of those that the first leaves out.
    second: Vec<Found>,
}

fn look(probe: &Probe, heard: &Heard, longest: usize) -> Seen {
    let over = if probe.shots.len() >= 3 { AGREEING } else { ALONE };
    let highest = heard.match_at.iter().fold(0.0f32, |most, x| most.max(x.abs()));
    let threshold = (over * heard.floor).max(f64::from(highest) * 1e-5).max(1e-12);
    let apart = (0.0005 * f64::from(probe.rate.hertz())) as usize;
    let votes = votes(probe, &peaks(heard, threshold, apart, 2000), longest);
    let on_line = line(probe, &best_cluster(probe, &votes));
    let taken: Vec<usize> = on_line.iter().map(|found| found.shot).collect();
    let rest: Vec<Found> = votes.into_iter().filter(|found| !taken.contains(&found.shot)).collect();
    let second = line(probe, &best_cluster(probe, &rest));
    Seen { on_line, second }
}

fn enough(probe: &Probe, found: &[Found]) -> bool {
    let shots: Vec<usize> = found.iter().map(|one| one.shot).collect();
    enough_of(probe.shots.len(), &shots)
}

/// Whether shots found (rising) carry an answer: the first and the last of those played are among them, so that a
/// jump between them cannot hide, and of five and more three quarters, of fewer all.
fn enough_of(played: usize, found: &[usize]) -> bool {
    let needed = if played < 5 { played } else { (played * 3).div_ceil(4) };
    found.len() >= needed && found.first() == Some(&0) && found.last() == Some(&(played - 1))
}

/// An input that is patched to nothing hisses less than this: -50 dBFS (common practice, no source).
const NOISE: f64 = 3.16e-3;

fn rms(samples: &[f32]) -> f64 {
    let power: f64 = samples.iter().map(|x| f64::from(*x).powi(2)).sum();
    (power / samples.len().max(1) as f64).sqrt()
}

/// Names what is wrong when too few shots agree.
fn why_not(probe: &Probe, recording: &[f32], heard: &Heard, seen: &Seen, longest: usize) -> Refusal {
    let rate = f64::from(probe.rate.hertz());
    if let Some(jump) = jumped(seen, probe.shots.len()) {
        return jump;
    }
    if let Some(drift) = too_fast_for_the_shot(probe, recording, longest) {
        return drift;
    }
    let loudest = peak(recording);
    let hum = hum(recording, rate);
    if hum.share > HUM_SHARE {
        return Refusal::Hum { hertz: hum.hertz, level_db: decibels(hum.level) };
    }
    let (found, shots) = (seen.on_line.len(), probe.shots.len());
    if found * 3 < shots || found == 0 {
        if rms(recording) > NOISE {
            return Refusal::TooNoisy { found, shots, snr_db: None };
        }
        return Refusal::NothingCameBack { peak_db: decibels(loudest) };
    }
    if loudest < 1e-3 {
        return Refusal::TooQuiet { peak_db: decibels(loudest), floor_db: decibels(heard.floor) };
    }
    Refusal::TooNoisy { found, shots, snr_db: None }
}

/// Two lines that follow each other and explain most of the shots.
fn jumped(seen: &Seen, shots: usize) -> Option<Refusal> {
    let (one, other) = (&seen.on_line, &seen.second);
    let both = one.len() + other.len();
    let plain = one.len() >= 2 && other.len() >= 2 && both * 4 >= shots * 3;
    if !plain && both < shots {
        return None;
    }
    let (early, late) = if one.first()?.shot < other.first()?.shot { (one, other) } else { (other, one) };
    (early.last()?.shot < late.first()?.shot).then(|| Refusal::DelayJumped {
        after_shot: early[early.len() - 1].shot + 1,
        frames: (late[0].delay - early[early.len() - 1].delay) as f64,
    })
}

/// A long shot loses itself when the clocks differ; its first frames may still be found.
fn too_fast_for_the_shot(probe: &Probe, recording: &[f32], longest: usize) -> Option<Refusal> {
    const HEAD: usize = 2048;
    if probe.shot_frames <= HEAD || probe.shots.len() < 3 {
        return None;
    }
    let head = Probe { shot_frames: HEAD, ..probe.clone() };
    let heard = hear(&head, recording, longest);
    let seen = look(&head, &heard, longest);
    let (first, last) = (seen.on_line.first()?, seen.on_line.last()?);
    let moved = (last.delay - first.delay) as f64;
    let span = (probe.shots[last.shot] - probe.shots[first.shot]) as f64;
    (enough(&head, &seen.on_line) && moved.abs() > 1.5).then(|| Refusal::ClocksDiffer {
        ppm: moved / span * 1e6,
        first_frames: first.delay as f64,
        last_frames: last.delay as f64,
    })
}
