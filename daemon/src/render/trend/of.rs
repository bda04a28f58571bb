//! A trend from the results of a patient's exams.

use super::{Trend, TrendPoint};
use crate::domain::{Event, Eye};
use crate::render::Content;

/// The trend of a patient's results, newest version of each exam.
#[must_use]
pub fn of_contents(title: String, contents: &[&Content], events: &[Event]) -> Trend {
    let exams = contents.len();
    let what = if exams == 1 { "exam" } else { "exams" };
    Trend {
        title,
        subtitle: format!("{exams} {what}; millimetres, expected interval from earlier exams"),
        points: contents.iter().map(|content| point(content)).collect(),
        events: events
            .iter()
            .map(|event| (event.date, event.kind.word().replace('_', " ")))
            .collect(),
    }
}

fn point(content: &Content) -> TrendPoint {
    let assessment = &content.assessment;
    let eye = |eye: Eye| assessment.rows.of(eye).map(|row| row.measured_mm);
    let compared = assessment.rows.leading();
    let comparison = compared.and_then(|row| row.comparison);
    TrendPoint {
        date: content.exam.performed_at.date(),
        right_mm: eye(Eye::Right),
        left_mm: eye(Eye::Left),
        both_mm: compared
            .or(assessment.rows.both.as_ref())
            .map(|row| row.measured_mm),
        expected_mm: comparison.map(|c| c.expected_mm),
        lower_mm: comparison.map(|c| c.lower_mm),
        upper_mm: comparison.map(|c| c.upper_mm),
        status: Some(assessment.status),
        label: content.exam.label,
        note: None,
    }
}
