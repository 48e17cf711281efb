//! One block size after the other, each started several times: table, plot, and the smallest that ran clean.

use super::measure::{Aim, QUICK_SECONDS};
use super::words::ms;
use crate::device::{Interface, OpenSetup};
use crate::latency::session::Failure;
use crate::latency::stored::Stored;
use crate::units::{Decibels, SampleRate};
use serde::Serialize;
use std::fmt::Write;

/// One block size.
#[derive(Clone, Debug, Serialize)]
pub struct Row {
    pub asked: u32,
    /// What the device runs at.
    pub block: u32,
    /// Round trips in frames, one a start that measured.
    pub starts: Vec<f64>,
    /// The largest spread inside one start.
    pub within_frames: f64,
    pub xruns: u64,
    pub spoilt: u64,
    /// Why starts did not measure, each once.
    pub refused: Vec<String>,
}

impl Row {
    /// Every start measured, and nothing was lost.
    pub fn is_clean(&self) -> bool {
        self.refused.is_empty() && self.xruns == 0 && self.spoilt == 0 && !self.starts.is_empty()
    }

    pub fn median(&self) -> f64 {
        let mut sorted = self.starts.clone();
        sorted.sort_by(f64::total_cmp);
        let middle = sorted.len() / 2;
        match sorted.as_slice() {
            [] => f64::NAN,
            all if all.len() % 2 == 1 => all[middle],
            all => (all[middle - 1] + all[middle]) / 2.0,
        }
    }

    fn ends(&self) -> (f64, f64) {
        let least = self.starts.iter().copied().fold(f64::INFINITY, f64::min);
        (least, self.starts.iter().copied().fold(f64::NEG_INFINITY, f64::max))
    }

    /// Latest start less earliest.
    pub fn between_frames(&self) -> f64 {
        let (least, most) = self.ends();
        if self.starts.is_empty() { 0.0 } else { most - least }
    }
}

/// Measures all sizes. `keep` takes each result that is worth storing.
pub fn sweep(
    interface: &mut dyn Interface,
    aim: &Aim,
    open: &OpenSetup,
    blocks: &[u32],
    starts: u32,
    quiet: Decibels,
    keep: &mut dyn FnMut(&Aim, &super::measure::Outcome),
) -> Vec<Row> {
    let aim = Aim { shots: aim.shots.min(4), span: QUICK_SECONDS, ..aim.clone() };
    let mut level = quiet;
    let mut rows = Vec::new();
    for block in blocks {
        let open = OpenSetup { block: *block, ..open.clone() };
        let mut row = Row {
            asked: *block,
            block: *block,
            starts: Vec::new(),
            within_frames: 0.0,
            xruns: 0,
            spoilt: 0,
            refused: Vec::new(),
        };
        for _ in 0..starts {
            start(interface, &aim, &open, &mut level, &mut row, keep);
        }
        rows.push(row);
    }
    rows
}

fn start(
    interface: &mut dyn Interface,
    aim: &Aim,
    open: &OpenSetup,
    level: &mut Decibels,
    row: &mut Row,
    keep: &mut dyn FnMut(&Aim, &super::measure::Outcome),
) {
    let why = match aim.measure(interface, open, *level) {
        Ok(outcome) => {
            row.block = outcome.series.negotiated.block;
            row.xruns += outcome.series.xruns;
            row.spoilt += u64::from(outcome.series.spoilt);
            match outcome.answer.measured() {
                Some(found) => {
                    row.starts.push(found.round_trip_frames);
                    row.within_frames = row.within_frames.max(found.spread_frames);
                    // The same cable: a level that was good a moment ago is where the next start begins.
                    *level = outcome.series.level;
                    keep(aim, &outcome);
                    return;
                }
                None => outcome.answer.refused().map_or(String::new(), ToString::to_string),
            }
        }
        Err(Failure::Device(error)) => error.to_string(),
        Err(Failure::Stopped(why)) => why,
        Err(Failure::Unsteady { spoilt }) => {
            row.spoilt += u64::from(spoilt);
            format!("frames were lost in {spoilt} shots")
        }
    };
    if !row.refused.contains(&why) {
        row.refused.push(why);
    }
}

/// The smallest block whose every start was clean.
pub fn recommended(rows: &[Row]) -> Option<&Row> {
    rows.iter().filter(|row| row.is_clean()).min_by_key(|row| row.block)
}

