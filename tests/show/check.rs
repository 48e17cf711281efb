//! `fogbell check` and `fogbell schema` as a person or a script runs them.

use super::fixtures;
use serde_json::Value;
use std::process::{Command, Output};

fn fogbell(args: &[&str]) -> Output {
    let mut command = Command::new(env!("CARGO_BIN_EXE_fogbell"));
    command.current_dir(fixtures()).env("NO_COLOR", "1").args(args).output().expect("fogbell runs")
}

fn json(output: &Output) -> Value {
    serde_json::from_slice(&output.stdout).expect("one JSON object and nothing else")
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8(bytes.to_vec()).expect("UTF-8")
}

#[test]
fn a_good_show_is_printed_as_a_set_list_with_exit_0() {
    let output = fogbell(&["check", "good/everything.toml", "--rig", "good/rig_everything.toml"]);
    assert_eq!(output.status.code(), Some(0));
    assert_eq!(text(&output.stderr), "");
    insta::with_settings!({ snapshot_path => fixtures().join("good"), prepend_module_to_snapshot => false }, {
        insta::assert_snapshot!("set_list_of_everything", text(&output.stdout));
    });
}

#[test]
fn a_faulty_show_is_told_on_standard_error_with_exit_2() {
    let output = fogbell(&["check", "bad/several_songs_faulty.toml"]);
    assert_eq!(output.status.code(), Some(2));
    assert_eq!(text(&output.stdout), "");
    let told = text(&output.stderr);
    for part in
        ["bad/several_songs_faulty.toml:11:9", "to mend it: ", "4 faults: of 3 songs 3 cannot be played"]
    {
        assert!(told.contains(part), "{told}");
    }
    assert!(told.contains("file only, nothing sounded"));
}

#[test]
fn as_json_it_is_one_object_with_ok_songs_and_faults() {
    let output = fogbell(&["check", "--json", "good/everything.toml"]);
    let good = json(&output);
    assert_eq!(
        (output.status.code(), &good["ok"], &good["faults"]),
        (Some(0), &Value::Bool(true), &Value::Array(vec![]))
    );
    assert_eq!(good["songs"].as_array().map(Vec::len), Some(5));
    assert_eq!(good["songs"][0]["sections"][1]["repeats"], 2);
    assert_eq!(good["feeds"][1]["channels"], serde_json::json!([2, 3]));
    let output = fogbell(&["check", "--json", "bad/unclosed_text.toml"]);
    let bad = json(&output);
    assert_eq!((output.status.code(), &bad["ok"]), (Some(2), &Value::Bool(false)));
    assert_eq!(bad["songs"][0]["title"], "Eel Grass");
    assert_eq!(bad["refused"], serde_json::json!([{ "title": "Low Tide", "line": 3 }]));
    let fault = &bad["faults"][0];
    assert_eq!((&fault["line"], &fault["song"]), (&Value::from(4), &Value::from("Low Tide")));
    assert_eq!(fault["file"], "bad/unclosed_text.toml");
    let output = fogbell(&["check", "--json", "no_such_file.toml"]);
    assert_eq!((output.status.code(), &json(&output)["ok"]), (Some(2), &Value::Bool(false)));
}

#[test]
fn a_rig_that_does_not_fit_is_told_in_its_own_file() {
    let folder = tempfile::tempdir().expect("folder");
    let rig = folder.path().join("rig.toml");
    std::fs::write(&rig, "[outputs]\ndurms = 1\nband = 2\n").expect("written");
    let output = fogbell(&["check", "good/ten_lines.toml", "--rig", &rig.to_string_lossy()]);
    let told = text(&output.stderr);
    assert_eq!(output.status.code(), Some(2));
    assert!(told.contains("rig.toml:2:") && told.contains("there is no feed \"durms\""), "{told}");
    assert!(told.contains("the rig does not fit"), "{told}");
}

