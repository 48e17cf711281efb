//! Tempo for tonight: steps from the written tempo, exact, and the offer to keep them.

use crate::click::set::Stretch;
use crate::view::programme::{Programme, Written, decimal};
use num_rational::Ratio;

/// Steps from the written tempo: they add up in any order and never drift.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Steps {
    /// Of half a note value a minute.
    pub halves: i64,
    /// Of one per cent of the written tempo.
    pub percents: i64,
}

impl Steps {
    pub fn tempo(self, written: &Written) -> Ratio<i64> {
        let base = written.tempo.per_minute;
        base + Ratio::new(self.halves, 2) + base * Ratio::new(self.percents, 100)
    }

    /// Written tempo over tonight's, as the engine wants it.
    pub fn stretch(self, written: &Written) -> Stretch {
        let ratio = written.tempo.per_minute / self.tempo(written);
        Stretch { over: *ratio.numer(), under: *ratio.denom() }
    }

    /// Between half and double the written tempo.
    pub fn allowed(self, written: &Written) -> bool {
        let (base, tempo) = (written.tempo.per_minute, self.tempo(written));
        tempo * 2 >= base && tempo <= base * 2
    }
}

/// "Low Tide: 132 → 130; keep it by writing …".
pub fn offer(programme: &Programme, song: usize, steps: Steps) -> Option<String> {
    let entry = programme.songs.get(song)?;
    let written = entry.tempo.as_ref()?;
    let (before, after) = (decimal(written.tempo.per_minute), decimal(steps.tempo(written)));
    let change = format!("{}: {before} → {after} tonight", entry.title);
    let how = match &written.line {
        _ if written.moves => {
            let factor = steps.tempo(written) / written.tempo.per_minute;
            let factor = *factor.numer() as f64 / *factor.denom() as f64;
            format!("keep it by multiplying every tempo of the song by {factor:.4}")
        }
        Some((line, text)) => match rewritten(text, &before, &after) {
            Some(text) => format!("keep it by writing {text} in line {line}"),
            None => format!("keep it by writing {after} for {before} in line {line}"),
        },
        None => format!("keep it by writing {after} for {before} in the song"),
    };
    Some(format!("{change}; {how}"))
}

/// The line with another number: the first after the last `=` that is no comment's.
fn rewritten(text: &str, before: &str, after: &str) -> Option<String> {
    let code = text.split('#').next().unwrap_or_default().trim_end();
    let (name, value) = code.rsplit_once('=')?;
    value.contains(before).then(|| format!("{name}={}", value.replacen(before, after, 1)))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::show::model::Tempo;
    use proptest::prelude::*;

    fn written(over: i64, under: i64) -> Written {
        let tempo = Tempo { note: Ratio::new(1, 4), per_minute: Ratio::new(over, under) };
        Written { tempo, line: Some((12, "tempo = 132".into())), moves: false }
    }

    #[test]
    fn four_steps_down_from_132_is_130_and_66_over_65() {
        let steps = Steps { halves: -4, percents: 0 };
        assert_eq!(steps.tempo(&written(132, 1)), Ratio::new(130, 1));
        assert_eq!(steps.stretch(&written(132, 1)), Stretch { over: 66, under: 65 });
    }

    #[test]
    fn only_the_number_of_the_tempo_is_rewritten() {
        let new = |text| rewritten(text, "88", "88.5");
        assert_eq!(new("tempo = 88 # not 88").as_deref(), Some("tempo = 88.5"));
        assert_eq!(new("tempo = \"1/88 = 88\"").as_deref(), Some("tempo = \"1/88 = 88.5\""));
        assert_eq!(new("tempo = \"fast\""), None);
    }

    proptest! {
        #[test]
        fn as_many_steps_up_as_down_is_the_written_tempo(
            halves in -60i64..60, percents in -40i64..40, tenths in 300i64..3000
        ) {
            let written = written(tenths, 10);
            let steps = Steps { halves, percents };
            let back = Steps { halves: steps.halves - halves, percents: steps.percents - percents };
            prop_assert_eq!(back.stretch(&written), Stretch::ONE);
            if steps.allowed(&written) {
                let stretch = steps.stretch(&written);
                prop_assert!(stretch.over > 0 && stretch.under > 0);
                prop_assert!(stretch.over <= 2 * stretch.under && stretch.under <= 2 * stretch.over);
            }
        }
    }
}
