//! Large numerals and letters, drawn by us from strokes and small bitmaps into half-cell pixels.
//!
//! Only full, upper and lower half blocks are used: every terminal font and the plain console have them.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::style::Style;

/// Pixels, two a row of cells.
struct Pixels {
    width: usize,
    lit: Vec<bool>,
}

impl Pixels {
    fn new(width: usize, rows: usize) -> Pixels {
        Pixels { width, lit: vec![false; width * rows * 2] }
    }

    fn set(&mut self, x: usize, y: usize) {
        if x < self.width
            && let Some(pixel) = self.lit.get_mut(y * self.width + x)
        {
            *pixel = true;
        }
    }

    fn get(&self, x: usize, y: usize) -> bool {
        self.lit.get(y * self.width + x).copied().unwrap_or(false)
    }

    fn blit(&self, buffer: &mut Buffer, area: Rect, style: Style) {
        for row in 0..self.lit.len() / self.width.max(1) / 2 {
            for column in 0..self.width {
                let symbol = match (self.get(column, row * 2), self.get(column, row * 2 + 1)) {
                    (true, true) => "█",
                    (true, false) => "▀",
                    (false, true) => "▄",
                    (false, false) => continue,
                };
                let (x, y) = (area.x.saturating_add(column as u16), area.y.saturating_add(row as u16));
                if x < area.right()
                    && y < area.bottom()
                    && let Some(cell) = buffer.cell_mut((x, y))
                {
                    cell.set_symbol(symbol).set_style(style);
                }
            }
        }
    }
}

/// Strokes of a numeral in a unit box, `y` downwards.
fn strokes(numeral: char) -> &'static [&'static [(f32, f32)]] {
    match numeral {
        '0' => &[&[
            (0.3, 0.0),
            (0.7, 0.0),
            (1.0, 0.2),
            (1.0, 0.8),
            (0.7, 1.0),
            (0.3, 1.0),
            (0.0, 0.8),
            (0.0, 0.2),
            (0.3, 0.0),
        ]],
        '1' => &[&[(0.1, 0.16), (0.5, 0.0), (0.5, 1.0)], &[(0.0, 1.0), (1.0, 1.0)]],
        '2' => &[&[(0.0, 0.16), (0.3, 0.0), (0.7, 0.0), (1.0, 0.18), (1.0, 0.36), (0.0, 1.0), (1.0, 1.0)]],
        '3' => &[
            &[(0.0, 0.0), (0.7, 0.0), (1.0, 0.16), (1.0, 0.34), (0.7, 0.48), (0.3, 0.48)],
            &[(0.7, 0.48), (1.0, 0.62), (1.0, 0.84), (0.7, 1.0), (0.0, 1.0)],
        ],
        '4' => &[&[(0.8, 1.0), (0.8, 0.0), (0.0, 0.68), (1.0, 0.68)]],
        '5' => &[&[
            (1.0, 0.0),
            (0.0, 0.0),
            (0.0, 0.42),
            (0.7, 0.42),
            (1.0, 0.58),
            (1.0, 0.82),
            (0.7, 1.0),
            (0.0, 1.0),
        ]],
        '6' => &[&[
            (0.9, 0.0),
            (0.4, 0.0),
            (0.0, 0.24),
            (0.0, 0.8),
            (0.3, 1.0),
            (0.7, 1.0),
            (1.0, 0.82),
            (1.0, 0.6),
            (0.7, 0.44),
            (0.0, 0.44),
        ]],
        '7' => &[&[(0.0, 0.0), (1.0, 0.0), (0.35, 1.0)]],
        '8' => &[
            &[
                (0.3, 0.0),
                (0.7, 0.0),
                (1.0, 0.14),
                (1.0, 0.34),
                (0.7, 0.47),
                (0.3, 0.47),
                (0.0, 0.34),
                (0.0, 0.14),
                (0.3, 0.0),
            ],
            &[
                (0.7, 0.47),
                (1.0, 0.64),
                (1.0, 0.84),
                (0.7, 1.0),
                (0.3, 1.0),
                (0.0, 0.84),
                (0.0, 0.64),
                (0.3, 0.47),
            ],
        ],
        '9' => &[&[
            (0.1, 1.0),
            (0.6, 1.0),
            (1.0, 0.76),
            (1.0, 0.2),
            (0.7, 0.0),
            (0.3, 0.0),
            (0.0, 0.18),
            (0.0, 0.4),
            (0.3, 0.56),
            (1.0, 0.56),
        ]],
        '-' | '−' => &[&[(0.1, 0.5), (0.9, 0.5)]],
        _ => &[],
    }
}

