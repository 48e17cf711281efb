//! What is checked, and in which order: the drummer's click, what is there for a failure, one ambient; then the rest.

use super::judge::Expects;
use crate::click::set::Set;
use crate::show::model::{Feed, FeedSource, InputKind, Outlet, Rig, Show};
use serde::Serialize;
use std::path::PathBuf;

/// What a channel is for. In this order a change-over of three minutes checks what matters first.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Role {
    /// The drummer hears its click here.
    Drummer,
    /// Timecode, a return, another machine's or a pad's click, a fallback on a feed of its own.
    Backup,
    /// The first room microphone.
    Ambient,
    Rest,
}

/// An output channel.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Output {
    /// From 1.
    pub channel: u16,
    pub name: String,
    /// Who hears it; empty when the show does not say.
    pub player: String,
    pub role: Role,
    /// Where the pattern starts, and where it ends to rise, as peaks in dBFS.
    pub quiet_db: f64,
    pub ceiling_db: f64,
    /// A recording to be played in place of beeps.
    pub spoken: Option<PathBuf>,
}

/// An input channel.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Input {
    /// From 1.
    pub channel: u16,
    pub name: String,
    pub role: Role,
    pub expects: Expects,
    /// Whose own microphone it is; empty when the show does not say.
    pub player: String,
    /// A room microphone, whose polarity against the others matters.
    pub ambient: bool,
    /// The show turns it over.
    pub inverted: bool,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Item {
    /// Index into [`Plan::outputs`].
    Output(usize),
    /// Index into [`Plan::inputs`].
    Input(usize),
}

/// Everything that is checked.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Plan {
    pub outputs: Vec<Output>,
    pub inputs: Vec<Input>,
    pub order: Vec<Item>,
}

/// Without a show, and at most: patterns start here.
pub const QUIET_DB: f64 = -36.0;
/// No quieter than this, or nobody hears it.
const LEAST_QUIET_DB: f64 = -60.0;
/// Without a show, patterns rise to here.
const USUAL_CEILING_DB: f64 = -24.0;

impl Plan {
    /// From a rig, the outlets that are in use (a fold's, where the device has fewer outputs), and a show with its set.
    /// `ceiling_db` holds every output.
    pub fn of(rig: &Rig, outlets: &[Outlet], show: Option<(&Show, &Set)>, ceiling_db: f64) -> Plan {
        let mut plan = Plan {
            outputs: outlets.iter().flat_map(|outlet| outputs(rig, outlet, show, ceiling_db)).collect(),
            inputs: inputs(rig, show.map(|(show, _)| show)),
            order: Vec::new(),
        };
        if let Some(line) = rig.timecode {
            let quiet_db = QUIET_DB.min(ceiling_db);
            plan.outputs.push(Output {
                channel: line.output,
                name: "timecode".into(),
                player: String::new(),
                role: Role::Backup,
                quiet_db,
                ceiling_db: USUAL_CEILING_DB.min(ceiling_db),
                spoken: None,
            });
        }
        if !plan.outputs.iter().any(|output| output.role == Role::Drummer)
            && let Some(first) = plan.outputs.iter_mut().find(|output| output.role == Role::Rest)
        {
            first.role = Role::Drummer;
        }
        plan.put_in_order();
        plan
    }

    /// By role, outputs before inputs, then by channel.
    fn put_in_order(&mut self) {
        let outputs = (0..self.outputs.len()).map(Item::Output);
        self.order = outputs.chain((0..self.inputs.len()).map(Item::Input)).collect();
        let (outputs, inputs) = (&self.outputs, &self.inputs);
        self.order.sort_by_key(|item| match *item {
            Item::Output(index) => (outputs[index].role, 0, outputs[index].channel),
            Item::Input(index) => (inputs[index].role, 1, inputs[index].channel),
        });
    }

