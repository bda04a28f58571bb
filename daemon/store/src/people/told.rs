//! Which entries the audit trail was told of.

use super::{ENTRY, entry, newest_number};
use crate::{StoreError, meta, stamp};
use chrono::{DateTime, Utc};
use rusqlite::Connection;
use sheathline_model::entries::Entry;

/// Name in `meta` of the last entry that the audit trail was told of.
const TOLD: &str = "audit_told_entry";

/// An entry that the audit trail was not told of.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Untold {
    /// Its number.
    pub id: i64,
    /// When it was recorded; now, if its row does not say.
    pub at: DateTime<Utc>,
    /// The entry; `None`: its row is damaged, and holds up no other.
    pub entry: Option<Entry>,
}

/// The entries after the last one told of, in the order they came; at most `limit`.
///
/// # Errors
/// The store cannot be read.
pub fn untold(conn: &Connection, limit: u32) -> Result<Vec<Untold>, StoreError> {
    let mut statement =
        conn.prepare_cached(&format!("{ENTRY} where id > ?1 order by id limit ?2"))?;
    let mut rows = statement.query((told(conn)?.unwrap_or(0), limit))?;
    let mut found = Vec::new();
    while let Some(row) = rows.next()? {
        let at: Option<String> = row.get(10).ok();
        found.push(Untold {
            id: row.get(0)?,
            at: at
                .and_then(|at| stamp::time(&at).ok())
                .unwrap_or_else(Utc::now),
            entry: entry(row).ok(),
        });
    }
    Ok(found)
}

/// Notes the last entry that was told of.
///
/// # Errors
/// The store cannot be written.
pub fn note_told(conn: &Connection, last: i64) -> Result<(), StoreError> {
    meta::set(conn, TOLD, &last.to_string())
}

/// Begins with the entries to come, unless it was begun before.
///
/// # Errors
/// The store cannot be read or written.
pub fn begin(conn: &Connection) -> Result<(), StoreError> {
    if told(conn)?.is_some() {
        return Ok(());
    }
    note_told(conn, newest_number(conn)?)
}

fn told(conn: &Connection) -> Result<Option<i64>, StoreError> {
    let told = meta::get(conn, TOLD)?;
    Ok(told.and_then(|told| told.parse().ok()))
}
