//! Trying other explanations where the planned one leaves too much: moved, cut off, one too many.

use super::correlate::{Correlator, energy, key};
use super::fit::{Atom, Scene, Solution};
use super::template::Template;
use realfft::num_complex::Complex;
use std::sync::Arc;

/// Reaches of a search, in frames.
#[derive(Clone, Copy, Debug)]
pub struct Reach {
    /// A hit is looked for this far from its place.
    pub moved: i64,
    /// An extra hit is looked for this far from a due one.
    pub extra: i64,
    /// No extra hit is placed from here on: the next due hit may be the one.
    pub before: i64,
    /// A hit has sounded once this much of it left.
    pub begun: i64,
}

/// What the rest of the scene does to the judgement of one hit.
#[derive(Clone, Copy, Debug, Default)]
pub struct Cover {
    /// Scatter of a gain read at a place where nothing is, against the sound's own scale.
    pub gain: f64,
    /// An error of one frame could hide.
    pub blurs_place: bool,
}

/// A gain under this part of the plan is no hit (−12 dB).
pub const FOUND_PART: f64 = 0.251_188_643;
/// Scatters that a claim must exceed: 5.5 among a thousand places is no false alarm in a night.
const SURE: f64 = 5.5;
/// A misfit under this is worth no search for an extra hit.
const EXTRA_FROM: f64 = 0.02;

/// One hit of a scene under search.
pub struct Search<'a> {
    pub scene: &'a Scene<'a>,
    pub correlator: &'a mut Correlator,
    pub reach: Reach,
    /// Sounds known on this channel.
    pub pool: &'a [Arc<Template>],
}

/// Correlation of a stretch with a template around a place: `values[i]` is at `first + i` frames from it.
struct Around {
    first: i64,
    values: Vec<f32>,
}

impl Around {
    fn at(&self, lag: i64) -> f64 {
        usize::try_from(lag - self.first)
            .ok()
            .and_then(|index| self.values.get(index))
            .map_or(0.0, |value| f64::from(*value))
    }

    fn lags(&self) -> impl Iterator<Item = i64> + '_ {
        self.first..self.first + self.values.len() as i64
    }

    fn mean_square(&self) -> f64 {
        energy(&self.values) / (self.values.len() as f64).max(1.0)
    }

    /// Scatter of the difference of two values `lag` apart.
    fn difference(&self, lag: i64) -> f64 {
        let gap = lag.unsigned_abs() as usize;
        let pairs = self.values.len().saturating_sub(gap);
        let sum: f64 = (0..pairs).map(|i| f64::from(self.values[i + gap] - self.values[i]).powi(2)).sum();
        (sum / (pairs as f64).max(1.0)).sqrt()
    }
}

