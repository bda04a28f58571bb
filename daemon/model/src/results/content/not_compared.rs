//! An earlier exam that did not serve, as a result lists it.

use crate::assess::{Unused, Why};
use crate::domain::{Eye, Millimetres};
use crate::history::Exam;
use chrono::{NaiveDate, NaiveTime};
use serde::{Deserialize, Serialize};

/// An earlier exam, or one of the same day, that did not serve.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct NotCompared {
    /// Our name of it.
    pub exam: String,
    /// The day it was done.
    pub date: NaiveDate,
    /// The time of day, when it is told.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub time: Option<NaiveTime>,
    /// Why it did not serve.
    pub reason: Why,
    /// Usable readings of the right eye, millimetres, where nothing could be compared because it was
    /// measured otherwise, or neither could this one: shown as they are.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub right_mm: Vec<Millimetres>,
    /// The same of the left eye.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub left_mm: Vec<Millimetres>,
}

impl NotCompared {
    /// An earlier exam beside a result, `alone` if that could not be compared with any.
    pub(super) fn of(exam: &Exam, reason: Why, alone: bool) -> Self {
        let otherwise = matches!(
            reason,
            Why::Found(
                Unused::DefinitionDiffers
                    | Unused::ModalityDiffers
                    | Unused::NewbornBaselineExpired
                    | Unused::PlanesDiffer
                    | Unused::UnlabelledNotCompared
            )
        );
        let values = |eye| {
            if alone && otherwise {
                super::values(exam, eye)
            } else {
                Vec::new()
            }
        };
        NotCompared {
            exam: exam.id.clone(),
            date: exam.performed_at.date(),
            time: exam.performed_at.time(),
            right_mm: values(Eye::Right),
            left_mm: values(Eye::Left),
            reason,
        }
    }
}
