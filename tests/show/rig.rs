//! Rig files: read whole, faulty ones told, and held against a show.

use super::{assert_is_whole, example, fixtures, read};
use fogbell::show::model::{Host, MainLine, Role, TimecodeLine, Wiring};
use fogbell::show::{check_rig_against, default_rig, parse_rig, read_rig};
use fogbell::timecode::FrameRate;
use fogbell::units::Decibels;

static FAULTY: &[(&str, usize, &str)] = &[
    ("", 1, "this rig has no outputs"),
    ("[outputs]", 1, "this rig has no outputs"),
    ("outputs = 3", 1, "`outputs` must be a table"),
    ("[outputs]\ndrums = 0", 2, "`drums` is out of range"),
    ("[outputs]\ndrums = 257", 2, "`drums` is out of range"),
    ("[outputs]\ndrums = \"one\"", 2, "`drums` must be a whole number"),
    ("[outputs]\ndrums = []", 2, "a feed has one channel"),
    ("[outputs]\ndrums = [1, 2, 3]", 2, "a feed has one channel"),
    ("[outputs]\ndrums = [1, 1]", 2, "channel 1 is taken already"),
    ("[outputs]\ndrums = 1\nband = 1", 3, "channel 1 is taken already"),
    ("[outputs]\ndrums = 2\nband = [1, 2]", 3, "channel 2 is taken already"),
    ("[outputs]\ndrums = 1\ndrums = 2", 3, "`drums` is written twice"),
    ("[output]\ndrums = 1", 1, "`output` is no key of a rig"),
    ("rig = 5\n[outputs]\ndrums = 1", 1, "`rig` must be text"),
    ("[interface]\nhost = \"asio\"\n[outputs]\ndrums = 1", 2, "`host` knows no \"asio\""),
    ("[interface]\nhost = \"alsa\"\n[outputs]\ndrums = 1", 2, "does not say which device"),
    ("[interface]\nrate = 4000\n[outputs]\ndrums = 1", 2, "`rate` is out of range"),
    ("[interface]\nrate = \"48k\"\n[outputs]\ndrums = 1", 2, "`rate` must be a whole number"),
    ("[interface]\nblock = 0\n[outputs]\ndrums = 1", 2, "`block` is out of range"),
    ("[interface]\nbuffer = 64\n[outputs]\ndrums = 1", 2, "`buffer` is no key of [interface]"),
    ("interface = \"jack\"\n[outputs]\ndrums = 1", 1, "`interface` must be a table"),
    ("fold = 2\n[outputs]\ndrums = 1", 1, "`fold` must be a list"),
    ("[outputs]\ndrums = 1\n[[fold]]\noutputs = 2", 3, "`channels` is missing in a fold"),
    ("[outputs]\ndrums = 1\n[[fold]]\nchannels = { 1 = [\"drums\"] }", 3, "`outputs` is missing in a fold"),
    (
        "[outputs]\ndrums = 1\n[[fold]]\noutputs = 2\nchannels = { 3 = [\"drums\"] }",
        5,
        "`3` is no channel of this fold",
    ),
    ("[outputs]\ndrums = 1\n[[fold]]\noutputs = 2\nchannels = { 1 = [] }", 5, "this channel has no feed"),
    ("[outputs]\ndrums = 1\n[[fold]]\noutputs = 2\nchannels = { 1 = [3] }", 5, "`1` must be text"),
    (
        "[outputs]\ndrums = 1\n[[fold]]\noutputs = 2\nchannels = { \"1+2\" = [\"a\"], 2 = [\"b\"] }",
        5,
        "channel 2 is taken",
    ),
    ("[outputs]\ndrums = 1\n[inputs]\nroom = 1\ntalk = 1", 5, "input channel 1 is taken already"),
    ("[outputs]\ndrums = 1\n[inputs]\nroom = \"3\"", 4, "`room` must be a whole number"),
    ("[outputs]\ndrums = 1\n[keys]\nstart = \"space\"\nstop = \"Space\"", 5, "already does `start`"),
    ("[outputs]\ndrums = 1\n[keys]\nstart = true", 4, "`start` must be text"),
    ("[outputs]\ndrums = 1\n[keys]\nstart = []", 4, "`start` names no key"),
    ("machine = \"spare\"\n[outputs]\ndrums = 1", 1, "`machine` knows no \"spare\""),
    ("machine = \"backup\"\n[outputs]\ndrums = 1", 1, "hears nothing of its main"),
    ("machine = \"main\"\n[outputs]\ndrums = 1", 1, "a main sends no timecode"),
    ("[outputs]\ndrums = 1\n[main]\ntimecode = 1", 3, "only a backup has a [main]"),
    ("[outputs]\ndrums = 1\n[return]\ntimecode = 1", 3, "only a main has a [return]"),
    ("[outputs]\ndrums = 1\n[timecode]\noutput = 1", 4, "output 1 is taken already"),
    ("[outputs]\ndrums = 1\n[timecode]\nlevel = -18", 3, "`output` is missing in [timecode]"),
    ("[outputs]\ndrums = 1\n[timecode]\noutput = 2\nframes = \"26\"", 5, "`frames` knows no \"26\""),
    ("[outputs]\ndrums = 1\n[timecode]\noutput = 2\nlevel = 0", 5, "`level` is out of range"),
    ("[outputs]\ndrums = 1\n[timecode]\noutput = 2\n[loop]\noutput = 2\ninput = 1", 6, "output 2 is taken"),
    ("[outputs]\ndrums = 1\n[loop]\noutput = 2", 3, "`input` is missing in [loop]"),
    (
        "machine = \"backup\"\n[outputs]\ndrums = 1\n[inputs]\nroom = 1\n[main]\ntimecode = 1",
        7,
        "input channel 1 is taken already",
    ),
    (
        "machine = \"backup\"\n[outputs]\ndrums = 1\n[main]\ntimecode = 1\nclick = 1\nclick_is = \"drums\"",
        6,
        "input channel 1 is taken already",
    ),
    (
        "machine = \"backup\"\n[outputs]\ndrums = 1\n[main]\ntimecode = 1\nclick = 2",
        6,
        "has `click` and no `click_is`",
    ),
    (
        "machine = \"backup\"\n[outputs]\ndrums = 1\n[main]\ntimecode = 1\nwiring = \"pass through\"",
        6,
        "nothing is there to pass through",
    ),
    (
        "machine = \"backup\"\n[outputs]\ndrums = 1\n[main]\ntimecode = 1\nsafety_delay_ms = 30",
        6,
        "`safety_delay_ms` is out of range",
    ),
    (
        "machine = \"backup\"\n[outputs]\ndrums = 1\n[main]\ntimecode = 1\nsafety_delay_ms = 8",
        6,
        "`safety_delay_ms` means nothing",
    ),
    (
        "machine = \"backup\"\n[outputs]\ndrums = 1\n[main]\nlatch_ms = 60",
        4,
        "`timecode` is missing in [main]",
    ),
    (
        "machine = \"backup\"\n[outputs]\ndrums = 1\n[main]\ntimecode = 1\nlatch_ms = 10",
        6,
        "`latch_ms` is out of range",
    ),
    (
        "machine = \"backup\"\n[outputs]\ndrums = 1\n[main]\ntimecode = 1\nalign_ms = 51",
        6,
        "`align_ms` is out of range",
    ),
    (
        "machine = \"backup\"\n[outputs]\ndrums = 1\n[main]\ntimecode = 1\nwiring = \"splitter\"",
        6,
        "`wiring` knows no",
    ),
    (
        "machine = \"main\"\n[outputs]\ndrums = 1\n[timecode]\noutput = 2\n[return]\ntimecode = 1\n[loop]\noutput = 3\ninput = 1",
        10,
        "input channel 1 is taken already",
    ),
    (
        "machine = \"main\"\n[outputs]\ndrums = 1\n[timecode]\noutput = 2\n[return]",
        6,
        "`timecode` is missing in [return]",
    ),
    ("[outputs]\ndrums = 1\n[timecode]\noutput = 2\nfps = \"25\"", 5, "`fps` is no key of [timecode]"),
    (
        "[outputs]\ndrums = 1\n[[fold]]\noutputs = 2\nchannels = { 2 = [\"drums\"] }\n[timecode]\noutput = 2",
        7,
        "output 2 is taken already",
    ),
    ("[outputs\ndrums = 1", 1, "header"),
    ("[outputs]\ndrums = ", 2, "has no value"),
];

