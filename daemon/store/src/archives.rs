//! What was got from the history of archives, and how far that has come.

use super::facts::{self, ObjectFacts};
use super::objects::{Incoming, Kept};
use super::{StoreError, stamp};
use crate::session::values;
use crate::view::{Tx, View};
use chrono::{DateTime, NaiveDate, Utc};

/// Keeps an object that an archive was asked for by this UID, and notes both in one commit: so what
/// counts as stored is stored.
///
/// # Errors
/// As [`facts::keep`].
pub fn keep(
    tx: &Tx,
    object: &Incoming,
    instance: &str,
) -> Result<(Kept, Option<ObjectFacts>), StoreError> {
    let (kept, repeated) = facts::keep(tx, object)?;
    let (Kept::New(id) | Kept::Repeat(id)) = kept;
    tx.prepare(
        "insert into archived (sop_instance_uid, object_id) values (?1, ?2)
         on conflict (sop_instance_uid) do update set object_id = excluded.object_id",
    )
    .execute(values![instance, id])?;
    Ok((kept, repeated))
}

/// Whether an object of this UID is stored, read or not. One whose bytes are damaged is not: to get
/// it again mends it.
///
/// # Errors
/// The store cannot be read.
pub fn is_here(view: &View, instance: &str) -> Result<bool, StoreError> {
    view.prepare(
        "select id from object
         where sop_instance_uid = ?1 and missing is distinct from 'damaged'
         union all
         select id from archived join object on object.id = object_id
         where archived.sop_instance_uid = ?1 and missing is distinct from 'damaged'
         limit 1",
    )
    .exists([instance])
}

/// Whether a day of an archive is finished.
///
/// # Errors
/// The store cannot be read.
pub fn is_finished(view: &View, archive: &str, day: NaiveDate) -> Result<bool, StoreError> {
    view.prepare("select 1 from archive_day where archive = ?1 and day = ?2")
        .exists(values![archive, day.to_string()])
}

/// Notes that days of an archive are finished.
///
/// # Errors
/// The store cannot be written.
pub fn finish(
    tx: &Tx,
    archive: &str,
    days: &[NaiveDate],
    now: DateTime<Utc>,
) -> Result<(), StoreError> {
    for day in days {
        tx.prepare(
            "insert into archive_day (archive, day, finished_at) values (?1, ?2, ?3)
             on conflict (archive, day) do update set finished_at = excluded.finished_at",
        )
        .execute(values![archive, day.to_string(), stamp::text(now)])?;
    }
    Ok(())
}
