//! What the store holds of one patient.

use crate::domain::PatientKey;
use crate::render::Content;
use crate::results::{Known, Latest};
use crate::store::readings::{self, StoredDisposition};
use crate::store::results::ResultRow;
use crate::store::{StoreError, people};
use rusqlite::Connection;
use std::collections::BTreeMap;

/// Everything known of a patient.
///
/// # Errors
///
/// When the store cannot be read.
pub fn known(conn: &Connection, key: &PatientKey) -> Result<Known, StoreError> {
    let readings = readings::of_patient(conn, key)?
        .into_iter()
        .filter(|stored| stored.disposition != StoredDisposition::Repeat)
        .map(|stored| stored.reading)
        .collect();
    Ok(Known {
        readings,
        labels: people::labels(conn, key)?.into_iter().collect(),
        events: people::events(conn, key)?,
        pressures: people::pressures(conn, key)?.into_iter().collect(),
    })
}

pub(super) fn latest(
    conn: &Connection,
    key: &PatientKey,
) -> Result<BTreeMap<String, Latest>, StoreError> {
    crate::store::results::latest_of_patient(conn, key)?
        .into_iter()
        .map(|row| {
            let content = content_of(&row)?;
            Ok((
                row.exam_id,
                Latest {
                    version: row.version,
                    key: row.key,
                    content,
                },
            ))
        })
        .collect()
}

/// What a stored result says.
///
/// # Errors
///
/// When the row is damaged.
pub fn content_of(row: &ResultRow) -> Result<Content, StoreError> {
    serde_json::from_str(&row.content).map_err(|error| StoreError::Damaged {
        what: format!(
            "result {} version {} at column {}",
            row.exam_id,
            row.version,
            error.column()
        ),
    })
}
