//! Which reading of an object became known when.

use super::StoredDisposition;
use crate::objects::ObjectId;
use crate::session::{Values, values};
use crate::view::{Tx, View};
use crate::{StoreError, stamp};
use chrono::{DateTime, Utc};
use sha2::{Digest, Sha256};

/// Notes that what was read of an object becomes another, unless it stays the same.
pub(super) fn note_change(
    tx: &Tx,
    id: ObjectId,
    json: &str,
    disposition: StoredDisposition,
) -> Result<(), StoreError> {
    let hash = Sha256::digest(json.as_bytes());
    tx.prepare(
        "insert into reading_change (object_id, version, read_at)
         select id, (select coalesce(max(version), 0) + 1 from reading_change where object_id = ?1), ?2
         from object where id = ?1 and (reading_sha256 is distinct from ?3 or disposition is distinct from ?4)",
    )
    .execute(values![
        id,
        stamp::text(Utc::now()),
        hash.as_slice(),
        disposition.word()
    ])?;
    Ok(())
}

/// A reading of an object among all that became known.
#[derive(Debug, Clone, PartialEq)]
pub struct ReadingChange {
    /// Its number.
    pub number: i64,
    /// Which reading of the object it is, from 1.
    pub version: u32,
    /// When it was read; `None` where an earlier shape stored it.
    pub read_at: Option<DateTime<Utc>>,
    /// The object.
    pub object: ObjectId,
    /// Whether a later reading has taken its place, and it is not there any more.
    pub is_replaced: bool,
}

/// Number of the newest reading that became known, and its object; zeros without one.
///
/// # Errors
/// The store cannot be read.
pub fn newest_change(view: &View) -> Result<(i64, ObjectId), StoreError> {
    let newest = view
        .prepare("select id, object_id from reading_change order by id desc limit 1")
        .first((), |row| Ok((row.get(0)?, row.get(1)?)))?;
    Ok(newest.unwrap_or((0, ObjectId(0))))
}

/// The object of the reading at a number.
///
/// # Errors
/// The store cannot be read.
pub fn changed_object(view: &View, number: i64) -> Result<Option<ObjectId>, StoreError> {
    view.prepare("select object_id from reading_change where id = ?1")
        .first([number], |row| row.get(0))
}

const CHANGE: &str = "select id, version, read_at, object_id,
    case when version < (select max(version) from reading_change as other
                         where other.object_id = this.object_id) then 1 else 0 end
    from reading_change as this";

/// Readings after a number and up to another, in the order they became known, at most `limit`.
///
/// # Errors
/// The store cannot be read.
pub fn changes(
    view: &View,
    after: i64,
    until: i64,
    limit: u32,
) -> Result<Vec<ReadingChange>, StoreError> {
    let sql = format!("{CHANGE} where id > ?1 and id <= ?2 order by id limit ?3");
    changes_of(view, &sql, (after, until, limit))
}

/// Readings of the objects after one, in the order of arrival, at most `limit`.
///
/// # Errors
/// The store cannot be read.
pub fn changes_by_object(
    view: &View,
    after: (ObjectId, u32),
    limit: u32,
) -> Result<Vec<ReadingChange>, StoreError> {
    let sql = format!(
        "{CHANGE} where (object_id, version) > (?1, ?2) order by object_id, version limit ?3"
    );
    changes_of(view, &sql, (after.0, after.1, limit))
}

fn changes_of(
    view: &View,
    sql: &str,
    values: impl Values,
) -> Result<Vec<ReadingChange>, StoreError> {
    let statement = view.prepare(sql);
    let mut found = Vec::new();
    statement.each(values, |row| {
        let read_at: Option<String> = row.get(2)?;
        found.push(ReadingChange {
            number: row.get(0)?,
            version: row.get(1)?,
            read_at: read_at.map(|at| stamp::time(&at)).transpose()?,
            object: row.get(3)?,
            is_replaced: row.get(4)?,
        });
        Ok(())
    })?;
    Ok(found)
}
