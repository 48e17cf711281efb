//! Laws of the keys, over random presses, and the moments a player would name.

use super::held::{FIRST_REPEAT, GUARD};
use super::*;
use crate::click::set::LegKind;
use crate::realtime::event::{LineNow, RoomNow};
use crate::show::model::Tempo;
use crate::view::keys::Action;
use crate::view::model::ScreenModel;
use crate::view::programme::{Entry, Kind, LegEntry, Written};
use num_rational::Ratio;
use proptest::prelude::*;

fn leg(name: &str, kind: LegKind, section: u16, first_bar: i32) -> LegEntry {
    LegEntry { name: name.into(), kind, section, pass: 0, first_bar, vamp: false, hold: false, tempo: None }
}

fn entry(title: &str, tempo: i64) -> Entry {
    let tempo = Tempo { note: Ratio::new(1, 4), per_minute: Ratio::new(tempo, 1) };
    let line = Some((12, format!("tempo = {}", tempo.per_minute)));
    Entry {
        title: title.into(),
        note: "Wren counts".into(),
        count_in: "two bars of count-in".into(),
        tempo: Some(Written { tempo, line, moves: false }),
        legs: vec![
            leg("Count-in", LegKind::CountIn, 0, -1),
            leg("Verse", LegKind::Section, 0, 1),
            LegEntry { vamp: true, ..leg("Talk-over", LegKind::Section, 1, 17) },
            LegEntry { hold: true, ..leg("Chorus", LegKind::Section, 2, 25) },
            leg("Coda", LegKind::Section, 3, 33),
        ],
        ..Entry::default()
    }
}

fn programme() -> Programme {
    let talk = Entry { title: "The Ferryman's Tale".into(), kind: Kind::Talk, ..Entry::default() };
    Programme {
        show: "Saltmarsh Five".into(),
        rate_hertz: 48_000,
        songs: vec![
            entry("Low Tide", 132),
            talk,
            entry("Spindrift", 90),
            Entry { segue: true, ..entry("Gannet", 105) },
            entry("Marram", 96),
        ],
        clicks: vec!["drummer".into(), "band".into()],
    }
}

/// The conductor with a small stand-in for the engine, and a history of what happened.
struct Stage {
    conductor: Conductor,
    engine: EngineView,
    now: Duration,
    presses: Vec<(Duration, Input)>,
    sent: Vec<(Duration, When, Command)>,
    said: Vec<String>,
    quits: usize,
}

impl Stage {
    fn new(programme: Programme) -> Stage {
        let clicks = programme.clicks.len();
        let engine =
            EngineView { muted: vec![false; clicks], fallback: vec![false; clicks], ..EngineView::default() };
        let conductor = Conductor::new(programme, Keymap::default());
        let now = Duration::from_secs(10);
        let mut stage =
            Stage { conductor, engine, now, presses: vec![], sent: vec![], said: vec![], quits: 0 };
        stage.wait(0);
        stage.sent.clear();
        stage
    }

    /// Time passes, looked at every 20 ms.
    fn wait(&mut self, milliseconds: u64) {
        let end = self.now + Duration::from_millis(milliseconds);
        loop {
            let out = self.conductor.tick(self.now, &self.engine);
            self.take(out);
            if self.now >= end {
                return;
            }
            self.now = end.min(self.now + Duration::from_millis(20));
        }
    }

    fn press(&mut self, press: Press) {
        self.presses.push((self.now, press.input));
        let out = self.conductor.on_key(self.now, press, &self.engine);
        self.take(out);
    }

    fn key(&mut self, action: Action) {
        self.press(Press { input: Input::Action(action), repeat: false, certain: false });
    }

    fn digit(&mut self, digit: u8) {
        self.press(Press { input: Input::Digit(digit), repeat: false, certain: false });
    }

    fn take(&mut self, outs: Vec<Out>) {
        for out in outs {
            match out {
                Out::Settle(command) => {
                    self.obey(&command);
                    self.sent.push((self.now, When::Now, command));
                }
                Out::Send(when, command) => {
                    self.obey(&command);
                    self.sent.push((self.now, when, command));
                }
                Out::Say(text) => self.said.push(text),
                Out::Quit => self.quits += 1,
                Out::Note(_) | Out::Acknowledge | Out::Reload => {}
            }
        }
    }

