//! Whose an object is and where it came from: what the audit trail tells of it.

use super::audited::Audited;
use super::objects::{self, Incoming, Kept, ObjectId};
use super::readings::StoredDisposition;
use super::{StoreError, stamp};
use crate::session::Row;
use crate::view::{Tx, View};
use chrono::{DateTime, Utc};
use sheathline_model::domain::{PatientKey, Source};

/// How far the audit trail was told of objects.
pub const AUDITED: Audited = Audited {
    noted: "audit_told",
    table: "object",
};

/// One object.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ObjectFacts {
    /// Its number.
    pub id: ObjectId,
    /// Where it came from.
    pub source: Source,
    /// When it came first.
    pub received_at: DateTime<Utc>,
    /// SOP Instance UID.
    pub instance: Option<String>,
    /// Study Instance UID.
    pub study: Option<String>,
    /// The patient.
    pub patient: Option<PatientKey>,
    /// Whether it was read, at least once.
    pub was_read: bool,
    /// What became of it, if that is known.
    pub disposition: Option<StoredDisposition>,
}

impl ObjectFacts {
    /// One whose row is damaged: it must neither hold up the others nor go untold.
    fn unknown(id: ObjectId) -> Self {
        ObjectFacts {
            id,
            source: Source::Unknown(String::new()),
            received_at: Utc::now(),
            instance: None,
            study: None,
            patient: None,
            was_read: true,
            disposition: None,
        }
    }
}

const COLUMNS: &str = "id, source, received_at, sop_instance_uid, study_instance_uid,
                       patient_issuer, patient_id, disposition, state";

/// Keeps an object; with what is known of it if it was here already.
///
/// # Errors
/// As [`objects::keep`].
pub fn keep(tx: &Tx, object: &Incoming) -> Result<(Kept, Option<ObjectFacts>), StoreError> {
    let kept = objects::keep(tx, object)?;
    let repeated = match kept {
        Kept::New(_) => None,
        Kept::Repeat(id) => of(tx, id)?,
    };
    Ok((kept, repeated))
}

/// What is known of an object; `None`: there is none of this number.
///
/// # Errors
/// The store cannot be read.
pub fn of(view: &View, id: ObjectId) -> Result<Option<ObjectFacts>, StoreError> {
    view.prepare(format!("select {COLUMNS} from object where id = ?1"))
        .first([id], |row| Ok(facts(id, row)))
}

/// The objects after the last one told of, in the order of arrival and only up to the first that
/// was never read; at most `limit`.
///
/// # Errors
/// The store cannot be read.
pub fn untold(view: &View, limit: u32) -> Result<Vec<ObjectFacts>, StoreError> {
    let told = AUDITED.last(view)?.unwrap_or(0);
    let statement = view.prepare(format!(
        "select {COLUMNS} from object where id > ?1 order by id limit ?2"
    ));
    let mut found = Vec::new();
    statement.find_map((told, limit), |row| {
        let one = facts(row.get(0)?, row);
        let is_over = !one.was_read;
        if !is_over {
            found.push(one);
        }
        Ok(is_over.then_some(()))
    })?;
    Ok(found)
}

fn facts(id: ObjectId, row: &Row<'_>) -> ObjectFacts {
    sound_facts(id, row).unwrap_or_else(|_| ObjectFacts::unknown(id))
}

fn sound_facts(id: ObjectId, row: &Row<'_>) -> Result<ObjectFacts, StoreError> {
    let received_at: String = row.get(2)?;
    let patient: (Option<String>, Option<String>) = (row.get(5)?, row.get(6)?);
    let disposition: Option<String> = row.get(7)?;
    let state: String = row.get(8)?;
    Ok(ObjectFacts {
        id,
        source: stamp::source(row, 1)?,
        received_at: stamp::time(&received_at)?,
        instance: row.get(3)?,
        study: row.get(4)?,
        patient: match patient {
            (Some(issuer), Some(id)) => Some(PatientKey { issuer, id }),
            _ => None,
        },
        was_read: state == "read" || disposition.is_some(),
        disposition: disposition
            .map(|word| StoredDisposition::from_word(&word))
            .transpose()?,
    })
}
