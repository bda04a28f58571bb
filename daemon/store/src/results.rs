//! Results of exams, version after version; none is ever changed.

use super::{StoreError, deliveries, stamp, told};
use crate::session::{Row, Values, values};
use crate::view::{Tx, View};
use chrono::{DateTime, Utc};
use sha2::{Digest, Sha256};
use sheathline_model::domain::PatientKey;
use sheathline_model::worklist::VersionFacts;
use std::collections::BTreeMap;

/// A result to be stored as the next version of its exam.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NewResult {
    /// The exam, by an id of our own that is safe as a file name.
    pub exam_id: String,
    /// The patient.
    pub patient: PatientKey,
    /// Idempotency key: the same for the same exam content and parameters.
    pub key: String,
    /// The result, JSON.
    pub content: String,
    /// Why there is a new version.
    pub why: Vec<String>,
}

/// One stored version of a result.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ResultRow {
    /// The exam, by an id of our own that is safe as a file name.
    pub exam_id: String,
    /// Version, from 1.
    pub version: u32,
    /// The patient.
    pub patient: PatientKey,
    /// Idempotency key.
    pub key: String,
    /// The result, JSON.
    pub content: String,
    /// Why there is a new version.
    pub why: Vec<String>,
    /// The version that this one replaces.
    pub supersedes: Option<u32>,
    /// When it was stored.
    pub created_at: DateTime<Utc>,
    /// When it reached the outbox, if it did.
    pub published_at: Option<DateTime<Utc>>,
    /// The content is not the one that was stored: nothing of it may be used.
    pub is_damaged: bool,
}

/// Stores the next version of an exam's result and returns its number.
///
/// # Errors
/// The store cannot be written.
pub fn insert(tx: &Tx, result: &NewResult, now: DateTime<Utc>) -> Result<u32, StoreError> {
    let why = json(&result.why)?;
    tx.prepare(
        "with last (version) as (select max(version) from result where exam_id = ?1)
             insert into result (exam_id, version, key, content, why, supersedes, created_at,
                                 patient_issuer, patient_id, status)
             select ?1, coalesce(version, 0) + 1, ?2, ?3, ?4, version, ?5, ?6, ?7, ?8 from last
             returning version",
    )
    .one(
        values![
            result.exam_id,
            result.key,
            result.content,
            why,
            stamp::text(now),
            result.patient.issuer,
            result.patient.id,
            told::status(&result.content),
        ],
        |row| row.get(0),
    )
}

const RESULT: &str = "exam_id, version, patient_issuer, patient_id, key, content, why, supersedes,
                      created_at, published_at, damaged_at";

fn results(
    view: &View,
    restriction: &str,
    values: impl Values,
) -> Result<Vec<ResultRow>, StoreError> {
    let statement = view.prepare(format!("select {RESULT} from result {restriction}"));
    statement.all(values, result)
}

fn result(row: &Row<'_>) -> Result<ResultRow, StoreError> {
    let (why, content, key): (String, String, String) = (row.get(6)?, row.get(5)?, row.get(4)?);
    let damaged_at: Option<String> = row.get(10)?;
    Ok(ResultRow {
        is_damaged: damaged_at.is_some() || key != key_of(&content),
        exam_id: row.get(0)?,
        version: row.get(1)?,
        patient: PatientKey {
            issuer: row.get(2)?,
            id: row.get(3)?,
        },
        key,
        content,
        why: whys(&why)?,
        supersedes: row.get(7)?,
        created_at: stamp::time(&row.get::<String>(8)?)?,
        published_at: row
            .get::<Option<String>>(9)?
            .map(|text| stamp::time(&text))
            .transpose()?,
    })
}

fn json(whys: &[String]) -> Result<String, StoreError> {
    serde_json::to_string(whys)
        .map_err(|_| StoreError::Work("the reasons of a result are not JSON".to_owned()))
}

fn whys(text: &str) -> Result<Vec<String>, StoreError> {
    serde_json::from_str(text).map_err(|_| StoreError::Damaged {
        what: "the reasons of a result".to_owned(),
    })
}

/// The key of a content as it stands in the store: see [`Content::key`](sheathline_model::results::Content::key).
pub fn key_of(content: &str) -> String {
    let hash = Sha256::digest(content.as_bytes());
    hash.iter()
        .take(16)
        .fold(String::new(), |key, byte| format!("{key}{byte:02x}"))
}

