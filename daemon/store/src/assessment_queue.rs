//! Which patients there are, and whose exams wait to be assessed again.

use super::objects::ObjectId;
use super::{StoreError, stamp};
use crate::session::{Row, values};
use crate::view::{Tx, View};
use chrono::{DateTime, Utc};
use sheathline_model::domain::{PatientKey, Source};

/// A patient whose exams wait to be assessed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Dirty {
    /// The patient.
    pub key: PatientKey,
    mark: i64,
    since: String,
}

/// Notes that a patient's exams have to be assessed again.
///
/// # Errors
/// The store cannot be written.
pub fn mark_dirty(tx: &Tx, key: &PatientKey, now: DateTime<Utc>) -> Result<(), StoreError> {
    tx.prepare(
        "insert into dirty (patient_issuer, patient_id, since, mark) values (?1, ?2, ?3, 1)
         on conflict (patient_id, patient_issuer) do update set mark = dirty.mark + 1",
    )
    .execute(values![key.issuer, key.id, stamp::text(now)])?;
    Ok(())
}

/// Marks every patient of the store, for new parameters. Returns how many.
///
/// # Errors
/// The store cannot be written.
pub fn mark_all_dirty(tx: &Tx, now: DateTime<Utc>) -> Result<usize, StoreError> {
    let keys = list(tx)?;
    for key in &keys {
        mark_dirty(tx, key, now)?;
    }
    Ok(keys.len())
}

/// The patients that wait, longest first, at most `limit`. They stay marked: see [`clear_dirty`].
///
/// # Errors
/// The store cannot be read.
pub fn dirty(view: &View, limit: u32) -> Result<Vec<Dirty>, StoreError> {
    view.prepare(
        "select patient_issuer, patient_id, mark, since from dirty order by since limit ?1",
    )
    .all([limit], waiting)
}

/// The same, of those alone that `is_ours` takes.
///
/// # Errors
/// The store cannot be read.
pub fn dirty_of(
    view: &View,
    is_ours: impl Fn(&PatientKey) -> bool,
    limit: u32,
) -> Result<Vec<Dirty>, StoreError> {
    let mut found = Vec::new();
    if limit == 0 {
        return Ok(found);
    }
    view.prepare("select patient_issuer, patient_id, mark, since from dirty order by since")
        .find_map((), |row| {
            let one = waiting(row)?;
            if is_ours(&one.key) {
                found.push(one);
            }
            Ok((found.len() >= limit as usize).then_some(()))
        })?;
    Ok(found)
}

fn waiting(row: &Row<'_>) -> Result<Dirty, StoreError> {
    Ok(Dirty {
        key: key(row)?,
        mark: row.get(2)?,
        since: row.get(3)?,
    })
}

/// Takes the mark away, unless the patient was marked again since `seen` was read, also where another
/// daemon took the first mark away meanwhile. Belongs in the
/// transaction that stores the results. Returns whether the mark is gone.
///
/// # Errors
/// The store cannot be written.
pub fn clear_dirty(tx: &Tx, seen: &Dirty) -> Result<bool, StoreError> {
    let cleared = tx
        .prepare(
            "delete from dirty
             where patient_issuer = ?1 and patient_id = ?2 and mark = ?3 and since = ?4",
        )
        .execute(values![seen.key.issuer, seen.key.id, seen.mark, seen.since])?;
    Ok(cleared > 0)
}

/// Takes the mark of an id away, however often it was set: for one that another is assessed for.
///
/// # Errors
/// The store cannot be written.
pub fn unmark(tx: &Tx, key: &PatientKey) -> Result<(), StoreError> {
    tx.prepare("delete from dirty where patient_id = ?1 and patient_issuer = ?2")
        .execute(values![key.id, key.issuer])?;
    Ok(())
}

/// Lets a patient who cannot be assessed wait behind the others.
///
/// # Errors
/// The store cannot be written.
pub fn wait_longer(tx: &Tx, seen: &Dirty, now: DateTime<Utc>) -> Result<(), StoreError> {
    tx.prepare("update dirty set since = ?3 where patient_issuer = ?1 and patient_id = ?2")
        .execute(values![seen.key.issuer, seen.key.id, stamp::text(now)])?;
    Ok(())
}

/// Whether a patient waits.
///
/// # Errors
/// The store cannot be read.
pub fn is_dirty(view: &View, key: &PatientKey) -> Result<bool, StoreError> {
    view.prepare("select 1 from dirty where patient_id = ?1 and patient_issuer = ?2")
        .exists([&key.id, &key.issuer])
}

/// Takes marks away and returns whose they were: for work done in this same transaction.
///
/// # Errors
/// The store cannot be written.
pub fn take_dirty(tx: &Tx, limit: u32) -> Result<Vec<PatientKey>, StoreError> {
    let taken = dirty(tx, limit)?;
    for one in &taken {
        clear_dirty(tx, one)?;
    }
    Ok(taken.into_iter().map(|one| one.key).collect())
}

/// How many patients wait.
///
/// # Errors
/// The store cannot be read.
pub fn count_dirty(view: &View) -> Result<u32, StoreError> {
    view.prepare("select count(*) from dirty")
        .one((), |row| row.get(0))
}

/// Patients of which an object was read, by id, then issuer.
///
/// # Errors
/// The store cannot be read.
pub fn list(view: &View) -> Result<Vec<PatientKey>, StoreError> {
    view.prepare(
        "select distinct patient_issuer, patient_id from object
             where patient_id is not null order by patient_id, patient_issuer nulls first",
    )
    .all((), key)
}

/// Patients with this id, one for each issuer: of an object, or of a statement about ids.
///
/// # Errors
/// The store cannot be read.
pub fn with_id(view: &View, id: &str) -> Result<Vec<PatientKey>, StoreError> {
    view.prepare(
        "select patient_issuer, patient_id from object where patient_id = ?1
             union select from_issuer, from_id from id_statement where from_id = ?1
             union select into_issuer, into_id from id_statement where into_id = ?1
             order by 1",
    )
    .all([id], key)
}

/// Whether an object of a patient of this id was read, whoever issued it.
///
/// # Errors
/// The store cannot be read.
pub fn is_known(view: &View, id: &str) -> Result<bool, StoreError> {
    view.prepare("select 1 from object where patient_id = ?1")
        .exists([id])
}

/// An accepted report of a patient that is under the default issuer of where it came from.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct UnderDefault {
    /// Its object.
    pub id: ObjectId,
    /// Where it came from.
    pub source: Source,
    /// Transfer syntax of the data set; `None`: the bytes are a Part 10 file.
    pub transfer_syntax: Option<String>,
}

/// A patient's accepted reports that are under the issuer that was the default when they came, whether
/// they name it themselves or not; oldest first.
///
/// # Errors
/// The store cannot be read.
pub fn under_default_issuer(
    view: &View,
    key: &PatientKey,
) -> Result<Vec<UnderDefault>, StoreError> {
    view.prepare(
        "select id, source, transfer_syntax from object
             where patient_id = ?1 and patient_issuer = ?2 and default_issuer = ?2
               and disposition in ('accepted', 'accepted_with_remarks')
             order by id",
    )
    .all([&key.id, &key.issuer], |row| {
        Ok(UnderDefault {
            id: row.get(0)?,
            source: stamp::source(row, 1)?,
            transfer_syntax: row.get(2)?,
        })
    })
}

fn key(row: &Row<'_>) -> Result<PatientKey, StoreError> {
    Ok(PatientKey {
        issuer: row.get(0)?,
        id: row.get(1)?,
    })
}