/// A folder with a show of two songs, the second after a segue, and a click that comes from a pad.
fn two_songs() -> tempfile::TempDir {
    let folder = tempfile::tempdir().expect("folder");
    let show = "show = \"Saltmarsh Five\"\n[click.drums]\n[click.band]\ninput = \"pad\"\n[input.pad]\n\
                kind = \"click\"\nstarts_song = true\n[[song]]\ntitle = \"Low Tide\"\ntempo = 90\nbars = 900\n\
                segue = true\n[[song]]\ntitle = \"Eel Grass\"\ntempo = 132\nbars = 64\n";
    std::fs::write(folder.path().join("show.toml"), show).expect("written");
    folder
}

/// Exit code, output and errors of a check of the two songs, with changes to the show and with a rig.
fn checked(change: (&str, &str), rig: &str, more: &[&str]) -> (Option<i32>, String, String) {
    let folder = two_songs();
    let path = |name: &str| folder.path().join(name).to_string_lossy().into_owned();
    let show = std::fs::read_to_string(path("show.toml")).expect("show").replace(change.0, change.1);
    std::fs::write(path("show.toml"), show).expect("written");
    std::fs::write(path("rig.toml"), format!("{rig}\n")).expect("written");
    let (show, rig_path) = (path("show.toml"), path("rig.toml"));
    let rig_args = ["--rig", &rig_path];
    let args: Vec<&str> = ["check", &show]
        .into_iter()
        .chain(if rig.is_empty() { &[][..] } else { &rig_args }.iter().copied())
        .chain(more.iter().copied())
        .collect();
    let output = fogbell(&args);
    (output.status.code(), text(&output.stdout), text(&output.stderr))
}

const FEEDS: &str = "[outputs]\ndrums = 1\nband = 2\n";

#[test]
fn slots_of_timecode_are_printed_where_timecode_is_sent_followed_or_asked_for() {
    let plain = ("", "");
    assert!(!checked(plain, FEEDS, &[]).1.contains("timecode from"));
    let asked = checked(plain, "", &["--timecode"]).1;
    for line in
        ["timecode from 01:00:00:00, room for 01:00:00\n", "timecode from 02:00:00:00, room for 22:00:00\n"]
    {
        assert!(asked.contains(line), "{asked}");
    }
    let main = format!("machine = \"main\"\n{FEEDS}[timecode]\noutput = 3\nframes = \"29.97 drop\"");
    // Drop-frame counting has no frame 0 in minute 1.
    let dropped =
        checked(("title = \"Eel Grass\"", "title = \"Eel Grass\"\ntimecode = \"02:01:00\""), &main, &[]).1;
    assert!(
        dropped.contains("timecode from 01:00:00;00") && dropped.contains("timecode from 02:01:00;02"),
        "{dropped}"
    );
    assert!(dropped.contains("Timecode: 29.97 drop frames, on output 3 at \u{2212}18 dBFS"), "{dropped}");
    let backup = format!("machine = \"backup\"\n{FEEDS}[main]\ntimecode = 1");
    assert!(checked(plain, &backup, &[]).1.contains("timecode from 01:00:00:00"));
    let output = checked(plain, &backup, &["--json"]).1;
    let song = &serde_json::from_str::<Value>(&output).expect("JSON")["songs"][1]["timecode"];
    assert_eq!(
        *song,
        serde_json::json!({ "from": "02:00:00", "from_seconds": 7200, "room_seconds": 79_200 })
    );
}

#[test]
fn a_song_longer_than_its_slot_is_a_fault_where_timecode_matters() {
    let early = ("title = \"Eel Grass\"", "title = \"Eel Grass\"\ntimecode = \"01:40:00\"");
    assert_eq!(checked(early, FEEDS, &[]).0, Some(0));
    // 900 bars of four at 90 last 40 minutes, and so does the slot: its last second belongs to the next song.
    let (code, out, told) = checked(early, "", &["--timecode"]);
    assert_eq!((code, out.as_str()), (Some(2), ""));
    for part in [
        "show.toml:8:1",
        "Low Tide is longer than its slot of timecode",
        "found 00:40:00 as written, vamps once",
        "write timecode = \"01:41:00\" or later in Eel Grass",
        "1 fault: the songs do not fit timecode",
    ] {
        assert!(told.contains(part), "{part} in {told}");
    }
    let later = ("title = \"Eel Grass\"", "title = \"Eel Grass\"\ntimecode = \"01:41:00\"");
    assert_eq!(checked(later, "", &["--timecode"]).0, Some(0));
}