    fn obey(&mut self, command: &Command) {
        let status = &mut self.engine.status;
        match command {
            Command::Choose { song } => status.next_song = *song as u16,
            Command::Start if status.run == RunState::Stopped => {
                status.run = RunState::Playing;
                status.song = status.next_song;
                status.next_song += 1;
                (status.leg, status.bar) = (0, -1);
            }
            Command::OneIsNow if status.run == RunState::Stopped => {
                status.run = RunState::Playing;
                status.song = status.next_song;
                status.next_song += 1;
                (status.leg, status.bar) = (1, 1);
            }
            Command::Start => status.run = RunState::Playing,
            Command::Stop => status.run = RunState::Stopped,
            Command::GoTo { song, leg, .. } => {
                status.run = RunState::Playing;
                (status.song, status.leg) = (*song as u16, *leg as u16);
            }
            Command::AllOut => status.all_out = true,
            Command::AllBack => status.all_out = false,
            Command::ClickOut => status.click_out = true,
            Command::ClickBack => status.click_out = false,
            Command::MuteClick { click, muted } => self.engine.muted[*click] = *muted,
            Command::UseFallback { click, on } => self.engine.fallback[*click] = *on,
            Command::Tempo(stretch) => self.engine.stretch = Some(*stretch),
            _ => {}
        }
    }

    fn sent_words(&self) -> Vec<String> {
        self.sent.iter().map(|(_, when, command)| format!("{when:?} {command:?}")).collect()
    }

    fn sentence(&self) -> String {
        self.conductor.start_sentence(&self.engine)
    }

    fn end_song(&mut self) {
        self.engine.status.run = RunState::Stopped;
        self.wait(20);
    }
}

fn playing() -> Stage {
    let mut stage = Stage::new(programme());
    stage.key(Action::Start);
    stage.wait(1000);
    stage.sent.clear();
    stage.presses.clear();
    stage
}

#[test]
fn start_counts_in_the_chosen_song_and_the_next_one_is_chosen() {
    let mut stage = Stage::new(programme());
    assert_eq!(stage.sentence(), "SPACE starts 1 Low Tide: two bars of count-in, Wren counts.");
    stage.key(Action::Start);
    stage.wait(50);
    assert_eq!(stage.sent_words(), ["Now Start", "Now Choose { song: 1 }"]);
    assert_eq!(
        stage.sentence(),
        "SPACE does nothing while 1 Low Tide plays. After it: 2 The Ferryman's Tale."
    );
    stage.end_song();
    stage.wait(500);
    assert_eq!(stage.sentence(), "SPACE passes over 2 The Ferryman's Tale (talk): then 3 Spindrift is next.");
    stage.key(Action::Start);
    assert_eq!(stage.conductor.chosen(), Some(2));
    assert_eq!(stage.engine.status.run, RunState::Stopped);
}

#[test]
fn a_start_key_held_through_a_talk_spot_starts_nothing() {
    let mut stage = Stage::new(programme());
    stage.key(Action::Down);
    stage.wait(100);
    stage.key(Action::Start);
    stage.wait(660);
    stage.key(Action::Start);
    assert_eq!(stage.engine.status.run, RunState::Stopped);
    stage.wait(800);
    stage.key(Action::Start);
    assert_eq!(stage.engine.status.run, RunState::Playing);
    assert_eq!(stage.engine.status.song, 2);
}

#[test]
fn stopping_takes_two_presses_and_the_question_names_the_song() {
    let mut stage = playing();
    stage.key(Action::Stop);
    let mut model = crate::view::model::ScreenModel::default();
    stage.conductor.fill(&stage.engine, &mut model);
    assert_eq!(model.asked.as_deref(), Some("S again or ENTER stops 1 Low Tide now"));
    stage.wait(300);
    assert!(stage.sent.is_empty());
    stage.key(Action::Confirm);
    assert_eq!(stage.sent_words(), ["Now Stop"]);
    stage.wait(20);
    assert_eq!(stage.conductor.chosen(), Some(0), "a song stopped at once is next again");
}