    /// The microphone of a player who hears an output.
    pub fn own_microphone(&self, output: &Output) -> Option<&Input> {
        let hears = |player: &str| output.player.split(", ").any(|other| other == player);
        self.inputs
            .iter()
            .find(|input| input.expects == Expects::Clap && !input.player.is_empty() && hears(&input.player))
    }

    /// Only what a short change-over has time for.
    pub fn shorten(&mut self) {
        let (outputs, inputs) = (&self.outputs, &self.inputs);
        let role = |item: &Item| match *item {
            Item::Output(index) => outputs[index].role,
            Item::Input(index) => inputs[index].role,
        };
        self.order.retain(|item| role(item) != Role::Rest);
    }

    /// Only these, by name or channel number. Errors: a name that nothing has, with what there is.
    pub fn keep_only(&mut self, names: &[String]) -> Result<(), String> {
        let is = |name: &String, of: &str, channel: u16| name == of || *name == channel.to_string();
        for name in names {
            let output = self.outputs.iter().any(|output| is(name, &output.name, output.channel));
            if !output && !self.inputs.iter().any(|input| is(name, &input.name, input.channel)) {
                return Err(format!(
                    "the rig has no output or input `{name}`\n  to mend it: write {}",
                    self.names()
                ));
            }
        }
        let (outputs, inputs) = (&self.outputs, &self.inputs);
        self.order.retain(|item| match *item {
            Item::Output(index) => {
                names.iter().any(|name| is(name, &outputs[index].name, outputs[index].channel))
            }
            Item::Input(index) => {
                names.iter().any(|name| is(name, &inputs[index].name, inputs[index].channel))
            }
        });
        Ok(())
    }

    fn names(&self) -> String {
        let outputs = self.outputs.iter().map(|output| output.name.clone());
        outputs.chain(self.inputs.iter().map(|input| input.name.clone())).collect::<Vec<_>>().join(", ")
    }
}

fn outputs(rig: &Rig, outlet: &Outlet, show: Option<(&Show, &Set)>, ceiling_db: f64) -> Vec<Output> {
    let feeds: Vec<&Feed> = show.map_or(Vec::new(), |(show, _)| {
        show.feeds.iter().filter(|feed| outlet.feeds.contains(&feed.name)).collect()
    });
    let player = show.map_or(String::new(), |(show, _)| players(show, &feeds));
    let name = outlet.feeds.join("+");
    let role = if feeds
        .iter()
        .any(|feed| feed.parts.iter().any(|part| matches!(part.source, FeedSource::Fallback(_))))
    {
        Role::Backup
    } else if is_drums(&name) || is_drums(&player) || show.is_some_and(|(show, _)| hears_drums(show, &feeds))
    {
        Role::Drummer
    } else {
        Role::Rest
    };
    let (quiet_db, loud_db) = show.map_or((QUIET_DB, USUAL_CEILING_DB), |(_, set)| levels(set, &feeds));
    let most = show.map_or(ceiling_db, |(show, _)| show.ceiling.0.min(ceiling_db));
    let spoken = outlet.feeds.iter().find_map(|feed| rig.spoken.iter().find(|(name, _)| name == feed));
    let spoken = spoken.map(|(_, path)| rig.folder.join(path));
    let sides: &[&str] = if outlet.channels.len() == 2 { &[" left", " right"] } else { &[""] };
    let output = |(channel, side): (&u16, &&str)| Output {
        channel: *channel,
        name: format!("{name}{side}"),
        player: player.clone(),
        role,
        quiet_db: quiet_db.min(most),
        ceiling_db: loud_db.min(most).max(quiet_db.min(most)),
        // One recording cannot say left and right.
        spoken: spoken.clone().filter(|_| outlet.channels.len() == 1),
    };
    outlet.channels.iter().zip(sides).map(output).collect()
}

fn is_drums(name: &str) -> bool {
    let name = name.to_lowercase();
    ["drum", "kit", "perc"].iter().any(|word| name.contains(word))
}

