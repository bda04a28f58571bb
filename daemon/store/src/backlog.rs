//! What waits in the store, and since when.

use super::{StoreError, stamp};
use crate::view::View;
use chrono::{DateTime, Utc};

/// What waits for one stage.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Waiting {
    /// How many.
    pub count: u64,
    /// Since when the oldest waits.
    pub oldest: Option<DateTime<Utc>>,
}

/// What waits for each stage.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Backlog {
    /// Objects to be read for the first time.
    pub objects: Waiting,
    /// Patients to be assessed.
    pub patients: Waiting,
    /// Results to be published.
    pub results: Waiting,
}

/// Looks along the indices of what waits, so it costs nothing while little does.
///
/// # Errors
/// The store cannot be read.
pub fn backlog(view: &View) -> Result<Backlog, StoreError> {
    Ok(Backlog {
        objects: waiting(
            view,
            "select count(*) from object where state = 'received'",
            "select received_at from object where state = 'received' order by id limit 1",
        )?,
        patients: waiting(
            view,
            "select count(*) from dirty",
            "select since from dirty order by since limit 1",
        )?,
        results: waiting(
            view,
            "select count(*) from result where published_at is null and damaged_at is null",
            "select created_at from result where published_at is null and damaged_at is null
             order by id limit 1",
        )?,
    })
}

fn waiting(view: &View, count: &str, oldest: &str) -> Result<Waiting, StoreError> {
    let number: i64 = view.prepare(count).one((), |row| row.get(0))?;
    let since: Option<String> = view.prepare(oldest).first((), |row| row.get(0))?;
    Ok(Waiting {
        count: number.try_into().unwrap_or(0),
        oldest: since.map(|text| stamp::time(&text)).transpose()?,
    })
}
