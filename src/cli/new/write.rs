//! Songs to a show file and a rig file, with comments that teach the next step.

use super::lines::{BarsFrom, Entry, bar_seconds, counted_note};
use std::fmt::Write as _;

/// A basic string of TOML 1.0: quotes, backslashes and control characters escaped.
fn quoted(text: &str) -> String {
    let mut out = String::from("\"");
    for c in text.chars() {
        match c {
            '"' => out.push_str("\\\""),
            '\\' => out.push_str("\\\\"),
            c if c.is_control() => _ = write!(out, "\\u{:04X}", u32::from(c)),
            c => out.push(c),
        }
    }
    out.push('"');
    out
}

/// Text of the show file.
pub fn show(title: &str, show_name: &str, rig_name: &str, songs: &[Entry]) -> String {
    let mut out = head(title, show_name, rig_name);
    let mut encores = false;
    for entry in songs {
        if entry.encore && !encores {
            encores = true;
            out.push_str("\n# Encores: below the line, played only when called.\n");
        }
        song(&mut out, entry);
    }
    out
}

fn head(title: &str, show_name: &str, rig_name: &str) -> String {
    format!(
        r#"# What is played, in order. The next steps:
#   fogbell check {show_name}                reads it over; nothing sounds
#   fogbell run {show_name} --rig {rig_name}
#                                            plays it, at home on the virtual interface
#   fogbell stems {show_name} --out stems    makes WAV files for rehearsal or a pad
show = {title}

# A click is one player's version of the beat. Say which notes it marks:
# "bars", "beats", "eighths", "sixteenths" or "triplets".
[click.drums]
every = "eighths"

[click.band]
every = "beats"

# A feed is what leaves on an output. It hears clicks, each at a level in dB; 0 is as loud as it gets.
# Start quiet: loud clicks in ears harm hearing. Turn up at the mixer, slowly, never here first.
[feed.drums]
hears = {{ drums = 0 }}

[feed.band]
hears = {{ band = 0 }}
"#,
        title = quoted(title),
    )
}

fn song(out: &mut String, entry: &Entry) {
    out.push_str("\n[[song]]\n");
    _ = writeln!(out, "title = {}", quoted(&entry.title));
    _ = writeln!(out, "tempo = {}", tempo(entry));
    _ = write!(out, "metre = {}", quoted(&entry.metre.text));
    out.push_str(if entry.metre.assumed { "  # not in your line: 4/4 was assumed\n" } else { "\n" });
    _ = writeln!(out, "bars = {}{}", entry.bars, bars_remark(entry));
    if entry.encore {
        out.push_str("encore = true\n");
    }
    if !entry.note.is_empty() {
        _ = writeln!(out, "note = {}", quoted(&entry.note));
    }
}

/// A number alone where it counts crotchets, otherwise with its note.
fn tempo(entry: &Entry) -> String {
    let counted = counted_note(&entry.metre);
    match entry.tempo.note.unwrap_or(counted) {
        "♩" if entry.tempo.note.is_none() && entry.metre.unit == 4 => entry.tempo.number.clone(),
        note if entry.tempo.note.is_none() => format!(
            "{}  # your line gave the number alone: is it {note} that you count?",
            quoted(&format!("{note} = {}", entry.tempo.number))
        ),
        note => quoted(&format!("{note} = {}", entry.tempo.number)),
    }
}

fn bars_remark(entry: &Entry) -> String {
    match entry.bars_from {
        BarsFrom::Line => String::new(),
        BarsFrom::Length { seconds } => {
            format!("  # about {}, from the length in your line: count them", clock(f64::from(seconds)))
        }
        BarsFrom::Assumed => {
            "  # not in your line: about 4 minutes' worth; count them and write the number".into()
        }
    }
}

/// Text of the rig file: the virtual interface, which needs no hardware.
pub fn rig(title: &str, show_name: &str) -> String {
    format!(
        r#"# Which feed leaves where. The show file never changes for a borrowed interface: this one does.
# What this computer has:   fogbell interfaces
# Is it fit for the stage:  fogbell ready
rig = {title}

# "virtual" needs no hardware and sounds nowhere: for the first run at home.
# On stage: host = "alsa", "jack", "coreaudio" or "wasapi", and device = "..." as `fogbell interfaces` prints it.
[interface]
host = "virtual"
rate = 48000
block = 128

# Feed of {show_name} = output channel, counted from 1.
[outputs]
drums = 1
band = 2
"#,
        title = quoted(title),
    )
}

