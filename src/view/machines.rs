//! Two machines in a player's words: who leads, what is heard of the other one, what this wiring cannot tell.

use crate::realtime::event::{LineNow, PeerNow, WitnessNow};

/// What the screen says of the two machines.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Words {
    /// The one state, where the two machines decide it: a large word and its sentence.
    pub sign: Option<(&'static str, String)>,
    /// The line about the other machine.
    pub line: String,
}

/// `take_over` and `stand_down` are the keys' names, `differing` the song's that is not the same on both machines.
pub fn words(peer: &PeerNow, take_over: &str, stand_down: &str, differing: &str) -> Words {
    Words { sign: sign(peer, take_over, differing), line: line(peer, stand_down, differing) }
}

fn sign(peer: &PeerNow, take_over: &str, differing: &str) -> Option<(&'static str, String)> {
    if peer.leads {
        return None;
    }
    if !peer.backup {
        let text = match peer.other_leads {
            true => format!("The backup sounds; this laptop follows, silent. {take_over} brings it back."),
            false => {
                format!("Silent until the backup is heard or known to be absent. {take_over} leads now.")
            }
        };
        return Some(("SILENT", text));
    }
    let text = match (peer.line, peer.click) {
        _ if peer.differs => {
            format!("{differing} DIFFERS from the main's: no cover. {take_over} leads now.")
        }
        (LineNow::NeverHeard, _) => format!("No main heard yet. {take_over} leads with this laptop."),
        (LineNow::Alive, WitnessNow::Absent) => {
            "The main's timecode is heard, its click is not: look at its click lead.".to_string()
        }
        (LineNow::Alive, _) => format!("The main plays, this laptop follows. {take_over} takes over now."),
        (line, WitnessNow::Heard) => {
            format!("The main's click is heard. {}", of_line(line))
        }
        (line, WitnessNow::NotYet) => format!("{} Its next click decides.", of_line(line)),
        (line, _) => of_line(line).to_string(),
    };
    Some(("STANDS BY", text))
}

fn of_line(line: LineNow) -> &'static str {
    match line {
        LineNow::Alive => "Its timecode is heard.",
        LineNow::NeverHeard => "No timecode heard yet.",
        LineNow::Gone => "Its timecode is gone: look at the timecode lead.",
        LineNow::Implausible => "Its timecode line has hum or noise: look at the lead.",
        LineNow::Frozen => "Its timecode does not go on: the main may hang.",
    }
}

fn line(peer: &PeerNow, stand_down: &str, differing: &str) -> String {
    if peer.line == LineNow::Alive && peer.differing > 0 {
        return match (peer.backup, peer.differs) {
            (true, false) => format!("NEXT DIFFERS, no cover: {differing}"),
            (true, true) => format!("{differing} DIFFERS from the main's"),
            (false, _) => format!("BACKUP HAS ANOTHER VERSION of {differing}"),
        };
    }
    match (peer.backup, peer.leads) {
        (false, true) if peer.line == LineNow::NeverHeard => "Backup: not heard".into(),
        (false, true) if peer.line != LineNow::Alive => "BACKUP LOST: its timecode is gone".into(),
        (false, true) => "Backup: ready, follows".into(),
        (true, true) => match peer.line {
            LineNow::Alive if peer.other_idle => {
                format!("MAIN IS BACK, plays nothing: this laptop goes on. {stand_down} hands over")
            }
            LineNow::Alive if peer.other_leads => {
                format!("MAIN SOUNDS, TOO. {stand_down} silences this laptop")
            }
            LineNow::Alive => format!("Main: back and silent. {stand_down} gives the click back to it"),
            _ => "Main: lost".into(),
        },
        (backup, false) => {
            let other = if backup { "Main" } else { "Backup" };
            if peer.line != LineNow::Alive || peer.bound_ms < 0.0 {
                return format!("{other}: {}", of_line(peer.line).trim_end_matches('.').to_lowercase());
            }
            let moved = peer.offset_ms - peer.align_ms;
            if peer.align_ms != 0.0 && moved.abs() > MOVED_MS {
                return format!("{other}: ITS CLICK HAS MOVED by {moved:+.2} ms since it was aligned");
            }
            let offset = match peer.click {
                WitnessNow::Heard => format!(", click {:+.2} ms", unsigned_zero(peer.offset_ms, 0.005)),
                _ => String::new(),
            };
            let ppm = unsigned_zero(peer.ppm, 0.5);
            format!("{other}: ±{:.2} ms, {ppm:+.0} ppm{offset}", peer.bound_ms.max(0.01))
        }
    }
}

