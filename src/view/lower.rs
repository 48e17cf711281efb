//! The lower part of the screen: what comes next, backup, power, the last event, messages, meters; or a
//! panel laid over them. Drawn in order of importance until the rows are used up.

use super::glyphs::{self, LETTER_ROWS};
use super::model::{Panel, ScreenModel};
use super::screen::{
    ALARM, BRIGHT, LAMP, PLAIN, SEA, SIGN, columns, from_column, put, put_right, row, shorten, wrap,
};
use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::style::Style;

/// What matters more takes so many rows.
const ROWS_BEFORE_EARS: usize = 8;

pub(super) fn draw(buffer: &mut Buffer, area: Rect, model: &ScreenModel) {
    if model.focus_lost && area.height < 3 {
        return no_keyboard(buffer, area, model);
    }
    let (asked, area) = split_top(area, u16::from(area.height > 0));
    asked_line(buffer, asked, model);
    // Meters come last of all: a panel takes their row.
    let meters = area.height >= 4 && model.panel == Panel::None && !model.focus_lost;
    let event = event_lines(model, area.width.saturating_sub(2), if area.height >= 6 { 2 } else { 1 });
    let (ears, instead) = ears(model, area, meters);
    let events = if area.height >= 2 { event.len() as u16 } else { 0 };
    let (middle, foot) =
        split_top(area, area.height.saturating_sub(events + u16::from(meters) + ears.len() as u16));
    for (index, (line, style)) in event.iter().take(usize::from(events)).enumerate() {
        put(buffer, from_column(row(foot, index as u16), foot.x + 1), line, *style);
    }
    match instead {
        Some(text) => {
            put(buffer, from_column(row(foot, events), foot.x + 1), text, PLAIN);
        }
        None => meter_line(buffer, row(foot, events), model),
    }
    for (line, index) in ears.iter().zip(events + 1..) {
        put(buffer, from_column(row(foot, index), foot.x + 1), line, PLAIN);
    }
    let inner = Rect { x: middle.x + 1, width: middle.width.saturating_sub(2), ..middle };
    if model.focus_lost {
        return no_keyboard(buffer, inner, model);
    }
    match &model.panel {
        Panel::None => details(buffer, inner, model),
        Panel::Help { keys, page } => help(buffer, inner, keys, *page, model),
        Panel::List { title, rows, picked } => list(buffer, inner, title, rows, *picked),
    }
}

/// How loud it is in the ears: below the meters where rows are left, else in their place; never without its caution, so
/// as a whole or not at all.
fn ears(model: &ScreenModel, area: Rect, meters: bool) -> (Vec<String>, Option<&str>) {
    let Some(ears) = model.ears.as_ref().filter(|_| meters) else { return (Vec::new(), None) };
    let width = area.width.saturating_sub(2);
    let fits = |line: &str| columns(line) <= width;
    let lines = wrap(&ears.long, width, 2);
    if usize::from(area.height) >= ROWS_BEFORE_EARS + lines.len() && lines.iter().all(|line| fits(line)) {
        return (lines, None);
    }
    (Vec::new(), ears.small.as_deref().filter(|small| fits(small)))
}

/// Where there is no lower part: a question or the lost keyboard in the title's place.
pub(super) fn urgent(buffer: &mut Buffer, area: Rect, model: &ScreenModel) {
    if model.focus_lost {
        no_keyboard(buffer, area, &ScreenModel::default());
    } else if model.asked.is_some() {
        asked_line(buffer, area, model);
    }
}

fn split_top(area: Rect, rows: u16) -> (Rect, Rect) {
    let rows = rows.min(area.height);
    (Rect { height: rows, ..area }, Rect { y: area.y + rows, height: area.height - rows, ..area })
}

/// A waiting confirmation, else the last message.
fn asked_line(buffer: &mut Buffer, area: Rect, model: &ScreenModel) {
    let inner = from_column(area, area.x + 1);
    if let Some(asked) = &model.asked {
        put(buffer, area, &" ".repeat(usize::from(area.width)), ALARM);
        put(buffer, inner, &format!("? {asked}"), ALARM);
    } else if let Some(message) = &model.message {
        put(buffer, inner, message, BRIGHT);
    } else {
        put(buffer, inner, &"─".repeat(usize::from(area.width.saturating_sub(2))), PLAIN);
    }
}

