//! One output channel: its samples of the last seconds, what is due on it, and what is left of it.

use super::correlate::{Correlator, energy, key};
use super::due::{Due, Shape};
use super::explain::{Cover, FOUND_PART, Reach, Search};
use super::fit::{Atom, Scene, Solution, add};
use super::template::Template;
use super::verdict::{Finding, Outcome, Verdict};
use std::collections::VecDeque;
use std::sync::Arc;

/// Lengths in frames at the rate in use.
#[derive(Clone, Copy, Debug)]
pub struct Lengths {
    /// A hit is looked for this far from its place (10 ms).
    pub moved: i64,
    /// An extra hit is looked for together with a due one this far from it (60 ms).
    pub extra: i64,
    /// A hit has sounded once this much left (2 ms).
    pub begun: i64,
    /// A hit whose frames nobody asked for may come this late (5 ms).
    pub forgiven: i64,
    /// Hits closer than this are judged together (30 ms).
    pub together: i64,
    /// Around an edge (mute, all out, a switch) no extra hit is looked for: before and after it.
    pub edge: (i64, i64),
}

impl Lengths {
    pub fn at(rate: u32) -> Lengths {
        let ms = |ms: i64| i64::from(rate) * ms / 1000;
        Lengths {
            moved: ms(10),
            extra: ms(60),
            begun: ms(2),
            forgiven: ms(5),
            together: ms(30),
            edge: (ms(25), ms(25)),
        }
    }
}

/// A due hit with its sound looked up.
#[derive(Clone, Debug)]
struct Wanted {
    due: Due,
    template: Arc<Template>,
    or: Option<(Arc<Template>, f32)>,
    /// Frame of the template's first sample.
    start: i64,
    /// Frames that it may come late, because its own frame was never asked for.
    forgiven: i64,
}

/// An atom of a scene and the due hits it stands for (none: an extra, or a neighbour judged later).
#[derive(Clone, Debug, Default)]
struct Owner {
    wanted: Vec<usize>,
    judged_now: bool,
}

/// A sound met on a channel.
struct Known {
    template: Arc<Template>,
    gain: f32,
    /// The sound of a single hit of a streamed file.
    single: bool,
}

/// One output channel.
pub struct Ear {
    channel: u16,
    lengths: Lengths,
    /// Frame of `left[0]`.
    base: Option<i64>,
    /// Samples minus everything explained so far.
    left: Vec<f32>,
    /// Frames that nobody asked for, and frames that the recording does not hold.
    lost: Vec<(i64, i64)>,
    unheard: Vec<(i64, i64)>,
    wanted: VecDeque<Wanted>,
    cuts: Vec<(Option<u8>, i64)>,
    edges: Vec<i64>,
    /// Sounds met on this channel and their last planned gain.
    pool: Vec<Known>,
    scanned: i64,
}

/// Sounds that a channel is searched for at most.
const POOL: usize = 16;
/// Of them, sounds of single streamed hits.
const SINGLES: usize = 2;
/// Due hits of one scene at most.
const SCENE_HITS: usize = 24;

impl Ear {
    pub fn new(channel: u16, lengths: Lengths) -> Ear {
        Ear {
            channel,
            lengths,
            base: None,
            left: Vec::new(),
            lost: Vec::new(),
            unheard: Vec::new(),
            wanted: VecDeque::new(),
            cuts: Vec::new(),
            edges: Vec::new(),
            pool: Vec::new(),
            scanned: i64::MIN,
        }
    }

    /// First frame that was not heard yet.
    pub fn end(&self) -> Option<i64> {
        self.base.map(|base| base + self.left.len() as i64)
    }

    /// Frames of memory in use.
    pub fn held_frames(&self) -> usize {
        self.left.len()
    }

    pub fn expect(&mut self, due: Due, template: Arc<Template>, or: Option<(Arc<Template>, f32)>) {
        if template.energy() <= 0.0 || due.gain <= 0.0 {
            return;
        }
        let start = due.frame.0 - template.lead();
        let place = self.wanted.partition_point(|other| other.start <= start);
        self.wanted.insert(place, Wanted { due, template, or, start, forgiven: 0 });
    }

