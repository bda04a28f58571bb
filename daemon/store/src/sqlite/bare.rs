//! For tests: the file of a store, opened by its database alone, past all that the store would do and
//! check. To look at what is really there, and to put there what the store never would.

use crate::{StoreError, Tx};
use rusqlite::Connection;
use rusqlite::types::Value;
use std::path::Path;
use std::time::Duration;

/// How long a change waits for whoever has the store open.
const PATIENCE: Duration = Duration::from_secs(30);

/// The file.
#[derive(Debug)]
pub struct Bare {
    conn: Connection,
}

/// What stands in one column of one row.
#[derive(Debug, Clone, PartialEq)]
pub enum Cell {
    /// Nothing.
    Null,
    /// A whole number.
    Integer(i64),
    /// A number.
    Real(f64),
    /// Text.
    Text(String),
    /// Bytes.
    Bytes(Vec<u8>),
}

impl Bare {
    /// Opens the file at `path`, or makes an empty one.
    ///
    /// # Errors
    /// It cannot be opened.
    pub fn open(path: &Path) -> Result<Bare, StoreError> {
        let conn = Connection::open(path)?;
        conn.busy_timeout(PATIENCE)?;
        Ok(Bare { conn })
    }

    /// The answer to a question, row by row.
    ///
    /// # Errors
    /// The database refuses.
    pub fn rows(&self, sql: &str) -> Result<Vec<Vec<Cell>>, StoreError> {
        let mut statement = self.conn.prepare(sql)?;
        let columns = statement.column_count();
        let rows = statement.query_map([], |row| {
            (0..columns)
                .map(|n| row.get::<_, Value>(n).map(Cell::from))
                .collect::<Result<_, _>>()
        })?;
        Ok(rows.collect::<Result<_, _>>()?)
    }

    /// The first column of the answer, as text; a number as it is written, nothing as an empty text.
    ///
    /// # Errors
    /// The database refuses.
    pub fn column(&self, sql: &str) -> Result<Vec<String>, StoreError> {
        let rows = self.rows(sql)?.into_iter();
        Ok(rows
            .filter_map(|row| Some(row.into_iter().next()?.text()))
            .collect())
    }

    /// Runs one or more changes; returns how many rows they changed.
    ///
    /// # Errors
    /// The database refuses.
    pub fn change(&self, sql: &str) -> Result<u64, StoreError> {
        let before = self.conn.total_changes();
        self.conn.execute_batch(sql)?;
        Ok(self.conn.total_changes() - before)
    }
}

/// Runs statements inside a change of the store, at its own connection.
///
/// # Errors
/// The database refuses.
pub fn run(tx: &Tx, sql: &str) -> Result<(), StoreError> {
    tx.execute_batch(sql)
}

impl Cell {
    fn text(self) -> String {
        match self {
            Cell::Null => String::new(),
            Cell::Integer(number) => number.to_string(),
            Cell::Real(number) => number.to_string(),
            Cell::Text(text) => text,
            Cell::Bytes(bytes) => String::from_utf8_lossy(&bytes).into_owned(),
        }
    }
}

impl From<Value> for Cell {
    fn from(value: Value) -> Cell {
        match value {
            Value::Null => Cell::Null,
            Value::Integer(number) => Cell::Integer(number),
            Value::Real(number) => Cell::Real(number),
            Value::Text(text) => Cell::Text(text),
            Value::Blob(bytes) => Cell::Bytes(bytes),
        }
    }
}
