//! The readings of a study, told apart by time: one scanning session is one exam.

use super::clock::{Clock, Scale, Source, Stamp};
use super::critical::critical_factor;
use super::replacing::Replacing;
use crate::domain::{
    Border, Eye, Laterality, Measurement, Modality, Moment, ObjectReading, Plane, Quantity,
};
use crate::normalise;
use chrono::{NaiveDate, NaiveDateTime, TimeDelta};
use std::collections::{BTreeMap, BTreeSet};
use std::rc::Rc;

/// What decides which readings of a study are one session.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Apart {
    /// Minutes that lie at most between readings of one session that measure an eye again.
    pub gap_minutes: i64,
    /// SD of one reading within one session, mm.
    pub sigma_w_mm: f64,
}

impl Default for Apart {
    fn default() -> Self {
        Apart {
            gap_minutes: 30,
            sigma_w_mm: 0.20,
        }
    }
}

impl Apart {
    pub(super) fn gap(&self) -> TimeDelta {
        TimeDelta::minutes(self.gap_minutes)
    }

    /// Widest range of `n` readings that reading error explains, mm. The small addition keeps a range
    /// of exactly that within it.
    fn critical_mm(&self, n: usize) -> f64 {
        critical_factor(n) * self.sigma_w_mm + 1e-9
    }
}

/// Readings of one eye within one scan follow each other faster than this: an engineering choice. It
/// counts only where readings without a longer pause cannot be of one width.
const PAUSE: TimeDelta = TimeDelta::minutes(5);

/// Which of a report's values, with the time of each.
type Share = Vec<(usize, Option<Stamp>)>;

/// One report's share of a session.
pub(super) struct Part<'a> {
    pub(super) reading: &'a ObjectReading,
    pub(super) values: Share,
    /// Of another time than the session, for all that is known: its values are not pooled.
    pub(super) doubted: bool,
}

/// One session of a study.
pub(super) struct Session<'a> {
    /// Its reports, by UID.
    pub(super) parts: Vec<Part<'a>>,
    /// When its first value was read, where anybody says.
    pub(super) first: Option<Stamp>,
    /// Whether it is the first of its study, and whether it is the only one.
    pub(super) is_first: bool,
    pub(super) is_only: bool,
    /// Reports of the study without a time that may belong to any of its sessions.
    pub(super) untimed: Rc<[&'a str]>,
}

/// A sheath value and when it was read.
#[derive(Clone, Copy)]
struct Item<'a> {
    report: usize,
    value: usize,
    measured: &'a Measurement,
    stamp: Option<Stamp>,
}

impl Item<'_> {
    fn at(&self, scale: Scale) -> Option<NaiveDateTime> {
        self.stamp.map(|stamp| scale.at(stamp.at))
    }

    fn is_weak(&self) -> bool {
        self.stamp.is_none_or(|stamp| stamp.source == Source::Study)
    }
}

/// Eyes and planes of a session. An eye that nobody can tell may be any; a plane too.
#[derive(Default)]
struct Eyes {
    any: bool,
    planes: BTreeSet<(Eye, Plane)>,
}

impl Eyes {
    fn of<'a>(items: impl IntoIterator<Item = &'a Item<'a>>) -> Self {
        let mut eyes = Eyes::default();
        for item in items {
            eyes.add(&item.measured.eye, item.measured.plane);
        }
        eyes
    }

    fn add(&mut self, eye: &Laterality, plane: Plane) {
        match eye.eye() {
            Some(eye) => {
                self.planes.insert((eye, plane));
            }
            None => self.any = true,
        }
    }

    fn is_empty(&self) -> bool {
        !self.any && self.planes.is_empty()
    }

    /// Whether an eye of `self` is measured again by `next`.
    fn measured_again(&self, next: &Eyes) -> bool {
        if self.is_empty() || next.is_empty() {
            return false;
        }
        let again = |(eye, plane): &(Eye, Plane)| match plane {
            Plane::Unspecified => self.planes.iter().any(|(own, _)| own == eye),
            plane => {
                self.planes.contains(&(*eye, *plane))
                    || self.planes.contains(&(*eye, Plane::Unspecified))
            }
        };
        self.any || next.any || next.planes.iter().any(again)
    }

    fn extend(&mut self, other: Eyes) {
        self.any |= other.any;
        self.planes.extend(other.planes);
    }
}