    /// Tails of a click (of all: `None`) end here.
    pub fn cut(&mut self, click: Option<u8>, at: i64) {
        self.cuts.push((click, at));
        self.edge(at);
    }

    /// Sound may begin or end here although no hit is due.
    pub fn edge(&mut self, at: i64) {
        self.edges.push(at);
    }

    /// Takes samples; a gap before them is frames that nobody asked for (`lost`, the last ones of the gap)
    /// and frames that the recording dropped. Frames heard before are skipped.
    pub fn hear(&mut self, at: i64, lost: i64, samples: &[f32]) {
        let end = match self.end() {
            Some(end) => end,
            None => {
                self.base = Some(at);
                self.scanned = at;
                at
            }
        };
        if at > end {
            let lost_from = (at - lost.max(0)).max(end);
            push_range(&mut self.unheard, end, lost_from);
            push_range(&mut self.lost, lost_from, at);
            self.left.resize(self.left.len() + (at - end) as usize, 0.0);
        }
        let skip = usize::try_from(end - at).unwrap_or(0).min(samples.len());
        let finite = |sample: &f32| if sample.is_finite() { *sample } else { 0.0 };
        self.left.extend(samples[skip..].iter().map(finite));
    }

    /// Judges every hit that lies wholly before `limit`, then searches what is left.
    pub fn judge(&mut self, limit: i64, correlator: &mut Correlator, verdict: &mut Verdict) {
        if self.base.is_none() {
            return;
        }
        while let Some(group) = self.next_group(limit) {
            let begin = self.wanted.front().map_or(limit, |next| next.start);
            self.scan(begin.min(limit), correlator, verdict);
            self.judge_group(group, correlator, verdict);
        }
        let next = self.wanted.front().map_or(limit, |next| next.start);
        self.scan(next.min(limit), correlator, verdict);
        self.forget(limit);
    }

    /// The recording is over: judges what is left; a hit after its end is unheard.
    pub fn finish(&mut self, correlator: &mut Correlator, verdict: &mut Verdict) {
        let last = self.wanted.iter().map(|wanted| wanted.start + wanted.template.judged() as i64).max();
        let Some(end) = self.end().or(last) else { return };
        let room = correlator.size() as i64;
        let to = end.max(last.unwrap_or(end)) + 2 * room;
        self.hear(end, 0, &[]);
        self.hear(to, 0, &[]);
        self.judge(to, correlator, verdict);
    }

    fn next_group(&mut self, limit: i64) -> Option<usize> {
        let mut count = 0;
        let mut last = self.wanted.front()?.start;
        let mut end = last;
        for wanted in self.wanted.iter().take(SCENE_HITS / 2) {
            if count > 0 && wanted.start - last > self.lengths.together {
                break;
            }
            last = wanted.start;
            end = end.max(wanted.start + wanted.template.judged() as i64);
            count += 1;
        }
        (end + self.lengths.extra <= limit).then_some(count)
    }

    fn judge_group(&mut self, count: usize, correlator: &mut Correlator, verdict: &mut Verdict) {
        let mut group: Vec<Wanted> = self.wanted.drain(..count).collect();
        for wanted in &group {
            let single = matches!(wanted.due.shape, Shape::Own(_));
            learn(&mut self.pool, &wanted.template, wanted.due.gain, single);
            if let Some((template, gain)) = &wanted.or {
                learn(&mut self.pool, template, *gain, false);
            }
        }
        group.retain_mut(|wanted| self.reachable(wanted, verdict));
        if group.is_empty() {
            return;
        }
        let begin = group.iter().map(|wanted| wanted.start).min().unwrap_or(0) - self.lengths.extra;
        let end = group.iter().map(|wanted| wanted.start + wanted.template.judged() as i64).max();
        let end = end.unwrap_or(begin) + self.lengths.extra;
        let before = self.wanted.front().map_or(i64::MAX, |next| next.start - self.lengths.moved);
        let next = self.wanted.iter().take_while(|next| next.start < end).take(SCENE_HITS).cloned();
        let judged = group.len();
        group.extend(next);
        let holes = self.holes(begin, end);
        let signal = self.stretch(begin, end, &holes);
        let scene = Scene { from: begin, signal: &signal, holes: &holes };
        let (atoms, mut owners) = self.atoms(&group, judged);
        let reach =
            Reach { moved: self.lengths.moved, extra: self.lengths.extra, before, begun: self.lengths.begun };
        let pool: Vec<_> = self.pool.iter().map(|known| Arc::clone(&known.template)).collect();
        let mut search = Search { scene: &scene, correlator, reach, pool: &pool };
        let solution = settle(&mut search, atoms, &owners, &group);
        // What stands at or after a neighbour that is judged later is left for then.
        let now = |atom: &Atom| atom.place() < before;
        let judged_now = |atom: &Atom| Owner { wanted: Vec::new(), judged_now: now(atom) };
        owners.extend(solution.atoms[owners.len()..].iter().map(judged_now));
        let is_extra = |index: &usize| solution.atoms[*index].extra && owners[*index].judged_now;
        let mut extras: Vec<usize> = (0..solution.atoms.len()).filter(is_extra).collect();
        for (index, owner) in owners.iter().enumerate() {
            if owner.judged_now && !owner.wanted.is_empty() {
                self.count(&mut search, &solution, index, owner, &group, &mut extras, verdict);
            }
        }
        for index in extras {
            let atom = &solution.atoms[index];
            self.doubled(atom.place() + atom.template.lead(), atom.gain, &group[0].due, verdict);
        }
        for (atom, owner) in solution.atoms.iter().zip(&owners) {
            if owner.judged_now {
                self.take_out(atom);
            }
        }
    }

