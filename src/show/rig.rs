//! Which feed goes to which channel of which interface.

use super::fault::Fault;
use super::keys;
use super::model::{Host, InterfaceChoice, Outlet, Rig, Role, Second, Show, Wiring};
use super::read::{load, unreadable};
use super::walk::{Node, Place, Table, Walk, Wrong, number_text};
use crate::units::SampleRate;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use toml::de::DeTable;

const MOST_CHANNELS: u32 = 256;
const MOST_FOLDS: usize = 16;

/// A rig file as far as it was understood.
#[derive(Clone, Debug)]
pub struct RigReading {
    /// `None` when the file has a fault.
    pub rig: Option<Rig>,
    /// All of them, in file order.
    pub faults: Vec<Fault>,
    pub text: String,
    pub name: String,
    /// Where names of feeds and inputs stand.
    places: BTreeMap<String, Place>,
    /// Where the click that comes from the main is named.
    click_is: Option<Place>,
}

/// Reads a rig file. Errors: the file cannot be read at all.
pub fn read_rig(path: &Path) -> Result<RigReading, std::io::Error> {
    let (text, name, folder) = load(path)?;
    Ok(parse_rig(&text, &name, &folder))
}

/// Checks a rig's text. Panics: never.
pub fn parse_rig(text: &str, name: &str, folder: &Path) -> RigReading {
    let text = text.strip_prefix('\u{feff}').map_or_else(|| text.to_string(), |rest| format!("   {rest}"));
    let mut reading = RigReading {
        rig: None,
        faults: Vec::new(),
        text,
        name: name.into(),
        places: BTreeMap::new(),
        click_is: None,
    };
    if let Some(fault) = unreadable(&reading.text) {
        reading.faults.push(fault);
        return reading;
    }
    let repaired = super::syntax::repair(&reading.text);
    let rest = if repaired.is_good { repaired.text.as_str() } else { "" };
    let (tree, _) = DeTable::parse_recoverable(rest);
    let mut walk = Walk::new(rest);
    let mut places = BTreeMap::new();
    let rig = rig(&mut walk, tree.get_ref(), name, folder, &mut places);
    let good = walk.count == 0 && repaired.faults.is_empty();
    let stands = |draft: &super::walk::Draft| repaired.faults.is_empty() || !draft.missing;
    let mut faults: Vec<_> = walk.drafts.into_iter().filter(stands).map(|draft| draft.fault).collect();
    faults.extend(repaired.faults);
    faults.sort_by_key(|fault| (fault.span.start, fault.span.end));
    reading.rig = good.then_some(rig);
    reading.faults = faults;
    reading.places = places;
    let click_is = tree.get_ref().get("main").and_then(|main| main.get_ref().get("click_is"));
    reading.click_is = click_is.map(|name| name.span().into());
    reading
}

impl RigReading {
    /// What does not fit the show, placed in this file.
    pub fn faults_against(&self, show: &Show) -> Vec<Fault> {
        let Some(rig) = &self.rig else { return Vec::new() };
        let lines = super::fault::Lines::new(&self.text);
        let named = |fault: &Fault| self.places.get(fault.found.trim_matches('"')).copied();
        let patched = patch_faults(show, rig).into_iter().map(|fault| (named(&fault), fault));
        let of_main = main_faults(show, rig).into_iter().map(|fault| (self.click_is, fault));
        let place = |(place, mut fault): (Option<Place>, Fault)| {
            let place = place.unwrap_or_else(|| self.outputs_header());
            (fault.line, fault.column) = lines.place(place.start);
            fault.span = place.start..place.end;
            fault
        };
        let mut faults: Vec<Fault> = patched.chain(of_main).map(place).collect();
        faults.sort_by_key(|fault| fault.span.start);
        faults
    }

    fn outputs_header(&self) -> Place {
        let start = self.text.find("[outputs]").unwrap_or(0);
        Place { start, end: (start + "[outputs]".len()).min(self.text.len()) }
    }
}

