//! From the store to what rows are made from, in pages. Each page is one short read of the store, so
//! that the daemon beside it is never held up.

use super::ExportError;
use super::run::Watch;
use super::stored::{Arrival, Received, StoredResult, parameters_key};
use crate::known::content_of;
use sheathline_model::domain::PatientKey;
use sheathline_store::objects::ObjectId;
use sheathline_store::readings::ReadingChange;
use sheathline_store::results::{self, ResultRow};
use sheathline_store::{Store, StoreError, View, readings};
use std::collections::BTreeMap;

/// Versions in memory at a time.
const PAGE: u32 = 128;

/// One version with its number in the store.
pub(crate) struct Step {
    /// The number.
    pub number: i64,
    /// Under which id it is filed.
    pub patient: PatientKey,
    /// As it is stored.
    pub row: ResultRow,
    /// What it says; `None` when the row is damaged, which a further version makes good.
    pub told: Option<StoredResult>,
    /// What the newest sound version before it says; asked for only by [`versions`].
    pub before: Option<StoredResult>,
}

/// The versions after a number, in the order they became known.
///
/// # Errors
/// The store cannot be read.
pub(crate) fn versions(store: &Store, after: i64, until: i64) -> Result<Vec<Step>, StoreError> {
    store.read(|conn| {
        let rows = results::numbered(conn, after, until, PAGE)?;
        let step = |(number, row): (i64, ResultRow)| {
            let before = match row.version {
                1 => None,
                version => sound_before(conn, &row.exam_id, version)?,
            };
            step(conn, number, row, before)
        };
        rows.into_iter().map(step).collect()
    })
}

/// Gathers the versions up to a number patient after patient: `add` takes each, `end` what came of all
/// of one patient. Exams of one patient stand between those of others in the order of their numbers.
///
/// # Errors
/// The store cannot be read, or what `end` says.
pub(super) fn by_patient<T: Default>(
    store: &Store,
    until: i64,
    watch: &mut dyn Watch,
    mut add: impl FnMut(&mut T, Step),
    mut end: impl FnMut(&PatientKey, T) -> Result<(), ExportError>,
) -> Result<(), ExportError> {
    // Before every patient.
    let nobody = PatientKey {
        issuer: String::new(),
        id: String::new(),
    };
    let mut place = (nobody, 0);
    let mut gathered = T::default();
    loop {
        let page = of_patients(store, &place, until)?;
        if page.is_empty() {
            return end(&place.0, gathered);
        }
        let steps = page.len() as u64;
        for step in page {
            if step.patient != place.0 {
                end(&place.0, std::mem::take(&mut gathered))?;
            }
            place = (step.patient.clone(), step.number);
            add(&mut gathered, step);
        }
        watch.step(steps);
    }
}

/// The versions up to a number, patient after patient, behind the place of `after`.
fn of_patients(
    store: &Store,
    after: &(PatientKey, i64),
    until: i64,
) -> Result<Vec<Step>, StoreError> {
    store.read(|conn| {
        let rows = results::by_patient(conn, after, until, PAGE)?;
        let step = |(number, row)| step(conn, number, row, None);
        rows.into_iter().map(step).collect()
    })
}

fn sound_before(
    conn: &View,
    exam: &str,
    mut version: u32,
) -> Result<Option<StoredResult>, StoreError> {
    while let Some(row) = results::before(conn, exam, version)? {
        if let Some(told) = told(conn, &row)? {
            return Ok(Some(told));
        }
        version = row.version;
    }
    Ok(None)
}

fn step(
    conn: &View,
    number: i64,
    row: ResultRow,
    before: Option<StoredResult>,
) -> Result<Step, StoreError> {
    Ok(Step {
        number,
        patient: row.patient.clone(),
        told: told(conn, &row)?,
        row,
        before,
    })
}

fn told(conn: &View, row: &ResultRow) -> Result<Option<StoredResult>, StoreError> {
    let Ok(content) = content_of(row) else {
        return Ok(None);
    };
    if content.exam.id != row.exam_id {
        return Ok(None);
    }
    let mut arrivals = BTreeMap::new();
    for report in &content.reports {
        let uid = &report.sop_instance_uid;
        let found = readings::arrival(conn, uid, report.content_sha256.as_deref())?;
        if let Some((object, source, received_at)) = found {
            let arrival = Arrival {
                object: object.0,
                source,
                received_at,
            };
            arrivals.insert(uid.clone(), arrival);
        }
    }
    Ok(Some(StoredResult {
        version: row.version,
        recorded_at: row.created_at,
        key: row.key.clone(),
        why: row.why.clone(),
        arrivals,
        parameters_key: parameters_key(&content.parameters, &content.technique)
            .map_err(|_| StoreError::Work("parameters are no JSON".to_owned()))?,
        content,
    }))
}

/// Readings in memory at a time.
const READINGS: u32 = 256;

/// One reading of an object that became known.
pub(crate) struct Reading {
    /// Its place among all readings.
    pub change: ReadingChange,
    /// What was read; `None` when a later reading took its place, or it is damaged and read again.
    pub received: Option<Received>,
}

/// The readings after a number, in the order they became known.
///
/// # Errors
/// The store cannot be read.
pub(crate) fn readings_after(
    store: &Store,
    after: i64,
    until: i64,
) -> Result<Vec<Reading>, StoreError> {
    store.read(|conn| {
        let changes = readings::changes(conn, after, until, READINGS)?;
        changes.into_iter().map(|one| reading(conn, one)).collect()
    })
}

/// The readings of objects behind one, in the order of arrival.
///
/// # Errors
/// The store cannot be read.
pub(crate) fn readings_of_objects(
    store: &Store,
    after: (ObjectId, u32),
) -> Result<Vec<Reading>, StoreError> {
    store.read(|conn| {
        let changes = readings::changes_by_object(conn, after, READINGS)?;
        changes.into_iter().map(|one| reading(conn, one)).collect()
    })
}

fn reading(conn: &View, change: ReadingChange) -> Result<Reading, StoreError> {
    if change.is_replaced {
        return Ok(Reading {
            change,
            received: None,
        });
    }
    let stored = match readings::reading_of(conn, change.object) {
        Err(StoreError::ReadingDamaged { .. }) => None,
        stored => stored?,
    };
    let received = stored.map(|stored| Received {
        version: change.version,
        recorded_at: change.read_at.unwrap_or(stored.received_at),
        arrival: Arrival {
            object: stored.id.0,
            source: stored.source,
            received_at: stored.received_at,
        },
        disposition: stored.disposition.word(),
        body_sha256: stored.body_sha256,
        reading: stored.reading,
    });
    Ok(Reading { change, received })
}