/// Columns of one numeral that is `rows` high.
pub fn numeral_width(rows: u16) -> u16 {
    (rows * 8 + 3) / 7
}

/// Below this many rows strokes run together, and the bitmap letters' numerals are drawn instead.
const LEAST_STROKE_ROWS: u16 = 4;

/// Columns of a whole number that is `rows` high.
pub fn number_width(text: &str, rows: u16) -> u16 {
    if rows < LEAST_STROKE_ROWS {
        return letters_width(text, 1);
    }
    let count = text.chars().count() as u16;
    (count * (numeral_width(rows) + 1)).saturating_sub(1)
}

/// Draws a number as high as `area`, from its left edge. What does not fit is cut off.
pub fn draw_number(buffer: &mut Buffer, area: Rect, text: &str, style: Style) {
    if area.height < LEAST_STROKE_ROWS {
        return draw_letters(buffer, area, text, 1, style);
    }
    let width = numeral_width(area.height);
    for (index, numeral) in text.chars().enumerate() {
        let x = area.x.saturating_add((width + 1).saturating_mul(index as u16));
        if x >= area.right() {
            return;
        }
        let cell = Rect { x, width: area.right() - x, ..area };
        rasterise(numeral, usize::from(width), usize::from(area.height)).blit(buffer, cell, style);
    }
}

fn rasterise(numeral: char, width: usize, rows: usize) -> Pixels {
    let mut pixels = Pixels::new(width, rows);
    let height = rows * 2;
    let half = (height as f32 / 14.0).max(0.85);
    let (span_x, span_y) = ((width as f32 - 2.0 * half).max(0.0), (height as f32 - 2.0 * half).max(0.0));
    let place = |(x, y): (f32, f32)| (half + x * span_x, half + y * span_y);
    for line in strokes(numeral) {
        for pair in line.windows(2) {
            let &[from, to] = pair else { continue };
            for y in 0..height {
                for x in 0..width {
                    let centre = (x as f32 + 0.5, y as f32 + 0.5);
                    if distance(centre, place(from), place(to)) <= half + 0.05 {
                        pixels.set(x, y);
                    }
                }
            }
        }
    }
    pixels
}

/// From a point to a line from `a` to `b`.
fn distance(point: (f32, f32), a: (f32, f32), b: (f32, f32)) -> f32 {
    let (dx, dy) = (b.0 - a.0, b.1 - a.1);
    let length = (dx * dx + dy * dy).max(1e-9);
    let along = (((point.0 - a.0) * dx + (point.1 - a.1) * dy) / length).clamp(0.0, 1.0);
    (point.0 - a.0 - along * dx).hypot(point.1 - a.1 - along * dy)
}

/// Rows of letters at scale 1.
pub const LETTER_ROWS: u16 = 3;

