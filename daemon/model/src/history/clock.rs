//! When each value was read.
//!
//! Its own observation time, else its report's content time, else the study's. A date without a time
//! is no time. A report that replaces others takes their time: it is written later, not measured
//! later.

use super::replacing::Replacing;
use crate::domain::{Measurement, Moment, ObjectReading, Quantity};
use chrono::{NaiveTime, TimeDelta};
use std::collections::BTreeMap;

/// Where a time comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Source {
    /// The value's own observation.
    Own,
    /// Its report.
    Report,
    /// Its study, which is the same for all its reports.
    Study,
}

/// A time and where it comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Stamp {
    pub(super) at: Moment,
    pub(super) source: Source,
}

/// The times of reports: of their values that have none of their own, and of their first value.
#[derive(Debug, Clone, Copy, Default)]
struct Times {
    report: Option<Stamp>,
    first: Option<Stamp>,
}

/// The times of all values of a set of reports.
#[derive(Default)]
pub(super) struct Clock<'a> {
    times: BTreeMap<&'a str, Times>,
}

impl<'a> Clock<'a> {
    pub(super) fn of(replacing: &Replacing<'a>) -> Self {
        let mut clock = Clock::default();
        let held: BTreeMap<&str, &ObjectReading> = replacing
            .order
            .iter()
            .filter_map(|one| Some((one.sop_instance_uid.as_deref()?, *one)))
            .collect();
        for &reading in &replacing.order {
            let Some(uid) = reading.sop_instance_uid.as_deref() else {
                continue;
            };
            let before: Vec<&str> = replacing
                .of_report(uid)
                .filter(|other| {
                    held.get(other)
                        .is_some_and(|other| of_one_day(reading, other))
                })
                .collect();
            let report = if before.is_empty() {
                stated(reading)
            } else {
                before
                    .into_iter()
                    .filter_map(|other| clock.times.get(other)?.first)
                    .min_by_key(|stamp| (stamp.at, stamp.source))
            };
            let times = Times {
                report,
                first: None,
            };
            clock.times.insert(uid, times);
            let sheath = reading
                .measurements
                .iter()
                .filter(|one| one.quantity == Quantity::SheathDiameter);
            let first = sheath
                .filter_map(|one| clock.value(reading, one))
                .min_by_key(|stamp| (stamp.at, stamp.source));
            clock.times.insert(uid, Times { report, first });
        }
        clock
    }

    /// When a value was read; `None` where nobody says.
    pub(super) fn value(&self, reading: &ObjectReading, value: &Measurement) -> Option<Stamp> {
        let uid = reading.sop_instance_uid.as_deref()?;
        let report = self.times.get(uid).and_then(|times| times.report);
        match value.observed_at {
            None => report,
            Some(at) if value.observed_day_only => {
                report.filter(|stamp| stamp.at.date() == at.date())
            }
            Some(at) => Some(Stamp {
                at,
                source: Source::Own,
            }),
        }
    }

    /// When its first sheath value was read.
    pub(super) fn first(&self, uid: &str) -> Option<Stamp> {
        self.times.get(uid)?.first
    }
}

/// Whether two reports are of one study and day; one that gives another day corrects it.
fn of_one_day(one: &ObjectReading, other: &ObjectReading) -> bool {
    let Some((one, other)) = one.exam.as_ref().zip(other.exam.as_ref()) else {
        return false;
    };
    let days = match one.study_at.zip(other.study_at) {
        Some((one, other)) => one.date() == other.date(),
        None => {
            let day = |at: Option<Moment>| at.map(Moment::date);
            day(one.performed_at) == day(other.performed_at)
        }
    };
    days && one.study_instance_uid == other.study_instance_uid
}

/// What a report that replaces nothing here says. One that names a predecessor was written later
/// than it was measured, so its content time is not that of its values.
fn stated(reading: &ObjectReading) -> Option<Stamp> {
    let facts = reading.exam.as_ref()?;
    let stamp = |source| move |at| Stamp { at, source };
    let content = facts.content_at.filter(|_| reading.predecessors.is_empty());
    content.map(stamp(Source::Report)).or_else(|| {
        // Midnight stands for a date without a time.
        let performed = facts
            .performed_at
            .filter(|at| at.local.time() != NaiveTime::MIN);
        facts.study_at.or(performed).map(stamp(Source::Study))
    })
}

/// One scale for moments: instants where all have an offset, the wall clock otherwise.
#[derive(Debug, Clone, Copy)]
pub(super) struct Scale {
    instants: bool,
}

impl Scale {
    pub(super) fn of(moments: impl IntoIterator<Item = Moment>) -> Self {
        let mut moments = moments.into_iter();
        let instants = moments.all(|at| at.offset_s.is_some());
        Scale { instants }
    }

    pub(super) fn at(self, moment: Moment) -> chrono::NaiveDateTime {
        let offset = moment.offset_s.filter(|_| self.instants).unwrap_or(0);
        let offset = TimeDelta::seconds(offset.into());
        let local = moment.local;
        local.checked_sub_signed(offset).unwrap_or(local)
    }
}