fn rig<'t>(
    walk: &mut Walk<'t>,
    tree: &'t DeTable<'t>,
    name: &str,
    folder: &Path,
    places: &mut BTreeMap<String, Place>,
) -> Rig {
    let table = walk.enter(tree, Place { start: 0, end: 0 }, &keys::RIG);
    let title = table.get("rig").and_then(|node| walk.label(&node, 80));
    let stem =
        || Path::new(name).file_stem().map_or("rig".into(), |stem| stem.to_string_lossy().into_owned());
    let mut rig = Rig {
        title: title.map_or_else(stem, String::from),
        interface: interface(walk, &table, "interface"),
        outputs: table
            .get("outputs")
            .map(|node| outputs(walk, &node, places))
            .unwrap_or_else(|| no_outputs(walk)),
        folds: table.get("fold").map(|node| folds(walk, &node, places)).unwrap_or_default(),
        inputs: table.get("inputs").map(|node| inputs(walk, &node, places)).unwrap_or_default(),
        keys: table.get("keys").map(|node| bindings(walk, &node)).unwrap_or_default(),
        second: None,
        machine: Role::Alone,
        timecode: None,
        main: None,
        return_line: None,
        spare_loop: None,
        exposure: Vec::new(),
        spoken: Vec::new(),
        spare: None,
        folder: folder.into(),
    };
    rig.second = table.get("second").and_then(|node| second(walk, &node, &rig, places));
    rig.spoken = table.get("spoken").map(|node| spoken(walk, &node, &rig)).unwrap_or_default();
    rig.spare = table
        .get("spare")
        .is_some()
        .then(|| InterfaceChoice { rate: rig.interface.rate, ..interface(walk, &table, "spare") });
    super::machines::read(walk, &table, &mut rig);
    if let Some(node) = table.get("exposure") {
        rig.exposure = super::exposure::read(walk, &node, &rig);
    }
    rig
}

fn no_outputs(walk: &mut Walk<'_>) -> Vec<Outlet> {
    let wrong = Wrong::new(
        "this rig has no outputs",
        "[outputs] with a channel for each feed",
        "add [outputs] and for example drums = 1",
    );
    walk.missing(Place { start: 0, end: 0 }, wrong);
    Vec::new()
}

/// `[interface]`, and `[spare]`, which has its keys.
fn interface<'t>(walk: &mut Walk<'t>, rig: &Table<'t>, key: &str) -> InterfaceChoice {
    let usual = InterfaceChoice {
        host: Host::Virtual,
        device: String::new(),
        rate: SampleRate::standard(),
        block: 128,
    };
    match rig.get(key).and_then(|node| walk.table(&node, &keys::INTERFACE)) {
        Some(table) => chosen(walk, &table, usual),
        None => usual,
    }
}

/// `[second]`: an interface, and its inputs.
fn second<'t>(
    walk: &mut Walk<'t>,
    node: &Node<'t>,
    rig: &Rig,
    places: &mut BTreeMap<String, Place>,
) -> Option<Second> {
    let table = walk.table(node, &keys::SECOND)?;
    let usual = InterfaceChoice { host: Host::Virtual, device: String::new(), ..rig.interface.clone() };
    let choice = chosen(walk, &table, usual);
    let heard = super::section::need(walk, &table, "inputs")?;
    let inputs = inputs(walk, &heard, places);
    if inputs.is_empty() && heard.value.is_table() {
        walk.wrong(&heard, "this second interface has no inputs", "inputs = { hall = 1 }");
    }
    if let Some((name, _)) = inputs.iter().find(|(name, _)| rig.inputs.iter().any(|(other, _)| other == name))
    {
        let wrong = Wrong::new(
            format!("the input \"{}\" is on both interfaces", super::fault::quote(name)),
            "each input on one of them",
            "take it out of [inputs] or out of [second]",
        );
        walk.fault(heard.at, wrong);
    }
    let same = rig.interface.host == choice.host && rig.interface.device == choice.device;
    if same && choice.host != Host::Virtual && walk.count == 0 {
        let wrong = Wrong::new(
            "the second interface is the first one",
            "another device",
            "put its inputs into [inputs], or name another device",
        );
        walk.missing(table.place("device"), wrong);
    }
    Some(Second { choice, inputs })
}

