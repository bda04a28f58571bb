//! Whether columns that are made of a JSON beside them still say what it says: statements ask them in its
//! place, so a row that was put back in part would be counted as something else than it is.

use crate::readings::{StoredReading, blocking};
use crate::results::ResultRow;
use crate::view::View;
use crate::{StoreError, told};
use std::collections::BTreeSet;

/// What is wrong with the codes by which an object in quarantine is counted.
pub(super) fn of_reading(
    view: &View,
    stored: &StoredReading,
) -> Result<Option<&'static str>, StoreError> {
    let codes: Vec<String> = view
        .prepare("select code from object_blocking where object_id = ?1 order by code")
        .all([stored.id], |row| row.get(0))?;
    let noted: BTreeSet<&str> = codes.iter().map(String::as_str).collect();
    let is_same = noted == blocking(&stored.reading, stored.disposition);
    Ok((!is_same)
        .then_some("what keeps it in quarantine is noted as something else than its reading says"))
}

/// What is wrong with the status by which a version of a result is counted.
pub(super) fn of_result(
    view: &View,
    id: i64,
    row: &ResultRow,
) -> Result<Option<&'static str>, StoreError> {
    let noted: Option<String> = view
        .prepare("select status from result where id = ?1")
        .one([id], |row| row.get(0))?;
    let is_same = noted == told::status(&row.content);
    Ok((!is_same).then_some("its status is noted as something else than its content says"))
}
