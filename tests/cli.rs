//! End to end with the real program: new, ready, completions, man. What is read by a shell, a person or
//! another program is checked as it is printed.

use std::io::Write;
use std::path::Path;
use std::process::{Command, Output, Stdio};

fn fogbell(folder: &Path, args: &[&str], input: &str) -> Output {
    let mut child = Command::new(env!("CARGO_BIN_EXE_fogbell"))
        .args(args)
        .current_dir(folder)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("the program starts");
    // A program that refuses its arguments may be gone before it has read anything.
    _ = child.stdin.take().expect("piped").write_all(input.as_bytes());
    child.wait_with_output().expect("the program ends")
}

fn out(output: &Output) -> String {
    String::from_utf8(output.stdout.clone()).expect("UTF-8")
}

fn err(output: &Output) -> String {
    String::from_utf8(output.stderr.clone()).expect("UTF-8")
}

/// One JSON object and nothing else on standard output.
fn object(output: &Output) -> serde_json::Value {
    let value: serde_json::Value = serde_json::from_slice(&output.stdout).expect("one JSON value");
    assert!(value.is_object());
    value
}

fn read(folder: &Path, name: &str) -> String {
    std::fs::read_to_string(folder.join(name)).expect(name)
}

fn names(folder: &Path) -> Vec<String> {
    let mut names: Vec<String> = std::fs::read_dir(folder)
        .expect("a folder")
        .map(|entry| entry.expect("an entry").file_name().to_string_lossy().into_owned())
        .collect();
    names.sort();
    names
}

const PASTE: &str = "\
# Coast run
1. Low Tide 132 4/4 96 bars (Wren counts)
2. Eel Net - 132 bpm 7/8 as 2+2+3
3. Slack \u{2669}. = 88 6/8
4. Seven 77; 104; 3:30
5. Ebb 72 6/8

Lantern 99 \u{2669} = 137.3 3/4
";

#[test]
fn a_pasted_list_becomes_a_show_and_a_rig_that_toml_reads() {
    let folder = tempfile::tempdir().expect("a folder");
    let output = fogbell(folder.path(), &["new"], PASTE);
    assert_eq!(output.status.code(), Some(0), "{}", err(&output));
    assert_eq!(names(folder.path()), ["coast-run.rig.toml", "coast-run.toml"]);
    let show: toml::Table = read(folder.path(), "coast-run.toml").parse().expect("TOML");
    assert_eq!(show["show"].as_str(), Some("Coast run"));
    let songs = show["song"].as_array().expect("songs");
    assert_eq!(songs.len(), 6);
    assert_eq!(songs[0]["note"].as_str(), Some("Wren counts"));
    assert_eq!((songs[0]["tempo"].as_integer(), songs[0]["bars"].as_integer()), (Some(132), Some(96)));
    assert_eq!(songs[1]["metre"].as_str(), Some("7/8 as 2+2+3"));
    assert_eq!(songs[2]["tempo"].as_str(), Some("\u{2669}. = 88"));
    assert_eq!(songs[3]["title"].as_str(), Some("Seven 77"));
    assert_eq!(songs[5]["encore"].as_bool(), Some(true));
    assert!(songs[..5].iter().all(|song| song.get("encore").is_none()));
    // 4 minutes of 7/8 at 132 crotchets: 240 / (3.5 * 60 / 132) = 150.9 bars, to the nearest four.
    assert_eq!(songs[1]["bars"].as_integer(), Some(152));
    let checked =
        fogbell(folder.path(), &["check", "coast-run.toml", "--rig", "coast-run.rig.toml", "--json"], "");
    assert_eq!(checked.status.code(), Some(0), "{}", out(&checked));
    assert_eq!(object(&checked)["songs"].as_array().map(Vec::len), Some(6));
    let rig: toml::Table = read(folder.path(), "coast-run.rig.toml").parse().expect("TOML");
    assert_eq!(rig["interface"]["host"].as_str(), Some("virtual"));
    for feed in rig["outputs"].as_table().expect("outputs").keys() {
        assert!(show["feed"].as_table().expect("feeds").contains_key(feed), "{feed} is a feed of the show");
    }
}

