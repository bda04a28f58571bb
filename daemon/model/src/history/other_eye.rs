//! An exam of which one eye is used while values of the other may be left.

use super::Exam;
use crate::domain::{Remark, RemarkCode};
use crate::reading::other_eye::{caution, is_left, only_eye};

/// The caution on an exam of which one eye alone can be used while its standing reports hold values that
/// may be the other's. Reports that complete each other leave none.
#[must_use]
pub fn values_unread(exam: &Exam) -> Option<Remark> {
    let values = || exam.measurements.iter().map(|one| &one.value);
    let read = only_eye(values())?;
    let standing = exam.objects.iter();
    let mut standing = standing.filter(|object| object.superseded_by.is_empty());
    let told = standing.any(|object| {
        let mut remarks = object.remarks.iter();
        remarks.any(|remark| remark.code == RemarkCode::ValuesUnread)
    });
    (told || values().any(|one| is_left(read)(&one))).then(|| caution(read))
}
