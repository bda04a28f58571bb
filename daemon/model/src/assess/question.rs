//! What is asked: one patient's exams, and which of them to compare.

use super::{KnownErrors, ParameterError, Parameters};
use crate::domain::{Border, Event, Eye, Label, Millimetres, Plane};
use chrono::{NaiveDate, NaiveTime};
use serde::{Deserialize, Serialize};
use std::collections::BTreeSet;
use std::fmt;
use thiserror::Error;

/// One thing for each eye.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PerEye<T> {
    /// Of the right eye.
    #[serde(default)]
    pub right: T,
    /// Of the left eye.
    #[serde(default)]
    pub left: T,
}

impl<T> PerEye<T> {
    /// What belongs to the given eye.
    pub fn of(&self, eye: Eye) -> &T {
        match eye {
            Eye::Right => &self.right,
            Eye::Left => &self.left,
        }
    }

    /// One thing made for each eye.
    pub fn from_fn(mut make: impl FnMut(Eye) -> T) -> Self {
        PerEye {
            right: make(Eye::Right),
            left: make(Eye::Left),
        }
    }
}

/// The machine family of an exam. Different ones are never compared: they read up to 2 mm apart.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Modality {
    /// Ultrasound of the eye.
    #[default]
    Ultrasound,
    /// Magnetic resonance imaging.
    Mri,
    /// Computed tomography.
    Ct,
    /// Anything else.
    Other,
}

/// What is known of the patient. `Debug` hides who it is.
#[derive(Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Subject {
    /// Any id; the comparison does not use it.
    pub id: String,
    /// Birth date, if known. Without it there is no growth term and the interval is wider.
    #[serde(default)]
    pub birth_date: Option<NaiveDate>,
    /// Dated facts, in any order.
    #[serde(default)]
    pub events: Vec<Event>,
}

impl fmt::Debug for Subject {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Subject(hidden)")
    }
}

/// One exam: all readings of one study.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Exam {
    /// Id of the exam, unique among the exams of the patient.
    pub id: String,
    /// Day of the exam. Exams of one day never serve each other as baseline.
    pub date: NaiveDate,
    /// Time of its first reading on the wall clock; `None` when nobody tells. It puts the exams of one
    /// day in order.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub time: Option<NaiveTime>,
    /// What a person says of it; `None` is unlabelled.
    #[serde(default)]
    pub label: Option<Label>,
    /// Who measured. Unknown, also as an empty text, is equal to nobody.
    #[serde(default)]
    pub operator: Option<String>,
    /// With which machine. Unknown, also as an empty text, is equal to no other.
    #[serde(default)]
    pub device: Option<String>,
    /// Borders that were measured; unknown matches both.
    #[serde(default)]
    pub definition: Option<Border>,
    /// Sheath diameters, in any order.
    pub eyes: PerEye<Vec<Millimetres>>,
    /// Plane of each reading, in the order of the readings; missing is unspecified throughout.
    #[serde(default)]
    pub planes: PerEye<Option<Vec<Plane>>>,
    /// Kind of imaging.
    #[serde(default)]
    pub modality: Modality,
    /// Why this exam must not serve as baseline, as a code (`birth_date_differs`). It bars the exam
    /// from serving only: it may itself be assessed, and its label still counts as an event.
    #[serde(default)]
    pub excluded: Option<String>,
    /// Rounding step of the readings, as their digits tell it, mm; `None` is the site's resolution. Only a
    /// coarser one counts.
    #[serde(default, skip_serializing_if = "PerEye::is_empty")]
    pub step_mm: PerEye<Option<f64>>,
    /// Transverse diameter of the eyeball, mm, where it was measured.
    #[serde(default, skip_serializing_if = "PerEye::is_empty")]
    pub eyeball_mm: PerEye<Option<f64>>,
    /// What the site knows of the errors of its operator and its device.
    #[serde(default, skip_serializing_if = "KnownErrors::is_empty")]
    pub known: KnownErrors,
}

impl<T> PerEye<Option<T>> {
    /// Whether neither eye has one.
    pub fn is_empty(&self) -> bool {
        self.right.is_none() && self.left.is_none()
    }
}