#[test]
fn lines_come_from_arguments_a_file_or_standard_input_with_the_same_result() {
    let folder = tempfile::tempdir().expect("a folder");
    std::fs::write(folder.path().join("list.txt"), "Low Tide 132 4/4\nEel Net 96\n").expect("written");
    let to = |name: &'static str| ["new", "--out", name, "--title", "Night"];
    let by_args = [&to("a.toml")[..], &["Low Tide 132 4/4", "Eel Net 96"]].concat();
    let by_file = [&to("b.toml")[..], &["list.txt"]].concat();
    for (args, input) in
        [(by_args, ""), (by_file, ""), (to("c.toml").to_vec(), "Low Tide 132 4/4\nEel Net 96\n")]
    {
        let output = fogbell(folder.path(), &args, input);
        assert_eq!(output.status.code(), Some(0), "{args:?}: {}", err(&output));
    }
    let named = |name: &str| read(folder.path(), &format!("{name}.toml")).replace(&format!("{name}."), "x.");
    assert_eq!(named("a"), named("b"));
    assert_eq!(named("a"), named("c"));
}

#[test]
fn nothing_is_overwritten_and_the_other_file_is_not_left_behind() {
    for taken in ["night.toml", "night.rig.toml"] {
        let folder = tempfile::tempdir().expect("a folder");
        std::fs::write(folder.path().join(taken), "mine").expect("written");
        let output = fogbell(folder.path(), &["new", "--out", "night.toml", "Low Tide 132"], "");
        assert_eq!(output.status.code(), Some(2));
        assert!(err(&output).contains(taken) && err(&output).contains("to mend it"), "{}", err(&output));
        assert_eq!(names(folder.path()), [taken]);
        assert_eq!(read(folder.path(), taken), "mine");
    }
}

#[test]
fn every_unreadable_line_is_reported_at_once_and_nothing_is_written() {
    let folder = tempfile::tempdir().expect("a folder");
    let output = fogbell(folder.path(), &["new"], "Low Tide 132\nEel Net\nSlack 88 6/7\nEbb 72");
    assert_eq!(output.status.code(), Some(2));
    let text = err(&output);
    assert!(text.contains("line 2 has no tempo") && text.contains("line 3 gives a metre of 6/7"), "{text}");
    assert_eq!(text.matches("to mend it").count(), 2);
    assert_eq!(names(folder.path()), [""; 0]);
    let output = fogbell(folder.path(), &["new", "--json"], "Eel Net");
    assert_eq!(output.status.code(), Some(2));
    assert_eq!(object(&output)["faults"][0]["line"], 1);
    assert_eq!(fogbell(folder.path(), &["new"], "").status.code(), Some(2), "an empty paste");
}

#[test]
fn a_folder_that_is_not_there_is_a_failure_with_a_mend() {
    let folder = tempfile::tempdir().expect("a folder");
    let output = fogbell(folder.path(), &["new", "--out", "no/such/night.toml", "Low Tide 132"], "");
    assert_eq!(output.status.code(), Some(1));
    assert!(err(&output).contains("to mend it"), "{}", err(&output));
}

#[test]
fn new_tells_what_it_assumed_as_one_object() {
    let folder = tempfile::tempdir().expect("a folder");
    let told = object(&fogbell(folder.path(), &["new", "--json"], PASTE));
    assert_eq!((&told["command"], &told["ok"]), (&"new".into(), &true.into()));
    assert_eq!(told["songs"][0]["bars_assumed"], false);
    assert_eq!(told["songs"][4]["bars_assumed"], true);
    assert_eq!(told["songs"][3]["metre_assumed"], true);
    assert_eq!(told["songs"][4]["note_value"], "\u{2669}.");
}

#[test]
fn ready_lists_every_item_and_its_exit_follows_the_alarms() {
    let folder = tempfile::tempdir().expect("a folder");
    let output = fogbell(folder.path(), &["ready", "--json"], "");
    let told = object(&output);
    let items = told["items"].as_array().expect("items");
    let names: Vec<&str> = items.iter().map(|item| item["name"].as_str().expect("a name")).collect();
    for name in
        ["charger", "sleep", "memory", "default output", "device rate", "disk", "priority", "processor"]
    {
        assert!(names.contains(&name), "{name} is missing from {names:?}");
    }
    let alarm = items.iter().any(|item| item["state"] == "alarm");
    assert_eq!(output.status.code(), Some(i32::from(alarm)));
    assert_eq!(told["ok"], !alarm);
    for item in items {
        let said = item["finding"].as_str().is_some_and(|text| !text.is_empty());
        let mend = item["mend"].as_str().is_some_and(|text| !text.is_empty());
        assert!(said && mend == (item["state"] != "ok"), "{item}");
    }
}

