//! How far the audit trail was told of rows that are only ever added.

use super::{StoreError, meta, stamp};
use crate::session::Row;
use crate::view::{Tx, View};
use chrono::{DateTime, Utc};

/// The rows of one table, told in the order of their numbers.
#[derive(Debug, Clone, Copy)]
pub struct Audited {
    /// Name in `meta` of the last row told of.
    pub(super) noted: &'static str,
    /// The table; its numbers are `id`.
    pub(super) table: &'static str,
}

/// A row that the audit trail was not told of.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Untold<T> {
    /// Its number.
    pub id: i64,
    /// When it was recorded; now, if it does not say.
    pub at: DateTime<Utc>,
    /// What it holds; `None`: it is damaged, and holds up no other.
    pub what: Option<T>,
}

impl Audited {
    /// The last row told of; `None` before the trail was begun.
    ///
    /// # Errors
    /// The store cannot be read.
    pub(super) fn last(&self, view: &View) -> Result<Option<i64>, StoreError> {
        let noted = meta::get(view, self.noted)?;
        Ok(noted.and_then(|last| last.parse().ok()))
    }

    /// Notes the last row that was told of.
    ///
    /// # Errors
    /// The store cannot be written.
    pub fn note(&self, tx: &Tx, last: i64) -> Result<(), StoreError> {
        meta::set(tx, self.noted, &last.to_string())
    }

    /// Begins with the rows to come, unless it was begun before.
    ///
    /// # Errors
    /// The store cannot be read or written.
    pub fn begin(&self, tx: &Tx) -> Result<(), StoreError> {
        if self.last(tx)?.is_some() {
            return Ok(());
        }
        let newest = format!("select coalesce(max(id), 0) from {}", self.table);
        self.note(tx, tx.prepare(&newest).one((), |row| row.get(0))?)
    }

    /// The rows after the last one told of, in the order they came; at most `limit`. `select` names
    /// `id` and `recorded_at` among its columns.
    ///
    /// # Errors
    /// The store cannot be read.
    pub(super) fn untold<T>(
        &self,
        view: &View,
        select: &str,
        limit: u32,
        read: impl Fn(&Row<'_>) -> Result<T, StoreError>,
    ) -> Result<Vec<Untold<T>>, StoreError> {
        let sql = format!("{select} where id > ?1 order by id limit ?2");
        let statement = view.prepare(sql);
        let mut found = Vec::new();
        statement.each((self.last(view)?.unwrap_or(0), limit), |row| {
            let at: Option<String> = row.named("recorded_at").ok();
            found.push(Untold {
                id: row.named("id")?,
                at: at
                    .and_then(|at| stamp::time(&at).ok())
                    .unwrap_or_else(Utc::now),
                what: read(row).ok(),
            });
            Ok(())
        })?;
        Ok(found)
    }
}