#[test]
fn a_second_press_too_soon_to_be_told_from_a_held_key_is_not_passed_over_in_silence() {
    let mut stage = playing();
    stage.key(Action::Stop);
    stage.wait(350);
    stage.key(Action::Stop);
    let mut model = crate::view::model::ScreenModel::default();
    stage.conductor.fill(&stage.engine, &mut model);
    let asked = "Too quick. S once more or ENTER stops 1 Low Tide now";
    assert_eq!(model.asked.as_deref(), Some(asked));
    stage.wait(500);
    stage.key(Action::Stop);
    stage.wait(200);
    assert_eq!(stage.sent_words().first().map(String::as_str), Some("Now Stop"));
}

#[test]
fn the_same_key_again_stops_once_it_has_been_quiet() {
    let mut stage = playing();
    stage.key(Action::StopAtBar);
    stage.wait(900);
    stage.key(Action::StopAtBar);
    assert!(stage.sent.is_empty());
    stage.wait(200);
    assert_eq!(stage.sent_words()[0], "BarEnd Stop");
}

#[test]
fn a_long_press_that_the_terminal_repeats_once_is_one_press() {
    for action in [Action::Stop, Action::StopAtBar, Action::StopAtSection, Action::Quit] {
        for delay in (200..=690).step_by(10) {
            let mut stage = playing();
            stage.key(action);
            stage.wait(delay);
            stage.key(action);
            stage.wait(4000);
            assert!(stage.sent.is_empty() && stage.quits == 0, "{action:?} after {delay} ms");
        }
    }
}

#[test]
fn where_the_terminal_reports_releases_the_second_press_counts_at_once() {
    let mut stage = playing();
    let press = Press { input: Input::Action(Action::Stop), repeat: false, certain: true };
    stage.press(press);
    stage.wait(200);
    stage.press(press);
    assert_eq!(stage.sent_words(), ["Now Stop"]);
}

#[test]
fn a_question_lapses_after_three_seconds() {
    let mut stage = playing();
    stage.key(Action::Stop);
    stage.wait(3100);
    stage.key(Action::Confirm);
    assert!(stage.sent.is_empty());
    assert_eq!(stage.said.last().map(String::as_str), Some("Nothing is asked."));
}

#[test]
fn a_question_about_one_song_never_stops_another() {
    let mut stage = playing();
    stage.key(Action::Stop);
    stage.engine.status.song = 3;
    stage.wait(100);
    stage.key(Action::Confirm);
    assert!(stage.sent.iter().all(|(_, _, command)| matches!(command, Command::Choose { .. })));
}

#[test]
fn a_song_is_found_by_its_number() {
    let mut stage = playing();
    stage.digit(5);
    let mut model = crate::view::model::ScreenModel::default();
    stage.conductor.fill(&stage.engine, &mut model);
    assert_eq!(model.asked.as_deref(), Some("ENTER chooses 5 Marram as next"));
    stage.key(Action::Confirm);
    assert_eq!(stage.sent_words(), ["Now Choose { song: 4 }"]);
    stage.end_song();
    assert_eq!(stage.conductor.chosen(), Some(4), "a choice by hand stays");
}

#[test]
fn going_to_a_section_is_asked_named_and_counted_in() {
    let mut stage = playing();
    stage.key(Action::GoTo);
    stage.digit(3);
    let mut model = crate::view::model::ScreenModel::default();
    stage.conductor.fill(&stage.engine, &mut model);
    let asked = "ENTER goes to Chorus, bar 25 at the end of this bar, counted in";
    assert_eq!(model.asked.as_deref(), Some(asked));
    assert!(stage.sent.is_empty());
    stage.key(Action::Confirm);
    assert_eq!(stage.sent_words(), ["BarEnd GoTo { song: 0, leg: 3, count_in: true }"]);
}

#[test]
fn tempo_for_tonight_is_sent_kept_for_the_next_start_and_offered() {
    let mut stage = playing();
    for _ in 0..4 {
        stage.key(Action::Slower);
        stage.wait(200);
    }
    assert_eq!(stage.sent_words()[3], "Now Tempo(Stretch { over: 66, under: 65 })");
    let mut model = crate::view::model::ScreenModel::default();
    stage.conductor.fill(&stage.engine, &mut model);
    assert_eq!(model.tempo, "♩ = 132 → 130 tonight");
    let offer = "Low Tide: 132 → 130 tonight; keep it by writing tempo = 130 in line 12";
    assert_eq!(stage.conductor.offers(), [offer]);
    stage.key(Action::WrittenTempo);
    assert_eq!(stage.sent_words()[4], "Now Tempo(Stretch { over: 1, under: 1 })");
    assert!(stage.conductor.offers().is_empty());
}

