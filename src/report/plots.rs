//! Plots as SVG, each in two widths: for a phone and for paper. Black, white and grey, told apart by shape.

use super::run::{Kind, Played, Run};
use super::words::{thousands, time};
use crate::telemetry::LoadSummary;
use crate::telemetry::load::EDGES_PPM;
use plotters::coord::Shift;
use plotters::prelude::*;

pub mod room;

/// Widths in CSS pixels.
pub const NARROW: u32 = 330;
pub const WIDE: u32 = 860;

const INK: RGBColor = RGBColor(17, 17, 17);
const GREY: RGBColor = RGBColor(85, 85, 85);
const MIDDLE: RGBColor = RGBColor(176, 176, 176);
const PALE: RGBColor = RGBColor(224, 224, 224);
const PAPER: RGBColor = RGBColor(255, 255, 255);

type Area<'a> = DrawingArea<SVGBackend<'a>, Shift>;
type Drawn = Result<(), DrawingAreaErrorKind<std::io::Error>>;

/// A kind's name in a player's words.
pub const fn name(kind: Kind) -> &'static str {
    match kind {
        Kind::Device => "interface",
        Kind::Lost => "hits not as planned",
        Kind::Switch => "switches",
        Kind::Covered => "hits taken over",
        Kind::Xrun => "computer late",
        Kind::Machine => "other laptop",
        Kind::Power => "power",
        Kind::Input => "bad input",
        Kind::Log => "log",
        Kind::Hand => "by hand",
        Kind::Note => "notes",
    }
}

/// Draws into text. A plot that cannot be drawn is an empty one: the figures stand beside it.
fn svg(width: u32, height: u32, draw: impl FnOnce(&Area) -> Drawn) -> String {
    let mut out = String::new();
    {
        let area = SVGBackend::with_string(&mut out, (width, height)).into_drawing_area();
        let drawn = draw(&area).and_then(|()| area.present());
        debug_assert!(drawn.is_ok(), "{drawn:?}");
    }
    out
}

fn text(area: &Area, at: (i32, i32), size: u32, words: &str, colour: &RGBColor) -> Drawn {
    let style = TextStyle::from(("sans-serif", size).into_font()).color(colour);
    area.draw(&Text::new(words.to_string(), at, style))
}

fn text_right(area: &Area, at: (i32, i32), size: u32, words: &str, colour: &RGBColor) -> Drawn {
    use plotters::style::text_anchor::{HPos, Pos, VPos};
    let style =
        TextStyle::from(("sans-serif", size).into_font()).color(colour).pos(Pos::new(HPos::Right, VPos::Top));
    area.draw(&Text::new(words.to_string(), at, style))
}

fn line(area: &Area, from: (i32, i32), to: (i32, i32), colour: &RGBColor) -> Drawn {
    area.draw(&PathElement::new(vec![from, to], colour.stroke_width(1)))
}

/// How wide a text is about, in pixels.
fn about(words: &str, size: u32) -> i32 {
    (words.chars().count() as f64 * f64::from(size) * 0.56) as i32
}

/// The mark of a kind: a shape of its own.
fn mark(area: &Area, kind: Kind, (x, y): (i32, i32), r: i32) -> Drawn {
    let path = |points: &[(i32, i32)]| points.iter().map(|(dx, dy)| (x + dx, y + dy)).collect::<Vec<_>>();
    let triangle = [(0, -r), (r, r), (-r, r)];
    let diamond = [(0, -r), (r, 0), (0, r), (-r, 0), (0, -r)];
    match kind {
        Kind::Device => area.draw(&Rectangle::new([(x - r, y - r), (x + r, y + r)], INK.filled())),
        Kind::Power => {
            area.draw(&Rectangle::new([(x - r, y - r), (x + r, y + r)], PAPER.filled()))?;
            area.draw(&Rectangle::new([(x - r, y - r), (x + r, y + r)], INK.stroke_width(2)))
        }
        Kind::Switch => area.draw(&Polygon::new(path(&triangle), INK.filled())),
        Kind::Covered => {
            let mut outline = path(&triangle);
            outline.push((x, y - r));
            area.draw(&Polygon::new(path(&triangle), PAPER.filled()))?;
            area.draw(&PathElement::new(outline, INK.stroke_width(2)))
        }
        Kind::Lost => {
            area.draw(&PathElement::new(vec![(x - r, y - r), (x + r, y + r)], INK.stroke_width(2)))?;
            area.draw(&PathElement::new(vec![(x - r, y + r), (x + r, y - r)], INK.stroke_width(2)))
        }
        Kind::Xrun => area.draw(&PathElement::new(vec![(x, y - r), (x, y + r)], INK.stroke_width(3))),
        Kind::Machine => area.draw(&Polygon::new(path(&diamond), INK.filled())),
        Kind::Input => {
            area.draw(&Polygon::new(path(&diamond), PAPER.filled()))?;
            area.draw(&PathElement::new(path(&diamond), INK.stroke_width(2)))
        }
        Kind::Log => {
            area.draw(&PathElement::new(vec![(x - r, y), (x + r, y)], INK.stroke_width(2)))?;
            area.draw(&PathElement::new(vec![(x, y - r), (x, y + r)], INK.stroke_width(2)))
        }
        Kind::Hand => area.draw(&Circle::new((x, y), r - 1, INK.stroke_width(2))),
        Kind::Note => area.draw(&Circle::new((x, y), 2, INK.filled())),
    }
}

