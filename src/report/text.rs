//! The same report as plain text.

use super::night::{Night, Nights};
use super::run::{Kind, Run};
use super::words::{capital, count, thousands, time};
use crate::exposure::words::{CAUTION, account};
use std::fmt::Write;

/// Events that are told in text for one run; the page and the JSON have more.
const MOST: usize = 60;

/// Everything, the latest night first. Lines are as long as their sentences.
pub fn text(nights: &Nights) -> String {
    let mut out = String::new();
    // Writing to a String cannot fail.
    if nights.nights.is_empty() {
        let _ = writeln!(out, "There is nothing to report.");
    }
    for night in nights.nights.iter().rev() {
        of_night(&mut out, night);
    }
    if !nights.compared.is_empty() {
        side_by_side(&mut out, nights);
    }
    if !nights.left_out.is_empty() {
        let _ = writeln!(out, "LEFT OUT");
        for left in &nights.left_out {
            for what in &left.what {
                let _ = writeln!(out, "  {}: {what}", left.file);
            }
        }
    }
    out
}

fn of_night(out: &mut String, night: &Night) {
    let shows: Vec<&str> =
        night.runs.iter().map(|run| run.show.as_str()).filter(|show| !show.is_empty()).collect();
    let show = shows.first().map_or(String::new(), |show| format!("  {show}"));
    let _ = writeln!(out, "{}{show}\n", night.date);
    for (name, line) in night.first() {
        let _ = writeln!(out, "  {name:<11} {line}");
    }
    if !night.mends.is_empty() {
        let _ = writeln!(out, "\nMEND BEFORE TOMORROW");
        for (number, mend) in (1..).zip(&night.mends) {
            let _ = writeln!(out, "  {number}. {}\n     {}", capital(&mend.what), mend.how);
        }
    }
    night.runs.iter().for_each(|run| of_run(out, run));
    for kept in &night.kept {
        let shown = &kept.shown;
        let _ = writeln!(out, "\n{}  {}", shown.title.to_uppercase(), super::run::clock(&kept.time));
        if !shown.sentence.is_empty() {
            let _ = writeln!(out, "  {}", shown.sentence);
        }
        for row in &shown.rows {
            let cells: Vec<&str> =
                row.iter().map(|cell| cell.trim()).filter(|cell| !cell.is_empty()).collect();
            let _ = writeln!(out, "  {}", cells.join("  |  "));
        }
    }
    let _ = writeln!(out, "\nHEARING\n  {}", night.summary.ears);
    for line in night.runs.iter().flat_map(|run| &run.exposure).flat_map(account) {
        let _ = writeln!(out, "  {line}");
    }
    let _ = writeln!(out);
}

fn of_run(out: &mut String, run: &Run) {
    let machine = run.machine.map_or(String::new(), |machine| format!(", the {machine}"));
    let _ = writeln!(out, "\nRUN OF {}{machine}  ({})", super::run::clock(&run.began), run.file);
    let _ = writeln!(out, "  {}, {} Hz, blocks of {}; {}", run.device, run.rate, run.block, run.program);
    let end = run.end.as_deref().unwrap_or("in the middle: the log has no end");
    let _ = writeln!(out, "  It lasted {} and ended: {end}.", time(run.seconds));
    for song in &run.songs {
        let plan = song.planned_seconds.map_or("no plan".into(), |plan| {
            format!("planned {}, {:+.0} s", time(plan), song.seconds() - plan)
        });
        let ended = if song.ended { "" } else { ", not played to its end" };
        let faults = if song.faults > 0 {
            format!(", {}", count(song.faults, "fault", "faults"))
        } else {
            String::new()
        };
        let _ = writeln!(
            out,
            "  {}  {:<30} {} ({plan}{ended}{faults})",
            song.clock,
            song.title,
            time(song.seconds())
        );
    }
    if !run.not_played.is_empty() {
        let _ = writeln!(out, "  Not played: {}", run.not_played.join(", "));
    }
    let counts: Vec<String> = Kind::ALL
        .iter()
        .filter(|kind| run.count(**kind) > 0)
        .map(|kind| format!("{} {}", super::plots::name(*kind), thousands(run.count(*kind))))
        .collect();
    let _ =
        writeln!(out, "  Counted: {}", if counts.is_empty() { "nothing".into() } else { counts.join(", ") });
    for event in run.events.iter().take(MOST) {
        let _ = writeln!(out, "  {}  {}", event.clock, event.words);
        if !event.detail.is_empty() {
            let _ = writeln!(out, "            {}", event.detail);
        }
    }
    let more = run.events.len().saturating_sub(MOST) as u64 + run.more_events;
    if more > 0 {
        let _ = writeln!(out, "  {} more are counted and not told here.", thousands(more));
    }
    for one in &run.external {
        let _ = writeln!(
            out,
            "  From outside, {} ({}): {} hits, late by {:+.2} ms on average, spread {:.2} ms, {:+.0} ppm fast",
            one.song, one.name, one.hits, one.mean_ms, one.spread_ms, one.drift_ppm
        );
    }
    if let Some(load) = &run.load {
        let _ = writeln!(
            out,
            "  Callbacks: {}; median {:.2} % of their time, one in a hundred {:.1} %, the longest {:.1} %",
            thousands(load.callbacks),
            load.median_percent,
            load.p99_percent,
            load.largest_percent
        );
    }
    if let Some(loudest) = run.loudest_db.filter(|loudest| *loudest > -199.0) {
        let _ = writeln!(
            out,
            "  Loudest sample {loudest:.1} dBFS; limiters worked for {} s, by {:.1} dB at most",
            run.limited_seconds,
            run.deepest_limiter_db.abs()
        );
    }
    for words in run.room.words() {
        let _ = writeln!(out, "  Room: {words}");
    }
}

fn side_by_side(out: &mut String, nights: &Nights) {
    let dates: Vec<&str> = nights.nights.iter().map(|night| night.date.as_str()).collect();
    let _ = writeln!(
        out,
        "NIGHTS SIDE BY SIDE\n  {:<34} {}",
        "",
        dates.iter().map(|date| format!("{date:>14}")).collect::<String>()
    );
    for row in &nights.compared {
        let values: String = row.values.iter().map(|value| format!("{:>14}", row.shown(*value))).collect();
        let _ = writeln!(out, "  {:<34} {values}  {}", row.name, row.trend.word());
    }
    let _ = match nights.worse.as_slice() {
        [] => writeln!(out, "  Nothing is getting worse.\n"),
        worse => writeln!(out, "  GETTING WORSE\n  - {}\n", worse.join("\n  - ")),
    };
    let _ = writeln!(out, "  {CAUTION}");
}