/// The keys that say which device.
fn chosen<'t>(walk: &mut Walk<'t>, table: &Table<'t>, usual: InterfaceChoice) -> InterfaceChoice {
    let mut choice = usual;
    let hosts = [
        ("virtual", Host::Virtual),
        ("jack", Host::Jack),
        ("alsa", Host::Alsa),
        ("coreaudio", Host::CoreAudio),
        ("wasapi", Host::Wasapi),
    ];
    choice.host = table.get("host").and_then(|node| walk.choice(&node, &hosts)).unwrap_or(choice.host);
    choice.device = table.get("device").and_then(|node| walk.label(&node, 200)).unwrap_or_default().into();
    let rate = table.get("rate").and_then(|node| walk.whole(&node, 8_000..=384_000, " Hz"));
    choice.rate = rate.and_then(SampleRate::new).unwrap_or(choice.rate);
    choice.block =
        table.get("block").and_then(|node| walk.whole(&node, 8..=8192, " frames")).unwrap_or(choice.block);
    let named = matches!(choice.host, Host::Alsa | Host::CoreAudio | Host::Wasapi);
    if named && table.get("device").is_none() && walk.count == 0 {
        let wrong = Wrong::new(
            "this rig does not say which device",
            "a device of this host, as `fogbell interfaces` lists them",
            "run fogbell interfaces, and add device = \"...\"",
        );
        walk.missing(table.place("host"), wrong);
    }
    choice
}

/// `[outputs]`: feed = channel, or [left, right].
fn outputs<'t>(walk: &mut Walk<'t>, node: &Node<'t>, places: &mut BTreeMap<String, Place>) -> Vec<Outlet> {
    let mut outlets: Vec<Outlet> = Vec::new();
    let entries = walk.named(node);
    if entries.is_empty() && node.value.is_table() {
        no_outputs(walk);
    }
    for entry in entries {
        places.insert(entry.key.into(), entry.at);
        let items = if entry.value.is_array() { walk.list(&entry).unwrap_or_default() } else { vec![entry] };
        if items.is_empty() || items.len() > 2 {
            walk.wrong(&entry, "a feed has one channel, or a left and a right", "1, or [1, 2]");
            continue;
        }
        let channels: Vec<u16> = items.iter().filter_map(|item| channel(walk, item)).collect();
        let known = |channel: &u16| outlets.iter().any(|outlet| outlet.channels.contains(channel));
        let twice = channels.iter().find(|channel| known(channel)).copied();
        let twice = twice.or(channels.first().copied().filter(|first| channels.get(1) == Some(first)));
        if let Some(channel) = twice {
            taken(walk, &entry, channel);
        } else if channels.len() == items.len() {
            outlets.push(Outlet { channels, feeds: vec![entry.key.into()] });
        }
    }
    outlets.sort_by_key(|outlet| outlet.channels.first().copied());
    outlets
}

pub(super) fn channel<'t>(walk: &mut Walk<'t>, node: &Node<'t>) -> Option<u16> {
    walk.whole(node, 1..=MOST_CHANNELS, "").and_then(|channel| u16::try_from(channel).ok())
}

fn taken<'t>(walk: &mut Walk<'t>, node: &Node<'t>, channel: u16) {
    let wrong = Wrong::new(
        format!("channel {channel} is taken already"),
        "each channel once; a [[fold]] puts several feeds on one channel",
        "give it another channel, or fold the feeds",
    );
    walk.fault(node.at, wrong);
}

