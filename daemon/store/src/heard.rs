//! When each sender was first and last heard, so that a page can tell without a look at every object.
//!
//! One row of `meta` a source, written in the commit that stores a reading; only what is later or earlier
//! than all before changes it. Of a store of before it begins with the next object.

use super::objects::ObjectId;
use super::{StoreError, meta, stamp};
use crate::view::{Tx, View};
use chrono::{DateTime, Utc};

/// Names in `meta` begin with this; the source follows.
const PREFIX: &str = "heard:";

/// The first name that does not begin so.
const BEHIND: &str = "heard;";

/// Sources that are kept: a calling AE title may be any text. For one more the one goes that was silent
/// for longest.
pub const SOURCES: usize = 256;

/// One source.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Heard {
    /// `dicom:` and the calling AE title, `folder` or what stands for another way.
    pub source: String,
    /// When its first object came.
    pub first: DateTime<Utc>,
    /// When its last object came.
    pub last: DateTime<Utc>,
}

/// Notes that an object came.
///
/// # Errors
/// The store cannot be written.
pub fn note(tx: &Tx, object: ObjectId) -> Result<(), StoreError> {
    let came: Option<(String, String)> = tx
        .prepare("select source, received_at from object where id = ?1")
        .first([object.0], |row| Ok((row.get(0)?, row.get(1)?)))?;
    let Some((source, at)) = came else {
        return Ok(());
    };
    let at = stamp::time(&at)?;
    let name = format!("{PREFIX}{source}");
    let before = meta::get(tx, &name)?;
    let known = before.as_deref().and_then(times);
    if known.is_none() {
        make_room(tx)?;
    }
    let (first, last) = known.unwrap_or((at, at));
    let (first, last) = (first.min(at), last.max(at));
    if known != Some((first, last)) {
        let value = format!("{} {}", stamp::text(first), stamp::text(last));
        meta::set(tx, &name, &value)?;
    }
    Ok(())
}

/// Takes the source out that was silent for longest, where there are as many as can be.
fn make_room(tx: &Tx) -> Result<(), StoreError> {
    let all = all(tx)?;
    if all.len() < SOURCES {
        return Ok(());
    }
    match all.iter().min_by_key(|one| one.last) {
        Some(oldest) => meta::clear(tx, &format!("{PREFIX}{}", oldest.source)),
        None => Ok(()),
    }
}

/// Every source that is kept, by name.
///
/// # Errors
/// The store cannot be read.
pub fn all(view: &View) -> Result<Vec<Heard>, StoreError> {
    let statement =
        view.prepare("select name, value from meta where name >= ?1 and name < ?2 order by name");
    let rows = statement.all([PREFIX, BEHIND], |row| {
        Ok((row.get::<String>(0)?, row.get::<String>(1)?))
    })?;
    let heard = |(name, value): (String, String)| {
        let (first, last) = times(&value)?;
        Some(Heard {
            source: name.strip_prefix(PREFIX)?.to_owned(),
            first,
            last,
        })
    };
    Ok(rows.into_iter().filter_map(heard).collect())
}

/// First and last; a damaged row begins anew.
fn times(value: &str) -> Option<(DateTime<Utc>, DateTime<Utc>)> {
    let (first, last) = value.split_once(' ')?;
    Some((stamp::time(first).ok()?, stamp::time(last).ok()?))
}
