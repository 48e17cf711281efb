//! Draws a moment. The upper part holds, in this order and never covered: bar, beat and bars left; the
//! state in words; what the start key will do. Everything else lies below it (see [`super::lower`]).

use super::glyphs::{self, LETTER_ROWS};
use super::lower;
use super::model::{Run, ScreenModel};
use ratatui::Frame;
use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::style::{Color, Modifier, Style};

pub struct Screen;

pub(super) const PLAIN: Style = Style::new().fg(Color::Gray).bg(Color::Black);
pub(super) const BRIGHT: Style = Style::new().fg(Color::White).bg(Color::Black).add_modifier(Modifier::BOLD);
pub(super) const LAMP: Style =
    Style::new().fg(Color::LightYellow).bg(Color::Black).add_modifier(Modifier::BOLD);
pub(super) const SEA: Style = Style::new().fg(Color::LightCyan).bg(Color::Black);
pub(super) const ALARM: Style = Style::new().fg(Color::White).bg(Color::Red).add_modifier(Modifier::BOLD);
pub(super) const SIGN: Style = Style::new().fg(Color::Black).bg(Color::Gray).add_modifier(Modifier::BOLD);

impl Screen {
    /// Draws one moment over the whole frame. Panics: never, at any size.
    pub fn draw(frame: &mut Frame, model: &ScreenModel) {
        let area = frame.area();
        paint(frame.buffer_mut(), area, model);
    }
}

fn paint(buffer: &mut Buffer, area: Rect, model: &ScreenModel) {
    buffer.set_style(area, PLAIN);
    match Zones::of(area) {
        None => tiny(buffer, area, model),
        Some(zones) => {
            heading(buffer, zones.heading, model);
            if zones.lower.height == 0 {
                lower::urgent(buffer, zones.heading, model);
            }
            numbers(buffer, zones.numbers, model);
            beat_line(buffer, zones.beats, model);
            state(buffer, zones.state, zones.letter_scale, model);
            start(buffer, zones.start, model);
            lower::draw(buffer, zones.lower, model);
        }
    }
}

/// Where things lie, from the top.
struct Zones {
    heading: Rect,
    /// Labels above the numerals included where there is room.
    numbers: Rect,
    beats: Rect,
    state: Rect,
    letter_scale: u16,
    start: Rect,
    lower: Rect,
}

impl Zones {
    /// `None` below 40 × 12: then words only.
    fn of(area: Rect) -> Option<Zones> {
        if area.width < 40 || area.height < 12 {
            return None;
        }
        let spare = area.height.saturating_sub(24);
        let letter_scale = if spare >= 16 && area.width >= 120 { 2 } else { 1 };
        let state = LETTER_ROWS * letter_scale + u16::from(area.height >= 30);
        let start = if area.width < 60 && area.height >= 15 { 3 } else { 2 };
        // From 13 rows on, at least one is left for a question below.
        let numbers = match area.height {
            12 => 5,
            13..24 => (area.height - 6 - start).min(8),
            _ => (8 + spare / 3).min(area.width / 9).max(8),
        };
        let mut top = area.y;
        let mut take = |rows: u16| {
            let rows = rows.min(area.bottom() - top);
            let zone = Rect { y: top, height: rows, ..area };
            top += rows;
            zone
        };
        Some(Zones {
            heading: take(1),
            numbers: take(numbers),
            beats: take(1),
            state: take(state),
            letter_scale,
            start: take(start),
            lower: take(u16::MAX),
        })
    }
}

/// Writes from the left, cut off at the area's right edge; gives back the column after it.
pub(super) fn put(buffer: &mut Buffer, area: Rect, text: &str, style: Style) -> u16 {
    if area.width == 0 || area.height == 0 || area.intersection(buffer.area) != area {
        return area.x;
    }
    buffer.set_stringn(area.x, area.y, text, usize::from(area.width), style).0
}

/// Writes against the right edge; what does not fit is left out as a whole.
pub(super) fn put_right(buffer: &mut Buffer, area: Rect, text: &str, style: Style) {
    let width = columns(text);
    if width <= area.width {
        put(buffer, Rect { x: area.right() - width, width, ..area }, text, style);
    }
}

/// Columns a text takes.
pub(super) fn columns(text: &str) -> u16 {
    u16::try_from(ratatui::text::Line::raw(text).width()).unwrap_or(u16::MAX)
}

/// Row `index` of an area, empty when there is no such row.
pub(super) fn row(area: Rect, index: u16) -> Rect {
    let height = u16::from(index < area.height);
    Rect { y: area.y.saturating_add(index.min(area.height)), height, ..area }
}

