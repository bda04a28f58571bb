//! What people know: labels and opening pressures of exams, events of patients.

use super::{StoreError, stamp};
use crate::domain::{About, Event, EventKind, Label, OpeningPressure, PatientKey};
use chrono::{DateTime, NaiveDate, Utc};
use rusqlite::{Connection, params};

/// Sets the label of an exam, or takes it away. Returns whether that changed anything.
///
/// # Errors
/// The store cannot be written.
pub fn set_label(
    conn: &Connection,
    key: &PatientKey,
    study_instance_uid: &str,
    label: Option<Label>,
    now: DateTime<Utc>,
) -> Result<bool, StoreError> {
    let changed = match label {
        Some(label) => conn
            .prepare_cached(
                "insert into label (patient_issuer, patient_id, study_instance_uid, label, set_at)
                 values (?1, ?2, ?3, ?4, ?5)
                 on conflict (patient_id, patient_issuer, study_instance_uid)
                    do update set label = excluded.label, set_at = excluded.set_at
                    where label <> excluded.label",
            )?
            .execute(params![
                key.issuer,
                key.id,
                study_instance_uid,
                label.word(),
                stamp::text(now)
            ])?,
        None => conn
            .prepare_cached(
                "delete from label
                 where patient_issuer = ?1 and patient_id = ?2 and study_instance_uid = ?3",
            )?
            .execute(params![key.issuer, key.id, study_instance_uid])?,
    };
    Ok(changed > 0)
}

/// The labels of a patient's exams with what each is about, by Study Instance UID.
///
/// # Errors
/// The store cannot be read.
pub fn labels(conn: &Connection, key: &PatientKey) -> Result<Vec<(About, Label)>, StoreError> {
    let mut statement = conn.prepare_cached(
        "select study_instance_uid, label from label
         where patient_issuer = ?1 and patient_id = ?2 order by study_instance_uid",
    )?;
    let mut rows = statement.query([&key.issuer, &key.id])?;
    let mut labels = Vec::new();
    while let Some(row) = rows.next()? {
        let word: String = row.get(1)?;
        let label = Label::ALL
            .into_iter()
            .find(|label| label.word() == word)
            .ok_or_else(|| StoreError::Damaged {
                what: "an unknown label".to_owned(),
            })?;
        let study: String = row.get(0)?;
        labels.push((About::of_study(study), label));
    }
    Ok(labels)
}

/// Adds an event. Returns whether it was new.
///
/// # Errors
/// The store cannot be written.
pub fn add_event(
    conn: &Connection,
    key: &PatientKey,
    event: Event,
    now: DateTime<Utc>,
) -> Result<bool, StoreError> {
    let added = conn
        .prepare_cached(
            "insert into event (patient_issuer, patient_id, date, kind, set_at)
             values (?1, ?2, ?3, ?4, ?5) on conflict do nothing",
        )?
        .execute(params![
            key.issuer,
            key.id,
            event.date.to_string(),
            event.kind.word(),
            stamp::text(now)
        ])?;
    Ok(added > 0)
}

/// Takes an event back. Returns whether there was one.
///
/// # Errors
/// The store cannot be written.
pub fn remove_event(conn: &Connection, key: &PatientKey, event: Event) -> Result<bool, StoreError> {
    let removed = conn
        .prepare_cached(
            "delete from event
             where patient_issuer = ?1 and patient_id = ?2 and date = ?3 and kind = ?4",
        )?
        .execute(params![
            key.issuer,
            key.id,
            event.date.to_string(),
            event.kind.word()
        ])?;
    Ok(removed > 0)
}

/// The events of a patient, by date.
///
/// # Errors
/// The store cannot be read.
pub fn events(conn: &Connection, key: &PatientKey) -> Result<Vec<Event>, StoreError> {
    let mut statement = conn.prepare_cached(
        "select date, kind from event
         where patient_issuer = ?1 and patient_id = ?2 order by date, kind",
    )?;
    let mut rows = statement.query([&key.issuer, &key.id])?;
    let mut events = Vec::new();
    while let Some(row) = rows.next()? {
        let damaged = || StoreError::Damaged {
            what: "an event that is none".to_owned(),
        };
        let (date, kind): (String, String) = (row.get(0)?, row.get(1)?);
        events.push(Event {
            date: date.parse::<NaiveDate>().map_err(|_| damaged())?,
            kind: EventKind::ALL
                .into_iter()
                .find(|one| one.word() == kind)
                .ok_or_else(damaged)?,
        });
    }
    Ok(events)
}

/// Sets the opening pressure of an exam, or takes it away. Returns whether that changed anything.
///
/// # Errors
/// The store cannot be written.
pub fn set_pressure(
    conn: &Connection,
    key: &PatientKey,
    study_instance_uid: &str,
    pressure: Option<&OpeningPressure>,
    now: DateTime<Utc>,
) -> Result<bool, StoreError> {
    let changed = match pressure {
        Some(pressure) => conn
            .prepare_cached(
                "insert into pressure
                    (patient_issuer, patient_id, study_instance_uid, value, unit, set_at)
                 values (?1, ?2, ?3, ?4, ?5, ?6)
                 on conflict (patient_id, patient_issuer, study_instance_uid) do update
                    set value = excluded.value, unit = excluded.unit, set_at = excluded.set_at
                    where value <> excluded.value or unit <> excluded.unit",
            )?
            .execute(params![
                key.issuer,
                key.id,
                study_instance_uid,
                pressure.value(),
                pressure.unit().code(),
                stamp::text(now)
            ])?,
        None => conn
            .prepare_cached(
                "delete from pressure
                 where patient_issuer = ?1 and patient_id = ?2 and study_instance_uid = ?3",
            )?
            .execute(params![key.issuer, key.id, study_instance_uid])?,
    };
    Ok(changed > 0)
}

/// The opening pressures of a patient's exams with what each is about, by Study Instance UID.
///
/// # Errors
/// The store cannot be read.
pub fn pressures(
    conn: &Connection,
    key: &PatientKey,
) -> Result<Vec<(About, OpeningPressure)>, StoreError> {
    let mut statement = conn.prepare_cached(
        "select study_instance_uid, value, unit from pressure
         where patient_issuer = ?1 and patient_id = ?2 order by study_instance_uid",
    )?;
    let mut rows = statement.query([&key.issuer, &key.id])?;
    let mut pressures = Vec::new();
    while let Some(row) = rows.next()? {
        let (value, unit): (String, String) = (row.get(1)?, row.get(2)?);
        let pressure = OpeningPressure::typed(&value, &unit).map_err(|_| StoreError::Damaged {
            what: "an opening pressure that is none".to_owned(),
        })?;
        let study: String = row.get(0)?;
        pressures.push((About::of_study(study), pressure));
    }
    Ok(pressures)
}
