//! What a running daemon has trouble with, and since when, for whoever looks from outside (`status`).
//!
//! Written when something begins and when it ends; what a daemon that is not running any more left
//! stands until the next one looks.

use super::{StoreError, meta, stamp};
use crate::view::{Tx, View};
use chrono::{DateTime, Utc};

/// Names in `meta` begin with this.
const PREFIX: &str = "trouble:";

/// Nothing can be written into the outbox.
pub const OUTBOX: &str = "outbox";

/// Single results cannot be written.
pub const RESULTS: &str = "results";

/// Patients have reports under another issuer than they would come under now.
pub const ISSUERS: &str = "issuers";

/// Before the name of a destination that is not reached.
pub const DESTINATION: &str = "destination:";

/// Something that lasts.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Trouble {
    /// What has it: [`OUTBOX`], or [`DESTINATION`] and a name, and so on.
    pub of: String,
    /// Since when.
    pub since: DateTime<Utc>,
    /// What is wrong, without anything of patients.
    pub what: String,
}

/// Notes how it stands: `Some` what is wrong, `None` all is well. A trouble that lasts keeps the time
/// since when it does.
///
/// # Errors
/// The store cannot be written.
pub fn note(tx: &Tx, of: &str, what: Option<&str>, now: DateTime<Utc>) -> Result<(), StoreError> {
    let name = format!("{PREFIX}{of}");
    let Some(what) = what else {
        return meta::clear(tx, &name);
    };
    let before = meta::get(tx, &name)?;
    let since = before
        .and_then(|before| parsed(of, &before))
        .map(|one| one.since);
    let since = stamp::text(since.unwrap_or(now));
    meta::set(tx, &name, &format!("{since} {what}"))
}

/// Everything that is wrong, by its name.
///
/// # Errors
/// The store cannot be read.
pub fn all(view: &View) -> Result<Vec<Trouble>, StoreError> {
    let statement =
        view.prepare("select name, value from meta where name >= ?1 and name < ?2 order by name");
    let after = PREFIX.replace(':', ";");
    let rows = statement.all([PREFIX, &after], |row| {
        Ok((row.get::<String>(0)?, row.get::<String>(1)?))
    })?;
    let mut found = Vec::new();
    for (name, value) in rows {
        let of = name.strip_prefix(PREFIX);
        found.extend(of.and_then(|of| parsed(of, &value)));
    }
    Ok(found)
}

/// The one of this name.
///
/// # Errors
/// The store cannot be read.
pub fn of(view: &View, of: &str) -> Result<Option<Trouble>, StoreError> {
    let value = meta::get(view, &format!("{PREFIX}{of}"))?;
    Ok(value.and_then(|value| parsed(of, &value)))
}

fn parsed(of: &str, value: &str) -> Option<Trouble> {
    let (since, what) = value.split_once(' ')?;
    Some(Trouble {
        of: of.to_owned(),
        since: stamp::time(since).ok()?,
        what: what.to_owned(),
    })
}