/// Moves the left edge to `x`.
pub(super) fn from_column(area: Rect, x: u16) -> Rect {
    let x = x.clamp(area.x, area.right());
    Rect { x, width: area.right() - x, ..area }
}

/// Splits a sentence into at most `rows` lines of `width` columns at spaces.
pub(super) fn wrap(text: &str, width: u16, rows: usize) -> Vec<String> {
    let mut lines = vec![String::new()];
    for word in text.split(' ') {
        let last = lines.len() - 1;
        let fits = lines[last].is_empty() || columns(&lines[last]) + 1 + columns(word) <= width;
        if fits || lines.len() >= rows {
            if !lines[last].is_empty() {
                lines[last].push(' ');
            }
            lines[last].push_str(word);
        } else {
            lines.push(word.to_string());
        }
    }
    lines
}

fn heading(buffer: &mut Buffer, area: Rect, model: &ScreenModel) {
    let song =
        |index: usize| model.songs.get(index).map(|song| format!("{} {}", song.shown(index), song.title));
    let title = model.song.and_then(song).unwrap_or_else(|| model.show.clone());
    // The tempo stays: a long title is cut, then a long section.
    let room = area.width.saturating_sub(columns(&model.tempo) + 7);
    let section = shorten(&model.section, room / 2);
    let title = shorten(&title, room.saturating_sub(columns(&section)));
    let after = put(buffer, from_column(area, area.x + 1), &title, BRIGHT);
    let after = put(buffer, from_column(area, after.saturating_add(3)), &section, SEA);
    put_right(buffer, shrink(from_column(area, after.saturating_add(2)), 1), &model.tempo, PLAIN);
}

fn shrink(area: Rect, right: u16) -> Rect {
    Rect { width: area.width.saturating_sub(right), ..area }
}

/// One of the three large numbers.
struct Number {
    label: String,
    text: String,
    style: Style,
    rows: u16,
}

impl Number {
    fn width(&self) -> u16 {
        glyphs::number_width(&self.text, self.rows).max(columns(&self.label))
    }

    /// Label and numerals against the right edge.
    fn draw_right(&self, buffer: &mut Buffer, area: Rect) {
        put_right(buffer, row(area, 0), &self.label, PLAIN);
        let width = glyphs::number_width(&self.text, self.rows);
        let numerals = from_column(area, area.right().saturating_sub(width));
        Number { label: String::new(), text: self.text.clone(), ..*self }.draw(buffer, numerals);
    }

    fn draw(&self, buffer: &mut Buffer, area: Rect) {
        put(buffer, row(area, 0), &self.label, PLAIN);
        let top = area.height.saturating_sub(self.rows);
        let place = Rect { y: area.y + top, height: self.rows.min(area.height), ..area };
        glyphs::draw_number(buffer, place, &self.text, self.style);
    }
}

fn sounding(model: &ScreenModel) -> bool {
    matches!(model.run, Run::CountIn | Run::Playing)
}

fn numbers(buffer: &mut Buffer, area: Rect, model: &ScreenModel) {
    if !sounding(model) {
        return resting(buffer, area, model);
    }
    let rows = area.height.saturating_sub(1);
    // Beside the beat the other two step back by two rows, further where the window is narrow.
    let side = if area.width >= 72 { rows.saturating_sub(2) } else { 3 };
    let bar = Number { label: "BAR".into(), text: model.bar.to_string(), style: SEA, rows: side };
    let label = format!("BEAT of {}", model.beats_in_bar);
    let beat = Number { label, text: model.beat.to_string(), style: LAMP, rows };
    bar.draw(buffer, from_column(area, area.x + 1));
    let x = area.x + area.width.saturating_sub(glyphs::number_width("00", rows)) / 2;
    beat.draw(buffer, from_column(area, x));
    if model.beat == 1 {
        posts(buffer, Rect { x, y: area.y + 1, width: beat.width(), height: rows });
    }
    if let Some(left) = model.bars_left {
        let label = left_label(model, left);
        let left = Number { label, text: left.to_string(), style: SEA, rows: side };
        left.draw_right(buffer, shrink(area, 1));
    }
}

fn left_label(model: &ScreenModel, left: u16) -> String {
    match (model.vamp && !model.released, left) {
        (true, _) => "LEFT, THEN AGAIN".into(),
        (false, 0) => "LAST BAR".into(),
        (false, _) => "BARS LEFT".into(),
    }
}