impl Exam {
    /// Who measured, if that is known.
    #[must_use]
    pub fn known_operator(&self) -> Option<&str> {
        known(self.operator.as_deref())
    }

    /// With which machine, if that is known.
    #[must_use]
    pub fn known_device(&self) -> Option<&str> {
        known(self.device.as_deref())
    }

    /// Field and value of the first number without meaning.
    fn unusable(&self) -> Option<(&'static str, f64)> {
        let fields = [("step_mm", &self.step_mm), ("eyeball_mm", &self.eyeball_mm)];
        let wrong = |(field, eyes): (&'static str, &PerEye<Option<f64>>)| {
            let mut values = [eyes.right, eyes.left].into_iter().flatten();
            let wrong = values.find(|value| !(value.is_finite() && *value >= 0.0));
            wrong.map(|value| (field, value))
        };
        let own = fields.into_iter().find_map(wrong);
        own.or_else(|| self.known.unusable())
    }
}

fn known(name: Option<&str>) -> Option<&str> {
    name.map(str::trim).filter(|name| !name.is_empty())
}

/// A patient and their exams, in any order.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct History {
    /// The patient.
    pub patient: Subject,
    /// The exams.
    pub exams: Vec<Exam>,
}

/// One exam of a patient to be compared: one line of the JSON Lines that `assess` reads.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Question {
    /// The patient.
    pub patient: Subject,
    /// The exams, in any order. Those after the assessed day have no influence.
    pub exams: Vec<Exam>,
    /// Id of the exam to compare.
    pub assess: String,
    /// Overrides of the `[baseline]` table; unknown names are refused.
    #[serde(default)]
    pub parameters: Parameters,
}

/// A question that has no answer, with the exam and the field to mend.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum QuestionError {
    /// The assessed id is not among the exams.
    #[error("assess: no exam has the id {id:?}; give the id of one of the exams")]
    NoSuchExam {
        /// The id asked for.
        id: String,
    },
    /// Two exams share an id.
    #[error("exam {exam:?}, field id: given twice; give every exam its own id")]
    DuplicateExam {
        /// The id.
        exam: String,
    },
    /// Planes and readings do not pair up.
    #[error(
        "exam {exam:?}, field planes.{}: {planes} planes for {readings} readings; give one plane for each reading, or none at all",
        eye.word()
    )]
    PlanesLength {
        /// The exam.
        exam: String,
        /// The eye.
        eye: Eye,
        /// Number of readings of that eye.
        readings: usize,
        /// Number of planes of that eye.
        planes: usize,
    },
    /// A number of an exam without meaning.
    #[error(
        "exam {exam:?}, field {field}: {value} is not usable; give a number of millimetres, for a step, an eyeball or a standard error not below zero, for sigma_w at least 0.001"
    )]
    Number {
        /// The exam.
        exam: String,
        /// The field.
        field: &'static str,
        /// What was given.
        value: f64,
    },
    /// A parameter without meaning.
    #[error(transparent)]
    Parameter(#[from] ParameterError),
}

/// Checks what the types cannot: distinct ids, one plane for each reading, and numbers with a meaning.
pub(super) fn check(exams: &[Exam]) -> Result<(), QuestionError> {
    let mut ids = BTreeSet::new();
    for exam in exams {
        if !ids.insert(exam.id.as_str()) {
            return Err(QuestionError::DuplicateExam {
                exam: exam.id.clone(),
            });
        }
        if let Some((field, value)) = exam.unusable() {
            return Err(QuestionError::Number {
                exam: exam.id.clone(),
                field,
                value,
            });
        }
        for eye in Eye::BOTH {
            let readings = exam.eyes.of(eye).len();
            match exam.planes.of(eye) {
                Some(planes) if planes.len() != readings => {
                    return Err(QuestionError::PlanesLength {
                        exam: exam.id.clone(),
                        eye,
                        readings,
                        planes: planes.len(),
                    });
                }
                _ => {}
            }
        }
    }
    Ok(())
}
