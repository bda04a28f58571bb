//! What the store holds of one patient.

use crate::domain::PatientKey;
use crate::render::Content;
use crate::results::{Known, Latest};
use crate::store::readings::{self, StoredDisposition};
use crate::store::results::{self, ResultRow};
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

/// The newest version of each exam's result. A damaged one says what the newest sound version
/// before it said, under a key that nothing equals: whatever is told now replaces it.
pub(super) fn latest(
    conn: &Connection,
    key: &PatientKey,
) -> Result<BTreeMap<String, Latest>, StoreError> {
    let mut latest = BTreeMap::new();
    for row in results::latest_of_patient(conn, key)? {
        let (version, exam) = (row.version, row.exam_id.clone());
        let told = match sound(&row) {
            Some(content) => Some((row.key, content)),
            None => results::versions(conn, &exam)?
                .iter()
                .rev()
                .find_map(sound)
                .map(|content| (String::new(), content)),
        };
        if let Some((key, content)) = told {
            let one = Latest {
                version,
                key,
                content,
            };
            latest.insert(exam, one);
        }
    }
    Ok(latest)
}

/// What a row says, if it is what was stored and is about the exam it is filed under.
fn sound(row: &ResultRow) -> Option<Content> {
    content_of(row)
        .ok()
        .filter(|content| content.exam.id == row.exam_id)
}

/// What a stored result says.
///
/// # Errors
///
/// When the row is damaged.
pub fn content_of(row: &ResultRow) -> Result<Content, StoreError> {
    if row.is_damaged {
        return Err(StoreError::Damaged {
            what: format!("result {} version {}", row.exam_id, row.version),
        });
    }
    serde_json::from_str(&row.content).map_err(|error| StoreError::Damaged {
        what: format!(
            "result {} version {} at column {}",
            row.exam_id,
            row.version,
            error.column()
        ),
    })
}
