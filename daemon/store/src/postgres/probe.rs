//! What a server says of itself: told to people, and never decided upon by its version.

use crate::session::Row;
use crate::{Place, Store, StoreError, View};
use serde::Serialize;

/// What a server says of itself now.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Facts {
    /// Its version, in its own words.
    pub version: String,
    /// The setting `synchronous_commit` of our connections.
    pub synchronous_commit: String,
    /// Whether it follows another server and takes no changes.
    pub in_recovery: bool,
    /// How the connection is encrypted, as `TLSv1.3 TLS_AES_256_GCM_SHA384`; `None`: it is not.
    pub encryption: Option<String>,
    /// Bytes of the database on its disk, indices too.
    pub bytes: u64,
    /// The servers that follow it.
    pub standbys: Standbys,
}

/// The servers that follow one, as far as it tells.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case", tag = "told")]
pub enum Standbys {
    /// Our account may see how they are.
    All {
        /// Each.
        standbys: Vec<Standby>,
    },
    /// It may see how many there are, and needs the role `pg_monitor` for more.
    Number {
        /// So many.
        number: u64,
    },
    /// The server is one itself, and cannot say how far it is ahead of others.
    OfAnother,
}

/// A server that follows.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Standby {
    /// Its `application_name`.
    pub name: String,
    /// As `streaming` or `catchup`.
    pub state: String,
    /// `async`, `potential`, `sync` or `quorum`.
    pub sync_state: String,
    /// Bytes of log that it has not replayed yet; `None` where it has not said.
    pub lag_bytes: Option<u64>,
}

/// Views and functions of PostgreSQL 15 (documentation, 28.2 "The Cumulative Statistics System", 9.27
/// "System Administration Functions").
pub(super) const FACTS: &str = "select current_setting('server_version'), current_setting('synchronous_commit'), \
     case when pg_is_in_recovery() then cast(1 as bigint) else cast(0 as bigint) end, \
     (select version || ' ' || cipher from pg_stat_ssl where pid = pg_backend_pid() and ssl), \
     cast(pg_database_size(current_database()) as bigint)";

/// Whoever may not see a standby sees its row without its columns.
pub(super) const STANDBYS: &str = "select application_name, state, sync_state, \
     cast(pg_wal_lsn_diff(pg_current_wal_lsn(), replay_lsn) as bigint) \
     from pg_stat_replication order by application_name, pid";

/// What the server behind a store says of itself; `None` where the store is a file.
///
/// # Errors
/// The server does not answer.
pub fn facts(store: &Store) -> Result<Option<Facts>, StoreError> {
    match store.place() {
        Place::File(_) => Ok(None),
        Place::Server(_) => store.read(of).map(Some),
    }
}

pub(crate) fn of(view: &View) -> Result<Facts, StoreError> {
    let mut facts = view.prepare(FACTS).one((), |row| {
        Ok(Facts {
            version: row.get(0)?,
            synchronous_commit: row.get(1)?,
            in_recovery: row.get(2)?,
            encryption: row.get(3)?,
            bytes: u64::try_from(row.get::<i64>(4)?).unwrap_or_default(),
            standbys: Standbys::OfAnother,
        })
    })?;
    if !facts.in_recovery {
        facts.standbys = judged(view.prepare(STANDBYS).all((), seen)?);
    }
    Ok(facts)
}

/// A standby as far as it may be seen.
fn seen(row: &Row<'_>) -> Result<Option<Standby>, StoreError> {
    let (state, sync_state): (Option<String>, Option<String>) = (row.get(1)?, row.get(2)?);
    let lag = row.get::<Option<i64>>(3)?;
    Ok(match (state, sync_state) {
        (Some(state), Some(sync_state)) => Some(Standby {
            name: row.get::<Option<String>>(0)?.unwrap_or_default(),
            state,
            sync_state,
            // Less than nothing is a replay that overtook the question.
            lag_bytes: lag.map(|bytes| u64::try_from(bytes).unwrap_or_default()),
        }),
        _ => None,
    })
}

fn judged(rows: Vec<Option<Standby>>) -> Standbys {
    let number = u64::try_from(rows.len()).unwrap_or(u64::MAX);
    let standbys: Option<Vec<Standby>> = rows.into_iter().collect();
    match standbys {
        Some(standbys) => Standbys::All { standbys },
        None => Standbys::Number { number },
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_may_not_be_seen_is_said_and_not_taken_for_none() {
        let one = Standby {
            name: "b".to_owned(),
            state: "streaming".to_owned(),
            sync_state: "sync".to_owned(),
            lag_bytes: Some(0),
        };
        let all = judged(vec![Some(one.clone())]);
        assert_eq!(
            all,
            Standbys::All {
                standbys: vec![one.clone()]
            }
        );
        assert_eq!(
            judged(vec![Some(one), None]),
            Standbys::Number { number: 2 }
        );
        assert_eq!(
            judged(Vec::new()),
            Standbys::All {
                standbys: Vec::new()
            }
        );
    }
}