    /// Sees to hits whose frame was never asked for or never recorded.
    fn reachable(&self, wanted: &mut Wanted, verdict: &mut Verdict) -> bool {
        let frame = wanted.due.frame.0;
        let inside = |range: &&(i64, i64)| (range.0..range.1).contains(&frame);
        let before = self.base.is_none_or(|base| frame < base);
        if before || self.unheard.iter().any(|range| inside(&range)) {
            self.report(&wanted.due, Outcome::Unheard, 0.0, 0.0, false, verdict);
            return false;
        }
        if let Some((_, back)) = self.lost.iter().find(inside) {
            if back - frame > self.lengths.forgiven {
                self.report(&wanted.due, Outcome::LostWithDevice, 0.0, 0.0, false, verdict);
                return false;
            }
            wanted.forgiven = back - frame;
            wanted.start += wanted.forgiven;
        }
        let click = wanted.due.click;
        let cuts = self.cuts.iter().filter(|(of, at)| (of.is_none() || *of == click) && *at > frame);
        let cut = cuts.map(|(_, at)| *at).chain(wanted.due.cut.map(|cut| cut.0)).min();
        if let Some(cut) = cut {
            wanted.due.cut = Some(crate::units::FramePos(cut));
            wanted.due.judged &= cut - frame >= self.lengths.begun;
        }
        true
    }

    fn holes(&self, begin: i64, end: i64) -> Vec<(i64, i64)> {
        let meets = |range: &&(i64, i64)| range.0 < end && range.1 > begin;
        self.lost.iter().chain(&self.unheard).filter(meets).copied().collect()
    }

    fn stretch(&self, begin: i64, end: i64, holes: &[(i64, i64)]) -> Vec<f32> {
        let base = self.base.unwrap_or(begin);
        let mut signal = vec![0.0; (end - begin) as usize];
        let from = begin.max(base);
        let to = end.min(base + self.left.len() as i64);
        if from < to {
            let source = &self.left[(from - base) as usize..(to - base) as usize];
            signal[(from - begin) as usize..(to - begin) as usize].copy_from_slice(source);
        }
        for (a, b) in holes {
            signal[((*a).max(begin) - begin) as usize..((*b).min(end) - begin) as usize].fill(0.0);
        }
        signal
    }

    fn atoms(&self, group: &[Wanted], judged: usize) -> (Vec<Atom>, Vec<Owner>) {
        let (mut atoms, mut owners): (Vec<Atom>, Vec<Owner>) = (Vec::new(), Vec::new());
        for (index, wanted) in group.iter().enumerate() {
            let cut = wanted.due.cut.map(|cut| cut.0);
            let now = index < judged;
            let same = (0..atoms.len()).find(|other| {
                wanted.or.is_none()
                    && owners[*other].judged_now == now
                    && owners[*other].wanted.iter().all(|one| group[*one].or.is_none())
                    && atoms[*other].coincides(&wanted.template, wanted.start, cut)
            });
            let gain = f64::from(wanted.due.gain);
            if let Some(other) = same {
                atoms[other].planned += gain;
                owners[other].wanted.push(index);
                continue;
            }
            let template = Arc::clone(&wanted.template);
            let (start, planned) = (wanted.start, gain);
            atoms.push(Atom { template, start, lag: 0, planned, gain: 0.0, cut, extra: false });
            owners.push(Owner { wanted: vec![index], judged_now: now });
        }
        (atoms, owners)
    }