/// A kind's mark alone, as beside a line of a list.
pub fn mark_alone(kind: Kind) -> String {
    svg(16, 16, |area| mark(area, kind, (8, 8), 5))
}

/// Seconds to pixels.
struct Scale {
    left: i32,
    right: i32,
    from: f64,
    to: f64,
}

impl Scale {
    fn x(&self, seconds: f64) -> i32 {
        let part = (seconds - self.from) / (self.to - self.from).max(1e-9);
        self.left + (part.clamp(0.0, 1.0) * f64::from(self.right - self.left)) as i32
    }

    /// Round steps that leave room for a label of `label` pixels each.
    fn step(&self, label: i32) -> f64 {
        let most = f64::from(((self.right - self.left) / label).max(1));
        let steps =
            [1.0, 2.0, 5.0, 10.0, 15.0, 30.0, 60.0, 120.0, 300.0, 600.0, 900.0, 1800.0, 3600.0, 7200.0];
        let wanted = (self.to - self.from) / most;
        steps
            .into_iter()
            .find(|step| *step >= wanted)
            .unwrap_or(14_400.0 * (wanted / 14_400.0).ceil().max(1.0))
    }
}

/// The whole run: songs above, a row a kind of event below, time along.
pub fn timeline(run: &Run, width: u32) -> String {
    let kinds: Vec<Kind> =
        Kind::ALL.into_iter().filter(|kind| *kind != Kind::Note && run.marks.contains_key(kind)).collect();
    let narrow = width == NARROW;
    let (left, row, top) = if narrow { (10, 38, 34) } else { (200, 26, 36) };
    let height = top + 20 + row * kinds.len() as i32 + 30;
    let scale = Scale { left, right: width as i32 - 12, from: 0.0, to: run.seconds.max(1.0) };
    svg(width, height as u32, |area| {
        for (index, song) in run.songs.iter().enumerate() {
            song_box(area, &scale, song, index, top)?;
        }
        for (index, kind) in kinds.iter().enumerate() {
            let y = top + 20 + row * index as i32;
            let centre = if narrow { y + 25 } else { y + 12 };
            let label = format!("{} ({})", name(*kind), thousands(run.count(*kind)));
            let label_at = if narrow { y + 8 } else { centre };
            mark(area, *kind, (10, label_at), 5)?;
            text(area, (24, label_at - 8), 16, &label, &INK)?;
            line(area, (scale.left, centre), (scale.right, centre), &PALE)?;
            let points = run.marks.get(kind).into_iter().flat_map(super::thin::Thin::points);
            for (seconds, _) in points {
                mark(area, *kind, (scale.x(seconds), centre), 5)?;
            }
        }
        time_axis(area, &scale, height - 24)
    })
}