/// The sessions of one study, in order of time. `reports` are its reports with sheath values, those
/// that are replaced before those that replace them.
pub(super) fn of_study<'a>(
    reports: &[&'a ObjectReading],
    replacing: &Replacing<'a>,
    clock: &Clock<'a>,
    apart: &Apart,
) -> Vec<Session<'a>> {
    let here: BTreeMap<&str, usize> = reports
        .iter()
        .enumerate()
        .map(|(n, one)| (one.uid(), n))
        .collect();
    let successors = |n: usize| -> Vec<usize> {
        let by = reports.get(n).map(|one| replacing.by(one.uid()));
        by.into_iter()
            .flatten()
            .filter_map(|by| here.get(by))
            .copied()
            .collect()
    };
    let standing = (0..reports.len()).filter(|n| successors(*n).is_empty());
    let mut items: Vec<Item<'a>> = Vec::new();
    for n in standing {
        let Some(&reading) = reports.get(n) else {
            continue;
        };
        let sheath = reading.measurements.iter().enumerate();
        let sheath = sheath.filter(|(_, one)| is_of_the_exam(reading, one));
        items.extend(sheath.map(|(value, measured)| Item {
            report: n,
            value,
            measured,
            stamp: clock.value(reading, measured),
        }));
    }
    let scale = Scale::of(items.iter().filter_map(|item| Some(item.stamp?.at)));
    let (mut timed, untimed): (Vec<_>, Vec<_>) =
        items.into_iter().partition(|item| item.stamp.is_some());
    let name = |item: &Item<'_>| reports.get(item.report).map(|one| one.uid());
    timed.sort_by_key(|item| (item.at(scale), name(item), item.value));
    let mut sessions = told_apart(timed, scale, apart);
    let mut lost: BTreeSet<usize> = BTreeSet::new();
    match sessions.as_mut_slice() {
        [] => sessions.push(untimed),
        [only] => only.extend(untimed),
        [first, ..] => {
            lost.extend(untimed.iter().map(|item| item.report));
            first.extend(untimed);
        }
    }
    place(reports, &successors, clock, scale, apart, &sessions, &lost)
}

/// Whether a value can tell when its exam was: not one that is kept apart because it is of another
/// day.
fn is_of_the_exam(reading: &ObjectReading, value: &Measurement) -> bool {
    let performed = reading.exam.as_ref().and_then(|exam| exam.performed_at);
    let far = value
        .observed_at
        .zip(performed)
        .is_some_and(|(at, performed)| (at.date() - performed.date()).num_days().abs() > 1);
    let kept_apart = normalise::is_apart(value) || (far && !value.usable);
    value.quantity == Quantity::SheathDiameter && !kept_apart
}

/// The sessions of values that are sorted by time.
fn told_apart<'a>(timed: Vec<Item<'a>>, scale: Scale, apart: &Apart) -> Vec<Vec<Item<'a>>> {
    let clusters = clusters(timed, scale, apart.gap()).into_iter();
    let steps = clusters.flat_map(|one| steps(one, scale, apart));
    until_again(steps, |before, next| day(before) == day(next))
}

/// Runs of values, joined with the one before until an eye is measured again, where they may be.
fn until_again<'a>(
    runs: impl IntoIterator<Item = Vec<Item<'a>>>,
    may_join: impl Fn(&[Item<'a>], &[Item<'a>]) -> bool,
) -> Vec<Vec<Item<'a>>> {
    let mut joined: Vec<(Vec<Item<'a>>, Eyes)> = Vec::new();
    for run in runs {
        let eyes = Eyes::of(&run);
        match joined.last_mut() {
            Some((items, seen)) if may_join(items, &run) && !seen.measured_again(&eyes) => {
                items.extend(run);
                seen.extend(eyes);
            }
            _ => joined.push((run, eyes)),
        }
    }
    joined.into_iter().map(|(items, _)| items).collect()
}

