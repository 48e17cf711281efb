//! A checked show as a set list: for a person, and as JSON.

use super::machines::click_of;
use crate::show::model::{
    FeedSource, Input, InputKind, Law, Outlet, Part, Rig, Section, Show, Sides, Song, SongKind, Talks,
};
use crate::show::music::{bar_beat_text, metre_text, note_text, subdivision_text, tempo_text};
use crate::show::slots;
use crate::tempo::length::{count_in_seconds, minutes, section_seconds, song_seconds};
use crate::timecode::{Address, FrameRate};
use crate::units::{Decibels, Whole};
use serde_json::{Value, json};
use std::fmt::Write;

/// What a check has looked at.
pub const SCOPE: &str = "file only, nothing sounded";

/// The whole show as text. `timecode`: with the slots of addresses that songs have.
pub fn text(show: &Show, rig: &Rig, timecode: bool) -> String {
    let mut out = String::new();
    let seconds: f64 = show.songs.iter().map(song_seconds).sum();
    let songs = if show.songs.len() == 1 { "1 song".into() } else { format!("{} songs", show.songs.len()) };
    line(&mut out, 0, &format!("{}: {songs}, {} of click ({SCOPE})", show.title, minutes(seconds)));
    line(&mut out, 0, "");
    feeds(&mut out, show, rig);
    let mut below = false;
    for (index, song) in show.songs.iter().enumerate() {
        if song.encore && !below {
            line(&mut out, 0, &format!("\n{}", "\u{2500}".repeat(12)));
        }
        below |= song.encore;
        let before = index.checked_sub(1).and_then(|before| show.songs.get(before));
        song_text(&mut out, show, song, index + 1, before.is_some_and(|before| before.segue));
        if timecode && !song.sections.is_empty() {
            line(&mut out, 7, &slot_text(show, rig, song));
        }
    }
    out
}

fn line(out: &mut String, indent: usize, text: &str) {
    out.push_str(&" ".repeat(indent));
    out.push_str(text.trim_end());
    out.push('\n');
}

fn feeds(out: &mut String, show: &Show, rig: &Rig) {
    line(out, 0, &format!("Who hears what ({})", rig.title));
    let names = show.feeds.iter().map(|feed| &feed.name).chain(show.inputs.iter().map(|input| &input.name));
    let width = names.map(|name| name.chars().count()).max().unwrap_or(0);
    for feed in &show.feeds {
        let parts: Vec<_> = feed.parts.iter().map(|part| part_text(show, part)).collect();
        let hears = if parts.is_empty() { "nothing".into() } else { parts.join(", ") };
        let of = match (feed.mono_pack, feed.loudspeaker) {
            (true, _) => "; mono pack: left the mix, right the click",
            (_, true) => "; a loudspeaker",
            _ => "",
        };
        line(out, 2, &format!("{:width$}  {}  {hears}{of}", feed.name, channels_text(rig, &feed.name)));
    }
    for (index, input) in show.inputs.iter().enumerate() {
        let patched = |inputs: &[(String, u16)]| {
            inputs.iter().find(|(name, _)| *name == input.name).map(|(_, channel)| format!("input {channel}"))
        };
        let second = rig.second.as_ref().and_then(|second| patched(&second.inputs));
        let place = patched(&rig.inputs)
            .or(second.map(|place| format!("{place} of the second interface")))
            .unwrap_or("not patched in this rig".into());
        let click = click_of(show, index).map_or(String::new(), |click| format!(": the {click} click"));
        let what =
            if input.kind == InputKind::Click { String::new() } else { format!("  {}", input_text(input)) };
        line(out, 2, &format!("{:width$}  {place}{click}{what}", input.name));
    }
    for fold in &rig.folds {
        line(out, 2, &format!("with fewer outputs: {}", fold_text(fold)));
    }
    let unheard = unheard(show);
    if !unheard.is_empty() {
        line(out, 2, &format!("nobody hears: {}", unheard.join(", ")));
    }
}

