//! Whether an exam can have been done when it says.

use super::Exam;
use crate::domain::{Moment, Remark, RemarkCode};
use chrono::{DateTime, TimeDelta, Utc};
use std::collections::BTreeMap;

/// How far ahead of its receipt an exam may be dated: time zones, and clocks that differ.
const AHEAD: TimeDelta = TimeDelta::days(1);

/// The remark on an exam that cannot have been done when it says, or may not: dated after one of its
/// reports was received, before the birth, or by a report whose own date is more than a year from
/// its study's. `received` is when each report came first, by SOP Instance UID. A label by a person
/// confirms the date, save before the birth: whoever gives it names the exam by its day.
#[must_use]
pub fn date_doubt(exam: &Exam, received: &BTreeMap<String, DateTime<Utc>>) -> Option<Remark> {
    let doubt = dated_after_receipt(exam, received);
    let doubt = doubt.or_else(|| dated_before_birth(exam));
    doubt.or_else(|| dates_far_apart(exam))
}

/// The remark on an exam of a day before the birth.
fn dated_before_birth(exam: &Exam) -> Option<Remark> {
    let (day, born) = (exam.performed_at.date(), exam.identity.birth_date?);
    // A day of time zones: children are scanned on the day of their birth.
    ((born - day).num_days() > 1).then(|| {
        Remark::of(
            RemarkCode::DateImplausible,
            format!(
                "The exam is dated {day}, before the patient's birth on {born}. It is no baseline, and \
                 later exams are not compared with it."
            ),
        )
        .act("Check both dates and send a corrected report.")
    })
}

/// The remark on an exam of which a standing report is dated more than a year from its study.
fn dates_far_apart(exam: &Exam) -> Option<Remark> {
    let standing = exam.objects.iter();
    let standing = standing.filter(|object| object.superseded_by.is_empty());
    let mut remarks = standing.flat_map(|object| &object.remarks);
    let apart = remarks.find(|remark| remark.code == RemarkCode::DatesFarApart)?;
    Some(match exam.label {
        None => Remark::of(
            RemarkCode::DateImplausible,
            format!(
                "{} The exam is no baseline, and later exams are not compared with it.",
                apart.text
            ),
        )
        .act("Send a corrected report, or label the exam if its date is right."),
        Some(_) => Remark::of(
            RemarkCode::DateConfirmed,
            format!(
                "{} Somebody has labelled the exam, so its date is taken as confirmed.",
                apart.text
            ),
        ),
    })
}

/// The remark on an exam that is dated after one of its reports was received.
fn dated_after_receipt(exam: &Exam, received: &BTreeMap<String, DateTime<Utc>>) -> Option<Remark> {
    let reports = exam.objects.iter().map(|object| &object.sop_instance_uid);
    let first = reports.filter_map(|uid| received.get(uid)).min()?;
    let limit = first.checked_add_signed(AHEAD)?;
    if utc(exam.performed_at) <= limit {
        return None;
    }
    let (day, came) = (exam.performed_at.date(), first.format("%Y-%m-%d"));
    Some(match exam.label {
        None => Remark::of(
            RemarkCode::DateImplausible,
            format!(
                "The exam is dated {day}, but its report was received on {came}, before that day. It is \
                 no baseline, and later exams are not compared with it."
            ),
        )
        .act("Send a corrected report, or label the exam if the date is right."),
        Some(_) => Remark::of(
            RemarkCode::DateConfirmed,
            format!(
                "The exam is dated {day}, but its report was received on {came}. Somebody has \
                 labelled it, so the date is taken as confirmed."
            ),
        ),
    })
}

/// Without an offset the wall clock is taken for UTC; [`AHEAD`] is wider than any offset.
fn utc(at: Moment) -> DateTime<Utc> {
    let offset = TimeDelta::seconds(at.offset_s.unwrap_or(0).into());
    let local = at.local;
    local.checked_sub_signed(offset).unwrap_or(local).and_utc()
}
