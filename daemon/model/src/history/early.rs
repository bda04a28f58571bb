//! A report that calls itself preliminary or partial, and the final one that does not name it.
//!
//! Of one study, by one observer or with one machine, of the same eyes. A scan is never taken for the
//! preliminary form of another: where more scans are preliminary than reports are final, and neither
//! values nor observation times tell which is meant, nothing is replaced.

use super::clock::{Clock, Source, Stamp};
use super::replacing::Replacing;
use crate::domain::{Device, Laterality, ObjectReading, Plane, Quantity};
use chrono::TimeDelta;
use std::collections::{BTreeMap, BTreeSet};

/// What early reports became.
#[derive(Default)]
pub(super) struct Matched<'a> {
    /// Early report and the one that takes its place.
    pub(super) became: BTreeMap<&'a str, &'a str>,
    /// Reports that are final, and of which nobody can tell what they finish.
    pub(super) unclear: BTreeSet<&'a str>,
}

/// The flag of a document, what it says, and how strictly the two must agree.
#[derive(Clone, Copy)]
struct Flag {
    is_early: fn(&ObjectReading) -> Option<bool>,
    /// Only where the readings are the same: few sign every measurement.
    same_readings: bool,
}

const FLAGS: [Flag; 3] = [
    Flag {
        is_early: |one| one.state.preliminary,
        same_readings: false,
    },
    Flag {
        is_early: |one| one.state.partial,
        same_readings: false,
    },
    Flag {
        is_early: |one| one.state.unverified,
        same_readings: true,
    },
];

/// Final reports with the same readings that are looked at for one early report.
const LOOKED_AT: usize = 64;

/// Who or what made both: the observer, else the machine.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord)]
enum Maker<'a> {
    Observer(&'a str),
    Machine([Option<&'a str>; 3]),
}

const MAKERS: [fn(&ObjectReading) -> Option<Maker<'_>>; 2] = [
    |one| Some(Maker::Observer(one.exam.as_ref()?.operator.as_deref()?)),
    |one| {
        let device = &one.exam.as_ref()?.device;
        let parts = [&device.manufacturer, &device.model, &device.serial];
        (*device != Device::default()).then(|| Maker::Machine(parts.map(|part| part.as_deref())))
    },
];

/// Early and final reports that can belong together.
type Group<'a> = (Vec<&'a ObjectReading>, Vec<&'a ObjectReading>);

fn sheath(reading: &ObjectReading) -> impl Iterator<Item = &crate::domain::Measurement> {
    let all = reading.measurements.iter();
    all.filter(|one| one.quantity == Quantity::SheathDiameter)
}

fn eyes(reading: &ObjectReading) -> BTreeSet<Laterality> {
    sheath(reading).map(|one| one.eye).collect()
}

/// What it measured, whatever the order.
fn values(reading: &ObjectReading) -> Vec<(Laterality, Plane, Option<i64>)> {
    let mut values: Vec<_> = sheath(reading)
        .map(|one| (one.eye, one.plane, one.value_mm.map(|mm| mm.um())))
        .collect();
    values.sort_unstable();
    values
}

/// Finds what early reports became. `gap` is what lies at most between readings of one scan.
pub(super) fn matched<'a>(replacing: &Replacing<'a>, gap: TimeDelta) -> Matched<'a> {
    let mut found = Matched::default();
    if !replacing
        .order
        .iter()
        .any(|one| FLAGS.iter().any(|flag| (flag.is_early)(one) == Some(true)))
    {
        return found;
    }
    let clock = Clock::of(replacing);
    let mut taken: BTreeSet<&str> = BTreeSet::new();
    for flag in FLAGS {
        let mut finishing: BTreeSet<&str> = BTreeSet::new();
        for maker in MAKERS {
            for (early, late) in groups(replacing, flag, maker, &taken, &finishing).into_values() {
                let mut pairing = Pairing {
                    clock: &clock,
                    gap,
                    pairs: Vec::new(),
                    unclear: BTreeSet::new(),
                };
                pairing.find(flag, early, late);
                for (early, late) in pairing.pairs {
                    taken.insert(early);
                    finishing.insert(late);
                    found.became.insert(early, late);
                }
                found.unclear.extend(pairing.unclear);
            }
        }
    }
    let finishing: BTreeSet<&str> = found.became.values().copied().collect();
    found.unclear.retain(|late| !finishing.contains(late));
    found
}

fn groups<'a>(
    replacing: &Replacing<'a>,
    flag: Flag,
    maker: fn(&ObjectReading) -> Option<Maker<'_>>,
    taken: &BTreeSet<&str>,
    finishing: &BTreeSet<&str>,
) -> BTreeMap<(&'a str, BTreeSet<Laterality>, Maker<'a>), Group<'a>> {
    let mut groups: BTreeMap<_, Group<'a>> = BTreeMap::new();
    // A report that replaces a final one is no early form of anything.
    let mut early_throughout: BTreeSet<&str> = BTreeSet::new();
    for &one in &replacing.order {
        let own = one.uid();
        let early = (flag.is_early)(one);
        if early == Some(true)
            && replacing
                .of_report(own)
                .all(|before| early_throughout.contains(before))
        {
            early_throughout.insert(own);
        }
        let Some((early, maker)) = early.zip(maker(one)) else {
            continue;
        };
        let study = one
            .exam
            .as_ref()
            .map_or("", |exam| &exam.study_instance_uid);
        if taken.contains(own) || replacing.is_in_circle(own) {
            continue;
        }
        let group = || (study, eyes(one), maker);
        match early {
            true if early_throughout.contains(own) && replacing.by(own).next().is_none() => {
                groups.entry(group()).or_default().0.push(one);
            }
            false if one.predecessors.is_empty() && !finishing.contains(own) => {
                groups.entry(group()).or_default().1.push(one);
            }
            _ => {}
        }
    }
    groups.retain(|_, (early, late)| !early.is_empty() && !late.is_empty());
    groups
}

