//! Facts about the store itself, by name.

use super::StoreError;
use crate::session::values;
use crate::view::{Tx, View};

/// The value under `name`, if set.
///
/// # Errors
/// The store cannot be read.
pub fn get(view: &View, name: &str) -> Result<Option<String>, StoreError> {
    view.prepare("select value from meta where name = ?1")
        .first([name], |row| row.get(0))
}

/// Sets the value under `name`.
///
/// # Errors
/// The store cannot be written.
pub fn set(tx: &Tx, name: &str, value: &str) -> Result<(), StoreError> {
    tx.prepare(
        "insert into meta (name, value) values (?1, ?2)
         on conflict (name) do update set value = excluded.value",
    )
    .execute(values![name, value])?;
    Ok(())
}

/// Takes the value under `name` away.
///
/// # Errors
/// The store cannot be written.
pub fn clear(tx: &Tx, name: &str) -> Result<(), StoreError> {
    tx.prepare("delete from meta where name = ?1")
        .execute([name])?;
    Ok(())
}

/// Takes all values away but the count of commits, which only grows.
///
/// # Errors
/// The store cannot be written.
pub(crate) fn clear_all(tx: &Tx) -> Result<(), StoreError> {
    tx.prepare("delete from meta where name <> ?1")
        .execute([COMMITS])?;
    Ok(())
}

/// The table.
pub(crate) const TABLE: &str = "meta";

/// Counts the commits of this store that changed something.
pub(crate) const COMMITS: &str = "commits";

/// Whether the store counts its commits at all, as each does from shape 11 on.
///
/// # Errors
/// The store cannot be read.
pub(super) fn counts_commits(view: &View) -> Result<bool, StoreError> {
    Ok(get(view, COMMITS)?.is_some())
}

/// How many commits the store knows of.
///
/// # Errors
/// The store cannot be read.
pub fn commits(view: &View) -> Result<u64, StoreError> {
    let number = get(view, COMMITS)?;
    Ok(number.and_then(|number| number.parse().ok()).unwrap_or(0))
}

/// Sees to it that at least so many commits are known of.
///
/// # Errors
/// The store cannot be written.
pub(crate) fn raise_commits(tx: &Tx, least: u64) -> Result<(), StoreError> {
    if commits(tx)? < least {
        set(tx, COMMITS, &least.to_string())?;
    }
    Ok(())
}

/// Counts the commit that this transaction will be; returns its number.
///
/// # Errors
/// The store cannot be written.
pub(super) fn count_commit(tx: &Tx) -> Result<u64, StoreError> {
    let number = commits(tx)?.saturating_add(1);
    set(tx, COMMITS, &number.to_string())?;
    Ok(number)
}