    #[allow(clippy::too_many_arguments)]
    fn count(
        &self,
        search: &mut Search,
        solution: &Solution,
        index: usize,
        owner: &Owner,
        group: &[Wanted],
        extras: &mut Vec<usize>,
        verdict: &mut Verdict,
    ) {
        let atom = &solution.atoms[index];
        let misfit = search.scene.misfit(solution, index, search.reach.moved);
        let cover =
            if misfit > fine(&atom.template) { search.cover(solution, index) } else { Cover::default() };
        let margin = (2.0 * cover.gain).min(0.4 * atom.planned);
        let blurred = cover.blurs_place || margin > 0.1 * atom.planned;
        let slip = if cover.blurs_place { 0.0 } else { search.scene.slip(solution, index).clamp(-0.5, 0.5) };
        if search.scene.held(atom) < 0.1 {
            for wanted in &owner.wanted {
                self.report(&group[*wanted].due, Outcome::Unheard, 0.0, 0.0, false, verdict);
            }
            return;
        }
        let gains: Vec<f64> = owner.wanted.iter().map(|one| planned(&group[*one], atom)).collect();
        let twins = twins(group, owner, atom);
        let twin_gains: Vec<f64> = twins.iter().map(|twin| twin.1).collect();
        let heard = heard_subset(&gains, &twin_gains, atom.gain, margin);
        if let Heard::Twice(which) = heard {
            let (of, gain) = twins[which];
            self.doubled(atom.place() + atom.template.lead(), gain, &group[of].due, verdict);
        }
        for (member, wanted) in owner.wanted.iter().enumerate() {
            let wanted = &group[*wanted];
            let level = atom.gain / atom.planned;
            let error = (atom.lag + wanted.forgiven) as f64 + slip;
            let mut outcome = outcome(&heard, member, level);
            if outcome != Outcome::Missed {
                outcome = moved_or_cut(outcome, atom, wanted);
            } else if let Some(at) = moved_away(extras, solution, atom, gains[member], search.reach.moved) {
                let lag = solution.atoms[at].place() - atom.start;
                self.report(&wanted.due, Outcome::Late, lag as f64, 1.0, blurred, verdict);
                continue;
            }
            self.report(&wanted.due, outcome, error, level_of(&heard, level), blurred, verdict);
        }
    }

    fn report(
        &self,
        due: &Due,
        outcome: Outcome,
        error_frames: f64,
        level: f64,
        blurred: bool,
        verdict: &mut Verdict,
    ) {
        if !due.judged {
            return;
        }
        let finding = Finding {
            outcome,
            frame: due.frame.0,
            channel: self.channel,
            click: due.click,
            song: due.song,
            bar: due.bar,
            beat: due.beat,
            subdivision: due.subdivision,
            kind: Some(due.kind),
            error_frames,
            level_db: decibels(level),
        };
        verdict.add(finding, blurred);
    }

    fn doubled(&self, frame: i64, gain: f64, near: &Due, verdict: &mut Verdict) {
        let finding = Finding {
            outcome: Outcome::Doubled,
            frame,
            channel: self.channel,
            click: near.click,
            song: near.song,
            bar: near.bar,
            beat: near.beat,
            subdivision: near.subdivision,
            kind: None,
            error_frames: (frame - near.frame.0) as f64,
            level_db: decibels(gain / f64::from(near.gain).max(1e-12)),
        };
        verdict.add(finding, false);
    }