/// "room: −12 dB in songs, 0 dB between, from 150 Hz, 3.5 ms later".
fn input_text(input: &Input) -> String {
    let db = |level: Decibels| format!("{} dB", signed(level.0));
    let mut parts = Vec::new();
    match (input.kind, input.talks) {
        (InputKind::Talkback, Talks::ByKey) => parts.push(format!("by key, the rest {}", db(input.dims))),
        (InputKind::Talkback, Talks::ByVoice) => {
            parts.push(format!("by voice between songs, the rest {}", db(input.dims)))
        }
        (InputKind::Talkback, Talks::Always) => parts.push("always".into()),
        _ => parts.push(format!("{} in songs, {} between", db(input.in_song), db(input.between))),
    }
    if input.trim.0 != 0.0 {
        parts.push(format!("trim {}", db(input.trim)));
    }
    if input.high_pass_hertz > 0.0 {
        let steep = if input.steep { " (24 dB an octave)" } else { "" };
        parts.push(format!("from {} Hz{steep}", signed(input.high_pass_hertz)));
    }
    if input.low_pass_hertz > 0.0 {
        parts.push(format!("up to {} Hz", signed(input.low_pass_hertz)));
    }
    if input.inverted {
        parts.push("inverted".into());
    }
    if input.delay_ms > 0.0 {
        parts.push(format!("{} ms later", signed(input.delay_ms)));
    }
    if let Some(compress) = input.compress {
        parts.push(format!("{}:1 above {} dBFS", signed(compress.ratio), signed(compress.above.0)));
    }
    if let Some(gate) = input.gate {
        parts.push(format!("gate at {} dBFS", signed(gate.0)));
    }
    let kind = if input.kind == InputKind::Talkback { "talkback" } else { "room" };
    format!("{kind}: {}", parts.join(", "))
}

/// Clicks and microphones that no feed has.
fn unheard(show: &Show) -> Vec<&str> {
    let heard = |source: FeedSource| {
        show.feeds.iter().any(|feed| feed.parts.iter().any(|part| part.source == source))
    };
    let clicks = show.clicks.iter().enumerate().filter(|(index, _)| !heard(FeedSource::Click(*index)));
    let inputs = show.inputs.iter().enumerate();
    let inputs = inputs.filter(|(at, _)| !heard(FeedSource::Input(*at)) && click_of(show, *at).is_none());
    clicks.map(|(_, click)| click.name.as_str()).chain(inputs.map(|(_, input)| input.name.as_str())).collect()
}

/// "1 drums, 2 band + keys".
pub(crate) fn fold_text(fold: &[Outlet]) -> String {
    let outlet = |outlet: &Outlet| {
        let channels: Vec<_> = outlet.channels.iter().map(u16::to_string).collect();
        format!("{} {}", channels.join("+"), outlet.feeds.join(" + "))
    };
    fold.iter().map(outlet).collect::<Vec<_>>().join(", ")
}

fn part_text(show: &Show, part: &crate::show::model::FeedPart) -> String {
    let pan = match part.pan {
        0.0 => String::new(),
        pan => format!(", pan {}", signed(pan)),
    };
    let turned = match part.inverted {
        Sides::None => "",
        Sides::Left => ", left inverted",
        Sides::Right => ", right inverted",
        Sides::Both => ", inverted",
    };
    let howl = if part.may_howl { ", may howl" } else { "" };
    format!("{} ({} dB{pan}{turned}{howl})", source_name(show, part.source), signed(part.level.0))
}

fn source_name(show: &Show, source: FeedSource) -> String {
    let click = |index: usize| show.clicks.get(index).map_or("", |click| click.name.as_str());
    match source {
        FeedSource::Click(index) => click(index).into(),
        FeedSource::Fallback(index) => format!("{} fallback", click(index)),
        FeedSource::Input(index) => show.inputs.get(index).map_or(String::new(), |input| input.name.clone()),
    }
}