/// The last event; until it is acknowledged it is marked, and may take two rows.
fn event_lines(model: &ScreenModel, width: u16, rows: usize) -> Vec<(String, Style)> {
    match &model.last_event {
        None => vec![("Last event: none".into(), PLAIN)],
        Some(event) if event.acknowledged => vec![(format!("{} {}", event.at, event.text), PLAIN)],
        Some(event) => {
            let text = format!("! {} {} ({}: seen)", event.at, event.text, model.names.acknowledge);
            wrap(&text, width, rows).into_iter().map(|line| (line, LAMP)).collect()
        }
    }
}

fn meter_line(buffer: &mut Buffer, area: Rect, model: &ScreenModel) {
    let inner = Rect { x: area.x + 1, width: area.width.saturating_sub(2), ..area };
    let mut x = inner.x;
    for meter in &model.meters {
        let level = match meter.peak_db {
            level if level > -99.0 => format!("{} {level:.0} dB", meter.name),
            _ => format!("{} silent", meter.name),
        };
        x = put(buffer, from_column(inner, x), &level, PLAIN).saturating_add(2);
    }
    let xruns = match model.xruns {
        0 => "no xruns".to_string(),
        1 => "1 xrun".to_string(),
        count => format!("{count} xruns"),
    };
    put_right(buffer, from_column(inner, x), &format!("{}, {xruns}", model.device), PLAIN);
}

/// In large words that the keys go elsewhere; below, what still fits of the rest.
fn no_keyboard(buffer: &mut Buffer, area: Rect, model: &ScreenModel) {
    let large = "NO KEYBOARD";
    let fits = area.height > LETTER_ROWS && glyphs::letters_width(large, 1) + 2 <= area.width;
    let (sign, rest) = split_top(area, if fits { LETTER_ROWS + 1 } else { 1 });
    buffer.set_style(sign.intersection(buffer.area), ALARM);
    let text = from_column(sign, sign.x + 1);
    if fits {
        glyphs::draw_letters(buffer, text, large, 1, ALARM);
        let sentence = "Keys go to another window: click into this one. The click goes on.";
        put(buffer, row(text, LETTER_ROWS), sentence, ALARM);
    } else {
        put(buffer, row(sign, 0), &" ".repeat(usize::from(sign.width)), ALARM);
        put(buffer, row(text, 0), "NO KEYBOARD: click into this window. The click goes on.", ALARM);
    }
    details(buffer, rest, model);
}

/// What comes next, on the left; the set list, on the right where there is room.
fn details(buffer: &mut Buffer, area: Rect, model: &ScreenModel) {
    let wide = area.width >= 70 && area.height >= 3;
    let left = if wide { Rect { width: area.width * 11 / 20, ..area } } else { area };
    for (index, (line, style)) in lines(model, left.width).iter().enumerate() {
        put(buffer, row(left, index as u16), &shorten(line, left.width), *style);
    }
    if wide {
        set_list(buffer, from_column(area, left.right() + 2), model);
    }
}

fn lines(model: &ScreenModel, width: u16) -> Vec<(String, Style)> {
    let mut lines = Vec::new();
    if model.room_alarm {
        lines.push((model.room.clone(), LAMP));
    }
    if let Some(section) = &model.next_section {
        lines.push((format!("Next section  {section}"), BRIGHT));
    }
    let (song, detail) = next_song(model);
    lines.push((song, SEA));
    if !detail.is_empty() {
        lines.push((format!("              {detail}"), PLAIN));
    }
    // What it asks for stands at its end.
    lines.extend(wrap(&model.backup, width, 2).into_iter().map(|line| (line, PLAIN)));
    lines.push(power(model));
    if !model.room_alarm && !model.room.is_empty() {
        lines.push((model.room.clone(), PLAIN));
    }
    lines
}

/// The chosen song; then its tempo and who starts it.
fn next_song(model: &ScreenModel) -> (String, String) {
    let Some((index, song)) = model.chosen.and_then(|index| Some((index, model.songs.get(index)?))) else {
        return ("Next song     none is chosen".into(), String::new());
    };
    let parts = [song.tempo.as_str(), song.note.as_str(), song.remark.as_str()];
    let parts: Vec<&str> = parts.into_iter().filter(|part| !part.is_empty()).collect();
    (format!("Next song     {} {}", song.shown(index), song.title), parts.join(", "))
}