/// The downbeat has a shape of its own: posts on both sides of the numeral.
fn posts(buffer: &mut Buffer, numeral: Rect) {
    for y in numeral.y..numeral.bottom() {
        for x in [numeral.x.saturating_sub(3), numeral.right() + 2] {
            put(buffer, Rect { x, y, width: 1, height: 1 }, "█", LAMP);
        }
    }
}

/// Nothing sounds: the song that comes next, as large as the bar and beat would be.
fn resting(buffer: &mut Buffer, area: Rect, model: &ScreenModel) {
    let index = if model.run == Run::Holding { model.song } else { model.chosen };
    let Some((index, song)) = index.and_then(|index| Some((index, model.songs.get(index)?))) else {
        put(buffer, from_column(row(area, 1), area.x + 1), "No song is chosen.", PLAIN);
        return;
    };
    let label = if model.run == Run::Holding { "RESTS IN" } else { "NEXT SONG" };
    put(buffer, from_column(row(area, 0), area.x + 1), label, PLAIN);
    let rows = area.height.saturating_sub(1);
    let number = song.shown(index).to_string();
    let place = Rect { x: area.x + 1, y: area.y + 1, width: area.width.saturating_sub(1), height: rows };
    glyphs::draw_number(buffer, place, &number, SEA);
    let beside = from_column(place, place.x + glyphs::number_width(&number, rows) + 3);
    let title = song.title.to_uppercase();
    let mut next = 0;
    for line in title_lines(&title, beside.width).iter().take(usize::from(rows / (LETTER_ROWS + 1)).max(1)) {
        let spot = Rect { y: beside.y + next, height: beside.height.saturating_sub(next), ..beside };
        glyphs::draw_letters(buffer, spot, line, 1, BRIGHT);
        next += LETTER_ROWS + 1;
    }
    let detail = [song.tempo.as_str(), song.note.as_str(), song.remark.as_str()];
    let detail: Vec<&str> = detail.into_iter().filter(|text| !text.is_empty()).collect();
    let last = row(beside, rows.saturating_sub(1).max(next));
    put(
        buffer,
        if last.height == 0 { row(beside, rows.saturating_sub(1)) } else { last },
        &detail.join(", "),
        PLAIN,
    );
}

/// A title in large letters over several lines, broken at spaces.
fn title_lines(title: &str, width: u16) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    for word in title.split_whitespace() {
        match lines.last_mut() {
            Some(line) if glyphs::letters_width(&format!("{line} {word}"), 1) <= width => {
                line.push(' ');
                line.push_str(word);
            }
            _ => lines.push(word.to_string()),
        }
    }
    lines
}

/// The bar as a line: `[1]` the downbeat, the others plain, a mark that travels between them.
fn beat_line(buffer: &mut Buffer, area: Rect, model: &ScreenModel) {
    let beats = model.beats_in_bar;
    if !sounding(model) || beats == 0 || area.width < 4 {
        return;
    }
    let step = (area.width - 2) / beats;
    if step < 4 {
        return;
    }
    for beat in 1..=beats {
        let x = area.x + 1 + (beat - 1) * step;
        let text = if beat == 1 { format!("[{beat}]") } else { format!(" {beat} ") };
        let style = if beat == model.beat { LAMP } else { PLAIN };
        let after = put(buffer, from_column(area, x), &text, style);
        let gap = step.saturating_sub(after - x);
        let done = match beat.cmp(&model.beat) {
            std::cmp::Ordering::Less => gap,
            std::cmp::Ordering::Equal => (model.beat_phase.clamp(0.0, 1.0) * f32::from(gap)) as u16,
            std::cmp::Ordering::Greater => 0,
        };
        let (filled, open) = ("═".repeat(usize::from(done)), "·".repeat(usize::from(gap - done)));
        let after = put(buffer, from_column(area, after), &filled, LAMP);
        put(buffer, from_column(area, after), &open, PLAIN);
    }
}

