//! What people say, entry by entry: labels and opening pressures of exams, events of patients. What
//! counts of it is worked out by [`sheathline_model::annotations`].

use super::audited::{Audited, Untold};
use super::{StoreError, stamp};
use crate::session::{Row, values};
use crate::view::{Tx, View};
use chrono::{DateTime, NaiveDate, Utc};
use sheathline_model::annotations::{self, Author, By, Draft, Entry, Kind, Of, Said};
use sheathline_model::domain::{About, Event, EventKind, OpeningPressure, PatientKey};
use std::collections::BTreeSet;

/// The number of a new act. Belongs in the transaction that records its entries.
///
/// # Errors
/// The store cannot be read.
pub fn new_act(tx: &Tx) -> Result<i64, StoreError> {
    let newest = "select coalesce(max(act), 0) + 1 from entry";
    tx.prepare(newest).one((), |row| row.get(0))
}

/// Adds entries of one act, in order. Returns their numbers.
///
/// # Errors
/// The store cannot be written.
pub fn record(
    tx: &Tx,
    act: i64,
    by: &By,
    drafts: &[Draft],
    now: DateTime<Utc>,
) -> Result<Vec<i64>, StoreError> {
    let statement = tx.prepare(
        "insert into entry (act, patient_issuer, patient_id, kind, study_instance_uid, readings, date,
                            value, unit, recorded_at, author, author_kind, entered_by, source,
                            reason, corrects)
         values (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15, ?16)
         returning id",
    );
    let mut numbers = Vec::with_capacity(drafts.len());
    for draft in drafts {
        let (about, date) = match draft.said.of() {
            Of::Exam(about) => (Some(about), None),
            Of::Day(date) => (None, Some(date.to_string())),
        };
        let readings = about.as_ref().map(|about| about.readings.as_slice());
        let readings = serde_json::to_string(readings.unwrap_or_default())
            .map_err(|error| StoreError::Work(error.to_string()))?;
        let (value, unit) = match &draft.said {
            // Digits stay as typed, and the unit beside them.
            Said::Pressure(_, pressure) => (
                Some(pressure.value().to_owned()),
                Some(pressure.unit().code()),
            ),
            said => (said.value(), None),
        };
        let values = values![
            act,
            draft.patient.issuer,
            draft.patient.id,
            draft.said.kind().word(),
            about.map(|about| about.study_instance_uid),
            readings,
            date,
            value,
            unit,
            stamp::text(now),
            by.author.name(),
            by.author.kind(),
            by.entered_by,
            by.source,
            by.reason,
            draft.corrects,
        ];
        numbers.push(statement.one(values, |row| row.get(0))?);
    }
    Ok(numbers)
}

const ENTRY: &str =
    "select id, act, patient_issuer, patient_id, kind, study_instance_uid, readings,
                            date, value, unit, recorded_at, author, author_kind, entered_by, source,
                            reason, corrects from entry";

/// How far the audit trail was told of entries.
pub const AUDITED: Audited = Audited {
    noted: "audit_told_entry",
    table: "entry",
};

/// The entries after the last one told of, in the order they came; at most `limit`.
///
/// # Errors
/// The store cannot be read.
pub fn untold(view: &View, limit: u32) -> Result<Vec<Untold<Entry>>, StoreError> {
    AUDITED.untold(view, ENTRY, limit, entry)
}

/// Everything that was said under one id, as it came.
///
/// # Errors
/// The store cannot be read.
pub fn of_patient(view: &View, key: &PatientKey) -> Result<Vec<Entry>, StoreError> {
    let sql = format!("{ENTRY} where patient_id = ?1 and patient_issuer = ?2 order by id");
    let statement = view.prepare(sql);
    statement.all([&key.id, &key.issuer], entry)
}

/// Everything that was said under any of several ids, as it came.
///
/// # Errors
/// The store cannot be read.
pub fn of_ids(view: &View, ids: &BTreeSet<PatientKey>) -> Result<Vec<Entry>, StoreError> {
    let mut all = Vec::new();
    for key in ids {
        all.extend(of_patient(view, key)?);
    }
    all.sort_by_key(|one| one.id);
    Ok(all)
}

/// The numbers of everything that was said under any of several ids, rising.
///
/// # Errors
/// The store cannot be read.
pub fn numbers_of_ids(view: &View, ids: &BTreeSet<PatientKey>) -> Result<Vec<i64>, StoreError> {
    let mut all = Vec::new();
    let statement =
        view.prepare("select id from entry where patient_id = ?1 and patient_issuer = ?2");
    for key in ids {
        all.extend(statement.all([&key.id, &key.issuer], |row| row.get::<i64>(0))?);
    }
    all.sort_unstable();
    Ok(all)
}

/// Number of the newest entry; 0 without one. Numbers rise in the order of the commits, and no entry
/// is ever taken away.
///
/// # Errors
/// The store cannot be read.
pub fn newest_number(view: &View) -> Result<i64, StoreError> {
    let newest = "select coalesce(max(id), 0) from entry";
    view.prepare(newest).one((), |row| row.get(0))
}

