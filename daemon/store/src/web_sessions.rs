//! People who are signed in to the pages. Their cookies are not here, only the hashes of them: whoever
//! reads the store can be nobody.

use super::{StoreError, stamp};
use crate::session::values;
use crate::view::{Tx, View};
use chrono::{DateTime, Utc};

/// The hash of the id in a cookie.
pub type IdHash = [u8; 32];

/// Sessions of one account at one time; the oldest ends for one more.
pub const OF_ACCOUNT_MAX: usize = 20;

/// A session.
#[derive(Clone, PartialEq, Eq)]
pub struct WebSession {
    /// Whose it is; empty before anybody has signed in.
    pub account: String,
    /// JSON.
    pub content: String,
    /// When it ends by itself.
    pub ends_at: DateTime<Utc>,
}

impl std::fmt::Debug for WebSession {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("WebSession")
    }
}

/// Begins a session; `false`: there is one of this id. What has ended is taken away with it.
///
/// # Errors
/// The store cannot be written.
pub fn begin(
    tx: &Tx,
    hash: &IdHash,
    session: &WebSession,
    now: DateTime<Utc>,
) -> Result<bool, StoreError> {
    tx.prepare("delete from web_session where ends_at <= ?1")
        .execute([stamp::text(now)])?;
    let begun = tx
        .prepare(
            "insert into web_session (hash, account, content, ends_at) values (?1, ?2, ?3, ?4)
             on conflict (hash) do nothing",
        )
        .execute(values![
            hash,
            session.account,
            session.content,
            stamp::text(session.ends_at)
        ])?;
    let most = u32::try_from(OF_ACCOUNT_MAX).unwrap_or(u32::MAX);
    tx.prepare(
        "delete from web_session where account = ?1 and hash not in (
             select hash from web_session where account = ?1 order by ends_at desc, hash limit ?2)",
    )
    .execute(values![session.account, most])?;
    Ok(begun > 0)
}

/// The session of this id, unless it has ended.
///
/// # Errors
/// The store cannot be read.
pub fn of_id(
    view: &View,
    hash: &IdHash,
    now: DateTime<Utc>,
) -> Result<Option<WebSession>, StoreError> {
    view.prepare(
        "select account, content, ends_at from web_session where hash = ?1 and ends_at > ?2",
    )
    .first(values![hash, stamp::text(now)], |row| {
        Ok(WebSession {
            account: row.get(0)?,
            content: row.get(1)?,
            ends_at: stamp::time(&row.get::<String>(2)?)?,
        })
    })
}

/// Keeps what a session has become. One that was ended meanwhile stays ended.
///
/// # Errors
/// The store cannot be written.
pub fn keep(tx: &Tx, hash: &IdHash, session: &WebSession) -> Result<(), StoreError> {
    tx.prepare("update web_session set account = ?2, content = ?3, ends_at = ?4 where hash = ?1")
        .execute(values![
            hash,
            session.account,
            session.content,
            stamp::text(session.ends_at)
        ])?;
    Ok(())
}

/// Ends a session.
///
/// # Errors
/// The store cannot be written.
pub fn end(tx: &Tx, hash: &IdHash) -> Result<(), StoreError> {
    tx.prepare("delete from web_session where hash = ?1")
        .execute([hash])?;
    Ok(())
}

/// Ends every session of somebody; returns how many.
///
/// # Errors
/// The store cannot be written.
pub fn end_all(tx: &Tx, account: &str) -> Result<usize, StoreError> {
    tx.prepare("delete from web_session where account = ?1")
        .execute([account])
}

/// The sessions that have not ended: whose, and when each ends.
///
/// # Errors
/// The store cannot be read.
pub fn all(view: &View, now: DateTime<Utc>) -> Result<Vec<(String, DateTime<Utc>)>, StoreError> {
    view.prepare(
        "select account, ends_at from web_session where ends_at > ?1 order by account, ends_at",
    )
    .all([stamp::text(now)], |row| {
        Ok((row.get(0)?, stamp::time(&row.get::<String>(1)?)?))
    })
}
