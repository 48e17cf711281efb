//! The dark stage's promises: what a player reads, at any size, in any state.

use fogbell::realtime::event::{LineNow, PeerNow};
use fogbell::view::keys::Keymap;
use fogbell::view::machines::words;
use fogbell::view::model::*;
use fogbell::view::screen::Screen;
use proptest::prelude::*;
use ratatui::Terminal;
use ratatui::backend::TestBackend;

#[path = "screen/night.rs"]
mod night;

#[path = "screen/show.rs"]
mod show;

#[path = "screen/terminal.rs"]
mod terminal;

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
    let rows =
        rows.map(|row| row.iter().map(|cell| cell.symbol()).collect::<String>().trim_end().to_string());
    rows.collect::<Vec<_>>().join("\n")
}

#[test]
fn each_state_reads_as_expected_at_80_by_24() {
    let mut settings = insta::Settings::clone_current();
    settings.set_snapshot_path("../fixtures/screen");
    settings.set_prepend_module_to_snapshot(false);
    settings.set_omit_expression(true);
    settings.bind(|| {
        for (name, model) in states() {
            insta::assert_snapshot!(name, drawn(&model, 80, 24));
        }
        insta::assert_snapshot!("smallest_40_by_12", drawn(&playing(), 40, 12));
        insta::assert_snapshot!("words_only_30_by_6", drawn(&fallback(), 30, 6));
        insta::assert_snapshot!("large_200_by_60", drawn(&fallback(), 200, 60));
    });
}

/// Rows that hold at least one large-letter block.
fn rows_with_blocks(screen: &str, columns: std::ops::Range<usize>) -> Vec<usize> {
    let blocks = |line: &str| line.chars().skip(columns.start).take(columns.len()).any(|c| "█▀▄".contains(c));
    screen.lines().enumerate().filter(|(_, line)| blocks(line)).map(|(row, _)| row).collect()
}

/// Source: the sizes asked for at 80 × 24 (ISO 9241: 16 to 22 minutes of arc; 9 to 12 mm at two metres).
#[test]
fn the_beat_is_seven_rows_high_and_the_state_three() {
    for beat in 1..=16 {
        let screen = drawn(&ScreenModel { beat, beats_in_bar: 16, ..playing() }, 80, 24);
        assert_eq!(rows_with_blocks(&screen, 31..48), (2..=8).chain(10..=12).collect::<Vec<_>>(), "{screen}");
    }
    for (name, model) in states() {
        let screen = drawn(&model, 80, 24);
        let state: Vec<usize> =
            rows_with_blocks(&screen, 0..30).into_iter().filter(|row| (10..=12).contains(row)).collect();
        assert_eq!(state, [10, 11, 12], "{name}\n{screen}");
    }
}

/// Each sentence about the other laptop, of which a key is the end.
fn lines_about_the_other_laptop() -> Vec<String> {
    let backup = PeerNow { backup: true, line: LineNow::Alive, bound_ms: 0.02, ..PeerNow::default() };
    let leads = PeerNow { leads: true, ..backup };
    let main = PeerNow { backup: false, ..leads };
    let moved = PeerNow { offset_ms: 1.25, align_ms: 0.5, ..backup };
    let all = [
        backup,
        leads,
        PeerNow { other_leads: true, ..leads },
        PeerNow { other_leads: true, other_idle: true, ..leads },
        PeerNow { line: LineNow::Gone, ..leads },
        PeerNow { differing: 2, ..backup },
        PeerNow { differing: 2, differs: true, ..backup },
        moved,
        PeerNow { line: LineNow::Implausible, ..backup },
        main,
        PeerNow { line: LineNow::Gone, ..main },
        PeerNow { differing: 2, ..main },
        PeerNow { line: LineNow::Frozen, leads: false, ..main },
    ];
    all.iter().map(|peer| words(peer, "T", "D", "4 The Ferryman's Tale").line).collect()
}

#[test]
fn what_the_other_laptop_does_is_read_to_its_end() {
    for line in lines_about_the_other_laptop() {
        let screen = drawn(&ScreenModel { backup: line.clone(), ..playing() }, 80, 24);
        let left: Vec<String> =
            screen.lines().map(|row| row.chars().take(43).collect::<String>().trim().to_string()).collect();
        assert!(left.join(" ").contains(&line), "{line}\n{screen}");
    }
}

/// Everything that may be laid over the lower part.
fn covers() -> Vec<ScreenModel> {
    let loud = EventLine { at: "21:14:03".into(), text: "words ".repeat(60), acknowledged: false };
    let event = ScreenModel { last_event: Some(loud), message: Some("m".repeat(300)), ..playing() };
    vec![help(), sections(), focus_lost(), asked(), event]
}

#[test]
fn nothing_covers_bar_and_beat_state_and_start_sentence() {
    for height in 12..=60 {
        for width in [40, 57, 80, 100, 133, 200] {
            let bare: Vec<String> = drawn(&playing(), width, height).lines().map(str::to_string).collect();
            let last =
                bare.iter().position(|line| line.contains("SPACE does nothing")).expect("the start sentence")
                    + 2;
            for cover in covers() {
                let covered = drawn(&cover, width, height);
                let covered: Vec<&str> = covered.lines().collect();
                // At 12 rows a question takes the title's place.
                let rows = usize::from(height == 12)..last.min(bare.len());
                assert_eq!(bare[rows.clone()], covered[rows], "{width} × {height}");
            }
        }
    }
}

#[test]
fn a_question_and_a_lost_keyboard_are_said_at_every_size() {
    for height in 12..=60 {
        for width in [40, 57, 80, 133, 200] {
            assert!(
                drawn(&asked(), width, height).contains("? S again or ENTER stops"),
                "{width} × {height}"
            );
            let lost = drawn(&focus_lost(), width, height);
            assert!(lost.contains("click into this"), "{width} × {height}\n{lost}");
        }
    }
}

