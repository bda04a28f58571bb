//! Whether an exam can have been done when it says.

use super::Exam;
use crate::domain::{Moment, Remark};
use chrono::{DateTime, TimeDelta, Utc};
use std::collections::BTreeMap;

/// Code of the caution on an exam dated after it was received, and why it serves nobody.
pub const DATE_IMPLAUSIBLE: &str = "date-implausible";

/// Code of the remark on such an exam once a person has labelled it.
const CONFIRMED: &str = "date-confirmed";

/// How far ahead of its receipt an exam may be dated: time zones, and clocks that differ.
const AHEAD: TimeDelta = TimeDelta::days(1);

/// The remark on an exam that is dated after one of its reports was received; `received` is when
/// each report came first, by SOP Instance UID. A label by a person confirms the date: whoever gives
/// it names the exam by its day.
#[must_use]
pub fn dated_after_receipt(
    exam: &Exam,
    received: &BTreeMap<String, DateTime<Utc>>,
) -> Option<Remark> {
    let reports = exam.objects.iter().map(|object| &object.sop_instance_uid);
    let first = reports.filter_map(|uid| received.get(uid)).min()?;
    let limit = first.checked_add_signed(AHEAD)?;
    if utc(exam.performed_at) <= limit {
        return None;
    }
    let (day, came) = (exam.performed_at.date(), first.format("%Y-%m-%d"));
    Some(match exam.label {
        None => Remark::caution(
            DATE_IMPLAUSIBLE,
            format!(
                "The exam is dated {day}, but its report was received on {came}, before that day. It is \
                 no baseline, and later exams are not compared with it."
            ),
        )
        .act("Send a corrected report, or label the exam if the date is right."),
        Some(_) => Remark::info(
            CONFIRMED,
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
