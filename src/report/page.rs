//! The report as one page that needs nothing but itself: no script, no font, no picture from elsewhere.

use super::kept::Kept;
use super::night::{Night, Nights};
use super::plots::{self, NARROW, WIDE, mark_alone};
use super::run::{Played, Run, clock};
use super::words::{capital, count, thousands, time};
use crate::exposure::words::{CAUTION, account};
use crate::realtime::event::RideWhy;
use maud::{DOCTYPE, Markup, PreEscaped, html};

/// A reader asks for nothing else, whatever a log holds.
const NOTHING_ELSE: &str = "default-src 'none'; style-src 'unsafe-inline'; img-src data:";
/// Songs that get a strip of bars of their own.
const MOST_STRIPS: usize = 12;

/// The page, the latest night first.
pub fn page(nights: &Nights) -> String {
    let title = title(nights);
    let markup = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta http-equiv="Content-Security-Policy" content=(NOTHING_ELSE);
                link rel="icon" href="data:,";
                title { (title) }
                style { (PreEscaped(include_str!("page.css"))) }
            }
            body { main { (body(nights)) } }
        }
    };
    markup.into_string()
}

fn title(nights: &Nights) -> String {
    let last = nights.nights.last();
    let show = last.and_then(show).unwrap_or_else(|| "Before doors".into());
    match (nights.nights.len(), last) {
        (0 | 1, Some(night)) => format!("{show}, {}", night.date),
        (many, Some(night)) => format!("{show}, {many} nights to {}", night.date),
        _ => "Nothing to report".into(),
    }
}

/// The title, its date never broken in two.
fn heading(nights: &Nights) -> Markup {
    let title = title(nights);
    match title.rsplit_once(' ') {
        Some((words, date)) => html! { (words) " " span { (date) } },
        None => html! { (title) },
    }
}

fn show(night: &Night) -> Option<String> {
    let drilled = || night.kept.iter().find_map(|kept| kept.result.get("show")?.as_str().map(str::to_owned));
    night.runs.iter().map(|run| run.show.clone()).find(|show| !show.is_empty()).or_else(drilled)
}

fn body(nights: &Nights) -> Markup {
    html! {
        header {
            h1 { (heading(nights)) }
            @let played = nights.nights.iter().any(|night| !night.runs.is_empty());
            p { "Fogbell: " (if played { "how the night went" } else { "what was found before doors" }) }
        }
        @if let Some(last) = nights.nights.last() { (six(last)) } @else { p { "There is nothing to report." } }
        @if !nights.worse.is_empty() {
            div.worse {
                b { "Getting worse" }
                ul { @for worse in &nights.worse { li { (worse) } } }
            }
        } @else if !nights.compared.is_empty() {
            p.worse { b { "Nothing is getting worse" } " from night to night." }
        }
        @for (index, night) in nights.nights.iter().rev().enumerate() { (of_night(night, index == 0)) }
        @if !nights.compared.is_empty() { (side_by_side(nights)) }
        @if !nights.left_out.is_empty() {
            h2 { "Left out" }
            ul { @for left in &nights.left_out { @for what in &left.what { li { b { (left.file) } ": " (what) } } } }
        }
    }
}

fn six(night: &Night) -> Markup {
    html! { dl.six { @for (name, line) in night.first() { dt { (name) } dd { (line) } } } }
}

fn of_night(night: &Night, first: bool) -> Markup {
    html! {
        @if !first {
            h2 { (night.date) @if let Some(show) = show(night) { ": " (show) } }
            (six(night))
        }
        @if !night.mends.is_empty() {
            h2 { "Mend before tomorrow" }
            ol.mend { @for mend in &night.mends { li { b { (capital(&mend.what)) } (mend.how) } } }
        }
        @for run in &night.runs { (of_run(run)) }
        @if !night.kept.is_empty() {
            h2 { @if night.runs.is_empty() { "What was found" } @else { "Before doors, " (night.date) } }
            @for kept in &night.kept { (of_kept(kept)) }
        }
        h2 { "Hearing" }
        p.caution { (night.summary.ears) }
        @for figures in night.runs.iter().flat_map(|run| &run.exposure) {
            p { @for line in account(figures) { (line.trim()) br; } }
        }
    }
}

