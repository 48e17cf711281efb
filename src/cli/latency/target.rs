//! Which output plays and which inputs hear: by name or channel number, never all.

use crate::show::model::Rig;

/// A channel and what a person calls it.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize)]
pub struct Channel {
    /// From 1.
    pub number: u16,
    pub name: Option<String>,
    /// Of the second interface.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    pub second: bool,
}

impl Channel {
    /// From 0. The second interface's inputs come behind the `main`'s.
    pub fn index(&self, main: u16) -> usize {
        let before = if self.second { main } else { 0 };
        usize::from(before + self.number).saturating_sub(1)
    }

    pub fn words(&self) -> String {
        match &self.name {
            Some(name) if self.second => format!("{} of the second interface ({name})", self.number),
            Some(name) => format!("{} ({name})", self.number),
            None => self.number.to_string(),
        }
    }
}

/// The output that plays. Errors: none is named, or none of that name; with the mend.
pub fn output(rig: &Rig, wanted: Option<&str>) -> Result<Channel, String> {
    let feeds = rig.outputs.iter().flat_map(|outlet| {
        outlet.feeds.iter().filter_map(|feed| Some((feed.clone(), *outlet.channels.first()?)))
    });
    let spare = rig.spare_loop.map(|(output, _)| output);
    pick("output", feeds.collect(), wanted, spare)
}

/// An input that hears.
pub fn input(rig: &Rig, option: &str, wanted: Option<&str>) -> Result<Channel, String> {
    let second = rig.second.iter().flat_map(|second| &second.inputs);
    let asked = wanted.map(str::trim);
    if let Some((name, number)) = second.into_iter().find(|(name, _)| Some(name.as_str()) == asked) {
        return Ok(Channel { number: *number, name: Some(name.clone()), second: true });
    }
    pick(option, rig.inputs.clone(), wanted, rig.spare_loop.map(|(_, input)| input))
}

fn pick(
    option: &str,
    named: Vec<(String, u16)>,
    wanted: Option<&str>,
    spare: Option<u16>,
) -> Result<Channel, String> {
    let name_of =
        |number: u16| named.iter().find(|(_, other)| *other == number).map(|(name, _)| name.clone());
    let there =
        || named.iter().map(|(name, number)| format!("{name} ({number})")).collect::<Vec<_>>().join(", ");
    let Some(wanted) = wanted.map(str::trim) else {
        return match spare {
            Some(number) => Ok(Channel { number, name: Some("spare loop".into()), second: false }),
            None => Err(format!(
                "no {option} is named\n  to mend it: add --{option} with a channel number{}",
                if named.is_empty() { String::new() } else { format!(", or one of {}", there()) }
            )),
        };
    };
    if let Some((name, number)) = named.iter().find(|(name, _)| name == wanted) {
        return Ok(Channel { number: *number, name: Some(name.clone()), second: false });
    }
    match wanted.parse::<u16>() {
        Ok(number @ 1..=256) => Ok(Channel { number, name: name_of(number), second: false }),
        _ => Err(format!(
            "the rig has no {option} `{wanted}`\n  to mend it: give a channel from 1{}",
            if named.is_empty() { String::new() } else { format!(", or one of {}", there()) }
        )),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::show::parse_rig;
    use std::path::Path;

    fn rig(text: &str) -> Rig {
        let reading = parse_rig(text, "rig.toml", Path::new(""));
        reading.rig.unwrap_or_else(|| panic!("{:?}", reading.faults))
    }

    const RIG: &str = "[outputs]\ndrums = 1\nband = [2, 3]\n[inputs]\nroom = 4\n";

    #[test]
    fn channels_go_by_name_or_number() {
        let rig = rig(RIG);
        assert_eq!(output(&rig, Some("band")).unwrap().number, 2);
        assert_eq!(output(&rig, Some("1")).unwrap().words(), "1 (drums)");
        assert_eq!(output(&rig, Some("8")).unwrap().words(), "8");
        assert_eq!(input(&rig, "input", Some("room")).unwrap().index(0), 3);
    }

    #[test]
    fn what_is_not_named_or_not_there_is_refused_with_what_is() {
        let rig = rig(RIG);
        let none = output(&rig, None).unwrap_err();
        assert!(none.contains("add --output") && none.contains("drums (1), band (2)"), "{none}");
        for wrong in ["kit", "0", "-1", "257", ""] {
            let words = input(&rig, "input", Some(wrong)).unwrap_err();
            assert!(words.contains("room (4)"), "{words}");
        }
    }

    #[test]
    fn a_spare_loop_in_the_rig_names_both() {
        let rig = rig(&format!("{RIG}[loop]\noutput = 8\ninput = 2\n"));
        assert_eq!((output(&rig, None).unwrap().number, input(&rig, "input", None).unwrap().number), (8, 2));
    }
}
