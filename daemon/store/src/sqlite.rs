//! The store in one file of SQLite: the one room that names its library.

#[cfg(any(test, feature = "tests"))]
pub mod bare;
pub(crate) mod opening;
#[cfg(feature = "tests")]
pub mod overheard;
pub(crate) mod schema;

use crate::error::{Kind, Refusal};
use crate::session::{Columns, Each, Row, Session, Step, Value};
use crate::{StoreError, Tx, View};
use chrono::Utc;
use rusqlite::config::DbConfig;
use rusqlite::types::{ToSqlOutput, ValueRef};
use rusqlite::{CachedStatement, Connection, ErrorCode, params_from_iter};
use std::any::Any;

/// A connection to the file.
#[derive(Debug)]
pub(crate) struct Sqlite(pub(crate) Connection);

/// SQLite's own connection behind a view, for what other databases do not have.
pub(crate) fn connection(view: &View) -> Result<&Connection, StoreError> {
    let found = view.session().as_any().downcast_ref::<Sqlite>();
    found.map(|found| &found.0).ok_or_else(foreign)
}

/// The same, taken back.
pub(crate) fn into_connection(tx: Tx) -> Result<Connection, StoreError> {
    let found = tx.into_session().into_any().downcast::<Sqlite>();
    found.map(|found| found.0).map_err(|_| foreign())
}

fn foreign() -> StoreError {
    StoreError::Work("this store is no file of SQLite".to_owned())
}

impl Sqlite {
    fn rows(
        mut statement: CachedStatement<'_>,
        values: &[Value<'_>],
        each: &mut Each<'_>,
    ) -> Result<(), StoreError> {
        let mut rows = statement.query(params_from_iter(values))?;
        while let Some(row) = rows.next()? {
            if each(&Row(row))?.is_break() {
                break;
            }
        }
        Ok(())
    }
}

impl Session for Sqlite {
    fn ask(&self, sql: &str, values: &[Value<'_>], each: &mut Each<'_>) -> Result<(), StoreError> {
        let statement = self.0.prepare_cached(sql)?;
        if !statement.readonly() {
            let why =
                "a view of the store was asked to change it; internal error; please report it";
            return Err(StoreError::Work(why.to_owned()));
        }
        Sqlite::rows(statement, values, each)
    }

    fn tell(&self, sql: &str, values: &[Value<'_>], each: &mut Each<'_>) -> Result<(), StoreError> {
        Sqlite::rows(self.0.prepare_cached(sql)?, values, each)
    }

    fn change(&self, sql: &str, values: &[Value<'_>]) -> Result<usize, StoreError> {
        let mut statement = self.0.prepare_cached(sql)?;
        Ok(statement.execute(params_from_iter(values))?)
    }

    fn run(&self, sql: &str) -> Result<(), StoreError> {
        Ok(self.0.execute_batch(sql)?)
    }

    fn step(&self, step: Step) -> Result<(), StoreError> {
        self.run(match step {
            Step::BeginReading => "BEGIN",
            Step::BeginChanging => "BEGIN IMMEDIATE",
            Step::BeginOne => "SAVEPOINT change",
            Step::KeepOne => "RELEASE change",
            Step::UndoOne => "ROLLBACK TO change; RELEASE change",
            Step::Commit => "COMMIT",
            Step::RollBack => "ROLLBACK",
        })
    }

    fn is_in_transaction(&self) -> bool {
        !self.0.is_autocommit()
    }

    fn rows_changed(&self) -> u64 {
        self.0.total_changes()
    }

    /// A file has the clock of its host, and all that use it are there.
    fn now(&self) -> Result<i64, StoreError> {
        Ok(Utc::now().timestamp_millis())
    }

    fn empty(&self, tables: &[&str]) -> Result<(), StoreError> {
        let with_triggers = |on| {
            self.0
                .set_db_config(DbConfig::SQLITE_DBCONFIG_ENABLE_TRIGGER, on)
        };
        with_triggers(false)?;
        let done = tables.iter().try_for_each(|table| {
            let sql = format!("delete from {table}");
            self.change(&sql, &[]).map(|_| ())
        });
        with_triggers(true)?;
        done
    }

    fn as_any(&self) -> &dyn Any {
        self
    }

    fn into_any(self: Box<Self>) -> Box<dyn Any> {
        self
    }
}

impl rusqlite::ToSql for Value<'_> {
    fn to_sql(&self) -> rusqlite::Result<ToSqlOutput<'_>> {
        Ok(ToSqlOutput::Borrowed(match self {
            Value::Null => ValueRef::Null,
            Value::Integer(number) => ValueRef::Integer(*number),
            Value::Real(number) => ValueRef::Real(*number),
            Value::Text(text) => ValueRef::Text(text.as_bytes()),
            Value::Bytes(bytes) => ValueRef::Blob(bytes),
        }))
    }
}

impl Columns for rusqlite::Row<'_> {
    fn value(&self, column: usize) -> Result<Value<'_>, StoreError> {
        Ok(match self.get_ref(column)? {
            ValueRef::Null => Value::Null,
            ValueRef::Integer(number) => Value::Integer(number),
            ValueRef::Real(number) => Value::Real(number),
            ValueRef::Blob(bytes) => Value::Bytes(bytes),
            ValueRef::Text(bytes) => Value::Text(
                std::str::from_utf8(bytes)
                    .map_err(|error| rusqlite::Error::Utf8Error(column, error))?,
            ),
        })
    }

    fn place(&self, name: &str) -> Option<usize> {
        self.as_ref().column_index(name).ok()
    }

    fn name(&self, column: usize) -> String {
        let name = self.as_ref().column_name(column);
        name.unwrap_or_default().to_owned()
    }
}

impl From<rusqlite::Error> for StoreError {
    fn from(error: rusqlite::Error) -> Self {
        match error.sqlite_error_code() {
            Some(ErrorCode::DiskFull) => StoreError::Full,
            Some(ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked) => StoreError::Busy,
            _ if shared_memory_could_not_grow(&error) => StoreError::Full,
            _ => StoreError::Refused(error.into()),
        }
    }
}

impl From<rusqlite::Error> for Refusal {
    fn from(error: rusqlite::Error) -> Self {
        let kind = match &error {
            rusqlite::Error::InvalidColumnType(..) | rusqlite::Error::Utf8Error(..) => Kind::Unfit,
            error => match error.sqlite_error_code() {
                Some(ErrorCode::SystemIoFailure) => Kind::Disk,
                Some(ErrorCode::DatabaseCorrupt) => Kind::Corrupt,
                Some(ErrorCode::NotADatabase) => Kind::Foreign,
                _ => Kind::Other,
            },
        };
        Refusal::new(kind, error.to_string())
    }
}

/// The index of the write-ahead log lives in shared memory backed by a file; a full disk shows
/// there as an I/O error (SQLITE_IOERR_SHMSIZE, sqlite.org/rescode.html), though nothing is lost.
fn shared_memory_could_not_grow(error: &rusqlite::Error) -> bool {
    error.sqlite_error().map(|code| code.extended_code) == Some(rusqlite::ffi::SQLITE_IOERR_SHMSIZE)
}
