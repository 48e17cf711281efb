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

#[test]
fn the_schema_is_json_for_show_and_rig() {
    for (which, key) in [("show", "song"), ("rig", "outputs")] {
        let output = fogbell(&["schema", which]);
        assert_eq!(output.status.code(), Some(0));
        assert!(json(&output)["properties"].get(key).is_some());
    }
}