fn folds<'t>(walk: &mut Walk<'t>, node: &Node<'t>, places: &mut BTreeMap<String, Place>) -> Vec<Vec<Outlet>> {
    let mut folds: Vec<(u32, Vec<Outlet>)> = Vec::new();
    let items = walk.list(node).unwrap_or_default();
    super::band::too_many(walk, &items, MOST_FOLDS, "folds");
    for item in items.iter().take(MOST_FOLDS) {
        let Some(table) = walk.table(item, &keys::FOLD) else { continue };
        let outputs = super::section::need(walk, &table, "outputs");
        let outputs = outputs.and_then(|node| walk.whole(&node, 1..=MOST_CHANNELS, " outputs"));
        let channels = super::section::need(walk, &table, "channels");
        let Some((outputs, channels)) = outputs.zip(channels) else { continue };
        if folds.iter().any(|(other, _)| *other == outputs) {
            let what = format!("there are two folds for {outputs} outputs");
            walk.fault(
                table.place("outputs"),
                Wrong::new(what, "one fold for each number of outputs", "take one out"),
            );
            continue;
        }
        let outlets = fold(walk, &channels, outputs, places);
        folds.push((outputs, outlets));
    }
    folds.sort_by_key(|(outputs, _)| std::cmp::Reverse(*outputs));
    folds.into_iter().map(|(_, outlets)| outlets).collect()
}

/// `{ 1 = ["drums"], "3+4" = ["keys"] }`.
fn fold<'t>(
    walk: &mut Walk<'t>,
    node: &Node<'t>,
    outputs: u32,
    places: &mut BTreeMap<String, Place>,
) -> Vec<Outlet> {
    let mut outlets: Vec<Outlet> = Vec::new();
    for entry in walk.named(node) {
        let channels = entry.key.split('+').map(|part| part.trim().parse::<u16>().ok().filter(|n| *n >= 1));
        let channels = channels.collect::<Option<Vec<u16>>>().filter(|list| list.len() <= 2);
        let Some(channels) = channels.filter(|list| list.iter().all(|n| u32::from(*n) <= outputs)) else {
            let wrong = Wrong::new(
                format!("`{}` is no channel of this fold", super::fault::quote(entry.key)),
                format!("1 to {outputs}, or a pair such as \"1+2\""),
                "write for example channels = { 1 = [\"drums\"] }",
            );
            walk.fault(entry.at, wrong);
            continue;
        };
        let used = channels.iter().find(|n| outlets.iter().any(|outlet| outlet.channels.contains(n)));
        let used = used.or(channels.first().filter(|first| channels.get(1) == Some(first)));
        if let Some(channel) = used {
            taken(walk, &entry, *channel);
            continue;
        }
        let items = if entry.value.is_array() { walk.list(&entry).unwrap_or_default() } else { vec![entry] };
        let mut feeds = Vec::new();
        for item in &items {
            let Some(feed) = walk.string(item) else { continue };
            places.entry(feed.into()).or_insert(item.at);
            if feeds.iter().any(|other| other == feed) {
                walk.fault(
                    item.at,
                    Wrong::new(format!("\"{feed}\" is named twice"), "each feed once", "take one out"),
                );
            } else {
                feeds.push(feed.to_string());
            }
        }
        if items.is_empty() {
            walk.wrong(&entry, "this channel has no feed", "names of feeds");
        }
        outlets.push(Outlet { channels, feeds });
    }
    outlets.sort_by_key(|outlet| outlet.channels.first().copied());
    outlets
}

fn inputs<'t>(
    walk: &mut Walk<'t>,
    node: &Node<'t>,
    places: &mut BTreeMap<String, Place>,
) -> Vec<(String, u16)> {
    let mut inputs: Vec<(String, u16)> = Vec::new();
    for entry in walk.named(node) {
        places.insert(entry.key.into(), entry.at);
        let Some(channel) = channel(walk, &entry) else { continue };
        if inputs.iter().any(|(_, other)| *other == channel) {
            let what = format!("input channel {channel} is taken already");
            walk.fault(entry.at, Wrong::new(what, "each channel once", "give it another channel"));
            continue;
        }
        inputs.push((entry.key.into(), channel));
    }
    inputs
}

/// Longest spoken name, in seconds.
const LONGEST_SPOKEN: f64 = 5.0;