/// What would round to nothing is shown without a minus.
fn unsigned_zero(value: f32, half_a_digit: f32) -> f32 {
    if value.abs() <= half_a_digit { 0.0 } else { value }
}

/// An alignment that is off by more than this is none.
const MOVED_MS: f32 = 0.5;

/// What a wiring cannot tell apart, for `check` and the drill.
pub fn blind_to(witnesses: usize, pass_through: bool) -> &'static str {
    match (witnesses, pass_through) {
        (0, _) => "Nothing of the main is heard: this laptop never takes over by itself.",
        (1, false) => {
            "With timecode as the only witness a pulled timecode lead looks like a dead main: the band would hear two \
             clicks. Wire the main's click to a second input."
        }
        (1, true) => {
            "With the click as the only witness a muted click looks like a dead main: this laptop fills in, on its own."
        }
        (_, true) => {
            "Timecode tells the place, the click decides hit by hit: a click lead that is pulled or turned down on its way \
             looks like a dead main, and this laptop fills in."
        }
        _ => "Timecode and click are both heard: this laptop sounds only when both are gone.",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const STANDING: PeerNow = PeerNow {
        backup: true,
        leads: false,
        line: LineNow::Alive,
        click: WitnessNow::Heard,
        other_leads: true,
        other_idle: false,
        other_out: false,
        differs: false,
        differing: 0,
        bound_ms: 0.02,
        ppm: 31.0,
        offset_ms: 0.4,
        offset_hits: 20,
        offset_spread_ms: 0.02,
        align_ms: 0.0,
        way_ms: 0.0,
    };

    #[test]
    fn each_wiring_fault_has_a_sentence_of_its_own() {
        let faults = [
            STANDING,
            PeerNow { click: WitnessNow::Absent, ..STANDING },
            PeerNow { line: LineNow::Gone, ..STANDING },
            PeerNow { line: LineNow::Frozen, ..STANDING },
            PeerNow { line: LineNow::Implausible, ..STANDING },
            PeerNow { line: LineNow::NeverHeard, click: WitnessNow::NotYet, ..STANDING },
            PeerNow { differs: true, ..STANDING },
            PeerNow { backup: false, ..STANDING },
        ];
        let mut said: Vec<String> =
            faults.iter().filter_map(|peer| sign(peer, "T", "2 Eel Net")).map(|s| s.1).collect();
        assert_eq!(said.len(), faults.len());
        said.sort();
        said.dedup();
        assert_eq!(said.len(), faults.len(), "{said:?}");
    }

    #[test]
    fn a_machine_that_leads_shows_the_music_and_a_line_about_the_other() {
        let leads = PeerNow { leads: true, other_leads: false, ..STANDING };
        let words = |peer: &PeerNow| words(peer, "T", "D", "2 Eel Net");
        assert_eq!(words(&leads).sign, None);
        assert_eq!(words(&leads).line, "Main: back and silent. D gives the click back to it");
        let new = PeerNow { other_leads: true, other_idle: true, ..leads };
        assert_eq!(words(&new).line, "MAIN IS BACK, plays nothing: this laptop goes on. D hands over");
        let both = PeerNow { other_idle: false, ..new };
        assert_eq!(words(&both).line, "MAIN SOUNDS, TOO. D silences this laptop");
        let alone = PeerNow { backup: false, line: LineNow::Gone, ..leads };
        assert_eq!(words(&alone).line, "BACKUP LOST: its timecode is gone");
        assert!(words(&STANDING).line.starts_with("Main: ±0.02 ms, +31 ppm, click +0.40 ms"));
        let next = PeerNow { differing: 2, ..STANDING };
        let still = PeerNow { ppm: -0.2, offset_ms: -0.001, ..STANDING };
        assert_eq!(words(&still).line, "Main: ±0.02 ms, +0 ppm, click +0.00 ms");
        assert_eq!(words(&next).line, "NEXT DIFFERS, no cover: 2 Eel Net");
        assert!(words(&next).sign.unwrap().1.starts_with("The main plays"), "what plays is covered");
        let now = PeerNow { differs: true, ..next };
        assert!(words(&now).sign.unwrap().1.starts_with("2 Eel Net DIFFERS"));
    }
}