/// Six rows of pixels, from the top, most significant bit left; then the width.
fn letter(character: char) -> ([u8; 6], u16) {
    const O: ([u8; 6], u16) = ([0b0110, 0b1001, 0b1001, 0b1001, 0b1001, 0b0110], 4);
    match character.to_ascii_uppercase() {
        'A' => ([0b0110, 0b1001, 0b1001, 0b1111, 0b1001, 0b1001], 4),
        'B' => ([0b1110, 0b1001, 0b1110, 0b1001, 0b1001, 0b1110], 4),
        'C' => ([0b0111, 0b1000, 0b1000, 0b1000, 0b1000, 0b0111], 4),
        'D' => ([0b1110, 0b1001, 0b1001, 0b1001, 0b1001, 0b1110], 4),
        'E' => ([0b1111, 0b1000, 0b1110, 0b1000, 0b1000, 0b1111], 4),
        'F' => ([0b1111, 0b1000, 0b1110, 0b1000, 0b1000, 0b1000], 4),
        'G' => ([0b0111, 0b1000, 0b1000, 0b1011, 0b1001, 0b0111], 4),
        'H' => ([0b1001, 0b1001, 0b1111, 0b1001, 0b1001, 0b1001], 4),
        'I' => ([1; 6], 1),
        'J' => ([0b0001, 0b0001, 0b0001, 0b0001, 0b1001, 0b0110], 4),
        'K' => ([0b1001, 0b1010, 0b1100, 0b1010, 0b1001, 0b1001], 4),
        'L' => ([0b1000, 0b1000, 0b1000, 0b1000, 0b1000, 0b1111], 4),
        'M' => ([0b10001, 0b11011, 0b10101, 0b10101, 0b10001, 0b10001], 5),
        'N' => ([0b1001, 0b1101, 0b1101, 0b1011, 0b1011, 0b1001], 4),
        'O' => O,
        'P' => ([0b1110, 0b1001, 0b1001, 0b1110, 0b1000, 0b1000], 4),
        'Q' => ([0b0110, 0b1001, 0b1001, 0b1001, 0b1011, 0b0111], 4),
        'R' => ([0b1110, 0b1001, 0b1001, 0b1110, 0b1010, 0b1001], 4),
        'S' => ([0b0111, 0b1000, 0b0110, 0b0001, 0b0001, 0b1110], 4),
        'T' => ([0b11111, 0b00100, 0b00100, 0b00100, 0b00100, 0b00100], 5),
        'U' => ([0b1001, 0b1001, 0b1001, 0b1001, 0b1001, 0b0110], 4),
        'V' => ([0b10001, 0b10001, 0b10001, 0b01010, 0b01010, 0b00100], 5),
        'W' => ([0b10001, 0b10001, 0b10101, 0b10101, 0b11011, 0b10001], 5),
        'X' => ([0b1001, 0b1001, 0b0110, 0b0110, 0b1001, 0b1001], 4),
        'Y' => ([0b10001, 0b01010, 0b00100, 0b00100, 0b00100, 0b00100], 5),
        'Z' => ([0b1111, 0b0001, 0b0010, 0b0100, 0b1000, 0b1111], 4),
        '0' => ([0b0110, 0b1001, 0b1001, 0b1001, 0b1001, 0b0110], 4),
        '1' => ([0b010, 0b110, 0b010, 0b010, 0b010, 0b111], 3),
        '2' => ([0b1110, 0b0001, 0b0001, 0b0110, 0b1000, 0b1111], 4),
        '3' => ([0b1110, 0b0001, 0b0110, 0b0001, 0b0001, 0b1110], 4),
        '4' => ([0b1001, 0b1001, 0b1111, 0b0001, 0b0001, 0b0001], 4),
        '5' => ([0b1111, 0b1000, 0b1110, 0b0001, 0b0001, 0b1110], 4),
        '6' => ([0b0110, 0b1000, 0b1110, 0b1001, 0b1001, 0b0110], 4),
        '7' => ([0b1111, 0b0001, 0b0010, 0b0010, 0b0100, 0b0100], 4),
        '8' => ([0b0110, 0b1001, 0b0110, 0b1001, 0b1001, 0b0110], 4),
        '9' => ([0b0110, 0b1001, 0b0111, 0b0001, 0b0001, 0b0110], 4),
        '-' => ([0, 0, 0b111, 0, 0, 0], 3),
        _ => ([0; 6], 2),
    }
}

/// Columns of a text in large letters.
pub fn letters_width(text: &str, scale: u16) -> u16 {
    let columns: u16 = text.chars().map(|character| letter(character).1 + 1).sum();
    columns.saturating_sub(1).saturating_mul(scale)
}

/// Draws large letters, `scale × 3` rows high, from the area's top left. What does not fit is cut off.
pub fn draw_letters(buffer: &mut Buffer, area: Rect, text: &str, scale: u16, style: Style) {
    let mut x = area.x;
    for character in text.chars() {
        let (bits, width) = letter(character);
        let mut pixels = Pixels::new(usize::from(width * scale), usize::from(LETTER_ROWS * scale));
        for (y, row) in bits.iter().enumerate() {
            for column in (0..width).filter(|column| row >> (width - 1 - column) & 1 == 1) {
                fill(&mut pixels, usize::from(column), y, usize::from(scale));
            }
        }
        if x >= area.right() {
            return;
        }
        pixels.blit(buffer, Rect { x, width: area.right() - x, ..area }, style);
        x = x.saturating_add((width + 1) * scale);
    }
}

fn fill(pixels: &mut Pixels, column: usize, row: usize, scale: usize) {
    for y in row * scale..(row + 1) * scale {
        for x in column * scale..(column + 1) * scale {
            pixels.set(x, y);
        }
    }
}
