//! What a person answers with: keys of a terminal, words of a script, or nobody.

use crate::linecheck::Answer;
use crate::show::model::Rig;
use crate::view::keys::{self, Key};
use crossbeam_channel::{Receiver, unbounded};
use crossterm::event::{self, Event, KeyEventKind};
use std::io::{BufRead, IsTerminal};
use std::time::Duration;

/// For `--help` and the man page.
pub const HELP: &str = "Keys: SPACE or ENTER yes, go on; N no, not there; R again; K skip; U back to the one before; Q \
quit. What the rig binds to start and confirm says yes, too, so one foot switch walks through it: the pattern comes \
again by itself, a little louder. Where the show names a microphone's player ([input.talk] player = \"Wren\"), that \
player says yes without a key: a word into it, in the pause after the pattern. Without a terminal the same words are read from standard input, one a line: yes, \
no, again, skip, back, quit; where the input ends, so does the check.

Pattern: the channel's two digits, tens low (500 Hz), ones high (1 kHz), a short beep each, a longer gap after the \
fifth; nought is one long beep. Output 12: one low, two high. Output 3: one long low, three high.";

/// Where answers come from.
pub enum Hands {
    Terminal(Vec<(Key, Answer)>),
    Script(Receiver<Answer>, bool),
    Nobody,
}

impl Hands {
    /// Errors: the rig binds a key that is none.
    pub fn of(rig: &Rig, nobody: bool) -> Result<Hands, String> {
        if nobody {
            return Ok(Hands::Nobody);
        }
        if std::io::stdin().is_terminal() && std::io::stderr().is_terminal() {
            return Ok(Hands::Terminal(bindings(rig)?));
        }
        let (send, answers) = unbounded();
        std::thread::Builder::new()
            .name("linecheck-script".into())
            .spawn(move || {
                let lines = std::io::stdin().lock().lines().map_while(Result::ok);
                for answer in lines.filter_map(|line| word(&line)) {
                    if send.send(answer).is_err() {
                        return;
                    }
                }
            })
            .map_err(|why| format!("no thread for the script: {why}"))?;
        Ok(Hands::Script(answers, false))
    }

    pub fn is_terminal(&self) -> bool {
        matches!(self, Hands::Terminal(_))
    }

    pub fn is_nobody(&self) -> bool {
        matches!(self, Hands::Nobody)
    }

    /// Whether somebody must answer before the check goes on: a script's word then counts for this moment.
    pub fn answers(&mut self, wanted: bool, wait: Duration) -> Vec<Answer> {
        match self {
            Hands::Terminal(bound) => pressed(bound, wait),
            Hands::Nobody => {
                std::thread::sleep(wait);
                Vec::new()
            }
            Hands::Script(answers, ended) => {
                std::thread::sleep(wait);
                if !wanted || *ended {
                    return Vec::new();
                }
                match answers.try_recv() {
                    Ok(answer) => vec![answer],
                    Err(crossbeam_channel::TryRecvError::Empty) => Vec::new(),
                    Err(crossbeam_channel::TryRecvError::Disconnected) => {
                        *ended = true;
                        vec![Answer::Quit]
                    }
                }
            }
        }
    }
}

fn word(line: &str) -> Option<Answer> {
    Some(match line.trim().to_lowercase().as_str() {
        "yes" => Answer::Yes,
        "no" => Answer::No,
        "again" => Answer::Again,
        "skip" => Answer::Skip,
        "back" => Answer::Back,
        "quit" => Answer::Quit,
        _ => return None,
    })
}

fn bindings(rig: &Rig) -> Result<Vec<(Key, Answer)>, String> {
    let usual = [
        ("space", Answer::Yes),
        ("enter", Answer::Yes),
        ("n", Answer::No),
        ("r", Answer::Again),
        ("k", Answer::Skip),
        ("u", Answer::Back),
        ("q", Answer::Quit),
        ("esc", Answer::Quit),
        ("ctrl+c", Answer::Quit),
    ];
    let own = rig.keys.iter().filter_map(|(action, key)| {
        let answer = match action.as_str() {
            "start" | "confirm" => Answer::Yes,
            "skip" => Answer::Skip,
            "undo" => Answer::Back,
            _ => return None,
        };
        Some((key.as_str(), answer))
    });
    own.chain(usual).map(|(key, answer)| Ok((keys::parse(key)?, answer))).collect()
}

/// Held keys say it once.
fn pressed(bound: &[(Key, Answer)], wait: Duration) -> Vec<Answer> {
    let mut answers = Vec::new();
    let mut wait = wait;
    while event::poll(wait).unwrap_or(false) {
        wait = Duration::ZERO;
        let Ok(Event::Key(key)) = event::read() else { continue };
        if key.kind != KeyEventKind::Press {
            continue;
        }
        let key = Key::of(key.code, key.modifiers);
        answers.extend(bound.iter().find(|(other, _)| *other == key).map(|(_, answer)| *answer));
    }
    answers
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::path::Path;

    #[test]
    fn what_the_rig_calls_start_says_yes() {
        let text = "[outputs]\ndrums = 1\n[keys]\nstart = \"page-down\"\nskip = \"f7\"\n";
        let rig = crate::show::parse_rig(text, "rig.toml", Path::new("")).rig.unwrap();
        let bound = bindings(&rig).unwrap();
        let says = |key: &str| {
            let key = keys::parse(key).unwrap();
            bound.iter().find(|(other, _)| *other == key).map(|(_, answer)| *answer)
        };
        assert_eq!(
            [says("page-down"), says("f7"), says("space"), says("n"), says("x")],
            [Some(Answer::Yes), Some(Answer::Skip), Some(Answer::Yes), Some(Answer::No), None]
        );
        assert_eq!((word(" Yes "), word("yea")), (Some(Answer::Yes), None));
    }
}
