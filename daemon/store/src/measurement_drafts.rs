//! What is half typed in the pages and not signed: a measurement, a table of old values, a second
//! reading. Each belongs to one account, and nobody else sees it. None is a source of a result.

use super::{StoreError, stamp};
use crate::session::Row;
use crate::view::{Tx, View};
use chrono::{DateTime, Utc};

/// What a draft will be once it is signed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Kind {
    /// A measurement.
    Measurement,
    /// A table of old values.
    Table,
    /// A second reading. While it lasts, its account is shown no values of the exam.
    Second,
}

impl Kind {
    fn word(self) -> &'static str {
        match self {
            Kind::Measurement => "measurement",
            Kind::Table => "table",
            Kind::Second => "second",
        }
    }

    /// Drafts of the kind that an account keeps; for one more the oldest goes. A table takes room. A
    /// second reading that went by itself would show values before they may be seen.
    fn kept(self) -> i64 {
        match self {
            Kind::Measurement => 20,
            Kind::Table => 3,
            Kind::Second => 10_000,
        }
    }

    /// How the content of such a draft begins, so that drafts of one kind are found without reading the
    /// others: a table is long.
    fn head(self) -> String {
        format!("{{\"kind\":\"{}\",\"of\":", self.word())
    }
}

/// A draft as it stands.
#[derive(Clone, PartialEq, Eq)]
pub struct Draft {
    /// Its number.
    pub id: i64,
    /// When it was saved last.
    pub saved_at: DateTime<Utc>,
    /// JSON of whoever made it.
    pub content: String,
}

/// Adds a draft; returns its number.
///
/// # Errors
/// The store cannot be written.
pub fn add(
    tx: &Tx,
    account: &str,
    kind: Kind,
    content: &str,
    at: DateTime<Utc>,
) -> Result<i64, StoreError> {
    let head = kind.head();
    tx.execute(
        "delete from measurement_draft where id in (
            select id from measurement_draft where account = ?1 and content >= ?2 and content < ?3
              and id not in (
                select id from measurement_draft
                where account = ?1 and content >= ?2 and content < ?3
                order by saved_at desc, id desc limit ?4))",
        (
            account,
            &head,
            &behind(&head),
            kind.kept().saturating_sub(1),
        ),
    )?;
    let text = format!("{head}{content}}}");
    tx.prepare(
        "insert into measurement_draft (account, saved_at, content) values (?1, ?2, ?3) returning id",
    )
    .one((account, &stamp::text(at), &text), |row| row.get(0))
}

/// Replaces the content of a draft; `false`: this account has none of this number and kind.
///
/// # Errors
/// The store cannot be written.
pub fn replace(
    tx: &Tx,
    account: &str,
    kind: Kind,
    id: i64,
    content: &str,
    at: DateTime<Utc>,
) -> Result<bool, StoreError> {
    if of(tx, account, kind, id)?.is_none() {
        return Ok(false);
    }
    let text = format!("{}{content}}}", kind.head());
    let met = tx.execute(
        "update measurement_draft set saved_at = ?2, content = ?3 where id = ?1",
        (id, &stamp::text(at), &text),
    )?;
    Ok(met > 0)
}

/// Takes a draft away; `false`: this account has none of this number.
///
/// # Errors
/// The store cannot be written.
pub fn remove(tx: &Tx, account: &str, id: i64) -> Result<bool, StoreError> {
    let met = tx.execute(
        "delete from measurement_draft where id = ?1 and account = ?2",
        (id, account),
    )?;
    Ok(met > 0)
}

/// Takes away all drafts of a kind that were saved before `before`, whoever made them.
///
/// # Errors
/// The store cannot be written.
pub fn remove_before(tx: &Tx, kind: Kind, before: DateTime<Utc>) -> Result<usize, StoreError> {
    let head = kind.head();
    tx.execute(
        "delete from measurement_draft where saved_at < ?1 and content >= ?2 and content < ?3",
        (&stamp::text(before), &head, &behind(&head)),
    )
}

/// The draft of this number and kind, if it is this account's.
///
/// # Errors
/// The store cannot be read.
pub fn of(view: &View, account: &str, kind: Kind, id: i64) -> Result<Option<Draft>, StoreError> {
    let sql = format!("{SELECT} and id = ?4");
    let head = kind.head();
    let statement = view.prepare(sql);
    statement.first((account, &head, &behind(&head), id), |row| read(row, &head))
}

/// The drafts of a kind of an account, saved last first.
///
/// # Errors
/// The store cannot be read.
pub fn list(view: &View, account: &str, kind: Kind) -> Result<Vec<Draft>, StoreError> {
    let sql = format!("{SELECT} order by saved_at desc, id desc");
    let head = kind.head();
    let statement = view.prepare(sql);
    statement.all((account, &head, &behind(&head)), |row| read(row, &head))
}

const SELECT: &str = "select id, saved_at, content from measurement_draft
    where account = ?1 and content >= ?2 and content < ?3";

/// The first text that does not begin with a head, in the order of bytes: `;` follows its last `:`.
fn behind(head: &str) -> String {
    format!("{};", head.strip_suffix(':').unwrap_or(head))
}

fn read(row: &Row<'_>, head: &str) -> Result<Draft, StoreError> {
    let text: String = row.get(2)?;
    let content = text
        .strip_prefix(head)
        .and_then(|rest| rest.strip_suffix('}'));
    Ok(Draft {
        id: row.get(0)?,
        saved_at: stamp::time(&row.get::<String>(1)?)?,
        content: content.unwrap_or_default().to_owned(),
    })
}