/// Table and plot.
pub fn text(rows: &[Row], rate: SampleRate) -> String {
    let mut out = String::from("  block  starts   round trip                per start   between   xruns\n");
    for row in rows {
        if row.starts.is_empty() {
            let why = row.refused.first().map_or("", |why| why.lines().next().unwrap_or(""));
            let _ = writeln!(out, "  {:>5}  {:>6}   {why}", row.block, 0);
            continue;
        }
        let _ = writeln!(
            out,
            "  {:>5}  {:>6}  {:>8.2} frames {:>6.2} ms   {:>9.3} {:>9.2}   {:>5}{}",
            row.block,
            row.starts.len(),
            row.median(),
            ms(row.median(), rate),
            row.within_frames,
            row.between_frames(),
            row.xruns,
            if row.refused.is_empty() { "" } else { "  some refused" }
        );
    }
    out.push_str(&plot(rows, rate));
    out
}

const WIDTH: usize = 50;

/// A bar a block: `=` up to the earliest start, `~` from there to the latest.
fn plot(rows: &[Row], rate: SampleRate) -> String {
    let most = rows.iter().map(|row| row.ends().1).fold(0.0, f64::max);
    if most <= 0.0 {
        return String::new();
    }
    let mut out = format!("\n  block  0{:>width$.1} ms\n", ms(most, rate), width = WIDTH - 1);
    for row in rows.iter().filter(|row| !row.starts.is_empty()) {
        let (least, latest) = row.ends();
        let place = |frames: f64| (frames.max(0.0) / most * WIDTH as f64).round() as usize;
        let sure = "=".repeat(place(least));
        let moving = "~".repeat(place(latest).saturating_sub(place(least)));
        let _ = writeln!(out, "  {:>5}  |{sure}{moving}", row.block);
    }
    out.push_str("         = every start   ~ differs from start to start\n");
    out
}

/// What earlier starts of one device gave, in a line for `fogbell interfaces`.
pub fn history(results: &[&Stored]) -> Option<String> {
    let last = results.first()?;
    let way = |stored: &Stored| (stored.rate, stored.block, stored.output, stored.input);
    let alike = |other: &&&Stored| way(other) == way(last);
    let trips: Vec<f64> = results.iter().filter(alike).map(|stored| stored.round_trip_frames).collect();
    let least = trips.iter().copied().fold(f64::INFINITY, f64::min);
    let most = trips.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let rate = SampleRate::new(last.rate)?;
    let day =
        jiff::ZonedDateTime::new(last.measured, jiff::tz::TimeZone::system()).strftime("%Y-%m-%d %H:%M");
    let mut line = format!(
        "round trip {:.2} frames ({:.2} ms) at {} Hz, {} frames a block, measured {day} from output {} to input {}; {}",
        last.round_trip_frames,
        ms(last.round_trip_frames, rate),
        last.rate,
        last.block,
        last.output,
        last.input,
        last.holds.words()
    );
    if trips.len() > 1 {
        let _ = write!(line, "; {} starts gave {least:.2} to {most:.2}", trips.len());
    }
    Some(line)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn row(block: u32, starts: &[f64], xruns: u64) -> Row {
        let (starts, refused) = (starts.to_vec(), Vec::new());
        Row { asked: block, block, starts, within_frames: 0.001, xruns, spoilt: 0, refused }
    }

    #[test]
    fn the_smallest_block_that_ran_clean_is_recommended() {
        let rows = [row(32, &[96.0], 1), row(128, &[384.0, 385.0], 0), row(64, &[192.0], 0), row(16, &[], 0)];
        assert_eq!(recommended(&rows).map(|row| row.block), Some(64));
        assert_eq!(recommended(&rows[..1]).map(|row| row.block), None);
        assert_eq!((rows[1].median(), rows[1].between_frames()), (384.5, 1.0));
    }

    #[test]
    fn the_plot_shows_latency_and_what_differs_from_start_to_start() {
        let rows = [row(64, &[240.0, 240.0], 0), row(128, &[384.0, 480.0, 400.0], 0)];
        let text = text(&rows, SampleRate::standard());
        let bars: Vec<(usize, usize)> = text
            .lines()
            .filter(|line| line.contains('|'))
            .map(|line| (line.matches('=').count(), line.matches('~').count()))
            .collect();
        // 480 frames are the full width of 50: 240 are 25, 384 are 40.
        assert_eq!(bars, [(25, 0), (40, 10)], "{text}");
        assert!(text.lines().all(|line| line.chars().count() <= 80), "{text}");
    }
}
