//! What a musician reads when something is wrong: each file in `fixtures/show/bad` beside its message.

use super::{assert_reading_is_whole, fixtures};
use fogbell::show::{parse_show, render};

#[test]
fn each_bad_example_is_told_as_expected() {
    let mut files: Vec<_> = std::fs::read_dir(fixtures().join("bad"))
        .expect("fixtures")
        .map(|entry| entry.expect("entry").path())
        .filter(|path| path.extension().is_some_and(|kind| kind == "toml"))
        .collect();
    files.sort();
    assert!(files.len() >= 12, "only {} bad examples", files.len());
    for path in files {
        let text = std::fs::read_to_string(&path).expect("text");
        let name = path.file_name().expect("name").to_string_lossy().into_owned();
        let reading = parse_show(&text, &name, &fixtures().join("good"));
        assert_reading_is_whole(&reading);
        let stem = path.file_stem().expect("stem").to_string_lossy().into_owned();
        insta::with_settings!({
            snapshot_path => fixtures().join("bad"),
            prepend_module_to_snapshot => false,
            omit_expression => true,
        }, {
            insta::assert_snapshot!(stem, render(&reading.faults, &reading.text, &name, false));
        });
    }
}

#[test]
fn colour_changes_no_word() {
    let reading = super::read("bpm = 3\n");
    let plain = render(&reading.faults, &reading.text, "a.toml", false);
    let colour = render(&reading.faults, &reading.text, "a.toml", true);
    let mut bare = String::new();
    let mut inside = false;
    for c in colour.chars() {
        match c {
            '\u{1b}' => inside = true,
            'm' if inside => inside = false,
            c if !inside => bare.push(c),
            _ => {}
        }
    }
    assert_ne!(colour, plain);
    assert_eq!(bare, plain);
}

#[test]
fn a_very_long_line_is_named_and_not_repeated() {
    let reading = super::read(&format!("bpm = \"{}\"\n", "x".repeat(100_000)));
    let rendered = render(&reading.faults, &reading.text, "a.toml", false);
    assert!(rendered.contains("a.toml:1:1") && rendered.len() < 2_000, "{}", rendered.len());
}