#[test]
fn every_faulty_rig_is_told_at_its_line() {
    for (text, line, part) in FAULTY {
        let reading = parse_rig(text, "rig.toml", &fixtures());
        reading.faults.iter().for_each(|fault| assert_is_whole(fault, text));
        let told = reading.faults.iter().any(|fault| fault.line == *line && fault.what.contains(part));
        assert!(told, "no fault at line {line} with {part:?} in:\n{text}\n{:#?}", reading.faults);
        let mut once = reading.faults.clone();
        once.dedup();
        assert_eq!(once, reading.faults, "told twice");
        assert!(reading.rig.is_none());
    }
}

#[test]
fn a_rig_says_which_feed_goes_where() {
    let reading = read_rig(&fixtures().join("good/rig_everything.toml")).expect("readable");
    assert_eq!(reading.faults, []);
    let rig = reading.rig.expect("good");
    assert_eq!(
        (rig.interface.host, rig.interface.rate.hertz(), rig.interface.block),
        (Host::Jack, 48_000, 128)
    );
    let outputs: Vec<_> =
        rig.outputs.iter().map(|outlet| (outlet.channels.clone(), outlet.feeds.join(" "))).collect();
    assert_eq!(
        outputs,
        [(vec![1], "drums".into()), (vec![2, 3], "band".into()), (vec![4], "keys".to_string())]
    );
    assert_eq!(rig.folds.len(), 1);
    assert_eq!(rig.folds[0][1].feeds, ["band", "keys"]);
    assert_eq!(rig.inputs, [("room".to_string(), 3)]);
    let line = TimecodeLine { output: 8, frames: FrameRate::Tv25, level: Decibels(-18.0) };
    assert_eq!((rig.machine, rig.timecode, rig.return_line), (Role::Backup, Some(line), None));
    let main = MainLine {
        timecode: 1,
        click: Some((2, "drums".into())),
        wiring: Wiring::PassThrough,
        safety_delay_ms: 8.0,
        align_ms: 0.35,
        latch_ms: 60.0,
    };
    assert_eq!((rig.main.as_ref(), rig.spare_loop), (Some(&main), Some((7, 4))));
    assert_eq!((rig.highest_line_out(), rig.highest_input(), rig.has_timecode()), (8, 11, true));
    assert_eq!(rig.spoken, [("drums".to_string(), "../sounds/one.wav".into())]);
    let keys: Vec<_> = rig.keys.iter().map(|(action, key)| (action.as_str(), key.as_str())).collect();
    assert_eq!(keys, [("start", "space"), ("all-out", "backspace"), ("all-out", "x")]);
}

