//! What a pad needs: files of one loudness, and a sheet to start them by.

use crate::show::model::{Show, Song, SongKind};
use crate::show::music::{metre_text, tempo_text};
use crate::tempo::length::{count_in_seconds, minutes, song_seconds};
use crate::units::Decibels;
use std::fmt::Write;

/// The loudest sample of every file for a pad: where the built-in sounds' accents lie.
const PEAK: Decibels = Decibels(-12.0);

/// The gain that brings a file with this peak to the common one, never above the show's ceiling.
/// Edges: silence stays as it is.
pub(super) fn matched(peak: f32, ceiling: Decibels) -> f32 {
    let wanted = PEAK.gain().min(ceiling.gain());
    if peak > 0.0 { wanted / peak } else { 1.0 }
}

/// A line of the sheet: number, its files, what the song is.
pub(super) struct Row<'a> {
    pub number: usize,
    pub song: &'a Song,
    pub files: Vec<String>,
}

/// The sheet as plain text for a printer, 80 columns wide where the titles allow.
pub(super) fn sheet(show: &Show, rows: &[Row<'_>]) -> String {
    let mut out = format!("START SHEET  {}\n", show.title);
    out.push_str("Backup click on the pad. Start quiet: loud clicks in ears harm hearing.\n");
    out.push_str("\n No  Title                     Tempo      Metre  Count-in        Length\n");
    for row in rows {
        out.push_str(&"-".repeat(76));
        out.push('\n');
        out.push_str(&line(row));
    }
    out
}

fn line(row: &Row<'_>) -> String {
    let song = row.song;
    let Some(first) = song.sections.first().filter(|_| song.kind == SongKind::Click) else {
        let why = if song.kind == SongKind::Talk { "talk" } else { "no click" };
        return format!("{:>3}  {:<24}  {why}{}\n", row.number, song.title, starter(song));
    };
    let moves = song.sections.iter().any(|s| !s.moves.is_empty() || s.tempo != first.tempo);
    let tempo = format!("{}{}", tempo_text(&first.tempo), if moves { " …" } else { "" });
    let metre = first.bars.first().map_or(String::new(), metre_text);
    let count_in = song.count_in.as_ref().map_or("none".into(), |count| {
        let bars = if count.bars.len() == 1 { "bar" } else { "bars" };
        format!("{} {bars}, {:.1} s", count.bars.len(), count_in_seconds(count, first))
    });
    let length = minutes(song_seconds(song));
    let open = if song.sections.iter().any(|s| s.vamp || s.hold) { "+" } else { "" };
    let mut out = format!(
        "{:>3}  {:<24}  {tempo:<9}  {metre:<5}  {count_in:<14}  {length}{open}\n",
        row.number, song.title
    );
    // Writing to a String cannot fail.
    _ = writeln!(out, "     {}{}", row.files.join("  "), starter(song));
    out
}

/// The note line of the song says who starts it.
fn starter(song: &Song) -> String {
    if song.note.is_empty() { String::new() } else { format!("   {}", song.note) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn quiet_and_loud_files_are_brought_to_one_peak_below_the_ceiling() {
        let at = |peak: f32, ceiling: f64| Decibels::of(peak * matched(peak, Decibels(ceiling))).0;
        assert!((at(0.01, -6.0) + 12.0).abs() < 1e-4);
        assert!((at(0.9, -6.0) + 12.0).abs() < 1e-4);
        assert!((at(0.9, -20.0) + 20.0).abs() < 1e-4);
        assert_eq!(matched(0.0, Decibels(-6.0)), 1.0);
    }
}