/// `[spoken]`: feed = WAV.
fn spoken<'t>(walk: &mut Walk<'t>, node: &Node<'t>, rig: &Rig) -> Vec<(String, PathBuf)> {
    let mut spoken = Vec::new();
    for entry in walk.named(node) {
        let outlets = rig.outputs.iter().chain(rig.folds.iter().flatten());
        let mut feeds = outlets.flat_map(|outlet| &outlet.feeds);
        if !feeds.any(|feed| feed == entry.key) {
            let names = rig.outputs.iter().flat_map(|outlet| &outlet.feeds).map(String::as_str);
            walk.fault(entry.key_at, super::band::unknown_name("feed", entry.key, names));
            continue;
        }
        let Some((path, header)) = walk.wav(&entry, &rig.folder) else { continue };
        if header.seconds > LONGEST_SPOKEN {
            let what = format!("this name takes {:.1} s to say", header.seconds);
            walk.fault(entry.at, Wrong::new(what, "5 s at most", "cut the file after the name"));
            continue;
        }
        spoken.push((entry.key.into(), path));
    }
    spoken
}

/// `[keys]`: action = key, or a list of keys. Which actions and keys there are, the view knows.
fn bindings<'t>(walk: &mut Walk<'t>, node: &Node<'t>) -> Vec<(String, String)> {
    let mut bindings: Vec<(String, String)> = Vec::new();
    for entry in walk.named(node) {
        let items = if entry.value.is_array() { walk.list(&entry).unwrap_or_default() } else { vec![entry] };
        if items.is_empty() {
            walk.wrong(
                &entry,
                format!("`{}` names no key", super::fault::quote(entry.key)),
                "a key, or a list of keys",
            );
        }
        for item in items {
            let key = match number_text(item.value) {
                Some(digit) => Some(digit),
                None => walk.label(&item, 20),
            };
            let Some(key) = key else { continue };
            if let Some((action, _)) = bindings.iter().find(|(_, other)| other.eq_ignore_ascii_case(key)) {
                let what =
                    format!("the key {} already does `{action}`", super::fault::quote(&format!("\"{key}\"")));
                walk.fault(item.at, Wrong::new(what, "each key once", "choose another key"));
                continue;
            }
            bindings.push((entry.key.into(), key.into()));
        }
    }
    bindings
}

/// A rig for a show without one: the virtual interface, feeds on channels in order, inputs too.
pub fn default_rig(show: &Show) -> Rig {
    let mut next = 1u16;
    let mut outputs = Vec::new();
    for feed in &show.feeds {
        let width = if feed.stereo { 2 } else { 1 };
        outputs.push(Outlet { channels: (next..next + width).collect(), feeds: vec![feed.name.clone()] });
        next += width;
    }
    Rig {
        title: "virtual".into(),
        interface: InterfaceChoice {
            host: Host::Virtual,
            device: String::new(),
            rate: SampleRate::standard(),
            block: 128,
        },
        outputs,
        folds: Vec::new(),
        inputs: show.inputs.iter().zip(1..).map(|(input, channel)| (input.name.clone(), channel)).collect(),
        keys: Vec::new(),
        second: None,
        machine: Role::Alone,
        timecode: None,
        main: None,
        return_line: None,
        spare_loop: None,
        exposure: Vec::new(),
        spoken: Vec::new(),
        spare: None,
        folder: show.folder.clone(),
    }
}

/// What in a rig does not fit a show. The faults have no place (line 0): see [`RigReading::faults_against`].
pub fn check_rig_against(show: &Show, rig: &Rig) -> Vec<Fault> {
    let mut faults = patch_faults(show, rig);
    faults.extend(main_faults(show, rig));
    faults
}

/// The click that comes from the main.
fn main_faults(show: &Show, rig: &Rig) -> Option<Fault> {
    let main = rig.main.as_ref()?;
    let (_, name) = main.click.as_ref()?;
    let Some(click) = show.clicks.iter().find(|click| click.name == *name) else {
        let names = show.clicks.iter().map(|click| click.name.as_str());
        return Some(placeless(name, super::band::unknown_name("click", name, names)));
    };
    let input = &show.inputs.get(click.external?)?.name;
    let patched = rig.inputs.iter().any(|(patched, _)| patched == input);
    (patched && main.wiring == Wiring::PassThrough).then(|| {
        let wrong = Wrong::new(
            format!("\"{name}\" would come from the main and from the input \"{input}\""),
            "one of them: what is passed through comes from one place",
            format!("take {input} out of [inputs] here, where the main passes it on, or write another click"),
        );
        placeless(name, wrong)
    })
}

