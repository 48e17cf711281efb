//! Long rows of figures in bounded memory: neighbours are joined until they fit.

use serde::Serialize;

/// Cells that are kept; twice as many are joined to this.
const CELLS: usize = 480;
/// A cell's width at first, in seconds.
const FIRST_WIDTH: f64 = 0.05;

/// Figures over time, joined by `join` where more than one falls into a cell.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Thin<T> {
    /// Seconds that a cell holds.
    pub width: f64,
    /// From second 0; `None` where nothing was said.
    pub cells: Vec<Option<T>>,
}

impl<T> Default for Thin<T> {
    fn default() -> Self {
        Thin { width: FIRST_WIDTH, cells: Vec::new() }
    }
}

/// How two figures of one cell become one.
pub trait Join: Copy {
    fn join(self, other: Self) -> Self;
}

impl Join for u32 {
    fn join(self, other: u32) -> u32 {
        self.saturating_add(other)
    }
}

/// Loudest sample and deepest limiter of a stretch of time, in dB.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Level {
    pub peak_db: f64,
    pub limiter_db: f64,
}

impl Join for Level {
    fn join(self, other: Level) -> Level {
        Level { peak_db: self.peak_db.max(other.peak_db), limiter_db: self.limiter_db.min(other.limiter_db) }
    }
}

/// The lowest and highest of a figure.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Span {
    pub low: f64,
    pub high: f64,
}

impl Join for Span {
    fn join(self, other: Span) -> Span {
        Span { low: self.low.min(other.low), high: self.high.max(other.high) }
    }
}

impl<T: Join> Thin<T> {
    /// A figure at a time. Times before 0 and such as are no numbers fall into the first cell.
    pub fn put(&mut self, seconds: f64, value: T) {
        let seconds = if seconds.is_finite() { seconds.clamp(0.0, 1e9) } else { 0.0 };
        while seconds >= self.width * (2 * CELLS) as f64 {
            self.halve();
        }
        let index = (seconds / self.width) as usize;
        if self.cells.len() <= index {
            self.cells.resize(index + 1, None);
        }
        if let Some(cell) = self.cells.get_mut(index) {
            *cell = Some(cell.map_or(value, |before| before.join(value)));
        }
    }

    fn halve(&mut self) {
        let pairs = self.cells.chunks(2).map(|pair| match pair {
            [Some(a), Some(b)] => Some(a.join(*b)),
            [Some(a), _] | [None, Some(a)] | [Some(a)] => Some(*a),
            _ => None,
        });
        self.cells = pairs.collect();
        self.width *= 2.0;
    }

    /// Every figure with the middle of its cell, in seconds.
    pub fn points(&self) -> impl Iterator<Item = (f64, T)> + '_ {
        let middle = |index: usize| (index as f64 + 0.5) * self.width;
        self.cells.iter().enumerate().filter_map(move |(index, cell)| Some((middle(index), (*cell)?)))
    }

    pub fn is_empty(&self) -> bool {
        self.cells.is_empty()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn twelve_hours_fit_and_nothing_is_lost_from_the_sum() {
        let mut thin = Thin::<u32>::default();
        (0..43_200).for_each(|second| thin.put(f64::from(second), 1));
        assert!(thin.cells.len() <= 2 * CELLS);
        assert_eq!(thin.points().map(|(_, count)| count).sum::<u32>(), 43_200);
        let (last, _) = thin.points().last().unwrap();
        assert!((last - 43_200.0).abs() <= thin.width, "{last} {}", thin.width);
    }

    #[test]
    fn the_loudest_of_a_cell_stays_and_odd_times_break_nothing() {
        let mut thin = Thin::default();
        for (at, peak) in [(-5.0, -20.0), (f64::NAN, -12.0), (1e300, -30.0)] {
            thin.put(at, Level { peak_db: peak, limiter_db: 0.0 });
        }
        assert_eq!(thin.points().next().unwrap().1.peak_db, -12.0);
    }
}