#[test]
fn a_section_with_a_tempo_of_its_own_shows_it_scaled_by_tonight() {
    let mut changed = programme();
    changed.songs[0].legs[1].tempo = Some(Tempo { note: Ratio::new(1, 4), per_minute: Ratio::new(66, 1) });
    let mut stage = Stage::new(changed);
    stage.key(Action::Start);
    stage.engine.status.leg = 1;
    stage.wait(200);
    for _ in 0..4 {
        stage.key(Action::Slower);
        stage.wait(200);
    }
    let mut model = crate::view::model::ScreenModel::default();
    stage.conductor.fill(&stage.engine, &mut model);
    assert_eq!(model.tempo, "♩ = 66 → 65 tonight");
}

#[test]
fn in_a_hold_every_stop_is_now() {
    let mut stage = playing();
    stage.engine.status.run = RunState::Holding;
    stage.key(Action::StopAtBar);
    stage.key(Action::Confirm);
    assert_eq!(stage.sent_words()[0], "Now Stop");
}

#[test]
fn tempo_changed_before_the_start_is_sent_with_it() {
    let mut stage = Stage::new(programme());
    stage.key(Action::FasterPercent);
    assert!(stage.sent.is_empty());
    stage.key(Action::Start);
    assert_eq!(stage.sent_words(), ["Now Tempo(Stretch { over: 100, under: 101 })", "Now Start"]);
}

#[test]
fn all_out_and_back_are_one_key_each_in_every_state() {
    for mut stage in [Stage::new(programme()), playing()] {
        stage.key(Action::AllOut);
        assert!(stage.engine.status.all_out);
        stage.key(Action::AllBack);
        assert!(!stage.engine.status.all_out);
    }
}

#[test]
fn all_out_is_said_in_the_start_sentence() {
    let mut stage = Stage::new(programme());
    stage.key(Action::AllOut);
    assert!(stage.sentence().starts_with("SPACE starts 1 Low Tide IN SILENCE (all out): "));
}

#[test]
fn a_click_is_muted_by_its_number_and_sounds_again() {
    let mut stage = playing();
    stage.key(Action::Mute);
    stage.digit(2);
    stage.wait(200);
    stage.key(Action::Mute);
    stage.digit(2);
    let expected = ["Now MuteClick { click: 1, muted: true }", "Now MuteClick { click: 1, muted: false }"];
    assert_eq!(stage.sent_words(), expected);
}

#[test]
fn earlier_and_later_move_by_five_milliseconds() {
    let mut stage = playing();
    stage.key(Action::Earlier);
    stage.key(Action::Later);
    assert_eq!(stage.sent_words(), ["Now Nudge(Frames(-240))", "Now Nudge(Frames(240))"]);
}

#[test]
fn the_show_is_not_read_again_while_a_song_plays() {
    let mut stage = playing();
    let press = Press { input: Input::Action(Action::Reload), repeat: false, certain: false };
    let out = stage.conductor.on_key(stage.now, press, &stage.engine);
    assert!(!out.iter().any(|out| matches!(out, Out::Reload)));
    stage.end_song();
    stage.wait(200);
    let out = stage.conductor.on_key(stage.now, press, &stage.engine);
    assert!(out.iter().any(|out| matches!(out, Out::Reload)));
}

#[test]
fn a_show_read_again_keeps_choice_and_tempo_by_title() {
    let mut stage = Stage::new(programme());
    stage.key(Action::Faster);
    let mut changed = programme();
    changed.songs.rotate_right(1);
    stage.conductor.loaded(changed);
    assert_eq!(stage.conductor.chosen(), Some(1));
    assert_eq!(stage.conductor.offers().len(), 1);
    stage.wait(20);
    assert_eq!(stage.sent_words(), ["Now Choose { song: 1 }"]);
}

