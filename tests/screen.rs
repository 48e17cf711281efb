//! The dark stage's promises: what a player reads, at any size, in any state.

use fogbell::view::keys::Keymap;
use fogbell::view::model::*;
use fogbell::view::screen::Screen;
use proptest::prelude::*;
use ratatui::Terminal;
use ratatui::backend::TestBackend;

fn song(title: &str, tempo: &str, note: &str) -> SongLine {
    SongLine { title: title.into(), tempo: tempo.into(), note: note.into(), ..SongLine::default() }
}

fn set_list() -> Vec<SongLine> {
    vec![
        song("Harbour Lights", "♩ = 104", ""),
        song("Slack Water", "♩. = 88", "band starts"),
        song("Low Tide", "♩ = 132", "Wren counts"),
        SongLine { remark: "talk".into(), ..song("The Ferryman's Tale", "", "") },
        SongLine { segue: true, ..song("Gannet", "♪ = 210", "7/8") },
        song("Marram", "♩ = 96", ""),
        SongLine { encore: true, ..song("Home by the Causeway", "♩ = 76", "") },
    ]
}

fn click(name: &str, words: &str) -> ClickLine {
    ClickLine { name: name.into(), words: words.into(), ..ClickLine::default() }
}

fn names() -> KeyNames {
    let name = |text: &str| text.to_string();
    KeyNames {
        start: name("SPACE"),
        all_back: name("R"),
        click_in: name("I"),
        release: name("V"),
        acknowledge: name("A"),
        help: name("H"),
    }
}

fn stopped() -> ScreenModel {
    ScreenModel {
        show: "Saltmarsh Five, Harbour Hall".into(),
        songs: set_list(),
        chosen: Some(2),
        tempo: String::new(),
        clicks: vec![click("drummer", "made by this laptop"), click("band", "made by this laptop")],
        backup: "No backup machine in this rig".into(),
        power: Power { battery_percent: Some(87), charger: Some(true) },
        clock: "21:14:07".into(),
        start: "SPACE starts 3 Low Tide: two bars of count-in, Wren counts.".into(),
        meters: vec![
            Meter { name: "drummer".into(), peak_db: f64::NEG_INFINITY },
            Meter { name: "band".into(), peak_db: f64::NEG_INFINITY },
        ],
        device: "virtual, 48000, 128 frames".into(),
        names: names(),
        ..ScreenModel::default()
    }
}

fn playing() -> ScreenModel {
    ScreenModel {
        run: Run::Playing,
        song: Some(2),
        chosen: Some(3),
        section: "Verse 2".into(),
        next_section: Some("Chorus".into()),
        bar: 27,
        beat: 3,
        beats_in_bar: 4,
        bars_left: Some(5),
        beat_phase: 0.5,
        tempo: "♩ = 132".into(),
        start: "SPACE does nothing while 3 Low Tide plays. After it: 4 The Ferryman's Tale (talk).".into(),
        meters: vec![
            Meter { name: "drummer".into(), peak_db: -12.2 },
            Meter { name: "band".into(), peak_db: -15.0 },
        ],
        ..stopped()
    }
}

fn count_in() -> ScreenModel {
    ScreenModel {
        run: Run::CountIn,
        section: "Count-in".into(),
        next_section: Some("Intro".into()),
        bar: 0,
        beat: 1,
        bars_left: Some(0),
        ..playing()
    }
}

fn vamp() -> ScreenModel {
    ScreenModel { vamp: true, bars_left: Some(2), section: "Talk-over".into(), ..playing() }
}

fn holding() -> ScreenModel {
    ScreenModel {
        run: Run::Holding,
        start: "SPACE ends the hold of 3 Low Tide: two bars of count-in, then Chorus.".into(),
        ..playing()
    }
}

fn fallback() -> ScreenModel {
    let mut model = playing();
    model.clicks[1] = ClickLine {
        words: "own since 21:14:03, the stream was late".into(),
        fallback: true,
        ..click("band", "")
    };
    model.last_event = Some(EventLine {
        at: "21:14:03".into(),
        text: "band: the stream came late in bar 26; fallback from beat 2, nothing missed".into(),
        acknowledged: false,
    });
    model
}

fn all_out() -> ScreenModel {
    ScreenModel { all_out: true, ..playing() }
}

fn asked() -> ScreenModel {
    ScreenModel { asked: Some("S again or ENTER stops 3 Low Tide now (lapses in 3 s)".into()), ..playing() }
}

fn focus_lost() -> ScreenModel {
    ScreenModel { focus_lost: true, ..playing() }
}

fn help() -> ScreenModel {
    let keys = Keymap::default().lines();
    ScreenModel { panel: Panel::Help { keys, page: 0 }, ..playing() }
}

fn sections() -> ScreenModel {
    let rows = ["Intro, bar 1", "Verse 1, bar 9", "Chorus, bar 17", "Verse 2, bar 25", "Chorus, bar 33"];
    let rows = rows.iter().enumerate().map(|(index, text)| (index + 1, text.to_string())).collect();
    let title = "Go to a section of 3 Low Tide: type its number".into();
    ScreenModel {
        panel: Panel::List { title, rows, picked: Some(3) },
        asked: Some("ENTER goes to 3 Chorus, bar 17, at the end of this bar, counted in".into()),
        ..playing()
    }
}

fn states() -> Vec<(&'static str, ScreenModel)> {
    vec![
        ("stopped", stopped()),
        ("count_in", count_in()),
        ("playing", playing()),
        ("vamp", vamp()),
        ("holding", holding()),
        ("fallback", fallback()),
        ("all_out", all_out()),
        ("asked", asked()),
        ("focus_lost", focus_lost()),
        ("help", help()),
        ("sections", sections()),
    ]
}

/// The screen as text, one line a row, without trailing spaces.
fn drawn(model: &ScreenModel, width: u16, height: u16) -> String {
    let mut terminal = Terminal::new(TestBackend::new(width, height)).expect("a terminal in memory");
    terminal.draw(|frame| Screen::draw(frame, model)).expect("drawn");
    let buffer = terminal.backend().buffer().clone();
    let rows = buffer.content.chunks(usize::from(width.max(1)));
    let rows = rows.map(|row| row.iter().map(|cell| cell.symbol()).collect::<String>().trim_end().to_string());
    rows.collect::<Vec<_>>().join("\n")
}

#[test]
fn show_all() {
    for (name, model) in states() {
        println!("== {name}\n{}", drawn(&model, 80, 24));
    }
}
