//! What the site knows of operators and devices, as a result shows it.

use super::device_name;
use crate::assess::{Counted, KnownOffset, Roster};
use crate::domain::{Remark, RemarkCode};
use crate::history::Exam;
use crate::results::Content;

/// Writes down how operator and device of the exam and of its baseline counted, and says of the exam what
/// was taken off.
pub(super) fn count(result: &mut Content, exam: &Exam, exams: &[Exam], roster: &Roster) {
    let counted = |exam: &Exam| {
        let device = device_name(&exam.device);
        roster.counted(exam.operator.as_deref(), device.as_deref())
    };
    for baseline in &mut result.baseline {
        let mut all = exams.iter();
        let other = all.find(|other| other.id == baseline.exam);
        baseline.counted = other.map_or_else(Counted::default, counted);
    }
    result.exam.counted = counted(exam);
    let known = result.exam.counted.known;
    let offsets = [("operator", known.operator), ("device", known.device)];
    let told = offsets.into_iter().filter_map(|(of, offset)| {
        let KnownOffset {
            offset_mm,
            standard_error_mm,
        } = offset?;
        let (mm, side) = (offset_mm.abs(), if offset_mm < 0.0 { "under" } else { "above" });
        Some(Remark::of(
            RemarkCode::KnownOffset,
            format!(
                "The {of} of this exam is known to read {mm:.2} mm {side} the others (standard error \
                 {standard_error_mm:.2} mm); the expected widths allow for it."
            ),
        ))
    });
    result.remarks.extend(told);
}