fn figure(caption: &str, draw: impl Fn(u32) -> String) -> Markup {
    html! {
        figure {
            div.wide role="img" aria-label=(caption) { (PreEscaped(draw(WIDE))) }
            div.narrow role="img" aria-label=(caption) { (PreEscaped(draw(NARROW))) }
            figcaption { (caption) }
        }
    }
}

fn of_run(run: &Run) -> Markup {
    let end = run.end.as_deref().unwrap_or("in the middle: the log has no end");
    html! {
        h2 {
            "The run of " (clock(&run.began))
            @if let Some(machine) = run.machine { ", the " (machine) }
        }
        p {
            "It lasted " (time(run.seconds)) " and ended: " (end) "."
            span.under { (run.device) ", " (run.rate) " Hz, blocks of " (run.block) "; " (run.program) "; " (run.file) }
        }
        (figure("Songs, and what happened when: minutes since the run began", |width| plots::timeline(run, width)))
        (songs(run))
        (happened(run))
        (external(run))
        @if let Some(load) = &run.load {
            h3 { "How long callbacks took" }
            p {
                (thousands(load.callbacks)) " callbacks: half of them took at most " (format!("{:.2}", load.median_percent))
                " % of their time, one in a hundred more than " (format!("{:.1}", load.p99_percent)) " %, the longest "
                (format!("{:.1}", load.largest_percent)) " %."
            }
            (figure("Callbacks by the part of their time that they took; a line up is ten times as many",
                |width| plots::load(load, width)))
        }
        @if !run.levels.is_empty() { (levels(run)) }
        @if !run.room.inputs.is_empty() { (room(run)) }
    }
}

fn room(run: &Run) -> Markup {
    html! {
        h3 { "How the room rode" }
        @for (alike, words) in run.room.alike().iter().zip(run.room.words()) {
            @if let Some(ridden) = alike.first() {
                p { (capital(&words)) }
                (figure("Level in dB: drawn out what it was, dashed what the show file asks; grey where music plays",
                    |width| plots::room::ride(run, ridden, width)))
                @if ridden.moves.iter().any(|one| one.why != RideWhy::Load) {
                    (figure("The same from near, where it moved first",
                        |width| plots::room::moves(run, ridden, width)))
                }
            }
        }
        @if run.room.more_moves > 0 { p { (thousands(run.room.more_moves)) " more moves are not drawn." } }
    }
}

fn external(run: &Run) -> Markup {
    html! {
        @if !run.external.is_empty() {
            h3 { "The click from outside, beside the grid" }
            table {
                thead {
                    tr { th { "song" } th { "click" } th.n { "hits" } th.n { "late on average" } th.n { "spread" } th.n { "runs fast by" } }
                }
                tbody {
                    @for one in &run.external {
                        tr {
                            td data-h="song" { (one.song) }
                            td data-h="click" { (one.name) }
                            td.n data-h="hits" { (thousands(one.hits.into())) }
                            td.n data-h="late on average" { (format!("{:+.2} ms", one.mean_ms)) }
                            td.n data-h="spread" { (format!("{:.2} ms", one.spread_ms)) }
                            td.n data-h="runs fast by" { (format!("{:+.0} ppm", one.drift_ppm)) }
                        }
                    }
                }
            }
        }
    }
}

fn levels(run: &Run) -> Markup {
    html! {
        h3 { "Levels" }
        p {
            @match run.loudest_db.filter(|db| *db > -199.0) {
                Some(db) => { "The loudest sample that left was " (format!("{db:.1}")) " dBFS. " }
                None => { "Nothing but silence left. " }
            }
            @match run.limited_seconds {
                0 => { "No limiter took more than 1 dB away." }
                seconds => {
                    "A limiter took more than 1 dB away in " (thousands(seconds)) " s, "
                    (format!("{:.1}", -run.deepest_limiter_db)) " dB at most."
                }
            }
        }
        (figure("Loudest sample in dBFS (line), and what limiters took away (black, from above); grey where music plays",
            |width| plots::levels(run, width)))
    }
}