#[test]
fn a_rig_that_does_not_fit_its_show_is_told_in_the_rig_file() {
    let show = read(&example("everything.toml")).show.expect("good");
    let good = parse_rig(&example("rig_everything.toml"), "rig.toml", &fixtures().join("good"));
    assert_eq!(good.faults_against(&show), []);
    let text = "[outputs]\ndurms = 1\nband = 2\n[inputs]\nroof = 1\n";
    let reading = parse_rig(text, "rig.toml", &fixtures());
    let faults = reading.faults_against(&show);
    let told: Vec<_> = faults.iter().map(|fault| (fault.line, fault.what.as_str())).collect();
    assert_eq!(
        told,
        [
            (1, "the feed \"drums\" goes to no channel of [outputs]"),
            (1, "the feed \"keys\" goes to no channel of [outputs]"),
            (2, "there is no feed \"durms\""),
            (3, "the feed \"band\" is stereo, and here it has 1 channel"),
            (5, "there is no input \"roof\""),
        ]
    );
    assert_eq!(faults[2].mend, "did you mean \"drums\"?");
    assert!(
        check_rig_against(&show, &reading.rig.expect("good by itself")).iter().all(|fault| fault.line == 0)
    );
}

#[test]
fn a_main_has_a_return_line_and_what_it_does_not_say_is_usual() {
    let rig = read_rig(&fixtures().join("good/rig_main.toml")).expect("readable").rig.expect("good");
    let line = TimecodeLine { output: 4, frames: FrameRate::NtscDrop, level: Decibels(-18.0) };
    assert_eq!((rig.machine, rig.timecode, rig.return_line), (Role::Main, Some(line), Some(1)));
    assert_eq!((&rig.main, rig.spare_loop, rig.highest_line_out(), rig.highest_input()), (&None, None, 4, 1));
    let text = "machine = \"backup\"\n[outputs]\ndrums = 1\n[main]\ntimecode = 3\n";
    let rig = parse_rig(text, "rig.toml", &fixtures()).rig.expect("good");
    let main = MainLine {
        timecode: 3,
        click: None,
        wiring: Wiring::OwnChannel,
        safety_delay_ms: 8.0,
        align_ms: 0.0,
        latch_ms: 60.0,
    };
    assert_eq!((rig.main.as_ref(), rig.timecode, rig.highest_input()), (Some(&main), None, 3));
    let alone = parse_rig("[outputs]\ndrums = 1\n", "rig.toml", &fixtures()).rig.expect("good");
    assert_eq!((alone.machine, alone.has_timecode(), alone.highest_input()), (Role::Alone, false, 0));
}