/// The item "device rate" of a rig with the virtual interface and this world; the exit code with it.
fn device_rate(world: &str) -> (serde_json::Value, Option<i32>) {
    let folder = tempfile::tempdir().expect("a folder");
    std::fs::write(folder.path().join("world.toml"), world).expect("written");
    let rig = "rig = \"r\"\n[interface]\nhost = \"virtual\"\ndevice = \"world.toml\"\nrate = 48000\nblock = 128\n\
               [outputs]\ndrums = 1\n";
    std::fs::write(folder.path().join("rig.toml"), rig).expect("written");
    let output = fogbell(folder.path(), &["ready", "--rig", "rig.toml", "--seconds", "1.5", "--json"], "");
    let told = object(&output);
    let kept = std::path::Path::new(told["kept"].as_str().expect("kept")).to_owned();
    let kept = std::fs::read_to_string(folder.path().join(kept)).expect("the kept result");
    assert!(kept.contains("\"event\":\"kept\"") && kept.contains("device rate"), "{kept}");
    let items = told["items"].as_array().expect("items");
    let found = items.iter().find(|item| item["name"] == "device rate").expect("the item").clone();
    (found, output.status.code())
}

/// A machine under load calls back too unevenly to tell, which the program says: then it is asked again.
fn device_rate_told(world: &str) -> (serde_json::Value, Option<i32>) {
    (0..5)
        .map(|_| device_rate(world))
        .find(|(item, _)| item["state"] != "unchecked")
        .expect("told within five tries")
}

#[test]
fn ready_measures_the_device_s_clock_against_the_computer_s() {
    let (fair, _) = device_rate_told("outputs = 2");
    assert_eq!(fair["state"], "ok", "{fair}");
    let (fast, code) = device_rate_told("outputs = 2\ndrift-ppm = 9000");
    assert_eq!((&fast["state"], code), (&"alarm".into(), Some(1)), "{fast}");
}

#[test]
fn ready_refuses_a_rig_with_faults_and_an_absent_one() {
    let folder = tempfile::tempdir().expect("a folder");
    std::fs::write(folder.path().join("rig.toml"), "rig = 7\nnonsense = 1\n").expect("written");
    let output = fogbell(folder.path(), &["ready", "--rig", "rig.toml"], "");
    assert_eq!(output.status.code(), Some(2));
    assert!(err(&output).contains("nonsense") && err(&output).contains("rig.toml:2"), "{}", err(&output));
    let absent = fogbell(folder.path(), &["ready", "--rig", "none.toml", "--json"], "");
    assert_eq!((absent.status.code(), &object(&absent)["ok"]), (Some(2), &false.into()));
}

/// The shells themselves judge what is made for them, where they are installed.
#[test]
fn completions_are_understood_by_their_shells() {
    let folder = tempfile::tempdir().expect("a folder");
    let commands =
        ["new", "check", "stems", "run", "ready", "interfaces", "timecode", "schema", "completions", "man"];
    for shell in ["bash", "zsh", "fish", "elvish", "powershell"] {
        let output = fogbell(folder.path(), &["completions", shell], "");
        assert_eq!(output.status.code(), Some(0));
        for command in commands {
            assert!(out(&output).contains(command), "{shell} completes {command}");
        }
        std::fs::write(folder.path().join(shell), &output.stdout).expect("written");
        if matches!(shell, "bash" | "zsh" | "fish") {
            let checked = Command::new(shell).arg("-n").arg(folder.path().join(shell)).output();
            assert!(
                checked.is_ok_and(|o| o.status.success()) || Command::new(shell).arg("-c").output().is_err()
            );
        }
    }
    assert_eq!(fogbell(folder.path(), &["completions", "no-shell"], "").status.code(), Some(2));
    assert_eq!(object(&fogbell(folder.path(), &["completions", "bash", "--json"], ""))["ok"], true);
}

