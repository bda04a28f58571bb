//! What was read from each object, and what became of it.

mod changes;
pub mod gists;

use crate::session::{Row, Values, values};
use crate::view::{Tx, View};
use changes::note_change;
pub use changes::{ReadingChange, changed_object, changes, changes_by_object, newest_change};

use super::objects::{Missing, ObjectId};
use super::{StoreError, stamp};
use chrono::{DateTime, Utc};
use sha2::{Digest, Sha256};
use sheathline_model::domain::{Disposition, ObjectReading, PatientKey, Severity, Source};
use std::collections::{BTreeMap, BTreeSet};

/// What became of a stored object: a [`Disposition`], or a repeat of another object's content.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum StoredDisposition {
    /// What the reading says.
    As(Disposition),
    /// The same content as an object read before, in other bytes (a file with its header, another
    /// transfer syntax). Its values are not used a second time.
    Repeat,
}

impl StoredDisposition {
    /// All of them.
    pub const ALL: [StoredDisposition; 5] = [
        StoredDisposition::As(Disposition::Accepted),
        StoredDisposition::As(Disposition::AcceptedWithRemarks),
        StoredDisposition::As(Disposition::NoSheathMeasurement),
        StoredDisposition::As(Disposition::Quarantined),
        StoredDisposition::Repeat,
    ];

    /// The word in the store and in JSON.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            StoredDisposition::As(Disposition::Accepted) => "accepted",
            StoredDisposition::As(Disposition::AcceptedWithRemarks) => "accepted_with_remarks",
            StoredDisposition::As(Disposition::NoSheathMeasurement) => "no_sheath_measurement",
            StoredDisposition::As(Disposition::Quarantined) => "quarantined",
            StoredDisposition::Repeat => "repeat",
        }
    }

    pub(super) fn from_word(word: &str) -> Result<Self, StoreError> {
        Self::ALL
            .into_iter()
            .find(|one| one.word() == word)
            .ok_or_else(|| StoreError::Damaged {
                what: "an unknown disposition".to_owned(),
            })
    }
}

impl From<Disposition> for StoredDisposition {
    fn from(disposition: Disposition) -> Self {
        StoredDisposition::As(disposition)
    }
}

/// Records what was read from an object, once or again.
///
/// # Errors
/// There is no such object, or the store cannot be written.
pub fn finish_read(
    tx: &Tx,
    id: ObjectId,
    reading: &ObjectReading,
    disposition: StoredDisposition,
) -> Result<(), StoreError> {
    let json = serde_json::to_string(reading)
        .map_err(|_| StoreError::Work(format!("the reading of object {id} is not JSON")))?;
    let key = reading.patient.as_ref().map(|patient| &patient.key);
    note_change(tx, id, &json, disposition)?;
    let gist = gists::change(tx, id, reading, disposition)?;
    let changed = tx
        .prepare(
            "update object set state = 'read', sop_instance_uid = ?2, content_sha256 = ?3,
                    disposition = ?4, patient_issuer = ?5, patient_id = ?6,
                    study_instance_uid = ?7, reading = ?8, reading_sha256 = ?9, gist = ?10
             where id = ?1",
        )
        .execute(values![
            id,
            reading.sop_instance_uid,
            reading.content_sha256,
            disposition.word(),
            key.map(|key| &key.issuer),
            key.map(|key| &key.id),
            reading.exam.as_ref().map(|exam| &exam.study_instance_uid),
            json,
            Sha256::digest(json.as_bytes()).as_slice(),
            gist.now,
        ])?;
    match changed {
        1 => {
            note_blocking(tx, id, reading, disposition)?;
            gists::forget(tx, gist)
        }
        _ => Err(StoreError::Work(format!("there is no object {id}"))),
    }
}

/// Notes the codes of what keeps an object in quarantine; none for one that is not there.
fn note_blocking(
    tx: &Tx,
    id: ObjectId,
    reading: &ObjectReading,
    disposition: StoredDisposition,
) -> Result<(), StoreError> {
    tx.prepare("delete from object_blocking where object_id = ?1")
        .execute([id])?;
    let codes = blocking(reading, disposition);
    let insert = tx.prepare("insert into object_blocking (object_id, code) values (?1, ?2)");
    for code in codes {
        insert.execute(values![id, code])?;
    }
    Ok(())
}

/// The codes of what keeps an object in quarantine, each once.
pub(super) fn blocking(reading: &ObjectReading, disposition: StoredDisposition) -> BTreeSet<&str> {
    let is_quarantined = disposition == StoredDisposition::As(Disposition::Quarantined);
    let remarks = reading.remarks.iter().filter(|_| is_quarantined);
    let blocking = remarks.filter(|one| one.severity == Severity::Blocking);
    blocking.map(|one| one.code.word()).collect()
}