#[test]
fn check_says_who_follows_what_and_what_the_wiring_cannot_tell_apart() {
    let backup = |main: &str| format!("machine = \"backup\"\n{FEEDS}[main]\ntimecode = 1\n{main}");
    let sender = format!("machine = \"main\"\n{FEEDS}[timecode]\noutput = 3\n");
    let cases: [(String, &[&str]); 7] = [
        (
            backup(""),
            &[
                "follows the main's timecode on input 1, and is silent",
                "would hear two clicks",
                "12.7 ms and the round trip, 18.0 ms at least",
            ],
        ),
        (
            backup("click = 2\nclick_is = \"drums\""),
            &["hears its drums on input 2", "only when both are gone", "Blind window: 12.7 ms"],
        ),
        (
            backup("click = 2\nclick_is = \"drums\"\nwiring = \"pass through\""),
            &["passes its drums on from input 2", "hit by hit", "Blind window: none", "8 ms late"],
        ),
        (
            backup("click = 2\nclick_is = \"drums\"\nwiring = \"pass through\"\nsafety_delay_ms = 2"),
            &["the first hit that fails is missed, as 2 ms"],
        ),
        (sender.clone(), &["Main: no return line", "stays silent until a person says so"]),
        (format!("{sender}[return]\ntimecode = 4"), &["comes back on input 4"]),
        (
            format!("{FEEDS}[inputs]\npad = 2\n[loop]\noutput = 3\ninput = 3"),
            &[
                "pad    input 2: the band click",
                "band: from pad on input 2, passed on 8 ms late",
                "after 2 in a row or 3 of eight",
                "it may start the chosen song",
                "output 3 to input 3, for measuring",
            ],
        ),
    ];
    for (rig, parts) in cases {
        let (code, out, told) = checked(("", ""), &rig, &[]);
        assert_eq!(code, Some(0), "{told}");
        parts.iter().for_each(|part| assert!(out.contains(part), "{part:?} in {out}"));
    }
    let alone = checked(("", ""), FEEDS, &[]).1;
    assert!(
        alone.contains("band: from pad, which is not patched in this rig: this laptop makes it."),
        "{alone}"
    );
    let bare = checked(
        ("kind = \"click\"", "kind = \"click\"\nsafety_delay_ms = 0"),
        &format!("{FEEDS}[inputs]\npad = 2"),
        &[],
    )
    .1;
    assert!(
        bare.contains("the first hit that fails is missed; an onset counts up to 6 ms")
            && bare.contains("after it this laptop's own stays"),
        "{bare}"
    );
    // (10 + 128 / 48) ms, and two blocks more.
    let output = checked(("", ""), &backup(""), &["--json"]).1;
    let window = serde_json::from_str::<Value>(&output).expect("JSON")["blind_window_ms_at_least"].as_f64();
    assert!((window.expect("a number") - 18.0).abs() < 1e-9, "{window:?}");
}

#[test]
fn a_count_in_that_a_segue_skips_is_printed_as_such() {
    let out = checked(("", ""), "", &[]).1;
    let counts: Vec<_> = out.lines().filter(|line| line.contains("count-in")).map(str::trim).collect();
    let second = "count-in 2 bars, 3.6 s (not when the song before runs into this one)";
    assert_eq!(counts, ["count-in 2 bars, 5.3 s", second]);
}

#[test]
fn the_schema_is_json_for_show_and_rig() {
    for (which, key) in [("show", "song"), ("rig", "outputs")] {
        let output = fogbell(&["schema", which]);
        assert_eq!(output.status.code(), Some(0));
        assert!(json(&output)["properties"].get(key).is_some());
    }
}
