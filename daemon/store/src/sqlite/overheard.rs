//! For tests: every statement on a store of one name, overheard at its connections, with its plan.

use crate::{Store, StoreError};
use rusqlite::Connection;
use rusqlite::trace::{TraceEvent, TraceEventCodes};
use std::collections::BTreeSet;
use std::sync::{Mutex, PoisonError};

/// Name of the one store that is listened to.
pub const NAME: &str = "overheard.db";

static HEARD: Mutex<BTreeSet<String>> = Mutex::new(BTreeSet::new());

/// Listens to a new connection, if it is one to the store of that name.
pub(crate) fn listen(mut conn: Connection) -> Result<Connection, StoreError> {
    if conn.path().is_some_and(|path| path.ends_with(NAME)) {
        let hear = |event: TraceEvent<'_>| {
            if let TraceEvent::Stmt(_, sql) = event {
                let mut heard = HEARD.lock().unwrap_or_else(PoisonError::into_inner);
                heard.insert(sql.to_owned());
            }
        };
        conn.trace_v2(TraceEventCodes::SQLITE_TRACE_STMT, Some(hear))?;
    }
    Ok(conn)
}

/// Every statement heard that reads or changes rows, and the steps of its plan.
///
/// # Errors
/// The store cannot be read.
pub fn plans(store: &Store) -> Result<Vec<(String, Vec<String>)>, StoreError> {
    let heard = HEARD.lock().unwrap_or_else(PoisonError::into_inner).clone();
    let of_rows = heard.into_iter().filter(|sql| {
        let word = sql.split_whitespace().next().unwrap_or_default();
        // The tables are made once; transactions and settings have no plan.
        ["select", "insert", "update", "delete", "with"]
            .iter()
            .any(|one| word.eq_ignore_ascii_case(one))
            && !sql.contains("sqlite_schema")
            // What brings an older shape to the newest runs once, on tables that go with it.
            && !super::schema::STEPS
                .iter()
                .any(|(_, step)| step.contains(sql.trim()))
    });
    of_rows
        .map(|sql| {
            let plan = store.read(|view| {
                let mut statement =
                    super::connection(view)?.prepare(&format!("explain query plan {sql}"))?;
                // Parameters without a value count as null; the plan is the same.
                let mut rows = statement.raw_query();
                let mut plan = Vec::new();
                while let Some(row) = rows.next()? {
                    plan.push(row.get(3)?);
                }
                Ok(plan)
            })?;
            Ok((sql.trim().to_owned(), plan))
        })
        .collect()
}
