//! What stands on the screen: one channel, its number large, one question, the keys. 80 columns, readable at arm's
//! length.

use crate::linecheck::conduct::View;
use crate::linecheck::pattern;
use crate::linecheck::plan::{Item, Output, Plan};
use crate::linecheck::walk::Phase;
use crate::view::glyphs;
use crossterm::{cursor, queue, style, terminal};
use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::style::Style;
use std::io::{Write, stderr};

const WIDTH: usize = 80;
/// Height of the large number, and of large words.
const NUMBER_ROWS: u16 = 7;

/// A terminal of its own on standard error, or lines where there is none.
pub struct Screen {
    terminal: bool,
    shown: Vec<String>,
    size: (u16, u16),
}

impl Screen {
    pub fn open(terminal: bool) -> Screen {
        if terminal {
            let _ = terminal::enable_raw_mode();
            let _ = queue!(stderr(), terminal::EnterAlternateScreen, cursor::Hide);
        }
        Screen { terminal, shown: Vec::new(), size: (0, 0) }
    }

    /// A window of another size shows who knows what of the last drawing.
    fn begin_anew_when_resized(&mut self) {
        if !self.terminal {
            return;
        }
        let size = terminal::size().unwrap_or_default();
        if std::mem::replace(&mut self.size, size) != size {
            let _ = queue!(stderr(), terminal::Clear(terminal::ClearType::All));
            self.shown.clear();
        }
    }

    /// Draws what changed; without a terminal a step's title once.
    pub fn show(&mut self, lines: &[String]) {
        self.begin_anew_when_resized();
        if *lines == *self.shown {
            return;
        }
        if self.terminal {
            let mut err = stderr();
            for (row, line) in lines.iter().enumerate() {
                if self.shown.get(row) != Some(line) {
                    let row = row as u16;
                    let _ = queue!(
                        err,
                        cursor::MoveTo(0, row),
                        terminal::Clear(terminal::ClearType::CurrentLine)
                    );
                    let bold = row > NUMBER_ROWS;
                    let weight =
                        if bold { style::Attribute::Bold } else { style::Attribute::NormalIntensity };
                    let _ = queue!(err, style::SetAttribute(weight), style::Print(line));
                }
            }
            for row in lines.len()..self.shown.len() {
                let _ = queue!(
                    err,
                    cursor::MoveTo(0, row as u16),
                    terminal::Clear(terminal::ClearType::CurrentLine)
                );
            }
            let _ = err.flush();
        } else {
            let title = |lines: &[String]| lines.get(usize::from(NUMBER_ROWS) + 2).cloned();
            if title(lines) != title(&self.shown) {
                eprintln!("{}", title(lines).unwrap_or_default().trim());
            }
        }
        self.shown = lines.to_vec();
    }
}

impl Drop for Screen {
    fn drop(&mut self) {
        if self.terminal {
            let _ = queue!(
                stderr(),
                style::SetAttribute(style::Attribute::Reset),
                cursor::Show,
                terminal::LeaveAlternateScreen
            );
            let _ = stderr().flush();
            let _ = terminal::disable_raw_mode();
        }
    }
}

/// A large number with large words beside it.
fn large(number: &str, words: &str) -> Vec<String> {
    let area = Rect::new(0, 0, WIDTH as u16, NUMBER_ROWS);
    let mut buffer = Buffer::empty(area);
    glyphs::draw_number(&mut buffer, Rect { x: 2, ..area }, number, Style::default());
    let x = 4 + glyphs::number_width(number, NUMBER_ROWS);
    let place = Rect { x, y: 2, width: area.width.saturating_sub(x), height: 4 };
    glyphs::draw_letters(&mut buffer, place, words, 1, Style::default());
    let line = |row: u16| (0..area.width).map(|x| buffer[(x, row)].symbol()).collect::<String>();
    (0..NUMBER_ROWS).map(|row| line(row).trim_end().to_string()).collect()
}

const KEYS: [&str; 2] = ["SPACE yes    N no, not there    R again", "K skip    U back    Q quit"];

