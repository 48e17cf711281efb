//! What the drill prints, 80 columns wide.

use crate::cli::check::machines::blind_window_ms;
use crate::drill::{Bench, Verdict, Wiring};
use crate::show::model::InterfaceChoice;
use crate::view::machines::blind_to;

pub const LEGEND: &str = "\
noticed  after the failure, by the machine's own word; all else is heard:
next     first hit after it, at bar:beat       cut   hits whose tail was cut
miss     hits that are missing                 flam  extra hits, more than 1 ms off
late     hits late or early                    dbl   extra hits, two in phase
lost     hits lost with the device             dB    largest step in level
                                               off   largest error of a beat, ms";

pub const COLUMNS: &str = "              noticed    next  miss  late  lost   cut  flam   dbl     dB     off";

const WIDTH: usize = 78;

pub fn wiring(wiring: Wiring) -> &'static str {
    match wiring {
        Wiring::Alone => "one machine",
        Wiring::Streamed => "one machine, a click track from disk",
        Wiring::OneWitness => "backup on its own channel, timecode only",
        Wiring::TwoWitnesses => "backup on its own channel, timecode and click",
        Wiring::Passed(_) => "the main's click through the backup",
        Wiring::Pad(_) => "another device's click through this laptop",
    }
}

/// What a wiring is, what it cannot tell, its blind window, and the columns.
pub fn heading(bench: &Bench, rig: Option<&InterfaceChoice>) -> String {
    let mut text = format!("\n{}\n", wiring(bench.wiring).to_uppercase());
    let rate = f64::from(bench.set.rate.hertz());
    match bench.wiring {
        Wiring::Alone | Wiring::Streamed => {}
        Wiring::Pad(delay) => {
            let late = (delay.0 + bench.setup.look_ahead as i64) as f64 * 1000.0 / rate;
            text += &format!("Its click starts the song and is passed on {late:.1} ms later.\n");
        }
        two => {
            let witnesses = if two == Wiring::OneWitness { 1 } else { 2 };
            text += &(wrapped(blind_to(witnesses, two.passed()), "") + "\n");
            text += &format!("Blind window: {:.1} ms as simulated here", bench.blind_ms());
            if let Some(rig) = rig {
                text += &format!(", {:.1} ms at least on this rig", blind_window_ms(rig).0);
            }
            text += ".\n";
        }
    }
    text + COLUMNS
}

/// The heading of two real processes.
pub fn processes() -> String {
    format!("\nTWO REAL PROCESSES OF THIS PROGRAM, ONE OF THEM KILLED\n{COLUMNS}")
}

/// A verdict: its sentence, its figures, and what there is to say about them.
pub fn rows(verdict: &Verdict) -> String {
    let standing = match (&verdict.known_limit, verdict.passed) {
        (_, false) => "FELL SHORT",
        (Some(_), true) => "its limit",
        (None, true) => "held",
    };
    let dash = || "-".to_string();
    let noticed = verdict.detected_ms.map_or_else(dash, |ms| format!("{ms:.1} ms"));
    let mut text = format!(
        "{standing:<10} {}\n{noticed:>21} {:>7} {:>5} {:>5} {:>5} {:>5} {:>5} {:>5} {:>+6.1} {:>7.3}",
        verdict.what,
        verdict.first_hit.clone().unwrap_or_else(dash),
        verdict.missed,
        verdict.late,
        verdict.lost_with_device,
        verdict.clipped,
        verdict.flams,
        verdict.in_phase_doubles,
        verdict.level_step_db,
        verdict.largest_error_ms,
    );
    for sentence in verdict.known_limit.iter().chain(&verdict.fell_short) {
        text += &format!("\n{}", wrapped(sentence, "           "));
    }
    text
}

/// The end, for somebody who reads nothing else.
pub fn summary(verdicts: &[(String, Verdict)]) -> String {
    let count = |is: &dyn Fn(&Verdict) -> bool| verdicts.iter().filter(|(_, verdict)| is(verdict)).count();
    let limits = count(&|verdict| verdict.passed && verdict.known_limit.is_some());
    let short = count(&|verdict| !verdict.passed);
    let held = verdicts.len() - limits - short;
    let mut text = match (short, limits) {
        (0, 0) => format!("All {held} failures held."),
        (0, _) => format!("{held} failures held, {limits} met a limit of their wiring; none fell short."),
        _ => format!("{held} failures held, {limits} met a limit of their wiring, {short} FELL SHORT:"),
    };
    for (wiring, verdict) in verdicts.iter().filter(|(_, verdict)| !verdict.passed) {
        text += &format!("\n{}", wrapped(&format!("{}; {wiring}", verdict.what), "  "));
    }
    text
}

/// Lines of at most the width, each behind an indent.
pub fn wrapped(text: &str, indent: &str) -> String {
    let mut lines: Vec<String> = Vec::new();
    for word in text.split_whitespace() {
        match lines.last_mut() {
            Some(line) if line.chars().count() + 1 + word.chars().count() <= WIDTH => {
                line.push(' ');
                line.push_str(word);
            }
            _ => lines.push(format!("{indent}{word}")),
        }
    }
    lines.join("\n")
}
