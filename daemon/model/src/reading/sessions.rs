//! One exam is of one time: values of other days, and of time points that nothing tells apart, are
//! kept and not pooled.
//!
//! The exam's day is the study's. A study that was opened long before takes the one day all its
//! values share. Days next to each other count as one, for midnight and time zones.

use crate::domain::{Measurement, Moment, Quantity, Remark, RemarkCode};
use crate::extract::Found;
use crate::normalise;
use crate::sr::Header;
use chrono::NaiveDate;
use std::collections::BTreeMap;

/// Whether the time of a value is not the exam's.
pub(super) fn is_of_another_time(measurement: &Measurement) -> bool {
    let mut codes = measurement.remarks.iter().map(|remark| &remark.code);
    normalise::is_apart(measurement) && codes.all(|code| *code != RemarkCode::SeveralTimePoints)
}

fn near(one: NaiveDate, other: NaiveDate) -> bool {
    (one - other).num_days().abs() <= 1
}

/// Sets aside what is no part of the exam. `found` and `measurements` go together.
pub(super) fn separate(measurements: &mut [Measurement], found: &[Found], header: &Header) {
    by_day(measurements, header.study_at.map(|at| at.date()));
    by_time_point(measurements, found);
}

fn by_day(measurements: &mut [Measurement], study: Option<NaiveDate>) {
    let mut days: Vec<NaiveDate> = measurements
        .iter()
        .filter(|one| one.quantity == Quantity::SheathDiameter)
        .filter(|one| !normalise::is_apart(one))
        .filter_map(|one| Some(one.observed_at?.date()))
        .collect();
    days.sort_unstable();
    let (Some(&first), Some(&last)) = (days.first(), days.last()) else {
        return;
    };
    let of_study = study.filter(|&study| days.iter().any(|&day| near(day, study)));
    if of_study.is_none() && near(first, last) {
        return;
    }
    for one in measurements {
        let Some(day) = one.observed_at.map(|at| at.date()) else {
            continue;
        };
        let remark = match of_study {
            Some(study) if near(day, study) => continue,
            Some(study) => Remark::of(
                RemarkCode::ObservedAnotherDay,
                format!("Observed on {day}, while the exam is of {study}; it is not pooled."),
            ),
            None => Remark::of(
                RemarkCode::ObservedOnSeveralDays,
                format!(
                    "Values of this report were observed from {first} to {last}; nobody can tell \
                     which day is the exam's."
                ),
            ),
        };
        if !normalise::is_apart(one) {
            let remark = remark.act("Have the sender write one report for each exam.");
            one.set_aside(remark.at(one.place.clone()));
        }
    }
}

/// Whether each time point has observation times of its own, one point after the other: then times
/// tell which exam each value is of.
fn follow_each_other(measurements: &[Measurement], found: &[Found]) -> bool {
    let mut spans: BTreeMap<Option<&String>, (Moment, Moment)> = BTreeMap::new();
    for (one, found) in measurements.iter().zip(found) {
        let point = found.time_point.as_ref();
        if !one.usable || one.quantity != Quantity::SheathDiameter {
            continue;
        }
        let Some(at) = one.observed_at.filter(|_| !one.observed_day_only) else {
            return false;
        };
        let (first, last) = spans.entry(point).or_insert((at, at));
        *first = at.min(*first);
        *last = at.max(*last);
    }
    let mut spans: Vec<_> = spans.into_values().collect();
    spans.sort_unstable();
    spans
        .iter()
        .zip(spans.iter().skip(1))
        .all(|((_, last), (next, _))| last < next)
}

/// Two time points (TID 1502) of one day are still two exams, as before and after a puncture. A value
/// without one is of the document's own time, so one with a name beside it is of another.
fn by_time_point(measurements: &mut [Measurement], found: &[Found]) {
    let mut points: Vec<Option<&String>> = measurements
        .iter()
        .zip(found)
        .filter(|(one, _)| one.usable && one.quantity == Quantity::SheathDiameter)
        .map(|(_, found)| found.time_point.as_ref())
        .collect();
    points.sort_unstable();
    points.dedup();
    let count = points.len();
    if count < 2 {
        return;
    }
    if follow_each_other(measurements, found) {
        for (one, found) in measurements.iter_mut().zip(found) {
            one.time_point = Some(found.time_point.clone().unwrap_or_default());
        }
        return;
    }
    for (one, found) in measurements.iter_mut().zip(found) {
        if found.time_point.is_some() && !normalise::is_apart(one) {
            one.set_aside(
                Remark::of(
                    RemarkCode::SeveralTimePoints,
                    format!("The report holds values of {count} time points; they are not pooled."),
                )
                .at(one.place.clone())
                .act("Have the sender write one report for each time point, or observation dates."),
            );
        }
    }
}
