//! How many objects of other classes each sender was answered success for and of which nothing was kept,
//! since the site says so: for whoever looks from outside (`status`).
//!
//! One row of `meta` a source and class, written when an association ends: what was dropped in one that
//! is open is not counted here if the daemon is killed.

use super::{StoreError, meta, stamp};
use crate::view::{Tx, View};
use chrono::{DateTime, Utc};
use sheathline_model::domain::Source;
use std::collections::BTreeMap;

/// Names in `meta` begin with this; the class follows, and after a blank the source.
const PREFIX: &str = "dropped:";

/// The first name that does not begin so.
const BEHIND: &str = "dropped;";

/// Rows that are kept: a calling AE title may be any text. One more counts under [`OTHER`].
pub const ROWS: usize = 512;

/// Stands for the classes and sources beyond.
pub const OTHER: &str = "other";

/// What was dropped of one class from one source.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Dropped {
    /// `dicom:` and the calling AE title, or [`OTHER`].
    pub source: String,
    /// SOP Class UID, or [`OTHER`].
    pub class: String,
    /// How many.
    pub count: u64,
    /// When the first association with such ended.
    pub first: DateTime<Utc>,
    /// When the last one did.
    pub last: DateTime<Utc>,
}

/// Adds what was dropped in one association, by SOP Class UID.
///
/// # Errors
/// The store cannot be written.
pub fn add(
    tx: &Tx,
    source: &Source,
    counts: &BTreeMap<&'static str, u64>,
    now: DateTime<Utc>,
) -> Result<(), StoreError> {
    let mut rows = all(tx)?.len();
    for (class, count) in counts {
        let mut name = format!("{PREFIX}{class} {source}");
        let mut before = meta::get(tx, &name)?;
        if before.is_none() && rows >= ROWS {
            name = format!("{PREFIX}{OTHER} {OTHER}");
            before = meta::get(tx, &name)?;
        }
        let (before, first) = match before.as_deref().and_then(numbers) {
            Some((count, first, _)) => (count, first),
            None => {
                rows += 1;
                (0, now)
            }
        };
        let count = before.saturating_add(*count);
        let (first, last) = (stamp::text(first), stamp::text(now));
        meta::set(tx, &name, &format!("{count} {first} {last}"))?;
    }
    Ok(())
}

/// Everything that was dropped, by class and source.
///
/// # Errors
/// The store cannot be read.
pub fn all(view: &View) -> Result<Vec<Dropped>, StoreError> {
    let statement =
        view.prepare("select name, value from meta where name >= ?1 and name < ?2 order by name");
    let rows = statement.all([PREFIX, BEHIND], |row| {
        Ok((row.get::<String>(0)?, row.get::<String>(1)?))
    })?;
    let dropped = |(name, value): (String, String)| {
        let (class, source) = name.strip_prefix(PREFIX)?.split_once(' ')?;
        let (count, first, last) = numbers(&value)?;
        Some(Dropped {
            source: source.to_owned(),
            class: class.to_owned(),
            count,
            first,
            last,
        })
    };
    Ok(rows.into_iter().filter_map(dropped).collect())
}

/// Count, first and last; a damaged row begins anew.
fn numbers(value: &str) -> Option<(u64, DateTime<Utc>, DateTime<Utc>)> {
    let mut words = value.split(' ');
    let count = words.next()?.parse().ok()?;
    let first = stamp::time(words.next()?).ok()?;
    Some((count, first, stamp::time(words.next()?).ok()?))
}