/// The screen of a moment.
pub fn lines(view: &View, plan: &Plan) -> Vec<String> {
    let step = (view.step + 1).min(view.steps);
    let top = format!(
        " LINE CHECK   {step} of {}   {}:{:02}   {}",
        view.steps,
        view.seconds as u64 / 60,
        view.seconds as u64 % 60,
        super::told::keys(view.keys)
    );
    let mut lines = vec![top];
    match view.item {
        Some(Item::Output(index)) => output(plan, index, view, &mut lines),
        Some(Item::Input(index)) => input(plan, index, view, &mut lines),
        None => charger(view, &mut lines),
    }
    lines.iter().map(|line| line.chars().take(WIDTH).collect()).collect()
}

fn output(plan: &Plan, index: usize, view: &View, lines: &mut Vec<String>) {
    let output = &plan.outputs[index];
    lines.extend(large(&format!("{:02}", output.channel % 100), "OUT"));
    lines.push(confirmed(view, plan));
    lines.push(format!(
        "   OUTPUT {}: {}{}",
        output.channel,
        output.name.to_uppercase(),
        player(&output.player)
    ));
    let says = match &output.spoken {
        Some(_) => "its spoken name".into(),
        None => pattern::words(output.channel),
    };
    lines.push(format!("   It says: {says}"));
    let rises = view.level_db < output.ceiling_db - 0.5;
    let then = if rises { format!("rising to {:.0}", output.ceiling_db) } else { "its loudest".into() };
    lines.push(format!("   Now at {:.0} dBFS, {then}. Ears may stay in.", view.level_db));
    lines.push(own_mic(view, plan));
    lines.push(answered(view));
    lines.push("   Does it arrive where it belongs?".into());
    lines.push(String::new());
    lines.extend(KEYS.map(|keys| format!("   {keys}")));
}

fn player(player: &str) -> String {
    if player.is_empty() { String::new() } else { format!("   (for {player})") }
}

/// How its player can answer without anybody's key.
fn own_mic(view: &View, plan: &Plan) -> String {
    let Some((channel, too_loud)) = view.own_mic else { return String::new() };
    let player = plan.inputs.iter().find(|input| input.channel == channel).map_or("", |input| &input.player);
    match too_loud {
        true => format!("   THE STAGE IS TOO LOUD in input {channel}: {player} cannot answer there."),
        false => format!("   {player} may answer: a word into input {channel}, in the pause."),
    }
}

/// The step before, when no key closed it.
fn confirmed(view: &View, plan: &Plan) -> String {
    let Some((index, channel)) = view.confirmed else { return String::new() };
    let Some(output) = plan.outputs.get(index) else { return String::new() };
    format!("   OUTPUT {} IS RIGHT, by a word on input {channel}. U takes it back.", output.channel)
}

fn answered(view: &View) -> String {
    match view.answered_on.as_slice() {
        [] => String::new(),
        inputs => {
            let inputs: Vec<String> = inputs.iter().map(u16::to_string).collect();
            format!("   SOMEBODY IS HEARD on input {}", inputs.join(", "))
        }
    }
}

fn input(plan: &Plan, index: usize, view: &View, lines: &mut Vec<String>) {
    let input = &plan.inputs[index];
    lines.extend(large(&format!("{:02}", input.channel % 100), "IN"));
    lines.push(confirmed(view, plan));
    lines.push(format!("   INPUT {}: {}", input.channel, input.name.to_uppercase()));
    let clap = input.expects == crate::linecheck::judge::Expects::Clap;
    match view.phase {
        Phase::Still => lines.push(still(view)),
        Phase::Waiting if clap => lines.push("   CLAP ONCE, close to it.".into()),
        Phase::Waiting => lines.push("   LET IT PLAY: the other machine, the pad.".into()),
        _ => {
            for fault in view.faults.iter().take(4) {
                lines.push(format!("   {}", fault.words()));
                lines.push(format!("      {}", fault.mend()));
            }
        }
    }
    if view.phase != Phase::Faulty {
        lines.push(meter(view.meter_db));
    }
    lines.push(String::new());
    if view.phase == Phase::Faulty {
        lines.push("   SPACE go on, keep the fault    R again".into());
        lines.push(format!("   {}", KEYS[1]));
    } else {
        lines.extend((view.phase == Phase::Waiting).then(|| "   N nothing comes    R again".into()));
        lines.push(format!("   {}", KEYS[1]));
    }
}

