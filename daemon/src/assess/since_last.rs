//! Today beside the latest earlier exam, of whatever label: hours and days, not the baseline.

use super::{DecidedBy, rounded};
use chrono::{NaiveDate, NaiveTime};
use serde::{Deserialize, Serialize};

/// The change since the latest earlier exam. It flags nothing by itself.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SinceLast {
    /// Id of that exam.
    pub exam: String,
    /// Its day.
    pub date: NaiveDate,
    /// Time of its first reading, when it is told.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub time: Option<NaiveTime>,
    /// Hours between the two, when the times of both are told or their days differ.
    #[serde(serialize_with = "rounded::optional")]
    pub hours: Option<f64>,
    /// What was compared: both eyes, or the only eye that both exams have.
    pub row: DecidedBy,
    /// Measured now minus measured then, of both eyes or of the only eye that both have, mm.
    #[serde(serialize_with = "rounded::plain")]
    pub mm: f64,
    /// SD of the change in a patient in whom nothing happened: readings and exam error, operator and
    /// device where they differ; no drift, no growth. mm.
    #[serde(serialize_with = "rounded::plain")]
    pub sd_mm: f64,
    /// mm - `z_above` x sd.
    #[serde(serialize_with = "rounded::plain")]
    pub lower_mm: f64,
    /// mm + `z_above` x sd.
    #[serde(serialize_with = "rounded::plain")]
    pub upper_mm: f64,
}

/// The latest earlier exam, and why today is not held against it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct NotSinceLast {
    /// Id of that exam; `None` when nobody can tell which was the latest.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub exam: Option<String>,
    /// Its day.
    pub date: NaiveDate,
    /// Time of its first reading, when it is told.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub time: Option<NaiveTime>,
    /// Why.
    pub reason: Apart,
}

/// Why two exams of one patient are not held against each other.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Apart {
    /// The other exam is dated before the patient's birth.
    BeforeBirth,
    /// They measured between other borders of the sheath.
    DefinitionDiffers,
    /// The other exam is in doubt: what was measured, whose it is, or when.
    Doubted,
    /// No eye was measured at both.
    EyesDiffer,
    /// They were made with different kinds of imaging.
    ModalityDiffers,
    /// One is from the first weeks of life, when the sheath grows fastest.
    Newborn,
    /// One of them has no reading that can be used.
    NoUsableMeasurement,
    /// Not by ultrasound, whose errors are the only ones known here.
    NotUltrasound,
    /// Several exams of one day, and not of all of them the time is told.
    OrderUnknown,
    /// They share no plane.
    PlanesDiffer,
}

/// The flagged exams before today's, since the last event and the last exam that a person has settled as
/// well or ruled out, within a year.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Flags {
    /// How many there are.
    pub count: usize,
    /// Exams from the first of them on, today's not counted.
    pub of: usize,
    /// Day of the last.
    pub last: NaiveDate,
    /// Its time, when it is told.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub last_time: Option<NaiveTime>,
    /// Whether this exam is flagged as well.
    pub now: bool,
    /// Day of the first.
    pub since: NaiveDate,
    /// Its time, when it is told.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub since_time: Option<NaiveTime>,
}