/// A number with a real minus sign, at most one decimal.
pub(super) fn signed(number: f64) -> String {
    let size = (number.abs() * 100.0).round() / 100.0;
    if number < 0.0 { format!("\u{2212}{size}") } else { format!("{size}") }
}

fn channels(rig: &Rig, feed: &str) -> Vec<u16> {
    let outlet = |outlet: &&Outlet| outlet.feeds.iter().any(|name| name == feed);
    rig.outputs.iter().find(outlet).map_or_else(Vec::new, |outlet| outlet.channels.clone())
}

fn channels_text(rig: &Rig, feed: &str) -> String {
    match channels(rig, feed).as_slice() {
        [] => "no output".into(),
        list => format!("out {}", list.iter().map(u16::to_string).collect::<Vec<_>>().join("+")),
    }
}

/// "timecode from 01:00:00:00, room for 01:00:00". Without a rig as 25 frames a second count.
fn slot_text(show: &Show, rig: &Rig, song: &Song) -> String {
    let (base, room) = slots::slot_of(show, song);
    let frames = rig.timecode.map_or(FrameRate::Tv25, |line| line.frames);
    let from = Address::of_seconds(frames, base).shown(frames);
    format!("timecode from {from}, room for {}", slots::shown(room))
}

fn song_text(out: &mut String, show: &Show, song: &Song, number: usize, run_into: bool) {
    let length = if song.sections.is_empty() {
        String::new()
    } else {
        format!("  {}{}", minutes(song_seconds(song)), open_end(song))
    };
    let kind = match song.kind {
        SongKind::Click => "",
        SongKind::NoClick => "  no click",
        SongKind::Talk => "  talk",
    };
    let note = if song.note.is_empty() { String::new() } else { format!("  ({})", song.note) };
    line(out, 0, &format!("\n{number:>3}  {}{length}{kind}{note}", song.title));
    if let (Some(count_in), Some(first)) = (&song.count_in, song.sections.first()) {
        let seconds = count_in_seconds(count_in, first);
        let skipped = if run_into { " (not when the song before runs into this one)" } else { "" };
        let bars = bars(count_in.bars.len());
        line(out, 7, &format!("count-in {bars}, {seconds:.1} s{}{skipped}", voices(count_in)));
    } else if !song.sections.is_empty() {
        line(out, 7, "no count-in");
    }
    if song.pickup > Whole::from_integer(0) {
        line(out, 7, &format!("pickup {}", note_text(song.pickup)));
    }
    for section in &song.sections {
        section_text(out, section, song.sections.len() == 1);
    }
    for (index, click) in show.clicks.iter().enumerate().filter(|_| !song.sections.is_empty()) {
        line(out, 7, &format!("{}: {}", click.name, click_text(show, song, index)));
    }
    if song.segue {
        line(out, 7, "runs into the next song");
    }
}

/// Vamps and holds make a song longer than the figure says.
fn open_end(song: &Song) -> &'static str {
    if song.sections.iter().any(|section| section.vamp || section.hold) { "+" } else { "" }
}

fn voices(count_in: &crate::show::model::CountIn) -> &'static str {
    if count_in.voice.is_some() { ", spoken" } else { "" }
}

fn bars(count: usize) -> String {
    if count == 1 { "1 bar".into() } else { format!("{count} bars") }
}

fn section_text(out: &mut String, section: &Section, only: bool) {
    let mut text = if only {
        bars(section.bars.len())
    } else {
        format!("{}: {}", section.name, bars(section.bars.len()))
    };
    if section.repeats > 1 {
        let _ = write!(text, " \u{d7} {}", section.repeats);
    }
    let metre = section.bars.first().map_or(String::new(), metre_text);
    let _ = write!(text, ", {metre}, {}", tempo_text(&section.tempo));
    for (bar, metre) in metre_changes(section) {
        let _ = write!(text, ", {metre} from bar {bar}");
    }
    for step in &section.moves {
        let _ = write!(text, ", {}", move_text(section, step));
    }
    if let Some(level) = section.ambient {
        let _ = write!(text, ", room {} dB", signed(level.0));
    }
    text += if section.vamp { ", vamp until released" } else { "" };
    text += if section.hold { ", then hold" } else { "" };
    line(out, 7, &text);
}