/// An object that was read, with its reading.
#[derive(Debug, Clone, PartialEq)]
pub struct StoredReading {
    /// Its number.
    pub id: ObjectId,
    /// `dicom:` and the calling AE title, or `folder`.
    pub source: Source,
    /// When it was received.
    pub received_at: DateTime<Utc>,
    /// How often the same bytes came again.
    pub repeats: u32,
    /// Hash of the bytes as received, hex.
    pub body_sha256: String,
    /// Why its bytes are not there, and since which time, if they are not.
    pub missing: Option<(Missing, DateTime<Utc>)>,
    /// What became of it.
    pub disposition: StoredDisposition,
    /// Of history of an archive that came from nowhere else: see [`Incoming::quiet_after`].
    ///
    /// [`Incoming::quiet_after`]: super::objects::Incoming::quiet_after
    pub current_days: Option<u32>,
    /// What was read.
    pub reading: ObjectReading,
}

const READING: &str = "select id, source, received_at, repeats, body_sha256,
                              disposition, reading, reading_sha256, missing, missing_since,
                              quiet_after_days
                       from object where reading is not null";

fn readings(
    view: &View,
    restriction: &str,
    values: impl Values,
) -> Result<Vec<StoredReading>, StoreError> {
    let statement = view.prepare(format!("{READING} {restriction}"));
    statement.all(values, reading)
}

fn reading(row: &Row<'_>) -> Result<StoredReading, StoreError> {
    let id: ObjectId = row.get(0)?;
    let damaged = || StoreError::ReadingDamaged { object: id };
    let json: String = row.get(6).map_err(|_| damaged())?;
    let sha256: Option<Vec<u8>> = row.get(7).map_err(|_| damaged())?;
    // Stores of earlier shapes have readings without a hash.
    if sha256.is_some_and(|sha256| Sha256::digest(json.as_bytes()).as_slice() != sha256) {
        return Err(damaged());
    }
    let missing: Option<String> = row.get(8)?;
    let since: Option<String> = row.get(9)?;
    Ok(StoredReading {
        id,
        source: stamp::source(row, 1)?,
        received_at: stamp::time(&row.get::<String>(2)?)?,
        repeats: row.get(3)?,
        body_sha256: hex(&row.get::<Vec<u8>>(4)?),
        missing: match (missing, since) {
            (Some(word), Some(since)) => Some((Missing::from_word(&word)?, stamp::time(&since)?)),
            _ => None,
        },
        disposition: StoredDisposition::from_word(&row.get::<String>(5)?).map_err(|_| damaged())?,
        current_days: row.get(10)?,
        reading: serde_json::from_str(&json).map_err(|_| damaged())?,
    })
}

fn hex(bytes: &[u8]) -> String {
    bytes
        .iter()
        .fold(String::new(), |hex, byte| format!("{hex}{byte:02x}"))
}

/// Takes a damaged reading away and sends its object back to be read.
///
/// # Errors
/// The store cannot be written.
pub fn read_anew(tx: &Tx, id: ObjectId) -> Result<(), StoreError> {
    tx.prepare(
        "update object set state = 'received', reading = null, reading_sha256 = null,
                disposition = null
         where id = ?1",
    )
    .execute([id])?;
    tx.prepare("delete from object_blocking where object_id = ?1")
        .execute([id])?;
    Ok(())
}

/// Whether an object was filed under this SOP Instance UID before, with this content.
///
/// # Errors
/// The store cannot be read.
pub fn was_filed_as(
    view: &View,
    id: ObjectId,
    uid: &str,
    content_sha256: Option<&str>,
) -> Result<bool, StoreError> {
    let before: Option<(Option<String>, Option<String>)> = view
        .prepare("select sop_instance_uid, content_sha256 from object where id = ?1")
        .first([id], |row| Ok((row.get(0)?, row.get(1)?)))?;
    Ok(before.is_some_and(|(before, content)| {
        before.as_deref() == Some(uid) && content.as_deref() == content_sha256
    }))
}

/// The objects that came after one and were filed under the same SOP Instance UID before it was, in the
/// order they came.
///
/// # Errors
/// The store cannot be read.
pub fn filed_after(view: &View, uid: &str, id: ObjectId) -> Result<Vec<ObjectId>, StoreError> {
    view.prepare(
        "select id from object
             where sop_instance_uid = ?1 and id > ?2 and state = 'read' order by id",
    )
    .all(values![uid, id], |row| row.get(0))
}

/// The patient an object was filed under when it was last read.
///
/// # Errors
/// The store cannot be read.
pub fn patient_of(view: &View, id: ObjectId) -> Result<Option<PatientKey>, StoreError> {
    view.prepare(
        "select patient_issuer, patient_id from object
             where id = ?1 and patient_id is not null",
    )
    .first([id], |row| {
        Ok(PatientKey {
            issuer: row.get(0)?,
            id: row.get(1)?,
        })
    })
}