fn day(items: &[Item<'_>]) -> Option<NaiveDate> {
    Some(items.first()?.stamp?.at.date())
}

/// Values without a longer pause than `gap` between them; two time points of one report are never
/// together.
fn clusters<'a>(timed: Vec<Item<'a>>, scale: Scale, gap: TimeDelta) -> Vec<Vec<Item<'a>>> {
    let mut clusters: Vec<Vec<Item<'a>>> = Vec::new();
    let mut points: BTreeMap<usize, &'a String> = BTreeMap::new();
    let mut last = None;
    for item in timed {
        let at = item.at(scale);
        let near = at.zip(last).is_some_and(|(at, last)| at - last <= gap);
        let point = item.measured.time_point.as_ref();
        let other_point = point
            .zip(points.get(&item.report).copied())
            .is_some_and(|(point, seen)| point != seen);
        if !near || other_point {
            points.clear();
        }
        if let Some(point) = point {
            points.insert(item.report, point);
        }
        last = at;
        match clusters.last_mut() {
            Some(cluster) if near && !other_point => cluster.push(item),
            _ => clusters.push(vec![item]),
        }
    }
    clusters
}

/// A row of scans may have no pause longer than the gap, and still be hours of a rise. Where an eye
/// is measured again for longer than the gap, and its readings cannot be of one width, each pause
/// after which an eye is measured again begins another session.
fn steps<'a>(cluster: Vec<Item<'a>>, scale: Scale, apart: &Apart) -> Vec<Vec<Item<'a>>> {
    let mut rows: BTreeMap<(Laterality, Plane), Vec<(NaiveDateTime, i64)>> = BTreeMap::new();
    for item in cluster.iter().filter(|item| item.measured.usable) {
        if let Some((at, mm)) = item.at(scale).zip(item.measured.value_mm) {
            let key = (item.measured.eye, item.measured.plane);
            rows.entry(key).or_default().push((at, mm.um()));
        }
    }
    let moves = rows.values().any(|row| {
        let times = || row.iter().map(|(at, _)| *at);
        let span = times().max().zip(times().min());
        span.is_some_and(|(last, first)| last - first > apart.gap())
            && range_mm(row.iter().map(|(_, um)| *um)) > apart.critical_mm(row.len())
    });
    if !moves {
        return vec![cluster];
    }
    until_again(clusters(cluster, scale, PAUSE), |_, _| true)
}

fn range_mm(um: impl Iterator<Item = i64> + Clone) -> f64 {
    let ends = um.clone().max().zip(um.min());
    ends.map_or(0.0, |(most, least)| (most - least) as f64 / 1000.0)
}

/// Gives every value of every report its session, and nobody's twice.
fn place<'a>(
    reports: &[&'a ObjectReading],
    successors: &dyn Fn(usize) -> Vec<usize>,
    clock: &Clock<'a>,
    scale: Scale,
    apart: &Apart,
    sessions: &[Vec<Item<'a>>],
    lost: &BTreeSet<usize>,
) -> Vec<Session<'a>> {
    let mut shares: Vec<BTreeMap<usize, Share>> = vec![BTreeMap::new(); sessions.len()];
    let mut homes: Vec<BTreeSet<usize>> = vec![BTreeSet::new(); reports.len()];
    let mut placed: BTreeSet<(usize, usize)> = BTreeSet::new();
    for (n, items) in sessions.iter().enumerate() {
        for item in items {
            placed.insert((item.report, item.value));
            if let Some(home) = homes.get_mut(item.report) {
                home.insert(n);
            }
            if let Some(share) = shares.get_mut(n) {
                let values = share.entry(item.report).or_default();
                values.push((item.value, item.stamp));
            }
        }
    }
    let spans: Vec<_> = sessions
        .iter()
        .map(|items| {
            let times = || items.iter().filter_map(|item| item.at(scale));
            times().min().zip(times().max())
        })
        .collect();
    let nearest = |among: &mut dyn Iterator<Item = usize>, stamp: Option<Stamp>| {
        let at = stamp.map(|stamp| scale.at(stamp.at));
        among.min_by_key(|n| {
            let span = spans.get(*n).copied().flatten();
            let far = at
                .zip(span)
                .map(|(at, (first, last))| (first - at).max(at - last).max(TimeDelta::zero()));
            (far, *n)
        })
    };
    // Those that replace come before those that are replaced, whose values go where theirs are.
    for (n, reading) in reports.iter().enumerate().rev() {
        if homes.get(n).is_some_and(|home| home.is_empty()) {
            let theirs = successors(n).into_iter().filter_map(|by| homes.get(by));
            let mut home: BTreeSet<usize> = theirs.flatten().copied().collect();
            if home.is_empty() {
                let stamp = clock.first(reading.uid());
                home.extend(nearest(&mut (0..sessions.len()), stamp));
            }
            if let Some(own) = homes.get_mut(n) {
                *own = home;
            }
        }
        for (value, measured) in reading.measurements.iter().enumerate() {
            if placed.contains(&(n, value)) {
                continue;
            }
            let stamp = clock.value(reading, measured);
            let home = homes.get(n).map(|home| home.iter().copied());
            let share = nearest(&mut home.into_iter().flatten(), stamp);
            if let Some(share) = share.and_then(|share| shares.get_mut(share)) {
                share.entry(n).or_default().push((value, stamp));
            }
        }
    }
    let untimed: Rc<[&str]> = lost
        .iter()
        .filter_map(|n| reports.get(*n))
        .map(|one| one.uid())
        .collect();
    let only = sessions.len() == 1;
    let mut told = Vec::with_capacity(sessions.len());
    for (n, (items, share)) in sessions.iter().zip(shares).enumerate() {
        let mut doubted = contradicting(items, apart);
        doubted.extend(lost.iter().filter(|_| n == 0));
        let stamps = items.iter().filter(|item| !lost.contains(&item.report));
        let first = stamps
            .filter_map(|item| item.stamp)
            .min_by_key(|stamp| (scale.at(stamp.at), stamp.at, stamp.source));
        let mut parts: Vec<Part<'a>> = share
            .into_iter()
            .filter_map(|(report, mut values)| {
                values.sort_by_key(|(value, _)| *value);
                Some(Part {
                    reading: reports.get(report)?,
                    values,
                    doubted: doubted.contains(&report),
                })
            })
            .collect();
        parts.sort_by_key(|part| part.reading.uid());
        told.push(Session {
            parts,
            first,
            is_first: n == 0,
            is_only: only,
            untimed: Rc::clone(&untimed),
        });
    }
    told
}