#[test]
fn manual_pages_come_from_the_same_definition_as_the_help() {
    let folder = tempfile::tempdir().expect("a folder");
    let page = out(&fogbell(folder.path(), &["man"], ""));
    assert!(page.contains(".TH fogbell") && page.contains("fogbell\\-new"), "{page}");
    let of_new = out(&fogbell(folder.path(), &["man", "new"], ""));
    let help = out(&fogbell(folder.path(), &["new", "--help"], ""));
    for option in ["out", "rig", "title", "json"] {
        assert!(of_new.contains(&format!("\\-\\-{option}")) && help.contains(&format!("--{option}")));
    }
    let unknown = fogbell(folder.path(), &["man", "nothing"], "");
    assert_eq!(unknown.status.code(), Some(2));
    assert!(err(&unknown).contains("to mend it"));
    assert_eq!(object(&fogbell(folder.path(), &["man", "--json"], ""))["command"], "man");
}

#[test]
fn a_command_line_that_is_not_understood_is_one_object_with_json() {
    let folder = tempfile::tempdir().expect("a folder");
    for args in [&["sing", "--json"][..], &["check", "--json"], &["stems", "a", "--rate", "5", "--json"]] {
        let output = fogbell(folder.path(), args, "");
        assert_eq!(output.status.code(), Some(2), "{args:?}");
        assert_eq!(object(&output)["ok"], false, "{args:?}");
    }
    let help = fogbell(folder.path(), &["run", "--help"], "");
    assert_eq!(help.status.code(), Some(0));
    for keys in [out(&help), out(&fogbell(folder.path(), &["man", "run"], ""))] {
        assert!(keys.contains("ALL OUT: every feed silent"), "{keys}");
    }
}

#[test]
fn check_finds_a_key_that_run_would_refuse() {
    let folder = tempfile::tempdir().expect("a folder");
    fogbell(folder.path(), &["new", "--out", "s.toml", "Low Tide 132 4/4 8 bars"], "");
    let rig = read(folder.path(), "s.rig.toml");
    for (keys, good) in
        [("start = \"page down\"", true), ("strat = \"x\"", false), ("start = \"spaec\"", false)]
    {
        std::fs::write(folder.path().join("k.toml"), format!("{rig}\n[keys]\n{keys}\n")).expect("a rig");
        let output = fogbell(folder.path(), &["check", "s.toml", "--rig", "k.toml", "--json"], "");
        let told = object(&output);
        assert_eq!(told["ok"], good, "{keys}: {told}");
        if !good {
            let line = rig.lines().count() as u64 + 3;
            assert_eq!(told["faults"][0]["line"], line, "{told}");
        }
    }
}

#[test]
fn what_is_not_understood_ends_with_two() {
    let folder = tempfile::tempdir().expect("a folder");
    assert_eq!(fogbell(folder.path(), &["ring"], "").status.code(), Some(2));
    assert_eq!(fogbell(folder.path(), &[], "").status.code(), Some(2));
    assert_eq!(fogbell(folder.path(), &["--version"], "").status.code(), Some(0));
}

#[test]
fn timecode_is_written_and_read_back() {
    let folder = tempfile::tempdir().expect("a folder");
    let args =
        ["timecode", "--out", "a.wav", "--frames", "29.97-drop", "--from", "00:00:58;00", "--for", "4"];
    let written = fogbell(folder.path(), &args, "");
    assert_eq!(written.status.code(), Some(0), "{}", err(&written));
    assert_eq!(fogbell(folder.path(), &args, "").status.code(), Some(2), "nothing is overwritten");
    let read = object(&fogbell(folder.path(), &["timecode", "--read", "a.wav", "--json"], ""));
    assert_eq!(read["first"], "00:00:58;01", "{read}");
    assert_eq!(read["last"], "00:01:02;00", "{read}");
    assert_eq!(read["words"], 118, "{read}");
    assert!((read["frames_a_second"].as_f64().expect("a number") - 29.97).abs() < 0.001, "{read}");
    let dropped = ["timecode", "--out", "b.wav", "--frames", "29.97-drop", "--from", "00:01:00;00"];
    let refused = fogbell(folder.path(), &dropped, "");
    assert_eq!(refused.status.code(), Some(2));
    assert!(err(&refused).contains("to mend it") && !folder.path().join("b.wav").exists());
}