/// The ids under which something was said, in order, those behind `after`, at most `limit`.
///
/// # Errors
/// The store cannot be read.
pub fn ids_after(
    view: &View,
    after: &PatientKey,
    limit: u32,
) -> Result<Vec<PatientKey>, StoreError> {
    let statement = view.prepare(
        "select distinct patient_id, patient_issuer from entry
         where (patient_id, patient_issuer) > (?1, ?2)
         order by patient_id, patient_issuer limit ?3",
    );
    let rows = statement.all(values![after.id, after.issuer, limit], |row| {
        Ok(PatientKey {
            id: row.get(0)?,
            issuer: row.get(1)?,
        })
    })?;
    Ok(rows.into_iter().collect())
}

/// The ids under which something of a kind was ever said, in order.
///
/// # Errors
/// The store cannot be read.
pub fn ids_with(view: &View, kind: Kind) -> Result<Vec<PatientKey>, StoreError> {
    let statement = view.prepare(
        "select distinct patient_id, patient_issuer from entry where kind = ?1
         order by patient_id, patient_issuer",
    );
    statement.all([kind.word()], |row| {
        Ok(PatientKey {
            id: row.get(0)?,
            issuer: row.get(1)?,
        })
    })
}

/// The entry of a number.
///
/// # Errors
/// The store cannot be read.
pub fn by_number(view: &View, number: i64) -> Result<Option<Entry>, StoreError> {
    let statement = view.prepare(format!("{ENTRY} where id = ?1"));
    statement.first([number], entry)
}

/// Says something under one id of all of a study or of a day, for whoever knows of no readings.
/// Returns whether that was new.
///
/// # Errors
/// The store cannot be read or written.
pub fn say(
    tx: &Tx,
    act: i64,
    by: &By,
    key: &PatientKey,
    said: &Said,
    now: DateTime<Utc>,
) -> Result<bool, StoreError> {
    let study = said.about().map(|about| &about.study_instance_uid);
    let drafts = annotations::say(&of_patient(tx, key)?, key, said, |about| {
        (Some(&about.study_instance_uid) == study).then(Vec::new)
    });
    Ok(!record(tx, act, by, &drafts, now)?.is_empty())
}

fn entry(row: &Row<'_>) -> Result<Entry, StoreError> {
    let id: i64 = row.get(0)?;
    let damaged = |what: &str| StoreError::Damaged {
        what: format!("entry {id}: {what}"),
    };
    let (kind, readings): (String, String) = (row.get(4)?, row.get(6)?);
    let kind = Kind::of_word(&kind).ok_or_else(|| damaged("an unknown kind"))?;
    let date: Option<String> = row.get(7)?;
    let of = match (row.get::<Option<String>>(5)?, date) {
        (Some(study_instance_uid), None) => Of::Exam(About {
            study_instance_uid,
            readings: serde_json::from_str(&readings)
                .map_err(|_| damaged("a list of readings that is none"))?,
        }),
        (None, Some(date)) => Of::Day(
            date.parse::<NaiveDate>()
                .map_err(|_| damaged("a day that is none"))?,
        ),
        _ => return Err(damaged("neither of an exam nor of a day")),
    };
    let (value, unit): (Option<String>, Option<String>) = (row.get(8)?, row.get(9)?);
    let said = match (kind, of, value) {
        (kind, of, None) => Said::Nothing(kind, of),
        (Kind::Event, Of::Day(date), Some(word)) => Said::Event(Event {
            date,
            kind: EventKind::ALL
                .into_iter()
                .find(|one| one.word() == word)
                .ok_or_else(|| damaged("an unknown kind of event"))?,
        }),
        (Kind::Pressure, Of::Exam(about), Some(value)) => Said::Pressure(
            about,
            OpeningPressure::typed(&value, &unit.unwrap_or_default())
                .map_err(|_| damaged("an opening pressure that is none"))?,
        ),
        (Kind::Event, Of::Exam(_), _) | (_, Of::Day(_), _) => {
            return Err(damaged(
                "of an exam where a day belongs, or the other way about",
            ));
        }
        (kind, Of::Exam(about), Some(value)) => Said::of_exam(kind, about, &value)
            .ok_or_else(|| damaged(&format!("a value that no {} has", kind.word())))?,
    };
    let recorded_at: String = row.get(10)?;
    let author_kind: String = row.get(12)?;
    Ok(Entry {
        id,
        act: row.get(1)?,
        patient: PatientKey {
            issuer: row.get(2)?,
            id: row.get(3)?,
        },
        recorded_at: stamp::time(&recorded_at)?,
        by: By {
            author: Author::of(&author_kind, row.get(11)?)
                .ok_or_else(|| damaged("an unknown kind of author"))?,
            entered_by: row.get(13)?,
            source: row.get(14)?,
            reason: row.get(15)?,
        },
        corrects: row.get(16)?,
        said,
    })
}
