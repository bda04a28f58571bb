//! A trend from the results of a patient's exams.

use super::{Deciding, Trend, TrendPoint};
use crate::assess::{DecidedBy, Row, Status};
use crate::domain::{Device, Event, Eye};
use crate::results::Content;

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
    let whose = contents.last().map_or(String::new(), |last| whose(last));
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
        subtitle: format!(
            "{whose}{exams} {what}; millimetres, expected interval from earlier exams"
        ),
        eye,
        points,
        events: events
            .iter()
            .map(|event| (event.date, event.kind.title().to_owned()))
            .collect(),
    }
}

/// Issuer of the id and birth date, for a picture that stands alone.
fn whose(content: &Content) -> String {
    let patient = &content.patient;
    let issuer = match patient.issuer.as_str() {
        "" => "no issuer named",
        issuer => issuer,
    };
    let born = patient.birth_date;
    let born = born.map_or("unknown".to_owned(), |date| date.to_string());
    format!("id of {issuer}, born {born}; ")
}

fn of_both(content: &Content) -> TrendPoint {
    let assessment = &content.assessment;
    let rows = &assessment.rows;
    let eye = |eye: Eye| rows.of(eye).map(|row| row.measured_mm);
    let shown = rows.leading().or(rows.both.as_ref());
    let shown = shown.or(rows.right.as_ref()).or(rows.left.as_ref());
    TrendPoint {
        right_mm: eye(Eye::Right),
        left_mm: eye(Eye::Left),
        status: Some(assessment.status),
        deciding: deciding(content),
        ..of_row(content, shown)
    }
}

/// The one eye that decided, where the mean of both was compared as well.
fn deciding(content: &Content) -> Option<Deciding> {
    let (by, row) = content.assessment.decided()?;
    let eye = match by {
        DecidedBy::Right => Eye::Right,
        DecidedBy::Left => Eye::Left,
        DecidedBy::Both | DecidedBy::SinceEvent => return None,
    };
    let both = content.assessment.rows.both?.comparison?;
    let own = row.comparison?;
    Some(Deciding {
        eye,
        mm: row.measured_mm,
        expected_mm: own.expected_mm,
        lower_mm: own.lower_mm,
        upper_mm: own.upper_mm,
        both: both.status,
    })
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
        status: comparison
            .map(|c| c.status)
            .or(without.then_some(assessment.status)),
        ..of_row(content, row)
    }
}

/// When it was, and the numbers of one row.
fn of_row(content: &Content, row: Option<&Row>) -> TrendPoint {
    let expected = row.and_then(Row::expected);
    let at = content.exam.performed_at;
    TrendPoint {
        date: at.date(),
        time: at.time(),
        first: content.assessment.status == Status::NoBaseline && content.not_compared.is_empty(),
        both_mm: row.map(|row| row.measured_mm),
        expected_mm: expected.map(|c| c.expected_mm),
        lower_mm: expected.map(|c| c.lower_mm),
        upper_mm: expected.map(|c| c.upper_mm),
        too_wide: row.is_some_and(|row| row.too_wide.is_some()),
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