/// Feeds and inputs of the show, and their channels.
fn patch_faults(show: &Show, rig: &Rig) -> Vec<Fault> {
    let mut faults = Vec::new();
    check_outlets(show, &rig.outputs, "outputs", &mut faults);
    for fold in &rig.folds {
        check_outlets(show, fold, "fold", &mut faults);
    }
    let second = rig.second.iter().flat_map(|second| &second.inputs);
    for (name, _) in second.clone() {
        let click = show.clicks.iter().find(|click| {
            click.external.and_then(|input| show.inputs.get(input)).is_some_and(|input| input.name == *name)
        });
        if let Some(click) = click {
            let wrong = Wrong::new(
                format!("the click \"{}\" comes in on the second interface", click.name),
                "a click on the main interface: what comes from another clock is resampled",
                format!("plug it into [interface], and write {name} under [inputs]"),
            );
            faults.push(placeless(name, wrong));
        }
    }
    for (name, _) in rig.inputs.iter().chain(second) {
        if !show.inputs.iter().any(|input| input.name == *name) {
            let names = show.inputs.iter().map(|input| input.name.as_str());
            faults.push(placeless(name, super::band::unknown_name("input", name, names)));
        }
    }
    faults
}

fn check_outlets(show: &Show, outlets: &[Outlet], of: &str, faults: &mut Vec<Fault>) {
    for outlet in outlets {
        faults.extend(cancelled(show, outlet));
        for name in &outlet.feeds {
            let Some(feed) = show.feeds.iter().find(|feed| feed.name == *name) else {
                let names = show.feeds.iter().map(|feed| feed.name.as_str());
                faults.push(placeless(name, super::band::unknown_name("feed", name, names)));
                continue;
            };
            let channels = outlet.channels.len();
            if of == "outputs" && (channels == 2) != feed.stereo {
                let (is, wants) =
                    if feed.stereo { ("stereo", "[left, right]") } else { ("mono", "one channel") };
                let wrong = Wrong::new(
                    format!(
                        "the feed \"{name}\" is {is}, and here it has {channels} channel{}",
                        if channels == 1 { "" } else { "s" }
                    ),
                    wants,
                    format!("write {wants}, or stereo = {} in the show", !feed.stereo),
                );
                faults.push(placeless(name, wrong));
            }
        }
    }
    for feed in &show.feeds {
        if !outlets.iter().any(|outlet| outlet.feeds.contains(&feed.name)) {
            let wrong = Wrong::new(
                format!("the feed \"{}\" goes to no channel of [{of}]", feed.name),
                "every feed of the show on a channel",
                format!("add for example {} = {}", feed.name, outlets.len() + 1),
            );
            faults.push(Fault { found: String::new(), ..placeless("", wrong) });
        }
    }
}

/// Feeds on one channel that take a source out of each other.
fn cancelled(show: &Show, outlet: &Outlet) -> Option<Fault> {
    let feeds = outlet.feeds.iter().filter_map(|name| show.feeds.iter().find(|feed| feed.name == *name));
    let parts: Vec<_> =
        feeds.flat_map(|feed| feed.parts.iter().map(|part| (feed.name.as_str(), part))).collect();
    let feeds = super::ambient::fold_cancels(&parts)?;
    let wrong = Wrong::new(
        format!("{feeds}, mixed on one channel, have a source in opposite polarity: it would be gone"),
        "one polarity for all feeds of a channel",
        "take inverted = \"both\" out of one of them in the show, or give each a channel of its own",
    );
    Some(placeless(outlet.feeds.last().map_or("", String::as_str), wrong))
}

fn placeless(name: &str, wrong: Wrong) -> Fault {
    Fault {
        line: 0,
        column: 0,
        span: 0..0,
        what: wrong.what,
        found: format!("\"{name}\""),
        allowed: wrong.allowed,
        mend: wrong.mend,
        song: None,
    }
}