fn song_box(area: &Area, scale: &Scale, song: &Played, index: usize, bottom: i32) -> Drawn {
    let (from, to) =
        (scale.x(song.from_seconds), scale.x(song.to_seconds).max(scale.x(song.from_seconds) + 2));
    let ground = if index.is_multiple_of(2) { PALE } else { PAPER };
    area.draw(&Rectangle::new([(from, 4), (to, bottom)], ground.filled()))?;
    area.draw(&Rectangle::new([(from, 4), (to, bottom)], INK.stroke_width(1)))?;
    let number = (index + 1).to_string();
    for words in [song.title.as_str(), number.as_str()] {
        if about(words, 16) + 8 <= to - from {
            return text(area, (from + 5, 11), 16, words, &INK);
        }
    }
    Ok(())
}

fn time_axis(area: &Area, scale: &Scale, y: i32) -> Drawn {
    line(area, (scale.left, y), (scale.right, y), &INK)?;
    let step = scale.step(64);
    let mut at = (scale.from / step).ceil() * step;
    while at <= scale.to {
        let x = scale.x(at);
        line(area, (x, y), (x, y + 4), &INK)?;
        let words = time(at);
        let most = scale.right - about(&words, 15);
        text(area, ((x - about(&words, 15) / 2).clamp(scale.left.min(most), most), y + 6), 15, &words, &INK)?;
        at += step;
    }
    Ok(())
}

/// One song against its bars, with what happened in it.
pub fn song_strip(run: &Run, song: &Played, width: u32) -> String {
    let scale = Scale {
        left: 6,
        right: width as i32 - 12,
        from: song.from_seconds,
        to: song.to_seconds.max(song.from_seconds + 0.5),
    };
    svg(width, 96, |area| {
        let mut last = i32::MIN;
        for (index, section) in song.sections.iter().enumerate() {
            let x = scale.x(section.seconds);
            line(area, (x, 4), (x, 70), &GREY)?;
            let wide = about(&section.name, 15);
            // A count-in gives way to what it counts in.
            let next = song.sections.get(index + 1).map_or(i32::MAX, |next| scale.x(next.seconds));
            if x >= last && (section.name != "count-in" || x + 8 + wide <= next) {
                text(area, (x + 4, 4), 15, &section.name, &INK)?;
                last = x + 8 + wide;
            }
        }
        line(area, (scale.left, 70), (scale.right, 70), &INK)?;
        let mut last = i32::MIN;
        for (seconds, bar) in &song.bars {
            let x = scale.x(*seconds);
            line(area, (x, 66), (x, 74), &INK)?;
            let words = bar.to_string();
            if x - about(&words, 15) / 2 > last && *bar >= 1 {
                text(area, (x - about(&words, 15) / 2, 77), 15, &words, &INK)?;
                last = x + about(&words, 15) / 2 + 8;
            }
        }
        for event in run.events.iter().filter(|event| event.kind.is_fault() && within(song, event.seconds)) {
            let (from, to) = (scale.x(event.seconds), scale.x(event.last_seconds));
            if to > from {
                area.draw(&PathElement::new(vec![(from, 44), (to, 44)], INK.stroke_width(2)))?;
            }
            mark(area, event.kind, (from, 44), 6)?;
        }
        Ok(())
    })
}

pub fn within(song: &Played, seconds: f64) -> bool {
    (song.from_seconds - 0.5..=song.to_seconds + 0.5).contains(&seconds)
}