fn songs(run: &Run) -> Markup {
    let strips = run.songs.iter().filter(|song| song.faults > 0 || heard(run, song));
    html! {
        @if !run.songs.is_empty() {
            h3 { "Songs against plan" }
            table.songs {
                thead { tr { th { "begun" } th { "song" } th.n { "played" } th.n { "planned" } th.n { "difference" } th { "" } } }
                tbody { @for song in &run.songs { (song_row(song)) } }
            }
        }
        @if !run.not_played.is_empty() { p { "Not played: " (run.not_played.join(", ")) "." } }
        @for song in strips.take(MOST_STRIPS) {
            h3 { (song.title) ", bar by bar" }
            (figure("Sections and bars, with what happened there", |width| plots::song_strip(run, song, width)))
        }
    }
}

/// Something that the listener heard only after the song.
fn heard(run: &Run, song: &Played) -> bool {
    run.events.iter().any(|event| {
        event.kind.is_fault()
            && event.place.as_ref().is_some_and(|place| place.song == song.title)
            && plots::within(song, event.seconds)
    })
}

fn song_row(song: &Played) -> Markup {
    let difference = song.planned_seconds.map(|plan| format!("{:+.0} s", song.seconds() - plan));
    let mut remarks = Vec::new();
    if !song.ended {
        remarks.push("not to its end".to_string());
    }
    if song.faults > 0 {
        remarks.push(count(song.faults, "fault", "faults"));
    }
    html! {
        tr {
            td data-h="begun" { (song.clock) }
            td data-h="song" { (song.title) }
            td.n data-h="played" { (time(song.seconds())) }
            td.n data-h="planned" { (song.planned_seconds.map_or("-".into(), time)) }
            td.n data-h="difference" { (difference.unwrap_or_else(|| "-".into())) }
            td data-h="" { (remarks.join(", ")) }
        }
    }
}

fn happened(run: &Run) -> Markup {
    let told = run.events.iter();
    html! {
        h3 { "What happened" }
        @if run.events.is_empty() { p { "Nothing out of the ordinary." } }
        ul.events {
            @for event in told {
                li {
                    time { (event.clock) }
                    span { (PreEscaped(mark_alone(event.kind))) }
                    span { (event.words) @if !event.detail.is_empty() { span.under { (event.detail) } } }
                }
            }
        }
        @if run.more_events > 0 {
            p { (thousands(run.more_events)) " more are counted above and not told one by one." }
        }
    }
}

fn of_kept(kept: &Kept) -> Markup {
    let shown = &kept.shown;
    html! {
        h3 { (shown.title) " " small { (clock(&kept.time)) } }
        @if !shown.sentence.is_empty() { p { b { (shown.sentence) } } }
        @if !shown.rows.is_empty() {
            @let shape = if shown.head.len() == 2 { "pairs" } else { "flow" };
            table class=(shape) {
                thead { tr { @for head in &shown.head { th { (head) } } } }
                tbody {
                    @for row in &shown.rows {
                        tr { @for (cell, head) in row.iter().zip(&shown.head) { td data-h=(head) { (cell) } } }
                    }
                }
            }
        }
    }
}

fn side_by_side(nights: &Nights) -> Markup {
    html! {
        h2 { "Nights side by side" }
        table {
            thead {
                tr {
                    th { "" }
                    @for night in &nights.nights { th.n { (night.date) } }
                    th { "" } th { "" }
                }
            }
            tbody {
                @for row in &nights.compared {
                    tr {
                        td data-h="" { b { (capital(row.name)) } }
                        @for (night, value) in nights.nights.iter().zip(&row.values) {
                            td.n data-h=(night.date) { (row.shown(*value)) }
                        }
                        td data-h="" { (PreEscaped(plots::spark(&row.values))) }
                        td data-h="" { (row.trend.word()) }
                    }
                }
            }
        }
        p { small { "The last night against the median of those before it. " (CAUTION) } }
    }
}