/// Content hash of the first object read under a SOP Instance UID, if that came before `id`.
///
/// # Errors
/// The store cannot be read.
pub fn first_content(
    view: &View,
    uid: &str,
    id: ObjectId,
) -> Result<Option<Option<String>>, StoreError> {
    view.prepare(
        "select content_sha256 from object
             where sop_instance_uid = ?1 and id < ?2 order by id limit 1",
    )
    .first(values![uid, id], |row| row.get(0))
}

/// Number, source and time of arrival of the first object of a content.
///
/// # Errors
/// The store cannot be read.
pub fn arrival(
    view: &View,
    uid: &str,
    content_sha256: Option<&str>,
) -> Result<Option<(ObjectId, Source, DateTime<Utc>)>, StoreError> {
    let found: Option<(ObjectId, Source, String)> = view
        .prepare(
            "select id, source, received_at from object
             where sop_instance_uid = ?1 and content_sha256 is not distinct from ?2 order by id limit 1",
        )
        .first(values![uid, content_sha256], |row| {
            Ok((row.get(0)?, stamp::source(row, 1)?, row.get(2)?))
        })?;
    found
        .map(|(id, source, at)| Ok((id, source, stamp::time(&at)?)))
        .transpose()
}

/// The reading of one object, if it was read.
///
/// # Errors
/// The store cannot be read.
pub fn reading_of(view: &View, id: ObjectId) -> Result<Option<StoredReading>, StoreError> {
    Ok(readings(view, "and id = ?1", [id])?.pop())
}

/// Objects that were read under one SOP Instance UID, in the order they came.
///
/// # Errors
/// The store cannot be read.
pub fn by_sop_instance(view: &View, uid: &str) -> Result<Vec<StoredReading>, StoreError> {
    readings(view, "and sop_instance_uid = ?1 order by id", [uid])
}

/// Objects that were read of one study, in the order they came.
///
/// # Errors
/// The store cannot be read.
pub fn by_study(view: &View, uid: &str) -> Result<Vec<StoredReading>, StoreError> {
    readings(view, "and study_instance_uid = ?1 order by id", [uid])
}

/// All objects that were read of a patient, whatever became of them, in the order they came.
///
/// # Errors
/// The store cannot be read.
pub fn of_patient(view: &View, key: &PatientKey) -> Result<Vec<StoredReading>, StoreError> {
    readings(
        view,
        "and patient_id = ?1 and patient_issuer = ?2 order by id",
        [&key.id, &key.issuer],
    )
}

/// Number of the newest object that was read under an id; 0 without one.
///
/// # Errors
/// The store cannot be read.
pub fn newest_of_patient(view: &View, key: &PatientKey) -> Result<i64, StoreError> {
    let statement = view.prepare(
        "select coalesce(max(id), 0) from object where patient_id = ?1 and patient_issuer = ?2",
    );
    statement.one([&key.id, &key.issuer], |row| row.get(0))
}

/// Objects kept but not used, oldest first.
///
/// # Errors
/// The store cannot be read.
pub fn quarantined(view: &View) -> Result<Vec<StoredReading>, StoreError> {
    readings(view, "and disposition = 'quarantined' order by id", ())
}

/// Hands over every reading with its source, oldest first; repeats are left out.
///
/// # Errors
/// The store cannot be read.
pub fn each(view: &View, mut take: impl FnMut(&StoredReading)) -> Result<(), StoreError> {
    // In pages, since a store may be larger than memory.
    let mut after = 0_i64;
    loop {
        let page = readings(
            view,
            "and disposition <> 'repeat' and id > ?1 order by id limit 500",
            [after],
        )?;
        let Some(last) = page.last() else {
            return Ok(());
        };
        after = last.id.0;
        page.iter().for_each(&mut take);
    }
}

/// How many objects there are.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Counts {
    /// Waiting to be read.
    pub unread: u32,
    /// Read, by what became of them; absent means none.
    pub read: BTreeMap<StoredDisposition, u32>,
    /// Times the same bytes came again.
    pub repeats: u32,
}

/// Counts all objects.
///
/// # Errors
/// The store cannot be read.
pub fn counts(view: &View) -> Result<Counts, StoreError> {
    let statement = view.prepare(
        "select case when state = 'read' then disposition end, count(*), cast(sum(repeats) as bigint)
         from object group by case when state = 'read' then disposition end",
    );
    let mut counts = Counts::default();
    statement.each((), |row| {
        let number: u32 = row.get(1)?;
        match row.get::<Option<String>>(0)? {
            None => counts.unread = number,
            Some(word) => {
                counts
                    .read
                    .insert(StoredDisposition::from_word(&word)?, number);
            }
        }
        counts.repeats += row.get::<u32>(2)?;
        Ok(())
    })?;
    Ok(counts)
}