/// What is measured alike: widths of different kinds are never pooled, whoever says when.
type Alike = (Eye, Plane, Option<Border>, Option<Modality>);

fn alike(measured: &Measurement) -> Option<Alike> {
    let eye = measured.eye.eye()?;
    let foreign = Some(measured.modality).filter(|modality| modality.is_foreign());
    Some((eye, measured.plane, measured.definition, foreign))
}

/// Reports of which nobody says when they were read, and that cannot be of one width with the rest:
/// those without a time of their own, and all of them where none has one.
fn contradicting(items: &[Item<'_>], apart: &Apart) -> BTreeSet<usize> {
    let mut rows: BTreeMap<Alike, Vec<&Item<'_>>> = BTreeMap::new();
    for item in items.iter().filter(|item| item.measured.usable) {
        if let Some(alike) = alike(item.measured) {
            rows.entry(alike).or_default().push(item);
        }
    }
    let weak: BTreeSet<usize> = items
        .iter()
        .filter(|item| item.is_weak())
        .map(|item| item.report)
        .collect();
    let um = |item: &Item<'_>| item.measured.value_mm.map(|mm| mm.um());
    let differ = |row: &Vec<&Item<'_>>| {
        let ends = row.iter().max_by_key(|item| um(item));
        let Some((most, least)) = ends.zip(row.iter().min_by_key(|item| um(item))) else {
            return false;
        };
        most.report != least.report
            && (weak.contains(&most.report) || weak.contains(&least.report))
            && range_mm(row.iter().filter_map(|item| um(item))) > apart.critical_mm(row.len())
    };
    let concerned: BTreeSet<usize> = rows
        .values()
        .filter(|row| differ(row))
        .flatten()
        .map(|item| item.report)
        .collect();
    let mut usable = items.iter().filter(|item| item.measured.usable);
    if usable.any(|item| !weak.contains(&item.report)) {
        concerned.intersection(&weak).copied().collect()
    } else {
        concerned
    }
}

/// When a session was, for its exam: its first reading. Where a study has one session, a report
/// written on another day than that of the study tells when it was written.
pub(super) fn performed_at(session: &Session<'_>, speaking: &[&ObjectReading]) -> Option<Moment> {
    let told = speaking
        .iter()
        .filter_map(|one| one.exam.as_ref()?.performed_at)
        .min_by_key(|at| (at.local, at.offset_s));
    let first = session.first.filter(|stamp| {
        let other_day = told.is_some_and(|told| told.date() != stamp.at.date());
        stamp.source != Source::Report || !session.is_only || !other_day
    });
    first.map(|stamp| stamp.at).or(told)
}