fn metre_changes(section: &Section) -> Vec<(usize, String)> {
    let pairs = section.bars.iter().zip(section.bars.iter().skip(1)).zip(2..);
    let changes = pairs.filter(|((before, after), _)| before != after);
    changes.map(|((_, after), bar)| (bar, metre_text(after))).collect()
}

fn law_text(law: Law) -> &'static str {
    match law {
        Law::LinearInBeats => "linear in beats",
        Law::LinearInTime => "linear in time",
        Law::ExponentialInBeats => "exponential in beats",
    }
}

fn move_text(section: &Section, step: &crate::show::model::TempoMove) -> String {
    let from = place(section, step.from);
    if step.over == Whole::from_integer(0) {
        return format!("{} at {from}", tempo_text(&step.to));
    }
    let end = place(section, step.from + step.over);
    format!("from {from} to {end} moving to {} ({})", tempo_text(&step.to), law_text(step.law))
}

/// A place of a section as bar and beat; its end when it is the end.
fn place(section: &Section, at: Whole) -> String {
    let mut start = Whole::from_integer(0);
    for (bar, metre) in section.bars.iter().enumerate() {
        if let Some(beat) = metre.beat_starts().iter().rposition(|beat| start + beat <= at)
            && beat < metre.groups.len()
        {
            return format!("{}.{}", bar + 1, beat + 1);
        }
        start += metre.length();
    }
    "the end".into()
}

/// How a click sounds through a song: sections of one way together.
fn click_text(show: &Show, song: &Song, click: usize) -> String {
    let mut ways: Vec<(String, Vec<&str>)> = Vec::new();
    for section in &song.sections {
        let way = section.parts.get(click).map_or(String::new(), |part| way_text(show, part));
        match ways.iter_mut().find(|(other, _)| *other == way) {
            Some((_, names)) => names.push(&section.name),
            None => ways.push((way, vec![&section.name])),
        }
    }
    let mut text = match ways.as_slice() {
        [(way, _)] => way.clone(),
        ways => ways
            .iter()
            .map(|(way, names)| format!("{way} in {}", names.join(", ")))
            .collect::<Vec<_>>()
            .join("; "),
    };
    let range = song.click_ranges.get(click).copied().unwrap_or_default();
    if let Some(from) = range.from {
        let _ = write!(text, "; from {}", bar_beat_text(from));
    }
    if let Some(until) = range.until {
        let _ = write!(text, "; last hit at {}", bar_beat_text(until));
    }
    if let Some(stream) = song.streams.get(click).and_then(Option::as_ref) {
        let name = stream.file.file_name().map_or(String::new(), |name| name.to_string_lossy().into_owned());
        let _ = write!(text, "; streamed from {name}");
    }
    text
}

fn way_text(show: &Show, part: &Part) -> String {
    if !part.sounds {
        return "rests".into();
    }
    let sound = show.sounds.get(part.sound).map_or("", |sound| sound.name.as_str());
    let mut text = format!("{}, {sound}", subdivision_text(part.primary.subdivision));
    if let Some(own) = &part.primary.own_metre {
        let _ = write!(text, ", in {}", metre_text(own));
    }
    if part.level != Decibels(0.0) {
        let _ = write!(text, ", {} dB", signed(part.level.0));
    }
    if let Some(swing) = part.primary.swing {
        let percent = 100.0 * *swing.ratio.numer() as f64 / *swing.ratio.denom() as f64;
        let _ = write!(text, ", swing {}%", signed(percent));
    }
    if let Some(fade) = part.fade {
        let _ = write!(text, ", fading {} to {} dB", signed(fade.start.0), signed(fade.end.0));
    }
    if part.fallback.subdivision != part.primary.subdivision {
        let _ = write!(text, " (fallback {})", subdivision_text(part.fallback.subdivision));
    }
    text
}

