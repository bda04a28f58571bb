//! A trend from the results of a patient's exams.

use super::{Trend, TrendPoint};
use crate::assess::Status;
use crate::domain::{Device, Event, Eye};
use crate::render::Content;

/// The trend of a patient's results, newest version of each exam, in any order.
///
/// `eye` alone: its values and its own expected interval. `None`: both eyes and what was compared
/// of them.
#[must_use]
pub fn of_contents(
    title: String,
    contents: &[&Content],
    events: &[Event],
    eye: Option<Eye>,
) -> Trend {
    let mut contents = contents.to_vec();
    contents.sort_by_key(|content| (content.exam.performed_at, &content.exam.id));
    let exams = contents.len();
    let what = if exams == 1 { "exam" } else { "exams" };
    let mut hands = Hands::default();
    let mut points = Vec::with_capacity(exams);
    for content in contents {
        points.push(TrendPoint {
            changed: hands.change(content),
            ..match eye {
                None => of_both(content),
                Some(eye) => of_eye(content, eye),
            }
        });
    }
    Trend {
        title,
        subtitle: format!("{exams} {what}; millimetres, expected interval from earlier exams"),
        eye,
        points,
        events: events
            .iter()
            .map(|event| (event.date, event.kind.title().to_owned()))
            .collect(),
    }
}

fn of_both(content: &Content) -> TrendPoint {
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
        ..TrendPoint::default()
    }
}

fn of_eye(content: &Content, eye: Eye) -> TrendPoint {
    let assessment = &content.assessment;
    let row = assessment.rows.of(eye);
    let comparison = row.and_then(|row| row.comparison);
    // Why there is no comparison holds for the eye as well; the outcome of one does not.
    let without = matches!(
        assessment.status,
        Status::NoBaseline | Status::NotComparable
    );
    TrendPoint {
        date: content.exam.performed_at.date(),
        both_mm: row.map(|row| row.measured_mm),
        expected_mm: comparison.map(|c| c.expected_mm),
        lower_mm: comparison.map(|c| c.lower_mm),
        upper_mm: comparison.map(|c| c.upper_mm),
        status: comparison
            .map(|c| c.status)
            .or(without.then_some(assessment.status)),
        label: content.exam.label,
        ..TrendPoint::default()
    }
}

/// Who measured, and with what, at the exams so far.
#[derive(Default)]
struct Hands<'a> {
    operator: Seen<&'a str>,
    device: Seen<&'a Device>,
}

impl<'a> Hands<'a> {
    /// How an exam differs from those before it, and takes it in.
    fn change(&mut self, content: &'a Content) -> Option<String> {
        let exam = &content.exam;
        let operator = exam.operator.as_deref().map(str::trim);
        let operator = self.operator.next(operator.filter(|name| !name.is_empty()));
        // A maker alone does not tell one machine from another.
        let known = exam.device.model.is_some() || exam.device.serial.is_some();
        let device = self.device.next(known.then_some(&exam.device));
        match (operator, device) {
            (None, None) => None,
            (Some(how), None) => Some(format!("{} operator", how.word())),
            (None, Some(how)) => Some(format!("{} device", how.word())),
            (Some(one), Some(other)) if one == other => {
                Some(format!("{} operator and device", one.word()))
            }
            (Some(operator), Some(device)) => Some(format!(
                "{} operator, {} device",
                operator.word(),
                device.word()
            )),
        }
    }
}

/// Something known of the exams so far.
struct Seen<T> {
    /// What was known of the last one.
    last: Option<T>,
    /// What was known last, however long ago.
    known: Option<T>,
}

impl<T> Default for Seen<T> {
    fn default() -> Self {
        Seen {
            last: None,
            known: None,
        }
    }
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum Change {
    Other,
    Unknown,
}

impl Change {
    fn word(self) -> &'static str {
        match self {
            Change::Other => "other",
            Change::Unknown => "unknown",
        }
    }
}

impl<T: PartialEq + Copy> Seen<T> {
    fn next(&mut self, now: Option<T>) -> Option<Change> {
        let change = match (now, self.known) {
            (Some(now), Some(known)) if now != known => Some(Change::Other),
            (None, _) if self.last.is_some() => Some(Change::Unknown),
            _ => None,
        };
        self.last = now;
        self.known = now.or(self.known);
        change
    }
}

#[cfg(test)]
mod tests;
