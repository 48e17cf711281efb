//! From keys to actions: the defaults, changed by the rig.

use super::name::nearest;
use super::{Action, Input, Key, KeyLine, ROWS, Row, parse};

/// The keys of this run.
#[derive(Clone, Debug, PartialEq)]
pub struct Keymap {
    bound: Vec<(Key, Action)>,
}

impl Default for Keymap {
    fn default() -> Keymap {
        Keymap { bound: ROWS.iter().flat_map(defaults).collect() }
    }
}

fn defaults(row: &Row) -> impl Iterator<Item = (Key, Action)> + '_ {
    row.keys.iter().filter_map(|key| Some((parse(key).ok()?, row.action)))
}

impl Keymap {
    /// The defaults, changed by (action, key) pairs of the rig. A named action loses its default keys; it may
    /// be named more than once to have several.
    ///
    /// Errors: every unknown action and key with the nearest known name, every key with two actions.
    pub fn new(wanted: &[(String, String)]) -> Result<Keymap, Vec<String>> {
        let mut faults = Vec::new();
        let mut asked: Vec<(Key, Action)> = Vec::new();
        for (action, key) in wanted {
            match (find_action(action), parse(key)) {
                (Ok(action), Ok(key)) => asked.push((key, action)),
                (action, key) => faults.extend(action.err().into_iter().chain(key.err())),
            }
        }
        let renamed = |action: Action| wanted.iter().any(|(name, _)| name == action.name());
        let kept = ROWS.iter().filter(|row| !renamed(row.action)).flat_map(defaults);
        let mut bound = asked.clone();
        bound.extend(kept);
        faults.extend(twice(&bound, asked.len()));
        if faults.is_empty() { Ok(Keymap { bound }) } else { Err(faults) }
    }

    pub fn find(&self, key: Key) -> Option<Input> {
        if let Some(digit) = key.digit() {
            return Some(Input::Digit(digit));
        }
        self.bound.iter().find(|(bound, _)| *bound == key).map(|(_, action)| Input::Action(*action))
    }

    /// The first key of an action, as shown: "SPACE".
    pub fn name(&self, action: Action) -> String {
        let key = self.bound.iter().find(|(_, bound)| *bound == action);
        key.map(|(key, _)| key.to_string()).unwrap_or_default()
    }

    /// The key table as it is in this run.
    pub fn lines(&self) -> Vec<KeyLine> {
        ROWS.iter()
            .map(|row| KeyLine { action: row.name, key: self.names(row.action), what: row.what })
            .collect()
    }

    fn names(&self, action: Action) -> String {
        let keys = self.bound.iter().filter(|(_, bound)| *bound == action);
        keys.map(|(key, _)| key.to_string()).collect::<Vec<_>>().join(" or ")
    }
}

fn find_action(name: &str) -> Result<Action, String> {
    if let Some(row) = ROWS.iter().find(|row| row.name == name) {
        return Ok(row.action);
    }
    Err(match nearest(name, ROWS.iter().map(|row| row.name)) {
        Some(near) => format!("no action is named \"{name}\"; did you mean \"{near}\"?"),
        None => {
            let names: Vec<&str> = ROWS.iter().map(|row| row.name).collect();
            format!("no action is named \"{name}\"; the actions are {}", names.join(", "))
        }
    })
}

/// Keys with two actions; the first `asked` of the bindings come from the rig.
fn twice(bound: &[(Key, Action)], asked: usize) -> Vec<String> {
    let mut faults = Vec::new();
    for (index, (key, action)) in bound.iter().enumerate() {
        for (before, (_, other)) in
            bound.iter().enumerate().take(index).filter(|(_, (bound, _))| bound == key)
        {
            if other == action {
                continue;
            }
            let (first, second) = (other.name(), action.name());
            faults.push(match before < asked && index >= asked {
                true => format!("{key} is asked for by \"{first}\", but \"{second}\" has it by default; give \"{second}\" a key, too"),
                false => format!("{key} is asked for by both \"{first}\" and \"{second}\"; one key does one thing"),
            });
        }
    }
    faults
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn faults(pairs: &[(&str, &str)]) -> Vec<String> {
        let pairs: Vec<_> = pairs.iter().map(|(a, k)| (a.to_string(), k.to_string())).collect();
        Keymap::new(&pairs).err().unwrap_or_default()
    }

    #[test]
    fn the_default_table_parses_and_has_no_key_twice() {
        let rows: usize = ROWS.iter().map(|row| row.keys.len()).sum();
        assert_eq!(Keymap::default().bound.len(), rows);
        assert_eq!(Keymap::new(&[]), Ok(Keymap::default()));
        for (index, row) in ROWS.iter().enumerate() {
            assert!(ROWS[..index].iter().all(|other| other.action != row.action && other.name != row.name));
        }
    }

    #[test]
    fn an_unknown_action_or_key_is_refused_with_the_nearest_name() {
        assert_eq!(faults(&[("al-out", "x")]), ["no action is named \"al-out\"; did you mean \"all-out\"?"]);
        assert_eq!(
            faults(&[("start", "spacebar")]),
            ["no key is named \"spacebar\"; did you mean \"space\"?"]
        );
        assert_eq!(faults(&[("start", "f25")]).len(), 1);
        assert_eq!(faults(&[("sturt", "spcae")]).len(), 2);
        assert!(faults(&[("start", "hyper+a")])[0].contains("no modifier"));
        assert!(faults(&[("start", "7")])[0].contains("digits"));
        assert!(faults(&[("start", "shift+a")])[0].contains("shift"));
    }

    #[test]
    fn one_key_does_one_thing() {
        assert_eq!(
            faults(&[("start", "s")]),
            ["S is asked for by \"start\", but \"stop\" has it by default; give \"stop\" a key, too"]
        );
        assert_eq!(faults(&[("start", "x"), ("stop", "X")]).len(), 1);
        assert_eq!(faults(&[("start", "s"), ("stop", "space")]), [""; 0]);
    }

    #[test]
    fn a_foot_switch_gets_any_key_and_the_default_goes() {
        let map = Keymap::new(&[("start".into(), "Page-Down".into()), ("start".into(), "f13".into())]);
        let map = map.expect("a valid map");
        assert_eq!(map.name(Action::Start), "PAGE-DOWN");
        assert_eq!(parse("page down"), parse("page-down"), "as the README writes it");
        assert_eq!(map.find(parse("f13").expect("a key")), Some(Input::Action(Action::Start)));
        assert_eq!(map.find(parse("space").expect("a key")), None);
    }

    proptest! {
        #[test]
        fn any_text_for_a_key_is_refused_or_shown_and_read_back(text in "\\PC{0,12}") {
            if let Ok(key) = parse(&text) {
                prop_assert_eq!(parse(&key.to_string()), Ok(key));
            }
        }
    }
}
