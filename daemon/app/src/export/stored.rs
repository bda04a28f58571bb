//! What rows are made from: a stored version of a result, a stored object, and an entry of what people
//! said.

use super::row::AgeUsed;
use chrono::{DateTime, NaiveDate, Utc};
use sha2::{Digest, Sha256};
use sheathline_model::annotations::Entry;
use sheathline_model::assess::Parameters;
use sheathline_model::domain::{Device, ObjectReading, PatientKey, Source};
use sheathline_model::normalise::Technique;
use sheathline_model::results::Content;
use std::collections::BTreeMap;

/// This program, as rows name it.
pub(crate) const SOFTWARE: &str = concat!("sheathline ", env!("CARGO_PKG_VERSION"));

/// One stored version of an exam's result.
#[derive(Clone)]
pub(crate) struct StoredResult {
    /// From 1.
    pub version: u32,
    /// When it was stored.
    pub recorded_at: DateTime<Utc>,
    /// Fingerprint of the content.
    pub key: String,
    /// Why it was written.
    pub why: Vec<String>,
    /// What it says.
    pub content: Content,
    /// How its reports came, by SOP Instance UID.
    pub arrivals: BTreeMap<String, Arrival>,
    /// Fingerprint of its parameters and limits.
    pub parameters_key: String,
}

impl StoredResult {
    /// The age that growth in the comparison starts from; `None` where growth has no part in it.
    #[must_use]
    pub(crate) fn age_used(&self) -> Option<AgeUsed> {
        let parameters = &self.content.parameters;
        let born = self.content.patient.birth_date?;
        let first = self.content.baseline.iter().map(|one| one.date).min()?;
        let years = (first - born).num_days() as f64 / 365.25;
        let grows = parameters.growth_g != 0.0 || parameters.growth_sd != 0.0;
        (grows && years < parameters.growth_stop).then_some(AgeUsed { years })
    }
}

/// How an object came.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Arrival {
    /// Its number in the store.
    pub object: i64,
    /// `dicom:` and the calling AE title, `folder` or `file`.
    pub source: Source,
    /// When it came first.
    pub received_at: DateTime<Utc>,
}

/// One stored object with what was read of it.
#[derive(Clone)]
pub(crate) struct Received {
    /// How it came.
    pub arrival: Arrival,
    /// The word of what became of it.
    pub disposition: &'static str,
    /// What was read.
    pub reading: ObjectReading,
    /// SHA-256 of the bytes as received, hex.
    pub body_sha256: String,
    /// Which reading of the object this is, from 1.
    pub version: u32,
    /// When it was read so.
    pub recorded_at: DateTime<Utc>,
}

/// One entry of what people said.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Spoken {
    /// As it was recorded.
    pub entry: Entry,
    /// Whose: of joined ids the one that survives.
    pub patient: PatientKey,
    /// The exam that it is for, and its day; `None` for an event, and where that is not one exam.
    pub exam: Option<(String, NaiveDate)>,
    /// How many exams hold the readings that it was given for.
    pub exams: usize,
    /// What ended it; `None`: no other entry names it.
    pub ended: Option<Ended>,
}

/// The end of an entry.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Ended {
    /// The first entry that names it.
    pub by: i64,
    /// When that was recorded.
    pub at: DateTime<Utc>,
    /// It was taken back: no entry says something in its place.
    pub is_taken_back: bool,
}

/// Fingerprint of what a comparison was made with: equal ones compare alike.
///
/// # Errors
/// When they cannot be written as JSON, which only a number that is none can cause.
pub(crate) fn parameters_key(
    parameters: &Parameters,
    technique: &Technique,
) -> Result<String, serde_json::Error> {
    let json = serde_json::to_string(&(parameters, technique))?;
    Ok(name("P", &[&json]))
}

/// Our name of an operator.
#[must_use]
pub(crate) fn operator_id(operator: &str) -> String {
    name("O", &[operator])
}

/// Our name of a machine; `None` when nothing is known of it.
#[must_use]
pub(crate) fn device_id(device: &Device) -> Option<String> {
    let parts = [&device.manufacturer, &device.model, &device.serial];
    let is_known = parts.iter().any(|part| part.is_some());
    is_known.then(|| name("D", &parts.map(|part| part.as_deref().unwrap_or(""))))
}

/// A letter and 16 hex digits of a SHA-256.
fn name(letter: &str, parts: &[&str]) -> String {
    let mut hash = Sha256::new();
    for part in parts {
        hash.update((part.len() as u64).to_be_bytes());
        hash.update(part.as_bytes());
    }
    let hash = hash.finalize();
    let digits = hash.iter().take(8);
    digits.fold(letter.to_owned(), |name, byte| format!("{name}{byte:02x}"))
}