/// The newest version of an exam's result.
///
/// # Errors
/// The store cannot be read.
pub fn latest(view: &View, exam_id: &str) -> Result<Option<ResultRow>, StoreError> {
    Ok(results(
        view,
        "where exam_id = ?1 order by version desc limit 1",
        [exam_id],
    )?
    .pop())
}

/// Every version of an exam's result, oldest first.
///
/// # Errors
/// The store cannot be read.
pub fn versions(view: &View, exam_id: &str) -> Result<Vec<ResultRow>, StoreError> {
    results(view, "where exam_id = ?1 order by version", [exam_id])
}

/// Whether each version of an exam's result is flagged, how grave its rise is and when it was made,
/// oldest first; those that are damaged are left out.
///
/// # Errors
/// The store cannot be read.
pub fn flags(view: &View, exam_id: &str) -> Result<Vec<VersionFacts>, StoreError> {
    let statement = view.prepare(
        "select version, content, created_at from result
         where exam_id = ?1 and damaged_at is null order by version",
    );
    let mut rows = Vec::new();
    statement.each([exam_id], |row| {
        if let Ok(flagged) = told::flag(&row.get::<String>(1)?) {
            rows.push(VersionFacts {
                version: row.get(0)?,
                flagged,
                made_at: stamp::time(&row.get::<String>(2)?)?,
            });
        }
        Ok(())
    })?;
    Ok(rows)
}

/// When the first version of each of a patient's results was made, by exam id.
///
/// # Errors
/// The store cannot be read.
pub fn first_made(
    view: &View,
    key: &PatientKey,
) -> Result<BTreeMap<String, DateTime<Utc>>, StoreError> {
    let rows = view.prepare(
        "select exam_id, min(created_at) from result
         where patient_id = ?1 and patient_issuer = ?2 group by exam_id",
    );
    let rows = rows.all([&key.id, &key.issuer], |row| {
        Ok((row.get::<String>(0)?, row.get::<String>(1)?))
    })?;
    rows.into_iter()
        .map(|(exam, at)| Ok((exam, stamp::time(&at)?)))
        .collect()
}

/// The newest version of each of a patient's exams, by exam id.
///
/// # Errors
/// The store cannot be read.
pub fn latest_of_patient(view: &View, key: &PatientKey) -> Result<Vec<ResultRow>, StoreError> {
    results(
        view,
        "as this where patient_id = ?1 and patient_issuer = ?2 and version =
            (select max(version) from result as other where other.exam_id = this.exam_id)
         order by exam_id",
        [&key.id, &key.issuer],
    )
}

/// The newest version of each exam under an id, by exam id, with its number among all results: far
/// less to read than [`latest_of_patient`].
///
/// # Errors
/// The store cannot be read.
pub fn newest_versions(
    view: &View,
    key: &PatientKey,
) -> Result<Vec<(String, u32, i64)>, StoreError> {
    let statement = view.prepare(
        "select exam_id, max(version), max(id) from result
         where patient_id = ?1 and patient_issuer = ?2 group by exam_id order by exam_id",
    );
    statement.all([&key.id, &key.issuer], |row| {
        Ok((row.get(0)?, row.get(1)?, row.get(2)?))
    })
}

/// The newest version of each exam under an id among those up to a number, by exam id. An exam that
/// has a newer one up to there under another id is not among them.
///
/// # Errors
/// The store cannot be read.
pub fn newest_up_to(
    view: &View,
    key: &PatientKey,
    until: i64,
) -> Result<Vec<ResultRow>, StoreError> {
    results(
        view,
        "as this where patient_id = ?1 and patient_issuer = ?2 and id <= ?3 and version =
            (select max(version) from result as other
             where other.exam_id = this.exam_id and other.id <= ?3)
         order by exam_id",
        (&key.id, &key.issuer, until),
    )
}