#[test]
fn one_is_now_out_of_a_stop_starts_the_chosen_song_at_its_first_bar() {
    let mut stage = Stage::new(programme());
    stage.key(Action::Faster);
    stage.key(Action::OneIsNow);
    assert_eq!(stage.sent_words(), ["Now Tempo(Stretch { over: 264, under: 265 })", "Now OneIsNow"]);
}

#[test]
fn a_count_in_that_leads_to_a_section_is_shown_as_one() {
    let mut stage = playing();
    let status = &mut stage.engine.status;
    (status.leg, status.bar, status.beat, status.beats_in_bar) = (3, -1, 1, 4);
    let mut model = crate::view::model::ScreenModel::default();
    stage.conductor.fill(&stage.engine, &mut model);
    assert_eq!((model.run, model.section.as_str()), (crate::view::model::Run::CountIn, "Count-in"));
    assert_eq!(model.next_section.as_deref(), Some("Chorus"));
}

#[test]
fn a_hold_names_the_section_that_follows_it() {
    let mut stage = playing();
    stage.engine.status.run = RunState::Holding;
    stage.engine.held_leg = Some(4);
    assert_eq!(stage.sentence(), "SPACE ends the hold of 1 Low Tide: two bars of count-in, then Coda.");
}

#[test]
fn a_jump_out_of_a_hold_keeps_the_tempo_of_tonight() {
    let mut stage = playing();
    stage.key(Action::FasterPercent);
    stage.engine.status.run = RunState::Holding;
    stage.key(Action::GoTo);
    stage.digit(1);
    stage.sent.clear();
    stage.key(Action::Confirm);
    let expected =
        ["Now GoTo { song: 0, leg: 1, count_in: true }", "Now Tempo(Stretch { over: 100, under: 101 })"];
    assert_eq!(stage.sent_words(), expected);
}

fn actions() -> impl Strategy<Value = Action> {
    prop::sample::select(Action::all().collect::<Vec<_>>())
}

fn inputs() -> impl Strategy<Value = Input> {
    prop_oneof![4 => actions().prop_map(Input::Action), 1 => (0u8..10).prop_map(Input::Digit)]
}

/// Presses with gaps in milliseconds; sometimes the song ends or holds by itself.
fn evenings() -> impl Strategy<Value = Vec<(Input, u64, bool, u8)>> {
    prop::collection::vec((inputs(), 1u64..2500, any::<bool>(), 0u8..20), 0..60)
}

fn play(stage: &mut Stage, evening: &[(Input, u64, bool, u8)]) {
    for (input, gap, certain, chance) in evening {
        stage.wait(*gap);
        match chance {
            0 if stage.engine.status.run == RunState::Playing => stage.engine.status.run = RunState::Holding,
            1 => stage.engine.status.run = RunState::Stopped,
            2 => stage.engine.status.leg = 2,
            _ => {}
        }
        stage.press(Press { input: *input, repeat: false, certain: *certain });
    }
    stage.wait(500);
}

fn ends_a_song(command: &Command) -> bool {
    matches!(command, Command::Stop | Command::GoTo { .. })
}

/// How long before the end of a song its two presses may lie.
const WINDOW: Duration = Duration::from_millis(3000 + 150 + 40);

/// The key that asks, then the same key or a yes; for a jump a pick from the list, then a yes.
fn two_presses(inputs: &[Input], when: When, command: &Command) -> bool {
    let action = Input::Action;
    let yes = action(Action::Confirm);
    if !matches!(command, Command::Stop) {
        let pick =
            |input: &Input| matches!(input, Input::Digit(_) | Input::Action(Action::Up | Action::Down));
        return inputs.iter().position(pick).is_some_and(|first| inputs[first + 1..].contains(&yes));
    }
    let asks = match when {
        When::BarEnd => vec![Action::StopAtBar],
        When::SectionEnd => vec![Action::StopAtSection],
        // In a hold every stop is now.
        _ => vec![Action::Stop, Action::StopAtBar, Action::StopAtSection],
    };
    asks.into_iter().map(action).any(|ask| {
        let first = inputs.iter().position(|input| *input == ask);
        first.is_some_and(|first| inputs[first + 1..].iter().any(|input| *input == ask || *input == yes))
    })
}