/// How much of its time each callback took: a bar a class, ten times as many callbacks a line up.
pub fn load(load: &LoadSummary, width: u32) -> String {
    let (left, top, bottom) = (46, 14, 150);
    let counts = &load.counts;
    let most = counts.iter().copied().max().unwrap_or(0).max(10) as f64;
    let decades = most.log10().ceil().max(1.0);
    let y = |count: u64| {
        let part = if count == 0 { 0.0 } else { ((count as f64).log10() + 0.25) / (decades + 0.25) };
        bottom - (part * f64::from(bottom - top)) as i32
    };
    let wide = (width as i32 - left - 10) / counts.len().max(1) as i32;
    svg(width, 200, |area| {
        for decade in 0..=decades as u32 {
            let at = y(10u64.pow(decade.min(18)));
            line(area, (left, at), (width as i32 - 10, at), &PALE)?;
            text_right(area, (left - 6, at - 8), 15, &short(10u64.pow(decade.min(18))), &INK)?;
        }
        let mut last = i32::MIN;
        for (index, count) in counts.iter().enumerate() {
            let x = left + wide * index as i32;
            let over = index
                .checked_sub(1)
                .and_then(|before| EDGES_PPM.get(before))
                .is_some_and(|from| *from >= 1_000_000);
            if *count > 0 {
                let bar = [(x + 1, y(*count)), (x + wide - 1, bottom)];
                area.draw(&Rectangle::new(
                    bar,
                    if over { INK.filled() } else { RGBColor(140, 140, 140).filled() },
                ))?;
                area.draw(&Rectangle::new(bar, INK.stroke_width(1)))?;
            }
            let Some(edge) = EDGES_PPM.get(index) else { continue };
            let words = percent(*edge);
            let middle = x + wide;
            let whole = [1_000, 4_000, 16_000, 64_000, 256_000, 1_000_000, 4_000_000].contains(edge);
            if whole && middle - about(&words, 15) / 2 > last {
                line(area, (middle, bottom), (middle, bottom + 5), &INK)?;
                let at = (middle - about(&words, 15) / 2).min(width as i32 - about(&words, 15) - 2);
                text(area, (at, bottom + 8), 15, &words, &INK)?;
                last = middle + about(&words, 15) / 2 + 4;
            }
        }
        line(area, (left, bottom), (width as i32 - 10, bottom), &INK)?;
        text(area, (left, bottom + 28), 15, "of the block's time; black: too late", &INK)
    })
}

fn percent(ppm: u64) -> String {
    match ppm {
        ppm if ppm < 10_000 => format!("{} %", ppm as f64 / 10_000.0),
        ppm => format!("{:.0} %", ppm as f64 / 10_000.0),
    }
}

/// 1, 10, 1k, 1M.
fn short(number: u64) -> String {
    match number {
        number if number >= 1_000_000_000 => format!("{}G", number / 1_000_000_000),
        number if number >= 1_000_000 => format!("{}M", number / 1_000_000),
        number if number >= 1_000 => format!("{}k", number / 1_000),
        number => number.to_string(),
    }
}

/// Loudest sample (line, from below) and deepest limiter (black, from above) over time.
pub fn levels(run: &Run, width: u32) -> String {
    let (left, top, bottom) = (46, 12, 140);
    let scale = Scale { left, right: width as i32 - 12, from: 0.0, to: run.seconds.max(1.0) };
    let y = |db: f64| bottom - ((db.clamp(-60.0, 0.0) + 60.0) / 60.0 * f64::from(bottom - top)) as i32;
    svg(width, 176, |area| {
        room::music(area, run, &scale, (top, bottom))?;
        for db in [0, -12, -24, -36, -48, -60] {
            line(area, (left, y(f64::from(db))), (scale.right, y(f64::from(db))), &MIDDLE)?;
            text_right(area, (left - 6, y(f64::from(db)) - 8), 15, &db.to_string(), &INK)?;
        }
        let peaks: Vec<(i32, i32)> =
            run.levels.points().map(|(seconds, level)| (scale.x(seconds), y(level.peak_db))).collect();
        area.draw(&PathElement::new(peaks, INK.stroke_width(2)))?;
        for (seconds, level) in run.levels.points().filter(|(_, level)| level.limiter_db < -0.05) {
            let x = scale.x(seconds);
            area.draw(&PathElement::new(vec![(x, top), (x, y(level.limiter_db))], INK.stroke_width(3)))?;
        }
        time_axis(area, &scale, bottom + 8)
    })
}

/// A figure over the nights, small.
pub fn spark(values: &[Option<f64>]) -> String {
    let known: Vec<(usize, f64)> =
        values.iter().enumerate().filter_map(|(index, value)| Some((index, (*value)?))).collect();
    let most = known.iter().map(|(_, value)| *value).fold(0.0, f64::max).max(1e-9);
    let step = 90 / values.len().saturating_sub(1).max(1) as i32;
    let points: Vec<(i32, i32)> = known
        .iter()
        .map(|(index, value)| (8 + step * *index as i32, 26 - (value.max(0.0) / most * 20.0) as i32))
        .collect();
    svg(106, 32, |area| {
        line(area, (2, 28), (104, 28), &GREY)?;
        area.draw(&PathElement::new(points.clone(), INK.stroke_width(2)))?;
        points.iter().try_for_each(|point| area.draw(&Circle::new(*point, 3, INK.filled())))
    })
}
