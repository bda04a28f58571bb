//! One line for each exam, as lists of work show it. Made anew from results and entries whenever either
//! changes, and never a source of anything else.

mod lists;

pub use lists::{CHOICES_MAX, Choices, Chosen, Filter, Page, Pages, Period, choices, today};

use super::{StoreError, stamp};
use crate::session::values;
use crate::view::{Tx, View};
use chrono::{DateTime, Utc};
use sheathline_model::domain::PatientKey;
use sheathline_model::worklist::{Line, Uncompared};
use std::collections::BTreeSet;

/// The status of an exam that is told no more: it stands in no list but that of rises.
const GONE: &str = "withdrawn";

/// Puts the lines of a person in place of those that stand under any of these ids. Each line comes with
/// the id that its result is filed under. Who was reminded of what is kept.
///
/// # Errors
/// The store cannot be read or written.
pub fn put(
    tx: &Tx,
    ids: &BTreeSet<PatientKey>,
    lines: &[(PatientKey, Line)],
) -> Result<(), StoreError> {
    let stay: BTreeSet<&str> = lines.iter().map(|(_, one)| one.exam_id.as_str()).collect();
    let under =
        tx.prepare("select exam_id from exam_line where patient_id = ?1 and patient_issuer = ?2");
    for key in ids {
        let old = under.all([&key.id, &key.issuer], |row| row.get::<String>(0))?;
        for exam in old.into_iter().filter(|exam| !stay.contains(exam.as_str())) {
            tx.prepare("delete from exam_line where exam_id = ?1")
                .execute([&exam])?;
        }
    }
    let put = tx.prepare(
        "insert into exam_line (exam_id, patient_issuer, patient_id, version, performed_at, first_at,
                                status, flagged, label, rise, rise_since, history_only, uncompared,
                                unlabelled, operator, device, location, accession, line)
         values (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15, ?16, ?17, ?18,
                 ?19)
         on conflict (exam_id) do update set
             patient_issuer = excluded.patient_issuer, patient_id = excluded.patient_id,
             version = excluded.version, performed_at = excluded.performed_at,
             first_at = excluded.first_at, status = excluded.status, flagged = excluded.flagged,
             label = excluded.label, rise = excluded.rise, rise_since = excluded.rise_since,
             history_only = excluded.history_only, uncompared = excluded.uncompared,
             unlabelled = excluded.unlabelled, operator = excluded.operator,
             device = excluded.device, location = excluded.location,
             accession = excluded.accession, line = excluded.line",
    );
    for (filed, line) in lines {
        let text =
            serde_json::to_string(line).map_err(|error| StoreError::Work(error.to_string()))?;
        let status = if line.is_gone() {
            GONE
        } else {
            line.status.word()
        };
        put.execute(values![
            line.exam_id,
            filed.issuer,
            filed.id,
            line.version,
            day_and_time(line),
            stamp::text(line.first_at),
            status,
            line.flagged,
            line.label.map(|label| label.word()),
            line.rise.as_ref().map(|rise| rise.word()),
            line.rise_since.map(stamp::text),
            line.history_only,
            line.uncompared().map(Uncompared::word),
            line.is_unlabelled(),
            line.operator,
            line.device,
            line.location,
            line.accession,
            text,
        ])?;
    }
    Ok(())
}

/// The wall clock where the exam was done, as exams are put in order.
fn day_and_time(line: &Line) -> String {
    let local = line.performed_at.local;
    local.format("%Y-%m-%dT%H:%M:%S").to_string()
}

/// The line of an exam.
///
/// # Errors
/// The store cannot be read.
pub fn of_exam(view: &View, exam_id: &str) -> Result<Option<Line>, StoreError> {
    let statement = view.prepare("select line from exam_line where exam_id = ?1");
    let text: Option<String> = statement.first([exam_id], |row| row.get(0))?;
    text.map(|text| read(&text)).transpose()
}

/// The lines filed under an id, oldest exam first.
///
/// # Errors
/// The store cannot be read.
pub fn of_patient(view: &View, key: &PatientKey) -> Result<Vec<Line>, StoreError> {
    let statement = view.prepare(
        "select line from exam_line where patient_id = ?1 and patient_issuer = ?2
         order by performed_at, exam_id",
    );
    let texts = statement.all([&key.id, &key.issuer], |row| row.get::<String>(0))?;
    texts.into_iter().map(|text| read(&text)).collect()
}

/// The ids under which exams with an accession number are filed, at most five.
///
/// # Errors
/// The store cannot be read.
pub fn with_accession(view: &View, accession: &str) -> Result<Vec<PatientKey>, StoreError> {
    let statement = view.prepare(
        "select distinct patient_issuer, patient_id from exam_line
         where accession = ?1 order by 1, 2 limit 5",
    );
    statement.all([accession], |row| {
        Ok(PatientKey {
            issuer: row.get(0)?,
            id: row.get(1)?,
        })
    })
}

fn read(text: &str) -> Result<Line, StoreError> {
    serde_json::from_str(text).map_err(|_| StoreError::Damaged {
        what: "a line of a list of work".to_owned(),
    })
}

/// A version whose rise nobody has acknowledged for too long.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Due {
    /// The exam.
    pub exam_id: String,
    /// The version.
    pub version: u32,
}

/// Rises that are new since `before` or longer, of whose newest version nobody was reminded, those that
/// wait longest first; at most `limit`.
///
/// # Errors
/// The store cannot be read.
pub fn reminders_due(
    view: &View,
    before: DateTime<Utc>,
    limit: u32,
) -> Result<Vec<Due>, StoreError> {
    let statement = view.prepare(
        "select exam_id, version from exam_line
         where rise = 'new' and rise_since <= ?1 and history_only = 0
           and (reminded is null or reminded < version)
         order by rise_since nulls first, exam_id limit ?2",
    );
    let rows = statement.all(values![stamp::text(before), limit], |row| {
        Ok(Due {
            exam_id: row.get(0)?,
            version: row.get(1)?,
        })
    })?;
    Ok(rows.into_iter().collect())
}

/// Whether somebody is still to be reminded of a version.
///
/// # Errors
/// The store cannot be read.
pub fn is_due(view: &View, due: &Due) -> Result<bool, StoreError> {
    view.prepare(
        "select 1 from exam_line where exam_id = ?1 and version = ?2 and rise = 'new'
                and (reminded is null or reminded < version)",
    )
    .exists(values![due.exam_id, due.version])
}

/// Whether the rise of an exam was acknowledged, settled or withdrawn: nobody is to be reminded of it. An
/// exam without a line is none such.
///
/// # Errors
/// The store cannot be read.
pub fn waits_for_nobody(view: &View, exam_id: &str) -> Result<bool, StoreError> {
    view.prepare("select 1 from exam_line where exam_id = ?1 and (rise is null or rise <> 'new')")
        .exists([exam_id])
}

/// Notes that somebody is reminded of a version. Returns false where its rise is not new any more, or
/// somebody was reminded already: nothing is to be sent then.
///
/// # Errors
/// The store cannot be written.
pub fn note_reminded(tx: &Tx, due: &Due) -> Result<bool, StoreError> {
    let noted = tx
        .prepare(
            "update exam_line set reminded = version
             where exam_id = ?1 and version = ?2 and rise = 'new'
               and (reminded is null or reminded < version)",
        )
        .execute(values![due.exam_id, due.version])?;
    Ok(noted > 0)
}
