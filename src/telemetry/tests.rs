use super::*;
use crate::click::set::{Grid, Leg, SongPlan, Stretch};
use crate::realtime::event::Why;
use crate::units::{Exact, SampleRate, Span};

fn set() -> Arc<Set> {
    let leg = |name: &str, section: u16, vamp: bool| Leg {
        kind: LegKind::Section,
        section,
        section_name: name.into(),
        pass: 0,
        grid: Arc::new(Grid { length: Span(0), hits: Box::new([]), beats: Box::new([]) }),
        first_bar: 1,
        vamp,
        hold: false,
        count_in: None,
        ambient: None,
        written: Span(0),
    };
    let song = |title: &str| SongPlan {
        said: Default::default(),
        title: title.into(),
        legs: vec![leg("verse", 0, true), leg("verse", 0, false), leg("chorus", 1, false)],
        segue: false,
        encore: false,
        first_section_leg: 0,
        streams: vec![],
    };
    Arc::new(Set {
        rate: SampleRate::standard(),
        sounds: vec![],
        lanes: vec![],
        lane_count: 0,
        songs: vec![song("Low Tide"), song("Marram")],
        max_lead: 0,
        lane_peaks: vec![],
    })
}

fn drained(events: &[(i64, What)]) -> (Drain, Vec<(i64, Entry)>) {
    let mut drain = Drain::new(set(), vec!["Wren".into()]);
    let mut entries = Vec::new();
    for (at, what) in events {
        let event = Event { at: FramePos(*at), what: *what };
        drain.take(&event, "21:14", &mut |at, entry| entries.push((at.0, entry)));
    }
    (drain, entries)
}

fn placed(song: u16, leg: u16, why: Why) -> What {
    What::Placed {
        song,
        leg,
        called: false,
        pass: 0,
        anchor_at: Exact::at(FramePos(9)),
        stretch: Stretch::ONE,
        from_hit: 0,
        why,
        undo: None,
    }
}

fn status(run: RunState, peak: f32) -> What {
    What::Status(Status { run, next_song: 1, bar: 3, beat: 2, peak, limiter: 1.0, ..Status::default() })
}

fn lost() -> What {
    What::Switched { click: 0, source: Source::Fallback, cause: Cause::Late, song: 0, bar: 3, beat: 2 }
}

#[test]
fn a_snapshot_names_song_section_and_what_comes() {
    let (drain, _) = drained(&[(0, placed(0, 0, Why::Start)), (480, status(RunState::Playing, 0.1))]);
    let now = drain.snapshot();
    assert_eq!((now.song_title.as_str(), now.next_title.as_str()), ("Low Tide", "Marram"));
    assert_eq!((now.section.as_str(), now.next_section.as_str()), ("verse", "chorus"));
    assert_eq!((now.bar, now.beat, now.vamp), (3, 2, true));
    let (drain, _) = drained(&[(480, status(RunState::Stopped, 0.0))]);
    assert_eq!(drain.snapshot().section, "");
}

#[test]
fn the_phase_of_the_beat_goes_from_0_to_1() {
    let beat = Status {
        run: RunState::Playing,
        beat_at: FramePos(1_000),
        next_beat_at: FramePos(3_000),
        ..Status::default()
    };
    let (drain, _) = drained(&[(1_500, What::Status(beat))]);
    assert_eq!(drain.snapshot().beat_phase(FramePos(1_500)), 0.25);
    assert_eq!(drain.snapshot().beat_phase(FramePos(9_000)), 1.0);
}

#[test]
fn a_lost_track_is_said_in_words_counted_and_logged_with_its_place() {
    let (drain, entries) = drained(&[(5_000, lost())]);
    let said = drain.snapshot().last_event.clone().unwrap();
    assert_eq!(said.text, "CLICK FROM THIS LAPTOP (Wren). Track lost 21:14.");
    assert_eq!(drain.switches(), 1);
    let Entry::Switch { cause: Cause::Late, bar: 3, beat: 2, .. } = &entries[0].1 else { panic!() };
    assert_eq!(entries[0].0, 5_000);
}

#[test]
fn a_planned_change_is_no_event_and_a_return_after_a_fault_is() {
    let back = |cause| What::Switched { click: 0, source: Source::Streamed, cause, song: 0, bar: 4, beat: 1 };
    let (drain, _) = drained(&[(0, back(Cause::Plan))]);
    assert_eq!((drain.switches(), drain.snapshot().last_event.clone()), (0, None));
    let (drain, _) = drained(&[(0, lost()), (9, back(Cause::Plan))]);
    assert!(drain.snapshot().last_event.clone().unwrap().text.starts_with("CLICK FROM THE TRACK"));
    assert_eq!(drain.switches(), 1);
}

#[test]
fn levels_go_to_the_log_each_second_with_the_loudest_since() {
    let events: Vec<_> =
        (0..=300).map(|n| (n * 480, status(RunState::Stopped, if n == 150 { 0.5 } else { 0.01 }))).collect();
    let (_, entries) = drained(&events);
    let levels: Vec<(i64, f64)> = entries
        .iter()
        .filter_map(|(at, entry)| match entry {
            Entry::Levels { peak_db, .. } => Some((*at, *peak_db)),
            _ => None,
        })
        .collect();
    assert_eq!(levels, [(48_000, -40.0), (96_000, -6.0), (144_000, -40.0)]);
}

#[test]
fn a_song_is_named_once_and_its_sections_each_time() {
    let events =
        [(0, placed(0, 0, Why::Start)), (9, placed(0, 0, Why::Vamp)), (19, placed(0, 2, Why::Follows))];
    let (_, entries) = drained(&events);
    let songs = entries.iter().filter(|(_, entry)| matches!(entry, Entry::Song { .. })).count();
    let sections = entries.iter().filter(|(_, entry)| matches!(entry, Entry::Section { .. })).count();
    assert_eq!((songs, sections), (1, 3));
}