/// What stood of the other exams under an id when a version was stored: of each the newest version
/// up to then, by exam id. The same at any later time.
///
/// # Errors
/// The store cannot be read.
pub fn beside(view: &View, number: i64, key: &PatientKey) -> Result<Vec<ResultRow>, StoreError> {
    results(
        view,
        "as this where id in (
             select max(o.id) from result as o
             where o.patient_id = ?2 and o.patient_issuer = ?3 and o.id < ?1
               and o.exam_id <> (select exam_id from result where id = ?1)
             group by o.exam_id)
         order by exam_id",
        (number, &key.id, &key.issuer),
    )
}

/// Number of the newest version in the store; 0 without one. Numbers rise in the order of the commits,
/// and no version is ever taken away.
///
/// # Errors
/// The store cannot be read.
pub fn newest_number(view: &View) -> Result<i64, StoreError> {
    view.prepare("select coalesce(max(id), 0) from result")
        .one((), |row| row.get(0))
}

/// Key of the version at a number.
///
/// # Errors
/// The store cannot be read.
pub fn key_at(view: &View, number: i64) -> Result<Option<String>, StoreError> {
    view.prepare("select key from result where id = ?1")
        .first([number], |row| row.get(0))
}

/// Versions after a number and up to another, in the order they were stored, at most `limit`; each
/// with its number.
///
/// # Errors
/// The store cannot be read.
pub fn numbered(
    view: &View,
    after: i64,
    until: i64,
    limit: u32,
) -> Result<Vec<(i64, ResultRow)>, StoreError> {
    with_numbers(
        view,
        "where id > ?1 and id <= ?2 order by id limit ?3",
        (after, until, limit),
    )
}

/// Versions up to a number, patient after patient, each patient's in the order they were stored; those
/// behind the place of `after`, at most `limit`.
///
/// # Errors
/// The store cannot be read.
pub fn by_patient(
    view: &View,
    after: &(PatientKey, i64),
    until: i64,
    limit: u32,
) -> Result<Vec<(i64, ResultRow)>, StoreError> {
    let (key, number) = after;
    with_numbers(
        view,
        "where (patient_id, patient_issuer, id) > (?1, ?2, ?3) and id <= ?4
         order by patient_id, patient_issuer, id limit ?5",
        (&key.id, &key.issuer, number, until, limit),
    )
}

fn with_numbers(
    view: &View,
    restriction: &str,
    values: impl Values,
) -> Result<Vec<(i64, ResultRow)>, StoreError> {
    let sql = format!("select {RESULT}, id from result {restriction}");
    let statement = view.prepare(sql);
    let mut found = Vec::new();
    statement.each(values, |row| {
        found.push((row.get(11)?, result(row)?));
        Ok(())
    })?;
    Ok(found)
}

/// The version of an exam before one of them.
///
/// # Errors
/// The store cannot be read.
pub fn before(view: &View, exam_id: &str, version: u32) -> Result<Option<ResultRow>, StoreError> {
    Ok(results(
        view,
        "where exam_id = ?1 and version < ?2 order by version desc limit 1",
        (exam_id, version),
    )?
    .pop())
}

/// One version of an exam's result.
///
/// # Errors
/// The store cannot be read.
pub fn version(view: &View, exam_id: &str, version: u32) -> Result<Option<ResultRow>, StoreError> {
    Ok(results(
        view,
        "where exam_id = ?1 and version = ?2",
        (exam_id, version),
    )?
    .pop())
}

/// Whether a result was ever filed under an id.
///
/// # Errors
/// The store cannot be read.
pub fn is_any_under(view: &View, key: &PatientKey) -> Result<bool, StoreError> {
    view.prepare("select 1 from result where patient_id = ?1 and patient_issuer = ?2 limit 1")
        .exists([&key.id, &key.issuer])
}

/// One version by its number in the store.
///
/// # Errors
/// The store cannot be read.
pub fn by_number(view: &View, number: i64) -> Result<Option<ResultRow>, StoreError> {
    Ok(results(view, "where id = ?1", [number])?.pop())
}

/// A version that has not reached the outbox.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Pending {
    /// Its number in the store.
    pub id: i64,
    /// The patient.
    pub patient: PatientKey,
}

