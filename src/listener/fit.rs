//! Explaining a short stretch of one output channel as a sum of known sounds.

use super::correlate::{dot, energy, key};
use super::template::Template;
use std::sync::Arc;

/// One sound at one place: a due hit (or several that coincide), or one that nobody asked for.
#[derive(Clone, Debug)]
pub struct Atom {
    pub template: Arc<Template>,
    /// Frame of the template's first sample, as planned.
    pub start: i64,
    /// Frames after `start` where it is looked for now.
    pub lag: i64,
    /// Linear; 0 for one that nobody asked for.
    pub planned: f64,
    /// As fitted.
    pub gain: f64,
    /// Silent from this frame on.
    pub cut: Option<i64>,
    pub extra: bool,
}

impl Atom {
    pub fn place(&self) -> i64 {
        self.start + self.lag
    }

    /// First frame after the judged part.
    pub fn judged_end(&self) -> i64 {
        self.place() + self.template.judged() as i64
    }

    fn is_same_sound_here(&self, template: &Arc<Template>, start: i64) -> bool {
        self.start == start && key(&self.template) == key(template)
    }

    pub fn coincides(&self, template: &Arc<Template>, start: i64, cut: Option<i64>) -> bool {
        self.is_same_sound_here(template, start) && self.cut == cut
    }
}

/// A stretch of one channel. Frames inside a hole are unknown and judged by nobody.
pub struct Scene<'a> {
    pub from: i64,
    /// What earlier explanations left.
    pub signal: &'a [f32],
    pub holes: &'a [(i64, i64)],
}

/// Gains that explain a scene best, and what they leave.
#[derive(Clone, Debug)]
pub struct Solution {
    pub atoms: Vec<Atom>,
    pub left: Vec<f32>,
    pub left_energy: f64,
}

/// Pull of a gain towards its planned value, against its sound's energy: decides only where the
/// recording says nothing.
const PULL: f64 = 1e-4;

impl Scene<'_> {
    pub fn to(&self) -> i64 {
        self.from + self.signal.len() as i64
    }

    /// An atom's samples at gain 1 in this scene: index of the first, and the samples.
    fn column(&self, atom: &Atom) -> (usize, Vec<f32>) {
        let samples = atom.template.samples();
        let end = (atom.place() + samples.len() as i64).min(self.to()).min(atom.cut.unwrap_or(i64::MAX));
        let begin = atom.place().max(self.from);
        if end <= begin {
            return (0, Vec::new());
        }
        let skip = (begin - atom.place()) as usize;
        let mut column = samples[skip..skip + (end - begin) as usize].to_vec();
        for (hole_from, hole_to) in self.holes {
            let a = (hole_from.max(&begin) - begin) as usize;
            let b = ((*hole_to).min(end) - begin).max(0) as usize;
            if a < b {
                column[a..b].fill(0.0);
            }
        }
        ((begin - self.from) as usize, column)
    }

    /// Least squares over all atoms, each pulled a little towards its plan.
    pub fn solve(&self, mut atoms: Vec<Atom>) -> Solution {
        let columns: Vec<_> = atoms.iter().map(|atom| self.column(atom)).collect();
        let count = atoms.len();
        let mut matrix = vec![0.0; count * count];
        let mut right = vec![0.0; count];
        for (row, (offset, column)) in columns.iter().enumerate() {
            let pull = PULL * atoms[row].template.energy().max(1e-12);
            right[row] = dot(&self.signal[*offset..], column) + pull * atoms[row].planned;
            for other in 0..=row {
                matrix[row * count + other] = overlap(&columns[row], &columns[other]);
            }
            matrix[row * count + row] += pull;
        }
        let gains = cholesky(&mut matrix, right);
        let mut left = self.signal.to_vec();
        for ((atom, gain), (offset, column)) in atoms.iter_mut().zip(gains).zip(&columns) {
            atom.gain = gain;
            add(&mut left[*offset..], column, -gain as f32);
        }
        let left_energy = energy(&left);
        Solution { atoms, left, left_energy }
    }

    /// What is left, with one atom's own sound put back.
    pub fn with_own(&self, solution: &Solution, atom: usize) -> Vec<f32> {
        let mut own = solution.left.clone();
        let (offset, column) = self.column(&solution.atoms[atom]);
        add(&mut own[offset..], &column, solution.atoms[atom].gain as f32);
        own
    }

    /// What an atom leaves unexplained where it sounds, against its planned energy.
    pub fn misfit(&self, solution: &Solution, atom: usize, beyond: i64) -> f64 {
        let atom = &solution.atoms[atom];
        let long = (atom.template.judged() as i64 + beyond).min(atom.template.samples().len() as i64);
        let end = (atom.place() + long).min(atom.cut.unwrap_or(i64::MAX)).clamp(self.from, self.to());
        let begin = atom.place().clamp(self.from, end);
        let left = &solution.left[(begin - self.from) as usize..(end - self.from) as usize];
        energy(left) / (atom.planned.powi(2) * atom.template.energy()).max(1e-30)
    }

    /// The part of an atom's judged energy that the recording holds.
    pub fn held(&self, atom: &Atom) -> f64 {
        let (_, column) = self.column(atom);
        let head = atom.template.judged().min(column.len());
        energy(&column[..head]) / atom.template.energy().max(1e-30)
    }

    /// How far an atom is from its plan on its first-order slope: frames later than its place.
    pub fn slip(&self, solution: &Solution, atom: usize) -> f64 {
        let atom = &solution.atoms[atom];
        let sum: f64 = (0..atom.template.judged())
            .filter_map(|frame| {
                let index = usize::try_from(atom.place() + frame as i64 - self.from).ok()?;
                Some(f64::from(*solution.left.get(index)?) * f64::from(atom.template.slope(frame)))
            })
            .sum();
        -sum / (atom.gain * atom.template.slope_energy()).max(1e-30)
    }
}