    fn take_out(&mut self, atom: &Atom) {
        let base = self.base.unwrap_or(0);
        let samples = atom.template.samples();
        let end = (atom.place() + samples.len() as i64).min(atom.cut.unwrap_or(i64::MAX));
        let begin = atom.place().max(base);
        if end <= begin {
            return;
        }
        let skip = (begin - atom.place()) as usize;
        let frames = (end - begin) as usize;
        let at = ((begin - base) as usize).min(self.left.len());
        add(&mut self.left[at..], &samples[skip..skip + frames], -atom.gain as f32);
    }

    /// Searches what is left, up to the next due hit or the limit, for sounds that were not due.
    ///
    /// A place is searched when the sound there would end before `to`; the last stretch is searched again
    /// next time, which finds nothing twice because what is found is taken out.
    fn scan(&mut self, to: i64, correlator: &mut Correlator, verdict: &mut Verdict) {
        let longest = self.pool.iter().map(|known| known.template.judged()).max().unwrap_or(0);
        let most = correlator.size().saturating_sub(longest).max(1) as i64;
        while self.scanned < to - longest as i64 {
            let hop = most.min(to - self.scanned);
            self.scan_hop(self.scanned, hop, longest as i64, to, correlator, verdict);
            self.scanned = (self.scanned + hop).min(to - longest as i64);
        }
    }

    fn scan_hop(
        &mut self,
        from: i64,
        hop: i64,
        longest: i64,
        to: i64,
        correlator: &mut Correlator,
        verdict: &mut Verdict,
    ) {
        let end = (from + hop + longest).min(to);
        let holes = self.holes(from, end);
        for _ in 0..SCENE_HITS {
            let stretch = self.stretch(from, end, &holes);
            let Some((template, place, gain)) = self.loudest(from, hop as usize, &stretch, correlator) else {
                return;
            };
            let near = Due::plain(place + template.lead(), self.channel, 0, gain as f32);
            self.doubled(place + template.lead(), gain, &Due { click: None, ..near }, verdict);
            let planned = gain;
            self.take_out(&Atom { template, start: place, lag: 0, planned, gain, cut: None, extra: true });
        }
    }

    /// The known sound that explains most of a stretch, if it is loud and alike enough to be a hit.
    fn loudest(
        &self,
        from: i64,
        places: usize,
        stretch: &[f32],
        correlator: &mut Correlator,
    ) -> Option<(Arc<Template>, i64, f64)> {
        let peak = stretch.iter().fold(0.0f32, |peak, sample| peak.max(sample.abs()));
        let mut spectrum = None;
        let mut squares = None;
        let mut best: Option<(f64, Arc<Template>, i64, f64)> = None;
        for Known { template, gain: planned, .. } in &self.pool {
            if peak < 0.25 * planned * template.peak() {
                continue;
            }
            let spectrum = spectrum.get_or_insert_with(|| correlator.spectrum(stretch));
            let squares = squares.get_or_insert_with(|| running_squares(stretch));
            let places = places.min((stretch.len() + 1).saturating_sub(template.judged()));
            let matched = correlator.matched(spectrum, template, places);
            for (place, value) in matched.iter().enumerate() {
                let gain = f64::from(*value) / template.energy();
                if gain < EXTRA_PART * f64::from(*planned) {
                    continue;
                }
                let here = squares[place + template.judged()] - squares[place];
                let worth = gain * gain * template.energy();
                let at = from + place as i64;
                let alike = worth > ALIKE * ALIKE * here && !self.near_edge(at + template.lead());
                if alike && best.as_ref().is_none_or(|best| worth > best.0) {
                    best = Some((worth, Arc::clone(template), at, gain));
                }
            }
        }
        best.map(|(_, template, at, gain)| (template, at, gain))
    }

    fn near_edge(&self, at: i64) -> bool {
        let (before, after) = self.lengths.edge;
        self.edges.iter().any(|edge| (edge - before..edge + after).contains(&at))
    }

    /// Frees what nothing needs any more.
    fn forget(&mut self, limit: i64) {
        let Some(base) = self.base else { return };
        let next = self.wanted.front().map_or(i64::MAX, |next| next.start);
        let keep = self.scanned.min(next).min(limit) - 2 * self.lengths.extra;
        let spare = keep - base;
        if spare > self.lengths.extra * 8 {
            let spare = (spare as usize).min(self.left.len());
            self.left.drain(..spare);
            let base = base + spare as i64;
            self.base = Some(base);
            self.lost.retain(|range| range.1 > base);
            self.unheard.retain(|range| range.1 > base);
            self.cuts.retain(|cut| cut.1 > base);
            self.edges.retain(|edge| edge + self.lengths.edge.1 > base);
        }
    }
}

