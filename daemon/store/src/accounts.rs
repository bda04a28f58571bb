//! People who sign in to the pages by a password of their own.
//!
//! Roles are words of the caller; here they are kept as they come. A password is a text that says how it
//! was hashed (PHC string format), never the password itself.

use super::{StoreError, stamp};
use crate::session::{Row, values};
use crate::view::{Tx, View};
use chrono::{DateTime, TimeDelta, Utc};

/// An account.
#[derive(Clone, PartialEq, Eq)]
pub struct Account {
    /// Its name; nobody else ever has the same.
    pub name: String,
    /// Words of its roles.
    pub roles: Vec<String>,
    /// The hash of its password.
    pub password: String,
    /// When it was made.
    pub created_at: DateTime<Utc>,
    /// Refused passwords in a row.
    pub failures: u32,
    /// Until when no password is looked at.
    pub locked_until: Option<DateTime<Utc>>,
    /// Sessions begun before this count no more.
    pub signed_out_at: Option<DateTime<Utc>>,
    /// Since when it may not sign in any more.
    pub ended_at: Option<DateTime<Utc>>,
}

impl std::fmt::Debug for Account {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Account")
    }
}

/// Makes an account; `false`: there is one of this name, also if it has ended.
///
/// # Errors
/// The store cannot be written.
pub fn add(
    tx: &Tx,
    name: &str,
    roles: &[String],
    password: &str,
    now: DateTime<Utc>,
) -> Result<bool, StoreError> {
    let added = tx
        .prepare(
            "insert into account (name, roles, password, created_at) values (?1, ?2, ?3, ?4)
             on conflict (name) do nothing",
        )
        .execute(values![name, words(roles)?, password, stamp::text(now)])?;
    Ok(added > 0)
}

const ACCOUNT: &str = "select name, roles, password, created_at, failures, locked_until,
                              signed_out_at, ended_at from account";

/// The account of this name.
///
/// # Errors
/// The store cannot be read.
pub fn of_name(view: &View, name: &str) -> Result<Option<Account>, StoreError> {
    view.prepare(format!("{ACCOUNT} where name = ?1"))
        .first([name], account)
}

/// Every account, by name.
///
/// # Errors
/// The store cannot be read.
pub fn all(view: &View) -> Result<Vec<Account>, StoreError> {
    view.prepare(format!("{ACCOUNT} order by name"))
        .all((), account)
}

/// Gives an account other roles; `false`: there is none of this name.
///
/// # Errors
/// The store cannot be written.
pub fn set_roles(tx: &Tx, name: &str, roles: &[String]) -> Result<bool, StoreError> {
    let set = "update account set roles = ?2 where name = ?1";
    Ok(tx.prepare(set).execute(values![name, words(roles)?])? > 0)
}

/// Gives an account another password, unlocks it and ends its sessions; `false`: there is none.
///
/// # Errors
/// The store cannot be written.
pub fn set_password(
    tx: &Tx,
    name: &str,
    password: &str,
    now: DateTime<Utc>,
) -> Result<bool, StoreError> {
    let set = "update account set password = ?2, failures = 0, locked_until = null where name = ?1";
    Ok(tx.prepare(set).execute(values![name, password])? > 0 && sign_out(tx, name, now)?)
}

/// Lets passwords of an account be looked at again; `false`: there is none.
///
/// # Errors
/// The store cannot be written.
pub fn unlock(tx: &Tx, name: &str) -> Result<bool, StoreError> {
    let set = "update account set failures = 0, locked_until = null where name = ?1";
    Ok(tx.prepare(set).execute([name])? > 0)
}

/// Ends every session of an account; `false`: there is none.
///
/// # Errors
/// The store cannot be written.
pub fn sign_out(tx: &Tx, name: &str, now: DateTime<Utc>) -> Result<bool, StoreError> {
    let set = "update account set signed_out_at = ?2 where name = ?1";
    Ok(tx.prepare(set).execute(values![name, stamp::text(now)])? > 0)
}

/// From now on the account may not sign in, and its sessions end; `false`: there is none that may.
///
/// # Errors
/// The store cannot be written.
pub fn end(tx: &Tx, name: &str, now: DateTime<Utc>) -> Result<bool, StoreError> {
    let set = "update account set ended_at = ?2, signed_out_at = ?2
               where name = ?1 and ended_at is null";
    Ok(tx.prepare(set).execute(values![name, stamp::text(now)])? > 0)
}

/// Counts a refused password; with the last of `most` in a row none is looked at for `time`. Returns
/// until when.
///
/// # Errors
/// The store cannot be written.
pub fn refused(
    tx: &Tx,
    name: &str,
    most: u32,
    time: TimeDelta,
    now: DateTime<Utc>,
) -> Result<Option<DateTime<Utc>>, StoreError> {
    let Some(account) = of_name(tx, name)? else {
        return Ok(None);
    };
    // What was locked and is no more begins to count anew.
    let is_over = account.locked_until.is_some_and(|until| until <= now);
    let failures = if is_over { 0 } else { account.failures } + 1;
    let until = match account.locked_until {
        Some(until) if !is_over => Some(until),
        _ => (failures >= most).then(|| now + time),
    };
    tx.prepare("update account set failures = ?2, locked_until = ?3 where name = ?1")
        .execute(values![name, failures, until.map(stamp::text)])?;
    Ok(until)
}

/// Counts a password that was right.
///
/// # Errors
/// The store cannot be written.
pub fn accepted(tx: &Tx, name: &str) -> Result<(), StoreError> {
    tx.prepare("update account set failures = 0, locked_until = null where name = ?1")
        .execute([name])?;
    Ok(())
}

fn words(roles: &[String]) -> Result<String, StoreError> {
    serde_json::to_string(roles).map_err(|error| StoreError::Work(error.to_string()))
}

pub(crate) fn roles(text: &str) -> Result<Vec<String>, StoreError> {
    serde_json::from_str(text).map_err(|_| StoreError::Damaged {
        what: "roles that are none".to_owned(),
    })
}

fn account(row: &Row<'_>) -> Result<Account, StoreError> {
    let time = |column| {
        let text: Option<String> = row.get(column)?;
        text.as_deref().map(stamp::time).transpose()
    };
    Ok(Account {
        name: row.get(0)?,
        roles: roles(&row.get::<String>(1)?)?,
        password: row.get(2)?,
        created_at: stamp::time(&row.get::<String>(3)?)?,
        failures: row.get(4)?,
        locked_until: time(5)?,
        signed_out_at: time(6)?,
        ended_at: time(7)?,
    })
}
