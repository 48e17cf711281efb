//! The room's ride: what was asked for, dashed; what was heard, drawn out; grey where music plays.

use super::super::room::{Point, Ridden};
use super::*;

/// The lowest level that has a place; what is below is silent.
const LOWEST: f64 = -48.0;
/// Moves that lie nearer than this share a window, in seconds.
const APART: f64 = 5.0;
/// Shown before a window's first move and after its last.
const AROUND: f64 = 1.0;
const MOST_WINDOWS: usize = 16;

/// Decibels to pixels.
struct Levels {
    top: i32,
    bottom: i32,
    highest: f64,
}

impl Levels {
    fn of(ridden: &Ridden, top: i32, bottom: i32) -> Levels {
        let highest = ridden.line.iter().chain(&ridden.asked).map(|point| point.db).fold(0.0, f64::max);
        Levels { top, bottom, highest: (highest / 6.0).ceil() * 6.0 }
    }

    fn y(&self, db: f64) -> i32 {
        let part = (self.highest - db.clamp(LOWEST, self.highest)) / (self.highest - LOWEST);
        self.top + (part * f64::from(self.bottom - self.top)) as i32
    }

    fn grid(&self, area: &Area, (left, right): (i32, i32), named: bool) -> Drawn {
        let mut db = self.highest;
        while db >= LOWEST {
            let y = self.y(db);
            line(area, (left, y), (right, y), &MIDDLE)?;
            if named {
                let words = if db <= LOWEST { "off".to_string() } else { format!("{db:.0}") };
                text_right(area, (left - 6, y - 8), 15, &words, &INK)?;
            }
            db -= 12.0;
        }
        Ok(())
    }
}

/// The whole run.
pub fn ride(run: &Run, ridden: &Ridden, width: u32) -> String {
    let (left, top, bottom) = (46, 10, 126);
    let scale = Scale { left, right: width as i32 - 12, from: 0.0, to: run.seconds.max(1.0) };
    let levels = Levels::of(ridden, top, bottom);
    svg(width, 162, |area| {
        music(area, run, &scale, (top, bottom))?;
        levels.grid(area, (left, scale.right), true)?;
        both(area, ridden, &scale, &levels)?;
        time_axis(area, &scale, bottom + 8)
    })
}

/// Where it moved, from near: a window for moves that lie together.
pub fn moves(run: &Run, ridden: &Ridden, width: u32) -> String {
    let mut windows = ridden.windows(APART);
    windows.retain(|window| window.1 > 0.0);
    windows.truncate(MOST_WINDOWS);
    let in_a_row = if width == NARROW { 1 } else { 3 };
    let (left, gap, high) = (46, 14, 168);
    let rows = windows.len().div_ceil(in_a_row).max(1);
    let wide = (width as i32 - left - 6 - gap * (in_a_row as i32 - 1)) / in_a_row as i32;
    svg(width, (rows as i32 * high) as u32, |area| {
        for (index, (from, to)) in windows.iter().enumerate() {
            let (row, column) = ((index / in_a_row) as i32, (index % in_a_row) as i32);
            let begin = left + column * (wide + gap);
            let scale = Scale {
                left: begin,
                right: begin + wide,
                from: (from - AROUND).max(0.0),
                to: (to + AROUND).min(run.seconds.max(1.0)),
            };
            let levels = Levels::of(ridden, row * high + 26, row * high + 130);
            music(area, run, &scale, (levels.top, levels.bottom))?;
            levels.grid(area, (scale.left, scale.right), column == 0)?;
            both(area, ridden, &scale, &levels)?;
            marks(area, run, &scale, &levels)?;
            time_axis(area, &scale, levels.bottom + 4)?;
        }
        Ok(())
    })
}

/// Grey where music plays, from count one to the last hit.
pub(super) fn music(area: &Area, run: &Run, scale: &Scale, (top, bottom): (i32, i32)) -> Drawn {
    for song in run.songs.iter().filter(|song| song.to_seconds >= scale.from && song.from_seconds <= scale.to)
    {
        let end = song.last_hit_seconds.unwrap_or(song.to_seconds);
        let (from, to) = (scale.x(song.from_seconds), scale.x(end));
        area.draw(&Rectangle::new([(from, top), (to.max(from + 1), bottom)], PALE.filled()))?;
    }
    Ok(())
}

/// Count one and the last hit, where a window shows them.
fn marks(area: &Area, run: &Run, scale: &Scale, levels: &Levels) -> Drawn {
    let shown = |at: f64| at > scale.from && at < scale.to;
    for song in &run.songs {
        let last = song.last_hit_seconds.filter(|_| song.ended);
        let named = [(Some(song.from_seconds), "count one"), (last, "last hit")];
        for (at, words) in
            named.into_iter().filter_map(|(at, words)| Some((at.filter(|at| shown(*at))?, words)))
        {
            let x = scale.x(at);
            line(area, (x, levels.top - 6), (x, levels.bottom), &INK)?;
            let wide = about(words, 15);
            let at = (x - wide / 2).clamp(scale.left, (scale.right - wide).max(scale.left));
            text(area, (at, levels.top - 24), 15, words, &INK)?;
        }
    }
    Ok(())
}

fn both(area: &Area, ridden: &Ridden, scale: &Scale, levels: &Levels) -> Drawn {
    let shown = |points: &[Point]| -> Vec<Point> {
        let inside = |point: &&Point| point.seconds > scale.from && point.seconds < scale.to;
        let edge = |seconds: f64| Point { seconds, db: super::super::room::level(points, seconds) };
        let mut all = vec![edge(scale.from)];
        all.extend(points.iter().filter(inside));
        all.push(edge(scale.to));
        all
    };
    if !ridden.asked.is_empty() {
        let mut steps: Vec<Point> = Vec::new();
        for point in &ridden.asked {
            if let Some(before) = steps.last().map(|before| before.db) {
                steps.push(Point { seconds: point.seconds, db: before });
            }
            steps.push(*point);
        }
        steps.push(Point { seconds: f64::MAX, db: steps.last().map_or(0.0, |last| last.db) });
        dashed(area, &pixels(&shown(&steps), scale, levels))?;
    }
    area.draw(&PathElement::new(pixels(&shown(&ridden.line), scale, levels), INK.stroke_width(3)))
}

fn pixels(points: &[Point], scale: &Scale, levels: &Levels) -> Vec<(i32, i32)> {
    let mut pixels: Vec<(i32, i32)> =
        points.iter().map(|point| (scale.x(point.seconds), levels.y(point.db))).collect();
    pixels.dedup();
    pixels
}

/// A path in dashes.
fn dashed(area: &Area, path: &[(i32, i32)]) -> Drawn {
    const DASH: f64 = 5.0;
    let mut walked = 0.0;
    for pair in path.windows(2) {
        let ((x, y), (to_x, to_y)) = (pair[0], pair[1]);
        let long = f64::from(to_x - x).hypot(f64::from(to_y - y));
        let at = |along: f64| {
            let part = (along / long.max(1e-9)).clamp(0.0, 1.0);
            (x + (f64::from(to_x - x) * part).round() as i32, y + (f64::from(to_y - y) * part).round() as i32)
        };
        let mut along = 0.0;
        while along < long {
            let left = DASH - (walked + along) % DASH;
            let next = (along + left.max(0.5)).min(long);
            if (((walked + along) / DASH) as u64).is_multiple_of(2) {
                line(area, at(along), at(next), &INK)?;
            }
            along = next;
        }
        walked += long;
    }
    Ok(())
}