/// An unasked hit is counted from this part of the planned gain (about −10 dB).
const EXTRA_PART: f64 = 0.3;
/// … and when the stretch is this much like the sound (1 is the sound alone).
const ALIKE: f64 = 0.7;

fn push_range(list: &mut Vec<(i64, i64)>, from: i64, to: i64) {
    if to > from {
        list.push((from, to));
    }
}

/// Remembers a sound; of single ones only the last two, so that a streamed file does not push out the rest.
fn learn(pool: &mut Vec<Known>, template: &Arc<Template>, gain: f32, single: bool) {
    if let Some(known) = pool.iter_mut().find(|known| key(&known.template) == key(template)) {
        known.gain = gain;
        return;
    }
    let singles: Vec<usize> = (0..pool.len()).filter(|index| pool[*index].single).collect();
    if single && singles.len() >= SINGLES {
        pool.remove(singles[singles.len() - 1]);
    }
    if pool.len() == POOL {
        pool.pop();
    }
    pool.insert(0, Known { template: Arc::clone(template), gain, single });
}

/// A misfit above this (part of the planned energy) asks for a search: a quarter of what one frame makes.
fn fine(template: &Template) -> f64 {
    (0.25 * template.one_frame_off()).clamp(1e-6, 0.01)
}

fn settle(search: &mut Search, atoms: Vec<Atom>, owners: &[Owner], group: &[Wanted]) -> Solution {
    let mut solution = search.scene.solve(atoms);
    for (index, owner) in owners.iter().enumerate() {
        let off = (solution.atoms[index].gain / solution.atoms[index].planned).log10().abs() * 20.0;
        if off.is_nan() || off > 1.0 {
            solution = other_sound(search, &solution, index, owner, group).unwrap_or(solution);
        }
    }
    for _ in 0..2 * owners.len() + 4 {
        match best_of_all(search, &solution, owners, group) {
            Some(better) => solution = better,
            None => break,
        }
    }
    solution
}

/// The best other explanation that any of the hits with too much left offers.
fn best_of_all(
    search: &mut Search,
    solution: &Solution,
    owners: &[Owner],
    group: &[Wanted],
) -> Option<Solution> {
    let mut best: Option<(f64, Solution)> = None;
    for (index, owner) in owners.iter().enumerate() {
        let limit = fine(&solution.atoms[index].template);
        let near = search.scene.misfit(solution, index, search.reach.moved);
        let far = search.scene.misfit(solution, index, search.reach.extra);
        if near.max(far) <= limit {
            continue;
        }
        let other =
            other_sound(search, solution, index, owner, group).map(|other| (other.left_energy, other));
        let found = other.or_else(|| search.better(solution, index, (near, far), limit));
        if let Some((score, found)) = found
            && best.as_ref().is_none_or(|(least, _)| score < *least)
        {
            best = Some((score, found));
        }
    }
    best.map(|(_, solution)| solution)
}

/// The same hit with the other sound it may have, when that explains more.
fn other_sound(
    search: &Search,
    solution: &Solution,
    index: usize,
    owner: &Owner,
    group: &[Wanted],
) -> Option<Solution> {
    let wanted = &group[*owner.wanted.first()?];
    let (template, gain) = wanted.or.as_ref()?;
    if key(template) == key(&solution.atoms[index].template) {
        return None;
    }
    let mut atoms = solution.atoms.clone();
    atoms[index].start = wanted.start + wanted.template.lead() - template.lead();
    atoms[index].template = Arc::clone(template);
    atoms[index].planned = f64::from(*gain);
    let other = search.scene.solve(atoms);
    (strain(&other) < 0.9 * strain(solution)).then_some(other)
}

/// What an explanation leaves, and a little for how far its gains are from their plans: it decides between
/// explanations that leave the same (two clicks of a folded outlet may have the same sound).
fn strain(solution: &Solution) -> f64 {
    let off = |atom: &Atom| (atom.gain - atom.planned).powi(2) * atom.template.energy();
    solution.left_energy + 0.01 * solution.atoms.iter().map(off).sum::<f64>()
}

