//! The shape of the store, its number, and the way from each shape to the next.

use crate::error::{Kind, Refusal};
use crate::{StoreError, View, meta};
use rusqlite::Connection;

use std::path::Path;

/// Marks the file as ours in its header (SQLite's `application_id`): "SHLN".
const APPLICATION_ID: i64 = 0x5348_4C4E;

/// The steps from an empty file to the newest shape, each with the number of the shape it leads to.
/// Numbers rise and may leave gaps.
pub(crate) const STEPS: &[(i64, &str)] = &[
    (1, include_str!("../schema/001.sql")),
    (2, include_str!("../schema/002.sql")),
    (3, include_str!("../schema/003.sql")),
    (4, include_str!("../schema/004.sql")),
    (5, include_str!("../schema/005.sql")),
    (6, include_str!("../schema/006.sql")),
    (7, include_str!("../schema/007.sql")),
    (8, include_str!("../schema/008.sql")),
    (9, include_str!("../schema/009.sql")),
    (10, include_str!("../schema/010.sql")),
    (11, include_str!("../schema/011.sql")),
];

/// The newest shape this program knows.
pub(crate) const KNOWN: i64 = match STEPS.last() {
    Some((shape, _)) => *shape,
    None => 0,
};

/// A kind of file that is ours: its mark, and its way from nothing to the newest shape.
#[derive(Debug)]
pub(crate) struct Form {
    /// In its header (SQLite's `application_id`).
    pub(crate) application_id: i64,
    /// As [`STEPS`].
    pub(crate) steps: &'static [(i64, &'static str)],
}

/// The store.
pub(crate) const STORE: Form = Form {
    application_id: APPLICATION_ID,
    steps: STEPS,
};

/// The shape of a file of the store.
pub(crate) fn found(conn: &Connection, path: &Path) -> Result<i64, StoreError> {
    STORE.found(conn, path)
}

impl Form {
    /// The newest shape.
    pub(crate) fn known(&self) -> i64 {
        self.steps.last().map_or(0, |(shape, _)| *shape)
    }

    /// The shape of an opened file: 0 for an empty one. Changes nothing.
    pub(crate) fn found(&self, conn: &Connection, path: &Path) -> Result<i64, StoreError> {
        let known = self.known();
        let number = |pragma: &str| -> Result<i64, StoreError> {
            conn.pragma_query_value(None, pragma, |row| row.get(0))
                .map_err(|source| opening(path, source.into()))
        };
        let (shape, application) = (number("user_version")?, number("application_id")?);
        let tables: i64 = conn
            .query_row("select count(*) from sqlite_schema", [], |row| row.get(0))
            .map_err(|source| opening(path, source.into()))?;
        match (shape, application, tables) {
            (0, 0, 0) => Ok(0),
            (_, ours, _) if ours == self.application_id && shape > known => {
                Err(StoreError::Newer {
                    path: path.into(),
                    found: shape,
                    known,
                })
            }
            (_, ours, _) if ours == self.application_id && shape > 0 => Ok(shape),
            _ => Err(StoreError::Foreign { path: path.into() }),
        }
    }

    /// Brings a file to the newest shape, each step and its number in one transaction: a crash leaves
    /// the old shape or the new one.
    pub(crate) fn bring_up(
        &self,
        conn: &Connection,
        path: &Path,
        from: i64,
    ) -> Result<(), StoreError> {
        let mark = self.application_id;
        for (shape, step) in self.steps.iter().filter(|(shape, _)| *shape > from) {
            conn.execute_batch(&format!(
                "BEGIN IMMEDIATE; {step}
             PRAGMA application_id = {mark}; PRAGMA user_version = {shape}; COMMIT;"
            ))
            .map_err(|source| StoreError::Open {
                path: path.into(),
                source: source.into(),
            })?;
        }
        Ok(())
    }
}

/// Whether the store knows the last commit that was told to somebody; without its log, or with an
/// older file in its place, it does not, and looks sound.
pub(crate) fn refuse_older(
    view: &View,
    path: &Path,
    shape: i64,
    stored: u64,
) -> Result<(), StoreError> {
    let known = match shape {
        0 => 0,
        _ => meta::commits(view).map_err(|error| match error {
            StoreError::Refused(source) => opening(path, source),
            other => other,
        })?,
    };
    if known < stored {
        Err(StoreError::Older {
            path: path.into(),
            known,
            stored,
        })
    } else {
        Ok(())
    }
}

/// Why a file does not open, for the person who has to act.
fn opening(path: &Path, source: Refusal) -> StoreError {
    let path = path.to_owned();
    match source.kind() {
        Kind::Foreign => StoreError::Foreign { path },
        Kind::Corrupt => StoreError::Damaged {
            what: format!("{}: {source}", path.display()),
        },
        _ => StoreError::Open { path, source },
    }
}