fn still(view: &View) -> String {
    match view.restless.as_slice() {
        [] => "   Quiet, please: a second of listening.".into(),
        inputs => {
            let inputs: Vec<String> = inputs.iter().map(u16::to_string).collect();
            format!("   STILL TOO EARLY: something sounds in input {}. Quiet, please.", inputs.join(", "))
        }
    }
}

/// A step every 3 dB from −60.
fn meter(db: f64) -> String {
    let full = ((db + 60.0) / 3.0).clamp(0.0, 20.0) as usize;
    let level = if db < -100.0 { "silent".into() } else { format!("{db:.0} dBFS") };
    format!("   [{}{}] {level}", "#".repeat(full), ".".repeat(20 - full))
}

fn charger(view: &View, lines: &mut Vec<String>) {
    let inside = view.charger_in == Some(true);
    lines.extend(large(if inside { "1" } else { "2" }, if inside { "IN" } else { "OUT" }));
    lines.push(String::new());
    let (title, ask) = match inside {
        true => ("CHARGER IN", "Plug the charger in, the power as for the show."),
        false => ("CHARGER OUT", "Pull the charger out of the laptop."),
    };
    lines.push(format!("   {title}: {ask}"));
    lines.push(match view.phase {
        Phase::Hum => "   Listening for hum. Quiet, please.".into(),
        _ => "   Then press SPACE. Nobody plays.".into(),
    });
    lines.push("   Listen at the mixer, too: hum that goes out there is not heard here.".into());
    lines.push(String::new());
    lines.push(format!("   SPACE listen    R again    {}", KEYS[1]));
}

/// The screen of the line-up tone.
pub fn tone_lines(output: &Output, level_db: f64, source: &str) -> Vec<String> {
    let mut lines = vec![" LINE-UP TONE   EARS OUT".to_string()];
    lines.extend(large(&format!("{:02}", output.channel % 100), "OUT"));
    lines.push(String::new());
    lines.push(format!("   OUTPUT {}: {}", output.channel, output.name.to_uppercase()));
    lines.push(format!("   1 kHz at {level_db:.0} dBFS ({source}), swelling in over two seconds."));
    lines.push("   Bring the mixer's channel to its line-up mark.".into());
    lines.push(String::new());
    lines.push("   SPACE next output    R again    U back    Q quit".into());
    lines
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::linecheck::judge::{Expects, Fault};
    use crate::linecheck::plan::{Input, Role};

    fn view(item: Option<Item>, phase: Phase) -> View {
        View {
            step: 1,
            steps: 9,
            item,
            charger_in: None,
            phase,
            asks: true,
            seconds: 83.0,
            keys: 4,
            level_db: -36.0,
            answered_on: vec![12],
            own_mic: Some((12, true)),
            confirmed: Some((0, 12)),
            restless: vec![1, 2, 12],
            faults: vec![Fault::Clips { samples: 123_456 }; 4],
            meter_db: -14.0,
        }
    }

    #[test]
    fn every_screen_fits_80_by_24() {
        let plan = Plan {
            outputs: vec![Output {
                channel: 16,
                name: "n".repeat(40),
                player: "p".repeat(40),
                role: Role::Rest,
                quiet_db: -36.0,
                ceiling_db: -18.0,
                spoken: None,
            }],
            inputs: vec![Input {
                channel: 12,
                name: "room".into(),
                role: Role::Ambient,
                expects: Expects::Clap,
                player: "p".repeat(40),
                ambient: true,
                inverted: false,
            }],
            order: vec![Item::Output(0), Item::Input(0)],
        };
        for (item, phase) in [
            (Some(Item::Output(0)), Phase::Sounding),
            (Some(Item::Input(0)), Phase::Still),
            (Some(Item::Input(0)), Phase::Waiting),
            (Some(Item::Input(0)), Phase::Faulty),
            (None, Phase::Asking),
            (None, Phase::Hum),
        ] {
            let lines = lines(&view(item, phase), &plan);
            assert!(lines.len() <= 24 && lines.iter().all(|line| line.chars().count() <= 80), "{lines:#?}");
            assert!(lines[1..8].iter().any(|line| line.contains('█')), "{lines:#?}");
        }
        assert!(meter(-14.0).contains("[###############.....] -14 dBFS"), "{}", meter(-14.0));
    }
}