/// The one state: a word, its sentence, and how loud it should speak.
pub(super) fn state_words(model: &ScreenModel) -> (&'static str, String, Style) {
    let names = &model.names;
    if model.all_out {
        let sentence = format!("Every feed is silent. {} brings the click back.", names.all_back);
        return ("ALL OUT", sentence, ALARM);
    }
    if let Some((word, sentence)) = &model.stands {
        return (word, sentence.clone(), LAMP);
    }
    if model.click_out && model.run != Run::Stopped {
        let sentence = format!("Ambient stays. {} brings the click back.", names.click_in);
        return ("CLICK OUT", sentence, ALARM);
    }
    if sounding(model) && model.clicks.iter().any(|click| click.fallback) {
        return ("FALLBACK", "Click from this laptop.".into(), LAMP);
    }
    match model.run {
        Run::Stopped => ("STOPPED", "Nothing plays.".into(), PLAIN),
        Run::CountIn => {
            let into = model.next_section.as_deref().unwrap_or("bar 1");
            ("COUNT-IN", format!("Counting into {into}."), LAMP)
        }
        Run::Holding => ("HOLD", "The click rests until a count-in is called.".into(), LAMP),
        Run::Playing if model.vamp && !model.released => {
            ("VAMP", format!("Goes round until {} releases it.", names.release), LAMP)
        }
        Run::Playing if model.vamp => ("VAMP ENDS", "Goes on after this pass.".into(), BRIGHT),
        Run::Playing => ("PLAYING", String::new(), BRIGHT),
    }
}

fn state(buffer: &mut Buffer, area: Rect, scale: u16, model: &ScreenModel) {
    let (word, sentence, style) = state_words(model);
    let large = Rect { x: area.x + 1, width: area.width - 1, height: LETTER_ROWS * scale, ..area };
    let width = glyphs::letters_width(word, scale);
    if style == ALARM {
        let block = Rect { x: area.x, width: (width + 2).min(area.width), ..large };
        buffer.set_style(block.intersection(area), ALARM);
    }
    glyphs::draw_letters(buffer, large, word, scale, style);
    let beside = from_column(area, large.x + width + 3);
    if beside.width < 24 {
        return;
    }
    let mut lines: Vec<(String, Style)> = Vec::new();
    if !sentence.is_empty() {
        lines.extend(wrap(&sentence, beside.width, 2).into_iter().map(|line| (line, BRIGHT)));
    }
    // Clicks that are not as planned come first.
    let (odd, plain): (Vec<_>, Vec<_>) = model.clicks.iter().partition(|click| click.fallback || click.muted);
    lines.extend(odd.into_iter().chain(plain).map(click_line));
    for (index, (line, style)) in lines.iter().enumerate() {
        put(buffer, row(beside, index as u16), line, *style);
    }
}

fn click_line(click: &super::model::ClickLine) -> (String, Style) {
    match (click.muted, click.fallback) {
        (true, _) => (format!("{}: MUTED", click.name), ALARM),
        (false, true) => (format!("{}: {}", click.name, click.words), LAMP),
        (false, false) => (format!("{}: {}", click.name, click.words), PLAIN),
    }
}

/// The sentence, its key set off as a key cap.
fn start(buffer: &mut Buffer, area: Rect, model: &ScreenModel) {
    let text = Rect { x: area.x + 1, width: area.width.saturating_sub(2), ..area };
    for (index, line) in wrap(&model.start, text.width, usize::from(area.height)).iter().enumerate() {
        put(buffer, row(text, index as u16), &shorten(line, text.width), BRIGHT);
    }
    let key = columns(&model.names.start);
    if model.start.starts_with(&model.names.start) && key > 0 && area.height > 0 {
        let cap = Rect { x: area.x, width: (key + 2).min(area.width), height: 1, ..area };
        buffer.set_style(cap.intersection(buffer.area), SIGN);
    }
}

/// Cut off with a mark when it is too long.
pub(super) fn shorten(text: &str, width: u16) -> std::borrow::Cow<'_, str> {
    if columns(text) <= width {
        return text.into();
    }
    let mut short = String::new();
    for character in text.chars() {
        short.push(character);
        if columns(&short) + 1 >= width {
            break;
        }
    }
    (short + "…").into()
}

/// Too small for anything large: the first three in words.
fn tiny(buffer: &mut Buffer, area: Rect, model: &ScreenModel) {
    let place = match sounding(model) {
        true => format!("{}.{} of {}", model.bar, model.beat, model.beats_in_bar),
        false => String::new(),
    };
    let left = model.bars_left.map(|left| format!(", {left} left")).unwrap_or_default();
    let (word, _, style) = state_words(model);
    put(buffer, row(area, 0), &format!("{place}{left}"), LAMP);
    put(buffer, row(area, 1), word, style);
    let rest = usize::from(area.height.saturating_sub(2));
    for (index, line) in wrap(&model.start, area.width, rest.max(1)).iter().enumerate() {
        put(buffer, row(area, 2 + index as u16), line, SIGN);
    }
}
