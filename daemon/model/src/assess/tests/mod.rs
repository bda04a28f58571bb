//! The model against numbers worked out by hand, against published ones, and against itself.

mod asked;
mod corners;
mod cost;
mod course;
mod doubts;
mod episodes;
mod golden;
mod known;
mod order;
mod pair;
mod published;
mod rates;
mod serves;
mod since_event;
mod since_last;
mod slopes;
mod smallest;
mod worked;

use super::{
    AfterEvent, Assessment, Comparison, Exam, Parameters, PerEye, Question, Row, Subject, assess,
};
use crate::domain::{Eye, Label, Millimetres};
use chrono::NaiveDate;

/// All that is told of the time since an event.
fn whole(event: &AfterEvent) -> String {
    let numbers = event.numbers(None).into_iter();
    let first = std::iter::once(event.sentence(false));
    first.chain(numbers).collect::<Vec<_>>().join(" ")
}

pub(super) fn day(text: &str) -> NaiveDate {
    text.parse().expect("a date")
}

fn lengths(mm: &[f64]) -> Vec<Millimetres> {
    mm.iter()
        .map(|mm| Millimetres::from_mm(*mm).expect("a length"))
        .collect()
}

/// A well exam by operator A with device X.
pub(super) fn exam(id: &str, date: &str, right: &[f64], left: &[f64]) -> Exam {
    Exam {
        id: id.to_owned(),
        date: day(date),
        time: None,
        label: Some(Label::Well),
        operator: Some("A".to_owned()),
        device: Some("X".to_owned()),
        definition: None,
        eyes: PerEye {
            right: lengths(right),
            left: lengths(left),
        },
        planes: PerEye::default(),
        modality: super::Modality::Ultrasound,
        excluded: None,
        step_mm: PerEye::default(),
        eyeball_mm: PerEye::default(),
        known: super::KnownErrors::default(),
    }
}

pub(super) fn adult() -> Subject {
    Subject {
        id: "P1".to_owned(),
        birth_date: Some(day("1980-01-01")),
        events: Vec::new(),
    }
}

/// Asks for the last exam.
pub(super) fn question(patient: Subject, exams: Vec<Exam>) -> Question {
    Question {
        patient,
        assess: exams.last().expect("an exam").id.clone(),
        exams,
        parameters: Parameters::default(),
    }
}

pub(super) fn answer(patient: Subject, exams: Vec<Exam>) -> Assessment {
    assess(&question(patient, exams)).expect("a question that can be asked")
}

pub(super) fn comparison(row: Option<&Row>) -> Comparison {
    row.and_then(|row| row.comparison).expect("a comparison")
}

pub(super) fn both(answer: &Assessment) -> Comparison {
    comparison(answer.rows.both.as_ref())
}

pub(super) fn eye(answer: &Assessment, eye: Eye) -> Comparison {
    comparison(answer.rows.of(eye))
}

/// Equal to all printed digits: half a unit of the last one, and a hair for the printing.
#[track_caller]
pub(super) fn printed(value: f64, expected: f64, decimals: i32) {
    let tolerance = 0.5 * 10_f64.powi(-decimals) + 1e-9;
    assert!(
        (value - expected).abs() <= tolerance,
        "{value} does not print as {expected} with {decimals} decimals"
    );
}

#[track_caller]
pub(super) fn close(value: f64, expected: f64, tolerance: f64) {
    assert!(
        (value - expected).abs() <= tolerance,
        "{value} is not {expected} within {tolerance}"
    );
}
