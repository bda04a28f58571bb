//! Today beside the latest earlier exam, of whatever label: hours and days, not the baseline.

use super::rounded;
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

/// The flagged exams before today's.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Flags {
    /// How many there are.
    pub count: usize,
    /// Day of the first.
    pub since: NaiveDate,
    /// Its time, when it is told.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub since_time: Option<NaiveTime>,
}
