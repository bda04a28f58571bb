//! When reports came and results were made.

use crate::department::turnaround::Times;
use crate::domain::PatientKey;
use crate::history::exam_id;
use crate::store::{StoreError, readings, results};
use rusqlite::Connection;
use std::collections::BTreeMap;

/// Arrival of the first report and making of the first result of each exam under some ids, by exam.
///
/// # Errors
///
/// When the store cannot be read.
pub fn times<'k>(
    conn: &Connection,
    ids: impl IntoIterator<Item = &'k PatientKey>,
) -> Result<BTreeMap<String, Times>, StoreError> {
    let mut times: BTreeMap<String, Times> = BTreeMap::new();
    for key in ids {
        for (study, at) in readings::first_received(conn, key)? {
            times.entry(exam_id(key, &study)).or_default().received = Some(at);
        }
        for (exam, at) in results::first_made(conn, key)? {
            times.entry(exam).or_default().made = Some(at);
        }
    }
    Ok(times)
}