impl Search<'_> {
    fn around(&mut self, stretch: &[f32], template: &Arc<Template>, place: i64) -> Around {
        let (from, spectrum) = self.spectrum(stretch, place, template.judged());
        self.matched(from, &spectrum, template, place)
    }

    /// First searched frame around a place, and the spectrum of what templates up to `longest` meet there.
    fn spectrum(&mut self, stretch: &[f32], place: i64, longest: usize) -> (i64, Vec<Complex<f32>>) {
        let from = (place - self.reach.extra).max(self.scene.from);
        let places = (place + self.reach.extra - from).max(0) as usize + 1;
        let begin = ((from - self.scene.from) as usize).min(stretch.len());
        let end = (begin + places + longest).min(stretch.len());
        self.correlator.grow(places + longest);
        (from, self.correlator.spectrum(&stretch[begin..end]))
    }

    fn matched(
        &mut self,
        from: i64,
        spectrum: &[Complex<f32>],
        template: &Arc<Template>,
        place: i64,
    ) -> Around {
        let places = (place + self.reach.extra - from).max(0) as usize + 1;
        Around { first: from - place, values: self.correlator.matched(spectrum, template, places) }
    }

    /// How much the rest of the scene covers a hit, given the best explanation so far.
    pub fn cover(&mut self, solution: &Solution, index: usize) -> Cover {
        let atom = &solution.atoms[index];
        let rest = self.around(&solution.left, &atom.template, atom.place());
        let one_frame = 0.5 * atom.planned * atom.template.slope_energy();
        Cover {
            gain: rest.mean_square().sqrt() / atom.template.energy().max(1e-30),
            blurs_place: 4.0 * rest.difference(1) > one_frame,
        }
    }

    /// A better explanation of one hit, when there is one, and what it leaves (a little more for a bolder one).
    pub fn better(
        &mut self,
        current: &Solution,
        index: usize,
        (near, far): (f64, f64),
        fine: f64,
    ) -> Option<(f64, Solution)> {
        let own = self.scene.with_own(current, index);
        let around = self.around(&own, &current.atoms[index].template, current.atoms[index].place());
        let mut found: Vec<(f64, Solution)> = Vec::new();
        let unit = current.atoms[index].planned.powi(2) * current.atoms[index].template.energy();
        let step = fine * unit;
        let near = near > fine;
        if let Some(moved) = near.then(|| self.moved(current, index, &around)).flatten() {
            found.push((moved.left_energy + 0.1 * step, moved));
        }
        if let Some(cut) = near.then(|| self.cut(current, index, &own)).flatten() {
            found.push((cut.left_energy + 0.2 * step, cut));
        }
        if far > EXTRA_FROM.min(fine * 4.0)
            && let Some(extra) = self.extra(current, index, &own, &around)
        {
            found.push((extra.left_energy + 0.3 * step, extra));
        }
        let best = found.into_iter().min_by(|a, b| a.0.total_cmp(&b.0))?;
        (best.0 < current.left_energy - 0.3 * step).then_some(best)
    }

    fn moved(&mut self, current: &Solution, index: usize, around: &Around) -> Option<Solution> {
        let atom = &current.atoms[index];
        if atom.extra {
            return None;
        }
        let allowed = |lag: &i64| (atom.lag + lag).abs() <= self.reach.moved;
        let best = around.lags().filter(allowed).max_by(|a, b| around.at(*a).total_cmp(&around.at(*b)))?;
        if best == 0 || around.at(best) < FOUND_PART * atom.planned * atom.template.energy() {
            return None;
        }
        let mut atoms = current.atoms.clone();
        atoms[index].lag += best;
        let solution = self.scene.solve(atoms);
        let place = solution.atoms[index].place();
        let template = Arc::clone(&solution.atoms[index].template);
        let rest = self.around(&solution.left, &template, place);
        let gained = around.at(best) - around.at(0);
        let sure = gained > 4.0 * rest.difference(best)
            && solution.atoms[index].gain * template.energy() > SURE * rest.mean_square().sqrt();
        sure.then_some(solution)
    }

    /// The hit began as planned and is silent from some frame on.
    fn cut(&mut self, current: &Solution, index: usize, own: &[f32]) -> Option<Solution> {
        let atom = &current.atoms[index];
        let begin = usize::try_from(atom.place() - self.scene.from).ok()?;
        let samples = atom.template.samples();
        let (mut best, mut cut) = (0.0, 0);
        let (mut product, mut square) = (0.0f64, 0.0f64);
        for (frame, (sample, heard)) in samples.iter().zip(own.get(begin..)?).enumerate() {
            product += f64::from(*sample) * f64::from(*heard);
            square += f64::from(*sample) * f64::from(*sample);
            let gain = product / square.max(1e-30);
            let plausible = (0.7..1.42).contains(&(gain / atom.planned));
            if frame as i64 >= self.reach.begun && plausible && product * gain > best {
                (best, cut) = (product * gain, frame as i64 + 1);
            }
        }
        if cut == 0 || cut >= samples.len() as i64 {
            return None;
        }
        let mut atoms = current.atoms.clone();
        atoms[index].cut = Some(atoms[index].place() + cut);
        let template = Arc::clone(&atoms[index].template);
        let place = atoms[index].place();
        let solution = self.scene.solve(atoms);
        let rest = self.around(&solution.left, &template, place);
        let gained = current.left_energy - solution.left_energy;
        let silent_after = gained * template.energy() > SURE * SURE * rest.mean_square();
        silent_after.then_some(solution)
    }

    /// One hit more than planned, near this one.
    fn extra(&mut self, current: &Solution, index: usize, own: &[f32], around: &Around) -> Option<Solution> {
        let near = current.atoms[index].clone();
        let others: Vec<i64> = current
            .atoms
            .iter()
            .enumerate()
            .filter(|(other, atom)| *other != index && !atom.extra && atom.start != near.start)
            .map(|(_, atom)| atom.start)
            .collect();
        let mut best: Option<(f64, Arc<Template>, i64, bool)> = None;
        let mut known = vec![Arc::clone(&near.template)];
        known.extend(self.pool.iter().filter(|one| key(one) != key(&near.template)).take(5).cloned());
        let longest = known.iter().map(|one| one.judged()).max().unwrap_or(0);
        let (from, spectrum) = self.spectrum(own, near.place(), longest);
        for template in known {
            let heard = self.matched(from, &spectrum, &template, near.place());
            let reach = self.reach.extra as usize;
            let crossed = self.correlator.likeness(&near.template, &template, reach);
            let crossed = Around { first: -self.reach.extra, values: crossed.to_vec() };
            let proposal = self.propose(&near, &others, &template, &heard, &crossed, around.at(0));
            if let Some((worth, lag, free)) = proposal
                && best.as_ref().is_none_or(|best| worth > best.0)
            {
                best = Some((worth, template, lag, free));
            }
        }
        let (_, template, lag, _) = best.filter(|best| best.3)?;
        self.confirm(current, &near, &template, lag)
    }

    /// The place where a second sound explains most beside the first (both gains are free), and whether it
    /// is this search's to claim.
    ///
    /// Source: two-column least squares. With correlations c₀, c and cross term x of sounds with energies
    /// E₀, E: explained = (c₀²·E − 2·c₀·c·x + c²·E₀) / (E₀·E − x²), gain of the second = (c·E₀ − c₀·x) / same.
    fn propose(
        &self,
        near: &Atom,
        others: &[i64],
        template: &Arc<Template>,
        heard: &Around,
        crossed: &Around,
        c0: f64,
    ) -> Option<(f64, i64, bool)> {
        let (e0, e) = (near.template.energy(), template.energy());
        // A place within reach of another due hit is that hit's to explain.
        let long = (template.judged() as i64).min(self.reach.extra - self.reach.moved);
        let taken = |place: i64| {
            (near.start < self.reach.before && place + long >= self.reach.before)
                || others.iter().any(|other| (other - place).abs() <= self.reach.moved)
        };
        let mut best: Option<(f64, i64)> = None;
        for lag in heard.lags() {
            let (c, x) = (heard.at(lag), crossed.at(lag));
            let room = e0 * e - x * x;
            if room < 0.01 * e0 * e {
                continue;
            }
            let gain = (c * e0 - c0 * x) / room;
            let worth = (c0 * c0 * e - 2.0 * c0 * c * x + c * c * e0) / room;
            let enough = gain > FOUND_PART * near.planned;
            if enough && best.is_none_or(|(most, _)| worth > most) {
                best = Some((worth, lag));
            }
        }
        // A best place at the edge of the search is the slope of something outside of it.
        let (first, last) = (heard.first, heard.first + heard.values.len() as i64 - 1);
        best.map(|(worth, lag)| (worth, lag, lag > first && lag < last && !taken(near.place() + lag)))
    }

    fn confirm(
        &mut self,
        current: &Solution,
        near: &Atom,
        template: &Arc<Template>,
        lag: i64,
    ) -> Option<Solution> {
        let solution = (lag - 2..=lag + 2)
            .map(|lag| {
                let mut atoms = current.atoms.clone();
                atoms.push(Atom {
                    template: Arc::clone(template),
                    start: near.place() + lag,
                    lag: 0,
                    planned: 0.0,
                    gain: 0.0,
                    cut: None,
                    extra: true,
                });
                self.scene.solve(atoms)
            })
            .min_by(|a, b| a.left_energy.total_cmp(&b.left_energy))?;
        let added = solution.atoms.last()?.clone();
        let rest = self.around(&solution.left, template, added.place());
        let gained = current.left_energy - solution.left_energy;
        let sure = gained * template.energy() > SURE * SURE * rest.mean_square();
        (sure && added.gain > FOUND_PART * near.planned).then_some(solution)
    }
}
