//! Tables of old values that were brought in: which file, by whom, and the reports made of its lines.
//! That one was taken back stands in the entries that took its reports back.

use super::{StoreError, stamp};
use crate::session::{Row, values};
use crate::view::{Tx, View};
use chrono::{DateTime, Utc};
use sheathline_model::annotations::{Author, By};

/// Length of the hash of a file.
const HASH_BYTES: usize = 32;

/// A table that is brought in.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Brought {
    /// Who brings it, and why.
    pub by: By,
    /// What the file is called, without its folder.
    pub file_name: String,
    /// SHA-256 of the file.
    pub file_sha256: [u8; HASH_BYTES],
    /// Rows below its first line.
    pub rows: u32,
}

/// A table that was brought in.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Bringing {
    /// Its own number.
    pub number: i64,
    /// When.
    pub recorded_at: DateTime<Utc>,
    /// What it was, and who brought it.
    pub brought: Brought,
    /// Reports that were made of its lines.
    pub reports: u32,
}

/// A report that was made of a line.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Report {
    /// The first line of the exam.
    pub line: u32,
    /// SOP Instance UID.
    pub sop_instance_uid: String,
}

/// The number that the next table will have. Belongs in the transaction that records it.
///
/// # Errors
/// The store cannot be read.
pub fn next_number(view: &View) -> Result<i64, StoreError> {
    view.prepare("select coalesce(max(number), 0) + 1 from bringing")
        .one((), |row| row.get(0))
}

/// Records a table under a number of its own, which it returns. Its reports follow by [`add`], in the
/// same transaction.
///
/// # Errors
/// The store cannot be written.
pub fn record(tx: &Tx, brought: &Brought, now: DateTime<Utc>) -> Result<i64, StoreError> {
    let by = &brought.by;
    tx.prepare(
        "insert into bringing (recorded_at, author, author_kind, entered_by, reason, file_name,
                               file_sha256, rows)
         values (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8) returning number",
    )
    .one(
        values![
            stamp::text(now),
            by.author.name(),
            by.author.kind(),
            by.entered_by,
            by.reason,
            brought.file_name,
            brought.file_sha256,
            brought.rows,
        ],
        |row| row.get(0),
    )
}

/// Records a report of a table.
///
/// # Errors
/// The store cannot be written.
pub fn add(tx: &Tx, number: i64, report: &Report) -> Result<(), StoreError> {
    tx.prepare("insert into brought (bringing, line, sop_instance_uid) values (?1, ?2, ?3)")
        .execute(values![number, report.line, report.sop_instance_uid])?;
    Ok(())
}

const BRINGING: &str =
    "select number, recorded_at, author, author_kind, entered_by, reason, file_name,
                               file_sha256, rows,
                               (select count(*) from brought where brought.bringing = number)
                        from bringing";

/// The tables that were brought in, newest first, at most `limit`.
///
/// # Errors
/// The store cannot be read.
pub fn newest(view: &View, limit: u32) -> Result<Vec<Bringing>, StoreError> {
    let statement = view.prepare(format!("{BRINGING} order by number desc limit ?1"));
    statement.all([limit], bringing)
}

/// The table of a number.
///
/// # Errors
/// The store cannot be read.
pub fn by_number(view: &View, number: i64) -> Result<Option<Bringing>, StoreError> {
    let statement = view.prepare(format!("{BRINGING} where number = ?1"));
    statement.first([number], bringing)
}

/// The tables that are the same file, newest first.
///
/// # Errors
/// The store cannot be read.
pub fn of_file(view: &View, sha256: &[u8; HASH_BYTES]) -> Result<Vec<Bringing>, StoreError> {
    let statement = view.prepare(format!(
        "{BRINGING} where file_sha256 = ?1 order by number desc"
    ));
    statement.all([sha256], bringing)
}

/// The reports of a table, by line.
///
/// # Errors
/// The store cannot be read.
pub fn reports(view: &View, number: i64) -> Result<Vec<Report>, StoreError> {
    let statement = view.prepare(
        "select line, sop_instance_uid from brought where bringing = ?1
         order by line, sop_instance_uid",
    );
    statement.all([number], |row| {
        Ok(Report {
            line: row.get(0)?,
            sop_instance_uid: row.get(1)?,
        })
    })
}

/// The tables and lines that a report was made of, the newest first.
///
/// # Errors
/// The store cannot be read.
pub fn of_report(view: &View, sop_instance_uid: &str) -> Result<Vec<(i64, u32)>, StoreError> {
    let statement = view.prepare(
        "select bringing, line from brought where sop_instance_uid = ?1
         order by bringing desc, line",
    );
    statement.all([sop_instance_uid], |row| Ok((row.get(0)?, row.get(1)?)))
}

fn bringing(row: &Row<'_>) -> Result<Bringing, StoreError> {
    let number: i64 = row.get(0)?;
    let damaged = |what: &str| StoreError::Damaged {
        what: format!("table {number}: {what}"),
    };
    let (recorded_at, author_kind): (String, String) = (row.get(1)?, row.get(3)?);
    let sha256: Vec<u8> = row.get(7)?;
    Ok(Bringing {
        number,
        recorded_at: stamp::time(&recorded_at)?,
        brought: Brought {
            by: By {
                author: Author::of(&author_kind, row.get(2)?)
                    .ok_or_else(|| damaged("an unknown kind of author"))?,
                entered_by: row.get(4)?,
                source: "table".to_owned(),
                reason: row.get(5)?,
            },
            file_name: row.get(6)?,
            file_sha256: sha256
                .try_into()
                .map_err(|_| damaged("a hash that is none"))?,
            rows: row.get(8)?,
        },
        reports: row.get(9)?,
    })
}
