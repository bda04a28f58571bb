//! An exam from which something at the eye was left unread.

use super::Exam;
use crate::domain::{ObjectReading, Remark, RemarkCode, Severity};
use crate::reading::left_unread::{at_the_eye, lost_by_codes};
use std::collections::BTreeSet;

/// The caution on an exam from which something at the eye was left unread: by a report that stands, or by
/// a report of the same study that holds no sheath value. None where [`values_unread`] says it already.
///
/// A report of the study of which nothing says that it is of the eye counts if it is of the exam's machine.
///
/// [`values_unread`]: super::values_unread
#[must_use]
pub fn left_unread(exam: &Exam, readings: &[ObjectReading]) -> Option<Remark> {
    let is_told = |remark: &Remark| remark.code == RemarkCode::ValuesUnread;
    if exam.remarks.iter().any(is_told) {
        return None;
    }
    let standing = exam.objects.iter();
    let mut standing = standing.filter(|object| object.superseded_by.is_empty());
    let by_report = standing.any(|object| {
        let mut remarks = object.remarks.iter();
        remarks.any(|remark| {
            matches!(
                remark.code,
                RemarkCode::ValuesUnread | RemarkCode::LeftUnread
            )
        })
    });
    let values = exam.measurements.iter().map(|one| &one.value);
    let is_lost = lost_by_codes(values).next().is_some();
    let is_left = by_report || is_lost || beside(exam, readings);
    is_left.then(at_the_eye)
}

/// Whether a report of the study without sheath values, which no other replaces, left something.
fn beside(exam: &Exam, readings: &[ObjectReading]) -> bool {
    let study = |one: &&ObjectReading| {
        let facts = one.exam.as_ref();
        facts.is_some_and(|facts| facts.study_instance_uid == exam.study_instance_uid)
    };
    let mut left = readings.iter().filter(study).filter(|one| {
        let of_machine = one
            .exam
            .as_ref()
            .is_some_and(|facts| facts.device == exam.device);
        let mut remarks = one.remarks.iter();
        let counts = |remark: &Remark| remark.severity > Severity::Info || of_machine;
        !one.holds_sheath_values()
            && remarks.any(|remark| remark.code == RemarkCode::LeftUnread && counts(remark))
    });
    let Some(first) = left.next() else {
        return false;
    };
    let all = readings.iter();
    let replaced: BTreeSet<&str> = all
        .flat_map(|one| one.predecessors.iter().map(String::as_str))
        .collect();
    std::iter::once(first)
        .chain(left)
        .any(|one| !replaced.contains(one.uid()))
}