/// Clicks as JSON.
pub fn clicks_json(show: &Show) -> Value {
    let click = |click: &crate::show::model::Click| {
        let input = click.external.and_then(|input| show.inputs.get(input)).map(|input| &input.name);
        json!({ "name": click.name, "player": click.player, "separate_fallback": click.separate_fallback, "input": input })
    };
    show.clicks.iter().map(click).collect()
}

/// Feeds as JSON: what each hears, and on which channels.
pub fn feeds_json(show: &Show, rig: &Rig) -> Value {
    let part = |part: &crate::show::model::FeedPart| json!({ "source": source_name(show, part.source), "level_db": part.level.0, "pan": part.pan, "inverted": format!("{:?}", part.inverted).to_lowercase(), "may_howl": part.may_howl });
    let feed = |feed: &crate::show::model::Feed| {
        let hears: Vec<_> = feed.parts.iter().map(part).collect();
        json!({ "name": feed.name, "stereo": feed.stereo, "pack": if feed.mono_pack { "mono" } else { "stereo" }, "to": if feed.loudspeaker { "loudspeaker" } else { "ears" }, "hears": hears, "channels": channels(rig, &feed.name) })
    };
    show.feeds.iter().map(feed).collect()
}

/// Microphones, talkbacks and clicks that come in as JSON, each also in words.
pub fn inputs_json(show: &Show, rig: &Rig) -> Value {
    let channel =
        |input: &Input| rig.inputs.iter().find(|(name, _)| *name == input.name).map(|(_, channel)| *channel);
    let input = |input: &Input| {
        let words = (input.kind != InputKind::Click).then(|| input_text(input));
        json!({ "name": input.name, "kind": format!("{:?}", input.kind).to_lowercase(), "words": words, "channel": channel(input) })
    };
    show.inputs.iter().map(input).collect()
}

/// Songs as JSON, in set order.
pub fn songs_json(show: &Show) -> Vec<Value> {
    show.songs.iter().enumerate().map(|(index, song)| song_json(show, song, index + 1)).collect()
}

fn song_json(show: &Show, song: &Song, number: usize) -> Value {
    let clicks = show.clicks.iter().enumerate().filter(|_| !song.sections.is_empty());
    let clicks: serde_json::Map<String, Value> =
        clicks.map(|(index, click)| (click.name.clone(), json!(click_text(show, song, index)))).collect();
    let (base, room) = slots::slot_of(show, song);
    json!({
        "number": number,
        "title": song.title,
        "note": song.note,
        "kind": song.kind,
        "encore": song.encore,
        "segue": song.segue,
        "line": song.line,
        "seconds": song_seconds(song),
        "timecode": { "from": slots::shown(base), "from_seconds": base, "room_seconds": room },
        "count_in_bars": song.count_in.as_ref().map_or(0, |count_in| count_in.bars.len()),
        "pickup": song.pickup.to_string(),
        "sections": song.sections.iter().map(section_json).collect::<Vec<_>>(),
        "clicks": clicks,
    })
}

fn section_json(section: &Section) -> Value {
    let moves: Vec<_> = section.moves.iter().map(|step| json!(move_text(section, step))).collect();
    json!({
        "name": section.name,
        "bars": section.bars.len(),
        "repeats": section.repeats,
        "vamp": section.vamp,
        "hold": section.hold,
        "ambient_db": section.ambient.map(|level| level.0),
        "metre": section.bars.first().map(metre_text),
        "tempo": tempo_text(&section.tempo),
        "tempo_moves": moves,
        "seconds_a_pass": section_seconds(section),
    })
}