/// Its only click, or its loudest, is the drums'.
fn hears_drums(show: &Show, feeds: &[&Feed]) -> bool {
    let parts = feeds.iter().flat_map(|feed| &feed.parts);
    let clicks = parts.filter_map(|part| match part.source {
        FeedSource::Click(click) => Some((part.level.0, show.clicks.get(click)?)),
        _ => None,
    });
    clicks.max_by(|a, b| a.0.total_cmp(&b.0)).is_some_and(|(_, click)| is_drums(&click.name))
}

fn players(show: &Show, feeds: &[&Feed]) -> String {
    let mut players: Vec<&str> = Vec::new();
    for part in feeds.iter().flat_map(|feed| &feed.parts) {
        if let FeedSource::Click(click) = part.source
            && let Some(click) = show.clicks.get(click)
            && !click.player.is_empty()
            && !players.contains(&click.player.as_str())
        {
            players.push(&click.player);
        }
    }
    players.join(", ")
}

/// Peaks of the quietest and the loudest hit that a feed of the show ever has, in dBFS: the one to start at, which
/// nobody takes ears out for, and the one that ears are used to.
fn levels(set: &Set, feeds: &[&Feed]) -> (f64, f64) {
    let peak = |sound: u16| set.sounds.get(usize::from(sound)).map_or(0.0, |sound| sound.onset_peak);
    let (mut quiet, mut loud) = (f64::INFINITY, f64::NEG_INFINITY);
    for part in feeds.iter().flat_map(|feed| &feed.parts) {
        let lane = match part.source {
            FeedSource::Click(click) => set.lanes.get(click).map(|lanes| lanes.own),
            FeedSource::Fallback(click) => set.lanes.get(click).map(|lanes| lanes.fallback),
            FeedSource::Input(_) => None,
        };
        let legs = set.songs.iter().flat_map(|song| &song.legs);
        let hits = legs.flat_map(|leg| leg.grid.hits.iter()).filter(|hit| Some(hit.lane) == lane);
        for hit in hits {
            let level = 20.0 * f64::from(hit.gain * peak(hit.sound)).max(1e-6).log10() + part.level.0;
            (quiet, loud) = (quiet.min(level), loud.max(level));
        }
    }
    if !quiet.is_finite() {
        return (QUIET_DB, USUAL_CEILING_DB);
    }
    (quiet.clamp(LEAST_QUIET_DB, QUIET_DB), loud)
}

