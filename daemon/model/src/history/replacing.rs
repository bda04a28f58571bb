//! Which report takes the place of which.

use super::early;
use crate::domain::ObjectReading;
use chrono::TimeDelta;
use std::collections::{BTreeMap, BTreeSet, VecDeque};

/// Names to names.
pub(super) type Links<'a> = BTreeMap<&'a str, BTreeSet<&'a str>>;

/// What a set of reports says of which replaces which. A circle replaces nothing: reports that name
/// each other both stand, and nobody can tell which is the corrected one.
pub(super) struct Replacing<'a> {
    /// Report to those with sheath values that replace it.
    by: Links<'a>,
    /// Report to those with sheath values that it replaces, as far as they are here.
    of: Links<'a>,
    /// Named document to reports without sheath values: it is not told whether they withdraw or add.
    without_values: Links<'a>,
    /// Reports that name each other in a circle.
    circle: BTreeSet<&'a str>,
    /// What early reports became, where nothing names them.
    pub(super) early: early::Matched<'a>,
    /// All reports with sheath values, those that are replaced before those that replace them.
    pub(super) order: Vec<&'a ObjectReading>,
}

impl<'a> Replacing<'a> {
    /// `gap` is what lies at most between readings of one scan.
    pub(super) fn of(readings: &'a [ObjectReading], gap: TimeDelta) -> Self {
        let mut held: BTreeMap<&str, &ObjectReading> = BTreeMap::new();
        let mut without_values = Links::new();
        let mut named_by = Vec::new();
        for reading in readings {
            let Some(own) = reading.sop_instance_uid.as_deref() else {
                continue;
            };
            let holds = reading.holds_sheath_values();
            if holds {
                held.insert(own, reading);
            }
            let others = reading.predecessors.iter().map(String::as_str);
            for named in others.filter(|named| *named != own) {
                if holds {
                    named_by.push((named, own))
                } else {
                    without_values.entry(named).or_default().insert(own);
                }
            }
        }
        let mut replacing = Replacing {
            by: Links::new(),
            of: Links::new(),
            without_values,
            circle: BTreeSet::new(),
            early: early::Matched::default(),
            order: Vec::new(),
        };
        for (named, own) in named_by {
            replacing.link(named, own, held.contains_key(named));
        }
        replacing.break_circles(&held);
        replacing.put_in_order(&held);
        replacing.early = early::matched(&replacing, gap);
        for (early, late) in replacing.early.became.clone() {
            replacing.link(early, late, true);
        }
        // Nothing that reports say themselves gives way to what is only taken from their flags.
        if replacing.put_in_order(&held) < held.len() {
            for (early, late) in std::mem::take(&mut replacing.early.became) {
                replacing.unlink(early, late);
            }
            replacing.put_in_order(&held);
        }
        replacing
    }

    fn link(&mut self, named: &'a str, own: &'a str, is_held: bool) {
        self.by.entry(named).or_default().insert(own);
        if is_held {
            self.of.entry(own).or_default().insert(named);
        }
    }

    fn unlink(&mut self, named: &str, own: &str) {
        for (links, from, to) in [(&mut self.by, named, own), (&mut self.of, own, named)] {
            if let Some(others) = links.get_mut(from) {
                others.remove(to);
            }
        }
    }

    /// What is left once all are taken away that nothing in the rest precedes, or nothing in the
    /// rest replaces, stands in circles or between two.
    fn break_circles(&mut self, held: &BTreeMap<&'a str, &'a ObjectReading>) {
        let all: BTreeSet<&str> = held.keys().copied().collect();
        let (_, rest) = peel(&all, &self.of, &self.by);
        let (_, rest) = peel(&rest, &self.by, &self.of);
        for own in &rest {
            for links in [&mut self.by, &mut self.of] {
                if let Some(others) = links.get_mut(own) {
                    others.retain(|other| !rest.contains(other));
                }
            }
        }
        self.circle = rest;
    }

    /// Returns how many could be put in order.
    fn put_in_order(&mut self, held: &BTreeMap<&'a str, &'a ObjectReading>) -> usize {
        let all: BTreeSet<&str> = held.keys().copied().collect();
        let (order, _) = peel(&all, &self.of, &self.by);
        let order = order.iter().filter_map(|uid| held.get(uid));
        self.order = order.copied().collect();
        self.order.len()
    }

    /// The reports that replace it, sorted.
    pub(super) fn by(&self, uid: &str) -> impl Iterator<Item = &'a str> {
        self.by.get(uid).into_iter().flatten().copied()
    }

    /// The reports here that it replaces, sorted.
    pub(super) fn of_report(&self, uid: &str) -> impl Iterator<Item = &'a str> {
        self.of.get(uid).into_iter().flatten().copied()
    }

    /// Reports without sheath values that name it.
    pub(super) fn without_values(&self, uid: &str) -> impl Iterator<Item = &'a str> {
        self.without_values.get(uid).into_iter().flatten().copied()
    }

    /// Whether it stands in a circle of reports that name each other.
    pub(super) fn is_in_circle(&self, uid: &str) -> bool {
        self.circle.contains(uid)
    }
}

/// Takes away, again and again, what has no link `before` into the rest: in that order, and what is
/// left.
fn peel<'a>(
    all: &BTreeSet<&'a str>,
    before: &Links<'a>,
    after: &Links<'a>,
) -> (Vec<&'a str>, BTreeSet<&'a str>) {
    let within = |links: &Links<'a>, uid: &str| -> Vec<&'a str> {
        let linked = links.get(uid).into_iter().flatten().copied();
        linked.filter(|other| all.contains(other)).collect()
    };
    let mut waiting: BTreeMap<&str, usize> = all
        .iter()
        .map(|uid| (*uid, within(before, uid).len()))
        .collect();
    let mut free: VecDeque<&str> = all
        .iter()
        .copied()
        .filter(|uid| waiting.get(uid) == Some(&0))
        .collect();
    let mut order = Vec::new();
    while let Some(uid) = free.pop_front() {
        waiting.remove(uid);
        order.push(uid);
        for next in within(after, uid) {
            if let Some(left) = waiting.get_mut(next) {
                *left -= 1;
                if *left == 0 {
                    free.push_back(next);
                }
            }
        }
    }
    (order, waiting.into_keys().collect())
}