/// Seconds of the songs as counted here: bars times the length of a bar.
pub fn seconds(songs: &[Entry]) -> f64 {
    songs.iter().map(|entry| f64::from(entry.bars) * bar_seconds(&entry.tempo, &entry.metre)).sum()
}

/// "3:45", "1:02:03". Rounding: to the nearest second.
pub fn clock(seconds: f64) -> String {
    let seconds = seconds.round() as u64;
    let (hours, minutes, seconds) = (seconds / 3600, seconds / 60 % 60, seconds % 60);
    if hours > 0 { format!("{hours}:{minutes:02}:{seconds:02}") } else { format!("{minutes}:{seconds:02}") }
}

/// A file name from a title: small letters, digits and hyphens; "show" when nothing is left.
pub fn slug(title: &str) -> String {
    let mut out = String::new();
    for c in title.chars().flat_map(char::to_lowercase) {
        if c.is_ascii_alphanumeric() {
            out.push(c);
        } else if !out.is_empty() && !out.ends_with('-') {
            out.push('-');
        }
    }
    let out: String = out.trim_matches('-').chars().take(60).collect();
    if out.is_empty() { "show".into() } else { out }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_title_with_quotes_and_backslashes_is_the_same_after_reading() {
        let title = "Salt \"n\" \\ Sand\u{7}";
        let text = show(title, "a.toml", "a.rig.toml", &super::super::lines::read("A 100").songs);
        let table: toml::Table = text.parse().expect("valid TOML");
        assert_eq!(table["show"].as_str(), Some(title));
    }

    /// The checker is the judge: whatever `new` writes is a good show with the same songs.
    fn checked(paste: &str) -> crate::show::model::Show {
        let songs = super::super::lines::read(paste).songs;
        let text = show("A night", "night.toml", "night.rig.toml", &songs);
        let reading = crate::show::parse_show(&text, "night.toml", std::path::Path::new("."));
        assert!(reading.faults.is_empty(), "{paste}\n{text}\n{:?}", reading.faults);
        let found = reading.show.expect("no faults");
        let rig = crate::show::parse_rig(&rig("A night", "night.toml"), "rig", std::path::Path::new("."));
        assert!(rig.faults.is_empty() && rig.faults_against(&found).is_empty(), "{:?}", rig.faults);
        found
    }

    #[test]
    fn a_tempo_means_to_the_checker_what_it_meant_here() {
        for (line, seconds) in [
            // Bars times units of a bar over notes a minute, by hand.
            ("A 120 4/4 10 bars", 20.0),
            ("A 120 7/8 as 2+2+3 10 bars", 17.5),
            ("A 60 6/8 10 bars", 20.0),
            ("A 60 2/2 10 bars", 20.0),
            ("A 100 7/16 10 bars", 21.0),
            ("A \u{266a} = 240 3/4 10 bars", 15.0),
            ("A minim. = 40 3/4 10 bars", 15.0),
        ] {
            let found = checked(line);
            let section = &found.songs[0].sections[0];
            assert!((crate::tempo::length::section_seconds(section) - seconds).abs() < 1e-9, "{line}");
            assert!(
                (super::seconds(&super::super::lines::read(line).songs) - seconds).abs() < 1e-9,
                "{line}"
            );
        }
    }

    proptest::proptest! {
        #[test]
        fn whatever_is_read_passes_the_checker(title in "[A-Z][ -~é♩]{0,20}", tempo in 20u32..=400, units in 1u32..=32,
                                               unit in 0u32..6, bars in 1u32..2000, note in "[ -'*-~]{0,12}") {
            let line = format!("{};{tempo};{units}/{};{bars} bars ({note})", title.replace([';', '|'], " "), 1 << unit);
            let paste = super::super::lines::read(&line);
            // Eighths under 21 ms apart are a tone: `new` writes nothing then, and says so.
            let is_click = 60_000 * (1 << unit) >= 21 * 8 * tempo;
            if is_click && paste.faults.is_empty() && paste.songs.len() == 1 {
                checked(&line);
            }
        }
    }

    #[test]
    fn titles_become_plain_file_names() {
        assert_eq!(slug("Friday, two Halls up!"), "friday-two-halls-up");
        assert_eq!(slug("…"), "show");
        assert_eq!(slug("../x"), "x");
    }

    #[test]
    fn lengths_are_printed_as_on_a_clock() {
        assert_eq!(clock(225.4), "3:45");
        assert_eq!(clock(3723.0), "1:02:03");
    }
}
