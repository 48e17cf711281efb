//! Keys and screen over a real show file.

use fogbell::click::prepare::prepare;
use fogbell::show::model::Show;
use fogbell::show::parse_show;
use fogbell::units::SampleRate;
use fogbell::view::conductor::{Conductor, EngineView};
use fogbell::view::keys::{Action, Input, Keymap, Press};
use fogbell::view::model::ScreenModel;
use fogbell::view::programme::Programme;
use std::path::Path;
use std::time::Duration;

const TEN_LINES: &str = include_str!("../../fixtures/show/good/ten_lines.toml");

fn read(text: &str) -> Show {
    let reading = parse_show(text, "ten_lines.toml", Path::new(""));
    assert!(reading.faults.is_empty(), "{:?}", reading.faults);
    reading.show.expect("a show")
}

fn conductor(text: &str) -> Conductor {
    let show = read(text);
    let set = prepare(&show, SampleRate::standard()).expect("sounds").set;
    Conductor::new(Programme::of(&show, &set), Keymap::default())
}

/// Presses keys a second apart, while nothing plays.
fn press(conductor: &mut Conductor, actions: &[Action]) {
    for (index, action) in actions.iter().enumerate() {
        let press = Press { input: Input::Action(*action), repeat: false, certain: false };
        conductor.on_key(Duration::from_secs(10 + index as u64), press, &EngineView::default());
    }
}

#[test]
fn a_ten_line_show_says_what_the_start_key_does() {
    let mut conductor = conductor(TEN_LINES);
    let engine = EngineView::default();
    assert_eq!(conductor.start_sentence(&engine), "SPACE starts 1 Low Tide: two bars of count-in.");
    press(&mut conductor, &[Action::Down]);
    let mut model = ScreenModel::default();
    conductor.fill(&engine, &mut model);
    assert!(model.start.starts_with("SPACE starts 2 Eel Grass: "), "{}", model.start);
    assert_eq!(model.tempo, "♩. = 88");
    assert_eq!(model.songs.len(), 2);
}

#[test]
fn a_tempo_kept_as_offered_is_the_one_that_was_played() {
    for (song, keys, expected) in [
        (0, vec![Action::Slower; 4], 130.0),
        (0, vec![Action::FasterPercent], 133.32),
        (1, vec![Action::Down, Action::Faster], 88.5),
    ] {
        let mut conductor = conductor(TEN_LINES);
        press(&mut conductor, &keys);
        let offers = conductor.offers();
        let [offer] = offers.as_slice() else { panic!("one offer: {offers:?}") };
        let (_, how) = offer.split_once("keep it by writing ").expect(offer);
        let (text, line) = how.rsplit_once(" in line ").expect(offer);
        let line: usize = line.parse().expect(offer);
        let mut lines: Vec<&str> = TEN_LINES.lines().collect();
        lines[line - 1] = text;
        let kept = read(&lines.join("\n")).songs[song].sections[0].tempo.per_minute;
        assert!((*kept.numer() as f64 / *kept.denom() as f64 - expected).abs() < 0.005, "{offer}");
    }
}