/// `to += from × gain` over the shorter of both.
pub fn add(to: &mut [f32], from: &[f32], gain: f32) {
    for (to, from) in to.iter_mut().zip(from) {
        *to += from * gain;
    }
}

fn overlap(a: &(usize, Vec<f32>), b: &(usize, Vec<f32>)) -> f64 {
    let begin = a.0.max(b.0);
    let end = (a.0 + a.1.len()).min(b.0 + b.1.len());
    if end <= begin {
        return 0.0;
    }
    dot(&a.1[begin - a.0..end - a.0], &b.1[begin - b.0..end - b.0])
}

/// Solves a symmetric positive definite system given by its lower triangle.
///
/// Source: the Cholesky factorisation; a pivot that rounding made 0 or less leaves its unknown at 0.
fn cholesky(matrix: &mut [f64], mut right: Vec<f64>) -> Vec<f64> {
    let count = right.len();
    for row in 0..count {
        for column in 0..=row {
            let sum: f64 = (0..column).map(|k| matrix[row * count + k] * matrix[column * count + k]).sum();
            let value = matrix[row * count + column] - sum;
            matrix[row * count + column] = if row == column {
                value.max(0.0).sqrt()
            } else {
                divide(value, matrix[column * count + column])
            };
        }
    }
    for row in 0..count {
        let sum: f64 = (0..row).map(|k| matrix[row * count + k] * right[k]).sum();
        right[row] = divide(right[row] - sum, matrix[row * count + row]);
    }
    for row in (0..count).rev() {
        let sum: f64 = (row + 1..count).map(|k| matrix[k * count + row] * right[k]).sum();
        right[row] = divide(right[row] - sum, matrix[row * count + row]);
    }
    right
}

fn divide(value: f64, by: f64) -> f64 {
    if by > 0.0 { value / by } else { 0.0 }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn cholesky_solves_a_known_system() {
        // [4 2; 2 3] x = [10, 9] has x = (1.5, 2): 4 × 1.5 + 2 × 2 = 10, 2 × 1.5 + 3 × 2 = 9.
        let x = cholesky(&mut [4.0, 0.0, 2.0, 3.0], vec![10.0, 9.0]);
        assert!((x[0] - 1.5).abs() < 1e-12 && (x[1] - 2.0).abs() < 1e-12);
    }

    #[test]
    fn two_overlapping_sounds_get_their_gains_back() {
        let a = Template::new(&[1.0, 0.5, 0.25, 0.125], 0, 8_000);
        let b = Template::new(&[1.0, -1.0, 1.0, -0.5], 0, 8_000);
        let mut signal = vec![0.0; 12];
        add(&mut signal[3..], a.samples(), 0.7);
        add(&mut signal[5..], b.samples(), 0.4);
        let scene = Scene { from: 100, signal: &signal, holes: &[] };
        let atom = |template: &Arc<Template>, start| Atom {
            template: Arc::clone(template),
            start,
            lag: 0,
            planned: 1.0,
            gain: 0.0,
            cut: None,
            extra: false,
        };
        let solution = scene.solve(vec![atom(&a, 103), atom(&b, 105)]);
        assert!((solution.atoms[0].gain - 0.7).abs() < 1e-3);
        assert!((solution.atoms[1].gain - 0.4).abs() < 1e-3);
    }
}
