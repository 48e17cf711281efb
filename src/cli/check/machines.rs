//! Who follows what: timecode, two machines, clicks that come in, and what this wiring cannot tell apart.

use super::set_list::signed;
use crate::exposure::CAUTION;
use crate::realtime::passed::SPLICE_SECONDS;
use crate::show::external::MARGIN_MS;
use crate::show::model::{
    EarLine, ExternalClick, InputKind, InterfaceChoice, MainLine, Rig, Role, Show, Wiring,
};
use crate::timecode::line::PATIENCE_SECONDS;
use crate::timecode::witness::READY_SECONDS;
use crate::view::machines::blind_to;

/// One sentence or two a line; nothing for a machine by itself that makes all of its clicks.
pub(super) fn lines(show: &Show, rig: &Rig) -> Vec<String> {
    let mut lines = Vec::new();
    lines.extend(timecode(rig));
    match &rig.main {
        Some(main) => lines.extend(backup(main, &rig.interface)),
        None if rig.machine == Role::Main => lines.push(returns(rig)),
        None => {}
    }
    lines.extend(rig.spare_loop.map(|(output, input)| {
        format!("Spare loop: output {output} to input {input}, for measuring; nobody may hear it.")
    }));
    lines.extend(rig.exposure.iter().map(ears));
    for (click, input) in
        show.clicks.iter().filter_map(|click| Some((click, show.inputs.get(click.external?)?)))
    {
        let channel = rig.inputs.iter().find(|(name, _)| *name == input.name).map(|(_, channel)| *channel);
        lines.push(external(show, &click.name, &input.name, channel, &input.external));
    }
    lines
}

fn ears(line: &EarLine) -> String {
    let feed = &line.feed;
    let level = line.calibration.map_or_else(
        || format!("Ears of {feed}: no calibration, so only dBFS will be said."),
        |known| {
            let (full, off) = (known.way.full_scale_db(), known.uncertainty_db);
            format!("Ears of {feed}: full scale is {full:.0} dB SPL ± {off:.0} dB ({}).", known.because())
        },
    );
    let least = match line.returns.is_empty() {
        true => " No return of the finished mix: every figure is \"at least\".",
        false => "",
    };
    format!("{level}{least} {CAUTION}")
}

fn timecode(rig: &Rig) -> Option<String> {
    let line = rig.timecode.as_ref()?;
    let frames = serde_json::to_value(line.frames).ok()?;
    Some(format!(
        "Timecode: {} frames, on output {} at {} dBFS; nobody may hear it.",
        frames.as_str()?,
        line.output,
        signed(line.level.0)
    ))
}

fn returns(rig: &Rig) -> String {
    match rig.return_line {
        Some(input) => format!(
            "Main: the backup's timecode comes back on input {input}. Started again within a night, this laptop stays \
             silent until the backup gives the click back, or a person says so."
        ),
        None => {
            "Main: no return line. Started again within a night, this laptop knows nothing of the backup and \
                 stays silent until a person says so."
                .into()
        }
    }
}

fn backup(main: &MainLine, interface: &InterfaceChoice) -> Vec<String> {
    let passes = main.wiring == Wiring::PassThrough;
    let click = match &main.click {
        Some((input, name)) if passes => format!(", passes its {name} on from input {input}, and fills in"),
        Some((input, name)) => {
            format!(", hears its {name} on input {input}, and is silent until it is needed")
        }
        None => ", and is silent until it is needed".into(),
    };
    let witnesses = 1 + usize::from(main.click.is_some());
    vec![
        format!("Backup: follows the main's timecode on input {}{click}.", main.timecode),
        blind_to(witnesses, passes).into(),
        match passes {
            true => filled(main.safety_delay_ms),
            false => window_text(interface),
        },
    ]
}

/// The blind window between two machines in milliseconds: the least that it can be on an interface, and the part that
/// is known without a measurement.
///
/// Source: the time until timecode is known to be bad, one block until that is acted on, and the round trip, which is
/// two blocks at least: one that fills and one that plays.
pub(crate) fn blind_window_ms(interface: &InterfaceChoice) -> (f64, f64) {
    let block = f64::from(interface.block) * 1000.0 / f64::from(interface.rate.hertz());
    let known = PATIENCE_SECONDS * 1000.0 + block;
    (known + 2.0 * block, known)
}

fn window_text(interface: &InterfaceChoice) -> String {
    let (least, known) = blind_window_ms(interface);
    format!(
        "Blind window: {known:.1} ms and the round trip, {least:.1} ms at least at blocks of {}: a hit due in it is late \
         or missed, one at most.",
        interface.block
    )
}

/// A hit that did not arrive is known of, twice a millisecond, and spliced in within this.
const FILL_MS: f64 = (READY_SECONDS + SPLICE_SECONDS) * 1000.0 + 0.5;

fn filled(delay_ms: f64) -> String {
    match delay_ms > FILL_MS {
        true => format!(
            "Blind window: none. What is passed on leaves {delay_ms} ms late, and a hit that fails is filled."
        ),
        false => format!(
            "Blind window: the first hit that fails is missed, as {delay_ms} ms of safety delay are too few to fill it; \
             more than {FILL_MS} ms lose none."
        ),
    }
}

fn external(show: &Show, click: &str, input: &str, channel: Option<u16>, how: &ExternalClick) -> String {
    let Some(channel) = channel else {
        return format!("{click}: from {input}, which is not patched in this rig: this laptop makes it.");
    };
    let delay = match how.safety_delay_ms {
        0.0 => "without a safety delay: the first hit that fails is missed".into(),
        delay => format!("{delay} ms late, so that a hit that fails is filled"),
    };
    let window = match (how.tolerance_ms, how.safety_delay_ms) {
        (Some(tolerance), _) => format!("{tolerance} ms"),
        (None, 0.0) => "6 ms, or 2.5% of its interval where that is more".into(),
        (None, delay) => {
            format!("6 ms, or 2.5% of its interval where that is more, {} ms at most", delay - MARGIN_MS)
        }
    };
    let stays = match how.safety_delay_ms {
        0.0 => "after it".into(),
        _ => format!("after {} in a row or {} of eight", show.latch.in_row, show.latch.of_eight),
    };
    let starts = if how.starts_song { "; it may start the chosen song" } else { "" };
    format!(
        "{click}: from {input} on input {channel}, passed on {delay}; an onset counts up to {window} late; {stays} this \
         laptop's own stays{starts}."
    )
}

/// What an input of the show is, where that is no microphone.
pub(super) fn click_of(show: &Show, input: usize) -> Option<&str> {
    show.inputs.get(input).filter(|input| input.kind == InputKind::Click)?;
    show.clicks.iter().find(|click| click.external == Some(input)).map(|click| click.name.as_str())
}