/// Every state can be told without colour: the texts of any two differ in their upper part.
#[test]
fn no_two_states_differ_by_colour_alone() {
    let muted = {
        let mut model = playing();
        model.clicks[0].muted = true;
        model
    };
    let differ = [stopped(), count_in(), playing(), vamp(), holding(), fallback(), all_out(), muted];
    let upper = |model: &ScreenModel| drawn(model, 80, 24).lines().take(15).collect::<Vec<_>>().join("\n");
    let texts: Vec<String> = differ.iter().map(upper).collect();
    for (index, text) in texts.iter().enumerate() {
        assert!(texts[..index].iter().all(|other| other != text), "{text}");
    }
    assert_ne!(drawn(&fallback(), 80, 24), drawn(&ScreenModel { last_event: None, ..fallback() }, 80, 24));
}

/// Cells whose look changes from one drawing to the next.
fn changed_cells(before: &ScreenModel, after: &ScreenModel) -> usize {
    let cells = |model: &ScreenModel| {
        let mut terminal = Terminal::new(TestBackend::new(80, 24)).expect("a terminal in memory");
        terminal.draw(|frame| Screen::draw(frame, model)).expect("drawn");
        terminal.backend().buffer().content.clone()
    };
    cells(before).iter().zip(cells(after)).filter(|(before, after)| *before != after).count()
}

/// Source: WCAG 2.2, general flash threshold: an area of more than a quarter of any 10 degrees of the visual
/// field must not flash above 3 a second. Here no beat changes more than a tenth of the screen.
#[test]
fn a_beat_never_changes_a_large_area() {
    for beat in 1..=16u16 {
        let before = ScreenModel { beat, beats_in_bar: 16, beat_phase: 0.99, ..playing() };
        let after = ScreenModel { beat: beat % 16 + 1, beat_phase: 0.0, ..before.clone() };
        let changed = changed_cells(&before, &after);
        assert!(changed > 0 && changed < 80 * 24 / 10, "beat {beat}: {changed} cells");
    }
}

fn any_text() -> impl Strategy<Value = String> {
    "\\PC{0,40}"
}

fn any_model() -> impl Strategy<Value = ScreenModel> {
    let numbers = (any::<i32>(), any::<u16>(), any::<u16>(), any::<Option<u16>>(), any::<f32>());
    let place = (0usize..11, any::<Option<usize>>(), any::<Option<usize>>(), 0usize..40);
    (numbers, place, prop::collection::vec(any_text(), 8), any::<[bool; 6]>()).prop_map(
        |(numbers, place, texts, flags)| {
            let mut model = states().swap_remove(place.0).1;
            (model.bar, model.beat, model.beats_in_bar, model.bars_left, model.beat_phase) = numbers;
            (model.song, model.chosen) = (place.1.map(|song| song % 9), place.2.map(|song| song % 9));
            model.songs.truncate(place.3);
            if let Some(song) = model.songs.first_mut() {
                song.title.clone_from(&texts[0]);
            }
            model.section.clone_from(&texts[1]);
            model.start.clone_from(&texts[2]);
            model.asked = flags[0].then(|| texts[3].clone());
            model.message = flags[1].then(|| texts[4].clone());
            model.next_section = flags[2].then(|| texts[5].clone());
            model.last_event = flags[3].then(|| EventLine {
                at: texts[6].clone(),
                text: texts[7].clone(),
                acknowledged: flags[4],
            });
            model.all_out = flags[4];
            model.focus_lost = flags[5];
            model
        },
    )
}

proptest! {
    #[test]
    fn any_model_is_drawn_at_any_size(model in any_model(), width in 0u16..210, height in 0u16..70) {
        drawn(&model, width, height);
    }

    #[test]
    fn the_first_three_are_on_every_screen_from_40_by_12(which in 0usize..11, width in 40u16..200, height in 12u16..60) {
        let (name, model) = states().swap_remove(which);
        let screen = drawn(&model, width, height);
        prop_assert!(screen.contains("SPACE "), "{name}\n{screen}");
        prop_assert!(!rows_with_blocks(&screen, 0..40).is_empty(), "{name}\n{screen}");
    }
}

/// How loud it is in the ears comes last, whole with its caution or not at all, and takes no row from what matters more.
#[test]
fn how_loud_it_is_in_the_ears_takes_nothing_from_what_matters_more() {
    let long = "Ears drums: at least 101 dBA ±6 dB, NIOSH day at least 120 %, used up. Follow local rules; see a hearing \
                professional.";
    let small = "drums ≥101 dBA ±6, day ≥120 %. Follow local rules; see a hearing professional.";
    let ears = || Some(EarsLine { long: long.into(), small: Some(small.into()) });
    for (width, height) in [(40, 12), (60, 20), (80, 24), (80, 30), (120, 40), (200, 60)] {
        let without = drawn(&playing(), width, height);
        let with = drawn(&ScreenModel { ears: ears(), ..playing() }, width, height);
        // Everything but the meters' row and empty rows is still there.
        let meters = |line: &&str| !line.contains("no xruns") && !line.trim().is_empty();
        for line in without.lines().filter(meters) {
            assert!(with.contains(line.trim_end()), "{width}x{height} lost {line:?} in\n{with}");
        }
        let words: Vec<&str> = with.split_whitespace().collect();
        let text = words.join(" ");
        assert_eq!(text.contains("dBA"), text.contains("hearing professional."), "{width}x{height}\n{with}");
        if width >= 80 && height >= 24 {
            assert!(text.contains("dBA"), "{width}x{height}\n{with}");
        }
    }
}
