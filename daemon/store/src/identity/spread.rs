//! Whom new statements concern beside the two ids that each names: everybody who hangs together with
//! those by merges in force. Worked out for all new statements at once, and outside the thread that
//! writes, so that neither a long message nor a person of many ids holds up what is received.

use super::{StoreError, persons};
use crate::meta;
use crate::view::{Tx, View};
use sheathline_model::domain::PatientKey;
use std::collections::BTreeSet;

/// Name in `meta` of the last statement of which everybody concerned was marked.
const SPREAD: &str = "spread_statement";

/// Who has to be assessed because of statements.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Concerned {
    /// Number of the last statement.
    pub last: i64,
    /// Ids that are assessed: those that survive, and each of those that are not joined.
    pub assessed: Vec<PatientKey>,
    /// Ids that have gone; the survivor is assessed for them.
    pub gone: Vec<PatientKey>,
    /// Whether merges lead in a circle or to several ends.
    pub unsettled: bool,
}

/// Whom the statements since the last [`note_spread`] concern; `None` if there are none. A statement
/// adds or takes one link between two ids, so whoever hung together with either before still hangs
/// together with one of them after: what holds now names everybody.
///
/// # Errors
/// The store cannot be read.
pub fn concerned(view: &View) -> Result<Option<Concerned>, StoreError> {
    let done = meta::get(view, SPREAD)?.and_then(|done| done.parse().ok());
    let done: i64 = done.unwrap_or(0);
    let newest = "select coalesce(max(id), 0) from id_statement";
    let last: i64 = view.prepare(newest).one((), |row| row.get(0))?;
    if last <= done {
        return Ok(None);
    }
    let mut named = BTreeSet::new();
    let statement = view.prepare(
        "select from_issuer, from_id, into_issuer, into_id from id_statement where id > ?1",
    );
    statement.each([done], |row| {
        for (issuer, id) in [(0, 1), (2, 3)] {
            named.insert(PatientKey {
                issuer: row.get(issuer)?,
                id: row.get(id)?,
            });
        }
        Ok(())
    })?;
    let mut concerned = Concerned {
        last,
        ..Concerned::default()
    };
    for (key, person) in persons(view, &named)?.all() {
        concerned.unsettled |= person.unsettled.is_some();
        if person.surviving == *key {
            concerned.assessed.push(key.clone())
        } else {
            concerned.gone.push(key.clone())
        }
    }
    Ok(Some(concerned))
}

/// Notes that everybody whom statements up to this one concern is marked.
///
/// # Errors
/// The store cannot be written.
pub fn note_spread(tx: &Tx, last: i64) -> Result<(), StoreError> {
    meta::set(tx, SPREAD, &last.to_string())
}