/// The search in one group.
struct Pairing<'a, 'c> {
    clock: &'c Clock<'a>,
    gap: TimeDelta,
    pairs: Vec<(&'a str, &'a str)>,
    unclear: BTreeSet<&'a str>,
}

impl<'a> Pairing<'a, '_> {
    fn first(&self, one: &ObjectReading) -> Option<Stamp> {
        self.clock.first(one.uid())
    }

    /// Two that say when they were observed are of one scan only if that is near; and a report that
    /// was final well before another was begun does not finish it, even with the same readings.
    fn can_be_one(&self, early: &ObjectReading, late: &ObjectReading) -> bool {
        let Some((early, late)) = self.first(early).zip(self.first(late)) else {
            return true;
        };
        let later = late.at.local - early.at.local;
        match (early.source, late.source) {
            (Source::Own, Source::Own) => later.abs() <= self.gap,
            _ => later >= -self.gap,
        }
    }

    fn find(
        &mut self,
        flag: Flag,
        mut early: Vec<&'a ObjectReading>,
        mut late: Vec<&'a ObjectReading>,
    ) {
        let by_time = |one: &&'a ObjectReading| (self.first(one).map(|stamp| stamp.at), one.uid());
        early.sort_by_key(by_time);
        late.sort_by_key(by_time);
        // The same readings again are the same scan.
        let mut same: BTreeMap<_, Vec<&'a ObjectReading>> = BTreeMap::new();
        for one in &late {
            same.entry(values(one)).or_default().push(one);
        }
        let mut used: BTreeSet<&str> = BTreeSet::new();
        early.retain(|one| {
            let alike = same
                .get(&values(one))
                .map(Vec::as_slice)
                .unwrap_or_default();
            // Those without a time stand first, then those that were final too early.
            let begun = self
                .first(one)
                .and_then(|stamp| stamp.at.local.checked_sub_signed(self.gap));
            let ended = |late: &&'a ObjectReading| self.first(late).map(|stamp| stamp.at.local);
            let later = alike.partition_point(|late| ended(late).is_none() || ended(late) < begun);
            let (before, later) = alike.split_at_checked(later).unwrap_or_default();
            let timeless = before.first().filter(|late| ended(late).is_none());
            let candidates = later.iter().take(LOOKED_AT).chain(timeless);
            match candidates.copied().find(|late| self.can_be_one(one, late)) {
                Some(late) => {
                    used.insert(late.uid());
                    self.pairs.push((one.uid(), late.uid()));
                    false
                }
                None => true,
            }
        });
        late.retain(|one| !used.contains(one.uid()));
        if !flag.same_readings {
            self.in_order(&early, &late);
        }
    }

    /// Scan after scan: each run of early scans with the final reports that follow it. A report is
    /// written when its scan is over, so a final one may stand a little before the early one.
    fn in_order(&mut self, early: &[&'a ObjectReading], late: &[&'a ObjectReading]) {
        let mut scans: Vec<Vec<&'a ObjectReading>> = Vec::new();
        for one in early {
            let at = self.first(one).map(|stamp| stamp.at.local);
            let last = scans.last().and_then(|scan| self.first(scan.last()?));
            let near = at
                .zip(last)
                .is_some_and(|(at, last)| at - last.at.local <= self.gap);
            match scans.last_mut() {
                Some(scan) if near => scan.push(one),
                _ => scans.push(vec![one]),
            }
        }
        let when = |one: Option<&&'a ObjectReading>| {
            one.and_then(|one| self.first(one))
                .map(|stamp| stamp.at.local)
        };
        let timed = scans.iter().all(|scan| when(scan.first()).is_some())
            && late.iter().all(|one| when(Some(one)).is_some());
        let mut blocks: Vec<(Vec<usize>, Vec<&'a ObjectReading>)> = Vec::new();
        if timed {
            let mut rest = late.iter().peekable();
            for (n, scan) in scans.iter().enumerate() {
                let begun = when(scan.first());
                let mut before = Vec::new();
                while let Some(one) = rest.next_if(|one| {
                    let ends = when(Some(one)).and_then(|at| at.checked_add_signed(self.gap));
                    ends < begun
                }) {
                    before.push(*one);
                }
                match blocks.last_mut() {
                    Some((_, finals)) if !before.is_empty() => {
                        finals.extend(before);
                        blocks.push((vec![n], Vec::new()));
                    }
                    Some((scans, _)) => scans.push(n),
                    // What is final before anything is preliminary finishes none of it.
                    None => blocks.push((vec![n], Vec::new())),
                }
            }
            if let Some((_, finals)) = blocks.last_mut() {
                finals.extend(rest);
            }
        } else {
            blocks.push(((0..scans.len()).collect(), late.to_vec()));
        }
        for (of_block, finals) in blocks {
            // Without times only one scan and one report tell what belongs together.
            let clear = timed || (of_block.len() == 1 && finals.len() == 1);
            if !clear || finals.len() < of_block.len() {
                let any = !of_block.is_empty();
                self.unclear
                    .extend(finals.iter().filter(|_| any).map(|one| one.uid()));
                continue;
            }
            for (scan, late) in of_block.iter().filter_map(|n| scans.get(*n)).zip(finals) {
                let fits = scan.iter().filter(|one| self.can_be_one(one, late));
                let pairs: Vec<_> = fits.map(|one| (one.uid(), late.uid())).collect();
                self.pairs.extend(pairs);
            }
        }
    }
}