proptest! {
    #[test]
    fn a_song_is_stopped_only_by_two_presses_within_the_lapse(evening in evenings()) {
        let mut stage = playing();
        play(&mut stage, &evening);
        for (at, when, command) in stage.sent.iter().filter(|(_, _, command)| ends_a_song(command)) {
            let lately = stage.presses.iter().filter(|(pressed, _)| pressed <= at && *at - *pressed <= WINDOW);
            let inputs: Vec<Input> = lately.map(|(_, input)| *input).collect();
            prop_assert!(two_presses(&inputs, *when, command), "{when:?} {command:?} after {inputs:?}");
        }
    }

    #[test]
    fn a_key_held_down_ends_nothing_and_mends_once(
        action in actions(), first in 200u64..690, each in 20u64..140, count in 0usize..40, flagged in any::<bool>()
    ) {
        let mut stage = playing();
        for index in 0..=count {
            let repeat = flagged && index > 0;
            stage.press(Press { input: Input::Action(action), repeat, certain: flagged });
            stage.wait(if index == 0 { first } else { each });
        }
        stage.wait(4000);
        prop_assert!(!stage.sent.iter().any(|(_, _, command)| ends_a_song(command)), "{:?}", stage.sent);
        prop_assert_eq!(stage.quits, 0);
        let mends = stage.sent.iter().filter(|(_, _, command)| matches!(command, Command::OneIsNow)).count();
        prop_assert!(mends <= 1);
    }

    #[test]
    fn choosing_touches_nothing_that_sounds(
        inputs in prop::collection::vec(prop_oneof![
            Just(Input::Action(Action::Up)), Just(Input::Action(Action::Down)), Just(Input::Action(Action::Skip)),
            Just(Input::Action(Action::Confirm)), Just(Input::Action(Action::Cancel)), (0u8..10).prop_map(Input::Digit)
        ], 0..80), gap in 1u64..1000
    ) {
        let mut stage = playing();
        for input in inputs {
            stage.press(Press { input, repeat: false, certain: false });
            stage.wait(gap);
        }
        let only_choices = stage.sent.iter().all(|(_, _, command)| matches!(command, Command::Choose { .. }));
        prop_assert!(only_choices, "{:?}", stage.sent);
        prop_assert_eq!(stage.engine.status.song, 0);
    }

    #[test]
    fn the_start_key_sends_nothing_while_a_song_plays(evening in evenings(), presses in 1usize..20, gap in 1u64..900) {
        let mut stage = playing();
        play(&mut stage, &evening);
        stage.key(Action::Cancel);
        stage.wait(4000);
        stage.engine.status.run = RunState::Playing;
        stage.wait(100);
        stage.sent.clear();
        for _ in 0..presses {
            stage.key(Action::Start);
            stage.wait(gap);
        }
        prop_assert!(stage.sent.is_empty(), "{:?}", stage.sent);
    }

    #[test]
    fn the_start_sentence_comes_true(evening in evenings()) {
        let mut stage = playing();
        play(&mut stage, &evening);
        stage.wait(4000);
        stage.engine.status.run = RunState::Stopped;
        stage.wait(2000);
        stage.sent.clear();
        let sentence = stage.sentence();
        stage.key(Action::Start);
        let started = stage.sent.iter().any(|(_, _, command)| matches!(command, Command::Start));
        prop_assert_eq!(sentence.starts_with("SPACE starts "), started, "{}", sentence);
        if started {
            let name = programme().name(usize::from(stage.engine.status.song));
            prop_assert!(sentence.contains(&name), "{} but {}", sentence, name);
        }
    }

    #[test]
    fn no_evening_panics_with_an_empty_set(evening in evenings()) {
        let mut stage = Stage::new(Programme::default());
        stage.engine.muted = vec![];
        play(&mut stage, &evening);
        let mut model = crate::view::model::ScreenModel::default();
        stage.conductor.fill(&stage.engine, &mut model);
        prop_assert!(model.start.starts_with("SPACE"));
    }
}

#[test]
fn the_guards_cover_the_usual_delays() {
    assert!(GUARD >= Duration::from_millis(150));
    assert!(FIRST_REPEAT > Duration::from_millis(660));
}