fn planned(wanted: &Wanted, atom: &Atom) -> f64 {
    match &wanted.or {
        Some((template, gain)) if key(template) == key(&atom.template) => f64::from(*gain),
        _ => f64::from(wanted.due.gain),
    }
}

/// Which of several coinciding equal hits are in a gain.
enum Heard {
    All,
    Twice(usize),
    Some(u32),
    Other,
}

/// 1 dB.
const LEVEL: f64 = 1.122_018_454;

/// Hits that may be in an atom once too often: its own, and those whose other sound it is.
fn twins(group: &[Wanted], owner: &Owner, atom: &Atom) -> Vec<(usize, f64)> {
    let own = owner.wanted.iter().map(|index| (*index, planned(&group[*index], atom)));
    let others = group.iter().enumerate().filter_map(|(index, wanted)| {
        let (template, gain) = wanted.or.as_ref()?;
        let start = wanted.start + wanted.template.lead() - template.lead();
        let is = key(template) == key(&atom.template) && start == atom.start;
        (is && !owner.wanted.contains(&index)).then_some((index, f64::from(*gain)))
    });
    own.chain(others).collect()
}

fn heard_subset(gains: &[f64], twins: &[f64], gain: f64, margin: f64) -> Heard {
    let all: f64 = gains.iter().sum();
    let is = |sum: f64| gain >= sum / LEVEL - margin && gain <= sum * LEVEL + margin;
    if is(all) {
        return Heard::All;
    }
    if let Some(which) = twins.iter().position(|one| is(all + one)) {
        return Heard::Twice(which);
    }
    let members = gains.len().min(8);
    let sum = |mask: u32| -> f64 { (0..members).filter(|i| mask >> i & 1 == 1).map(|i| gains[i]).sum() };
    let fits = (1..(1u32 << members) - 1).filter(|mask| is(sum(*mask)));
    let best = fits.min_by(|a, b| (sum(*a) - gain).abs().total_cmp(&(sum(*b) - gain).abs()));
    best.map_or(Heard::Other, Heard::Some)
}

fn outcome(heard: &Heard, member: usize, level: f64) -> Outcome {
    match heard {
        Heard::All | Heard::Twice(_) => Outcome::Sounded,
        Heard::Some(mask) if mask >> member & 1 == 1 => Outcome::Sounded,
        Heard::Some(_) => Outcome::Missed,
        Heard::Other if level < FOUND_PART => Outcome::Missed,
        Heard::Other => Outcome::OffLevel,
    }
}

fn moved_or_cut(outcome: Outcome, atom: &Atom, wanted: &Wanted) -> Outcome {
    if atom.lag != 0 || wanted.forgiven != 0 {
        Outcome::Late
    } else if atom.cut.is_some() && atom.cut != wanted.due.cut.map(|cut| cut.0) {
        Outcome::Clipped
    } else {
        outcome
    }
}

/// An extra hit that is this missed one, moved: it is taken from the extras.
fn moved_away(
    extras: &mut Vec<usize>,
    solution: &Solution,
    atom: &Atom,
    gain: f64,
    reach: i64,
) -> Option<usize> {
    let is = |extra: &usize| {
        let extra = &solution.atoms[*extra];
        key(&extra.template) == key(&atom.template)
            && (extra.place() - atom.start).abs() <= reach
            && extra.gain > gain / LEVEL
            && extra.gain < gain * LEVEL
    };
    let place = extras.iter().position(is)?;
    Some(extras.remove(place))
}

fn level_of(heard: &Heard, level: f64) -> f64 {
    match heard {
        Heard::Twice(_) | Heard::Some(_) => 1.0,
        _ => level,
    }
}

fn decibels(level: f64) -> f64 {
    (20.0 * level.max(1e-10).log10()).max(-200.0)
}

fn running_squares(samples: &[f32]) -> Vec<f64> {
    let mut sum = 0.0;
    let mut squares = vec![0.0];
    squares.extend(samples.iter().map(|sample| {
        sum += f64::from(*sample) * f64::from(*sample);
        sum
    }));
    debug_assert!((sum - energy(samples)).abs() <= 1e-3 * sum.max(1e-9));
    squares
}
