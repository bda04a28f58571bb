//! What the topics are given to work with: a [`View`] to read by, and a [`Tx`], which changes too.
//!
//! Which database stands behind them is known inside this package alone.

use crate::StoreError;
use rusqlite::{CachedStatement, Connection, Params, Row};
use std::ops::Deref;

/// One consistent state of the store, to be read.
#[derive(Debug)]
pub struct View {
    conn: Connection,
}

/// A change of the store that is under way: it reads as a [`View`] does, its own changes included, and
/// writes. Whatever takes a `View` can therefore not change anything:
///
/// ```compile_fail,E0308
/// use sheathline_store::{Store, meta};
/// fn set(store: &Store) {
///     store.read(|view| meta::set(view, "a", "b")).ok();
/// }
/// ```
#[derive(Debug)]
pub struct Tx {
    view: View,
}

impl Deref for Tx {
    type Target = View;

    fn deref(&self) -> &View {
        &self.view
    }
}

impl View {
    pub(crate) fn new(conn: Connection) -> View {
        View { conn }
    }

    /// The connection, for what is SQLite's own.
    pub(crate) fn sqlite(&self) -> &Connection {
        &self.conn
    }

    /// A question, kept prepared.
    pub(crate) fn prepare_cached(&self, sql: &str) -> Result<CachedStatement<'_>, StoreError> {
        let statement = self.conn.prepare_cached(sql)?;
        match statement.readonly() {
            true => Ok(statement),
            false => Err(StoreError::Work(
                "a view of the store was asked to change it; internal error; please report it"
                    .to_owned(),
            )),
        }
    }

    /// The first row of an answer.
    pub(crate) fn query_row<T, P: Params>(
        &self,
        sql: &str,
        values: P,
        read: impl FnOnce(&Row<'_>) -> rusqlite::Result<T>,
    ) -> rusqlite::Result<T> {
        self.conn.query_row(sql, values, read)
    }
}

impl Tx {
    pub(crate) fn new(conn: Connection) -> Tx {
        Tx {
            view: View::new(conn),
        }
    }

    /// The connection, to be closed.
    pub(crate) fn into_sqlite(self) -> Connection {
        self.view.conn
    }

    /// A question or a change, kept prepared.
    pub(crate) fn prepare_cached(&self, sql: &str) -> Result<CachedStatement<'_>, StoreError> {
        Ok(self.conn.prepare_cached(sql)?)
    }

    /// Makes one change; returns how many rows it met.
    pub(crate) fn execute<P: Params>(&self, sql: &str, values: P) -> Result<usize, StoreError> {
        Ok(self.conn.execute(sql, values)?)
    }

    /// Runs several statements.
    pub(crate) fn execute_batch(&self, sql: &str) -> Result<(), StoreError> {
        Ok(self.conn.execute_batch(sql)?)
    }
}