fn inputs(rig: &Rig, show: Option<&Show>) -> Vec<Input> {
    let line = |channel: u16, name: &str| Input {
        channel,
        name: name.into(),
        role: Role::Backup,
        expects: Expects::Signal,
        player: String::new(),
        ambient: false,
        inverted: false,
    };
    let mut inputs: Vec<Input> = Vec::new();
    if let Some(main) = &rig.main {
        inputs.push(line(main.timecode, "main's timecode"));
        inputs.extend(main.click.as_ref().map(|(channel, name)| line(*channel, &format!("main's {name}"))));
    }
    inputs.extend(rig.return_line.map(|channel| line(channel, "backup's timecode")));
    for (name, channel) in &rig.inputs {
        let of_show = show.and_then(|show| show.inputs.iter().find(|input| input.name == *name));
        let kind = of_show.map_or(InputKind::Ambient, |input| input.kind);
        if kind == InputKind::Click {
            inputs.push(line(*channel, name));
            continue;
        }
        let ambient = kind == InputKind::Ambient;
        let first = ambient && !inputs.iter().any(|input| input.ambient);
        inputs.push(Input {
            channel: *channel,
            name: name.clone(),
            role: if first { Role::Ambient } else { Role::Rest },
            expects: Expects::Clap,
            player: of_show.map_or(String::new(), |input| input.player.clone()),
            ambient,
            inverted: of_show.is_some_and(|input| input.inverted),
        });
    }
    inputs
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::show;
    use crate::units::SampleRate;
    use std::path::Path;

    const SHOW: &str = "show = \"Coast run\"\n[click.keys]\nplayer = \"Tern\"\n[click.kit]\nplayer = \"Wren\"\nevery = \"sixteenths\"\n\
        [input.talk]\nkind = \"talkback\"\nplayer = \"Wren\"\n[input.roof]\ninverted = true\n[input.room]\n[feed.keys]\nstereo = true\nhears = { keys = 0 }\n\
        [feed.wren]\nhears = { kit = -6, room = -12 }\n[[song]]\ntitle = \"Low Tide\"\ntempo = 120\nbars = 4\n";
    const RIG: &str = "machine = \"main\"\n[outputs]\nkeys = [1, 2]\nwren = 3\n[inputs]\ntalk = 1\nroof = 2\nroom = 3\n[timecode]\n\
        output = 8\n[return]\ntimecode = 4\n";

    fn plan(with_show: bool) -> Plan {
        let rig = show::parse_rig(RIG, "rig.toml", Path::new("")).rig.unwrap();
        let show = show::parse_show(SHOW, "show.toml", Path::new("")).show.unwrap();
        let set = crate::click::prepare::prepare(&show, SampleRate::standard()).unwrap().set;
        Plan::of(&rig, &rig.outputs, with_show.then_some((&show, &set)), -12.0)
    }

    fn names(plan: &Plan) -> Vec<&str> {
        let name = |item: &Item| match *item {
            Item::Output(index) => plan.outputs[index].name.as_str(),
            Item::Input(index) => plan.inputs[index].name.as_str(),
        };
        plan.order.iter().map(name).collect()
    }

    #[test]
    fn the_drummer_comes_first_then_the_backup_then_one_ambient_then_the_rest() {
        let mut plan = plan(true);
        // Wren's feed is the drummer's by its click, called a kit.
        let order =
            ["wren", "timecode", "backup's timecode", "roof", "keys left", "keys right", "talk", "room"];
        assert_eq!(names(&plan), order);
        plan.shorten();
        assert_eq!(names(&plan), ["wren", "timecode", "backup's timecode", "roof"]);
        assert!(plan.keep_only(&["horn".into()]).unwrap_err().contains("timecode"));
        plan.keep_only(&["2".into(), "wren".into()]).unwrap();
        assert_eq!(names(&plan), ["wren", "roof"]);
    }

    #[test]
    fn a_pattern_starts_at_the_feed_s_quietest_hit_and_rises_to_its_loudest() {
        let plan = plan(true);
        let wren = plan.outputs.iter().find(|output| output.name == "wren").unwrap();
        // Wood peaks at −12 dB; sixteenths lie 12 dB and accents 0 dB below it, the feed another 6 dB.
        assert!((wren.quiet_db - QUIET_DB).abs() < 1e-9 && (wren.ceiling_db + 18.0).abs() < 0.1, "{wren:?}");
        assert!(
            plan.outputs
                .iter()
                .all(|output| output.ceiling_db <= -12.0 && output.quiet_db <= output.ceiling_db)
        );
        let inverted: Vec<_> =
            plan.inputs.iter().filter(|input| input.inverted).map(|input| &input.name).collect();
        assert_eq!(inverted, ["roof"]);
    }

    #[test]
    fn a_player_s_own_microphone_is_found_for_the_feed_that_they_hear() {
        let plan = plan(true);
        let own = |name: &str| {
            let output = plan.outputs.iter().find(|output| output.name == name)?;
            plan.own_microphone(output).map(|input| input.name.as_str())
        };
        assert_eq!((own("wren"), own("keys left"), own("timecode")), (Some("talk"), None, None));
    }

    #[test]
    fn without_a_show_the_first_output_counts_as_the_drummer_s_and_inputs_as_rooms() {
        let plan = plan(false);
        assert_eq!(names(&plan)[0], "keys left");
        assert!(plan.inputs.iter().filter(|input| input.expects == Expects::Clap).all(|input| input.ambient));
    }
}