#[test]
fn an_offset_that_lies_still_is_applied_with_this_machines_own_way_and_another_is_refused() {
    use crate::realtime::event::PeerNow;
    use crate::units::Span;
    let still = PeerNow {
        backup: true,
        offset_ms: 0.5,
        offset_hits: 20,
        offset_spread_ms: 0.02,
        ..PeerNow::default()
    };
    let refused = [
        (PeerNow { offset_hits: 3, ..still }, "3 of 16"),
        (PeerNow { offset_ms: 31.0, ..still }, "+31.00 ms is no alignment"),
        (PeerNow { offset_spread_ms: 0.6, ..still }, "the main's click moves"),
        (PeerNow { leads: true, ..still }, "Only a backup that follows"),
    ];
    for (peer, why) in refused {
        let mut stage = Stage::new(programme());
        stage.engine.peer = Some(peer);
        stage.key(Action::Align);
        assert!(stage.sent.is_empty() && stage.said.last().unwrap().contains(why), "{:?}", stage.said);
    }
    let mut stage = Stage::new(programme());
    (stage.engine.peer, stage.engine.round_trip) = (Some(still), Some(480.0));
    stage.key(Action::Align);
    let sent: Vec<String> = stage.sent.iter().map(|(_, _, command)| format!("{command:?}")).collect();
    let frames = Span::from_f64(0.5 / 1000.0 * f64::from(stage.conductor.programme.rate().hertz()));
    let expected = [Command::Align(frames), Command::OwnWay(Span::from_f64(480.0))];
    assert_eq!(sent, expected.map(|command| format!("{command:?}")));
    assert!(stage.said.last().unwrap().contains("for this start"), "{:?}", stage.said);
}

#[test]
fn while_both_laptops_sound_the_screen_says_so() {
    let mut stage = Stage::new(programme());
    stage.engine.peer = Some(PeerNow { backup: true, line: LineNow::Alive, ..PeerNow::default() });
    let sentence = |stage: &Stage| {
        let mut model = ScreenModel::default();
        stage.conductor.fill(&stage.engine, &mut model);
        model.stands.map(|(_, sentence)| sentence).unwrap_or_default()
    };
    stage.key(Action::Beside);
    assert_eq!(sentence(&stage), "BOTH LAPTOPS SOUND, to be compared. C silences this one.");
    stage.wait(1000);
    stage.key(Action::Beside);
    assert!(sentence(&stage).starts_with("The main plays"), "{}", sentence(&stage));
}

#[test]
fn the_room_has_keys_of_its_own_and_says_how_it_stands() {
    let mut stage = playing();
    stage.engine.status.room = RoomNow { rides: true, in_song: true, ..RoomNow::default() };
    let words = |stage: &Stage| {
        let mut model = ScreenModel::default();
        stage.conductor.fill(&stage.engine, &mut model);
        (model.room, model.room_alarm)
    };
    assert_eq!(words(&stage), ("Room rides by itself: song".into(), false));
    stage.key(Action::AmbientKill);
    stage.engine.status.room.killed = true;
    stage.wait(1000);
    assert_eq!(words(&stage), ("ROOM KILLED: Z brings it back".into(), true));
    stage.key(Action::AmbientKill);
    stage.engine.status.room =
        RoomNow { killed: false, by_hand: true, hand_db: 3.0, ..stage.engine.status.room };
    stage.key(Action::AmbientUp);
    stage.key(Action::AmbientDown);
    assert_eq!(words(&stage), ("Room by hand +3 dB; F2 lets go".into(), true));
    stage.key(Action::AmbientRides);
    stage.key(Action::Talk);
    stage.wait(1000);
    stage.engine.status.room.talking = true;
    assert_eq!(words(&stage), ("TALKBACK OPEN, rest is down; Y shuts it".into(), true));
    stage.key(Action::Talk);
    let expected = [
        "Now AmbientKill(true)",
        "Now AmbientKill(false)",
        "Now AmbientHand(3.0)",
        "Now AmbientHand(-3.0)",
        "Now AmbientRides",
        "Now Talk(true)",
        "Now Talk(false)",
    ];
    assert_eq!(stage.sent_words(), expected);
}