/// Versions that have not reached the outbox with numbers above `after`, in the order they were stored,
/// at most `limit`.
///
/// # Errors
/// The store cannot be read.
pub fn pending(view: &View, after: i64, limit: u32) -> Result<Vec<Pending>, StoreError> {
    let rows = view.prepare(
        "select id, patient_issuer, patient_id from result
         where published_at is null and damaged_at is null and +id > ?1 order by id limit ?2",
    );
    let rows = rows.all(values![after, limit], |row| {
        Ok(Pending {
            id: row.get(0)?,
            patient: PatientKey {
                issuer: row.get(1)?,
                id: row.get(2)?,
            },
        })
    })?;
    Ok(rows.into_iter().collect())
}

/// [`pending`] as whole rows from the oldest on.
#[cfg(any(test, feature = "tests"))]
pub fn unpublished(view: &View, limit: u32) -> Result<Vec<ResultRow>, StoreError> {
    results(
        view,
        "where published_at is null and damaged_at is null order by id limit ?1",
        [limit],
    )
}

/// Notes that a version has reached the outbox. The first time stands. From now on it waits for each
/// of the `destinations`.
///
/// # Errors
/// The store cannot be written.
pub fn mark_published(
    tx: &Tx,
    exam_id: &str,
    version: u32,
    destinations: &[String],
    now: DateTime<Utc>,
) -> Result<(), StoreError> {
    deliveries::begin(tx, exam_id, version, destinations, now)?;
    tx.prepare(
        "update result set published_at = ?3
         where exam_id = ?1 and version = ?2 and published_at is null",
    )
    .execute(values![exam_id, version, stamp::text(now)])?;
    Ok(())
}

/// Notes that nothing has reached the outbox, so that every version is put there again.
///
/// # Errors
/// The store cannot be written.
pub fn forget_published(tx: &Tx) -> Result<(), StoreError> {
    tx.execute("update result set published_at = null", ())?;
    Ok(())
}

/// Notes that a version is damaged, so that it is not published.
///
/// # Errors
/// The store cannot be written.
pub fn note_damaged(
    tx: &Tx,
    exam_id: &str,
    version: u32,
    now: DateTime<Utc>,
) -> Result<(), StoreError> {
    tx.prepare(
        "update result set damaged_at = ?3, status = null where exam_id = ?1 and version = ?2",
    )
    .execute(values![exam_id, version, stamp::text(now)])?;
    Ok(())
}

/// Gives a version that is not published yet a number beyond `above`, since its own is taken in the
/// outbox, and moves the later versions of its exam up behind it. `replaces` is the version in the
/// outbox that it then replaces, if it is one. `false`: a later version is in the outbox already, and a
/// higher number would put the older one over it.
///
/// # Errors
/// The store cannot be written.
pub fn renumber(
    tx: &Tx,
    exam_id: &str,
    version: u32,
    above: u32,
    replaces: Option<u32>,
    why: &str,
) -> Result<bool, StoreError> {
    let is_overtaken = tx
        .prepare(
            "select 1 from result
             where exam_id = ?1 and version > ?2 and published_at is not null limit 1",
        )
        .exists(values![exam_id, version])?;
    if is_overtaken || above < version {
        return Ok(false);
    }
    let up = above + 1 - version;
    let later: Vec<u32> = tx
        .prepare(
            "select version from result where exam_id = ?1 and version >= ?2 order by version desc",
        )
        .all(values![exam_id, version], |row| row.get(0))?;
    // The highest first, so that no number is there twice.
    for one in later {
        deliveries::forget(tx, exam_id, one)?;
        tx.prepare(
            "update result set version = version + ?3,
                    supersedes = case when supersedes >= ?4 then supersedes + ?3
                                      else supersedes end
             where exam_id = ?1 and version = ?2",
        )
        .execute(values![exam_id, one, up, version])?;
    }
    let number = version + up;
    let (supersedes, reasons): (Option<u32>, String) = tx
        .prepare("select supersedes, why from result where exam_id = ?1 and version = ?2")
        .one(values![exam_id, number], |row| {
            Ok((row.get(0)?, row.get(1)?))
        })?;
    let mut reasons = whys(&reasons)?;
    reasons.push(why.to_owned());
    // Of two versions that it replaces, the later one.
    let supersedes = supersedes.max(replaces).filter(|version| *version > 0);
    tx.prepare("update result set supersedes = ?3, why = ?4 where exam_id = ?1 and version = ?2")
        .execute(values![exam_id, number, supersedes, json(&reasons)?])?;
    Ok(true)
}