fn power(model: &ScreenModel) -> (String, Style) {
    if model.power == super::model::Power::default() {
        return (format!("{}  power not known", model.clock), PLAIN);
    }
    let battery = match model.power.battery_percent {
        Some(percent) => format!("battery {percent} %"),
        None => "battery not known".into(),
    };
    let (charger, style) = match model.power.charger {
        Some(true) => ("on the charger", PLAIN),
        Some(false) => ("CHARGER OUT", LAMP),
        None => ("charger not known", PLAIN),
    };
    (format!("{}  {battery}, {charger}", model.clock), style)
}

/// The set around the song that sounds or is chosen, with marks readable without colour.
fn set_list(buffer: &mut Buffer, area: Rect, model: &ScreenModel) {
    let focus = model.chosen.or(model.song).unwrap_or(0);
    let shown = usize::from(area.height);
    let first = focus.saturating_sub(shown / 2).min(model.songs.len().saturating_sub(shown));
    for (line, (index, song)) in model.songs.iter().enumerate().skip(first).take(shown).enumerate() {
        let (mark, style) = match (Some(index) == model.song, Some(index) == model.chosen) {
            (true, _) => ('♪', BRIGHT),
            (false, true) => ('►', SEA),
            (false, false) => (' ', PLAIN),
        };
        let fold = if song.encore { "(encore) " } else { "" };
        let joint = if song.segue { " ↓" } else { "" }.to_string();
        let remark = if song.remark.is_empty() { String::new() } else { format!(", {}", song.remark) };
        let place = row(area, line as u16);
        // The tempo stays: a long title is cut.
        let head = format!("{mark} {:>2} {fold}", song.shown(index));
        let tail = columns(&joint) + columns(&remark) + columns(&song.tempo) + 1;
        let room = place.width.saturating_sub(columns(&head) + tail);
        let title = shorten(&song.title, room);
        let after = put(buffer, place, &format!("{head}{title}{joint}{remark}"), style);
        put_right(buffer, from_column(place, after.saturating_add(1)), &song.tempo, style);
    }
}

/// The keys, a page at a time, in columns.
fn help(buffer: &mut Buffer, area: Rect, keys: &[super::keys::KeyLine], page: usize, model: &ScreenModel) {
    let across = (area.width / 39).max(1);
    let rows = usize::from(area.height.saturating_sub(1)).max(1);
    let each = rows * usize::from(across);
    let pages = keys.len().div_ceil(each).max(1);
    let page = page % pages;
    let title = format!("Keys, page {} of {pages}. {} turns the page.", page + 1, model.names.help);
    put(buffer, row(area, 0), &title, BRIGHT);
    let width = area.width / across;
    for (index, line) in keys.iter().skip(page * each).take(each).enumerate() {
        let column = area.x + width * (index / rows) as u16;
        let place =
            Rect { x: column, width: width.saturating_sub(1), ..row(area, 1 + (index % rows) as u16) };
        put(buffer, place, line.key.split(' ').next().unwrap_or_default(), LAMP);
        put(buffer, from_column(place, column + 11), line.what, PLAIN);
    }
}

fn list(buffer: &mut Buffer, area: Rect, title: &str, rows: &[(usize, String)], picked: Option<usize>) {
    put(buffer, row(area, 0), title, BRIGHT);
    let high = usize::from(area.height.saturating_sub(1)).max(1);
    let widest = rows.iter().map(|(_, text)| columns(text) + 6).max().unwrap_or(1);
    let across = usize::from((area.width / widest.max(1)).max(1));
    let at = rows.iter().position(|(number, _)| Some(*number) == picked).unwrap_or(0);
    let first = at / (high * across) * high * across;
    for (index, (number, text)) in rows.iter().skip(first).take(high * across).enumerate() {
        let column = area.x + widest.min(area.width) * (index / high) as u16;
        let place = from_column(row(area, 1 + (index % high) as u16), column);
        let (mark, style) = if Some(*number) == picked { ("►", SIGN) } else { (" ", PLAIN) };
        put(buffer, place, &format!("{mark}{number:>2} {text}"), style);
    }
}
