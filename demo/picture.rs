//! One picture of both machines against the grid: black on white, so that it prints.

use super::two::{Take, Written};
use std::fmt::Write;

const WIDTH: f64 = 1200.0;
const LEFT: f64 = 175.0;
const RIGHT: f64 = 20.0;
const ROW: f64 = 80.0;
const PANEL: f64 = 4.0 * ROW + 70.0;

/// Seconds before and after the mishap.
const BEFORE: f64 = 2.0;
const AFTER: f64 = 3.0;

pub struct Panel<'t> {
    pub title: &'t str,
    pub take: &'t Take,
    pub written: &'t Written,
}

/// The picture as text of an SVG file.
///
/// Source: W3C, Scalable Vector Graphics (SVG) 1.1, second edition.
pub fn draw(panels: &[Panel<'_>]) -> String {
    let height = PANEL * panels.len() as f64 + 30.0;
    let mut svg = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {WIDTH} {height}\" width=\"{WIDTH}\" \
         height=\"{height}\" font-family=\"sans-serif\" font-size=\"15\">\n\
         <rect width=\"100%\" height=\"100%\" fill=\"white\"/>\n"
    );
    for (index, panel) in panels.iter().enumerate() {
        panel.draw(&mut svg, 20.0 + PANEL * index as f64);
    }
    svg.push_str("</svg>\n");
    svg
}

impl Panel<'_> {
    fn mishap(&self) -> f64 {
        self.take.silent_from as f64 / 48_000.0
    }

    fn x(&self, seconds: f64) -> f64 {
        let from = self.mishap() - BEFORE;
        LEFT + (seconds - from) / (BEFORE + AFTER) * (WIDTH - LEFT - RIGHT)
    }

    fn draw(&self, svg: &mut String, top: f64) {
        // Writing to a String cannot fail.
        _ = writeln!(
            svg,
            "<text x=\"{LEFT}\" y=\"{}\" font-weight=\"bold\">{}</text>",
            top + 15.0,
            self.title
        );
        let rows = [
            ("timecode, from the main", &self.take.timecode),
            ("click, from the main", &self.take.main),
            ("click, from the backup", &self.take.backup),
        ];
        let grid = top + 30.0;
        self.grid(svg, grid, grid + 3.5 * ROW);
        for (row, (name, samples)) in rows.iter().enumerate() {
            let middle = grid + ROW * (row as f64 + 1.0);
            _ = writeln!(svg, "<text x=\"8\" y=\"{}\" font-size=\"12\">{name}</text>", middle + 4.0);
            self.wave(svg, samples, middle);
        }
        self.moment(svg, grid, grid + 3.5 * ROW);
    }

    /// A line for each hit that was due, a bar's first one longer and named.
    fn grid(&self, svg: &mut String, top: f64, bottom: f64) {
        _ = writeln!(svg, "<text x=\"8\" y=\"{}\" font-size=\"12\">grid: every hit due</text>", top + 12.0);
        for due in &self.written.dues {
            let seconds = (due.frame.0 + self.take.start) as f64 / 48_000.0;
            if !(self.mishap() - BEFORE..self.mishap() + AFTER).contains(&seconds) {
                continue;
            }
            let x = self.x(seconds);
            let (width, dash) =
                if due.subdivision == 0 { (1.0, "") } else { (0.6, " stroke-dasharray=\"2 4\"") };
            _ = writeln!(
                svg,
                "<line x1=\"{x:.2}\" y1=\"{}\" x2=\"{x:.2}\" y2=\"{bottom}\" stroke=\"#999\" stroke-width=\"{width}\"{dash}/>",
                top + 18.0
            );
            if due.subdivision == 0 {
                _ = writeln!(
                    svg,
                    "<text x=\"{x:.2}\" y=\"{}\" font-size=\"11\" text-anchor=\"middle\">{}:{}</text>",
                    top + 12.0,
                    due.bar,
                    due.beat
                );
            }
        }
    }

    /// The largest and the smallest sample of each part of a pixel, over the loudest of the row.
    fn wave(&self, svg: &mut String, samples: &[f32], middle: f64) {
        let peak = samples.iter().fold(1e-3f32, |peak, sample| peak.max(sample.abs()));
        let columns = ((WIDTH - LEFT - RIGHT) * 2.0) as usize;
        let seconds = (BEFORE + AFTER) / columns as f64;
        let mut path = String::new();
        for column in 0..columns {
            let from = (self.mishap() - BEFORE + column as f64 * seconds) * 48_000.0;
            let until = (from + seconds * 48_000.0).ceil().max(0.0) as usize;
            let piece = samples.get(from.max(0.0) as usize..until.min(samples.len())).unwrap_or(&[]);
            let most = piece.iter().copied().fold(0.0f32, f32::max) / peak;
            let least = piece.iter().copied().fold(0.0f32, f32::min) / peak;
            let y = |value: f32| middle - f64::from(value) * ROW * 0.42;
            let x = LEFT + column as f64 / 2.0;
            _ = write!(path, "M{x:.1} {:.1}V{:.1}", y(most), y(least) + 0.4);
        }
        _ = writeln!(svg, "<path d=\"{path}\" stroke=\"black\" stroke-width=\"0.6\" fill=\"none\"/>");
    }

    fn moment(&self, svg: &mut String, top: f64, bottom: f64) {
        let x = self.x(self.mishap());
        _ = writeln!(
            svg,
            "<line x1=\"{x:.2}\" y1=\"{top}\" x2=\"{x:.2}\" y2=\"{bottom}\" stroke=\"black\" stroke-width=\"2.5\"/>\n\
             <text x=\"{:.2}\" y=\"{}\">{:.3} s</text>",
            x + 5.0,
            bottom,
            self.mishap()
        );
    }
}
