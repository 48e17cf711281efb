//! What is worth saying of the second interface, once each.

use super::{SecondHealth, State};

/// A drift is said anew when it is another by more than this.
const OTHER_PPM: f64 = 10.0;

/// Remembers what was said.
#[derive(Clone, Debug, Default)]
pub struct Watch {
    said: Option<State>,
    drift_ppm: Option<f64>,
}

/// What is new.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Did {
    Heard,
    HeardAgain,
    Drifts,
    Silent,
    Lost,
}

/// What is new, and in words.
#[derive(Clone, Debug, PartialEq)]
pub struct News {
    pub did: Did,
    /// Of its clock against ours, where it is followed.
    pub ppm: Option<f64>,
    pub why: Option<String>,
    pub words: String,
}

impl Watch {
    /// Something when something changed.
    pub fn look(&mut self, health: &SecondHealth) -> Option<News> {
        let was = self.said;
        self.said = match health.state {
            // On the way from one to the other nothing is to be said.
            State::Waiting | State::Settling => was,
            state => Some(state),
        };
        match (was, health.state) {
            (_, State::Following) => self.follows(was, health.drift_ppm),
            (Some(before), now) if before == now => None,
            (_, State::Lost) => {
                let why = health.why.as_deref().unwrap_or("it is gone").lines().next().unwrap_or_default();
                let words =
                    format!("SECOND INTERFACE LOST: {why}. Its inputs are silent, the click goes on.");
                Some(News { did: Did::Lost, ppm: None, why: Some(why.into()), words })
            }
            (Some(_), State::Silent) => {
                let words =
                    "SECOND INTERFACE SILENT: it has stopped calling, or lost its place. The click goes on.";
                Some(News { did: Did::Silent, ppm: None, why: None, words: words.into() })
            }
            _ => None,
        }
    }

    fn follows(&mut self, was: Option<State>, ppm: f64) -> Option<News> {
        let again = was.is_some_and(|state| state != State::Following);
        let other = self.drift_ppm.is_none_or(|said| (said - ppm).abs() > OTHER_PPM);
        if !again && !other {
            return None;
        }
        self.drift_ppm = Some(ppm);
        let (did, word) = match (was, again) {
            (None, _) => (Did::Heard, "HEARD"),
            (_, true) => (Did::HeardAgain, "HEARD AGAIN"),
            _ => (Did::Drifts, "DRIFTS"),
        };
        let words =
            format!("SECOND INTERFACE {word}: its clock runs {ppm:+.1} ppm against ours, and is followed.");
        Some(News { did, ppm: Some(ppm), why: None, words })
    }
}

/// A few words for a corner of the screen.
pub fn words(health: &SecondHealth) -> String {
    match health.state {
        State::Waiting => "second: not heard yet".into(),
        State::Settling => "second: settling".into(),
        State::Following => format!("second {:+.1} ppm", health.drift_ppm),
        State::Silent => "second: SILENT".into(),
        State::Lost => "second: LOST".into(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn health(state: State, drift_ppm: f64) -> SecondHealth {
        let why = (state == State::Lost).then(|| "it was pulled\n  to mend it: plug it in".to_string());
        SecondHealth { state, drift_ppm, slips: 0, xruns: 0, why }
    }

    #[test]
    fn each_change_is_said_once_and_settling_is_not_news() {
        let mut watch = Watch::default();
        let mut say = |state, ppm| watch.look(&health(state, ppm)).map(|news| news.words);
        assert_eq!(say(State::Waiting, 0.0), None);
        assert_eq!(say(State::Settling, 80.0), None);
        assert!(say(State::Following, 23.4).unwrap().contains("+23.4 ppm against ours"));
        assert_eq!(say(State::Following, 25.0), None);
        assert!(say(State::Following, 40.0).unwrap().contains("+40.0"));
        assert!(say(State::Silent, 40.0).unwrap().contains("SILENT"));
        assert_eq!(say(State::Silent, 40.0), None);
        assert_eq!(say(State::Settling, 40.0), None);
        assert!(say(State::Following, 40.0).unwrap().contains("HEARD AGAIN"));
        let lost = say(State::Lost, 40.0).unwrap();
        assert_eq!(lost, "SECOND INTERFACE LOST: it was pulled. Its inputs are silent, the click goes on.");
        assert_eq!(say(State::Lost, 40.0), None);
    }

    #[test]
    fn one_that_never_came_is_lost_at_once() {
        let news = Watch::default().look(&health(State::Lost, 0.0)).unwrap();
        assert_eq!((news.did, news.why.as_deref()), (Did::Lost, Some("it was pulled")));
        assert_eq!(words(&health(State::Following, -12.34)), "second -12.3 ppm");
    }
}