/// The name of the main's click stands elsewhere than the feed of the same name.
#[test]
fn the_mains_click_is_held_against_the_show_where_it_is_named() {
    let show = read(&example("everything.toml")).show.expect("good");
    let good = example("rig_everything.toml");
    let told = |text: &str| -> Vec<(usize, String)> {
        let faults = parse_rig(text, "rig.toml", &fixtures().join("good")).faults_against(&show);
        faults.iter().for_each(|fault| assert_is_whole(fault, text));
        faults.into_iter().map(|fault| (fault.line, fault.what)).collect()
    };
    let line =
        |text: &str, part: &str| text.lines().position(|line| line.starts_with(part)).map_or(0, |n| n + 1);
    let wrong = good.replace("click_is = \"drums\"", "click_is = \"durms\"");
    assert_eq!(told(&wrong), [(line(&good, "click_is"), "there is no click \"durms\"".into())]);
    // A fault of the feed "drums" is told at the feed.
    let wide = good.replace("drums = 1\n", "drums = [1, 6]\n");
    assert_eq!(told(&wide)[0].0, line(&wide, "drums = [1, 6]"));
    // The pad's click comes from the main, which passes it on, or from the pad; not from both.
    let pads = good.replace("click_is = \"drums\"", "click_is = \"pads\"");
    assert_eq!(told(&pads), []);
    let both = pads.replace("room = 3", "room = 3\npad = 5");
    assert_eq!(told(&both).len(), 1);
    assert!(told(&both)[0].1.contains("from the main and from the input \"pad\""), "{:?}", told(&both));
    assert_eq!(told(&both.replace("pass through", "own channel").replace("safety_delay_ms = 8\n", "")), []);
}

#[test]
fn a_spoken_name_is_a_file_that_is_there_for_a_feed_that_is_sent() {
    let text = |spoken: &str| format!("[outputs]\ndrums = 1\n[spoken]\n{spoken}\n");
    for (spoken, what) in [
        ("durms = \"one.wav\"", "there is no feed \"durms\""),
        ("drums = \"none.wav\"", "there is no file none.wav"),
        ("drums = \"not_a_wav.wav\"", "no WAV file"),
        ("drums = 3", "text"),
    ] {
        let text = text(spoken);
        let faults = parse_rig(&text, "rig.toml", &fixtures().join("sounds")).faults;
        assert_eq!((faults.len(), faults[0].line), (1, 4), "{faults:?}");
        assert!(faults[0].what.contains(what), "{:?}", faults[0]);
    }
    let good = parse_rig(&text("drums = \"one.wav\""), "rig.toml", &fixtures().join("sounds"));
    assert_eq!(good.faults, []);
}

#[test]
fn without_a_rig_each_feed_has_the_next_channels() {
    let show = read(&example("everything.toml")).show.expect("good");
    let rig = default_rig(&show);
    let channels: Vec<_> = rig.outputs.iter().map(|outlet| outlet.channels.clone()).collect();
    assert_eq!(channels, [vec![1], vec![2, 3], vec![4]]);
    assert_eq!(rig.inputs, [("room".to_string(), 1), ("wren_talk".to_string(), 2), ("pad".to_string(), 3)]);
    assert_eq!(check_rig_against(&show, &rig), []);
}
