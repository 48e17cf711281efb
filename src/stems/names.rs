//! File names that any pad, any system and any set list can bear.

use std::collections::HashSet;

/// Lower-case ASCII letters, digits and hyphens, at most `most` of them, cut at a word where there is one.
///
/// German umlauts become two letters, everything else what deunicode makes of it. Edges: a text without
/// any letter or digit gives `instead`.
pub fn slug(text: &str, most: usize, instead: &str) -> String {
    let ascii: String = text.chars().map(|c| umlaut(c).unwrap_or_else(|| transliterated(c))).collect();
    let mut out = String::new();
    for c in ascii.chars() {
        match c.to_ascii_lowercase() {
            c if c.is_ascii_alphanumeric() => out.push(c),
            '\'' => {}
            _ if out.is_empty() || out.ends_with('-') => {}
            _ => out.push('-'),
        }
    }
    let cut = shortened(out.trim_end_matches('-'), most);
    if cut.is_empty() { instead.to_owned() } else { cut.to_owned() }
}

fn umlaut(c: char) -> Option<String> {
    let two = match c {
        'ä' | 'Ä' => "ae",
        'ö' | 'Ö' | 'ø' | 'Ø' => "oe",
        'ü' | 'Ü' => "ue",
        '’' => "'",
        _ => return None,
    };
    Some(two.to_owned())
}

fn transliterated(c: char) -> String {
    if c.is_ascii() { c.to_string() } else { deunicode::deunicode_char(c).unwrap_or(" ").to_owned() }
}

fn shortened(slug: &str, most: usize) -> &str {
    let Some(head) = slug.get(..most) else { return slug };
    if slug.as_bytes().get(most) == Some(&b'-') {
        return head.trim_end_matches('-');
    }
    match head.rfind('-') {
        Some(word) if word * 2 >= most => &head[..word],
        _ => head,
    }
}

/// Names given so far, in lower case: some disks know no difference.
#[derive(Default)]
pub(super) struct Taken(HashSet<String>);

impl Taken {
    /// `name(0)` when it is free, else the first free one of `name(2)`, `name(3)`, …
    pub fn first_free(&mut self, name: impl Fn(u32) -> String) -> String {
        let numbers = std::iter::once(0).chain(2..);
        let free = numbers.map(name).find(|name| self.0.insert(name.to_ascii_lowercase()));
        free.unwrap_or_default()
    }
}

/// "" or "-2", for [`Taken::first_free`].
pub(super) fn suffix(number: u32) -> String {
    if number == 0 { String::new() } else { format!("-{number}") }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn titles_become_short_ascii_words() {
        for (title, wanted) in [
            ("Low Tide", "low-tide"),
            ("Über die Brücke: Straße 7", "ueber-die-bruecke-strasse-7"),
            ("Île d'Été / Côte", "ile-dete-cote"),
            ("../../etc/passwd", "etc-passwd"),
            ("Smörgås\\ø", "smoergas-oe"),
            ("Don’t", "dont"),
            ("   ", "song"),
            ("\u{2028}\0", "song"),
            ("CON", "con"),
        ] {
            assert_eq!(slug(title, 40, "song"), wanted, "{title}");
        }
    }

    #[test]
    fn long_titles_are_cut_at_a_word() {
        assert_eq!(slug("the long way round the harbour wall", 24, "song"), "the-long-way-round-the");
        assert_eq!(slug(&"x".repeat(900), 24, "song"), "x".repeat(24));
        assert_eq!(slug("twelve chars exactly", 12, "song"), "twelve-chars");
    }

    #[test]
    fn the_second_of_two_equal_names_gets_a_number() {
        let mut taken = Taken::default();
        let mut next = || taken.first_free(|number| format!("a{}.wav", suffix(number)));
        assert_eq!([next(), next(), next()], ["a.wav", "a-2.wav", "a-3.wav"]);
        assert_eq!(taken.first_free(|number| format!("A{}.wav", suffix(number))), "A-4.wav");
    }
}
